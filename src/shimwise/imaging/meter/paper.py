"""What flat paper around a star shows of the feed: whether frames depend on each other, and on neighbours."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from shimwise.arrays import FloatArray, IntArray
from shimwise.imaging.meter.star_frame import StarPlace

Codes = NDArray[np.generic]

FROM, TO, ROOM_PX = 1.06, 1.12, 4.0
"""Radii by the star's between which paper is watched, and how far the star may wander."""
LEAST_PAIRS, FADE = 20, 0.98
"""Differences that a decision needs, and the weight of the past for each new one; chosen."""
DEPENDENT, SMOOTHED, GRID = -0.47, 0.45, 1.10
"""Correlation of successive differences above which frames depend on each other (−.5 if not),
correlation of neighbours, and step at borders of 8 px by those 2 px off the borders of 4 (a mosaic is alike
there), above which it was smoothed or coded."""
GRID_PAIRS = 40
"""Differences that the grid needs: before, its ratio scatters by some .03."""
MOST_PIXELS = 4000
"""More pixels of paper are thinned: the correlations are then known to .003."""
LEAST_NOISE = 0.02
"""Variance of a difference below which nothing can be known, in squared codes of 8 bits."""
UNCHANGED_SHARE = 0.9
"""Share of paper pixels that do not change at all above which frames were copied from each other."""
ONE_CODE, APART = 1.3, 0.2
"""Unless it is a quiet camera, whose noise is less than a code: then a pixel that changes does so by one,
mean square up to the first, and apart from its neighbours, correlation up to the second; chosen."""


@dataclass(slots=True)
class PaperWatch:
    """Sums over successive differences of frames on a ring of paper."""

    place: StarPlace | None = None
    _rows: IntArray = field(default_factory=lambda: np.zeros(0, np.intp))
    _columns: IntArray = field(default_factory=lambda: np.zeros(0, np.intp))
    _last: FloatArray | None = None
    _change: FloatArray | None = None
    _sums: FloatArray = field(default_factory=lambda: np.zeros(9))
    _unit: float = 1.0
    _by_block: tuple[int, IntArray, IntArray] | None = None
    pairs: int = 0

    def add(self, codes: Codes, place: StarPlace, *, unit: float, left_px: int = 0) -> None:
        """Add a frame of whole-number codes, of which ``unit`` make one of 8 bits.

        ``left_px``: place of its first column in the frame, from which coders count their blocks.
        """
        if self.place is None or np.hypot(*(np.subtract(place.centre_px, self.place.centre_px))) > ROOM_PX:
            self._lay(codes.shape, place)
        columns, self._unit = self._columns, unit
        now = np.stack([codes[self._rows, columns], codes[self._rows, columns + 1]]).astype(np.float64) / unit
        if self._last is not None and now.size:
            change = now - self._last
            is_still = not change.any(axis=0).mean() > 1.0 - UNCHANGED_SHARE
            changed = np.count_nonzero(change[0]) / change.shape[1]
            change -= change.mean(axis=1, keepdims=True)
            step = (change[1] - change[0]) ** 2
            if self._by_block is None or self._by_block[0] != left_px % 8:
                after = columns + 1 + left_px
                self._by_block = (left_px % 8, np.flatnonzero(after % 8 == 0), np.flatnonzero(after % 4 == 2))
            _, at_border, elsewhere = self._by_block
            new = np.array(
                [
                    0.0,
                    0.0,
                    float(np.mean(change[0] ** 2)),
                    float(np.mean(change[0] * change[1])),
                    float(step[at_border].mean()) if at_border.size else 0.0,
                    float(step[elsewhere].mean()) if elsewhere.size else 0.0,
                    float(is_still),
                    1.0,
                    changed,
                ]
            )
            if self._change is not None:
                new[0] = float(np.mean(change[0] * self._change[0]))
                new[1] = float(np.mean((change[0] ** 2 + self._change[0] ** 2) / 2.0))
                self.pairs += 1
            self._sums = FADE * self._sums + new
            self._change = change
        self._last = now

    def interrupt(self) -> None:
        """Forget the last frame, so that no difference is taken across a gap."""
        self._last = self._change = None

    @property
    def is_known(self) -> bool:
        """Whether enough frames were seen."""
        return self.pairs >= LEAST_PAIRS

    @property
    def time_correlation(self) -> float:
        """Correlation of successive differences, −.5 where frames do not depend on each other."""
        return float(self._sums[0] / max(self._sums[1], 1e-12))

    @property
    def neighbour_correlation(self) -> float:
        """Correlation of differences with the pixel on the right."""
        return float(self._sums[3] / max(self._sums[2], 1e-12))

    @property
    def grid_ratio(self) -> float:
        """Step at borders of 8 px by the steps inside of blocks, rms."""
        return float(np.sqrt(self._sums[4] / max(self._sums[5], 1e-12)))

    @property
    def are_dependent(self) -> bool:
        """Whether frames depend on each other: noise reduction in time, or coding in long groups."""
        if not self.is_known:
            return False
        is_loud = bool(self._sums[2] > LEAST_NOISE * self._sums[7])
        if self._sums[6] > 0.3 * self._sums[7] and not (is_loud and self._is_quiet):
            return True
        return is_loud and self.time_correlation > DEPENDENT

    @property
    def _is_quiet(self) -> bool:
        """Whether pixels change by single codes, each for itself."""
        by_one = self._sums[2] * self._unit**2 < ONE_CODE * self._sums[8]
        return bool(by_one and self.neighbour_correlation < APART)

    @property
    def is_smoothed(self) -> bool:
        """Whether pixels depend on their neighbours: noise reduction in space, or coding in blocks."""
        return self.is_known and (self.neighbour_correlation > SMOOTHED or self.is_coded)

    @property
    def is_coded(self) -> bool:
        """Whether there are borders of blocks."""
        return self.pairs >= GRID_PAIRS and self.grid_ratio > GRID

    def _lay(self, shape: tuple[int, ...], place: StarPlace) -> None:
        x, y = place.centre_px
        reach = TO * place.radius_px
        top, left = max(int(y - reach), 0), max(int(x - reach), 0)
        rows, columns = np.ogrid[
            top : min(int(y + reach) + 2, shape[0]), left : min(int(x + reach) + 2, shape[1] - 1)
        ]
        radius = np.hypot(rows - y, columns - x)
        mask = (radius > max(FROM * place.radius_px, place.radius_px + ROOM_PX)) & (radius < reach)
        found = np.nonzero(mask)
        few = slice(None, None, 1 + found[0].size // MOST_PIXELS)
        self._rows, self._columns = found[0][few] + top, found[1][few] + left
        self.place, self._by_block = place, None
        self.interrupt()
