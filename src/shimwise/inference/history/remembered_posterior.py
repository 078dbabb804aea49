"""The posterior of a prep whose units are remembered jointly, and whether its readings fit that memory.

The robust posterior needs independent priors. A joint normal prior N(m, C) becomes one in other coordinates:
with C = T Tᵀ the units are u = m + T·w, and w is independent with sd 1. The history is used as it is: a wrong
one is found by the test for knocks below, unit by unit, not by a wider prior for all.

Knocks are tested unit by unit: with the likelihood of the readings alone (precision Λ, pull η), r = η − Λm
has variance Λ + ΛCΛ, and a shift δ of unit i adds Λe_i·δ to it.

References
----------
.. [1] W. Baarda, *A testing procedure for use in geodetic networks* (1968): the test of one shift at a time
   in correlated observations (cited from memory).
.. [2] Y. Bar-Shalom, X. R. Li, T. Kirubarajan, *Estimation with Applications to Tracking and Navigation*
   (2001), section 5.4: the normalised innovation squared is χ² (cited from memory).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from statistics import NormalDist
from types import MappingProxyType

import numpy as np

from shimwise.errors import InferenceError
from shimwise.inference.model.joint_memory import History
from shimwise.inference.model.linear import FloatArray, Kind, Model, Unknown
from shimwise.inference.posterior.robust import Posterior, robust_posterior

NOTICE_P = 0.006
"""Probability of a false notice in a whole prep if innovations were exactly normal. Readings have longer
tails: measured in simulation it is about twice that."""
ALONE_SD_UM = 40.0
"""Prior sd of bodies and lenses while computing the likelihood of the readings; divided out again. [µm]"""
TESTED = (Kind.BODY, Kind.LENS)
DISCOUNT = 1.2
"""The robust posterior takes the weights as known, so its readings carry this much too much information (9 %
in sd; measured in simulation). The readings are discounted, not the result: otherwise a memory of many preps
would keep widening."""
NEGLIGIBLE = 1e-9
Later = Mapping[tuple[Kind, str], tuple[str, ...]]
"""The states of a unit after adjustments that followed one of its states, by that one's kind and name."""
NO_LATER: Later = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class KnockTest:
    """How far a unit's readings lie from its memory.

    ``shift_um`` that would explain it, with its standard uncertainty ``sd_um``; ``z`` = shift/sd, standard
    normal if nothing happened; ``is_noticed`` if it is too large for chance among all units of the prep.
    """

    kind: Kind
    name: str
    shift_um: float
    sd_um: float
    z: float
    is_noticed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How a prep's readings fit the memory: χ², its degrees of freedom and p, and the test of each unit."""

    chi_squared: float
    degrees: int
    p: float
    tests: tuple[KnockTest, ...]

    @property
    def noticed(self) -> KnockTest | None:
        """The largest knock that was noticed; None if all fits."""
        found = [one for one in self.tests if one.is_noticed]
        return max(found, key=lambda one: abs(one.z), default=None)


@dataclass(frozen=True, slots=True)
class Evidence:
    """Likelihood of the units in a model's ``columns``: ``precision`` (u, u) and ``pull`` (u,).

    Everything else (conversions, the readers' k) is integrated out.
    """

    columns: tuple[int, ...]
    precision: FloatArray
    pull: FloatArray


def remembered_posterior(model: Model, history: History) -> Posterior:
    """Return the robust posterior of a model with a joint history as the prior of its units.

    Parameters
    ----------
    model : Model
        Its own priors of remembered units are ignored; its gauges count as readings.
    history : History
        Remembers every unit of the model (:meth:`History.with_units_of`).

    Returns
    -------
    Posterior
        In the model's columns and units, as from :func:`.robust_posterior`.
    """
    columns, here = history.columns_of(model)
    mean = model.prior_mean
    mean[columns] = history.mean[here]
    turn = np.eye(len(mean))
    turn[np.ix_(columns, columns)] = _root(history.covariance[np.ix_(here, here)])
    count = len(model.landing_um)
    model = _in_own_coordinates(model, columns, mean, turn)
    posterior = _discounted(robust_posterior(model), model)
    return replace(
        posterior,
        means=mean + posterior.means @ turn.T,
        covariances=turn @ posterior.covariances @ turn.T,
        weights=posterior.weights[:count],
        sd_um=posterior.sd_um[:count],
    )


def learned(history: History, model: Model) -> History:
    """Return the history after the readings of a model, all units of which are remembered."""
    posterior = remembered_posterior(model, history)
    return history.after(model, mean=posterior.mean, covariance=posterior.covariance)


def with_marginal_priors(model: Model, history: History) -> Model:
    """Return the model with an independent prior for each remembered unit (:meth:`History.alone_sd`)."""
    columns, here = history.columns_of(model)
    sd = np.sqrt(np.diag(history.covariance))[here]
    wide_sd = history.alone_sd(here)
    unknowns = list(model.unknowns)
    for place, i in enumerate(columns):
        unknowns[i] = replace(
            unknowns[i],
            mean=float(history.mean[here[place]]),
            sd=float(wide_sd[place]),
            has_history=unknowns[i].has_history or not _is_as_unknown(unknowns[i], sd[place]),
        )
    return replace(model, unknowns=tuple(unknowns))


def evidence_of(model: Model) -> Evidence:
    """Return the likelihood of bodies, lenses, scales and set-ups: the posterior less a wide prior."""
    wide = replace(model, unknowns=tuple(_alone(unknown) for unknown in model.unknowns))
    posterior = robust_posterior(wide)
    columns = [i for i, unknown in enumerate(model.unknowns) if unknown.kind is not Kind.CONVERSION]
    prior_sd, prior_mean = wide.prior_sd[columns], wide.prior_mean[columns]
    precision = np.linalg.inv(posterior.covariance[np.ix_(columns, columns)])
    pull = precision @ posterior.mean[columns] - prior_mean / prior_sd**2
    return Evidence(
        columns=tuple(columns),
        precision=_positive(np.asarray(precision - np.diag(prior_sd**-2.0)), prior_sd),
        pull=np.asarray(pull),
    )


def fit_to(history: History, model: Model, *, later: Later = NO_LATER) -> Fit:
    """Test a model's readings against the memory, and each body and lens for a knock.

    ``later`` names the states that a unit had after adjustments: what knocked it before moved them too.

    Raises
    ------
    InferenceError
        If there is no reading, or a unit of the model is not remembered.
    """
    if not len(model.landing_um):
        raise InferenceError("There is no reading to compare with the history. Take one first.")
    evidence = evidence_of(model)
    here = [history.current(model.unknowns[i].kind, model.unknowns[i].name) for i in evidence.columns]
    precision, covariance = evidence.precision, history.covariance[np.ix_(here, here)]
    rest = evidence.pull - precision @ history.mean[here]
    inverse, degrees = _pseudo_inverse(precision + precision @ covariance @ precision, covariance)
    chi_squared = float(rest @ inverse @ rest)
    tested = [i for i, column in enumerate(evidence.columns) if model.unknowns[column].kind in TESTED]
    limit = NormalDist().inv_cdf(1 - (1 - (1 - NOTICE_P) ** (1 / max(1, len(tested)))) / 2)
    tests = []
    for i in tested:
        unknown = model.unknowns[evidence.columns[i]]
        seen = precision[:, _moved_with(i, unknown, later, evidence, model)].sum(axis=1)
        reach = seen @ inverse
        information = float(reach @ seen)
        if information <= NEGLIGIBLE / covariance[i, i]:
            continue  # nothing was read of it
        shift_um = float(reach @ rest) / information
        z = shift_um * math.sqrt(information)
        tests.append(
            KnockTest(
                kind=unknown.kind,
                name=unknown.name,
                shift_um=shift_um,
                sd_um=information**-0.5,
                z=z,
                is_noticed=abs(z) > limit,
            )
        )
    return Fit(
        chi_squared=chi_squared,
        degrees=degrees,
        p=_chi_squared_p(chi_squared, degrees),
        tests=tuple(tests),
    )


def doubt_what_was_knocked(
    history: History, model: Model, *, later: Later = NO_LATER, most: int = 3
) -> tuple[History, tuple[KnockTest, ...]]:
    """Widen the units whose readings contradict the history, the worst first; return history and knocks.

    One at a time: a knocked lens shifts the readings of every body, so its removal may clear the others.
    """
    noticed: list[KnockTest] = []
    for _ in range(most):
        worst = fit_to(history, model, later=later).noticed
        if worst is None or worst.name in [one.name for one in noticed if one.kind is worst.kind]:
            break
        noticed.append(worst)
        history = history.doubted(worst.kind, worst.name, later=later.get((worst.kind, worst.name), ()))
    return history, tuple(noticed)


def _moved_with(i: int, unknown: Unknown, later: Later, evidence: Evidence, model: Model) -> list[int]:
    """Return the positions of a unit and of its later states among the evidence's columns."""
    names = {unknown.name, *later.get((unknown.kind, unknown.name), ())}
    return [
        place
        for place, column in enumerate(evidence.columns)
        if place == i
        or (model.unknowns[column].kind is unknown.kind and model.unknowns[column].name in names)
    ]


def _in_own_coordinates(model: Model, columns: list[int], mean: FloatArray, turn: FloatArray) -> Model:
    """Return the model in w with u = mean + turn·w; gauges become rows, since they are not diagonal in w."""
    gauged = np.flatnonzero(model.gauge_precision)
    n, q = len(gauged), len(model.design)
    design = np.vstack([model.design, np.eye(len(mean))[gauged]])
    landing_um = np.append(model.landing_um, model.gauge_pull[gauged] / model.gauge_precision[gauged])
    pattern = np.append(model.pattern, q + np.arange(n))
    zeros = np.zeros(len(mean))
    unknowns = list(model.unknowns)
    for i in columns:
        unknowns[i] = replace(unknowns[i], mean=0.0, sd=1.0, has_history=False)
    for i in set(range(len(unknowns))) - set(columns):
        unknowns[i] = replace(unknowns[i], mean=0.0)
    return replace(
        model,
        unknowns=tuple(unknowns),
        design=design @ turn,
        landing_um=landing_um - (design @ mean)[pattern],
        pattern=pattern.astype(np.intp),
        blur_um=np.append(model.blur_um, np.zeros(n)),
        reading_sd_um=np.append(model.reading_sd_um, model.gauge_precision[gauged] ** -0.5),
        operator=np.append(model.operator, np.zeros(n, dtype=np.intp)).astype(np.intp),
        setups=(*model.setups, *[""] * n),
        gauge_precision=zeros,
        gauge_pull=zeros,
    )


def _discounted(posterior: Posterior, model: Model) -> Posterior:
    """Return the posterior with the information of the readings, not of the prior, over ``DISCOUNT``."""
    prior = np.diag(model.prior_sd**-2.0)
    precision = np.linalg.inv(posterior.covariances)
    pull = np.einsum("gij,gj->gi", precision, posterior.means) - prior @ model.prior_mean
    covariances = np.linalg.inv(prior + (precision - prior) / DISCOUNT)
    means = np.einsum("gij,gj->gi", covariances, pull / DISCOUNT + prior @ model.prior_mean)
    return replace(posterior, means=means, covariances=np.asarray(covariances, dtype=np.float64))


def _is_as_unknown(unknown: Unknown, sd: float) -> bool:
    """Whether the memory of a unit is no narrower than the model's prior of an unknown one."""
    return unknown.kind not in TESTED or bool(sd >= unknown.sd * (1 - 1e-9))


def _alone(unknown: Unknown) -> Unknown:
    if unknown.kind in TESTED:
        return Unknown(unknown.kind, unknown.name, unknown.mean, ALONE_SD_UM)
    return replace(unknown, has_history=False)


def _root(covariance: FloatArray) -> FloatArray:
    """Return the lower triangle T with T Tᵀ the covariance, after scaling each unit by its sd."""
    sd = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(sd, sd)
    jitter = 0.0
    while True:
        try:
            return np.asarray(sd[:, None] * np.linalg.cholesky(correlation + jitter * np.eye(len(sd))))
        except np.linalg.LinAlgError:
            jitter = max(1e-10, 10 * jitter)
            if jitter > 1e-3:
                raise


def _positive(matrix: FloatArray, scale: FloatArray) -> FloatArray:
    """Clip the negative eigenvalues that a mixture's tails cause; ``scale`` makes the matrix unit-free."""
    value, vector = np.linalg.eigh(matrix * np.outer(scale, scale))
    clean = (vector * np.maximum(value, 0.0)) @ vector.T
    return np.asarray(clean / np.outer(scale, scale))


def _pseudo_inverse(variance: FloatArray, covariance: FloatArray) -> tuple[FloatArray, int]:
    """Return the inverse on the observed subspace, and its rank; ``covariance`` makes it unit-free."""
    scale = np.sqrt(np.diag(covariance))
    value, vector = np.linalg.eigh(variance * np.outer(scale, scale))
    kept = value > 1e-6 * value.max()
    inverse = (vector[:, kept] / value[kept]) @ vector[:, kept].T
    return np.asarray(np.outer(scale, scale) * inverse), int(kept.sum())


def _chi_squared_p(value: float, degrees: int) -> float:
    from mpmath import gammainc  # slow to load, and rarely needed

    return float(gammainc(degrees / 2, value / 2, regularized=True)) if degrees else 1.0
