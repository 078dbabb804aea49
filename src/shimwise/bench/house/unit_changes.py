"""What a file would change of a unit that the record holds, and writing it."""

from collections.abc import Mapping
from dataclasses import asdict, fields, is_dataclass
from typing import TYPE_CHECKING, Any

from shimwise.bench.house.scale_marks import marks_text
from shimwise.bench.house.unit_rows import body_facts, body_row, lens_facts, lens_row
from shimwise.bench.house.views import BodyFacts, LensFacts
from shimwise.record.queries import units
from shimwise.record.tables.rows import BodyRow

if TYPE_CHECKING:
    from shimwise.record.journal import Change


def facts_of(row: Any) -> BodyFacts | LensFacts:  # noqa: ANN401 - either kind of row
    """Return the facts of a body's or a lens's row."""
    return body_facts(row) if isinstance(row, BodyRow) else lens_facts(row)


def differing(before: BodyFacts | LensFacts, after: BodyFacts | LensFacts) -> list[str]:
    """Return the names of the facts that differ."""
    return [one.name for one in fields(before) if getattr(before, one.name) != getattr(after, one.name)]


def add_row(change: "Change", facts: BodyFacts | LensFacts, unit_id: str) -> None:
    """Write a new unit."""
    if isinstance(facts, BodyFacts):
        units.add_body(change, body_row(facts, id=unit_id))
    else:
        units.add_lens(change, lens_row(facts, id=unit_id))


def change_row(change: "Change", facts: BodyFacts | LensFacts, unit_id: str, epoch: int) -> None:
    """Write the facts of a unit that is there."""
    if isinstance(facts, BodyFacts):
        units.change_body(change, body_row(facts, id=unit_id, epoch=epoch))
    else:
        units.change_lens(change, lens_row(facts, id=unit_id, epoch=epoch))


def fact_text(value: Any, name: str = "") -> str:  # noqa: ANN401 - facts are of several kinds
    """Return a fact as files write it; empty for one that is not known. ``name``: where that matters."""
    if value is None:
        return ""
    if name == "marks_mm":
        return marks_text(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (tuple, list)):
        return " ".join(fact_text(part) for part in value)
    if is_dataclass(value) and not isinstance(value, type):
        value = asdict(value)
    if isinstance(value, Mapping):
        known = {name: fact_text(one) for name, one in value.items()}
        kind = known.pop("kind", "")
        return ", ".join([kind, *(f"{name} {text}" for name, text in known.items() if text)])
    return f"{value:g}" if isinstance(value, float) else str(value)
