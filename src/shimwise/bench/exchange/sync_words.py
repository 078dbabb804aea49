"""A sync in sentences: what went which way, what waits for whom, what is to be known."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime
from typing import Any

from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.exchange.sync import at_home
from shimwise.bench.exchange.sync_plan import FieldDifference, Waiting, WaitingCause, Way
from shimwise.bench.exchange.sync_report import AtHome, Synced, SyncNotice, SyncReport
from shimwise.bench.house.unit_changes import fact_text
from shimwise.record.names import name_key
from shimwise.sheets.words.shared import counted, listed, plain

_WAYS = {Way.HOME: "went home", Way.HERE: "came here", Way.BOTH: "joined from both"}
_WOULD = {Way.HOME: "would go home", Way.HERE: "would come here", Way.BOTH: "would be joined from both"}
_COLUMN = {Way.HOME: "to home", Way.HERE: "to here", Way.BOTH: "joined"}
_ORDER = ("body", "lens", "set", "prep", "body history", "lens history")
_SHOWN = 60


def sync_lines(report: SyncReport) -> list[str]:
    """Return a report as lines, the sentence first."""
    notices = [words for one in report.notices if (words := _notice_words(one))]
    return [
        _first(report),
        *(line for one in report.done for line in _done_lines(one)),
        *(
            line
            for one in _questions(report.waiting)
            for line in _waiting_lines(one, is_dry_run=report.is_dry_run)
        ),
        *(["What a sync would then report:"] if report.is_dry_run and notices else []),
        *notices,
        *(["This was a dry run: nothing is written on either side."] if report.is_dry_run else []),
    ]


def _done_lines(one: Synced) -> Iterator[str]:
    yield f"  {_COLUMN[one.way]:<7}  {one.kind:<12}  {plain(one.name)}{' (new)' if one.is_new else ''}"
    for part in _parts(one.fields):
        before, after = (part.home, part.here) if one.way is Way.HOME else (part.here, part.home)
        yield f"    {part.field}: {_shown(part.field, before)} becomes {_shown(part.field, after)}"


def known_at_home(record: Record) -> str:
    """Return when a machine was at home last, in words; empty for one that never was away."""
    known = at_home(record)
    return "" if known is None else at_home_words(known, now=record.clock())


def at_home_words(known: AtHome, *, now: datetime) -> str:
    """Return when a machine was at home last, and what it has to bring."""
    days = max(0, (now - known.at).days)
    when = "today" if not days else f"{counted(days, 'day')} ago"
    bring = f"{counted(known.to_bring, 'prep')} to bring" if known.to_bring else "nothing to bring"
    return f"Last at home {when}, {bring}."


def _first(report: SyncReport) -> str:
    words = _WOULD if report.is_dry_run else _WAYS
    counts = {way: _counts(report, way) for way in (Way.HOME, Way.HERE, Way.BOTH)}
    parts = [f"{listed(found)} {words[way]}" for way, found in counts.items() if found]
    waits = [one for one in _questions(report.waiting) if one.cause is not WaitingCause.NEEDS_UNIT]
    if not parts and not report.waiting:
        return "Nothing to do: this machine and home have the same."
    did = "; ".join(parts) if parts else "Nothing was to go" if report.is_dry_run else "Nothing went"
    end = f" {counted(len(waits), 'question')} for you." if waits else ""
    return f"{did[:1].upper()}{did[1:]}.{end}"


def _questions(waiting: Iterable[Waiting]) -> list[Waiting]:
    """Return what waits; two units of one name, one of either side, are one question."""
    asked: dict[object, Waiting] = {}
    for one in waiting:
        key = (one.kind, name_key(one.name)) if one.cause is WaitingCause.SAME_NAME else one.id
        asked.setdefault(key, one)
    return list(asked.values())


def _counts(report: SyncReport, way: Way) -> list[str]:
    kinds = [one.kind for one in report.done if one.way is way]
    return [_counted(kinds.count(kind), kind) for kind in _ORDER if kind in kinds]


def _counted(count: int, kind: str) -> str:
    if kind.endswith(" history"):
        return f"{count} {kind.replace(' history', '')} {'history' if count == 1 else 'histories'}"
    return counted(count, kind)


def _waiting_lines(one: Waiting, *, is_dry_run: bool) -> Iterator[str]:
    named = f"{one.kind} {plain(one.name)}"
    fields = (
        f"    {part.field}: here {_shown(part.field, part.here)}, home {_shown(part.field, part.home)}"
        for part in _parts(one.fields)
    )
    match one.cause:
        case WaitingCause.CHANGED_BOTH:
            yield f"The {named} was changed on both sides; neither is written over."
            yield from fields
            yield f"    Choose: --keep here:{_typed(one)} or --keep home:{_typed(one)}"
        case WaitingCause.SAME_NAME:
            yield f"The {named} was made on both sides under one name: are they one? Nothing is merged."
            yield from fields
            yield "    Rename the one of this machine on its page, and sync; if they are one, retire it then."
        case WaitingCause.ADJUSTED_BOTH:
            yield (
                f"The {named} was adjusted on both sides while this went on; its preps wait. Sync again: the "
                "adjustments become epochs in order of time."
            )
        case WaitingCause.SIGNED_BOTH:
            yield (
                f"The {named} was signed on both sides in different ways; each stays as it was signed. "
                "Reopen both, sync, and sign once."
            )
        case WaitingCause.NEEDS_UNIT:
            yield f"The {named} waits for {plain(one.reason)}."
        case WaitingCause.REFUSED:
            yield f"The {named} {'would' if is_dry_run else 'did'} not go: {one.reason}"


def _typed(one: Waiting) -> str:
    return f'"{one.name}"' if " " in one.name else one.name


def _parts(fields: Iterable[FieldDifference]) -> Iterator[FieldDifference]:
    """Yield the differences with those of a field that has parts, such as a mechanism, part by part."""
    for one in fields:
        here, home = one.here, one.home
        if isinstance(here, Mapping) and isinstance(home, Mapping):
            yield from _parts(
                FieldDifference(field=f"{one.field}, {name}", here=here.get(name), home=home.get(name))
                for name in dict.fromkeys((*here, *home))
                if here.get(name) != home.get(name)
            )
        else:
            yield one


def _shown(field: str, value: Any) -> str:  # noqa: ANN401 - a value of JSON
    if field == "history":
        return "what preps taught" if value is None else f"{value[0]:+g} ± {value[1]:g} µm, typed"
    text = fact_text(value)
    return f"[{plain(text if len(text) <= _SHOWN else f'{text[:_SHOWN]}…')}]"


def _notice_words(one: SyncNotice) -> str:
    make = _NOTICES.get(one.code)
    return "" if make is None else make(plain(one.name), one.values)


def _clock(_name: str, values: Mapping[str, Any]) -> str:
    off_s = values["off_s"]
    size = f"{abs(off_s) / 60:.0f} min" if abs(off_s) < 7200 else f"{abs(off_s) / 3600:.1f} h"
    return (
        f"The clock of this machine is {size} {'behind' if off_s > 0 else 'ahead of'} that of home. What is "
        "ordered by time may be in another order; set the clock."
    )


def _signed_stands(name: str, values: Mapping[str, Any]) -> str:
    side = "this machine" if values["side"] == Way.HERE else "home"
    sentence = f"The prep {name} is signed, and stands as it was signed."
    if values.get("title"):
        count = values["readings"] + values["gauges"] + values["sweeps"]
        sentence += (
            f" What {side} had beside it ({counted(count, 'value')}) is in the prep {plain(values['title'])}."
        )
    if values["fields"]:
        sentence += f" Its {listed(values['fields'])} of {side} gave way."
    return sentence


def _epochs_ordered(name: str, values: Mapping[str, Any]) -> str:
    sides = {str(Way.HERE): "here", str(Way.HOME): "at home"}
    made = [
        f"{plain(by)} {sides[side]} on {datetime.fromisoformat(at).astimezone():%Y-%m-%d %H:%M}"
        for side, by, at in values["order"]
    ]
    sentence = (
        f"The {values['kind']} {name} was adjusted on both sides: first by {', then by '.join(made)}. Each "
        "has an epoch of its own in that order; what is known of it begins anew, so read it again."
    )
    unsure = " No more than the clocks may differ lies between two of them: the order is uncertain."
    return sentence + (unsure if values["is_uncertain"] else "")


def _renumbered(name: str, values: Mapping[str, Any]) -> str:
    was, now, count = values["was"], values["now"], values["count"]
    if count == 1:
        return f"In the prep {name} a reading of this machine has another number now: {was} is {now}."
    first = f"the first, {was}, is {now}"
    return f"In the prep {name} {count} readings of this machine have other numbers now: {first}."


_SETTINGS = {"house": "The house's settings", "wear": "How fast units wander", "taught": "What preps taught"}
_NOTICES: Mapping[str, Callable[[str, Mapping[str, Any]], str]] = {
    "clock": _clock,
    "signed_stands": _signed_stands,
    "epochs_ordered": _epochs_ordered,
    "renumbered": _renumbered,
    "withdrawn": lambda name, values: (
        f"In the prep {name} one of the {values['what']} "
        + (f"(number {values['number']}) " if values["number"] else "")
        + f"is withdrawn, as {plain(values['by'])} withdrew it on one side: {plain(values['reason'])}."
    ),
    "notes_joined": lambda name, values: (
        f"In the prep {name} reading {values['number']} has the notes of both sides: {plain(values['note'])}."
    ),
    "frames_stay": lambda name, values: (
        f"The results of {counted(values['count'], 'sweep')} of the prep {name} went; their frames stay on "
        "this machine."
    ),
    "keep_unknown": lambda name, _: f"--keep names {name}, which neither side has. Look at its spelling.",
    "setting_taken": lambda _, values: f"{_SETTINGS[values['key']]}: came along from home.",
    "setting_stays": lambda _, values: (
        f"{_SETTINGS[values['key']]}: changed here, so it stays; --keep home takes that of home."
    ),
    "setting_refused": lambda _, values: (
        f"{_SETTINGS[values['key']]}: that of home cannot be taken: {values['reason']}."
    ),
    "people_taken": lambda _, values: (
        f"{listed(values['names'])} came along with their roles and without their PINs: set one here with "
        "shimwise people pin NAME."
    ),
    "people_stay": lambda _, values: (
        f"Home proves the names of {counted(values['count'], 'person')}; this machine believes every name. "
        "To have roles here too, name a keeper: shimwise people add NAME --role keeper."
    ),
}
