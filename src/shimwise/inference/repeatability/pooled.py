"""How well people repeat themselves: pooled repeatability, each person's k, and gauge R&R by crossed ANOVA.

A *group* is what one person read of one thing that did not change: the same body, lens, stop and distance.
What scatters within groups is the person; what differs between persons on the same parts is reproducibility.

References
----------
.. [1] NIST/SEMATECH *e-Handbook of Statistical Methods*, 2.4.4.4 (pooling over groups).
.. [2] AIAG, *Measurement Systems Analysis*, 4th ed. (2010), appendix A (analysis of variance method).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.errors import InferenceError
from shimwise.inference.model.checks import refuse_unless_finite
from shimwise.inference.model.priors import K_LOG_SD, K_MEDIAN
from shimwise.inference.posterior.student import log_density as log_student

POOLING_P = 0.25
"""An interaction less significant than this is pooled with the error (AIAG, appendix A)."""
K_FINE_GRID = np.geomspace(0.02, 1.5, 241)
"""Grid of a person's k (focusing spread as a share of N·c)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """Pooled standard deviation of repeats, in their unit, and its degrees of freedom."""

    sd: float
    degrees: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeats:
    """Repeats of one reading by one person.

    ``landings_um`` [µm]; ``blur_um``: N·c [µm]; ``reading_sd_um``: scale of the error of the ring [µm].
    """

    landings_um: tuple[float, ...]
    blur_um: float
    reading_sd_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonK:
    """A person's k: posterior mean, sd and 95 % interval, and from how many repeats beyond the first."""

    k: float
    sd: float
    low: float
    high: float
    degrees: int


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy:
    """Gauge R&R of a crossed study; all standard deviations in the values' unit.

    ``repeatability_sd`` (EV), ``reproducibility_sd`` (AV, with what is left of the interaction),
    ``gauge_sd`` (GRR), ``part_sd`` (PV), ``total_sd`` (TV); ``interaction_f`` and ``interaction_p`` of the
    test for an interaction; ``is_interaction_kept`` whether it was kept apart.
    """

    repeatability_sd: float
    reproducibility_sd: float
    gauge_sd: float
    part_sd: float
    total_sd: float
    interaction_f: float
    interaction_p: float
    is_interaction_kept: bool

    @property
    def gauge_percent(self) -> float:
        """Gauge R&R as a share of the total spread. [%]"""
        return 100 * self.gauge_sd / self.total_sd if self.total_sd else math.nan


def pool(sums_of_squares: Sequence[float], degrees: Sequence[int]) -> Repeatability:
    """Pool sums of squares over groups (e-Handbook 2.4.4.4); raise InferenceError if nothing is repeated."""
    refuse_unless_finite(sums_of_squares, "A sum of squares")
    if len(sums_of_squares) != len(degrees) or min([*sums_of_squares, *degrees], default=0) < 0:
        raise InferenceError("Each sum of squares goes with its degrees of freedom, both 0 or more.")
    total = sum(degrees)
    if not total:
        raise InferenceError("Nothing is repeated. Read at least one thing twice without touching it.")
    return Repeatability(sd=math.sqrt(math.fsum(sums_of_squares) / total), degrees=total)


def pooled_repeatability(groups: Sequence[Sequence[float]]) -> Repeatability:
    """Return the pooled standard deviation of repeats about their means; single values are ignored.

    Raises
    ------
    InferenceError
        If nothing is repeated, or a value is not finite.
    """
    for group in groups:
        refuse_unless_finite(group, "A repeat")
    repeated = [np.asarray(group, dtype=np.float64) for group in groups if len(group) > 1]
    return pool([_squares(group) for group in repeated], [len(group) - 1 for group in repeated])


def person_k(repeats: Sequence[Repeats]) -> PersonK:
    """Compute the posterior of a person's k from the house's own repeats, with the judge's prior.

    Each repeat's distance from its group's median is a Student-t of ν = 4 with the model's squared scale
    (k·N·c)² + (reading error)²; n repeats count as n − 1. Blunders lose their weight.

    Raises
    ------
    InferenceError
        If nothing is repeated, or a number is impossible.
    """
    log_density = -0.5 * (np.log(K_FINE_GRID / K_MEDIAN) / K_LOG_SD) ** 2
    degrees = 0
    for one in repeats:
        refuse_unless_finite(one.landings_um, "A landing")
        _check_repeats(one)
        n = len(one.landings_um)
        if n > 1:
            degrees += n - 1
            log_density = log_density + _log_likelihood(one)
    if not degrees:
        raise InferenceError("Nothing is repeated. A person's k needs at least one sight read twice.")
    share = np.exp(log_density - log_density.max())
    share /= share.sum()
    mean = float(share @ K_FINE_GRID)
    cumulative = np.cumsum(share) - share / 2
    low, high = np.exp(np.interp([0.025, 0.975], cumulative, np.log(K_FINE_GRID)))
    return PersonK(
        k=mean,
        sd=float(np.sqrt(share @ (K_FINE_GRID - mean) ** 2)),
        low=float(low),
        high=float(high),
        degrees=degrees,
    )


def gauge_study(values: Sequence[Sequence[Sequence[float]]]) -> GaugeStudy:
    """Compute gauge R&R of a crossed study by two-way analysis of variance.

    Parameters
    ----------
    values : nested sequence, shape (persons, parts, trials)
        Every person has read every part the same number of times.

    Returns
    -------
    GaugeStudy
        A variance component that comes out negative is 0.

    Raises
    ------
    InferenceError
        If the study is not crossed with at least two persons, two parts and two trials, or a value is not
        finite.

    References
    ----------
    AIAG, *Measurement Systems Analysis*, 4th ed., appendix A.
    """
    table = _crossed(values)
    persons, parts, trials = table.shape
    squares = _sums_of_squares(table)
    degrees = {
        "person": persons - 1,
        "part": parts - 1,
        "interaction": (persons - 1) * (parts - 1),
        "error": persons * parts * (trials - 1),
    }
    mean = {name: squares[name] / degrees[name] for name in degrees}
    f = _ratio(mean["interaction"], mean["error"])
    p = _f_exceeded(f, degrees["interaction"], degrees["error"])
    is_kept = p < POOLING_P
    error = mean["error"]
    if not is_kept:
        error = (squares["interaction"] + squares["error"]) / (degrees["interaction"] + degrees["error"])
    against = mean["interaction"] if is_kept else error
    joint = max(0.0, (mean["interaction"] - error) / trials) if is_kept else 0.0
    reproducibility = max(0.0, (mean["person"] - against) / (parts * trials)) + joint
    part = max(0.0, (mean["part"] - against) / (persons * trials))
    gauge = error + reproducibility
    return GaugeStudy(
        repeatability_sd=math.sqrt(error),
        reproducibility_sd=math.sqrt(reproducibility),
        gauge_sd=math.sqrt(gauge),
        part_sd=math.sqrt(part),
        total_sd=math.sqrt(gauge + part),
        interaction_f=f,
        interaction_p=p,
        is_interaction_kept=is_kept,
    )


def _f_exceeded(f: float, above: int, below: int) -> float:
    """Return P(F > f) of the F distribution (Abramowitz and Stegun, *Handbook*, 26.6.2, from memory)."""
    from mpmath import betainc  # slow to load, and rarely needed

    return float(betainc(below / 2, above / 2, 0, below / (below + above * f), regularized=True))


def _ratio(above: float, below: float) -> float:
    """Return the ratio of two mean squares, infinite if only the lower one is 0."""
    if below:
        return above / below
    return math.inf if above else 0.0


def _squares(values: FloatArray) -> float:
    """Return the sum of squares about the mean, in two passes so that large means cost no digits."""
    offset = values - values[0]
    return float(np.sum((offset - offset.mean()) ** 2))


def _log_likelihood(one: Repeats) -> FloatArray:
    """Return the log likelihood of a group's repeats at every point of the grid of k."""
    landings = np.asarray(one.landings_um)
    n = len(landings)
    variance = (K_FINE_GRID * one.blur_um) ** 2 + one.reading_sd_um**2
    square = (landings - np.median(landings)) ** 2 * n / (n - 1)
    return np.asarray((n - 1) / n * log_student(square[None, :], variance[:, None]).sum(1))


def _check_repeats(one: Repeats) -> None:
    if not (one.blur_um > 0 and one.reading_sd_um >= 0 and math.isfinite(one.blur_um + one.reading_sd_um)):
        raise InferenceError(
            f"A sight with N·c {one.blur_um:g} µm and a reading error of {one.reading_sd_um:g} µm contains "
            "no information about an eye. The first has to be above 0, the second 0 or more."
        )


def _crossed(values: Sequence[Sequence[Sequence[float]]]) -> FloatArray:
    sizes = {len(trials) for person in values for trials in person}
    if len(values) < 2 or len({len(person) for person in values}) != 1 or len(sizes) != 1:
        raise InferenceError(
            "A gauge study needs at least two persons who read the same parts, each as often as the others."
        )
    table = np.asarray(values, dtype=np.float64)
    if min(table.shape) < 2:
        raise InferenceError("A gauge study needs at least two persons, two parts and two trials of each.")
    refuse_unless_finite(table.ravel().tolist(), "A value of the study")
    return table


def _sums_of_squares(table: FloatArray) -> dict[str, float]:
    persons, parts, trials = table.shape
    table = table - table.flat[0]
    grand = table.mean()
    person, part, cell = table.mean((1, 2)) - grand, table.mean((0, 2)) - grand, table.mean(2)
    interaction = cell - grand - person[:, None] - part[None, :]
    return {
        "person": float(parts * trials * np.sum(person**2)),
        "part": float(persons * trials * np.sum(part**2)),
        "interaction": float(trials * np.sum(interaction**2)),
        "error": float(np.sum((table - cell[:, :, None]) ** 2)),
    }
