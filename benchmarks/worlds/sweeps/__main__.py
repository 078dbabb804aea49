"""``python -m benchmarks.worlds.sweeps``: measure cells sweep by sweep, and keep the table in RESULTS.md.

Rows are appended to a file as they come, so that a run can be broken off and gone on with. Reported seeds
begin at :data:`~benchmarks.worlds.frames.cells.REPORT_SEEDS`; tune on smaller ones, whose tables are printed.
"""

import argparse
import os
import sys
import time
from pathlib import Path

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import cv2  # noqa: E402

from benchmarks.worlds.frames.cells import SWEEPS  # noqa: E402
from benchmarks.worlds.kept_rows import is_chosen, keep_row, read_rows  # noqa: E402
from benchmarks.worlds.sweeps.measured import Row, measured  # noqa: E402
from benchmarks.worlds.sweeps.table import table  # noqa: E402


def main() -> None:
    """Measure the chosen cells for the seeds, seed by seed, within a budget of the processor's time."""
    options = _options()
    cv2.setNumThreads(1)
    kept = Path(options.rows)
    rows = read_rows(kept, Row)
    done = {(row.cell, row.seed) for row in rows}
    chosen = [cell for cell in SWEEPS.values() if is_chosen(cell.name, options.cells)]
    began = time.process_time()
    for seed in range(options.first, options.first + options.sweeps):
        for cell in chosen:
            if (cell.name, seed) in done or time.process_time() - began > options.seconds:
                continue
            row = measured(cell.smaller() if options.small else cell, seed=seed)
            rows.append(row)
            keep_row(kept, row)
    names = {cell.name for cell in chosen}
    sys.stdout.write(table([row for row in rows if row.cell in names]) + "\n")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.worlds.sweeps", description=__doc__)
    parser.add_argument(
        "cells", nargs="*", default=["*"], help="names of cells; a * at the end is any ending"
    )
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--sweeps", type=int, default=10, help="sweeps a cell")
    parser.add_argument("--seconds", type=float, default=480.0, help="budget of processor time")
    parser.add_argument("--small", action="store_true", help="one star in a quarter of the picture: no tilt")
    parser.add_argument("--rows", default="build/world_sweeps.jsonl", help="file of the rows")
    return parser.parse_args()


if __name__ == "__main__":
    main()
