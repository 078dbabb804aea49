"""Whole commands of ``shimwise chart``."""

import hashlib
import io
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pytest

from shimwise.cli import main

Run = Callable[..., tuple[int, str, str]]
CAMERA = ("--focal", "50", "--distance", "3'", "--sensor", "36x24", "--pitch", "5", "--fnumber", "2.8")


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run the command line in this process; give exit code, output and errors."""

    def call(*words: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            main(("chart", *words))
        out, err = capsys.readouterr()
        return int(left.value.code or 0), out, err

    return call


def test_a_chart_for_a_camera_is_written_and_told_in_words(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "a.pdf"
    code, out, err = run("--auto", *CAMERA, "--paper", "A3", "--stars", "9", "--out", str(file))
    assert (code, err) == (0, "")
    assert "Print it at 100 %" in out
    assert "Suits:" in out
    assert "Does not suit:" in out
    assert len(pypdf.PdfReader(file).pages) == 1
    assert list(tmp_path.iterdir()) == [file]


def test_json_and_the_written_layout_are_what_the_sheet_carries(run: Run, tmp_path: Path) -> None:
    file, layout = tmp_path / "a.pdf", tmp_path / "chart.json"
    code, out, _ = run("--json", "--kind", "sinusoidal", "--out", str(file), "--layout", str(layout))
    told = json.loads(out)
    assert code == 0
    attached = pypdf.PdfReader(io.BytesIO(file.read_bytes())).attachments["chart.json"][0]
    assert attached == layout.read_bytes()
    assert json.loads(attached) == told["layout"]
    assert told["id"] == told["layout"]["id"]
    assert told["layout"]["star_kind"] == "sinusoidal"


def test_sizes_can_be_given(run: Run, tmp_path: Path) -> None:
    words = (
        "--radius",
        "20",
        "--spokes",
        "48",
        "--small-radius",
        "10",
        "--small-spokes",
        "24",
        "--marker",
        "12",
    )
    code, out, _ = run("--json", *words, "--out", str(tmp_path / "a.pdf"))
    layout = json.loads(out)["layout"]
    assert code == 0
    assert [(s["radius_mm"], s["spokes"]) for s in layout["stars"][:2]] == [(20, 48), (10, 24)]
    assert layout["markers"][0]["side_mm"] == 12


def test_another_process_in_another_place_and_time_writes_the_same_bytes(tmp_path: Path) -> None:
    digests = set()
    for number, zone in enumerate(("UTC", "Pacific/Auckland")):
        file = tmp_path / f"{number}.pdf"
        words = [sys.executable, "-m", "shimwise", "chart", "--auto", *CAMERA, "--out", str(file)]
        env = {**os.environ, "TZ": zone, "PYTHONHASHSEED": str(number), "SOURCE_DATE_EPOCH": str(number)}
        subprocess.run(words, check=True, capture_output=True, env=env, cwd=tmp_path)
        digests.add(hashlib.sha256(file.read_bytes()).hexdigest())
    assert len(digests) == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--auto", "--focal", "50"), "missing: distance, sensor, pixel pitch, f-number"),
        (("--paper", "1600x900"), "outside 150 to 1500 mm"),
        (("--paper", "napkin"), "is not known"),
        (("--stars", "7"), "5 or 9 stars, not 7"),
        (("--kind", "round"), "binary or sinusoidal, not 'round'"),
        (("--radius", "90"), "The star S0 does not fit"),
        (("--radius", "nan"), "The radius is nan"),
        (("--spokes", "1"), "The spokes is 1"),
        (("--sensor", "36"), "The sensor '36' is no size"),
        ((*CAMERA, "--distance", "150 mm"), "inside the near limit"),
        ((*CAMERA, "--distance", "INF"), "at infinity"),
        ((*CAMERA, "--pitch", "0"), "pixel pitch is 0"),
    ],
)
def test_bad_input_gets_one_clear_message_and_no_file(
    run: Run, tmp_path: Path, words: tuple[str, ...], told: str
) -> None:
    code, out, err = run(*words, "--out", str(tmp_path / "a.pdf"))
    assert code == 2
    assert out == ""
    assert told in err
    assert err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written_is_told(run: Run, tmp_path: Path) -> None:
    code, _, err = run("--out", str(tmp_path / "none" / "a.pdf"))
    assert code == 2
    assert "cannot be written" in err


def test_a_picture_of_the_sheet_is_enough_to_know_its_layout(run: Run, tmp_path: Path) -> None:
    if shutil.which("pdftoppm") is None:
        pytest.skip("poppler-utils is not installed")
    file, layout, found = (tmp_path / name for name in ("a.pdf", "a.json", "b.json"))
    run("--auto", *CAMERA, "--out", str(file), "--layout", str(layout))
    subprocess.run(["pdftoppm", "-r", "200", "-gray", "-singlefile", file, tmp_path / "a"], check=True)
    sheet = cv2.imread(str(tmp_path / "a.pgm"), cv2.IMREAD_GRAYSCALE)
    height, width = sheet.shape
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    seen = (corners * 0.9 + np.array([90, 60]) + np.array([[0, 0], [-20, 35], [12, -18], [25, 9]])).astype(
        np.float32
    )
    turned = cv2.warpPerspective(
        sheet, cv2.getPerspectiveTransform(corners, seen), (width, height), borderValue=120
    )
    photo = np.clip(
        30 + 0.6 * cv2.GaussianBlur(turned, (0, 0), 0.7) + np.random.default_rng(0).normal(0, 3, sheet.shape),
        0,
        255,
    )
    cv2.imwrite(str(tmp_path / "photo.jpg"), photo.astype(np.uint8))
    code, out, err = run("--picture", str(tmp_path / "photo.jpg"), "--layout", str(found))
    assert (code, err) == (0, "")
    assert "shows chart" in out
    assert json.loads(found.read_text()) == json.loads(layout.read_text())


def test_a_picture_without_a_sheet_is_refused(run: Run, tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "grey.png"), np.full((200, 300), 128, np.uint8))
    code, _, err = run("--picture", str(tmp_path / "grey.png"))
    assert code == 2
    assert "No QR square is seen in grey.png" in err


def test_a_chart_that_is_there_is_written_over_only_when_that_is_wanted(run: Run, tmp_path: Path) -> None:
    chart, layout = tmp_path / "chart.pdf", tmp_path / "chart.json"
    layout.write_text("mine", encoding="utf-8")
    words = ("--out", str(chart), "--layout", str(layout))
    code, out, err = run(*words)
    assert (code, out) == (2, "")
    assert err == f"shimwise: {layout} is there already. Name another file, or give --force.\n"
    assert (layout.read_text(encoding="utf-8"), chart.exists()) == ("mine", False)
    assert run(*words, "--force")[0] == 0
    assert chart.exists()
