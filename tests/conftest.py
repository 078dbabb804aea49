"""Property tests look at the same cases on every run, so that a red run points at the change that made it.

``SHIMWISE_TESTS=explore`` looks at new cases instead, and at many more of them.
"""

import os

from hypothesis import settings

from postgres import postgres, postgres_address, postgres_template, record_address, sqlite_template

__all__ = ["postgres", "postgres_address", "postgres_template", "record_address", "sqlite_template"]

settings.register_profile("same", derandomize=True, print_blob=True)
settings.register_profile("explore", max_examples=1000, print_blob=True)
settings.load_profile(os.environ.get("SHIMWISE_TESTS", "same"))
