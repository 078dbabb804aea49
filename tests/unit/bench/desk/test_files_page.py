"""The examples on the page about files are read as they stand there, and the page names every column."""

import re
from pathlib import Path

from shimwise.bench.house.unit_list_file import COLUMNS, read_list
from shimwise.files.kit_file import parse_kit

PAGE = (Path(__file__).parents[4] / "docs" / "guide" / "files.md").read_text(encoding="utf-8")


def block(language: str) -> str:
    """The last example: of the house's list, or of the kit."""
    return str(re.findall(rf"```{language}\n(.*?)```", PAGE, re.DOTALL)[-1])


def test_the_lists_example_is_taken_without_a_word() -> None:
    file = read_list(block("csv").encode(), name="house.csv")
    assert (file.refused, file.notices) == ((), ())
    by_name = {row.name: row for row in file.rows}
    assert by_name["P18"].facts["focal_lengths_mm"] == (18.5,)
    assert by_name["Z1"].facts["focal_lengths_mm"] == (24.0, 80.0)
    assert by_name["Z1"].sets == ("Set P", "Travel")
    assert by_name["Z1"].facts["near_mm"] == 600.0


def test_every_column_of_the_list_is_named() -> None:
    assert [column for column in COLUMNS if f"`{column}`" not in PAGE] == []


def test_the_kits_example_is_taken() -> None:
    kit = parse_kit(block("toml"), name="kit.toml")
    assert set(kit.body_knowledge()) == {"A-07"}
    assert set(kit.lens_knowledge()) == {"P18", "I85"}
