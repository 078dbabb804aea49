"""Property tests look at the same cases on every run, so that a red run points at the change that made it.

``SHIMWISE_TESTS=explore`` looks at new cases instead, and at many more of them: ``property_cases.examples``.
"""

from hypothesis import settings

from postgres import postgres, postgres_address, postgres_template, record_address, sqlite_template
from property_cases import IS_EXPLORING, examples

__all__ = ["postgres", "postgres_address", "postgres_template", "record_address", "sqlite_template"]

settings.register_profile("same", max_examples=examples(40), derandomize=True, print_blob=True)
settings.register_profile("explore", max_examples=examples(100), print_blob=True)
settings.load_profile("explore" if IS_EXPLORING else "same")
