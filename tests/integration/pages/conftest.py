"""The pages over the invented house, furnished once and copied for each test."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import Door
from pages_bench import furnished
from pages_house import opened_pages


@pytest.fixture(scope="session")
def furnished_house(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """A folder with a record of two bodies, three lenses and their set, and their ids by name."""
    folder = tmp_path_factory.mktemp("house") / "record"
    with furnished(folder) as opened:
        return folder, opened.ids


@pytest.fixture
def door(tmp_path: Path, furnished_house: tuple[Path, dict[str, str]]) -> Iterator[Door]:
    """Pages over a copy of the house; redirects are looked at, not followed."""
    folder, ids = furnished_house
    shutil.copytree(folder, tmp_path / "record")
    with opened_pages(tmp_path / "record") as opened:
        opened.ids |= ids
        opened.client.follow_redirects = False
        yield opened
