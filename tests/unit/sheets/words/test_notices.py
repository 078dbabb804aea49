"""Notices in words: one sentence a code, in the words of a kit or of a house."""

import json
import re
from pathlib import Path
from string import Formatter

import shimwise
from shimwise.notices import Notice
from shimwise.remedy import procedure
from shimwise.remedy.mechanism import Fixed, Screw, ShimmedMount
from shimwise.sheets.words import notices as words
from shimwise.sheets.words.notices import as_written, notice_json, notice_text, notice_texts

DATUM = {
    "limit_um": 9.13,
    "with_gauge_um": 4.94,
    "gauge_sd_um": 3.0,
    "with_known_lens_um": 4.97,
    "known_lens_sd_um": 3.0,
}
KNOCK = {"shift_um": -42.4, "sd_um": 3.0, "is_past": 0.0}


class EveryNumber(dict[str, float]):
    """Numbers of a notice in which whatever is asked for is 1."""

    def __missing__(self, key: str) -> float:
        return 1.0


def codes_of_judge_and_advice() -> set[str]:
    rooms = [Path(shimwise.__path__[0]) / room for room in ("inference", "remedy")]
    texts = [path.read_text(encoding="utf-8") for room in rooms for path in room.rglob("*.py")]
    codes = {code for text in texts for code in re.findall(r'Notice\(\s*"(\w+)"', text)}
    for mechanism in (Screw(), Screw(has_lock=True), ShimmedMount(), Fixed(), None):
        around = (*procedure.body_steps(mechanism), *procedure.body_cautions(mechanism, amount_um=300.0))
        codes |= {one.code for one in around}
    others = (*procedure.LENS_STEPS, *procedure.lens_cautions(), *procedure.SETUP_STEPS)
    codes |= {one.code for one in (*others, *procedure.SETUP_CAUTIONS)}
    return codes


def test_every_code_of_the_judge_and_the_advice_has_its_words() -> None:
    assert codes_of_judge_and_advice() <= set(words._WORDS)


def numbers_of(code: str) -> dict[str, float]:
    sentence = words._WORDS[code]
    if not isinstance(sentence, str):
        return EveryNumber()
    return {name: 1.0 for _, name, _, _ in Formatter().parse(sentence) if name not in (None, "unit")}


def test_every_sentence_ends_as_one_in_both_forms() -> None:
    for code in set(words._WORDS) - {"as_written"}:
        for is_house in (False, True):
            text = notice_text(Notice(code, "A-1", numbers_of(code)), is_house=is_house)
            assert text[-1] in ".?"  # a column that is not read asks which one was meant


def test_what_the_judge_and_the_advice_ask_of_a_house_names_no_kit_file() -> None:
    for code in codes_of_judge_and_advice():
        text = notice_text(Notice(code, "A-1", numbers_of(code)), is_house=True)
        assert not re.search("kit|by_distance table|_mm to remove", text)


def test_the_datum_has_its_numbers_and_what_would_help() -> None:
    text = notice_text(Notice("datum_limit", "B1", DATUM))
    assert "B1 cannot be known better than ±9.1 µm (95 %)" in text
    assert "depth gauge on the body (standard uncertainty 3 µm) would bring it to ±4.9" in text
    assert "one lens known to 3 µm to ±5.0" in text


def test_a_knock_has_its_side_and_its_time() -> None:
    now = notice_text(Notice("knocked", "A-1", KNOCK))
    assert now.startswith("A-1 lies 42 ± 6 µm short of where it was remembered")
    was = notice_text(Notice("knocked", "A-1", {"shift_um": 42.4, "sd_um": 3.0, "is_past": 1.0}))
    assert was.startswith("A-1 lay 42 ± 6 µm deep")


def test_lenses_of_one_kind_share_a_sentence() -> None:
    zooms = [Notice("internal_focus", f"Z{n}") for n in range(3)]
    first, second = notice_texts([*zooms, Notice("single_reading")])
    assert first.startswith("Z0, Z1 and Z2: a zoom, or a lens that focuses inside.")
    assert second.startswith("One reading only")


def test_a_code_of_a_later_version_is_named() -> None:
    assert notice_text(Notice("new_code", "A-1")) == "A-1: new_code."


def test_a_notice_is_plain_json_with_its_sentence() -> None:
    found = notice_json(as_written("A word."))
    assert json.loads(json.dumps(found)) == found
    assert found == {"code": "as_written", "unit": "", "numbers": {"text": "A word."}, "text": "A word."}
