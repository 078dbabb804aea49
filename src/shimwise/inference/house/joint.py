"""Units of a learned house: each body and lens as last read, all together, and the datum."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.inference.house.spreads import EYE_SD, Learned
from shimwise.inference.house.taught import Taught
from shimwise.inference.model.joint_memory import History, Unit
from shimwise.inference.model.kinds import Kind


@dataclass(frozen=True, slots=True)
class JointState:
    """All bodies, lenses, scales and persons as last read: mean and covariance, and the day of each. [d]

    A lens contains the shift of its set.
    """

    units: tuple[Unit, ...]
    mean: FloatArray
    covariance: FloatArray
    day: FloatArray

    def places(self, kind: Kind) -> list[int]:
        """Return the places of the units of a kind."""
        return [i for i, unit in enumerate(self.units) if unit.kind is kind]

    def history(self, remembered: Callable[[Unit], Unit]) -> History:
        """Return it as a memory has it, each unit under the name that ``remembered`` gives it."""
        units = tuple(map(remembered, self.units))
        return History(units=units, mean=self.mean, covariance=self.covariance)


def joint_state(learned: Learned) -> JointState:
    """Return the posterior of every unit's last state, jointly."""
    house, layout, found = learned.readings, learned.layout, learned.solution
    last, last_lens = layout.last_states, layout.last_lens_states
    dense = _dense_rows(learned)
    bodies = found.state_dense[last]
    # Bodies are independent given the dense block: their covariances follow from theirs with it.
    among = bodies @ np.linalg.solve(found.dense_covariance, bodies.T)
    np.fill_diagonal(among, found.state_variance[last])
    across = bodies @ dense.T
    rest = dense @ found.dense_covariance @ dense.T
    day_of_lens = np.zeros(len(house.lenses))
    np.maximum.at(day_of_lens, house.lens, house.days[house.prep])
    day_of_person = np.zeros(len(house.persons))
    by_eye = house.person >= 0
    np.maximum.at(day_of_person, house.person[by_eye], house.days[house.prep[by_eye]])
    lenses = layout.lens_of_state[last_lens]
    units = (
        *(Unit(Kind.BODY, house.bodies[i]) for i in layout.body_of_state[last]),
        *(Unit(Kind.LENS, house.lenses[i]) for i in lenses),
        *(Unit(Kind.SCALE, house.lenses[i]) for i in lenses),
        *(Unit(Kind.EYE, person) for person in house.persons),
    )
    return JointState(
        units=units,
        mean=np.concatenate([found.state[last], dense @ found.dense]),
        covariance=np.block([[among, across], [across.T, rest]]),
        day=np.concatenate(
            [house.days[layout.prep_of_state[last]], day_of_lens[lenses], day_of_lens[lenses], day_of_person]
        ),
    )


def taught_by(learned: Learned, state: JointState) -> Taught:
    """Return the plain figures of what was learned, and of the house's joint state."""
    spreads, datum = learned.spreads, datum_of(learned, state)
    return Taught(
        preps=len(learned.readings.days),
        readings=len(learned.readings.body),
        levels=spreads.levels,
        log_sd=spreads.log_sd,
        walks={str(kind): walk for kind, walk in spreads.walks.items()},
        ring=spreads.ring,
        common_sd_um=datum.common_sd_um,
        has_gauge=datum.has_gauge,
        setting=learned.readings.setting,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Datum:
    """How well the house as a whole is known.

    ``common_sd_um``: sd of the mean error of all bodies: a term that every body carries. ``has_gauge``:
    whether a gauge or collimator value fixes it.
    """

    common_sd_um: float
    has_gauge: bool


def datum_of(learned: Learned, state: JointState) -> Datum:
    """Return the datum of a house."""
    here = state.places(Kind.BODY)
    variance = float(state.covariance[np.ix_(here, here)].mean()) if here else EYE_SD**2
    return Datum(common_sd_um=variance**0.5, has_gauge=bool(learned.readings.gauges))


def _dense_rows(learned: Learned) -> FloatArray:
    """Return lenses (with their sets), scales and persons as combinations of the dense block."""
    house, layout = learned.readings, learned.layout
    last = layout.last_lens_states
    lenses = layout.lens_of_state[last]
    rows = np.zeros((2 * len(last) + len(house.persons), layout.cells.dense_count))
    place = np.arange(len(last))
    rows[place, last] = 1.0
    own_set = layout.set_of_lens[lenses]
    in_set = own_set >= 0
    rows[place[in_set], layout.first_set + own_set[in_set]] = 1.0
    rows[len(last) + place, layout.first_scale + lenses] = 1.0
    persons = np.arange(len(house.persons))
    rows[2 * len(last) + persons, layout.first_person + persons] = 1.0
    return rows
