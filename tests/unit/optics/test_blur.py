"""Depth and contrast, against tests/reference (README item 2), geometry and other integrals."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import j1

from shimwise.errors import OpticsError
from shimwise.optics.blur import depth_of_focus_mm, far_mm, hyperfocal_mm, near_mm, otf_defocus
from shimwise.optics.conjugates import front_magnification

REFERENCE = Path(__file__).parents[2] / "reference"
PRINTED_MM = 0.51e-4  # half of the last digit of distances in depth_of_field.csv


def table(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize(
    "row", table("depth_of_field.csv"), ids=lambda row: f"{row['f_mm']} mm f/{row['N']} {row['s_mm']}"
)
def test_depth_agrees_with_every_row_of_the_table_to_its_printed_digits(row: dict[str, str]) -> None:
    lens = {"focal_mm": float(row["f_mm"]), "fnumber": float(row["N"]), "coc_mm": float(row["coc_mm"])}
    focus = {"fnumber": lens["fnumber"], "coc_mm": lens["coc_mm"]}
    s = float(row["s_mm"])
    m = front_magnification(focal_mm=lens["focal_mm"], object_mm=s)
    far = float(row["far_mm"] or "inf")
    assert hyperfocal_mm(**lens) == pytest.approx(float(row["hyperfocal_mm"]), abs=PRINTED_MM)
    assert near_mm(**lens, distance_mm=s) == pytest.approx(float(row["near_mm"]), abs=PRINTED_MM)
    assert far_mm(**lens, distance_mm=s) == pytest.approx(far, abs=PRINTED_MM)
    assert m == pytest.approx(float(row["m"]), abs=0.51e-8)
    total = depth_of_focus_mm(**focus, magnification=m)
    assert total == pytest.approx(float(row["depth_of_focus_total_mm"]), abs=0.51e-7)
    assert depth_of_focus_mm(**focus) == pytest.approx(float(row["depth_of_focus_total_inf_mm"]), abs=0.51e-7)


@given(st.floats(14, 200), st.floats(1.2, 16), st.floats(0.005, 0.03), st.floats(3, 200))
def test_the_blur_of_either_limit_is_the_circle_of_confusion(
    f: float, n: float, c: float, times: float
) -> None:
    # The cone of light from a limit's image, cut by the sensor that is in focus for s.
    s = f * times
    sensor = f * s / (s - f)
    limits = [
        near_mm(focal_mm=f, fnumber=n, coc_mm=c, distance_mm=s),
        far_mm(focal_mm=f, fnumber=n, coc_mm=c, distance_mm=s),
    ]
    for limit in limits:
        image = f if math.isinf(limit) else f * limit / (limit - f)
        blur = f / n * abs(image - sensor) / image
        if math.isinf(limit):
            assert blur <= c * (1 + 1e-9)
        else:
            assert blur == pytest.approx(c, rel=1e-6)


def test_focus_at_the_hyperfocal_distance_reaches_from_half_of_it_to_infinity() -> None:
    lens = {"focal_mm": 35.0, "fnumber": 2.8, "coc_mm": 0.025}
    hyperfocal = hyperfocal_mm(**lens)
    assert near_mm(**lens, distance_mm=hyperfocal) == pytest.approx(hyperfocal / 2, rel=1e-12)
    assert far_mm(**lens, distance_mm=hyperfocal) == math.inf
    assert far_mm(**lens, distance_mm=math.inf) == math.inf
    assert near_mm(**lens, distance_mm=math.inf) == pytest.approx(hyperfocal - 35.0, rel=1e-12)


def test_depth_takes_and_gives_arrays() -> None:
    s = np.array([914.4, 1828.8, 1e6, math.inf])
    near = near_mm(focal_mm=25.0, fnumber=2.0, coc_mm=0.02, distance_mm=s)
    far = far_mm(focal_mm=25.0, fnumber=2.0, coc_mm=0.02, distance_mm=s)
    assert (near < s).all()
    assert (far[:2] > s[:2]).all()
    assert np.isinf(far[2:]).all()
    assert type(near_mm(focal_mm=25.0, fnumber=2.0, coc_mm=0.02, distance_mm=914.4)) is float


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"fnumber": 0.0}, "0 cannot be the f-number"),
        ({"coc_mm": -0.02}, r"-0\.02 cannot be the circle of confusion \[mm\]"),
        ({"focal_mm": math.nan}, "nan cannot be the focal length"),
        (
            {"distance_mm": 25.0},
            "25 mm from the front principal plane is not beyond the focal length of 25 mm",
        ),
    ],
)
def test_impossible_depths_are_refused_by_name(wrong: dict[str, float], message: str) -> None:
    good = {"focal_mm": 25.0, "fnumber": 2.0, "coc_mm": 0.02, "distance_mm": 914.4}
    for limit in (near_mm, far_mm):
        with pytest.raises(OpticsError, match=message):
            limit(**{**good, **wrong})


@pytest.mark.parametrize(
    "row",
    table("mtf_defocus.csv"),
    ids=lambda row: f"{row['freq_c_per_mm']} f/{row['N']} {row['defocus_um']}",
)
def test_contrast_agrees_with_every_row_of_the_table_to_a_millionth(row: dict[str, str]) -> None:
    otf = otf_defocus(
        fnumber=float(row["N"]),
        frequency_cy_mm=float(row["freq_c_per_mm"]),
        defocus_um=float(row["defocus_um"]),
        wavelength_um=float(row["wavelength_um"]),
    )
    assert otf == pytest.approx(float(row["otf"]), abs=1e-6)


def test_contrast_in_focus_is_the_textbook_form() -> None:
    # Goodman, Introduction to Fourier Optics: (2/π)(acos x − x√(1 − x²)), x the share of cut-off.
    share = np.linspace(0, 1, 101)
    otf = otf_defocus(fnumber=4.0, frequency_cy_mm=share / (0.55e-3 * 4.0), defocus_um=0.0)
    textbook = 2 / np.pi * (np.arccos(share) - share * np.sqrt(1 - share**2))
    np.testing.assert_allclose(otf, textbook, atol=1e-12)


@pytest.mark.parametrize(
    ("fnumber", "frequency", "defocus"), [(1.4, 120.0, 300.0), (2.0, 5.0, 2000.0), (1.0, 400.0, 900.0)]
)
def test_contrast_far_out_of_focus_agrees_with_an_oscillating_quadrature(
    fnumber: float, frequency: float, defocus: float
) -> None:
    # QUADPACK's rule for cosine weights, on the overlap integral before our substitution.
    share = 0.55e-3 * fnumber * frequency
    phase = 8 * math.pi * defocus / (8 * fnumber**2 * 0.55) * share
    value, _ = quad(
        lambda u: 4 / math.pi * math.sqrt(max(0.0, 1 - (u + share) ** 2)),
        0,
        1 - share,
        weight="cos",
        wvar=phase,
        limit=400,
    )
    otf = otf_defocus(fnumber=fnumber, frequency_cy_mm=frequency, defocus_um=defocus)
    assert otf == pytest.approx(value, abs=1e-8)


def test_low_frequencies_far_out_of_focus_follow_the_geometrical_disc() -> None:
    # Geometrical optics: a uniform disc of radius dz/(2N) passes 2·J1(x)/x, x = 2π·radius·frequency.
    frequency = np.array([0.5, 1.0, 2.0, 3.0])
    x = 2 * np.pi * (1.0 / (2 * 2.0)) * frequency
    otf = otf_defocus(fnumber=2.0, frequency_cy_mm=frequency, defocus_um=1000.0)
    np.testing.assert_allclose(otf, 2 * j1(x) / x, atol=0.01)


@given(st.floats(1, 22), st.floats(0, 800), st.floats(-300, 300))
def test_contrast_is_even_in_defocus_and_never_more_than_in_focus(
    n: float, frequency: float, defocus: float
) -> None:
    otf = otf_defocus(fnumber=n, frequency_cy_mm=frequency, defocus_um=defocus)
    assert otf == otf_defocus(fnumber=n, frequency_cy_mm=frequency, defocus_um=-defocus)
    assert abs(otf) <= otf_defocus(fnumber=n, frequency_cy_mm=frequency, defocus_um=0.0) + 1e-12


def test_frequency_zero_passes_whole_and_beyond_cut_off_nothing() -> None:
    assert otf_defocus(fnumber=2.8, frequency_cy_mm=0.0, defocus_um=80.0) == pytest.approx(1, abs=1e-12)
    assert otf_defocus(fnumber=2.8, frequency_cy_mm=1e3 / (0.55 * 2.8) + 1, defocus_um=80.0) == 0


@pytest.mark.slow
def test_contrast_of_many_points_equals_that_of_each() -> None:
    frequency, defocus = np.linspace(0, 700, 60), np.linspace(-900, 900, 50)[:, None]
    whole = otf_defocus(fnumber=1.4, frequency_cy_mm=frequency, defocus_um=defocus)
    assert whole.shape == (50, 60)
    one = otf_defocus(fnumber=1.4, frequency_cy_mm=float(frequency[17]), defocus_um=float(defocus[31, 0]))
    assert type(one) is float
    assert whole[31, 17] == pytest.approx(one, abs=1e-12)
    assert otf_defocus(fnumber=2.0, frequency_cy_mm=np.array([]), defocus_um=1.0).shape == (0,)


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"frequency_cy_mm": -20.0}, r"-20 cannot be the frequency \[cycles/mm\]"),
        ({"fnumber": 0.0}, "0 cannot be the f-number"),
        ({"wavelength_um": 0.0}, "0 cannot be the wavelength"),
        ({"defocus_um": math.inf}, "inf cannot be the defocus"),
        ({"defocus_um": 1e9}, r"radian across the pupil, beyond the 1e\+05 .* Check the defocus"),
    ],
)
def test_impossible_contrasts_are_refused_by_name(wrong: dict[str, float], message: str) -> None:
    good = {"fnumber": 2.0, "frequency_cy_mm": 40.0, "defocus_um": 20.0, "wavelength_um": 0.55}
    with pytest.raises(OpticsError, match=message):
        otf_defocus(**{**good, **wrong})
