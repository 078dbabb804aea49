"""What takes long is made once in a run of the tests: its processes find it in a folder of the run."""

import hashlib
import os
import pickle
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import TypeVar

__all__ = ["once_in_a_run", "share_in"]

Made = TypeVar("Made")
_shared: list[Path] = []
"""The folder of the run, if its processes share one."""


def share_in(folder: Path) -> None:
    """Keep what is made in a folder, where the other processes of this run find it."""
    folder.mkdir(exist_ok=True)
    _shared[:] = [folder]


@cache
def once_in_a_run(make: Callable[..., Made], *arguments: object) -> Made:
    """Return ``make(*arguments)``: the same object in this process, and made by one process of the run.

    Functions and arguments are known by their pickles, the functions by their names.
    """
    question = hashlib.sha256(pickle.dumps((make, arguments))).hexdigest()
    files = [folder / question for folder in _shared]
    for file in files:
        if file.exists():
            found: Made = pickle.loads(file.read_bytes())  # of this run
            return found
    made = make(*arguments)
    for file in files:
        part = file.with_suffix(f".{os.getpid()}")
        part.write_bytes(pickle.dumps(made))
        part.replace(file)
    return made
