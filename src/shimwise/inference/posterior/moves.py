"""Fixed directions along which unknowns are moved on coarse rulers, and the distinct cells that they touch.

The readings of a coarse ruler hold the unknowns inside a box; given latent landings they would creep. A move
shifts one unknown, or exchanges one against others that do the same to the landings, with the latent landings
integrated out.
"""

from dataclasses import dataclass

import numpy as np

from shimwise.arrays import BoolArray, FloatArray, IntArray
from shimwise.inference.model.mixture import MixtureModel, Rows
from shimwise.inference.posterior.student import STUDENT_INFLATION, log_interval_probability

COARSE = 2.0
"""A ruler is coarse when the intervals' median width exceeds so many error scales."""
MOST_BOUNDS = 0.1
"""It is coarse too when more than this share of the readings are bounds (INF)."""
EXCHANGE_RESIDUAL = 0.35
"""An exchange leaves at most this share of the landings it moves."""


class IntervalCells:
    """The u distinct (row, interval) cells of the readings: ``first`` (u,) one of each, ``count`` (u,).

    Where each chain has intervals of its own, every reading is a cell.
    """

    def __init__(self, rows: Rows) -> None:
        if rows.low_um.ndim > 1:
            self.first: IntArray = np.arange(len(rows.pattern))
            self.count = np.ones(len(rows.pattern))
            self.low_um, self.high_um, self.pattern = rows.low_um, rows.high_um, rows.pattern
            return
        keys = np.column_stack(
            [rows.pattern, rows.low_um, np.where(np.isinf(rows.high_um), 1e99, rows.high_um)]
        )
        _, first, count = np.unique(keys, axis=0, return_index=True, return_counts=True)
        self.first = first
        self.count = count.astype(np.float64)
        self.low_um, self.high_um = rows.low_um[first], rows.high_um[first]
        self.pattern = rows.pattern[first]

    def log_likelihood(
        self, expected: FloatArray, scale: FloatArray, chosen: IntArray | slice = slice(None)
    ) -> FloatArray:
        """Log probability (c, m) of the readings in each chosen cell; expected landing and scale (c, m)."""
        low = (self.low_um[..., chosen] - expected) / scale
        high = (self.high_um[..., chosen] - expected) / scale
        return np.asarray(self.count[chosen] * log_interval_probability(low, high))


@dataclass(frozen=True, slots=True)
class MoveGroup:
    """m directions that touch different readings and unknowns, so that they are tried at once.

    ``direction`` (m, p), in units of a step; ``columns`` (j,) the unknowns that any of them moves, ``mover``
    (j,) which one does, ``step`` (j,) its step. ``cells`` (t,) that are touched, ``toucher`` (t,) by which,
    ``shift`` (t,) [µm]. ``of_column`` (j, m) and ``of_cell`` (t, m) sum over each direction's own, the former
    over those with levels. ``pressure`` (m, p) and ``curvature`` (m,) are the products with the model's
    Gaussian precision. ``is_exchange``: unknowns undo one another.
    """

    direction: FloatArray
    columns: IntArray
    mover: IntArray
    step: FloatArray
    of_column: FloatArray
    cells: IntArray
    toucher: IntArray
    shift: FloatArray
    of_cell: FloatArray
    pressure: FloatArray
    curvature: FloatArray
    is_exchange: bool

    @property
    def count(self) -> int:
        """How many directions."""
        return len(self.direction)

    @property
    def can_jump(self) -> bool:
        """Whether each direction is one unknown with levels, which can be drawn from its prior."""
        return not self.is_exchange and bool(self.of_column.any(1).all())


def is_coarse(model: MixtureModel) -> bool:
    """Whether the readings' intervals are so wide that moves are needed; not for drawn preps."""
    rows = model.rows
    if not len(rows.pattern) or rows.low_um.ndim > 1:
        return False
    finite = np.isfinite(rows.width_um)
    ratio = np.where(finite, rows.width_um, np.inf) / _typical_scale(model)
    return bool(np.median(ratio) > COARSE or np.mean(~finite) > MOST_BOUNDS)


def move_groups(model: MixtureModel, cells: IntervalCells) -> tuple[MoveGroup, ...]:
    """All moves of a model, each unknown alone and exchanges, in groups that can be tried at once."""
    alone, has_levels = _alone(model), model.levels.group >= 0
    found: list[MoveGroup] = []
    for directions in (alone[has_levels], alone[~has_levels], _exchanges(model)):
        shift = directions @ model.rows.design[cells.pattern].T
        largest = np.maximum(np.abs(shift).max(1, initial=0.0), 1.0)
        touched = np.abs(shift) > 1e-9 * largest[:, None]
        found += [
            _group(model, directions[group], touched[group] * shift[group])
            for group in _disjoint(directions, touched, model.precision)
        ]
    return tuple(found)


def _disjoint(directions: FloatArray, touched: BoolArray, precision: FloatArray) -> list[list[int]]:
    """Put each direction into the first group of which none shares a cell or an unknown with it."""
    reach = np.abs(directions) @ (np.abs(precision) + np.eye(len(precision)))
    clash = (touched.astype(np.float64) @ touched.T > 0) | (reach @ np.abs(directions).T > 0)
    groups: list[list[int]] = []
    for i in range(len(directions)):
        for group in groups:
            if not clash[i, group].any():
                group.append(i)
                break
        else:
            groups.append([i])
    return groups


def _group(model: MixtureModel, direction: FloatArray, shift: FloatArray) -> MoveGroup:
    """Lay out one group: ``direction`` (m, p) and ``shift`` (m, u), 0 where a cell is not touched."""
    columns, mover = np.nonzero(direction.T)
    cells, toucher = np.nonzero(shift.T)
    pressure = direction @ model.precision
    of_column, of_cell = (np.equal.outer(of, np.arange(len(direction))) for of in (mover, toucher))
    of_column &= (model.levels.group[columns] >= 0)[:, None]
    return MoveGroup(
        direction=direction,
        columns=columns,
        mover=mover,
        step=direction[mover, columns],
        of_column=of_column.astype(np.float64),
        cells=cells,
        toucher=toucher,
        shift=shift[toucher, cells],
        of_cell=of_cell.astype(np.float64),
        pressure=pressure,
        curvature=(pressure * direction).sum(1),
        is_exchange=len(columns) > len(direction),
    )


def _typical_scale(model: MixtureModel) -> FloatArray:
    """Error scale (n,) of each reading for a person with median k. [µm]"""
    rows = model.rows
    return np.asarray(np.sqrt((model.k_median * rows.blur_um) ** 2 + rows.ring_um**2)[rows.pattern])


def _alone(model: MixtureModel) -> FloatArray:
    """Directions (p, p) of each unknown alone, by its sd given all others.

    Intervals count as their width's variance; the sizes depend on no drawn value.
    """
    rows, scale = model.rows, _typical_scale(model)
    width = np.where(np.isfinite(rows.width_um), rows.width_um, 10 * scale)
    information = 1 / (STUDENT_INFLATION * scale**2 + width**2 / 12)
    precision = (rows.design[rows.pattern].T ** 2) @ information + np.diag(model.precision)
    off = np.nan_to_num(model.levels.sd[:, 1], nan=1.0) ** -2.0
    precision = precision + np.where(model.levels.group >= 0, off, 0.0)
    return np.diag(precision**-0.5)


def _exchanges(model: MixtureModel) -> FloatArray:
    """Directions (m, p) in which one unknown moves and those of another kind undo what it does.

    For each pair of an unknown and another kind: least squares of the unknown's column on that kind's
    columns; kept where the readings hardly change.
    """
    design = model.rows.design
    kinds: dict[str, list[int]] = {}
    for j, column in enumerate(model.columns):
        if model.levels.group[j] >= 0:
            kinds.setdefault(column.effect.value, []).append(j)
    found = [np.zeros((0, design.shape[1]))]
    for j in (j for columns in kinds.values() for j in columns):
        for columns in kinds.values():
            direction = None if j in columns else _exchange(design, j, columns)
            if direction is not None:
                found.append(direction[None] * model.levels.sd[j, 1])
    return np.vstack(found)


def _exchange(design: FloatArray, unknown: int, others: list[int]) -> FloatArray | None:
    """One unknown up by 1 and others moved so that the landings stay; None where they do not."""
    column = design[:, unknown]
    touched = [i for i in others if np.abs(column) @ np.abs(design[:, i]) > 0]
    size = float(np.linalg.norm(column))
    if not touched or size == 0.0:
        return None
    undo = np.linalg.lstsq(design[:, touched], column, rcond=None)[0]
    if np.linalg.norm(column - design[:, touched] @ undo) > EXCHANGE_RESIDUAL * size:
        return None
    direction = np.zeros(design.shape[1])
    direction[unknown], direction[touched] = 1.0, -undo
    return direction
