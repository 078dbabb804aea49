"""The posterior of every quantity: estimate, interval, probabilities of being out, verdict."""

from collections import Counter
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray, IntArray
from shimwise.inference.model.design import Built
from shimwise.inference.model.prep import Prep, Reading
from shimwise.inference.model.priors import Effect
from shimwise.inference.posterior.draws import Draws
from shimwise.inference.verdict.answer import Verdict
from shimwise.inference.verdict.datum import half_width_um, limit_covariance
from shimwise.inference.verdict.decision import decide
from shimwise.inference.verdict.held import ONE_EYE_REACH, Holding

SCALE_TOLERANCE_PERMILLE = 5.0
"""A lens scale is out beyond this. [‰ of the extension] Chosen by us."""
TAPE_TOLERANCE_MM = 5.0
"""A taped distance, and where a body's tape begins, is wrong beyond this. [mm] Chosen by us."""
EYE_TOLERANCE = 0.2
"""A person's offset counts as a cause beyond this. [share of N·c; 8 µm at f/2 and 20 µm] Chosen by us."""
KNOCK_UM = 5.0
"""A unit that changed by more than this since it was signed was knocked. [µm] Chosen by us."""
BODY, LENS, PAIR = Effect.BODY.value, Effect.LENS.value, "pair"


def limits(built: Built, prep: Prep) -> FloatArray:
    """Return what counts as out, for each quantity (g,) in its own unit; infinite where nothing does."""
    own_um = {name: body.tolerance_um for name, body in prep.bodies.items()}
    by_kind = {
        LENS: prep.tolerance_um,
        Effect.SET.value: prep.tolerance_um,
        Effect.SCALE.value: SCALE_TOLERANCE_PERMILLE,
        Effect.SETUP.value: TAPE_TOLERANCE_MM,
        Effect.BODY_REFERENCE.value: TAPE_TOLERANCE_MM,
        Effect.EYE.value: EYE_TOLERANCE,
        "common": prep.tolerance_um,
        "changed": KNOCK_UM,
    }
    return np.array(
        [
            own_um.get(one.names[0]) or prep.tolerance_um
            if one.kind in (BODY, PAIR)
            else by_kind.get(one.kind, np.inf)
            for one in built.model.quantities.kinds
        ]
    )


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything per quantity (g,), taken from the draws once; ``verdicts`` of bodies, lenses and pairs.

    ``limit_covariance`` (p, p): of the unknowns, had all readings been taken without end.
    """

    prep: Prep
    built: Built
    draws: Draws
    limit: FloatArray
    estimate: FloatArray
    sd: FloatArray
    low: FloatArray
    high: FloatArray
    below: FloatArray
    above: FloatArray
    read: frozenset[tuple[str, str]]
    verdicts: dict[int, Verdict]
    order: dict[str, int]
    limit_covariance: FloatArray

    @classmethod
    def of(cls, prep: Prep, built: Built, draws: Draws, limit: FloatArray) -> "Findings":
        """Return the findings of the draws; verdicts that something else explains are held back."""
        low, high = draws.interval()
        below, above = draws.outside(limit)
        read = frozenset((one.body, one.lens) for one in prep.evidence)
        found = cls(
            prep=prep,
            built=built,
            draws=draws,
            limit=limit,
            estimate=draws.estimate,
            sd=draws.estimate_sd,
            low=low,
            high=high,
            below=below,
            above=above,
            read=read,
            verdicts={},
            order=_first_use(prep, built),
            limit_covariance=limit_covariance(built),
        )
        holding = Holding(draws, below, above, limit, ONE_EYE_REACH * found.only_eye_um())
        found.verdicts.update(holding.held(found._decided(), read=read))
        return found

    def rows(self, kind: str) -> list[int]:
        """Return the rows of all quantities of a kind, units in the order in which they were first read."""
        return sorted(self.draws.quantities.indices(kind), key=self._place)

    def _place(self, row: int) -> tuple[int, ...]:
        return tuple(self.order.get(name, len(self.order)) for name in self.names(row))

    def setup_names(self) -> list[str]:
        """Return the set-up of each reading, in the prep's order."""
        return _setup_names(self.built)

    def names(self, row: int) -> tuple[str, ...]:
        """Return what a quantity is of."""
        return self.draws.quantities.kinds[row].names

    def p_out(self, row: int) -> float:
        """Return the probability of a quantity lying beyond its limit."""
        return float(min(1.0, self.below[row] + self.above[row]))

    def limit_um(self, row: int) -> float:
        """Return half the 95 % interval that readings without end would leave of a quantity. [µm]"""
        unit = self.draws.quantities.matrix[row]
        own = np.flatnonzero(unit)
        return half_width_um(self.limit_covariance[np.ix_(own, own)], unit[own])

    def times_taken(self) -> IntArray:
        """Return how often each candidate (c,) was read already: body, lens, focal length and distance."""
        read = Counter((one.body, one.lens, one.focal_mm, one.distance_mm) for one in self.prep.readings)
        keys = [(one.body, one.lens, one.focal_mm, one.distance_mm) for one in self.built.candidates]
        return np.array([read[key] for key in keys], dtype=np.intp)

    def is_informed(self, row: int) -> bool:
        """Whether a reading or a gauge touches a unit itself, and not only the set that it travels with."""
        kind, names = self.draws.quantities.kinds[row]
        columns = self.built.model.columns
        own = [
            i for i in np.flatnonzero(self.draws.quantities.matrix[row]) if columns[i].effect.value == kind
        ]
        is_gauged = bool(names) and (kind, names[0]) in self._gauged()
        return is_gauged or bool(np.any(self.built.model.rows.design[:, own]))

    def only_eye_um(self) -> float:
        """Return N·c [µm] of the only eye that has read; 0 where two have, or gauge or frames fix the sum."""
        rows = self.built.model.rows
        is_fixed = bool(self.prep.landings) or bool(self._gauged())
        if is_fixed or len(self.built.model.persons) > 1 or not len(rows.blur_um):
            return 0.0
        return float(rows.blur_um.max())

    def _decided(self) -> dict[int, Verdict]:
        """Return the verdict of every body, lens and pair by itself, by row."""
        bodies, lenses = {body for body, _ in self.read}, {lens for _, lens in self.read}
        gauged = self._gauged()

        def is_read(kind: str, names: tuple[str, ...]) -> bool:
            if kind == PAIR:
                return names[0] in bodies and names[1] in lenses
            return (kind, names[0]) in gauged or names[0] in (bodies if kind == BODY else lenses)

        return {
            row: decide(
                p_below=float(self.below[row]),
                p_above=float(self.above[row]),
                sd_um=float(self.sd[row]),
                tolerance_um=float(self.limit[row]),
                is_read=is_read(*self.draws.quantities.kinds[row]),
            )
            for kind in (BODY, LENS, PAIR)
            for row in self.rows(kind)
        }

    def _gauged(self) -> set[tuple[str, str]]:
        return {
            (kind, name)
            for kind, known in ((BODY, self.prep.bodies), (LENS, self.prep.lenses))
            for name, one in known.items()
            if one.gauge_um is not None
        }


def _first_use(prep: Prep, built: Built) -> dict[str, int]:
    """Return the names of units, set-ups and persons, in the order in which they were first read."""
    names = list[str]()
    now = prep.past_bodies | prep.past_lenses
    for one, setup in zip(prep.evidence, _setup_names(built), strict=True):
        person = [one.operator] if isinstance(one, Reading) else []
        names += [now.get(one.body, one.body), now.get(one.lens, one.lens)]
        names += [one.body, one.lens, setup, *person]
    return {name: i for i, name in enumerate(dict.fromkeys([*names, *prep.bodies, *prep.lenses]))}


def _setup_names(built: Built) -> list[str]:
    rows = built.model.rows
    setup_of = {int(place): rows.setups[rows.pattern[i]] for i, place in enumerate(rows.reading)}
    return [setup_of[place] for place in range(len(setup_of))]
