"""A truck comes home with 200 preps of 10,000 readings, over https and to PostgreSQL, cut 20 times at random.

``python -m benchmarks.many_machines.sync`` fills a record, serves an empty home from another process (or
starts a server of PostgreSQL), and syncs in processes of their own: once uncut; then against fresh
homes, killed with SIGKILL at random moments until it was cut 20 times in all, and each time once more to its
end. Each home has to hold every prep and every reading once, word for word, agree with itself, and one more
has nothing to do.
"""

import argparse
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from benchmarks.results import write_section  # noqa: E402
from postgres import running_server  # noqa: E402
from shimwise.bench.access.pairing import make_program  # noqa: E402
from shimwise.bench.access.roles import Role  # noqa: E402
from shimwise.bench.exchange import record_admin  # noqa: E402
from shimwise.bench.exchange.sync import sync as run_sync  # noqa: E402
from shimwise.bench.exchange.sync_home import opened_home  # noqa: E402
from shimwise.bench.sign import signing  # noqa: E402
from shimwise.bench.sign.signing import Exempt  # noqa: E402
from shimwise.bench.verdict.verdict import refresh_verdict  # noqa: E402
from shimwise.record.exchange import sync_rows  # noqa: E402
from shimwise.record.queries import evidence, preps, units  # noqa: E402
from shimwise.record.record import Record  # noqa: E402
from shimwise.record.tables.rows import BodyRow, LensRow, PrepRow, ReadingRow, SetupRow  # noqa: E402

PREPS, EACH, SIGNED, CUTS = 200, 50, 10, 20
CUTS_A_HOME = 4
SEED = 15
WHO = "N. Tester"
NOW = datetime(2026, 1, 5, 9, tzinfo=UTC)
BODIES, LENSES = 10, 30
PORT = 8493


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One home: seconds of the uncut sync, seconds of one with nothing to do, cuts that fell within."""

    home: str
    uncut_s: float
    cpu_s: float
    empty_s: float
    cuts: int
    preps_at_cuts: tuple[int, ...]
    preps: int
    readings: int


def fill(folder: Path, *, prep_count: int) -> None:
    """Fill a record as a truck has it: preps of one body and three lenses, some of them signed."""
    chance = random.Random(SEED)
    with Record.open(folder) as record:
        with record.writing(who=WHO) as change:
            bodies = [
                units.add_unit(change, BodyRow(id=_id(chance), name=f"A-{i:02d}", mount="PL"))
                for i in range(BODIES)
            ]
            lenses = [
                units.add_unit(
                    change,
                    LensRow(
                        id=_id(chance),
                        name=f"H{i:02d}",
                        mount="PL",
                        focal_lengths_mm=(25.0 + i,),
                        fnumber=2.0,
                    ),
                )
                for i in range(LENSES)
            ]
        made = []
        for number in range(prep_count):
            body, used = chance.choice(bodies), chance.sample(lenses, 3)
            with record.writing(who=WHO) as change:
                prep = PrepRow(
                    id=_id(chance),
                    title=f"job {number:03d}",
                    started_at=NOW + timedelta(hours=number),
                    started_by=WHO,
                    body_ids=(body.id,),
                    lens_ids=tuple(lens.id for lens in used),
                )
                preps.add_prep(change, prep)
                setup = SetupRow(
                    id=_id(chance),
                    prep_id=prep.id,
                    body_id=body.id,
                    name="near",
                    distance_mm=1828.8,
                    distance_text="6'",
                    taped_by=WHO,
                    taped_at=prep.started_at,
                )
                evidence.add_setup(change, setup)
                for place in range(EACH):
                    evidence.add_reading(change, _reading(chance, prep, setup, used[place % 3], place))
            made.append(prep.id)
        for prep_id in made[: SIGNED * prep_count // PREPS]:
            refresh_verdict(record, prep_id)
            excepted = {unit.unit_id: Exempt("a benchmark") for unit in signing.undecided(record, prep_id)}
            signing.sign(record, prep_id, who=WHO, exceptions=excepted)


def _reading(chance: random.Random, prep: PrepRow, setup: SetupRow, lens: LensRow, place: int) -> ReadingRow:
    reading_mm = 1828.8 + chance.gauss(0.0, 6.0)
    return ReadingRow(
        id=_id(chance),
        prep_id=prep.id,
        setup_id=setup.id,
        body_id=setup.body_id,
        lens_id=lens.id,
        focal_mm=lens.focal_lengths_mm[0],
        fnumber=2.0,
        reading_mm=reading_mm,
        reading_text=f"{reading_mm:.0f} mm",
        operator=WHO,
        taken_at=prep.started_at + timedelta(seconds=place),
    )


def _id(chance: random.Random) -> str:
    return f"{chance.getrandbits(128):032x}"


@contextmanager
def https_home(folder: Path) -> Iterator[tuple[str, Mapping[str, Path], Path]]:
    """Serve an empty record over https from a process of its own; yield its address, options and place."""
    place = folder / "house"
    with Record.open(place) as record:
        _, token = make_program(record, name="truck", who=WHO, role=Role.LEAD)
    (folder / "token").write_text(token)
    (folder / "passphrase").write_text("heron over the third bay")
    _certificate(folder)
    command = [
        "serve", "--data", str(place), "--host", "0.0.0.0", "--port", str(PORT),
        "--certificate", str(folder / "cert.pem"), "--key", str(folder / "key.pem"),
        "--passphrase-file", str(folder / "passphrase"),
    ]  # fmt: skip
    with (folder / "served.log").open("w") as log, subprocess.Popen(
        [sys.executable, "-m", "shimwise", *command], stdout=log, stderr=log
    ) as served:  # fmt: skip
        try:
            _until_served(folder, served)
            options = {"certificate": folder / "cert.pem", "token": folder / "token"}
            yield f"https://localhost:{PORT}", options, place
        finally:
            served.terminate()
            served.wait(30)


def _until_served(folder: Path, served: "subprocess.Popen[bytes]") -> None:
    import ssl
    import urllib.request

    context = ssl.create_default_context(cafile=str(folder / "cert.pem"))
    for _ in range(120):
        try:
            urllib.request.urlopen(f"https://localhost:{PORT}/pair", context=context, timeout=2).close()
        except OSError:
            if served.poll() is not None:
                break
            time.sleep(0.5)
        else:
            return
    raise RuntimeError((folder / "served.log").read_text())


def _certificate(folder: Path) -> None:
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
         "-keyout", str(folder / "key.pem"), "-out", str(folder / "cert.pem"), "-days", "2",
         "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"],
        check=True, capture_output=True,
    )  # fmt: skip


@contextmanager
def postgresql_home(_folder: Path) -> Iterator[tuple[str, Mapping[str, Path], str]]:
    """Start a server of PostgreSQL with an empty record; yield its address, options and place."""
    with running_server() as server:
        if server is None:
            raise RuntimeError("no PostgreSQL is installed here")
        address = server.address(server.new_database())
        Record.open(address).close()
        yield address, {}, address


def sync(
    truck: Path, address: str, options: Mapping[str, Path], *, cut_after_s: float | None = None
) -> dict[str, object] | None:
    """Sync in a process of its own, forked from this one; return what it said, or None if it was killed."""
    reads, writes = os.pipe()
    child = os.fork()
    if not child:
        with os.fdopen(writes, "w") as said:
            json.dump(_synced(truck, address, options), said)
        os._exit(0)
    os.close(writes)
    if cut_after_s is not None:
        time.sleep(cut_after_s)
        os.kill(child, signal.SIGKILL)
    with os.fdopen(reads) as said:
        text = said.read()
    os.waitpid(child, 0)
    found: dict[str, object] | None = json.loads(text) if text else None
    if found is None and cut_after_s is None:
        raise RuntimeError("the sync ended without a word")
    return found


def _synced(truck: Path, address: str, options: Mapping[str, Path]) -> dict[str, object]:
    with (
        Record.open(truck) as record,
        opened_home(
            address,
            own=record,
            acting=lambda _: WHO,
            name=WHO,
            machine="truck",
            token=options["token"].read_text() if options else "",
            certificate=options.get("certificate"),
        ) as home,
    ):
        found = run_sync(record, home, who=WHO, address=address, machine="truck")
    return {"done": len(found.done), "waiting": [one.reason or one.cause for one in found.waiting]}


def held(place: object) -> dict[str, tuple[str, int]]:
    """Return the digest and the number of readings of each prep of a record."""
    with Record.open(place) as record, record.reading() as connection:  # type: ignore[arg-type]
        entries = list(sync_rows.prep_entries(connection, {}, has_all=True))
        return {one.id: (one.digest, len(evidence.readings(connection, one.id))) for one in entries}


def measure(home: str, made: object, filled: Path, *, cuts: int) -> Measured:
    """Measure one kind of home."""
    chance = random.Random(SEED)
    at_cuts: list[int] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        wanted = held(filled)
        with made(_made(folder / "uncut")) as (address, options, _):  # type: ignore[operator]
            truck = _copied(filled, folder / "uncut")
            began_s, cpu_s = time.perf_counter(), _children_s()
            done = sync(truck, address, options)
            uncut_s = time.perf_counter() - began_s
            cpu_s = _children_s() - cpu_s
            assert done is not None
            assert not done["waiting"], done["waiting"]
            began_s = time.perf_counter()
            again = sync(truck, address, options)
            empty_s = time.perf_counter() - began_s
            assert again is not None
            assert again["done"] == 0, again
        homes = 0
        while len(at_cuts) < cuts:  # home has all of it after some cuts: then a truck drives to another home
            homes += 1
            with made(_made(folder / f"cut-{homes}")) as (address, options, place):
                truck = _copied(filled, folder / f"cut-{homes}")
                while len(at_cuts) < cuts:
                    after_s = empty_s + chance.random() * uncut_s / CUTS_A_HOME
                    if sync(truck, address, options, cut_after_s=after_s) is not None:
                        break
                    at_cuts.append(len(held(place)))
                last = sync(truck, address, options)
                assert last is not None
                assert not last["waiting"], last["waiting"]
                again = sync(truck, address, options)
                assert again is not None
                assert again["done"] == 0, again
                found = held(place)
                assert found == wanted, "home has something else than the truck"
                with Record.open(place) as record:
                    assert record_admin.check(record) == ()
    return Measured(
        home=home,
        uncut_s=uncut_s,
        cpu_s=cpu_s,
        empty_s=empty_s,
        cuts=len(at_cuts),
        preps_at_cuts=tuple(at_cuts),
        preps=len(found),
        readings=sum(count for _, count in found.values()),
    )


def _children_s() -> float:
    """Return the processor time of the commands that have ended. [s]"""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def _copied(filled: Path, folder: Path) -> Path:
    shutil.copytree(filled, folder / "truck")
    return folder / "truck"


def main() -> None:
    """Measure both kinds of home, and keep the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--preps", type=int, default=PREPS)
    parser.add_argument("--cuts", type=int, default=CUTS)
    parser.add_argument("--only", choices=["https", "postgresql"])
    arguments = parser.parse_args()
    homes = {"https": https_home, "postgresql": postgresql_home}
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        os.environ["SHIMWISE_KEYS"] = str(folder / "keys")
        filled = folder / "filled"
        fill(filled, prep_count=arguments.preps)
        for name, home in homes.items():
            if arguments.only in (None, name):
                load = os.getloadavg()[0]
                found = measure(name, home, filled, cuts=arguments.cuts)
                is_kept = (arguments.preps, arguments.cuts) == (PREPS, CUTS)
                lines = lines_of(found, signed=SIGNED * arguments.preps // PREPS, load=load)
                if is_kept:
                    write_section(f"A truck comes home: {name}", str(SEED), lines)
                else:
                    print("\n".join(lines))


def lines_of(found: Measured, *, signed: int, load: float) -> list[str]:
    """Return the section of one kind of home."""
    at_cuts = ", ".join(map(str, found.preps_at_cuts))
    return [
        f"{found.preps} preps with {found.readings} readings, {signed} of them signed, all new to home. "
        "One sync from its start to its end in a process of its own, also killed by SIGKILL at random, "
        "then run to its end and compared with the truck word for word.",
        "",
        "| what | measured |",
        "|---|---|",
        f"| uncut, s (≤ 30) | {found.uncut_s:.1f} |",
        f"| CPU of the command meanwhile, s | {found.cpu_s:.1f} |",
        f"| a sync with nothing to do, s | {found.empty_s:.1f} |",
        f"| killed while it worked | {found.cuts} × |",
        f"| preps at home at each kill | {at_cuts} |",
        "| preps or readings missing, double or changed at the end | 0 |",
        "",
        f"Load of the machine when it began {load:.1f}, at its end {os.getloadavg()[0]:.1f}; other work ran.",
    ]


if __name__ == "__main__":
    main()
