"""Distances to microns, against traced lenses (tests/reference/README.md item 1) and laws of lenses."""

import csv
import math
from decimal import Decimal, localcontext
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from shimwise.errors import OpticsError
from shimwise.optics.conjugates import (
    extension_mm,
    front_magnification,
    landing_um,
    magnification,
    reading_mm,
)

REFERENCE = Path(__file__).parents[2] / "reference"
PRINTED_F_MM = 0.5e-6  # half of the last digit printed for f in optics_flange.csv
PRINTED_H_MM = 0.5e-5  # the same for H
REAL_RAY_UM = {"double": 1.34, "Cooke": 0.46, "retrofocus": 0.40, "telephoto": 1.36}  # README item 1, largest
FOCALS = st.floats(8, 300)
SEPARATIONS = st.floats(-1, 2)  # of the principal planes, in focal lengths


def table(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def flange_id(row: dict[str, str]) -> str:
    return f"{row['lens'].split()[0]} {row['D_mm']} {row['flange_error_um']}"


FLANGE = table("optics_flange.csv")
INTERNAL = table("optics_internal_focus.csv")


@pytest.mark.slow
@pytest.mark.parametrize("row", FLANGE, ids=flange_id)
def test_reading_agrees_with_the_paraxial_trace_to_a_micron(row: dict[str, str]) -> None:
    # Far readings magnify the rounding of the printed f and H; the trace must lie within what they allow.
    f, h, d = float(row["f_mm"]), float(row["H_mm"]), float(row["D_mm"])
    z = float(row["flange_error_um"])
    at_ends = [
        reading_mm(
            focal_mm=f + i * PRINTED_F_MM, distance_mm=d, landing_um=z, separation_mm=h + j * PRINTED_H_MM
        )
        for i in (-1, 0, 1)
        for j in (-1, 0, 1)
    ]
    assert min(at_ends) - 1e-3 <= float(row["R_par_mm"]) <= max(at_ends) + 1e-3
    if float(row["R_par_mm"]) < 30_000:
        assert at_ends[4] == pytest.approx(float(row["R_par_mm"]), abs=1e-3)


@pytest.mark.parametrize("row", FLANGE, ids=flange_id)
def test_landing_of_real_rays_stays_within_the_stated_discrepancy(row: dict[str, str]) -> None:
    landing = landing_um(
        focal_mm=float(row["f_mm"]),
        distance_mm=float(row["D_mm"]),
        reading_mm=float(row["R_rms_mm"]),
        separation_mm=float(row["H_mm"]),
    )
    error_um = landing - float(row["flange_error_um"])
    assert abs(error_um) <= REAL_RAY_UM[row["lens"].split()[0]]
    assert error_um == pytest.approx(float(row["err_rms_um"]), abs=2e-3)


@pytest.mark.parametrize("row", FLANGE[::11], ids=flange_id)
def test_magnification_agrees_with_the_trace_to_its_printed_digits(row: dict[str, str]) -> None:
    m = magnification(
        focal_mm=float(row["f_mm"]), distance_mm=float(row["D_mm"]), separation_mm=float(row["H_mm"])
    )
    assert m == pytest.approx(float(row["m_D"]), abs=2e-9)


@pytest.mark.parametrize(
    "row", INTERNAL, ids=lambda row: f"{row['focus']} {row['D_mm']} {row['flange_error_um']}"
)
def test_internal_focus_obeys_with_f_and_h_at_its_distance_within_six_permille(row: dict[str, str]) -> None:
    f, m, d = float(row["f_at_D_mm"]), float(row["m_true"]), float(row["D_mm"])
    h = d - f * (2 + m + 1 / m)  # the separation at D, which the table does not print
    landing = landing_um(focal_mm=f, distance_mm=d, reading_mm=float(row["R_mm"]), separation_mm=h)
    assert landing == pytest.approx(float(row["flange_error_um"]), rel=0.006)


@pytest.mark.parametrize(
    "row", INTERNAL, ids=lambda row: f"{row['focus']} {row['D_mm']} {row['flange_error_um']}"
)
def test_internal_focus_with_infinity_values_keeps_the_sign_and_the_traced_size(row: dict[str, str]) -> None:
    landing = landing_um(
        focal_mm=float(row["f_inf_mm"]),
        distance_mm=float(row["D_mm"]),
        reading_mm=float(row["R_mm"]),
        separation_mm=float(row["H_inf_mm"]),
    )
    assert landing == pytest.approx(float(row["z_unit_focus_formula_um"]), abs=4e-3)  # R is printed to 0.1 µm
    assert landing * float(row["flange_error_um"]) > 0


@pytest.mark.parametrize(("focal_mm", "distance_mm"), [(25, 1000), (50, 2000), (135, 4000), (18, 914.4)])
def test_landing_from_infinity_agrees_with_newtons_form(focal_mm: float, distance_mm: float) -> None:
    # Independent route: Newton's x·x' = f², distances from the foci; the sensor is f + x' behind the lens.
    gap = distance_mm - 2 * focal_mm
    extension = (gap - math.sqrt(gap**2 - 4 * focal_mm**2)) / 2
    landing = landing_um(focal_mm=focal_mm, distance_mm=distance_mm, reading_mm=math.inf)
    assert landing == pytest.approx(1e3 * extension, rel=1e-9)
    assert extension_mm(focal_mm=focal_mm, distance_mm=distance_mm) == pytest.approx(extension, rel=1e-9)


@given(FOCALS, SEPARATIONS, st.floats(1.0001, 1e6))
def test_object_and_image_obey_the_lens_equation_and_fill_the_distance(
    f: float, apart: float, times: float
) -> None:
    h = apart * f
    distance = 4 * f * times + h
    m = magnification(focal_mm=f, distance_mm=distance, separation_mm=h)
    in_front, behind = f * (1 + 1 / m), f * (1 + m)
    assert 0 < m < 1
    assert 1 / in_front + 1 / behind == pytest.approx(1 / f, rel=1e-12)
    assert in_front + behind + h == pytest.approx(distance, rel=1e-9)


@pytest.mark.parametrize("distance_mm", [300.0, 914.4, 1e5, 1e9, 1e13])
def test_far_distances_lose_no_digits(distance_mm: float) -> None:
    # The same quadratic in 60 decimal digits, where the subtraction harms nothing.
    with localcontext() as context:
        context.prec = 60
        q = Decimal(distance_mm) / 50 - 2
        exact = (q - (q * q - 4).sqrt()) / 2
    assert magnification(focal_mm=50.0, distance_mm=distance_mm) == pytest.approx(float(exact), rel=1e-14)


@given(FOCALS, SEPARATIONS, st.floats(1.1, 1e4), st.floats(-60, 60))
def test_reading_is_the_inverse_of_landing(f: float, apart: float, times: float, z: float) -> None:
    h = apart * f
    distance = 4 * f * times + h
    extension = extension_mm(focal_mm=f, distance_mm=distance, separation_mm=h)
    assume(0 < extension - 1e-3 * z < 0.98 * f)
    reading = reading_mm(focal_mm=f, distance_mm=distance, landing_um=z, separation_mm=h)
    back = landing_um(focal_mm=f, distance_mm=distance, reading_mm=reading, separation_mm=h)
    assert back == pytest.approx(z, abs=1e-6)


@given(FOCALS, SEPARATIONS, st.floats(1.001, 1e5))
def test_landing_of_a_ring_at_infinity_is_read_as_infinity_again(
    f: float, apart: float, times: float
) -> None:
    h = apart * f
    distance = 4 * f * times + h
    z = landing_um(focal_mm=f, distance_mm=distance, reading_mm=math.inf, separation_mm=h)
    assert reading_mm(focal_mm=f, distance_mm=distance, landing_um=z, separation_mm=h) == math.inf


@given(FOCALS, st.floats(1.5, 1e3), st.floats(1.5, 1e3))
def test_short_readings_are_negative_and_deep_ones_positive(f: float, near: float, far: float) -> None:
    assume(far > near * (1 + 1e-9))
    short = landing_um(focal_mm=f, distance_mm=4 * f * far, reading_mm=4 * f * near)
    deep = landing_um(focal_mm=f, distance_mm=4 * f * near, reading_mm=4 * f * far)
    assert short < 0 < deep
    assert short == pytest.approx(-deep, rel=1e-12)


def test_at_infinity_nothing_extends_and_on_the_mark_nothing_lands() -> None:
    assert magnification(focal_mm=35.0, distance_mm=math.inf) == 0
    assert extension_mm(focal_mm=35.0, distance_mm=math.inf) == 0
    assert landing_um(focal_mm=35.0, distance_mm=math.inf, reading_mm=math.inf) == 0
    assert reading_mm(focal_mm=35.0, distance_mm=math.inf, landing_um=0.0) == math.inf
    assert landing_um(focal_mm=35.0, distance_mm=914.4, reading_mm=914.4) == 0
    assert reading_mm(focal_mm=35.0, distance_mm=914.4, landing_um=0.0) == pytest.approx(914.4, rel=1e-14)


def test_life_size_is_at_four_focal_lengths() -> None:
    assert magnification(focal_mm=50.0, distance_mm=200.0) == 1
    assert magnification(focal_mm=50.0, distance_mm=190.0, separation_mm=-10.0) == 1


def test_floats_give_floats_and_arrays_give_arrays_of_the_same_numbers() -> None:
    focals, distances = np.array([18.0, 35.0, 75.0]), np.array([[914.4], [1828.8]])
    whole = landing_um(focal_mm=focals, distance_mm=distances, reading_mm=900.0, separation_mm=-5.0)
    assert whole.shape == (2, 3)
    for (i, j), z in np.ndenumerate(whole):
        one = landing_um(
            focal_mm=float(focals[j]),
            distance_mm=float(distances[i, 0]),
            reading_mm=900.0,
            separation_mm=-5.0,
        )
        assert type(one) is float
        assert one == z
    assert magnification(focal_mm=np.array([]), distance_mm=914.4).shape == (0,)


def test_a_landing_beyond_infinity_is_told_with_its_amount_and_the_most_possible() -> None:
    # 24 mm at 10 m extends by 57.88 µm (Newton: x' = f²/x, x about 9952), so 90 is 32.1 beyond.
    with pytest.raises(
        OpticsError, match=r"90 µm lies 32\.1 µm beyond the infinity mark.* 57\.87\d* µm at most"
    ):
        reading_mm(focal_mm=24.0, distance_mm=10_000.0, landing_um=90.0)


def test_in_an_array_a_landing_beyond_infinity_is_infinite() -> None:
    readings = reading_mm(focal_mm=24.0, distance_mm=10_000.0, landing_um=np.array([-20.0, 0.0, 90.0]))
    assert readings[0] < 10_000
    assert readings[1] == pytest.approx(10_000)
    assert readings[2] == math.inf


def test_a_landing_nearer_than_life_size_is_refused() -> None:
    with pytest.raises(OpticsError, match=r"closer than life size .* Check that it is in µm"):
        reading_mm(focal_mm=50.0, distance_mm=914.4, landing_um=-60_000.0)


def test_a_distance_inside_the_near_limit_is_refused_with_the_limit() -> None:
    with pytest.raises(OpticsError, match=r"^150 mm is inside the near limit of 200 mm .* lens of 50 mm"):
        landing_um(focal_mm=50.0, distance_mm=914.4, reading_mm=150.0)
    with pytest.raises(
        OpticsError, match=r"^150 mm \(item 1 of the array\) is inside the near limit of 190 mm"
    ):
        magnification(focal_mm=50.0, distance_mm=np.array([300.0, 150.0]), separation_mm=-10.0)


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"focal_mm": 0.0}, r"0 cannot be the focal length \[mm\]: give a finite number above 0"),
        ({"focal_mm": math.inf}, r"inf cannot be the focal length"),
        ({"focal_mm": math.nan}, r"nan cannot be the focal length"),
        ({"distance_mm": -914.4}, r"-914\.4 cannot be the distance \[mm\]"),
        ({"distance_mm": math.nan}, r"nan cannot be the distance"),
        ({"reading_mm": math.nan}, r"nan cannot be the reading"),
        ({"separation_mm": math.inf}, r"inf cannot be the separation"),
        ({"reading_mm": np.array([900.0, math.nan])}, r"nan \(item 1 of the array\) cannot be the reading"),
    ],
)
def test_impossible_numbers_are_refused_by_name(wrong: dict[str, float], message: str) -> None:
    good = {"focal_mm": 50.0, "distance_mm": 914.4, "reading_mm": 900.0, "separation_mm": 0.0}
    with pytest.raises(OpticsError, match=message):
        landing_um(**{**good, **wrong})


def test_front_magnification_is_that_of_the_lens_equation_and_needs_a_picture() -> None:
    # s = 3f gives an image at 1.5 f, half the size.
    assert front_magnification(focal_mm=50.0, object_mm=150.0) == pytest.approx(0.5)
    assert front_magnification(focal_mm=50.0, object_mm=math.inf) == 0
    with pytest.raises(
        OpticsError, match=r"50 mm from the front principal plane is not beyond the focal length"
    ):
        front_magnification(focal_mm=50.0, object_mm=50.0)
