"""Lens cards: what was measured of a lens, and what it suggests."""

from collections.abc import Callable

import pytest
from invented_preps import prep_document, signed_document

from shimwise.bench.sign.papers import LABELS, LENS_CARD, SET_TABLE, State, make_paper, verify_paper
from shimwise.errors import SheetError
from shimwise.sheets.json.verdict_json import answer_from_json
from shimwise.sheets.papers.lens_card import lens_card
from shimwise.sheets.papers.signed.prep_document import read_prep

pytestmark = pytest.mark.slow  # sets pages

Text = Callable[[bytes], str]


def test_the_card_of_a_lens_that_is_out_tells_its_shim(text_of: Text) -> None:
    made = make_paper(LENS_CARD, [signed_document(readings=96)])
    text = text_of(made.pdf)
    assert made.pages == 1
    for told in (
        "Lens H40 lands deep by itself, by 28 ± 8 µm.",
        "40 mm f/2, PL, no. 7040",
        "a shim 28 µm thinner",
        "Shimming a lens is a lens technician's work.",
        "Its scale shows no error",
    ):
        assert told in text, told


def test_landings_on_the_card_have_the_bodys_error_taken_out() -> None:
    # The demonstration's truth is known: H40 is deep by about 29 µm on both bodies, though A-07 is short.
    prep = read_prep(signed_document(readings=96))
    assert prep.verdict is not None
    answer = answer_from_json(prep.verdict)
    lens = next(one for one in answer.lenses if one.name == "H40")
    card = lens_card(prep, answer, lens)
    own = [um for row in card["rows"] for um in row["kept_um"]]
    raw = [one.landing_um for one in answer.readings if one.lens == "H40"]
    assert len(own) == len(raw)
    assert max(raw) - min(raw) > 1.2 * (max(own) - min(own))
    assert sum(own) / len(own) == pytest.approx(lens.error_um, abs=8)
    assert [row["distance"] for row in card["rows"]] == ["3'", "6'", "12'"]


def test_a_lens_read_at_one_distance_has_its_scale_not_checked(text_of: Text) -> None:
    document = signed_document()
    verdict = document["verdicts"][0]["document"] = dict(document["verdicts"][0]["document"])
    verdict["readings"] = [row for row in verdict["readings"] if "3 ft" in row["setup"]]
    text = text_of(make_paper(LENS_CARD, [document], names=["h50"]).pdf)
    assert "Its scale is not known" in text


def test_without_a_lens_that_is_out_a_name_is_asked_for() -> None:
    document = signed_document()
    verdict = document["verdicts"][0]["document"] = dict(document["verdicts"][0]["document"])
    verdict["lenses"] = [unit for unit in verdict["lenses"] if unit["name"] != "H40"]
    with pytest.raises(SheetError, match="name the lenses whose cards are wanted"):
        make_paper(LENS_CARD, [document])


def test_papers_of_a_prep_without_verdict_are_refused() -> None:
    document = prep_document() | {"verdicts": []}
    for kind in (LENS_CARD, LABELS, SET_TABLE):
        with pytest.raises(SheetError, match="holds no verdict"):
            make_paper(kind, [document])


def test_every_paper_can_be_verified() -> None:
    document = signed_document(readings=96)
    for made in (
        make_paper(LENS_CARD, [document], names=["H40", "H50"], paper="Letter"),
        make_paper(LABELS, [document], names=["A-07"]),
        make_paper(SET_TABLE, [document], units="m", distances=["1 m", "2 m"]),
    ):
        (finding,) = verify_paper(made.pdf)
        assert finding.state is State.AS_SIGNED, (made.kind, finding.words)
