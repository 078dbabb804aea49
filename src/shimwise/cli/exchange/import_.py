"""``shimwise import``: a readings file, a prep from another record, or the house's list of units."""

from pathlib import Path
from typing import Annotated

import typer

from shimwise.bench.exchange import record_admin as bench
from shimwise.bench.exchange.import_kit import KitOutcome, import_kit
from shimwise.bench.exchange.import_readings import ReadingsOutcome, import_readings, is_readings_file
from shimwise.bench.house.unit_list import import_house_list
from shimwise.bench.house.views import HouseListOutcome
from shimwise.cli.acting import acting
from shimwise.cli.options import Unit, argument, flag, option
from shimwise.cli.output import show
from shimwise.cli.progress import progress_bar
from shimwise.cli.record_options import AsJson, Data, Who
from shimwise.errors import RecordError

REFUSED = 2
TABLES = (".csv", ".tsv", ".txt")


MORE = (
    "A readings file is known by its header. It starts a prep, or adds to the one that --prep names; the "
    "same file again adds nothing. Units that the record knows are used as they are; others are added, from "
    "the kit or the rows. A kit by itself brings mechanisms, gauge values and histories of bodies and "
    "lenses into the record, and says what it changes.\n\nExit code: 0 done, 2 nothing was taken in: a file "
    "with a wrong row is refused as a whole."
)
_OF_READINGS = "is for {}, and this is {}. Leave it out."
_KINDS = {".toml": "a kit", **dict.fromkeys(TABLES, "a house's list")}
_LEFT = {
    "needs_optics": "is not added: a new lens needs its focal_length_mm and f_number in the kit.",
    "own_history": "keeps the history of the record, which follows from what was signed.",
    "no_prep": "has a gauge value, which is evidence of a prep: start one with it, or name one with --prep.",
    "several_preps": "has a gauge value, and several open preps test it: name one with --prep.",
}


def import_(
    file: Annotated[
        str | None, argument("FILE", "Readings or a house's list (.csv), a prep (.json), or a kit (.toml).")
    ] = None,
    *,
    kit: Annotated[
        Path | None,
        option("KIT.toml", "What is known of units that the record lacks; by itself: of all units in it."),
    ] = None,
    prep: Annotated[
        str | None,
        option("PREP", "The prep that takes the readings, or a kit's gauge values: its id or a part of it."),
    ] = None,
    title: Annotated[str, option("TEXT", "Of the prep that readings start.")] = "",
    is_dry_run: Annotated[
        bool, flag("--dry-run", "Say what it would add or change, and write nothing.")
    ] = False,
    is_unproven: Annotated[
        bool, flag("--unproven", "Take in a signed prep that no house's key vouches for, as before 0.3.")
    ] = False,
    who: Who = None,
    data: Data = None,
    unit: Unit = None,
    as_json: AsJson = False,
) -> None:
    """Take a file into the record."""
    if file is None:
        if kit is None:
            raise RecordError("Name the file to take in: readings, a house's list, a prep or a kit.")
        file, kit = str(kit), None
    content, name = bench.read_file(file), Path(file).name
    is_table = file.lower().endswith(TABLES)
    has_readings = is_table and is_readings_file(content, name=name)
    what = _KINDS.get(Path(file).suffix.lower(), "a prep")
    if not has_readings:
        _refuse_options(what, kit=kit, prep=prep, title=title, is_dry_run=is_dry_run)
    with bench.opened_or_empty(data, is_dry_run=is_dry_run) as record:
        by, is_refused = acting(record, who), False
        prep_id = bench.find_prep(record, prep) if prep else None
        done: object
        if has_readings:
            with progress_bar() as progress:
                outcome = import_readings(
                    record,
                    content,
                    who=by,
                    name=name,
                    kit_path=kit,
                    prep_id=prep_id,
                    title=title,
                    unit=unit,
                    is_dry_run=is_dry_run,
                    progress=progress,
                )
            done, lines = outcome, _readings_words(outcome)
        elif is_table:
            listed = import_house_list(record, content, who=by, name=file, is_dry_run=is_dry_run)
            done, lines, is_refused = listed, _list_words(listed), bool(listed.refused)
        elif what == "a kit":
            kept = import_kit(record, content, who=by, name=name, prep_id=prep_id, is_dry_run=is_dry_run)
            done, lines = kept, _kit_words(kept)
        else:
            document = bench.read_document(content, name=file)
            taken = bench.import_prep(record, document, who=by, is_unproven=is_unproven)
            done, lines = taken, [_prep_words(taken)]
    show(done, "\n".join(lines), as_json=as_json)
    if is_refused:
        raise typer.Exit(REFUSED)


def _refuse_options(what: str, *, kit: Path | None, prep: str | None, title: str, is_dry_run: bool) -> None:
    """Refuse options that mean nothing for a kit, a house's list or a prep."""
    for name, value in (("--kit", kit), ("--prep", prep), ("--title", title)):
        if value and (name, what) != ("--prep", "a kit"):
            whose = "a readings file or a kit" if name == "--prep" else "a readings file"
            raise typer.BadParameter(_OF_READINGS.format(whose, what), param_hint=name)
    if is_dry_run and what == "a prep":
        raise typer.BadParameter(
            "a prep is taken in whole or not at all; leave it out.", param_hint="--dry-run"
        )


def _readings_words(outcome: ReadingsOutcome) -> list[str]:
    if not outcome.added:
        nothing = f"All {outcome.there} readings of this file are in the prep {outcome.title} already."
        return [*outcome.warnings, f"{nothing} Nothing is added.", f"Prep {outcome.prep_id}"]
    would, new = outcome.is_dry_run, ", which is new" if outcome.is_new else ""
    lines = [*outcome.warnings]
    for word, names in (("Bodies", outcome.bodies), ("Lenses", outcome.lenses)):
        if names:
            lines.append(f"{word} {'that would be added' if would else 'added'}: {', '.join(names)}.")
    taped = f" at {len(outcome.setups)} new set-up{'s' if len(outcome.setups) != 1 else ''}"
    lines.append(
        f"{outcome.added} reading{'s' if outcome.added != 1 else ''}{taped if outcome.setups else ''} "
        f"{'would be' if would else 'are'} in the prep {outcome.title}{new}."
    )
    if outcome.there:
        lines.append(f"{outcome.there} were there already.")
    lines.append("This was a dry run: nothing is written." if would else f"Prep {outcome.prep_id}")
    return lines


def _prep_words(done: bench.Imported) -> str:
    words = "is taken in." if done.is_new else "was here already, with the same content."
    kept = f" The record's own facts stand for {', '.join(done.kept)}." if done.kept else ""
    return f"The prep {done.prep_id} {words}{kept}"


def _list_words(outcome: HouseListOutcome) -> list[str]:
    if outcome.refused:
        return [
            *(f"Line {one.line}, column {one.column}: [{one.found}] {one.reason}" for one in outcome.refused),
            "Nothing is taken in. Correct these lines, and import the list again.",
        ]
    will = "would be" if outcome.is_dry_run else "is"
    changed = {(one.kind, one.name) for one in outcome.changed}
    return [
        *outcome.warnings,
        *(f"{unit}. It {will} added." for unit in outcome.understood),
        *(f"set {name} {will} added." for name in outcome.new_sets),
        *(
            f"{one.kind} {one.name}: {one.field} {will} changed from [{one.before}] to [{one.after}]."
            for one in outcome.changed
        ),
        f"Units: added {len(outcome.new_units)}, changed {len(changed)}, "
        f"unchanged {len(outcome.unchanged)}. Sets added: {len(outcome.new_sets)}.",
        *(["This was a dry run: nothing is changed."] if outcome.is_dry_run else []),
    ]


def _kit_words(outcome: KitOutcome) -> list[str]:
    """Return a line for each unit that is added, each fact that is changed, and what is not taken."""
    will = "would be" if outcome.is_dry_run else "is"
    lines = [f"{unit} {will} added." for unit in outcome.added]
    for one in outcome.changed:
        change = f"from [{one.before}] to [{one.after}]" if one.before else f"set to [{one.after}]"
        lines.append(f"{one.kind} {one.name}: {one.fact} {will} {'changed ' if one.before else ''}{change}.")
    lines += [
        f"{unit}: its gauge value {will} in the prep {title}." for unit, title in outcome.gauges.items()
    ]
    lines += [f"{one.kind} {one.name} {_LEFT[one.why]}" for one in outcome.left]
    counts = (
        len(outcome.added),
        len({(one.kind, one.name) for one in outcome.changed}),
        len(outcome.unchanged),
    )
    lines.append("Units: added {}, changed {}, unchanged {}.".format(*counts))
    return [*lines, *(["This was a dry run: nothing is changed."] if outcome.is_dry_run else [])]
