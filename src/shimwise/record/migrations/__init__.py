"""The versions of the record's tables, from the first on.

A new one is a file in ``versions``; its number is added to ``KNOWN``, the last of which is the head.
"""

from pathlib import Path

__all__ = ["FOLDER", "HEAD", "KNOWN", "READABLE"]

FOLDER = Path(__file__).parent
KNOWN = tuple(f"{number:04d}" for number in range(1, 14))
HEAD = KNOWN[-1]
READABLE = KNOWN[2:]
"""Versions whose rows fit into the tables of the head: what was added since may be empty."""
