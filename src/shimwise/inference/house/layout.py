"""Columns of a house's unknowns: states of bodies, tapes, and the dense block of all else."""

from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray, IntArray
from shimwise.inference.house.network import DistinctRows
from shimwise.inference.house.readings import HouseReadings
from shimwise.inference.model.joint_memory import DAYS_PER_MONTH
from shimwise.inference.model.priors import LEAST_LENSES_OF_SET

LEAST_SLICE_DAYS = 180.0
"""A lens has one state for so long at least; between slices of time it wanders. Chosen by us."""
MOST_LENS_STATES = 240
LEAST_STEP_DAYS = 1.0


@dataclass(frozen=True, slots=True)
class Layout:
    """Columns of all unknowns, and the distinct rows of the readings.

    ``body_of_state`` and ``prep_of_state`` (states,); ``lens_of_state`` (lens states,) and its ``slice``; the
    dense block holds lens states, then sets, scales (a lens each) and persons, from ``first_set``,
    ``first_scale`` and ``first_person`` on. ``cell`` (n,) is the row of each reading. ``months`` (links,) and
    ``lens_months`` (lens links,) are the times between linked states; ``lens_links`` the earlier states.
    """

    cells: DistinctRows
    cell: IntArray
    body_of_state: IntArray
    prep_of_state: IntArray
    lens_of_state: IntArray
    slice_of_lens_state: IntArray
    slice_of_prep: IntArray
    set_of_lens: IntArray
    first_set: int
    first_scale: int
    first_person: int
    months: FloatArray
    lens_links: IntArray
    lens_months: FloatArray

    @property
    def first_states(self) -> IntArray:
        """Return the first state of every body."""
        return np.setdiff1d(np.arange(self.cells.states), self.cells.following + 1)

    @property
    def last_states(self) -> IntArray:
        """Return the last state of every body."""
        return np.setdiff1d(np.arange(self.cells.states), self.cells.following)

    @property
    def first_lens_states(self) -> IntArray:
        """Return the first state of every lens."""
        return np.setdiff1d(np.arange(len(self.lens_of_state)), self.lens_links + 1)

    @property
    def last_lens_states(self) -> IntArray:
        """Return the last state of every lens."""
        return np.setdiff1d(np.arange(len(self.lens_of_state)), self.lens_links)


def layout_of(house: HouseReadings) -> Layout:
    """Return the layout of a house's readings."""
    states, state = np.unique(house.body * len(house.days) + house.prep, return_inverse=True)
    body_of_state, prep_of_state = np.divmod(states, len(house.days))
    slices = _slice_of_prep(house)
    count = slices.max(initial=0) + 1
    lens_keys, lens_state = np.unique(house.lens * count + slices[house.prep], return_inverse=True)
    lens_of_state, slice_of = np.divmod(lens_keys, count)
    set_of_lens = _large_sets(house)
    first_set = len(lens_keys)
    first_scale = first_set + len(house.sets)
    first_person = first_scale + len(house.lenses)
    dense_count = first_person + len(house.persons)
    own_set = set_of_lens[house.lens]
    dense = np.stack(
        [
            lens_state,
            np.where(own_set >= 0, first_set + own_set, dense_count),
            first_scale + house.lens,
            np.where(house.person >= 0, first_person + house.person, dense_count),
        ],
        axis=1,
    )
    first, cell = _distinct(
        np.column_stack([house.tape, lens_state, house.person + 1]), house.scale_um, house.blur_um
    )
    following = np.flatnonzero(body_of_state[1:] == body_of_state[:-1])
    days = house.days[prep_of_state]
    lens_links = np.flatnonzero(lens_of_state[1:] == lens_of_state[:-1])
    middle_days = np.bincount(lens_state, house.days[house.prep]) / np.bincount(lens_state)
    coefficient = np.stack(
        [
            np.ones(len(first)),
            (own_set[first] >= 0).astype(float),
            house.scale_um[first],
            np.where(house.person[first] >= 0, house.blur_um[first], 0.0),
        ],
        axis=1,
    )
    cells = DistinctRows(
        state=state[first],
        tape=house.tape[first],
        tape_coefficient=house.tape_um[first],
        dense=dense[first],
        dense_coefficient=coefficient,
        states=len(states),
        tapes=int(house.tape.max(initial=-1)) + 1,
        dense_count=dense_count,
        following=following,
    )
    return Layout(
        cells=cells,
        cell=cell,
        body_of_state=body_of_state,
        prep_of_state=prep_of_state,
        lens_of_state=lens_of_state,
        slice_of_lens_state=slice_of,
        slice_of_prep=slices,
        set_of_lens=set_of_lens,
        first_set=first_set,
        first_scale=first_scale,
        first_person=first_person,
        months=_months(days[following + 1] - days[following]),
        lens_links=lens_links,
        lens_months=_months(middle_days[lens_links + 1] - middle_days[lens_links]),
    )


def _months(days: FloatArray) -> FloatArray:
    return np.maximum(days, LEAST_STEP_DAYS) / DAYS_PER_MONTH


def _slice_of_prep(house: HouseReadings) -> IntArray:
    """Return the slice of time of every prep; few enough that the dense block stays small."""
    span = float(np.ptp(house.days)) if len(house.days) else 0.0
    days = max(LEAST_SLICE_DAYS, span * len(house.lenses) / MOST_LENS_STATES)
    return np.asarray(np.floor((house.days - house.days.min(initial=np.inf)) / days), dtype=np.intp)


def _large_sets(house: HouseReadings) -> IntArray:
    """Return the set of every lens, −1 where the set is too small for a shift of its own."""
    sizes = np.bincount(house.set_of_lens[house.set_of_lens >= 0], minlength=max(1, len(house.sets)))
    is_large = sizes[np.maximum(house.set_of_lens, 0)] >= LEAST_LENSES_OF_SET
    return np.where((house.set_of_lens >= 0) & is_large, house.set_of_lens, -1)


def _distinct(keys: IntArray, *figures: FloatArray) -> tuple[IntArray, IntArray]:
    """Return one reading of each distinct row, and the row of each reading."""
    code = np.zeros(len(keys), dtype=np.int64)
    for column in [*keys.T, *figures]:
        _, place = np.unique(column, return_inverse=True)
        _, code = np.unique(code * (int(place.max(initial=0)) + 1) + place, return_inverse=True)
    _, first, cell = np.unique(code, return_index=True, return_inverse=True)
    return first, cell
