"""``python -m benchmarks.web``: the pages under load, killed, opened cold. ``--quick`` takes a tenth."""

import argparse
import asyncio
import contextlib
import os
import statistics
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import benchmarks.results
from benchmarks.results import write_section
from benchmarks.web.crowded import LENSES, fill_crowded, use_crowded
from benchmarks.web.crowded import READINGS as CROWDED_READINGS
from benchmarks.web.film import FILMING, film_lines
from benchmarks.web.first_page import installed_browser, open_cold
from benchmarks.web.jobs_killed import SEED as JOB_SEED
from benchmarks.web.jobs_killed import job_lines, run_job_kills
from benchmarks.web.killed import SEED, run_kills
from benchmarks.web.limits import a_sheet, idle_crowd, verify_burst
from benchmarks.web.load import CLIENTS, LoadRun, RefreshRun, percentile, refresh_after, run_load
from benchmarks.web.load import SEED as LOAD_SEED
from benchmarks.web.served import Served, has_postgres, postgres

EACH = 60
KILLS = 50
JOB_KILLS = 20
REFRESHES = 10
READINGS = 60
FILMED_S = 40.0
OPENED = 5
IDLE, IDLE_S = 1100, 60.0
SHEETS = 45
CROWDED = 10
PACE_S = 1.0
Keep = Callable[[str, str, list[str]], None]


def main() -> None:
    """Run all of it, or the parts named, and keep the tables."""
    benchmarks.results.RESULTS = Path(__file__).parent / "RESULTS.md"
    parts = {"load": load, "verdict": verdict, "kill": kill, "first": first, "crowded": crowded}
    parts |= {"jobs": job_kills, "idle": idle, "verify": verify, "film": filming}
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", choices=[*parts, []], help="parts to run; all when none is named")
    parser.add_argument("--quick", action="store_true", help="a tenth of it; the tables are not kept")
    arguments = parser.parse_args()
    for name in arguments.parts or parts:
        parts[name](
            10 if arguments.quick else 1, with_load(print_section if arguments.quick else write_section)
        )


def print_section(title: str, _: str, lines: list[str]) -> None:
    """Print a section that is not kept."""
    print("\n".join([f"## {title}", "", *lines, ""]))


def with_load(keep: Keep) -> Keep:
    """Say beside a table how busy the machine was with other work when it was begun."""
    before = os.getloadavg()[0]

    def kept(title: str, seed: str, lines: list[str]) -> None:
        keep(title, seed, [*lines, "", f"Other work on the machine when this began: load {before:.1f}."])

    return kept


@contextlib.contextmanager
def folder() -> Iterator[Path]:
    """A folder that a database server under another name can reach."""
    with tempfile.TemporaryDirectory(prefix="shimwise-web-") as name:
        Path(name).chmod(0o755)
        yield Path(name)


def load(share: int, keep: Keep) -> None:
    """Twenty clients at once, on both kinds of record."""
    each = max(2, EACH // share)
    with folder() as place:
        runs = {"SQLite": _loads(str(place / "record"), place, each)}
        if has_postgres():
            with postgres(place / "postgres") as url:
                runs["PostgreSQL"] = _loads(url, place, each)
    lines = [
        f"{CLIENTS} clients, each on its own line and prep, {each} readings each; the judge runs beside it. "
        "Clients and server share the machine.",
        "",
        "| record | how they send | p50, ms | p99, ms | longest, ms | readings/s | lost | double | refused |",
        "|---|---|---|---|---|---|---|---|---|",
        *(_load_line(record, how, run) for record, both in runs.items() for how, run in both.items()),
        "",
        "Goal: p99 ≤ 60 ms on SQLite, none lost, none double.",
    ]
    keep("Twenty clients add readings at once", str(LOAD_SEED), lines)


def _loads(data: str, place: Path, each: int) -> dict[str, LoadRun]:
    server = Served(data, place / "server.log")
    try:
        asyncio.run(run_load(server.address, each=3, pace_s=None, name="warm"))
        return {
            "each once a second, at moments of its own": asyncio.run(
                run_load(server.address, each=max(6, each // 2), pace_s=PACE_S, name="own")
            ),
            "all at the same instant, once a second": asyncio.run(
                run_load(server.address, each=max(4, each // 3), pace_s=PACE_S, name="pace", is_together=True)
            ),
            "each again as soon as answered": asyncio.run(
                run_load(server.address, each=each, pace_s=None, name="rush")
            ),
        }
    finally:
        server.stop()


def _load_line(record: str, how: str, run: LoadRun) -> str:
    return (
        f"| {record} | {how} | {percentile(run.waits_ms, 0.5):.0f} | "
        f"**{percentile(run.waits_ms, 0.99):.0f}** | {max(run.waits_ms):.0f} | "
        f"{run.each_s:.0f} | {run.lost} | {run.double} | {run.refused} |"
    )


def verdict(share: int, keep: Keep) -> None:
    """The verdict after a reading in a prep of sixty."""
    with folder() as place:
        server = Served(str(place / "record"), place / "server.log")
        try:
            times = max(2, REFRESHES // share)
            run: RefreshRun = asyncio.run(refresh_after(server.address, count=READINGS, times=times))
        finally:
            server.stop()
    keep(
        f"The verdict after a reading in a prep of {READINGS}",
        "none",
        [
            f"- from sending the reading to the verdict that holds it: median "
            f"**{statistics.median(run.waits_s):.2f} s**, longest {max(run.waits_s):.2f} s of "
            f"{len(run.waits_s)} (goal ≤ 1 s)",
            f"- the prep's page meanwhile: median {statistics.median(run.pages_ms):.0f} ms, longest "
            f"{max(run.pages_ms):.0f} ms of {len(run.pages_ms)} asked one after the other",
        ],
    )


def kill(share: int, keep: Keep) -> None:
    """``kill -9`` at random moments."""
    with folder() as place:
        run = run_kills(str(place / "record"), place, kills=KILLS // share)
    keep(
        "kill -9 of the server while twenty clients write",
        str(SEED),
        [
            f"- {run.kills} kills at random moments; {run.answered} readings were answered, "
            f"{run.cut_off} cut off",
            f"- answered and missing after the restart: **{run.missing}**; "
            f"with another content: **{run.changed}**",
            f"- cut off, sent again with the same id: missing {run.resent_twice}, double **{run.double}**",
            f"- `shimwise check` clean: **{run.checks_clean} of {run.kills}**",
            f"- until the server answers after a start: median {statistics.median(run.restart_s):.1f} s, "
            f"longest {max(run.restart_s):.1f} s",
            *(f"- found: {finding}" for finding in run.findings[:10]),
        ],
    )


def job_kills(share: int, keep: Keep) -> None:
    """``kill -9`` of one of two servers while sweeps wait."""
    if not has_postgres():
        print("There is no PostgreSQL: two servers are not measured.")
        return
    with folder() as place, postgres(place / "pg") as data:
        run = run_job_kills(data, place, kills=max(2, JOB_KILLS // share))
    keep("kill -9 of one of two servers: each job finished once", str(JOB_SEED), job_lines(run))


def first(share: int, keep: Keep) -> None:
    """The first page in a cold browser."""
    if installed_browser() is None:
        print("There is no Chromium: the first page is not measured.")
        return
    with folder() as place:
        filling = Served(str(place / "record"), place / "server.log", "--demo", "--end-without-terminal")
        filling.process.wait()
        server = Served(str(place / "record"), place / "server.log")
        try:
            pages = open_cold(f"{server.address}/", times=max(2, OPENED // share))
        finally:
            server.stop()
    keep(
        "The first page in a cold browser",
        "none",
        [
            f"- all there: median **{statistics.median(p.loaded_s for p in pages):.2f} s**, longest "
            f"{max(p.loaded_s for p in pages):.2f} s of {len(pages)} (goal ≤ 1 s)",
            f"- first drawn: median {statistics.median(p.painted_s for p in pages):.2f} s",
            f"- came over the line: **{max(p.came_bytes for p in pages) / 1024:.0f} KB** in "
            f"{max(p.requests for p in pages)} answers (goal ≤ 500 KB)",
        ],
    )


def crowded(share: int, keep: Keep) -> None:
    """A prep of sixty lenses and 300 readings in a browser."""
    if installed_browser() is None:
        print("There is no Chromium: the crowded prep is not measured.")
        return
    lines = [
        "| device | page until its content is there, ms | longest | save until it is shown, ms | longest |"
    ]
    lines.append("|---|---|---|---|---|")
    with folder() as place:
        server = Served(str(place / "record"), place / "server.log")
        try:
            path = fill_crowded(server.address)
            for device in ("tablet", "phone"):
                seen = use_crowded(
                    server.address, path, is_phone=device == "phone", times=max(3, CROWDED // share)
                )
                lines.append(
                    f"| {device} | **{statistics.median(seen.opened_ms):.0f}** | {max(seen.opened_ms):.0f} | "
                    f"**{statistics.median(seen.saved_ms):.0f}** | {max(seen.saved_ms):.0f} |"
                )
        finally:
            server.stop()
    keep(
        f"A prep of {LENSES} lenses and {CROWDED_READINGS} readings in a browser",
        "none",
        [*lines, "", "Goals: page ≤ 600 ms, save ≤ 300 ms, medians on an idle machine."],
    )


def idle(share: int, keep: Keep) -> None:
    """Many connections that say nothing."""
    for_s = IDLE_S / share
    with folder() as place:
        server = Served(str(place / "record"), place / "server.log")
        try:
            runs = {
                how: asyncio.run(
                    idle_crowd(
                        server.address, server.log, held=IDLE, for_s=for_s, is_opened_again=is_opened_again
                    )
                )
                for how, is_opened_again in (("once", False), ("again a second after each is ended", True))
            }
        finally:
            server.stop()
    keep(
        f"{IDLE} connections that say nothing",
        "none",
        [
            f"Opened from one address within a moment, for {for_s:.0f} s; each page is asked for on a new "
            "connection. Clients and server share the machine.",
            "",
            "| opened | connections | pages | p50, ms | p95, ms | longest, ms | no answer | lines of log |",
            "|---|---|---|---|---|---|---|---|",
            *(
                f"| {how} | {run.opened} | {len(run.pages_ms)} | {percentile(run.pages_ms, 0.5):.0f} | "
                f"**{percentile(run.pages_ms, 0.95):.0f}** | {max(run.pages_ms):.0f} | {run.missed} | "
                f"{run.log_lines} |"
                for how, run in runs.items()
            ),
            "",
            "Goal: p95 ≤ 300 ms, ≤ 10 lines. Before there were limits: no page, and 196 MB of log in half a "
            "minute.",
        ],
    )


def verify(share: int, keep: Keep) -> None:
    """Many sheets checked at once."""
    with folder() as place:
        server = Served(str(place / "record"), place / "server.log", "--demo")
        try:
            sheet = asyncio.run(a_sheet(server.address))
            run = asyncio.run(verify_burst(server.address, sheet, sent=max(4, SHEETS // share)))
        finally:
            server.stop()
    answered = ", ".join(f"{count} × {status}" for status, count in sorted(run.statuses.items()))
    keep(
        f"{SHEETS} sheets checked at once",
        "none",
        [
            f"- a sheet of {len(sheet) / 1e3:.0f} kB sent {run.sent} times at the same moment: answered "
            f"{answered} within {run.took_s:.1f} s, two at a time in processes of their own",
            f"- pages meanwhile: median {percentile(run.pages_ms, 0.5):.0f} ms, p95 "
            f"**{percentile(run.pages_ms, 0.95):.0f} ms**, longest {max(run.pages_ms):.0f} ms of "
            f"{len(run.pages_ms)} (goal: under 500 ms)",
        ],
    )


def filming(share: int, keep: Keep) -> None:
    """From a frame's arrival in the page to its figure, one star and five."""
    if not FILMING.exists():
        print(f"No browser at {FILMING}: filming is not measured.")
        return
    with folder() as place:
        lines = film_lines(place, seconds=FILMED_S / share)
    keep("By picture: from a frame's arrival in the page to its figure", "3", lines)


if __name__ == "__main__":
    main()
