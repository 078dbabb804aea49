"""Named cells: one kind of sweep or feed each, with the goal it is held to.

Seeds are arguments everywhere. Seeds from :data:`REPORT_SEEDS` (10 000) upwards are for reporting alone:
nothing may be tuned on them, and whoever looks at one in order to change an estimator must move to a fresh
range. Work uses seeds below.

:data:`SWEEPS` and :data:`FEEDS` hold the cells by name; ``SWEEPS["exact f/2"].make(seed=0)`` makes one sweep,
``FEEDS["plain f/2"].frames(10.0, seed=0)`` yields one feed that ends at rest 10 µm off.
"""

from benchmarks.worlds.frames.feed_cells import FEEDS, FeedCell, lone_frame
from benchmarks.worlds.frames.kit import REPORT_SEEDS
from benchmarks.worlds.frames.sweep_cells import SWEEPS, SweepCell

__all__ = ["FEEDS", "REPORT_SEEDS", "SWEEPS", "FeedCell", "SweepCell", "lone_frame"]
