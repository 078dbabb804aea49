"""Adjusting and signing from the command line, as a person types it, and every refusal on the way."""

import json
import re
from pathlib import Path

import pytest
from bench_files import Run

from record_template import copied_record
from screw_peak import PEAK
from shimwise.bench.exchange import record_admin
from shimwise.bench.house import units
from shimwise.bench.house.views import BodyFacts, LensFacts, MechanismFacts
from shimwise.bench.prep import gauges, preps
from shimwise.bench.prep.readings import add_reading
from shimwise.bench.sign import signing
from shimwise.bench.sweep.evidence import SweepRequest, keep_sweep
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.house_keys import FOLDER_VARIABLE

WHO = "N. Tester"
SCREW = MechanismFacts(kind="screw", um_per_turn=400.0, um_per_turn_sd=4.0, away="clockwise", backlash_um=1.0)


def make_record(folder: Path, *, value_um: float) -> Path:
    """An invented prep of one body, which a gauge finds so far off, and two lenses."""
    copied_record(folder, _fill, value_um=value_um)
    return folder


def _fill(record: record_admin.Record, *, value_um: float) -> None:
    body = units.add_unit(record, facts=BodyFacts(name="A-01", mechanism=SCREW), who=WHO)
    lenses = [
        units.add_unit(record, facts=LensFacts(name=f"H{f:g}", focal_lengths_mm=(f,), fnumber=2.0), who=WHO)
        for f in (35.0, 50.0)
    ]
    prep = preps.start_prep(
        record, body_ids=[body.id], lens_ids=[lens.id for lens in lenses], title="Monday", who=WHO
    )
    gauges.add_gauge(
        record, prep.id, unit_kind="body", unit_id=body.id, value_um=value_um, sd_um=1.5, who=WHO
    )
    for lens, text in zip(lenses, ('short by 5/16"', 'short by 3/16"'), strict=True):
        add_reading(
            record,
            prep.id,
            body_id=body.id,
            lens_id=lens.id,
            distance_text="3'",
            reading_text=text if value_um else "on",
            operator=WHO,
        )


@pytest.fixture
def short(tmp_path: Path) -> Path:
    return make_record(tmp_path / "short", value_um=-20.0)


@pytest.fixture
def sound(tmp_path: Path) -> Path:
    return make_record(tmp_path / "sound", value_um=0.0)


def exceptions(folder: Path) -> list[str]:
    with record_admin.open_record(folder) as record:
        prep_id = record_admin.find_prep(record, "Monday")
        refresh_verdict(record, prep_id)
        found = signing.undecided(record, prep_id)
    return [word for unit in found for word in ("--except", f"{unit.name}=a spare only")]


def test_an_adjustment_is_answered_step_by_step_over_several_calls(run: Run, short: Path) -> None:
    call = ("adjust", "Monday", "A-01", "--who", WHO, "--data", short)
    code, out, _ = run(*call, "--answer", "clean=done", "--answer", "lock=was free")
    assert code == 1
    assert "now  3. [place]" in out
    code, out, _ = run(
        *call,
        *("--answer", "place=at the rim", "--answer", "move=18° clockwise"),
        *("--answer", "lock after=set", "--answer", "mark=done", "--answer", "flag=done"),
    )
    assert code == 0
    # A twentieth of 400 µm is 20 µm, of which half the play of 1 µm may be lost.
    assert re.search(r"Finished: A-01 was moved by \+(19|20) µm", out)


def test_the_newest_sweep_along_the_screw_that_the_prep_has_kept_leads_the_move(
    run: Run, short: Path
) -> None:
    call = ("adjust", "Monday", "A-01", "--who", WHO, "--data", short)
    run(*call, "--answer", "clean=done", "--answer", "lock=was free", "--answer", "place=at the rim")
    code, out, err = run(*call, "--sweep-id", "last")
    assert (code, out) == (2, "")
    assert "no sweep along the screw of A-01 since the adjustment was begun" in " ".join(err.split())
    with record_admin.open_record(short) as record:
        prep = preps.open_prep(record, record_admin.find_prep(record, "Monday"))
        facts = SweepRequest(body_id=prep.bodies[0].id, lens_id=prep.lenses[0].id, distance_text="3'")
        kept = keep_sweep(record, prep.id, facts=facts, document=PEAK, who=WHO)
    for named in ("last", kept.id):
        code, out, _ = run(*call, "--sweep-id", named, "--json")
        assert code == 1
        assert json.loads(out)["move"]["turns"] == pytest.approx(0.12)
    code, _, err = run(*call, "--sweep-id", "monday")
    assert code == 2
    assert "is no sweep of this prep" in err


def test_a_move_before_the_lock_is_refused(run: Run, short: Path) -> None:
    code, out, err = run(
        *("adjust", "Monday", "A-01", "--who", WHO, "--data", short),
        *("--answer", "clean=done", "--answer", "move=done"),
    )
    assert (code, out) == (2, "")
    assert "cannot be marked as moved before its lock was looked at" in err


def test_a_step_is_taken_back_and_an_adjustment_given_up_with_a_reason(run: Run, short: Path) -> None:
    call = ("adjust", "Monday", "A-01", "--who", WHO, "--data", short)
    run(*call, "--answer", "clean=done")
    code, out, _ = run(*call, "--take-back", "clean=wrong body", "--json")
    assert code == 1
    assert json.loads(out)["taken_back"] == [f"clean, by {WHO}: wrong body"]
    code, out, _ = run(*call, "--give-up", "not today")
    assert code == 0
    assert "Nothing was moved" in out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("Monday", "Z-99"), "no unit of this prep"),
        (("Monday", "A-01", "--answer", "clean"), "STEP=TEXT"),
        (("Monday", "A-01", "--answer", "clean=no"), "no answer to [clean]"),
        (("Tuesday", "A-01"), "no prep [Tuesday]"),
        (("Monday", "A-01", "--answer", "clean=done", "--answer", "lock=released"), "--answer consent="),
    ],
)
def test_what_cannot_be_adjusted_is_told(run: Run, short: Path, words: tuple[str, ...], told: str) -> None:
    code, _, err = run("adjust", *words, "--who", WHO, "--data", short)
    assert code == 2
    assert told in err


def test_a_body_that_is_not_out_is_not_adjusted_without_a_reason(run: Run, sound: Path) -> None:
    code, _, err = run("adjust", "Monday", "A-01", "--who", WHO, "--data", sound)
    assert code == 2
    assert "not judged to be out" in err


def test_a_prep_is_signed_verified_and_reopened(
    run: Run, sound: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    some = ("--except", "H50=its ring is stiff", "--except", "all=a spare only")
    code, out, _ = run("sign", "Monday", "--who", WHO, "--data", sound, *some)
    assert code == 0
    assert f"Signed by {WHO}" in out
    assert f"H35: a spare only ({WHO})." in out
    assert f"H50: its ring is stiff ({WHO})." in out
    file = tmp_path / "prep.json"
    run("export", "Monday", file, "--data", sound)
    code, out, _ = run("verify", file)
    assert code == 0
    assert out.startswith("As signed: Monday.")
    assert "Only the file was looked at: there is no record here" in out
    code, out, _ = run("verify", file, "--data", sound)
    assert code == 0
    assert "Only the file" not in out
    code, out, _ = run("reopen", "Monday", "--reason", "a lens came late", "--who", WHO, "--data", sound)
    assert code == 0
    assert "Open again: Monday." in out
    code, out, _ = run("verify", file, "--data", sound)
    assert code == 1
    assert out.startswith("Older: Monday.\nThis is revision")
    with record_admin.open_record(tmp_path / "elsewhere"):
        pass
    code, out, _ = run("verify", file, "--data", tmp_path / "elsewhere")
    assert (code, out.splitlines()[0]) == (0, "As signed: Monday."), (
        "another record, the key of the same house"
    )
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path / "keys of another house"))
    code, out, _ = run("verify", file, "--data", tmp_path / "elsewhere")
    assert (code, out.splitlines()[0]) == (1, "Another house: Monday.")


def test_an_altered_sheet_is_refused_with_what_differs(run: Run, sound: Path, tmp_path: Path) -> None:
    run("sign", "Monday", "--who", WHO, "--data", sound, *exceptions(sound))
    file, sheet = tmp_path / "prep.json", tmp_path / "sheet.pdf"
    run("export", "Monday", file, "--data", sound)
    altered = json.loads(file.read_text(encoding="utf-8"))
    altered["readings"][0]["operator"] = "Somebody Else"
    file.write_text(json.dumps(altered), encoding="utf-8")
    run("sheet", file, "--out", sheet)
    told = f"Reading 1: its operator is “Somebody Else”; as signed it is “{WHO}”."
    for paper in (file, sheet):
        code, out, _ = run("verify", paper, "--data", sound)
        assert code == 1
        assert out.startswith("ALTERED: Monday.")
        assert told in out
        code, out, _ = run("verify", paper, "--data", sound, "--json")
        assert json.loads(out)["preps"][0]["differing"] == [told]
        assert json.loads(out)["is_compared"]


def test_a_record_that_is_asked_for_and_not_there_is_told(run: Run, sound: Path, tmp_path: Path) -> None:
    file = tmp_path / "prep.json"
    run("export", "Monday", file, "--data", sound)
    code, _, err = run("verify", file, "--data", tmp_path / "nowhere")
    assert code == 2
    assert "is not there" in err


def test_an_undecided_unit_is_not_signed(run: Run, sound: Path) -> None:
    code, out, err = run("sign", "Monday", "--who", WHO, "--data", sound)
    assert (code, out) == (2, "")
    assert "Not every unit is decided" in err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--reason", "to change it", "--who", "A. Stranger"), "A. Stranger may not reopen this prep"),
        (("--who", WHO), "is empty"),
    ],
)
def test_reopening_without_right_or_reason_is_refused(
    run: Run, sound: Path, words: tuple[str, ...], told: str
) -> None:
    run("sign", "Monday", "--who", WHO, "--data", sound, *exceptions(sound))
    code, _, err = run("reopen", "Monday", *words, "--data", sound)
    assert code == 2
    assert told in err


@pytest.mark.parametrize(
    ("words", "told"),
    [(("--except", "H35"), "UNIT=REASON"), (("--except", "Z-99=why"), "no unit of this prep")],
)
def test_an_exception_that_is_none_is_refused(
    run: Run, sound: Path, words: tuple[str, ...], told: str
) -> None:
    code, _, err = run("sign", "Monday", *words, "--who", WHO, "--data", sound)
    assert code == 2
    assert told in err
