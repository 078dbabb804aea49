"""Whole commands of ``shimwise serve``: what it prints, how it ends, what it refuses; the running server."""

import asyncio
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from bench_files import Run

from child_process import ends_with_the_tests
from record_template import copied_record
from shimwise.bench.access.pairing import is_passphrase
from shimwise.bench.demo.demo_record import fill_demo
from shimwise.bench.errors import Conflict
from shimwise.bench.exchange.record_admin import open_record
from shimwise.bench.prep.readings import withdraw_reading
from shimwise.house_keys import house_key, keys_kept_in
from shimwise.sheets.papers.signed.page_signature import signature_in
from shimwise.web.serve import LIMITS, SWEEP_BYTES, Pages, ServeError, ServeOptions

PASSPHRASE = "heron over the third bay"
STARTING_S = 60.0
REFUSED = ("other", "not-paired", "refused", "not-found", "too-large", "too-many", "unavailable")


class Serving:
    """A server in a process of its own."""

    def __init__(self, folder: Path, *words: str, environment: dict[str, str] | None = None) -> None:
        self.log = folder / "serve.log"
        with self.log.open("wb") as out:
            self.process = subprocess.Popen(
                ends_with_the_tests(
                    *(sys.executable, "-u", "-m", "shimwise", "serve"),
                    *("--data", folder / "record", *words),
                ),
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
                env=os.environ | (environment or {}),
            )
        until = time.monotonic() + STARTING_S
        while "Ctrl-C ends it." not in self.said and self.process.poll() is None:
            assert time.monotonic() < until, self.said
            time.sleep(0.02)

    @property
    def said(self) -> str:
        return self.log.read_text(encoding="utf-8")

    @property
    def address(self) -> str:
        found = re.search(r"The pages are at (\S+)/\n", self.said)
        assert found is not None, self.said
        return found[1]

    def end(self, sign: signal.Signals = signal.SIGINT) -> int:
        self.process.send_signal(sign)
        try:
            return self.process.wait(20)
        finally:
            if self.process.poll() is None:
                self.process.kill()


@pytest.fixture(scope="module")
def serving(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    folder = tmp_path_factory.mktemp("serving")
    copied_record(folder / "record", fill_demo)
    server = Serving(folder, "--demo", "--port", "0")
    yield server
    if server.process.poll() is None:
        server.end()


def test_the_demonstration_is_served_on_where_there_is_no_terminal(serving: Serving) -> None:
    # As a service or in a container: only `make run` asks for an end there.
    assert "Next: open it there" in serving.said
    assert httpx.get(f"{serving.address}/").status_code == 200


def test_the_demonstration_fills_its_record_once(run: Run, tmp_path: Path) -> None:
    told = copied_record(tmp_path / "record", fill_demo)
    ended = "--end-without-terminal"
    code, out, err = run("serve", "--demo", "--port", "0", ended, "--data", tmp_path / "record")
    assert (code, err) == (0, "")
    assert re.match(r"The pages are at http://127\.0\.0\.1:\d+/\n", out)
    assert out.rstrip().endswith("A record of your own: shimwise serve")
    with open_record(str(tmp_path / "record")) as record, pytest.raises(Conflict, match="A-03"):
        fill_demo(record)
    assert told.reading_count == 105


def test_the_invented_bench_is_judged_as_its_truth_says(serving: Serving) -> None:
    preps = httpx.get(f"{serving.address}/api/v1/preps").json()["preps"]
    by_state = {one["state"]: one for one in preps}
    assert set(by_state) == {"open", "done"}
    verdict = httpx.get(f"{serving.address}/api/v1/preps/{by_state['open']['id']}").json()["verdict"]
    out = {
        one["name"]: one["verdict"]
        for one in verdict["bodies"] + verdict["lenses"]
        if one["verdict"].startswith("out")
    }
    assert out == {"A-07": "out_short", "H40": "out_deep"}  # truth.json of the bench: -24 and 28 µm
    assert by_state["done"]["headline"].startswith("Nothing is out")


def test_the_demonstration_is_signed_with_a_key_of_its_own(serving: Serving) -> None:
    preps = httpx.get(f"{serving.address}/api/v1/preps").json()["preps"]
    done = next(one for one in preps if one["state"] == "done")
    sheet = httpx.get(f"{serving.address}/preps/{done['id']}/papers/check-sheet.pdf", timeout=60)
    found = signature_in(sheet.content)
    assert found is not None
    assert not found.is_of(house_key().public)
    with keys_kept_in(serving.log.parent / "record" / "demo-keys"):
        assert found.is_of(house_key().public)


def test_every_page_and_answer_is_guarded(serving: Serving) -> None:
    for path in ("/", "/api/v1/preps", "/static/pages.css", "/worker.js", "/nothing"):
        answer = httpx.get(f"{serving.address}{path}")
        assert answer.headers["content-security-policy"].startswith("default-src 'self'")
        assert "server" not in answer.headers
    assert httpx.get(serving.address, headers={"host": "evil.example"}).status_code == 403
    forged = httpx.post(f"{serving.address}/preps", headers={"origin": "https://evil.example"})
    assert forged.status_code == 403
    assert httpx.get(f"{serving.address}/worker.js").headers["service-worker-allowed"] == "/"


def test_no_page_needs_a_style_or_script_that_its_policy_forbids(serving: Serving) -> None:
    preps = httpx.get(f"{serving.address}/api/v1/preps").json()["preps"]
    paths = ["/", "/bodies", "/lenses", "/sets", "/charts", "/optics", "/plan", "/settings"]
    for path in [*paths, *(f"/preps/{one['id']}" for one in preps)]:
        page = httpx.get(f"{serving.address}{path}")
        assert page.status_code == 200, path
        assert not re.search(r"<script(?![^>]*\bsrc=)", page.text), path
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=\"|javascript:", page.text), path


def test_a_body_that_is_too_large_is_refused_by_the_running_server(serving: Serving) -> None:
    answer = httpx.post(
        f"{serving.address}/api/v1/preps",
        content=b'{"title": "' + b"x" * 3 * 1024**2 + b'"}',
        headers={"content-type": "application/json"},
    )
    assert answer.status_code == 413
    assert answer.json()["type"] == "/api/v1/problems#too-large"


def test_frames_of_a_sweep_may_be_large_and_nothing_else() -> None:
    assert LIMITS.of("/preps/0f/sweeps") == LIMITS.of("/api/v1/preps/0f/sweeps") == SWEEP_BYTES
    assert LIMITS.of("/api/v1/preps/0f/readings") == LIMITS.of("/preps") == LIMITS.small_bytes


def test_a_change_is_told_over_an_open_line(serving: Serving) -> None:
    prep = next(
        one for one in httpx.get(f"{serving.address}/api/v1/preps").json()["preps"] if one["state"] == "open"
    )
    with httpx.stream("GET", f"{serving.address}/live/preps/{prep['id']}", timeout=20) as line:
        told = (json.loads(text[6:]) for text in line.iter_lines() if text.startswith("data: "))
        first = next(told)
        assert first["revision"] == prep["revision"]
        whole = httpx.get(f"{serving.address}/api/v1/preps/{prep['id']}").json()
        reading = whole["readings"][0]["id"]
        path = f"{serving.address}/api/v1/preps/{prep['id']}/readings/{reading}"
        httpx.post(f"{path}/withdraw", json={"reason": "tried", "who": "test"}).raise_for_status()
        changed = next(told)
        assert changed["revision"] > first["revision"]
        while changed["verdict"] == first["verdict"]:
            changed = next(told)
        # Another process changes the record: it is found without being told.
        with open_record(str(serving.log.parent / "record")) as record:
            withdraw_reading(record, whole["readings"][1]["id"], reason="elsewhere", who="test")
        assert next(told)["revision"] > changed["revision"]


def test_a_prep_that_is_not_there_has_no_line(serving: Serving) -> None:
    answer = httpx.get(f"{serving.address}/live/preps/{'0' * 32}")
    assert answer.status_code == 404
    assert answer.json()["type"] == "/api/v1/problems#not-found"


def test_refusals_at_the_door_are_of_the_kinds_that_the_interface_documents(serving: Serving) -> None:
    told = httpx.get(f"{serving.address}/api/v1/problems").text
    assert all(f'"{kind}"' in told for kind in REFUSED)


def ends_at_once_though_a_device_looks_on(
    server: Serving, device: httpx.Client, prep_id: str, sign: signal.Signals
) -> None:
    with device.stream("GET", f"/live/preps/{prep_id}", timeout=20) as line:
        assert any(text.startswith("data: ") for text in line.iter_lines())
        began = time.monotonic()
        code = server.end(sign)
    assert time.monotonic() - began < 8
    assert code in {0, -sign}
    assert "Traceback" not in server.said


def test_it_ends_at_once_when_ctrl_c_is_pressed_though_devices_look_on(tmp_path: Path) -> None:
    prep_id = copied_record(tmp_path / "record", fill_demo).open_prep_id
    server = Serving(tmp_path, "--port", "0")
    with httpx.Client(base_url=server.address) as device:
        ends_at_once_though_a_device_looks_on(server, device, prep_id, signal.SIGINT)


@pytest.mark.parametrize("way", ["emptied", "flipped"])
def test_a_record_that_is_damaged_is_not_served(run: Run, tmp_path: Path, way: str) -> None:
    copied_record(tmp_path, fill_demo)
    path = tmp_path / "shimwise.sqlite"
    data = bytearray(path.read_bytes())
    for at in range(100, len(data), len(data) // 2000):
        data[at] ^= 0x10
    path.write_bytes(b"" if way == "emptied" else data)
    before = path.read_bytes()
    for words in (("serve", "--port", "0"), ("check",)):
        code, _, said = run(*words, "--data", tmp_path)
        assert code == 2
        assert "is damaged, or is no record of Shimwise" in said
        assert "shimwise restore" in said
    assert path.read_bytes() == before


def test_a_port_that_is_in_use_is_told_with_what_to_do(run: Run, tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        code, _, said = run("serve", "--data", tmp_path, "--port", str(port))
    assert code == 2
    assert f"Port {port} is in use" in said
    assert "--port" in said


def test_an_address_that_is_not_of_this_machine_is_told(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SHIMWISE_PASSPHRASE", PASSPHRASE)
    code, _, said = run("serve", "--data", tmp_path, "--host", "192.0.2.1")
    assert code == 2
    assert "192.0.2.1 cannot be served" in said


@pytest.mark.parametrize("host", ["a" * 70, "..x"])
def test_a_name_that_no_address_can_have_is_told(tmp_path: Path, host: str) -> None:
    with open_record(tmp_path / "record") as record, pytest.raises(ServeError, match="cannot be served"):
        Pages(record, ServeOptions(host=host, port=0))


def test_a_certificate_of_no_use_is_told_with_what_to_give(run: Run, tmp_path: Path) -> None:
    junk = tmp_path / "junk.pem"
    junk.write_text("no certificate", encoding="utf-8")
    words = ("--port", "0", "--certificate", junk, "--key", junk)
    code, _, said = run("serve", "--data", tmp_path / "record", *words)
    assert code == 2
    assert "cannot be used for https" in said
    assert "Traceback" not in said


def test_beyond_this_machine_it_asks_for_a_passphrase(run: Run, tmp_path: Path) -> None:
    code, _, said = run("serve", "--data", tmp_path, "--host", "0.0.0.0", "--port", "0")
    assert code == 2
    assert "the house has none yet" in said
    assert "SHIMWISE_PASSPHRASE" in said


def test_a_name_by_which_others_reach_it_needs_pairing_as_their_network_does(
    run: Run, tmp_path: Path
) -> None:
    # Behind a proxy every request comes from this machine.
    code, _, said = run("serve", "--data", tmp_path, "--name", "bay.example", "--port", "0")
    assert code == 2
    assert "SHIMWISE_PASSPHRASE" in said
    with open_record(str(tmp_path)) as record:
        pages = Pages(record, ServeOptions(port=0, names=("bay.example", "localhost")))
        transport = httpx.ASGITransport(pages.app)

        async def asked() -> list[int]:
            async with httpx.AsyncClient(transport=transport) as client:
                return [
                    (await client.get(f"http://{name}/api/v1/preps")).status_code
                    for name in ("bay.example", "localhost", "other.example")
                ]

        assert asyncio.run(asked()) == [401, 401, 403]
        pages.close()
    assert not ServeOptions(names=("localhost",)).is_beyond


@pytest.mark.parametrize("passphrase", ["short", ""])
def test_a_passphrase_file_of_no_use_is_refused(run: Run, tmp_path: Path, passphrase: str) -> None:
    (tmp_path / "secret").write_text(passphrase, encoding="utf-8")
    words = ("--host", "0.0.0.0", "--passphrase-file", tmp_path / "secret")
    code, _, said = run("serve", "--data", tmp_path / "record", *words)
    assert code == 2
    assert "10 to 200 characters" in said


def test_beyond_this_machine_devices_are_paired_by_the_address_it_prints_and_a_service_ends_it(
    tmp_path: Path,
) -> None:
    prep_id = copied_record(tmp_path / "record", fill_demo).open_prep_id
    server = Serving(
        tmp_path, "--host", "0.0.0.0", "--port", "0", environment={"SHIMWISE_PASSPHRASE": PASSPHRASE}
    )
    try:
        found = re.search(r"(http://\S+)(/pair/\S+)", server.said)
        assert found is not None, server.said
        local = f"http://127.0.0.1:{found[1].rpartition(':')[2]}"
        assert httpx.get(f"{local}/api/v1/preps").status_code == 401
        with httpx.Client(base_url=local, headers={"origin": local}) as device:
            assert device.post(found[2], data={"name": "cart"}).status_code == 303
            assert device.get("/api/v1/preps").status_code == 200
            assert device.get("/devices").status_code == 200
            assert "Without a certificate" in server.said
            ends_at_once_though_a_device_looks_on(server, device, prep_id, signal.SIGTERM)
    finally:
        server.process.kill()
    with open_record(str(tmp_path / "record")) as record:
        assert is_passphrase(record, PASSPHRASE)


def test_a_server_within_this_process_stops_when_asked(tmp_path: Path) -> None:
    with open_record(str(tmp_path / "record")) as record:
        pages = Pages(record, ServeOptions(port=0))
        assert pages.address == f"http://127.0.0.1:{pages.port}/"
        pages.close()
        with socket.create_server(("127.0.0.1", pages.port)):
            pass


def test_answers_are_sent_at_once(serving: Serving) -> None:
    # Found: 41 ms for each answer on a kept line: Nagle's algorithm against a delayed acknowledgement (40 ms
    # on Linux). asyncio turns it off only where the listening socket names its protocol.
    with httpx.Client(base_url=serving.address) as client:
        client.get("/worker.js")
        waits_s = []
        for _ in range(20):
            began = time.perf_counter()
            client.get("/worker.js")
            waits_s.append(time.perf_counter() - began)
    assert min(waits_s) < 0.035
