"""What can be wrong with a sweep, defined once: name, sentence, and whether the number is withheld."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from shimwise.notices import Notice


class Flag(Enum):
    """A reason to doubt a sweep: its short name, what it means and what to do, and whether it stops.

    ``stops``: the peak is withheld, not only doubted.
    """

    TOO_FEW_FRAMES = (
        "too few frames",
        "Fewer than 7 frames lie over the peak; take smaller steps around it.",
        True,
    )
    SATURATED = ("saturated", "Pixels of the star are at full white; lower the exposure and repeat.", True)
    BLACK_CLIPPED = (
        "black clipped",
        "Pixels of the star are clipped at black; raise the exposure or the pedestal.",
        True,
    )
    PEAK_AT_END = (
        "peak at the end",
        "The peak lies at the end of the sweep or beyond; move the sweep over it.",
        True,
    )
    MARKERS_LOST = (
        "markers lost",
        "Markers were not found in every frame; their places are taken from the others.",
        False,
    )
    STAR_TOO_SMALL = (
        "star too small",
        "A star is too small for its blur or its pixels; move closer or print it larger.",
        False,
    )
    NOT_MONOTONE = (
        "positions not monotone",
        "Positions turn back or repeat; backlash spoils them. Sweep one way.",
        True,
    )
    CAMERA_MOVED = (
        "camera moved",
        "The picture jumps between frames; fix the camera and the chart, and repeat.",
        False,
    )
    BANDS_DISAGREE = (
        "bands disagree",
        "Coarse and fine detail are sharp at different places (aberration); name the band.",
        False,
    )
    CHART_TURNED = (
        "chart turned",
        "The chart is more than 1° off square; its share of the tilt is removed.",
        False,
    )
    DUPLICATE_FRAMES = (
        "duplicate frames",
        "Two frames are copies of one picture; the later is left out.",
        False,
    )
    STAR_NOT_FOUND = (
        "star not found",
        "A star of the layout is not seen where it should be; it is left out.",
        False,
    )
    TURN_UNKNOWN = (
        "chart's turn unknown",
        "The chart's turn could not be measured; tilt includes the chart's share.",
        False,
    )
    FRAME_LEFT_OUT = ("frame left out", "A frame could not be used and is left out.", False)

    POOR_FIT = (
        "poor fit",
        "A star's curves are not those of the named lens; check the f-number, and look at the figure.",
        True,
    )

    LENS_DISTORTS = (
        "lens distorts",
        "The lens bends the picture's lines; tilt's interval is widened by what that can do.",
        False,
    )

    PREDICTED_FRAMES = (
        "predicted frames",
        "The clip keeps what changes between frames, at a rate that leaves fine detail away: best focus and "
        "tilt can be off by more than their intervals. Record stills, ProRes or DNxHR.",
        False,
    )

    SHARPENED = (
        "sharpened",
        "The camera sharpened the pictures; the peak holds with its interval. Better without.",
        False,
    )

    NOISE_REDUCED = (
        "fine detail missing",
        "Noise reduction or a tone curve took faint detail away; the peak holds with its interval.",
        False,
    )

    FRAME_SLIPPED = (
        "positions slipped",
        "The frames show that the positions after it are a step off; they were corrected. Check the list.",
        False,
    )

    MAYBE_SLIPPED = (
        "positions may have slipped",
        "The frames cannot settle it: both readings are given. Check the list, or repeat with smaller steps.",
        True,
    )

    FRAME_OBSTRUCTED = (
        "something in the way",
        "The star is not what it is in the other frames; those frames are left out.",
        False,
    )

    NOT_SETTLED = (
        "start not settled",
        "The first frames stand to one side of where they were recorded (backlash); they are left out. "
        "Begin a sweep with a run-up.",
        False,
    )

    def __init__(self, short: str, sentence: str, stops: bool) -> None:
        self.short, self.sentence, self.stops = short, sentence, stops


@dataclass(frozen=True, slots=True)
class Raised:
    """A flag that was raised, with what was found.

    ``stops`` may be weaker than the flag's own. ``unit`` is the star or file concerned, empty for the whole;
    ``numbers`` are the values behind ``detail``.
    """

    flag: Flag
    detail: str
    stops: bool
    unit: str = ""
    numbers: Mapping[str, float | str | None] = field(default_factory=dict)

    @property
    def notice(self) -> Notice:
        """The flag as a code with its unit and numbers."""
        return Notice(self.flag.name.lower(), self.unit, self.numbers)

    def to_json(self) -> dict[str, object]:
        """Return the notice as ``shimwise.sweep/2`` holds it: code, unit, numbers and text."""
        one = self.notice
        return {"code": one.code, "unit": one.unit, "numbers": dict(one.numbers), "text": str(self)}

    def __str__(self) -> str:
        """Words for people: short name, what was found, what to do."""
        return f"{self.flag.short}: {self.detail}. {self.flag.sentence}"


def raised(flag: Flag, detail: str, *, stops: bool | None = None, **numbers: float | str | None) -> Raised:
    """Return a raised flag; ``stops`` only to weaken it where little is lost."""
    return Raised(flag, detail, flag.stops if stops is None else stops and flag.stops, numbers=numbers)
