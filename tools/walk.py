"""Count the functions of two walks, and the calls that go back up: a file to its sentence, a tap to its row.

python tools/walk.py
"""

import inspect
import io
import sys
import tempfile
from collections.abc import Callable
from contextlib import redirect_stdout
from importlib.resources import files
from pathlib import Path
from types import FrameType
from typing import Any

ORDER = ("cli", "web", "bench", "sheets", "record", "files", "remedy", "inference", "imaging", "optics")
"""Rooms from the doors down."""


def walk(act: Callable[[], object]) -> tuple[int, list[str]]:
    """Return how many functions of the program ``act`` calls, and the calls from a lower room to a higher."""
    seen: set[tuple[str, str]] = set()
    back_up: set[str] = set()

    def look(frame: FrameType, event: str, _: Any) -> None:  # noqa: ANN401
        if event != "call":
            return
        here = _place(frame)
        if here is None:
            return
        seen.add(here)
        caller = frame.f_back
        while caller is not None and _place(caller) is None:
            caller = caller.f_back
        there = _place(caller) if caller is not None else None
        if there is not None and _level(here[0]) < _level(there[0]):
            back_up.add(f"{there[0]}.{there[1]} -> {here[0]}.{here[1]}")

    sys.setprofile(look)
    try:
        act()
    finally:
        sys.setprofile(None)
    return len(seen), sorted(back_up)


def _place(frame: FrameType) -> tuple[str, str] | None:
    module = str(frame.f_globals.get("__name__", ""))
    is_function = frame.f_code.co_flags & inspect.CO_OPTIMIZED  # the body of a class is none
    if (
        not module.startswith("shimwise.")
        or not is_function
        or frame.f_code.co_name.startswith("<")
        or "__create_fn__" in frame.f_code.co_qualname
    ):
        return None
    return module, frame.f_code.co_qualname


def _level(module: str) -> int:
    room = module.split(".")[1]
    return ORDER.index(room) if room in ORDER else len(ORDER)


def judge_a_file() -> None:
    """Judge the invented bench by the command line."""
    from shimwise.cli import main

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        path.write_bytes(_bench().joinpath("readings.csv").read_bytes())
        try:
            with redirect_stdout(io.StringIO()):
                main(["judge", str(path)])
        except SystemExit:
            pass


def _bench() -> Any:  # noqa: ANN401
    return files("shimwise").joinpath("bench", "demo", "demo_bench")


def main() -> None:
    """Print both walks."""
    count, back_up = walk(judge_a_file)
    sys.stdout.write(f"file to sentence: {count} functions, {len(back_up)} back up\n")
    with tempfile.TemporaryDirectory() as folder:
        count, back_up = walk(_tap(folder))
    sys.stdout.write(f"tap to row and back: {count} functions, {len(back_up)} back up\n")


def _tap(folder: str) -> Callable[[], object]:
    """Return the act of saving one reading on a prep of a new house, through its use case."""
    from shimwise.bench.house.units import add_unit
    from shimwise.bench.house.views import BodyFacts, LensFacts
    from shimwise.bench.prep.preps import start_prep
    from shimwise.bench.prep.readings import add_reading
    from shimwise.record.record import Record

    record = Record.open(Path(folder) / "record")
    body = add_unit(record, facts=BodyFacts(name="A-01", mount="PL"), who="Ann")
    facts = LensFacts(name="H50", mount="PL", focal_lengths_mm=(50.0,), fnumber=2.0)
    lens = add_unit(record, facts=facts, who="Ann")
    prep = start_prep(record, body_ids=[body.id], lens_ids=[lens.id], who="Ann")
    return lambda: add_reading(
        record,
        prep.id,
        body_id=body.id,
        lens_id=lens.id,
        distance_text="3'",
        reading_text="on",
        operator="Ann",
    )


if __name__ == "__main__":
    main()
