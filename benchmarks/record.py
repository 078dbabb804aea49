"""A record of a large house: are its lists and a prep's page still quick, and do they use the indexes?

``python -m benchmarks.record`` builds an invented record of 100,000 preps with 100 readings each (some 7 GB,
removed afterwards) on SQLite, copies it to a PostgreSQL of its own, asks both what pages ask, and keeps the
times, which queries walk a table from end to end, and how long a reading takes to save.
"""

import argparse
import os
import random
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
from psycopg import sql
from sqlalchemy import Boolean, Connection, event, text

from benchmarks.results import write_section
from benchmarks.web.served import has_postgres, postgres
from shimwise.record import journal
from shimwise.record.queries import evidence, preps, units, verdicts
from shimwise.record.record import Record
from shimwise.record.tables import schema
from shimwise.record.tables.columns import PackedJson
from shimwise.record.tables.rows import BodyRow, LensRow, ReadingRow

BODIES, LENSES, SETUPS = 60, 400, 3
LENSES_A_PREP = 10
BEGAN = datetime(2015, 1, 1, 8, tzinfo=UTC)
AT_ONCE = 20_000
SERVER = "-c wal_level=minimal -c max_wal_senders=0 -c max_wal_size=4GB -c shared_buffers=1GB"
"""Options of the PostgreSQL that is measured: rows that come by COPY are not logged twice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What asking one thing many times took, and the steps of its queries."""

    name: str
    p50_ms: float
    p95_ms: float
    scans: tuple[str, ...]


def build(path: Path, *, prep_count: int, readings_a_prep: int, seed: int = 1) -> None:
    """Fill the empty record in ``path`` with an invented house."""
    rng = random.Random(seed)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for pragma in ("synchronous=OFF", "cache_size=-2000000", "wal_autocheckpoint=100000"):
            connection.execute(f"PRAGMA {pragma}")
        _units(connection)
        for start in range(0, prep_count, AT_ONCE // 100):
            connection.execute("BEGIN")
            for number in range(start, min(prep_count, start + AT_ONCE // 100)):
                _prep(connection, rng, number, readings_a_prep)
            connection.execute("COMMIT")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("PRAGMA optimize")


def _units(connection: sqlite3.Connection) -> None:
    for number in range(BODIES):
        connection.execute(
            "INSERT INTO bodies (id, name, name_key, serial, mount, epoch, note, is_retired)"
            " VALUES (?, ?, ?, ?, 'Invented', 0, '', 0)",
            (f"body-{number}", f"Body {number:03}", f"body {number:03}", f"B{number:05}"),
        )
    for number in range(LENSES):
        connection.execute(
            "INSERT INTO lenses (id, name, name_key, serial, mount, focal_lengths_mm, fnumber,"
            " focus_design, squeeze, by_distance, scale_unit, epoch, note, is_retired)"
            " VALUES (?, ?, ?, ?, 'Invented', '[50.0]', 2.0, '',"
            " 1.0, '[]', 'ft', 0, '', 0)",
            (f"lens-{number}", f"Lens {number:03}", f"lens {number:03}", f"L{number:05}"),
        )


def _prep(connection: sqlite3.Connection, rng: random.Random, number: int, readings: int) -> None:
    prep, at = f"prep-{number:07}", BEGAN + timedelta(minutes=50 * number)
    when = at.strftime("%Y-%m-%d %H:%M:%S.%f")
    state = "open" if rng.random() < 0.01 else "done"
    body, first = f"body-{rng.randrange(BODIES)}", rng.randrange(LENSES)
    lenses = [f"lens-{(first + step) % LENSES}" for step in range(LENSES_A_PREP)]
    title = f"Invented job {number:07}"
    connection.execute(
        "INSERT INTO preps (id, title, title_key, started_at, started_by, state, closed_by,"
        " note, revision, reading_count) VALUES (?, ?, ?, ?, 'Ann', ?, '', '', ?, ?)",
        (prep, title, title.lower(), when, state, readings, readings),
    )
    connection.execute("INSERT INTO prep_bodies VALUES (?, 0, ?)", (prep, body))
    connection.executemany(
        "INSERT INTO prep_lenses VALUES (?, ?, ?)", [(prep, place, lens) for place, lens in enumerate(lenses)]
    )
    connection.executemany(
        "INSERT INTO setups VALUES (?, ?, ?, ?, 1828.8, '6 ft', '', 'Ann', ?)",
        [(f"{prep}-{place}", prep, body, f"chart {place}", when) for place in range(SETUPS)],
    )
    connection.executemany(
        "INSERT INTO readings (id, prep_id, seq, setup_id, body_id, lens_id, body_epoch, lens_epoch,"
        " focal_mm, fnumber, axis, reading_mm, reading_text, operator, stop, at_text, note,"
        " taken_at, withdrawn_by, withdrawn_reason)"
        " VALUES (?, ?, ?, ?, ?, ?, 0, 0, 50.0, 2.0, '', ?, '5 ft 11 3/8', 'Ann', '', '', '', ?, '', '')",
        [
            (
                f"{rng.getrandbits(128):032x}",
                prep,
                seq,
                f"{prep}-{seq % SETUPS}",
                body,
                lenses[seq % LENSES_A_PREP],
                1800.0 + rng.random() * 50,
                when,
            )
            for seq in range(1, readings + 1)
        ],
    )
    connection.executemany(
        "INSERT INTO journal (seq, at, who, what, prep_id, detail)"
        " VALUES (?, ?, 'Ann', 'reading added', ?, '{}')",
        [(number * readings + seq, when, prep) for seq in range(1, readings + 1)],
    )
    _verdict(connection, rng, prep, when, body, lenses, readings)


def _verdict(
    connection: sqlite3.Connection,
    rng: random.Random,
    prep: str,
    when: str,
    body: str,
    lenses: list[str],
    revision: int,
) -> None:
    line = {"error_um": rng.gauss(0, 8), "sd_um": 3.0, "low_um": -6.0, "high_um": 6.0, "p_out": 0.1}
    document = {"schema": "shimwise.verdict/1", "bodies": [{"name": body, "verdict": "in_tolerance", **line}]}
    packed = PackedJson().process_bind_param(document, None)  # type: ignore[arg-type]
    connection.execute(
        "INSERT INTO verdicts VALUES (?, ?, ?, ?, '0', ?, 'All are in tolerance.')",
        (f"verdict-{prep}", prep, revision, when, packed),
    )
    connection.executemany(
        "INSERT INTO unit_lines (id, prep_id, body_id, lens_id, epoch, given_at, error_um,"
        " sd_um, low_um, high_um, p_out, verdict)"
        " VALUES (?, ?, ?, ?, 0, ?, ?, 3.0, -6.0, 6.0, 0.1, 'in_tolerance')",
        [
            (f"{prep}-{unit}", prep, *((unit, None) if unit == body else (None, unit)), when, rng.gauss(0, 8))
            for unit in (body, *lenses)
        ],
    )


def questions(*, prep_count: int) -> dict[str, Callable[[Connection, random.Random], object]]:
    """Give what pages ask, by name."""

    def prep_id(rng: random.Random) -> str:
        return f"prep-{rng.randrange(prep_count):07}"

    def page(connection: Connection, rng: random.Random) -> object:
        wanted = prep_id(rng)
        prep = preps.prep(connection, wanted)
        return (
            units.units_by_id(connection, BodyRow, prep.body_ids),
            units.units_by_id(connection, LensRow, prep.lens_ids),
            evidence.setups(connection, wanted),
            evidence.readings(connection, wanted),
            evidence.gauges(connection, wanted),
            evidence.sweeps(connection, wanted),
            verdicts.latest_verdict(connection, wanted),
        )

    def one_unit(rng: random.Random) -> str:
        return f"body-{rng.randrange(BODIES)}" if rng.random() < 0.5 else f"lens-{rng.randrange(LENSES)}"

    return {
        "preps: first page": lambda c, _: preps.prep_lines(c),
        "preps: open": lambda c, _: preps.prep_lines(c, state="open"),
        "preps: a page far back": lambda c, rng: preps.prep_lines(c, before=prep_id(rng)),
        "preps: search by title": lambda c, rng: preps.prep_lines(c, search=f"job {prep_id(rng)[5:]}"),
        "preps: search by a unit": lambda c, rng: preps.prep_lines(
            c, search=f"Lens {rng.randrange(LENSES):03}"
        ),
        "preps: search for nothing": lambda c, _: preps.prep_lines(c, search="no such words"),
        "a prep: all its rows": page,
        "a unit: its preps": lambda c, rng: preps.unit_preps(c, one_unit(rng)),
        "a unit: its past": lambda c, rng: verdicts.unit_past(c, one_unit(rng)),
        "a signed prep: was it taken in": lambda c, _: journal.taken_in(c),
        "lenses: page with their latest": lambda c, _: verdicts.unit_latest(
            c, [row.id for row in units.units(c, LensRow, limit=100)]
        ),
    }


def measure(record: Record, *, prep_count: int, times: int, seed: int = 2) -> Iterator[Measured]:
    """Ask each question ``times`` times, each time anew."""
    for name, ask in questions(prep_count=prep_count).items():
        rng = random.Random(seed)
        scans = tuple(sorted(set(_scans(record, ask, rng))))
        took = []
        for _ in range(times):
            began = time.perf_counter()
            with record.reading() as connection:
                ask(connection, rng)
            took.append((time.perf_counter() - began) * 1e3)
        yield Measured(name=name, p50_ms=statistics.median(took), p95_ms=_share(took, 0.95), scans=scans)


def _scans(
    record: Record, ask: Callable[[Connection, random.Random], object], rng: random.Random
) -> list[str]:
    """List the steps that walk a table or an index from end to end, of all queries of a question."""
    said: list[tuple[str, object]] = []

    def hear(_conn: object, _cursor: object, statement: str, parameters: object, *_: object) -> None:
        said.append((statement, parameters))

    event.listen(record.engine, "before_cursor_execute", hear)
    with record.reading() as connection:
        ask(connection, rng)
    event.remove(record.engine, "before_cursor_execute", hear)
    found = []
    if record.location.path is None:
        return list(_server_scans(record, said))
    with record.reading() as connection:
        for statement, parameters in said:
            if statement.startswith("SELECT"):
                steps = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)  # type: ignore[arg-type]
                found += [step[3] for step in steps if step[3].startswith("SCAN")]
    return [step for step in found if "CONSTANT" not in step and "subquery" not in step]


def _server_scans(record: Record, said: list[tuple[str, object]]) -> Iterator[str]:
    with record.reading() as connection:
        for statement, parameters in said:
            if statement.startswith("SELECT") and "pg_catalog" not in statement:
                plan = connection.exec_driver_sql(f"EXPLAIN {statement}", parameters)  # type: ignore[arg-type]
                for (step,) in plan:
                    if "Seq Scan" in step:
                        yield step.strip("-> ").partition("  (")[0]


def save_readings(record: Record, *, prep_count: int, times: int) -> tuple[float, float]:
    """Save readings one by one; gives p50 and p99. [ms]"""
    rng, took = random.Random(3), []
    for _ in range(times):
        prep = f"prep-{rng.randrange(prep_count):07}"
        with record.reading() as connection:
            last = evidence.readings(connection, prep)[-1]
        row = ReadingRow(
            id=f"{rng.getrandbits(128):032x}",
            prep_id=prep,
            setup_id=last.setup_id,
            body_id=last.body_id,
            lens_id=last.lens_id,
            focal_mm=50.0,
            fnumber=2.0,
            reading_mm=1813.0,
            reading_text="5' 11 3/8\"",
            operator="Ann",
            taken_at=datetime.now(UTC),
        )
        began = time.perf_counter()
        with record.writing(who="Ann") as change:
            evidence.add_reading(change, row)
        took.append((time.perf_counter() - began) * 1e3)
    return statistics.median(took), _share(took, 0.99)


def _share(values: list[float], share: float) -> float:
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


def copy_to_server(path: Path, url: str) -> None:
    """Copy a record's file into the empty record of a server: by COPY, its indexes made afterwards."""
    with (
        closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as file,
        psycopg.connect(url, autocommit=True) as server,
    ):
        server.execute("SET session_replication_role = replica")  # the rows point to each other already
        server.execute("SET maintenance_work_mem = '1GB'")
        server.execute("SET timezone = 'UTC'")
        made = server.execute(
            "SELECT indexname, indexdef FROM pg_indexes WHERE schemaname = 'public' AND indexname LIKE 'ix_%'"
        ).fetchall()
        for name, _ in made:
            server.execute(sql.SQL("DROP INDEX {}").format(sql.Identifier(name)))
        for table in schema.ORDER:
            names = [column.name for column in table.columns]
            flags = [place for place, one in enumerate(table.columns) if isinstance(one.type, Boolean)]
            wanted = ", ".join(f'"{name}"' for name in names)
            rows = file.execute(f'SELECT {wanted} FROM "{table.name}"')
            with server.transaction():
                server.execute(sql.SQL("TRUNCATE {} CASCADE").format(sql.Identifier(table.name)))
                with server.cursor().copy(f'COPY "{table.name}" ({wanted}) FROM STDIN') as copy:
                    for row in rows:
                        copy.write_row([bool(one) if at in flags else one for at, one in enumerate(row)])
        for _, statement in made:
            server.execute(statement)
        server.execute("VACUUM ANALYZE")


def table_of(record: Record, *, prep_count: int, times: int) -> Iterator[str]:
    """Measure a record; yield the lines of its table."""
    yield "| what a page asks | p50, ms | p95, ms | walks from end to end |"
    yield "|---|---|---|---|"
    for one in measure(record, prep_count=prep_count, times=times):
        walks = "; ".join(one.scans) or "none"
        yield f"| {one.name} | {one.p50_ms:.1f} | **{one.p95_ms:.1f}** | {walks} |"
    p50_ms, p99_ms = save_readings(record, prep_count=prep_count, times=times)
    yield ""
    yield f"A reading saved alone: p50 {p50_ms:.1f} ms, p99 {p99_ms:.1f} ms."


def main() -> None:
    """Build, measure, keep the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--preps", type=int, default=100_000)
    parser.add_argument("--readings", type=int, default=100, help="of each prep")
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--folder", default=None, help="where the record is built")
    parser.add_argument(
        "--file", default=None, help="a record that was built before; it is measured as it is"
    )
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder, prefix="shimwise-record-") as folder:
        Path(folder).chmod(0o755)  # the server's own user has to reach its place in it
        path = Path(asked.file or Path(folder) / "shimwise.sqlite")
        Record.open(path).close()
        began = time.perf_counter()
        if not asked.file:
            build(path, prep_count=asked.preps, readings_a_prep=asked.readings)
        size_gb, built_s = path.stat().st_size / 1e9, time.perf_counter() - began
        asking = {"prep_count": asked.preps, "times": asked.times}
        with Record.open(path) as record:
            with record.reading() as connection:
                count = connection.execute(text("SELECT count(*) FROM readings")).scalar_one()
            print(f"SQLite: {count} readings, {size_gb:.2f} GB, built in {built_s:.0f} s", flush=True)
            lines = [f"On SQLite ({size_gb:.1f} GB):", "", *table_of(record, **asking)]
            print("\n".join(lines), flush=True)
        if has_postgres():
            began = time.perf_counter()
            with postgres(Path(folder) / "postgres", options=SERVER) as url:
                Record.open(url).close()
                copy_to_server(path, url)
                copied_s = time.perf_counter() - began
                with Record.open(url) as record:
                    with record.reading() as connection:
                        size = connection.execute(text("SELECT pg_database_size(current_database())"))
                        size_gb = size.scalar_one() / 1e9
                    print(f"PostgreSQL: {size_gb:.2f} GB, copied in {copied_s:.0f} s", flush=True)
                    lines += ["", f"On PostgreSQL ({size_gb:.1f} GB, as installed but for {SERVER!r}):", ""]
                    lines += table_of(record, **asking)
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    lines += ["", f"Goal: p95 ≤ 200 ms on both. Other work on the machine: load {load:.0f} at the end."]
    write_section(f"A record of {asked.preps} preps with {asked.readings} readings each", "1, 2, 3", lines)


if __name__ == "__main__":
    main()
