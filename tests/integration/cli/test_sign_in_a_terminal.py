"""Signing and reopening where a person sits at a terminal: asked unit by unit, and refused in words."""

import os
import pty
import re
import select
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import pytest
from bench_files import Run
from test_adjust_and_sign_cli import WHO, make_record

from child_process import ends_with_the_tests
from shimwise.bench.exchange import record_admin
from shimwise.bench.prep import preps
from shimwise.bench.sign import signing

PATIENCE_S = 60.0
BEGIN = "import sys; from shimwise.cli import main; main(sys.argv[1:])"


def at_terminal(*words: str | Path, says: Sequence[tuple[str, str]] = ()) -> tuple[int, str]:
    """Run a command at a terminal of its own, and answer each question once it stands there."""
    own, theirs = pty.openpty()
    command = ends_with_the_tests(sys.executable, "-c", BEGIN, *map(str, words))
    process = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, close_fds=True)
    os.close(theirs)
    shown, left, until = "", list(says), time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        if select.select([own], [], [], 0.1)[0]:
            try:
                shown += os.read(own, 4096).decode("utf-8", "replace")
            except OSError:  # the command has ended, and its terminal with it
                break
        if left and re.search(left[0][0], shown.rpartition("\n")[2]):
            os.write(own, f"{left.pop(0)[1]}\n".encode())
            shown += "\n"
    os.close(own)
    code = process.wait(PATIENCE_S)
    assert left == [], shown
    return code, shown.replace("\r\n", "\n")


@pytest.fixture
def sound(tmp_path: Path) -> Path:
    return make_record(tmp_path / "sound", value_um=0.0)


def state(folder: Path) -> str:
    with record_admin.open_record(folder) as record:
        return preps.open_prep(record, record_admin.find_prep(record, "Monday")).state


WHY = "Why does it go out"


def test_each_undecided_unit_is_asked_for_and_the_prep_is_signed_and_reopened(sound: Path) -> None:
    who = ("--who", WHO, "--data", sound)
    again = r"\(-: it does not\) \[a spare only\]"  # what was answered last is proposed for the next
    says = [(WHY, "a spare only"), ("Who answers", "B. Lead"), (again, ""), ("Who answers", "")]
    code, shown = at_terminal("sign", "Monday", *who, says=[*says, ("Sign Monday as", "y")])
    assert code == 0, shown
    assert f"Signed by {WHO}" in shown
    with record_admin.open_record(sound) as record:
        (kept,) = signing.sign_offs(record, record_admin.find_prep(record, "Monday"))
    assert [(one.reason, one.name) for one in kept.exceptions] == [
        ("a spare only", "B. Lead"),
        ("a spare only", "B. Lead"),
    ]
    code, shown = at_terminal("reopen", "Monday", *who, says=[("Why is it opened", "a lens came late")])
    assert code == 0, shown
    assert "Open again: Monday." in shown
    assert state(sound) == "open"


def test_a_unit_that_is_left_undecided_stands_in_the_way(sound: Path) -> None:
    says = [(WHY, ""), (WHY, ""), ("Sign Monday as", "y")]
    code, shown = at_terminal("sign", "Monday", "--who", WHO, "--data", sound, says=says)
    assert code == 2
    assert "Not every unit is decided" in shown
    assert state(sound) == "open"


def test_who_says_no_at_the_last_question_signs_nothing(sound: Path) -> None:
    says = [(WHY, ""), (WHY, ""), ("Sign Monday as", "n")]
    code, shown = at_terminal("sign", "Monday", "--who", WHO, "--data", sound, says=says)
    assert code == 2
    assert "Nothing is signed." in shown
    assert state(sound) == "open"


def test_reopening_without_a_reason_or_the_right_is_refused(run: Run, sound: Path) -> None:
    excepted = ("--except", "H35=a spare", "--except", "H50=a spare")
    assert run("sign", "Monday", "--who", WHO, "--data", sound, *excepted)[0] == 0
    asked = "Why is it opened"
    for who, why, told in (
        (WHO, "", "is empty"),
        ("A. Stranger", "to change it", "may not reopen this prep"),
    ):
        code, shown = at_terminal("reopen", "Monday", "--who", who, "--data", sound, says=[(asked, why)])
        assert code == 2
        assert told in " ".join(shown.split())
    assert state(sound) == "signed"
