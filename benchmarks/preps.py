"""Accuracy of the judge on simulated preps: errors, intervals, alarms, rivals, reliability, scenes, plan."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from benchmarks import prep_simulator as simulator
from benchmarks import rivals
from shimwise.bench.executors import mapped, workers_of
from shimwise.inference.model.candidates import possible_readings
from shimwise.inference.model.prep import BodyKnowledge, LensKnowledge, Prep, Reading
from shimwise.inference.verdict.answer import Verdict
from shimwise.inference.verdict.judge import judge, judge_prep
from shimwise.inference.verdict.next_readings import next_readings

SEED = 20261125
TOLERANCE_UM = 10.0
MIXED_MODEL_PREPS = 100
PROCESSES = 2
NAMED_P = 0.7
KINDS = ("body", "lens", "scale", "setup")


@dataclass(frozen=True)
class Column:
    """One column of the accuracy table: what is true of the lenses, and what the judge is told."""

    name: str
    true_lens_sd_um: float
    told_lens_sd_um: float | None
    gauge_sd_um: float | None
    rms_goal_um: float
    alarms_goal: float
    found_goal: float


COLUMNS = (
    Column("lens history unknown (sd 12 µm)", 12.0, None, None, 5.8, 0.04, 0.76),
    Column("lens history sd 5 µm", 5.0, 5.0, None, 3.1, 0.03, 0.95),
    Column("unknown + gauge 3 µm on the body", 12.0, None, 3.0, 2.6, 0.025, 0.97),
)
WRONG_HISTORY = Column("wrong history (true sd 10, told 5)", 10.0, 5.0, None, np.inf, 1.0, 0.0)


def map_preps(function: Callable[[int], Any], count: int) -> list[Any]:
    """The function of 0 … count − 1, on two processes or by SHIMWISE_WORKERS; the order is kept."""
    return list(mapped(function, range(count), workers=workers_of(None), most=PROCESSES))


def simulate_column(column: Column, i: int) -> tuple[Prep, simulator.Truth]:
    """The i-th prep of a column, as the judge is given it."""
    rng = np.random.default_rng([SEED, round(column.true_lens_sd_um), i])
    truth = simulator.draw_truth(rng, simulator.Spread(lens_um=column.true_lens_sd_um))
    readings, _ = simulator.read_all(rng, truth)
    lenses, bodies = {}, {}
    if column.told_lens_sd_um is not None:
        told = LensKnowledge(history_mean_um=0.0, history_sd_um=column.told_lens_sd_um)
        lenses = dict.fromkeys(truth.lens_um, told)
    if column.gauge_sd_um is not None:
        gauge_um = truth.body_um["B1"] + rng.normal(0, column.gauge_sd_um)
        bodies = {"B1": BodyKnowledge(gauge_um=gauge_um, gauge_sd_um=column.gauge_sd_um)}
    return Prep(readings=readings, bodies=bodies, lenses=lenses), truth


def one_of_column(column: Column, i: int) -> list[float]:
    """Truth, answer and rivals of one prep: see :data:`FIELDS`."""
    prep, truth = simulate_column(column, i)
    body = judge(prep, seed=i).bodies[0]
    others = [rivals.object_space_mean, rivals.image_space_median, rivals.least_squares]
    found = [rival(prep.readings) for rival in others]
    found.append(rivals.mixed_model(prep.readings) if i < MIXED_MODEL_PREPS else np.nan)
    own = (body.error_um, body.low_um, body.high_um, body.p_out)
    return [truth.body_um["B1"], *own, oracle_sd_um(prep, truth), *found]


FIELDS = (
    "truth",
    "mean",
    "low",
    "high",
    "p_out",
    "oracle_sd",
    "object_mean",
    "image_median",
    "least_squares",
    "mixed",
)


def oracle_sd_um(prep: Prep, truth: simulator.Truth) -> float:
    """Posterior sd of one who knows every spread, this person's k and which readings are blunders. [µm]

    No estimate can have a smaller RMS: it is the bound that the measured RMS is set beside.
    """
    lenses = [lens.name for lens in simulator.SET]
    rows, variances = [], []
    for r in prep.readings:
        m = simulator.extension_mm(r.focal_mm, r.distance_mm, 0.0) / r.focal_mm
        row = np.zeros(1 + 2 * len(lenses) + 3)
        i = lenses.index(r.lens)
        row[[0, 1 + i, 7 + i, 13 + simulator.DISTANCES_MM.index(r.distance_mm)]] = (
            1,
            1,
            r.focal_mm * m,
            1e3 * m * m,
        )
        step_mm = {0: simulator.INCH_MM / 4, 1: simulator.INCH_MM, 2: 3 * simulator.INCH_MM}[
            simulator.DISTANCES_MM.index(r.distance_mm)
        ]
        reading_mm2 = (simulator.READING_SD_MM * (r.distance_mm / 914.4) ** 2) ** 2 + step_mm**2 / 12
        rows.append(row)
        variances.append((truth.k * r.fnumber * simulator.COC_UM) ** 2 + (1e3 * m * m) ** 2 * reading_mm2)
    design, weight = np.array(rows), (1 - simulator.BLUNDER_RATE) / np.array(variances)
    lens_sd = next(iter(prep.lenses.values())).history_sd_um if prep.lenses else 12.0
    gauge = prep.bodies["B1"].gauge_sd_um if prep.bodies else np.inf
    prior = np.r_[15.0**-2 + gauge**-2.0, np.full(6, lens_sd**-2.0), np.full(6, 3.0**-2), np.full(3, 2.0**-2)]
    return float(np.sqrt(np.linalg.inv(design.T @ (weight[:, None] * design) + np.diag(prior))[0, 0]))


@dataclass(frozen=True)
class Accuracy:
    """What one column measured."""

    column: Column
    count: int
    rms_um: float
    oracle_rms_um: float
    coverage: float
    alarms_of_fine: float
    alarms_of_called: float
    found: float
    found_bound: float
    rivals_um: dict[str, float]
    joined_um: float
    p_out: np.ndarray
    is_out: np.ndarray


def measure_column(column: Column, count: int) -> Accuracy:
    """Run a column's preps and sum them up."""
    table = np.array(map_preps(partial(one_of_column, column), count))
    f = dict(zip(FIELDS, table.T, strict=True))
    truth, called = f["truth"], f["p_out"] > 0.8
    is_fine = np.abs(truth) < TOLERANCE_UM
    return Accuracy(
        column=column,
        count=count,
        rms_um=rms(f["mean"] - truth),
        oracle_rms_um=rms(f["oracle_sd"]),
        coverage=float(np.mean((f["low"] < truth) & (truth < f["high"]))),
        alarms_of_fine=float(np.mean(called[is_fine])),
        alarms_of_called=float(np.mean(is_fine[called])),
        found=float(np.mean(called[np.abs(truth) > 15])),
        found_bound=found_bound(rms(f["oracle_sd"])),
        rivals_um={name: rms(f[name] - truth) for name in FIELDS[6:]},
        joined_um=joined_rms(rms(f["image_median"] - truth), column.gauge_sd_um),
        p_out=f["p_out"],
        is_out=np.abs(truth) > TOLERANCE_UM,
    )


def rms(values: np.ndarray) -> float:
    """Root of the mean square."""
    return float(np.sqrt(np.nanmean(values**2)))


def joined_rms(own_um: float, gauge_sd_um: float | None) -> float:
    """RMS of a rival of that RMS joined with the gauge at the best weights; its own without a gauge. [µm]"""
    return own_um if gauge_sd_um is None else float((own_um**-2 + gauge_sd_um**-2) ** -0.5)


def found_bound(sd_um: float) -> float:
    """Share of bodies truly beyond 15 µm that a calibrated judge of that sd calls out at P > 0.8."""
    from scipy.stats import norm

    truth = np.linspace(15, 90, 4000)
    density = norm.pdf(truth, 0, 15)
    shrink = 1 - sd_um**2 / 15**2
    mean = np.linspace(10, 25, 20001)
    called_from = mean[np.argmax(norm.sf((10 - mean) / sd_um) + norm.cdf((-10 - mean) / sd_um) > 0.8)]
    p_called = norm.sf((called_from - shrink * truth) / (sd_um * np.sqrt(shrink)))
    return float(np.sum(density * p_called) / np.sum(density))


def reliability(runs: Iterable[Accuracy]) -> list[tuple[float, float, int]]:
    """Predicted and observed probability of being out, and the count, in tenths."""
    runs = list(runs)
    p, out = np.concatenate([run.p_out for run in runs]), np.concatenate([run.is_out for run in runs])
    tenth = np.minimum((p * 10).astype(int), 9)
    return [
        (float(p[tenth == t].mean()), float(out[tenth == t].mean()), int(np.sum(tenth == t)))
        for t in range(10)
        if np.any(tenth == t)
    ]


HEALTHY_HISTORY = LensKnowledge(history_mean_um=0.0, history_sd_um=5.0)


def one_scene(kind: str, is_history_told: bool, i: int) -> tuple[str, tuple[str, str, float], dict[str, str]]:
    """One scene: the faulty unit, the most probable cause, and every body's and lens's verdict."""
    rng = np.random.default_rng([SEED, 7, ("fine", *KINDS).index(kind), i])
    truth, unit = simulator.draw_scene(rng, kind)
    readings, _ = simulator.read_all(rng, truth)
    lenses = dict.fromkeys(truth.lens_um, HEALTHY_HISTORY) if is_history_told else {}
    answer = judge(Prep(readings=readings, lenses=lenses), seed=i)
    verdicts = {one.name: one.verdict.value for one in (*answer.bodies, *answer.lenses)}
    first = max(answer.causes, key=lambda cause: cause.probability, default=None)
    return unit, (first.kind, first.unit, first.probability) if first else ("", "", 0.0), verdicts


@dataclass(frozen=True)
class Scenes:
    """What the single-fault scenes of one kind measured."""

    kind: str
    count: int
    named: int
    right: int
    faulty_passed: int
    healthy_passed: float

    @property
    def named_share(self) -> float:
        """Share of scenes in which a cause is named."""
        return self.named / self.count


def measure_scenes(kind: str, count: int, *, is_history_told: bool = False) -> Scenes:
    """Run the scenes of one kind."""
    results = map_preps(partial(one_scene, kind, is_history_told), count)
    named = [(unit, cause) for unit, cause, _ in results if cause[2] >= NAMED_P]
    healthy = [
        verdict == Verdict.IN_TOLERANCE
        for unit, _, verdicts in results
        for name, verdict in verdicts.items()
        if name != unit
    ]
    return Scenes(
        kind=kind,
        count=count,
        named=len(named),
        right=sum(cause[:2] == (kind, unit) for unit, cause in named),
        faulty_passed=sum(verdicts.get(unit) == Verdict.IN_TOLERANCE for unit, _, verdicts in results),
        healthy_passed=float(np.mean(healthy)),
    )


NEXT_TARGET_UM = 5.0
MOST_READINGS = 300
STRIDE = 10
"""A fixed plan is looked at after every so many readings, then one by one within the last of these."""


def known_set(sd_um: float) -> dict[str, LensKnowledge]:
    """A set that the house knows to some standard uncertainty. [µm]"""
    return {
        lens.name: LensKnowledge(
            focal_lengths_mm=(lens.focal_mm,),
            fnumber=lens.fnumber,
            history_mean_um=0.0,
            history_sd_um=sd_um,
        )
        for lens in simulator.SET
    }


FIXED = {"every lens in turn": 6, "three widest in turn": 3, "four widest in turn": 4}
"""Fixed plans: so many of the widest lenses are read in turn, at 3 ft, then at 6, then at 12, and again."""


@dataclass(frozen=True)
class _Look:
    """The posterior after some readings: the body's 95 % half width, and the sight that says most next."""

    half_width_um: float
    best_lens: str
    best_distance_mm: float


def _look(readings: list[Reading], lens_sd_um: float) -> _Look:
    prep = Prep(readings=tuple(readings), bodies={"B1": BodyKnowledge()}, lenses=known_set(lens_sd_um))
    judged = judge_prep(prep, candidates=possible_readings(prep))
    (body,) = judged.answer.bodies
    wanted = np.array([judged.draws.quantities.index("body", "B1")])
    best = next_readings(judged.draws, judged.built, wanted=wanted)[0]
    return _Look((body.high_um - body.low_um) / 2, best.lens, best.distance_mm)


def _read(rng: np.random.Generator, truth: simulator.Truth, lens: simulator.Lens, d: int) -> Reading:
    taped_mm = simulator.DISTANCES_MM[d]
    return simulator.read_once(rng, truth, "B1", lens, taped_mm, simulator.setup_name("B1", d))[0]


def needed_by_next_best(lens_sd_um: float, i: int) -> int:
    """Readings until the body is known to the target when each reading is the one advised."""
    rng = np.random.default_rng([SEED, 11, i])
    truth = simulator.draw_truth(rng, simulator.Spread(lens_um=lens_sd_um))
    lenses = {lens.name: lens for lens in simulator.SET}
    readings: list[Reading] = []
    while (look := _look(readings, lens_sd_um)).half_width_um > NEXT_TARGET_UM and len(
        readings
    ) < MOST_READINGS:
        d = simulator.DISTANCES_MM.index(look.best_distance_mm)
        readings.append(_read(rng, truth, lenses[look.best_lens], d))
    return len(readings)


def needed_by_fixed(policy: str, lens_sd_um: float, i: int) -> int:
    """Readings until the body is known to the target under a fixed plan."""
    rng = np.random.default_rng([SEED, 11, i])
    truth = simulator.draw_truth(rng, simulator.Spread(lens_um=lens_sd_um))
    turn = FIXED[policy]
    readings = [_read(rng, truth, simulator.SET[n % turn], n // turn % 3) for n in range(MOST_READINGS)]

    def is_enough(count: int) -> bool:
        return _look(readings[:count], lens_sd_um).half_width_um <= NEXT_TARGET_UM

    reached = next((n for n in range(STRIDE, MOST_READINGS, STRIDE) if is_enough(n)), MOST_READINGS)
    return next((n for n in range(reached - STRIDE + 1, reached) if is_enough(n)), reached)


def measure_next(count: int, lens_sd_um: float) -> dict[str, float]:
    """Mean count of readings that each policy needs."""
    needed = {"next best": float(np.mean(map_preps(partial(needed_by_next_best, lens_sd_um), count)))}
    for policy in FIXED:
        needed[policy] = float(np.mean(map_preps(partial(needed_by_fixed, policy, lens_sd_um), count)))
    return needed
