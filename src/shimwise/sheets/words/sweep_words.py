"""A sweep in words: where the picture is sharpest, which way the body lands, and its flags."""

from collections.abc import Iterable, Mapping
from typing import Any

from shimwise.inference.model.prep import measured_landing_sd_um
from shimwise.inference.verdict.answer import Z95
from shimwise.number_format import decimal_text, half_digits, half_text, plus_minus_text
from shimwise.sheets.json.sweep_json import Sweep
from shimwise.sheets.words.shared import counted, distance_text, listed, titled

_LEFT_OUT, _SENTENCE = "frame left out: ", ". A frame could not be used and is left out."
_READINGS = {
    "as_recorded": "If no frame is missing or doubled, best focus is at {best} µm.",
    "frame_missing": "If a frame is missing there, best focus is at {best} µm.",
    "frame_doubled": "If a frame is doubled there, best focus is at {best} µm.",
    "green": "Measured in {channel}; in green best focus is at {best} µm.",
    "luma": "Measured in {channel}; in luma best focus is at {best} µm.",
}
_LEAST_TURNS = 0.001
"""The last digit of turns that are shown: a narrower interval is shown as that wide, never as nothing."""
MOST_NAMED = 3
"""Frames that are named of those left out for one reason."""


def sweep_sentence(sweep: Sweep) -> str:
    """Return where the best focus is, and which way the body lands, in one or two sentences."""
    if sweep.best_um is None:
        causes = ", ".join(flag.split(":", 1)[0] for flag in sweep.flags)
        return f"Best focus cannot be told: {causes or 'the frames do not say'}."
    if sweep.best_turns is not None:
        return _turns_sentence(sweep, sweep.best_turns)
    best = f"Best focus{_place(sweep)} at {plus_minus_text(sweep.best_um, sweep.half_um)} µm (95 %)"
    if sweep.is_relative:
        return f"{best}, relative: it says where this target is sharpest, not how the body lands."
    if sweep.landing_um is None:
        return f"{best}, counted from the middle of the sweep."
    half_um = Z95 * measured_landing_sd_um(sweep.sd_um or 0.0)
    who = titled("body", sweep.body) if sweep.body else "the body"
    through = f" with {titled('lens', sweep.lens)}" if sweep.lens else ""
    return f"{best}: {who}{through} {_landing(sweep.landing_um, half_um)}."


def other_readings(sweep: Sweep) -> list[str]:
    """Return a sentence for each other reading of the frames: both of a possible slip, another channel."""
    return [
        _READINGS.get(one.code, one.code + ": {best} µm.").format(
            best=plus_minus_text(one.best_um, (one.high_um - one.low_um) / 2), channel=sweep.channel
        )
        for one in sweep.alternatives
    ]


def _turns_sentence(sweep: Sweep, turns: float) -> str:
    through = f" with {titled('lens', sweep.lens)}" if sweep.lens else ""
    where = _turns(turns, sweep.low_turns, sweep.high_turns)
    return f"Best focus{through} lies {where} of where the screw stood at 0 (95 %)."


def screw_text(result: Mapping[str, Any]) -> str:
    """Return where a sweep's result is sharpest along the screw, as part of a line."""
    turns = result.get("best_turns")
    if turns is None:
        return "no peak along the screw"
    return f"sharpest {_turns(turns, result.get('low_turns'), result.get('high_turns'))} along the screw"


def _turns(turns: float, low: float | None, high: float | None) -> str:
    way = "clockwise" if turns >= 0 else "anticlockwise"
    half = max(((high or 0.0) - (low or 0.0)) / 2, _LEAST_TURNS)
    return f"{abs(turns):.3f} ± {half:.3f} turn ({360 * abs(turns):.0f}°) {way}"


def _place(sweep: Sweep) -> str:
    if sweep.best_at_mm is None or sweep.swept == "sensor":
        return ""
    return f" with the {sweep.swept} at {distance_text(sweep.best_at_mm)},"


def _landing(landing_um: float, half_um: float) -> str:
    seated = f"{half_text(half_um)} µm with how a lens sits each time"
    if abs(landing_um) <= half_um:
        return f"lands on the mark ({seated})"
    size = decimal_text(abs(landing_um), half_digits(half_um))
    if landing_um < 0:
        return f"lands short by {size} {seated}, so add: the sensor has to go {size} µm away from the lens"
    return f"lands deep by {size} {seated}, so take away: the sensor has to go {size} µm toward the lens"


def grouped_flags(flags: Iterable[str]) -> list[str]:
    """Return flags in their order, those of frames left out put together by their reason.

    Parameters
    ----------
    flags : iterable of str
        As ``shimwise.sweep/2`` holds them: one for each frame.

    Returns
    -------
    list of str
        ``7 frames left out (a.png, b.png and 5 more): it is 640 × 480 px``.
    """
    texts: list[str] = []
    left_out: dict[str, list[str]] = {}
    for flag in flags:
        if not (flag.startswith(_LEFT_OUT) and flag.endswith(_SENTENCE)):
            texts.append(flag)
            continue
        name, colon, reason = flag.removeprefix(_LEFT_OUT).removesuffix(_SENTENCE).partition(": ")
        if not colon:
            name, reason = "", name
        if reason not in left_out:
            texts.append(reason)  # the place of its sentence, made when all its frames are counted
        left_out.setdefault(reason, []).append(name)
    return [_left_out(one, left_out[one]) if one in left_out else one for one in texts]


def _left_out(reason: str, names: list[str]) -> str:
    named = [name for name in names if name]
    which = f" ({listed(named, most=MOST_NAMED)})" if named else ""
    return f"{counted(len(names), 'frame')} left out{which}: {reason}."
