"""The aberrated transfer, against the table of outside truths and laws of optics."""

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.focus.pupil import aberrated_otf, band_mean, band_peak, transfer_slopes

FloatArray = NDArray[np.float64]

TABLE = Path(__file__).parents[3] / "reference" / "mtf_defocus.csv"


def test_transfer_without_aberration_is_the_tables() -> None:
    # tests/reference/README.md item 2: pupil autocorrelation by mpmath and by scipy, agreeing to 1e-8.
    with TABLE.open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) >= 16
    for row in rows:
        got = aberrated_otf(
            frequency_cy_mm=float(row["freq_c_per_mm"]),
            defocus_um=float(row["defocus_um"]),
            fnumber=float(row["N"]),
            wavelengths_um=(float(row["wavelength_um"]),),
        )
        assert got[0, 0] == pytest.approx(float(row["otf"]), abs=1e-7)


def pupil_autocorrelation(shift: float, w20: float, w040: float, count: int = 1200) -> float:
    """Brute force on a grid: the overlap of two shifted pupils with their wave difference."""
    axis = (np.arange(count) + 0.5) / count * 2 - 1
    x, y = np.meshgrid(axis, axis)
    ahead, behind = (x + shift) ** 2 + y**2, (x - shift) ** 2 + y**2
    inside = (ahead < 1) & (behind < 1)
    wave = w20 * (ahead - behind) + w040 * (ahead**2 - behind**2)
    return np.sum(np.cos(2 * np.pi * wave[inside])) * (2 / count) ** 2 / np.pi


@pytest.mark.parametrize("w040", [-0.5, 0.25, 0.8])
def test_transfer_with_aberration_is_the_pupils_overlap_counted_on_a_grid(w040: float) -> None:
    fnumber, wavelength = 2.8, 0.55
    for frequency, defocus in [(20.0, -25.0), (45.0, 10.0), (80.0, 40.0)]:
        shift = frequency * wavelength * 1e-3 * fnumber
        expected = pupil_autocorrelation(shift, defocus / (8 * fnumber**2 * wavelength), w040)
        got = aberrated_otf(frequency_cy_mm=frequency, defocus_um=defocus, fnumber=fnumber, w040_waves=w040)
        assert got[0, 0] == pytest.approx(expected, abs=2e-4)


def test_aberration_and_defocus_of_the_other_sign_give_the_same_transfer() -> None:
    frequency, defocus = np.linspace(5, 90, 9), np.linspace(-60, 60, 7)
    one = aberrated_otf(frequency_cy_mm=frequency, defocus_um=defocus, fnumber=2.0, w040_waves=0.4)
    other = aberrated_otf(frequency_cy_mm=frequency, defocus_um=-defocus, fnumber=2.0, w040_waves=-0.4)
    np.testing.assert_allclose(one, other, atol=1e-12)


def test_slopes_are_those_of_small_steps() -> None:
    frequency, defocus = np.array([20.0, 60.0]), np.array([-30.0, 5.0])

    def at(z: float = 0.0, n: float = 0.0, w: float = 0.0) -> FloatArray:
        return aberrated_otf(
            frequency_cy_mm=frequency, defocus_um=defocus + z, fnumber=2.8 * np.exp(n), w040_waves=0.3 + w
        )

    slopes = transfer_slopes(frequency, defocus, fnumber=2.8, w040_waves=0.3)
    np.testing.assert_allclose(slopes.by_defocus, (at(z=0.01) - at(z=-0.01)) / 0.02, atol=1e-6)
    np.testing.assert_allclose(slopes.by_log_fnumber, (at(n=1e-3) - at(n=-1e-3)) / 2e-3, atol=2e-3)
    np.testing.assert_allclose(slopes.by_w040, (at(w=1e-3) - at(w=-1e-3)) / 2e-3, atol=1e-4)


def test_nothing_passes_beyond_the_cut_off() -> None:
    assert aberrated_otf(frequency_cy_mm=1 / (0.55e-3 * 4) + 1, defocus_um=0.0, fnumber=4.0)[0, 0] == 0.0


def test_fine_detail_peaks_nearer_to_the_mid_focus_than_coarse_with_spherical_aberration() -> None:
    # Mid focus of W040 is at W20 = -W040, that is -8 N² λ W040: small aberrations peak there.
    small = band_peak(band_cy_mm=(20, 62), fnumber=2.8, w040_waves=0.02)
    assert small.by_w040 == pytest.approx(-8 * 2.8**2 * 0.55, rel=0.25)
    coarse = band_peak(band_cy_mm=(5, 10), fnumber=2.8, w040_waves=0.5).peak_um
    fine = band_peak(band_cy_mm=(150, 200), fnumber=2.8, w040_waves=0.5).peak_um
    assert coarse != pytest.approx(fine, abs=1.0)


def test_the_bands_peak_is_higher_than_its_neighbours() -> None:
    optics = {"band_cy_mm": (20.0, 62.0), "fnumber": 2.8, "w040_waves": 0.5}
    peak = band_peak(**optics).peak_um
    mean = band_mean([peak - 0.5, peak, peak + 0.5], **optics)
    assert mean[1] > mean[0]
    assert mean[1] > mean[2]


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"fnumber": 0.0}, "focal ratio of 0.0"),
        ({"wavelengths_um": ()}, "Wavelengths"),
        ({"frequency_cy_mm": -1.0}, "-1.0"),
    ],
)
def test_impossible_optics_are_refused(wrong: dict[str, object], words: str) -> None:
    good = {"frequency_cy_mm": 10.0, "defocus_um": 0.0, "fnumber": 2.8}
    with pytest.raises(ImagingError, match=words):
        aberrated_otf(**(good | wrong))
