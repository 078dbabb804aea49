"""Measure the star of a folder of frames with the candidate."""

from pathlib import Path

from benchmarks.candidates.focus.result import SweepResult
from benchmarks.candidates.focus.sweep import measure_sweep
from shimwise.imaging.chart.capture import start_from_star
from shimwise.imaging.chart.layout import layout_from_json, layout_of_star
from shimwise.imaging.focus.result import SweepSettings
from shimwise.imaging.frames.source import open_sweep


def measure_star(
    folder: Path, *, centre_px: tuple[float, float], radius_px: float, spokes: int
) -> SweepResult:
    """Return what the candidate measures of one star; positions are those of ``sweep.json``. [µm]

    Parameters
    ----------
    folder : Path
        With ``sweep.json``, which names pixel pitch and f-number.
    centre_px, radius_px, spokes
        The star as a person points at it, where the folder has no layout of its chart.
    """
    source = open_sweep(folder)
    start = None
    if source.layout is not None:
        layout = layout_from_json(source.layout)
    else:
        layout = layout_of_star(spokes=spokes, radius_mm=radius_px / 10)
        start = start_from_star(layout, centre_px=centre_px, radius_px=radius_px)
    known = source.recording
    settings = SweepSettings(pitch_um=known.pitch_um or 0.0, fnumber=known.fnumber or 0.0)
    frames = ((float(frame.position), frame.pixels) for frame in source.frames())
    return measure_sweep(frames, layout, settings, start=start)
