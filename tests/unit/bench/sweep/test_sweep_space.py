"""A ring's and a chart's travel in microns of sensor position."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.bench.sweep.image_space import SweptSpace
from shimwise.errors import ImagingError
from shimwise.imaging.frames.listing import Coordinate

FOCAL_MM, FIXED_MM = 50.0, 2000.0


def space(coordinate: Coordinate, fixed_mm: float | None = FIXED_MM) -> SweptSpace:
    return SweptSpace.of(coordinate, (1900.0, 2000.0, 2100.0), focal_mm=FOCAL_MM, fixed_mm=fixed_mm)


def image_mm(distance_mm: float) -> float:
    """Picture behind the rear focus by Newton's x x' = f², the planes together; distance chart to sensor."""
    gap = distance_mm - 2 * FOCAL_MM
    return (gap - math.sqrt(gap**2 - 4 * FOCAL_MM**2)) / 2


@given(st.floats(1500.0, 4000.0))
def test_positions_are_those_of_newtons_form(mm: float) -> None:
    away_um = 1e3 * (image_mm(mm) - image_mm(FIXED_MM))
    assert space(Coordinate.RING).position_um(mm) == pytest.approx(away_um, abs=1e-6)
    assert space(Coordinate.DISTANCE).position_um(mm) == pytest.approx(-away_um, abs=1e-6)


@pytest.mark.parametrize("coordinate", [Coordinate.RING, Coordinate.DISTANCE])
@given(um=st.floats(-300.0, 300.0))
def test_where_it_stands_and_its_position_are_inverse(coordinate: Coordinate, um: float) -> None:
    at_mm = space(coordinate).value_mm(um)
    assert at_mm is not None
    assert space(coordinate).position_um(at_mm) == pytest.approx(um, abs=1e-6)


def test_infinity_is_a_place_on_the_ring() -> None:
    assert space(Coordinate.RING).position_um(math.inf) == pytest.approx(-1e3 * image_mm(FIXED_MM))


def test_without_the_fixed_end_the_middle_is_nought_and_says_so() -> None:
    free = space(Coordinate.RING, None)
    assert free.position_um(2000.0) == 0.0
    assert not free.is_anchored


def test_a_scale_of_another_lens_is_not_used() -> None:
    m = image_mm(FIXED_MM) / FOCAL_MM
    same, warning = space(Coordinate.RING).seen(2 * m)
    assert same.gain == 1.0
    assert "too far apart" in warning
    near, quiet = space(Coordinate.RING).seen(1.01 * m)
    assert near.gain == pytest.approx(1.01**2)
    assert quiet == ""


def test_a_ring_without_a_focal_length_is_refused() -> None:
    with pytest.raises(ImagingError, match="needs the lens's focal length"):
        SweptSpace.of(Coordinate.RING, (1.0,), focal_mm=None, fixed_mm=None)
