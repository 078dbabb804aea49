"""The house's repeatability: nameless for all, by name for a lead; gauge R&R where readings are crossed."""

import math
import statistics

import numpy as np
import pytest
from invented_house import WHO, House

from shimwise.bench.history.operators import house_repeatability, repeatability
from shimwise.bench.sign.signing import change_leads
from shimwise.inference.repeatability.pooled import gauge_study

PERSONS = (WHO, "R. Okafor", "L. Brandt")
LENSES = ("H25", "H35", "H50", "H75")
OFF_MM = ((0, 4), (6, 10), (-5, -3))
"""How far from 2 m each person's two readings lie; each lens adds its own."""


def read_crossed(house: House, persons: tuple[str, ...] = PERSONS, lenses: tuple[str, ...] = LENSES) -> None:
    """Let each person read each lens twice at 2 m."""
    prep_id = house.start().id
    for person, offs in zip(persons, OFF_MM, strict=False):
        for place, lens in enumerate(lenses):
            for off_mm in offs:
                house.read(
                    prep_id,
                    f"{2000 + off_mm + 3 * place} mm",
                    lens_id=house.ids[lens],
                    distance_text="2 m",
                    operator=person,
                )


def landings(house: House) -> dict[tuple[str, str], list[float]]:
    """Give all landings of the house's only prep, by person and lens."""
    from shimwise.bench.prep.preps import list_preps, open_prep

    found: dict[tuple[str, str], list[float]] = {}
    prep = open_prep(house.record, list_preps(house.record).preps[0].id)
    for one in prep.readings:
        found.setdefault((one.operator, one.lens), []).append(one.landing_um)
    return found


def test_gauge_rr_is_that_of_the_landings_as_they_are_shown(house: House) -> None:
    read_crossed(house)
    shown = landings(house)
    expected = gauge_study([[shown[person, lens] for lens in LENSES] for person in sorted(PERSONS)])
    found = house_repeatability(house.record, who="").study
    assert found is not None
    assert (found.person_count, found.part_count, found.trials, found.is_small) == (3, 4, 2, True)
    assert found.repeatability_um == pytest.approx(expected.repeatability_sd)
    assert found.reproducibility_um == pytest.approx(expected.reproducibility_sd)
    assert found.gauge_um == pytest.approx(math.hypot(found.repeatability_um, found.reproducibility_um))


def test_the_pooled_figure_is_that_of_all_persons_together(house: House) -> None:
    read_crossed(house)
    # e-Handbook 2.4.4.4: pairs pool as the root mean square of their standard deviations.
    pairs = [statistics.stdev(pair) for pair in landings(house).values()]
    found = house_repeatability(house.record, who=WHO).pooled
    assert found is not None
    assert found.repeat_sd_um == pytest.approx(float(np.sqrt(np.mean(np.square(pairs)))))
    assert (found.degrees, found.person_count) == (12, 3)


def test_a_person_sees_own_figures_and_no_name_beside_them(house: House) -> None:
    read_crossed(house)
    found = house_repeatability(house.record, who="r. okafor")
    assert found.own is not None
    assert found.own.repeat_sd_um == repeatability(house.record, name=PERSONS[1], who=PERSONS[1]).repeat_sd_um
    assert (found.is_lead, found.people) == (False, ())
    for name in (WHO, PERSONS[2]):
        assert name not in repr(found)


def test_a_lead_sees_everybody(house: House) -> None:
    read_crossed(house)
    change_leads(house.record, names=["The Lead"], who=WHO)
    found = house_repeatability(house.record, who="the lead")
    assert found.own is None
    assert [one.name for one in found.people] == sorted(PERSONS, key=str.casefold)
    assert all(one.degrees == 4 for one in found.people)


def test_figures_of_two_persons_are_held_back_from_all_but_leads(house: House) -> None:
    read_crossed(house, PERSONS[:2])
    found = house_repeatability(house.record, who=WHO)
    assert (found.pooled, found.study) == (None, None)
    for words in (found.pooled_words, found.study_words):
        assert "shown to leads alone while it is of two persons" in words
    change_leads(house.record, names=[WHO], who=WHO)
    found = house_repeatability(house.record, who=WHO)
    assert found.pooled is not None
    assert found.study is not None


def test_what_a_gauge_study_lacks_is_told_in_words(house: House) -> None:
    def words() -> str:
        return house_repeatability(house.record, who=WHO).study_words

    assert "So far nobody has read a sight twice" in words()
    read_crossed(house, PERSONS[:1])
    assert "So far one person has: let a second one repeat" in words()
    read_crossed(house, PERSONS[1:2])
    assert "two persons have repeated sights, but of the same sights none was repeated by two" in words()


def test_readings_that_were_withdrawn_tell_nothing_of_their_reader(house: House) -> None:
    from shimwise.bench.prep.readings import withdraw_reading

    prep_id = house.start().id
    house.read(prep_id, "on")
    wrong = house.read(prep_id, 'short by 3"')
    withdraw_reading(house.record, wrong.view.id, reason="the wrong mark", who=WHO)
    found = repeatability(house.record, name=WHO, who=WHO)
    assert (found.reading_count, found.degrees) == (1, 0)


def test_capitals_and_spaces_in_a_name_make_no_other_person(house: House) -> None:
    prep_id = house.start().id
    house.read(prep_id, "on")
    house.read(prep_id, 'short by 1/8"', operator=WHO.upper())
    assert repeatability(house.record, name=WHO, who=WHO).degrees == 1
