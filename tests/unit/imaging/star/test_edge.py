"""Slanted edges of known profile give the closed form's transfer."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import erf

from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import Edge
from shimwise.imaging.star.edge import edge_transfer, square_transfers

FloatArray = NDArray[np.float64]


def gauss_edge(
    *,
    sd_px: float = 0.7,
    slant_deg: float = 5.0,
    size: tuple[int, int] = (120, 90),
    noise: float = 0.0,
    seed: int = 1,
) -> FloatArray:
    """Point-sampled edge of a Gaussian line spread: its transfer is exp(−2π²σ²f²)."""
    y, x = np.indices(size).astype(float)
    turn = np.deg2rad(slant_deg)
    distance = (x - size[1] / 2 + 0.3) * np.cos(turn) - (y - size[0] / 2) * np.sin(turn)
    clean = 0.4 + 0.25 * erf(distance / (np.sqrt(2) * sd_px))
    return clean + noise * np.random.default_rng(seed).standard_normal(size)


@pytest.mark.parametrize("slant_deg", [-9.0, 3.0, 5.0])
@pytest.mark.parametrize("sd_px", [0.5, 0.9, 2.0])
def test_a_gaussian_edge_gives_the_gaussian_transfer(sd_px: float, slant_deg: float) -> None:
    out = edge_transfer(gauss_edge(sd_px=sd_px, slant_deg=slant_deg))
    frequency = np.linspace(0.02, 0.48, 24)
    expected = np.exp(-2 * (np.pi * sd_px * frequency) ** 2)
    np.testing.assert_allclose(out.at(frequency), expected, atol=0.01)
    assert abs(out.slant_deg) == pytest.approx(abs(slant_deg), abs=0.05)
    assert out.contrast == pytest.approx(0.5 / 0.8, abs=5e-3)


def test_noise_costs_at_most_two_hundredths() -> None:
    frequency = np.linspace(0.02, 0.4, 20)
    expected = np.exp(-2 * (np.pi * 0.7 * frequency) ** 2)
    errors = [edge_transfer(gauss_edge(noise=0.008, seed=k)).at(frequency) - expected for k in range(8)]
    assert np.sqrt(np.mean(np.square(errors))) < 0.02


def test_four_sides_of_a_square_are_measured_from_its_place_on_the_sheet() -> None:
    y, x = np.indices((200, 220)).astype(float)
    turn = np.deg2rad(5.0)
    u = np.cos(turn) * (x - 110) + np.sin(turn) * (y - 100)
    v = np.cos(turn) * (y - 100) - np.sin(turn) * (x - 110)

    def slab(t: FloatArray) -> FloatArray:
        return 0.5 * (erf((t + 60) / (np.sqrt(2) * 0.8)) - erf((t - 60) / (np.sqrt(2) * 0.8)))

    frame = 0.7 - 0.6 * slab(u) * slab(v)
    to_px = np.array([[4.0, 0, 110.0], [0, 4.0, 100.0], [0, 0, 1.0]])
    square = Edge(id="E0", centre_mm=(0.0, 0.0), side_mm=30.0, angle_deg=5.0)
    sides = square_transfers(frame, square, to_px)
    assert len(sides) == 4
    frequency = np.linspace(0.05, 0.45, 9)
    for side in sides:
        np.testing.assert_allclose(
            side.at(frequency), np.exp(-2 * (np.pi * 0.8 * frequency) ** 2), atol=0.012
        )


@pytest.mark.parametrize(
    ("region", "words"),
    [
        (np.zeros((8, 40)), "16 x 16 px or more"),
        (np.full((60, 60), 0.5), "No single edge"),
        (gauss_edge(slant_deg=0.2), "1° to 20° are needed"),
    ],
)
def test_regions_without_a_usable_edge_are_refused(region: FloatArray, words: str) -> None:
    with pytest.raises(ImagingError, match=words):
        edge_transfer(region)
