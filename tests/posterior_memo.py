"""One model is sampled, and one picture drawn, once in a run of the tests; its processes share them.

Most tests that judge a prep ask about the record, a page or a sheet; many judge one bench. Sampling takes
.2 to .5 s, a picture .1 s and the first of a process 1 s; a paper is set in 40 ms, and made anew wherever it
is verified. The same model, picture or paper gives the same answer. They are kept in the folder of the run,
so that they never outlive the code that made them. Tests of ``inference`` itself sample anew; tests of equal
bytes ask for ``made_anew``.
"""

import hashlib
import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import ParamSpec, TypeVar

import pytest

__all__ = ["Memo", "share_draws", "share_pictures"]

Asked = ParamSpec("Asked")
Found = TypeVar("Found")


class Memo:
    """Calls that are answered from a folder while ``is_used``; ``effort`` names how they are made."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.is_used, self.effort = folder, True, ""
        folder.mkdir(exist_ok=True)

    def of(self, call: Callable[Asked, Found]) -> Callable[Asked, Found]:
        """Return the call, whose answer is read back when the same was asked before in this run."""

        def remembered(*asked: Asked.args, **options: Asked.kwargs) -> Found:
            if not self.is_used:
                return call(*asked, **options)
            question = pickle.dumps((call.__name__, self.effort, asked, sorted(options.items())))
            file = self.folder / hashlib.sha256(question).hexdigest()
            if not file.exists():
                part = file.with_suffix(f".{os.getpid()}")
                part.write_bytes(pickle.dumps(call(*asked, **options)))
                part.replace(file)
            found: Found = pickle.loads(file.read_bytes())  # of this run; each caller has its own
            return found

        return remembered


def share_draws(patch: pytest.MonkeyPatch, folder: Path) -> Memo:
    """Let the judge, the house's memory and the plan share what they draw; return the memo to switch."""
    from shimwise.inference.history import house_memory
    from shimwise.inference.plan import planner
    from shimwise.inference.posterior.draws import draw
    from shimwise.inference.verdict import judge

    memo = Memo(folder)
    for room in (house_memory, judge, planner):
        patch.setattr(room, "draw", memo.of(draw))
    return memo


def share_pictures(patch: pytest.MonkeyPatch, memo: Memo) -> None:
    """Let papers, pages and files share their pictures, and papers of one content their setting."""
    import typst
    import vl_convert

    for name in ("vegalite_to_svg", "vegalite_to_png", "vegalite_to_pdf"):
        patch.setattr(vl_convert, name, memo.of(getattr(vl_convert, name)))
    patch.setattr(typst, "compile", memo.of(typst.compile))
