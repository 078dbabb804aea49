"""Figures as the tests look at them: checked against Vega-Lite's schema, and their layers by kind of mark."""

from collections.abc import Iterator
from typing import Any

import altair as alt

Node = dict[str, Any]


def checked(spec: Node) -> Node:
    """Return a specification that follows the schema of Vega-Lite, as another library holds it."""
    alt.Chart.from_dict(spec)
    return spec


def marks(spec: Node, kind: str, **properties: object) -> Iterator[tuple[Node, list[Node]]]:
    """Find layers of one kind of mark, each with its rows of data."""
    if "mark" in spec:
        mark = spec["mark"]
        if mark["type"] == kind and all(mark.get(key) == value for key, value in properties.items()):
            yield spec, spec["data"]["values"]
    for part in (*spec.get("vconcat", ()), *spec.get("layer", ())):
        yield from marks(part, kind, **properties)
