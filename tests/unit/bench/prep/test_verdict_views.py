"""A verdict as the pages show it: what limits one body is not taken for another one's."""

from dataclasses import replace
from typing import Any

import pytest
from invented_house import House

from shimwise.bench.prep.prep_data import material_of
from shimwise.bench.prep.preps import open_prep
from shimwise.bench.prep.verdict_views import verdict_view
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.record.queries import verdicts

LIMITED = "or a lens whose history is known, parts them"


@pytest.mark.parametrize("limited", ["A-01", "A-012"])
def test_a_limit_of_one_body_is_not_taken_for_that_of_another_with_the_start_of_its_name(
    house: House, limited: str
) -> None:
    prep = house.start()
    house.read(prep.id, "on")
    assert refresh_verdict(house.record, prep.id) is not None
    with house.record.reading() as connection:
        material = material_of(connection, prep.id)
        row = verdicts.latest_verdict(connection, prep.id)
    assert row is not None
    document: dict[str, Any] = row.document
    (notice,) = [one for one in document["notices"] if one["code"] == "datum_limit"]
    assert notice["unit"] == "A-01"
    others = [one for one in document["notices"] if one is not notice]
    wide = {**notice, "unit": limited, "numbers": {**notice["numbers"], "limit_um": 15.0}}
    changed = {**document, "notices": [*others, wide]}
    # A verdict of before bodies had their limit beside them says it in the notice alone.
    changed["bodies"] = [{k: v for k, v in one.items() if k != "limit_um"} for one in document["bodies"]]
    changed["warnings"] = [text.replace("A-01", limited) for text in document["warnings"]]
    (body,) = verdict_view(replace(row, document=changed), material).bodies
    assert (LIMITED in body.surer) is (limited == "A-01")


def test_what_to_do_now_has_a_line_each_with_the_ids_of_its_links(house: House) -> None:
    prep = house.start()
    for text in ("on", "on", "4'"):
        house.read(prep.id, text)
    shown = refresh_verdict(house.record, prep.id)
    assert shown is not None
    again, *others = shown.to_do
    assert (again.code, again.kind) == ("do_read_again", "reading")
    assert again.text == "Read H50 on A-01 at 3' again: one reading landed at +843 µm, far from the others."
    assert (again.body_id, again.lens_id) == (house.ids["A-01"], house.ids["H50"])
    assert again.setup_id == open_prep(house.record, prep.id).setups[0].id
    following = [one for one in others if one.code == "do_read_next"]
    assert [one.lens_id for one in following] == [one.lens_id for one in shown.next]
    assert all(near.distance_text in one.text for near, one in zip(shown.next, following, strict=True))
    assert others[-1].code == "do_read_first"
    assert shown.document["to_do"][0]["text"] == again.text
