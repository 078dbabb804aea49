"""Readings that could be taken: every lens on every body, where a chart can stand."""

import math

import pytest
from invented_benches import FOOT_MM, prep, reading

from shimwise.inference.model.candidates import (
    MOST_CANDIDATES,
    USUAL_DISTANCES_MM,
    offered_readings,
    possible_readings,
)
from shimwise.inference.model.prep import Axis, BodyKnowledge, FocusDesign, LensKnowledge, Prep, Reading

PRIME = LensKnowledge(focal_lengths_mm=(50.0,), fnumber=2.0, separation_mm=5.0)


def sights(readings: tuple[Reading, ...]) -> list[tuple[str, str, float]]:
    return [(one.body, one.lens, one.distance_mm) for one in readings]


def test_a_kit_without_readings_offers_every_lens_on_every_body_near_before_far() -> None:
    kit = Prep(
        readings=(),
        bodies={"B1": BodyKnowledge(), "B2": BodyKnowledge()},
        lenses={"L1": PRIME, "L2": PRIME},
    )
    expected = [(b, n, d) for b in ("B1", "B2") for n in ("L1", "L2") for d in USUAL_DISTANCES_MM]
    assert sights(possible_readings(kit)) == expected
    more = possible_readings(kit, bodies=("B2", "B3"), distances_mm=(2500.0,))
    assert sights(more) == [(b, n, 2500.0) for b in ("B1", "B2", "B3") for n in ("L1", "L2")]


def test_usual_distances_are_3_6_and_12_feet() -> None:
    assert pytest.approx([3 * FOOT_MM, 6 * FOOT_MM, 12 * FOOT_MM]) == list(USUAL_DISTANCES_MM)


def test_a_candidate_carries_the_optics_of_the_kit() -> None:
    told = LensKnowledge(
        focal_lengths_mm=(28.0, 76.0), fnumber=2.8, separation_mm=-4.0, focus_design=FocusDesign.INTERNAL
    )
    found = possible_readings(Prep(readings=(), bodies={"B1": BodyKnowledge()}, lenses={"Z": told}))
    assert {one.focal_mm for one in found} == {28.0, 76.0}
    assert {(one.fnumber, one.separation_mm, one.focus_design) for one in found} == {
        (2.8, -4.0, FocusDesign.INTERNAL)
    }


def test_an_anamorphic_of_the_kit_is_offered_on_both_axes() -> None:
    told = LensKnowledge(focal_lengths_mm=(50.0,), fnumber=2.8, squeeze=1.8)
    found = possible_readings(
        Prep(readings=(), bodies={"B1": BodyKnowledge()}, lenses={"A": told}), distances_mm=(3000.0,)
    )
    assert [(one.squeeze, one.axis) for one in found] == [(1.8, Axis.VERTICAL), (1.8, Axis.HORIZONTAL)]


def test_a_lens_of_the_kit_without_an_fnumber_is_not_offered() -> None:
    unread = LensKnowledge(focal_lengths_mm=(50.0,))
    kit = Prep(readings=(), bodies={"B1": BodyKnowledge()}, lenses={"L1": unread, "L2": PRIME})
    assert {one.lens for one in possible_readings(kit)} == {"L2"}


@pytest.mark.parametrize(
    ("focal_mm", "separation_mm", "nearest_mm"),
    [(180.0, 0.0, 914.4), (180.0, 20.0, 1828.8), (200.0, 0.0, 1828.8), (200.0, -100.0, 914.4)],
)
def test_no_candidate_stands_inside_the_near_limit(
    focal_mm: float, separation_mm: float, nearest_mm: float
) -> None:
    # Five focal lengths beyond the separation: 900, 920, 1000 and 900 mm.
    lens = LensKnowledge(focal_lengths_mm=(focal_mm,), fnumber=2.8, separation_mm=separation_mm)
    found = possible_readings(Prep(readings=(), bodies={"B1": BodyKnowledge()}, lenses={"L1": lens}))
    assert min(one.distance_mm for one in found) == nearest_mm


def test_a_distance_that_stands_taped_is_offered_in_its_own_setup() -> None:
    taken = [
        reading(0, body="B1", distance_mm=1234.0, setup="cart"),
        reading(1, body="B2", distance_mm=6 * FOOT_MM, setup="wall"),
    ]
    found = possible_readings(prep(*taken))
    at = {(one.body, round(one.distance_mm, 1)): one.setup for one in found}
    assert at["B1", 1234.0] == "cart"
    assert at["B2", round(6 * FOOT_MM, 1)] == "wall"
    assert at["B1", round(6 * FOOT_MM, 1)] == ""
    assert ("B2", 1234.0) not in at


def test_a_lens_is_offered_at_the_widest_stop_it_was_read_at_by_the_last_reader() -> None:
    taken = [
        reading(0, fnumber=4.0, operator="first"),
        reading(1, fnumber=2.0, operator="first"),
        reading(2, fnumber=5.6, operator="last"),
    ]
    found = possible_readings(prep(*taken))
    assert {(one.fnumber, one.operator) for one in found} == {(2.0, "last")}


def test_bodies_and_lenses_that_were_never_read_are_offered_too() -> None:
    subject = prep(reading(), bodies={"B9": BodyKnowledge()}, lenses={"L9": PRIME})
    pairs = {(one.body, one.lens) for one in possible_readings(subject)}
    assert pairs == {(b, n) for b in ("B1", "B9") for n in ("L1", "L9")}


def test_nothing_known_offers_nothing() -> None:
    assert possible_readings(Prep(readings=())) == ()
    assert possible_readings(Prep(readings=(), bodies={"B1": BodyKnowledge()})) == ()
    assert possible_readings(Prep(readings=(), lenses={"L1": PRIME})) == ()


def test_a_large_house_is_only_offered_what_was_read_already() -> None:
    kit = Prep(
        readings=(reading(), reading(), reading(lens="L7")),
        bodies={f"B{i}": BodyKnowledge() for i in range(200)},
        lenses={f"L{i}": PRIME for i in range(20)},
    )
    assert len(possible_readings(kit)) > MOST_CANDIDATES
    offered = offered_readings(kit)
    by_eye = [one.lens for one in offered if isinstance(one, Reading)]
    assert by_eye == [reading().lens, "L7"]
    assert len(offered) == 2 * len(by_eye)


def test_a_usual_distance_beside_a_taped_one_is_not_offered_again() -> None:
    # 3 ft 0 1/2 in is taped: nobody moves the chart by half an inch to read at 3 ft.
    found = possible_readings(prep(reading(distance_mm=927.1, setup="cart")))
    assert [round(one.distance_mm, 1) for one in found] == [927.1, 1828.8, 3657.6]


def test_infinity_keeps_the_name_of_its_taped_setup() -> None:
    one = prep(reading(distance_mm=math.inf, reading_mm=math.inf, setup="collimator"))
    offered = possible_readings(one, distances_mm=(math.inf,))
    assert [candidate.setup for candidate in offered] == ["collimator"]
