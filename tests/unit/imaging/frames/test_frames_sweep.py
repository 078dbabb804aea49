"""A sweep's folder: what it lists, what is left out, and what is refused."""

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from frame_files import dng, exr, jpeg, picture, png, tiff

from shimwise.imaging.frames.errors import DescriptionError, TooFewFramesError
from shimwise.imaging.frames.listing import Coordinate
from shimwise.imaging.frames.recording import Recording
from shimwise.imaging.frames.source import FrameSource, open_sweep

Folder = Callable[..., Path]
NAMES = [f"frames/{k}.png" for k in range(7)]


def files(count: int = 7) -> dict[str, bytes]:
    return {f"frames/{k}.png": png(picture(seed=k)) for k in range(count)}


def reasons(source: FrameSource) -> dict[str, str]:
    """Read a sweep to its end; give what was left out."""
    list(source)
    return {one.name: one.reason for one in source.skipped}


@pytest.mark.slow
def test_frames_come_in_the_order_listed_with_their_positions(sweep_folder: Folder) -> None:
    folder = sweep_folder(files(), positions=np.arange(7) * 10.0 - 30, pitch_um=5.0, fnumber=2.8, focal_mm=50)
    source = open_sweep(folder)
    got = list(source)
    assert [place for place, _ in got] == [-30, -20, -10, 0, 10, 20, 30]
    for k, (_, light) in enumerate(got):
        assert light == pytest.approx(picture(seed=k) / 65535, abs=1e-6)
    assert source.coordinate is Coordinate.POSITION_UM
    assert (source.recording.pitch_um, source.recording.fnumber, source.recording.focal_mm) == (5, 2.8, 50)
    assert source.count == 7
    assert source.layout is None
    assert [place for place, _ in source] == [place for place, _ in got]


def test_sweep_json_itself_can_be_named_and_what_is_given_goes_before_it(sweep_folder: Folder) -> None:
    folder = sweep_folder(files(), fnumber=2.8)
    source = open_sweep(folder / "sweep.json", recording=Recording(fnumber=4.0, transfer="gamma 2.0"))
    assert source.recording.fnumber == 4
    assert next(iter(source))[1] == pytest.approx((picture(seed=0) / 65535) ** 2, abs=1e-6)


def test_a_channel_that_the_frames_lack_is_said_not_to_be_measured(sweep_folder: Folder) -> None:
    source = open_sweep(sweep_folder(files(5)), recording=Recording(channel="green"))
    list(source)
    assert source.warnings == ["The channel green was asked for, but the frames are grey: that is measured."]


def test_formats_may_be_mixed_and_the_name_does_not_count(sweep_folder: Folder) -> None:
    codes = picture()
    mixed = {
        "frames/a.jpg": png(codes),
        "frames/b": tiff(codes),
        "frames/c.tif": exr({"Y": (codes / 65535).astype(np.float32)}),
        "frames/d.png": jpeg(picture(8)),
        "frames/e.png": dng(codes, black=0, white=65535),
    }
    source = open_sweep(sweep_folder(mixed))
    lights = [light for _, light in source]
    for light in (lights[0], lights[1], lights[2]):
        assert light == pytest.approx(codes / 65535, abs=1e-6)
    assert len(source.warnings) == 1
    assert "JPEG" in source.warnings[0]


def test_bad_frames_are_left_out_each_with_its_reason_and_the_rest_is_used(sweep_folder: Folder) -> None:
    good = files(6)
    whole = png(picture())
    folder = sweep_folder(
        {
            **good,
            "frames/empty.png": b"",
            "frames/cut.png": whole[: len(whole) // 2],
            "frames/flipped.png": whole[:200] + bytes([whole[200] ^ 1]) + whole[201:],
            "frames/small.png": png(picture(width=64)),
            "frames/text.png": b"not a picture at all",
            "frames/cut.tif": tiff(picture())[:-100],
            "frames/cut.jpg": jpeg(picture(8))[:-50],
            "frames/cut.exr": exr({"Y": np.ones((64, 96), np.float32)})[:-40],
            "frames/cut.dng": dng(picture())[:-100],
        },
        width=96,
        height=64,
    )
    rows = json.loads((folder / "sweep.json").read_text())
    rows["frames"].append({"file": "frames/gone.png", "position_um": 99})
    (folder / "sweep.json").write_text(json.dumps(rows))
    source = open_sweep(folder)
    assert len(list(source)) == 6
    told = reasons(source)
    expected = {
        "empty.png": "the file is empty",
        "cut.png": "ends early",
        "flipped.png": "damaged near byte",
        "small.png": "it is 64 × 64 px; the sweep is 96 × 64 px",
        "text.png": "no PNG, TIFF, JPEG, DNG or EXR",
        "cut.tif": "ends early",
        "cut.jpg": "ends early",
        "cut.exr": "damaged or ends early",
        "cut.dng": "ends early",
        "gone.png": "no such file",
    }
    assert {name.removeprefix("frames/") for name in told} == set(expected)
    for name, words in expected.items():
        assert words in told[f"frames/{name}"]


def test_without_a_size_in_the_description_the_first_frame_sets_it(sweep_folder: Folder) -> None:
    source = open_sweep(sweep_folder({**files(5), "frames/odd.png": png(picture(width=64))}))
    assert list(reasons(source)) == ["frames/odd.png"]


def test_too_few_good_frames_are_an_error_that_names_the_bad_ones(sweep_folder: Folder) -> None:
    source = open_sweep(sweep_folder({**files(4), "frames/empty.png": b"", "frames/text.png": b"?"}))
    with pytest.raises(
        TooFewFramesError, match=r"Only 4 of the 5 .* frames/empty.png: the file is empty"
    ) as caught:
        list(source)
    assert (caught.value.got, caught.value.need) == (4, 5)


@pytest.mark.parametrize(
    "name", ["/etc/hostname", "../out.png", "frames/../../out.png", "C:\\out.png", "..\\out.png", "a\0b", " "]
)
def test_a_path_out_of_the_folder_is_never_followed(name: str, sweep_folder: Folder, tmp_path: Path) -> None:
    (tmp_path / "out.png").write_bytes(png(picture()))
    folder = sweep_folder(files())
    described = json.loads((folder / "sweep.json").read_text())
    described["frames"].append({"file": name, "position_um": 0})
    (folder / "sweep.json").write_text(json.dumps(described))
    try:
        told = reasons(open_sweep(folder))
    except DescriptionError as error:
        assert "frames[7]" in str(error)  # noqa: PT017 (an empty name is refused with the description)
        return
    assert "out of the sweep's folder" in told[name]


def test_a_link_out_of_the_folder_is_refused_and_one_inside_is_followed(
    sweep_folder: Folder, tmp_path: Path
) -> None:
    (tmp_path / "out.png").write_bytes(png(picture()))
    folder = sweep_folder(files())
    (folder / "frames" / "out.png").symlink_to(tmp_path / "out.png")
    (folder / "frames" / "in.png").symlink_to(folder / "frames" / "0.png")
    (folder / "frames" / "loop.png").symlink_to(folder / "frames" / "loop.png")
    described = json.loads((folder / "sweep.json").read_text())
    described["frames"] += [{"file": f"frames/{n}.png", "position_um": 0} for n in ("out", "in", "loop")]
    (folder / "sweep.json").write_text(json.dumps(described))
    told = reasons(open_sweep(folder))
    assert set(told) == {"frames/out.png", "frames/loop.png"}
    assert "link out of the sweep's folder" in told["frames/out.png"]


def test_a_pipe_or_a_folder_in_place_of_a_file_does_not_hang(sweep_folder: Folder) -> None:
    folder = sweep_folder(files())
    os.mkfifo(folder / "frames" / "pipe.png")
    described = json.loads((folder / "sweep.json").read_text())
    described["frames"] += [{"file": n, "position_um": 0} for n in ("frames/pipe.png", "frames")]
    (folder / "sweep.json").write_text(json.dumps(described))
    told = reasons(open_sweep(folder))
    assert told == {
        "frames/pipe.png": "it is no ordinary file",
        "frames": "it is a folder",
    }


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"frames": []}, "lists 0 frames"),
        ({"frames": {}}, "frames must be a list"),
        ({"frames": [{"file": "a.png"}]}, "none was found"),
        ({"frames": [{"position_um": 1}]}, r"frames\[0\] names no file"),
        ({"frames": [{"file": "a.png", "position_um": "near"}]}, r"frames\[0\]: position_um is 'near'"),
        ({"frames": [{"file": "a.png", "position_um": True}]}, "position_um is True"),
        (
            {"frames": [{"file": "a.png", "position_um": 1}, {"file": "b.png", "ring": 900}]},
            "found position_um and ring",
        ),
        ({"frames": [{"file": 3, "position_um": 1}]}, "file is 3"),
        ({"pitch_um": -5}, "pitch_um is -5; give a number from 0.1 to 100"),
        ({"pitch_um": "five"}, "pitch_um is 'five'"),
        ({"width": 10**6}, "width is 1000000"),
        ({"bit_depth": 12.5}, "bit_depth is 12.5; give a whole number"),
        ({"fnumber": True}, "fnumber is True"),
        ({"transfer": 7}, "transfer is 7"),
        ({"range": "half"}, "signal_range is 'half'; give full or limited"),
        ({"wavelength_um": [0.5, "red"]}, "wavelength_um is 'red'"),
        ({"chart": 1}, "chart must be the name of a file"),
        ({"chart": "../chart.json"}, "out of the sweep's folder"),
        ({"chart": "none.json"}, "no such file"),
    ],
)
def test_a_description_that_makes_no_sense_is_refused_with_its_place(
    change: dict[str, Any], words: str, sweep_folder: Folder
) -> None:
    folder = sweep_folder(files())
    described = json.loads((folder / "sweep.json").read_text())
    (folder / "sweep.json").write_text(json.dumps({**described, **change}))
    with pytest.raises(DescriptionError, match=words):
        open_sweep(folder)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"", "empty"),
        (b"{", "is no JSON"),
        (b"[1]", "holds list"),
        (b"\xff\xfe{}", "not UTF-8"),
        (b"[" * 100_000, "is no JSON"),
        (b'{"frames": [{"file": "a", "position_um": NaN}]}', "position_um is nan"),
        (b'{"frames": [{"file": "a", "position_um": 1e999}]}', "position_um is inf"),
    ],
)
def test_a_damaged_description_gets_one_clear_message(text: bytes, words: str, sweep_folder: Folder) -> None:
    folder = sweep_folder(files())
    (folder / "sweep.json").write_bytes(text)
    with pytest.raises(DescriptionError, match=words):
        open_sweep(folder)


def test_ring_and_distance_are_read_as_the_trade_writes_them(sweep_folder: Folder) -> None:
    folder = sweep_folder(files())
    described = json.loads((folder / "sweep.json").read_text())
    marks: list[object] = ["3'", "2' 11 1/2\"", 914, "0.92 m", "36 in", 930.5, "INF"]
    described["frames"] = [{"file": n, "ring": mark} for n, mark in zip(NAMES, marks, strict=True)]
    (folder / "sweep.json").write_text(json.dumps(described))
    source = open_sweep(folder)
    assert source.coordinate is Coordinate.RING
    assert [place for place, _ in source] == pytest.approx([914.4, 901.7, 914, 920, 914.4, 930.5, np.inf])


def test_a_folder_of_stills_with_a_csv_needs_no_description(sweep_folder: Folder, tmp_path: Path) -> None:
    folder = sweep_folder({f"{k}.png": png(picture(seed=k)) for k in (1, 2, 9, 10, 11)})
    (folder / "sweep.json").unlink()
    csv = tmp_path / "positions.csv"
    csv.write_text("position_um\n-20\n-10\n0\n10\n20\n")
    source = open_sweep(folder, positions=csv, recording=Recording(transfer="linear"))
    assert [f.name for f in source.frames()] == ["1.png", "2.png", "9.png", "10.png", "11.png"]
    csv.write_text(
        "\ufefffile\tposition_um\n11.png\t1\n1.png\t−2\n2.png\t3\n9.png\t4\n10.png\t5\n", encoding="utf-8"
    )
    source = open_sweep(folder, positions=csv, recording=Recording(transfer="linear"))
    assert [(f.name, f.position) for f in source.frames()][:2] == [("11.png", 1), ("1.png", -2)]
    csv.write_text("position_um\n1\n")
    with pytest.raises(DescriptionError, match="1 rows and the folder 5 pictures"):
        open_sweep(folder, positions=csv)
    with pytest.raises(DescriptionError, match=r"has no sweep\.json"):
        open_sweep(folder)


def test_chart_json_comes_along_by_name_beside_or_given(sweep_folder: Folder, tmp_path: Path) -> None:
    folder = sweep_folder(files(), chart="layout.json")
    (folder / "layout.json").write_text('{"stars": [1]}')
    assert open_sweep(folder).layout == {"stars": [1]}
    other = tmp_path / "other.json"
    other.write_text('{"stars": [2]}')
    assert open_sweep(folder, chart=other).layout == {"stars": [2]}
    other.write_text("{")
    with pytest.raises(DescriptionError, match=r"other\.json is no JSON"):
        open_sweep(folder, chart=other)


def test_a_place_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="no folder and no clip"):
        open_sweep(tmp_path / "nowhere")


def test_one_frame_is_in_memory_at_a_time(sweep_folder: Folder) -> None:
    # Frames are made when asked for: a file that turns bad after the third is taken is found bad.
    folder = sweep_folder(files())
    frames = open_sweep(folder).frames()
    names = [next(frames).name for _ in range(3)]
    (folder / "frames" / "3.png").write_bytes(b"")
    names += [frame.name for frame in frames]
    assert names == [name for name in NAMES if name != "frames/3.png"]
