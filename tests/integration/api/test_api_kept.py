"""Every field that the interface of 0.1.0 documents is there still, with its type, choices and example."""

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TypeAlias, cast

import pytest
from api_house import WHO, Door, Json, adjusted, excepted, opened_door, short_prep, sign

from shimwise.bench.exchange.record_admin import Record
from shimwise.web.app import create_app

Schema: TypeAlias = Mapping[str, Any]
_LIMITS = {"enum", "const", "pattern", "format", "minimum", "maximum", "exclusiveMinimum"} | {
    f"{end}{what}" for end in ("min", "max") for what in ("Length", "Items")
}
KEPT = Path(__file__).parents[2] / "reference" / "interface.json"
FIELDS, ANSWERS = json.loads(KEPT.read_text(encoding="utf-8")).values()
"""Written from the OpenAPI document of 0.1.0: address, place in its body, and what the field is there."""


def fields_of(document: Schema) -> dict[str, dict[str, str]]:
    """Return every field of every body, by address: ``readings[].landing_um`` to ``number e.g. -14.2``."""
    shapes = document["components"]["schemas"]
    found: dict[str, dict[str, str]] = {}
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            bodies = {"sent": operation.get("requestBody", {})}
            bodies |= {status: one for status, one in operation["responses"].items() if status < "300"}
            for name, body in bodies.items():
                for kind, content in body.get("content", {}).items():
                    at = f"{method.upper()} {path} {name} {kind}"
                    found[at] = dict(_fields(content.get("schema", {}), shapes, ""))
    return found


def _fields(schema: Schema, shapes: Schema, at: str) -> Iterator[tuple[str, str]]:
    yield at, _described(schema, shapes)
    for one in _choices(schema, shapes):
        for name, field in one.get("properties", {}).items():
            star = "" if name in one.get("required", ()) else "?"
            yield from _fields(field, shapes, f"{at}.{name}{star}" if at else f"{name}{star}")
        if "items" in one:
            yield from _fields(one["items"], shapes, f"{at}[]")
        for number, item in enumerate(one.get("prefixItems", ())):
            yield from _fields(item, shapes, f"{at}[{number}]")
        if isinstance(one.get("additionalProperties"), dict):
            yield from _fields(one["additionalProperties"], shapes, f"{at}{{}}")


def _choices(schema: Schema, shapes: Schema) -> list[Schema]:
    """Return what a schema may be, references followed."""
    if "$ref" in schema:
        return _choices(shapes[schema["$ref"].rsplit("/", 1)[-1]], shapes)
    if "anyOf" in schema:
        return [choice for one in schema["anyOf"] for choice in _choices(one, shapes)]
    return [schema]


def _described(schema: Schema, shapes: Schema) -> str:
    words = []
    for one in _choices(schema, shapes):
        limits = {key: one[key] for key in sorted(_LIMITS & one.keys())}
        words.append(" ".join([str(one.get("type", "any")), *(f"{k}={v}" for k, v in limits.items())]))
    choices = (schema, *schema.get("anyOf", ()))
    examples = [example for one in choices for example in one.get("examples", ())]
    return " | ".join(sorted(words)) + (f" e.g. {examples[0]}" if examples else "")


def kinds_of(answer: Any, at: str = "") -> dict[str, set[str]]:  # noqa: ANN401 - JSON
    """Return the fields that an answer holds, and of what kind their values are."""
    found = {at: {_KINDS[type(answer)]}}
    parts = (
        [(f"{at}.{name}" if at else name, value) for name, value in answer.items()]
        if isinstance(answer, dict) and at.rpartition(".")[2] not in _OPEN
        else [(f"{at}[]", value) for value in answer]
        if isinstance(answer, list)
        else []
    )
    for where, value in parts:
        for place, kinds in kinds_of(value, where).items():
            found.setdefault(place, set()).update(kinds)
    return found


_KINDS = {dict: "object", list: "array", str: "string", bool: "boolean", int: "number", float: "number"} | {
    type(None): "null"
}
_OPEN = ("document", "result", "tolerance_by_mount")
"""Objects with schemas of their own."""


def answers(door: Door) -> Iterator[tuple[str, Json]]:
    """Walk from an empty house to a signed prep and yield what each address answers on the way."""
    table = [{"distance_mm": one, "focal_mm": 85, "separation_mm": 3} for one in (900, None)]
    internal = {"focal_lengths_mm": [85], "fnumber": 2, "by_distance": table}
    yield "lens added", door.post("/lenses", 201, name="I85", **internal, who=WHO)
    prep_id = short_prep(door)
    at = f"/preps/{prep_id}"
    body_id, lens_id = door.ids["A-01"], door.ids["H50"]
    far = door.read(prep_id, "INF", distance_text="INF")
    yield "reading", far
    yield (
        "preview",
        door.post(
            f"{at}/readings/preview",
            200,
            body_id=body_id,
            lens_id=lens_id,
            distance_text="3'",
            reading_text="on",
        ),
    )
    reading_at = f"{at}/readings/{far['reading']['id']}"
    yield "withdrawn", door.post(f"{reading_at}/withdraw", 200, reason="tape slipped", who=WHO)
    yield "verdict", door.post(f"{at}/verdict/refresh", 200, who=WHO)
    yield "undecided", door.get(f"{at}/undecided")
    yield "adjustment", adjusted(door, prep_id)
    yield "adjustments", door.get(f"{at}/adjustments")
    yield "recheck", door.get(f"{at}/recheck")
    for lens in ("H35", "H50"):
        door.read(prep_id, "on", lens_id=door.ids[lens])
    yield "sign-off", sign(door, prep_id, exceptions=excepted(door, prep_id))
    yield "before and after", door.get(f"{at}/before-after")
    for address in ("", "/sign-offs", "/verdict"):
        yield f"prep{address}", door.get(f"{at}{address}")
    for address in (f"/bodies/{body_id}", f"/lenses/{lens_id}", f"/sets/{door.ids['Set H']}"):
        yield address[:-32], door.get(address)
    yield "drift", door.get(f"/bodies/{body_id}/drift")
    yield "repeatability", door.get("/repeatability", name=WHO, who=WHO)
    yield "label", door.get("/labels", text="A-01")
    yield "depth", door.get("/optics/depth", focal_mm=25, fnumber=8, distance="30 ft")
    yield "length", door.get("/optics/length", text="INF")
    yield "refused", door.read(prep_id, "on", 409)
    yield "wrong", door.get("/optics/length", 422, text="3 feat")
    for address in (
        "/bodies",
        "/lenses",
        "/sets",
        "/preps",
        "/settings",
        "/settings/wear",
        "/shims",
        "/leads",
    ):
        yield address, door.get(address)
    for address in ("/optics/mounts", "/problems", "/repeatability/house"):
        yield address, door.get(address)


def _without_new_example(now: str, was: str) -> str:
    return now if " e.g. " in was else now.partition(" e.g. ")[0]


@pytest.fixture(scope="module")
def now() -> dict[str, dict[str, str]]:
    app = create_app(cast("Record", None), has_pages=False)
    return fields_of(app.openapi())


@pytest.mark.parametrize("kept", FIELDS, ids=lambda kept: kept["at"][0])
def test_no_field_is_lost_or_changed(now: dict[str, dict[str, str]], kept: dict[str, Any]) -> None:
    for address in kept["at"]:
        found, wanted = now[address], kept["fields"]
        assert {at: _without_new_example(found.get(at, ""), was) for at, was in wanted.items()} == wanted


def test_the_answers_hold_what_they_held(tmp_path: Path) -> None:
    with opened_door(tmp_path / "record") as door:
        found = {name: kinds_of(answer) for name, answer in answers(door)}
    for name, kept in ANSWERS.items():
        assert {at: sorted(found[name].get(at, ())) for at in kept} == kept, name
