"""A sweep's document as the tests of its sheets need it."""

from typing import Any

MEASURED: dict[str, Any] = {
    "schema": "shimwise.sweep/1",
    "best_um": 12.0,
    "sd_um": 0.5,
    "low_um": 11.0,
    "high_um": 13.0,
    "band_cy_mm": [20.0, 62.0],
    "w040_waves": 0.0,
    "stars": [
        {
            "id": f"S{k}",
            "x_px": x,
            "y_px": 40.0,
            "best_um": 12.0 + k,
            "sd_um": 0.5,
            "sagittal_um": None,
            "tangential_um": None,
        }
        for k, x in enumerate((100.0, 30.0, 170.0))
    ],
    "tilt": {
        "x_um": 3.0,
        "x_sd_um": 0.2,
        "y_um": -0.1,
        "y_sd_um": 0.2,
        "chart_yaw_deg": 0.1,
        "chart_pitch_deg": 0.0,
    },
    "magnification": 0.02,
    "landing_um": -12.0,
    "flags": [],
}
