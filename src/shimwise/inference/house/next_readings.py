"""What is most worth reading next in a house: which body with which lens, and at which distance."""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray, IntArray
from shimwise.inference.house.joint import JointState
from shimwise.inference.house.spreads import Learned
from shimwise.inference.model.kinds import Kind
from shimwise.inference.model.priors import K_MEDIAN, Effect
from shimwise.inference.model.rounding import usual_step_mm
from shimwise.inference.posterior.normal import normal_cdf
from shimwise.inference.posterior.student import STUDENT_INFLATION

REPEATS = 3
LEAST_P, MOST_P = 0.05, 0.8
"""A unit is undecided between these probabilities of being out, or while its sd exceeds half the
tolerance."""


@dataclass(frozen=True, slots=True)
class HouseReading:
    """A reading worth taking: names, distance, and what it takes off the undecided units' variance. [µm²]"""

    body: str
    lens: str
    distance_mm: float
    gain_um2: float


def undecided(state: JointState, *, tolerance_um: float, past: Collection[str] = ()) -> IntArray:
    """Return the places of bodies and lenses that are neither known to be in tolerance nor to be out.

    ``past``: names of states that ended with an adjustment; they are not among them.
    """
    places = np.array(
        [i for kind in (Kind.BODY, Kind.LENS) for i in state.places(kind) if state.units[i].name not in past],
        dtype=np.intp,
    )
    mean, sd = state.mean[places], np.sqrt(np.diag(state.covariance)[places])
    out = np.asarray(normal_cdf((-tolerance_um - mean) / sd) + normal_cdf((mean - tolerance_um) / sd))
    return places[((out > LEAST_P) & (out < MOST_P)) | (sd >= tolerance_um / 2)]


def most_worth_reading(
    learned: Learned,
    state: JointState,
    *,
    tolerance_um: float,
    count: int = 5,
    past: Collection[str] = (),
) -> tuple[HouseReading, ...]:
    """Return the readings that shrink the undecided units most, best first, each pair once.

    Each body with each lens at each distance at which the lens was read before, three repeats by a person
    with the median k; none in a ``past`` state, which ended with an adjustment. The gain of a candidate
    with row a is Σ_u (a'Σe_u)²/(7s²/5n + w²/12 + t²σ_T² + a'Σa), e_u the undecided units, w the rounding,
    t what the tape's error σ_T does.
    """
    wanted = undecided(state, tolerance_um=tolerance_um, past=past)
    bodies = [place for place in state.places(Kind.BODY) if state.units[place].name not in past]
    if not len(wanted) or not bodies:
        return ()
    lens, rows, noise, distance_mm = _candidates(learned, state)
    with_wanted, own = rows @ state.covariance, state.covariance
    spread = np.einsum("ij,ij->i", with_wanted, rows)
    starts = np.flatnonzero([i == 0 or lens[i] != lens[i - 1] for i in range(len(lens))])
    ends = np.append(starts[1:], len(lens))
    found: list[HouseReading] = []
    for body in bodies:
        variance = spread + 2 * with_wanted[:, body] + own[body, body] + noise
        gain = ((with_wanted[:, wanted] + own[body, wanted]) ** 2).sum(1) / variance
        best = [int(a + np.argmax(gain[a:b])) for a, b in zip(starts, ends, strict=True)]
        name = state.units[body].name
        found += [HouseReading(name, lens[i], float(distance_mm[i]), float(gain[i])) for i in best]
    found = [one for one in found if one.lens not in past]
    return tuple(sorted(found, key=lambda one: (-one.gain_um2, one.body, one.lens))[:count])


def _candidates(learned: Learned, state: JointState) -> tuple[list[str], FloatArray, FloatArray, FloatArray]:
    """Return each lens at each distance where it was read, lens by lens.

    Its name, its row without a body, the noise of three repeats [µm²], the distance [mm].
    """
    house = learned.readings
    by_eye = np.flatnonzero(house.person >= 0)
    keys = np.stack([house.lens[by_eye].astype(np.float64), house.distance_mm[by_eye]], axis=1)
    _, first = np.unique(keys, axis=0, return_index=True)
    chosen = by_eye[first]
    names = [house.lenses[i] for i in house.lens[chosen]]
    place = {(unit.kind, unit.name): i for i, unit in enumerate(state.units)}
    rows = np.zeros((len(chosen), len(state.units)))
    persons = state.places(Kind.EYE)
    for row, name, i in zip(rows, names, chosen, strict=True):
        row[place[Kind.LENS, name]] = 1.0
        row[place[Kind.SCALE, name]] = house.scale_um[i]
        row[persons] = house.blur_um[i] / max(1, len(persons))
    ring_um = learned.spreads.ring * house.ring_um[chosen]
    scale_um2 = (K_MEDIAN * house.blur_um[chosen]) ** 2 + ring_um**2 + house.other_um[chosen] ** 2
    step_mm = np.array([usual_step_mm(one) for one in house.distance_mm[chosen]])
    tape_um2 = (house.tape_um[chosen] * learned.spreads.levels[Effect.SETUP].usual_sd) ** 2
    noise = STUDENT_INFLATION * scale_um2 / REPEATS + (house.tape_um[chosen] * step_mm) ** 2 / 12 + tape_um2
    return names, rows, noise, house.distance_mm[chosen]
