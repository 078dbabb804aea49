"""The lens's transfer by the exact law, against a table of outside truths and the pupil counted on a grid."""

import csv
from pathlib import Path

import numpy as np
import pytest

from shimwise.errors import ImagingError
from shimwise.imaging.focus.lens.law import interpolation_matrix, law_table, wave_depth_um
from shimwise.imaging.focus.lens.template import RingNodes, StarTemplate

TABLE = Path(__file__).parents[4] / "reference" / "mtf_defocus.csv"
SLOW_FNUMBER = 60.0
"""So slow that the exact law is the paraxial one to 2e-5 of the phase."""


def transfer(
    frequency: float, defocus: float, *, fnumber: float, w040: float = 0.0, wave: float = 0.55
) -> float:
    """Read the table at its last defocus, which is the one wanted."""
    table = law_table(
        fnumber=fnumber,
        reach_um=max(abs(defocus), 1e-6),
        low_cy_mm=0.8 * frequency,
        high_cy_mm=1.2 * frequency,
        wavelengths_um=(wave,),
    )
    at = interpolation_matrix(table.frequency_cy_mm, np.array([frequency]))[0]
    waves = int(np.argmin(np.abs(table.w040_waves - w040)))
    return float(table.transfer[waves, -1 if defocus > 0 else 0] @ at)


@pytest.mark.slow
def test_a_slow_lens_has_the_paraxial_transfer_of_the_table() -> None:
    # tests/reference/README.md item 2: pupil autocorrelation by mpmath and by scipy, agreeing to 1e-8. The
    # paraxial transfer depends on λNν and z/N² alone.
    with TABLE.open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) >= 16
    for row in rows:
        slower = SLOW_FNUMBER / float(row["N"])
        got = transfer(
            float(row["freq_c_per_mm"]) / slower,
            float(row["defocus_um"]) * slower**2,
            fnumber=SLOW_FNUMBER,
            wave=float(row["wavelength_um"]),
        )
        assert got == pytest.approx(float(row["otf"]), abs=5e-5)


@pytest.mark.slow
@pytest.mark.parametrize("w040", [0.0, -0.5, 0.8])
def test_a_fast_lens_has_the_pupils_overlap_counted_on_a_grid(w040: float) -> None:
    fnumber, wave, count = 1.4, 0.55, 1200
    axis = (np.arange(count) + 0.5) / count * 2 - 1
    x, y = np.meshgrid(axis, axis)
    for frequency, defocus in [(20.0, -15.0), (45.0, 6.0), (80.0, 12.0)]:
        shift = frequency * wave * 1e-3 * fnumber
        ahead, behind = (x + shift) ** 2 + y**2, (x - shift) ** 2 + y**2
        inside = (ahead < 1) & (behind < 1)
        ahead, behind = ahead[inside], behind[inside]
        cosine = [np.sqrt(1 - squared / (4 * fnumber**2)) for squared in (ahead, behind)]
        path = defocus * (cosine[1] - cosine[0]) + w040 * wave * (ahead**2 - behind**2)
        counted = np.sum(np.cos(2 * np.pi * path / wave)) * (2 / count) ** 2 / np.pi
        got = transfer(frequency, defocus, fnumber=fnumber, w040=w040)
        assert got == pytest.approx(counted, abs=3e-4)


def test_nothing_passes_beyond_the_cut_off() -> None:
    assert transfer(1 / (0.55e-3 * 4.0) + 40.0, 1.0, fnumber=4.0) == pytest.approx(0.0, abs=1e-9)


def peak_um(band: tuple[float, float], w040: float) -> float:
    table = law_table(fnumber=2.8, reach_um=60.0, low_cy_mm=4.0, high_cy_mm=220.0)
    nodes = RingNodes(np.array([40.0]), np.eye(1), np.zeros(1))
    return StarTemplate(table, nodes, band).slice(w040).peak_um


def test_fine_detail_peaks_nearer_to_the_mid_focus_than_coarse_with_spherical_aberration() -> None:
    # Mid focus of W040 is at W20 = -W040, that is -8 N² λ W040: small aberrations peak there.
    assert peak_um((20.0, 62.0), 0.02) == pytest.approx(-0.02 * wave_depth_um(2.8), rel=0.25)
    assert abs(peak_um((5.0, 10.0), 0.5) - peak_um((150.0, 200.0), 0.5)) > 1.0
    assert peak_um((20.0, 62.0), -0.5) == pytest.approx(-peak_um((20.0, 62.0), 0.5), abs=1e-3)


@pytest.mark.parametrize(
    ("wrong", "words"), [({"fnumber": 0.5}, "focal ratio of 0.5"), ({"wavelengths_um": ()}, "Wavelengths")]
)
def test_impossible_optics_are_refused(wrong: dict[str, object], words: str) -> None:
    good = {"fnumber": 2.8, "reach_um": 50.0, "low_cy_mm": 10.0, "high_cy_mm": 90.0}
    with pytest.raises(ImagingError, match=words):
        law_table(**(good | wrong))
