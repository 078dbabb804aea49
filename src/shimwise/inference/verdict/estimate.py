"""Errors and causes of a model: with nothing remembered, or from a joint history that is tested first."""

from typing import NamedTuple

import numpy as np

from shimwise.inference.history.remembered_posterior import (
    NO_LATER,
    KnockTest,
    Later,
    doubt_what_was_knocked,
    remembered_posterior,
    with_marginal_priors,
)
from shimwise.inference.model.joint_memory import History
from shimwise.inference.model.linear import FloatArray, Model
from shimwise.inference.posterior.faults import PRIORS, Faults, damaged_sd, find_faults
from shimwise.inference.posterior.robust import Posterior, robust_posterior

DAMAGED_P = 0.95
"""Units that are damaged at this probability are estimated with the wider prior of a damaged one."""


class UnitErrors(NamedTuple):
    """The model with each unit's independent prior, the posterior, the faults, and the knocks found."""

    model: Model
    posterior: Posterior
    faults: Faults
    knocked: tuple[KnockTest, ...] = ()


def estimate(
    model: Model, history: History | None, *, limit: FloatArray, seed: int, later: Later = NO_LATER
) -> UnitErrors:
    """Compute the errors of all units; a unit that is probably damaged gets a wide enough prior.

    Parameters
    ----------
    model : Model
        Of the readings.
    history : History or None
        Joint memory of some of its units; units whose readings contradict it are widened. The search for
        causes has no joint prior: it uses marginal ones, wide enough to be independent.
    limit : array, shape (p,)
        What counts as out, in each unknown's unit; infinite for nuisances.
    seed : int
        Of the search for causes.
    later : mapping
        A unit's states after the adjustments that followed.
    """
    if history is None:
        return _without_memory(model, limit, seed)
    history = history.with_units_of(model)
    knocked: tuple[KnockTest, ...] = ()
    if len(model.landing_um):
        history, knocked = doubt_what_was_knocked(history, model, later=later)
    alone = with_marginal_priors(model, history)
    posterior = remembered_posterior(alone, history)
    if not len(model.landing_um):
        return UnitErrors(alone, posterior, _no_faults(limit))
    faults = find_faults(alone, posterior, limit=limit, seed=seed)
    damaged = _damaged(faults)
    for i in damaged:
        unknown = model.unknowns[i]
        history = history.doubted(
            unknown.kind,
            unknown.name,
            sd=PRIORS[unknown.kind].damaged_sd,
            later=later.get((unknown.kind, unknown.name), ()),
        )
    if damaged:
        posterior = remembered_posterior(alone, history)
    return UnitErrors(alone, posterior, faults, knocked)


def _without_memory(model: Model, limit: FloatArray, seed: int) -> UnitErrors:
    posterior = robust_posterior(model)
    if not len(model.landing_um):
        return UnitErrors(model, posterior, _no_faults(limit))
    faults = find_faults(model, posterior, limit=limit, seed=seed)
    damaged = [(i, damaged_sd(model, i)) for i in _damaged(faults)]
    return UnitErrors(model, robust_posterior(model, damaged=damaged) if damaged else posterior, faults)


def _damaged(faults: Faults) -> list[int]:
    return [int(i) for i in np.flatnonzero(faults.p_damaged > DAMAGED_P)]


def _no_faults(limit: FloatArray) -> Faults:
    return Faults(p_out=np.zeros(len(limit)), p_damaged=np.zeros(len(limit)))
