"""Invented answers for the sheets: a bench of two bodies and eight lenses, and random ones. No real data."""

import math
import random
from collections.abc import Collection, Sequence
from dataclasses import replace

from hypothesis import strategies as st

from shimwise.inference.verdict.answer import (
    Answer,
    BodyAnswer,
    Cause,
    LensAnswer,
    NextReading,
    OperatorAnswer,
    ReadingAnswer,
    SetupAnswer,
    Verdict,
)
from shimwise.remedy.remedy import Action, Direction, Remedy, RemedyKind
from shimwise.sheets.words.notices import as_written

LENS_TEXT = {
    "H18": "18 mm f/2",
    "H25": "25 mm f/2",
    "H35": "35 mm f/2",
    "H50": "50 mm f/2",
    "H75": "75 mm f/2",
    "H100": "100 mm f/2.8",
    "H135": "135 mm f/2.8",
    "HZ": "28-76 mm f/2.9",
}
DISTANCES_MM = {"D1": 914.4, "D2": 1828.8, "D3": 3657.6}


def body(
    name: str, error_um: float, half_um: float, p_out: float, verdict: Verdict, tolerance_um: float = 10.0
) -> BodyAnswer:
    return BodyAnswer(
        name=name,
        error_um=error_um,
        sd_um=half_um / 1.96,
        low_um=error_um - half_um,
        high_um=error_um + half_um,
        p_out=p_out,
        verdict=verdict,
        tolerance_um=tolerance_um,
    )


def lens(
    name: str,
    error_um: float,
    half_um: float,
    p_out: float,
    verdict: Verdict,
    *,
    scale: float = 0.4,
    p_scale_out: float = 0.03,
    tolerance_um: float = 10.0,
) -> LensAnswer:
    unit = body(name, error_um, half_um, p_out, verdict, tolerance_um)
    return LensAnswer(
        **{field: getattr(unit, field) for field in BodyAnswer.__dataclass_fields__},
        scale_permille=scale,
        scale_sd_permille=1.1,
        p_scale_out=p_scale_out,
    )


def invented_readings(
    bodies: Sequence[BodyAnswer],
    lenses: Sequence[LensAnswer],
    *,
    unread: Collection[tuple[str, str]] = (),
    seed: int = 7,
    repeats: int = 1,
) -> list[ReadingAnswer]:
    chance = random.Random(seed)
    readings = []
    for one_body in bodies:
        for one_lens in lenses:
            if (one_body.name, one_lens.name) in unread:
                continue
            for setup in ("D1", "D2", "D3"):
                for _ in range(repeats):
                    expected = one_body.error_um + one_lens.error_um
                    readings.append(
                        ReadingAnswer(
                            row=len(readings),
                            line=len(readings) + 2,
                            body=one_body.name,
                            lens=one_lens.name,
                            setup=f"{one_body.name} {setup}",
                            landing_um=chance.gauss(expected, 5.0),
                            sd_um=5.0,
                            weight=chance.uniform(0.7, 1.0),
                        )
                    )
    return readings


def bench() -> Answer:
    bodies = (
        body("A-07", -14.2, 6.1, 0.93, Verdict.OUT_SHORT),
        body("B-12", 1.4, 5.0, 0.01, Verdict.IN_TOLERANCE),
    )
    lenses = (
        lens("H18", 1.1, 4.0, 0.01, Verdict.IN_TOLERANCE),
        lens("H25", -0.8, 4.4, 0.02, Verdict.IN_TOLERANCE),
        lens("H35", 2.0, 4.9, 0.03, Verdict.IN_TOLERANCE),
        lens("H50", -17.0, 7.3, 0.97, Verdict.OUT_SHORT),
        lens("H75", 6.2, 9.8, 0.24, Verdict.CANNOT_TELL),
        lens("H100", 0.3, 6.6, 0.02, Verdict.IN_TOLERANCE, scale=-4.8, p_scale_out=0.71),
        lens("H135", 0.0, 23.5, 0.40, Verdict.NOT_CHECKED),
        lens("HZ", 3.3, 8.1, 0.07, Verdict.IN_TOLERANCE),
    )
    unread = {("A-07", "H135"), ("B-12", "H135"), ("B-12", "HZ")}
    readings = invented_readings(bodies, lenses, unread=unread)
    readings[4] = replace(readings[4], landing_um=38.6, weight=0.04)
    readings[31] = replace(readings[31], landing_um=-152.0, weight=0.01)
    return Answer(
        tolerance_um=10.0,
        headline="Body A-07 lands short: the sensor sits too close by 14 µm, give or take 6 (95 %).",
        bodies=bodies,
        lenses=lenses,
        setups=tuple(
            SetupAnswer(name=f"{b.name} {d}", error_mm=e, sd_mm=1.5, p_out=p)
            for b, errors in (
                (bodies[0], ((0.4, 0.01), (-1.0, 0.02), (0.6, 0.01))),
                (bodies[1], ((0.1, 0.01), (38.0, 0.94), (-0.3, 0.01))),
            )
            for d, (e, p) in zip(DISTANCES_MM, errors, strict=True)
        ),
        operators=(OperatorAnswer(name="AK", k=0.18), OperatorAnswer(name="RM", k=0.24)),
        readings=tuple(readings),
        causes=(
            Cause(kind="lens", unit="H50", probability=0.97),
            Cause(kind="setup", unit="B-12 D2", probability=0.94),
            Cause(kind="body", unit="A-07", probability=0.93),
            Cause(kind="scale", unit="H100", probability=0.71),
            Cause(kind="lens", unit="H75", probability=0.24),
        ),
        next=(
            NextReading(body="B-12", lens="H75", distance_mm=914.4, sd_after_um=2.6),
            NextReading(body="A-07", lens="H135", distance_mm=1828.8, sd_after_um=3.1),
        ),
        notices=(
            as_written("H135 was not read: nothing can be said of it."),
            as_written("HZ is a zoom that focuses inside: its landings at 3 ft carry up to 50 % more."),
        ),
    )


def remedies() -> tuple[Remedy, ...]:
    return (
        Remedy(
            unit="B-12 D2",
            kind=RemedyKind.SETUP,
            action=Action.RE_TAPE,
            direction=Direction.NEARER,
            amount_um=38000.0,
            amount_sd_um=1500.0,
            advice=(
                as_written(
                    "Tape B-12 D2 again: its chart seems to stand 38 ± 3 mm (95 %) farther than the distance "
                    "written."
                ),
            ),
            steps=(
                as_written("Hold the tape to the witness mark and to the face of the chart."),
                as_written("Read again."),
            ),
            cautions=(
                as_written("Chart lamps are hot."),
                as_written("The maker's service instructions come first."),
            ),
        ),
        Remedy(
            unit="A-07",
            kind=RemedyKind.BODY,
            action=Action.MOVE_SENSOR,
            direction=Direction.AWAY,
            amount_um=14.2,
            amount_sd_um=3.1,
            advice=(
                as_written(
                    "A-07 is short by 14 ± 6 µm (95 %): the sensor has to move 14 µm away from the flange. "
                    "Check the lock, then turn the screw clockwise by 0.28 turn, 102° (95 %: 58° to 146°)."
                ),
            ),
            steps=(
                as_written("Clean the lens seat and the flange, seat the lens again and read once more."),
                as_written("Look at the lock. If the sensor is locked, turn nothing."),
                as_written("Approach from one side."),
                as_written("Turn slowly, and stop at resistance: nothing is forced."),
                as_written("Read again with at least two lenses at two distances."),
            ),
            cautions=(
                as_written("Never move a sensor that is locked: check the lock first."),
                as_written("Chart lamps are hot."),
                as_written("The maker's service instructions come first."),
            ),
            turns=0.284,
            turns_sd=0.06,
        ),
        Remedy(
            unit="H50",
            kind=RemedyKind.LENS,
            action=Action.SHIM_LENS,
            direction=Direction.ADD,
            amount_um=17.0,
            amount_sd_um=3.7,
            advice=(
                as_written(
                    "H50 is short by 17 ± 7 µm (95 %): to a lens technician. "
                    "Suggested is a shim 17 µm thicker."
                ),
            ),
            steps=(
                as_written("Read the lens on a second body."),
                as_written("Send it to a lens technician."),
            ),
            cautions=(
                as_written("Shimming a lens is a lens technician's work."),
                as_written("Chart lamps are hot."),
                as_written("The maker's service instructions come first."),
            ),
            shims_um=(10.0, 7.0),
            leftover_um=0.0,
        ),
    )


def large_bench(*, bodies: int = 10, lenses: int = 50, repeats: int = 67) -> Answer:
    """Ten bodies, fifty lenses, 67 x 3 readings of each pair; some out, 3 % of the readings doubted."""
    chance = random.Random(1)
    all_bodies = tuple(
        body(f"C-{i:02d}", -20.0, 3, 0.95, Verdict.OUT_SHORT)
        if i == 4
        else body(f"C-{i:02d}", chance.uniform(-5, 5), 3, 0.01, Verdict.IN_TOLERANCE)
        for i in range(bodies)
    )
    all_lenses = tuple(
        lens(f"L{i:02d}", 18.0, 3, 0.97, Verdict.OUT_DEEP)
        if i in (7, 40)
        else lens(f"L{i:02d}", chance.uniform(-5, 5), 3, 0.01, Verdict.IN_TOLERANCE)
        for i in range(lenses)
    )
    readings = [
        replace(one, landing_um=one.landing_um + chance.choice((-60.0, 60.0)), weight=0.1)
        if chance.random() < 0.03
        else one
        for one in invented_readings(all_bodies, all_lenses, repeats=repeats)
    ]
    return replace(bench(), bodies=all_bodies, lenses=all_lenses, readings=tuple(readings))


ERRORS_UM = st.floats(-80.0, 80.0)
NAMES = st.text(min_size=1, max_size=40)
"""Any text at all: control characters, wide letters, quotes."""
SHARES = st.floats(0.0, 1.0)
VERDICTS = st.sampled_from(list(Verdict))


@st.composite
def answers(
    draw: st.DrawFn, numbers: st.SearchStrategy[float] = ERRORS_UM, names: st.SearchStrategy[str] = NAMES
) -> Answer:
    """Draw a bench of up to three bodies and six lenses, with readings in any place."""
    tolerance_um = draw(st.floats(0.5, 100.0))
    half_um = st.floats(0.01, 60.0)
    all_bodies = [
        body(name, draw(numbers), draw(half_um), draw(SHARES), draw(VERDICTS), tolerance_um)
        for name in draw(st.lists(names, min_size=1, max_size=3, unique=True))
    ]
    all_lenses = [
        lens(name, draw(numbers), draw(half_um), draw(SHARES), draw(VERDICTS), tolerance_um=tolerance_um)
        for name in draw(st.lists(names, max_size=6, unique=True))
    ]
    readings = [
        ReadingAnswer(
            row=row,
            line=row + 2,
            body=draw(st.sampled_from(all_bodies)).name,
            lens=draw(st.sampled_from(all_lenses)).name,
            setup=draw(names),
            landing_um=draw(numbers) * draw(st.sampled_from((1, 1, 30))),
            sd_um=draw(half_um),
            weight=draw(SHARES),
        )
        for row in range(draw(st.integers(0, 20)) if all_lenses else 0)
    ]
    return Answer(
        tolerance_um=tolerance_um,
        headline=draw(st.text(min_size=1, max_size=120)),
        bodies=tuple(all_bodies),
        lenses=tuple(all_lenses),
        setups=(SetupAnswer(name=draw(names), error_mm=draw(numbers), sd_mm=1.0, p_out=draw(SHARES)),),
        operators=(OperatorAnswer(name=draw(names), k=0.2),),
        readings=tuple(readings),
        causes=(Cause(kind="body", unit=all_bodies[0].name, probability=draw(SHARES)),),
        next=tuple(
            NextReading(body=all_bodies[0].name, lens=one.name, distance_mm=mm, sd_after_um=draw(half_um))
            for one, mm in zip(all_lenses, (914.4, math.inf, 0.01), strict=False)
        ),
        notices=(as_written(draw(st.text(min_size=1, max_size=120))),),
    )
