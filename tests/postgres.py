"""A PostgreSQL server of the tests' own, in a folder that goes with them; on a socket, not on the network."""

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

import psycopg
import pytest

from child_process import ends_with_the_tests, is_running
from record_template import empty_record

DEBIAN = Path("/usr/lib/postgresql")
PREFIX = "shimwise-pg-"
"""Of a server's folder; the number of the process whose tests it serves follows."""
STARTING_S = 60.0
QUICK = {
    # Nothing of these tests outlives the server, so it need not wait for the disk.
    "fsync": "off",
    "synchronous_commit": "off",
    "full_page_writes": "off",
    "listen_addresses": "",
    "max_connections": "60",
    "shared_buffers": "32MB",
    "autovacuum": "off",
}


def programs() -> Path | None:
    """Find the folder of ``initdb`` and ``pg_ctl``: on the path, or where Debian puts it."""
    found = shutil.which("initdb")
    if found:
        return Path(found).parent
    versions = sorted(DEBIAN.glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    return versions[-1].parent if versions else None


@dataclass
class Server:
    """A server in ``folder``; as root it runs as another user, since it refuses root."""

    programs: Path
    folder: Path
    numbers: Iterator[int] = field(default_factory=count)
    process: "subprocess.Popen[bytes] | None" = None

    @property
    def user(self) -> str | None:
        """Who runs it, when that is someone else."""
        if os.geteuid() != 0:
            return None
        names = {entry.pw_name for entry in pwd.getpwall()}
        return next(name for name in ("postgres", "nobody") if name in names)

    def make(self) -> None:
        """Make its files."""
        if self.user is not None:
            shutil.chown(self.folder, self.user)
        subprocess.run(
            [
                str(self.programs / "initdb"),
                *("-D", str(self.folder / "data"), "-U", "shimwise", "-A", "trust", "-E", "UTF8", "-N"),
            ],
            check=True,
            stdout=subprocess.DEVNULL,
            **self._as_user,
        )

    def start(self) -> None:
        """Start it, and wait until it answers."""
        options = [word for name, value in QUICK.items() for word in ("-c", f"{name}={value}")]
        options += ["-c", f"unix_socket_directories={self.folder}"]
        program = self.programs / "postgres"
        with (self.folder / "log").open("wb") as log:
            self.process = subprocess.Popen(
                # SIGINT is its fast shutdown: whoever is connected is cut off.
                ends_with_the_tests(program, "-D", self.folder / "data", *options, sign=signal.SIGINT),
                stdout=log,
                stderr=subprocess.STDOUT,
                **self._as_user,
            )
        until = time.monotonic() + STARTING_S
        while True:
            try:
                return self.say("SELECT 1")
            except psycopg.OperationalError:
                if self.process.poll() is not None or time.monotonic() > until:
                    raise RuntimeError((self.folder / "log").read_text(encoding="utf-8")) from None
                time.sleep(0.02)

    def stop(self) -> None:
        """Stop it as fast as it can without harm."""
        if self.process is not None:
            self.process.send_signal(signal.SIGINT)
            self.process.wait(STARTING_S)

    def address(self, database: str) -> str:
        """Give the address of a database."""
        return f"postgresql://shimwise@/{database}?host={self.folder}"

    def new_database(self, template: str = "template0") -> str:
        """Make a database, and give its name."""
        name = f"bench_{next(self.numbers)}"
        self.say(f"CREATE DATABASE {name} TEMPLATE {template}")
        return name

    def drop(self, name: str) -> None:
        """Drop a database, whoever is connected."""
        self.say(f"DROP DATABASE {name} WITH (FORCE)")

    def say(self, statement: str) -> None:
        """Run one statement beside all databases of the tests."""
        with psycopg.connect(self.address("postgres"), autocommit=True) as connection:
            connection.execute(statement)  # type: ignore[call-overload]

    @property
    def _as_user(self) -> dict[str, Any]:
        """How a program of the server is started."""
        return {
            "stdin": subprocess.DEVNULL,
            "user": self.user,
            "extra_groups": [] if self.user else None,
            "cwd": "/",
        }


def sweep_folders(parent: Path) -> None:
    """Remove the folders of servers whose tests are gone: those that were killed could not."""
    for folder in parent.glob(f"{PREFIX}*-*"):
        owner = folder.name.removeprefix(PREFIX).partition("-")[0]
        if owner.isdecimal() and not is_running(int(owner)):
            shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    """Start a server for this process's tests; it is stopped, and its files go, at their end."""
    found = programs()
    if found is None:
        pytest.skip("no PostgreSQL server here (Debian: apt-get install postgresql)")
    sweep_folders(Path(tempfile.gettempdir()))
    folder = Path(tempfile.mkdtemp(prefix=f"{PREFIX}{os.getpid()}-"))
    server = Server(programs=found, folder=folder)
    try:
        server.make()
        server.start()
        try:
            yield server
        finally:
            server.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def postgres_template(postgres: Server) -> str:
    """A database with a record's tables, of which each test gets a copy."""
    from shimwise.record import Record

    name = postgres.new_database()
    Record.open(postgres.address(name)).close()
    return name


@pytest.fixture
def postgres_address(postgres: Server, postgres_template: str) -> Iterator[str]:
    """Give the address of an empty record on the server."""
    name = postgres.new_database(postgres_template)
    yield postgres.address(name)
    postgres.drop(name)


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file with a record's tables, of which each test gets a copy."""
    return empty_record(tmp_path_factory.mktemp("template"))


@pytest.fixture(params=["sqlite", "postgresql"])
def record_address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Give where an empty record is: once on SQLite, once on PostgreSQL."""
    if request.param == "sqlite":
        return str(empty_record(tmp_path / "record").parent)
    address: str = request.getfixturevalue("postgres_address")
    return address
