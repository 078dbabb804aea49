"""The stand that moves sensor or lens in steps, and what goes wrong on it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Stand:
    """A sweep and its faults; all faults are off by default.

    Parameters
    ----------
    frames, step_um
        Number of pictures that the record lists, and the step between their positions [µm].
    centre_um
        Position half way [µm].
    is_reversed
        Whether positions run downwards.
    error_um
        White error of each position [µm rms]: where the stand was, minus what was recorded.
    backlash_um
        Slack at the start [µm]: the stand begins that far along and waits until the screw has taken it up, so
        the recorded positions are right from there on.
    drift_um
        How far the stand creeps over the whole sweep, evenly [µm], 0 at its middle.
    drift_px
        How far the picture creeps sideways over the whole sweep [px], 0 at its middle.
    slip
        ``""``, ``"missing"`` (one picture is lost, so each later one was taken a step farther than recorded)
        or ``"doubled"`` (one picture stands twice, so each later one was taken a step before).
    slip_margin
        Pictures at either end among which no slip falls.
    is_doubled_exactly
        Whether the second of the doubled pictures is the first, code by code, or another exposure.
    hands
        Pictures in which something soft and dark stands before part of the chart.
    light_drift, flicker
        Light gained over the sweep, and white flicker from picture to picture, as parts of it [rms].
    """

    frames: int = 15
    step_um: float = 8.0
    centre_um: float = 0.0
    is_reversed: bool = False
    error_um: float = 0.0
    backlash_um: float = 0.0
    drift_um: float = 0.0
    drift_px: float = 0.0
    slip: str = ""
    slip_margin: int = 3
    is_doubled_exactly: bool = True
    hands: int = 0
    light_drift: float = 0.0
    flicker: float = 0.0


@dataclass(frozen=True)
class Walk:
    """What a stand did: one entry for each recorded picture.

    Attributes
    ----------
    recorded_um, true_um
        Positions as recorded and as they were [µm].
    shift_px
        Sideways creep of the picture [px].
    light
        Light against the mean.
    same_as
        Index of the picture that this one repeats code by code, or −1.
    slip_at
        Index of the first picture after a slip, or −1.
    hands
        Indices of the pictures with something before the chart.
    """

    recorded_um: NDArray[np.float64]
    true_um: NDArray[np.float64]
    shift_px: NDArray[np.float64]
    light: NDArray[np.float64]
    same_as: NDArray[np.int64]
    slip_at: int
    hands: tuple[int, ...]


def walk(stand: Stand, *, seed: int) -> Walk:
    """Walk a stand through its sweep."""
    random = np.random.default_rng([seed, 1])
    count = stand.frames
    step = -stand.step_um if stand.is_reversed else stand.step_um
    recorded = np.asarray(stand.centre_um + step * (np.arange(count) - (count - 1) / 2), dtype=np.float64)
    stops = np.arange(count)
    same_as = np.full(count, -1)
    slip_at = -1
    if stand.slip:
        slip_at = int(random.integers(stand.slip_margin, count - stand.slip_margin + 1))
        stops[slip_at:] += 1 if stand.slip == "missing" else -1
        if stand.slip == "doubled" and stand.is_doubled_exactly:
            same_as[slip_at] = slip_at - 1
    places = stand.centre_um + step * (np.arange(-1, count + 1) - (count - 1) / 2)
    slack = recorded[0] + np.sign(step) * stand.backlash_um
    places = np.minimum(places, slack) if stand.is_reversed and stand.backlash_um else places
    places = np.maximum(places, slack) if not stand.is_reversed and stand.backlash_um else places
    places = places + random.normal(0, 1, count + 2) * stand.error_um
    along = np.linspace(-0.5, 0.5, count)
    true = places[stops + 1] + stand.drift_um * along
    light = 1 + stand.light_drift * along + stand.flicker * random.normal(0, 1, count)
    hands: tuple[int, ...] = ()
    if stand.hands:
        first = int(random.integers(0, count - stand.hands + 1))
        hands = tuple(range(first, first + stand.hands))
    shift = np.outer(stand.drift_px * along, (0.8, 0.6))
    return Walk(recorded, true, shift, light, same_as, slip_at, hands)


def hand(height: int, width: int, *, seed: int) -> NDArray[np.float32]:
    """Return what a hand before the chart lets through, shape (height, width): 1 beside it, .1 in its middle.

    It covers part of the middle, with an edge as soft as that of a thing far out of focus.
    """
    random = np.random.default_rng([seed, 2])
    angle = random.uniform(0, 2 * np.pi)
    reach = min(height, width)
    down_px, right_px = np.indices((height, width), dtype=np.float32)
    x, y = (right_px - width / 2) / reach, (down_px - height / 2) / reach
    off = random.uniform(0.1, 0.3)
    right, below = x - off * np.cos(angle), y - off * np.sin(angle)
    along = right * np.cos(angle) + below * np.sin(angle)
    across = below * np.cos(angle) - right * np.sin(angle)
    radius = np.sqrt((along / 0.35) ** 2 + (across / random.uniform(0.12, 0.22)) ** 2)
    return np.asarray(1 - 0.9 / (1 + np.exp((radius - 1) * 6)), dtype=np.float32)
