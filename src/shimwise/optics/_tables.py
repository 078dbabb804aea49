"""The small tables that travel with the code, read when they are asked for."""

import csv
from importlib.resources import files


def rows(name: str) -> list[dict[str, str]]:
    """Return the rows of a table beside this module, by column name."""
    text = files("shimwise.optics").joinpath(name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))
