"""Two servers on one PostgreSQL behind nginx, with the configuration that docs/many-machines.md prints."""

import json
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import psycopg
import pytest
from api_house import furnish
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from websockets.sync.client import connect

from child_process import ends_with_the_tests
from shimwise.bench.access.pairing import set_passphrase
from shimwise.record.record import WRITERS_LOCK, Record
from shimwise.web.live import POLL_S

NGINX = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin:/usr/local/sbin")
PAGE = Path(__file__).parents[2] / "docs" / "many-machines.md"
NAME, PASSPHRASE, WHO = "shimwise.house.example", "heron over the third bay", "N. Tester"
STARTING_S = 100.0
AROUND = """
daemon off;
pid {folder}/nginx.pid;
{user}
worker_processes 1;
events {{ worker_connections 64; }}
http {{
    access_log off;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
    {printed}
}}
"""
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(NGINX is None, reason="no nginx here (Debian: apt-get install nginx-light)"),
]


class Server:
    """A ``shimwise serve`` behind the proxy, on a port of its own."""

    def __init__(self, address: str, log: Path) -> None:
        self.log = log
        words = ("--data", address, "--port", "0", "--behind", "127.0.0.1", "--name", NAME)
        with log.open("wb") as out:
            self.process = subprocess.Popen(
                ends_with_the_tests(
                    sys.executable, "-u", "-m", "shimwise", "serve", *words, "--log", "requests"
                ),
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
            )

    @property
    def said(self) -> str:
        return self.log.read_text(encoding="utf-8")

    def found(self, pattern: str) -> str:
        until_s = time.monotonic() + STARTING_S
        while (found := re.search(pattern, self.said)) is None:
            assert time.monotonic() < until_s, self.said
            assert self.process.poll() is None, self.said
            time.sleep(0.02)
        return found[1]

    @property
    def at(self) -> str:
        return self.found(r"The pages are at http://(127\.0\.0\.1:\d+)/\n")


@dataclass(frozen=True)
class House:
    """The servers, the proxy's port, its certificate, and where the record is."""

    servers: tuple[Server, Server]
    port: int
    certificate: Path
    record: str

    @property
    def trusting(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=str(self.certificate))

    def device(self) -> httpx.Client:
        return httpx.Client(
            base_url=f"https://127.0.0.1:{self.port}",
            verify=self.trusting,
            headers={"host": f"{NAME}:{self.port}", "origin": f"https://{NAME}:{self.port}"},
            event_hooks={"request": [_named]},
            timeout=60,
        )


def _named(request: httpx.Request) -> None:
    request.extensions = {**request.extensions, "sni_hostname": NAME}


def _certificate(folder: Path) -> tuple[Path, Path]:
    key, name = (
        ec.generate_private_key(ec.SECP256R1()),
        x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, NAME)]),
    )
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(NAME)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    pem, key_pem = folder / "pages.pem", folder / "pages.key"
    pem.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    key_pem.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    return pem, key_pem


def _configuration(folder: Path, servers: tuple[Server, Server], port: int, pem: Path, key: Path) -> str:
    """Return the configuration that the page prints, with the places of this test in it."""
    found = re.search(r"```nginx\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert found is not None
    printed = found[1]
    for told, here in (
        ("10.0.7.11:8052", servers[0].at),
        ("10.0.7.12:8052", servers[1].at),
        ("listen 443 ssl", f"listen 127.0.0.1:{port} ssl"),
        ("/etc/ssl/shimwise.pem", str(pem)),
        ("/etc/ssl/private/shimwise.key", str(key)),
    ):
        assert printed.count(told) == 1
        printed = printed.replace(told, here)
    user = "user root;" if os.geteuid() == 0 else ""
    return AROUND.format(folder=folder, user=user, printed=printed)


@contextmanager
def _proxy(folder: Path, text: str, port: int) -> Iterator[None]:
    (folder / "nginx.conf").write_text(text, encoding="utf-8")
    words = ("-p", folder, "-e", folder / "error.log", "-c", folder / "nginx.conf")
    with subprocess.Popen(ends_with_the_tests(str(NGINX), *words, sign=signal.SIGQUIT)) as proxy:
        try:
            until_s = time.monotonic() + 10
            while True:
                try:
                    socket.create_connection(("127.0.0.1", port)).close()
                    break
                except OSError:
                    assert time.monotonic() < until_s
                    assert proxy.poll() is None, (folder / "error.log").read_text()
                    time.sleep(0.02)
            yield
        finally:
            proxy.terminate()


@pytest.fixture
def house(postgres_address: str, tmp_path: Path) -> Iterator[House]:
    with Record.open(postgres_address) as record:
        set_passphrase(record, passphrase=PASSPHRASE)
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    one, other = (Server(postgres_address, tmp_path / f"{name}.log") for name in ("one", "other"))
    with ExitStack() as stack:
        for server in (one, other):
            stack.callback(server.process.wait, 20)
            stack.callback(server.process.kill)
        pem, key = _certificate(tmp_path)
        stack.enter_context(_proxy(tmp_path, _configuration(tmp_path, (one, other), port, pem, key), port))
        yield House((one, other), port, pem, postgres_address)


def _prep(device: httpx.Client, ids: dict[str, str]) -> tuple[str, dict[str, str]]:
    started = device.post(
        "/api/v1/preps", json={"body_ids": [ids["A-01"]], "set_id": ids["Set H"], "who": WHO}
    )
    assert started.status_code == 201, started.text
    at = {"body_id": ids["A-01"], "lens_id": ids["H50"], "distance_text": "3'", "reading_text": "on"}
    return started.json()["id"], {**at, "operator": WHO}


class Line(threading.Thread):
    """A live line of a device through the proxy: what came when, until it ends."""

    def __init__(self, device: httpx.Client, prep_id: str) -> None:
        super().__init__(daemon=True)
        self.device, self.prep_id = device, prep_id
        self.said: list[str] = []
        self.came: list[tuple[float, int]] = []
        self.start()
        _until(lambda: self.came)

    def run(self) -> None:
        with (
            suppress(httpx.TransportError),  # the proxy ends with a test that failed
            self.device.stream("GET", f"/live/preps/{self.prep_id}", timeout=60) as line,
        ):
            for text in line.iter_lines():
                self.said.append(text)
                if text.startswith("data: "):
                    self.came.append((time.monotonic(), json.loads(text[6:])["revision"]))


class Saving(threading.Thread):
    """A reading that is sent to a server itself, beside the proxy."""

    def __init__(self, server: Server, device: httpx.Client, prep_id: str, reading: dict[str, str]) -> None:
        super().__init__(daemon=True)
        self.address = f"http://{server.at}/api/v1/preps/{prep_id}/readings"
        self.cookie, self.reading = _cookie(device), reading
        self.said = ""
        self.start()

    def run(self) -> None:
        answer = httpx.post(self.address, json=self.reading, headers={"cookie": self.cookie}, timeout=60)
        self.said = "201" if answer.status_code == 201 else answer.text


def _cookie(device: httpx.Client) -> str:
    return "; ".join(f"{name}={value}" for name, value in device.cookies.items())


def test_two_servers_behind_the_proxy_of_the_page_are_one_house(house: House) -> None:
    one, other = house.servers
    with Record.open(house.record) as record:
        ids = furnish(record)
    with house.device() as device:
        # https: a page that is not paired leads to the door, and the cookie is for https alone.
        assert device.get("/api/v1/preps").status_code == 401
        assert device.get("/").headers["location"] == "/pair?next=/"
        paired = device.post("/pair", data={"passphrase": PASSPHRASE, "name": "cart"})
        assert (paired.status_code, "; Secure" in paired.headers["set-cookie"]) == (303, True)
        pages = [device.get("/") for _ in range(4)]
        assert [page.status_code for page in pages] == [200] * 4, "both servers know it at once"
        assert "Ctrl-C ends it." in one.said + other.said
        ids_said = [page.headers["x-request-id"] for page in pages]
        assert all(any(made in server.said for made in ids_said) for server in house.servers)
        assert device.post("/preps", headers={"origin": "https://evil.example"}).status_code == 403

        # A second device by the code that the other server's terminal shows.
        with house.device() as second:
            path = one.found(rf" https://{re.escape(NAME)}(/pair/\S+)")
            assert second.post(path, data={"name": "phone"}).status_code == 303
            assert second.post(path, data={"name": "thief"}).status_code == 410

        # A save on either server is an event on a line through the proxy, sooner than by looking.
        prep_id, reading = _prep(device, ids)
        line = Line(device, prep_id)
        page = device.get(f"/preps/{prep_id}")
        assert f"wss://{NAME}:{house.port}" in page.headers["content-security-policy"], "it may film"
        for server in house.servers:
            before, began_s = line.came[-1][1], time.monotonic()
            saving = Saving(server, device, prep_id, reading)
            saving.join(60)
            assert saving.said == "201"
            _until(lambda before=before: line.came[-1][1] > before)
            assert line.came[-1][0] - began_s < POLL_S

        # A web socket passes, and what is sent on it is answered in words.
        with connect(
            f"wss://{NAME}:{house.port}/live/preps/{prep_id}/feed",
            sock=socket.create_connection(("127.0.0.1", house.port)),
            ssl=house.trusting,
            origin=f"https://{NAME}:{house.port}",
            additional_headers={"cookie": _cookie(device)},
        ) as feed:
            feed.send(json.dumps({"pixel_um": 6000}))
            assert "6000 is impossible" in json.loads(feed.recv(10))["refused"]["text"]

        # A balancer asks by address. One server ends: what it was saving is answered, its line says when to
        # come back, and the next requests work.
        health = httpx.get(f"http://{one.at}/healthz", headers={"host": "balancer"})
        assert health.json()["record"] == "ok"
        with psycopg.connect(house.record) as holding:
            holding.execute(f"SELECT pg_advisory_xact_lock({WRITERS_LOCK})")
            saving = Saving(one, device, prep_id, reading)
            _until(lambda: _is_waited_for(holding))
            one.process.send_signal(signal.SIGTERM)
            _until(lambda: not _answers(one.at))
            holding.rollback()
        saving.join(20)
        assert saving.said == "201"
        assert one.process.wait(30) in {0, -signal.SIGTERM}
        for _ in range(4):
            assert device.get(f"/preps/{prep_id}").status_code == 200
        assert device.post(f"/api/v1/preps/{prep_id}/readings", json=reading).status_code == 201
        other.process.send_signal(signal.SIGTERM)
        line.join(30)
        assert re.search(r"retry: \d+", line.said[-2]), line.said[-4:]
    assert not re.search(r"Traceback|/pair/[\w-]{20}.* \d+ ms|name=", one.said + other.said)
    assert "GET /preps/{prep_id} 200" in other.said


def _until(is_so: Callable[[], object]) -> None:
    until_s = time.monotonic() + 30
    while not is_so():
        assert time.monotonic() < until_s
        time.sleep(0.02)


def _is_waited_for(connection: psycopg.Connection) -> bool:
    found = connection.execute("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND NOT granted")
    return bool(found.fetchone()[0])  # type: ignore[index]


def _answers(at: str) -> bool:
    host, _, port = at.partition(":")
    try:
        socket.create_connection((host, int(port)), timeout=1).close()
    except OSError:
        return False
    return True
