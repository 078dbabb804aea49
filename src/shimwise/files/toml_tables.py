"""A table of a TOML file, asked key by key: every value checked for its kind and range, no key left over."""

import difflib
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import TypeVar

from shimwise.files.errors import CellError, KitError, shown
from shimwise.files.limits import NumberRange
from shimwise.files.names import cleaned_name

T = TypeVar("T")


class Table:
    """One table of a file, its place in it, and the keys that were asked for.

    Parameters
    ----------
    values : mapping
        As the TOML reader gave it.
    name : str
        The file, for messages.
    place : str
        Path of the table in the file, such as ``bodies.B1``; empty for the file itself.
    """

    def __init__(self, values: Mapping[str, object], *, name: str, place: str = "") -> None:
        self.values, self.name, self.place = values, name, place
        self.asked: list[str] = []

    def refuse(self, reason: str, key: str = "") -> KitError:
        """Make the error for a key of this table, to be raised."""
        return KitError(
            reason, name=self.name, key=".".join(part for part in (self.place, key) if part) or None
        )

    def close(self) -> None:
        """Refuse keys that nobody asked for, with the nearest one that is known."""
        for key in self.values:
            if key not in self.asked:
                near = difflib.get_close_matches(key, self.asked, n=1)
                meant = f" Is {near[0]} meant?" if near else ""
                raise self.refuse(
                    f"is no key that is known here.{meant} Known are: {', '.join(self.asked)}.", shown(key)
                )

    def number(self, key: str, limits: NumberRange) -> float | None:
        """Return a number within limits; None if the key is absent."""
        value = self._take(key)
        return None if value is None else self._number(value, key, limits)

    def numbers(self, key: str, limits: NumberRange, *, is_rising: bool = True) -> tuple[float, ...]:
        """Return a number or a list of numbers, rising or not, as a tuple; empty where the key is absent."""
        value = self._take(key)
        if value is None:
            return ()
        found = value if isinstance(value, list) else [value]
        numbers = tuple(self._number(item, key, limits) for item in found)
        if not numbers:
            raise self.refuse("is an empty list. Write at least one number, or leave the key out.", key)
        if is_rising and any(b <= a for a, b in pairwise(numbers)):
            raise self.refuse(f"is {shown(str(found))}; the numbers have to rise, each once. Sort them.", key)
        return numbers

    def text(self, key: str) -> str:
        """Return a short text, empty where the key is absent."""
        value = self._take(key)
        if value is None:
            return ""
        if not isinstance(value, str):
            raise self.refuse(f"is {_kind(value)}; accepted is a text in quotes.", key)
        return clean(value, self, key)

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of short texts, empty where the key is absent."""
        value = self._take(key)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
            raise self.refuse(f"is {_kind(value)}; accepted is a list of texts in quotes.", key)
        return tuple(clean(one, self, key) for one in value)

    def word(self, key: str, words: Mapping[str, T]) -> T | None:
        """Return the meaning of a word, None where the key is absent."""
        text = self.text(key)
        if key not in self.values:
            return None
        if text.casefold() not in words:
            raise self.refuse(f'is "{shown(text)}"; accepted is one of: {", ".join(words)}.', key)
        return words[text.casefold()]

    def flag(self, key: str) -> bool | None:
        """Return true or false, None where the key is absent."""
        value = self._take(key)
        if value is not None and not isinstance(value, bool):
            raise self.refuse(f"is {_kind(value)}; accepted is true or false, without quotes.", key)
        return value

    def table(self, key: str) -> "Table":
        """Return a table within this one, empty where the key is absent."""
        value = self._take(key)
        return self._table({} if value is None else value, key)

    def tables(self, key: str) -> "list[Table]":
        """Return a list of tables within this one, empty where the key is absent."""
        value = self._take(key)
        if value is None:
            return []
        if not isinstance(value, list):
            raise self.refuse(f"is {_kind(value)}; accepted is a list of tables.", key)
        return [self._table(item, f"{key}[{index}]") for index, item in enumerate(value)]

    def named_tables(self, key: str) -> "dict[str, Table]":
        """Return the tables within a table by their names, as cleaned; refuse two that are the same name."""
        outer = self.table(key)
        found: dict[str, Table] = {}
        for raw in outer.values:
            name = clean(raw, outer, shown(raw))
            if not name or name in found:
                raise outer.refuse("is empty or stands there twice as a name. Give each its own.", shown(raw))
            found[name] = outer._table(outer._take(raw), shown(raw))
        return found

    def has(self, key: str) -> bool:
        """Return whether a key is there."""
        return self._take(key) is not None

    def is_text(self, key: str) -> bool:
        """Return whether a key holds a text, without asking for it."""
        return isinstance(self.values.get(key), str)

    def _take(self, key: str) -> object:
        if key not in self.asked:
            self.asked.append(key)
        return self.values.get(key)

    def _table(self, value: object, key: str) -> "Table":
        if not isinstance(value, dict):
            raise self.refuse(f"is {_kind(value)}; accepted is a table.", key)
        return Table(value, name=self.name, place=".".join(part for part in (self.place, key) if part))

    def _number(self, value: object, key: str, limits: NumberRange) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.refuse(f"is {_kind(value)}; accepted is a number, without quotes.", key)
        if not limits.hold(value):
            raise self.refuse(f"is {shown(str(value))}; accepted is a number {limits.range_text}.", key)
        return float(value)


def clean(text: str, table: Table, key: str) -> str:
    """Clean a name or a text of a table.

    Raises
    ------
    KitError
        If it is too long, holds control characters or starts like a formula.
    """
    try:
        return cleaned_name(text)
    except CellError as error:
        raise table.refuse(f"[{shown(text)}] {error}", key) from error


def _kind(value: object) -> str:
    kinds: Sequence[tuple[type, str]] = (
        (bool, "true or false"),
        (str, "a text"),
        (int, "a number"),
        (float, "a number"),
        (list, "a list"),
        (dict, "a table"),
    )
    return next((text for kind, text in kinds if isinstance(value, kind)), "a date or a time")
