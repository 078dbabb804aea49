"""Readings of a prep: seen while typed, saved once, answered at once with their landing, withdrawn and back.

A reading obeys the rules of the readings file, in the same words: the near limit of its lens, a focal length
the lens has, an axis only of an anamorphic.
"""

from dataclasses import asdict
from datetime import datetime

from shimwise.bench.access.acting import (
    Who,
    changing,
    permitted,
    refuse_anothers,
    refuse_unproved,
    refuse_unproved_if,
)
from shimwise.bench.access.roles import Act, Role
from shimwise.bench.errors import Conflict, NotFound
from shimwise.bench.prep.idempotency import ReadingTime, digest_of, kept_as_sent, refuse_if_adjusted_since
from shimwise.bench.prep.prep_data import latest_answer, material_of
from shimwise.bench.prep.presenter import PrepPresenter
from shimwise.bench.prep.preview import refuse_if_beyond
from shimwise.bench.prep.reading_check import CheckedReading, ReadingNotes, TypedReading, checked_reading
from shimwise.bench.prep.setups import setup_at
from shimwise.bench.prep.states import refuse_closed, refuse_unless_open
from shimwise.bench.prep.views import ReadingView, SavedReading
from shimwise.bench.typed_lengths import TypedLength
from shimwise.bench.typed_names import id_or_new, optional_name, typed_name, typed_note
from shimwise.bench.typed_numbers import check_number
from shimwise.errors import ShimwiseError
from shimwise.files.limits import TEMPERATURE_C
from shimwise.record.queries import evidence, preps
from shimwise.record.queries.lookups import prep_state
from shimwise.record.record import Change, Connection, Record
from shimwise.record.tables.mapping import row_by_id
from shimwise.record.tables.rows import ReadingRow, SetupRow

MISTYPED = "mistyped"
"""Why a reading is corrected, where no reason is given."""


def add_reading(
    record: Record,
    prep_id: str,
    *,
    body_id: str,
    lens_id: str,
    operator: str,
    reading_text: str = "",
    landing_um: float | None = None,
    landing_sd_um: float | None = None,
    setting: str = "",
    id: str | None = None,  # noqa: A002 - the word that the interface uses too
    setup_id: str | None = None,
    distance_text: str = "",
    focal_mm: float | None = None,
    fnumber: float | None = None,
    axis: str = "",
    stop: str = "",
    at: str = "",
    note: str = "",
    temperature_c: float | None = None,
    taken_at: datetime | None = None,
    age_s: float | None = None,
    corrects: str = "",
    reason: str = "",
    asks: bool = False,
    by: Who | None = None,
) -> SavedReading:
    """Save a reading by eye or a landing by picture; answer with its landing and whether it agrees.

    The verdict is not judged here: ask :class:`shimwise.bench.verdict.judge_service.JudgeService` for it.

    Parameters
    ----------
    record : Record
        Where it is kept.
    prep_id, body_id, lens_id : str
        What was read.
    operator : str
        Who read it.
    by : str or Actor, optional
        Who keeps it; without it the operator.
    reading_text : str
        The ring's reading: a length, ``on``, or ``short by 1/4"``.
    landing_um, landing_sd_um : float, optional
        Instead of a reading, a landing that a picture measured with the ring at the taped distance [µm,
        short < 0 < deep], and its own standard uncertainty [µm]: seat and setting of the ring are added by
        the judge.
    setting : str
        By picture: name of the setting of the ring that repeats share while nobody touches it, of this lens
        at this distance; empty: a setting of its own.
    id : str, optional
        Made by the client: the same reading sent twice is kept once, and answered as the first time, though
        lens or set-up were changed meanwhile.
    setup_id, distance_text : str
        One of them: the set-up, or the taped distance, whose set-up is made where there is none yet.
    focal_mm : float, optional
        Of a zoom; else the lens's own. [mm]
    fnumber : float, optional
        Stopped down; else the lens's own.
    axis : str
        ``vertical`` or ``horizontal`` of an anamorphic; empty for the whole picture.
    stop, at, note : str
        T-stop, place or time, and anything else, in words.
    temperature_c : float, optional
        At this reading, where it is another than the prep's. [°C]
    taken_at : datetime, optional
        If it was read, where that was before it is sent.
    age_s : float, optional
        The same without a clock: how long before it was sent. [s]
    corrects, reason : str
        The id of the reading in whose place it comes, which is withdrawn in the same act, and why.
    asks : bool
        Refuse a landing farther than body and lens go, so that somebody looks at the figure again first.

    Raises
    ------
    InputError
        If something typed cannot be taken: with its field.
    NotFound
        If the prep, or one of its units or set-ups, is not known.
    Conflict
        If the id is another reading's, the prep is closed or signed, or body or lens was adjusted between
        the reading and its arrival.
    LandingBeyond
        If ``asks``, and it lands farther off than body and lens go, with no other reading there.
    """
    typed = TypedReading(
        body_id=body_id,
        lens_id=lens_id,
        setup_id=setup_id or "",
        distance_text=distance_text,
        reading_text=reading_text,
        focal_mm=focal_mm,
        fnumber=fnumber,
        axis=axis,
        landing_um=landing_um,
        landing_sd_um=landing_sd_um,
        setting=setting,
    )
    stated, arrived_at = (
        ReadingTime(taken_at=taken_at, age_s=age_s),
        record.clock(),
    )  # before it waits its turn
    keeper = operator if by is None else by
    permitted(keeper, Act.READ, field="operator")
    reading_id, person = id_or_new(id), typed_name(operator, field="operator")
    refuse_anothers(keeper, person, act=Act.READ_FOR_ANOTHER)
    check_number(temperature_c, TEMPERATURE_C, field="temperature_c")
    words = ReadingNotes(
        stop=optional_name(stop, field="stop"),
        at=optional_name(at, field="at"),
        note=typed_note(note),
        temperature_c=temperature_c,
    )
    stated_words = {name: value for name, value in asdict(words).items() if value is not None}
    why = typed_name(reason or MISTYPED, field="reason") if corrects else ""
    digest = digest_of(
        {"prep_id": prep_id, "operator": person, "corrects": corrects, **asdict(typed), **stated_words}
    )
    with record.reading() as connection:
        try:
            checked = checked_reading(record, connection, prep_id, typed)
            if asks:
                refuse_if_beyond(checked)
        except ShimwiseError:
            kept = kept_as_sent(connection, reading_id, digest) if id else None
            if kept is None:
                raise
            return _saved_before(connection, kept)
    # Twenty people save at once and one change at a time is made, so here every statement counts.
    with changing(record, keeper, Act.READ, is_keeper_asked=False) as change:
        place = preps.place_of_reading(change, prep_id, reading_id, role=Role.KEEPER)
        if place is None:
            refuse_unproved(change.connection, keeper, Act.READ)
            row = kept_as_sent(change.connection, reading_id, digest)
            if row is None:
                row = evidence.add_reading(
                    change,
                    checked.row(
                        reading_id,
                        setup_id=checked.setup.id,
                        operator=person,
                        words=words,
                        taken_at=change.at,
                    ),
                )
                _refuse_other_setup(change.connection, row, checked.setup)
            return _saved_before(change.connection, row)
        refuse_unproved_if(keeper, Act.READ, has_keeper=place.has_role)
        refuse_closed(place.state, prep_id)
        taken = _taken_at(change, checked, stated, arrived_at=arrived_at)
        setup = checked.setup_in(change)
        wanted = checked.row(reading_id, setup_id=setup.id, operator=person, words=words, taken_at=taken)
        row = evidence.add_new_reading(change, wanted, place, sent=digest)
        steps = int(setup.taped_at == change.at)
        if corrects:
            steps += _replace(change, corrects, prep_id=prep_id, reason=why, who=keeper)
    view = checked.presenter(setup).reading(row)
    return SavedReading(view=view, is_new=True, revision=place.revision + steps)


def withdraw_reading(
    record: Record, reading_id: str, *, reason: str, who: Who, prep_id: str | None = None
) -> ReadingView:
    """Withdraw a reading: it stays in the record with its reason, and no verdict hears it.

    With ``prep_id`` it has to be a reading of that prep.

    Raises
    ------
    InputError
        If no reason is given.
    NotFound
        If there is no such reading.
    Conflict
        If its prep is closed or signed.
    """
    permitted(who, Act.READ)
    why = typed_name(reason, field="reason")
    with changing(record, who, Act.READ) as change:
        refuse_anothers(who, _open_reading(change.connection, reading_id, prep_id).operator)
        row = evidence.withdraw(change, ReadingRow, reading_id, reason=why)
        return _shown(change.connection, row)


def undo_withdraw(record: Record, reading_id: str, *, who: Who, prep_id: str | None = None) -> ReadingView:
    """Take a withdrawal back; ``prep_id`` as in :func:`withdraw_reading`.

    Raises
    ------
    NotFound
        If there is no such reading.
    Conflict
        If its prep is closed or signed.
    """
    permitted(who, Act.READ)
    with changing(record, who, Act.READ) as change:
        refuse_anothers(who, _open_reading(change.connection, reading_id, prep_id).operator)
        row = evidence.unwithdraw_reading(change, reading_id)
        return _shown(change.connection, row)


def note_reading(
    record: Record, reading_id: str, *, note: str, who: Who, prep_id: str | None = None
) -> ReadingView:
    """Put a note to a reading, empty takes it away; errors as :func:`undo_withdraw`."""
    permitted(who, Act.READ)
    words = typed_note(note)
    with changing(record, who, Act.READ) as change:
        _open_reading(change.connection, reading_id, prep_id)
        return _shown(change.connection, evidence.note_reading(change, reading_id, note=words))


def _replace(change: Change, reading_id: str, *, prep_id: str, reason: str, who: Who) -> int:
    """Withdraw the reading in whose place another comes; return the changes of the prep that this makes."""
    row = _open_reading(change.connection, reading_id, prep_id)
    if row.withdrawn_at is not None:
        return 0
    refuse_anothers(who, row.operator)
    evidence.withdraw(change, ReadingRow, reading_id, reason=reason)
    return 1


def _open_reading(connection: Connection, reading_id: str, prep_id: str | None) -> ReadingRow:
    """Return a reading; refuse unless it is of an open prep, of the one named."""
    row = row_by_id(connection, ReadingRow, reading_id)
    if prep_id is not None and row.prep_id != prep_id:
        raise NotFound("reading", reading_id)
    refuse_unless_open(connection, row.prep_id)
    return row


def _saved_before(connection: Connection, row: ReadingRow) -> SavedReading:
    revision = prep_state(connection, row.prep_id).revision
    return SavedReading(view=_shown(connection, row), is_new=False, revision=revision)


def _refuse_other_setup(connection: Connection, row: ReadingRow, sent: SetupRow) -> None:
    """Raise Conflict if a reading that is kept was of another distance: then it is another reading."""
    kept = row_by_id(connection, SetupRow, row.setup_id)
    if (
        setup_at([kept], body_id=sent.body_id, distance=TypedLength(sent.distance_text, sent.distance_mm))
        is None
    ):
        raise Conflict(
            f"The id {row.id} is that of another reading already, at {kept.distance_text} and not at "
            f"{sent.distance_text}. Send it with an id of its own.",
            kind="reading",
            id=row.id,
        )


def _taken_at(
    change: Change, checked: CheckedReading, stated: ReadingTime, *, arrived_at: datetime
) -> datetime:
    """Return when a new reading was taken; refuse it where a unit was adjusted since."""
    taken_at = stated.before(arrived_at, began_at=checked.prep.started_at)
    if taken_at is None:
        return change.at
    refuse_if_adjusted_since(change.connection, taken_at, body=checked.body, lens=checked.lens)
    return taken_at


def _shown(connection: Connection, row: ReadingRow) -> ReadingView:
    answer = latest_answer(connection, row.prep_id)
    return PrepPresenter(material_of(connection, row.prep_id), answer).reading(row)
