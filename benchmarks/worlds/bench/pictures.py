"""Landings by picture in a world: the ring set to the taped mark by hand, the picture measured, no ring read.

The sharp picture lies where Gauss's equation puts it (:mod:`.glass`); the landing is how far the sensor lies
behind it. What is added: how far off its mark a hand sets the ring (in object space at 3 ft, growing as the
distance squared: an angle of the ring; one hand in ten is hasty), how the lens seats each time it is locked,
and the meter's own error with the uncertainty that it states. Sizes of the meter's errors are those measured
on feeds made apart (benchmarks/worlds/RESULTS.md); the others are common practice, no source.
"""

import csv
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from numpy.random import Generator

from benchmarks.worlds.bench.glass import UM_PER_MM, Glass, image_distance_mm
from benchmarks.worlds.bench.marks import EXACT, MM_PER_FOOT, written
from benchmarks.worlds.bench.prep import Prep
from benchmarks.worlds.bench.units import Body, Lens, SetUp

COLUMNS = (
    *("body", "lens", "focal_length_mm", "f_number", "distance", "setup"),
    *("landing_um", "landing_sd_um", "setting"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """How a ring is set, a lens seats and a picture is measured.

    Attributes
    ----------
    setting_mm
        Spread of the ring's setting at 3 ft, in object space [mm]; hasty ones have three times it.
    hasty_share
        Share of hasty settings.
    seat_um
        Spread of the seat, each time a lens is locked [µm].
    meter_um
        Spread of the meter's error on an ordinary feed.
    meter_log_sd
        By how much feeds differ in it: spread of its logarithm.
    slip_share, slip_um
        Share of pictures that are wrong without a note, and by how much [µm, sd].
    stated_um
        Standard uncertainty that the meter states at f/2 [µm]; it grows with the f-number.
    """

    setting_mm: float = 0.55
    hasty_share: float = 0.1
    seat_um: float = 1.2
    meter_um: float = 0.5
    meter_log_sd: float = 0.5
    slip_share: float = 0.01
    slip_um: float = 8.0
    stated_um: float = 0.85


USUAL_HAND = Hand()


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureRow:
    """A landing by picture as the file has it."""

    body: str
    lens: str
    focal_mm: float
    f_number: float
    distance: str
    setup: str
    landing_um: float
    landing_sd_um: float


def sensor_behind_um(
    glass: Glass, *, ring_mm: float, chart_mm: float, error_um: float, scale_permille: float
) -> float:
    """Return how far the sensor lies behind the sharp picture with the ring there. [µm, deep > 0]"""
    focal, separation = glass.at_ring(ring_mm)
    sharp = image_distance_mm(focal_mm=focal, separation_mm=separation, distance_mm=chart_mm)
    extension = glass.extension_mm(ring_mm) * (1 + scale_permille / 1000)
    return UM_PER_MM * (focal + extension - sharp) + error_um


def set_ring_mm(taped_mm: float, hand: Hand, rng: Generator) -> float:
    """Return where the ring really stands that is set to the taped mark. [mm]"""
    if math.isinf(taped_mm):
        return taped_mm
    wide = 3.0 if rng.random() < hand.hasty_share else 1.0
    off = hand.setting_mm * wide * rng.standard_normal() * (taped_mm / (3 * MM_PER_FOOT)) ** 2
    return taped_mm + off


def taken(
    prep: Prep, sights: Iterable[tuple[str, str, str]], rng: Generator, *, hand: Hand = USUAL_HAND
) -> tuple[PictureRow, ...]:
    """Take a landing by picture of each sight (body, lens, set-up), the ring set anew for each."""
    bodies = {one.name: one for one in prep.bodies}
    lenses = {one.name: one for one in prep.lenses}
    setups = {one.name: one for one in prep.setups}
    feed_um = hand.meter_um * math.exp(hand.meter_log_sd * rng.standard_normal())
    return tuple(
        _row(bodies[body], lenses[lens], setups[setup], feed_um, hand, rng) for body, lens, setup in sights
    )


def _row(body: Body, lens: Lens, setup: SetUp, feed_um: float, hand: Hand, rng: Generator) -> PictureRow:
    focal = lens.focals[0]
    true_um = sensor_behind_um(
        focal.glass,
        ring_mm=set_ring_mm(setup.taped_mm, hand, rng),
        chart_mm=setup.taped_mm + setup.true_minus_taped_mm + body.mark_ahead_mm,
        error_um=body.flange_error_um + lens.landing_um(focal) + hand.seat_um * rng.standard_normal(),
        scale_permille=lens.scale_permille,
    )
    slow = max(1.0, lens.f_number / 2)
    wrong = hand.slip_um * rng.standard_normal() if rng.random() < hand.slip_share else 0.0
    return PictureRow(
        body=body.name,
        lens=lens.name,
        focal_mm=focal.engraved_mm,
        f_number=lens.f_number,
        distance=written(setup.taped_mm, unit=lens.unit, grain=EXACT),
        setup=setup.name,
        landing_um=true_um + feed_um * slow * rng.standard_normal() + wrong,
        landing_sd_um=hand.stated_um * slow,
    )


def pictures_csv(rows: Sequence[PictureRow]) -> str:
    """Write the landings as a readings file without a reading."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for number, row in enumerate(rows, 1):
        writer.writerow(
            [
                row.body,
                row.lens,
                f"{row.focal_mm:g}",
                f"{row.f_number:g}",
                row.distance,
                row.setup,
                f"{row.landing_um:.3f}",
                f"{row.landing_sd_um:.3f}",
                f"{number}",
            ]
        )
    return out.getvalue()
