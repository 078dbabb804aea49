"""``python -m benchmarks.worlds.meter``: measure feed cells take by take, and print the table for RESULTS.md.

Rows are appended to a file as they come, so that a run can be broken off and gone on with. Reported seeds
begin at 80000; tune on seeds below 10000.
"""

import argparse
import os
import sys
import time
from pathlib import Path

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import cv2  # noqa: E402

from benchmarks.worlds.frames.feed_cells import FEEDS  # noqa: E402
from benchmarks.worlds.kept_rows import is_chosen, keep_row, read_rows  # noqa: E402
from benchmarks.worlds.meter.table import table  # noqa: E402
from benchmarks.worlds.meter.takes import Take, rest_of, take  # noqa: E402


def main() -> None:
    """Measure the chosen cells for the seeds, seed by seed, within a budget of time."""
    options = _options()
    cv2.setNumThreads(1)
    kept = Path(options.rows)
    takes = read_rows(kept, Take)
    done = {(one.cell, one.seed) for one in takes}
    chosen = [name for name in FEEDS if is_chosen(name, options.cells)]
    began = time.monotonic()
    for seed in range(options.first, options.first + options.takes * options.step, options.step):
        for name in chosen:
            if (name, seed) in done or time.monotonic() - began > options.seconds:
                continue
            one = take(name, rest_of(name, seed), seed=seed, is_small=options.small, kept=options.feeds)
            takes.append(one)
            keep_row(kept, one)
    sys.stdout.write(table([one for one in takes if one.cell in chosen]) + "\n")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.worlds.meter", description=__doc__)
    parser.add_argument(
        "cells", nargs="*", default=["*"], help="names of cells; a * at the end is any ending"
    )
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--takes", type=int, default=6, help="takes a cell")
    parser.add_argument(
        "--step", type=int, default=1, help="from seed to seed: 6 from a multiple of 6 rests at 0 always"
    )
    parser.add_argument("--seconds", type=float, default=440.0, help="budget of time")
    parser.add_argument("--small", action="store_true", help="a star of .6 the size, made sooner")
    parser.add_argument("--feeds", type=Path, help="folder in which feeds are kept, and read when there")
    parser.add_argument("--rows", default="build/world_meter.jsonl", help="file of the rows")
    return parser.parse_args()


if __name__ == "__main__":
    main()
