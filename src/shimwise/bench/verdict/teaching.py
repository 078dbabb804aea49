"""Learn from all signed preps: spreads for the judge, and the network of the house for those who ask."""

from dataclasses import replace
from typing import TYPE_CHECKING

from shimwise.bench.house.taught import (
    FEWEST_PREPS,
    Taught,
    TaughtLevels,
    TaughtWalk,
    keep_taught,
    taught_in,
)
from shimwise.bench.prep.prep_data import material_of
from shimwise.bench.verdict.judge_input import question_of
from shimwise.bench.verdict.prep_memory import units_of
from shimwise.inference.model.joint_memory import Unit
from shimwise.inference.model.kinds import Kind
from shimwise.record.queries import lookups, sets

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimwise.bench.prep.prep_data import PrepMaterial
    from shimwise.inference.house.joint import JointState
    from shimwise.inference.house.readings import SignedPrep
    from shimwise.inference.house.spreads import Learned
    from shimwise.record import Connection
    from shimwise.record.record import Record

DAY_S = 86_400.0
TEACHER = "the house"
MOST_READINGS = 40_000
"""At a signature the newest preps with so many readings teach; the command takes all of them."""
NEW_SHARE = 0.05
"""Learned anew once so large a share of preps is new; a house of few preps at every signature."""
AT_EPOCH = "@"


def learn_if_due(record: "Record") -> Taught | None:
    """Learn from the signed preps and keep it; None while there are too few, or hardly a new one."""
    from shimwise.inference.house.joint import joint_state

    with record.reading() as connection:
        count, known = lookups.signed_count(connection), taught_in(connection)
        is_due = known is None or count >= known.preps + max(1, round(NEW_SHARE * known.preps))
        if count < FEWEST_PREPS or not is_due:
            return None
        preps = signed_preps(connection, most_readings=MOST_READINGS)
    found = learned_from(preps)
    if found is None:
        return None
    taught = replace(taught_by(found, joint_state(found)), preps=count)
    with record.writing(who=TEACHER) as change:
        keep_taught(change, taught)
    return taught


def learned_from(preps: "Sequence[SignedPrep]") -> "Learned | None":
    """Return what signed preps teach; None without a reading."""
    from shimwise.inference.house.readings import readings_of_house
    from shimwise.inference.house.spreads import learn

    readings = readings_of_house(preps)
    return learn(readings) if len(readings.body) else None


def taught_by(found: "Learned", state: "JointState") -> Taught:
    """Return the plain figures of what was learned, and of the house's joint state."""
    from shimwise.inference.house.joint import datum_of

    spreads, datum = found.spreads, datum_of(found, state)
    return Taught(
        preps=len(found.readings.days),
        readings=len(found.readings.body),
        levels={
            effect.value: TaughtLevels(sd=one.sd, share=one.share, log_sd=spreads.log_sd[effect])
            for effect, one in spreads.levels.items()
        },
        walks={
            kind.value: TaughtWalk(month_um=one.month_um, log_sd=one.log_sd, knocked_share=one.knocked_share)
            for kind, one in spreads.walks.items()
        },
        common_sd_um=datum.common_sd_um,
        has_gauge=datum.has_gauge,
    )


def signed_preps(connection: "Connection", *, most_readings: int) -> "tuple[SignedPrep, ...]":
    """Return the newest signed preps up to so many readings, units by id and epoch (:func:`unit_of`)."""
    set_of_lens = {
        lens_id: one.id for one in reversed(sets.sets(connection)) for lens_id in reversed(one.lens_ids)
    }
    found: list[SignedPrep] = []
    count = 0
    for prep_id in lookups.signed_prep_ids(connection):
        one = _signed(material_of(connection, prep_id), set_of_lens)
        if one is None:
            continue
        count += len(one.prep.evidence)
        found.append(one)
        if count >= most_readings:
            break
    return tuple(reversed(found))


def unit_of(name: str) -> tuple[str, int]:
    """Return id and epoch of a unit as :func:`signed_preps` names it."""
    unit_id, _, epoch = name.rpartition(AT_EPOCH)
    return unit_id, int(epoch)


def _signed(material: "PrepMaterial", set_of_lens: dict[str, str]) -> "SignedPrep | None":
    from shimwise.inference.house.readings import SignedPrep

    question = question_of(material)
    if question is None:
        return None
    units, prep = units_of(material), question.prep

    def named(kind: Kind, name: str) -> str:
        unit = units.remembered(Unit(kind, name))
        return f"{unit.name}{AT_EPOCH}{unit.epoch}"

    by_id = replace(
        prep,
        readings=tuple(
            replace(one, body=named(Kind.BODY, one.body), lens=named(Kind.LENS, one.lens))
            for one in prep.readings
        ),
        landings=tuple(
            replace(one, body=named(Kind.BODY, one.body), lens=named(Kind.LENS, one.lens))
            for one in prep.landings
        ),
        bodies={named(Kind.BODY, name): one for name, one in prep.bodies.items()},
        lenses={named(Kind.LENS, name): one for name, one in prep.lenses.items()},
        history=None,
    )
    return SignedPrep(
        days=material.prep.started_at.timestamp() / DAY_S,
        prep=by_id,
        set_of_lens={
            name: set_of_lens[unit_of(name)[0]] for name in by_id.lenses if unit_of(name)[0] in set_of_lens
        },
    )
