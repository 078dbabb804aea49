"""What version 0.1.0 wrote still opens, shows, verifies, restores and imports."""

import json
import shutil
from collections.abc import Callable, Iterator
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from api_house import Door
from bench_files import Run
from pages_house import opened_pages

KEPT = Path(__file__).parents[1] / "reference" / "record-0.1.0"
FACTS = json.loads((KEPT / "facts.json").read_text(encoding="utf-8"))
PREP: dict[str, Any] = json.loads((KEPT / "prep.json").read_text(encoding="utf-8"))


Ask = Callable[..., tuple[int, Any]]


@pytest.fixture
def ask(run: Run) -> Ask:
    """Run a command with ``--json``; give the exit code and what it says."""

    def call(*words: str | Path) -> tuple[int, Any]:
        code, out, err = run(*words, "--json")
        assert err == ""
        return code, json.loads(out)

    return call


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the record of 0.1.0, in a folder of its own."""
    folder = tmp_path / "house"
    folder.mkdir()
    shutil.copy(KEPT / "shimwise.sqlite", folder)
    return folder


@pytest.fixture
def door(folder: Path) -> Iterator[Door]:
    with opened_pages(folder) as opened:
        yield opened


def lost(kept: Any, now: Any, where: str = "") -> Iterator[str]:  # noqa: ANN401 - a tree of JSON
    """Yield where a document no longer holds what it held; fields that came later are no loss."""
    if isinstance(kept, dict) and isinstance(now, dict):
        for key, value in kept.items():
            if key not in now:
                yield f"{where}.{key}"
            else:
                yield from lost(value, now[key], f"{where}.{key}")
    elif isinstance(kept, list) and isinstance(now, list) and len(kept) == len(now):
        for number, (one, other) in enumerate(zip(kept, now, strict=True)):
            yield from lost(one, other, f"{where}[{number}]")
    elif kept != now:
        yield where


def exported(run: Run, folder: Path, to: Path) -> dict[str, Any]:
    assert run("export", FACTS["signed"], to, "--data", folder)[0] == 0
    found: dict[str, Any] = json.loads(to.read_text(encoding="utf-8"))
    return found


def test_the_kept_prep_holds_something_of_every_kind() -> None:
    kinds = (
        "bodies",
        "lenses",
        "setups",
        "readings",
        "gauges",
        "sweeps",
        "verdicts",
        "adjustments",
        "sign_offs",
    )
    assert {kind: bool(PREP[kind]) for kind in (*kinds, "journal", "set")} == dict.fromkeys(
        (*kinds, "journal", "set"), True
    )
    assert any(row["withdrawn_at"] for row in PREP["readings"])
    assert any(row["withdrawn_at"] for row in PREP["gauges"])


def test_its_record_opens_and_agrees_with_itself(folder: Path, ask: Ask) -> None:
    code, said = ask("check", "--data", folder)
    assert (code, said["findings"]) == (0, [])


def test_its_prep_is_exported_with_all_that_it_held(folder: Path, run: Run, tmp_path: Path) -> None:
    assert list(lost(PREP, exported(run, folder, tmp_path / "again.json"))) == []


def test_its_preps_are_shown(door: Door) -> None:
    assert "Invented job 1" in door.client.get("/").text
    for prep_id, words in ((FACTS["signed"], "N. Tester"), (FACTS["open"], "2.99 m")):
        page = door.client.get(f"/preps/{prep_id}")
        assert page.status_code == 200
        assert words in unescape(page.text)


def test_its_open_prep_goes_on(door: Door) -> None:
    prep = door.client.get(f"/api/v1/preps/{FACTS['open']}").json()
    row = prep["readings"][-1]
    answer = door.client.post(
        f"/api/v1/preps/{FACTS['open']}/readings",
        json={
            "body_id": row["body_id"],
            "lens_id": row["lens_id"],
            "distance_text": "3 m",
            "reading_text": "3 m",
            "operator": "N. Tester",
        },
    )
    assert answer.status_code == 201, answer.text
    again = door.client.get(f"/api/v1/preps/{FACTS['open']}").json()
    assert len(again["readings"]) == len(prep["readings"]) + 1


@pytest.mark.parametrize(
    ("name", "words"),
    [("sheet.pdf", "The pages carry no signature"), ("prep.json", "before signatures had keys")],
)
def test_what_was_signed_agrees_and_is_told_to_be_from_before_keys(
    folder: Path, ask: Ask, name: str, words: str
) -> None:
    code, said = ask("verify", KEPT / name, "--data", folder)
    (prep,) = said["preps"]
    assert (code, prep["standing"], prep["digest"]) == (1, "not_sealed", FACTS["digest"])
    assert prep["differing"] == []
    assert words in " ".join(prep["words"])


@pytest.mark.parametrize("path", [("readings", 0, "reading_text"), ("gauges", 0, "note"), ("prep", "title")])
def test_what_was_altered_since_is_found(
    folder: Path, ask: Ask, tmp_path: Path, path: tuple[str | int, ...]
) -> None:
    document = json.loads(json.dumps(PREP))
    inner: Any = document
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = "another"
    changed = tmp_path / "changed.json"
    changed.write_text(json.dumps(document), encoding="utf-8")
    code, said = ask("verify", changed, "--data", folder)
    assert (code, said["preps"][0]["state"]) == (1, "altered")


@pytest.mark.parametrize("name", ["backup.jsonl.gz", "shimwise.sqlite"])
def test_a_backup_of_it_is_restored(name: str, ask: Ask, run: Run, tmp_path: Path) -> None:
    backup = shutil.copy(KEPT / name, tmp_path)  # SQLite makes files beside the one that it reads
    code, said = ask("restore", backup, "--data", tmp_path / "restored")
    assert (code, said["preps"], said["readings"]) == (0, 2, len(PREP["readings"]) + 2)
    assert ask("check", "--data", tmp_path / "restored")[1]["findings"] == []
    assert list(lost(PREP, exported(run, tmp_path / "restored", tmp_path / "again.json"))) == []


def test_its_prep_is_imported_elsewhere_and_as_signed_there(ask: Ask, run: Run, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    words = ("import", KEPT / "prep.json", "--data", elsewhere, "--who", "N. Tester")
    code, _, said = run(*words)
    assert (code, "no seal of a house" in said) == (2, True)
    code, _, said = run(*words, "--unproven")
    assert code == 0, said
    assert ask("check", "--data", elsewhere)[1]["findings"] == []
    assert list(lost(PREP, exported(run, elsewhere, tmp_path / "again.json"))) == []
    for name in ("prep.json", "sheet.pdf"):
        (prep,) = ask("verify", KEPT / name, "--data", elsewhere)[1]["preps"]
        assert prep["standing"] == "not_sealed"


def test_its_readings_file_is_judged(ask: Ask) -> None:
    code, said = ask("judge", KEPT / "readings.csv")
    assert code in (0, 1)
    assert {body["name"] for body in said["bodies"]} == {"A-01", "A-01 before adjustment 1"}
