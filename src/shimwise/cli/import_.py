"""``shimwise import``: a prep from another record, or the house's list of units."""

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from shimwise.bench import keeping as bench
from shimwise.cli.output import show
from shimwise.cli.record_options import AsJson, Data, Who, person

if TYPE_CHECKING:
    from shimwise.bench.house_views import HouseListOutcome

__all__ = ["import_", "register"]

REFUSED = 2


def register(parent: typer.Typer, summary: str) -> None:
    """Hang the command ``import`` into the command line."""
    parent.command("import", help=f"{summary}\n\n{_MORE}")(import_)


_MORE = "Exit code: 0 done, 2 nothing was taken in: a list with a wrong row is refused as a whole."


def import_(
    file: Annotated[str, typer.Argument(metavar="FILE", help="A prep (.json) or a house's list (.csv).")],
    *,
    is_dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what the list would change, and change nothing.")
    ] = False,
    who: Who = None,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """Take a file into the record."""
    content = bench.read_file(file)
    with bench.open_record(data) as record:
        if file.lower().endswith(".csv"):
            _import_list(record, content, file, who=person(who), is_dry_run=is_dry_run, as_json=as_json)
        elif is_dry_run:
            raise typer.BadParameter(
                "a prep is taken in whole or not at all; leave it out.", param_hint="--dry-run"
            )
        else:
            _import_prep(record, content, file, who=person(who), as_json=as_json)


def _import_prep(record: bench.Record, content: bytes, name: str, *, who: str, as_json: bool) -> None:
    done = bench.import_prep(record, bench.read_document(content, name=name), who=who)
    words = "is taken in." if done.is_new else "was here already, with the same content."
    kept = f" The record's own facts stand for {', '.join(done.kept)}." if done.kept else ""
    show(
        {"prep_id": done.prep_id, "is_new": done.is_new, "kept": list(done.kept)},
        f"The prep {done.prep_id} {words}{kept}",
        as_json=as_json,
    )


def _import_list(
    record: bench.Record, content: bytes, name: str, *, who: str, is_dry_run: bool, as_json: bool
) -> None:
    from shimwise.bench.house_list import import_house_list

    outcome = import_house_list(record, content, who=who, name=name, is_dry_run=is_dry_run)
    show(asdict(outcome), "\n".join(_list_words(outcome)), as_json=as_json)
    if outcome.refused:
        raise typer.Exit(REFUSED)


def _list_words(outcome: "HouseListOutcome") -> list[str]:
    if outcome.refused:
        return [
            *(f"Line {one.line}, column {one.column}: [{one.found}] {one.reason}" for one in outcome.refused),
            "Nothing is taken in. Correct these lines, and import the list again.",
        ]
    will = "would be" if outcome.is_dry_run else "is"
    return [
        *outcome.warnings,
        *(f"{name} {will} added." for name in outcome.added),
        *(
            f"{one.kind} {one.name}: {one.field} {will} changed from [{one.before}] to [{one.after}]."
            for one in outcome.changed
        ),
        f"Added {len(outcome.added)}, changed {len({(one.kind, one.name) for one in outcome.changed})}, "
        f"unchanged {len(outcome.unchanged)}.",
        *(["This was a dry run: nothing is changed."] if outcome.is_dry_run else []),
    ]
