"""The Gaussian step of the sampler, against published adjustments: flat priors, known weights, points."""

import csv
import json
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_benches import FloatArray, model_of, reading

from shimwise.inference.model.mixture import Column, LevelPriors, MixtureModel, Quantities
from shimwise.inference.model.priors import Effect
from shimwise.inference.posterior.chains import Chains

REFERENCE = Path(__file__).parents[3] / "reference"
MEASUREMENT = json.loads((REFERENCE / "measurement.json").read_text(encoding="utf-8"))


def adjusted(
    names: Sequence[str],
    design: FloatArray,
    observed: FloatArray,
    *,
    sd: float | FloatArray,
    flat_sd: float,
    pattern: Sequence[int] | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Mean and sd of unknowns with flat normal priors, given the observations and their sds."""
    p, q, n = len(names), len(design), len(observed)
    groups = np.arange(n) if pattern is None else np.array(pattern)
    order = np.argsort(groups, kind="stable")
    plain = model_of(reading()).model
    model = replace(
        plain,
        columns=tuple(Column(Effect.LENS, name) for name in names),
        rows=replace(
            plain.rows,
            design=design,
            pattern=groups[order],
            low_um=observed[order] - 1.0,
            high_um=observed[order] + 1.0,
            landing_um=observed[order],
            blur_um=np.zeros(q),
            ring_um=np.broadcast_to(np.asarray(sd, dtype=np.float64), (q,)).copy(),
            person=np.zeros(q, dtype=np.intp),
            reading=order,
            setups=("",) * q,
        ),
        levels=LevelPriors(
            sd=np.full((p, 3), np.nan),
            group=np.full(p, -1),
            share=np.zeros((0, 3)),
            concentration=6.0,
            learned=np.zeros(0, dtype=np.intp),
            healthy_sds_um=np.ones(1),
        ),
        centre=np.zeros(p),
        precision=np.eye(p) * flat_sd**-2,
        pull=np.zeros(p),
        quantities=Quantities((), np.zeros((0, p)), np.zeros(0)),
    )
    return _solution(model, observed[order])


def _solution(model: MixtureModel, observed: FloatArray) -> tuple[FloatArray, FloatArray]:
    chains = Chains(model, count=1, seed=0)
    chains.landings[:], chains.weights[:] = observed, 1.0
    chains._solve()
    return chains.mean[0], np.sqrt(np.diag(chains.covariance[0]))


def test_a_levelling_network_is_adjusted_by_least_squares() -> None:
    # Ghilani & Wolf, Adjustment Computations 4th ed., example 12.1 (tests/reference/README.md item 6).
    net = MEASUREMENT["levelling_ghilani_12_1"]
    unknown, fixed, rows = ["B", "C", "D"], net["fixed"], net["obs_from_to_dh_sigma"]
    design = np.array(
        [[float(to == name) - float(start == name) for name in unknown] for start, to, _, _ in rows]
    )
    observed = np.array([dh + fixed.get(start, 0.0) - fixed.get(to, 0.0) for start, to, dh, _ in rows])
    sigma = np.array([row[3] for row in rows], dtype=np.float64)
    mean, sd = adjusted(unknown, design, observed, sd=sigma, flat_sd=1e6)
    np.testing.assert_allclose(mean, [net["computed"][name] for name in unknown], atol=1e-6)
    np.testing.assert_allclose(mean, [net["printed"][name] for name in unknown], atol=1e-4)
    np.testing.assert_allclose(sd, net["computed"]["sigma_apriori_m"], atol=1e-6)
    residuals = design @ mean - observed
    np.testing.assert_allclose(residuals, net["computed"]["residuals_m"], atol=1e-6)
    assert ((residuals / sigma) ** 2).sum() == pytest.approx(net["computed"]["vTWv"], abs=1e-5)


@pytest.mark.parametrize(("name", "digits"), [("SiRstv", 9), ("SmLs01", 11), ("SmLs04", 8)])
def test_a_one_way_layout_reaches_the_certified_anova(name: str, digits: int) -> None:
    # NIST StRD, certified to 15 digits; SmLs04 carries seven constant digits to break naive sums of squares.
    with (REFERENCE / f"strd_{name}.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    names = list(dict.fromkeys(row["group"] for row in rows))
    pattern = np.array([names.index(row["group"]) for row in rows])
    values = np.array([float(row["value"]) for row in rows])
    certified = MEASUREMENT[f"strd_{name}"]["certified"]
    residual_sd = float(certified["residual_sd"])
    mean, sd = adjusted(
        names, np.eye(len(names)), values, sd=residual_sd, flat_sd=1e12, pattern=pattern.tolist()
    )
    count = np.bincount(pattern)
    within = ((values - mean[pattern]) ** 2).sum()
    between = (count * (mean - values.mean()) ** 2).sum()
    f = between / (len(names) - 1) / (within / (len(values) - len(names)))
    assert math.sqrt(within / certified["within"]["df"]) == pytest.approx(residual_sd, rel=10.0**-digits)
    assert f == pytest.approx(float(certified["between"]["F"]), rel=10.0**-digits)
    np.testing.assert_allclose(sd, residual_sd / np.sqrt(count), rtol=1e-9)  # s/√n
