"""No door lets a role do what the table does not allow: page, interface and command line, one by one.

A new address or command that is not in :mod:`role_doors` fails here.
"""

from collections.abc import Iterable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import role_doors
from api_house import WHO, Door, TestClient, furnish_judged, opened_door
from bench_files import Run
from role_doors import Doors, Ids, Sent
from starlette.applications import Starlette

from record_template import copied_record
from shimwise.bench.access import accounts, acting, pairing
from shimwise.bench.access.errors import SignInNeeded
from shimwise.bench.access.roles import RULES, Act, Role
from shimwise.bench.adjust import guide
from shimwise.bench.exchange import record_admin
from shimwise.bench.prep import gauges, preps, readings
from shimwise.bench.sign import signing
from shimwise.bench.sign.signing import Exempt
from shimwise.cli.commands import COMMANDS, command_line
from shimwise.record.journal import last_seq
from shimwise.record.queries import evidence, jobs
from shimwise.record.record import Record
from shimwise.record.tables.rows import SweepRow
from shimwise.web.acting import COOKIE, Presence
from shimwise.web.pairing import Devices, pairing_routes

PINS = {Role.READER: "4071", Role.TECHNICIAN: "5082", Role.LEAD: "6093", Role.KEEPER: "7104"}
NAMES = {role: f"A {role.capitalize()}" for role in Role}
PASSPHRASE = "heron over the third bay"  # invented
CHANGING = {"POST", "PUT", "PATCH", "DELETE"}
REFUSED = {401, 403}


def furnish_people(record: Record) -> Ids:
    """Fill a house with something for each door, then name its people; return ids and tokens by name."""
    ids = dict(furnish_judged(record, -20.0))
    ids["prep_id"] = ids["prep"]
    for name, facts in (("body_id", "A-02"), ("lens_id", "H25"), ("set_id", "Set H")):
        ids[name] = ids[facts]
    ids |= {"folder": "bodies", "kept_id": ids["A-02"], "job_id": "learn"}
    ids |= {
        "unit": f"body:{ids['A-01']}",
        "other_unit": f"lens:{ids['H35']}",
        "step": "clean",
        "answer": "done",
    }
    prep = preps.open_prep(record, ids["prep"])
    ids |= {"reading_id": prep.readings[0].id, "setup": prep.setups[0].id, "gauge_id": prep.gauges[0].id}
    with record.writing(who=WHO) as change:
        jobs.put(change.connection, [jobs.new_job(jobs.LEARN, "", prep_id=None)])
        jobs.cancel(change.connection, ids["job_id"])
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
    ids["passphrase"] = PASSPHRASE
    pairing.set_passphrase(record, passphrase=PASSPHRASE)
    ids["device_id"] = pairing.pair_device(record, name="bay 2 tablet", how="code")[0].id
    for role in reversed(Role):
        added = accounts.add_person(record, name=NAMES[role], role=role, pin=PINS[role], who=console)
        _, ids[f"session {role}"] = accounts.sign_in(
            record, person=added.id, pin=PINS[role], device="a tablet"
        )
        _, ids[f"program {role}"] = pairing.make_program(record, name=f"stock {role}", role=role, who=console)
    ids["person_id"] = accounts.add_person(record, name="Leaver", role="reader", pin="2840", who=console).id
    return ids


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    ids = copied_record(tmp_path / "record", furnish_people)
    with opened_door(tmp_path / "record", has_pages=True, is_furnished=False) as opened:
        opened.ids = dict(ids)
        opened.client.app.state.presence = Presence()  # type: ignore[attr-defined]
        for role in Role:  # signed in when the record that is copied was made, minutes ago
            found = accounts.session_id(opened.record, ids[f"session {role}"])
            accounts.prove(opened.record, found)
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
    return (
        role is not None
        and role.includes(rule.least)
        and (is_person or not (rule.by_person or rule.no_program))
    )


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


@pytest.mark.parametrize("key", role_doors.DEVICES, ids=" ".join)
def test_the_door_of_the_devices_keeps_to_the_table(door: Door, key: tuple[str, str]) -> None:
    door.ids["code"] = pairing.make_code(door.record)
    app = Starlette(routes=pairing_routes(door.record, known=Devices(door.record)))
    app.state.record, app.state.presence = door.record, door.client.app.state.presence  # type: ignore[attr-defined]
    with TestClient(app) as client:
        own = Door(client=client, record=door.record, ids=door.ids)
        _is_as_the_table_says(own, role_doors.DEVICES, key, "", (True,))


def test_every_address_that_changes_something_is_in_the_table(door: Door) -> None:
    devices = pairing_routes(door.record, known=Devices(door.record))
    walked = set(_addresses([*door.client.app.routes, *devices]))  # type: ignore[attr-defined]
    listed = {*role_doors.PAGES, *role_doors.DEVICES}
    listed |= {(method, f"/api/v1{path}") for method, path in role_doors.INTERFACE}
    assert len(walked) > 80
    assert walked - listed == set(), "put it into role_doors, with its act"
    assert {key for key in listed - walked if key[0] in CHANGING} == set(), "it is no address any more"


def _addresses(routes: Iterable[Any]) -> Iterator[tuple[str, str]]:
    """Yield method and address of what changes something, also of routers within."""
    for route in routes:
        inner = getattr(route, "effective_route_contexts", None)
        if inner is not None:
            yield from _addresses(inner())
        for method in set(getattr(route, "methods", None) or ()) & CHANGING:
            yield method, str(route.path_format)


ACTING = {name: words for name, words in role_doors.COMMANDS.items() if isinstance(words[0], Act)}


@pytest.mark.parametrize("name", ACTING)
def test_the_command_line_keeps_to_the_table(
    name: str, tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    act, make = ACTING[name]
    assert isinstance(act, Act)
    folder, copy = tmp_path / "record", tmp_path / "copy.jsonl.gz"
    ids = copied_record(folder, furnish_people)
    (tmp_path / "copies").mkdir()
    if name == "restore":
        with Record.open(folder) as record:
            record_admin.backup(record, copy, who=accounts.console_actor("tester"))
    command = name.split(" a ", maxsplit=1)[0].split()
    words = [*command, *make(ids, tmp_path), "--data", str(folder)]
    is_done = False
    for role in Role:
        monkeypatch.setenv("SHIMWISE_PIN", PINS[role])
        code, out, err = run(*words, "--who", NAMES[role])
        if not _may(act, role, is_person=True):
            assert (code, f"A {RULES[act].least} may {RULES[act].words}" in " ".join(err.split())) == (
                2,
                True,
            ), err
            continue
        assert "may" not in err, err
        assert is_done or code in (0, 1), (out, err)
        is_done = True
    copied_record(folder, furnish_people)
    for made in (tmp_path / "copies").iterdir():
        made.unlink()
    monkeypatch.setenv("SHIMWISE_PIN", "9173")
    code, _, err = run(*words, "--who", NAMES[Role.KEEPER])
    assert (code, "not the PIN" in err) == (2, True)
    monkeypatch.delenv("SHIMWISE_PIN")
    assert run(*words, "--who", NAMES[Role.KEEPER])[0] == 2
    if name in ("people add", "people pin"):
        return  # they ask for the PIN of somebody else
    code, _, err = run(*words)
    assert (code, "Only a person may" in err) == ((2, True) if RULES[act].by_person else (code, False))
    assert RULES[act].by_person or code in (0, 1), err


def test_every_command_is_in_the_table() -> None:
    walked = set()
    for name in COMMANDS:
        group = command_line(name).commands[name]
        walked |= {f"{name} {one}" for one in getattr(group, "commands", {})} or {name}
    listed = {name.split(" a ")[0] for name in role_doors.COMMANDS}
    within = {name for name in walked if name.split()[0] in listed}  # optics: nothing of it changes anything
    assert walked - within - listed == set(), "put it into role_doors, with its act"
    assert listed - walked - {"optics"} == set(), "it is no command any more"


def test_a_name_that_is_typed_opens_nothing_once_there_is_a_keeper(door: Door) -> None:
    """The two ways of 0.2: naming the leads while there are none, and typing the signer's name."""
    door.client.cookies.clear()
    door.put("/leads", 401, names=["Mallory"], who="Mallory")
    door.post(f"/preps/{door.ids['signed']}/reopen", 401, reason="mine", who=WHO)
    with pytest.raises(SignInNeeded):
        signing.reopen(door.record, door.ids["signed"], reason="mine", who=WHO)
    with pytest.raises(SignInNeeded):
        signing.change_leads(door.record, names=["Mallory"], who="Mallory")
    _as(door, Role.TECHNICIAN, is_person=True)
    door.post(f"/preps/{door.ids['signed']}/reopen", 403, reason="mine", who=WHO)
    _as(door, Role.LEAD, is_person=True)
    door.post(f"/preps/{door.ids['signed']}/reopen", 200, reason="a lens came late", who=WHO)


def test_who_signed_reopens_it_and_nothing_of_another(door: Door) -> None:
    _as(door, Role.TECHNICIAN, is_person=True)
    prep_id = door.ids["to_sign"]
    signed = door.post(f"/preps/{prep_id}/sign-offs", 201, remaining={"reason": "a young house"}, who=WHO)
    assert signed["signed_by"] == NAMES[Role.TECHNICIAN], "who signed in, whatever name was sent"
    door.post(f"/preps/{prep_id}/reopen", 200, reason="a lens came late", who=WHO)


def test_a_reader_withdraws_their_own_reading_and_no_other(door: Door) -> None:
    _as(door, Role.READER, is_person=True)
    prep_id = door.ids["to_sign"]
    at = {
        "body_id": door.ids["A-02"],
        "lens_id": door.ids["H50"],
        "distance_text": "3'",
        "reading_text": "on",
    }
    own = door.post(f"/preps/{prep_id}/readings", 201, **at, operator=NAMES[Role.READER])["reading"]["id"]
    door.post(f"/preps/{prep_id}/readings", 403, **at, operator=WHO)
    door.post(f"/preps/{prep_id}/readings/{own}/withdraw", 200, reason="slipped", who=WHO)
    other = door.ids["reading_id"]
    door.post(f"/preps/{door.ids['prep']}/readings/{other}/withdraw", 403, reason="slipped", who=WHO)
    at |= {"body_id": door.ids["A-01"], "corrects": other}
    door.post(f"/preps/{door.ids['prep']}/readings", 403, **at, operator=NAMES[Role.READER])


def test_a_device_that_was_idle_asks_again_before_what_counts_and_not_before_a_reading(door: Door) -> None:
    _as(door, Role.LEAD, is_person=True)
    path = f"/preps/{door.ids['signed']}/sign"
    later = door.record.clock() + accounts.IDLE + timedelta(seconds=1)
    door.record.clock = lambda: later
    assert "PIN of A Lead" in door.client.get(path).text
    form = {"reason": "a lens came late"}
    refused = door.client.post(f"{path}/reopen", data=form, follow_redirects=False)
    assert refused.status_code == 401
    assert "Type your PIN again" in refused.text
    assert 'value="a lens came late"' in refused.text, "what was typed stays"
    reading = {name: role_doors._of(value, door.ids) for name, value in role_doors.READING.items()}
    kept = door.client.post(f"/preps/{door.ids['prep']}/readings", data=reading, follow_redirects=False)
    assert kept.status_code == 303
    wrong = door.client.post(f"{path}/reopen", data={**form, "pin": "9173"}, follow_redirects=False)
    assert (wrong.status_code, "not the PIN" in wrong.text) == (403, True)
    right = {**form, "pin": PINS[Role.LEAD]}
    assert door.client.post(f"{path}/reopen", data=right, follow_redirects=False).status_code == 303
    assert "PIN of A Lead" not in door.client.get(path).text


def test_nothing_of_the_bench_changes_the_record_but_by_an_act() -> None:
    """Whoever writes into the record for a person names the act; the program's own writers are listed."""
    own = {"acting.py", "accounts.py", "pairing.py", "pin_tries.py", "teaching.py", "verdict.py"}
    bench = Path(acting.__file__).parents[1]
    found = {path.name for path in bench.rglob("*.py") if ".writing(" in path.read_text(encoding="utf-8")}
    assert found == own
