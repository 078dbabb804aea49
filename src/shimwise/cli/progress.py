"""A progress bar on standard error, for work that a person waits for; none where nobody looks."""

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

Report = Callable[[str, int, int], None]
"""Takes what is being done, how far it is and how far it goes; 0 of 0 where that is not known."""
PATIENCE_S = 1.0
"""Work that is done sooner shows no bar. [s]"""


@contextmanager
def progress_bar() -> Iterator[Report | None]:
    """Yield what takes the progress of the work, shown from the second second on; None without a terminal."""
    bar = _Bar() if sys.stderr.isatty() else None
    try:
        yield None if bar is None else bar.report
    finally:
        if bar is not None:
            bar.close()


def print_waiting(words: str) -> None:
    """Print on standard error what the work waits for."""
    print(f"shimwise: {words}", file=sys.stderr, flush=True)


class _Bar:
    """Keeps the last progress; a timer shows it, unless the work ends first."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.shown: Progress | None = None
        self.task: TaskID | None = None
        self.last = ("", 0, 0)
        self.what = ""
        self.is_closed = False
        self.timer = threading.Timer(PATIENCE_S, self._show)
        self.timer.daemon = True
        self.timer.start()

    def report(self, what: str, done: int, total: int) -> None:
        with self.lock:
            self.last = what, done, total
            self._update()

    def close(self) -> None:
        self.timer.cancel()
        with self.lock:
            self.is_closed = True
            shown, self.shown = self.shown, None
        if shown is not None:
            shown.stop()

    def _show(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.fields[count]}"))
        bar = Progress(*columns, TimeElapsedColumn(), console=Console(stderr=True), transient=True)
        with self.lock:
            if self.is_closed:
                return
            self.shown = bar
            self._update()
            bar.start()

    def _update(self) -> None:
        """Show the last progress; each kind of work has a line and a time of its own."""
        if self.shown is None:
            return
        what, done, total = self.last
        count = f"{done:,} of {total:,}" if total else ""
        if self.task is None or what != self.what:
            if self.task is not None:
                self.shown.remove_task(self.task)
            self.what, self.task = what, self.shown.add_task(what, total=total or None, count="")
        self.shown.update(self.task, completed=done, count=count)
