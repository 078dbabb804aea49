"""A notice: what a person has to know beside a result, as a code with its unit and its numbers.

Every layer that measures or judges returns notices; the words are made once, at the door, by
:mod:`shimwise.sheets.words.notices`, and never read back.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Notice:
    """One fact beside a result.

    Attributes
    ----------
    code : str
        What it is, in snake case; kept for good, so that programs can rely on it.
    unit : str
        Name of the body, lens, set-up, person or frame that it is about; empty for the whole.
    numbers : mapping of str to float, str or None
        Values that the words need; a quantity carries its unit in its key, such as ``limit_um``.
    """

    code: str
    unit: str = ""
    numbers: Mapping[str, float | str | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class WordedNotice(Notice):
    """A notice with its sentence, as views hold it.

    Attributes
    ----------
    text : str
        The sentence.
    """

    text: str = ""
