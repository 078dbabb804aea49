"""A form as a person filled it in: what was typed is kept, and each refusal is beside its field."""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from starlette.datastructures import FormData, QueryParams, UploadFile

from shimwise.bench.errors import InputError
from shimwise.errors import ShimwiseError
from shimwise.lengths import LengthTextError, length_to_mm

_EXAMPLES = {
    "temperature_c": "20",
    "tolerance_um": "10",
    "coc_um": "20",
    "setting_sd_mm": "0.6",
    "landing_um": "-12.3",
    "landing_sd_um": "0.7",
    "circle_of_confusion_um": "20",
    "pixel_pitch_um": "5",
    "pitch_um": "5",
    "fnumber": "2.8",
    "focal_mm": "50",
    "focal_lengths_mm": "50",
    "separation_mm": "12",
    "squeeze": "2",
    "value_um": "-12",
    "sd_um": "3",
    "history_mean_um": "-4",
    "history_sd_um": "3",
    "um_per_turn": "350",
    "um_per_turn_sd": "15",
    "backlash_um": "5",
    "shim_stock_um": "10",
    "stock_um": "10",
    "target_um": "5",
}
"""By field, a number as it is typed there."""
LONGEST = 4000
"""Characters of one field that are kept."""


class NotANumberError(ShimwiseError):
    """Raised when a field that takes a number or a length holds something else; the form shows it already."""


@dataclass(slots=True)
class Form:
    """Values by field, and refusals by field; the refusal of the whole form has the empty name."""

    values: dict[str, list[str]] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)
    is_collecting: bool = False
    """Whether a field that is no number is only noted, so that all of them are found: see :meth:`settle`."""

    @classmethod
    def of(cls, data: FormData | QueryParams | Mapping[str, Any]) -> "Form":
        """Take what was sent; files are left out."""
        pairs: Iterable[tuple[str, Any]] = (
            data.multi_items() if isinstance(data, FormData | QueryParams) else data.items()
        )
        values: dict[str, list[str]] = {}
        for name, value in pairs:
            if not isinstance(value, UploadFile) and value is not None:
                values.setdefault(name, []).append(str(value)[:LONGEST])
        return cls(values=values)

    @classmethod
    def filled(cls, **values: object) -> "Form":
        """Return a form with one value in each field; None leaves a field empty."""
        return cls(values={name: [] if value is None else [str(value)] for name, value in values.items()})

    def get(self, name: str) -> str:
        """Return the one value of a field, empty if there is none."""
        found = self.values.get(name)
        return found[-1] if found else ""

    def all(self, name: str) -> list[str]:
        """Return all values of a field that may hold several."""
        return [value for value in self.values.get(name, []) if value]

    def text(self, name: str) -> str:
        """Return a value without spaces around it."""
        return self.get(name).strip()

    def set(self, name: str, value: object) -> None:
        """Put a value into a field; None and nothing empty it."""
        self.values[name] = [] if value is None else [str(value)]

    def number(self, name: str) -> float | None:
        """Return a number that was typed, with a comma or a point; None if nothing was.

        Raises
        ------
        NotANumberError
            If it is none; the refusal is beside the field then.
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
            example = _EXAMPLES.get(name)
            such = f"Type one such as {example}." if example else "Type it in digits."
            self._refuse_typed(name, f"“{typed}” is no number. {such}")
            return None
        return value

    def length_mm(self, name: str) -> float | None:
        """Return a length that was typed, None if nothing was; errors as :meth:`number`. [mm]"""
        typed = self.text(name)
        if not typed:
            return None
        try:
            return length_to_mm(typed)
        except LengthTextError as error:
            self._refuse_typed(name, f"“{typed}” is no length: {error.reason}.")
            return None

    def _refuse_typed(self, name: str, words: str) -> None:
        """Put an error beside a field, and raise it unless the form collects errors."""
        self.refused[name] = words
        if not self.is_collecting:
            raise NotANumberError(words)

    def needed(self, name: str) -> float:
        """Return a number that must not be left out; errors as :meth:`number`, and InputError."""
        value = self.number(name)
        if value is None:
            raise InputError("A number is needed here.", field=name)
        return value

    def read(self, *, texts: Iterable[str] = (), numbers: Iterable[str] = ()) -> dict[str, Any]:
        """Return fields by name, texts and then numbers; errors as :meth:`number`."""
        return {name: self.text(name) for name in texts} | {name: self.number(name) for name in numbers}

    def fill(self, **usual: str) -> None:
        """Put usual values into the fields that are empty."""
        for name, value in usual.items():
            if not self.text(name):
                self.set(name, value)

    def numbers(self, name: str) -> tuple[float, ...]:
        """Return several numbers, separated by spaces or semicolons; errors as :meth:`number`."""
        found: list[float] = []
        for part in self.text(name).replace(";", " ").replace("–", " ").split():
            one = Form(values={name: [part]}, is_collecting=self.is_collecting)
            try:
                value = one.number(name)
            finally:
                self.refused.update(one.refused)
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
        if not isinstance(error, InputError):
            self.refused[""] = str(error)
            return
        for one in (error, *error.others):
            name = (fields or {}).get(one.field, one.field)
            words = f"“{one.typed}” {one.reason}" if one.typed.strip() else capital(one.sentence)
            self.refused.setdefault(name, words)

    def settle(self, check: Callable[[], object], *, fields: Mapping[str, str] | None = None) -> None:
        """Refuse a form in which a field was noted as wrong, with all else that ``check`` finds in it.

        Raises
        ------
        NotANumberError
            If a field was.
        """
        if not self.refused:
            return
        try:
            check()
        except ShimwiseError as error:
            self.refuse(error, fields=fields)
        raise NotANumberError(next(iter(self.refused.values())))


def capital(words: str) -> str:
    """Begin a sentence."""
    return words[:1].upper() + words[1:]
