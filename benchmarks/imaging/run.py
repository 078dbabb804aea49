"""Run the cells in two processes and print the table: ``python -m benchmarks.imaging``."""

from __future__ import annotations

import argparse
import os
import sys
import time
from concurrent.futures import as_completed
from pathlib import Path

__all__ = ["main"]

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # two processes, one core each

from shimwise.bench.executors import executor_of, workers_of  # noqa: E402

from .cells import SINGLE_CELLS, Cell  # noqa: E402
from .detail import DETAIL_CELLS  # noqa: E402
from .field import FIELD_CELLS  # noqa: E402
from .scores import Row, table  # noqa: E402
from .speed import SPEED_CELLS  # noqa: E402

CELLS = [*SINGLE_CELLS, *DETAIL_CELLS, *FIELD_CELLS, *SPEED_CELLS]


def main(arguments: list[str] | None = None) -> int:
    """Measure the chosen cells, print and keep the table; exit 1 when a goal is missed."""
    options = _parser().parse_args(arguments)
    sweeps = options.quick or options.sweeps
    chosen = [cell for cell in CELLS if options.only.lower() in cell.name.lower()]
    began = time.monotonic()
    rows = _measure(chosen, sweeps, options.processes)
    kept = [row for cell in chosen for row in rows.get(cell.name, [])]
    head = (
        f"{sweeps} sweeps a cell, {time.monotonic() - began:.0f} s, {options.processes} processes. Seeds:\n"
    )
    seeds = "; ".join(f"{cell.name} {cell.seed}–{cell.seed + sweeps - 1}" for cell in chosen if cell.seed)
    text = f"{head}{seeds}\n\n{table(kept)}\n"
    sys.stdout.write(text)
    if options.out:
        Path(options.out).write_text(f"# Accuracy of the sweeps\n\n{text}", encoding="utf-8")
    return int(any(row.met is False for row in kept))


def _measure(chosen: list[Cell], sweeps: int, processes: int) -> dict[str, list[Row]]:
    rows: dict[str, list[Row]] = {}
    dear_first = sorted((c for c in chosen if c.seed), key=lambda cell: -cell.cost)
    with executor_of(workers_of(None), most=processes) as pool:
        waiting = {pool.submit(run_cell, cell.name, sweeps): cell.name for cell in dear_first}
        for done in as_completed(waiting):
            rows[waiting[done]] = done.result()
            sys.stderr.write(f"{len(rows)}/{len(chosen)} {waiting[done]}\n")
    for cell in chosen:
        if not cell.seed:  # speed is measured when nothing else runs
            rows[cell.name] = run_cell(cell.name, sweeps)
    return rows


def run_cell(name: str, sweeps: int) -> list[Row]:
    """Run one cell; a cell that fails is a row, not the end of the run."""
    cell = next(c for c in CELLS if c.name == name)
    began = time.monotonic()
    try:
        rows = cell.run(name, sweeps, cell.seed)
    except Exception as error:
        return [Row(name, "could not be measured", type(error).__name__, "a number", False, str(error)[:200])]
    sys.stderr.write(f"{name}: {time.monotonic() - began:.0f} s\n")
    return rows


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.imaging", description=__doc__)
    parser.add_argument("--sweeps", type=int, default=300, help="sweeps a cell (default 300)")
    parser.add_argument("--quick", type=int, nargs="?", const=40, default=0, help="fewer sweeps a cell (40)")
    parser.add_argument("--only", default="", help="only cells whose name holds this text")
    parser.add_argument("--processes", type=int, default=2, help="worker processes (default 2)")
    parser.add_argument("--out", default="", help="file for the table, markdown")
    return parser
