"""The readings that could be taken: every lens on every body, at the distances taped and the usual ones."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from shimwise.inference.model.prep import Axis, LensKnowledge, MeasuredLanding, Prep, Reading

USUAL_DISTANCES_MM = (914.4, 1828.8, 3657.6)
"""3, 6 and 12 ft. Common practice, no source."""
NEAR_LIMIT = 5.0
"""Least distance of a candidate in focal lengths, beyond the separation of the principal planes."""
SAME_DISTANCE_SHARE = 0.02
"""A usual distance this close to a taped one is not offered beside it."""
PICTURE_SD_UM = 1.0
"""Standard uncertainty of a landing by picture that is still to be taken: ±2 µm, of a live feed as cameras
sharpen it; measured on simulated feeds. [µm]"""
MOST_CANDIDATES = 2000
"""With more, a judge only offers what has been read already, and no plan is made."""


def possible_readings(
    prep: Prep, *, bodies: Sequence[str] = (), distances_mm: Sequence[float] = USUAL_DISTANCES_MM
) -> tuple[Reading, ...]:
    """Return the readings that could be taken next, by body, then lens, near before far.

    Parameters
    ----------
    prep : Prep
        Readings taken, and the kit's bodies and lenses whether read or not.
    bodies : sequence of str
        Bodies beyond those of the prep.
    distances_mm : sequence of float
        Distances offered beyond those taped. [mm]

    Returns
    -------
    tuple of Reading
        With ``reading_mm`` as the distance, which means nothing.
    """
    prep = _to_read_now(prep)
    names = dict.fromkeys([*(r.body for r in prep.readings), *prep.bodies, *bodies])
    lenses = _lenses(prep)
    operator = prep.readings[-1].operator if prep.readings else ""
    taped = _taped(prep)
    found: list[Reading] = []
    for body in names:
        setups = dict(taped.get(body, {}))
        for distance_mm in distances_mm:
            close_mm = SAME_DISTANCE_SHARE * distance_mm
            if not any(distance_mm == one or abs(distance_mm - one) < close_mm for one in setups):
                setups[distance_mm] = ""
        found += [
            _at(lens, body=body, operator=operator, setup=setup, distance_mm=distance_mm)
            for lens in lenses
            for distance_mm, setup in sorted(setups.items())
            if distance_mm - (lens.separation_mm or 0.0) > NEAR_LIMIT * lens.focal_mm
        ]
    return tuple(found)


def as_pictures(possible: Iterable[Reading]) -> tuple[MeasuredLanding, ...]:
    """Return the landings by picture that could be taken in the place of readings, each of a setting anew."""
    return tuple(
        MeasuredLanding.by_picture(one, landing_um=0.0, landing_sd_um=PICTURE_SD_UM, setting="")
        for one in possible
    )


def offered_readings(prep: Prep) -> tuple[Reading | MeasuredLanding, ...]:
    """Return what a judge offers to take next: by picture alone where one was taken so, else either way.

    By eye alone where both together are more than ``MOST_CANDIDATES``.
    """
    possible = _offered_by_eye(prep)
    if any(one.setting for one in prep.landings):
        return as_pictures(possible)
    return (*possible, *as_pictures(possible)) if 2 * len(possible) <= MOST_CANDIDATES else possible


def _offered_by_eye(prep: Prep) -> tuple[Reading, ...]:
    """Return all readings that could be taken, unless they are too many.

    Then one reading of each body, lens and distance that was read already, the first ``MOST_CANDIDATES``.
    """
    possible = possible_readings(prep)
    if len(possible) <= MOST_CANDIDATES:
        return possible
    taken = reversed(_to_read_now(prep).readings)
    read = {(r.body, r.lens, r.focal_mm, r.axis, r.distance_mm): r for r in taken}
    return tuple(
        _at(r, body=r.body, operator=r.operator, setup=r.setup, distance_mm=r.distance_mm)
        for r in list(reversed(read.values()))[:MOST_CANDIDATES]
    )


def _to_read_now(prep: Prep) -> Prep:
    """Return the prep with past states under their present names, and landings as readings by eye.

    Those are the readings that can be taken now.
    """
    prep = replace(prep, readings=(*prep.readings, *(one.by_eye() for one in prep.landings)), landings=())
    bodies, lenses = prep.past_bodies, prep.past_lenses
    if not bodies and not lenses:
        return prep
    return replace(
        prep,
        readings=tuple(
            replace(one, body=bodies.get(one.body, one.body), lens=lenses.get(one.lens, one.lens))
            for one in prep.readings
        ),
        bodies={name: known for name, known in prep.bodies.items() if name not in bodies},
        lenses={name: known for name, known in prep.lenses.items() if name not in lenses},
    )


def _lenses(prep: Prep) -> list[Reading]:
    """Return one reading for each lens, focal length and axis, at the widest stop known."""
    widest: dict[tuple[str, float, Axis | None], Reading] = {}
    for reading in prep.readings:
        key = (reading.lens, reading.focal_mm, reading.axis)
        if key not in widest or reading.fnumber < widest[key].fnumber:
            widest[key] = reading
    read = {reading.lens for reading in prep.readings}
    unread = {name: lens for name, lens in prep.lenses.items() if name not in read}
    return [*widest.values(), *(one for name, lens in unread.items() for one in _from_kit(name, lens))]


def _from_kit(name: str, lens: LensKnowledge) -> list[Reading]:
    axes = (None,) if lens.squeeze == 1.0 else (Axis.VERTICAL, Axis.HORIZONTAL)
    if lens.fnumber is None:
        return []
    return [
        Reading(
            row=-1,
            line=-1,
            body="",
            lens=name,
            focal_mm=focal_mm,
            fnumber=lens.fnumber,
            distance_mm=0.0,
            reading_mm=0.0,
            squeeze=lens.squeeze,
            axis=axis,
            separation_mm=lens.separation_mm,
            focus_design=lens.focus_design,
        )
        for focal_mm in lens.focal_lengths_mm
        for axis in axes
    ]


def _taped(prep: Prep) -> dict[str, dict[float, str]]:
    """Return the taped distances of each body, with the set-up at each."""
    taped: dict[str, dict[float, str]] = {}
    for reading in prep.readings:
        taped.setdefault(reading.body, {}).setdefault(reading.distance_mm, reading.setup)
    return taped


def _at(lens: Reading, *, body: str, operator: str, setup: str, distance_mm: float) -> Reading:
    return replace(
        lens,
        body=body,
        operator=operator,
        setup=setup,
        distance_mm=distance_mm,
        reading_mm=distance_mm,
    )
