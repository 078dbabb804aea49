"""One row of a readings file to a reading; what was read once in a column is not read twice."""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Generic, TypeVar

from shimwise.files import csv_fields
from shimwise.files.errors import CellError, shown
from shimwise.files.kit import KitLens
from shimwise.files.lens_ledger import LensLedger
from shimwise.files.names import cleaned_name, cleaned_note
from shimwise.inference.model.prep import Reading

T = TypeVar("T")


class _Column(Generic[T]):
    """A column's place and conversion, with the values of texts met before."""

    def __init__(self, column: str, place: int | None, convert: Callable[[str], T]) -> None:
        self.column, self.place, self.convert = column, place, convert
        self.known: dict[str, T] = {}

    def value(self, row: Sequence[str]) -> T:
        text = "" if self.place is None else row[self.place]
        try:
            return self.known[text]
        except KeyError:
            value = self.known[text] = self._converted(text)
            return value

    def _converted(self, text: str) -> T:
        try:
            return self.convert(text)
        except CellError as error:
            message = f"[{shown(text)}] {error}" if text.strip() else str(error)
            raise CellError(message, column=self.column, found=text) from error

    def text(self, row: Sequence[str]) -> str:
        return "" if self.place is None else " ".join(row[self.place].split())


class RowReader:
    """Reads the rows of one file in their order, and keeps what must agree between them.

    Parameters
    ----------
    places : mapping of str to int
        Place of each known column.
    lenses : mapping of str to KitLens
        What the kit says of the lenses; empty without a kit.
    decimal_comma : bool
        Whether a number may be written with a decimal comma.
    """

    def __init__(
        self, places: Mapping[str, int], *, lenses: Mapping[str, KitLens], decimal_comma: bool
    ) -> None:
        def column(name: str, convert: Callable[[str], T]) -> _Column[T]:
            return _Column(name, places.get(name), convert)

        def number(name: str, convert: Callable[..., T]) -> _Column[T]:
            return column(name, partial(convert, decimal_comma=decimal_comma))

        self.body = column("body", csv_fields.to_required_name)
        self.lens = column("lens", csv_fields.to_required_name)
        self.focal = number("focal_length_mm", csv_fields.to_focal_mm)
        self.fnumber = number("f_number", csv_fields.to_fnumber)
        self.distance = column("distance", csv_fields.to_distance_mm)
        self.reading = column("reading", csv_fields.to_distance_mm)
        self.operator = column("operator", cleaned_name)
        self.setup = column("setup", cleaned_name)
        self.squeeze = number("squeeze", csv_fields.to_squeeze)
        self.axis = column("axis", csv_fields.to_axis)
        self.separation = number("principal_separation_mm", csv_fields.to_separation_mm)
        self.stop = column("stop", cleaned_name)
        self.at = column("at", cleaned_name)
        self.note = column("note", cleaned_note)
        self.focus_design = column("focus_design", csv_fields.to_focus_design)
        self.ledger = LensLedger(lenses)
        self.setups: dict[tuple[str, float], str] = {}

    def read(self, row: Sequence[str], *, number: int, line: int) -> Reading:
        """Read one row; ``number`` counts data rows from 0, ``line`` is what a person sees in the file.

        Raises
        ------
        CellError
            When a cell, or what it says beside earlier rows, cannot be.
        """
        body, lens = self.body.value(row), self.lens.value(row)
        focal_mm, fnumber = self.focal.value(row), self.fnumber.value(row)
        distance_mm, reading_mm = self.distance.value(row), self.reading.value(row)
        operator, setup = self.operator.value(row), self.setup.value(row)
        facts = self.ledger.agreed(
            lens,
            line=line,
            focal_mm=focal_mm,
            distance_mm=distance_mm,
            squeeze=self.squeeze.value(row),
            separation_mm=self.separation.value(row),
            focus_design=self.focus_design.value(row),
        )
        axis = self.axis.value(row)
        if axis is not None and facts.squeeze == 1.0:
            raise CellError(
                f"an axis is given, but {lens} has no squeeze; write its squeeze, such as 2, in the column "
                "squeeze or in the kit.",
                column="axis",
                found=axis.value,
            )
        self._refuse_near(row, lens, facts.least_mm(focal_mm, axis), distance_mm, reading_mm)
        return Reading(
            row=number,
            line=line,
            body=body,
            lens=lens,
            focal_mm=focal_mm,
            fnumber=fnumber,
            distance_mm=distance_mm,
            reading_mm=reading_mm,
            operator=operator,
            setup=setup or self._setup_name(row, body, distance_mm),
            squeeze=facts.squeeze,
            axis=axis,
            separation_mm=facts.separation_mm,
            stop=self.stop.value(row),
            at=self.at.value(row),
            note=self.note.value(row),
            focus_design=facts.focus_design,
        )

    def typed(self, row: Sequence[str]) -> tuple[str, str]:
        """Give the texts of a row's distance and reading, spaces tidied."""
        return self.distance.text(row), self.reading.text(row)

    def _setup_name(self, row: Sequence[str], body: str, distance_mm: float) -> str:
        """Name a set-up that the file does not: body and distance, in the words first used for it."""
        return self.setups.setdefault((body, distance_mm), f"{body} at {self.distance.text(row)}")

    def _refuse_near(
        self, row: Sequence[str], lens: str, least_mm: float, distance_mm: float, reading_mm: float
    ) -> None:
        if distance_mm >= least_mm and reading_mm >= least_mm:
            return
        column, mm = (self.distance, distance_mm) if distance_mm < least_mm else (self.reading, reading_mm)
        text = column.text(row)
        raise CellError(
            f"[{shown(text)}] is {mm:.1f} mm, inside the near limit of {lens}: it can be sharp from "
            f"{least_mm:.1f} mm on (four focal lengths, and the separation of its principal planes). "
            "Check the unit, and the focal length.",
            column=column.column,
            found=text,
        )
