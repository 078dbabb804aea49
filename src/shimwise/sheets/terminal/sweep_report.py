"""A sweep in words: one sentence first, then the stars, the tilt, and each flag with what to do."""

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from shimwise.inference.model.prep import measured_landing_sd_um
from shimwise.inference.verdict.answer import Z95
from shimwise.number_format import decimal_text, half_digits, half_text, plus_minus_text
from shimwise.sheets.words.shared import (
    ascii_text,
    capital,
    distance_text,
    plain,
    signed_text,
    titled,
    wrapped,
)
from shimwise.sheets.words.sweep_flags import grouped_flags

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["half_um", "print_sweep_report", "sweep_sentence", "turns_sentence"]

WIDEST = 100
_Document = Mapping[str, Any]


def half_um(document: _Document) -> float:
    """Half the 95 % interval of best focus [µm]; NaN where it is withheld."""
    if document["low_um"] is None or document["high_um"] is None:
        return math.nan
    return float(document["high_um"] - document["low_um"]) / 2


def sweep_sentence(document: _Document) -> str:
    """Say in one or two sentences where the best focus is, and which way the body lands."""
    if document["best_um"] is None:
        causes = ", ".join(flag.split(":", 1)[0] for flag in document["flags"])
        return f"Best focus cannot be told: {causes or 'the frames do not say'}."
    if document.get("best_turns") is not None:
        return turns_sentence(document)
    best = (
        f"Best focus{_place(document)} at {plus_minus_text(document['best_um'], half_um(document))} µm (95 %)"
    )
    if document.get("is_relative"):
        return f"{best}, relative: it says where this target is sharpest, not how the body lands."
    landing = document["landing_um"]
    if landing is None:
        return f"{best}, counted from the middle of the sweep."
    half = Z95 * measured_landing_sd_um(float(document["sd_um"] or 0.0))
    return f"{best}: {_who(document)} {_landing(float(landing), half)}."


def turns_sentence(document: _Document) -> str:
    """Say where along the screw best focus lies, and which way that is."""
    turns = float(document["best_turns"])
    half = (float(document["high_turns"]) - float(document["low_turns"])) / 2
    way = "clockwise" if turns >= 0 else "anticlockwise"
    lens = document.get("lens")
    through = f" with {titled('lens', lens)}" if lens else ""
    size = f"{abs(turns):.3f} ± {half:.3f} turn ({360 * abs(turns):.0f}°)"
    return f"Best focus{through} lies {size} {way} of where the screw stood at 0 (95 %)."


def _place(document: _Document) -> str:
    at_mm, swept = document.get("best_at_mm"), document.get("swept", "sensor")
    if at_mm is None or swept == "sensor":
        return ""
    return f" with the {swept} at {distance_text(float(at_mm))},"


def _who(document: _Document) -> str:
    body, lens = document.get("body"), document.get("lens")
    who = titled("body", body) if body else "the body"
    return f"{who} with {titled('lens', lens)}" if lens else who


def _landing(landing_um: float, half: float) -> str:
    seated = f"{half_text(half)} µm with how a lens sits each time"
    if abs(landing_um) <= half:
        return f"lands on the mark ({seated})"
    size = decimal_text(abs(landing_um), half_digits(half))
    if landing_um < 0:
        return f"lands short by {size} {seated}, so add: the sensor has to go {size} µm away from the lens"
    return f"lands deep by {size} {seated}, so take away: the sensor has to go {size} µm toward the lens"


def print_sweep_report(console: "Console", document: _Document) -> None:
    """Print the report in lines of the console's width; in ASCII where its encoding asks for that.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    document : mapping
        A sweep of the form ``shimwise.sweep/1``.
    """
    is_ascii = not (console.encoding or "").lower().startswith("utf")
    width = min(console.width, WIDEST)
    for line, style in _lines(document, width):
        console.print(
            ascii_text(line) if is_ascii else line,
            style=style,
            markup=False,
            highlight=False,
            soft_wrap=True,
        )


def _lines(document: _Document, width: int) -> Iterator[tuple[str, str]]:
    for line in wrapped(capital(sweep_sentence(document)), width):
        yield line, "bold"
    yield from _paragraph(_tilt_words(document), width)
    if document["stars"]:
        yield "", ""
        yield from _stars(document)
        note = (
            "Best focus is that of the plane through the stars at the frame's centre: a star beside the "
            "centre lies apart from it by its share of the tilt. The chart's own turn is not taken out of "
            "the stars, but out of best focus and tilt."
        )
        yield from ((line, "dim") for line in wrapped(f"± is half the 95 % interval. {note}", width))
    for title, key in (("Flags", "flags"), ("Warnings", "warnings")):
        if document.get(key):
            yield "", ""
            yield title, "bold"
            for text in grouped_flags(document[key]):
                lines = wrapped(plain(text), width - 2)
                yield from (
                    ((" · " if not number else "   ")[1:] + line, "") for number, line in enumerate(lines)
                )


def _paragraph(words: str, width: int) -> Iterator[tuple[str, str]]:
    if words:
        yield from ((line, "") for line in wrapped(words, width))


def _tilt_words(document: _Document) -> str:
    tilt = document["tilt"]
    parts = []
    for axis, plus, minus in (("x", "right", "left"), ("y", "bottom", "top")):
        value, sd = tilt[f"{axis}_um"], tilt[f"{axis}_sd_um"]
        if value is None or sd is None:
            continue
        half = Z95 * sd
        where = plus if value > 0 else minus
        amount = f"{decimal_text(abs(value), half_digits(half))} {half_text(half)} µm"
        if abs(value) <= half:
            parts.append(f"{plus} and {minus} edge agree within {decimal_text(half, half_digits(half))} µm")
        else:
            other = minus if where == plus else plus
            parts.append(f"the {where} edge is sharp {amount} farther from the lens than the {other} edge")
    if not parts:
        return ""
    turn = ""
    if tilt["chart_yaw_deg"] is not None:
        yaw, pitch = (signed_text(tilt[f"chart_{name}_deg"], digits=2) for name in ("yaw", "pitch"))
        turn = f" The chart is turned by {yaw}° (yaw) and {pitch}° (pitch); its share is taken out."
    return f"Tilt: {'; '.join(parts)}.{turn}"


def _stars(document: _Document) -> Iterator[tuple[str, str]]:
    yield f"{'Star':<8}{'at, px':>14}{'best, µm':>18}{'along radius':>15}{'across':>12}", "bold"
    for star in document["stars"]:
        half = Z95 * (star["sd_um"] or 0.0)
        place = f"{star['x_px']:.0f}, {star['y_px']:.0f}"
        split = [
            "" if star[key] is None else signed_text(star[key], digits=half_digits(half))
            for key in ("sagittal_um", "tangential_um")
        ]
        name = plain(star["id"])[:7]
        yield (
            f"{name:<8}{place:>14}{plus_minus_text(star['best_um'], half):>18}{split[0]:>15}{split[1]:>12}",
            "",
        )
