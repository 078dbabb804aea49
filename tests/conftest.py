"""Property tests look at the same cases on every run, so that a red run points at the change that made it.

``SHIMWISE_TESTS=explore`` looks at new cases instead, and at many more of them: ``property_cases.examples``.
"""

import functools
from collections.abc import Iterator

import argon2
import pytest
from hypothesis import HealthCheck, settings

from postgres import postgres, postgres_address, postgres_template, record_address, sqlite_template
from property_cases import IS_EXPLORING, examples

__all__ = ["postgres", "postgres_address", "postgres_template", "record_address", "sqlite_template"]

settings.register_profile(
    "shimwise",
    max_examples=examples(40),
    derandomize=not IS_EXPLORING,
    print_blob=True,
    deadline=None,  # how long a case takes says more of the machine than of the program
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("shimwise")


@pytest.fixture(autouse=True, scope="session")
def _house_keys_of_the_tests(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep the house's key in a folder of the tests, never in the user's."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SHIMWISE_KEYS", str(tmp_path_factory.mktemp("house") / "keys"))
        patch.delenv("SHIMWISE_HOUSE_KEY", raising=False)
        yield


@pytest.fixture(autouse=True, scope="session")
def _passphrases_are_hashed_quickly() -> Iterator[None]:
    """Hash with Argon2 at its least cost: no test guesses passphrases, and one checks the cost."""
    quick = functools.partial(argon2.PasswordHasher, time_cost=1, memory_cost=8, parallelism=1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(argon2, "PasswordHasher", quick)
        yield
