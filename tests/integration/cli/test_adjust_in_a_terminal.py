"""The guided adjustment in a real terminal: step by step, refusals told, a wrong step taken back."""

import os
import pty
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from test_adjust_and_sign_cli import make_record

from child_process import ends_with_the_tests

MOST_S = 90.0


class Terminal:
    """A command in a terminal of its own; what it prints is waited for before the next line is typed."""

    def __init__(self, *words: str) -> None:
        self._master, slave = pty.openpty()
        code = "import sys; from shimwise.cli import main; main(sys.argv[1:])"
        self._process = subprocess.Popen(
            ends_with_the_tests(sys.executable, "-c", code, *words),
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env={**os.environ, "COLUMNS": "80", "NO_COLOR": "1", "TERM": "dumb"},
            close_fds=True,
        )
        os.close(slave)
        self.seen = self.all = ""

    def wait_for(self, words: str) -> str:
        """Read on until the words stand there; gives all that was printed up to them."""
        until = time.monotonic() + MOST_S
        while words not in self.seen:
            assert time.monotonic() < until, f"[{words}] never came:\n{self.seen}"
            assert self._read(), f"it ended before [{words}]:\n{self.seen}"
        before, _, self.seen = self.seen.partition(words)
        return " ".join(before.split())

    def type(self, line: str, *, at: str) -> str:
        """Wait for a prompt and answer it; gives what was printed before it."""
        told = self.wait_for(at)
        os.write(self._master, f"{line}\n".encode())
        return told

    def end(self) -> tuple[int, str]:
        """Give the exit code and the rest of what was printed."""
        until = time.monotonic() + MOST_S
        while self._read():
            assert time.monotonic() < until, f"it does not end:\n{self.seen}"
        return self._process.wait(MOST_S), " ".join(self.seen.split())

    def stop(self, *, at: str) -> None:
        """Wait for a prompt and break off there, as Ctrl-C does.

        A signal between the prompt and the read that follows it is heard with the next one.
        """
        self.wait_for(at)
        for _ in range(10):
            self._process.send_signal(signal.SIGINT)
            until = time.monotonic() + 2
            while time.monotonic() < until:
                if not self._read() or "stopped" in self.all:
                    return

    def close(self) -> None:
        """Stop it."""
        self._process.kill()
        self._process.wait()
        os.close(self._master)

    def _read(self) -> bool:
        if not select.select([self._master], [], [], 1.0)[0]:
            return True
        try:
            data = os.read(self._master, 65536)
        except OSError:  # a terminal whose other end is gone
            return False
        self.seen += data.decode(errors="replace")
        self.all += data.decode(errors="replace")
        return bool(data)


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    folder = make_record(tmp_path / "short", value_um=-20.0)
    opened = Terminal("adjust", "Monday", "A-01", "--data", str(folder), "--who", "N. Tester")
    yield opened
    opened.close()


def test_the_whole_guide_is_typed_with_every_refusal_and_a_step_taken_back(terminal: Terminal) -> None:
    head = terminal.type("perhaps", at="[clean]: ")
    assert "Careful: Never move a sensor that is locked" in head
    assert "is no answer to [clean]" in terminal.type("done", at="[clean]: ")
    # A lock is not passed over, and not released without consent.
    terminal.type("0.05 turn clockwise", at="[lock]: ")
    assert "is no answer to [lock]" in terminal.type("released", at="[lock]: ")
    assert "only with the owner's consent" in terminal.type("", at="(empty: nobody): ")
    terminal.type("released", at="[lock]: ")
    terminal.type("O. Owner", at="(empty: nobody): ")
    terminal.type("released", at="[lock]: ")
    terminal.type("slot at the top", at="[place]: ")
    # The wrong body's lock was looked at: it is taken back, with those after it, and asked for again.
    terminal.type("back lock=", at="[move]: ")
    assert "empty" in terminal.type("back lock=looked at the wrong body", at="[move]: ")
    terminal.type("was free", at="[lock]: ")
    terminal.type("slot at the top", at="[place]: ")
    # By eye along the screw: repeats are asked for, then the move leads to their mean.
    how = terminal.type("sharpest 0.05 clockwise", at="[move]: ")
    assert "by eye, anew three times" in how
    assert "has 1 of 3 places at least" in terminal.type("sweep nowhere.json", at="[move]: ")
    assert "cannot be read" in terminal.type("sweep", at="[move]: ")
    none = terminal.type("sharpest 0.05 0.06 0.055 clockwise", at="[move]: ")
    assert "no sweep along the screw of A-01 since" in none
    found = terminal.type("a bit", at="[move]: ")
    assert "The peak lies 0.055 ±" in found
    assert "Turn the screw 20° clockwise" in found
    assert "is no turn" in terminal.type("done", at="[move]: ")
    terminal.type("left free", at="[lock after]: ")
    terminal.type("done", at="[mark]: ")
    terminal.type("done", at="[flag]: ")
    code, told = terminal.end()
    assert code == 0
    assert "Finished: A-01 was moved by +" in told
    assert "Taken back: lock, by N. Tester: looked at the wrong body" in told
    assert "0.055 turn clockwise" in told


def test_a_break_ends_with_130_and_no_line_is_cut_within_a_word(terminal: Terminal) -> None:
    terminal.type("done", at="[clean]: ")
    terminal.stop(at="[lock]: ")
    code, told = terminal.end()
    assert (code, told) == (130, "shimwise: stopped. What was finished before is kept, and nothing by half.")
    assert max(map(len, terminal.all.splitlines())) < 80
    assert "Careful: Never move a sensor that is locked" in terminal.all
