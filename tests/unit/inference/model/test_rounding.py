"""Granularity of readings, inferred from the readings or from the marks of a lens."""

import math
from dataclasses import replace

import numpy as np
import pytest
from mixture_benches import FOCAL_MM, FOOT_MM, prep_of

from shimwise.inference.model.bench import BenchFacts
from shimwise.inference.model.design import build_mixture
from shimwise.inference.model.prep import Prep
from shimwise.inference.model.rounding import infinity_from_mm
from shimwise.optics.conjugates import reading_mm

LENSES_UM = {"L18": 4.0, "L25": -9.0, "L35": 2.0, "L50": 12.0}
MARKS_MM = (*(FOOT_MM * one for one in (2, 2.5, 3, 3.5, 4, 5, 6, 7, 8, 10, 15, 20, 30)), math.inf)


def bounds_mm(prep: Prep, facts: BenchFacts | None = None) -> dict[float, tuple[float, float]]:
    """Nearest and farthest distance of each 50 mm reading's interval, by what was written."""
    rows = build_mixture(prep, facts=facts).model.rows
    found = {}
    for i, place in enumerate(rows.reading):
        one = prep.readings[place]
        if one.lens == "L50":
            focal, distance = FOCAL_MM[one.lens], one.distance_mm
            near, far = (
                reading_mm(focal_mm=focal, distance_mm=distance, landing_um=float(z))
                if math.isfinite(z)
                else math.inf
                for z in (rows.low_um[i], rows.high_um[i])
            )
            found[one.reading_mm] = (near, far)
    return found


@pytest.mark.parametrize("step_mm", [3.175, 6.35, 12.7, 25.4, 5.0, 10.0])
def test_the_step_is_found_from_the_readings(step_mm: float) -> None:
    prep = prep_of({"A": 0.0, "B": 90.0}, LENSES_UM, step_mm=step_mm, feet=(3,), repeats=6, k=0.6)
    for written, (near, far) in bounds_mm(prep).items():
        assert near == pytest.approx(written - step_mm / 2, abs=1e-3)
        assert far == pytest.approx(written + step_mm / 2, abs=1e-3)


@pytest.mark.parametrize(
    ("written_feet", "begin_feet"),
    [
        ((), 20),  # nothing finite is known of the person
        ((12, 12, 15, 15), 30),  # half-way, in extension, between the farthest mark and infinity
        ((6, 8), 20),
        ((40, 50), 60),
        ((11.25, 11.5, 11.75, 12, 12.25, 12.5), 60),  # read to 3 inches near 12 ft
    ],
)
def test_infinity_begins_where_the_person_would_write_it(
    written_feet: tuple[float, ...], begin_feet: float
) -> None:
    values = np.array([FOOT_MM * feet for feet in written_feet] + [math.inf])
    assert infinity_from_mm("p", values) == pytest.approx(FOOT_MM * begin_feet)


def test_few_distinct_values_are_taken_as_marks_half_way_in_extension() -> None:
    prep = prep_of({"A": 0.0, "B": 20.0}, LENSES_UM, feet=(3,), repeats=6)
    readings = tuple(
        replace(
            one, reading_mm=min(MARKS_MM[:-1], key=lambda mark, at=one.reading_mm: abs(1 / mark - 1 / at))
        )
        for one in prep.readings
    )
    prep = replace(prep, readings=readings)
    written = sorted({one.reading_mm for one in readings})
    assert len(written) > 1
    near, far = bounds_mm(prep)[FOOT_MM * 3]
    neighbours = [one for one in written if one != FOOT_MM * 3]
    assert any(
        value == pytest.approx(2 / (1 / one + 1 / (FOOT_MM * 3)), rel=1e-3)
        for one in neighbours
        for value in (near, far)
    )


def test_marks_that_are_known_bound_a_reading_half_way_to_its_neighbours() -> None:
    prep = prep_of({"A": 0.0}, {"L50": 0.0}, feet=(6,), step_mm=304.8, repeats=2)
    facts = BenchFacts(marks_mm={"L50": MARKS_MM})
    near, far = bounds_mm(prep, facts)[6 * FOOT_MM]
    assert near == pytest.approx(2 / (1 / 5 + 1 / 6) * FOOT_MM, rel=1e-6)
    assert far == pytest.approx(2 / (1 / 6 + 1 / 7) * FOOT_MM, rel=1e-6)


def test_parts_of_the_way_between_marks_are_parts_of_the_rings_turn() -> None:
    prep = prep_of({"A": 0.0}, {"L50": 0.0}, feet=(6,), step_mm=304.8, repeats=2)
    one, other = prep.readings
    prep = replace(prep, readings=(one, replace(other, reading_mm=6.5 * FOOT_MM)))
    near, far = bounds_mm(prep, BenchFacts(marks_mm={"L50": MARKS_MM}))[6.5 * FOOT_MM]
    turn = [FOOT_MM / (1 / 6 - share * (1 / 6 - 1 / 7)) for share in (0.25, 0.75)]
    assert (near, far) == pytest.approx(turn, rel=1e-6)
    # Written as the distance where half the turn is, it means that distance.
    middle = FOOT_MM / (1 / 6 - 0.5 * (1 / 6 - 1 / 7))
    prep = replace(prep, readings=(one, replace(other, reading_mm=middle)))
    assert bounds_mm(prep, BenchFacts(marks_mm={"L50": MARKS_MM}))[middle] == pytest.approx(turn, rel=1e-6)


def test_a_ring_at_infinity_is_a_bound() -> None:
    prep = prep_of({"A": 0.0}, {"L50": 0.0}, feet=(6,), repeats=1)
    prep = replace(prep, readings=(replace(prep.readings[0], reading_mm=math.inf),))
    rows = build_mixture(prep).model.rows
    assert np.isinf(rows.high_um[0])
    begin_mm = reading_mm(focal_mm=50.0, distance_mm=6 * FOOT_MM, landing_um=float(rows.low_um[0]))
    assert begin_mm == pytest.approx(20 * FOOT_MM, rel=1e-6)  # nothing finite is known of the person


def test_few_readings_are_not_taken_as_coarser_than_usual() -> None:
    prep = prep_of({"A": 0.0}, {"L50": 0.0}, feet=(6,), step_mm=304.8, repeats=2)
    near, far = bounds_mm(prep)[6 * FOOT_MM]
    assert far - near == pytest.approx(25.4, abs=1e-3)


def test_many_readings_of_one_value_are_not_taken_as_the_usual_step() -> None:
    """Lenses that differ do not all stop on the same half inch: marks were read, and the ruler is coarse."""
    prep = prep_of({"A": 0.0, "B": 0.0}, LENSES_UM, feet=(3, 6), step_mm=914.4, repeats=3)
    bounds = bounds_mm(prep)
    assert sorted(bounds) == pytest.approx([3 * FOOT_MM, 6 * FOOT_MM])
    near, far = bounds[min(bounds)]
    assert far == pytest.approx(4 * FOOT_MM, rel=1e-6)  # half-way to 6 ft in extension: 2/(1/3 + 1/6)
    assert near == pytest.approx(2.4 * FOOT_MM, rel=1e-6)  # as far in extension on the other side
