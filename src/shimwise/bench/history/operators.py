"""How well people repeat: k and pooled repeatability of a person, and of the house without names; gauge R&R.

A person sees their own figures and those of the house, in which nobody can be made out; a lead sees all. In a
house without a keeper who asks is believed: names are not passwords there.
"""

from collections.abc import Sequence
from dataclasses import replace

from shimwise.bench.access.accounts import asked_by, sees_private
from shimwise.bench.access.acting import Actor, Who, refuse_anothers, refuse_unproved
from shimwise.bench.access.roles import Act
from shimwise.bench.errors import Conflict
from shimwise.bench.history.operator_readings import MOST_PREPS, Seen, seen_in
from shimwise.bench.history.operator_views import (
    HouseRepeatability,
    PooledView,
    StudyView,
)
from shimwise.bench.history.operator_views import (
    OperatorView as OperatorView,
)
from shimwise.bench.typed_names import typed_name
from shimwise.errors import InferenceError
from shimwise.inference.repeatability.gauge_study import LEAST_PARTS, largest_crossed_study, overlap
from shimwise.inference.repeatability.pooled import gauge_study, person_k, pooled_repeatability
from shimwise.record.names import name_key
from shimwise.record.queries.lookups import preps_with_readings
from shimwise.record.record import Record
from shimwise.sheets.words.shared import counted

LEAST_NAMELESS = 3
"""Figures of fewer persons are shown to leads alone: of two, each would know the other's. Chosen by us."""


def repeatability(record: Record, *, name: str, who: Who) -> OperatorView:
    """Return how well a person repeats, from the valid readings of their newest 50 preps.

    Parameters
    ----------
    name : str
        Whose readings.
    who : str
        Who asks: the person, or a lead.

    Raises
    ------
    Conflict, NotAllowed, SignInNeeded
        If another than the person or a lead asks.
    """
    person = typed_name(name, field="name")
    asking = who.name if isinstance(who, Actor) else typed_name(who, field="who")
    with record.reading() as connection:
        refuse_unproved(connection, who, Act.SEE_PRIVATE)
        if isinstance(who, Actor):
            refuse_anothers(who, person, act=Act.SEE_PRIVATE)
        elif not sees_private(connection, asking, of=person):
            raise Conflict(
                f"How {person} reads is private to {person} and the leads. Ask one of them.",
                kind="person",
                id=person,
            )
        prep_ids = preps_with_readings(connection, operator=person, limit=MOST_PREPS)
        seen = [one for one in seen_in(connection, prep_ids) if one.key == name_key(person)]
    return _view(person, seen, prep_count=len(prep_ids))


def house_repeatability(record: Record, *, who: Who) -> HouseRepeatability:
    """Return how well the house repeats, from its newest 50 preps, and of persons as much as one may see.

    Parameters
    ----------
    who : str
        Who asks; empty: somebody who gives no name, and sees what is nameless.
    """
    with record.reading() as connection:
        asking, is_lead = asked_by(connection, who)
        prep_ids = preps_with_readings(connection, limit=MOST_PREPS)
        own_ids = preps_with_readings(connection, operator=asking, limit=MOST_PREPS) if asking else []
        everything = seen_in(connection, dict.fromkeys([*prep_ids, *own_ids]))
    seen = [one for one in everything if one.prep_id in set(prep_ids)]
    mine = [one for one in everything if one.key == name_key(asking) and one.prep_id in set(own_ids)]
    people, own = _people(seen), _view(asking, mine, prep_count=len(own_ids))
    pooled, pooled_words = _pooled(people, is_lead=is_lead)
    study, study_words = _study(seen, is_lead=is_lead)
    return HouseRepeatability(
        who=asking,
        is_lead=is_lead,
        own=own if own.reading_count else None,
        people=tuple(_view(of[-1].name, of, prep_count=_preps(of)) for of in people) if is_lead else (),
        pooled=pooled,
        pooled_words=pooled_words,
        study=study,
        study_words=study_words,
    )


def _people(seen: Sequence[Seen]) -> list[list[Seen]]:
    """Group readings by person, in the order of their names."""
    keys = sorted({one.key for one in seen})
    return [[one for one in seen if one.key == key] for key in keys]


def _preps(seen: Sequence[Seen]) -> int:
    return len({one.prep_id for one in seen})


def _view(person: str, seen: Sequence[Seen], *, prep_count: int) -> OperatorView:
    repeats = [one.repeats for one in seen]
    view = OperatorView(
        name=person, reading_count=sum(len(one.landings_um) for one in repeats), prep_count=prep_count
    )
    try:
        k = person_k(repeats)
        pooled = pooled_repeatability([one.landings_um for one in repeats])
    except InferenceError as error:
        return replace(view, words=str(error))
    return replace(
        view,
        k=k.k,
        k_low=k.low,
        k_high=k.high,
        repeat_sd_um=pooled.sd,
        degrees=k.degrees,
        words=f"{person} repeats a sight to ±{pooled.sd:.1f} µm (one standard deviation), k = {k.k:.2f} "
        f"(95 %: {k.low:.2f} to {k.high:.2f}), from {counted(k.degrees, 'repeat')}.",
    )


def _pooled(people: Sequence[Sequence[Seen]], *, is_lead: bool) -> tuple[PooledView | None, str]:
    groups = [[one.repeats.landings_um for one in of if len(one.repeats.landings_um) > 1] for of in people]
    repeating = [of for of in groups if of]
    if not repeating:
        return None, "Nobody has read a sight twice yet: nothing can be said of the house."
    if len(repeating) < LEAST_NAMELESS and not is_lead:
        return None, _held_back(len(repeating), "The house's repeatability")
    found = pooled_repeatability([landings for of in repeating for landings in of])
    return (
        PooledView(repeat_sd_um=found.sd, degrees=found.degrees, person_count=len(repeating)),
        f"Together {_persons(len(repeating))} repeat a sight to ±{found.sd:.1f} µm (one standard deviation), "
        f"from {counted(found.degrees, 'repeat')}.",
    )


def _study(seen: Sequence[Seen], *, is_lead: bool) -> tuple[StudyView | None, str]:
    cells = {(one.key, one.sight): one.repeats.landings_um for one in seen}
    crossing = largest_crossed_study(cells)
    if crossing is None:
        return None, _lacking(*overlap(cells))
    count = len(crossing.persons)
    if count < LEAST_NAMELESS and not is_lead:
        return None, _held_back(count, "Gauge R&R")
    study = gauge_study(crossing.values)
    percent = study.gauge_percent if study.total_sd else None
    view = StudyView(
        person_count=count,
        part_count=len(crossing.parts),
        trials=crossing.trials,
        repeatability_um=study.repeatability_sd,
        reproducibility_um=study.reproducibility_sd,
        gauge_um=study.gauge_sd,
        part_um=study.part_sd,
        total_um=study.total_sd,
        gauge_percent=percent,
        is_interaction_kept=study.is_interaction_kept,
        is_small=crossing.is_small,
    )
    return view, _study_words(view)


def _study_words(view: StudyView) -> str:
    small = (
        " It is a small study: three persons, ten sights and two readings of each say more."
        if view.is_small
        else ""
    )
    often = "twice" if view.trials == 2 else f"{view.trials} times"
    return (
        f"{_persons(view.person_count).capitalize()} read the same {counted(view.part_count, 'sight')} "
        f"{often} each: one person repeats to ±{view.repeatability_um:.1f} µm, persons differ by "
        f"±{view.reproducibility_um:.1f} µm, together ±{view.gauge_um:.1f} µm; the sights themselves differ "
        f"by ±{view.part_um:.1f} µm (one standard deviation each).{small}"
    )


def _lacking(repeating: int, shared: int) -> str:
    ask = (
        f"Gauge R&R asks for two persons at least who read the same {LEAST_PARTS} sights, each twice at "
        "least, with nothing touched between."
    )
    if not repeating:
        return f"{ask} So far nobody has read a sight twice."
    if repeating == 1:
        return f"{ask} So far one person has: let a second one repeat what the first has read."
    have = "none was" if not shared else "one was" if shared == 1 else f"{shared} were"
    return (
        f"{ask} So far {_persons(repeating)} have repeated sights, but of the same sights {have} repeated by "
        "two of them."
    )


def _held_back(count: int, what: str) -> str:
    return (
        f"{what} is shown to leads alone while it is of {_persons(count)}: from {LEAST_NAMELESS} on nobody "
        "can be made out in it."
    )


def _persons(count: int) -> str:
    return "one person" if count == 1 else "two persons" if count == 2 else counted(count, "person")
