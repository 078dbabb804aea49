"""The pictures made apart, held against closed forms and counts that are not in their own code."""

import ast
import itertools
import json
import math
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.optimize import curve_fit
from scipy.special import j1

ROOT = Path(__file__).resolve().parents[3]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from benchmarks.worlds.frames import codec as codecs  # noqa: E402
from benchmarks.worlds.frames.camera import Camera, Processor, demosaic, mosaic, toned  # noqa: E402
from benchmarks.worlds.frames.cells import FEEDS, REPORT_SEEDS, SWEEPS  # noqa: E402
from benchmarks.worlds.frames.chart import sheet  # noqa: E402
from benchmarks.worlds.frames.feed import Feed, Motion  # noqa: E402
from benchmarks.worlds.frames.files import write_clip, write_feed, write_sweep  # noqa: E402
from benchmarks.worlds.frames.former import Former, Moment, Sensor  # noqa: E402
from benchmarks.worlds.frames.geometry import View  # noqa: E402
from benchmarks.worlds.frames.optics import Lens  # noqa: E402
from benchmarks.worlds.frames.pupil import Kernels, best_focus_um, modulation  # noqa: E402
from benchmarks.worlds.frames.stand import Stand, walk  # noqa: E402
from benchmarks.worlds.frames.sweep import Setup, make_sweep  # noqa: E402

pytestmark = pytest.mark.slow  # forms pictures

ONE_STAR = replace(sheet(star_count=1, scale=0.55), half_width_mm=120.0, half_height_mm=90.0)
SMALL = Setup(chart=ONE_STAR, width=640, height=480)
LINES = (("red", ((0.61, 1.0),)), ("green", ((0.54, 1.0),)), ("blue", ((0.465, 1.0),)))
FREQUENCIES = np.array([10.0, 20.0, 40.0, 62.0, 100.0])


def textbook_mtf(frequencies_cy_mm: NDArray[np.float64], *, fnumber: float) -> NDArray[np.float64]:
    """Diffraction alone (Goodman, ch. 6; Born and Wolf, 9.5)."""
    s = frequencies_cy_mm * 1e-3 * 0.55 * fnumber
    return 2 / np.pi * (np.arccos(s) - s * np.sqrt(1 - s**2))


def hopkins_mtf(frequency_cy_mm: float, *, fnumber: float, z_um: float) -> float:
    """Paraxial defocus (Hopkins 1955): the overlap of two discs under the phase that their shift makes."""
    s = frequency_cy_mm * 1e-3 * 0.55 * fnumber
    phase = 2 * np.pi / 0.55 * 4 * (z_um / (8 * fnumber**2)) * s

    def strip(x: float) -> float:
        return 2 * math.sqrt(max(0.0, 1 - (x + s) ** 2)) * math.cos(phase * x)

    return abs(2 / np.pi * quad(strip, 0, 1 - s, limit=200)[0])


def kernels_of(lens: Lens, *, count: int = 256) -> Kernels:
    return Kernels(lens, lens.channels[0], (0.0, 0.0), step_um=2.0, count=count)


def band_peak_um(kernel_at: Callable[[float], NDArray[np.floating]], about_um: float) -> float:
    """Peak of the mean modulation over the band, by a parabola through seven places."""
    z_um = np.linspace(-1, 1, 7)
    band, turns = np.arange(20.0, 62.5, 3.0), (0.0, 0.9, 2.1)
    means = [
        np.mean([modulation(kernel_at(about_um + z), 2.0, band, turn).mean() for turn in turns]) for z in z_um
    ]
    curve, slope, _ = np.polyfit(z_um, means, 2)
    return float(about_um - slope / curve / 2)


class TestLens:
    @pytest.mark.parametrize("fnumber", [1.4, 2.0, 4.0])
    def test_in_focus_is_the_textbook_mtf(self, fnumber: float) -> None:
        found = modulation(kernels_of(Lens(fnumber=fnumber)).exact(0.0), 2.0, FREQUENCIES, 0.4)
        np.testing.assert_allclose(found, textbook_mtf(FREQUENCIES, fnumber=fnumber), atol=0.003)

    @pytest.mark.parametrize("z_um", [40.0, 90.0, -140.0])
    def test_slow_lens_defocused_is_hopkins_integral(self, z_um: float) -> None:
        found = modulation(kernels_of(Lens(fnumber=5.6)).exact(z_um), 2.0, FREQUENCIES, 1.1)
        expected = [hopkins_mtf(f, fnumber=5.6, z_um=z_um) for f in FREQUENCIES]
        np.testing.assert_allclose(found, expected, atol=0.006)

    def test_far_out_of_focus_is_the_geometric_disc(self) -> None:
        frequencies = np.array([2.0, 3.0, 4.0, 5.0])
        found = modulation(kernels_of(Lens(fnumber=2.8)).exact(200.0), 2.0, frequencies, 0.0)
        x = 2 * np.pi * frequencies * 1e-3 * 200.0 * math.tan(math.asin(0.5 / 2.8))
        np.testing.assert_allclose(found, np.abs(2 * j1(x) / x), atol=0.02)

    def test_fast_cone_turns_faster_than_the_parabola(self) -> None:
        lens = Lens(fnumber=1.4)
        edge = float(lens.focus_path(np.array([1.0]), np.array([0.0]))[0])
        assert edge == pytest.approx(1 - math.cos(math.asin(0.5 / 1.4)), rel=1e-12)
        # Second order of the square root: 1 + sin²U / 4 + sin⁴U / 8.
        sine = 0.5 / 1.4
        assert edge * 8 * 1.4**2 == pytest.approx(1 + sine**2 / 4 + sine**4 / 8, abs=1e-3)

    def test_without_aberrations_both_sides_are_alike(self) -> None:
        kernels = kernels_of(Lens(fnumber=1.4), count=96)
        for z_um in (7.0, 23.0):
            near, far = (modulation(kernels.exact(z), 2.0, FREQUENCIES, 0.7) for z in (-z_um, z_um))
            np.testing.assert_allclose(near, far, atol=1e-9)

    def test_spherical_lens_is_best_near_the_balance_of_its_wavefront(self) -> None:
        lens = Lens(fnumber=4.0, spherical_waves=0.15)
        # Least rms wavefront: W020 = −W040, with W020 = z / (8 N²) (Born and Wolf, 9.2); a band of low
        # frequencies lies between this and the paraxial image's mirror.
        balance_um = -0.15 * 0.55 * 8 * 4.0**2
        assert best_focus_um(lens, "grey") == pytest.approx(balance_um, rel=0.35)
        kernels = kernels_of(lens, count=96)
        near, far = (modulation(kernels.exact(z), 2.0, FREQUENCIES, 0.0) for z in (-40.0, 40.0))
        assert np.abs(near - far).max() > 0.05

    @pytest.mark.parametrize(
        "lens", [Lens(fnumber=1.4), Lens(spherical_waves=0.3), Lens(fnumber=2.8, coma_axis_waves=0.3)]
    )
    def test_interpolating_defocus_moves_the_peak_by_less_than_2_nm(self, lens: Lens) -> None:
        kernels = kernels_of(lens, count=72)
        for part in (0.0, 0.37):
            about_um = best_focus_um(lens, "grey") + part * kernels.node_um
            assert abs(band_peak_um(kernels.at, about_um) - band_peak_um(kernels.exact, about_um)) < 0.002

    def test_interpolated_kernels_are_close_far_from_focus(self) -> None:
        kernels = kernels_of(Lens(fnumber=1.4), count=72)
        for z_um in (-58.1, 33.33):
            exact = kernels.exact(z_um)
            assert np.abs(kernels.at(z_um) - exact).max() < 1e-4 * exact.max()

    def test_colours_focus_where_the_lens_puts_them(self) -> None:
        lens = Lens(spectrum=LINES, colour_um=6.0, colour_tilt_um=4.0)
        apart = best_focus_um(lens, "blue") - best_focus_um(lens, "green")
        expected = lens.focus_of_wavelength_um(0.465) - lens.focus_of_wavelength_um(0.54)
        assert apart == pytest.approx(expected, abs=0.3)
        assert 0 < best_focus_um(lens, "luma") - best_focus_um(lens, "green") < apart

    def test_an_axis_split_is_the_distance_of_two_meridians(self) -> None:
        lens = Lens(axis_split_um=30.0)
        across, down = (best_focus_um(lens, "grey", angles_deg=(angle,)) for angle in (0.0, 90.0))
        assert across - down == pytest.approx(30.0, abs=0.5)


class TestGeometry:
    VIEW = View(
        Lens(distortion=0.02, growth=1e-4, curvature_field_um=10.0),
        yaw_deg=3.0,
        pitch_deg=-2.0,
        roll_deg=1.0,
        shift_mm=(4.0, -3.0),
        tilt_x_um=12.0,
        z_um=35.0,
    )

    @pytest.mark.parametrize("place", [(0.0, 0.0), (110.0, -58.0), (-90.0, 40.0)])
    def test_pixels_lead_back_to_the_chart(self, place: tuple[float, float]) -> None:
        way, (x_px, y_px) = self.VIEW.inverse(), self.VIEW.to_px(*place)
        across, down = (x_px - way[0]) * way[2], (y_px - way[1]) * way[2]
        scale = way[6] / (way[6] + way[3] + way[4] * across + way[5] * down) / way[7]
        x, y = across * scale, down * scale
        bend = 1 + way[8] * (x**2 + y**2) / way[9] ** 2
        u, v, w = way[10:].reshape(3, 3) @ (x * bend, y * bend, 1.0)
        assert (u / w, v / w) == pytest.approx(place, abs=1e-6)

    def test_size_of_the_picture_is_the_thin_lens(self) -> None:
        view = View(Lens(focal_mm=50.0, distance_mm=1050.0))
        left, right = view.to_px(-10.0, 0.0), view.to_px(10.0, 0.0)
        assert (right[0] - left[0]) * 6.0 == pytest.approx(20_000 * 50 / (1050 - 50), rel=1e-12)

    def test_picture_grows_with_the_exit_pupil(self) -> None:
        view = View(Lens(exit_pupil_mm=60.0))
        near, far = (view.moved(z).to_px(100.0, 0.0)[0] - 639.5 for z in (0.0, 60.0))
        assert far / near == pytest.approx(1.001, rel=1e-9)

    def test_tilt_is_the_difference_of_best_positions_edge_to_edge(self) -> None:
        view = View(Lens(), tilt_x_um=10.0, tilt_y_um=-6.0)
        across = view.sensor_height_um(0.0, 359.5) - view.sensor_height_um(1280.0, 359.5)
        down = view.sensor_height_um(639.5, 0.0) - view.sensor_height_um(639.5, 720.0)
        assert (across, down) == pytest.approx((10.0, -6.0))

    def test_a_turned_chart_bends_the_image_by_the_lens_equation(self) -> None:
        view = View(Lens(), yaw_deg=5.0)
        depth_mm = 100 * math.sin(math.radians(5.0))
        expected_mm = 1 / (1 / 25 - 1 / (1175 + depth_mm)) - 1 / (1 / 25 - 1 / 1175)
        assert expected_mm < 0
        assert view.chart_height_um(100.0, 0.0) == pytest.approx(1000 * expected_mm, rel=1e-9)


class TestPicture:
    @pytest.mark.slow
    def test_a_ring_of_the_star_has_the_modulation_of_lens_and_pixel(self) -> None:
        fill = 0.95
        former = Former(ONE_STAR, View(Lens(), 640, 480), Sensor(fill=fill, window_px=48))
        picture = former.form(Moment(0.0), "grey")
        x_px, y_px = former.view.to_px(0.0, 0.0)
        y, x = np.indices(picture.shape)
        radius, turn = np.hypot(x - x_px, y - y_px), np.arctan2(y - y_px, x - x_px)
        directions = np.linspace(0, 2 * np.pi, 720)
        for at_px in (40.0, 60.0, 80.0):
            ring = np.abs(radius - at_px) < 4.0
            # The third wave of the bars is fitted too, because the pixels alias it.
            parts = [wave(n * turn[ring]) for n in (80, 240) for wave in (np.cos, np.sin)]
            fitted = np.linalg.lstsq(
                np.column_stack([np.ones(ring.sum()), *parts]), picture[ring], rcond=None
            )
            c, s = fitted[0][1:3]
            f_px = 80 / (2 * np.pi * radius[ring].mean())
            across, down = fill * f_px * np.cos(directions), fill * f_px * np.sin(directions)
            pixel = np.mean(np.sinc(across) * np.sinc(down))
            mtf = textbook_mtf(np.array([f_px / 6e-3]), fnumber=2.0)[0]
            # 2 / π: the first wave of a row of equal dark and light bars from 0 to 1.
            expected = (1 - ONE_STAR.ink) * 2 / np.pi * mtf * pixel
            assert math.hypot(c, s) == pytest.approx(expected, rel=0.008)

    @pytest.mark.slow
    def test_modulation_read_off_the_star_peaks_at_the_truth(self) -> None:
        spokes, fill = 96, 0.95
        chart = replace(sheet(star_count=1, scale=0.95, spokes=spokes), is_binary=False)
        former = Former(chart, View(Lens(spherical_waves=0.3), 640, 480), Sensor(fill=fill))
        x_px, y_px = former.view.to_px(0.0, 0.0)
        y, x = np.indices((480, 640))
        radius, turn = np.hypot(x - x_px, y - y_px), np.arctan2(y - y_px, x - x_px)
        sectors = np.linspace(-np.pi, np.pi, 25)

        def band_modulation(picture: NDArray[np.float32]) -> float:
            found = []
            for frequency in np.arange(20.0, 62.5, 6.0):
                ring = np.abs(radius - spokes / (2 * np.pi * frequency * 6e-3)) < 2.0
                for first, last in itertools.pairwise(sectors):
                    part = ring & (turn >= first) & (turn < last)
                    phase, side = spokes * turn[part], fill * frequency * 6e-3
                    waves = np.column_stack([np.ones(part.sum()), np.cos(phase), np.sin(phase)])
                    _, c, s = np.linalg.lstsq(waves, picture[part], rcond=None)[0]
                    across = (first + last) / 2 + np.pi / 2
                    pixel = np.sinc(side * math.cos(across)) * np.sinc(side * math.sin(across))
                    found.append(math.hypot(c, s) / pixel)
            return float(np.mean(found))

        off_um = np.linspace(-3, 3, 7)
        best_um = former.best_um("grey")
        curve = np.polyfit(
            off_um, [band_modulation(former.form(Moment(best_um + z), "grey")) for z in off_um], 4
        )
        peaks = np.roots(np.polyder(curve))
        assert min(abs(peaks[np.isreal(peaks)].real)) < 0.01

    def test_star_moves_with_the_picture_and_smears(self) -> None:
        former = Former(ONE_STAR, View(Lens(), 640, 480), Sensor())
        still = former.form(Moment(0.0), "grey")
        moved = former.form(Moment(0.0, shift_px=(3.0, -2.0)), "grey")
        part = (slice(190, 290), slice(270, 370))
        np.testing.assert_allclose(moved[188:288, 273:373], still[part], atol=1e-4)
        smeared = former.form(Moment(0.0, smear_px=(3.0, 0.0)), "grey")
        across, down = (np.abs(np.diff(smeared[part], axis=axis)).mean() for axis in (1, 0))
        assert across < 0.8 * down

    def test_corner_stars_are_mirrors_of_each_other(self) -> None:
        lens = Lens(coma_field_waves=0.6, astigmatism_field_waves=0.5, cat_eye=0.3)
        chart = replace(sheet(), is_binary=False)  # of dark and light bars, the mirror is the negative
        picture = Former(chart, View(lens, 1281, 721), Sensor()).form(Moment(6.0), "grey")
        part = (slice(60, 230), slice(150, 340))
        np.testing.assert_allclose(picture[part], picture[:, ::-1][part], atol=2e-3)
        np.testing.assert_allclose(picture[part], picture[::-1][part], atol=2e-3)

    def test_gradient_energy_of_a_plain_sweep_peaks_at_the_truth(self) -> None:
        sweep = make_sweep(replace(SMALL, camera=Camera(is_noisy=False, bits=16)), seed=5)
        energy = []
        for signal in sweep.signals():
            star = signal[140:340, 220:420]
            energy.append(float(np.mean(np.diff(star, axis=0) ** 2) + np.mean(np.diff(star, axis=1) ** 2)))

        def bell(x: NDArray[np.float64], a: float, m: float, w: float, b: float) -> NDArray[np.float64]:
            return b + a * np.exp(-((x - m) ** 2) / (2 * w**2))

        start = (max(energy), sweep.positions_um[int(np.argmax(energy))], 15.0, min(energy))
        found = curve_fit(bell, sweep.positions_um, energy, start)[0][1]
        assert found == pytest.approx(sweep.truth["best_um"], abs=0.05)


class TestCamera:
    @pytest.mark.parametrize(("level", "read_noise_e"), [(0.5, 4.0), (0.02, 60.0)])
    def test_noise_is_that_of_photons_and_reading(self, level: float, read_noise_e: float) -> None:
        camera = Camera(exposure=1.0, full_well_e=10_000.0, read_noise_e=read_noise_e)
        plane = np.full((400, 500), level, dtype=np.float32)
        (signal,) = Processor(camera, seed=3).develop({"grey": plane})
        expected = math.sqrt(level * 10_000 + read_noise_e**2) / 10_000
        scatter = signal.astype(float) - level
        assert scatter.std() == pytest.approx(expected, rel=0.01)
        assert abs(scatter.mean()) < 4 * expected / math.sqrt(scatter.size)
        assert abs(np.mean(scatter[:, 1:] * scatter[:, :-1])) < 0.01 * expected**2

    def test_tone_curves_at_middle_grey(self) -> None:
        grey = np.array([0.18], dtype=np.float32)
        # Rec.709: 1.099 · .18^.45 − .099; ACEScct's published middle grey.
        assert toned(grey, "Rec.709")[0] == pytest.approx(0.4090, abs=2e-4)
        assert toned(grey, "ACEScct")[0] == pytest.approx(0.4136, abs=2e-4)
        assert toned(grey, "linear")[0] == pytest.approx(0.18)

    @pytest.mark.parametrize("is_plain", [True, False])
    def test_interpolation_keeps_plain_ramps_of_colour(self, is_plain: bool) -> None:
        y, x = np.indices((40, 50), dtype=np.float32)
        planes = [0.1 + 0.001 * x, 0.2 + 0.002 * y, 0.3 + 0.001 * (x - y)]
        for found, true in zip(demosaic(mosaic(planes), is_plain=is_plain), planes, strict=True):
            np.testing.assert_allclose(found[4:-4, 4:-4], true[4:-4, 4:-4], atol=1e-6)

    def test_unsharp_mask_raises_a_wave_as_its_blur_predicts(self) -> None:
        wave = (0.5 + 0.2 * np.cos(2 * np.pi * np.arange(400) * 0.15)).astype(np.float32)
        plane = np.tile(wave, (60, 1))
        camera = Camera(exposure=1.0, is_noisy=False, sharpening=0.5, sharpening_px=1.0)
        (sharp,) = Processor(camera, seed=0).develop({"grey": plane})
        expected = 1 + 0.5 * (1 - math.exp(-2 * (math.pi * 0.15) ** 2))
        assert sharp[30, 20:-20].std() / plane[30, 20:-20].std() == pytest.approx(expected, rel=0.01)

    @pytest.mark.parametrize("kind", ["median", "bilateral", "temporal"])
    def test_noise_reduction_reduces_noise(self, kind: str) -> None:
        plain = Camera(full_well_e=2000.0)
        plane = np.full((100, 100), 0.8, dtype=np.float32)
        spread = []
        for camera in (plain, replace(plain, noise_reduction=kind, noise_reduction_weight=0.7)):
            processor = Processor(camera, seed=1)
            spread.append([processor.develop({"grey": plane})[0].std() for _ in range(5)][-1])
        assert spread[1] < 0.8 * spread[0]

    def test_codes_span_their_depth(self) -> None:
        ramp = np.linspace(-0.1, 1.1, 100, dtype=np.float32).reshape(10, 10)
        for bits in (8, 10, 16):
            codes = Processor(Camera(bits=bits), seed=0).codes([ramp])
            assert (codes.min(), codes.max()) == (0, 2**bits - 1)
            assert codes.dtype == (np.uint8 if bits == 8 else np.uint16)


class TestStand:
    def test_position_errors_are_white_of_the_given_sd(self) -> None:
        walks = [walk(Stand(error_um=0.7), seed=seed) for seed in range(400)]
        errors = np.array([one.true_um - one.recorded_um for one in walks])
        assert errors.std() == pytest.approx(0.7, rel=0.03)
        assert abs(np.mean(errors[:, 1:] * errors[:, :-1])) < 0.04 * 0.7**2

    @pytest.mark.parametrize(("slip", "off_um"), [("missing", 8.0), ("doubled", -8.0)])
    def test_a_slip_moves_all_later_pictures_by_a_step(self, slip: str, off_um: float) -> None:
        places = set()
        for seed in range(40):
            walked = walk(Stand(slip=slip), seed=seed)
            off_by_um = walked.true_um - walked.recorded_um
            places.add(walked.slip_at)
            np.testing.assert_allclose(off_by_um[: walked.slip_at], 0)
            np.testing.assert_allclose(off_by_um[walked.slip_at :], off_um)
        assert min(places) >= 3
        assert max(places) <= 12
        assert len(places) > 6

    @pytest.mark.parametrize("is_reversed", [False, True])
    def test_backlash_holds_the_first_pictures_back(self, is_reversed: bool) -> None:
        walked = walk(Stand(backlash_um=12.0, is_reversed=is_reversed), seed=0)
        sign = -1 if is_reversed else 1
        np.testing.assert_allclose(sign * (walked.true_um - walked.recorded_um), [12.0, 4.0] + [0.0] * 13)


class TestSweep:
    def test_same_seed_same_sweep(self) -> None:
        setup = replace(SMALL, stand=Stand(frames=3, error_um=0.7))
        first, again, other = (make_sweep(setup, seed=seed) for seed in (4, 4, 5))
        assert all((a == b).all() for a, b in zip(first.frames, again.frames, strict=True))
        assert first.truth == again.truth
        assert first.truth["best_um"] != other.truth["best_um"]
        assert (first.frames[0] != other.frames[0]).any()

    @pytest.mark.slow
    @pytest.mark.parametrize("is_colour", [False, True])
    def test_folder_holds_what_its_record_lists(self, tmp_path: Path, is_colour: bool) -> None:
        lens = Lens(spectrum=LINES) if is_colour else Lens()
        camera = Camera(mosaic="gradients") if is_colour else Camera(bits=12, black=0.1)
        stand = Stand(frames=5, slip="doubled", slip_margin=2)
        sweep = make_sweep(replace(SMALL, lens=lens, camera=camera, stand=stand), seed=1)
        write_sweep(tmp_path / "one", sweep)
        record = json.loads((tmp_path / "one" / "sweep.json").read_text())
        chart = json.loads((tmp_path / "one" / record["chart"]).read_text())
        truth = json.loads((tmp_path / "one.truth.json").read_text())
        assert {"pitch_um", "fnumber", "focal_mm", "transfer", "swept", "width", "height"} <= set(record)
        assert [entry["position_um"] for entry in record["frames"]] == [-16.0, -8.0, 0.0, 8.0, 16.0]
        assert set(chart["stars"][0]) == {"centre_mm", "radius_mm", "spokes", "id"}
        assert {"best_um", "tilt_x_um", "tilt_y_um", "stars", "true_positions_um"} <= set(truth)
        files = [str(tmp_path / "one" / entry["file"]) for entry in record["frames"]]
        pictures = [cv2.imread(file, cv2.IMREAD_UNCHANGED) for file in files]
        if is_colour:
            assert (pictures[0].dtype, pictures[0].shape) == (np.uint8, (480, 640, 3))
            assert (pictures[0][..., ::-1] == sweep.frames[0]).all()
        else:
            assert (pictures[0].dtype, pictures[0].shape) == (np.uint16, (480, 640))
            assert (record["left_shift"], record["white_level"]) == (4, 65520)
            assert not (pictures[0] % 16).any()
            assert record["black_level"] == 410 * 16
            assert pictures[0].min() > record["black_level"]
        at = truth["slip_at"]
        assert (pictures[at] == pictures[at - 1]).all()
        assert truth["best_after_slip_um"] == pytest.approx(truth["best_um"] + 8.0)

    def test_a_hand_darkens_its_pictures_only(self) -> None:
        setup = replace(SMALL, stand=Stand(frames=6, hands=2))
        plain = make_sweep(replace(setup, stand=Stand(frames=6)), seed=2).signals()
        sweep = make_sweep(setup, seed=2)
        share = [np.mean(a) / np.mean(b) for a, b in zip(sweep.signals(), plain, strict=True)]
        assert len(sweep.truth["hands"]) == 2
        for index in range(6):
            if index in sweep.truth["hands"]:
                assert share[index] < 0.95
            else:
                assert share[index] == pytest.approx(1.0, abs=0.002)

    def test_stars_lean_with_the_sensor(self) -> None:
        setup = replace(Setup(), chart_turn_deg=0.0, stand=Stand(frames=2), camera=Camera(is_noisy=False))
        truth = make_sweep(setup, seed=3).truth
        assert len(truth["stars"]) == 5
        for star in truth["stars"]:
            across, down = (star["x_px"] - 639.5) / 1280, (star["y_px"] - 359.5) / 720
            expected = across * truth["tilt_x_um"] + down * truth["tilt_y_um"]
            assert star["best_um"] - truth["best_um"] == pytest.approx(expected, abs=0.02)

    def test_a_codec_returns_nearly_what_went_in(self, tmp_path: Path) -> None:
        plain = replace(SMALL, stand=Stand(frames=3), camera=Camera(tone="Rec.709", full_well_e=1e6))
        before = make_sweep(plain, seed=1)
        for name in ("DNxHR", "H.264 intra"):
            after = make_sweep(replace(plain, codec=name), seed=1)
            assert len(after.frames) == 3
            apart = np.array(before.signals()) - np.array(after.signals())
            assert 0 < np.sqrt(np.mean(apart**2)) < 0.015
        write_clip(tmp_path / "clip.mov", before, "ProRes")
        assert len(list(codecs.read(tmp_path / "clip.mov"))) == 3
        assert (tmp_path / "positions.csv").read_text().split() == ["position_um", "-8.0", "0.0", "8.0"]


class TestFeed:
    QUICK = Motion(turns_um=(-30.0, 20.0), leg_s=0.6, rest_um=-12.4, rest_s=0.4)
    FEED = Feed(chart=ONE_STAR, motion=QUICK, crop_px=300, width=640, height=480)

    def test_a_feed_passes_the_sharpest_and_rests_where_its_truth_is(self) -> None:
        frames = list(self.FEED.frames(seed=3))
        z_um = np.array([frame.z_um for frame in frames])
        assert z_um[0] < -20
        assert z_um.max() > 15
        assert set(z_um[-10:]) == {-12.4}
        assert all(frame.luma.dtype == np.uint8 and frame.luma.shape == (300, 300) for frame in frames)
        assert min(frame.luma.min() for frame in frames) >= 16
        sharpness = [np.diff(frame.luma.astype(float)).std() for frame in frames]
        assert abs(z_um[int(np.argmax(sharpness))]) < 8

    def test_same_seed_same_feed(self) -> None:
        feed = replace(self.FEED, shake_px=2.0, exposure_s=0.02, light_drift=0.05)
        first, again = (list(feed.frames(seed=7)) for _ in range(2))
        assert all((a.luma == b.luma).all() and a.z_um == b.z_um for a, b in zip(first, again, strict=True))

    def test_dropped_and_frozen_pictures_are_in_the_truth(self) -> None:
        feed = replace(self.FEED, dropped=0.2, frozen_s=0.3)
        frames = list(feed.frames(seed=2))
        assert sum(frame.dropped for frame in frames) > 0
        assert all(b.index - a.index == 1 + b.dropped for a, b in itertools.pairwise(frames))
        frozen = [frame for frame in frames if frame.is_frozen]
        assert len(frozen) > 3
        assert all((frame.luma == frozen[0].luma).all() for frame in frozen)

    def test_a_feed_is_written_with_its_truth(self, tmp_path: Path) -> None:
        feed = replace(self.FEED, motion=replace(self.QUICK, turns_um=(), rest_s=0.2))
        for name in ("feed.y4m", "feed.mp4"):
            write_feed(tmp_path / name, feed, seed=1)
            truth = json.loads((tmp_path / "feed.truth.json").read_text())
            assert len(list(codecs.read(tmp_path / name))) == len(truth["z_um"]) == 5
            assert truth["rest_um"] == -12.4
        exact = [frame.luma for frame in feed.frames(seed=1)]
        read = list(codecs.read(tmp_path / "feed.y4m"))
        assert all((a == b).all() for a, b in zip(read, exact, strict=True))


class TestCells:
    def test_every_goal_has_its_cell(self) -> None:
        assert len(SWEEPS) > 35
        assert len(FEEDS) > 18
        assert all(cell.rms_um > 0 for cell in SWEEPS.values())
        assert REPORT_SEEDS == 10_000

    def test_a_seed_makes_other_worlds_in_other_cells(self) -> None:
        truths = set()
        for name in ("exact f/2", "sharpened .4"):
            cell = SWEEPS[name].smaller()
            few = replace(cell, setup=replace(cell.setup, stand=Stand(frames=2)))
            truths.add(few.make(seed=1).truth["best_um"])
        assert len(truths) == 2

    def test_nothing_is_shared_with_what_it_tests(self) -> None:
        paths = list((ROOT / "benchmarks" / "worlds" / "frames").glob("*.py"))
        assert len(paths) > 10
        for path in paths:
            for node in ast.walk(ast.parse(path.read_text())):
                names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
                names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
                assert not any(name.startswith(("shimwise", "benchmarks.imaging")) for name in names), path
