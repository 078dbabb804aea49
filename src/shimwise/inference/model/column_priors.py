"""Priors of the columns: levels of the mixtures, and the Gaussian information of memories and gauges."""

from collections.abc import Mapping, Sequence

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.inference.model.bench import Bench
from shimwise.inference.model.kinds import Kind
from shimwise.inference.model.mixture import Column, LevelPriors, Quantities
from shimwise.inference.model.prep import UnitKnowledge
from shimwise.inference.model.priors import Effect


def level_priors(bench: Bench, columns: Sequence[Column]) -> LevelPriors:
    """Return the levels of all columns."""
    sd, group = np.full((len(columns), 3), np.nan), np.full(len(columns), -1, dtype=np.intp)
    groups: dict[tuple[Effect, bool], int] = {}
    shares: list[tuple[float, float, float]] = []
    learned = []
    for i, column in enumerate(columns):
        levels, is_known = bench.levels_of(column)
        if levels is None:
            continue
        key = (column.effect, is_known)
        if key not in groups:
            groups[key] = len(shares)
            shares.append(levels.share)
        sd[i], group[i] = levels.sd, groups[key]
        if column.effect is Effect.LENS and not is_known:
            learned.append(i)
    return LevelPriors(
        sd=sd,
        group=group,
        share=np.array(shares).reshape(-1, 3),
        concentration=bench.priors.concentration,
        learned=np.array(learned, dtype=np.intp),
        healthy_sds_um=np.array(bench.priors.healthy_lens_sds_um),
    )


def gaussian_information(
    bench: Bench, position: Mapping[Column, int], levels: LevelPriors, quantities: Quantities
) -> tuple[FloatArray, FloatArray]:
    """Return precision (p, p) and pull (p,) of memories, gauges and the plain Gaussian priors."""
    count = len(position)
    precision, pull = np.zeros((count, count)), np.zeros(count)
    joint: list[tuple[int, Kind, str]] = []
    for column, i in position.items():
        kind = bench.remembered_kind(column)
        if column.is_memory and kind is not None:
            joint.append((i, kind, column.name))
        elif levels.group[i] < 0:
            precision[i, i] += _gaussian_sd(bench, column) ** -2
    history = bench.prep.history
    if joint and history is not None:
        here = [history.current(kind, name) for _, kind, name in joint]
        places = [i for i, _, _ in joint]
        precision[np.ix_(places, places)] += _inverse(history.covariance[np.ix_(here, here)])
    for effect, known in ((Effect.BODY, bench.prep.bodies), (Effect.LENS, bench.prep.lenses)):
        for name in sorted(known):
            _add_gauge(precision, pull, quantities, quantities.index(effect.value, name), known[name])
    return precision, pull


def _gaussian_sd(bench: Bench, column: Column) -> float:
    if column.is_memory:
        knowledge = bench.knowledge(column)
        return (knowledge.history_sd_um if knowledge is not None else None) or 1.0
    return {
        Effect.AXIS: bench.priors.axis_sd_um,
        Effect.STOP: bench.priors.stop_sd_um,
        Effect.RING_SETTING: bench.priors.setting_sd_mm,
    }.get(column.effect, 1.0)


def _add_gauge(
    precision: FloatArray, pull: FloatArray, quantities: Quantities, row: int, known: UnitKnowledge
) -> None:
    if known.gauge_um is None or known.gauge_sd_um is None:
        return
    reach = quantities.matrix[row]
    precision += np.outer(reach, reach) / known.gauge_sd_um**2
    pull += reach * (known.gauge_um - quantities.offset[row]) / known.gauge_sd_um**2


def _inverse(covariance: FloatArray) -> FloatArray:
    """Return the inverse of a covariance, scaled first; a relative 1e-9 of the diagonal keeps it positive."""
    sd = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(sd, sd) + 1e-9 * np.eye(len(sd))
    return np.asarray(np.linalg.inv(correlation) / np.outer(sd, sd))
