"""Figures as the tests look at them: checked against Vega-Lite's schema, and their layers by kind of mark."""

import json
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from typing import Any
from urllib.parse import quote

import jsonschema_rs

Node = dict[str, Any]


@cache
def _schema() -> jsonschema_rs.Draft7Validator:
    """Return Vega-Lite's own schema, as Altair holds it.

    Its references hold signs such as ``<`` that a URI may only hold quoted.
    """

    def quoted(node: Node) -> Node:
        return node | {"$ref": quote(node["$ref"], safe="#/")} if isinstance(node.get("$ref"), str) else node

    text = (files("altair.vegalite.v6.schema") / "vega-lite-schema.json").read_text(encoding="utf-8")
    return jsonschema_rs.Draft7Validator(json.loads(text, object_hook=quoted))


def checked(spec: Node) -> Node:
    """Return a specification that follows the schema of Vega-Lite."""
    _schema().validate(spec)
    return spec


def marks(spec: Node, kind: str, **properties: object) -> Iterator[tuple[Node, list[Node]]]:
    """Find layers of one kind of mark, each with its rows of data."""
    if "mark" in spec:
        mark = spec["mark"]
        if mark["type"] == kind and all(mark.get(key) == value for key, value in properties.items()):
            yield spec, spec["data"]["values"]
    for part in (*spec.get("vconcat", ()), *spec.get("layer", ())):
        yield from marks(part, kind, **properties)
