"""The elimination of a house's network against the inverse of the whole matrix."""

import numpy as np
import pytest

from shimwise.inference.house.network import DistinctRows, Information, Network


def test_means_variances_and_determinant_are_those_of_the_whole_matrix() -> None:
    rng = np.random.default_rng(0)
    states, tapes, d, n = 9, 15, 7, 60
    following = np.array([0, 1, 3, 6, 7])
    state_of_tape = np.concatenate([np.arange(states), rng.integers(0, states, tapes - states)])
    tape = np.concatenate([np.arange(tapes), rng.integers(0, tapes, n - tapes)])
    is_missing = rng.random(n) < 0.3
    dense = np.stack(
        [rng.integers(0, 3, n), rng.integers(3, 5, n), np.where(is_missing, d, 5), np.full(n, 6)], axis=1
    )
    coefficient = np.where(dense == d, 0.0, rng.normal(size=(n, 4)))
    cells = DistinctRows(
        state=state_of_tape[tape],
        tape=tape,
        tape_coefficient=rng.normal(size=n),
        dense=dense,
        dense_coefficient=coefficient,
        states=states,
        tapes=tapes,
        dense_count=d,
        following=following,
    )
    precision, pull = rng.uniform(0.5, 2, n), rng.normal(size=n)
    sizes = (states, tapes, d, len(following))
    given = [part for size in sizes for part in (rng.uniform(0.1, 2, size), rng.normal(size=size))]
    found = Network(cells).solve(precision, pull, Information(*given))

    rows = np.zeros((n, states + tapes + d + 1))
    rows[np.arange(n), cells.state] = 1.0
    rows[np.arange(n), states + tape] = cells.tape_coefficient
    for slot in range(4):
        rows[np.arange(n), states + tapes + dense[:, slot]] += coefficient[:, slot]
    rows = rows[:, :-1]
    links = np.zeros((len(following), rows.shape[1]))
    links[np.arange(len(following)), following] = -1.0
    links[np.arange(len(following)), following + 1] = 1.0
    whole = rows.T @ (precision[:, None] * rows) + links.T @ (given[6][:, None] * links)
    whole += np.diag(np.concatenate(given[0:6:2]))
    right = rows.T @ pull + links.T @ given[7] + np.concatenate(given[1:6:2])
    covariance = np.linalg.inv(whole)
    mean = covariance @ right
    assert np.concatenate([found.state, found.tape, found.dense]) == pytest.approx(mean, abs=1e-12)
    assert found.row_mean == pytest.approx(rows @ mean, abs=1e-12)
    assert found.row_variance == pytest.approx(np.einsum("ij,jk,ik->i", rows, covariance, rows), abs=1e-12)
    assert found.link_variance == pytest.approx(np.diag(links @ covariance @ links.T), abs=1e-12)
    variances = np.concatenate([found.state_variance, found.tape_variance, np.diag(found.dense_covariance)])
    assert variances == pytest.approx(np.diag(covariance), abs=1e-12)
    assert found.state_dense == pytest.approx(covariance[:states, states + tapes :], abs=1e-12)
    assert found.log_determinant == pytest.approx(np.linalg.slogdet(whole)[1], abs=1e-10)
    assert found.quadratic == pytest.approx(right @ mean, abs=1e-10)
