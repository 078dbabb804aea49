"""Signing on its page: undecided units, exceptions in writing, the digest, the frozen prep, reopening."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import WHO, Door
from pages_bench import adjusting_at, furnished, sent, short_prep
from pages_house import PageSeen, see


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with furnished(tmp_path / "record", short_um=0.0) as opened:
        yield opened


@pytest.fixture
def prep_id(door: Door) -> str:
    return door.ids["prep"]


def exceptions(door: Door, prep_id: str) -> dict[str, str]:
    found = door.get(f"/preps/{prep_id}/undecided")["undecided"]
    assert found
    return {f"reason-{one['unit_id']}": "a spare only" for one in found}


def signed(door: Door, prep_id: str) -> PageSeen:
    sent(door, f"/preps/{prep_id}/sign", **exceptions(door, prep_id))
    return see(door, f"/preps/{prep_id}/sign")


def test_what_is_undecided_is_said_first_and_the_prep_leads_there(door: Door, prep_id: str) -> None:
    assert f"/preps/{prep_id}/sign" in see(door, f"/preps/{prep_id}").links
    page = see(door, f"/preps/{prep_id}/sign")
    assert "undecided" in page.sentence
    assert page.unlabelled == []
    assert page.forbidden == []


def test_signing_with_an_undecided_unit_is_refused_and_what_was_typed_is_kept(
    door: Door, prep_id: str
) -> None:
    first, _second = exceptions(door, prep_id)
    refused = sent(door, f"/preps/{prep_id}/sign", 409, **{first: "goes to the shop"})
    assert "Not every unit is decided" in refused.text
    assert 'value="goes to the shop"' in refused.text
    assert door.get(f"/preps/{prep_id}/sign-offs") == {"sign_offs": []}


def test_one_reason_and_one_name_are_enough_for_all_that_remain(door: Door, prep_id: str) -> None:
    own, *others = exceptions(door, prep_id)
    assert others
    unsaid = sent(door, f"/preps/{prep_id}/sign", 422, name="B. Lead")
    assert 'id="reason-wrong"' in unsaid.text
    assert "placeholder" not in unsaid.text.split("<main")[1]
    sent(door, f"/preps/{prep_id}/sign", reason="a young house", name="B. Lead", **{own: "a spare only"})
    (kept,) = door.get(f"/preps/{prep_id}/sign-offs")["sign_offs"]
    by_unit = {f"reason-{one['unit_id']}": (one["reason"], one["name"]) for one in kept["exceptions"]}
    assert by_unit == {
        own: ("a spare only", "B. Lead"),
        **dict.fromkeys(others, ("a young house", "B. Lead")),
    }


def test_who_answers_without_a_reason_is_refused_beside_the_reason(door: Door, prep_id: str) -> None:
    field = next(iter(exceptions(door, prep_id)))
    named = field.replace("reason-", "name-")
    refused = sent(door, f"/preps/{prep_id}/sign", 422, **{named: "B. Lead"})
    assert f'id="{field}-wrong"' in refused.text
    assert 'value="B. Lead"' in refused.text


def test_a_signature_shows_its_digest_and_exceptions_and_the_prep_says_that_it_is_frozen(
    door: Door, prep_id: str
) -> None:
    page = signed(door, prep_id)
    (kept,) = door.get(f"/preps/{prep_id}/sign-offs")["sign_offs"]
    assert f"was signed by {WHO}" in page.sentence
    assert "it is frozen" in page.sentence
    assert kept["digest_words"] in page.text
    assert "a spare only" in page.text
    frozen = see(door, f"/preps/{prep_id}")
    assert "signed" in frozen.text
    assert "The signature, and reopening" in frozen.text
    assert kept["digest_words"] in frozen.text
    assert f"Signed by {WHO}" in frozen.text
    assert {f"/preps/{prep_id}/papers/check-sheet.pdf", f"/preps/{prep_id}/sign", "/verify"} <= set(
        frozen.links
    )
    for gone in ("What to do", "Read next", "Causes, the likeliest first", "the scale stands at"):
        assert gone not in frozen.text
    assert "Adjust step by step" not in frozen.text
    assert "until it is reopened" in see(door, f"/preps/{prep_id}/adjust").sentence
    sent(door, f"/preps/{prep_id}/sign", 409)


def test_reopening_needs_a_reason_and_the_right(door: Door, prep_id: str) -> None:
    signed(door, prep_id)
    at = f"/preps/{prep_id}/sign/reopen"
    bare = sent(door, at, 422, reason="")
    assert 'id="reason-wrong"' in bare.text
    stranger = sent(door, at, 409, who="A. Stranger", reason="to change it")
    assert "A. Stranger may not reopen this prep" in stranger.text
    assert 'value="to change it"' in stranger.text
    sent(door, at, reason="a lens came late")
    page = see(door, f"/preps/{prep_id}/sign")
    assert "Earlier signatures" in page.text
    assert "reopened since" in page.text


def test_an_adjustment_under_way_stands_in_the_way(door: Door) -> None:
    prep_id = short_prep(door)
    at = adjusting_at(door, prep_id)
    page = see(door, f"/preps/{prep_id}/sign")
    assert "not finished" in page.sentence
    assert at in page.links
    refused = sent(door, f"/preps/{prep_id}/sign", 409, **exceptions(door, prep_id))
    assert "Finish it or give it up first" in refused.text


def test_a_prep_is_signed_as_a_set_where_only_the_pairs_are_decided(door: Door) -> None:
    prep_id = str(door.start(set_id=None, lens_ids=[door.ids["H50"]])["id"])
    for distance, text in (("3'", "2' 11 1/2\""), ("6'", "5' 10\"")):
        for person in (WHO, "B. Lead", WHO, "B. Lead"):
            door.read(prep_id, text, distance_text=distance, operator=person)
    page = see(door, f"/preps/{prep_id}/sign")
    assert "2 units are undecided" in page.sentence
    assert f"/preps/{prep_id}/sign?as=set" in page.links
    as_set = see(door, f"/preps/{prep_id}/sign?as=set")
    assert "can be signed as a set" in as_set.sentence
    assert "On A-01, H50 lands" in as_set.text
    assert as_set.unlabelled == []
    sent(door, f"/preps/{prep_id}/sign", **{"as": "set"})
    (kept,) = door.get(f"/preps/{prep_id}/sign-offs")["sign_offs"]
    assert (kept["as_set"], kept["exceptions"]) == (True, [])
    assert "body and lenses together, as a set" in see(door, f"/preps/{prep_id}/sign").text
