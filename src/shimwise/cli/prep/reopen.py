"""``shimwise reopen``: open a signed prep again, with a reason; its signature stays in the record."""

from typing import Annotated

import typer

from shimwise.bench.exchange import record_admin
from shimwise.bench.sign import signing
from shimwise.cli.acting import acting
from shimwise.cli.options import option
from shimwise.cli.output import is_asked, show
from shimwise.cli.record_options import AsJson, Data, Prep, Who

MORE = "Only who signed it, or a lead, may; in a terminal it asks why.\n\nExit code: 0 opened, 2 refused."


def reopen(
    prep: Prep,
    *,
    reason: Annotated[str, option("TEXT", "Why it is opened again.")] = "",
    who: Who = None,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """Open a signed prep again."""
    with record_admin.open_record(data, has_to_be=True) as record:
        by = acting(record, who)
        prep_id = record_admin.find_prep(record, prep)
        if not reason and is_asked(as_json=as_json):
            reason = typer.prompt("Why is it opened again?", default="", show_default=False)
        view = signing.reopen(record, prep_id, reason=reason, who=by)
    show(
        {"prep_id": prep_id, "state": view.state, "revision": view.revision},
        f"Open again: {view.title}. Its earlier signatures stay in the record.",
        as_json=as_json,
    )
