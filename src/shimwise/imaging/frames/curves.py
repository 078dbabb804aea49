"""Undoes a recording's transfer curve by its name: codes back to light.

A curve takes the signal, 0 at the recording's black and 1 at its white, to linear light. Powers and the
curves of sRGB and Rec. 709 are here; log curves, PQ and HLG come from a library
of published curves by their names.

References
----------
.. [1] IEC 61966-2-1:1999, sRGB, the inverse of its encoding.
.. [2] ITU-R BT.709-6 (2015), item 1.2, inverted; BT.2020-2, table 4, the same to 12 bits.
.. [3] Colour Science for Python, log decodings after each curve's published definition.
"""

import inspect
import re
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shimwise.imaging.frames.errors import DescriptionError

Floats = NDArray[np.float64]

SRGB_NAMES = {"srgb", "iec6196621"}
REC709_NAMES = {"rec709", "bt709", "rec2020", "bt2020", "bt202010", "bt202012", "smpte170m"}
PQ_NAMES = {"pq", "smpte2084", "st2084"}
HLG_NAMES = {"hlg", "aribstdb67"}


def signal_to_linear(signal: Floats, transfer: str, *, bits: int = 10, is_limited: bool = False) -> Floats:
    """Turn a signal into linear light by a curve's name.

    Parameters
    ----------
    signal : ndarray
        0 at black and 1 at white; a little outside where the recording has head room.
    transfer : str
        ``linear``, ``gamma 2.2`` (any power from 1 to 4), ``sRGB``, ``Rec.709``, ``PQ``, ``HLG``, or the name
        of a published log curve; capitals, spaces and signs do not matter.
    bits : int
        Bits of a code, for curves that are defined in codes.
    is_limited : bool
        True when 0 and 1 are the codes of a limited ("video", "legal") range: curves that are published
        in codes are then read at those codes.

    Returns
    -------
    ndarray
        Linear light; negative values stay negative on linear and power curves, so that noise keeps its mean.

    Raises
    ------
    DescriptionError
        When no curve has that name, or the name means several.
    """
    plain = _plain(transfer)
    power = _power(transfer)
    if plain == "linear":
        return signal
    if power is not None:
        return np.asarray(np.sign(signal) * np.abs(signal) ** power)
    if plain in SRGB_NAMES:
        return _toe(signal, slope=12.92, offset=0.055, power=2.4, knee=0.04045)
    if plain in REC709_NAMES:
        return _toe(signal, slope=4.5, offset=0.099, power=1 / 0.45, knee=0.081)
    return _from_library(signal, transfer, bits=bits, is_limited=is_limited)


def _toe(signal: Floats, *, slope: float, offset: float, power: float, knee: float) -> Floats:
    """Straight below the knee, a shifted power above it; where they overlap, as rounded, the knee's."""
    above = (np.maximum(signal, 0.0) + offset) / (1 + offset)
    return np.where(signal <= knee, signal / slope, np.maximum(above**power, knee / slope))


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.casefold())


def _power(name: str) -> float | None:
    match = re.fullmatch(r"\s*(?:gamma|power)?\s*([0-9]+(?:\.[0-9]+)?)\s*", name.casefold())
    if match is None:
        return None
    power = float(match.group(1))
    if not 1.0 <= power <= 4.0:
        raise DescriptionError(f"transfer is {name!r}; a power lies between 1 and 4, such as gamma 2.2.")
    return power


def _library() -> dict[str, Callable[..., Any]]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
        from colour.models import eotf_ST2084, oetf_inverse_BT2100_HLG
    return {**colour.LOG_DECODINGS, "PQ": eotf_ST2084, "HLG": oetf_inverse_BT2100_HLG}


def _from_library(signal: Floats, transfer: str, *, bits: int, is_limited: bool) -> Floats:
    curves = _library()
    plain = _plain(transfer)
    plain = "pq" if plain in PQ_NAMES else "hlg" if plain in HLG_NAMES else plain
    exact = [name for name in curves if _plain(name) == plain]
    found = exact or [name for name in curves if plain and _plain(name).endswith(plain)]
    if len(found) != 1:
        other = f"it could be any of {', '.join(sorted(found))}" if found else "no curve has that name"
        raise DescriptionError(
            f"transfer is {transfer!r}; {other}. Give linear, gamma 2.2, sRGB, Rec.709, PQ, HLG or a log "
            f"curve's full name: {', '.join(sorted(set(curves) - {'PQ', 'HLG'}))}."
        )
    curve = curves[found[0]]
    accepted = inspect.signature(curve).parameters
    options: dict[str, Any] = {}
    if "in_normalised_code_value" in accepted:
        options["in_normalised_code_value"] = not is_limited
    if "bit_depth" in accepted:
        options["bit_depth"] = bits
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        return np.asarray(curve(np.array(signal), **options), dtype=np.float64)
