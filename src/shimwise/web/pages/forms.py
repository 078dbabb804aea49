"""A form as a person filled it in: what was typed is kept, and each refusal stands beside its field."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from starlette.datastructures import FormData, UploadFile

from shimwise.bench.refusals import InputError
from shimwise.errors import ShimwiseError

__all__ = ["Form", "NotANumberError"]

LONGEST = 4000
"""Characters of one field that are kept."""


class NotANumberError(ShimwiseError):
    """Raised when a field that takes a number holds something else; the form already says so beside it."""


@dataclass(slots=True)
class Form:
    """Values by field, and refusals by field; the refusal of the whole form stands under the empty name."""

    values: dict[str, list[str]] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, data: FormData | Mapping[str, Any]) -> "Form":
        """Take what was sent; files are left out."""
        pairs: Iterable[tuple[str, Any]] = data.multi_items() if isinstance(data, FormData) else data.items()
        values: dict[str, list[str]] = {}
        for name, value in pairs:
            if not isinstance(value, UploadFile) and value is not None:
                values.setdefault(name, []).append(str(value)[:LONGEST])
        return cls(values=values)

    def get(self, name: str) -> str:
        """Give the one value of a field, empty where there is none."""
        found = self.values.get(name)
        return found[-1] if found else ""

    def all(self, name: str) -> list[str]:
        """Give all values of a field that may hold several."""
        return [value for value in self.values.get(name, []) if value]

    def text(self, name: str) -> str:
        """Give a value without spaces around it."""
        return self.get(name).strip()

    def set(self, name: str, value: object) -> None:
        """Put a value into a field; None and nothing empty it."""
        self.values[name] = [] if value is None else [str(value)]

    def number(self, name: str) -> float | None:
        """Give a number that was typed, with a comma or a point; None where nothing was.

        Raises
        ------
        NotANumberError
            When it is none; the refusal stands beside the field then.
        """
        typed = self.text(name)
        if not typed:
            return None
        plain = typed.replace("−", "-").replace(",", ".").removeprefix("+").removeprefix("f/")
        try:
            value = float(plain)
        except ValueError:
            value = float("nan")
        if not math.isfinite(value):
            self.refused[name] = f"“{typed}” is no number. Type one such as 2.8."
            raise NotANumberError(self.refused[name])
        return value

    def numbers(self, name: str) -> tuple[float, ...]:
        """Give several numbers, parted by spaces or semicolons; errors as :meth:`number`."""
        found: list[float] = []
        for part in self.text(name).replace(";", " ").replace("–", " ").split():
            one = Form(values={name: [part]})
            try:
                value = one.number(name)
            except NotANumberError:
                self.refused.update(one.refused)
                raise
            found += [] if value is None else [value]
        return tuple(found)

    def refuse(self, error: ShimwiseError, *, fields: Mapping[str, str] | None = None) -> None:
        """Put a refusal beside the field that it names, or above the form.

        Parameters
        ----------
        error : ShimwiseError
            What a use case refused.
        fields : mapping, optional
            Names of the page's fields by those of the use case, where they differ.
        """
        if isinstance(error, NotANumberError):
            return
        if isinstance(error, InputError):
            name = (fields or {}).get(error.field, error.field)
            said = f"“{error.typed}” {error.reason}" if error.typed.strip() else capital_first(error.reason)
            self.refused[name] = said
        else:
            self.refused[""] = str(error)


def capital_first(words: str) -> str:
    """Begin a sentence."""
    return words[:1].upper() + words[1:]
