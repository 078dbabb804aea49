"""The frames of a star so far: when it moves and rests, when a pass is complete, on which side it is."""

import math
from bisect import bisect_left

import numpy as np

from shimwise.arrays import FloatArray, IntArray
from shimwise.imaging.meter.axes import Axes, axes_of
from shimwise.imaging.meter.calibration import Calibration, Run, calibrate, first_squares, rough
from shimwise.imaging.meter.crossings import find_crossings, last_doubt_s
from shimwise.imaging.meter.first_turn import begins_at_rest, first_way, jumps
from shimwise.imaging.meter.law_model import MeterLaw, reach_um
from shimwise.imaging.meter.offsets import Offset, Places
from shimwise.imaging.meter.rim import Rim, rim_by_place
from shimwise.imaging.meter.smear import SmearWatch
from shimwise.imaging.meter.star_frame import StarFrame

MOST_FRAMES, MOST_MOVING = 1500, 300
"""Frames that are kept, and moving ones that a calibration is made of."""
STILL_S, HELD_S, LEAST_REST = 0.6, 1.5, 10
"""Still from so long on and so many frames at least, measured over the last of it."""
STILL_N, STILL_NOISE = 0.25, 3.5
"""A rest's squares lie within what so many N µm make, and so many deviations of noise."""
LOOK_EVERY, REST_FRAMES = 6, 15
"""Frames between looks for a new crossing, and moving ones that a calibration at a rest needs."""
LEAST_NOISE = 0.08
"""Least deviation of a frame's square, in N² µm²."""
NAMED_FRAMES = 100
"""Frames of a rest that are kept for it as the beginning of the first turn, however long it lasts."""
FIRST_FRAMES = 3
"""A rest that is seen so soon after the direction was named has begun before."""
JUMP_SHARE = 0.8
"""Share of the law's reach within which a jump of the picture is seen."""
LEAST_SHARPNESS = 1e-3
"""Far out of focus the rings' sum may be below 0: contrast is then 0."""
RIM_N = 20.0
"""Sizes, in N µm, up to which the rim is compared with the places."""
NEAR_REST_N = 2.2
"""Size, in N µm, up to which the scatter of a rest's squares counts as noise at a passage, and up to which it
may be at the sharpest, however little the zero is known."""
ELSEWHERE_PX = 0.4
"""Distance from which a star is sampled otherwise than before."""
APART_N = 1.0
"""Half of how far axes are apart, in N µm, from which the whole star follows no round blur's law: of 30 µm at
f/2 it is 1.3 µm off at 20; chosen."""
SHARPEST_N = 0.4
"""Mean square of a rest, in N² µm² and beside the zero's own deviation, up to which it is at the sharpest."""
LEAST_HOLD, MOST_HOLD = 24, 72
"""Frames of rests at the sharpest place that make a hold, and the most that are kept."""
SAME_S = 0.25
"""Crossings nearer in time than this are one."""
IMPOSSIBLE_N2, IMPOSSIBLE_FRAMES = 10.0, 5
"""Squares so far below 0, in N² µm², in so many frames in a row show that a pass was none; chosen."""
HALO_BINS = slice(12, 16)
HALO_FRAMES = 20


class StarHistory:
    """What a star's frames add up to.

    ``axes_apart``: place by the vertical axis less that by the horizontal, short < 0; None until passes have
    shown it while the side was known. ``side_lost``: why the side known from a named direction was lost; the
    code of a note.

    Parameters
    ----------
    law : MeterLaw
        The law at the star's rings.
    first : str or None
        "away" or "toward": which way the sensor moves first.
    has_axes : bool
        Whether the axes of the lens are measured apart.
    is_late : bool
        Whether frames came before these: then a motion is only believed to be the first where it begins at
        rest, since one that went before was not seen.
    """

    def __init__(
        self, law: MeterLaw, first: str | None, *, has_axes: bool = False, is_late: bool = False
    ) -> None:
        self._law, self._first, self._has_axes = law, first, has_axes
        self._is_late = is_late
        self._quarters: list[FloatArray] = []
        self.axes: Axes | None = None
        self.axes_apart: Offset | None = None
        self._t: list[float] = []
        self._rings: list[FloatArray] = []
        self._variance: list[FloatArray] = []
        self._square: list[FloatArray] = []
        self._noise: list[FloatArray] = []
        self._moving: list[bool] = []
        self._rim: list[float] = []
        self._at: list[tuple[float, float]] = []
        self._speed2: list[float] = []
        self._smear = SmearWatch(law.frequency_cy_px)
        self._sharp: list[tuple[float, float]] = []
        self._rough: Calibration | None = None
        self._still_from: int | None = None
        self._since = self._calibrated = self._named = self._jumped = 0
        self._crossed: list[float] = []
        self._first_side: float | None = None
        self._hold: list[int] = []
        self._is_held = self._is_hold_used = False
        self._at_sharpest = False
        self._rest_noise = 0.0
        self._best = -np.inf
        self._is_coarse = False
        self.calibration: Calibration | None = None
        self.has_calibrated = False
        self.paper = 1.0
        self.side: float | None = None
        self.side_lost: str | None = None
        self.run_side = 0.0
        self.rim: Rim | None = None

    def add(self, t_s: float, seen: StarFrame, *, corner_px: tuple[float, float] = (0.0, 0.0)) -> None:
        """Add a frame, of a crop that begins at ``corner_px`` of the whole."""
        x, y = seen.place.centre_px
        at_px = (x + corner_px[0], y + corner_px[1])
        self._t.append(t_s)
        self._rings.append(seen.modulation)
        self._variance.append(seen.variance)
        self._rim.append(seen.rim_px)
        self._at.append(at_px)
        if self._has_axes:
            self._quarters.append(seen.quarters)
        self._speed2.append(self._smear.add(t_s, at_px, seen.modulation, seen.quarters))
        sharpness = float(seen.modulation.sum())
        self._sharp = sorted([*self._sharp, (sharpness, float(seen.profile[HALO_BINS].max()))])[-HALO_FRAMES:]
        if sharpness > self._best:
            self._best, self._rough = sharpness, rough(self._law, seen.modulation[: self._law.rings])
            if self.calibration is None:
                self._solve(max(len(self._square) - REST_FRAMES, 0))
        self.contrast = max(sharpness, 0.0) / max(self._best, LEAST_SHARPNESS)
        self._paper_now = seen.paper
        self._solve(len(self._t) - 1)
        self._moving.append(True)
        if self.calibration is not None:
            below = [float(one[0]) for one in self._square[-IMPOSSIBLE_FRAMES:]]
            if max(below) < -IMPOSSIBLE_N2 * self._law.fnumber**2:
                self._begin_anew()  # sharper than the sharpest: that pass was none
        if self.calibration is not None:
            self._watch_jump(len(self._t) - 4)
        self._watch_rest()
        self._watch_sharpest()
        if len(self._t) > MOST_FRAMES:
            self._forget(len(self._t) - MOST_FRAMES)

    def use_coarse_rings(self) -> None:
        """Leave the fine rings out from now on, and start anew with all frames: the picture is smoothed."""
        if self._is_coarse:
            return
        self._is_coarse, self._law = True, self._law.coarse()
        self._begin_anew()

    def turn_over(self) -> None:
        """Turn the sign of all frames: the star was locked on beyond a contrast reversal."""
        self._rings = [-one for one in self._rings]
        self._quarters = [-one for one in self._quarters]
        self._best, self._sharp = max((float(one.sum()) for one in self._rings), default=-np.inf), []
        self._begin_anew()

    def _begin_anew(self) -> None:
        """Forget the passes, and solve all frames by the sharpest of them."""
        self.calibration, self._calibrated, self._crossed, self._first_side = None, 0, [], None
        self._hold, self._is_held, self._is_hold_used = [], False, False
        if self._rings:
            sharpest = max(self._rings, key=lambda rings: float(rings.sum()))
            self._rough = rough(self._law, sharpest[: self._law.rings])
            self._solve(0)

    def interrupt(self) -> None:
        """End a rest, as after a gap in the feed."""
        self._still_from = None

    @property
    def halo(self) -> float:
        """Paper just outside the rim by the paper farther out, in the sharpest frames."""
        return float(np.mean([halo for _, halo in self._sharp])) if len(self._sharp) >= HALO_FRAMES else 1.0

    @property
    def has_hold(self) -> bool:
        """Whether a second at the sharpest place was seen."""
        return len(self._hold) >= LEAST_HOLD

    def _watch_sharpest(self) -> None:
        """Collect what rests at the sharpest place; whoever leaves it may go to either side."""
        if not self.is_still or self.calibration is None:
            if self._at_sharpest:
                self._at_sharpest = False
                self._lose_side("left_sharpest")
            self._is_held = self.has_hold
            return
        square, variance = self.held()
        # The zero is as much less sure as frames scatter more than their paper's noise does.
        unsure = max(1.0, self._rest_noise / max(float(np.sqrt(np.mean(variance[:, 0]))), 1e-9))
        limit = SHARPEST_N * self._law.fnumber**2 + 2.0 * unsure * self.calibration.vertex_sd
        if abs(float(np.mean(square[:, 0]))) < min(limit, (NEAR_REST_N * self._law.fnumber) ** 2):
            self._at_sharpest = True
            if not self._is_held and self._still_from is not None:
                first = max(self._still_from, self._hold[-1] + 1 if self._hold else 0)
                self._hold = [*self._hold, *range(first, len(self._t))][-MOST_HOLD:]

    @property
    def rim_side(self) -> float | None:
        """Side of a rest by the rim, as ``side`` counts it; None if the rim does not show it."""
        if self.rim is None or self.side is None:
            return None
        square = self.held()[0][:, 0]
        seen = self.rim.side(np.array(self._rim[-square.size :]), float(np.mean(square)))
        return None if seen is None else seen * self.side * self.run_side

    @property
    def is_elsewhere(self) -> bool:
        """Whether a rest sits on other pixels than the passes did, which stayed on theirs."""
        if not self.is_still:
            return False
        moving = np.array(self._at)[np.array(self._moving)]
        if moving.shape[0] < REST_FRAMES:
            return False
        middle = np.median(moving, axis=0)
        wander = float(np.median(np.hypot(*(moving - middle).T)))
        return wander < ELSEWHERE_PX and math.dist(middle, self._at[-1]) > ELSEWHERE_PX

    @property
    def is_still(self) -> bool:
        """Whether nothing has moved for more than half a second."""
        return self._still_from is not None and self._t[-1] - self._t[self._still_from] >= STILL_S

    def held(self) -> tuple[FloatArray, FloatArray]:
        """Return squares and variances of the rest's last second and a half; moving, of the last frame."""
        first = self._held_from
        return np.array(self._square[first:]), np.array(self._noise[first:])

    def held_between_axes(self) -> tuple[FloatArray, FloatArray] | None:
        """Return signed places of the same frames and their variances, where axes lie far apart."""
        if self.axes is None or self.axes.least < (APART_N * self._law.fnumber) ** 2:
            return None
        first = self._held_from
        return self.axes.places(self._run(first), self._quarters_of(first))

    @property
    def _held_from(self) -> int:
        if self.is_still and self._still_from is not None:
            return max(bisect_left(self._t, self._t[-1] - HELD_S), self._still_from)
        return len(self._t) - 1

    def positions_um(self) -> tuple[FloatArray, FloatArray]:
        """Return the times of the frames [s] and the sensor's places by the passes, short < 0 [µm].

        Without a named direction the side before the first crossing counts as short; empty without a pass.
        """
        places = self.places()
        return places.t_s, self.turn * places.z_um

    @property
    def turn(self) -> float:
        """Sign that turns :meth:`places` into short < 0; 1 where the side is not known."""
        return 1.0 if self.side is None else self.side * self.run_side

    def name_first(self, first: str) -> None:
        """Name the direction of the motion that follows."""
        self._first, self._named, self.side_lost = first, max(len(self._t) - 1, 0), None
        self.side = self._first_side = None

    def settle(self, *, has_sharpening: bool, may_calibrate: bool = True) -> None:
        """Calibrate anew where a pass is complete, at the beginning of a rest after one, and after a hold.

        Where it may not now, it does at the next frame at which it may.
        """
        self._since, self.has_calibrated = self._since + 1, False
        if not may_calibrate:
            return
        count = len(self._t)
        is_rest = self._still_from is not None and self.is_still and any(self._moving[self._calibrated :])
        is_hold_new = self._is_held and not self._is_hold_used
        if not (is_rest or is_hold_new) and (self._since < LOOK_EVERY or count < 20):
            return
        self._since = 0
        moving = np.flatnonzero(self._moving)[-MOST_MOVING:]
        fresh = int(np.count_nonzero(moving >= self._calibrated))
        is_over = fresh >= LOOK_EVERY and ((is_rest and fresh >= REST_FRAMES) or self._has_crossed(moving))
        if not (is_over or is_hold_new):
            return
        run = self._run(0).only(moving)
        # A rest that was not left may be any: it does not tell where it is itself.
        hold = self._run(0).only(np.array(self._hold)) if self._is_held and self._hold else None
        self._is_hold_used = hold is not None
        if self._has_axes:
            self.axes = axes_of(
                self._law,
                run,
                self._quarters_of(0)[moving],
                noise=self._frame_noise,
                has_sharpening=has_sharpening,
            )
        found = calibrate(
            self._law,
            run,
            noise=self._frame_noise,
            has_sharpening=has_sharpening,
            least=0.0 if self.axes is None else self.axes.least,
            hold=hold,
        )
        self._calibrated, self.has_calibrated = count, True
        if found is None:
            return
        self.calibration, self.paper = found, self._paper_now
        start = float(run.t_s[0])
        before = [t for t in self._crossed if t < start - SAME_S]
        self._crossed = before + [one.time_s for one in found.crossings]
        self.run_side = float(found.side[-1])
        self._solve(0)
        self._watch_jump(self._named)
        doubt_s = last_doubt_s(
            run.t_s, found.square, self._law.fnumber, found.crossings, noise=self._frame_noise
        )
        if doubt_s > self._t[self._named]:
            self._lose_side("passage_doubted")
        self._first_side = self._first_side or self._side_before_crossings()
        if self._first_side is not None:
            self.side = self._first_side * (-1.0) ** len(self._crossed)
        if self.axes is not None and self.side is not None:
            apart = self.axes.difference
            self.axes_apart = Offset(self.turn * apart.um, apart.sd_um)
        places = self.places()
        inside = np.flatnonzero(self._moving)
        self.rim = rim_by_place(
            places.z_um[inside], np.array(self._rim)[inside], reach_um=RIM_N * self._law.fnumber
        )

    def places(self) -> Places:
        """Return the signed places of all frames, as the passes count their sides; empty without a pass."""
        if self.calibration is None:
            return Places(*np.zeros((3, 0)))
        t_s, square = np.array(self._t), np.array(self._square)[:, 0]
        size = np.sqrt(np.maximum(square, 0.0))
        variance = np.array(self._noise)[:, 0] / (4.0 * np.maximum(square, self._law.fnumber**2))
        return Places(t_s, self._sides(t_s) * size, variance)

    def _side_before_crossings(self) -> float | None:
        """Return the side before the first crossing from the way that the named motion went."""
        if self._first is None:
            return None
        size, noise = self._sizes(self._named)
        way = first_way(size, self._law.fnumber)
        if way is None:
            return None
        moved, grows = way
        t_s = np.array(self._t[self._named : self._named + moved])
        if (self._is_late or self._named > 0) and not begins_at_rest(
            t_s, size[:moved], noise[:moved], self._law.fnumber
        ):
            return None
        before = np.searchsorted(np.array(self._crossed), self._t[self._named + moved])
        return grows * (1.0 if self._first == "away" else -1.0) * float((-1.0) ** before)

    def _sizes(self, first: int) -> tuple[FloatArray, FloatArray]:
        """Return sizes of defocus from a frame on, and their deviation by noise. [µm]"""
        square = np.array(self._square[first:])[:, 0]
        size = np.sqrt(np.maximum(square, 0.0))
        noise = np.sqrt(np.array(self._noise[first:])[:, 0])
        return size, noise / (2.0 * np.maximum(size, self._law.fnumber))

    def _watch_jump(self, first: int) -> None:
        """End the named direction where the picture jumps: nobody saw which way it went, or past what."""
        first = max(first, self._named, 0)
        found = jumps(
            self._sizes(first)[0], self._law.fnumber, reach=JUMP_SHARE * reach_um(self._law.fnumber)
        )
        if found.size:
            self._jumped = first + int(found[-1])
            self._lose_side("jumped")

    def _lose_side(self, why: str) -> None:
        """End the named direction: which side it is on is not known until one is named anew."""
        if self._first is not None:
            self.side_lost = why
        self._first = self._first_side = self.side = None

    def _has_crossed(self, moving: IntArray) -> bool:
        """Return whether a crossing is complete that no calibration has seen."""
        run = self._run(int(moving[0])).only(moving - moving[0])
        if self.calibration is None:
            square = first_squares(self._law, run)
        else:
            square = np.array(self._square[int(moving[0]) :])[moving - moving[0], 0]
        last = self._crossed[-1] + SAME_S if self._crossed else -np.inf
        found = find_crossings(run.t_s, square, self._law.fnumber, noise=self._frame_noise, after_s=last)
        return any(np.isfinite(one.sd) and one.time_s > last for one in found)

    def _watch_rest(self) -> None:
        """Note whether the last frames lie together as a rest's do."""
        count = len(self._t)
        # Of a slow feed it takes longer until so many frames lie together.
        first = min(bisect_left(self._t, self._t[-1] - STILL_S + 1e-6), count - LEAST_REST)
        if first < 0 or self._t[-1] - self._t[0] < STILL_S:
            return
        if first < self._jumped:
            self._still_from = None
            return
        recent = np.array(self._square[first:])[:, 0]
        middle = float(np.median(recent))
        reach = STILL_N * self._law.fnumber
        room = 2.0 * np.sqrt(max(middle, 0.0)) * reach + reach**2
        apart = float(np.std(np.diff(recent))) / np.sqrt(2.0)
        room = max(room, STILL_NOISE * max(apart, self._frame_noise))
        half = recent.size // 2
        drift = abs(float(np.mean(recent[:half]) - np.mean(recent[half:])))
        if float(np.max(np.abs(recent - middle))) > room or drift > max(
            room / 3.0, 3.0 * apart / np.sqrt(half)
        ):
            self._still_from = None
            return
        if self._still_from is None:
            self._still_from = first
        if middle < (NEAR_REST_N * self._law.fnumber) ** 2:
            self._rest_noise = apart
        if self._still_from <= self._named + FIRST_FRAMES:
            self._named = max(self._named, count - NAMED_FRAMES)
        # The beginning of a rest stays with the motion: it shows on which side a hand came to rest.
        kept = min(self._still_from + REST_FRAMES, count)
        self._moving[kept:] = [False] * (count - kept)

    @property
    def _frame_noise(self) -> float:
        """Deviation of a frame's square [µm²]: by the paper's noise, or more where rests have shown it."""
        own = float(np.sqrt(self._noise[-1][0]))
        return max(own, LEAST_NOISE * self._law.fnumber**2, self._rest_noise)

    def _solve(self, first: int) -> None:
        """Solve the squares of frames from one on, each on its side."""
        model = self.calibration or self._rough
        run = self._run(first)
        if model is None or run.t_s.size == 0:
            return
        side: FloatArray = np.zeros(run.t_s.size)
        if self.calibration is not None:
            side = self._sides(run.t_s)
        square, variance = model.squares(run, side)
        self._square[first:], self._noise[first:] = list(square), list(variance)

    def _sides(self, t_s: FloatArray) -> FloatArray:
        """Return the side of each time as the calibration counts, by the crossings since."""
        since = len(self._crossed) - np.searchsorted(np.array(self._crossed), t_s)
        return np.asarray(self.run_side * (-1.0) ** since, dtype=np.float64)

    def _quarters_of(self, first: int) -> FloatArray:
        """Return the modulation of the quarters in frames from one on, (frames, 4, rings)."""
        kept = self._smear.kept(np.array(self._speed2[first:]))
        return (np.array(self._quarters[first:]) / kept[:, None])[:, :, : self._law.rings]

    def _run(self, first: int) -> Run:
        used = slice(self._law.rings)
        kept = self._smear.kept(np.array(self._speed2[first:]))
        return Run(
            np.array(self._t[first:]),
            (np.array(self._rings[first:]) / kept)[:, used],
            np.array(self._variance[first:])[:, used],
        )

    def _forget(self, count: int) -> None:
        lists = (self._t, self._rings, self._variance, self._square, self._noise, self._moving)
        for kept in (*lists, self._rim, self._at, self._speed2, self._quarters):
            del kept[:count]
        self._calibrated = max(self._calibrated - count, 0)
        if self._named < count:
            self._first = None  # the first turn is forgotten: no later one is taken for it
        self._named, self._jumped = max(self._named - count, 0), max(self._jumped - count, 0)
        self._hold = [k - count for k in self._hold if k >= count]
        if self._still_from is not None:
            self._still_from = max(self._still_from - count, 0)
