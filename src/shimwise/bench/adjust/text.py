"""What a person types of a move: as the picture saw it, and shims that are in, go in or come out."""

import re

from shimwise.bench.errors import InputError
from shimwise.inference.verdict.answer import Z95
from shimwise.remedy.mechanism import LARGEST_SHIM_UM

_SEEN = re.compile(
    r"(?P<size>\d+(?:\.\d+)?)\s*±\s*(?P<half>\d+(?:\.\d+)?)\s*[µμu]m\s+(?P<way>away|toward)"
    r"(?:,? by (?:the )?picture)?\.?",
    re.IGNORECASE,
)
_MICRONS = re.compile("[µμu]m")
_CHANGE = re.compile(r"(?:in\s+(?P<put_in>.+?))?[\s,;]*(?:\bout\s+(?P<taken_out>.+))?", re.IGNORECASE)


def read_seen_move(text: str) -> tuple[float, float] | None:
    """Read how far the picture saw the sensor move: ``20.3 ± 0.9 µm away``, half a 95 % interval after ±.

    Returns
    -------
    tuple of float or None
        The change [µm, + away from the flange] and its standard uncertainty [µm]; None where it is typed
        otherwise.

    Raises
    ------
    InputError
        When microns are typed otherwise, the size is beyond what a screw moves a sensor, or the uncertainty
        is none.
    """
    found = _SEEN.fullmatch(text.strip())
    if found is None:
        if _MICRONS.search(text):
            raise InputError(
                "does not say what the picture saw. Write it as 20.3 ± 0.9 µm away, or toward; or the turns, "
                "as 0.08 turn clockwise.",
                field="answer",
                typed=text,
            )
        return None
    size_um, half_um = float(found["size"]), float(found["half"])
    if not (size_um <= LARGEST_SHIM_UM and half_um > 0):
        raise InputError(
            f"is out of range; accepted is up to {LARGEST_SHIM_UM:g} µm, and above 0 after ±.",
            field="answer",
            typed=text,
        )
    return (size_um if found["way"].lower() == "away" else -size_um), half_um / Z95


def read_shims(text: str) -> tuple[float, ...]:
    """Read shims [µm]: ``200 + 50``, ``100, 20``, or ``0`` and ``none`` for none.

    Raises
    ------
    InputError
        When it is no list of thicknesses.
    """
    plain = _MICRONS.sub(" ", text).casefold().strip()
    if plain in ("none", "0", "no shims"):
        return ()
    parts = [part for part in re.split(r"[\s+;]+|,\s+", plain) if part]
    try:
        shims = tuple(float(part.replace(",", ".")) for part in parts)
    except ValueError:
        shims = ()
    if not shims or not all(0 < shim <= LARGEST_SHIM_UM for shim in shims):
        raise InputError(
            "is no list of shims. Write each thickness in µm, as 200 + 50, or none.",
            field="answer",
            typed=text,
        )
    return tuple(sorted(shims, reverse=True))


def read_shim_change(text: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Read which shims went in and which came out [µm]: ``in 50 + 20 out 100``, either part alone.

    Raises
    ------
    InputError
        When it is neither.
    """
    found = _CHANGE.fullmatch(text.strip())
    if found is None or not (found["put_in"] or found["taken_out"]):
        raise InputError(
            "does not say which shims. Write in 50 + 20 out 100, in µm, or done as planned.",
            field="answer",
            typed=text,
        )
    put_in, taken_out = (read_shims(part) if part else () for part in (found["put_in"], found["taken_out"]))
    return put_in, taken_out
