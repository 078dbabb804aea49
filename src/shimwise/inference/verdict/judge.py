"""Judge a prep: one posterior, from which every figure of the answer is taken.

P(out) of a unit and its probability as a cause are one number. Pairs (body + lens) and differences of bodies
are decided for themselves: they are known far better than their parts.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from shimwise.inference.model.bench import BenchFacts, later_states
from shimwise.inference.model.candidates import offered_readings
from shimwise.inference.model.design import Built, build_mixture
from shimwise.inference.model.prep import MeasuredLanding, Prep, Reading
from shimwise.inference.model.priors import Priors
from shimwise.inference.posterior.draws import Draws, draw
from shimwise.inference.verdict.answer import Answer, BodyAnswer, NextReading, Verdict
from shimwise.inference.verdict.findings import BODY, LENS, Findings, limits
from shimwise.inference.verdict.headline import headline_of
from shimwise.inference.verdict.next_readings import next_readings
from shimwise.inference.verdict.notices import notices_of
from shimwise.inference.verdict.taped_anew import with_replaced
from shimwise.inference.verdict.units import (
    bodies_of,
    causes_of,
    differences_of,
    lenses_of,
    operators_of,
    pairs_of,
    readings_of,
    setups_of,
    undecided_rows,
    with_more,
)
from shimwise.inference.verdict.unparted import unparted_of

_Answer = TypeVar("_Answer", bound=BodyAnswer)


@dataclass(frozen=True, slots=True)
class Judged:
    """An answer, with the model and the draws that it was taken from."""

    answer: Answer
    built: Built
    draws: Draws


def judge(prep: Prep, *, priors: Priors | None = None, seed: int = 0) -> Answer:
    """Judge who is off, by how much, how sure that is, and what to read next.

    Parameters
    ----------
    prep : Prep
        At least one reading, or candidates for one.
    priors : Priors, optional
        Of the house; starting values when not given.
    seed : int
        Same readings and same seed, same answer, whatever the order of the readings.

    Raises
    ------
    InferenceError
        If there is nothing to judge.
    OpticsError
        If a distance or reading lies inside the near limit of its lens.
    """
    return judge_prep(prep, candidates=offered_readings(prep), priors=priors, seed=seed).answer


def judge_prep(
    prep: Prep,
    *,
    candidates: Sequence[Reading | MeasuredLanding] = (),
    facts: BenchFacts | None = None,
    priors: Priors | None = None,
    seed: int = 0,
) -> Judged:
    """Judge a prep with the readings that could be taken next, and facts and priors of its own.

    ``facts`` and ``priors`` as :func:`.design.build_mixture`; the rest as :func:`judge`.
    """
    built = build_mixture(prep, candidates=candidates, facts=facts, priors=priors, later=later_states(prep))
    limit = limits(built, prep)
    draws = draw(built.model, limit=limit, seed=seed)
    by_picture, by_eye = (built.offering(by_picture=way) for way in (True, False))
    offered = by_eye if by_eye.candidates else by_picture
    return Judged(_answer(Findings.of(prep, offered, draws, limit), by_picture), offered, draws)


def _answer(found: Findings, by_picture: Built) -> Answer:
    bodies, past_bodies = _parted(bodies_of(found), found.prep.past_bodies)
    lenses, past_lenses = _parted(lenses_of(found), found.prep.past_lenses)
    bodies, lenses = with_more(found, bodies, BODY), with_more(found, lenses, LENS)
    wanted = [*undecided_rows(found, bodies, BODY), *undecided_rows(found, lenses, LENS)]
    pairs = [row for row in found.rows("pair") if not found.verdicts[row].is_decided]
    unread = {one.name for one in (*bodies, *lenses) if one.verdict is Verdict.NOT_CHECKED}

    def following(offered: Built, rows: Sequence[int]) -> tuple[NextReading, ...]:
        wanted_rows = np.array(rows, dtype=np.intp)
        return next_readings(found.draws, offered, wanted=wanted_rows, limit=found.limit, unread=unread)

    pictured = following(by_picture, [*wanted, *pairs])
    answer = Answer(
        tolerance_um=found.prep.tolerance_um,
        headline="",
        bodies=bodies,
        lenses=lenses,
        setups=with_replaced(setups_of(found), found.prep.evidence, found.setup_names()),
        operators=operators_of(found),
        readings=readings_of(found),
        causes=causes_of(found),
        next=pictured if found.built is by_picture else following(found.built, wanted),
        next_by_picture=pictured,
        notices=notices_of(found),
        past_bodies=past_bodies,
        past_lenses=past_lenses,
        pairs=pairs_of(found),
        differences=differences_of(found),
        unparted=unparted_of(found),
    )
    return replace(answer, headline=headline_of(answer))


def _parted(
    units: Sequence[_Answer], past: Collection[str]
) -> tuple[tuple[_Answer, ...], tuple[_Answer, ...]]:
    """Separate the units as they are from those as they were before an adjustment."""
    now = tuple(unit for unit in units if unit.name not in past)
    return now, tuple(unit for unit in units if unit.name in past)
