"""Where a hand passed through the sharpest place: crossings in a run of squares of defocus."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray, IntArray

TURN_N = 0.7
"""Change of the size, in N µm, that shows that a hand has turned or passed; chosen."""
NOISE_TURN = 2.5
"""Size between two passages, in roots of the square's deviation, below which noise may part one; chosen."""
ZERO_N = 1.0
"""Least size of a passage, in N µm, which may have been 0; chosen."""
PATH_SHARE, NEAR_STEPS = 0.7, 2
"""A hand may have been there between two frames if, as fast as in so many steps before or behind, it goes
this share of the way at least; chosen."""
OUT_N, FIT_N = 4.5, 5.0
"""A crossing that anchors comes from and goes beyond the first, and its parabola has this reach, in N µm."""
SOFT_N = 0.5
"""Least size, in N µm and beside noise, below which a passage counts although it does not anchor."""
SOFT_FRAMES, SOFT_NOISE, MEDIAN_TO_SD = 12, 5.0, 1.4826
"""Frames around it, and how far they lie above it, in deviations of a frame; chosen."""
TREMOR_UM = 0.4
"""Tremor of a hand that moves, µm rms: weighs the parabola's points; common practice, no source."""
LEAST_POINTS = 4
SOONEST_S = 0.35
"""A hand does not pass twice within so long, if it does not go far; chosen."""
MOST_N = 2.0
"""Largest vertex that is a crossing, in N µm and beside noise: beyond, a hand turned back."""


@dataclass(frozen=True, slots=True)
class Crossing:
    """A passage through the sharpest place.

    Attributes
    ----------
    after : int
        First frame on the other side.
    time_s : float
        Time of the vertex.
    vertex, sd : float
        Least square of defocus by a parabola through it, which is 0 in truth, and its deviation [µm²];
        infinite where the passage is too short for one, as on the way into a rest.
    frames : ndarray
        Frames of the parabola, and ``slope`` the vertex's derivative by their squares.
    """

    after: int
    time_s: float
    vertex: float
    sd: float
    frames: IntArray
    slope: FloatArray


def find_crossings(
    t_s: FloatArray, square: FloatArray, fnumber: float, *, noise: float, after_s: float = -math.inf
) -> list[Crossing]:
    """Return the crossings in a run of frames, in order.

    Parameters
    ----------
    t_s, square : ndarray
        Time [s] and square of defocus [µm²] of each frame.
    fnumber : float
        f-number: how near and far reach.
    noise : float
        Deviation of a frame's square by noise [µm²].
    after_s : float
        Passages that are over at this time are left out. [s]
    """
    size = np.sqrt(np.maximum(square, 0.0))
    found = []
    for before, least, behind in _merged(_passages(size, TURN_N * fnumber), t_s, size, most=OUT_N * fnumber):
        if t_s[behind] <= after_s:
            continue
        one = None
        if min(size[before], size[behind]) > OUT_N * fnumber:
            inside = _near(size, before, behind, fnumber)
            if inside.size >= LEAST_POINTS:
                most = (MOST_N * fnumber) ** 2 + 3.0 * noise
                one = _parabola(t_s, square, inside, noise, most=most)
        if one is None and _is_soft(square, least, noise, nearest=(SOFT_N * fnumber) ** 2):
            one = Crossing(
                least + 1, float(t_s[least]), 0.0, np.inf, np.arange(least, least + 1), np.zeros(1)
            )
        if one is not None:
            found.append(one)
    return found


def last_doubt_s(
    t_s: FloatArray, square: FloatArray, fnumber: float, crossings: Sequence[Crossing], *, noise: float
) -> float:
    """Return when it was last in doubt whether a hand passed the sharpest place; −inf if never.

    A passage came so near that it may have been there, and is no crossing; or what noise may have parted is
    another number of crossings as one. Parameters as of :func:`find_crossings`, whose ``crossings`` are. [s]
    """
    size = np.sqrt(np.maximum(square, 0.0))
    crossed = np.array([one.time_s for one in crossings])
    most = OUT_N * fnumber
    passages = _merged(_passages(size, TURN_N * fnumber), t_s, size, most=most)
    found = -math.inf
    for before, least, behind in _merged(
        passages, t_s, size, most=most, between=NOISE_TURN * math.sqrt(noise)
    ):
        count = np.count_nonzero((crossed >= t_s[before]) & (crossed <= t_s[behind]))
        if count != 1 and (size[least] < ZERO_N * fnumber or _may_pass_between(t_s, size, least)):
            found = float(t_s[least])
    return found


def _may_pass_between(t_s: FloatArray, size: FloatArray, least: int) -> bool:
    """Return whether a hand may have passed between the least frame and the next, as where some are lost.

    As fast as it comes and goes it would get there and to the other frame in the time between.
    """
    speed = np.abs(np.diff(size)) / np.maximum(np.diff(t_s), 1e-6)
    for k in (least - 1, least):
        if not 0 <= k < speed.size:
            continue
        beside = np.concatenate([speed[max(k - NEAR_STEPS, 0) : k], speed[k + 1 : k + 1 + NEAR_STEPS]])
        way = float(np.max(beside, initial=0.0)) * float(t_s[k + 1] - t_s[k])
        if way > PATH_SHARE * float(size[k] + size[k + 1]):
            return True
    return False


def sides_of(count: int, crossings: list[Crossing]) -> FloatArray:
    """Return the side of each frame, −1 before the first crossing and changing at each, (frames,)."""
    side = -np.ones(count)
    for crossing in crossings:
        side[crossing.after :] *= -1.0
    return side


def _near(size: FloatArray, before: int, behind: int, fnumber: float) -> IntArray:
    """Return the frames of a passage that lie near the least, from farther out where a hand is fast."""
    frames = np.arange(before, behind + 1)
    for reach in (FIT_N, FIT_N + 2.0, FIT_N + 4.0):
        inside = frames[size[frames] < reach * fnumber]
        if inside.size > LEAST_POINTS:
            break
    return inside


def _is_soft(square: FloatArray, least: int, noise: float, *, nearest: float) -> bool:
    """Return whether a least place is a passage by the frames around it, and not noise of a rest there."""
    before, behind = square[max(least - SOFT_FRAMES, 0) : least], square[least + 1 : least + 1 + SOFT_FRAMES]
    if min(before.size, behind.size) < 4 or square[least] > nearest + 3.0 * noise:
        return False
    # Second differences leave the noise of a motion, and the farther halves show where it came from and went.
    own = float(np.median(np.abs(np.diff(behind, 2)))) * MEDIAN_TO_SD / math.sqrt(6.0)
    came, went = np.median(before[: before.size // 2]), np.median(behind[-(behind.size // 2) :])
    return bool(min(came, went) - square[least] > SOFT_NOISE * max(own, noise))


def _passages(size: FloatArray, turn: float) -> list[tuple[int, int, int]]:
    """Return the least places of a run with the largest before and behind, all apart by ``turn`` at least."""
    found: list[tuple[int, int, int]] = []
    top = least = 0
    falls = False
    for k in range(1, size.size):
        if not falls:
            if size[k] > size[top]:
                top = k
            elif size[k] < size[top] - turn:
                falls, least = True, k
            if found:
                found[-1] = (*found[-1][:2], top)
        elif size[k] < size[least]:
            least = k
        elif size[k] > size[least] + turn:
            found.append((top, least, k))
            falls, top = False, k
    return found


def _merged(
    passages: list[tuple[int, int, int]],
    t_s: FloatArray,
    size: FloatArray,
    *,
    most: float,
    between: float = 0.0,
) -> list[tuple[int, int, int]]:
    """Return the passages with those joined that only noise parts.

    They follow each other sooner than a hand turns and lie nearer than ``most`` in between, or the size
    ``between`` them is no more than noise makes of the sharpest place. [µm]
    """
    found: list[tuple[int, int, int]] = []
    for one in passages:
        is_soon = found and t_s[one[1]] - t_s[found[-1][1]] < SOONEST_S and size[one[0]] < most
        if found and (is_soon or size[one[0]] < between):
            before, least, _ = found.pop()
            found.append((before, min(least, one[1], key=lambda k: float(size[k])), one[2]))
        else:
            found.append(one)
    return found


def _parabola(
    t_s: FloatArray, square: FloatArray, frames: IntArray, noise: float, *, most: float
) -> Crossing | None:
    """Fit the square of a uniform motion; a hand that turns back inside is no crossing."""
    t, q = t_s[frames], square[frames]
    middle = float(t[int(np.argmin(q))])
    scale = max(float(np.ptp(t)), 1e-6)
    x = (t - middle) / scale
    design = np.vander(x, 3, increasing=True)
    variance = 4.0 * TREMOR_UM**2 * np.maximum(q, 0.0) + noise**2 + 2.0 * TREMOR_UM**4
    for _ in range(3):
        weight = 1.0 / variance
        inverse = np.linalg.inv(design.T @ (design * weight[:, None]))
        into = inverse @ (design * weight[:, None]).T
        a, b, c = into @ q
        if c <= 0.0:
            return None
        vertex = a - b * b / (4.0 * c)
        model = np.maximum(design @ np.array([a, b, c]) - vertex, 0.0)
        variance = 4.0 * TREMOR_UM**2 * model + noise**2 + 2.0 * TREMOR_UM**4
    by = np.array([1.0, -b / (2.0 * c), b * b / (4.0 * c * c)])
    place = -b / (2.0 * c)
    if not x[0] < place < x[-1] or vertex > most:
        return None
    misfit = float(np.mean(weight * (q - design @ np.array([a, b, c])) ** 2)) * x.size / max(x.size - 3, 1)
    sd = float(np.sqrt(max(by @ inverse @ by, 0.0) * max(misfit, 1.0)))
    at = middle + scale * place
    after = int(frames[0] + np.searchsorted(t, at))
    return Crossing(after, at, float(vertex), sd, frames, by @ into)
