"""A feed that a page films: its stars found, followed and measured, and what the page is to send next."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import asdict, dataclass, replace
from functools import cache
from typing import Any

import numpy as np

from shimwise.bench.meter.feed_landing import FeedLanding, landing_of
from shimwise.bench.meter.feed_message import MOST_PARTS, MOST_SIDE_PX, FeedRefusedError, SentFrame, SentPart
from shimwise.bench.meter.feed_tilt import FeedTilt
from shimwise.bench.meter.live import LiveMeter, Measured
from shimwise.bench.meter.page_feed import WAYS, PageFeed
from shimwise.imaging.frames.levels import CodeLevels, codes_to_linear, limited_range
from shimwise.imaging.meter.lock import discs
from shimwise.imaging.meter.spokes import find_any_star
from shimwise.sheets.words.meter_words import tilt_sentence

SCHEMA_ID = "shimwise.feed/1"
ROOM_SHARE, ROOM_PX = 1.16, 30.0
"""What is asked for around a star: so much of its radius, and some pixels for a shaking picture."""
OFF_PX = 18.0
"""A star so far from the middle of what is sent has the page send another part."""
GIVEN_UP_S, SEARCH_S = 1.2, 0.3
"""A place where no star is seen for so long is given up; between searches of one."""
TAP_PX = 480
LOOKED_AT = 32
"""Round patches of a picture that are looked at where several stars are wanted: markers are round, too."""
BLOCK_PX = 8
"""Parts begin where blocks of a codec do: the meter looks for their borders."""
LARGE = 0.8
"""Patches of so much of the largest one's radius are looked at before smaller ones, the middle one first."""
SAME_SIZE = 0.1
"""A star that was lost is looked for among patches whose radius differs by less than this share."""
AGREED = 2
"""Corner stars of a chart have one count of spokes: what so many agree on is that of all; chosen."""
DARK_SHARE = 0.04
NO_MICRONS = {"clipped", "frames_depend", "misfit", "unknown_fnumber"}
"""Notes with which no microns are given."""
CODES = {
    is_limited: CodeLevels(black=black, white=white, transfer="Rec.709", bits=8, is_limited=is_limited)
    for is_limited, (black, white) in ((True, limited_range(8)), (False, (0.0, 255.0)))
}
"""What a code means: browsers hand out 8 bits in Rec.709."""


@dataclass(slots=True)
class _Watched:
    """A star, or a place where one may be: the part of the picture asked for [px], and its meter."""

    number: int
    centre: tuple[float, float]
    radius: float
    window: tuple[int, int, int, int, int] = (0, 0, 0, 0, 0)
    spokes: int = 0
    meter: LiveMeter | None = None
    measured: Measured | None = None
    since_s: float = -1.0
    searched_s: float = -math.inf
    seen_at: tuple[int, ...] | None = None
    is_lost: bool = False

    @property
    def is_seen(self) -> bool:
        return self.meter is not None and self.meter.place is not None and not self.is_lost


@dataclass(frozen=True, slots=True)
class FeedAnswer:
    """The answer to a frame.

    ``document`` is what the page gets; ``landing`` that of the centre star, None where there is none.
    """

    document: dict[str, Any]
    landing: FeedLanding | None


class FeedSession:
    """One feed: frames in, answers out; one at a time, in any thread.

    Parameters
    ----------
    facts : PageFeed
        What the page states of lens, pixels and directions.
    """

    def __init__(self, facts: PageFeed) -> None:
        self.facts = facts
        self._first_us: int | None = None
        self._size: tuple[int, int] | None = None
        self._is_limited: bool | None = None
        self._watched: list[_Watched] = []
        self._places: list[tuple[float, float, float]] = []
        self._is_black = self._has_calibrated = False
        self._tilt: FeedTilt | None = None
        self._frames = self._dropped = 0
        self._t_s = 0.0

    def start_over(self) -> None:
        """Forget all stars and what they showed."""
        self._watched, self._places, self._tilt = [], [], None

    def pick(self, x_px: float, y_px: float) -> None:
        """Take the star at a place of the picture that the person tapped."""
        self._places = []
        self._watched = [_Watched(0, (x_px, y_px), 0.0)]
        self._aim(self._watched[0])

    def name_first(self, first: str) -> None:
        """Name anew, at rest, which way is turned next: ``away`` or ``toward``; what passes showed stays.

        Raises
        ------
        FeedRefusedError
            When it is no such direction.
        """
        if first not in WAYS:
            raise FeedRefusedError("told", "Choose which way it is turned next.")
        self.facts = replace(self.facts, first=first)
        for one in self._watched:
            if one.meter is not None:
                one.meter.name_first(first)

    def stalled(self, t_us: int) -> FeedAnswer:
        """Return the answer where the camera has sent nothing for a while."""
        first_us = t_us if self._first_us is None else self._first_us
        self._t_s = max(self._t_s, 1e-6 * (t_us - first_us))
        for one in self._watched:
            if one.meter is not None:
                one.measured = one.meter.add(self._t_s, None)
        return self._answer(t_us)

    def take(self, frame: SentFrame) -> FeedAnswer:
        """Measure a frame.

        Raises
        ------
        FeedRefusedError
            When the camera's picture changes its size or the meaning of its codes.
        """
        self._check_alike(frame)
        if self._first_us is None:
            self._first_us = frame.t_us
        self._t_s = max(self._t_s, 1e-6 * (frame.t_us - self._first_us))
        self._dropped += frame.dropped
        if frame.is_whole:
            self._look(frame.parts[0])
        else:
            self._frames += 1
            self._has_calibrated = False
            for part in frame.parts:
                for one in self._watched:
                    if one.number == part.star:
                        self._measure(one, part, frame.dropped)
            self._compare()
            self._give_up()
        return self._answer(frame.t_us)

    def _compare(self) -> None:
        """Compare the stars that are seen with the centre one."""
        if self.facts.stars == 1 or self._size is None:
            return
        if self._tilt is None:
            pitch_um = self.facts.pitch_um(self._size)
            self._tilt = FeedTilt(
                pitch_um=pitch_um, focal_mm=self.facts.focal_mm, distance_mm=self.facts.distance_mm
            )
        seen = {
            one.number: (one.meter.core, one.centre) for one in self._watched if one.is_seen and one.meter
        }
        self._tilt.add(self._t_s, seen, size_px=self._size)

    @property
    def _middle(self) -> tuple[float, float]:
        width, height = self._size or (0, 0)
        return (width / 2.0, height / 2.0)

    def _check_alike(self, frame: SentFrame) -> None:
        size = (frame.width_px, frame.height_px)
        if self._size is not None and size != self._size:
            raise FeedRefusedError(
                "picture",
                f"The camera's picture has become {size[0]} × {size[1]} px, it was {self._size[0]} × "
                f"{self._size[1]}. Start over: a pixel is another one now.",
            )
        if min(size) < MOST_SIDE_PX // 4:
            raise FeedRefusedError(
                "picture",
                f"The camera's picture is {size[0]} × {size[1]} px: too small. Choose its full "
                "size; 1080p is good.",
            )
        self._size = size
        if not frame.is_whole:
            if self._is_limited not in {None, frame.is_limited}:
                raise FeedRefusedError("picture", "The camera's codes have changed their range. Start over.")
            self._is_limited = frame.is_limited

    def _look(self, part: SentPart) -> None:
        """Search the whole picture for round dark patches, and aim at them."""
        lost = [one for one in self._watched if one.is_lost]
        if self._size is None or (self._watched and not lost):
            return
        self._is_black = float(np.max(part.codes)) < 16 + DARK_SHARE * 219
        rows, columns = part.codes.shape
        across, down = self._size[0] / columns, self._size[1] / rows
        found = discs(codes_to_linear(np.ascontiguousarray(part.codes), CODES[False]), most=LOOKED_AT)
        self._places = [
            (
                (one.centre_px[0] + 0.5) * across - 0.5,
                (one.centre_px[1] + 0.5) * down - 0.5,
                one.radius_px * across,
            )
            for one in found
        ]
        if lost:
            self._aim_again(lost[0])
        else:
            self._next_places()

    def _aim_again(self, one: _Watched) -> None:
        """Aim at where a star that was lost may be now: a patch of its size; its passes stay."""
        alike = [place for place in self._places if abs(place[2] / one.radius - 1.0) < SAME_SIZE]
        if alike:
            x, y, _ = min(alike, key=lambda place: math.dist(place[:2], one.centre))
            one.centre, one.since_s, one.is_lost = (x, y), self._t_s, False
            self._aim(one)

    def _next_places(self) -> None:
        """Aim at the next place, large ones first; of several stars at the largest, the middle one first."""
        count = self.facts.stars
        large = LARGE * max((place[2] for place in self._places), default=0.0)
        if count > 1:
            self._places.sort(key=lambda place: -place[2])
        else:
            self._places.sort(key=lambda place: (place[2] < large, math.dist(place[:2], self._middle)))
            self._places = self._places[:MOST_PARTS]
        taken, self._places = self._places[:count], self._places[count:]
        taken.sort(key=lambda place: math.dist(place[:2], self._middle))
        self._watched = [_Watched(number, (x, y), radius) for number, (x, y, radius) in enumerate(taken)]
        for one in self._watched:
            self._aim(one)

    def _aim(self, one: _Watched) -> None:
        """Choose the part of the picture around a star, with even places and a whole scale."""
        width, height = self._size or (0, 0)
        side = 2.0 * (ROOM_SHARE * one.radius + ROOM_PX) if one.radius else float(TAP_PX)
        shrink = one.window[4] if one.meter is not None else max(1, math.ceil(side / MOST_SIDE_PX))
        step = 2 * shrink
        sent = min(int(side // step) * 2, MOST_SIDE_PX)
        columns, rows = (min(sent, whole // step * 2) for whole in (width, height))
        left, top = (
            int(min(max(middle - reach * shrink / 2, 0.0), whole - reach * shrink)) // BLOCK_PX * BLOCK_PX
            for middle, reach, whole in zip(one.centre, (columns, rows), (width, height), strict=True)
        )
        one.window = (left, top, columns, rows, shrink)

    def _measure(self, one: _Watched, part: SentPart, dropped: int) -> None:
        is_asked = (part.left, part.top) == one.window[:2] or one.meter is not None
        if part.shrink != one.window[4] or not is_asked:
            return  # sent before the page knew what is asked for now
        if one.since_s < 0.0:
            one.since_s = self._t_s
        pitch_um = self.facts.pitch_um(self._size or (0, 0)) * part.shrink
        if one.meter is None and not self._begin(one, part, pitch_um):
            return
        meter = one.meter
        if meter is None:
            return
        here = (part.left, part.top, *part.codes.shape)
        if one.seen_at is not None and one.seen_at != here:
            meter.core.moved(
                (one.seen_at[0] - part.left) / part.shrink, (one.seen_at[1] - part.top) / part.shrink
            )
        one.seen_at = here
        one.measured = meter.add(
            self._t_s, part.codes, dropped=dropped, may_calibrate=not self._has_calibrated
        )
        self._has_calibrated = self._has_calibrated or meter.core.has_calibrated
        if meter.place is None:
            if "frozen" in one.measured.line.notes:
                one.since_s = self._t_s
            return
        one.since_s = self._t_s
        (x, y), radius = meter.place
        self._see(one, part, (x, y), radius)
        rows, columns = part.codes.shape
        if max(abs(x - columns / 2), abs(y - rows / 2)) > OFF_PX or not one.window[2]:
            self._aim(one)

    def _see(self, one: _Watched, part: SentPart, centre: tuple[float, float], radius: float) -> None:
        """Note where a star of a part is in the camera's picture."""
        x, y = ((at + 0.5) * part.shrink - 0.5 for at in centre)
        one.centre, one.radius = (part.left + x, part.top + y), radius * part.shrink

    def _begin(self, one: _Watched, part: SentPart, pitch_um: float) -> bool:
        """Find the star in a part of the picture, count its spokes, and begin to measure it."""
        if self._t_s - one.searched_s < SEARCH_S:
            return False
        one.searched_s = self._t_s
        levels = CODES[bool(self._is_limited)]
        found = find_any_star(codes_to_linear(np.ascontiguousarray(part.codes), levels), pitch_um=pitch_um)
        if found is None:
            return False
        place, one.spokes = found
        self._see(one, part, place.centre_px, place.radius_px)
        self._aim(one)
        if one.window[4] != part.shrink:
            return False
        one.meter = LiveMeter(
            _layout(one.spokes),
            pitch_um=pitch_um,
            fnumber=self.facts.fnumber,
            first=self.facts.first,
            levels=levels,
            is_late=True,
        )
        return True

    def _give_up(self) -> None:
        """Leave places where no star is seen for long; the centre star is looked for in the whole picture."""
        for one in list(self._watched):
            if one.since_s < 0.0 or self._t_s - one.since_s < GIVEN_UP_S:
                continue
            if one.number == 0 and one.meter is not None:
                one.is_lost = True
                continue
            self._leave(one, has_next=one.meter is None)
        corners = [one for one in self._watched if one.number and one.meter is not None]
        counts = Counter(one.spokes for one in corners)
        for one in corners:
            if one.spokes != counts.most_common(1)[0][0] and max(counts.values()) >= AGREED:
                self._leave(one, has_next=True)  # a marker, locked on as if it were a star
        if not self._watched:
            self._next_places()

    def _leave(self, one: _Watched, *, has_next: bool) -> None:
        """Leave a place, and aim at the next that is left where there is one."""
        self._watched.remove(one)
        if self._places and has_next:
            x, y, radius = self._places.pop(0)
            self._watched.append(_Watched(one.number, (x, y), radius))
            self._aim(self._watched[-1])

    def _answer(self, t_us: int) -> FeedAnswer:
        centre = next((one for one in self._watched if one.number == 0), None)
        measured = centre.measured if centre is not None else None
        landing = None if measured is None else landing_of(measured)
        return FeedAnswer(
            {
                "schema": SCHEMA_ID,
                "t_us": t_us,
                "want": self._want(),
                "meter": None if measured is None else measured.document,
                "contrast": None if measured is None else measured.line.contrast,
                "landing": None if landing is None else landing.document,
                "words": self._words(centre, measured),
                "stars": [self._star(one) for one in self._watched if one.is_seen],
                "tilt": self._tilt_document(measured),
                "frames": self._frames,
                "dropped": self._dropped,
            },
            landing,
        )

    def _want(self) -> list[list[int]] | str:
        """Return the parts of the picture that the page sends next, or that it sends the whole."""
        if not self._watched or any(one.is_lost for one in self._watched):
            return "whole"
        return [[one.number, *one.window] for one in self._watched]

    def _words(self, centre: _Watched | None, measured: Measured | None) -> list[str]:
        if measured is not None:
            return measured.sentences
        if self._is_black and centre is None:
            return ["The picture is black: open the lens, light the chart."]
        if centre is None:
            return ["No star is seen yet. Bring the chart's star into the picture, large, or tap on it."]
        return ["No spokes are seen yet: turn until the star shows its spokes, or tap on the star."]

    def _tilt_document(self, measured: Measured | None) -> dict[str, Any] | None:
        """Return the tilt, where the centre star's picture gives microns at all."""
        is_refused = measured is None or bool(NO_MICRONS & set(measured.line.notes))
        tilt = None if self._tilt is None or is_refused else self._tilt.tilt
        return None if tilt is None else {**asdict(tilt), "words": tilt_sentence(tilt)}

    def _star(self, one: _Watched) -> dict[str, Any]:
        line = None if one.measured is None else one.measured.line
        return {
            "star": one.number,
            "x": round(one.centre[0], 1),
            "y": round(one.centre[1], 1),
            "radius": round(one.radius, 1),
            "spokes": one.spokes,
            "contrast": None if line is None else line.contrast,
            "modulation": None if one.meter is None else one.meter.core.modulation,
            "offset_um": None if line is None else line.offset_um,
            "is_signed": line is not None and line.is_signed,
        }


@cache
def warm_up() -> None:
    """Load what measuring compiles, once: a person's first turn is not missed meanwhile."""
    down, right = np.mgrid[-120:120, -120:120] + 0.5
    spokes = 0.5 + 0.4 * np.cos(36 * np.arctan2(down, right))
    codes = (16 + 200 * np.where(np.hypot(down, right) < 90, spokes, 0.9)).astype(np.uint8)
    find_any_star(codes_to_linear(codes, CODES[True]), pitch_um=6.0)
    meter = LiveMeter(_layout(36), pitch_um=6.0, fnumber=2.0, levels=CODES[True])
    for number in range(3):
        meter.add(0.04 * number, codes + np.uint8(number))


def _layout(spokes: int) -> dict[str, Any]:
    star = {"id": "S0", "centre_mm": [0.0, 0.0], "radius_mm": 50.0, "spokes": spokes}
    return {"unit": "mm", "stars": [star]}
