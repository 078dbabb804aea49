"""The interface's own address leads to its description."""

from pathlib import Path

from api_house import opened_door


def test_the_bare_address_names_the_description_and_it_is_there(tmp_path: Path) -> None:
    with opened_door(tmp_path / "record", is_furnished=False) as door:
        told = door.client.get("/api/v1").json()
        assert door.client.get(told["description"]).status_code == 200
        assert door.client.get(told["problems"]).status_code == 200
