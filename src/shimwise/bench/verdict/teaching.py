"""Learn from all signed preps: spreads for the judge, and the network of the house for those who ask."""

from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar

from shimwise.bench.errors import StoreError
from shimwise.bench.house.taught import keep_taught, taught_in
from shimwise.bench.prep.prep_data import material_of
from shimwise.bench.prep.states import SIGNED
from shimwise.bench.verdict.histories import remember_learned, typed_histories
from shimwise.bench.verdict.judge_input import question_of
from shimwise.bench.verdict.prep_memory import units_of
from shimwise.errors import InferenceError, OpticsError
from shimwise.inference.house.taught import FEWEST_PREPS, Taught
from shimwise.inference.model.joint_memory import Unit
from shimwise.inference.model.kinds import Kind
from shimwise.inference.model.prep import BodyKnowledge, LensKnowledge, MeasuredLanding, Reading
from shimwise.record.queries import lookups, memories, sets

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from shimwise.bench.prep.prep_data import PrepMaterial
    from shimwise.inference.house.readings import SignedPrep
    from shimwise.inference.house.spreads import Learned
    from shimwise.record.record import Connection, Record

Known = TypeVar("Known", BodyKnowledge, LensKnowledge)
Taken = TypeVar("Taken", Reading, MeasuredLanding)
DAY_S = 86_400.0
TEACHER = "the house"
MOST_READINGS = 40_000
"""At a signature the newest preps with so many readings teach; the command takes all of them."""
NEW_SHARE = 0.05
"""Learned anew once so large a share of preps is new; a house of few preps at every signature."""
AT_EPOCH = "@"


def learn_after_signature(record: "Record") -> None:
    """Learn if it is due; a failure leaves signatures as they are, and the next one tries again."""
    with suppress(InferenceError, OpticsError, StoreError):
        learn_if_due(record)


def learn_if_due(
    record: "Record", *, fence: "Callable[[Connection], None]" = lambda _: None
) -> Taught | None:
    """Learn from the signed preps and keep it; None while there are too few, or hardly a new one.

    What ``fence`` raises in the transaction that keeps it undoes that.

    The judge's priors are then the house's own, and its memory is that of all preps together: unless
    another prep was signed while this one learned, which the next learning makes good.
    """
    from shimwise.inference.house.joint import joint_state, taught_by

    with record.reading() as connection:
        count, known = lookups.signed_count(connection), taught_in(connection)
        is_due = known is None or count >= known.preps + max(1, round(NEW_SHARE * known.preps))
        if count < FEWEST_PREPS or not is_due:
            return None
        preps, seq = signed_preps(connection, most_readings=MOST_READINGS), memories.newest_seq(connection)
    found = learned_from(preps)
    if found is None:
        return None
    state = joint_state(found)
    taught = replace(taught_by(found, state), preps=count)
    with record.writing(who=TEACHER) as change:
        fence(change.connection)
        keep_taught(change, taught)
        if taught.is_used:
            remember_learned(change, state.history(_remembered), seq=seq)
    return taught


def learned_from(preps: "Sequence[SignedPrep]") -> "Learned | None":
    """Return what signed preps teach; None without a reading."""
    from shimwise.inference.house.readings import readings_of_house
    from shimwise.inference.house.spreads import learn

    readings = readings_of_house(preps)
    return learn(readings) if len(readings.body) else None


def signed_preps(connection: "Connection", *, most_readings: int) -> "tuple[SignedPrep, ...]":
    """Return the newest signed preps up to so many readings, units by id and epoch (:func:`unit_of`).

    A history that a person had typed before a prep counts as a gauge value there.
    """
    found: list[SignedPrep] = []
    count = 0
    for one in preps_read(connection, lookups.signed_prep_ids(connection)):
        count += len(one.prep.evidence)
        found.append(one)
        if count >= most_readings:
            break
    return tuple(reversed(found))


def preps_read(connection: "Connection", prep_ids: "Sequence[str]") -> "Iterator[SignedPrep]":
    """Yield preps as :func:`signed_preps` has them; one without evidence, or open again, is left out."""
    set_of_lens = {
        lens_id: one.id for one in reversed(sets.sets(connection)) for lens_id in reversed(one.lens_ids)
    }
    typed: dict[str, dict[str, tuple[int, float, float]]] = {}
    for prep_id in prep_ids:
        material = material_of(connection, prep_id)
        for unit in material.units:
            if unit.id not in typed:
                typed[unit.id] = typed_histories(connection, unit.id)
        of_prep = {unit.id: typed[unit.id][prep_id] for unit in material.units if prep_id in typed[unit.id]}
        one = _signed(material, set_of_lens, of_prep) if material.prep.state == SIGNED else None
        if one is not None:
            yield one


def unit_of(name: str) -> tuple[str, int]:
    """Return id and epoch of a unit as :func:`signed_preps` names it."""
    unit_id, _, epoch = name.rpartition(AT_EPOCH)
    return unit_id, int(epoch)


def _remembered(unit: Unit) -> Unit:
    """Return a unit of the network as the memory names it."""
    return unit if unit.kind is Kind.EYE else Unit(unit.kind, *unit_of(unit.name))


def _signed(
    material: "PrepMaterial",
    set_of_lens: dict[str, str],
    typed: "Mapping[str, tuple[int, float, float]]",
) -> "SignedPrep | None":
    from shimwise.inference.house.readings import SignedPrep

    question = question_of(material)
    if question is None:
        return None
    units, prep = units_of(material), question.prep

    def named(kind: Kind, name: str) -> str:
        unit = units.remembered(Unit(kind, name))
        return f"{unit.name}{AT_EPOCH}{unit.epoch}"

    def renamed(one: Taken) -> Taken:
        return replace(one, body=named(Kind.BODY, one.body), lens=named(Kind.LENS, one.lens))

    bodies = {named(Kind.BODY, name): one for name, one in prep.bodies.items()}
    lenses = {named(Kind.LENS, name): one for name, one in prep.lenses.items()}
    prior = {f"{unit_id}{AT_EPOCH}{epoch}": (mean, sd) for unit_id, (epoch, mean, sd) in typed.items()}
    by_id = replace(
        prep,
        readings=tuple(map(renamed, prep.readings)),
        landings=tuple(map(renamed, prep.landings)),
        bodies={name: _with_prior(one, prior.get(name)) for name, one in bodies.items()},
        lenses={name: _with_prior(one, prior.get(name)) for name, one in lenses.items()},
        history=None,
    )
    return SignedPrep(
        days=material.prep.started_at.timestamp() / DAY_S,
        prep=by_id,
        set_of_lens={
            name: set_of_lens[unit_of(name)[0]] for name in by_id.lenses if unit_of(name)[0] in set_of_lens
        },
    )


def _with_prior(known: Known, prior: tuple[float, float] | None) -> Known:
    """Return what is known of a unit with a typed history as a gauge value, weighted with its own."""
    if prior is None:
        return known
    mean_um, sd_um = prior
    if known.gauge_um is None or known.gauge_sd_um is None:
        return replace(known, gauge_um=mean_um, gauge_sd_um=sd_um)
    own, more = known.gauge_sd_um**-2, sd_um**-2
    return replace(
        known,
        gauge_um=(own * known.gauge_um + more * mean_um) / (own + more),
        gauge_sd_um=(own + more) ** -0.5,
    )
