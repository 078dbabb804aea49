"""The first turn: whether it was seen to begin at rest, and whether the picture jumped since."""

import numpy as np

from shimwise.arrays import FloatArray, IntArray

REST_S, REST_N = 0.6, 0.25
"""A rest lasts so long at least, within so many N µm beside the frames' noise."""
NOISE_SDS = 3.5
START_N = 2.0
"""Change of the size, in N µm, that shows the first direction."""
JUMP_N, JUMP_TIMES = 6.0, 4.0
"""A step from frame to frame, in N µm and by the steps beside it, that no hand makes; chosen: a hand starts
and stops over several frames, a feed that is switched or begins anew does not."""


def begins_at_rest(t_s: FloatArray, size: FloatArray, noise: FloatArray, fnumber: float) -> bool:
    """Return whether sizes of defocus begin with a rest.

    Parameters
    ----------
    t_s, size, noise : ndarray
        Time [s], size of defocus and its deviation [µm] of the frames before a motion.
    fnumber : float
        f-number.
    """
    inside = t_s <= t_s[0] + REST_S
    if t_s[-1] - t_s[0] < REST_S:
        return False
    own = size[inside]
    room = REST_N * fnumber + NOISE_SDS * float(np.median(noise[inside]))
    return float(np.max(np.abs(own - np.median(own)))) < room


def jumps(size: FloatArray, fnumber: float, *, reach: float) -> IntArray:
    """Return the frames at which the size of defocus jumps, judged by the steps before and after. [indices]

    Where both sizes lie beyond ``reach`` [µm] the law does not hold, and none is a jump.
    """
    step = np.abs(np.diff(size))
    if step.size < 3:
        return np.zeros(0, dtype=np.intp)
    is_jump = step[1:-1] > np.maximum(JUMP_N * fnumber, JUMP_TIMES * np.maximum(step[:-2], step[2:]))
    is_jump &= np.minimum(size[1:-2], size[2:-1]) < reach
    return np.flatnonzero(is_jump) + 2


def first_way(size: FloatArray, fnumber: float) -> tuple[int, float] | None:
    """Return the frame that shows the first direction, and whether the size grows (1) or not (−1)."""
    moved = np.flatnonzero(np.abs(size - size[0]) > START_N * fnumber)
    return None if moved.size == 0 else (int(moved[0]), float(np.sign(size[moved[0]] - size[0])))
