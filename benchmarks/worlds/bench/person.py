"""A person at the ring: blur noticed on one side, then on the other, the ring left in between.

Defocus by z at the sensor spreads a point to a disc of z/N · f/v (similar triangles in the cone behind the
lens; v the image distance). A person turns the ring until a blur of ``threshold`` circles of confusion is
just noticed, turns back until it is noticed on the other side, and stops in the middle. Each noticing is at
its own blur (attention, light), so the middle wanders; the hand adds the ring's own friction. Habits of
mistaking are common practice, no source; thresholds are set so that the eye places focus within about 0.1 to
0.3 N·c.
"""

import math
from dataclasses import dataclass

from numpy.random import Generator

from benchmarks.worlds.bench.marks import MM_PER_FOOT, MM_PER_INCH, Unit

CIRCLE_UM = 20.0
"""Circle of confusion of a format about 25 mm wide [µm]: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slips:
    """How often a number written is wrong, of all readings, by kind.

    ``wrong_mark``: read on the wrong side of the mark; ``foot``: a foot (half a metre) too many or too few;
    ``inch``: an inch (5 cm); ``swapped``: two digits exchanged.
    """

    wrong_mark: float = 0.0
    foot: float = 0.0
    inch: float = 0.0
    swapped: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """A person's eye, hand and habits.

    Attributes
    ----------
    threshold
        Blur just noticed, in circles of confusion (median).
    unsteadiness
        Spread of the logarithm of that blur from one noticing to the next.
    offset_nc
        Where the person stops, of N·c from the middle; short < 0.
    hand_deg
        How exactly the ring is left [degree of turn, sd].
    nudges
        Share of repeats in which the ring is only nudged, not turned through focus again.
    copies
        Share of repeats that write the number of before, because it is remembered.
    tires_per_100
        By how much the blur noticed has grown after 100 readings (0.5: half as much again).
    slips
        How often a wrong number is written.
    """

    name: str
    threshold: float = 0.5
    unsteadiness: float = 0.4
    offset_nc: float = 0.0
    hand_deg: float = 0.1
    nudges: float = 0.0
    copies: float = 0.0
    tires_per_100: float = 0.0
    slips: Slips = Slips()


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What a person looks through: f-number, f/v of the picture, µm of extension per degree of the ring."""

    f_number: float
    focal_over_image: float
    um_per_degree: float


def stop_um(person: Person, view: View, *, readings_before: int, rng: Generator) -> float:
    """Return where the person stops the ring, as an error at the sensor [µm], short < 0."""
    tired = 1 + person.tires_per_100 * readings_before / 100
    depth = person.threshold * tired * CIRCLE_UM * view.f_number / view.focal_over_image
    short_edge, deep_edge = depth * rng.lognormal(0.0, person.unsteadiness, size=2) if depth else (0.0, 0.0)
    hand = person.hand_deg * view.um_per_degree * rng.standard_normal()
    return float((deep_edge - short_edge) / 2 + person.offset_nc * view.f_number * CIRCLE_UM + hand)


def stops_um(
    person: Person, view: View, *, repeats: int, readings_before: int, rng: Generator
) -> list[float]:
    """Return where the person stops in several repeats of one go [µm], nudged ones near the one before."""
    stops: list[float] = []
    for repeat in range(repeats):
        fresh = stop_um(person, view, readings_before=readings_before + repeat, rng=rng)
        if stops and rng.random() < person.nudges:
            fresh = 0.8 * stops[-1] + 0.2 * fresh
        stops.append(fresh)
    return stops


def slipped_mm(
    read_mm: float, ring_mm: float, *, slips: Slips, marks_mm: tuple[float, ...], unit: Unit, rng: Generator
) -> tuple[float, str]:
    """Return the distance written [mm] and the kind of slip, ``""`` for none.

    Parameters
    ----------
    read_mm, ring_mm
        What was read, and where the ring is [mm].
    slips
        How often each kind happens.
    marks_mm
        Engraved marks [mm].
    unit
        Unit of the scale.
    rng
        Source of chance.
    """
    draw, sign = rng.random(), rng.choice((-1.0, 1.0))
    if math.isinf(read_mm):
        return read_mm, ""
    for kind, share in (
        ("wrong_mark", slips.wrong_mark),
        ("foot", slips.foot),
        ("inch", slips.inch),
        ("swapped", slips.swapped),
    ):
        if draw < share:
            wrong = _wrong_mm(read_mm, ring_mm, kind=kind, sign=sign, marks_mm=marks_mm, unit=unit)
            return (wrong, kind) if wrong > marks_mm[0] / 2 else (read_mm, "")
        draw -= share
    return read_mm, ""


def _wrong_mm(
    read_mm: float, ring_mm: float, *, kind: str, sign: float, marks_mm: tuple[float, ...], unit: Unit
) -> float:
    """Return a distance written wrongly in the way of ``kind`` [mm]."""
    if kind == "foot":
        return read_mm + sign * (MM_PER_FOOT if unit == "ft" else 500.0)
    if kind == "inch":
        return read_mm + sign * (MM_PER_INCH if unit == "ft" else 50.0)
    if kind == "wrong_mark":
        nearest = min(marks_mm[:-1], key=lambda mark: abs(mark - ring_mm))
        return 2 * nearest - read_mm
    if unit == "ft":
        feet, inches = divmod(read_mm / MM_PER_INCH, 12)
        if not (1 <= inches < 12 and 1 <= feet < 12):
            return read_mm
        return (inches // 1 * 12 + feet + inches % 1) * MM_PER_INCH
    centimetres = round(read_mm / 10)
    tens, ones = centimetres // 10 % 10, centimetres % 10
    return read_mm + 10 * ((ones - tens) * 10 + tens - ones)
