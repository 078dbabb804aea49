"""The demonstration: the main job on an invented bench, whose truth is known and shown at the end."""

import errno
import json
import os
import tempfile
import textwrap
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimwise.bench.desk.inputs import Progress
from shimwise.bench.desk.judge import (
    JudgedInputs,
    judge_file,
    print_verdict,
    save_verdict_figure,
    verdict_json,
)
from shimwise.bench.output_files import write_whole
from shimwise.errors import SheetError
from shimwise.inference.verdict.answer import Z95, BodyAnswer
from shimwise.sheets.words.shared import listed

if TYPE_CHECKING:
    from rich.console import Console

DEFAULT_FOLDER = "shimwise-demo"
PAGES = "pages"
"""Folder of the record that the pages of the demonstration show; the worked example keeps its own."""
INVENTED = "Invented data: two bodies and eight lenses that do not exist, read by two."
AFTER = "readings-after.csv"
PICTURES = "pictures.csv"
"""The same bench by picture, in two dozen landings."""
_FIGURES = ("demo-verdict.svg", "demo-verdict.pdf")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault of the bench: the true error of a unit, and the estimate with half its 95 % interval."""

    kind: str
    unit: str
    true: float
    stated: float
    half: float
    unit_of_measure: str


@dataclass(frozen=True, slots=True, kw_only=True)
class After:
    """What comes after the remedies: the body that was turned, how far, what is true of it now [µm]."""

    body: str
    turns: float
    made_um: float
    true_um: float
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Demo:
    """The verdict on the invented bench, its truth, and the files written.

    ``blunder_lines`` are the lines of the readings file that are truly wrong, ``doubted_lines`` those that
    lost their weight; ``note`` is how the bench was made, ``pictures_note`` how it was measured by picture,
    ``after`` what the turn of its screw made.
    """

    judged: JudgedInputs
    faults: tuple[Fault, ...]
    blunder_lines: tuple[int, ...]
    doubted_lines: tuple[int, ...]
    note: str
    pictures_note: str
    after: "After"
    written: tuple[Path, ...]


def run_demo(folder: Path, *, seed: int = 0, progress: Progress | None = None) -> Demo:
    """Judge the invented bench, and write its files, the verdict and the figure into a folder.

    Parameters
    ----------
    folder : Path
        One that can be written to, as :func:`demo_folder` gives it; only files that begin with ``demo-`` are
        written or replaced.
    seed : int
        Of the judge.
    progress : callable, optional
        Called from time to time.

    Raises
    ------
    SheetError
        If a file cannot be written.
    """
    bench = files("shimwise.bench.demo").joinpath("demo_bench")
    truth = json.loads(bench.joinpath("truth.json").read_text(encoding="utf-8"))
    copied = tuple(folder / f"demo-{name}" for name in ("readings.csv", "kit.toml", AFTER, PICTURES))
    readings, kit = copied[:2]
    for path in copied:
        write_whole(path, bench.joinpath(path.name.removeprefix("demo-")).read_bytes())
    after = json.loads(bench.joinpath("truth-after.json").read_text(encoding="utf-8"))
    judged = judge_file(readings, kit_path=kit, seed=seed, progress=progress)
    if progress is not None:
        progress("Drawing the figure", 0, 0)
    figures = [save_verdict_figure(judged, folder / name) for name in _FIGURES]
    text = json.dumps(verdict_json(judged), ensure_ascii=False, indent=1, allow_nan=False)
    verdict = folder / "demo-verdict.json"
    write_whole(verdict, f"{text}\n")
    return Demo(
        judged=judged,
        faults=_faults(judged, truth),
        blunder_lines=tuple(truth["blunder_lines"]),
        doubted_lines=tuple(reading.line for reading in judged.answer.readings if reading.is_doubted),
        note=truth["note"],
        pictures_note=json.loads(bench.joinpath("truth-pictures.json").read_text(encoding="utf-8"))["note"],
        after=_after(after),
        written=(*copied, verdict, *figures),
    )


def demo_folder(wanted: Path | None = None) -> Path:
    """Return the folder to write into, made where it is not there yet.

    Parameters
    ----------
    wanted : Path, optional
        The folder asked for; without it ``shimwise-demo`` here, or a temporary one where nothing can be
        written here.

    Raises
    ------
    SheetError
        If the folder asked for cannot be made or written to.
    """
    folder = Path(DEFAULT_FOLDER) if wanted is None else wanted
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not os.access(folder, os.W_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    except OSError as error:
        if wanted is None:
            return Path(tempfile.mkdtemp(prefix=f"{DEFAULT_FOLDER}-"))
        raise SheetError(
            f"The demonstration cannot be written into {wanted}: {error.strerror}. Choose another folder."
        ) from error
    return folder


def print_demo(console: "Console", demo: Demo) -> None:
    """Print the readings in few lines, the verdict as ``judge`` prints it, and what was true."""
    from shimwise.sheets.terminal.readings_table import readings_table
    from shimwise.sheets.words.shared import ascii_text

    def say(*lines: str) -> None:
        for line in lines:
            text = ascii_text(line) if console.options.ascii_only else line
            console.print(text, highlight=False, markup=False, soft_wrap=True)

    table = readings_table(
        demo.judged.prep.readings, lens_text=demo.judged.lens_text, is_ascii=console.options.ascii_only
    )
    say(INVENTED, "")
    console.print(table, highlight=False)
    say("")
    print_verdict(console, demo.judged)
    say("", *_truth_lines(demo))


def _truth_lines(demo: Demo) -> list[str]:
    lines = ["What was wrong in truth, and what is said of it above"]
    for fault in demo.faults:
        unit = fault.unit_of_measure
        lines.append(
            f" {f'{fault.kind} {fault.unit}':<22}true {_signed(fault.true)} {unit}   "
            f"said {_signed(fault.stated)} ± {fault.half:.0f} {unit}"
        )
    wrong, doubted = listed(map(str, demo.blunder_lines)), listed(map(str, demo.doubted_lines))
    lines.append(f" {'lines of the file':<22}wrong {wrong}   doubted {doubted or 'none'}")
    lines += textwrap.wrap(demo.note, 80)
    return [*lines, "", *_picture_lines(demo.pictures_note), "", *_after_lines(demo.after)]


def _picture_lines(note: str) -> list[str]:
    report = (
        f"The same bench, its landings measured by picture and no ring read, stands in demo-{PICTURES}: two "
        f"dozen of them. {note}"
    )
    return ["The same by picture", *textwrap.wrap(report, 80)]


def _after(truth: dict[str, Any]) -> After:
    ((body, true_um),) = truth["bodies_um"].items()
    return After(
        body=body, turns=truth["turns"], made_um=truth["made_um"], true_um=true_um, note=truth["note"]
    )


def _after_lines(after: After) -> list[str]:
    report = (
        f"Its screw turned {360 * after.turns:.0f}° clockwise after its play, as advised, {after.body} and "
        f"the set-up taped wrong were read again: demo-{AFTER}. In truth the turn made "
        f"{_signed(after.made_um)} µm, and {after.body} is at {_signed(after.true_um)} µm now."
    )
    return ["What comes after", *textwrap.wrap(report, 80), *textwrap.wrap(after.note, 80)]


def _signed(value: float) -> str:
    return f"{'−' if value < 0 else '+'}{abs(value):.0f}"


def _faults(judged: JudgedInputs, truth: dict[str, Any]) -> tuple[Fault, ...]:
    """Put the true error of each unit at fault beside its estimate."""
    answer, at_fault = judged.answer, truth["faults"]
    body = next(unit for unit in answer.bodies if unit.name == at_fault["bodies_um"])
    lens = next(unit for unit in answer.lenses if unit.name == at_fault["lenses_um"])
    setup = next(unit for unit in answer.setups if unit.name == at_fault["setups_mm"])
    return (
        _unit_fault("body", body, truth["bodies_um"][body.name]),
        _unit_fault("lens", lens, truth["lenses_um"][lens.name]),
        Fault(
            kind="set-up",
            unit=setup.name,
            true=truth["setups_mm"][setup.name],
            stated=setup.error_mm,
            half=Z95 * setup.sd_mm,
            unit_of_measure="mm",
        ),
    )


def _unit_fault(kind: str, unit: BodyAnswer, true_um: float) -> Fault:
    return Fault(
        kind=kind, unit=unit.name, true=true_um, stated=unit.error_um, half=unit.half_um, unit_of_measure="µm"
    )
