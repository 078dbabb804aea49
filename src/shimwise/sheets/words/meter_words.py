"""The meter in words: the place of the sensor, and what is known of the feed."""

from shimwise.number_format import decimal_text, half_digits, size_text
from shimwise.sheets.json.meter_json import MeterLine, RingLine, TiltLine

_NOTES = {
    "beyond_reach": "So far out of focus that the size is not known: come closer.",
    "black": "The picture is black: open the lens, light the chart.",
    "no_chart": "No star of the chart is seen: bring it into the picture, large, and roughly sharp.",
    "frozen": "The feed stands still: nothing new comes.",
    "clipped": "The paper is clipped to white: less light or exposure. No microns until then.",
    "unknown_fnumber": "Without the f-number no microns: only where it is sharpest.",
    "frames_depend": (
        "Frames depend on each other (noise reduction in time, or coding in long groups): only where it is "
        "sharpest, no microns. Switch it off, or use an uncoded output."
    ),
    "smoothed": "The picture is smoothed or coded: only its coarse rings are used; the interval is wider.",
    "sharpened": "The camera sharpens its picture: corrected, and the interval is wider.",
    "no_pass": "Turn once through the sharpest place and back, slowly.",
    "misfit": "It is smoothed too much: no microns, only where it is sharpest. Switch noise reduction off.",
    "breathes": "The picture grows with focus: the lens breathes. The figure does not mind.",
    "hold_sharpest": "Go to the sharpest place and stay there for two seconds: smoothing is measured there.",
    "passage_doubted": (
        "Which way is not known: a passage through the sharpest place was too short or too fast to be "
        "counted. Rest, and name the direction of the next turn."
    ),
    "jumped": (
        "Which way is not known: the picture jumped, and nobody saw past what. Rest, and name the direction "
        "of the next turn."
    ),
    "left_sharpest": (
        "Which way is not known: it rested at the sharpest place and left it again. Rest, and name the "
        "direction of the next turn."
    ),
    "light_changed": "The light has changed since the pass; it is taken out.",
}
"""Code of a note -> its sentence."""
_FIRST = ("frozen", "black", "no_chart")
"""Notes that are shown alone."""
_SIDE_LOST = ("passage_doubted", "jumped", "left_sharpest")
AGREED_UM = 10.0
"""Edges agree within so much at most; a wider interval is no agreement. Chosen: the usual tolerance."""


def meter_sentence(line: MeterLine) -> str:
    """Return the meter's answer in one sentence."""
    for code in _FIRST:
        if code in line.notes:
            return _NOTES[code]
    if line.offset_um is None:
        contrast = "" if line.contrast is None else f" Now {100 * line.contrast:.0f} % of the sharpest seen."
        return ("Looking for the sharpest place." if line.state == "seeking" else "Relative only.") + contrast
    low, high = line.low_um or 0.0, line.high_um or 0.0
    if low <= 0.0 <= high:
        return f"At the sharpest, within {max(abs(low), abs(high)):.1f} µm."
    size = size_text(line.offset_um, (high - low) / 2)
    if not line.is_signed:
        is_named = any(code in line.notes for code in _SIDE_LOST)
        return f"{size} µm from the sharpest{'' if is_named else '; which way is not known'}."
    side = "short: move the sensor away" if line.offset_um < 0 else "deep: move the sensor closer"
    return f"{size} µm {side}."


def meter_notes(line: MeterLine) -> list[str]:
    """Return a sentence for each note that :func:`meter_sentence` does not hold, and for the axes."""
    notes = [_NOTES[code] for code in line.notes if code not in _FIRST]
    if line.axes_um is not None and line.axes_half_um is not None:
        size = size_text(line.axes_um, line.axes_half_um)
        way = "deeper" if line.axes_um > 0 else "shorter"
        notes.append(
            f"Vertical detail lands {size} µm {way} than horizontal, within {line.axes_half_um:.1f} µm."
        )
    return notes


def tilt_sentence(tilt: TiltLine) -> str:
    """Return the tilt in a sentence: which edge of the picture is sharp farther out, and how far."""
    both = ((tilt.x_um, tilt.x_sd_um), (tilt.y_um, tilt.y_sd_um))
    sides = [
        _edges(edge, other, um, 1.96 * sd)
        for edge, other, (um, sd) in zip(("right", "bottom"), ("left", "top"), both, strict=True)
    ]
    whole = (
        ""
        if tilt.is_chart_out
        else " The chart's own turn is still in it: it takes all five stars, focal length and distance."
    )
    is_open = any(abs(um) <= 1.96 * sd and abs(um) + 1.96 * sd > AGREED_UM for um, sd in both)
    more = " Turn slowly through the sharpest place and back once more: it is known better then."
    return f"Tilt: {sides[0]}; {sides[1]}.{more if is_open else ''}{whole}"


def _edges(edge: str, other: str, um: float, half_um: float) -> str:
    if abs(um) <= half_um:
        within = abs(um) + half_um
        most = f"{decimal_text(within, half_digits(within))} µm"
        if within > AGREED_UM:
            return f"{other} and {edge} edge are not known yet to better than {most}"
        return f"{other} and {edge} edge agree within {most}"
    farther, nearer = (edge, other) if um > 0 else (other, edge)
    return f"the {farther} edge is sharp {size_text(um, half_um)} µm farther from the lens than the {nearer}"


def ring_sentence(ring: RingLine) -> str:
    """Return what the setting of the ring adds, in a sentence."""
    return (
        f"Setting the ring to its mark adds ± {2 * ring.sd_um:.1f} µm (95 of 100 times) on a "
        f"{ring.focal_mm:g} mm lens at {ring.distance_mm:g} mm, the same for all landings until it is set "
        "anew."
    )
