"""Whole files of each kind, of which damaged ones are made: all invented."""

import json
import sys
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
TESTS = ("tests", "tests/unit/bench", "tests/unit/imaging/frames")
for folder in TESTS:  # the encoders and the invented house of the tests
    if str(ROOT / folder) not in sys.path:
        sys.path.append(str(ROOT / folder))
DEMO = ROOT / "src" / "shimwise" / "bench" / "demo" / "demo_bench"
LIST = """kind,name,serial,mount,focal_length_mm,f_number,set,squeeze,focus_design,near,scale,marks,\
pixel_pitch_um,tolerance_um,retired,note
body,A-01,17,PL,,,,,,,,,5.95,10,no,invented
lens,H25,2,PL,25,2.0,Set H,1,unit focus,1' 6",ft,3'|6'|INF,,,no,
lens,Z24,3,PL,24 50 75,2.8,Set H|Set K,,internal focus,,m,,,,yes,"a, b"
"""
POSITIONS = "position_um,file\n-40,a.png\n-20,b.png\n0,c.png\n20,d.png\n"
LABELS = "[labels]\nwidth_mm = 60.0\nheight_mm = 30.0\nrows = 8\nfirst = 2\n"
LENGTHS = ("2' 11 1/2\"", "914 mm", "INF", "3 ft 6.5 in", "1.2m", "5'-3\"")
WHO = "N. Tester"


def seeds_of(name: str) -> list[bytes]:
    """Return whole inputs for a reader."""
    return MAKERS[name]()


@cache
def frames() -> dict[str, bytes]:
    """Six small frames of a sweep."""
    from frame_files import picture, png

    return {f"{name}.png": png(picture(seed=seed)) for seed, name in enumerate("abcdef")}


def sweep_json() -> bytes:
    """Describe them."""
    entries = [{"file": name, "position_um": 20 * place - 40} for place, name in enumerate(frames())]
    said = {"frames": entries, "transfer": "linear", "pitch_um": 5.0, "focal_mm": 50, "fnumber": 2.0}
    return json.dumps(said).encode()


def _stills() -> list[bytes]:
    from frame_files import dng, exr, jpeg, lzw_tiff, picture, png, tiff

    codes = picture()
    colours = np.dstack([picture(8, seed=seed) for seed in range(3)])
    return [
        *(png(codes), png(colours), jpeg(colours), tiff(codes), tiff(codes, compression="zlib")),
        *(tiff(codes, tile=(32, 32), compression="zlib"), lzw_tiff(codes), dng(codes)),
        exr({"Y": (codes / 65535).astype(np.float32)}),
    ]


def _clips() -> list[bytes]:
    from frame_files import CODECS, clip, picture

    found = []
    for codec in ("h264", "h265-10", "prores", "dnxhr-10"):
        deep = CODECS[codec][2].endswith("10le")
        lumas = [(picture(10 if deep else 8, seed=seed, width=256, height=128) // 2) for seed in range(4)]
        with tempfile.TemporaryDirectory() as folder:
            found.append(clip(Path(folder), lumas, codec).read_bytes())
    return found


@cache
def _house() -> dict[str, list[bytes]]:
    """The exports, sheets and backups of an invented house with a signed prep and an open one."""
    from invented_house import House

    from shimwise.bench.exchange import record_admin
    from shimwise.bench.sign import signing
    from shimwise.bench.sign.papers import CHECK, LABELS, make_paper
    from shimwise.bench.verdict.verdict import refresh_verdict
    from shimwise.record.record import Record

    with tempfile.TemporaryDirectory() as folder, Record.open(Path(folder) / "house") as record:
        house = House.in_record(record)
        ids = [house.start(set_id=None, lens_ids=[house.ids["H35"], house.ids["H50"]]).id for _ in range(2)]
        for prep_id in ids:
            for lens in ("H35", "H50"):
                house.read(prep_id, "on", lens_id=house.ids[lens])
            refresh_verdict(record, prep_id)
        open_units = signing.undecided(record, ids[0])
        exceptions = {one.unit_id: signing.Exempt("invented", "B. Lead") for one in open_units}
        signing.sign(record, ids[0], who=WHO, exceptions=exceptions)
        documents = [record_admin.prep_document(record, one) for one in ids]
        copies = [
            record_admin.backup(record, Path(folder) / name).path for name in ("c.sqlite", "c.jsonl.gz")
        ]
        return {
            "prep": [record_admin.export_prep(record, one).encode() for one in ids],
            "paper": [make_paper(CHECK, documents[:1]).pdf, make_paper(LABELS, [documents[1]]).pdf],
            "file": [copies[0].read_bytes()],
            "lines": [copies[1].read_bytes()],
        }


def _key() -> list[bytes]:
    from shimwise.house_keys import house_key, public_pem

    return [public_pem(house_key().public).encode()]


def _charts() -> list[bytes]:
    return [(ROOT / "tests" / "reference" / "sweep-1" / "chart.json").read_bytes()]


def _sweeps() -> list[bytes]:
    return [sweep_json(), (ROOT / "tests" / "reference" / "foreign-1" / "sweep.json").read_bytes()]


def _readings() -> list[bytes]:
    more = "body;lens;focal_length_mm;f_number;distance;reading;operator\nA;B;50;2,8;0,9 m;0,91 m;X\n"
    return [(DEMO / "readings.csv").read_bytes(), more.encode(), more.encode("utf-16")]


MAKERS: dict[str, Callable[[], list[bytes]]] = {
    "readings": _readings,
    "imported": _readings,
    "kit": lambda: [(DEMO / "kit.toml").read_bytes()],
    "prep": lambda: _house()["prep"],
    "paper": lambda: _house()["paper"] + _house()["prep"][:1],
    "list": lambda: [LIST.encode()],
    "backup-lines": lambda: _house()["lines"],
    "backup-file": lambda: _house()["file"],
    "still": _stills,
    "clip": _clips,
    "sweep": _sweeps,
    "positions": lambda: [POSITIONS.encode()],
    "chart": _charts,
    "labels": lambda: [LABELS.encode()],
    "key": _key,
    "length": lambda: [one.encode() for one in LENGTHS],
}
