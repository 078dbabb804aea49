"""Judge a prep with the mixture model: one posterior, from which every figure of the answer is read.

P(out) of a unit and its probability as a cause are one number. Pairs (body + lens) and differences of bodies
are decided for themselves: they are known far better than their parts.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchmarks.candidates.mixture.design import BenchFacts, Built, build_mixture
from benchmarks.candidates.mixture.draws import Draws, draw
from benchmarks.candidates.mixture.held import LIKELY, ONE_EYE_REACH, Holding
from benchmarks.candidates.mixture.model import FloatArray, IntArray, MixtureModel
from benchmarks.candidates.mixture.priors import CAUSES, NU, Effect, Priors
from benchmarks.candidates.mixture.rounding import Granularity, usual_step_mm
from benchmarks.candidates.mixture.unparted import OUT, Unparted, UnpartedKind, unparted_pairs
from shimwise.inference.model.linear import Kind
from shimwise.inference.model.prep import Prep, Reading
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
from shimwise.inference.verdict.decision import CALL_OUT_P, decide
from shimwise.inference.verdict.judge import (
    LEAST_CAUSE_P,
    MOST_CAUSES,
    MOST_NEXT,
    SCALE_TOLERANCE_PERMILLE,
    TAPE_TOLERANCE_MM,
)
from shimwise.optics.conjugates import magnification

EYE_TOLERANCE = 0.2
"""A person's offset counts as a cause beyond this. [share of N·c; 8 µm at f/2 and 20 µm] Chosen by us."""
GAUGED = (Effect.BODY, Effect.LENS)
STUDENT_LOSS = (NU + 3) / (NU + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class PairAnswer:
    """Landing of a lens on a body, B + L [µm, short < 0 < deep]: interval, probability, verdict.

    ``is_read``: whether the two were read together; otherwise it follows from the network of the others.
    """

    body: str
    lens: str
    landing_um: float
    sd_um: float
    low_um: float
    high_um: float
    p_out: float
    verdict: Verdict
    tolerance_um: float
    is_read: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferenceAnswer:
    """Error of ``body`` minus that of ``than`` [µm]: positive, body lies deeper."""

    body: str
    than: str
    difference_um: float
    sd_um: float
    low_um: float
    high_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeAnswer:
    """A person's offset [share of N·c, short < 0], its 95 % interval, and k, the spread, in the same unit."""

    name: str
    k: float
    offset: float
    offset_sd: float
    offset_low: float
    offset_high: float
    p_out: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAnswer:
    """The shift common to a set of lenses. [µm, short < 0 < deep]"""

    name: str
    shift_um: float
    sd_um: float
    low_um: float
    high_um: float
    p_out: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MixtureAnswer:
    """Today's answer, and what only this model has: pairs, differences, eyes, sets, granularities.

    The answer's ``headline`` is empty: sentences are made where all findings are known.
    """

    answer: Answer
    pairs: tuple[PairAnswer, ...]
    differences: tuple[DifferenceAnswer, ...]
    eyes: tuple[EyeAnswer, ...]
    sets: tuple[SetAnswer, ...]
    unparted: tuple[Unparted, ...]
    granularities: tuple[Granularity, ...]
    is_converged: bool
    largest_p_monte_carlo_sd: float


@dataclass(frozen=True, slots=True)
class Judged:
    """An answer with the model and the draws that it was read from, for history, plan and re-check."""

    answer: MixtureAnswer
    built: Built
    draws: Draws


def judge_prep(
    prep: Prep,
    *,
    candidates: Sequence[Reading] = (),
    facts: BenchFacts | None = None,
    priors: Priors | None = None,
    later: Mapping[tuple[Kind, str], tuple[str, ...]] | None = None,
    seed: int = 0,
) -> Judged:
    """Judge who is off, by how much, how sure that is, and what to read next.

    Parameters
    ----------
    prep : Prep
        At least one reading, candidate or unit.
    candidates : sequence of Reading
        Readings that could be taken next.
    facts, priors, later
        As :func:`benchmarks.candidates.mixture.design.build_mixture`.
    seed : int
        Same prep and seed, same answer, whatever the order of the readings.

    Raises
    ------
    InferenceError
        When there is nothing to judge.
    OpticsError
        When a distance or reading lies inside the near limit of its lens.
    """
    built = build_mixture(prep, candidates=candidates, facts=facts, priors=priors, later=later)
    limit = limits(built.model, prep)
    draws = draw(built.model, limit=limit, seed=seed)
    return Judged(_Reader.of(prep, built, draws, limit).answer(), built, draws)


def limits(model: MixtureModel, prep: Prep) -> FloatArray:
    """What counts as out, for each quantity in its own unit; infinite where nothing does. Shape (g,)"""
    own_um = {name: body.tolerance_um for name, body in prep.bodies.items()}
    by_kind = {
        Effect.LENS.value: prep.tolerance_um,
        Effect.SET.value: prep.tolerance_um,
        Effect.SCALE.value: SCALE_TOLERANCE_PERMILLE,
        Effect.SETUP.value: TAPE_TOLERANCE_MM,
        Effect.BODY_REFERENCE.value: TAPE_TOLERANCE_MM,
        Effect.EYE.value: EYE_TOLERANCE,
        "common": prep.tolerance_um,
    }
    return np.array(
        [
            own_um.get(one.names[0]) or prep.tolerance_um
            if one.kind in (Effect.BODY.value, "pair")
            else by_kind.get(one.kind, np.inf)
            for one in model.quantities.kinds
        ]
    )


@dataclass(frozen=True, slots=True)
class _Reader:
    """Everything per quantity (g,), read off the draws once."""

    prep: Prep
    built: Built
    draws: Draws
    limit: FloatArray
    estimate: FloatArray
    sd: FloatArray
    low: FloatArray
    high: FloatArray
    below: FloatArray
    above: FloatArray
    read: frozenset[tuple[str, str]]
    verdicts: dict[int, Verdict]

    @classmethod
    def of(cls, prep: Prep, built: Built, draws: Draws, limit: FloatArray) -> "_Reader":
        low, high = draws.interval()
        below, above = draws.outside(limit)
        read = frozenset((reading.body, reading.lens) for reading in prep.evidence)
        reader = cls(
            prep, built, draws, limit, draws.estimate, draws.estimate_sd, low, high, below, above, read, {}
        )
        holding = Holding(draws, below, above, limit, reader._eye_reach_um())
        reader.verdicts.update(holding.held(reader._decided(), read=read))
        return reader

    def answer(self) -> MixtureAnswer:
        bodies, lenses = self._bodies(), self._lenses()
        past_bodies, past_lenses = self.prep.past_bodies, self.prep.past_lenses
        now_bodies = tuple(one for one in bodies if one.name not in past_bodies)
        now_lenses = tuple(one for one in lenses if one.name not in past_lenses)
        eyes = self._eyes()
        answer = Answer(
            tolerance_um=self.prep.tolerance_um,
            headline="",
            bodies=now_bodies,
            lenses=now_lenses,
            setups=self._setups(),
            operators=tuple(OperatorAnswer(name=eye.name, k=eye.k) for eye in eyes),
            readings=self._readings(),
            causes=self._causes(),
            next=self._next([*now_bodies, *now_lenses]),
            notices=self.built.notices,
            past_bodies=tuple(one for one in bodies if one.name in past_bodies),
            past_lenses=tuple(one for one in lenses if one.name in past_lenses),
        )
        error = self.draws.p_monte_carlo_sd(self.limit)[np.isfinite(self.limit)]
        return MixtureAnswer(
            answer=answer,
            pairs=self._pairs(),
            differences=self._differences(),
            eyes=eyes,
            sets=self._sets(),
            unparted=self._unparted(now_bodies, now_lenses, eyes),
            granularities=self.built.granularities,
            is_converged=self.draws.is_converged,
            largest_p_monte_carlo_sd=float(error.max(initial=0.0)),
        )

    def _decided(self) -> dict[int, Verdict]:
        """Verdict of every body, lens and pair by itself, by row of the quantities."""
        bodies, lenses = {body for body, _ in self.read}, {lens for _, lens in self.read}
        gauged = {
            (kind, name)
            for kind, known in ((Effect.BODY.value, self.prep.bodies), (Effect.LENS.value, self.prep.lenses))
            for name, one in known.items()
            if one.gauge_um is not None
        }

        def is_read(kind: str, names: tuple[str, ...]) -> bool:
            if kind == "pair":
                return names[0] in bodies and names[1] in lenses
            return (kind, names[0]) in gauged or names[0] in (bodies if kind == Effect.BODY else lenses)

        return {
            row: decide(
                p_below=float(self.below[row]),
                p_above=float(self.above[row]),
                sd_um=float(self.sd[row]),
                tolerance_um=float(self.limit[row]),
                is_read=is_read(*self.draws.quantities.kinds[row]),
            )
            for kind in (Effect.BODY.value, Effect.LENS.value, "pair")
            for row in self._rows(kind)
        }

    def _eye_reach_um(self) -> float:
        """Bias [µm] that the only eye may have; 0 where two have read or something else fixes the sum."""
        rows = self.built.model.rows
        known = [*self.prep.bodies.values(), *self.prep.lenses.values()]
        is_fixed = bool(self.prep.landings) or any(one.gauge_um is not None for one in known)
        if is_fixed or len(self.built.model.persons) > 1 or not len(rows.blur_um):
            return 0.0
        return ONE_EYE_REACH * float(rows.blur_um.max())

    def _rows(self, kind: str) -> list[int]:
        return self.draws.quantities.indices(kind)

    def _names(self, row: int) -> tuple[str, ...]:
        return self.draws.quantities.kinds[row].names

    def _p_out(self, row: int) -> float:
        return float(min(1.0, self.below[row] + self.above[row]))

    def _figures(self, row: int) -> dict[str, Any]:
        """Fields that bodies, lenses and pairs share."""
        return {
            "sd_um": float(self.sd[row]),
            "low_um": float(self.low[row]),
            "high_um": float(self.high[row]),
            "p_out": self._p_out(row),
            "tolerance_um": float(self.limit[row]),
            "verdict": self.verdicts[row],
        }

    def _unit(self, row: int) -> dict[str, Any]:
        return {
            "name": self._names(row)[0],
            "error_um": float(self.estimate[row]),
            **self._figures(row),
        }

    def _bodies(self) -> tuple[BodyAnswer, ...]:
        return tuple(BodyAnswer(**self._unit(row)) for row in self._rows(Effect.BODY.value))

    def _lenses(self) -> tuple[LensAnswer, ...]:
        return tuple(
            LensAnswer(**self._unit(row), **self._scale(self._names(row)[0]))
            for row in self._rows(Effect.LENS.value)
        )

    def _scale(self, lens: str) -> dict[str, Any]:
        """Scale of a lens; zero and its prior's spread where it was read at infinity only."""
        rows = [row for row in self._rows(Effect.SCALE.value) if self._names(row)[0] == lens]
        if not rows:
            sd, share = Priors().levels[Effect.SCALE].sd, Priors().levels[Effect.SCALE].share
            prior_sd = float(np.sqrt(np.dot(share, np.square(sd))))
            return {"scale_permille": 0.0, "scale_sd_permille": prior_sd, "p_scale_out": 0.0}
        row = rows[0]
        return {
            "scale_permille": float(self.estimate[row]),
            "scale_sd_permille": float(self.sd[row]),
            "p_scale_out": self._p_out(row) if self._is_informed(row) else 0.0,
        }

    def _is_informed(self, row: int) -> bool:
        """Whether a reading or a gauge touches a quantity."""
        used = np.flatnonzero(self.draws.quantities.matrix[row])
        kind, names = self.draws.quantities.kinds[row]
        gauged = kind in GAUGED and any(
            one.gauge_um is not None
            for name, one in (self.prep.bodies if kind == Effect.BODY else self.prep.lenses).items()
            if name in names
        )
        return gauged or bool(np.any(self.built.model.rows.design[:, used]))

    def _setups(self) -> tuple[SetupAnswer, ...]:
        return tuple(
            SetupAnswer(
                name=self._names(row)[0],
                error_mm=float(self.estimate[row]),
                sd_mm=float(self.sd[row]),
                p_out=self._p_out(row),
            )
            for row in self._rows(Effect.SETUP.value)
            if self._is_informed(row)
        )

    def _eyes(self) -> tuple[EyeAnswer, ...]:
        model = self.built.model
        if not np.any(model.rows.blur_um):
            return ()
        rows = {self._names(row)[0]: row for row in self._rows(Effect.EYE.value)}
        return tuple(
            EyeAnswer(
                name=name,
                k=float(self.draws.k[i]),
                offset=float(self.estimate[rows[name]]),
                offset_sd=float(self.sd[rows[name]]),
                offset_low=float(self.low[rows[name]]),
                offset_high=float(self.high[rows[name]]),
                p_out=self._p_out(rows[name]),
            )
            for i, name in enumerate(model.persons)
            if name in rows
        )

    def _sets(self) -> tuple[SetAnswer, ...]:
        return tuple(
            SetAnswer(
                name=self._names(row)[0],
                shift_um=float(self.estimate[row]),
                sd_um=float(self.sd[row]),
                low_um=float(self.low[row]),
                high_um=float(self.high[row]),
                p_out=self._p_out(row),
            )
            for row in self._rows(Effect.SET.value)
        )

    def _pairs(self) -> tuple[PairAnswer, ...]:
        return tuple(
            PairAnswer(
                body=self._names(row)[0],
                lens=self._names(row)[1],
                landing_um=float(self.estimate[row]),
                is_read=self._names(row) in self.read,
                **self._figures(row),
            )
            for row in self._rows("pair")
        )

    def _differences(self) -> tuple[DifferenceAnswer, ...]:
        return tuple(
            DifferenceAnswer(
                body=self._names(row)[0],
                than=self._names(row)[1],
                difference_um=float(self.estimate[row]),
                sd_um=float(self.sd[row]),
                low_um=float(self.low[row]),
                high_um=float(self.high[row]),
            )
            for row in self._rows("difference")
        )

    def _unparted(
        self, bodies: Sequence[BodyAnswer], lenses: Sequence[LensAnswer], eyes: Sequence[EyeAnswer]
    ) -> tuple[Unparted, ...]:
        """Findings of sums whose parts are not called out."""
        pairs = [
            (
                (pair.body, pair.lens),
                pair.verdict,
                self._finding(UnpartedKind.PAIR, self.draws.quantities.index("pair", pair.body, pair.lens)),
            )
            for pair in self._pairs()
            if pair.is_read
        ]
        found = list(unparted_pairs(pairs, [*bodies, *lenses]))
        decided = {eye.name for eye in eyes if eye.p_out >= CALL_OUT_P}
        for row in self._rows("eye_difference"):
            is_apart = self.low[row] > 0 or self.high[row] < 0
            if is_apart and not decided.intersection(self._names(row)):
                found.append(self._finding(UnpartedKind.EYES, row))
        for row in self._rows("common"):
            is_out = max(self.below[row], self.above[row]) >= LIKELY
            if is_out and not any(unit.verdict in OUT for unit in bodies):
                found.append(self._finding(UnpartedKind.BENCH, row))
        return tuple(found)

    def _finding(self, kind: UnpartedKind, row: int) -> Unparted:
        return Unparted(
            kind=kind,
            names=self._names(row),
            amount=float(self.estimate[row]),
            sd=float(self.sd[row]),
            low=float(self.low[row]),
            high=float(self.high[row]),
        )

    def _causes(self) -> tuple[Cause, ...]:
        past = self.prep.past_bodies | self.prep.past_lenses
        found = [
            Cause(kind=effect.value, unit=self._names(row)[0], probability=self._p_out(row))
            for effect in CAUSES
            for row in self._rows(effect.value)
            if self._p_out(row) >= LEAST_CAUSE_P and self._is_informed(row)
            if self._names(row)[0] not in past
        ]
        return tuple(sorted(found, key=lambda one: (-one.probability, one.kind, one.unit))[:MOST_CAUSES])

    def _readings(self) -> tuple[ReadingAnswer, ...]:
        """One per reading, in the prep's order; a bound's landing is the bound."""
        rows, full = self.built.model.rows, (NU + 1) / NU
        found: list[ReadingAnswer | None] = [None] * len(self.prep.evidence)
        rounding = np.where(np.isfinite(rows.width_um), rows.width_um, 0.0) ** 2 / 12
        sd = np.sqrt(self.draws.scale_um**2 + rounding)
        for i, place in enumerate(rows.reading):
            reading = self.prep.evidence[place]
            found[place] = ReadingAnswer(
                row=reading.row,
                line=reading.line,
                body=reading.body,
                lens=reading.lens,
                setup=rows.setups[rows.pattern[i]],
                landing_um=float(rows.landing_um[i]),
                sd_um=float(sd[i]),
                weight=min(1.0, float(self.draws.weight[i]) / full),
            )
        return tuple(one for one in found if one is not None)

    def _next(self, units: Sequence[BodyAnswer]) -> tuple[NextReading, ...]:
        open_verdicts = (Verdict.CANNOT_TELL, Verdict.NOT_CHECKED)
        quantities = self.draws.quantities
        wanted = np.array(
            [
                quantities.index("lens" if isinstance(unit, LensAnswer) else "body", unit.name)
                for unit in units
                if unit.verdict in open_verdicts
            ],
            dtype=np.intp,
        )
        return next_readings(self.draws, self.built, wanted=wanted)


def next_readings(draws: Draws, built: Built, *, wanted: IntArray) -> tuple[NextReading, ...]:
    """Readings worth taking next, best first: those that shrink the variance of the wanted quantities most.

    Rounding counts: a reading between marks far away has little information. A linear model's variance after
    one more reading of variance s² falls by (aᵀΣg)²/(s² + aᵀΣa).

    Parameters
    ----------
    draws, built
        As judged so far.
    wanted : array of int, shape (u,)
        Rows of the quantities that are undecided; none, and there is nothing to read.
    """
    if not len(wanted) or not built.candidates:
        return ()
    k = float(np.mean(draws.k))
    variance = STUDENT_LOSS * ((k * built.candidate_blur_um) ** 2 + built.candidate_ring_um**2)
    variance += _rounding_um(built) ** 2 / 12
    reach = built.candidate_design @ draws.unknowns_covariance
    total = variance + (reach * built.candidate_design).sum(1)
    saved = (reach @ draws.quantities.matrix[wanted].T) ** 2 / total[:, None]
    before = draws.estimate_sd[wanted] ** 2
    best = np.argsort(-saved.sum(1), kind="stable")[:MOST_NEXT]
    return tuple(
        NextReading(
            body=built.candidates[i].body,
            lens=built.candidates[i].lens,
            distance_mm=built.candidates[i].distance_mm,
            sd_after_um=float(np.sqrt(max(0.0, np.mean(before - saved[i])))),
        )
        for i in best
    )


def _rounding_um(built: Built) -> FloatArray:
    """Return the width (c,) of the interval of a candidate's reading. [µm]"""
    widths = []
    for observation in built.candidates:
        m = magnification(
            focal_mm=observation.focal_mm,
            distance_mm=observation.distance_mm,
            separation_mm=observation.separation_mm,
        )
        widths.append(1e3 * float(m) ** 2 * usual_step_mm(observation.distance_mm))
    return np.array(widths)
