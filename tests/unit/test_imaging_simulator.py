"""The invented sweeps obey the optics they claim, checked against tables and an independent image former."""

import csv
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from benchmarks.imaging.crb import peak_bound  # noqa: E402
from benchmarks.imaging.layout import Star, _blurred_amplitude  # noqa: E402
from benchmarks.imaging.scores import Score, coverage  # noqa: E402
from benchmarks.imaging.simulator import (  # noqa: E402
    NOISE_ELECTRONS,
    WHITE,
    Camera,
    ExactStar,
    Simulator,
    SweepSpec,
    render_sweep,
)
from benchmarks.imaging.transfer import band_peak_um, optical_transfer, star_transfer  # noqa: E402

pytestmark = pytest.mark.slow  # forms pictures

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

TABLE = ROOT / "tests" / "reference" / "mtf_defocus.csv"


def table_rows() -> list[dict[str, float]]:
    with TABLE.open() as file:
        return [{k: float(v) for k, v in row.items() if k != "source"} for row in csv.DictReader(file)]


def small(**options: Any) -> SweepSpec:  # noqa: ANN401
    settings = {
        "width": 320,
        "height": 320,
        "star_px": 260,
        "range_um": 60.0,
        "noise": "none",
        "phase": False,
    }
    return SweepSpec(**(settings | options))


def ring_amplitude(frame: Picture, spec: SweepSpec, radius_px: float) -> float:
    """Signed amplitude of the star over a ring, the pixel's share taken out, per unit of the print's."""
    (cx, cy), n = Camera(spec).to_px([0.0, 0.0]), spec.spokes
    y, x = np.mgrid[: spec.height, : spec.width]
    radius, angle = np.hypot(x - cx, y - cy), np.arctan2(y - cy, x - cx)
    ring = np.abs(radius - radius_px) < 1.0
    per_px = n / (2 * np.pi * radius[ring])
    pixel = np.sinc(per_px * np.sin(angle[ring])) * np.sinc(per_px * np.cos(angle[ring]))
    turned = n * (angle[ring] - np.deg2rad(spec.roll_deg))
    columns = [np.ones(turned.size), pixel * np.cos(turned), pixel * np.sin(turned)]
    fit = np.linalg.lstsq(np.column_stack(columns), frame[ring].astype(float), rcond=None)[0]
    black = WHITE * (1 - spec.contrast) / (1 + spec.contrast)
    return float(fit[1]) / ((WHITE - black) / 2)


@pytest.mark.parametrize(
    "row", table_rows(), ids=lambda r: f"f{r['N']}-{r['defocus_um']}um-{r['freq_c_per_mm']}"
)
def test_transfer_agrees_with_the_tabled_autocorrelation(row: dict[str, float]) -> None:
    transfer = optical_transfer(
        row["freq_c_per_mm"], row["defocus_um"], fnumber=row["N"], wavelengths_um=(row["wavelength_um"],)
    )
    assert transfer == pytest.approx(row["otf"], abs=2e-8)  # the table has eight places
    nearly = optical_transfer(row["freq_c_per_mm"], row["defocus_um"], fnumber=row["N"], w040_waves=1e-10)
    assert nearly == pytest.approx(row["otf"], abs=2e-8)  # the two-dimensional integral takes the other road


@pytest.mark.parametrize(
    "row",
    [r for r in table_rows() if 17 < 72 / (2 * np.pi * r["freq_c_per_mm"] * 5e-3) < 120 and r["N"] <= 2.8],
    ids=lambda r: f"f{r['N']}-{r['defocus_um']}um-{r['freq_c_per_mm']}",
)
def test_rings_of_a_rendered_star_carry_the_tabled_modulation(row: dict[str, float]) -> None:
    spec = small(fnumber=row["N"])
    radius_px = spec.spokes / (2 * np.pi * row["freq_c_per_mm"] * spec.pitch_um * 1e-3)
    box_frame = ExactStar(spec).frame(row["defocus_um"])
    # curved spokes and the ring's width of 2 px: a star is a grating only nearly
    assert ring_amplitude(box_frame, spec, radius_px) == pytest.approx(row["otf"], abs=2e-3)


@pytest.mark.parametrize(
    ("radius_px", "fnumber", "defocus_um"), [(40.0, 1.4, 30.0), (60.0, 1.4, 100.0), (90.0, 2.8, 100.0)]
)
def test_spokes_are_blurred_as_the_bessel_integral_says(
    fnumber: float, defocus_um: float, radius_px: float
) -> None:
    from scipy.special import jv

    spokes, pitch_mm = 72, 5e-3
    frequency = np.linspace(1e-4, pitch_mm / (fnumber * 0.55e-3), 60001)
    transfer = optical_transfer(frequency / pitch_mm, defocus_um, fnumber=fnumber)
    exact = spokes * np.trapezoid(
        jv(spokes, 2 * np.pi * frequency * radius_px) / frequency * transfer, frequency
    )
    at = spokes / (2 * np.pi * radius_px * pitch_mm)
    assert star_transfer(at, defocus_um, spokes=spokes, fnumber=fnumber) == pytest.approx(exact, abs=5e-5)


def test_best_focus_is_where_spherical_aberration_is_balanced_by_defocus() -> None:
    # |W20 + W040| small: least wavefront variance of W040 ρ⁴ is at W20 = −W040 (Mahajan; from memory), and
    # low frequencies like a focus nearer the margin's: the peak lies between −W040 and −4/3 W040.
    shift_um = band_peak_um(fnumber=2.8, w040_waves=0.25)
    w20 = shift_um / (8 * 2.8**2 * 0.55)
    assert -4 / 3 * 0.25 < w20 < -0.25
    assert band_peak_um(fnumber=2.8, w040_waves=-0.25) == pytest.approx(-shift_um, abs=1e-3)


@pytest.mark.parametrize("w040_waves", [0.0, 0.3])
def test_a_rendered_star_equals_the_picture_an_independent_optics_library_forms(w040_waves: float) -> None:
    prysm = pytest.importorskip("prysm")
    from prysm.coordinates import cart_to_polar, make_xy_grid
    from prysm.geometry import circle
    from prysm.propagation import focus_fixed_sampling

    assert prysm.__version__
    fnumber, wavelength, defocus_um, fine_um = 5.6, 0.55, 60.0, 1.25
    spec = small(fnumber=fnumber, star_px=200, width=256, height=256, w040_waves=w040_waves)
    samples, diameter_mm = 512, 10.0
    x, y = make_xy_grid(samples, diameter=diameter_mm)
    rho, _ = cart_to_polar(x, y)
    rho = rho / (diameter_mm / 2)
    wave = defocus_um / (8 * fnumber**2 * wavelength) * rho**2 + w040_waves * rho**4
    pupil = circle(1.0, rho) * np.exp(2j * np.pi * wave)
    rendering, box = _rendering(spec)
    size = rendering.fine
    field = focus_fixed_sampling(
        pupil, diameter_mm / (samples - 1), diameter_mm * fnumber, wavelength, fine_um, (size, size)
    )
    psf = np.abs(field) ** 2
    psf /= psf.sum()
    frequency = np.fft.fftfreq(size, 0.25)
    gauss = np.exp(2 * np.pi**2 * rendering.blur_px**2 * frequency**2)
    pixel = np.sinc(frequency) * gauss
    transfer = np.fft.fft2(np.fft.ifftshift(psf)) * pixel[:, None] * pixel[None, :]
    theirs = np.fft.ifft2(rendering.spectra[0] * transfer).real[::4, ::4]
    ours = rendering.plane(defocus_um, 0.0)
    assert box.size == ours.shape[0]
    assert np.abs(ours - theirs).max() < 3e-3  # the library's stepped pupil edge; table's own figure is 6e-4
    other = rendering.plane(-defocus_um if w040_waves else 0.8 * defocus_um, 0.0)
    assert np.abs(other - theirs).max() > 0.02  # a wrong focus would be seen


def test_no_light_is_lost_out_of_focus() -> None:
    star = ExactStar(small(fnumber=2.0))
    sums = [star.frame(p).sum(dtype=float) for p in (0.0, 25.0, -55.0)]
    assert sums == pytest.approx([sums[0]] * 3, rel=1e-5)


def test_defocus_of_either_sign_looks_the_same_unless_there_is_spherical_aberration() -> None:
    clean = ExactStar(small(fnumber=2.0))
    assert np.abs(clean.frame(20.0) - clean.frame(-20.0)).max() < 1e-5
    aberrated = ExactStar(small(fnumber=2.0, w040_waves=0.3))
    assert np.abs(aberrated.frame(20.0) - aberrated.frame(-20.0)).max() > 0.01


@pytest.mark.parametrize("options", [{"fnumber": 1.4}, {"exit_pupil_mm": 80.0}])
def test_reading_between_the_stack_s_planes_costs_less_than_1e5_of_contrast(options: dict[str, Any]) -> None:
    spec = small(star_px=160, range_um=30.0, **options)
    simulator = Simulator(spec)
    rendering, box = _rendering(spec)
    for position in (-21.3, 0.77, 13.33):
        exact = rendering.plane(position, float(simulator.camera.best_um(*box.middle_px)))
        assert np.abs(simulator.stacks[0].at(position) - exact).max() < 1e-5


def test_noise_has_the_variance_that_shot_and_read_noise_add_to() -> None:
    spec = small(noise="medium", star_px=60)
    frame = np.full((300, 300), 0.5, dtype=np.float32)
    noisy = Simulator(spec).noisy(frame, np.random.default_rng(3))
    expected = 0.5 / 8000 + (4 / 8000) ** 2
    assert np.var(noisy, dtype=float) == pytest.approx(expected, rel=4 * np.sqrt(2 / frame.size))


def test_blurred_spoke_agrees_with_a_brute_sum_of_the_gauss() -> None:
    order, blur, radius = 24, 0.7, 9.0
    steps = np.linspace(-6 * blur, 6 * blur, 1201)
    dx, dy = np.meshgrid(steps, steps)
    weight = np.exp(-(dx**2 + dy**2) / (2 * blur**2))
    brute = np.sum(weight * np.cos(order * np.arctan2(dy, radius + dx))) / weight.sum()
    assert _blurred_amplitude(order, np.array([radius, 30.0]), blur)[0] == pytest.approx(brute, abs=1e-5)


def test_a_star_s_picture_grows_about_the_frame_centre_as_the_sensor_moves_away() -> None:
    spec = small(exit_pupil_mm=40.0, offset_px=(12.0, -7.0), range_um=100.0)
    star = ExactStar(spec)
    y, x = np.mgrid[: spec.height, : spec.width]

    def centroid(position: float) -> Floats:
        dark = WHITE - star.frame(position).astype(float)
        return np.array([np.sum(dark * x), np.sum(dark * y)]) / dark.sum()

    grown = 1 + 80e-3 / 40.0
    centre = Camera(spec).centre_px
    start = centroid(0.0)
    assert centroid(80.0) - centre == pytest.approx((start - centre) * grown, abs=2e-3)


@pytest.mark.parametrize("barrel", [0.0, 0.01])
def test_pixels_go_back_to_the_chart_points_they_came_from(barrel: float) -> None:
    camera = Camera(SweepSpec(width=3840, height=2160, yaw_deg=1.5, pitch_deg=-0.7, barrel=barrel))
    points = np.array([[-400.0, 200.0], [0.0, 0.0], [310.0, -150.0]])
    px = camera.to_px(points, 1.001)
    back = np.column_stack(camera.to_chart(px[:, 0], px[:, 1], 1.001))
    assert back == pytest.approx(points, abs=1e-8)


def test_a_turned_chart_tilts_best_focus_by_magnification_times_width_times_sine() -> None:
    # DESIGN's figure m·width·sin(yaw): longitudinal magnification m², object width = image width / m.
    spec = SweepSpec(width=3840, height=2160, yaw_deg=1.5)
    camera = Camera(spec)
    right, left = (float(camera.best_um(x, 1079.5)) for x in (3839.5, -0.5))
    expected = spec.magnification * 3840 * spec.pitch_um * np.sin(np.deg2rad(1.5))
    assert left - right == pytest.approx(expected, rel=5e-3)


def test_same_seed_gives_the_same_sweep_and_another_seed_another() -> None:
    spec = small(star_px=120, noise="high", jitter_um=0.5, flicker=0.01, phase=True, step_um=20.0)
    first, second, other = (render_sweep(spec, seed) for seed in (1, 1, 2))
    assert len(first.frames) == spec.frames == 7
    assert all(np.array_equal(a, b) for a, b in zip(first.frames, second.frames, strict=True))
    assert not np.array_equal(first.frames[0], other.frames[0])
    errors = first.positions_um - first.truth["true_positions_um"]
    assert 0.1 < np.std(errors) < 1.5


def test_a_binary_star_has_square_wave_harmonics() -> None:
    star = Star("S0", 0.0, 0.0, 20.0, 16, binary=True)
    angle = np.linspace(0, 2 * np.pi, 4096, endpoint=False)
    dark = star.darkness(15 * np.cos(angle), 15 * np.sin(angle), 0.02)
    spectrum = 2 * np.abs(np.fft.rfft(dark)) / angle.size
    assert spectrum[16] == pytest.approx(2 / np.pi, rel=1e-3)
    assert spectrum[48] == pytest.approx(2 / (3 * np.pi), rel=1e-2)
    assert spectrum[32] < 1e-6


def test_a_matched_filter_recovers_a_small_shift_and_scatters_as_the_bound_says() -> None:
    spec = small(star_px=120, width=160, height=160, spokes=32, noise="high", step_um=20.0)
    shifted, home, step = ExactStar(replace(spec, best_um=0.4)), ExactStar(spec), 0.1
    positions = spec.step_um * np.arange(-3, 4)
    clean = np.array([home.frame(p) for p in positions], dtype=float)
    slope = np.array([home.frame(p - step).astype(float) - home.frame(p + step) for p in positions]) / (
        2 * step
    )
    full, read = NOISE_ELECTRONS["high"]
    variance = clean / full + (read / full) ** 2
    pull = slope / variance / np.sum(slope**2 / variance)
    true = np.array([shifted.frame(p) for p in positions], dtype=float)
    assert np.sum(pull * (true - clean)) == pytest.approx(0.4, rel=0.01)
    rng = np.random.default_rng(5)
    noise = [np.sum(pull * np.sqrt(variance) * rng.standard_normal(clean.shape)) for _ in range(300)]
    bound = peak_bound(spec)
    assert np.std(noise) == pytest.approx(bound.all_known_um, rel=4 / np.sqrt(2 * 300))
    assert bound.all_known_um < bound.all_free_um
    assert bound.all_known_um < bound.rings_known_um


def test_recording_costs_no_more_than_its_steps_and_a_wrong_curve_would_be_seen() -> None:
    codecs = pytest.importorskip("benchmarks.imaging.codecs", exc_type=ImportError)
    ramp = np.tile(np.linspace(0.05, 0.95, 320, dtype=np.float32), (64, 1))
    gamma, log = codecs.gamma_8_bit([ramp])[0], codecs.log_10_bit([ramp])[0]
    assert np.abs(gamma - ramp).max() < 0.6 * 2.2 / 255  # half a step times the curve's slope
    assert np.abs(log / ramp - 1).max() < 0.6 * 17.52 * np.log(2) / 1023
    assert np.abs(gamma - ramp).max() > 1e-4
    clip = codecs.h264_clip([ramp] * 3)
    assert len(clip) == 3
    assert np.abs(clip[1] - ramp).mean() < 0.01


def test_green_of_a_mosaic_leaves_half_the_sites_and_changes_none() -> None:
    codecs = pytest.importorskip("benchmarks.imaging.codecs", exc_type=ImportError)
    frame = np.arange(24, dtype=np.float32).reshape(4, 6)
    green = codecs.bayer_green([frame])[0]
    assert np.isnan(green).sum() == 12
    assert np.isnan(green[0, 0])
    assert np.isnan(green[1, 1])
    assert np.nanmax(np.abs(green - frame)) == 0.0


def test_a_score_tells_short_intervals_from_honest_ones() -> None:
    rng = np.random.default_rng(2)
    best = rng.standard_normal(2000)
    honest = Score.of(best, best - 1.96, best + 1.96, np.zeros(2000))
    short = Score.of(best, best - 0.4, best + 0.4, np.zeros(2000))
    assert all(row.met for row in coverage(honest, "cell", low=0.92, high=0.98))
    assert coverage(short, "cell", low=0.92, high=0.98)[0].met is False
    wide = Score.of(best, best - 4, best + 4, np.zeros(2000))
    assert [row.met for row in coverage(wide, "cell", low=0.92, high=0.98)] == [False, False]


def _rendering(spec: SweepSpec) -> tuple[Any, Any]:
    star = ExactStar(spec)
    return star.rendering, star.box
