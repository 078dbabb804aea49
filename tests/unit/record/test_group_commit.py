"""Changes that are made durable together, on a disk that does not answer."""

import threading
from typing import cast

import pytest
from sqlalchemy import Connection

from shimwise.record import group_commit
from shimwise.record.group_commit import GroupCommit


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
