"""The whole house from its signed preps: spreads, every unit, persons' differences, what to read next.

Where a person places focus is as private as how they repeat: a person sees their own, a lead everybody's.
"""

import math

import numpy as np

from shimwise.bench.access.accounts import asked_by
from shimwise.bench.access.acting import Who
from shimwise.bench.desk.inputs import Progress
from shimwise.bench.errors import Conflict
from shimwise.bench.executors import OnWait
from shimwise.bench.history.house_parts import all_signed_preps
from shimwise.bench.history.house_views import (
    HouseNetworkView,
    HouseReadingView,
    HouseTaughtView,
    HouseUnitView,
    PersonFocusView,
    SpreadView,
    WalkView,
)
from shimwise.bench.history.operators import LEAST_NAMELESS
from shimwise.bench.house.settings import settings_in
from shimwise.bench.house.taught import taught_in
from shimwise.bench.prep.verdict_views import distance_words
from shimwise.bench.verdict.teaching import learned_from, unit_of
from shimwise.fields import build_from
from shimwise.inference.house.joint import JointState, joint_state, taught_by
from shimwise.inference.house.next_readings import most_worth_reading, undecided
from shimwise.inference.house.setting_spread import SettingSpread
from shimwise.inference.house.spreads import SET_LEVELS, Learned
from shimwise.inference.house.taught import Taught
from shimwise.inference.model.kinds import Kind
from shimwise.inference.model.priors import STARTING_LEVELS, Effect
from shimwise.inference.verdict.answer import Z95
from shimwise.optics.ring_setting import SETTING_SD_MM
from shimwise.record.names import name_key
from shimwise.record.queries import units
from shimwise.record.record import Connection, Record
from shimwise.record.tables.mapping import UNIT_ROWS
from shimwise.sheets.words.house_words import EFFECT_WORDS, datum_words, persons_words

UNIT_OF = {
    Effect.BODY: "µm",
    Effect.LENS: "µm",
    Effect.SET: "µm",
    Effect.SCALE: "‰",
    Effect.SETUP: "mm",
}
BLUR_UM = 40.0
"""N·c at f/2 with a circle of confusion of 20 µm, at which persons are compared. [µm]"""
ALL = 10**9


def house_taught(record: Record) -> HouseTaughtView | None:
    """Return what the house's signed preps have taught, as it is kept; None before there are enough."""
    with record.reading() as connection:
        taught = taught_in(connection)
    return None if taught is None else _taught_view(taught)


def house_network(
    record: Record,
    *,
    who: Who,
    workers: str = "",
    progress: Progress | None = None,
    on_wait: OnWait | None = None,
) -> HouseNetworkView:
    """Compute the whole house from all its signed preps.

    Parameters
    ----------
    who : str
        Who asks: a person sees how they differ from the others, a lead how each does.
    workers, progress, on_wait
        As for :func:`shimwise.bench.history.house_parts.all_signed_preps`.

    Raises
    ------
    Conflict
        If no prep with readings is signed.
    ClusterError
        If the workers cannot be asked, or cannot reach the record.
    """
    preps = all_signed_preps(record, workers=workers, progress=progress, on_wait=on_wait)
    found = learned_from(preps) if preps else None
    if found is None:
        raise Conflict(
            "No prep with readings is signed yet: the house has taught nothing. Sign a prep first.",
            kind="house",
            id="house",
        )
    with record.reading() as connection:
        house = settings_in(connection)
        names, past = _names(connection, found)
        asking, is_lead = asked_by(connection, who)
    state = joint_state(found)
    open_places = set(undecided(state, tolerance_um=house.tolerance_um, past=past).tolist())
    text = distance_words(house.units)
    persons = _persons(state)
    shown = [one for one in persons if is_lead or name_key(one.name) == name_key(asking)]
    seen = tuple(shown) if is_lead or len(persons) >= LEAST_NAMELESS else ()
    return HouseNetworkView(
        taught=_taught_view(taught_by(found, state)),
        units=tuple(
            _unit(state, place, names, is_undecided=place in open_places)
            for kind in (Kind.BODY, Kind.LENS)
            for place in state.places(kind)
            if state.units[place].name not in past
        ),
        persons=seen,
        persons_words=persons_words(count=len(persons), shown=len(seen), is_lead=is_lead),
        next=tuple(
            HouseReadingView(
                body=names[one.body],
                lens=names[one.lens],
                distance_text="INF" if math.isinf(one.distance_mm) else text(one.distance_mm),
                gain_um2=one.gain_um2,
            )
            for one in most_worth_reading(found, state, tolerance_um=house.tolerance_um, past=past)
        ),
    )


def _taught_view(taught: Taught) -> HouseTaughtView:
    return build_from(
        HouseTaughtView,
        taught,
        spreads=(
            *(_spread(taught, effect) for effect in UNIT_OF if effect in taught.levels),
            *([] if taught.setting is None else [_setting_spread(taught.setting)]),
        ),
        walks=tuple(
            build_from(
                WalkView,
                one,
                kind=kind,
                name=EFFECT_WORDS[kind],
                low_um=one.month_um * math.exp(-Z95 * one.log_sd),
                high_um=one.month_um * math.exp(Z95 * one.log_sd),
            )
            for kind, one in taught.walks.items()
        ),
        datum_words=datum_words(common_sd_um=taught.common_sd_um, has_gauge=taught.has_gauge),
    )


def _spread(taught: Taught, effect: Effect) -> SpreadView:
    one, log_sd = taught.levels[effect], taught.log_sd[effect]
    return SpreadView(
        effect=effect.value,
        name=EFFECT_WORDS[effect.value],
        unit=UNIT_OF[effect],
        spread=one.usual_sd,
        low=one.usual_sd * math.exp(-Z95 * log_sd),
        high=one.usual_sd * math.exp(Z95 * log_sd),
        starting=(SET_LEVELS if effect is Effect.SET else STARTING_LEVELS[effect]).usual_sd,
        off_share=one.share[1],
        wild_share=one.share[2],
    )


def _setting_spread(one: SettingSpread) -> SpreadView:
    return SpreadView(
        effect=Effect.RING_SETTING.value,
        name=EFFECT_WORDS[Effect.RING_SETTING.value],
        unit="mm",
        spread=one.sd_mm,
        low=one.low_mm,
        high=one.high_mm,
        starting=SETTING_SD_MM,
        off_share=0.0,
        wild_share=0.0,
    )


def _names(connection: Connection, found: Learned) -> tuple[dict[str, str], frozenset[str]]:
    """Return the name of each unit of the network, and which of them ended with an adjustment."""
    readings = found.readings
    ids = {unit_of(name)[0] for name in (*readings.bodies, *readings.lenses)}
    known = {
        row.id: row
        for of in UNIT_ROWS.values()
        for row in units.units(connection, of, limit=ALL, has_retired=True)
        if row.id in ids
    }
    named, past = {}, set()
    for name in (*readings.bodies, *readings.lenses):
        unit_id, epoch = unit_of(name)
        row = known.get(unit_id)
        named[name] = unit_id if row is None else row.name
        if row is not None and row.epoch != epoch:
            past.add(name)
    return named, frozenset(past)


def _unit(state: JointState, place: int, names: dict[str, str], *, is_undecided: bool) -> HouseUnitView:
    unit = state.units[place]
    error_um, sd_um = float(state.mean[place]), float(np.sqrt(state.covariance[place, place]))
    return HouseUnitView(
        kind=str(unit.kind),
        id=unit_of(unit.name)[0],
        name=names[unit.name],
        error_um=error_um,
        sd_um=sd_um,
        low_um=error_um - Z95 * sd_um,
        high_um=error_um + Z95 * sd_um,
        is_undecided=is_undecided,
    )


def _persons(state: JointState) -> list[PersonFocusView]:
    """Return each person's offset from the mean of all: the mean itself is not known from readings."""
    here = state.places(Kind.EYE)
    if not here:
        return []
    centring = np.eye(len(here)) - 1 / len(here)
    offset = centring @ state.mean[here]
    covariance = centring @ state.covariance[np.ix_(here, here)] @ centring.T
    return [
        PersonFocusView(
            name=state.units[place].name,
            from_mean_um=float(BLUR_UM * offset[i]),
            sd_um=float(BLUR_UM * np.sqrt(max(0.0, covariance[i, i]))),
        )
        for i, place in enumerate(here)
    ]
