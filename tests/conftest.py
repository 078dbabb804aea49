"""Property tests look at the same cases on every run, so that a red run points at the change that made it.

``SHIMWISE_TESTS=explore`` looks at new cases instead, and at many more of them: ``property_cases.examples``.
"""

import functools
import gc
import os
from collections.abc import Iterator
from pathlib import Path

import argon2
import pytest
from hypothesis import HealthCheck, settings

from shimwise.cli import ONE_THREAD, leaving

os.environ |= ONE_THREAD | os.environ  # as the command line has it; read when numpy is loaded

from once_in_a_run import share_in
from posterior_memo import Memo, share_draws, share_pictures
from postgres import postgres, postgres_address, postgres_template, record_address, sqlite_template
from property_cases import IS_EXPLORING, examples
from ram_disk import keep_files_in_memory
from shimwise.inference.plan import promise
from shimwise.inference.posterior import draws
from statement_memo import share_statements
from table_copy import copy_tables

__all__ = ["postgres", "postgres_address", "postgres_template", "record_address", "sqlite_template"]

BROWSER = Path(__file__).parent / "browser"
LONGEST = ("test_offline.py", "test_whole_prep.py", "test_axe.py", "test_forms_at_hand.py")
INFERENCE = Path(__file__).parent / "unit" / "inference"
RECORD = Path(__file__).parent / "unit" / "record"

keep_files_in_memory()

settings.register_profile(
    "shimwise",
    max_examples=examples(25),
    derandomize=not IS_EXPLORING,
    print_blob=True,
    deadline=None,  # how long a case takes says more of the machine than of the program
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("shimwise")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what needs a PostgreSQL server; put the longest of the browser's tests, which come last, first.

    So a run ends with short tests, and no worker waits long for the other.
    """
    items.sort(key=lambda item: (BROWSER in item.path.parents, item.path.name not in LONGEST))
    for item in items:
        if "postgres" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.postgresql)


def pytest_collection_finish() -> None:
    """Keep what lives as long as the run, the modules and the tests, out of the garbage collector's way.

    They are half a million objects, which every full collection would walk anew.
    """
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder that all processes of this run share."""
    base = tmp_path_factory.getbasetemp()
    return base.parent if "PYTEST_XDIST_WORKER" in os.environ else base


@pytest.fixture(autouse=True, scope="session")
def _house_of_the_tests(run_folder: Path) -> Iterator[None]:
    """Keep the house's key, and the records that tests begin with, in folders of the run."""
    share_in(run_folder / "made")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SHIMWISE_KEYS", str(run_folder / "keys"))
        patch.delenv("SHIMWISE_HOUSE_KEY", raising=False)
        yield


@pytest.fixture(autouse=True, scope="session")
def _passphrases_are_hashed_quickly() -> Iterator[None]:
    """Hash with Argon2 at its least cost: no test guesses passphrases, and one checks the cost."""
    quick = functools.partial(argon2.PasswordHasher, time_cost=1, memory_cost=8, parallelism=1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(argon2, "PasswordHasher", quick)
        yield


@pytest.fixture(autouse=True, scope="session")
def _drawn(run_folder: Path) -> Iterator[Memo]:
    with pytest.MonkeyPatch.context() as patch:
        memo = share_draws(patch, run_folder / "drawn")
        share_pictures(patch, memo)
        yield memo


@pytest.fixture(autouse=True, scope="session")
def _compiled_once() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        share_statements(patch)
        patch.setattr(leaving, "command_line", functools.cache(leaving.command_line))
        yield


@pytest.fixture(autouse=True, scope="module")
def _tables_are_copied(request: pytest.FixtureRequest, sqlite_template: Path) -> Iterator[None]:
    """Copy the tables of a new record, except in the tests of the record itself."""
    with pytest.MonkeyPatch.context() as patch:
        if RECORD not in request.path.parents:
            copy_tables(patch, sqlite_template)
        yield


@pytest.fixture
def made_anew(_drawn: Memo, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sample and draw anew: for tests of whether the same is made twice."""
    monkeypatch.setattr(_drawn, "is_used", False)


@pytest.fixture(autouse=True, scope="module")
def _inference_is_tested_as_it_is(request: pytest.FixtureRequest, _drawn: Memo) -> None:
    """Sample anew in the tests of inference, which ask about the sampling itself."""
    _drawn.is_used = INFERENCE not in request.path.parents


@pytest.fixture
def few_draws(_drawn: Memo, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sample a quarter of the sweeps: for tests that sign many preps and ask about what follows from it."""
    monkeypatch.setattr(_drawn, "effort", "few")
    for name, value in (("BURN_IN", 4), ("SWEEPS", 5), ("GOOD_LARGEST_P_SD", 1.0), ("GOOD_MEAN_P_SD", 1.0)):
        monkeypatch.setattr(draws, name, value)


@pytest.fixture
def few_preps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw a third of a plan's preps: whether its promise is kept is asked in the tests of inference."""
    for name, value in (("PREPS", 32), ("BURN_IN", 12), ("SWEEPS", 16)):
        monkeypatch.setattr(promise, name, value)
