"""Frames to microns: find the chart, measure its stars, and fit the through-focus peak.

The usual way in is :func:`measure_sweep`; a target without a chart goes through :func:`gradient_energy`
and :func:`fit_relative_peak`; a slanted edge through :func:`edge_transfer`. Names are loaded on first use,
so that importing the package costs nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from shimwise.imaging.chart.capture import start_from_star
    from shimwise.imaging.chart.layout import ChartLayout, layout_from_json, layout_of_star
    from shimwise.imaging.focus.flags import Flag, Raised
    from shimwise.imaging.focus.peak import PeakFit, fit_peak
    from shimwise.imaging.focus.ring_model import RingData
    from shimwise.imaging.focus.sweep import StarPeak, SweepResult, SweepSettings, measure_sweep
    from shimwise.imaging.focus.texture import (
        RelativePeak,
        fit_relative_peak,
        gradient_energy,
        most_textured_region,
    )
    from shimwise.imaging.star.edge import EdgeTransfer, edge_transfer, square_transfers

__all__ = [
    "ChartLayout",
    "EdgeTransfer",
    "Flag",
    "PeakFit",
    "Raised",
    "RelativePeak",
    "RingData",
    "StarPeak",
    "SweepResult",
    "SweepSettings",
    "edge_transfer",
    "fit_peak",
    "fit_relative_peak",
    "gradient_energy",
    "layout_from_json",
    "layout_of_star",
    "measure_sweep",
    "most_textured_region",
    "square_transfers",
    "start_from_star",
]

_HOME = {
    "star.edge": ("EdgeTransfer", "edge_transfer", "square_transfers"),
    "focus.flags": ("Flag", "Raised"),
    "chart.layout": ("ChartLayout", "layout_from_json", "layout_of_star"),
    "chart.capture": ("start_from_star",),
    "focus.peak": ("PeakFit", "fit_peak"),
    "focus.ring_model": ("RingData",),
    "focus.sweep": ("StarPeak", "SweepResult", "SweepSettings", "measure_sweep"),
    "focus.texture": ("RelativePeak", "fit_relative_peak", "gradient_energy", "most_textured_region"),
}


def __getattr__(name: str) -> Any:  # noqa: ANN401
    for module, names in _HOME.items():
        if name in names:
            return getattr(import_module(f"shimwise.imaging.{module}"), name)
    raise AttributeError(f"module 'shimwise.imaging' has no attribute {name!r}")
