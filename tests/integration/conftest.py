"""Whole commands, run in this process."""

from pathlib import Path
from typing import Any

import pytest
from bench_files import Ask, Run, Save, strict_json

from shimwise.cli import main


@pytest.fixture(autouse=True)
def _no_record_of_a_user(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep commands from the record of whoever runs the tests."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "nobody"))


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run the command line in this process; give exit code, output and errors."""

    def call(*words: str | Path) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            main([str(word) for word in words])
        out, err = capsys.readouterr()
        return int(left.value.code or 0), out, err

    return call


@pytest.fixture
def ask(run: Run) -> Ask:
    """Run a command with ``--json``; give the exit code and what it says, checked against its schema."""

    def call(*words: str | Path) -> tuple[int, Any]:
        code, out, err = run(*words, "--json")
        assert err == ""
        return code, strict_json(out)

    return call


@pytest.fixture
def save(tmp_path: Path) -> Save:
    """Write a text into a file of the test's folder."""

    def call(text: str, name: str = "readings.csv") -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return call
