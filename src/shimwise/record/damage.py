"""Whether a record's file is damaged: looked at before it is served, and where something in it is missed.

A flipped byte in an index hides a row, so that a prep seems not to be there. What is refused is therefore
refused for the damage, where there is any.
"""

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from shimwise.record.error_translation import DAMAGED
from shimwise.record.errors import RecordDamaged, StoreError
from shimwise.record.file_copy import open_read_only

LEAST_PAUSE_S = 1.0
SHARE = 20
"""A look that takes a second is followed by none for so many: who asks for what is not there costs little."""


class DamageWatch:
    """Looks whether a file is damaged, seldom enough.

    Parameters
    ----------
    path : Path or None
        The file; None on a server, which guards its own pages.
    name : str
        The record as people know it.
    """

    def __init__(self, path: Path | None, name: str, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.path, self.name = path, name
        self._clock = clock
        self._lock = threading.Lock()
        self._next_s = float("-inf")

    @contextmanager
    def blaming(self) -> Iterator[None]:
        """Raise RecordDamaged in place of what is raised within, where the file is damaged.

        Errors of the record itself pass: they have words of their own.
        """
        try:
            yield
        except StoreError:
            raise
        except Exception as error:
            found = self._found_seldom()
            if found:
                raise RecordDamaged(DAMAGED.format(cause=found), where=self.name) from error
            raise

    def refuse_damage(self) -> None:
        """Check every page, not whether indices agree with tables.

        Raises
        ------
        RecordDamaged
            With the first thing that is wrong.
        """
        found = self._looked("quick_check")
        if found:
            raise RecordDamaged(DAMAGED.format(cause=found), where=self.name)

    def _found_seldom(self) -> str:
        with self._lock:
            began_s = self._clock()
            if began_s < self._next_s:
                return ""
            found = self._looked("integrity_check")
            took_s = self._clock() - began_s
            # What was found is looked for again at once: the file may have been mended.
            self._next_s = began_s if found else began_s + took_s + max(LEAST_PAUSE_S, SHARE * took_s)
            return found

    def _looked(self, check: str) -> str:
        """Return what the database reports first; empty where all is well or the file cannot be opened."""
        if self.path is None:
            return ""
        try:
            with closing(open_read_only(self.path)) as connection:
                found = str(connection.execute(f"PRAGMA {check}(1)").fetchone()[0])
        except sqlite3.OperationalError:  # away, or held: reported where it is used
            return ""
        except sqlite3.DatabaseError as error:
            return str(error)
        return "" if found == "ok" else f"the database reports: {found.splitlines()[-1]}"
