"""A reading that can be taken: what was typed, checked by the rules of the readings file against the prep."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from shimwise.bench.errors import InputError
from shimwise.bench.house.unit_knowledge import kit_lens
from shimwise.bench.house.views import HouseSettings
from shimwise.bench.prep.prep_data import PrepMaterial
from shimwise.bench.prep.presenter import PrepPresenter
from shimwise.bench.prep.reading_context import reading_context
from shimwise.bench.prep.setups import new_setup, setup_at, taped_setup
from shimwise.bench.typed_lengths import TypedLength, typed_distance, typed_reading
from shimwise.bench.typed_names import optional_name
from shimwise.bench.typed_numbers import check_number
from shimwise.fields import build_from
from shimwise.files.csv_fields import of_column, to_axis, within
from shimwise.files.errors import CellError
from shimwise.files.limits import ERROR_UM, FNUMBER, FOCAL_MM, TOLERANCE_UM
from shimwise.files.reading_rules import EnteredReading, ReadingRules
from shimwise.inference.verdict.answer import Answer
from shimwise.record.queries import evidence
from shimwise.record.queries import preps as kept
from shimwise.record.record import Change, Connection, Record
from shimwise.record.tables.rows import BodyRow, LensRow, PrepRow, ReadingRow, SetupRow

_FIELDS = {
    "focal_length_mm": "focal_mm",
    "f_number": "fnumber",
    "distance": "distance_text",
    "reading": "reading_text",
    "axis": "axis",
}
"""The fields of a typed reading by the columns of a readings file, in which the rules of both name them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedReading:
    """What was typed of a reading; either the set-up is named or the distance.

    By picture there is no ``reading_text``: the ring is at the distance.
    """

    body_id: str
    lens_id: str
    setup_id: str | None = None
    distance_text: str = ""
    reading_text: str = ""
    focal_mm: float | None = None
    fnumber: float | None = None
    axis: str = ""
    landing_um: float | None = None
    landing_sd_um: float | None = None
    setting: str = ""

    @property
    def is_by_picture(self) -> bool:
        """Whether it is a landing by picture.

        Raises
        ------
        InputError
            If it is incomplete, or there is a reading beside it.
        """
        if self.landing_um is None and self.landing_sd_um is None:
            return False
        for field in ("landing_um", "landing_sd_um"):
            if getattr(self, field) is None:
                raise InputError("is missing: a landing by picture needs both.", field=field)
        if self.reading_text.strip():
            raise InputError(
                "stands beside a landing by picture, for which the ring stays at the taped distance. Leave "
                "one of them out.",
                field="reading_text",
                typed=self.reading_text,
            )
        check_number(self.landing_um, ERROR_UM, field="landing_um")
        check_number(self.landing_sd_um, TOLERANCE_UM, field="landing_sd_um")
        return True


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingNotes:
    """Notes to a reading: T-stop, place or time, anything else."""

    stop: str = ""
    at: str = ""
    note: str = ""
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedReading:
    """A reading that can be taken: its units, set-up and numbers, and what it is compared with."""

    prep: PrepRow
    house: HouseSettings
    body: BodyRow
    lens: LensRow
    setups: Mapping[str, SetupRow]
    setup: SetupRow
    is_new_setup: bool
    reading: TypedLength
    focal_mm: float
    fnumber: float
    axis: str
    others: tuple[ReadingRow, ...]
    answer: Answer | None
    landing_um: float | None = None
    landing_sd_um: float | None = None
    setting: str = ""

    def setup_in(self, change: Change) -> SetupRow:
        """Return the set-up as kept; made now where there was none of this body and distance."""
        if not self.is_new_setup:
            return self.setup
        distance = TypedLength(self.setup.distance_text, self.setup.distance_mm)
        known = evidence.setups(change.connection, self.prep.id)
        return taped_setup(change, self.prep.id, self.body, distance, known=known)

    def row(
        self, reading_id: str, *, setup_id: str, operator: str, words: ReadingNotes, taken_at: datetime
    ) -> ReadingRow:
        """Return the row to be kept; its number in the prep is given when it is."""
        return build_from(
            ReadingRow,
            self,
            words,
            id=reading_id,
            prep_id=self.prep.id,
            setup_id=setup_id,
            body_id=self.body.id,
            lens_id=self.lens.id,
            body_epoch=self.body.epoch,
            lens_epoch=self.lens.epoch,
            reading_mm=self.reading.mm,
            reading_text=self.reading.text,
            operator=operator,
            at_text=words.at,
            taken_at=taken_at,
            setting=self.setting or None,
        )

    def presenter(self, setup: SetupRow) -> PrepPresenter:
        """Return what shows this reading beside those of the same lens and body."""
        material = PrepMaterial(
            prep=self.prep,
            house=self.house,
            set=None,
            bodies={self.body.id: self.body},
            lenses={self.lens.id: self.lens},
            setups={**self.setups, setup.id: setup},
            readings=self.others,
            gauges=(),
            sweeps=(),
        )
        return PrepPresenter(material, self.answer)


def checked_reading(
    record: Record, connection: Connection, prep_id: str, typed: TypedReading
) -> CheckedReading:
    """Look up what a typed reading needs, and check it by the rules of the readings file.

    Parameters
    ----------
    record, connection : Record, Connection
        The transaction in which it has to hold.
    prep_id : str
        The prep.
    typed : TypedReading
        What was typed.

    Raises
    ------
    InputError
        If something typed is refused: with its field.
    NotFound
        If there is no such prep.
    """
    known = reading_context(record, connection, prep_id, body_id=typed.body_id, lens_id=typed.lens_id)
    if known is None:
        raise _not_of_prep(kept.prep(connection, prep_id), typed)
    body, lens, answer = known.body, known.lens, known.answer
    setup, is_new = _setup(known.prep, body, known.setups, typed)
    distance = TypedLength(setup.distance_text, setup.distance_mm)
    reading = distance if typed.is_by_picture else typed_reading(typed.reading_text, distance=distance)
    focal_mm, fnumber, axis = _checked_numbers(typed, lens, distance, reading)
    is_judged = answer is not None and _has_pair(answer, body.name, lens.name)
    others = () if is_judged else evidence.readings(connection, prep_id, body_id=body.id, lens_id=lens.id)
    return build_from(
        CheckedReading,
        known,
        typed,
        setup=setup,
        is_new_setup=is_new,
        reading=reading,
        focal_mm=focal_mm,
        fnumber=fnumber,
        axis=axis,
        others=tuple(others),
        setting=optional_name(typed.setting, field="setting") if typed.is_by_picture else "",
    )


def _has_pair(answer: Answer, body: str, lens: str) -> bool:
    return any((one.body, one.lens) == (body, lens) for one in answer.readings)


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
    """Return the set-up that is named, or that of a distance: known, or to be made."""
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


def _checked_numbers(
    typed: TypedReading, lens: LensRow, distance: TypedLength, reading: TypedLength
) -> tuple[float, float, str]:
    """Return focal length, f-number and axis; raise InputError of its field for what breaks a rule."""
    focal_mm, fnumber = typed.focal_mm, lens.fnumber if typed.fnumber is None else typed.fnumber
    if focal_mm is None:
        if len(lens.focal_lengths_mm) != 1:
            raise InputError(
                f"is missing: {lens.name} is a zoom. Say at which focal length it was read, "
                f"{lens.focal_lengths_mm[0]:g} to {lens.focal_lengths_mm[-1]:g} mm.",
                field="focal_mm",
            )
        focal_mm = lens.focal_lengths_mm[0]
    if fnumber is None:
        raise InputError(f"is missing: none is known of {lens.name}. Type it.", field="fnumber")
    try:
        with of_column("focal_length_mm", f"{focal_mm:g}"):
            within(focal_mm, FOCAL_MM, example="50")
        with of_column("f_number", f"{fnumber:g}"):
            within(fnumber, FNUMBER, example="2.8")
        with of_column("axis", typed.axis):
            axis = to_axis(typed.axis)
        ReadingRules({lens.name: kit_lens(lens)}).checked(
            EnteredReading(
                lens=lens.name,
                line=1,
                focal_mm=focal_mm,
                distance_mm=distance.mm,
                reading_mm=reading.mm,
                distance_text=distance.text,
                reading_text=reading.text,
                axis=axis,
            )
        )
    except CellError as error:
        field = _FIELDS.get(error.column or "", "reading_text")
        found = typed.reading_text if field == "reading_text" else error.found or ""
        raise InputError(str(error), field=field, typed=found) from error
    return focal_mm, fnumber, axis.value if axis else ""
