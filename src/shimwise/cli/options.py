"""Option values that several commands read in the same way."""

from typing import Annotated

import typer

from shimwise.errors import LengthError
from shimwise.lengths import length_to_mm

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]


def length_mm(text: str) -> float:
    """Read a length option, a plain number being millimetres; infinity allowed [mm].

    Raises
    ------
    typer.BadParameter
        When the text is no length; the option's name stands in the message.
    """
    try:
        return length_to_mm(text, default_unit="mm")
    except LengthError as error:
        raise typer.BadParameter(str(error)) from error


def distance_mm(text: str) -> float:
    """Read a distance or a ring's place, which needs its unit as on the pages; infinity allowed [mm].

    Raises
    ------
    typer.BadParameter
        As :func:`length_mm`, and when there is no unit.
    """
    try:
        return length_to_mm(text)
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
    try:
        if float(bare) == 0:
            return 0.0
    except ValueError:
        pass
    if bare[:1] in {"-", "−"}:
        return -length_mm(bare[1:])
    return length_mm(bare[1:] if bare[:1] == "+" else bare)
