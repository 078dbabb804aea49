"""How many cases property tests look at."""

import os

__all__ = ["IS_EXPLORING", "examples"]

IS_EXPLORING = os.environ.get("SHIMWISE_TESTS") == "explore"
EXPLORED_FACTOR = 40


def examples(count: int) -> int:
    """Return how many cases a property test looks at: ``count``, or many times that when exploring."""
    return count * EXPLORED_FACTOR if IS_EXPLORING else count
