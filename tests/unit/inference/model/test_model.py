"""The model's columns are found by what they stand for."""

import numpy as np
import pytest
from invented_benches import bench, prep, two_lens_bench

from shimwise.errors import InferenceError
from shimwise.inference.model.assemble import build_model
from shimwise.inference.model.linear import Kind


def test_every_column_is_found_by_its_kind_and_name() -> None:
    model, _ = build_model(prep(*bench()))
    assert [model.index(unknown.kind, unknown.name) for unknown in model.unknowns] == list(
        range(len(model.unknowns))
    )
    assert sorted(i for kind in Kind for i in model.indices(kind)) == list(range(len(model.unknowns)))


def test_a_unit_that_is_not_there_is_named_in_the_refusal() -> None:
    with pytest.raises(InferenceError, match=r"no lens named 'L9'"):
        two_lens_bench([0.0], [0.0]).index(Kind.LENS, "L9")


def test_changing_a_list_of_priors_does_not_change_the_model() -> None:
    model = two_lens_bench([0.0], [0.0])
    model.prior_sd[:] = 1.0
    np.testing.assert_array_equal(model.prior_sd, [15.0, 12.0, 12.0])
