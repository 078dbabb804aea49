"""What a file would change of a unit that the record holds."""

from collections.abc import Mapping
from dataclasses import asdict, fields, is_dataclass
from typing import Any

from shimwise.bench.house.scale_marks import marks_text
from shimwise.bench.house.views import BodyFacts, LensFacts


def blank_facts(kind: str, name: str) -> BodyFacts | LensFacts:
    """Return the facts of a new unit, of which nothing but its name is known."""
    return BodyFacts(name=name) if kind == "body" else LensFacts(name=name, focal_lengths_mm=(), fnumber=0.0)


def differing(before: BodyFacts | LensFacts, after: BodyFacts | LensFacts) -> list[str]:
    """Return the names of the facts that differ."""
    return [one.name for one in fields(before) if getattr(before, one.name) != getattr(after, one.name)]


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
