"""Sums over the few numbers of each row are those of the whole matrices."""

import numpy as np
import pytest

from shimwise.inference.posterior import products
from shimwise.inference.posterior.products import Products


@pytest.mark.parametrize("most_dense", [0, products.MOST_DENSE])
def test_sums_and_variances_are_those_of_whole_matrices(
    monkeypatch: pytest.MonkeyPatch, most_dense: int
) -> None:
    monkeypatch.setattr(products, "MOST_DENSE", most_dense)
    rng = np.random.default_rng(3)
    matrix = rng.normal(size=(40, 7)) * (rng.random((40, 7)) < 0.4)
    matrix[5] = 0.0
    weight = rng.random((3, 40))
    root = rng.normal(size=(3, 7, 7))
    covariance = root @ root.transpose(0, 2, 1)
    found = Products(matrix)
    np.testing.assert_allclose(
        found.summed(weight), np.einsum("cm,mi,mj->cij", weight, matrix, matrix), atol=1e-12
    )
    np.testing.assert_allclose(
        found.variances(covariance), np.einsum("mi,cij,mj->cm", matrix, covariance, matrix), atol=1e-12
    )
