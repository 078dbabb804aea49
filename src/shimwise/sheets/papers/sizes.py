"""Sizes of paper that papers are set on."""

from shimwise.errors import SheetError

PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Name -> width and height upright [mm] (ISO 216; 8.5 × 11 in)."""
A5_MM = (148.0, 210.0)
"""Half of A4 (ISO 216 rounds down)."""


def paper_mm(name: str) -> tuple[float, float]:
    """Return the width and height of a paper by its name. [mm]

    Raises
    ------
    SheetError
        If it is not known.
    """
    sizes = {known.casefold(): size for known, size in PAPERS_MM.items()}
    size = sizes.get(name.strip().casefold())
    if size is None:
        raise SheetError(f"The paper {name[:40]!r} is not known; give {' or '.join(PAPERS_MM)}.")
    return size


def half_mm(name: str) -> tuple[float, float]:
    """Return the width and height of half a paper, upright: A5, or half a Letter. [mm]"""
    width_mm, height_mm = paper_mm(name)
    return height_mm / 2 if name.strip().casefold() != "a4" else A5_MM[0], width_mm
