"""How long papers take and how large they are: ``python -m benchmarks.papers [--quick]``.

The prep is the invented one of the tests: 60 readings, one sweep with its curves, a verdict, an adjustment.
Times are the processor's, of one process and its threads, once a first sheet has loaded what sheets need; so
what else runs has little part in them. The clock's time of the whole day is told too.
"""

import argparse
import importlib.util
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import TypeVar

from shimwise.bench.sign.papers import CHECK, LABELS, LENS_CARD, SET_TABLE, make_paper, verify_paper

INVENTED = Path(__file__).parents[1] / "tests" / "unit" / "sheets" / "papers" / "invented_preps.py"
_T = TypeVar("_T")
GOALS = {"sheet": "≤ 1 s, ≤ 400 KB", "day": "≤ 60 s"}


def main() -> None:
    """Measure, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="10 sheets instead of 100, 3 runs instead of 9")
    arguments = parser.parse_args()
    runs, sheets = (3, 10) if arguments.quick else (9, 100)
    document = _invented().signed_document(readings=60)
    cold_s, first = _timed(lambda: make_paper(CHECK, [document]))
    rows = [("first sheet of a process", cold_s, first, "")]
    for name, make, goal in (
        ("sheet, 60 readings and a sweep", lambda: make_paper(CHECK, [document]), GOALS["sheet"]),
        ("sheet on Letter", lambda: make_paper(CHECK, [document], paper="Letter"), ""),
        ("lens card", lambda: make_paper(LENS_CARD, [document]), ""),
        ("labels of ten units", lambda: make_paper(LABELS, [document]), ""),
        ("set tables of two bodies", lambda: make_paper(SET_TABLE, [document]), ""),
    ):
        taken = [_timed(make) for _ in range(runs)]
        rows.append((name, statistics.median(seconds for seconds, _ in taken), taken[0][1], goal))
    began = time.perf_counter()
    day_s, day = _timed(lambda: make_paper(CHECK, [document] * sheets))
    clock_s = time.perf_counter() - began
    rows.append((f"{sheets} sheets in one file", day_s, day, GOALS["day"] if sheets == 100 else ""))
    print("| what | processor seconds | KB | pages | goal |\n|---|---|---|---|---|")
    for name, seconds, made, goal in rows:
        print(f"| {name} | {seconds:.2f} | {len(made.pdf) / 1000:.0f} | {made.pages} | {goal} |")
    verify_s = statistics.median(_timed(lambda: verify_paper(first.pdf))[0] for _ in range(runs))
    print(f"| the same by the clock | {clock_s:.2f} | | | |")
    print(f"| verifying a sheet | {verify_s:.2f} | | | |")


def _timed(work: Callable[[], _T]) -> tuple[float, _T]:
    begin = time.process_time()
    done = work()
    return time.process_time() - begin, done


def _invented() -> ModuleType:
    spec = importlib.util.spec_from_file_location("invented_preps", INVENTED)
    if spec is None or spec.loader is None:
        raise FileNotFoundError(INVENTED)
    module = importlib.util.module_from_spec(spec)
    sys.modules["invented_preps"] = module
    spec.loader.exec_module(module)
    return module


if __name__ == "__main__":
    main()
