"""The versions of the record's tables, from the first on.

A new one is a file in ``versions``; its number is added to ``KNOWN``, the last of which is the head.
"""

from pathlib import Path

__all__ = ["FOLDER", "HEAD", "KNOWN", "READABLE"]

FOLDER = Path(__file__).parent
KNOWN = ("0001", "0002", "0003", "0004", "0005", "0006", "0007", "0008", "0009", "0010", "0011", "0012")
HEAD = KNOWN[-1]
READABLE = ("0003", "0004", "0005", "0006", "0007", "0008", "0009", "0010", "0011", HEAD)
"""Versions whose rows fit into the tables of the head: what was added since may be empty."""
