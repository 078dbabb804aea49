"""The change of a unit between two epochs: partners cancel, precisions add."""

import math

import pytest

from shimwise.inference.verdict.answer import ReadingAnswer
from shimwise.inference.verdict.unit_change import change_between


def landing(body: str, lens: str, um: float, *, sd_um: float = 2.0, weight: float = 1.0) -> ReadingAnswer:
    return ReadingAnswer(
        row=0, line=0, body=body, lens=lens, setup="", landing_um=um, sd_um=sd_um, weight=weight
    )


def test_the_errors_of_the_lenses_cancel() -> None:
    lens_um = {"L1": 7.0, "L2": -40.0}
    readings = [
        landing(b, n, um + own) for b, own in (("old", -30.0), ("new", 2.0)) for n, um in lens_um.items()
    ]
    found = change_between(readings, kind="body", before="old", after="new")
    assert found is not None
    assert found.mean_um == pytest.approx(32.0)
    # Two pairs, each of variance 2² + 2²; their mean has half of that.
    assert found.sd_um == pytest.approx(2.0)


def test_a_lens_is_compared_on_the_same_body() -> None:
    readings = [landing("B", "old", 1.0), landing("B", "new", 4.0), landing("C", "new", 90.0)]
    found = change_between(readings, kind="lens", before="old", after="new")
    assert found is not None
    assert found.mean_um == pytest.approx(3.0)


def test_a_precise_pair_counts_by_its_precision() -> None:
    readings = [landing("old", "L1", 0.0, sd_um=1.0), landing("new", "L1", 10.0, sd_um=1.0)]
    readings += [landing("old", "L2", 0.0, sd_um=3.0), landing("new", "L2", 20.0, sd_um=3.0)]
    found = change_between(readings, kind="body", before="old", after="new")
    assert found is not None
    assert found.mean_um == pytest.approx((10.0 / 2 + 20.0 / 18) / (1 / 2 + 1 / 18))


@pytest.mark.parametrize(
    "other",
    [
        landing("new", "L2", 5.0),
        landing("new", "L1", math.nan),
        landing("new", "L1", 5.0, weight=0.0),
        landing("new", "L1", 5.0, sd_um=math.nan),
    ],
)
def test_without_a_pair_there_is_no_change(other: ReadingAnswer) -> None:
    assert change_between([landing("old", "L1", 0.0), other], kind="body", before="old", after="new") is None
