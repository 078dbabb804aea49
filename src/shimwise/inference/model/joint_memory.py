"""The joint memory of units between preps: one normal distribution over all of them.

The posterior at a sign-off is the prior of the next prep, widened by time and travel. It is kept *jointly*:
readings determine sums of a body's and a lens's error, so the units are correlated, and a memory of each unit
alone would count the same knowledge again at every prep until it is far too narrow.

A unit's state between two adjustments is an *epoch*. An adjustment starts a new one: the old state moved by
what was turned or shimmed, with that move's own uncertainty. Readings of the old epoch inform the new one
only through that.

References
----------
.. [1] R. E. Kalman, "A new approach to linear filtering and prediction problems", J. Basic Eng. 82 (1960)
   35-45 (prediction and update of a joint normal; cited from memory).
.. [2] R. A. Horn, C. R. Johnson, *Matrix Analysis* (2nd ed. 2013), theorem 6.1.1 (Gershgorin) and 6.1.10: a
   symmetric matrix with a dominant diagonal is positive semidefinite (cited from memory).
"""

import base64
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.errors import InferenceError
from shimwise.inference.model.checks import refuse_unless_finite
from shimwise.inference.model.kinds import Kind

SCHEMA = "shimwise.history/1"
LASTING = (Kind.BODY, Kind.LENS, Kind.SCALE, Kind.AXIS, Kind.STOP, Kind.EYE)
"""Kinds that outlive a prep, a person's offset too; a set-up ends with its tape."""
DAYS_PER_MONTH = 30.0
LEAST_SD = {Kind.BODY: 1.0, Kind.LENS: 1.0}
"""No unit is remembered better than this, however often it was read. [µm] What the model leaves out (a lens
that focuses inside, a seat that moves) does not average away. Chosen by us."""


Later = Mapping[tuple[Kind, str], tuple[str, ...]]
"""The states of a unit after adjustments that followed one of its states, by that one's kind and name."""
NO_LATER: Later = MappingProxyType({})


class Unit(NamedTuple):
    """One thing in one state: its kind, its name, and how many adjustments it had."""

    kind: Kind
    name: str
    epoch: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftRates:
    """How fast units drift: sd after one month, and sd added by one job, each growing as the square root.

    Body and lens in µm, scale in ‰. Common practice, no source: mounts and helicoids settle, shims bed in, a
    case falls over; knocks too small to be noticed are included.
    """

    body_month: float = 1.5
    body_job: float = 2.0
    lens_month: float = 1.5
    lens_job: float = 2.0
    scale_month: float = 0.2
    scale_job: float = 0.2

    def __post_init__(self) -> None:
        rates = (getattr(self, one.name) for one in fields(self))
        if not all(rate >= 0 and math.isfinite(rate) for rate in rates):
            raise InferenceError("A drift rate has to be finite and 0 or more. Correct the setting.")

    def variance(self, kind: Kind, *, days: float, jobs: int) -> float:
        """Return the variance that time and travel add to a unit of this kind. [square of its unit]"""
        month, job = {
            Kind.BODY: (self.body_month, self.body_job),
            Kind.LENS: (self.lens_month, self.lens_job),
            Kind.SCALE: (self.scale_month, self.scale_job),
        }.get(kind, (0.0, 0.0))
        return month**2 * days / DAYS_PER_MONTH + job**2 * jobs


@dataclass(frozen=True, slots=True, kw_only=True)
class Remembered:
    """Mean and sd of one unit, in its own unit (body, lens µm; scale ‰; set-up mm)."""

    mean: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """A joint normal over units: ``mean`` (n,) and ``covariance`` (n, n), each in its unit's own unit."""

    units: tuple[Unit, ...]
    mean: FloatArray
    covariance: FloatArray

    @classmethod
    def empty(cls) -> "History":
        """Return the history of a house that has read nothing."""
        return cls(units=(), mean=np.zeros(0), covariance=np.zeros((0, 0)))

    def epoch(self, kind: Kind, name: str) -> int | None:
        """Return the newest epoch of a unit; None if it is not remembered."""
        return max((one.epoch for one in self.units if (one.kind, one.name) == (kind, name)), default=None)

    def current(self, kind: Kind, name: str) -> int:
        """Return the column of a unit's newest epoch; raise InferenceError if it is not remembered."""
        epoch = self.epoch(kind, name)
        if epoch is None:
            raise InferenceError(f"Nothing is remembered of the {kind} {name!r}. Read it first.")
        return self.units.index(Unit(kind, name, epoch))

    def remembered(self, kind: Kind, name: str, *, epoch: int | None = None) -> Remembered:
        """Return mean and sd of a unit, of its newest epoch by default.

        Raises
        ------
        InferenceError
            If the unit or that epoch is not remembered.
        """
        if epoch is None:
            i = self.current(kind, name)
        elif Unit(kind, name, epoch) in self.units:
            i = self.units.index(Unit(kind, name, epoch))
        else:
            raise InferenceError(f"Nothing is remembered of the {kind} {name!r} in epoch {epoch}.")
        return Remembered(mean=float(self.mean[i]), sd=float(np.sqrt(self.covariance[i, i])))

    def change(self, kind: Kind, name: str) -> Remembered:
        """Return the newest epoch of a unit minus the one before; what both share cancels.

        Raises
        ------
        InferenceError
            If either epoch is not remembered.
        """
        now = self.current(kind, name)
        self.remembered(kind, name, epoch=self.units[now].epoch - 1)
        before = self.units.index(Unit(kind, name, self.units[now].epoch - 1))
        c = self.covariance
        variance = c[now, now] + c[before, before] - 2 * c[now, before]
        return Remembered(mean=float(self.mean[now] - self.mean[before]), sd=math.sqrt(max(0.0, variance)))

    def joined(self, unit: Unit, *, mean: float, sd: float) -> "History":
        """Return the history with one more unit, independent of the others.

        Raises
        ------
        InferenceError
            If it is remembered already, or a number is impossible.
        """
        refuse_unless_finite([mean], f"The mean of {unit.name}")
        _check_sd(f"The sd of {unit.name}", sd)
        if unit in self.units:
            raise InferenceError(
                f"The {unit.kind} {unit.name!r} is remembered already in epoch {unit.epoch}."
            )
        covariance = np.zeros((len(self.units) + 1,) * 2)
        covariance[:-1, :-1], covariance[-1, -1] = self.covariance, sd**2
        return History(units=(*self.units, unit), mean=np.append(self.mean, mean), covariance=covariance)

    def only(self, units: Iterable[Unit]) -> "History":
        """Return the marginal of some units."""
        wanted = set(units)
        kept = [i for i, unit in enumerate(self.units) if unit in wanted]
        return History(
            units=tuple(self.units[i] for i in kept),
            mean=self.mean[kept],
            covariance=self.covariance[np.ix_(kept, kept)],
        )

    def floored(self) -> "History":
        """Return the history with no sd below ``LEAST_SD``."""
        least = np.array([LEAST_SD.get(unit.kind, 0.0) ** 2 for unit in self.units], dtype=float)
        lacking = np.maximum(0.0, least - np.diag(self.covariance))
        return replace(self, covariance=self.covariance + np.diag(lacking))

    def alone_sd(self) -> FloatArray:
        """Return sds that stay valid when the units are used as independent. [its own unit]

        Correlated knowledge used as independent would count what units share more than once. With
        correlations R each variance is multiplied by its row's sum of abs(R): then no linear combination of
        units has a smaller variance than before [2]_.
        """
        sd = np.sqrt(np.diag(self.covariance))
        return np.asarray(sd * np.sqrt(np.abs(self.covariance / np.outer(sd, sd)).sum(axis=1)))

    def moved(self, kind: Kind, name: str, *, by: float, sd: float) -> "History":
        """Return the history after an adjustment: a new epoch of the unit beside the old one.

        Parameters
        ----------
        by, sd : float
            Change of its error by the move, and its standard uncertainty. [its own unit; µm for body, lens]

        Raises
        ------
        InferenceError
            If the unit is not remembered, or a number is impossible.
        """
        refuse_unless_finite([by], f"The move of {name}")
        _check_sd(f"The uncertainty of the move of {name}", sd)
        i = self.current(kind, name)
        n = len(self.units)
        take = np.vstack([np.eye(n), np.eye(n)[i]])
        covariance = take @ self.covariance @ take.T
        covariance[n, n] += sd**2
        unit = Unit(kind, name, self.units[i].epoch + 1)
        return History(
            units=(*self.units, unit),
            mean=np.append(self.mean, self.mean[i] + by),
            covariance=covariance,
        )

    def after(self, units: Sequence[Unit], *, mean: FloatArray, covariance: FloatArray) -> "History":
        """Return the history after a prep's readings, propagated to the units that the prep did not read.

        Parameters
        ----------
        units : sequence of Unit
            Those of the prep; each is remembered.
        mean, covariance : array, shapes (u,) and (u, u)
            Their posterior with this history as the prior.
        """
        here = [self.units.index(unit) for unit in units]
        own = self.covariance[np.ix_(here, here)]
        reach = np.linalg.solve(own, self.covariance[here]).T  # (n, u): identity on the units themselves
        whole = self.covariance + reach @ (covariance - own) @ reach.T
        return History(
            units=self.units,
            mean=self.mean + reach @ (mean - self.mean[here]),
            covariance=(whole + whole.T) / 2,
        )

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON: units, means, and the covariance's rows up to its diagonal, packed.

        Packed as little-endian float64 in base64: a thousand units have half a million of them.
        """
        return {
            "schema": SCHEMA,
            "units": [[str(unit.kind), unit.name, unit.epoch] for unit in self.units],
            "mean": self.mean.tolist(),
            "covariance": base64.b64encode(
                self.covariance[np.tril_indices(len(self.units))].astype("<f8").tobytes()
            ).decode("ascii"),
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "History":
        """Read what :meth:`to_json` wrote.

        Raises
        ------
        InferenceError
            If it is something else, or its numbers are not a joint normal.
        """
        try:
            units = tuple(Unit(Kind(kind), str(name), int(epoch)) for kind, name, epoch in data["units"])
            mean = np.array([float(value) for value in data["mean"]])
            covariance = _unpacked(base64.b64decode(data["covariance"], validate=True), len(units))
        except (KeyError, TypeError, ValueError) as error:
            raise InferenceError(f"This is no history that can be read: {error}.") from error
        n = len(units)
        if data.get("schema") != SCHEMA or len(set(units)) != n or mean.shape != (n,) or len(covariance) != n:
            raise InferenceError("This is no history that can be read: its parts do not fit together.")
        refuse_unless_finite([*mean.tolist(), *covariance.ravel().tolist()], "A number of the history")
        if n and float(np.linalg.eigvalsh(covariance).min()) < -1e-6 * float(np.max(covariance)):
            raise InferenceError("This is no history that can be read: its covariance is none.")
        return cls(units=units, mean=mean, covariance=covariance)


def _unpacked(packed: bytes, n: int) -> FloatArray:
    covariance = np.zeros((n, n))
    covariance[np.tril_indices(n)] = np.frombuffer(packed, dtype="<f8")
    return np.asarray(covariance + np.tril(covariance, -1).T)


def _check_sd(what: str, sd: float) -> None:
    if not (sd > 0 and math.isfinite(sd)):
        raise InferenceError(f"{what} is {sd:g}. It has to be above 0.")
