"""No door lets a role do what the table does not allow: page, interface and command line, one by one.

A new address or command that is not in :mod:`role_doors` fails here.
"""

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
import role_doors
from api_house import WHO, Door, furnish_judged, opened_door
from bench_files import Run
from fastapi.routing import APIRoute
from role_doors import Doors, Ids, Sent
from starlette.routing import Route

from record_template import copied_record
from shimwise.bench.access import accounts, pairing
from shimwise.bench.access.acting import Actor
from shimwise.bench.access.acting import Door as From
from shimwise.bench.access.pin_tries import PinTries
from shimwise.bench.access.roles import RULES, Act, Role
from shimwise.bench.adjust import guide
from shimwise.bench.exchange import record_admin
from shimwise.bench.prep import gauges, preps, readings
from shimwise.bench.sign import signing
from shimwise.bench.sign.signing import Exempt
from shimwise.cli.commands import COMMANDS, command_line
from shimwise.record.journal import last_seq
from shimwise.record.queries import evidence
from shimwise.record.record import Record
from shimwise.record.tables.rows import SweepRow
from shimwise.web.acting import COOKIE, Presence
from shimwise.web.pairing import Codes, Devices, pairing_routes

PINS = {Role.READER: "4071", Role.TECHNICIAN: "5082", Role.LEAD: "6093", Role.KEEPER: "7104"}
NAMES = {role: f"A {role.capitalize()}" for role in Role}
CHANGING = {"POST", "PUT", "PATCH", "DELETE"}
REFUSED = {401, 403}


def furnish_people(record: Record) -> Ids:
    """Fill a house with something for each door, then name its people; return ids and tokens by name."""
    ids = dict(furnish_judged(record, -20.0))
    ids["prep_id"] = ids["prep"]
    for name, facts in (("body_id", "A-02"), ("lens_id", "H25"), ("set_id", "Set H")):
        ids[name] = ids[facts]
    ids |= {"folder": "bodies", "kept_id": ids["A-02"]}
    ids |= {
        "unit": f"body:{ids['A-01']}",
        "other_unit": f"lens:{ids['H35']}",
        "step": "clean",
        "answer": "done",
    }
    prep = preps.open_prep(record, ids["prep"])
    ids |= {"reading_id": prep.readings[0].id, "setup": prep.setups[0].id, "gauge_id": prep.gauges[0].id}
    with record.writing(who=WHO) as change:
        row = SweepRow(
            id="5" * 32,
            prep_id=prep.id,
            body_id=ids["A-01"],
            lens_id=ids["H50"],
            result={"schema": "shimwise.sweep/2", "best_um": 3.5, "flags": []},
            taken_by=WHO,
            taken_at=change.at,
            setup_id=ids["setup"],
        )
        ids["sweep_id"] = evidence.add_sweep(change, row).id
    begun = guide.begin_adjustment(record, prep.id, unit_kind="body", unit_id=ids["A-01"], who=WHO)
    ids["adjustment_id"] = begun.id
    guide.answer_step(record, prep.id, begun.id, step="clean", answer="done", who=WHO)
    for name in ("to_sign", "closed", "signed"):
        made = preps.start_prep(record, who=WHO, title=name, body_ids=[ids["A-02"]], lens_ids=[ids["H50"]])
        readings.add_reading(
            record,
            made.id,
            body_id=ids["A-02"],
            lens_id=ids["H50"],
            reading_text="on",
            distance_text="3'",
            operator=WHO,
        )
        ids[name] = made.id
    gauges.add_gauge(
        record, ids["to_sign"], unit_kind="body", unit_id=ids["A-02"], value_um=0.0, sd_um=1.0, who=WHO
    )
    preps.close_prep(record, ids["closed"], who=WHO)
    signing.sign(record, ids["signed"], who=WHO, remaining=Exempt("a young house"))
    ids["document"] = record_admin.export_prep(record, ids["closed"])
    console = accounts.console_actor("tester")
    for role in reversed(Role):
        added = accounts.add_person(record, name=NAMES[role], role=role, pin=PINS[role], who=console)
        _, ids[f"session {role}"] = accounts.sign_in(
            record, person=added.id, pin=PINS[role], tries=PinTries(), device="a tablet"
        )
        _, ids[f"program {role}"] = pairing.make_program(record, name=f"stock {role}", role=role, who=console)
        ids.setdefault("person_id", "")
        if role is Role.READER:
            ids["person_id"] = added.id
    return ids


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    ids = copied_record(tmp_path / "record", furnish_people)
    with opened_door(tmp_path / "record", has_pages=True, is_furnished=False) as opened:
        opened.ids = dict(ids)
        presence = opened.client.app.state.presence = Presence()  # type: ignore[attr-defined]
        for role in Role:
            presence.prove(pairing.token_digest(ids[f"session {role}"]))
        yield opened


def _ask(door: Door, key: tuple[str, str], sent: Sent, *, below: str = "") -> Any:  # noqa: ANN401
    """Ask once, and return the answer; ids of what the door is about are put into the address."""
    method, path = key
    ids = dict(door.ids)
    if path.endswith(("sign-offs", "/sign")):
        ids["prep_id"] = ids["to_sign"]
    if path.endswith("/reopen"):
        ids["prep_id"] = ids["closed"]
    given = {name: value for name, value in vars(sent).items() if value is not None}
    return door.client.request(method, f"{below}{path.format_map(ids)}", follow_redirects=False, **given)


def _is_refused(answer: Any) -> bool:  # noqa: ANN401
    asks = answer.status_code == 303 and answer.headers["location"].startswith("/sign-in?")
    return answer.status_code in REFUSED or asks


def _may(act: Act | None, role: Role | None, *, is_person: bool) -> bool:
    if act is None:
        return True
    rule = RULES[act]
    return role is not None and role.includes(rule.least) and (is_person or not rule.by_person)


def _as(door: Door, role: Role | None, *, is_person: bool) -> None:
    door.client.cookies.clear()
    door.client.headers.pop("authorization", None)
    if role is not None and is_person:
        door.client.cookies.set(COOKIE, door.ids[f"session {role}"])
    elif role is not None:
        door.client.headers["authorization"] = f"Bearer {door.ids[f'program {role}']}"


def _is_as_the_table_says(
    door: Door, doors: Doors, key: tuple[str, str], below: str, kinds: tuple[bool, ...]
) -> None:
    act, make = doors[key]
    cases = [(role, is_person) for role in (None, *Role) for is_person in kinds]
    cases.sort(key=lambda case: _may(act, case[0], is_person=case[1]))  # who may not comes first
    is_done = False
    for role, is_person in cases:
        _as(door, role, is_person=is_person)
        before = _seq(door.record)
        answer = _ask(door, key, make(door.ids), below=below)
        said = (key, role, is_person, answer.status_code, answer.text[:600])
        if _may(act, role, is_person=is_person):
            assert not _is_refused(answer) or act is None, said
            assert answer.status_code < 500, said
            if act is not None and not is_done and key not in UNFINISHED:
                assert answer.status_code < 400, said
                is_done = True
        else:
            assert _is_refused(answer), said
            assert _seq(door.record) == before, said


def _seq(record: Record) -> int:
    with record.reading() as connection:
        return last_seq(connection)


UNFINISHED = {
    ("POST", "/preps/{prep_id}/sweeps"),
    ("POST", "/preps/{prep_id}/sweeps/{sweep_id}/cancel"),
    ("POST", "/preps/{prep_id}/sweeps/{sweep_id}/dismiss"),
    *(
        (kind, f"{at}/{what}")
        for kind in ("POST",)
        for at in (role_doors.GUIDE, role_doors.ADJUST)
        for what in ("peak", "finish")
    ),
    ("GET", "/repeatability"),
}
"""Doors of which the request here is one that is refused in the end, though not for the role."""


@pytest.mark.parametrize("key", role_doors.INTERFACE, ids=" ".join)
def test_the_interface_keeps_to_the_table(door: Door, key: tuple[str, str]) -> None:
    _is_as_the_table_says(door, role_doors.INTERFACE, key, "/api/v1", (True, False))


@pytest.mark.parametrize("key", role_doors.PAGES, ids=" ".join)
def test_the_pages_keep_to_the_table(door: Door, key: tuple[str, str]) -> None:
    _is_as_the_table_says(door, role_doors.PAGES, key, "", (True,))


def test_every_address_that_changes_something_is_in_the_table(door: Door) -> None:
    walked = {
        (method, route.path)
        for route in _routes(door.client.app)  # type: ignore[arg-type]
        for method in (route.methods or set()) & CHANGING
    }
    listed = {("POST", path) for _, path in role_doors.PAGES} | {
        (method, f"/api/v1{path}") for method, path in role_doors.INTERFACE
    }
    assert walked - listed == set(), "put it into role_doors, with its act"
    assert {key for key in listed - walked if key[0] != "GET" and "repeatability" not in key[1]} == set()


def _routes(app: Any) -> Iterator[APIRoute | Route]:  # noqa: ANN401
    for route in app.routes:
        if isinstance(route, APIRoute | Route):
            yield route
