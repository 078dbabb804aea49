"""Changes that are made durable together, on a disk that does not answer."""

import threading
from contextlib import nullcontext, suppress
from pathlib import Path
from typing import cast

import pytest
from sqlalchemy import Connection, text

from shimwise.record import group_commit
from shimwise.record.errors import NotFound
from shimwise.record.group_commit import GroupCommit
from shimwise.record.record import Record


class Stuck:
    """A connection whose commit does not end before it is let go."""

    invalidated = False

    def __init__(self) -> None:
        self.let_go, self.has_committed = threading.Event(), False

    def begin_nested(self) -> "Stuck":
        return Stuck.Nested()  # type: ignore[return-value]

    def commit(self) -> None:
        self.let_go.wait(10)
        self.has_committed = True

    def close(self) -> None:
        pass

    class Nested:
        def commit(self) -> None:
            pass


def test_a_change_whose_commit_does_not_end_is_told_as_not_known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(group_commit, "LONGEST_GROUP_S", 10.0)
    monkeypatch.setattr(group_commit, "PATIENCE", 0.05)
    stuck = Stuck()
    changes = GroupCommit(
        lambda: cast("Connection", stuck),
        waited_s=5.0,
        busy=lambda: RuntimeError("not made"),
        unsure=lambda waited_s: RuntimeError(f"not known after {waited_s:.2f} s"),
    )

    def second() -> None:
        with changes.turn():
            pass

    other = threading.Thread(target=second)

    def first() -> None:
        with changes.turn():
            other.start()
            while not changes._queue:
                threading.Event().wait(0.001)

    with pytest.raises(RuntimeError, match=r"not known after 0\.25 s"):
        first()
    assert not stuck.has_committed
    stuck.let_go.set()
    other.join(10)
    assert stuck.has_committed  # it was kept after all


@pytest.mark.parametrize("failing", ["first", "second"])
def test_a_change_that_is_refused_takes_no_other_of_its_group_with_it(tmp_path: Path, failing: str) -> None:
    with Record.open(tmp_path) as record:
        other = threading.Thread(target=lambda: _name(record, "second", is_refused=failing == "second"))
        queue = record._turns._queue

        def first() -> None:
            with record.writing(who="first"):
                other.start()
                while not queue:
                    threading.Event().wait(0.001)
                if failing == "first":
                    raise NotFound("unit", "x")

        with pytest.raises(NotFound) if failing == "first" else nullcontext():
            first()
        other.join(10)
        with record.reading() as connection:
            names = {name for (name,) in connection.execute(text("SELECT name FROM people"))}
        assert names == {"first", "second"} - {failing}


def _name(record: Record, who: str, *, is_refused: bool) -> None:
    with suppress(NotFound), record.writing(who=who):
        if is_refused:
            raise NotFound("unit", "x")
