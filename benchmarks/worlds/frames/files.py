"""Writes sweeps and feeds as files."""

import csv
import json
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.worlds.frames import codec as codecs
from benchmarks.worlds.frames.feed import Feed, FeedFrame, feed_truth
from benchmarks.worlds.frames.sweep import Sweep


def write_sweep(folder: Path, sweep: Sweep) -> None:
    """Write PNG pictures, ``sweep.json`` and ``chart.json`` into a folder, and the truth beside it."""
    folder.mkdir(parents=True, exist_ok=True)
    left_shift = int(sweep.record.get("left_shift", 0))
    for entry, frame in zip(sweep.record["frames"], sweep.frames, strict=True):
        codes = np.left_shift(frame, left_shift) if left_shift else frame
        picture = codes if codes.ndim == 2 else np.ascontiguousarray(codes[..., ::-1])
        if not cv2.imwrite(str(folder / entry["file"]), picture):
            raise OSError(f"{folder / entry['file']} could not be written")
    _write_json(folder / "sweep.json", sweep.record)
    _write_json(folder / "chart.json", sweep.chart)
    _write_json(folder.with_name(folder.name + ".truth.json"), sweep.truth)


def write_clip(path: Path, sweep: Sweep, codec: str) -> None:
    """Write a sweep as a clip with ``positions.csv``, ``chart.json`` and its truth beside it.

    ``sweep`` must not have been through a codec; its luma is coded in limited range.
    """
    kind = codecs.CODECS[codec]
    weights = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
    lumas = [signal if signal.ndim == 2 else signal @ weights for signal in sweep.signals()]
    codecs.write(path, [codecs.limited(luma, kind.bits) for luma in lumas], kind)
    with (path.parent / "positions.csv").open("w", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(["position_um"])
        writer.writerows([[float(position)] for position in sweep.positions_um])
    _write_json(path.parent / "chart.json", sweep.chart)
    _write_json(path.with_suffix(".truth.json"), sweep.truth)


def write_feed(path: Path, feed: Feed, *, seed: int, codec: str = "H.264 intra") -> None:
    """Write a feed as ``.y4m`` (uncompressed) or a coded clip, its chart and truth beside it.

    A dropped picture is left out, and the truth lists the time of each that is there.
    """
    seen: list[FeedFrame] = []

    def lumas() -> Iterable[NDArray[np.uint8]]:
        for frame in feed.frames(seed=seed):
            seen.append(frame)
            yield frame.luma

    if path.suffix == ".y4m":
        codecs.write_y4m(path, lumas(), rate=feed.rate)
    else:
        codecs.write(path, (luma.astype(np.uint16) for luma in lumas()), codecs.CODECS[codec], rate=feed.rate)
    _write_json(path.with_suffix(".chart.json"), feed.chart.as_json())
    _write_json(path.with_suffix(".truth.json"), feed_truth(feed, seen) | {"motion": asdict(feed.motion)})


def _write_json(path: Path, content: object) -> None:
    path.write_text(json.dumps(content, indent=1))
