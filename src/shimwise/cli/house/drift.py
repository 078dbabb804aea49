"""``shimwise drift``: whether a body or a lens drifts, from what was signed of it."""

from typing import Annotated

import typer

from shimwise.bench.errors import NotFound
from shimwise.bench.exchange import record_admin
from shimwise.bench.history.drift import unit_drift
from shimwise.bench.history.drift_views import DriftRow, DriftView
from shimwise.bench.house import units
from shimwise.cli.options import argument
from shimwise.cli.output import filled, show
from shimwise.cli.record_options import AsJson, Data
from shimwise.number_format import decimal_text, plus_minus_text, signed_text

Z95 = 1.96
DRIFTS = 1
"""Exit code when the unit drifts."""
MORE = "Exit code: 0 it does not, or cannot be told yet; 1 it drifts; 2 no such unit."
_HEAD = "signed       error         expected      surprise  average (limit)   charts"


def drift(
    unit: Annotated[str, argument("UNIT", "A body's or a lens's name.")],
    *,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """Show whether a unit drifts."""
    with record_admin.open_record(data, is_read_only=True) as record:
        found = units.find_label(record, unit)
        if found is None or found.kind == "set":
            raise NotFound("body or lens", unit)
        view = unit_drift(record, found.kind, found.id)
    show(view, _text(view), as_json=as_json)
    if view.is_drifting:
        raise typer.Exit(DRIFTS)


def _text(view: DriftView) -> str:
    lines = [filled(view.headline)]
    if view.advice:
        lines += ["", *(filled(f"- {one}", indent="  ") for one in view.advice)]
    if view.rows:
        lines += ["", "Errors in microns with half their 95 % interval; the rest in standard deviations."]
        lines += [_HEAD, *map(_row, view.rows)]
    if view.has_chart:
        lines += ["", filled(view.limits)]
    return "\n".join(lines)


def _row(row: DriftRow) -> str:
    expected = average = surprise = ""
    if row.expected_um is not None and row.expected_sd_um is not None and row.surprise is not None:
        expected = plus_minus_text(row.expected_um, Z95 * row.expected_sd_um)
        surprise = signed_text(row.surprise, digits=1)
    if row.average is not None and row.limit is not None:
        average = f"{signed_text(row.average, digits=1)} (±{decimal_text(row.limit, 1)})"
    error = row.error_words.removesuffix(" µm")
    day = f"{row.signed_at.astimezone():%Y-%m-%d}"
    return f"{day}   {error:<13} {expected:<13} {surprise:>8}  {average:<17} {row.words}".rstrip()
