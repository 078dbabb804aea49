"""The decision rule: when a unit is called out, in tolerance, or neither.

A unit is *out* when the probability that it lies beyond its tolerance reaches ``CALL_OUT_P``. *In tolerance*
is a claim too: it needs a probability of being out of at most ``ACCEPT_P`` and a standard uncertainty below
half the tolerance. A unit without any reading or gauge is *not checked*; of the rest it *cannot be told*, and
:mod:`shimwise.inference.verdict.unit_state` finds what would decide it.

References
----------
.. [1] JCGM 106:2012, *Evaluation of measurement data: the role of measurement uncertainty in conformity
   assessment*, clause 7 (conformance probability), clause 8.3 (guard bands); numbers cited from memory.
"""

from statistics import NormalDist

from shimwise.errors import InferenceError
from shimwise.inference.verdict.answer import Verdict

CALL_OUT_P = 0.8
"""A unit is called out at this probability: the risk of turning what was true is at most 1 in 5."""
ACCEPT_P = 0.05
"""A unit is called in tolerance below this probability of being out: the risk of passing a faulty one."""
SUSPECT_P = 0.3
"""Above this a unit is suspected."""


def decide(*, p_below: float, p_above: float, sd_um: float, tolerance_um: float, is_read: bool) -> Verdict:
    """Return the verdict of a unit.

    Parameters
    ----------
    p_below, p_above : float
        Probability of lying short of, and deep beyond, the tolerance.
    sd_um : float
        Standard uncertainty of its error. [µm]
    tolerance_um : float
        [µm, positive]
    is_read : bool
        Whether any reading or gauge contains it.
    """
    p_out = p_below + p_above
    if not is_read:
        return Verdict.NOT_CHECKED
    if max(p_below, p_above) >= CALL_OUT_P:  # out, and on a side that is known
        return Verdict.OUT_SHORT if p_below >= p_above else Verdict.OUT_DEEP
    is_fine = p_out <= ACCEPT_P and sd_um < tolerance_um / 2
    return Verdict.IN_TOLERANCE if is_fine else Verdict.CANNOT_TELL


def guard_band(*, sd: float, risk: float = ACCEPT_P) -> float:
    """Width by which acceptance stays inside one tolerance limit, for a risk there. [unit of ``sd``]

    A unit measured exactly at the acceptance limit lies beyond the tolerance with probability ``risk``.

    Raises
    ------
    InferenceError
        When ``sd`` is not positive or ``risk`` is not between 0 and 0.5.

    References
    ----------
    JCGM 106:2012, clause 8.3.3: w = r·U.
    """
    if not sd > 0:
        raise InferenceError(f"A standard uncertainty of {sd:g} is no uncertainty. It has to be positive.")
    if not 0 < risk < 0.5:
        raise InferenceError(f"A risk of {risk:g} leaves no guard band. It has to lie between 0 and 0.5.")
    return NormalDist().inv_cdf(1 - risk) * sd
