"""The worlds by name: each one effect, or one situation, that a judge meets where its users live.

Seeds from :data:`REPORTED_FROM` on are for reported figures only. Nothing may be tuned on them: tune on the
seeds below.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from benchmarks.worlds.bench.glass import InnerFocus
from benchmarks.worlds.bench.marks import (
    HALF_INCH,
    MM_PER_FOOT,
    TO_EIGHTHS,
    TO_HALVES,
    TO_MARKS,
    TO_QUARTERS,
    Grain,
)
from benchmarks.worlds.bench.person import Person, Slips
from benchmarks.worlds.bench.prep import Habits, Told
from benchmarks.worlds.bench.scene import (
    Bench,
    Fault,
    FaultKind,
    Scene,
    Spreads,
    bench_of,
    draw_bench,
    draw_prep,
    stream,
)
from benchmarks.worlds.bench.units import Focal

REPORTED_FROM = 10_000
"""Seeds from here on are reported, never tuned on."""

FEET = MM_PER_FOOT
KIM, NOOR, SASHA = (
    Person(name="Kim"),
    Person(name="Noor", threshold=0.6),
    Person(name="Sasha", threshold=0.45),
)
SHORT_BY_HALF = replace(NOOR, offset_nc=-0.5)
OFTEN_OFF = Spreads(body_um=12.0, lens_um=10.0)
ONE_FAULT = Spreads(body_um=3.5, lens_um=4.0, tape_mm=1.0, scale_permille=1.0, offset_nc=0.03, clip_um=8.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """A world: its name, what is special in it, and how a bench of it is drawn from a seed.

    ``can_part`` is False where the readings cannot part bodies from lenses, persons or sets.
    """

    name: str
    about: str
    build: Callable[[int], Bench]
    can_part: bool = True

    def bench(self, seed: int) -> Bench:
        """Draw the bench of this seed; the same seed makes the same bench."""
        return self.build(seed)


WORLDS: dict[str, World] = {}


def _add(name: str, about: str, scene: Scene) -> None:
    WORLDS[name] = World(
        name=name,
        about=about,
        build=lambda seed: draw_bench(scene, world=name, seed=seed),
        can_part=scene.identifiable,
    )


def _read_to(grain: Grain, *, told: bool) -> Scene:
    """Bodies and lenses that are often off: with healthy ones a reading stuck to the mark would be right."""
    return Scene(habits=Habits(grain=grain), told=Told(marks=told), spreads=OFTEN_OFF)


def _charts_off_marks(grain: Grain) -> Scene:
    return replace(_read_to(grain, told=False), distances_mm=((3 + 5 / 12) * FEET, (5 + 8 / 12) * FEET))


def _one_fault(kind: FaultKind, size: float | None = None) -> Scene:
    fault = Fault(kind=kind, size=size)
    if kind == "eye":
        habits, persons = Habits(repeats=2), (KIM, NOOR, SASHA)
        focals = (18, 35, 50, 75)
        return Scene(persons=persons, habits=habits, focals_mm=focals, spreads=ONE_FAULT, faults=(fault,))
    distances = (3 * FEET, 6 * FEET, 12 * FEET)
    return Scene(
        bodies=3, distances_mm=distances, habits=Habits(repeats=2), spreads=ONE_FAULT, faults=(fault,)
    )


def _inf_only(seed: int) -> Bench:
    sign = float(stream(seed, "inf").choice((-1.0, 1.0)))
    fault = Fault(kind="body", size=18.0 * sign, signed=True, unit="A-01")
    scene = Scene(distances_mm=(math.inf,), habits=Habits(grain=TO_MARKS), faults=(fault,), bodies=1)
    return draw_bench(scene, world="inf_only_body_18", seed=seed)


def _sum_60(seed: int) -> Bench:
    """Body or lens has the 60 µm, save a few µm that the other has; only the former is the cause."""
    chance = stream(seed, "share")
    rest_um = 4 * float(chance.standard_normal())
    body_um = rest_um if chance.random() < 0.5 else -60 - rest_um
    scene = Scene(
        bodies=1,
        focals_mm=(50,),
        faults=(
            Fault(kind="body", size=body_um, signed=True),
            Fault(kind="lens", size=-60 - body_um, signed=True),
        ),
    )
    prep, causes = draw_prep(scene, seed=seed)
    large = tuple(cause for cause in causes if abs(cause.size) > 30)
    return bench_of(prep, large, world="one_body_one_lens_sum_60", seed=seed, identifiable=False)


def _zoom(seed: int) -> Bench:
    """Two of the lenses are marks of one zoom, whose focus wanders by ±15 µm between them."""
    prep, causes = draw_prep(Scene(bodies=2, focals_mm=(24, 35, 50, 75, 100)), seed=seed)
    wander = (15 * stream(seed, "tracking").standard_normal(3)).tolist()
    zoom = replace(
        prep.lenses[0],
        name="Z1",
        f_number=2.8,
        focals=tuple(
            Focal(
                engraved_mm=lens.focals[0].engraved_mm,
                glass=replace(lens.focals[0].glass, near_mm=prep.lenses[-1].focals[0].glass.near_mm),
                tracking_um=um,
            )
            for lens, um in zip((prep.lenses[0], prep.lenses[2], prep.lenses[3]), wander, strict=True)
        ),
        marks_mm=prep.lenses[-1].marks(prep.lenses[-1].focals[0]),
    )
    prep = replace(prep, lenses=(zoom, *prep.lenses[1:]))
    return bench_of(prep, causes, world="zoom_tracking", seed=seed)


def _anamorphic(seed: int) -> Bench:
    """Lenses with a squeeze of 2 whose two axes land 8 µm (sd) apart."""
    prep, causes = draw_prep(Scene(focals_mm=(40, 50, 75, 100), f_number=2.8), seed=seed)
    apart = (8 * stream(seed, "axes").standard_normal(len(prep.lenses))).tolist()
    lenses = tuple(
        replace(lens, name=f"A{lens.focals[0].engraved_mm:g}", squeeze=2.0, horizontal_um=um)
        for lens, um in zip(prep.lenses, apart, strict=True)
    )
    return bench_of(replace(prep, lenses=lenses), causes, world="anamorphic", seed=seed)


_add("healthy_nothing_told", "a healthy house, no kit", Scene())
_add(
    "healthy_history_told",
    "healthy, last time's answers told (sd 5 µm)",
    Scene(told=Told(body_history_sd_um=5.0, lens_history_sd_um=5.0)),
)
_add("healthy_half_inch", "healthy, rings read to half inches", Scene(habits=Habits(grain=HALF_INCH)))
_add(
    "one_of_two_persons_short_half_nc",
    "both read everything; one stops short by ½ N·c",
    Scene(persons=(KIM, SHORT_BY_HALF), habits=Habits(repeats=2)),
)
_add(
    "one_person_short_half_nc",
    "the only person stops short by ½ N·c",
    Scene(persons=(SHORT_BY_HALF,), identifiable=False),
)
_add("rings_to_quarters_told", "read to quarters of marks, marks told", _read_to(TO_QUARTERS, told=True))
_add("rings_to_quarters_untold", "read to quarters of marks", _read_to(TO_QUARTERS, told=False))
_add(
    "rings_to_quarters_charts_off_marks",
    "read to quarters of marks, charts taped between marks",
    _charts_off_marks(TO_QUARTERS),
)
_add("rings_to_eighths_untold", "read to eighths of marks", _read_to(TO_EIGHTHS, told=False))
_add("rings_to_halves_untold", "read to halves of marks", _read_to(TO_HALVES, told=False))
_add("rings_to_marks", "read to the marks", _read_to(TO_MARKS, told=False))
_add("rings_to_marks_told", "read to the marks, marks told", _read_to(TO_MARKS, told=True))
WORLDS["inf_only_body_18"] = World(
    name="inf_only_body_18", about="all charts at INF, one body 18 µm off", build=_inf_only, can_part=False
)
_add(
    "body_plus_120", "a body is 120 µm too deep", Scene(faults=(Fault(kind="body", size=120.0, signed=True),))
)
_add(
    "set_shift_20",
    "all lenses +20 µm, bodies healthy",
    Scene(
        faults=(Fault(kind="set", size=20.0, signed=True),),
        identifiable=False,
        spreads=Spreads(body_um=3.0, clip_um=8.0),
    ),
)
WORLDS["one_body_one_lens_sum_60"] = World(
    name="one_body_one_lens_sum_60",
    about="one body, one lens, together 60 µm short by one of them",
    build=_sum_60,
    can_part=False,
)
_add(
    "three_six_twelve_inf",
    "charts at 3', 6', 12' and INF",
    Scene(
        distances_mm=(3 * FEET, 6 * FEET, 12 * FEET, math.inf),
        habits=Habits(repeats=2),
        spreads=Spreads(body_um=9.0),
    ),
)
for _kind in ("body", "lens", "scale", "setup", "body_reference", "eye"):
    _add(f"fault_{_kind}", f"one fault only: {_kind}", _one_fault(_kind))
_add("internal_focus_untold", "all lenses focus internally, not told", Scene(inner=InnerFocus()))
_add(
    "internal_focus_told", "all lenses focus internally, told", Scene(inner=InnerFocus(), is_inner_told=True)
)
_add("misengraved", "true focal lengths 2.4 % longer than named (a 50 of 51.2 mm)", Scene(misnamed_by=1.024))
WORLDS["zoom_tracking"] = World(
    name="zoom_tracking", about="a zoom whose focal lengths land 15 µm (sd) apart", build=_zoom
)
WORLDS["anamorphic"] = World(name="anamorphic", about="squeeze 2, axes 8 µm (sd) apart", build=_anamorphic)
_add("warming", "bodies 15 K cold at the start", Scene(cold_kelvin=15.0))
_add(
    "correlated",
    "half of the repeats only nudge the ring, a fifth copies the number",
    Scene(persons=(replace(KIM, nudges=0.5, copies=0.2),)),
)
_add(
    "blunders",
    "6 % of the readings written wrongly, in four ways",
    Scene(persons=(replace(KIM, slips=Slips(wrong_mark=0.02, foot=0.015, inch=0.015, swapped=0.01)),)),
)
_add(
    "tired", "the blur noticed doubles within 70 readings", Scene(persons=(replace(KIM, tires_per_100=1.4),))
)
_add(
    "heavy_tails",
    "a sixth of lenses and bodies was dropped (Laplace, sd 45 µm)",
    Scene(spreads=Spreads(dropped_share=1 / 6)),
)
_add(
    "spreads_two_sided",
    "bodies all ±12, lenses all ±15 µm, wide tapes",
    Scene(spreads=Spreads(body_um=12.0, lens_um=15.0, tape_mm=4.0, shape="two_sided")),
)
_add(
    "spreads_uniform",
    "errors uniform, scales wide",
    Scene(spreads=Spreads(body_um=15.0, lens_um=12.0, scale_permille=4.0, shape="uniform")),
)
_add("ran_out_of_time", "a third of the cells was not read", Scene(habits=Habits(cells_left_out=1 / 3)))
_add(
    "one_body_54_readings",
    "one body, six lenses, three distances, three repeats",
    Scene(bodies=1, distances_mm=(3 * FEET, 6 * FEET, 12 * FEET), spreads=Spreads(body_um=12.0)),
)
