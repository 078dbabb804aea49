"""Sizes of paper that papers are set on."""

from shimwise.errors import SheetError

__all__ = ["PAPERS_MM", "paper_mm"]

PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Name -> width and height standing upright [mm] (ISO 216; 8.5 × 11 in)."""


def paper_mm(name: str) -> tuple[float, float]:
    """Width and height of a paper by its name. [mm]

    Raises
    ------
    SheetError
        When it is not known.
    """
    sizes = {known.casefold(): size for known, size in PAPERS_MM.items()}
    size = sizes.get(name.strip().casefold())
    if size is None:
        raise SheetError(f"The paper {name[:40]!r} is not known; give {' or '.join(PAPERS_MM)}.")
    return size
