"""A line of the meter as JSON, ``shimwise.meter/1``, or ``/2`` with more; the schema lies beside this."""

from dataclasses import asdict, dataclass
from typing import Any

from shimwise.sheets.json.documents import standard

SCHEMA_ID, MORE_ID = "shimwise.meter/1", "shimwise.meter/2"
PLACES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterLine:
    """The meter's answer after a frame.

    ``offset_um``: sensor less best focus with its 95 % interval, short < 0, None where no microns can be
    given; a size alone where ``is_signed`` is false. ``contrast``: modulation by the best seen, for people.
    ``axes_um``: place by the vertical axis less that by the horizontal, with half its interval, if asked for.
    """

    t_s: float
    state: str
    offset_um: float | None
    low_um: float | None
    high_um: float | None
    is_signed: bool
    sharpened: bool
    frames: int
    dropped: int
    notes: tuple[str, ...]
    contrast: float | None = None
    axes_um: float | None = None
    axes_half_um: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StarLine:
    """One star of several: where it is in the frame [px], its figure, that less the middle star's."""

    star: str
    x_px: float | None
    y_px: float | None
    offset_um: float | None
    low_um: float | None
    high_um: float | None
    is_signed: bool
    difference_um: float | None
    difference_sd_um: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TiltLine:
    """Best focus at the right edge less that at the left, at the bottom less the top, as of a sweep [µm].

    ``is_chart_out``: whether the chart's own turn was taken out.
    """

    x_um: float
    x_sd_um: float
    y_um: float
    y_sd_um: float
    is_chart_out: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RingLine:
    """What setting the ring to the mark at a distance adds to a landing, one standard deviation [µm]."""

    distance_mm: float
    focal_mm: float
    sd_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterMore:
    """What a line of ``shimwise.meter/2`` holds beyond the first form."""

    stars: tuple[StarLine, ...] = ()
    tilt: TiltLine | None = None
    ring: RingLine | None = None


def meter_to_json(line: MeterLine, more: MeterMore | None = None) -> dict[str, Any]:
    """Return a line as the document has it; with more it is one of ``shimwise.meter/2``."""
    return _plain(line) if more is None else _plain(line) | _more(line, more)


def _more(line: MeterLine, more: MeterMore) -> dict[str, Any]:
    axes = None
    if line.axes_um is not None and line.axes_half_um is not None:
        axes = {
            "vertical_less_horizontal_um": line.axes_um,
            "low_um": line.axes_um - line.axes_half_um,
            "high_um": line.axes_um + line.axes_half_um,
        }
    found = {
        "axes": axes,
        "stars": [asdict(one) for one in more.stars],
        "tilt": None if more.tilt is None else asdict(more.tilt),
        "ring": None if more.ring is None else asdict(more.ring),
    }
    return {"schema": MORE_ID, **standard(found, PLACES)}


_BEYOND = frozenset({"contrast", "axes_um", "axes_half_um"})
"""Of a line, what its first form has not."""


def _plain(line: MeterLine) -> dict[str, Any]:
    found = standard(asdict(line), PLACES)
    return {"schema": SCHEMA_ID, **{name: value for name, value in found.items() if name not in _BEYOND}}
