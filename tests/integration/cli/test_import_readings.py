"""``shimwise import`` of a readings file, as a person types it."""

import json
from importlib.resources import files
from pathlib import Path

import pytest
from bench_files import Run, Save

ROWS = """\
body,lens,focal_length_mm,f_number,distance,reading,operator,setup
A-07,H25,25,2,3',"2' 10 3/4\""",technician,A-07 at 3 ft
A-07,H40,40,2,3',3',technician,A-07 at 3 ft
"""


@pytest.fixture
def kit(tmp_path: Path) -> Path:
    path = tmp_path / "kit.toml"
    of_demo = files("shimwise.bench.demo").joinpath("demo_bench/kit.toml")
    path.write_text(of_demo.read_text(encoding="utf-8"), encoding="utf-8")
    return path


def test_readings_go_into_a_record_once(run: Run, save: Save, kit: Path, tmp_path: Path) -> None:
    words = ("import", save(ROWS), "--kit", kit, "--data", tmp_path / "record", "--who", "Ann")
    assert run(*words, "--dry-run") == (
        0,
        "Bodies that would be added: A-07.\nLenses that would be added: H25, H40.\n"
        "2 readings at 1 new set-up would be in the prep A-07 with 2 lenses, which is new.\n"
        "This was a dry run: nothing is written.\n",
        "",
    )
    assert not (tmp_path / "record").exists()
    code, out, err = run(*words)
    assert (code, err) == (0, "")
    assert "2 readings at 1 new set-up are in the prep A-07 with 2 lenses, which is new.\nPrep " in out
    code, out, _ = run(*words, "--json")
    told = json.loads(out)
    assert (code, told["added"], told["there"], told["is_new"]) == (0, 0, 2, False)
    code, out, _ = run(*words)
    assert "All 2 readings of this file are in the prep A-07 with 2 lenses already. Nothing is added." in out


def test_more_readings_go_into_the_prep_that_is_named(run: Run, save: Save, tmp_path: Path) -> None:
    data = tmp_path / "record"
    assert run("import", save(ROWS), "--data", data, "--title", "Truck 3")[0] == 0
    more = save(ROWS.replace("2' 10 3/4", "2' 11"), "more.csv")
    code, out, _ = run("import", more, "--prep", "truck", "--data", data)
    assert code == 0
    assert "Line 3 says what readings of this prep say already" in out
    assert "\n2 readings are in the prep Truck 3.\n" in out
    code, out, _ = run("export", "truck", "--csv", "--data", data)
    assert len(out.splitlines()) == 1 + 4


@pytest.mark.parametrize(
    ("rows", "options", "message"),
    [
        (ROWS.replace("40,2,3',3'", "40,2,3',3 feat"), (), "readings.csv, line 3, column reading: [3 feat]"),
        (ROWS, ("--prep", "nothing"), "nothing"),
        (
            "kind,name\nbody,A-07\n",
            ("--kit", "kit.toml"),
            "--kit: is for a readings file, and this is a house's list",
        ),
        ("when,what\n1,2\n", (), "its first line is the header of no readings file"),
    ],
)
def test_what_is_wrong_is_refused_and_nothing_is_taken(
    run: Run, save: Save, kit: Path, tmp_path: Path, rows: str, options: tuple[str, ...], message: str
) -> None:
    data = tmp_path / "record"
    words = [kit if word == kit.name else word for word in options]
    code, out, err = run("import", save(rows), *words, "--data", data)
    assert (code, out) == (2, "")
    assert message in " ".join(err.split())
    assert run("export", "A-07", "--data", data)[0] == 2


def test_a_body_without_a_mechanism_is_adjusted_after_a_kit_is_taken_in(
    run: Run, save: Save, kit: Path, tmp_path: Path
) -> None:
    # The way out that the refusal names, taken literally.
    data = ("--data", tmp_path / "record", "--who", "Ann")
    assert run("import", save(ROWS), *data)[0] == 0
    code, _, err = run("adjust", "A-07", "A-07", "--reason", "on trial", *data)
    assert code == 2
    assert err.endswith(
        f"[bodies.A-07.mechanism] of docs/guide/files.md, and take that in: "
        f"shimwise import KIT.toml --data {tmp_path / 'record'}\n"
    )
    more = save(ROWS.replace("3',3'", "3',2' 11\""), "more.csv")
    assert (
        "What the kit says of A-07, H25 and H40 (mech"
        in run("import", more, "--kit", kit, "--prep", "A-07", *data)[1]
    )
    tried = run("import", kit, *data, "--dry-run")[1]
    code, out, err = run("import", "--kit", kit, *data)
    assert (code, err) == (0, "")
    assert "body A-12 is added.\n" in out
    assert "body A-07: mechanism is set to [screw, um_per_turn 350, " in out
    assert "lens H25: principal_separation_mm is set to [" in out
    assert tried.replace("would be", "is") == out + "This was a dry run: nothing is changed.\n"
    assert "[lock]" in run("adjust", "A-07", "A-07", "--reason", "on trial", *data)[1]
    assert run("import", kit, *data)[1] == "Units: added 0, changed 0, unchanged 10.\n"


def test_a_kits_gauge_goes_into_the_open_prep_and_its_history_never_over_the_records(
    run: Run, save: Save, tmp_path: Path
) -> None:
    data = ("--data", tmp_path / "record")
    assert run("import", save(ROWS), *data)[0] == 0
    first = save(
        "[bodies.A-07]\nhistory_mean_um = 2\nhistory_sd_um = 4\ngauge_um = -20\ngauge_sd_um = 3\n", "a.toml"
    )
    out = run("import", first, *data)[1]
    assert "body A-07: history_mean_um is set to [2].\n" in out
    assert "body A-07: its gauge value is in the prep A-07 with 2 lenses.\n" in out
    assert json.loads(run("export", "A-07", *data)[1])["gauges"][0]["value_um"] == -20
    other = save(
        "[bodies.A-07]\nhistory_mean_um = 9\nhistory_sd_um = 4\n[bodies.B-1]\ngauge_um=1\ngauge_sd_um=3\n"
        "[lenses.Z9]\nf_number = 2\n",
        "b.toml",
    )
    told = json.loads(run("import", other, *data, "--json")[1])
    assert {(one["name"], one["why"]) for one in told["left"]} == {
        ("A-07", "own_history"),
        ("B-1", "no_prep"),
        ("Z9", "needs_optics"),
    }
    assert (told["added"], told["changed"]) == (["body B-1"], [])
    assert run("import", save("[bodies.A-07]\nmount = 3\n", "c.toml"), *data)[0] == 2
    assert run("import", *data)[2].startswith("shimwise: Name the file to take in")
