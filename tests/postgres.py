"""A PostgreSQL server of the tests' own, in a folder that goes with them; on a socket, not on the network."""

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

import psycopg
import pytest

from record_template import empty_record

END = 'cat; "$0" -D "$1/data" -w -m fast stop; rm -rf "$1"'
"""Run by a shell: wait for the pipe to close, then stop the server and remove its files."""
DEBIAN = Path("/usr/lib/postgresql")
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
        self._run(
            "initdb", "-D", str(self.folder / "data"), "-U", "shimwise", "-A", "trust", "-E", "UTF8", "-N"
        )

    def start(self) -> None:
        """Start it, and wait until it answers."""
        options = " ".join(f"-c {name}='{value}'" for name, value in QUICK.items())
        options += f" -c unix_socket_directories='{self.folder}'"
        self._run(
            "pg_ctl",
            "-D",
            str(self.folder / "data"),
            "-l",
            str(self.folder / "log"),
            "-w",
            "-o",
            options,
            "start",
        )

    def stop(self) -> None:
        """Stop it as fast as it can without harm."""
        self._run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-m", "fast", "stop")

    def address(self, database: str) -> str:
        """Return the address of a database."""
        return f"postgresql://shimwise@/{database}?host={self.folder}"

    def new_database(self, template: str = "template0") -> str:
        """Make a database; return its name."""
        name = f"bench_{next(self.numbers)}"
        self.execute(f"CREATE DATABASE {name} TEMPLATE {template}")
        return name

    def drop(self, name: str) -> None:
        """Drop a database, whoever is connected."""
        self.execute(f"DROP DATABASE {name} WITH (FORCE)")

    def execute(self, statement: str) -> None:
        """Run one statement beside all databases of the tests."""
        with psycopg.connect(self.address("postgres"), autocommit=True) as connection:
            connection.execute(statement)  # type: ignore[call-overload]

    def _run(self, program: str, *arguments: str) -> None:
        subprocess.run(
            [str(self.programs / program), *arguments],
            check=True,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            user=self.user,
            extra_groups=[] if self.user else None,
            cwd="/",
        )

    @contextmanager
    def ended_with_this_process(self) -> Iterator[None]:
        """Stop the server and remove its files at the end, even if this process is killed.

        A shell of its own session reads a pipe of which this process alone has the other end: the pipe closes
        however the process ends.
        """
        with subprocess.Popen(
            ["/bin/sh", "-c", END, str(self.programs / "pg_ctl"), str(self.folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            user=self.user,
            extra_groups=[] if self.user else None,
            cwd="/",
            start_new_session=True,
        ):
            yield


@contextmanager
def running_server() -> Iterator[Server | None]:
    """Make and start a server, which ends with this process or before; None without its programs."""
    found = programs()
    if found is None:
        yield None
        return
    server = Server(programs=found, folder=Path(tempfile.mkdtemp(prefix="shimwise-pg-")))
    try:
        server.make()
        with server.ended_with_this_process():
            server.start()
            yield server
    finally:
        shutil.rmtree(server.folder, ignore_errors=True)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    """Start a server for this process's tests; it is stopped, and its files go, at their end."""
    with running_server() as server:
        if server is None:
            pytest.skip("no PostgreSQL server here (Debian: apt-get install postgresql)")
        yield server


@pytest.fixture(scope="session")
def postgres_template(postgres: Server) -> str:
    """A database with a record's tables, of which each test gets a copy."""
    from shimwise.record.record import Record

    name = postgres.new_database()
    Record.open(postgres.address(name)).close()
    return name


@pytest.fixture
def postgres_address(postgres: Server, postgres_template: str) -> Iterator[str]:
    """Return the address of an empty record on the server."""
    name = postgres.new_database(postgres_template)
    yield postgres.address(name)
    postgres.drop(name)


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file with a record's tables, of which each test gets a copy."""
    return empty_record(tmp_path_factory.mktemp("template"))


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def record_address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Return where an empty record is: once on SQLite, once on PostgreSQL."""
    if request.param == "sqlite":
        return str(empty_record(tmp_path / "record").parent)
    address: str = request.getfixturevalue("postgres_address")
    return address
