"""The progress bar: only at a terminal, only for work that lasts, and gone when the work is done."""

import io
import sys
import time

import pytest

from shimwise.cli import progress


class Terminal(io.StringIO):
    """What is written to a terminal."""

    def isatty(self) -> bool:
        return True


def at_a_terminal(monkeypatch: pytest.MonkeyPatch, *, patience_s: float = 0.05) -> Terminal:
    """Put standard error on a terminal; called in the test itself, since pytest changes it until then."""
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setattr(progress, "PATIENCE_S", patience_s)
    return screen


def test_where_there_is_no_terminal_nothing_is_to_be_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    with progress.progress_bar() as told:
        assert told is None


def test_work_that_is_soon_done_shows_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = at_a_terminal(monkeypatch, patience_s=60.0)
    with progress.progress_bar() as told:
        assert told is not None
        told("Judging", 0, 0)
    assert terminal.getvalue() == ""


def test_work_that_lasts_shows_what_is_done_and_how_far_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = at_a_terminal(monkeypatch)
    with progress.progress_bar() as told:
        assert told is not None
        told("Reading the file", 1500, 3000)
        _wait_for(terminal, "1,500 of 3,000")
        told("Judging", 0, 0)
        _wait_for(terminal, "Judging")
    shown = terminal.getvalue()
    time.sleep(0.2)
    assert terminal.getvalue() == shown, "nothing is drawn after the end"


def test_work_that_a_person_stops_leaves_no_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = at_a_terminal(monkeypatch)

    def work() -> None:
        with progress.progress_bar() as told:
            assert told is not None
            told("Judging", 1, 2)
            _wait_for(terminal, "Judging")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        work()
    shown = terminal.getvalue()
    time.sleep(0.15)
    assert terminal.getvalue() == shown, "nothing is drawn after the end"


def _wait_for(terminal: Terminal, words: str) -> None:
    end = time.monotonic() + 10
    while words not in terminal.getvalue():
        assert time.monotonic() < end, f"{words!r} is not shown"
        time.sleep(0.02)
