"""Judge a prep: from readings and what is known to the answer of :mod:`shimwise.inference.verdict.answer`."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np

from shimwise.errors import InferenceError
from shimwise.inference.model.assemble import Candidates, build_model, later_states
from shimwise.inference.model.candidates import offered_readings
from shimwise.inference.model.linear import SCALE_SD_PERMILLE, FloatArray, IntArray, Kind, Model
from shimwise.inference.model.prep import Prep
from shimwise.inference.posterior.faults import Faults
from shimwise.inference.posterior.information_gain import gain, variance_of
from shimwise.inference.posterior.robust import K_MEDIAN, NU, Posterior
from shimwise.inference.verdict import headline
from shimwise.inference.verdict.answer import (
    Answer,
    BodyAnswer,
    Cause,
    LensAnswer,
    NextReading,
    OperatorAnswer,
    ReadingAnswer,
    SetupAnswer,
    Verdict,
)
from shimwise.inference.verdict.datum import body_limits
from shimwise.inference.verdict.decision import decide
from shimwise.inference.verdict.estimate import estimate
from shimwise.inference.verdict.taped_anew import with_replaced

SCALE_TOLERANCE_PERMILLE = 5.0
"""A lens scale is out beyond this. [‰ of the extension] Chosen by us."""
TAPE_TOLERANCE_MM = 5.0
"""A taped distance is wrong beyond this. [mm] Chosen by us."""
_Answer = TypeVar("_Answer", bound=BodyAnswer)
MOST_NEXT = 3
MOST_CAUSES = 12
LEAST_CAUSE_P = 0.02


def judge(prep: Prep, *, seed: int = 0) -> Answer:
    """Judge who is off, by how much, how sure that is, and what to read next.

    Parameters
    ----------
    prep : Prep
        At least one reading, or candidates for one.
    seed : int
        Same readings and same seed, same answer.

    Raises
    ------
    InferenceError
        If there is nothing to judge.
    OpticsError
        If a distance or reading lies inside the near limit of its lens.
    """
    model, candidates = build_model(prep, candidates=offered_readings(prep))
    limit = _limits(model, prep)
    model, posterior, faults, knocked = estimate(
        model, prep.history, limit=limit, seed=seed, later=later_states(prep)
    )
    units = _Units.of(model, posterior, faults, limit)
    past = prep.past_bodies
    bodies, past_bodies = _parted(units.bodies(), past)
    lenses, past_lenses = _parted(units.lenses(), prep.past_lenses)
    answer = Answer(
        tolerance_um=prep.tolerance_um,
        headline="",
        bodies=bodies,
        lenses=lenses,
        setups=with_replaced(
            units.setups(), prep.evidence, [model.setups[pattern] for pattern in model.pattern]
        ),
        operators=tuple(
            OperatorAnswer(name=name, k=float(k))
            for name, k in zip(model.operators, posterior.k, strict=True)
            if np.any(model.blur_um)  # an eye has judged
        ),
        readings=_reading_answers(prep, model, posterior),
        causes=units.causes(prep),
        next=next_readings(posterior, candidates, wanted=undecided(model, bodies, lenses)),
        notices=(
            *model.notices,
            *headline.notices_of(
                posterior,
                [one for one in body_limits(model, candidates) if one.body not in past],
                prep,
                [body.tolerance_um for body in bodies],
            ),
            *headline.knock_notices(knocked, past={*prep.past_bodies, *prep.past_lenses}),
        ),
        past_bodies=past_bodies,
        past_lenses=past_lenses,
    )
    return replace(answer, headline=headline.headline_of(answer))


def _parted(
    units: Sequence[_Answer], past: frozenset[str]
) -> tuple[tuple[_Answer, ...], tuple[_Answer, ...]]:
    """Separate the units as they are from those as they were before an adjustment."""
    now = tuple(unit for unit in units if unit.name not in past)
    return now, tuple(unit for unit in units if unit.name in past)


def _limits(model: Model, prep: Prep) -> FloatArray:
    """Return what counts as out for each unknown, in its own unit; infinite for nuisances. Shape (p,)"""
    by_kind = {
        Kind.LENS: prep.tolerance_um,
        Kind.SCALE: SCALE_TOLERANCE_PERMILLE,
        Kind.SETUP: TAPE_TOLERANCE_MM,
    }
    own_um = {name: body.tolerance_um for name, body in prep.bodies.items()}
    return np.array(
        [
            own_um.get(unknown.name) or prep.tolerance_um
            if unknown.kind is Kind.BODY
            else by_kind.get(unknown.kind, np.inf)
            for unknown in model.unknowns
        ]
    )


@dataclass(frozen=True, slots=True)
class _Units:
    """The answers about units: everything per column (p,), from the posterior and the faults."""

    model: Model
    mean: FloatArray
    sd: FloatArray
    low: FloatArray
    high: FloatArray
    below: FloatArray
    above: FloatArray
    p_fault: FloatArray
    limit: FloatArray

    @classmethod
    def of(cls, model: Model, posterior: Posterior, faults: Faults, limit: FloatArray) -> "_Units":
        low, high = posterior.interval()
        below, above = posterior.p_outside(limit)
        return cls(model, posterior.mean, posterior.sd, low, high, below, above, faults.p_out, limit)

    def bodies(self) -> tuple[BodyAnswer, ...]:
        return tuple(BodyAnswer(**self._unit(column)) for column in self.model.indices(Kind.BODY))

    def lenses(self) -> tuple[LensAnswer, ...]:
        return tuple(
            LensAnswer(**self._unit(column), **self._scale(self.model.unknowns[column].name))
            for column in self.model.indices(Kind.LENS)
        )

    def setups(self) -> tuple[SetupAnswer, ...]:
        return tuple(
            SetupAnswer(
                name=self.model.unknowns[i].name,
                error_mm=float(self.mean[i]),
                sd_mm=float(self.sd[i]),
                p_out=float(self.p_fault[i]),
            )
            for i in self.model.indices(Kind.SETUP)
            if self._is_read(i)
        )

    def causes(self, prep: Prep) -> tuple[Cause, ...]:
        lenses, none = prep.past_lenses, frozenset[str]()
        past = {Kind.BODY: prep.past_bodies, Kind.LENS: lenses, Kind.SCALE: lenses, Kind.SETUP: none}
        found = [
            Cause(kind=unknown.kind.value, unit=unknown.name, probability=float(p))
            for i, (unknown, p) in enumerate(zip(self.model.unknowns, self.p_fault, strict=True))
            if unknown.kind in past and p >= LEAST_CAUSE_P and self._is_read(i)
            if unknown.name not in past[unknown.kind]
        ]
        return tuple(sorted(found, key=lambda cause: -cause.probability)[:MOST_CAUSES])

    def _is_read(self, column: int) -> bool:
        return bool(np.any(self.model.design[:, column]) or self.model.gauge_precision[column])

    def _unit(self, column: int) -> dict[str, Any]:
        below, above = float(self.below[column]), float(self.above[column])
        sd_um, tolerance_um = float(self.sd[column]), float(self.limit[column])
        return {
            "name": self.model.unknowns[column].name,
            "error_um": float(self.mean[column]),
            "sd_um": sd_um,
            "low_um": float(self.low[column]),
            "high_um": float(self.high[column]),
            "p_out": min(1.0, below + above),
            "tolerance_um": tolerance_um,
            "verdict": decide(
                p_below=below,
                p_above=above,
                sd_um=sd_um,
                tolerance_um=tolerance_um,
                is_read=self._is_read(column),
            ),
        }

    def _scale(self, lens: str) -> dict[str, Any]:
        """Return the scale of a lens; the prior if it was read at infinity only."""
        try:
            column = self.model.index(Kind.SCALE, lens)
        except InferenceError:
            return {"scale_permille": 0.0, "scale_sd_permille": SCALE_SD_PERMILLE, "p_scale_out": 0.0}
        return {
            "scale_permille": float(self.mean[column]),
            "scale_sd_permille": float(self.sd[column]),
            "p_scale_out": float(self.p_fault[column]) if self._is_read(column) else 0.0,
        }


def _reading_answers(prep: Prep, model: Model, posterior: Posterior) -> tuple[ReadingAnswer, ...]:
    full = (NU + 1) / NU
    return tuple(
        ReadingAnswer(
            row=reading.row,
            line=reading.line,
            body=reading.body,
            lens=reading.lens,
            setup=model.setups[pattern],
            landing_um=float(landing_um),
            sd_um=float(sd_um),
            weight=min(1.0, float(weight) / full),
        )
        for reading, pattern, landing_um, sd_um, weight in zip(
            prep.evidence, model.pattern, model.landing_um, posterior.sd_um, posterior.weights, strict=True
        )
    )


def undecided(model: Model, bodies: Sequence[BodyAnswer], lenses: Sequence[BodyAnswer]) -> IntArray:
    """Return the columns of the bodies and lenses that are neither in tolerance nor out."""
    open_verdicts = (Verdict.CANNOT_TELL, Verdict.NOT_CHECKED)
    return np.array(
        [
            model.index(kind, unit.name)
            for kind, units in ((Kind.BODY, bodies), (Kind.LENS, lenses))
            for unit in units
            if unit.verdict in open_verdicts
        ],
        dtype=np.intp,
    )


def next_readings(
    posterior: Posterior, candidates: Candidates, *, wanted: IntArray
) -> tuple[NextReading, ...]:
    """Return the readings that reduce the variance of the wanted columns most, best first.

    Parameters
    ----------
    posterior : Posterior
        As judged so far.
    candidates : Candidates
        Rows in the model's columns.
    wanted : array of int, shape (u,)
        Columns of the units that are undecided; without any there is nothing to read.
    """
    if not len(wanted) or not candidates.observations:
        return ()
    k = float(np.mean(posterior.k)) if len(posterior.k) else K_MEDIAN
    covariance = posterior.covariance
    saved = gain(covariance, candidates.design, variance_of(candidates, k), wanted)
    before = np.diag(covariance)[wanted]
    best = np.argsort(-saved.sum(1), kind="stable")[:MOST_NEXT]
    return tuple(
        NextReading(
            body=candidates.observations[i].body,
            lens=candidates.observations[i].lens,
            distance_mm=candidates.observations[i].distance_mm,
            sd_after_um=float(np.sqrt(np.mean(before - saved[i]))),
        )
        for i in best
    )
