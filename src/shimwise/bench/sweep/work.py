"""Measuring a sweep as one task of plain values, which may run in a process of its own and be cancelled."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimwise.bench.sweep.frame_files import sweep_settings
from shimwise.fields import build_from

if TYPE_CHECKING:
    from shimwise.bench.desk.inputs import Progress


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepTask:
    """A sweep to be measured: where its frames lie, what was under test, and what is known of the recording.

    ``distance_mm``: of the chart, or the ring's reading while the chart moves; infinite allowed.
    ``recording`` goes before the files, ``usual`` (of lens and body) holds where they have nothing.
    """

    place: str
    body: str
    lens: str
    distance_mm: float
    separation_mm: float
    recording: Mapping[str, Any]
    usual: Mapping[str, Any]


def measured_document(task: SweepTask, *, progress: "Progress | None" = None) -> dict[str, Any]:
    """Return the document ``shimwise.sweep/2`` of a sweep.

    Raises
    ------
    ImagingError, OpticsError
        If the frames cannot be measured.
    """
    from shimwise.bench.sweep.measure import Recording, UnderTest, measure

    unit = build_from(UnderTest, task, reading_mm=task.distance_mm)
    recording = Recording(**_known(task))
    return measure(task.place, recording=recording, under_test=unit, progress=progress).document


def _known(task: SweepTask) -> dict[str, Any]:
    """Return what is stated of the recording, and what is usual where the files have nothing."""
    report = sweep_settings(Path(task.place))
    usual = {
        key: value
        for key, value in task.usual.items()
        if task.recording.get(key) is None and key not in report
    }
    return {**task.recording, **usual}
