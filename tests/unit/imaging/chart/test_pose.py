"""The chart's stand, from points that OpenCV's own camera model projected."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.chart.pose import Pose, chart_share_um, fit_pose

FloatArray = NDArray[np.float64]

SIZE, PITCH_UM, FOCAL_MM = (3840, 2160), 5.0, 50.0
CHART = np.array([(x, y) for x in (-380.0, 0.0, 380.0) for y in (-210.0, 0.0, 210.0)])


def seen(
    *,
    yaw: float = 0.0,
    pitch: float = 0.0,
    roll: float = 0.3,
    distance: float = 2550.0,
    distortion: float = 0.0,
) -> FloatArray:
    """Points in the picture by cv2.projectPoints; yaw and pitch as OpenCV rotations about y and x."""
    about_y = cv2.Rodrigues(np.array([0.0, -np.deg2rad(yaw), 0.0]))[0]
    about_x = cv2.Rodrigues(np.array([np.deg2rad(pitch), 0.0, 0.0]))[0]
    about_z = cv2.Rodrigues(np.array([0.0, 0.0, np.deg2rad(roll)]))[0]
    image_mm = FOCAL_MM * distance / (distance - FOCAL_MM)
    long_px = image_mm * 1e3 / PITCH_UM
    camera = np.array([[long_px, 0, (SIZE[0] - 1) / 2], [0, long_px, (SIZE[1] - 1) / 2], [0, 0, 1]])
    corner = np.hypot(*SIZE) / 2
    bend = np.array([-distortion * (long_px / corner) ** 2, 0.0, 0.0, 0.0])
    turn = cv2.Rodrigues(about_y @ about_x @ about_z)[0]
    space = np.column_stack([CHART, np.zeros(len(CHART))])
    return cv2.projectPoints(space, turn, np.array([0.8, -0.5, distance]), camera, bend)[0].reshape(-1, 2)


def pose_of(px: FloatArray, sd: float = 0.002) -> Pose:
    return fit_pose(CHART, px, np.full(len(CHART), sd), focal_mm=FOCAL_MM, pitch_um=PITCH_UM, size_px=SIZE)


def test_turn_distance_and_magnification_come_back_from_exact_points() -> None:
    pose = pose_of(seen(yaw=1.5, pitch=-0.4))
    assert pose.yaw_deg == pytest.approx(1.5, abs=1e-6)
    assert pose.pitch_deg == pytest.approx(-0.4, abs=1e-6)
    assert pose.roll_deg == pytest.approx(0.3, abs=1e-6)
    assert pose.distance_mm == pytest.approx(2550.0, abs=1e-4)
    assert pose.magnification == pytest.approx(50.0 / 2500.0, rel=2e-5)
    assert pose.distortion == 0.0


def test_barrel_distortion_is_found_and_leaves_the_turn() -> None:
    pose = pose_of(seen(yaw=-0.8, distortion=0.01))
    assert pose.distortion == pytest.approx(0.01, rel=1e-4)
    assert pose.yaw_deg == pytest.approx(-0.8, abs=1e-4)


@pytest.mark.slow
def test_turns_uncertainty_is_that_of_repeats() -> None:
    rng = np.random.default_rng(1)
    exact = seen(yaw=0.5)
    poses = [pose_of(exact + rng.normal(0, 0.05, exact.shape), sd=0.05) for _ in range(60)]
    spread = np.std([p.yaw_deg for p in poses])
    assert np.sqrt(np.mean([p.turn_sd_deg**2 for p in poses])) == pytest.approx(spread, rel=0.6)
    assert spread < 0.02


def test_the_charts_share_is_m_times_width_times_the_sine() -> None:
    pose = pose_of(seen(yaw=1.5))
    ends = np.array([[-0.5, (SIZE[1] - 1) / 2], [SIZE[0] - 0.5, (SIZE[1] - 1) / 2]])
    share = chart_share_um(pose, ends, focal_mm=FOCAL_MM, pitch_um=PITCH_UM, size_px=SIZE)
    width_um = SIZE[0] * PITCH_UM
    # Farther on the right, so sharp nearer to the lens there: negative.
    assert share[1] - share[0] == pytest.approx(-0.02 * width_um * np.sin(np.deg2rad(1.5)), rel=0.02)


def test_three_points_are_too_few() -> None:
    with pytest.raises(ImagingError, match="needs 4 points in the picture; 3"):
        fit_pose(CHART[:3], CHART[:3], np.ones(3), focal_mm=50.0, pitch_um=5.0, size_px=SIZE)
