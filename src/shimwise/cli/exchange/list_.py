"""``shimwise list``: the names that other commands ask for: preps, bodies, lenses, sets."""

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

import typer

from shimwise.bench.exchange import record_admin
from shimwise.bench.house.units import list_sets, list_units
from shimwise.bench.house.views import BodyFacts, LensFacts, SetView, UnitView
from shimwise.bench.prep.preps import list_preps
from shimwise.bench.prep.views import PrepLine
from shimwise.cli.options import argument, flag, option
from shimwise.cli.output import show
from shimwise.cli.record_options import AsJson, Data
from shimwise.errors import RecordError

MORE = (
    "TEXT is a part of a title, a name, a serial number or a mount; bodies and lenses have their last "
    "verdict beside them. The newest preps come first.\n\nExit code: 0 listed, 2 no such record."
)
KINDS = ("preps", "bodies", "lenses", "sets")
_HEADS = {
    "preps": ("id", "begun", "state", "readings", "title"),
    "bodies": ("body", "mount", "serial", "last verdict"),
    "lenses": ("lens", "what", "mount", "serial", "last verdict"),
    "sets": ("set", "lenses"),
}


def list_(
    what: Annotated[str, argument("WHAT", "preps, bodies, lenses or sets.")] = "preps",
    text: Annotated[str, argument("TEXT", "Only where this is a part of it.")] = "",
    *,
    state: Annotated[str, option("STATE", "Only preps that are open, done or signed.")] = "",
    with_retired: Annotated[bool, flag("--retired", "Units out of use too.")] = False,
    limit: Annotated[int, option("N", "At most so many.", min=1, max=1000)] = 50,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """List preps, bodies, lenses or sets."""
    if what not in KINDS:
        raise RecordError(f"[{what[:40]}] is nothing that is listed; give {', '.join(KINDS)}, then a text.")
    if state and what != "preps":
        raise typer.BadParameter("is of preps alone; leave it out.", param_hint="--state")
    with record_admin.open_record(data, is_read_only=True) as record:
        name = record.name
        found, is_all = _found(record, what, text, state=state, limit=limit, with_retired=with_retired)
    lines = [f"No {what} {f'with [{text}] ' if text else ''}in {name}."]
    if found:
        lines = _table([_HEADS[what], *map(_cells, found)])
    if not is_all:
        lines.append(f"There are more than {limit}: name a TEXT, or raise --limit.")
    show({"record": name, "is_all": is_all, what: found}, "\n".join(lines), as_json=as_json)


def _found(
    record: record_admin.Record, what: str, text: str, *, state: str, limit: int, with_retired: bool
) -> tuple[Sequence[Any], bool]:
    """Return what is listed, and whether that is all."""
    if what == "preps":
        preps = list_preps(record, state=state, search=text, limit=limit)
        return preps.preps, not preps.next_cursor
    if what == "sets":
        sets = list_sets(record, search=text, limit=limit)
        return sets.sets, not sets.next_cursor
    of: type[Any] = BodyFacts if what == "bodies" else LensFacts
    units = list_units(record, of, search=text, limit=limit, with_retired=with_retired)
    return units.units, not units.next_cursor


def _cells(one: PrepLine | UnitView[Any] | SetView) -> tuple[str, ...]:
    if isinstance(one, PrepLine):
        day = f"{one.started_at.astimezone():%Y-%m-%d}"
        return one.id[: record_admin.SHORT_ID], day, one.state, str(one.reading_count), one.title
    if isinstance(one, SetView):
        return one.name, ", ".join(one.lens_names)
    latest = one.latest
    last = f"{latest.verdict_words}, {latest.error_words}" if latest else "none"
    what = (one.text,) if one.kind == "lens" else ()
    retired = " (out of use)" if one.facts.is_retired else ""
    return f"{one.name}{retired}", *what, one.facts.mount, one.facts.serial, last


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Set rows in columns as wide as their widest cell; a column that holds nothing is left out."""
    columns = [column for column in zip(*rows, strict=True) if any(column[1:])]
    widths: Mapping[int, int] = {place: max(map(len, column)) for place, column in enumerate(columns)}
    lines = zip(*columns, strict=True)
    return [
        "  ".join(f"{cell:<{widths[place]}}" for place, cell in enumerate(line)).rstrip() for line in lines
    ]
