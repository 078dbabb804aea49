"""Many sweeps measured at once: each result is kept as it comes, and what is kept is not measured again."""

import hashlib
import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from shimwise import __version__
from shimwise.bench.desk.inputs import Progress
from shimwise.bench.executors import OnWait, each_done
from shimwise.bench.sweep.describe import has_description
from shimwise.bench.sweep.measure import LookedAt, Recording, UnderTest, measure
from shimwise.errors import ImagingError, SheetError
from shimwise.sheets.json.sweep_json import Sweep, sweep_from_json

SCHEMA_ID = "shimwise.sweeps/1"
MEASURING = "Measuring the sweeps"
NO_DESCRIPTION = (
    "{} has no sweep.json. Say what moved and how, as --moved sensor --first -60 --step 10 (µm, + away from "
    "the lens), and it is made; or give --positions FILE.csv."
)
_START = f'{{"schema": "{SCHEMA_ID}"'.encode()
_READ_WHOLE = (".json", ".csv")


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepOrder:
    """A sweep to be measured as :func:`shimwise.bench.sweep.measure.measure` does."""

    place: Path
    looked_at: LookedAt
    recording: Recording
    under_test: UnderTest


@dataclass(frozen=True, slots=True, kw_only=True)
class SweptFolder:
    """What came of one folder: the document of its sweep, or the problem in words.

    ``is_fault``: the program's; ``is_kept``: measured by an earlier call.
    """

    folder: str
    document: dict[str, Any] | None = None
    problem: str = ""
    is_fault: bool = False
    is_kept: bool = False

    @property
    def sweep(self) -> Sweep | None:
        """The result as values; None where there is none."""
        return None if self.document is None else sweep_from_json(self.document)

    @property
    def is_measured(self) -> bool:
        """Whether best focus is reported."""
        return self.document is not None and self.document["best_um"] is not None


def measure_many(
    orders: Sequence[SweepOrder],
    *,
    results: Path,
    workers: str = "",
    progress: Progress | None = None,
    on_wait: OnWait | None = None,
) -> tuple[SweptFolder, ...]:
    """Measure sweeps, and return what came of each, in their order.

    Parameters
    ----------
    orders : sequence of SweepOrder
        A place that comes twice is measured once.
    results : Path
        File of JSON lines (``shimwise.sweeps/1``), to which every result is added as it comes. Those that are
        there already, of the same frames measured in the same way, are taken from it.
    workers : str
        Who measures, as :func:`shimwise.bench.executors.workers_of` returns it.
    progress, on_wait : callable, optional
        Called from time to time; with a sentence when a cluster that is gone is waited for.

    Raises
    ------
    SheetError
        If ``results`` is another kind of file, or cannot be written.
    ClusterError, ClusterGone, MissingExtraError
        As :func:`shimwise.bench.executors.each_done`; what was measured is kept.
    """
    orders = list({order.place.absolute(): order for order in orders}.values())
    known = _kept(results)
    found: dict[int, SweptFolder] = {}
    digests: dict[int, str] = {}
    for place, order in enumerate(orders):
        try:
            digests[place] = digest_of(order)
        except OSError as error:
            words = f"{order.place} cannot be read ({error.strerror or error}). Check the name."
            found[place] = SweptFolder(folder=str(order.place), problem=words)
            continue
        if digests[place] in known:
            found[place] = replace(known[digests[place]], folder=str(order.place), is_kept=True)
    left = [place for place in range(len(orders)) if place not in found]
    report: Progress = progress or (lambda *_: None)
    report(MEASURING, len(found), len(orders))
    absolute = [replace(orders[place], place=orders[place].place.absolute()) for place in left]
    for one in each_done(document_of, absolute, workers=workers, on_wait=on_wait):
        place = left[one.place]
        found[place] = SweptFolder(
            folder=str(orders[place].place), document=one.result, problem=one.problem, is_fault=one.is_fault
        )
        _keep(results, found[place], digests[place])
        report(MEASURING, len(found), len(orders))
    return tuple(found[place] for place in range(len(orders)))


def document_of(order: SweepOrder) -> dict[str, Any]:
    """Measure one sweep; return its document.

    Raises
    ------
    ImagingError, OpticsError
        As :func:`shimwise.bench.sweep.measure.measure`, and if nothing states what moved.
    """
    if order.place.is_dir() and not has_description(order.place):
        raise ImagingError(NO_DESCRIPTION.format(order.place))
    measured = measure(
        order.place, looked_at=order.looked_at, recording=order.recording, under_test=order.under_test
    )
    return measured.document


def digest_of(order: SweepOrder) -> str:
    """Return the digest of all that a result depends on: the frames by size and time, the rest by content.

    Raises
    ------
    OSError
        If the place cannot be read.
    """
    how = asdict(replace(order, place=Path()))
    digest = hashlib.sha256(json.dumps([__version__, how], default=str).encode())
    chart = order.looked_at.chart
    for file in (*_files(order.place), *([chart] if chart is not None and chart.is_file() else [])):
        name = file.relative_to(order.place).as_posix() if file.is_relative_to(order.place) else ""
        state = file.stat()
        is_whole = file.suffix.casefold() in _READ_WHOLE
        what = file.read_bytes() if is_whole else f"{state.st_size} {state.st_mtime_ns}".encode()
        digest.update(f"{name} {len(what)}\n".encode() + what)
    return digest.hexdigest()


def _files(place: Path) -> list[Path]:
    """Return the files of a sweep in order; hidden ones are the system's own."""
    if not place.is_dir():
        place.stat()
        return [place]
    return sorted(path for path in place.rglob("*") if path.is_file() and not path.name.startswith("."))


def _kept(results: Path) -> dict[str, SweptFolder]:
    """Return the results of a file by their digests; a last line that was broken off is cut from it."""
    try:
        content = results.read_bytes() if results.exists() else b""
        if not _START.startswith(content[: len(_START)]):
            raise _not_ours(results, 1)
        whole = content[: content.rfind(b"\n") + 1]
        found = dict(_rows(whole, results))
        if len(whole) < len(content):
            os.truncate(results, len(whole))
    except OSError as error:
        raise SheetError(f"{results} cannot be used ({error.strerror}); choose another place.") from error
    return found


def _rows(content: bytes, results: Path) -> Iterator[tuple[str, SweptFolder]]:
    for number, line in enumerate(content.splitlines(), 1):
        try:
            row = json.loads(line)
            is_ours = row["schema"] == SCHEMA_ID
        except (ValueError, TypeError, KeyError, RecursionError):
            is_ours = False
        if not is_ours:
            raise _not_ours(results, number)
        if row["sweep"] is not None:  # what was refused is tried again
            yield row["digest"], SweptFolder(folder=row["folder"], document=row["sweep"])


def _not_ours(results: Path, line: int) -> SheetError:
    return SheetError(
        f"{results}, line {line}: that is no result of many sweeps. Name another file with --out."
    )


def _keep(results: Path, one: SweptFolder, digest: str) -> None:
    """Add a result in one write, so that a line is there whole or is the last."""
    row = {
        "schema": SCHEMA_ID,
        "folder": one.folder,
        "digest": digest,
        "sweep": one.document,
        "problem": one.problem,
    }
    try:
        with results.open("ab", buffering=0) as out:
            out.write((json.dumps(row, ensure_ascii=False, allow_nan=False) + "\n").encode())
            os.fsync(out.fileno())
    except OSError as error:
        raise SheetError(f"{results} cannot be written ({error.strerror}); choose another place.") from error
