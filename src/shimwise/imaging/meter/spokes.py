"""A star of unknown spoke count: counted around its rings, and proved by the lock."""

import math

import cv2
import numpy as np

from shimwise.arrays import Picture
from shimwise.imaging.meter.lock import discs, lock
from shimwise.imaging.meter.star_frame import StarPlace

SAMPLES = 2048
"""Points around a ring: more than twice the most spokes there are."""
RINGS = tuple(np.linspace(0.7, 0.95, 12))
"""Rings by the star's radius: near the rim spokes are coarsest, and longest seen out of focus."""
LEAST_SPOKES, MOST_SPOKES = 20, 400
"""Our charts' stars have 72 and 36, by camera 20 (45 px of radius) to 360; a marker can lock with fewer."""
TRIED = 4
"""Counts that are tried, the strongest first: a centre that is a pixel off strengthens the neighbours."""


def find_any_star(picture: Picture, *, pitch_um: float) -> tuple[StarPlace, int] | None:
    """Return the place of the star nearest to the picture's middle, and its count of dark spokes, or None.

    Parameters
    ----------
    picture : ndarray
        Linear picture, float32, (rows, columns).
    pitch_um : float
        Pixel pitch, µm.
    """
    for place in discs(picture):
        for spokes in spoke_counts(picture, place):
            found = lock(picture, place, spokes, pitch_um=pitch_um)
            if found is not None:
                return found, spokes
    return None


def spoke_counts(picture: Picture, place: StarPlace) -> list[int]:
    """Return the counts of periods around a round patch that are strongest, the strongest first."""
    angle = 2.0 * math.pi * np.arange(SAMPLES) / SAMPLES
    radius = place.radius_px * np.array(RINGS)[:, None]
    x = (place.centre_px[0] + radius * np.cos(angle)).astype(np.float32)
    y = (place.centre_px[1] + radius * np.sin(angle)).astype(np.float32)
    around = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    strength = np.abs(np.fft.rfft(around - around.mean(axis=1, keepdims=True), axis=1)).mean(axis=0)
    strength = strength[: MOST_SPOKES + 1]
    strength[:LEAST_SPOKES] = 0.0
    return [int(count) for count in np.argsort(strength)[::-1][:TRIED]]
