"""What the judge's own process runs. Importing it loads no library: threads are limited first."""

import multiprocessing
import os
import signal
import threading
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from shimwise.bench.verdict.judge_input import Question

NICENESS = 5
"""The pages go first."""
_ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
"""Matrices are small: threads cost more than they bring."""


def begin() -> None:
    """Make the process modest, and have it end with the one that started it, however that ends."""
    os.environ.update(_ONE_THREAD)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(NICENESS)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def warm_up() -> None:
    """Load what judging needs, and judge something small, so that the first verdict is as quick as others."""
    from shimwise.bench.verdict.judge_input import small_question

    judged(small_question())


def judged(question: "Question") -> dict[str, Any]:
    """Judge a prep; return the verdict's document.

    Raises
    ------
    ShimwiseError
        When it cannot be judged.
    """
    from shimwise.bench.verdict.judge_input import answered

    return answered(question)


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(0)
