"""Property tests look at the same cases on every run, so that a red run points at the change that made it.

``SHIMWISE_TESTS=explore`` looks at new cases instead, and at many more of them: ``property_cases.examples``.
"""

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
