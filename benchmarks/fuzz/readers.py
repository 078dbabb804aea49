"""The readers of what comes from elsewhere, each as a function of bytes that raises only ShimwiseError."""

import shutil
import tempfile
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path

from shimwise.bench.exchange import record_admin
from shimwise.bench.exchange.import_readings import import_readings
from shimwise.bench.house.unit_list import import_house_list
from shimwise.bench.sign.papers import verify_paper
from shimwise.errors import ShimwiseError
from shimwise.files.kit_file import parse_kit
from shimwise.files.readings import parse_readings
from shimwise.house_keys import read_public_key
from shimwise.lengths import parse_length
from shimwise.record.record import Record
from shimwise.sheets.papers.label_sizes import label_sizes

__all__ = ["READERS", "read"]

Reader = Callable[[bytes], object]
WHO = "N. Tester"


@cache
def _folder() -> Path:
    """A folder of this process; its system removes it with the others of its kind."""
    return Path(tempfile.mkdtemp(prefix="shimwise-fuzz-"))


def _file(name: str, data: bytes) -> Path:
    path = _folder() / name
    path.write_bytes(data)
    return path


@cache
def _empty() -> Path:
    Record.open(_folder() / "empty").close()
    return _folder() / "empty" / "shimwise.sqlite"


def _fresh(name: str) -> Path:
    place = _folder() / name
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    shutil.copy(_empty(), place / "shimwise.sqlite")
    return place


def _text(data: bytes) -> str:
    return data.decode("utf-8", "replace")


def _readings(data: bytes) -> None:
    parse_readings(data, name="readings.csv")


def _readings_into_record(data: bytes) -> None:
    with Record.open(_fresh("readings")) as record:
        import_readings(record, data, who=WHO)


def _kit(data: bytes) -> None:
    parse_kit(data, name="kit.toml")


def _prep(data: bytes) -> None:
    with Record.open(_fresh("prep")) as record:
        record_admin.import_prep(record, data, who=WHO, is_unproven=True)
        # Taken in unproven, its signature may be over other rows: that is told. Nothing else may be wrong.
        if any("was signed" not in found.text for found in record_admin.check(record)):
            raise AssertionError("a prep was taken in, and the record contradicts itself")


def _list(data: bytes) -> None:
    with Record.open(_fresh("list")) as record:
        import_house_list(record, data, who=WHO, is_dry_run=False)


def _restored(name: str) -> Reader:
    def restore(data: bytes) -> None:
        place = _folder() / f"restored-{name}"
        shutil.rmtree(place, ignore_errors=True)
        record_admin.restore(_file(name, data), place)

    return restore


def _still(data: bytes) -> None:
    from shimwise.imaging.frames.recording import Recording
    from shimwise.imaging.frames.stills import read_still, still_size

    still_size(data, file="frame")
    read_still(data, Recording(transfer="linear"), file="frame")


def _clip(data: bytes) -> None:
    from shimwise.imaging.frames.clips import clip_facts, read_luma

    path = _file("clip", data)
    facts = clip_facts(path)
    for _ in read_luma(path, facts, frozenset(range(facts.frames))):
        pass


def _sweep(data: bytes) -> None:
    from benchmarks.fuzz.seeds import frames
    from shimwise.imaging.frames.source import open_sweep

    place = _folder() / "sweep"
    if not place.exists():
        place.mkdir()
        for name, frame in frames().items():
            (place / name).write_bytes(frame)
    (place / "sweep.json").write_bytes(data)
    for _ in open_sweep(place):
        pass


def _positions(data: bytes) -> None:
    from shimwise.imaging.frames.listing import read_positions

    read_positions(_file("positions.csv", data))


def _chart(data: bytes) -> None:
    from shimwise.bench.sweep.measure import LookedAt
    from shimwise.imaging.frames.source import open_sweep

    place = _folder() / "charted"
    if not place.exists():
        from benchmarks.fuzz.seeds import frames, sweep_json

        place.mkdir()
        for name, frame in {**frames(), "sweep.json": sweep_json()}.items():
            (place / name).write_bytes(frame)
    source = open_sweep(place, chart=LookedAt(chart=_file("chart.json", data)).chart)
    _ = source.layout


def _lengths(data: bytes) -> None:
    parse_length(_text(data))


READERS: dict[str, Reader] = {
    "readings": _readings,
    "imported": _readings_into_record,
    "kit": _kit,
    "prep": _prep,
    "paper": verify_paper,
    "list": _list,
    "backup-lines": _restored("copy.jsonl.gz"),
    "backup-file": _restored("copy.sqlite"),
    "still": _still,
    "clip": _clip,
    "sweep": _sweep,
    "positions": _positions,
    "chart": _chart,
    "labels": label_sizes,
    "key": lambda data: read_public_key(_file("key.pem", data)),
    "length": _lengths,
}


def read(_ask: object, name: str, data: bytes) -> tuple[str, float]:
    """Give bytes to a reader; return ``taken`` or ``refused`` and the processor's time [s].

    Anything else that it raises is raised.
    """
    began_s = time.process_time()
    try:
        READERS[name](data)
    except ShimwiseError:
        return "refused", time.process_time() - began_s
    return "taken", time.process_time() - began_s
