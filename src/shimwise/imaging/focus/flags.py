"""What can be wrong with a sweep, defined once: code, name, sentence, and whether the number is withheld."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple

from shimwise.notices import Notice


class _Meaning(NamedTuple):
    code: int
    short: str
    sentence: str
    stops: bool


class Flag(Enum):
    """A reason to doubt a sweep. ``stops`` is true where the peak is withheld, not only doubted."""

    TOO_FEW_FRAMES = _Meaning(
        1, "too few frames", "Fewer than 7 frames lie over the peak; take smaller steps around it.", True
    )
    SATURATED = _Meaning(
        2, "saturated", "Pixels of the star are at full white; lower the exposure and repeat.", True
    )
    BLACK_CLIPPED = _Meaning(
        3,
        "black clipped",
        "Pixels of the star are clipped at black; raise the exposure or the pedestal.",
        True,
    )
    PEAK_AT_END = _Meaning(
        4, "peak at the end", "The peak lies at the end of the sweep or beyond; move the sweep over it.", True
    )
    MARKERS_LOST = _Meaning(
        5,
        "markers lost",
        "Markers were not found in every frame; their places are taken from the others.",
        False,
    )
    STAR_TOO_SMALL = _Meaning(
        6,
        "star too small",
        "A star is too small for its blur or its pixels; move closer or print it larger.",
        False,
    )
    NOT_MONOTONE = _Meaning(
        7,
        "positions not monotone",
        "Positions turn back or repeat; backlash spoils them. Sweep one way.",
        True,
    )
    CAMERA_MOVED = _Meaning(
        8,
        "camera moved",
        "The picture jumps between frames; fix the camera and the chart, and repeat.",
        False,
    )
    BANDS_DISAGREE = _Meaning(
        9,
        "bands disagree",
        "Coarse and fine detail are sharp at different places (aberration); name the band.",
        False,
    )
    CHART_TURNED = _Meaning(
        10,
        "chart turned",
        "The chart is more than 1° off square; its share of the tilt is removed.",
        False,
    )
    DUPLICATE_FRAMES = _Meaning(
        11, "duplicate frames", "Two frames are copies of one picture; the later is left out.", False
    )
    STAR_NOT_FOUND = _Meaning(
        12, "star not found", "A star of the layout is not seen where it should be; it is left out.", False
    )
    TURN_UNKNOWN = _Meaning(
        13,
        "chart's turn unknown",
        "The chart's turn could not be measured; tilt includes the chart's share.",
        False,
    )
    FRAME_LEFT_OUT = _Meaning(14, "frame left out", "A frame could not be used and is left out.", False)

    POOR_FIT = _Meaning(
        15,
        "poor fit",
        "A star's curves are not those of the named lens; check the f-number, and look at the figure.",
        True,
    )

    LENS_DISTORTS = _Meaning(
        16,
        "lens distorts",
        "The lens bends the picture's lines; tilt's interval is widened by what that can do.",
        False,
    )

    PREDICTED_FRAMES = _Meaning(
        17,
        "predicted frames",
        "The clip keeps what changes between frames, at a rate that leaves fine detail away: best focus and "
        "tilt can be off by more than their intervals. Record stills, ProRes or DNxHR.",
        False,
    )

    SHARPENED = _Meaning(
        18,
        "sharpened",
        "The camera sharpened the pictures; the peak holds with its interval. Better without.",
        False,
    )

    NOISE_REDUCED = _Meaning(
        19,
        "fine detail missing",
        "Noise reduction or a tone curve took faint detail away; the peak holds with its interval.",
        False,
    )

    FRAME_SLIPPED = _Meaning(
        20,
        "positions slipped",
        "The frames show that the positions after it are a step off; they were corrected. Check the list.",
        False,
    )

    MAYBE_SLIPPED = _Meaning(
        21,
        "positions may have slipped",
        "The frames cannot settle it: both readings are given. Check the list, or repeat with smaller steps.",
        True,
    )

    FRAME_OBSTRUCTED = _Meaning(
        22,
        "something in the way",
        "The star is not what it is in the other frames; those frames are left out.",
        False,
    )

    NOT_SETTLED = _Meaning(
        23,
        "start not settled",
        "The first frames stand to one side of where they were recorded (backlash); they are left out. "
        "Begin a sweep with a run-up.",
        False,
    )

    @property
    def code(self) -> int:
        """Number, kept for good."""
        return self.value.code

    @property
    def short(self) -> str:
        """Short name."""
        return self.value.short

    @property
    def sentence(self) -> str:
        """What it means and what to do."""
        return self.value.sentence

    @property
    def stops(self) -> bool:
        """Whether the peak is withheld."""
        return self.value.stops


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
