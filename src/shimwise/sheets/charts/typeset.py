"""Typesetting by typst with the typefaces of the package only: equal input, equal bytes."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from shimwise.errors import SheetError

FONTS = Path(__file__).parent / "fonts"


def typeset(files: Mapping[str, bytes], *, what: str, **options: Any) -> bytes:  # noqa: ANN401
    """Return the PDF that ``main.typ`` among the files produces.

    Parameters
    ----------
    files : mapping of str to bytes
        Template, data, pictures and attachments by name.
    what : str
        Name of the page for an error's sentence.
    **options
        Further arguments of ``typst.compile``.

    Raises
    ------
    SheetError
        If it cannot be compiled.
    """
    import typst

    try:
        page = typst.compile(
            dict(files), format="pdf", font_paths=[str(FONTS)], ignore_system_fonts=True, **options
        )
    except typst.TypstError as error:
        raise SheetError(f"{what} could not be set: {error}.") from error
    if not isinstance(page, bytes):
        raise SheetError(f"{what} came as {type(page).__name__}, not as one PDF.")
    return page
