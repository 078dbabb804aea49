"""What the tests of the inference share: normal errors, a known reader, and the way to the simulator."""

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from shimwise.inference.posterior import faults, robust

sys.path.append(str(Path(__file__).parents[3]))  # for benchmarks.prep_simulator


@pytest.fixture
def normal_errors(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the degrees of freedom of the readings' errors go to infinity: Student's t becomes normal."""
    monkeypatch.setattr(robust, "NU", 1e12)
    monkeypatch.setattr(faults, "NU", 1e12)


@pytest.fixture
def known_k(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """Let the reader's k be known: a grid of one point."""

    def fix(k: float) -> None:
        for module in (robust, faults):
            monkeypatch.setattr(module, "K_GRID", np.array([k]))

    return fix
