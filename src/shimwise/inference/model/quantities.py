"""What is reported: every unit's error, every pair and difference, as combinations of the columns."""

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.inference.model.bench import Bench
from shimwise.inference.model.mixture import Column, Quantities, QuantityKind
from shimwise.inference.model.priors import Effect

MOST_PAIRS = 3000
"""With more bodies × lenses only pairs that were read are reported."""
MOST_DIFFERENCES = 1000
"""With more pairs of bodies only neighbours by name are compared."""
KNOCKED = (Effect.BODY, Effect.LENS)
Row = dict[Column, float]


def reported_quantities(
    bench: Bench, columns: Sequence[Column], position: Mapping[Column, int], centre: FloatArray
) -> Quantities:
    """Return all that is reported of a bench.

    Units by effect and name; ``changed``, what changed in a unit since it was signed, by effect and name;
    ``pair`` (body + lens); ``difference`` (body minus body); ``eye_difference``; and ``common``, the landing
    that all bodies and lenses share: mean of the bodies plus mean of the lenses.
    """
    prep, found = bench.prep, _Rows(position)
    total = {
        (effect, name): _total(bench, effect, name)
        for effect, name in dict.fromkeys((c.effect, c.name) for c in columns)
    }
    for (effect, name), row in total.items():
        found.add(effect.value, (name,), row)
    for column in columns:
        if column.effect in KNOCKED and not column.is_memory and bench.has_memory(column):
            found.add("changed", (column.effect.value, column.name), {column: 1.0})
    bodies, lenses, persons = (
        [name for of, name in total if of is effect] for effect in (Effect.BODY, Effect.LENS, Effect.EYE)
    )
    for body, lens in _pairs(bench, bodies, lenses):
        found.add("pair", (body, lens), _sum(total[Effect.BODY, body], total[Effect.LENS, lens], 1.0))
    now = [body for body in bodies if body not in prep.past_bodies]
    for body, than in _of_two(now):
        found.add("difference", (body, than), _sum(total[Effect.BODY, body], total[Effect.BODY, than], -1.0))
    for person, than in _of_two(persons):
        row = _sum(total[Effect.EYE, person], total[Effect.EYE, than], -1.0)
        found.add("eye_difference", (person, than), row)
    lenses_now = [lens for lens in lenses if lens not in prep.past_lenses]
    if now and lenses_now:
        found.add("common", (), _common(total, now, lenses_now))
    matrix = dense(found.rows, position)
    return Quantities(tuple(found.kinds), matrix, matrix @ centre)


class _Rows:
    """Rows collected with their kinds; columns that the model has not are left out."""

    def __init__(self, position: Mapping[Column, int]) -> None:
        self.position = position
        self.kinds: list[QuantityKind] = []
        self.rows: list[Row] = []

    def add(self, kind: str, names: tuple[str, ...], row: Mapping[Column, float]) -> None:
        self.kinds.append(QuantityKind(kind, names))
        self.rows.append({column: value for column, value in row.items() if column in self.position})


def dense(rows: Sequence[Mapping[Column, float]], position: Mapping[Column, int]) -> FloatArray:
    """Return rows of coefficients as an array, shape (rows, columns)."""
    design = np.zeros((len(rows), len(position)))
    for i, row in enumerate(rows):
        for column, value in row.items():
            design[i, position[column]] = value
    return design


def _total(bench: Bench, effect: Effect, name: str) -> Row:
    """Return a unit's whole error: memory and change, and for a lens the shift of its set."""
    row = bench.with_memories({Column(effect, name): 1.0})
    if effect is Effect.LENS and bench.shifts_with_set(name):
        row[Column(Effect.SET, bench.set_of(name))] = 1.0
    return row


def _common(total: Mapping[tuple[Effect, str], Row], bodies: Sequence[str], lenses: Sequence[str]) -> Row:
    row: Row = {}
    for effect, names in ((Effect.BODY, bodies), (Effect.LENS, lenses)):
        for name in names:
            row = _sum(row, total[effect, name], 1.0 / len(names))
    return row


def _pairs(bench: Bench, bodies: Sequence[str], lenses: Sequence[str]) -> list[tuple[str, str]]:
    past = bench.prep.past_bodies | bench.prep.past_lenses
    read = {(one.body, one.lens) for one in bench.prep.evidence}
    everything = [(body, lens) for body in bodies for lens in lenses]
    wanted = everything if len(everything) <= MOST_PAIRS else [one for one in everything if one in read]
    return [(body, lens) for body, lens in wanted if body not in past and lens not in past]


def _of_two(names: Sequence[str]) -> list[tuple[str, str]]:
    if len(names) * (len(names) - 1) // 2 > MOST_DIFFERENCES:
        return list(pairwise(names))
    return [(one, other) for i, one in enumerate(names) for other in names[i + 1 :]]


def _sum(one: Mapping[Column, float], other: Mapping[Column, float], sign: float) -> Row:
    row = dict(one)
    for column, value in other.items():
        row[column] = row.get(column, 0.0) + sign * value
    return row
