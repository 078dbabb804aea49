"""A server of its own for a measurement: ``shimwise serve`` on SQLite or on a PostgreSQL of its own."""

import contextlib
import os
import pwd
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg

__all__ = ["Served", "has_postgres", "postgres"]

STARTING_S = 60.0
SAYS = "The pages are at "
BEGIN = "import sys; from shimwise.cli import main; main(sys.argv[1:])"


class Served:
    """A running server; killed or stopped by its process id alone.

    Parameters
    ----------
    data : str
        Folder or URL of the record.
    log : Path
        Where it writes what it says.
    options : str
        Further words for ``shimwise serve``.
    """

    def __init__(self, data: str, log: Path, *options: str) -> None:
        self.log = log
        self.began = time.perf_counter()
        with log.open("wb") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-u", "-c", BEGIN, "serve", "--data", data, "--port", "0", *options],
                stdout=out,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
        self.address = self._address()

    def _address(self) -> str:
        until = time.monotonic() + STARTING_S
        while time.monotonic() < until and self.process.poll() is None:
            said = self.log.read_text(encoding="utf-8", errors="replace")
            if SAYS in said and said.partition(SAYS)[2].partition("\n")[1]:
                self.started_s = time.perf_counter() - self.began
                return said.partition(SAYS)[2].split("\n")[0].strip().rstrip("/")
            time.sleep(0.01)
        raise RuntimeError(f"the server did not start: {self.log.read_text(encoding='utf-8')[-2000:]}")

    def kill(self) -> None:
        """End it as a power cut would: SIGKILL, nothing is finished."""
        self.process.kill()
        self.process.wait()

    def stop(self) -> int:
        """Ask it to end; gives its exit code."""
        self.process.send_signal(signal.SIGINT)
        try:
            return self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.kill()
            raise


def has_postgres() -> bool:
    """Tell whether a PostgreSQL server is installed."""
    return shutil.which("initdb") is not None or bool(list(Path("/usr/lib/postgresql").glob("*/bin/initdb")))


@contextlib.contextmanager
def postgres(folder: Path, *, options: str = "") -> Iterator[str]:
    """Start a PostgreSQL server in a folder, give the URL of an empty database, and stop it.

    Its own user has to be able to reach the folder; ``options`` are those of its command line.
    """
    found = shutil.which("initdb")
    programs = Path(found).parent if found else next(Path("/usr/lib/postgresql").glob("*/bin"))
    user = pwd.getpwnam("postgres") if os.getuid() == 0 else None  # the server refuses to be root
    folder.mkdir(mode=0o755)
    if user is not None:
        os.chown(folder, user.pw_uid, user.pw_gid)

    def run(*words: str) -> None:
        subprocess.run(
            [str(programs / words[0]), *words[1:]],
            check=True,
            stdout=subprocess.DEVNULL,
            user=user.pw_uid if user else None,
            group=user.pw_gid if user else None,
            cwd=folder,
        )

    data = str(folder / "data")
    run("initdb", "-D", data, "-U", "shimwise", "-A", "trust", "-E", "UTF8", "--no-locale")
    all_options = f"-c listen_addresses='' -c unix_socket_directories='{folder}' {options}"
    run("pg_ctl", "-D", data, "-w", "-l", str(folder / "log"), "-o", all_options, "start")
    try:
        with psycopg.connect(
            host=str(folder), user="shimwise", dbname="postgres", autocommit=True
        ) as connection:
            connection.execute("CREATE DATABASE bench")
        yield f"postgresql://shimwise@/bench?host={folder}"
    finally:
        run("pg_ctl", "-D", data, "-m", "immediate", "stop")
