"""The invented bench, as fixtures."""

import pytest
from invented_answers import bench, remedies

from shimwise.inference.verdict.answer import Answer
from shimwise.remedy.remedy import Remedy


@pytest.fixture
def answer() -> Answer:
    return bench()


@pytest.fixture
def advice() -> tuple[Remedy, ...]:
    return remedies()
