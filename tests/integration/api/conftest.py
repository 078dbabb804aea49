"""The invented house behind the interface, furnished once and copied for each test."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import Door, opened_door


@pytest.fixture(scope="session")
def furnished_house(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """A folder with a record of two bodies, three lenses and their set, and their ids by name."""
    folder = tmp_path_factory.mktemp("house") / "record"
    with opened_door(folder) as opened:
        opened.furnish()
        return folder, opened.ids


@pytest.fixture
def door(tmp_path: Path, furnished_house: tuple[Path, dict[str, str]]) -> Iterator[Door]:
    folder, ids = furnished_house
    shutil.copytree(folder, tmp_path / "record")
    with opened_door(tmp_path / "record") as opened:
        opened.ids |= ids
        yield opened
