"""Distances stand on the sheet by their length, not by their letters."""

from shimwise.sheets.papers.signed.not_checked import _length_mm


def test_a_set_up_without_a_length_stands_last() -> None:
    setups = [{"distance_mm": None}, {"distance_mm": 3657.6}, {"distance_mm": 914.4}, {"distance_mm": 1828.8}]
    assert [one["distance_mm"] for one in sorted(setups, key=_length_mm)] == [914.4, 1828.8, 3657.6, None]
