"""Judge a prep: a readings file and what the kit knows go in, the verdict and its remedies come out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimwise.bench.desk.inputs import JUDGING, Inputs, Progress, lens_texts, read_inputs
from shimwise.inference.model.prep import Prep, zoom_settings_mm
from shimwise.inference.verdict.answer import Answer, Verdict
from shimwise.inference.verdict.headline import NAMED_P
from shimwise.inference.verdict.judge import judge
from shimwise.remedy.advice import advise
from shimwise.remedy.remedy import Remedy
from shimwise.sheets.pictures.figure_file import check_figure_path as check_figure_path
from shimwise.sheets.pictures.figure_file import save_figure

if TYPE_CHECKING:
    from rich.console import Console


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedInputs:
    """A verdict with its remedies, the prep that was judged, and what is known of each lens in words."""

    answer: Answer
    remedies: tuple[Remedy, ...]
    prep: Prep
    lens_text: Mapping[str, str]

    @property
    def is_all_well(self) -> bool:
        """Whether every unit is in tolerance, and no set-up or scale is named as a cause."""
        units = (*self.answer.bodies, *self.answer.lenses)
        return (
            all(unit.verdict is Verdict.IN_TOLERANCE for unit in units)
            and all(setup.p_out < NAMED_P or setup.replaced_by for setup in self.answer.setups)
            and all(lens.p_scale_out < NAMED_P for lens in self.answer.lenses)
        )


def judge_file(
    readings: str | Path | bytes,
    *,
    kit_path: str | Path | None = None,
    tolerance_um: float | None = None,
    seed: int = 0,
    sweeps: Sequence[str | Path] = (),
    unit: str | None = None,
    progress: Progress | None = None,
) -> JudgedInputs:
    """Return who is off, by how much, how sure that is, what to read next and what to do.

    Parameters
    ----------
    readings : path or bytes
        The readings file, or the content of one.
    kit_path : path, optional
        What is known of bodies and lenses.
    tolerance_um : float, optional
        ± of every unit [µm]; the kit's, or else 10, when not given.
    seed : int
        Same files and same seed, same answer.
    sweeps : sequence of path
        Measured sweeps, as ``shimwise sweep --out`` keeps them: landings beside the readings.
    unit : str, optional
        Unit of bare numbers in the readings file: mm, cm, m, in or ft.
    progress : callable, optional
        Called from time to time.

    Returns
    -------
    JudgedInputs
        With the notices of the files before those of the judge.

    Raises
    ------
    RecordError
        If a file is refused: with the place that is wrong.
    SheetError
        If a sweep's file is none.
    InferenceError, OpticsError
        If their content cannot be judged.
    """
    inputs = read_inputs(readings, kit_path=kit_path, tolerance_um=tolerance_um, unit=unit, progress=progress)
    if sweeps:
        inputs = _with_sweeps(inputs, sweeps)
    return judge_inputs(inputs, seed=seed, progress=progress)


def _with_sweeps(inputs: Inputs, sweeps: Sequence[str | Path]) -> Inputs:
    """Add what sweeps measured; rows and lines go on after the file's."""
    from shimwise.bench.desk.sweep_evidence import check_focal, sweep_landings

    taken = inputs.prep.evidence
    row = max((reading.row for reading in taken), default=-1) + 1
    line = max((reading.line for reading in taken), default=1) + 1
    landings = sweep_landings(sweeps, row=row, line=line)
    for landing in landings:
        check_focal(landing, inputs.kit.lenses.get(landing.lens), inputs.prep.readings)
    return replace(inputs, prep=replace(inputs.prep, landings=(*inputs.prep.landings, *landings)))


def judge_inputs(inputs: Inputs, *, seed: int = 0, progress: Progress | None = None) -> JudgedInputs:
    """Judge files that have been read; errors of the judge as :func:`judge_file`."""
    if progress is not None:
        progress(JUDGING, 0, 0)
    answer = judge(inputs.prep, seed=seed)
    remedies = advise(
        answer,
        mechanisms=inputs.kit.mechanisms(),
        stock_um=inputs.kit.shim_stock_um,
        focal_mm=inputs.prep.focal_mm,
    )
    return JudgedInputs(
        answer=replace(answer, notices=(*inputs.notices, *answer.notices)),
        remedies=remedies,
        prep=inputs.prep,
        lens_text=lens_texts(inputs.prep),
    )


def print_verdict(console: "Console", judged: JudgedInputs) -> None:
    """Print the report: sentence, what to do now, rail, units, causes, and how it is done."""
    from shimwise.sheets.terminal.report import print_report

    print_report(
        console, judged.answer, judged.remedies, readings=judged.prep.evidence, lens_text=judged.lens_text
    )


def print_brief(console: "Console", judged: JudgedInputs) -> None:
    """Print the sentence and what to do now."""
    from shimwise.sheets.terminal import report

    report.print_brief(console, judged.answer, judged.remedies, readings=judged.prep.evidence)


def verdict_json(judged: JudgedInputs) -> dict[str, Any]:
    """Return the verdict as standard JSON in the form ``shimwise.verdict/2``."""
    from shimwise.sheets.json.verdict_json import answer_to_json

    return answer_to_json(judged.answer, judged.remedies, sources=judged.prep.sources)


def save_verdict_figure(judged: JudgedInputs, path: str | Path) -> Path:
    """Save a verdict's figure as its name ends: .svg, .png or .pdf; errors as :func:`check_figure_path`."""
    from shimwise.sheets.pictures.verdict_figure import verdict_figure

    zoom_mm = zoom_settings_mm(judged.prep.evidence)
    return save_figure(verdict_figure(judged.answer, lens_text=judged.lens_text, zoom_mm=zoom_mm), path)
