"""The result of a sweep along a screw, invented: as version 1 of its schema had it, and as it is now."""

from typing import Any

_FOUND: dict[str, Any] = {
    "best_um": 29.4,
    "sd_um": 0.3,
    "low_um": 28.8,
    "high_um": 30.0,
    "band_cy_mm": [20, 62],
    "w040_waves": 0.0,
    "stars": [],
    "tilt": dict.fromkeys(("x_um", "x_sd_um", "y_um", "y_sd_um", "chart_yaw_deg", "chart_pitch_deg")),
    "magnification": 0.05,
    "landing_um": None,
    "flags": [],
    "swept": "screw",
    "best_turns": 0.12,
    "sd_turns": 0.001,
    "low_turns": 0.118,
    "high_turns": 0.122,
}
PEAK: dict[str, Any] = {
    **_FOUND,
    "schema": "shimwise.sweep/1",
    "um_per_turn": 380.0,
    "um_per_turn_sd": 4.0,
    "lens": "H35",
}
"""Its travel for a turn was estimated from the frames."""
ALONG_SCREW: dict[str, Any] = {
    **_FOUND,
    "schema": "shimwise.sweep/2",
    "channel": "luma",
    "alternatives": [],
    "notices": [],
    "warnings": [],
    "um_per_turn": 245.0,
    "lens": "H50",
}
"""Its travel for a turn was entered."""
