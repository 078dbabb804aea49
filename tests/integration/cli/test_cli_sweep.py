"""Whole commands of ``shimwise sweep``, and what the judge makes of them."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from bench_files import csv_text, strict_json
from sweep_files import (
    BEST_UM,
    CHART_MOVES,
    DISTANCE_MM,
    FOCAL_MM,
    ONE_STAR,
    TEXTURE,
    chart_mm,
    ring_mm,
    write_sweep,
)

from record_template import copied_record
from shimwise.bench.demo.demo_record import fill_demo
from shimwise.sheets.json.sweep_json import validate_sweep
from shimwise.sheets.json.verdict_json import validate

EXAMPLE = Path(__file__).parents[2] / "reference" / "sweep-1"
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The kept example in a folder of its own."""
    return Path(shutil.copytree(EXAMPLE, tmp_path_factory.mktemp("sweep") / "sweep-1"))


@pytest.fixture
def tell(run: Run) -> Callable[..., dict[str, Any]]:
    """Run the command with ``--json`` and give the document, checked against its schema."""

    def call(*words: str | Path, code: int = 0) -> dict[str, Any]:
        left, out, err = run("sweep", *words, "--json")
        assert (left, err) == (code, "")
        document = strict_json(out)
        validate_sweep(document)
        return dict(document)

    return call


def damaged_copy(example: Path, folder: Path) -> Path:
    shutil.copytree(example, folder)
    frame = folder / "frames" / "frame_0005.png"
    frame.write_bytes(frame.read_bytes()[:5000])
    return folder


def test_the_example_gives_its_truth(tell: Callable[..., dict[str, Any]], example: Path) -> None:
    truth = json.loads((EXAMPLE / "truth.json").read_text())
    told = tell(example)
    assert told["best_um"] == pytest.approx(truth["best_um_centre"], abs=0.05)
    assert told["landing_um"] == -told["best_um"]
    assert told["tilt"]["x_um"] == pytest.approx(truth["tilt_x_um"], abs=0.1)
    assert told["tilt"]["y_um"] == pytest.approx(truth["tilt_y_um"], abs=0.1)
    assert told["magnification"] == pytest.approx(0.02, rel=3e-4)
    assert told["low_um"] < truth["best_um_centre"] < told["high_um"]
    assert len(told["stars"]) == 5
    assert told["is_relative"] is False


def test_the_report_begins_with_the_sentence_and_keeps_to_80_columns(
    run: Run, example: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    code, out, err = run("sweep", example, "--body", "A-07", "--lens", "H50")
    assert (code, err) == (0, "")
    first = " ".join(out.splitlines()[:2])
    assert first.startswith("Best focus at +12.0")
    assert "body A-07 with lens H50 lands short by" in first
    assert "away from the lens" in " ".join(out.splitlines()[:3])
    assert max(map(len, out.splitlines())) <= 80


def test_figure_and_result_are_kept_and_say_the_same(run: Run, example: Path, tmp_path: Path) -> None:
    figure, result = tmp_path / "f.svg", tmp_path / "r.json"
    code, out, _ = run("sweep", example, "--figure", figure, "--out", result, "--json")
    assert code == 0
    assert json.loads(result.read_text(encoding="utf-8")) == json.loads(out)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["f.svg", "r.json"]
    assert "lands short" in figure.read_text(encoding="utf-8")


def test_a_damaged_frame_is_left_out_and_told(
    tell: Callable[..., dict[str, Any]], example: Path, tmp_path: Path
) -> None:
    told = tell(damaged_copy(example, tmp_path / "d"), code=1)
    assert any("frame left out: frames/frame_0005.png" in flag for flag in told["flags"])
    # Six frames are left of the seven that a peak needs: told why, and no number.
    assert told["best_um"] is None
    assert told["landing_um"] is None


def test_with_frames_enough_a_damaged_one_costs_nothing_else(
    tell: Callable[..., dict[str, Any]], tmp_path: Path
) -> None:
    folder = write_sweep(tmp_path / "s")
    (folder / "002.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    told = tell(folder)
    assert told["best_um"] == pytest.approx(BEST_UM, abs=0.1)
    assert [flag for flag in told["flags"] if "002.png" in flag]


def test_a_path_out_of_the_folder_is_not_followed(
    tell: Callable[..., dict[str, Any]], tmp_path: Path
) -> None:
    folder = write_sweep(tmp_path / "s")
    described = json.loads((folder / "sweep.json").read_text())
    shutil.copyfile(folder / "000.png", tmp_path / "secret.png")
    described["frames"][0]["file"] = "../secret.png"
    (folder / "sweep.json").write_text(json.dumps(described))
    told = tell(folder)
    assert any("leads out of the sweep's folder" in flag for flag in told["flags"])


def test_sensor_ring_and_chart_sweeps_agree_in_sign_and_size(
    tell: Callable[..., dict[str, Any]], tmp_path: Path
) -> None:
    sensor = tell(write_sweep(tmp_path / "a"))
    ring = tell(
        write_sweep(tmp_path / "b", place=lambda um: {"ring": ring_mm(um)}),
        "--distance",
        f"{DISTANCE_MM} mm",
    )
    chart = tell(
        write_sweep(tmp_path / "c", CHART_MOVES, place=lambda um: {"distance": chart_mm(um)}),
        "--reading",
        f"{DISTANCE_MM} mm",
    )
    assert [told["swept"] for told in (sensor, ring, chart)] == ["sensor", "ring", "chart"]
    assert sensor["landing_um"] == pytest.approx(-BEST_UM, abs=0.1)
    assert ring["landing_um"] == pytest.approx(-BEST_UM, abs=0.1)
    assert chart["landing_um"] == pytest.approx(-BEST_UM, abs=0.3)
    # Short: the ring reads nearer than the chart; and a chart is sharp farther away than the ring says.
    assert ring["best_at_mm"] == pytest.approx(ring_mm(BEST_UM), rel=1e-3)
    assert ring["best_at_mm"] < DISTANCE_MM < chart["best_at_mm"]


@pytest.mark.parametrize("um_per_turn", [-470.0])
def test_a_sweep_along_the_screw_tells_the_peak_in_turns_though_its_travel_is_not_known(
    tell: Callable[..., dict[str, Any]], run: Run, tmp_path: Path, um_per_turn: float
) -> None:
    folder = write_sweep(tmp_path / "a", place=lambda um: {"turns": um / um_per_turn})
    told = tell(folder)
    true_turns = BEST_UM / um_per_turn
    assert told["swept"] == "screw"
    assert told["best_turns"] == pytest.approx(true_turns, rel=0.01)
    assert told["low_turns"] < true_turns < told["high_turns"]
    # What one turn does is told by the blur; the sign, which way is away, is not.
    assert told["um_per_turn"] == pytest.approx(abs(um_per_turn), rel=0.03)
    assert told["um_per_turn_sd"] == pytest.approx(0.06 * told["um_per_turn"], rel=1e-3)
    assert told["landing_um"] is None
    said = tell(folder, "--um-per-turn", abs(um_per_turn))
    assert said["best_turns"] == pytest.approx(told["best_turns"], rel=0.01)
    way = "clockwise" if um_per_turn > 0 else "anticlockwise"
    _, out, _ = run("sweep", folder, "--um-per-turn", str(abs(um_per_turn)))
    text = " ".join(out.split())
    assert f"turn ({360 * abs(true_turns):.0f}°) {way} of where the screw stood at 0" in text


def test_turns_that_are_no_number_are_refused(run: Run, tmp_path: Path) -> None:
    folder = write_sweep(tmp_path / "a", place=lambda um: {"turns": "a bit"})
    code, _, err = run("sweep", folder)
    assert code == 2
    assert "turns is 'a bit'; give a number of turns" in " ".join(err.split())


def test_a_wrong_focal_length_is_made_good_by_the_pictures_scale(
    tell: Callable[..., dict[str, Any]], tmp_path: Path
) -> None:
    folder = write_sweep(tmp_path / "b", place=lambda um: {"ring": ring_mm(um)})
    told = tell(folder, "--distance", f"{DISTANCE_MM} mm", "--focal", 0.95 * FOCAL_MM)
    # The nominal length alone is about 10 % off here (f² (1/D - 1/R)); the picture's m brings it within 1 %.
    assert told["landing_um"] == pytest.approx(-BEST_UM, rel=0.02)
    assert any("the picture's is used" in warning for warning in told["warnings"])


def test_a_ring_sweep_without_the_distance_has_no_landing(
    tell: Callable[..., dict[str, Any]], tmp_path: Path
) -> None:
    told = tell(write_sweep(tmp_path / "b", place=lambda um: {"ring": ring_mm(um)}))
    assert told["landing_um"] is None
    assert told["best_at_mm"] == pytest.approx(ring_mm(BEST_UM), rel=1e-3)
    assert any("--distance" in warning for warning in told["warnings"])


def test_positions_measured_from_the_very_pictures_have_no_landing(
    tell: Callable[..., dict[str, Any]], tmp_path: Path
) -> None:
    folder = write_sweep(tmp_path / "b")
    assert tell(folder)["landing_um"] == pytest.approx(-BEST_UM, abs=0.1)
    described = json.loads((folder / "sweep.json").read_text())
    (folder / "sweep.json").write_text(json.dumps(described | {"placed_by": "pictures"}))

    told = tell(folder)

    assert told["landing_um"] is None
    assert told["stars"]
    assert any("from these pictures" in warning for warning in told["warnings"])


@pytest.mark.parametrize("words", [(), ("--region", "40,30,256,200")])
def test_without_a_chart_the_peak_is_relative(
    tell: Callable[..., dict[str, Any]], tmp_path: Path, words: tuple[str, ...]
) -> None:
    told = tell(write_sweep(tmp_path / "t", TEXTURE, has_chart=False), *words)
    assert told["is_relative"] is True
    assert told["best_um"] == pytest.approx(BEST_UM, abs=0.5)
    assert told["landing_um"] is None
    assert told["stars"] == []


def test_a_star_of_ones_own_is_measured_where_it_is_pointed_at(
    tell: Callable[..., dict[str, Any]], tmp_path: Path
) -> None:
    folder = write_sweep(tmp_path / "o", ONE_STAR, has_chart=False)
    told = tell(folder, "--star", "120,119.5,105,48")
    assert told["landing_um"] == pytest.approx(-BEST_UM, abs=0.1)
    assert told["magnification"] is None


def test_a_star_that_the_description_points_at_is_measured_and_one_that_is_none_refused(
    run: Run, tell: Callable[..., dict[str, Any]], tmp_path: Path
) -> None:
    folder = write_sweep(tmp_path / "o", ONE_STAR, has_chart=False, star=[120, 119.5, 105, 48])
    assert tell(folder)["landing_um"] == pytest.approx(-BEST_UM, abs=0.1)
    write_sweep(folder, ONE_STAR, has_chart=False, star=[120, "x", 105, 48])
    code, _, err = run("sweep", folder)
    assert (code, "star is no [x, y, radius, spokes]" in " ".join(err.split())) == (2, True)


def test_a_peak_beyond_the_end_withholds_the_number(
    run: Run, tell: Callable[..., dict[str, Any]], tmp_path: Path
) -> None:
    folder = write_sweep(tmp_path / "s")
    described = json.loads((folder / "sweep.json").read_text())
    described["frames"] = described["frames"][:8]
    (folder / "sweep.json").write_text(json.dumps(described))
    told = tell(folder, code=1)
    assert told["best_um"] is None
    _, out, _ = run("sweep", folder)
    assert out.startswith("Best focus cannot be told: ")
    assert "move the sweep over it" in " ".join(out.split())


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--star", "1,2,3"), "X,Y,R,SPOKES"),
        (("--region", "0,0,5000,100"), "leads out of the frame"),
        (("--region", "0,0,4,4"), "16 px or more"),
        (("--pitch", "0"), "pitch_um is 0"),
        (("--figure", "a.gif"), "ends in .gif"),
        (("--positions", "none.csv"), "none.csv"),
    ],
)
def test_bad_input_gets_one_message(run: Run, example: Path, words: tuple[str, ...], told: str) -> None:
    code, out, err = run("sweep", example, *words)
    assert (code, out) == (2, "")
    assert told in err


def test_a_folder_without_a_sweep_is_refused(run: Run, tmp_path: Path) -> None:
    code, out, err = run("sweep", tmp_path)
    assert (code, out) == (2, "")
    assert "sweep.json" in err


def stop(*_: object, **__: object) -> None:
    raise KeyboardInterrupt


@pytest.mark.parametrize(
    "where",
    [
        "shimwise.bench.sweep.measure.measure_sweep",
        "shimwise.imaging.frames.source.read_still",
        "shimwise.sheets.pictures.figure_file._rendered",
        "pathlib.Path.replace",
    ],
)
def test_ctrl_c_leaves_nothing_behind(
    run: Run, example: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    monkeypatch.setattr(where, stop)
    code, out, err = run("sweep", example, "--figure", tmp_path / "f.svg", "--out", tmp_path / "r.json")
    assert (code, out) == (130, "")
    assert "stopped" in err
    assert list(tmp_path.iterdir()) == []


ROWS = [("A-07", "H50", 50, 2.8, "8' 6\"", "8' 6\"", "tech", "s1")] * 3


def test_the_judge_takes_a_sweep_as_evidence(run: Run, example: Path, tmp_path: Path) -> None:
    readings, result = tmp_path / "r.csv", tmp_path / "s.json"
    readings.write_text(csv_text(ROWS), encoding="utf-8")
    unit = ("--body", "A-07", "--lens", "H50", "--distance", "8' 6\"", "--setup", "s1")
    assert run("sweep", example, *unit, "--out", result)[0] == 0
    without, with_sweep = (
        strict_json(run("judge", readings, *more, "--json")[1]) for more in ((), ("--sweep", result))
    )
    validate(with_sweep)
    # 12 µm short, beside readings on the mark: the body goes short.
    assert with_sweep["bodies"][0]["error_um"] < without["bodies"][0]["error_um"] - 1
    kit = tmp_path / "kit.toml"
    kit.write_text("[lenses.H50]\nfocal_length_mm = 35\n", encoding="utf-8")
    readings.write_text(csv_text([(*ROWS[0][:2], 35, *ROWS[0][3:])]), encoding="utf-8")
    for words in (("--kit", kit), ()):
        code, out, err = run("judge", readings, "--sweep", result, *words)
        assert (code, out) == (2, "")
        where = "kit" if words else "readings"
        assert err == (
            f"shimwise: s.json was measured at 50 mm, but H50 has 35 mm in the {where}. "
            f"Sweep again with its --focal, or correct the {where}.\n"
        )
    last = with_sweep["readings"][-1]
    assert (last["row"], last["source"], last["landing_um"]) == (3, "s.json", pytest.approx(-12, abs=0.1))
    assert "line" not in last
    assert 1.5 <= last["sd_um"] < 1.6


def test_the_judge_refuses_a_sweep_that_does_not_say_what_was_under_test(
    run: Run, example: Path, tmp_path: Path
) -> None:
    readings, result = tmp_path / "r.csv", tmp_path / "s.json"
    readings.write_text(csv_text(ROWS), encoding="utf-8")
    run("sweep", example, "--lens", "H50", "--out", result)
    code, out, err = run("judge", readings, "--sweep", result)
    assert (code, out) == (2, "")
    assert "Sweep again with --body, --distance" in err
    run("sweep", example, "--no-chart", "--body", "A", "--lens", "H", "--distance", "INF", "--out", result)
    code, _, err = run("judge", readings, "--sweep", result)
    assert code == 2
    assert "no landing to judge" in err
    pictured = Path(shutil.copytree(example, tmp_path / "pictured"))
    described = json.loads((pictured / "sweep.json").read_text())
    (pictured / "sweep.json").write_text(json.dumps(described | {"placed_by": "pictures"}))
    run("sweep", pictured, "--body", "A", "--lens", "H", "--distance", "INF", "--out", result)
    code, _, err = run("judge", readings, "--sweep", result)
    assert code == 2
    assert "measured its positions from its own pictures" in err


def test_a_sweeps_description_is_made_from_options_and_shown_first(
    run: Run, tell: Callable[..., dict[str, Any]], tmp_path: Path
) -> None:
    folder = write_sweep(tmp_path / "sweep", ONE_STAR, has_chart=False)
    listed = json.loads((folder / "sweep.json").read_text(encoding="utf-8"))
    (folder / "sweep.json").unlink()
    code, _, err = run("sweep", folder, "--no-chart")
    assert (code, "as --moved sensor --first -60 --step 10" in err) == (2, True)
    um = [one["position_um"] for one in listed["frames"]]
    moves = ("--moved", "sensor", "--first", str(um[0]), "--step", str(um[1] - um[0]))
    kit = tmp_path / "kit.toml"
    kit.write_text(
        "[bodies.A-07]\npixel_pitch_um = 5\n[lenses.H50]\nfocal_length_mm = 50\nf_number = 2.8\n",
        encoding="utf-8",
    )
    words = (folder, "--no-chart", *moves, "--kit", kit, "--transfer", "linear")
    code, out, _ = run("sweep", *words, "--dry-run")
    assert (code, (folder / "sweep.json").exists()) == (0, False)
    last = f"{len(um) - 1:03d}.png at {um[-1]:g} µm"
    assert f"{len(um)} frames as the sensor moves: 000.png at {um[0]:g} µm, 001.png at " in out
    assert (
        f"… {last}; without a chart.\nRecorded with 50 mm, f/2.8, pixels of 5 µm, transfer linear.\n" in out
    )
    told = tell(*words)
    assert (told["body"], told["lens"], told["focal_length_mm"]) == ("A-07", "H50", 50)
    made = json.loads((folder / "sweep.json").read_text(encoding="utf-8"))
    assert [one["position_um"] for one in made["frames"]] == pytest.approx(um)
    assert (made["swept"], made["pitch_um"], made["fnumber"]) == ("sensor", 5, 2.8)
    code, _, err = run("sweep", *words)
    assert (code, "has a sweep.json of its own" in err) == (2, True)


@pytest.mark.parametrize(
    ("moves", "told"),
    [
        (("--moved", "head"), "--moved head: is nothing that moves; give sensor, ring, chart, screw."),
        (("--first", "0"), "--step: is empty; give the first position and the step"),
        (("--first", "0", "--step", "ten"), "--step ten: is no number"),
        (("--first", "0", "--step", "0"), "--step 0: is 0: the frames would all lie at one place."),
        (("--at", "1,2,3"), "--at: has 3 positions, and there are 2 pictures."),
        (
            ("--moved", "ring", "--first", "3 feat", "--step", "1 in"),
            "--first 3 feat: is no length at character 3",
        ),
        (
            ("--moved", "chart", "--first", "3'", "--step", "-4 ft"),
            "--step -4 ft: is too large: the last of 2 frames would lie at -304.8 mm.",
        ),
    ],
)
def test_positions_that_cannot_be_are_told(
    run: Run, tmp_path: Path, moves: tuple[str, ...], told: str
) -> None:
    for number in range(2):
        (tmp_path / f"{number}.png").touch()
    code, out, err = run("sweep", tmp_path, *moves)
    assert (code, out) == (2, "")
    assert told in err
    assert not (tmp_path / "sweep.json").exists()


def test_ring_and_screw_positions_and_a_list_are_described_as_they_are_written(
    run: Run, tmp_path: Path
) -> None:
    for number in (2, 10, 1):
        (tmp_path / f"f{number}.png").touch()
    ring = json.loads(
        run("sweep", tmp_path, "--moved", "ring", "--first", "3'", "--step", "-1 in", "--dry-run", "--json")[
            1
        ]
    )
    assert ring["frames"] == [
        {"file": "f1.png", "ring": 914.4},
        {"file": "f2.png", "ring": 889.0},
        {"file": "f10.png", "ring": 863.6},
    ]
    listed = run("sweep", tmp_path, "--moved", "screw", "--at", "0, −0.05, 0.1", "--dry-run", "--json")[1]
    assert [one["turns"] for one in json.loads(listed)["frames"]] == [0, -0.05, 0.1]


def test_camera_and_lens_of_a_prep_go_into_the_description(run: Run, tmp_path: Path) -> None:
    copied_record(tmp_path / "record", fill_demo)
    for number in range(3):
        (tmp_path / f"{number}.png").touch()
    words = ("sweep", tmp_path, "--at", "-10,0,10", "--dry-run", "--json")
    prep = ("--prep", "A-03", "--data", tmp_path / "record")
    made = json.loads(run(*words, *prep, "--lens", "k35")[1])
    assert (made["focal_mm"], made["fnumber"], made["swept"]) == (35, 2, "sensor")
    code, out, err = run(*words, *prep)
    assert (code, out, err) == (2, "", "shimwise: --lens is missing. Known are K24, K35, K65.\n")
