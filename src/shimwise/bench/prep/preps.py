"""Preps: start one from bodies and a set, tape a set-up, open, list, close and open it again."""

from collections.abc import Sequence

from shimwise.bench.access.acting import Who, changing, permitted
from shimwise.bench.access.roles import Act
from shimwise.bench.errors import InputError, NotFound
from shimwise.bench.house.known_units import known_cursor, known_units
from shimwise.bench.prep.prep_data import material_of
from shimwise.bench.prep.presenter import setup_view, view_of
from shimwise.bench.prep.setups import new_setup
from shimwise.bench.prep.states import DONE, OPEN, SIGNED, STATES, refuse_closed, refuse_unless_open
from shimwise.bench.prep.views import PrepPage, PrepView, SetupView
from shimwise.bench.typed_lengths import typed_distance
from shimwise.bench.typed_names import id_or_new, optional_name, typed_note
from shimwise.bench.typed_numbers import check_number
from shimwise.files.limits import TEMPERATURE_C, TOLERANCE_UM
from shimwise.record.queries import evidence, sets, units, verdicts
from shimwise.record.queries import preps as kept
from shimwise.record.record import Change, Record
from shimwise.record.tables.rows import BodyRow, LensRow, PrepRow, SetRow
from shimwise.sheets.words.shared import counted, listed

MOST_BODIES, MOST_LENSES = 20, 100


def start_prep(
    record: Record,
    *,
    who: Who,
    body_ids: Sequence[str],
    id: str | None = None,  # noqa: A002 - the word that the interface uses too
    set_id: str | None = None,
    lens_ids: Sequence[str] = (),
    needs_lens: bool = False,
    title: str = "",
    tolerance_um: float | None = None,
    temperature_c: float | None = None,
    note: str = "",
) -> PrepView:
    """Start a prep.

    Parameters
    ----------
    record : Record
        Where it is kept.
    who : str
        Who starts it.
    body_ids, lens_ids : sequence of str
        Units under test; a set's lenses are taken beside those named.
    id : str, optional
        Made by the client: the same start sent twice is one prep.
    set_id : str, optional
        The set under test.
    needs_lens : bool
        Whether it needs a lens at once, as where none can be added later.
    title, note : str
        In words; without a title the bodies and the set make one.
    tolerance_um : float, optional
        ± of every unit of this prep [µm]; without it each body's, its mount's or the house's.
    temperature_c : float, optional
        Of the room. [°C]

    Raises
    ------
    InputError
        If no body is named, a unit is retired or named in the wrong place, or a number cannot be.
    NotFound
        If a unit or the set is not known.
    Conflict
        If the id is taken by another prep.
    """
    name = permitted(who, Act.PREP)
    prep_id = id_or_new(id)
    check_number(tolerance_um, TOLERANCE_UM, field="tolerance_um", hint=", such as 10")
    check_number(temperature_c, TEMPERATURE_C, field="temperature_c", hint=": it is no temperature of a room")
    wanted_title = optional_name(title, field="title")
    wanted_note = typed_note(note)
    with changing(record, who, Act.PREP) as change:
        of_set = None if not set_id else _set(change, set_id)
        bodies = tuple(dict.fromkeys(body_ids))
        lenses = tuple(dict.fromkeys((*(of_set.lens_ids if of_set else ()), *lens_ids)))
        body_names = _check_units(change, bodies, lenses)
        if needs_lens and not lenses:
            reason = (
                "has no lens yet. Add one to it, or choose another." if set_id else "is missing. Choose it."
            )
            raise InputError(reason, field="set_id", typed=of_set.name if of_set else "")
        row = kept.add_prep(
            change,
            PrepRow(
                id=prep_id,
                title=wanted_title or prep_title(body_names, of_set.name if of_set else None, len(lenses)),
                started_at=change.at,
                started_by=name,
                state=OPEN,
                temperature_c=temperature_c,
                note=wanted_note,
                set_id=set_id or None,
                tolerance_um=tolerance_um,
                body_ids=bodies,
                lens_ids=lenses,
            ),
        )
        return view_of(material_of(change.connection, row.id))


def open_prep(record: Record, prep_id: str) -> PrepView:
    """Return a whole prep.

    Raises
    ------
    NotFound
        If there is no such prep.
    """
    with record.reading() as connection:
        return view_of(material_of(connection, prep_id), verdicts.latest_verdict(connection, prep_id))


def list_preps(
    record: Record, *, state: str = "", search: str = "", limit: int = 50, before: str = ""
) -> PrepPage:
    """List preps, newest first.

    Parameters
    ----------
    state : str
        ``open``, ``done`` or ``signed``; empty for all.
    search : str
        Part of a title or of a unit's name.
    limit : int
        Most of them.
    before : str
        ``next_cursor`` of the page before.

    Raises
    ------
    InputError
        If the state is none, or the cursor came from elsewhere.
    """
    if state and state not in STATES:
        raise InputError(f"is no state; accepted is {', '.join(STATES)}.", field="state", typed=state)
    with record.reading() as connection, known_cursor(before):
        rows = kept.prep_lines(
            connection,
            state=state or None,
            search=search.strip() or None,
            limit=limit + 1,
            before=before or None,
        )
    return PrepPage(preps=tuple(rows[:limit]), next_cursor=rows[limit - 1].id if len(rows) > limit else "")


def close_prep(record: Record, prep_id: str, *, who: Who) -> PrepView:
    """Close a prep: it takes no more readings until it is opened again.

    Raises
    ------
    Conflict
        If it is signed.
    """
    return _in_state(record, prep_id, DONE, who)


def reopen_prep(record: Record, prep_id: str, *, who: Who) -> PrepView:
    """Open a closed prep again; a signed one is not opened this way.

    Raises
    ------
    Conflict
        If it is signed.
    """
    return _in_state(record, prep_id, OPEN, who)


def tape_setup(
    record: Record,
    prep_id: str,
    *,
    body_id: str,
    distance_text: str,
    who: Who,
    id: str | None = None,  # noqa: A002 - the word that the interface uses too
    name: str = "",
    chart: str = "",
) -> SetupView:
    """Tape a set-up: one body and one chart at one distance, from the witness mark.

    Taped again at the same distance it is another set-up: its tape may be off by another amount.

    Raises
    ------
    InputError
        If the distance is none, or the body is not of this prep.
    NotFound, Conflict
        If there is no such prep, it is closed or signed, or the id is taken.
    """
    person, setup_id = permitted(who, Act.READ), id_or_new(id)
    distance = typed_distance(distance_text)
    wanted, chart_name = optional_name(name, field="name"), optional_name(chart, field="chart")
    with changing(record, who, Act.READ) as change:
        refuse_unless_open(change.connection, prep_id)
        prep = kept.prep(change.connection, prep_id)
        if body_id not in prep.body_ids:
            raise InputError(
                "is no body of this prep. Add it to the prep first.", field="body_id", typed=body_id
            )
        body = units.unit(change.connection, BodyRow, body_id)
        row = new_setup(
            prep_id,
            body,
            distance,
            known=evidence.setups(change.connection, prep_id),
            taped_by=person,
            taped_at=change.at,
            id=setup_id,
            name=wanted,
            chart=chart_name,
        )
        return setup_view(evidence.add_setup(change, row), body.name)


def add_units(
    record: Record,
    prep_id: str,
    *,
    who: Who,
    body_ids: Sequence[str] = (),
    lens_ids: Sequence[str] = (),
) -> PrepView:
    """Add bodies and lenses to a prep; those that are in it already stay as they are.

    Raises
    ------
    InputError
        If a unit is not known or retired.
    NotFound, Conflict
        If there is no such prep, or it is closed or signed.
    """
    permitted(who, Act.PREP)
    with changing(record, who, Act.PREP) as change:
        refuse_unless_open(change.connection, prep_id)
        prep = kept.prep(change.connection, prep_id)
        bodies = tuple(dict.fromkeys((*prep.body_ids, *body_ids)))
        lenses = tuple(dict.fromkeys((*prep.lens_ids, *lens_ids)))
        _check_units(change, bodies, lenses)
        kept.add_units(change, prep_id, body_ids=bodies, lens_ids=lenses)
    return open_prep(record, prep_id)


def _in_state(record: Record, prep_id: str, state: str, who: Who) -> PrepView:
    permitted(who, Act.PREP)
    with changing(record, who, Act.PREP) as change:
        known = kept.prep(change.connection, prep_id)
        if known.state == SIGNED:
            refuse_closed(known.state, prep_id)
        if known.state != state:
            kept.change_state(change, prep_id, state)
    return open_prep(record, prep_id)


def _set(change: Change, set_id: str) -> SetRow:
    try:
        return sets.set_of(change.connection, set_id)
    except NotFound as error:
        raise InputError("is no set of this house. Add it first.", field="set_id", typed=set_id) from error


def prep_title(body_names: Sequence[str], set_name: str | None, lens_count: int) -> str:
    """Name a prep that was given no title: its bodies, and its set or lenses."""
    bodies = listed(body_names, most=3)
    if set_name:
        return f"{bodies} with {set_name}"
    return f"{bodies} with {counted(lens_count, 'lens')}" if lens_count else bodies


def _check_units(change: Change, body_ids: Sequence[str], lens_ids: Sequence[str]) -> list[str]:
    """Refuse units that are not known or out of use, none, and too many; gives the bodies' names."""
    if not body_ids:
        raise InputError("is missing: a prep has at least one body. Choose it.", field="body_ids")
    for field, ids, most in (("body_ids", body_ids, MOST_BODIES), ("lens_ids", lens_ids, MOST_LENSES)):
        if len(ids) > most:
            raise InputError(f"are {len(ids)}; a prep has at most {most}.", field=field)
    bodies = known_units(change.connection, BodyRow, body_ids, field="body_ids")
    lenses = known_units(change.connection, LensRow, lens_ids, field="lens_ids")
    retired = [("body_ids", unit.id, unit.name) for unit in bodies.values() if unit.is_retired]
    retired += [("lens_ids", unit.id, unit.name) for unit in lenses.values() if unit.is_retired]
    for field, unit_id, name in retired:
        raise InputError(f"{name} is out of use. Bring it back into use first.", field=field, typed=unit_id)
    return [body.name for body in bodies.values()]
