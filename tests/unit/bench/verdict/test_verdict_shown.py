"""A verdict as the pages show it: what limits one body is not taken for another one's."""

from dataclasses import replace
from typing import Any

import pytest
from invented_house import House

from shimwise.bench.prep.prep_data import material_of
from shimwise.bench.prep.verdict_views import verdict_view
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.record.queries import verdicts

LIMITED = "lens whose history is known; readings alone cannot tell"


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
    changed = {**document, "notices": [*others, {**notice, "unit": limited}]}
    changed["warnings"] = [text.replace("A-01", limited) for text in document["warnings"]]
    (body,) = verdict_view(replace(row, document=changed), material).bodies
    assert (LIMITED in body.surer) is (limited == "A-01")
