"""``python -m benchmarks.many_machines``: two servers on one PostgreSQL. ``--quick`` takes a tenth."""

import argparse
import asyncio
import tempfile
from pathlib import Path

import benchmarks.results
from benchmarks.many_machines.heard import SEED, hear_changes, restart_database
from benchmarks.many_machines.killed_pair import PACE_S, WRITERS, kill_one_of_two
from benchmarks.results import write_section
from benchmarks.web.__main__ import Keep, print_section, with_load
from benchmarks.web.load import percentile
from benchmarks.web.served import postgres

KILLS, SAVES, RESTARTS = 10, 200, 10


def main() -> None:
    """Run all of it, or the parts named, and keep the tables."""
    benchmarks.results.RESULTS = Path(__file__).parent / "RESULTS.md"
    parts = {"kill": kill, "heard": heard, "restart": restart}
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", choices=[*parts, []], help="parts to run; all when none is named")
    parser.add_argument("--quick", action="store_true", help="a tenth of it; the tables are not kept")
    parser.add_argument("--seed", type=int, default=SEED)
    arguments = parser.parse_args()
    for name in arguments.parts or parts:
        keep = with_load(print_section if arguments.quick else write_section)
        with tempfile.TemporaryDirectory() as folder:
            Path(folder).chmod(0o755)
            with postgres(Path(folder) / "pg") as data:
                parts[name](data, Path(folder), arguments.seed, 10 if arguments.quick else 1, keep)


def kill(data: str, folder: Path, seed: int, less: int, keep: Keep) -> None:
    """Kill one of two servers while twenty people write."""
    run = asyncio.run(kill_one_of_two(data, folder, kills=KILLS // less, seed=seed))
    keep(
        f"kill -9 of one of two servers, seed {seed}",
        str(seed),
        [
            f"{WRITERS} people write, each every {PACE_S:g} s; whoever gets no answer sends the same again "
            "to the other server. The one that was killed is started again before the next is.",
            "",
            "| kills | acknowledged | sent again | missing | double | changed | longest wait, s | refused |",
            "|---|---|---|---|---|---|---|---|",
            f"| {run.kills} | {run.answered} | {run.sent_again} | **{run.missing}** | **{run.double}** | "
            f"{run.changed} | {run.longest_wait_s:.1f} | {len(run.refused)} |",
            "",
            f"Jobs at the end: {', '.join(run.jobs)}. Preps without their verdict: {run.behind}; "
            f"revisions with two verdicts: **{run.verdicts_twice}**.",
            *sorted({f"- refused: {text}" for text in run.refused}),
        ],
    )


def heard(data: str, folder: Path, seed: int, less: int, keep: Keep) -> None:
    """Time changes to the devices of the other server."""
    run = asyncio.run(hear_changes(data, folder, saves=SAVES // less, seed=seed))
    rows = {"answer of the save": run.after_answer_ms, "sending of the save": run.after_sending_ms}
    keep(
        "A change heard on the other server",
        str(seed),
        [
            f"{len(run.after_answer_ms)} saves, on one server and the other in turn, to the event on "
            "the live line of the other; the verdicts are computed meanwhile.",
            "",
            "| from the | p50, ms | p95, ms | longest, ms |",
            "|---|---|---|---|",
            *(
                f"| {name} | {percentile(found, 0.5):.0f} | **{percentile(found, 0.95):.0f}** "
                f"| {max(found):.0f} |"
                for name, found in rows.items()
            ),
            "",
            "Goal: p95 ≤ 300 ms. By polling it was up to 2 s.",
        ],
    )


def restart(data: str, folder: Path, _: int, less: int, keep: Keep) -> None:
    """Restart the database under two servers."""
    run = asyncio.run(restart_database(data, folder, times=max(2, RESTARTS // less)))
    rows = {
        "database away (pg_ctl restart -m fast)": run.away_s,
        "until a save is answered": run.saved_s,
        "until the other server's live line says it": run.heard_s,
    }
    keep(
        "PostgreSQL restarted under two servers",
        "none",
        [
            f"{len(run.away_s)} restarts, a save on each server after each; the times count from when the "
            "database answers again.",
            "",
            "| | median, s | longest, s |",
            "|---|---|---|",
            *(
                f"| {name} | {percentile(tuple(found), 0.5):.2f} | **{max(found):.2f}** |"
                for name, found in rows.items()
            ),
            "",
            f"Acknowledged and lost: **{run.lost}**. Live lines that ended: {run.lines_ended}.",
        ],
    )


if __name__ == "__main__":
    main()
