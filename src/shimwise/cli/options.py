"""Option values that several commands read in the same way."""

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Any

import typer

from shimwise.errors import LengthError
from shimwise.lengths import SHORT_UNITS, length_to_mm


def option(metavar: str, text: str, *names: str, **more: Any) -> Any:  # noqa: ANN401 - typer's own
    """Return an option: what it takes, its help, and its names where they are not the parameter's."""
    return typer.Option(*names, metavar=metavar, help=text, **more)


def flag(name: str, text: str) -> Any:  # noqa: ANN401
    """Return an option that is given or not, with its help."""
    return typer.Option(name, help=text)


def argument(metavar: str, text: str) -> Any:  # noqa: ANN401
    """Return an argument with its help."""
    return typer.Argument(metavar=metavar, help=text)


AsJson = Annotated[bool, flag("--json", "Print JSON.")]
Figure = Annotated[Path | None, option("FILE", "Save the figure too: .svg, .png or .pdf.")]

Workers = Annotated[
    str | None,
    option(
        "N|ADDRESS",
        "Who does heavy work: N processes here, or a scheduler of Dask, tls://HOST:8786; "
        "SHIMWISE_WORKERS without it.",
    ),
]


def unit_of(text: str) -> str:
    """Read a unit of length.

    Raises
    ------
    typer.BadParameter
        When it is none that bare numbers may have.
    """
    if text not in SHORT_UNITS:
        raise typer.BadParameter(f"is no unit here; give {', '.join(SHORT_UNITS[:-1])} or {SHORT_UNITS[-1]}.")
    return text


Unit = Annotated[
    str | None, option("UNIT", "Of bare numbers in the file: mm, cm, m, in or ft.", parser=unit_of)
]


def length_mm(text: str) -> float:
    """Read a length option, a plain number being millimetres; infinity allowed [mm].

    Raises
    ------
    typer.BadParameter
        When the text is no length; the message contains the option's name.
    """
    return _parsed_mm(text, default_unit="mm")


def distance_mm(text: str) -> float:
    """Read a distance or a ring's place, which needs its unit as on the pages; infinity allowed [mm].

    Raises
    ------
    typer.BadParameter
        As :func:`length_mm`, and when there is no unit.
    """
    return _parsed_mm(text)


def _parsed_mm(text: str, **default: str) -> float:
    try:
        return length_to_mm(text, **default)
    except LengthError as error:
        raise typer.BadParameter(str(error)) from error


def signed_length_mm(value: str | float) -> float:
    """Read a length option that may be 0 or negative, such as a separation of principal planes [mm].

    Raises
    ------
    typer.BadParameter
        As :func:`length_mm`.
    """
    if isinstance(value, float):  # the default, which comes this way too
        return value
    bare = value.strip()
    with suppress(ValueError):
        if float(bare) == 0:
            return 0.0
    if bare[:1] in {"-", "−"}:
        return -length_mm(bare[1:])
    return length_mm(bare[1:] if bare[:1] == "+" else bare)


def length_option(text: str, *, parser: Callable[[str], float] = length_mm) -> Any:  # noqa: ANN401
    """Return the option of a length, with ``text`` in the help."""
    return option("LENGTH", text, parser=parser)


def distance_option(text: str) -> Any:  # noqa: ANN401 - typer's own
    """Return the option of a distance, which needs its unit."""
    return length_option(text, parser=distance_mm)


_FOCAL = length_option("Focal length.")
FocalMm = Annotated[float, _FOCAL]
FocalIfKnown = Annotated[float | None, _FOCAL]
