"""From readings to sights: the optics in force, against traced lenses and Newton's form."""

import csv
from collections.abc import Iterable
from dataclasses import replace
from itertools import groupby
from pathlib import Path

import numpy as np
import pytest
from invented_benches import (
    FAR_MM,
    FOOT_MM,
    coefficient,
    columns,
    extension_mm,
    landings_um,
    measured,
    model_of,
    reading,
    ring_mm,
)

from shimwise.errors import OpticsError
from shimwise.inference.model.design import build_mixture
from shimwise.inference.model.prep import Axis, FocusDesign, LensKnowledge, Prep
from shimwise.inference.model.priors import Effect
from shimwise.notices import Notice

REFERENCE = Path(__file__).parents[3] / "reference"
NEAR_MM = 3 * FOOT_MM


def test_error_of_reading_the_mark_grows_with_the_square_of_the_distance_and_ends_at_infinity() -> None:
    # In object space a D², so that at the sensor m²·D² is left, and f² of it at infinity.
    def scale_um(distance_mm: float) -> float:
        return float(model_of(reading(distance_mm=distance_mm)).model.rows.ring_um[0])

    m_near, m_far = (extension_mm(50.0, d) / 50.0 for d in (NEAR_MM, 4 * NEAR_MM))
    object_near, object_far = scale_um(NEAR_MM) / m_near**2, scale_um(4 * NEAR_MM) / m_far**2
    assert object_far == pytest.approx(16 * object_near, rel=1e-9)
    assert scale_um(1e8) == pytest.approx(scale_um(FAR_MM), rel=1e-5)
    assert object_near == pytest.approx(1800.0, rel=1e-9)  # 1.8 mm at 3 ft: common practice, no source


def test_a_setup_that_is_not_named_is_called_by_its_body_and_distance() -> None:
    model = model_of(reading(), reading(1, body="B2"), reading(2, distance_mm=NEAR_MM))
    assert {name for kind, name in columns(model) if kind == "setup"} == {
        "B1 at 6'",
        "B2 at 6'",
        "B1 at 3'",
    }


def test_a_setup_named_at_two_distances_is_two_tapes_and_says_so() -> None:
    model = model_of(
        *(reading(i, distance_mm=d, setup="stage") for i, d in enumerate((NEAR_MM, 2 * NEAR_MM)))
    )
    assert {name for kind, name in columns(model) if kind == "setup"} == {"stage at 3'", "stage at 6'"}
    assert coefficient(model, 0, Effect.SETUP, "stage at 6'") == 0.0
    assert Notice("setup_distances", "stage", {"count": 2.0}) in model.notices
    assert model_of(reading(setup="stage")).notices == ()


def test_an_anamorphic_judged_as_a_whole_lies_between_its_axes() -> None:
    scales = [
        coefficient(model_of(reading(focal_mm=100.0, squeeze=2.0, axis=axis)), 0, Effect.SCALE, "L1")
        for axis in (Axis.VERTICAL, None, Axis.HORIZONTAL)
    ]
    assert scales == sorted(scales, reverse=True)
    assert len(set(scales)) == 3
    assert ("axis", "L1") not in columns(model_of(reading(focal_mm=100.0, squeeze=2.0)))


def test_an_axis_of_a_lens_without_squeeze_means_nothing() -> None:
    plain, with_axis = (model_of(reading(landing_um=5.0, axis=axis)) for axis in (None, Axis.HORIZONTAL))
    assert columns(plain) == columns(with_axis)
    np.testing.assert_array_equal(plain.model.rows.design, with_axis.model.rows.design)


def test_a_zoom_is_one_lens_with_one_error_whose_landings_are_uncertain_in_size() -> None:
    model = model_of(reading(focal_mm=28.0, landing_um=20.0), reading(1, focal_mm=76.0, landing_um=20.0))
    assert {name for kind, name in columns(model) if kind == "lens"} == {"L1"}
    assert coefficient(model, 0, Effect.LENS, "L1") == coefficient(model, 1, Effect.LENS, "L1") == 1.0
    # Off in size by half at 3 ft, falling as 1/D: at 6 ft a quarter of the 20 µm.
    for row in (0, 1):
        assert coefficient(model, row, Effect.CONVERSION, "L1") == pytest.approx(20.0 * 0.5 / 2, rel=1e-6)
    assert Notice("internal_focus", "L1") in model.notices


@pytest.mark.parametrize("where", ["reading", "kit"])
def test_a_lens_that_focuses_inside_is_uncertain_in_size(where: str) -> None:
    inside = FocusDesign.INTERNAL
    one = reading(landing_um=-30.0, distance_mm=NEAR_MM, focus_design=inside if where == "reading" else None)
    kit = {"L1": LensKnowledge(focus_design=inside)} if where == "kit" else {}
    model = model_of(one, lenses=kit)
    assert abs(coefficient(model, 0, Effect.CONVERSION, "L1")) == pytest.approx(15.0, rel=1e-6)
    assert Notice("internal_focus", "L1") in model.notices


def test_an_unknown_separation_is_reckoned_with_until_it_is_told() -> None:
    one = reading(landing_um=50.0, distance_mm=NEAR_MM, separation_mm=None)
    unknown = model_of(one)
    assert abs(coefficient(unknown, 0, Effect.CONVERSION, "L1")) == pytest.approx(50.0 * 0.04, rel=1e-6)
    assert unknown.notices == (Notice("unknown_separation", "L1"),)
    for known in (
        model_of(replace(one, separation_mm=0.0)),
        model_of(one, lenses={"L1": LensKnowledge(separation_mm=0.0)}),
    ):
        assert ("conversion", "L1") not in columns(known)
        assert known.notices == ()


def test_the_size_of_the_uncertain_conversion_covers_an_unknown_separation_of_20_mm() -> None:
    # The landing on the same ring with the separation told and without: 20 mm at 3 ft, Newton's form.
    ring = ring_mm(50.0, extension_mm(50.0, NEAR_MM, 20.0) - 0.05, 20.0)
    one = reading(distance_mm=NEAR_MM, reading_mm=ring, separation_mm=None)
    wrong = model_of(one)
    missed_um = abs(50.0 - landings_um(wrong)[0])
    assert 0.5 < missed_um / abs(coefficient(wrong, 0, Effect.CONVERSION, "L1")) < 2.0


def internal_focus_rows() -> list[dict[str, str]]:
    with (REFERENCE / "optics_internal_focus.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def by_design(rows: Iterable[dict[str, str]]) -> list[tuple[str, list[dict[str, str]]]]:
    return [(name, list(group)) for name, group in groupby(rows, key=lambda row: row["design"])]


@pytest.mark.parametrize(("design", "rows"), by_design(internal_focus_rows()), ids=lambda v: str(v)[:10])
def test_a_table_by_distance_gives_the_traced_error_of_lenses_that_focus_inside(
    design: str, rows: list[dict[str, str]]
) -> None:
    # Exact paraxial traces, tests/reference/optics_internal_focus.csv; README item 1: within 0.6 %.
    table = {}
    for row in rows:
        d, f, m = (float(row[key]) for key in ("D_mm", "f_at_D_mm", "m_true"))
        table[d] = (d, f, d - f * (2 + m + 1 / m))
    readings = [
        reading(
            i,
            lens=design,
            focal_mm=float(row["f_inf_mm"]),
            distance_mm=float(row["D_mm"]),
            reading_mm=float(row["R_mm"]),
            separation_mm=None,
        )
        for i, row in enumerate(rows)
    ]
    kit = {design: LensKnowledge(by_distance=tuple(table.values()))}
    model = model_of(*readings, lenses=kit)
    truth = np.array([float(row["flange_error_um"]) for row in rows])
    printed = np.array([float(row["z_formula_with_f_H_at_D_um"]) for row in rows])
    # m is printed to 1e-7: at 10 m that is 0.02 mm of extension's slope, some hundredths of a micron.
    np.testing.assert_allclose(landings_um(model), printed, atol=0.05)
    np.testing.assert_allclose(landings_um(model), truth, rtol=0.007)
    assert model.notices == ()
    assert ("conversion", design) not in columns(model)
    without = model_of(*readings)
    assert np.abs(landings_um(without) / truth - 1).max() > 0.3  # what the table is for


def test_between_the_rows_of_a_table_the_lens_lies_between_them() -> None:
    table = ((1000.0, 80.0, -10.0), (4000.0, 60.0, 10.0))
    scales = []
    for distance_mm in (1000.0, 1600.0, 4000.0):
        one = reading(focal_mm=57.0, distance_mm=distance_mm, reading_mm=distance_mm, separation_mm=None)
        model = model_of(one, lenses={"L1": LensKnowledge(by_distance=table)})
        scales.append(coefficient(model, 0, Effect.SCALE, "L1"))
    ends = [extension_mm(80.0, 1000.0, -10.0), extension_mm(60.0, 4000.0, 10.0)]
    assert [scales[0], scales[2]] == pytest.approx(ends, rel=1e-9)
    # 1600 mm is half way in 1/D: f = 70 mm, H = 0.
    assert scales[1] == pytest.approx(extension_mm(70.0, 1600.0, 0.0), rel=1e-9)


def test_a_chart_inside_the_near_limit_is_refused_by_the_optics() -> None:
    with pytest.raises(OpticsError, match=r"150 mm.* is inside the near limit of 200 mm"):
        model_of(replace(reading(), distance_mm=150.0))
    with pytest.raises(OpticsError, match=r"150 mm.* is inside the near limit of 200 mm"):
        model_of(replace(reading(), reading_mm=150.0))


def test_a_landing_that_frames_measured_needs_no_conversion_and_no_eye() -> None:
    by_eye = reading(landing_um=-30.0, separation_mm=None, distance_mm=NEAR_MM)
    of_frames = measured(-21.5, 0.8, distance_mm=NEAR_MM)
    model = build_mixture(Prep(readings=(), landings=(of_frames,)))
    assert landings_um(model).tolist() == [-21.5]
    rows = model.model.rows
    assert (rows.blur_um.tolist(), rows.ring_um.tolist()) == ([0.0], [0.8])
    assert columns(model) == columns(model_of(by_eye)) - {("conversion", "L1"), ("eye", "")}
    both = build_mixture(Prep(readings=(by_eye,), landings=(of_frames,)))
    np.testing.assert_allclose(landings_um(both), [-30.0, -21.5], atol=1e-6)
    assert sorted(both.model.rows.blur_um.tolist()) == [0.0, 40.0]
    # The same body, lens, scale and tape speak from either.
    for kind in (Effect.BODY, Effect.LENS, Effect.SCALE, Effect.SETUP):
        (name,) = {name for of, name in columns(both) if of == kind.value}
        assert coefficient(both, 0, kind, name) == coefficient(both, 1, kind, name) > 0
