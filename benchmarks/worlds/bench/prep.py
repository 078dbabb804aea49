"""One prep: who reads which lens on which body at which chart, in what order, and what is written."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from numpy.random import Generator

from benchmarks.worlds.bench.glass import Glass, image_distance_mm
from benchmarks.worlds.bench.marks import EXACT, QUARTER_INCH, Grain, read_off_mm, written
from benchmarks.worlds.bench.person import Person, View, slipped_mm, stops_um
from benchmarks.worlds.bench.units import Body, Focal, Lens, SetUp

MINUTES_A_READING = 0.4
MINUTES_A_LENS = 1.5
"""Time for a reading and for changing a lens [min]: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the kit says beside the readings."""

    tolerance_um: float = 10.0
    marks: bool = False
    separations: bool = False
    body_gauge_sd_um: float | None = None
    lens_gauge_sd_um: float | None = None
    body_history_sd_um: float | None = None
    lens_history_sd_um: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """How a prep is read.

    Attributes
    ----------
    repeats
        Readings of a lens on a chart by each person.
    grain
        To what the ring is read.
    persons_share
        ``"each"`` reads everything, or ``"turns"``: lens by lens in turn.
    cells_left_out
        Share of lens-and-chart cells left out (a prep that ran out of time).
    """

    repeats: int = 3
    grain: Grain = QUARTER_INCH
    persons_share: str = "each"
    cells_left_out: float = 0.0


USUAL_HABITS = Habits()
NOTHING_TOLD = Told()


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A line of a plan: so many readings of a lens on a body before a chart, by each person."""

    body: str
    lens: str
    setup: str
    repeats: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Prep:
    """All that is on the bench; ``plan`` is read line by line, and without it every lens at every chart."""

    bodies: tuple[Body, ...]
    lenses: tuple[Lens, ...]
    setups: tuple[SetUp, ...]
    persons: tuple[Person, ...]
    habits: Habits = USUAL_HABITS
    told: Told = NOTHING_TOLD
    plan: tuple[Planned, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A row of the readings file, and what made it: the ring's place [mm], minutes, the kind of slip."""

    body: str
    lens: str
    focal_mm: float
    f_number: float
    distance: str
    reading: str
    operator: str
    setup: str
    squeeze: float
    axis: str
    focus_design: str
    ring_mm: float
    minutes: float
    slip: str


@dataclass(frozen=True, slots=True)
class _Cell:
    """A lens at a focal length and axis, on a body, before a chart."""

    body: Body
    lens: Lens
    focal: Focal
    axis: str
    setup: SetUp

    def glass(self) -> Glass:
        """Return the optics along the axis judged: horizontally an anamorphic is a shorter lens."""
        glass = self.focal.glass
        if self.axis != "horizontal":
            return glass
        return Glass(
            focal_mm=glass.focal_mm / self.lens.squeeze,
            separation_mm=glass.separation_mm,
            near_mm=glass.near_mm,
        )

    @property
    def chart_mm(self) -> float:
        """True distance from the sensor to the chart [mm]."""
        return self.setup.taped_mm + self.setup.true_minus_taped_mm + self.body.mark_ahead_mm


def read_prep(prep: Prep, rng: Generator) -> tuple[Row, ...]:
    """Read the prep in the order of the trade: near chart first, lens by lens, one person after the other."""
    rows: list[Row] = []
    minutes, counted = 0.0, dict.fromkeys((person.name for person in prep.persons), 0)
    for number, (cell, repeats) in enumerate(_planned(prep)):
        minutes += MINUTES_A_LENS
        if prep.habits.cells_left_out and rng.random() < prep.habits.cells_left_out:
            continue
        for person in _readers(prep, number):
            stops = stops_um(
                person,
                _view(cell),
                repeats=repeats,
                readings_before=counted[person.name],
                rng=rng,
            )
            before = ""
            for stop_um in stops:
                minutes += MINUTES_A_READING
                row = _row(cell, person, prep.habits.grain, stop_um=stop_um, minutes=minutes, rng=rng)
                if before and rng.random() < person.copies:
                    row = replace(row, reading=before, slip="")
                before = row.reading
                rows.append(row)
            counted[person.name] += len(stops)
    return tuple(rows)


def _planned(prep: Prep) -> Iterator[tuple[_Cell, int]]:
    if not prep.plan:
        yield from ((cell, prep.habits.repeats) for cell in _cells(prep))
    for line in prep.plan:
        for cell in _cells(prep):
            if (cell.body.name, cell.lens.name, cell.setup.name) == (line.body, line.lens, line.setup):
                yield cell, line.repeats


def _cells(prep: Prep) -> Iterator[_Cell]:
    for body in prep.bodies:
        for setup in sorted((s for s in prep.setups if s.body == body.name), key=lambda s: s.taped_mm):
            for lens in prep.lenses:
                for focal in lens.focals:
                    for axis in ("vertical", "horizontal") if lens.squeeze != 1 else ("",):
                        yield _Cell(body, lens, focal, axis, setup)


def _readers(prep: Prep, number: int) -> tuple[Person, ...]:
    if prep.habits.persons_share == "each":
        return prep.persons
    return (prep.persons[number % len(prep.persons)],)


def _view(cell: _Cell) -> View:
    glass = cell.glass()
    focal, separation = glass.at_ring(cell.chart_mm)
    image = image_distance_mm(focal_mm=focal, separation_mm=separation, distance_mm=cell.chart_mm)
    return View(
        f_number=cell.lens.f_number,
        focal_over_image=focal / image,
        um_per_degree=1000 * glass.extension_mm(glass.near_mm) / cell.lens.throw_deg,
    )


def _row(cell: _Cell, person: Person, grain: Grain, *, stop_um: float, minutes: float, rng: Generator) -> Row:
    lens, glass = cell.lens, cell.glass()
    ring = glass.sharp_ring_mm(
        chart_mm=cell.chart_mm,
        error_um=cell.body.flange_error_at_um(minutes) + lens.landing_um(cell.focal, cell.axis) + stop_um,
        scale_permille=lens.scale_permille,
    )
    marks = lens.marks(cell.focal)
    read = read_off_mm(ring, marks_mm=marks, glass=glass, grain=grain)
    read, slip = slipped_mm(read, ring, slips=person.slips, marks_mm=marks, unit=lens.unit, rng=rng)
    return Row(
        body=cell.body.name,
        lens=lens.name,
        focal_mm=cell.focal.engraved_mm,
        f_number=lens.f_number,
        distance=written(cell.setup.taped_mm, unit=lens.unit, grain=EXACT if grain.of == "exact" else grain),
        reading=written(read, unit=lens.unit, grain=grain),
        operator=person.name,
        setup=cell.setup.name,
        squeeze=lens.squeeze,
        axis=cell.axis,
        focus_design="internal focus" if lens.is_known_internal else "",
        ring_mm=ring,
        minutes=minutes,
        slip=slip if math.isfinite(read) else "",
    )
