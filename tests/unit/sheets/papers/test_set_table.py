"""The set table: offsets of the ring against an independent route, and how they are written."""

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_preps import signed_document

from shimwise.bench.sign.papers import SET_TABLE, make_paper
from shimwise.errors import LengthError, SheetError
from shimwise.inference.verdict.answer import BodyAnswer, LensAnswer, Verdict
from shimwise.sheets.papers.set_table import offset_at

pytestmark = pytest.mark.slow  # sets pages


def _unit(error_um: float, sd_um: float) -> dict[str, Any]:
    return {
        "name": "X",
        "error_um": error_um,
        "sd_um": sd_um,
        "low_um": error_um - 2 * sd_um,
        "high_um": error_um + 2 * sd_um,
        "p_out": 0.5,
        "verdict": Verdict.CANNOT_TELL,
        "tolerance_um": 10.0,
    }


def _body(error_um: float, sd_um: float = 2.0) -> BodyAnswer:
    return BodyAnswer(**_unit(error_um, sd_um))


def _lens(error_um: float, sd_um: float = 2.0, scale_permille: float = 0.0) -> LensAnswer:
    scale = {"scale_permille": scale_permille, "scale_sd_permille": 0.0, "p_scale_out": 0.1}
    return LensAnswer(**_unit(error_um, sd_um), **scale)


def _image_mm(focal_mm: float, distance_mm: float) -> float:
    """Image distance of a thin lens for a subject so far from the sensor: v + u = D, 1/u + 1/v = 1/f.

    The roots of v² − D·v + D·f = 0; the smaller is the picture's (E. Hecht, Optics, ch. 5, from memory).
    """
    if math.isinf(distance_mm):
        return focal_mm
    return (distance_mm - math.sqrt(distance_mm**2 - 4 * distance_mm * focal_mm)) / 2


@pytest.mark.parametrize(("focal_mm", "distance_mm"), [(18, 914.4), (35, 1828.8), (50, 3048), (100, 7620)])
@pytest.mark.parametrize("error_um", [-25.0, -6.0, 12.0])
def test_the_ring_stands_where_the_moved_sensor_sees_sharply(
    focal_mm: float, distance_mm: float, error_um: float
) -> None:
    # The ring at R puts the lens v(R) before a true sensor; a sensor that sits too close by 25 µm sees
    # sharply what is imaged 25 µm nearer to the lens: v(D) = v(R) + B for both errors together.
    found = offset_at(
        body=_body(error_um / 2), lens=_lens(error_um / 2), focal_mm=focal_mm, distance_mm=distance_mm
    )
    assert found.mark_mm is not None
    moved = _image_mm(focal_mm, distance_mm) - error_um / 1000
    assert _image_mm(focal_mm, found.mark_mm) == pytest.approx(moved, abs=1e-6)
    assert (found.mark_mm < distance_mm) is (error_um < 0)


def test_a_short_body_stops_far_things_before_infinity_and_a_deep_one_cannot_reach_it() -> None:
    # Newton: z = f²/x; 25 µm at 18 mm are 12.96 m from the front focus, f + f beyond it from the sensor.
    short = offset_at(body=_body(-25), lens=_lens(0), focal_mm=18, distance_mm=math.inf)
    assert short.mark_mm == pytest.approx(18**2 / 0.025 + 2 * 18, abs=0.1)
    deep = offset_at(body=_body(25), lens=_lens(0), focal_mm=18, distance_mm=math.inf)
    assert deep.mark_mm is None


@given(error=st.floats(-40, 40), sd=st.floats(0.1, 30))
def test_an_error_is_sure_only_beyond_its_expanded_uncertainty(error: float, sd: float) -> None:
    found = offset_at(body=_body(error, sd), lens=_lens(0, sd), focal_mm=50, distance_mm=1828.8)
    assert found.u_um == pytest.approx(1.959964 * math.sqrt(2) * sd)
    assert found.is_sure is (abs(error) > found.u_um)


def test_no_error_is_no_offset() -> None:
    found = offset_at(body=_body(0), lens=_lens(0), focal_mm=50, distance_mm=914.4)
    assert found.mark_mm == pytest.approx(914.4, rel=1e-9)


def test_the_table_writes_offsets_in_feet_and_inches_or_metric(text_of: Callable[[bytes], str]) -> None:
    feet = text_of(make_paper(SET_TABLE, [signed_document(readings=96)], names=["A-07"]).pdf)
    assert "Body A-07 with H primes" in feet
    assert '−2 3/8"' in feet
    assert "past INF" in feet
    metric = text_of(make_paper(SET_TABLE, [signed_document(readings=96)], names=["a-07"], units="m").pdf)
    assert " mm" in metric
    assert '"' not in metric.split("Offsets are exact")[0].split("Error ± 95 %")[1]


def test_a_page_is_made_for_each_body() -> None:
    assert make_paper(SET_TABLE, [signed_document(readings=96)]).pages == 2


def test_distances_that_are_none_or_too_many_are_refused() -> None:
    document = signed_document(with_sweep=False)
    with pytest.raises(LengthError, match="is no length"):
        make_paper(SET_TABLE, [document], distances=["three feet"])
    with pytest.raises(SheetError, match="1 to 16 distances, not 17"):
        make_paper(SET_TABLE, [document], distances=["3'"] * 17)
    with pytest.raises(SheetError, match="give ft or m"):
        make_paper(SET_TABLE, [document], units="yd")
    with pytest.raises(SheetError, match="'Z-1' was not judged"):
        make_paper(SET_TABLE, [document], names=["Z-1"])
