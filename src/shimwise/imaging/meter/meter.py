"""The meter: frames of a feed one by one, and after each how far the sensor is from best focus."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.frames.levels import CodeLevels, codes_to_linear
from shimwise.imaging.meter.answer import (
    CODED_SHARE,
    PIXELS_N2,
    SMOOTHED_SHARE,
    Figure,
    MeterAnswer,
    MeterState,
    figure_between_axes,
    held_figure,
)
from shimwise.imaging.meter.calibration import Calibration
from shimwise.imaging.meter.history import StarHistory
from shimwise.imaging.meter.law_model import MeterLaw, reach_um
from shimwise.imaging.meter.lock import find_star
from shimwise.imaging.meter.offsets import Offset, Places, offset_between
from shimwise.imaging.meter.paper import PaperWatch
from shimwise.imaging.meter.star_frame import StarFrame, StarPlace, measure_frame, pixel_plan
from shimwise.imaging.star.rings import RingPlan

Codes = NDArray[np.generic]

LOST_COHERENCE = 0.6
FIRST_FRAMES = 5
"""A star found later than in these was perhaps moved before."""
SEARCH_S = 0.15
"""Time between searches of whole pictures for a star that is not seen."""
FROZEN_S = 0.5
"""So long nothing new, and the feed is frozen."""
DARK_SHARE = 0.04
"""Brightest part of a picture, by white, below which it is black."""
CLIPPED_SHARE = 0.02
HALO = 1.003
"""Paper just outside the rim by the paper farther out, in sharp frames, above which a camera sharpens."""
LIGHT_SHARE = 0.03
"""Change of the paper's light since the pass above which it is noted."""
USUAL_FNUMBER = 2.8
"""For the law's shape where none is known; no microns are given then."""
REACH_SHARE = 0.95
"""Share of the law's reach beyond which a size is not given."""
BENT = 0.005
"""Misfit of the coarse rings above which a smoothed picture is no lens's any more: a median, which takes
the more of a ring the more its spokes are blurred, leaves .010 to .011, a bilateral filter .001 to .002,
coding in blocks .002; chosen on tuning feeds."""
BENT_WAVES = 0.8
"""Spherical aberration beyond which it is smoothing that bends them; chosen on tuning feeds."""
SOFT, SOFT_RMS = 0.35, 0.005
"""Correlation of neighbours and misfit of all rings above which, both together, the picture is smoothed, too:
a mosaic's and sharpening's is .30 with .002; chosen on tuning feeds."""
REVERSED = -0.25
"""Mean modulation that no contrast reversal reaches: the star's phase was taken half a turn off."""
SIDE_N, SIDE_UM = 1.25, 5.0
"""Size, in N µm and in µm (there 2·N if that is less), up to which no side is given: a hand that comes to
rest there may have passed or not."""
MOST_DRIFT_PX = 1.5
"""Motion from frame to frame up to which the next is expected to go on so; beyond, it was a jump."""
MARGIN = 1.16
"""Part of the picture that is made linear, by the star's radius."""
ALIKE_SHARE = 0.05
"""Change of a star's radius up to which it is the same star; chosen."""


class First(StrEnum):
    """Which way the sensor moves first, against the lens; the ring towards nearer marks is ``away``."""

    AWAY = "away"
    TOWARD = "toward"


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterSettings:
    """What is known of chart, lens and camera.

    Attributes
    ----------
    spokes : int
        Dark spokes of the star.
    pitch_um : float
        Pixel pitch of the feed, µm: of a feed scaled down, the sensor's times the scale.
    fnumber : float, optional
        f-number as set; without it no microns are given.
    first : First, optional
        First direction; without it the side is not known.
    levels : CodeLevels
        What a code means.
    scale_share : float
        95 % half width of pitch and f-number together, as a share.
    has_axes : bool
        Whether the axes of the lens are measured apart, as of an anamorphic.
    near : StarPlace, optional
        Where a person pointed at the star, within 11 px and 8 % of its radius.
    is_late : bool
        Whether the feed was running before: then the first direction holds only for a motion that begins at
        rest, as it does where the star is found later than in the first frames.
    """

    spokes: int
    pitch_um: float
    levels: CodeLevels
    fnumber: float | None = None
    first: First | None = None
    scale_share: float = 0.0
    near: StarPlace | None = None
    has_axes: bool = False
    is_late: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.pitch_um) and 0.2 <= self.pitch_um <= 100.0):
            raise ImagingError(f"A pixel pitch of {self.pitch_um:g} µm is impossible; give 0.2 to 100 µm.")
        if self.fnumber is not None and not 0.7 <= self.fnumber <= 64.0:
            raise ImagingError(f"An f-number of {self.fnumber:g} is impossible; give 0.7 to 64.")


class Meter:
    """One star of a feed, measured frame by frame.

    Parameters
    ----------
    settings : MeterSettings
        What is known before.
    """

    def __init__(self, settings: MeterSettings) -> None:
        self.settings = settings
        self._fnumber = settings.fnumber or USUAL_FNUMBER
        self._near = settings.near
        self._frames = self._dropped = 0
        self._last_codes: Codes | None = None
        self._new_s = -math.inf
        self._place: StarPlace | None = None
        self._drift = (0.0, 0.0)
        self._corner = (0.0, 0.0)
        self._search_s = -math.inf
        self._plan: RingPlan | None = None
        self._law: MeterLaw | None = None
        self._history: StarHistory | None = None
        self._paper = PaperWatch()
        self._is_soft = False
        self._seen: StarFrame | None = None
        self._answer = MeterAnswer(t_s=0.0, state=MeterState.SEEKING)
        self.last_still: MeterAnswer | None = None

    def add(
        self,
        t_s: float,
        codes: Codes,
        *,
        dropped: int = 0,
        corner_px: tuple[float, float] | None = None,
        may_calibrate: bool = True,
    ) -> MeterAnswer:
        """Take a frame and return the answer after it.

        Parameters
        ----------
        t_s : float
            Time of the frame, s, rising.
        codes : ndarray
            Grey picture or a crop around the star, always of one size, (rows, columns), in the codes of the
            settings' levels.
        dropped : int
            Frames that were lost since the one before.
        corner_px : tuple of float, optional
            Place of the crop's first pixel in the frame, where crops follow the star; else as before.
        may_calibrate : bool
            Whether a pass that is complete may be worked out now, which takes as long as ten frames: of
            several stars one a frame, or all would at once.

        Raises
        ------
        ImagingError
            When the picture is no array of rows and columns.
        """
        if codes.ndim != 2 or min(codes.shape) < 16:
            raise ImagingError(f"A frame has the shape {codes.shape}; expected rows, columns of 16 or more.")
        self._frames += 1
        self._dropped += dropped
        if self._last_codes is not None and np.array_equal(codes, self._last_codes):
            self._answer = self._repeated(t_s)
            return self._answer
        self._last_codes, self._new_s = codes, t_s
        if corner_px is not None and corner_px != self._corner:
            self.moved(self._corner[0] - corner_px[0], self._corner[1] - corner_px[1])
        seen = self._measured(t_s, codes)
        if seen is None:
            is_dark = float(np.max(codes)) < self.settings.levels.black + DARK_SHARE * (
                self.settings.levels.white - self.settings.levels.black
            )
            self._answer = self._base(t_s, MeterState.SEEKING, ("black" if is_dark else "no_chart",))
            return self._answer
        if float(seen.modulation.mean()) < REVERSED and self._history is not None:
            self._place = replace(seen.place, phase_rad=seen.place.phase_rad + math.pi)
            seen = replace(seen, place=self._place, modulation=-seen.modulation, quarters=-seen.quarters)
            self._history.turn_over()
        self._seen = seen
        self._answer = self._measured_answer(t_s, seen, may_calibrate=may_calibrate)
        if self._answer.state is MeterState.STILL and self._answer.offset_um is not None:
            self.last_still = self._answer
        return self._answer

    def moved(self, right_px: float, down_px: float) -> None:
        """Take note that in frames from now on, another crop, the star lies farther right and down."""
        self._corner = (self._corner[0] - right_px, self._corner[1] - down_px)
        self._place, self._near = (
            one and replace(one, centre_px=(one.centre_px[0] + right_px, one.centre_px[1] + down_px))
            for one in (self._place, self._near)
        )
        self._paper.place = None  # laid anew

    def stalled(self, t_s: float) -> MeterAnswer:
        """Return the answer if no frame has come for so long that the feed has stopped."""
        self._answer = self._repeated(t_s)
        return self._answer

    def name_first(self, first: First) -> None:
        """Name the direction that the sensor moves in next, where the side was lost or not named before."""
        self.settings = replace(self.settings, first=first)
        if self._history is not None:
            self._history.name_first(first)

    def places(self) -> Places:
        """Return the signed places of the frames, as :meth:`.history.StarHistory.places`."""
        return Places(*np.zeros((3, 0))) if self._history is None else self._history.places()

    @property
    def modulation(self) -> float | None:
        """Mean modulation of the star's rings in the last frame that showed it, not by the sharpest."""
        return None if self._seen is None else float(self._seen.modulation.mean())

    @property
    def has_calibrated(self) -> bool:
        """Whether a pass was worked out at the last frame."""
        return self._history is not None and self._history.has_calibrated

    @property
    def is_side_known(self) -> bool:
        """Whether it is known which side of the sharpest place the sensor is on now."""
        return self._history is not None and self._history.side is not None

    def apart_from(self, middle: Meter) -> Offset | None:
        """Return this star's place less the middle one's, short < 0; None where too few frames show it.

        Signed as the middle star's side is; without one, by :attr:`turn`.
        """
        fnumber = self.settings.fnumber
        base, own = middle.places(), self.places()
        if fnumber is None or not base.t_s.size or not own.t_s.size:
            return None
        apart = offset_between(base, own, fnumber)
        return None if apart is None else Offset(middle.turn * apart.um + 0.0, apart.sd_um)

    @property
    def turn(self) -> float:
        """Sign that turns :meth:`places` into short < 0; 1 where the side is not known."""
        return 1.0 if self._history is None else self._history.turn

    def positions_um(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return times [s] and places [µm] of the frames, as :meth:`.history.StarHistory.positions_um`."""
        return (np.zeros(0), np.zeros(0)) if self._history is None else self._history.positions_um()

    def final(self) -> MeterAnswer:
        """Return the answer at the end of a feed: its last still second, or else the last of all."""
        if "frozen" in self._answer.notes or self.last_still is None:
            return self._answer
        return replace(self.last_still, frames=self._frames, dropped=self._dropped)

    def _base(self, t_s: float, state: MeterState, notes: tuple[str, ...]) -> MeterAnswer:
        return MeterAnswer(t_s=t_s, state=state, frames=self._frames, dropped=self._dropped, notes=notes)

    def _repeated(self, t_s: float) -> MeterAnswer:
        if t_s - self._new_s < FROZEN_S:
            return replace(self._answer, t_s=t_s, frames=self._frames, dropped=self._dropped)
        if self._history is not None:
            self._history.interrupt()
        return self._base(t_s, MeterState.SEEKING, ("frozen",))

    def _measured(self, t_s: float, codes: Codes) -> StarFrame | None:
        """Measure the star where it was, or find it anew."""
        for attempt in range(2):
            if self._place is None and not self._found(t_s, codes):
                return None
            if self._place is None or self._plan is None:
                return None
            (x, y), reach = self._place.centre_px, MARGIN * self._place.radius_px + 4.0
            left, top = max(int(x - reach), 0), max(int(y - reach), 0)
            part = codes[top : int(y + reach) + 2, left : int(x + reach) + 2]
            picture = codes_to_linear(np.ascontiguousarray(part), self.settings.levels)
            here = replace(self._place, centre_px=(x + self._drift[0] - left, y + self._drift[1] - top))
            seen = measure_frame(picture, here, self._plan, white=0.999 * self.settings.levels.white_linear)
            moved = seen.place.centre_px
            place = replace(seen.place, centre_px=(moved[0] + left, moved[1] + top))
            is_far = math.dist(place.centre_px, self._place.centre_px) > 0.5 * place.radius_px
            if seen.coherence >= LOST_COHERENCE and not is_far:
                drift = (place.centre_px[0] - x, place.centre_px[1] - y)
                self._drift = drift if math.hypot(*drift) < MOST_DRIFT_PX else (0.0, 0.0)
                self._place = place
                unit = 2.0 ** (self.settings.levels.bits - 8)
                self._paper.add(codes, place, unit=unit, left_px=int(self._corner[0]))
                return replace(seen, place=place)
            self._drift = (0.0, 0.0)
            self._near, self._place = (self._place if attempt == 0 else None), None
        return None

    def _found(self, t_s: float, codes: Codes) -> bool:
        if t_s - self._search_s < SEARCH_S:
            return False
        self._search_s = t_s
        picture = codes_to_linear(np.ascontiguousarray(codes), self.settings.levels)
        found = find_star(picture, self.settings.spokes, pitch_um=self.settings.pitch_um, near=self._near)
        if found is None:
            return False
        if self._plan is None or not _is_alike(self._near, found):
            blur_px = reach_um(self._fnumber) / (2.0 * self._fnumber) / self.settings.pitch_um
            self._plan = pixel_plan(
                self.settings.spokes, found.radius_px, pitch_um=self.settings.pitch_um, blur_px=blur_px
            )
            self._law = MeterLaw(self._fnumber, self._plan, self.settings.pitch_um)
            # Of a star that is found with another size the first turn was perhaps before.
            self._history = StarHistory(
                self._law,
                self.settings.first if self._history is None else None,
                has_axes=self.settings.has_axes,
                is_late=self.settings.is_late or self._frames > FIRST_FRAMES,
            )
        self._place = found
        return True

    def _measured_answer(self, t_s: float, seen: StarFrame, *, may_calibrate: bool) -> MeterAnswer:
        history = self._history
        if history is None:
            return self._base(t_s, MeterState.SEEKING, ("no_chart",))
        found = history.calibration
        if found is not None and found.rms > SOFT_RMS and self._paper.neighbour_correlation > SOFT:
            self._is_soft = True
        if self._is_smoothed:
            history.use_coarse_rings()
        history.add(t_s, seen, corner_px=self._corner)
        sharpened = history.halo > HALO
        history.settle(has_sharpening=sharpened, may_calibrate=may_calibrate)
        notes = self._notes(seen, history, sharpened=sharpened)
        refused = {"clipped", "frames_depend", "unknown_fnumber"} & set(notes)
        is_still = history.is_still
        state = (
            MeterState.SEEKING
            if history.calibration is None
            else MeterState.STILL
            if is_still
            else MeterState.MOVING
        )
        answer = replace(
            self._base(t_s, state, notes),
            sharpened=sharpened,
            contrast=history.contrast,
            axes_um=None if history.axes_apart is None else history.axes_apart.um,
            axes_half_um=None if history.axes_apart is None else history.axes_apart.half_um,
            centre_px=seen.place.centre_px,
            radius_px=seen.place.radius_px,
        )
        if history.calibration is None or refused:
            return replace(answer, axes_um=None, axes_half_um=None)
        bent = history.calibration.ring_misfit > BENT or abs(history.calibration.w040_waves) > BENT_WAVES
        if "smoothed" in notes and bent:
            self.last_still = None
            return replace(answer, notes=(*notes, "misfit"))
        figure = self._figure(history, history.calibration, sharpened=sharpened, smoothed="smoothed" in notes)
        if figure.size > REACH_SHARE * reach_um(self._fnumber):
            return replace(answer, notes=(*notes, "beyond_reach"))
        is_clear = figure.size > max(SIDE_N * self._fnumber, min(2.0 * self._fnumber, SIDE_UM))
        # If the rim shows the other side, a passage was missed or made up: none is given.
        is_doubted = history.side is not None and history.rim_side == -history.side
        figured = _with_figure(answer, figure, history.side if is_clear and not is_doubted else None)
        is_off = history.side is None and figure.low > 0.0
        return (
            replace(figured, notes=(*notes, history.side_lost)) if is_off and history.side_lost else figured
        )

    def _figure(
        self, history: StarHistory, calibration: Calibration, *, sharpened: bool, smoothed: bool
    ) -> Figure:
        """Return the size of defocus now: by both axes where they are too far apart for the whole star."""
        pixels_n2 = PIXELS_N2 / self.settings.spokes if history.is_elsewhere else 0.0
        between = None if smoothed else history.held_between_axes()
        if history.axes is not None and between is not None:
            return figure_between_axes(
                history.axes,
                *between,
                fnumber=self._fnumber,
                sharpened=sharpened,
                pixels_n2=pixels_n2,
                scale_share=self.settings.scale_share,
            )
        return held_figure(
            calibration,
            *history.held(),
            fnumber=self._fnumber,
            sharpened=sharpened,
            smoothed_share=self._smoothed_share if smoothed else 0.0,
            pixels_n2=pixels_n2,
            scale_share=self.settings.scale_share,
        )

    @property
    def _is_smoothed(self) -> bool:
        return self._is_soft or self._paper.is_smoothed

    @property
    def _smoothed_share(self) -> float:
        return CODED_SHARE if self._paper.is_coded else SMOOTHED_SHARE

    def _notes(self, seen: StarFrame, history: StarHistory, *, sharpened: bool) -> tuple[str, ...]:
        notes = []
        if seen.clipped_share > CLIPPED_SHARE:
            notes.append("clipped")
        if self.settings.fnumber is None:
            notes.append("unknown_fnumber")
        if self._paper.are_dependent:
            notes.append("frames_depend")
        elif self._is_smoothed:
            notes.append("smoothed")
        if sharpened:
            notes.append("sharpened")
        if history.calibration is None:
            notes.append("no_pass")
        elif abs(seen.paper / history.paper - 1.0) > LIGHT_SHARE:
            notes.append("light_changed")
        if "smoothed" in notes and history.calibration is not None and not history.has_hold:
            notes.append("hold_sharpest")
        if history.rim is not None and history.rim.breathes:
            notes.append("breathes")
        return tuple(notes)


def _is_alike(before: StarPlace | None, found: StarPlace) -> bool:
    return before is not None and abs(found.radius_px / before.radius_px - 1.0) < ALIKE_SHARE


def _with_figure(answer: MeterAnswer, figure: Figure, side: float | None) -> MeterAnswer:
    """Return the answer with the size on its side; where 0 is not excluded the interval holds both."""
    reaches_zero = figure.low <= 0.0
    if side is None:
        return replace(
            answer,
            offset_um=figure.size,
            low_um=-figure.high if reaches_zero else figure.low,
            high_um=figure.high,
        )
    ends = (-figure.high if reaches_zero else figure.low, figure.high)
    low, high = ends if side > 0 else (-ends[1], -ends[0])
    return replace(
        answer, offset_um=side * figure.size + 0.0, low_um=low, high_um=high, is_signed=not reaches_zero
    )
