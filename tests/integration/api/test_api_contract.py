"""What the interface answers is what its OpenAPI document says, whatever is sent: no fault, nothing unsaid.

Cases are drawn from the document by schemathesis, the same on every run.
"""

import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, TypeAlias, cast

import pytest
import schemathesis
from api_house import WHO, Door, opened_door
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode, checks
from schemathesis.specs.openapi import checks as openapi_checks

from shimwise.bench.exchange.record_admin import Record
from shimwise.web.app import create_app

Made: TypeAlias = Any
"""Made at run time from the document."""
EXAMPLES = 3

CHECKED = (
    checks.not_a_server_error,
    openapi_checks.status_code_conformance,
    openapi_checks.content_type_conformance,
    openapi_checks.response_schema_conformance,
    openapi_checks.response_headers_conformance,
    openapi_checks.negative_data_rejection,
)
PLACED = ("prep_id", "body_id", "lens_id", "set_id", "reading_id", "gauge_id", "setup_id", "unit_id")


@pytest.fixture(scope="module")
def door() -> Iterator[Door]:
    with tempfile.TemporaryDirectory() as folder, opened_door(Path(folder) / "record") as opened:
        prep = opened.start()
        reading = opened.read(prep["id"], "on")["reading"]
        gauge = opened.post(
            f"/preps/{prep['id']}/gauges",
            201,
            unit_kind="body",
            unit_id=opened.ids["A-01"],
            value_um=1.0,
            sd_um=3.0,
            who=WHO,
        )
        opened.ids |= {
            "prep_id": prep["id"],
            "body_id": opened.ids["A-01"],
            "lens_id": opened.ids["H50"],
            "set_id": opened.ids["Set H"],
            "unit_id": opened.ids["A-01"],
            "reading_id": reading["id"],
            "setup_id": reading["setup_id"],
            "gauge_id": gauge["id"],
        }
        yield opened


def _addresses(routes: Iterable[Any]) -> Iterator[tuple[str, str]]:
    """Yield method and address of every route of the interface: a tenth of the document's making."""
    for route in routes:
        inner = getattr(route, "effective_route_contexts", None)
        if inner is not None:
            yield from _addresses(inner())
        elif getattr(route, "include_in_schema", False):
            yield from ((method.lower(), str(route.path_format)) for method in sorted(route.methods))


ADDRESSES = list(_addresses(create_app(cast("Record", None), has_pages=False).routes))


def test_the_document_has_every_address_and_no_other(door: Door) -> None:
    paths = door.client.app.openapi()["paths"]
    assert {(method, path) for path, methods in paths.items() for method in methods} == set(ADDRESSES)


@pytest.mark.parametrize(("method", "path"), ADDRESSES)
def test_what_is_refused_before_any_address_is_documented_at_each(door: Door, method: str, path: str) -> None:
    operation = door.client.app.openapi()["paths"][path][method]
    assert {"400", "401", "403"} <= operation["responses"].keys()


@pytest.fixture(scope="module")
def contract(door: Door) -> Made:
    return schemathesis.openapi.from_asgi("/api/v1/openapi.json", door.client.app)


@pytest.mark.parametrize(("method", "path"), ADDRESSES)
@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
def test_no_fault_and_nothing_unsaid(
    contract: Made,
    door: Door,
    mode: GenerationMode,
    method: str,
    path: str,
) -> None:
    operation = contract[path][method.upper()]
    if mode is GenerationMode.NEGATIVE and not (
        operation.body or operation.query or operation.path_parameters
    ):
        return  # it takes nothing that could be wrong

    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy(generation_mode=mode), speaks_of_known=st.booleans())
    def ask(case: Made, speaks_of_known: bool) -> None:
        if speaks_of_known and mode is GenerationMode.POSITIVE:
            _put_known(case.path_parameters, door.ids)
            _put_known(case.body, door.ids)
        case.validate_response(case.call(), checks=list(CHECKED))

    ask()


def _put_known(values: Made, ids: dict[str, str]) -> None:
    """Put ids of things that are there in the place of those drawn, where there are any."""
    if not isinstance(values, dict):
        return
    for name in PLACED:
        if isinstance(values.get(name), str):
            values[name] = ids[name]
        many = f"{name}s"
        if isinstance(values.get(many), list) and values[many]:
            values[many] = [ids[name]]
