"""The elimination of a house's network on open crossed data: restricted likelihood and modes as in lme4.

Source of the answers: lme4 1.1-31 under R 4.2.2, data sets of that package (tests/reference/lme4/README.md
names versions, sources and settings): D. Bates, M. Mächler, B. Bolker, S. Walker, "Fitting linear
mixed-effects models using lme4", J. Stat. Softw. 67 (2015) 1-48.
"""

import csv
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import minimize

from shimwise.arrays import FloatArray, IntArray
from shimwise.inference.house.network import DistinctRows, Information, Network, Solution

REFERENCE = Path(__file__).parents[3] / "reference" / "lme4"


@dataclass(frozen=True)
class Crossed:
    """y of n rows, a group of states, groups in the dense block and fixed effects, for the network."""

    y: FloatArray
    groups: tuple[str, ...]
    levels: tuple[tuple[str, ...], ...]
    network: Network
    sizes: tuple[int, ...]
    fixed: int

    def solve(self, sds: Sequence[float], sigma: float, matrix: FloatArray | None = None) -> Solution:
        cells = self.network.cells
        precision = np.zeros(cells.dense_count)
        first = 0
        for size, sd in zip(self.sizes[1:], sds[1:], strict=True):
            precision[first : first + size] = 0.0 if matrix is not None else sd**-2.0
            first += size
        information = Information(
            state_precision=np.full(cells.states, sds[0] ** -2.0 if np.isfinite(sds[0]) else 0.0),
            state_pull=np.zeros(cells.states),
            tape_precision=np.ones(1),
            tape_pull=np.zeros(1),
            dense_precision=precision,
            dense_pull=np.zeros(cells.dense_count),
            link_precision=np.zeros(0),
            link_pull=np.zeros(0),
            dense_matrix=matrix,
        )
        return self.network.solve(np.full(len(self.y), sigma**-2), self.y * sigma**-2, information)

    def criterion(self, found: Solution, log_prior: float, sigma: float) -> float:
        """Return −2 log of the restricted likelihood; ``log_prior``: log determinant of the prior."""
        n = len(self.y)
        rest = float(self.y @ self.y) * sigma**-2 - found.quadratic
        constant = (n - self.fixed) * math.log(2 * math.pi) + 2 * n * math.log(sigma)
        return constant + log_prior + found.log_determinant + rest

    def at(self, sds: Sequence[float], sigma: float) -> float:
        return self.criterion(self.solve(sds, sigma), self.log_prior(sds), sigma)

    def log_prior(self, sds: Sequence[float]) -> float:
        return float(sum(2 * size * np.log(sd) for size, sd in zip(self.sizes, sds, strict=True)))

    def modes(self, found: Solution) -> dict[tuple[str, str], float]:
        values = np.split(found.dense, np.cumsum(self.sizes[1:]))
        return {
            (group, level): float(value)
            for group, names, of in zip(self.groups, self.levels, [found.state, *values], strict=False)
            for level, value in zip(names, of, strict=True)
        }


def crossed(name: str, y: str, groups: Sequence[str], fixed: Sequence[str] = ()) -> Crossed:
    """Read a data set; the first group are states, an intercept and ``fixed`` columns follow the others."""
    with (REFERENCE / f"{name}.csv").open() as file:
        rows = list(csv.DictReader(file))
    levels, places = zip(*(_coded([row[group] for row in rows]) for group in groups), strict=True)
    sizes = tuple(len(of) for of in levels)
    starts = np.cumsum([0, *sizes[1:]])
    columns = [np.ones(len(rows)), *(np.array([float(row[one]) for row in rows]) for one in fixed)]
    dense = [starts[i] + place for i, place in enumerate(places[1:])]
    dense += [np.full(len(rows), starts[-1] + i) for i in range(len(columns))]
    cells = _cells(places[0], np.stack(dense, axis=1), [np.ones(len(rows))] * (len(groups) - 1) + columns)
    values = np.array([float(row[y]) for row in rows])
    return Crossed(values, tuple(groups), levels, Network(cells), sizes, len(columns))


def _coded(names: Sequence[str]) -> tuple[tuple[str, ...], IntArray]:
    distinct, place = np.unique(np.array(names), return_inverse=True)
    return tuple(distinct.tolist()), place


def _cells(state: IntArray, dense: IntArray, coefficients: Sequence[FloatArray]) -> DistinctRows:
    n = len(state)
    return DistinctRows(
        state=state,
        tape=np.zeros(n, dtype=np.intp),
        tape_coefficient=np.zeros(n),
        dense=dense,
        dense_coefficient=np.stack(list(coefficients), axis=1),
        states=int(state.max()) + 1,
        tapes=1,
        dense_count=int(dense.max()) + 1,
        following=np.zeros(0, dtype=np.intp),
    )


def fit_of(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((REFERENCE / f"{name}_fit.json").read_text())
    return found


def sds_of(fit: Mapping[str, Any], groups: Sequence[str]) -> list[float]:
    return [next(one["sdcor"] for one in fit["varcomp"] if one["grp"] == group) for group in groups]


def modes_of(name: str) -> dict[tuple[str, str], float]:
    with (REFERENCE / f"{name}_modes.csv").open() as file:
        return {(row["grpvar"], row["grp"]): float(row["condval"]) for row in csv.DictReader(file)}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "y", "groups"),
    [("Penicillin", "diameter", ("plate", "sample")), ("Pastes", "strength", ("sample", "batch"))],
)
def test_criterion_spreads_and_modes_are_those_of_lme4(name: str, y: str, groups: tuple[str, str]) -> None:
    data, fit = crossed(name, y, groups), fit_of(name)

    def criterion(log_sds: FloatArray) -> float:
        *sds, sigma = np.exp(log_sds).tolist()
        return data.at(sds, sigma)

    found = minimize(
        criterion,
        np.zeros(3),
        method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 2000},
    )
    sds = np.exp(found.x)
    assert found.fun == pytest.approx(fit["REML_criterion"], abs=1e-6)
    assert sds == pytest.approx([*sds_of(fit, groups), fit["sigma"]], rel=1e-4)
    modes, expected = data.modes(data.solve(sds[:-1].tolist(), float(sds[-1]))), modes_of(name)
    assert {key: modes[key] for key in expected} == pytest.approx(expected, abs=1e-4)


@pytest.mark.slow
def test_seventy_thousand_crossed_rows_agree_with_lme4() -> None:
    data, fit = crossed("InstEval", "y", ("s", "d", "dept"), ("service",)), fit_of("InstEval_service")
    sds, sigma = sds_of(fit, data.groups), fit["sigma"]
    found = data.solve(sds, sigma)
    assert data.criterion(found, data.log_prior(sds), sigma) == pytest.approx(fit["REML_criterion"], abs=1e-6)
    modes, expected = data.modes(found), modes_of("InstEval_service")
    assert {key: modes[key] for key in expected} == pytest.approx(expected, abs=1e-4)


def test_correlated_intercepts_and_slopes_agree_with_lme4() -> None:
    """The dense block takes a prior precision of its own: intercept and slope of a subject are correlated."""
    with (REFERENCE / "sleepstudy.csv").open() as file:
        rows = list(csv.DictReader(file))
    subjects, place = _coded([row["Subject"] for row in rows])
    days, ones = np.array([float(row["Days"]) for row in rows]), np.ones(len(rows))
    count, everyone = len(subjects), np.full(len(rows), 2 * len(subjects))
    dense = np.stack([place, count + place, everyone], axis=1)
    cells = _cells(np.zeros(len(rows), dtype=np.intp), dense, [ones, days, days])
    y = np.array([float(row["Reaction"]) for row in rows])
    data = Crossed(y, (), (), Network(cells), (1, count, count), 2)
    fit = fit_of("sleepstudy")
    by_name = {
        (one["var1"], one.get("var2")): one["vcov"] for one in fit["varcomp"] if one["grp"] == "Subject"
    }
    cross = by_name["(Intercept)", "Days"]
    covariance = np.array([[by_name["(Intercept)", None], cross], [cross, by_name["Days", None]]])
    matrix = np.zeros((2 * count + 1, 2 * count + 1))
    matrix[: 2 * count, : 2 * count] = np.kron(np.linalg.inv(covariance), np.eye(count))
    found = data.solve([np.inf, 1.0, 1.0], fit["sigma"], matrix)
    log_prior = count * float(np.linalg.slogdet(covariance)[1])
    assert data.criterion(found, log_prior, fit["sigma"]) == pytest.approx(fit["REML_criterion"], abs=1e-6)
    with (REFERENCE / "sleepstudy_modes.csv").open() as file:
        expected = {(row["term"], row["grp"]): float(row["condval"]) for row in csv.DictReader(file)}
    terms = {"(Intercept)": found.dense[:count], "Days": found.dense[count : 2 * count]}
    assert {key: terms[key[0]][subjects.index(key[1])] for key in expected} == pytest.approx(
        expected, abs=1e-4
    )
