"""A star that grows with focus: which side, and whether the lens breathes."""

import numpy as np

from shimwise.imaging.meter.rim import rim_by_place

Z_UM = np.linspace(-40.0, 40.0, 120)


def test_a_lens_that_breathes_tells_one_side_from_the_other() -> None:
    noise = np.random.default_rng(1).normal(0.0, 0.02, Z_UM.size)
    rim = rim_by_place(Z_UM, 160.0 * (1.0 + 1e-4 * Z_UM) + noise, reach_um=60.0)
    assert rim is not None
    assert rim.breathes
    assert rim.side(np.full(20, 160.0 * (1.0 - 1e-4 * 12.0)), 144.0) == -1.0
    assert rim.side(np.full(20, 160.0 + 0.01), 0.4) is None


def test_a_picture_that_does_not_grow_tells_nothing() -> None:
    noise = np.random.default_rng(2).normal(0.0, 0.02, Z_UM.size)
    rim = rim_by_place(Z_UM, 160.0 + noise, reach_um=60.0)
    assert rim is not None
    assert not rim.is_usable
    assert rim.side(np.full(20, 161.0), 900.0) is None
    assert rim_by_place(Z_UM[:20], Z_UM[:20], reach_um=60.0) is None
