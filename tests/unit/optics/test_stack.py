"""Plates and heat, against tests/reference (README items 3 and 4) and a traced ray."""

import csv
import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.errors import OpticsError
from shimwise.optics.stack import heat_change_um, material_named, materials, plate_shift_um

REFERENCE = Path(__file__).parents[2] / "reference"


def table(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", table("plate_shift.csv"), ids=lambda row: f"{row['plate']} {row['ray']}")
def test_plate_shift_agrees_with_exact_snell_to_the_printed_digits(row: dict[str, str]) -> None:
    found = re.search(r"f/([\d.]+)", row["ray"])
    shift = plate_shift_um(
        thickness_mm=float(row["t_mm"]),
        index=float(row["n"]),
        fnumber=float(found.group(1)) if found else None,
    )
    assert shift == pytest.approx(float(row["shift_um"]), abs=1e-7)


@given(st.floats(0.01, 20), st.floats(1.01, 2.2), st.floats(0.6, 64))
def test_a_ray_traced_through_both_faces_meets_the_axis_where_the_shift_says(
    t: float, n: float, stop: float
) -> None:
    outside = math.asin(0.5 / stop)
    inside = math.asin(math.sin(outside) / n)
    traced_um = 1e3 * (t - t * math.tan(inside) / math.tan(outside))
    shift = plate_shift_um(thickness_mm=t, index=n, fnumber=stop)
    assert shift == pytest.approx(traced_um, rel=1e-6)
    assert shift >= plate_shift_um(thickness_mm=t, index=n)


def test_air_shifts_nothing_and_no_plate_shifts_nothing() -> None:
    assert plate_shift_um(thickness_mm=2.0, index=1.0) == 0
    assert plate_shift_um(thickness_mm=2.0, index=1.0, fnumber=1.4) == pytest.approx(0, abs=1e-9)
    assert plate_shift_um(thickness_mm=0.0, index=1.5) == 0


def test_plates_take_and_give_arrays() -> None:
    shifts = plate_shift_um(thickness_mm=np.array([0.1, 1.0]), index=1.5, fnumber=2.0)
    assert shifts.shape == (2,)
    assert shifts[1] == pytest.approx(10 * shifts[0])
    assert type(plate_shift_um(thickness_mm=0.1, index=1.5)) is float


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"thickness_mm": -0.1}, r"-0\.1 cannot be the thickness \[mm\]"),
        ({"index": 0.9}, r"0\.9 cannot be the index of refraction: give a number from 1 to 5"),
        ({"index": math.nan}, "nan cannot be the index"),
        ({"fnumber": 0.5}, r"0\.5 cannot be the f-number: give a number above 0\.5"),
        ({"fnumber": math.inf}, "inf cannot be the f-number"),
    ],
)
def test_impossible_plates_are_refused_by_name(wrong: dict[str, float], message: str) -> None:
    with pytest.raises(OpticsError, match=message):
        plate_shift_um(**{"thickness_mm": 0.1, "index": 1.5, "fnumber": 2.0, **wrong})


@pytest.mark.parametrize("row", table("thermal.csv"), ids=lambda row: row["material"])
def test_heat_agrees_with_every_row_of_the_table_to_its_printed_digits(row: dict[str, str]) -> None:
    change = heat_change_um(material=row["material"], length_mm=52.0, change_k=np.array([1.0, 10.0, -25.0]))
    columns = ("change_of_52mm_um_per_K", "change_of_52mm_um_10K", "change_of_52mm_um_minus25K")
    np.testing.assert_allclose(change, [float(row[column]) for column in columns], atol=1e-9)


def test_every_material_has_its_source_beside_its_value() -> None:
    assert len(materials()) == len(table("thermal.csv"))
    assert all("Callister" in material.source for material in materials())


@pytest.mark.parametrize("name", ["aluminium", "ALUMINIUM 6061", " Alu ", "aluminum", "aluminium  6061"])
def test_a_material_is_found_by_a_clear_beginning_in_any_case(name: str) -> None:
    assert material_named(name).material == "aluminium 6061"
    assert type(heat_change_um(material=name, length_mm=52.0, change_k=10.0)) is float


def test_a_beginning_of_two_materials_is_refused_with_both() -> None:
    with pytest.raises(OpticsError, match="could be stainless 304 or stainless 316"):
        material_named("stainless")


@pytest.mark.parametrize("name", ["", "  ", "wood"])
def test_an_unknown_material_is_refused_with_those_known(name: str) -> None:
    with pytest.raises(OpticsError, match=r"is not known\. Known are: aluminium 6061, titanium"):
        material_named(name)


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (
            {"change_k": 293.0},
            "293 cannot be the change of temperature .* give the change, not the temperature",
        ),
        ({"change_k": math.nan}, "nan cannot be the change"),
        ({"length_mm": 0.0}, r"0 cannot be the length \[mm\]"),
    ],
)
def test_impossible_warmth_is_refused_by_name(wrong: dict[str, float], message: str) -> None:
    with pytest.raises(OpticsError, match=message):
        heat_change_um(**{"material": "invar", "length_mm": 52.0, "change_k": 10.0, **wrong})
