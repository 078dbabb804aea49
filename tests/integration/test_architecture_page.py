"""The map of the program names modules and functions that are there."""

import importlib
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs/architecture.md").read_text(encoding="utf-8")
NAMES = sorted(set(re.findall(r"`(shimwise(?:\.\w+)+)`", PAGE)))
FOLDERS = set(re.findall(r"`(\w+)/`", PAGE))


@pytest.mark.parametrize("name", NAMES)
def test_what_the_map_names_is_there(name: str) -> None:
    parts = name.split(".")
    for length in range(len(parts), 0, -1):
        try:
            found = importlib.import_module(".".join(parts[:length]))
        except ModuleNotFoundError:
            continue
        for attribute in parts[length:]:
            found = getattr(found, attribute)
        return
    pytest.fail(f"{name} is not there")


def test_every_room_of_the_map_is_a_folder() -> None:
    folders = {path.name for path in (ROOT / "src/shimwise").rglob("*") if path.is_dir()}
    assert FOLDERS - folders == set()
    assert {"inference", "imaging", "bench", "record"} <= FOLDERS


def test_no_folder_holds_more_than_twenty_modules() -> None:
    counts = {
        str(folder.relative_to(ROOT)): len(list(folder.glob("*.py")))
        for base in ("src", "tests", "benchmarks")
        for folder in (ROOT / base).rglob("*")
        if folder.is_dir() and folder.name != "versions"
    }
    assert {folder: count for folder, count in counts.items() if count > 20} == {}
