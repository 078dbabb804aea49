"""From a row of a readings file to a reading; a text that a column has held before is not converted again."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, Generic, NamedTuple, TypeVar

from shimwise.files import csv_fields
from shimwise.files.errors import CellError
from shimwise.files.kit import KitLens
from shimwise.files.names import DASHES, cleaned_name, cleaned_note, from_spreadsheet
from shimwise.files.reading_rules import AgreedLens, EnteredReading, ReadingRules
from shimwise.inference.model.prep import MeasuredLanding, Reading

T = TypeVar("T")
EMPTY = frozenset({"", *DASHES})


class PictureLanding(NamedTuple):
    """What a row by picture has: the landing, its own standard uncertainty [µm], the setting where named."""

    landing_um: float
    landing_sd_um: float
    setting: str

    def kept(self) -> dict[str, Any]:
        """Return it as the record keeps it: no setting where none is named."""
        return {**self._asdict(), "setting": self.setting or None}


class FileRow(NamedTuple):
    """One reading of a file, with its two lengths as written, spaces tidied.

    By picture the ring is at the taped distance.
    """

    reading: Reading
    distance_text: str
    reading_text: str
    picture: PictureLanding | None = None

    def landing(self, *, row: int) -> MeasuredLanding:
        """Return a row by picture as measured; one that names no setting has one of its own."""
        if self.picture is None:
            raise TypeError("a reading by eye has no landing of a picture")
        named = self.picture.setting or f"line {self.reading.line}"
        at = replace(self.reading, row=row)
        return MeasuredLanding.by_picture(at, **self.picture._replace(setting=named)._asdict())


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
            with csv_fields.of_column(self.column, text):
                value = self.known[text] = self.convert(text)
            return value

    def is_empty(self, row: Sequence[str]) -> bool:
        return self.place is None or row[self.place].strip() in EMPTY


class RowReader:
    """Reads the rows of one file in their order, and keeps what must agree between them.

    Parameters
    ----------
    places : mapping of str to int
        Place of each known column.
    lenses : mapping of str to KitLens
        Facts of the lenses in the kit; empty without a kit.
    decimal_comma : bool
        Whether a number may be written with a decimal comma.
    units : mapping of str to str
        Unit of the bare numbers of a column of lengths.
    """

    def __init__(
        self,
        places: Mapping[str, int],
        *,
        lenses: Mapping[str, KitLens],
        decimal_comma: bool,
        units: Mapping[str, str],
    ) -> None:
        def column(name: str, convert: Callable[[str], T]) -> _Column[T]:
            return _Column(name, places.get(name), convert)

        def number(name: str, convert: Callable[..., T]) -> _Column[T]:
            return column(name, partial(convert, decimal_comma=decimal_comma))

        self.body = column("body", csv_fields.to_required_name)
        self.lens = column("lens", csv_fields.to_required_name)
        self.focal = number("focal_length_mm", csv_fields.to_focal_mm)
        self.fnumber = number("f_number", csv_fields.to_fnumber)
        self.distance, self.reading = (
            column(name, partial(csv_fields.to_length, unit=units.get(name)))
            for name in ("distance", "reading")
        )
        self.operator = column("operator", cleaned_name)
        self.setup = column("setup", cleaned_name)
        self.squeeze = number("squeeze", csv_fields.to_squeeze)
        self.axis = column("axis", csv_fields.to_axis)
        self.separation = number("principal_separation_mm", csv_fields.to_separation_mm)
        self.stop = column("stop", cleaned_name)
        self.at = column("at", cleaned_name)
        self.note = column("note", lambda text: cleaned_note(from_spreadsheet(text.strip())))
        self.focus_design = column("focus_design", csv_fields.to_focus_design)
        self.temperature = number("temperature_c", csv_fields.to_temperature_c)
        self.landing = number("landing_um", csv_fields.to_landing_um)
        self.landing_sd = number("landing_sd_um", csv_fields.to_landing_sd_um)
        self.setting = column("setting", cleaned_name)
        self.rules = ReadingRules(lenses)
        self.setups: dict[tuple[str, float], str] = {}

    def is_unread(self, row: Sequence[str]) -> bool:
        """Return whether a row is one that is still to be read: its reading is empty, and its landing."""
        return all(one.is_empty(row) for one in (self.reading, self.landing, self.landing_sd))

    def is_by_picture(self, row: Sequence[str]) -> bool:
        """Return whether a row is a landing by picture."""
        return not (self.landing.is_empty(row) and self.landing_sd.is_empty(row))

    def read(self, row: Sequence[str], *, number: int, line: int) -> FileRow:
        """Read one row; ``number`` counts data rows from 0, ``line`` is what a person sees in the file.

        Raises
        ------
        CellError
            If a cell cannot be read, or breaks a rule of :class:`ReadingRules`; of a landing by picture, if
            its uncertainty is missing, or a reading is there too.
        """
        picture = self._picture(row) if self.is_by_picture(row) else None
        body, fnumber = self.body.value(row), self.fnumber.value(row)
        entered, lens = self._entered(row, line, by_eye=picture is None)
        operator, setup = self.operator.value(row), self._setup(row, body, entered)
        reading = Reading(
            row=number,
            line=line,
            body=body,
            lens=entered.lens,
            focal_mm=entered.focal_mm,
            fnumber=fnumber,
            distance_mm=entered.distance_mm,
            reading_mm=entered.reading_mm,
            operator=operator,
            setup=setup,
            squeeze=lens.squeeze,
            axis=entered.axis,
            separation_mm=lens.separation_mm,
            stop=self.stop.value(row),
            at=self.at.value(row),
            note=self.note.value(row),
            focus_design=lens.focus_design,
            temperature_c=self.temperature.value(row),
        )
        return FileRow(reading, entered.distance_text, entered.reading_text, picture)

    def _picture(self, row: Sequence[str]) -> PictureLanding:
        if not self.reading.is_empty(row):
            raise CellError(
                "stands beside a landing by picture. A row is either: leave reading or landing_um empty.",
                column="reading",
                found=self.reading.value(row).text,
            )
        landing_um, sd_um = self.landing.value(row), self.landing_sd.value(row)
        if landing_um is None or sd_um is None:
            missing = "landing_um" if landing_um is None else "landing_sd_um"
            raise CellError("is empty; a landing by picture needs both.", column=missing, found="")
        return PictureLanding(landing_um, sd_um, self.setting.value(row))

    def _entered(self, row: Sequence[str], line: int, *, by_eye: bool) -> tuple[EnteredReading, AgreedLens]:
        """Return what a row states and what holds of its lens; by picture the ring is at the distance."""
        distance = self.distance.value(row)
        at_ring = self.reading.value(row) if by_eye else distance
        entered = EnteredReading(
            lens=self.lens.value(row),
            line=line,
            focal_mm=self.focal.value(row),
            distance_mm=distance.mm,
            reading_mm=at_ring.mm,
            distance_text=distance.text,
            reading_text=at_ring.text,
            axis=self.axis.value(row),
            squeeze=self.squeeze.value(row),
            separation_mm=self.separation.value(row),
            focus_design=self.focus_design.value(row),
        )
        return entered, self.rules.checked(entered)

    def _setup(self, row: Sequence[str], body: str, entered: EnteredReading) -> str:
        """Return the row's set-up; without one it is named by body and distance, as first written."""
        named = self.setup.value(row)
        return named or self.setups.setdefault(
            (body, entered.distance_mm), f"{body} at {entered.distance_text}"
        )
