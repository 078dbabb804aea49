"""Sensor tilt from the stars: a plane, with r² for field curvature where the stars can show it."""

from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.imaging.focus.joint import Estimate, JointPeaks

SEEN_AS_YAW_MEAN, SEEN_AS_YAW_SD = 0.5, 0.5
"""Part of :func:`seen_as_yaw` that is taken out, and its standard deviation: a lens that breathes grows the
picture as its exit pupil does, and the picture does not show which of them it is."""

WITHIN_STAR_SD = 0.5
"""Standard deviation of what the field's curvature within a star may do to the centre, as a share of it."""

MOST_NEARNESS = 2.0
"""Image distance by the exit pupil's distance beyond which growth is not the exit pupil's: breathing."""
LEAST_SD_SHARE = 0.3
"""Least standard uncertainty of a star, by the largest, so that no star alone sets the plane; chosen."""
MOST_CONDITION = 60.0
"""Condition number of the stars' places up to which a plane or curvature is fitted; chosen."""


@dataclass(frozen=True, slots=True)
class FieldFit:
    """Best focus at the frame's centre; right less left edge, bottom less top, corner less centre.

    ``tilt_x`` and ``tilt_y`` are None where fewer than three stars, or stars on one line, cannot show them;
    ``curvature`` is None where the stars cannot show it.
    """

    centre: Estimate
    tilt_x: Estimate | None
    tilt_y: Estimate | None
    curvature: Estimate | None


def fit_field(
    px: FloatArray,
    peaks: JointPeaks,
    *,
    share_um: FloatArray,
    size_px: tuple[int, int],
    radius_px: FloatArray,
    extra_variance: tuple[float, float] = (0.0, 0.0),
    seen_as_yaw: float = 0.0,
) -> FieldFit:
    """Fit a plane, or a plane and r², to the stars' peaks.

    Parameters
    ----------
    px : ndarray
        Centres of the stars, (stars, 2).
    peaks : JointPeaks
        Their peaks.
    share_um : ndarray
        What of each peak is the chart's own turn; taken out.
    size_px : tuple of int
        Width and height of the frame.
    radius_px : ndarray
        Root mean square radius of each star's rings: where the field is curved within a star, its peak is
        that of so far out. The picture does not show whether it is: the centre's interval includes it.
    extra_variance : tuple of float
        Variance that the chart's turn adds to tilt_x and tilt_y, µm².
    seen_as_yaw : float
        Share of the tilt that the chart's share took for a turn of the chart, see :func:`seen_as_yaw`.
    """
    design, names = field_design(px, size_px)
    own = np.array([peaks.interval(row, 0.0).sd_um for row in np.eye(len(px))])
    root = 1.0 / np.maximum(own, LEAST_SD_SHARE * float(own.max()) + 1e-12)
    maker = np.linalg.pinv(design * root[:, None]) * root
    value = maker @ (peaks.best_um - share_um)
    added = {"tilt_x": extra_variance[0], "tilt_y": extra_variance[1]}
    if "curvature" in names:
        corner_squared = (size_px[0] ** 2 + size_px[1] ** 2) / 4
        within = float(value[names.index("curvature")] * maker[0] @ (radius_px**2 / corner_squared))
        added["centre"] = (WITHIN_STAR_SD * within) ** 2
    seen = np.array([seen_as_yaw if name.startswith("tilt") else 0.0 for name in names])
    gain = 1.0 + SEEN_AS_YAW_MEAN * seen
    maker, value = maker / gain[:, None], value / gain
    doubt = SEEN_AS_YAW_SD * seen * value
    estimate = {
        name: peaks.interval(
            maker[k],
            float(value[k]),
            extra_variance=added.get(name, 0.0) + float(doubt[k]) ** 2,
        )
        for k, name in enumerate(names)
    }
    return FieldFit(
        estimate["centre"], estimate.get("tilt_x"), estimate.get("tilt_y"), estimate.get("curvature")
    )


def seen_as_yaw(px: FloatArray, growth_px: FloatArray, *, magnification: float, focal_mm: float) -> float:
    """Return the share of a sensor's tilt that the picture shows as a turn of the chart.

    Parameters
    ----------
    px, growth_px : ndarray
        Points in the picture and how they move by 1 µm of the swept coordinate, (points, 2); two or more.
    magnification : float
        Of the chart.
    focal_mm : float
        Focal length.

    Notes
    -----
    A sensor that leans by τ meets the chief rays, which come from the exit pupil at the distance P, nearer or
    farther: the picture is larger by the share τ·x/P. A chart turned by ψ draws it larger by ψ·x/v, v the
    image distance, and moves best focus by m·ψ·x. So τ is taken for ψ = −τ·v/P, and the tilt comes out
    larger by 1 + m·v/P. A sensor that moves shows 1/P itself: it is the picture's growth. A lens telecentric
    on the sensor's side shows neither.
    """
    away, grown = px - px.mean(axis=0), growth_px - growth_px.mean(axis=0)
    growth = 1e3 * float(np.sum(away * grown)) / max(float(np.sum(away**2)), 1e-30)
    nearness = growth * focal_mm * (1.0 + magnification)
    return magnification * (nearness if 0.0 <= nearness <= MOST_NEARNESS else 1.0)


def field_design(px: FloatArray, size_px: tuple[int, int]) -> tuple[FloatArray, list[str]]:
    """Return the columns that stars at places (stars, 2) [px] can show, and their names."""
    width, height = size_px
    x, y = (px[:, 0] - (width - 1) / 2) / width, (px[:, 1] - (height - 1) / 2) / height
    corner = (width**2 + height**2) / 4
    squared = ((x * width) ** 2 + (y * height) ** 2) / corner
    one = np.ones_like(x)
    for columns, names in (
        ([one, x, y, squared], ["centre", "tilt_x", "tilt_y", "curvature"]),
        ([one, x, y], ["centre", "tilt_x", "tilt_y"]),
    ):
        design = np.column_stack(columns)
        if px.shape[0] >= len(columns) and np.linalg.cond(design) < MOST_CONDITION:
            return design, names
    nearest = np.argmin(np.hypot(x * width, y * height))
    return (np.arange(px.shape[0]) == nearest).astype(np.float64)[:, None], ["centre"]
