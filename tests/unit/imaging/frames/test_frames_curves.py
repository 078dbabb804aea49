"""Transfer curves against published points and an independent library."""

import inspect
import warnings
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.imaging.frames.curves import signal_to_linear
from shimwise.imaging.frames.errors import DescriptionError
from shimwise.imaging.frames.levels import CodeLevels, codes_to_linear, limited_range


@pytest.fixture(scope="module")
def colour() -> ModuleType:
    """The library of curves, imported without its own warnings."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


SIGNAL = np.linspace(0, 1, 1001)


@pytest.mark.slow
def test_srgb_and_rec709_agree_with_an_independent_library(colour: ModuleType) -> None:
    assert signal_to_linear(SIGNAL, "sRGB") == pytest.approx(colour.models.eotf_sRGB(SIGNAL), abs=1e-7)
    # The library rounds the knee otherwise, within the standard's own rounding.
    assert signal_to_linear(SIGNAL, "Rec.709") == pytest.approx(
        colour.models.oetf_inverse_BT709(SIGNAL), abs=1e-4
    )


@pytest.mark.parametrize(
    ("name", "signal", "light"),
    [
        ("linear", 0.25, 0.25),
        ("gamma 2.0", 0.5, 0.25),
        ("2.0", 0.5, 0.25),
        ("ACEScct", 0.4135884, 0.18),  # Academy S-2016-001: mid grey
        ("acescct", 0.4135884, 0.18),
        ("PQ", 0.508078, 100.0),  # SMPTE ST 2084: 100 cd/m² at code 0.508
        ("smpte2084", 0.508078, 100.0),
        ("HLG", 0.5, 1 / 12),  # ITU-R BT.2100-2, table 5: the branches meet at E = 1/12, E′ = 1/2
        ("arib-std-b67", 0.5, 1 / 12),
    ],
)
def test_curves_pass_through_their_published_points(name: str, signal: float, light: float) -> None:
    assert signal_to_linear(np.array([signal]), name)[0] == pytest.approx(light, rel=2e-3)


def test_every_log_curve_known_gives_rising_light_over_10_bit_codes(colour: ModuleType) -> None:
    names = (*colour.LOG_DECODINGS, "PQ", "HLG")
    assert len(names) > 20
    for name in names:
        levels = CodeLevels(black=0, white=1023, transfer=name, bits=10)
        codes = np.arange(1024, dtype=np.uint16)
        try:
            light = codes_to_linear(codes, levels)
        except DescriptionError as error:
            assert "gives no rising light" in str(error)  # noqa: PT017 (some curves fall near black)
            continue
        assert np.isfinite(light).all()
        assert (np.diff(light) >= 0).all()


@pytest.mark.slow
def test_a_curve_defined_in_codes_means_the_same_codes_in_either_range(colour: ModuleType) -> None:
    # Such curves are published as code values: a code is the same light whatever range the stream is marked.
    low, high = limited_range(10)
    codes = np.arange(300, 900, dtype=np.uint16)
    seen = 0
    for name, curve in colour.LOG_DECODINGS.items():
        if {"in_normalised_code_value", "bit_depth"} <= set(inspect.signature(curve).parameters):
            full = codes_to_linear(codes, CodeLevels(black=0, white=1023, transfer=name, bits=10))
            marked = CodeLevels(black=low, white=high, transfer=name, bits=10, is_limited=True)
            assert codes_to_linear(codes, marked) == pytest.approx(full, rel=1e-5)
            seen += 1
    assert seen >= 3


def test_limited_range_is_that_of_bt709() -> None:
    # ITU-R BT.709-6, item 4: 16 and 235 in 8 bits, 64 and 940 in 10.
    assert limited_range(8) == (16, 235)
    assert limited_range(10) == (64, 940)


@pytest.mark.parametrize("name", ["Rec.709", "sRGB"])
@pytest.mark.parametrize("ends", [(0.0, 65535.0), limited_range(16)])
def test_curves_with_a_toe_rise_over_16_bit_codes_too(name: str, ends: tuple[float, float]) -> None:
    codes = np.arange(65536, dtype=np.uint16)
    light = codes_to_linear(codes, CodeLevels(black=ends[0], white=ends[1], transfer=name, bits=16))
    assert (np.diff(light[int(ends[0]) : int(ends[1])]) >= 0).all()


def test_light_below_black_keeps_its_sign() -> None:
    for name in ("linear", "gamma 2.2", "Rec.709", "sRGB"):
        assert signal_to_linear(np.array([-0.01]), name)[0] < 0


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("gamma 0.4", "between 1 and 4"),
        ("log", "could be any of|no curve"),
        ("unheard of", "no curve has that name"),
    ],
)
def test_a_name_that_means_nothing_or_several_is_refused(name: str, words: str) -> None:
    with pytest.raises(DescriptionError, match=words):
        signal_to_linear(np.linspace(0.1, 0.9, 3), name)


@given(name=st.text(max_size=20))
def test_any_name_is_either_a_curve_or_refused(name: str) -> None:
    try:
        light = signal_to_linear(np.array([0.25, 0.5]), name)
    except DescriptionError:
        return
    assert light[0] < light[1]
