"""A reading that can be taken: what was typed, checked by the rules of the readings file against the prep."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from shimwise.bench.errors import InputError
from shimwise.bench.house.unit_knowledge import kit_lens
from shimwise.bench.house.views import HouseSettings
from shimwise.bench.prep.prep_data import PrepMaterial
from shimwise.bench.prep.presenter import PrepPresenter
from shimwise.bench.prep.reading_context import base_of
from shimwise.bench.prep.setups import new_setup, setup_at
from shimwise.bench.typed_lengths import TypedLength, typed_distance, typed_reading
from shimwise.files.errors import CellError
from shimwise.files.rows import RowReader
from shimwise.inference.model.prep import Reading
from shimwise.record.queries import evidence
from shimwise.record.queries import preps as kept
from shimwise.record.tables.rows import BodyRow, LensRow, PrepRow, ReadingRow, SetupRow

if TYPE_CHECKING:
    from datetime import datetime

    from shimwise.record import Change, Connection, Record

__all__ = ["SaidBeside", "SightOfReading", "TypedReading", "sight_of"]

_COLUMNS = ("body", "lens", "focal_length_mm", "f_number", "distance", "reading", "axis")
_PLACES = {column: place for place, column in enumerate(_COLUMNS)}
_FIELDS = {
    "body": "body_id",
    "lens": "lens_id",
    "focal_length_mm": "focal_mm",
    "f_number": "fnumber",
    "distance": "distance_text",
    "reading": "reading_text",
    "axis": "axis",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedReading:
    """What was typed of a reading; either the set-up is named or the distance."""

    body_id: str
    lens_id: str
    setup_id: str
    distance_text: str
    reading_text: str
    focal_mm: float | None
    fnumber: float | None
    axis: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SaidBeside:
    """What is said beside a reading."""

    stop: str = ""
    at: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SightOfReading:
    """A reading that can be taken: its units, set-up and numbers, and what it is compared with."""

    prep: PrepRow
    house: HouseSettings
    body: BodyRow
    lens: LensRow
    setup: SetupRow
    is_new_setup: bool
    reading: TypedLength
    focal_mm: float
    fnumber: float
    axis: str
    others: tuple[ReadingRow, ...]
    other_setups: Mapping[str, SetupRow]
    document: Mapping[str, Any] | None

    def setup_in(self, change: "Change") -> SetupRow:
        """Give the set-up as kept; made now where there was none of this body and distance."""
        if not self.is_new_setup:
            return self.setup
        distance = TypedLength(self.setup.distance_text, self.setup.distance_mm)
        known = evidence.setups(change.connection, self.prep.id)
        found = setup_at(known, body_id=self.body.id, distance=distance)
        return found or evidence.add_setup(
            change,
            new_setup(
                self.prep.id, self.body, distance, known=known, taped_by=change.who, taped_at=change.at
            ),
        )

    def row(
        self, reading_id: str, *, setup_id: str, operator: str, words: SaidBeside, taken_at: "datetime"
    ) -> ReadingRow:
        """Give the row to be kept; its number in the prep is given when it is."""
        return ReadingRow(
            id=reading_id,
            prep_id=self.prep.id,
            setup_id=setup_id,
            body_id=self.body.id,
            lens_id=self.lens.id,
            body_epoch=self.body.epoch,
            lens_epoch=self.lens.epoch,
            focal_mm=self.focal_mm,
            fnumber=self.fnumber,
            axis=self.axis,
            reading_mm=self.reading.mm,
            reading_text=self.reading.text,
            operator=operator,
            stop=words.stop,
            at_text=words.at,
            note=words.note,
            taken_at=taken_at,
            seq=0,
        )

    def presenter(self, setup: SetupRow) -> PrepPresenter:
        """Give what shows this reading beside those of the same lens and body."""
        material = PrepMaterial(
            prep=self.prep,
            house=self.house,
            set=None,
            bodies={self.body.id: self.body},
            lenses={self.lens.id: self.lens},
            setups={**self.other_setups, setup.id: setup},
            readings=self.others,
            gauges=(),
            sweeps=(),
        )
        return PrepPresenter(material, self.document)


def sight_of(record: "Record", connection: "Connection", prep_id: str, typed: TypedReading) -> SightOfReading:
    """Read what a reading needs, and check it by the rules of the readings file.

    Parameters
    ----------
    record, connection : Record, Connection
        The look in which it has to stand.
    prep_id : str
        The prep.
    typed : TypedReading
        What was typed.

    Raises
    ------
    InputError
        When something typed cannot be taken: with its field.
    NotFound
        When there is no such prep.
    """
    base = base_of(record, connection, prep_id, body_id=typed.body_id, lens_id=typed.lens_id)
    if base is None:
        raise _not_of_prep(kept.prep(connection, prep_id), typed)
    body, lens = base.body, base.lens
    setups = {setup.id: setup for setup in evidence.setups(connection, prep_id)}
    setup, is_new = _setup(base.prep, body, setups, typed)
    distance = TypedLength(setup.distance_text, setup.distance_mm)
    reading = typed_reading(typed.reading_text, distance=distance)
    checked = _checked(typed, body, lens, distance, reading)
    is_known = base.document is not None and _has_pair(base.document, body.name, lens.name)
    others = () if is_known else evidence.readings(connection, prep_id, body_id=body.id, lens_id=lens.id)
    return SightOfReading(
        prep=base.prep,
        house=base.house,
        body=body,
        lens=lens,
        setup=setup,
        is_new_setup=is_new,
        reading=reading,
        focal_mm=checked.focal_mm,
        fnumber=checked.fnumber,
        axis=checked.axis.value if checked.axis else "",
        others=tuple(others),
        other_setups=setups,
        document=base.document,
    )


def _has_pair(document: Mapping[str, Any], body: str, lens: str) -> bool:
    return any(one.get("body") == body and one.get("lens") == lens for one in document["readings"])


def _not_of_prep(prep: PrepRow, typed: TypedReading) -> InputError:
    """Make the refusal of a unit that is not under test in this prep."""
    is_body = typed.body_id not in prep.body_ids
    kind, unit_id = ("body", typed.body_id) if is_body else ("lens", typed.lens_id)
    return InputError(
        f"is no {kind} of this prep. Choose one of it, or add it to the prep.",
        field=f"{kind}_id",
        typed=unit_id,
    )


def _setup(
    prep: PrepRow, body: BodyRow, setups: Mapping[str, SetupRow], typed: TypedReading
) -> tuple[SetupRow, bool]:
    """Give the set-up that is named, or that of a distance: known, or to be made."""
    if typed.setup_id:
        setup = setups.get(typed.setup_id)
        if setup is None or setup.body_id != body.id:
            raise InputError(
                f"is no set-up of {body.name} in this prep. Choose one of it, or type the taped distance.",
                field="setup_id",
                typed=typed.setup_id,
            )
        return setup, False
    distance = typed_distance(typed.distance_text)
    found = setup_at(setups.values(), body_id=body.id, distance=distance)
    if found is not None:
        return found, False
    made = new_setup(prep.id, body, distance, known=setups.values(), taped_by="", taped_at=prep.started_at)
    return made, True


def _checked(
    typed: TypedReading, body: BodyRow, lens: LensRow, distance: TypedLength, reading: TypedLength
) -> Reading:
    """Have the rules of the readings file look at a reading; each refusal names its field."""
    focal_mm, fnumber = typed.focal_mm, lens.fnumber if typed.fnumber is None else typed.fnumber
    if focal_mm is None:
        if len(lens.focal_lengths_mm) != 1:
            raise InputError(
                f"is missing: {lens.name} is a zoom. Say at which focal length it was read, "
                f"{lens.focal_lengths_mm[0]:g} to {lens.focal_lengths_mm[-1]:g} mm.",
                field="focal_mm",
            )
        focal_mm = lens.focal_lengths_mm[0]
    cells = {
        "body": body.name,
        "lens": lens.name,
        "focal_length_mm": repr(float(focal_mm)),
        "f_number": "" if fnumber is None else repr(float(fnumber)),
        "distance": distance.text,
        "reading": reading.text,
        "axis": typed.axis,
    }
    reader = RowReader(_PLACES, lenses={lens.name: kit_lens(lens)}, decimal_comma=False)
    try:
        return reader.read([cells[column] for column in _COLUMNS], number=0, line=1)
    except CellError as error:
        field = _FIELDS.get(error.column or "", "reading_text")
        found = typed.reading_text if field == "reading_text" else error.found or ""
        raise InputError(str(error), field=field, typed=found) from error
