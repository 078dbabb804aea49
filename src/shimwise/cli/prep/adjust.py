"""``shimwise adjust``: a guided adjustment of one unit, step by step, none skipped."""

import json
import re
import shlex
from pathlib import Path
from typing import Annotated

import typer

from shimwise.bench.access.acting import Who
from shimwise.bench.adjust import guide
from shimwise.bench.adjust.errors import ConsentNeeded, MechanismUnknown
from shimwise.bench.adjust.sharpest import swept_file
from shimwise.bench.adjust.views import AdjustmentView
from shimwise.bench.errors import Conflict, InputError
from shimwise.bench.exchange import record_admin
from shimwise.bench.prep.preps import open_prep
from shimwise.cli.acting import acting
from shimwise.cli.options import argument, option
from shimwise.cli.output import is_asked, show, wrapped
from shimwise.cli.record_options import AsJson, Data, Prep
from shimwise.cli.record_options import Who as WhoOption
from shimwise.errors import RecordError, SheetError

NOT_FINISHED = 1
_HOW = (
    "   Answer done, or what was turned, as 0.08 turn clockwise. Or find the peak first,",
    "   the lens set to the taped distance, and turning from one side:",
    "   with frames listed by turns (+ clockwise, 0 here): shimwise sweep FOLDER --out",
    "   peak.json, and answer: sweep peak.json",
    "   with a sweep of the screw that the prep has kept since: answer: sweep",
    "   by eye, anew three times: answer: sharpest 0.10 0.12 0.11 clockwise",
)
MORE = (
    "In a terminal it asks for each step; back STEP=REASON takes one back. "
    "Elsewhere answer by --answer, in the order of the steps, as far as "
    "you are; called again it goes on where it stood.\n\nExit code: 0 finished, 1 steps are left, 2 refused."
)


def adjust(
    prep: Prep,
    unit: Annotated[str, argument("UNIT", "Name of the body or lens.")],
    *,
    answers: Annotated[
        list[str] | None,
        option(
            "STEP=TEXT",
            "lock='was free', move='0.08 turn clockwise'; before a release consent='its owner'.",
            "--answer",
        ),
    ] = None,
    take_back: Annotated[str | None, option("STEP=REASON", "Take a step back that was wrong.")] = None,
    sweep: Annotated[
        Path | None, option("FILE.json", "A sweep along the screw: the move leads to its peak.")
    ] = None,
    sweep_id: Annotated[
        str | None,
        option("ID|last", "A sweep along the screw that the prep has kept since the adjustment was begun."),
    ] = None,
    sharpest: Annotated[
        str | None, option("TURNS", "By eye, three times: '0.10 0.12 0.11 clockwise'.")
    ] = None,
    give_up: Annotated[str | None, option("REASON", "Give it up; nothing was moved.")] = None,
    reason: Annotated[str, option("TEXT", "Why a unit is moved that is not judged out.")] = "",
    who: WhoOption = None,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """Adjust a unit."""
    given = [_pair(text, option="--answer") for text in answers or ()]
    with record_admin.open_record(data, has_to_be=True) as record:
        name = acting(record, who)
        prep_id = record_admin.find_prep(record, prep)
        try:
            view = _begun(record, prep_id, unit, who=name, reason=reason)
        except MechanismUnknown as error:
            raise RecordError(f"{error} {_write_down(error.unit, data)}") from error
        if take_back is not None:
            step, why = _pair(take_back, option="--take-back")
            view = guide.take_back(record, prep_id, view.id, step=step, reason=why, who=name)
        if give_up is not None:
            view = guide.give_up(record, prep_id, view.id, reason=give_up, who=name)
        for step, answer in given:
            try:
                view = guide.answer_step(record, prep_id, view.id, step=step, answer=answer, who=name)
            except ConsentNeeded as error:
                raise RecordError(
                    f"{error} Before it: --answer consent='who of the owner consents'."
                ) from error
        if any(one is not None for one in (sweep, sweep_id, sharpest)):
            view = guide.keep_peak(
                record,
                prep_id,
                view.id,
                sweep=None if sweep is None else swept_file(sweep),
                sweep_id=_last(view) if sweep_id == "last" else sweep_id,
                sharpest=sharpest or "",
                who=name,
            )
        is_alone = not given and all(one is None for one in (take_back, give_up, sweep, sweep_id, sharpest))
        if is_alone and is_asked(as_json=as_json):
            view = _ask(record, view, who=name)
        if view.state == "begun" and view.now is None:
            view = guide.finish_adjustment(record, prep_id, view.id, who=name)
    show(view, _text(view), as_json=as_json)
    if view.state == "begun":
        raise typer.Exit(NOT_FINISHED)


def _last(view: AdjustmentView) -> str:
    """Return the id of the newest sweep along the screw since the adjustment was begun that shows a peak."""
    if not view.screw_sweeps:
        raise RecordError(
            f"The prep has no sweep along the screw of {view.unit} since the adjustment was begun, or the "
            "screw is not to be turned yet. Take one on the prep's page, Bring a sweep; or give --sweep FILE."
        )
    return view.screw_sweeps[0].id


def _pair(text: str, *, option: str) -> tuple[str, str]:
    step, found, answer = text.partition("=")
    if not found or not step.strip():
        raise RecordError(f"[{text}] is no {option}. Write it as STEP=TEXT, such as lock='was free'.")
    return " ".join(step.split()), answer.strip()


def _write_down(unit: str, data: str | None) -> str:
    """Return the command that takes in how a body is adjusted."""
    key = unit if re.fullmatch(r"[A-Za-z0-9_-]+", unit) else json.dumps(unit, ensure_ascii=False)
    where = f" --data {shlex.quote(data)}" if data else ""
    return (
        f"Write it into a kit file, as [bodies.{key}.mechanism] of docs/guide/files.md, and take that in: "
        f"shimwise import KIT.toml{where}"
    )


def _begun(record: record_admin.Record, prep_id: str, unit: str, *, who: Who, reason: str) -> AdjustmentView:
    """Return the unit's adjustment that is under way, or begin one."""
    view = open_prep(record, prep_id)
    found = [one for one in (*view.bodies, *view.lenses) if one.name.casefold() == unit.strip().casefold()]
    if not found:
        named = ", ".join(one.name for one in (*view.bodies, *view.lenses))
        raise RecordError(f"[{unit}] is no unit of this prep. It has {named}.")
    for one in guide.adjustments(record, prep_id):
        if one.state == "begun" and one.unit_id == found[0].id:
            return one
    return guide.begin_adjustment(
        record, prep_id, unit_kind=found[0].kind, unit_id=found[0].id, who=who, reason=reason
    )


def _ask(record: record_admin.Record, view: AdjustmentView, *, who: Who) -> AdjustmentView:
    """Ask for the steps that are left; a refusal is printed, and the step asked for again."""
    typer.echo(_head(view))
    while view.now is not None:
        step = view.now
        choices = f" ({' / '.join(step.choices)})" if len(step.choices) > 1 else ""
        if step.kind == "turns":
            typer.echo("\n".join(_HOW))
        typed = typer.prompt(wrapped(f"{step.number}. {step.text}{choices}\n[{step.id}]", indent="   "))
        try:
            view = _take(record, view, typed, who=who)
        except (Conflict, InputError, RecordError, SheetError) as error:
            typer.echo(wrapped(str(error)), err=True)
            if isinstance(error, ConsentNeeded):
                view = _consent(record, view, who=who)
    return view


def _take(record: record_admin.Record, view: AdjustmentView, typed: str, *, who: Who) -> AdjustmentView:
    """Take what was typed at a step: its answer, a step to take back, or where the peak lies."""
    word, _, rest = typed.strip().partition(" ")
    if word.casefold() == "back" and "=" in rest:
        step, why = _pair(rest, option="--take-back")
        return guide.take_back(record, view.prep_id, view.id, step=step, reason=why, who=who)
    if view.now is not None and view.now.kind == "turns" and word.casefold() in ("sweep", "sharpest"):
        is_swept, name = word.casefold() == "sweep", rest.strip()
        swept = swept_file(Path(name)) if is_swept and name else None
        kept_id = _last(view) if is_swept and not name else None
        found = guide.keep_peak(
            record, view.prep_id, view.id, sweep=swept, sweep_id=kept_id, sharpest=rest, who=who
        )
        typer.echo(wrapped(found.move.peak))
        return found
    step = "" if view.now is None else view.now.id
    return guide.answer_step(record, view.prep_id, view.id, step=step, answer=typed, who=who)


def _consent(record: record_admin.Record, view: AdjustmentView, *, who: Who) -> AdjustmentView:
    """Ask for the owner's consent where a lock may not be released without it."""
    owner = typer.prompt("Who of the owner consents? (empty: nobody)", default="", show_default=False)
    if not owner.strip():
        return view
    return guide.answer_step(record, view.prep_id, view.id, step="consent", answer=owner, who=who)


def _head(view: AdjustmentView) -> str:
    lines = [f"{view.unit}. {view.mechanism_words}", view.move.words]
    if view.move.peak:
        lines.append(view.move.peak)
    if view.screw is not None:
        lines.append(f"Screw: {view.screw.words}")
    return wrapped("\n".join([*lines, *(f"Careful: {caution}" for caution in view.cautions)]), indent="  ")


def _text(view: AdjustmentView) -> str:
    lines = [_head(view), ""]
    for step in view.steps:
        sign = "done" if step.is_done else "now " if step.is_now else "    "
        typed = ": ".join(part for part in (step.answer, step.note) if part)
        words = f"{sign} {step.number}. [{step.id}] {typed or step.text}"
        lines.append(wrapped(words, indent=" " * 8))
    lines += [f"Taken back: {words}" for words in view.taken_back]
    if view.state == "finished":
        amount = "" if view.amount_um is None else f" by {view.amount_um:+.0f} µm"
        again = "Read it again: two lenses, two distances."
        lines.append(wrapped(f"Finished: {view.unit} was moved{amount}. {again}"))
    elif view.state != "begun":
        lines.append(f"This adjustment is over: {view.state}. Nothing was moved.")
    return "\n".join(lines)
