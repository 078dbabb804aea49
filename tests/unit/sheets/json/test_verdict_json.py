"""The verdict as JSON: what its schema lets pass, and what it refuses."""

import copy
import json
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_answers import answers
from jsonschema import Draft202012Validator

from shimwise.errors import SheetError
from shimwise.inference.verdict.answer import Answer, Verdict
from shimwise.remedy.remedy import Action, Remedy, RemedyKind
from shimwise.sheets.json.documents import schema
from shimwise.sheets.json.verdict_json import answer_to_json, validate
from shimwise.sheets.words.notices import as_written

Document = dict[str, Any]

DESIGNED_KEYS = {
    "": "schema tolerance_um headline bodies lenses setups operators readings causes next remedies warnings",
    "bodies": "name error_um sd_um low_um high_um p_out verdict",
    "lenses": "name error_um sd_um low_um high_um p_out verdict scale_permille scale_sd_permille p_scale_out",
    "setups": "name error_mm sd_mm p_out",
    "operators": "name k",
    "readings": "row landing_um sd_um weight",
    "causes": "kind unit probability",
    "next": "body lens distance_mm sd_after_um",
    "remedies": "unit action amount_um direction",
}
"""The keys of ``shimwise.verdict/1`` as they were agreed; ``/2`` is all of them and more."""


@pytest.fixture
def document(answer: Answer, advice: tuple[Remedy, ...]) -> Document:
    return answer_to_json(answer, advice)


def test_the_schema_is_itself_a_schema_of_the_2020_12_draft() -> None:
    found = schema("verdict")
    Draft202012Validator.check_schema(found)
    assert found["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert found["$id"] == "shimwise.verdict/2"


def test_a_verdict_follows_its_schema_before_and_after_it_was_text(document: Document) -> None:
    validate(document)
    text = json.dumps(document, allow_nan=False)
    validate(json.loads(text))
    assert json.loads(text) == document


def test_units_as_they_were_stand_apart_and_follow_the_schema_too(answer: Answer) -> None:
    assert "past" not in answer_to_json(answer)
    was = replace(answer, past_bodies=answer.bodies[:1], past_lenses=answer.lenses[:1])
    document = answer_to_json(was)
    validate(document)
    assert document["past"]["bodies"] == document["bodies"][:1]
    del document["past"]["lenses"]
    with pytest.raises(SheetError, match=r"\$\.past"):
        validate(document)


def test_how_a_person_reads_is_not_in_the_verdict_of_a_house(answer: Answer) -> None:
    assert answer_to_json(answer)["operators"]
    document = answer_to_json(answer, is_house=True)
    assert document["operators"] == []
    validate(document)


def test_every_agreed_key_is_there(document: Document) -> None:
    for place, keys in DESIGNED_KEYS.items():
        objects = document[place] if place else [document]
        assert objects
        assert all(set(keys.split()) <= set(one) for one in objects)


def test_a_verdict_with_the_agreed_keys_alone_is_accepted(document: Document) -> None:
    bare = {key: document[key] for key in DESIGNED_KEYS[""].split()}
    for place, keys in DESIGNED_KEYS.items():
        if place:
            bare[place] = [{key: one[key] for key in keys.split()} for one in document[place]]
    validate(bare)


@pytest.mark.parametrize("place", list(DESIGNED_KEYS))
def test_a_verdict_that_lacks_an_agreed_key_is_refused(document: Document, place: str) -> None:
    for key in DESIGNED_KEYS[place].split():
        broken = copy.deepcopy(document)
        del (broken[place][0] if place else broken)[key]
        with pytest.raises(SheetError, match=f"'{key}' is a required property"):
            validate(broken)


def _set(*path: str | int, value: object) -> Callable[[Document], None]:
    def change(document: Document) -> None:
        *way, last = path
        target: Any = document
        for step in way:
            target = target[step]
        target[last] = value

    return change


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (_set("schema", value="shimwise.verdict/3"), r"at \$\.schema, 'shimwise.verdict/3' is not one of"),
        (_set("tolerance_um", value=0), r"at \$\.tolerance_um, 0 is less than or equal"),
        (_set("headline", value=""), r"at \$\.headline"),
        (_set("bodies", 0, "verdict", value="fine"), r"at \$\.bodies\[0\]\.verdict, 'fine' is not one of"),
        (_set("bodies", 1, "p_out", value=1.01), r"at \$\.bodies\[1\]\.p_out, 1\.01 is greater than"),
        (_set("bodies", 1, "p_out", value=-0.1), r"at \$\.bodies\[1\]\.p_out, -0\.1 is less than"),
        (_set("bodies", 0, "error_um", value="14"), r"at \$\.bodies\[0\]\.error_um, '14' is not of type"),
        (_set("bodies", 0, "error_um", value=14.2), r"at \$\.bodies\[0\]\.error_um, 14\.2 is greater than"),
        (_set("bodies", 0, "error_um", value=None), r"at \$\.bodies\[0\]\.error_um, None is not of type"),
        (_set("lenses", 0, "sd_um", value=-1), r"at \$\.lenses\[0\]\.sd_um, -1 is less than"),
        (_set("lenses", 0, "scale", value=1), r"at \$\.lenses\[0\], Additional properties"),
        (_set("lenses", 0, "name", value=""), r"at \$\.lenses\[0\]\.name"),
        (_set("readings", 3, "weight", value=1.25), r"at \$\.readings\[3\]\.weight, 1\.25 is greater than"),
        (_set("readings", 3, "row", value=2.5), r"at \$\.readings\[3\]\.row, 2\.5 is not of type 'integer'"),
        (_set("causes", 0, "kind", value="moon"), r"at \$\.causes\[0\]\.kind, 'moon' is not one of"),
        (_set("next", 0, "distance_mm", value=0), r"at \$\.next\[0\]\.distance_mm, 0 is less than"),
        (_set("remedies", 0, "action", value="hit"), r"at \$\.remedies\[0\]\.action, 'hit' is not one of"),
        (_set("warnings", value="none"), r"at \$\.warnings, 'none' is not of type 'array'"),
        (_set("operators", 0, "k", value=math.nan), "a number in it is not finite"),
    ],
)
def test_a_broken_verdict_is_refused_with_the_place(
    document: Document, change: Callable[[Document], None], message: str
) -> None:
    change(document)
    with pytest.raises(SheetError, match=message):
        validate(document)


@pytest.mark.parametrize("no_verdict", [[], None, "verdict", 7])
def test_what_is_no_object_is_refused(no_verdict: object) -> None:
    with pytest.raises(SheetError, match=r"no verdict of the form shimwise\.verdict/2"):
        validate(no_verdict)


def test_what_is_no_finite_number_is_null(answer: Answer) -> None:
    far = replace(answer.next[0], distance_mm=math.inf)
    unknown = replace(
        answer.lenses[6],
        error_um=math.nan,
        sd_um=math.inf,
        low_um=-math.inf,
        high_um=math.inf,
        p_out=math.nan,
    )
    document = answer_to_json(replace(answer, next=(far,), lenses=(unknown,)))
    assert document["next"][0]["distance_mm"] is None
    assert [document["lenses"][0][key] for key in ("error_um", "sd_um", "low_um", "high_um", "p_out")] == [
        None
    ] * 5
    validate(document)


def test_a_remedy_without_an_amount_says_null(answer: Answer) -> None:
    scale = Remedy(
        unit="H100",
        kind=RemedyKind.SCALE,
        action=Action.SEND_OUT,
        direction=None,
        amount_um=None,
        amount_sd_um=None,
        advice=(as_written("To a lens technician."),),
        steps=(),
        cautions=(),
    )
    document = answer_to_json(answer, (scale,))
    assert document["remedies"][0]["amount_um"] is None
    assert document["remedies"][0]["direction"] is None
    validate(document)


def test_numbers_are_those_of_the_answer_to_a_nanometre(answer: Answer, document: Document) -> None:
    for one, unit in zip(
        document["bodies"] + document["lenses"], (*answer.bodies, *answer.lenses), strict=True
    ):
        assert one["error_um"] == pytest.approx(unit.error_um, abs=5e-4)
        assert one["low_um"] == pytest.approx(unit.low_um, abs=5e-4)
        assert one["verdict"] == unit.verdict
    for one, reading in zip(document["readings"], answer.readings, strict=True):
        assert one["landing_um"] == pytest.approx(reading.landing_um, abs=5e-4)
        assert (one["row"], one["line"]) == (reading.row, reading.line)


@pytest.mark.slow
@given(answers(), st.sampled_from([Verdict.CANNOT_TELL, Verdict.IN_TOLERANCE, Verdict.NOT_CHECKED]))
def test_any_answer_becomes_a_valid_verdict_with_ordered_intervals(answer: Answer, verdict: Verdict) -> None:
    # Words for the way are the judge's own: here every unit gets one that fits either sign.
    changed = replace(
        answer,
        bodies=tuple(replace(one, verdict=verdict) for one in answer.bodies),
        lenses=tuple(replace(one, verdict=verdict) for one in answer.lenses),
    )
    document = answer_to_json(changed)
    validate(document)
    for one in (*document["bodies"], *document["lenses"]):
        assert one["low_um"] <= one["error_um"] <= one["high_um"]
    assert "-0.0," not in json.dumps(document)
