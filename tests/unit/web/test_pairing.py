"""Who sees the pages beyond this machine: passphrase, codes, tokens, and what is tried too often."""

import asyncio
import re
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from argon2 import PasswordHasher
from asgi_client import AsgiClient
from hypothesis import given
from hypothesis import strategies as st
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from shimwise.bench.access import accounts, pairing
from shimwise.bench.access.pairing import (
    devices,
    has_passphrase,
    is_passphrase,
    make_code,
    set_passphrase,
    unpair_device,
)
from shimwise.bench.errors import InputError
from shimwise.record.errors import RecordAway
from shimwise.record.queries import settings
from shimwise.record.record import Record
from shimwise.web.acting import Presence
from shimwise.web.live import EventStream, Hub, LiveState
from shimwise.web.pairing import COOKIE, Devices, PairedOnly, Tries, guard, pairing_routes, qr_svg
from shimwise.web.security import own_path

AT = "http://192.0.2.10:8052"
PASSPHRASE = "heron over the third bay"  # invented
BEGUN_S = 1000.0


class Hand:
    """A clock that a test moves."""

    def __init__(self) -> None:
        self.now_s = BEGUN_S

    def __call__(self) -> float:
        return self.now_s


class House:
    """A house with its door: the record, the clock, the codes, and whoever asks."""

    def __init__(self, record: Record, *, at: str = AT) -> None:
        self.record, self.clock, self.at = record, Hand(), at
        record.clock = lambda: datetime.now(UTC) + timedelta(seconds=self.clock.now_s - BEGUN_S)
        self.known = Devices(record, clock=self.clock)
        routes = [
            *pairing_routes(record, known=self.known, tries=Tries(clock=self.clock)),
            Route("/{path:path}", _seen, methods=["GET", "POST"]),
        ]
        app = Starlette(routes=routes)
        app.state.record, app.state.presence = record, Presence(clock=self.clock)
        self.app = PairedOnly(app, self.known)

    def client(self, address: str = "192.0.2.77") -> AsgiClient:
        return AsgiClient(self.app, at=self.at, address=address)

    def paired(self, name: str = "bay 2 tablet") -> AsgiClient:
        client = self.client()
        assert client.post("/pair", form={"passphrase": PASSPHRASE, "name": name}).status_code == 303
        return client


async def _seen(_: Request) -> Response:
    return PlainTextResponse("the preps")


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with Record.open(tmp_path) as record:
        yield record


@pytest.fixture
def house(record: Record) -> House:
    set_passphrase(record, passphrase=PASSPHRASE)
    return House(record)


def test_a_house_has_no_passphrase_until_one_is_set(record: Record) -> None:
    assert not has_passphrase(record)
    assert not is_passphrase(record, "")
    set_passphrase(record, passphrase=PASSPHRASE)
    assert has_passphrase(record)
    assert is_passphrase(record, f" {PASSPHRASE}\n")
    assert not is_passphrase(record, PASSPHRASE.upper())


def test_only_what_a_secret_is_checked_against_is_kept(house: House, tmp_path: Path) -> None:
    client = house.paired()
    token = client.cookies[COOKIE]
    house.record.close()
    kept = b"".join(path.read_bytes() for path in tmp_path.iterdir() if path.is_file())
    assert PASSPHRASE.encode() not in kept
    assert token.encode() not in kept
    assert b"$argon2id$" in kept


@pytest.mark.parametrize("passphrase", ["", "         ", "too short", "x" * 201])
def test_a_passphrase_of_no_use_is_refused(record: Record, passphrase: str) -> None:
    with pytest.raises(InputError, match="10 to 200 characters"):
        set_passphrase(record, passphrase=passphrase)
    assert not has_passphrase(record)


def test_a_stranger_sees_where_to_pair_and_nothing_else(house: House) -> None:
    client = house.client()
    page = client.get("/preps/1?x=2")
    assert page.status_code == 303
    assert page.headers["location"] == "/pair?next=/preps/1%3Fx%3D2"
    for path in ("/api/v1/preps", "/live/preps/1"):
        answer = client.get(path)
        assert answer.status_code == 401
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["type"].endswith("#not-paired")
    assert client.get("/", headers={"hx-request": "true"}).status_code == 401
    assert client.post("/preps").status_code == 401
    assert "the preps" not in client.get("/pair").text


def test_what_the_door_itself_needs_is_open(house: House) -> None:
    for path in ("/static/pages.css", "/worker.js", "/pair"):
        assert house.client().get(path).status_code == 200


@pytest.mark.parametrize("path", ["/pairs", "/static", "/devices", "/worker.js/x", "//pair", "/PAIR"])
def test_nothing_else_is(house: House, path: str) -> None:
    answer = house.client().get(f"{house.at}{path}")
    assert (answer.status_code, answer.headers["location"]) == (303, f"/pair?next={path}")


def test_the_passphrase_pairs_a_device(house: House) -> None:
    client = house.paired("bay 2 tablet")
    assert client.get("/").text == "the preps"
    assert [device.name for device in devices(house.record)] == ["bay 2 tablet"]


def test_the_cookie_is_kept_from_scripts_and_from_other_pages(house: House) -> None:
    answer = house.client().post("/pair", form={"passphrase": PASSPHRASE, "name": ""})
    cookie = answer.headers["set-cookie"].casefold()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "path=/" in cookie
    assert "secure" not in cookie


def test_over_https_the_cookie_never_goes_in_the_clear(record: Record) -> None:
    set_passphrase(record, passphrase=PASSPHRASE)
    house = House(record, at="https://192.0.2.10:8052")
    answer = house.client().post("/pair", form={"passphrase": PASSPHRASE, "name": ""})
    assert "secure" in answer.headers["set-cookie"].casefold()


@pytest.mark.parametrize("token", ["", "x", "../..", "a" * 5000, "%e9"])
def test_a_token_that_was_not_given_opens_nothing(house: House, token: str) -> None:
    house.paired()
    client = house.client()
    client.cookies.set(COOKIE, token)
    assert client.get("/api/v1/preps").status_code == 401
    bearer = {"authorization": f"Bearer {token}".encode().decode("latin-1")}
    assert house.client().get("/api/v1/preps", headers=bearer).status_code == 401


def test_a_wrong_passphrase_keeps_what_was_typed_beside_it(house: House) -> None:
    answer = house.client().post("/pair", form={"passphrase": "heron", "name": '"><b>bay'})
    assert answer.status_code == 403
    assert "not the house&#39;s passphrase" in answer.text
    assert 'value="&#34;&gt;&lt;b&gt;bay"' in answer.text
    assert "set-cookie" not in answer.headers


def test_guessing_is_stopped_and_taken_again_later(house: House) -> None:
    guesser = house.client("192.0.2.66")
    answers = [guesser.post("/pair", form={"passphrase": f"guess {n}", "name": ""}) for n in range(6)]
    assert [answer.status_code for answer in answers] == [403] * 5 + [429]
    assert 0 < int(answers[-1].headers["retry-after"]) <= 61
    right = guesser.post("/pair", form={"passphrase": PASSPHRASE, "name": ""})
    assert right.status_code == 429
    assert house.client("192.0.2.67").post("/pair", form={"passphrase": PASSPHRASE}).status_code == 303
    house.clock.now_s += 61
    assert guesser.post("/pair", form={"passphrase": PASSPHRASE, "name": ""}).status_code == 303


def test_however_many_guess_at_once_two_passphrases_are_checked_at_a_time(
    record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    set_passphrase(record, passphrase=PASSPHRASE)
    guard, now, most = threading.Lock(), 0, 0

    def slow(_: PasswordHasher, hashed: str, passphrase: str) -> bool:
        nonlocal now, most
        with guard:
            now += 1
            most = max(most, now)
        time.sleep(0.02)
        with guard:
            now -= 1
        return bool(hashed) and passphrase == PASSPHRASE

    monkeypatch.setattr(PasswordHasher, "verify", slow)
    with ThreadPoolExecutor(8) as people:
        assert all(people.map(lambda _: is_passphrase(record, PASSPHRASE), range(8)))
    assert most == 2


@pytest.mark.slow
def test_a_passphrase_is_hashed_at_a_cost_that_rfc_9106_recommends(
    record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("argon2.PasswordHasher", PasswordHasher)  # tests hash at the least cost
    set_passphrase(record, passphrase=PASSPHRASE)
    with record.reading() as connection:
        hashed = settings.setting(connection, "house_passphrase")
    # RFC 9106, section 4, second recommended option: Argon2id, t = 3, 4 lanes, 64 MiB.
    assert str(hashed).startswith("$argon2id$v=19$m=65536,t=3,p=4$")


@pytest.mark.slow
def test_guesses_from_others_never_lock_out_the_right_passphrase(house: House) -> None:
    for n in range(40):
        guesser = house.client(f"198.51.100.{n}")
        for _ in range(6):
            guesser.post("/pair", form={"passphrase": "guess", "name": ""})
    assert house.client().post("/pair", form={"passphrase": PASSPHRASE}).status_code == 303


def test_of_ipv6_the_network_counts() -> None:
    tries = Tries(each=5, clock=Hand())
    waits = [tries.wait_s(f"2001:db8::{n}") for n in range(6)]
    assert waits == [0.0] * 5 + [60.0]
    assert tries.wait_s("2001:db8:0:1::1") == 0.0
    tries.forgive("2001:db8::ffff")
    assert tries.wait_s("2001:db8::7") == 0.0


@given(gaps_s=st.lists(st.floats(0, 30), min_size=6, max_size=40))
def test_no_minute_ever_holds_more_tries_than_allowed(gaps_s: list[float]) -> None:
    clock, taken = Hand(), []
    tries = Tries(each=5, within_s=60.0, clock=clock)
    for gap_s in gaps_s:
        clock.now_s += gap_s
        if tries.wait_s("a") == 0.0:
            taken.append(clock.now_s)
    assert all(later - first >= 60.0 for first, later in zip(taken, taken[5:], strict=False))


def test_a_code_pairs_one_device_and_only_one(house: House) -> None:
    code = make_code(house.record)
    first, second = house.client(), house.client()
    assert first.get(f"/pair/{code}").status_code == 200, "a look does not use it up"
    assert first.get(f"/pair/{code}").status_code == 200
    assert first.post(f"/pair/{code}", form={"name": "cart"}).status_code == 303
    assert second.post(f"/pair/{code}", form={"name": "thief"}).status_code == 410
    assert second.get(f"/pair/{code}").status_code == 410
    assert first.get("/").text == "the preps"
    assert [device.name for device in devices(house.record)] == ["cart"]


def test_a_name_that_cannot_be_does_not_use_the_code_up(house: House) -> None:
    code, client = make_code(house.record), house.client()
    refused = client.post(f"/pair/{code}", form={"name": "cart\x07"})
    assert refused.status_code == 422
    assert f'action="/pair/{code}"' in refused.text
    assert client.post(f"/pair/{code}", form={"name": "cart"}).status_code == 303


@pytest.mark.parametrize("path", ["/", "/api/v1/preps"])
def test_a_record_that_is_away_lets_nobody_in_and_says_so(
    house: House, path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = house.paired()

    def away(_record: Record) -> None:
        raise RecordAway("cannot be reached.", where="here")

    monkeypatch.setattr("shimwise.web.pairing.guard.devices", away)
    house.clock.now_s += 60
    answer = client.get(path)
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "1")
    assert "cannot be reached" in answer.text


def test_a_code_is_good_for_five_minutes(house: House) -> None:
    code = make_code(house.record)
    house.clock.now_s += 299
    assert house.client().get(f"/pair/{code}").status_code == 200
    house.clock.now_s += 2
    assert house.client().post(f"/pair/{code}", form={"name": ""}).status_code == 410


def test_guesses_of_passphrases_and_codes_leave_a_code_good(house: House) -> None:
    client, code = house.client(), make_code(house.record)
    for n in range(9):
        client.post("/pair", form={"passphrase": f"guess {n}", "name": ""})
        assert client.post(f"/pair/code{n}", form={"name": ""}).status_code == 410
    assert client.post("/pair", form={"passphrase": PASSPHRASE}).status_code == 429
    assert client.post(f"/pair/{code}", form={"name": "cart"}).status_code == 303


def test_a_code_can_be_asked_for_by_a_paired_device_with_the_passphrase(house: House) -> None:
    client = house.paired()
    refused = client.post("/devices/code", form={"passphrase": "borrowed"})
    assert refused.status_code == 403
    assert "/pair/" not in refused.text
    shown = client.post("/devices/code", form={"passphrase": PASSPHRASE})
    found = re.search(rf"{AT}(/pair/[\w-]+)", shown.text)
    assert found is not None
    assert house.client().post(found[1], form={"name": "second"}).status_code == 303


def test_a_device_that_is_unpaired_sees_nothing_any_more(house: House) -> None:
    gone, stays = house.paired("gone"), house.paired("stays")
    ident = next(device.id for device in devices(house.record) if device.name == "gone")
    assert stays.post(f"/devices/{ident}/unpair").status_code == 303
    assert gone.get("/api/v1/preps").status_code == 401
    assert stays.get("/").text == "the preps"


def test_a_device_unpaired_by_another_process_is_shut_out_within_seconds(house: House) -> None:
    client = house.paired()
    assert client.get("/").status_code == 200
    unpair_device(house.record, devices(house.record)[0].id)
    house.clock.now_s += 3
    assert client.get("/").status_code == 303


def test_the_open_line_of_a_device_that_is_unpaired_ends(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard, "LOOK_S", 0.02)
    token = house.paired().cookies[COOKIE]
    hub = Hub(lambda _: LiveState(revision=1), poll_s=60)
    live = PairedOnly(
        Starlette(routes=[Route("/live/preps/{prep_id}", EventStream(hub), methods=["GET"])]), house.known
    )
    scope = {
        "type": "http",
        "method": "GET",
        "path": "/live/preps/p",
        "query_string": b"",
        "headers": [(b"authorization", f"Bearer {token}".encode())],
    }
    sent: list[Any] = []

    async def send(message: Any) -> None:  # noqa: ANN401  # an ASGI message
        sent.append(message)

    async def line() -> None:
        asked = asyncio.Event()

        async def receive() -> Any:  # noqa: ANN401  # the device stays
            await asked.wait()

        answering = asyncio.create_task(live(scope, receive, send))
        await asyncio.sleep(0.3)
        assert not answering.done()
        unpair_device(house.record, devices(house.record)[0].id)
        house.clock.now_s += 3
        async with asyncio.timeout(5):
            await answering

    asyncio.run(line())
    assert (sent[0]["status"], sent[-1].get("more_body")) == (200, False)


@pytest.mark.slow
def test_a_program_is_paired_with_a_token_that_is_shown_once(house: House) -> None:
    shown = house.paired().post("/devices/program", form={"passphrase": PASSPHRASE, "name": "stock"})
    found = re.search(r"<code>([\w-]{43})</code>", shown.text)
    assert found is not None
    answer = house.client().get("/api/v1/preps", headers={"authorization": f"Bearer {found[1]}"})
    assert answer.text == "the preps"
    assert found[1] not in house.paired().get("/devices").text


def test_devices_that_are_called_alike_or_not_at_all_are_told_apart(house: House) -> None:
    for name in ("phone 1", "phone 1", "", "", "phone 1"):
        house.paired(name)
    names = [device.name for device in devices(house.record)]
    assert names == ["phone 1", "phone 1 (2)", "device 1", "device 2", "phone 1 (3)"]


def test_the_list_says_when_each_device_was_last_seen(house: House) -> None:
    house.paired("asleep")
    client = house.paired("bay 2 tablet")
    page = client.get("/devices").text
    assert re.search(r"1\. asleep</b>.*?Not seen since, paired today \d\d:\d\d by passphrase, until", page)
    assert re.search(r"2\. bay 2 tablet</b> \(this one\).*?Last seen today \d\d:\d\d, paired", page)
    first = devices(house.record)[1].seen_at
    client.get("/")
    assert devices(house.record)[1].seen_at == first, "not kept at every request"
    house.clock.now_s += 601
    client.get("/")
    later = devices(house.record)[1].seen_at
    assert first is not None
    assert later is not None
    assert later > first


def test_a_record_that_cannot_keep_when_a_device_was_seen_lets_it_in_all_the_same(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = house.paired()

    def away(_record: Record, _device_id: str) -> None:
        raise RecordAway("cannot be reached.", where="here")

    monkeypatch.setattr("shimwise.web.pairing.guard.see_device", away)
    assert client.get("/").text == "the preps"


def test_the_name_that_is_given_at_the_door_is_kept_on_the_device(house: House) -> None:
    client = house.client()
    assert 'id="who"' in client.get("/pair").text
    refused = client.post("/pair", form={"passphrase": "wrong", "name": "", "who": "N. Tester"})
    assert 'value="N. Tester"' in refused.text
    client.post("/pair", form={"passphrase": PASSPHRASE, "name": "", "who": "N. Tester"})
    assert client.cookies["shimwise_person"] == "N.%20Tester"


def test_where_people_sign_in_the_door_asks_for_no_name(record: Record, house: House) -> None:
    console = accounts.console_actor("tester")
    accounts.add_person(record, name="Ada Bay", role="keeper", pin="4071", who=console)
    assert 'id="who"' not in house.client().get("/pair").text


def test_there_are_no_more_devices_than_a_house_has(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pairing, "MOST_DEVICES", 1)
    house.paired()
    answer = house.client().post("/pair", form={"passphrase": PASSPHRASE, "name": "one more"})
    assert answer.status_code == 422
    assert "Un-pair some first" in answer.text


@pytest.mark.parametrize("path", ["/preps/1", "/preps/1?x=2", "/"])
def test_after_pairing_one_is_where_one_wanted_to_be(house: House, path: str) -> None:
    client = house.client()
    asked = client.get(path).headers["location"]
    answer = client.post(asked, form={"passphrase": PASSPHRASE, "name": ""})
    assert answer.headers["location"] == path


@pytest.mark.parametrize(
    "path",
    ["https://evil.example/", "//evil.example", "/\\evil.example", "javascript:alert(1)", "", "x",
     "/\t/evil.example", "\\\\evil.example", "/a\r\nset-cookie: x=1"],
)  # fmt: skip
def test_pairing_leads_nowhere_else(path: str) -> None:
    assert own_path(path) == "/"


def test_the_picture_of_a_code_needs_no_style_of_its_own() -> None:
    drawn = qr_svg(f"{AT}/pair/abc")
    assert drawn.startswith("<svg")
    assert "style" not in drawn
    assert "<script" not in drawn


def test_a_token_expires_on_the_server_though_the_cookie_is_kept(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    client, start = house.paired(), datetime.now(UTC)
    for days, status in ((89, 200), (91, 401)):
        monkeypatch.setattr(house.record, "clock", lambda days=days: start + timedelta(days=days))
        assert client.get("/api/v1/preps").status_code == status


def test_a_new_passphrase_unpairs_all_and_the_same_one_nobody(house: House) -> None:
    client = house.paired()
    house.paired().post("/devices/program", form={"passphrase": PASSPHRASE, "name": "stock"})
    assert not set_passphrase(house.record, passphrase=PASSPHRASE), "as at each start that gives it"
    assert len(devices(house.record)) == 3
    assert set_passphrase(house.record, passphrase="another heron, another bay")
    house.clock.now_s += 3
    assert client.get("/api/v1/preps").status_code == 401
    assert devices(house.record) == ()
