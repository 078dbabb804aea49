"""From a prep to its model: which unknowns there are, and the row of each reading.

The optics turn a distance and a reading into a landing; names become columns; what is known becomes priors.
Candidates for a next reading are rows too, so the plan asks the same code what a reading would say.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from shimwise.errors import InferenceError
from shimwise.inference import model as priors
from shimwise.inference.landing import (
    Axis,
    BodyKnowledge,
    FocusDesign,
    LensKnowledge,
    Prep,
    Reading,
    UnitKnowledge,
)
from shimwise.inference.model import FloatArray, IntArray, Kind, Model, Unknown
from shimwise.lengths import mm_to_feet_text
from shimwise.optics import landing_um, magnification

MOST_UNKNOWNS = 3000
"""More columns than this are refused: the dense solution would not fit a laptop's patience."""


class Sight(NamedTuple):
    """What readings share when they are repeats of each other: who looked at what, through what, how far.

    ``focal_mm`` and ``separation_mm`` are those in force at this distance along this axis.
    """

    body: str
    lens: str
    setup: str
    operator: str
    distance_mm: float
    focal_mm: float
    separation_mm: float
    fnumber: float
    axis: Axis | None
    conversion_share: float


@dataclass(frozen=True, slots=True)
class Candidates:
    """Readings that could be taken, as rows: ``design`` (c, p), ``blur_um`` and ``reading_sd_um`` (c,)."""

    sights: tuple[Sight, ...]
    design: FloatArray
    blur_um: FloatArray
    reading_sd_um: FloatArray


def build_model(prep: Prep, *, candidates: Sequence[Reading] = ()) -> tuple[Model, Candidates]:
    """Model of a prep, with the rows of candidate readings in the same columns.

    Parameters
    ----------
    prep : Prep
        Readings and what is known of the units.
    candidates : sequence of Reading
        Readings that could be taken; their ``reading_mm`` is not looked at.

    Returns
    -------
    model : Model
        With a column for every unit that a reading, a candidate or a gauge touches.
    candidates : Candidates
        Rows of the candidates, repeats of one sight given once.

    Raises
    ------
    InferenceError
        When there is no reading, gauge or candidate, or there are more than ``MOST_UNKNOWNS`` unknowns.
    OpticsError
        When a distance or reading lies inside the near limit of its lens.
    """
    context = _Context.of(prep, [*prep.readings, *candidates])
    taken, pattern = _distinct(context.sight(reading) for reading in prep.readings)
    possible, _ = _distinct(context.sight(reading) for reading in candidates)
    if not taken and not possible:
        raise InferenceError("There is nothing to judge: no reading and no candidate. Add a reading.")
    landings = _landings_um(taken, pattern, prep.readings)
    columns = _Columns(prep=prep, context=context, landing_of_lens=_median_landings(taken, pattern, landings))
    design = columns.rows(taken)
    candidate_design = columns.rows(possible)
    model = _finish(columns, design, taken, pattern, landings)
    width = len(model.unknowns)
    return model, Candidates(
        sights=tuple(possible),
        design=_dense(candidate_design, width),
        blur_um=columns.blur_um(possible),
        reading_sd_um=_reading_sd_um(possible),
    )


@dataclass(slots=True)
class _Context:
    """What must be known of all readings before one of them can become a sight."""

    prep: Prep
    focal_lengths: dict[str, set[float]]
    widest: dict[str, float]
    setup_distances: dict[str, set[float]]
    mixed_stops: dict[str, set[float]]
    inside: set[str] = field(default_factory=set)
    unknown_separation: set[str] = field(default_factory=set)

    @classmethod
    def of(cls, prep: Prep, readings: Iterable[Reading]) -> "_Context":
        focal_lengths: dict[str, set[float]] = defaultdict(set)
        fnumbers: dict[str, set[float]] = defaultdict(set)
        setups: dict[str, set[float]] = defaultdict(set)
        for reading in readings:
            focal_lengths[reading.lens].add(reading.focal_mm)
            fnumbers[reading.lens].add(reading.fnumber)
            setups[reading.setup].add(reading.distance_mm)
        for name, knowledge in prep.lenses.items():
            focal_lengths[name].update(knowledge.focal_lengths_mm)
        return cls(
            prep=prep,
            focal_lengths=focal_lengths,
            widest={lens: min(values) for lens, values in fnumbers.items()},
            setup_distances=setups,
            mixed_stops={lens: values for lens, values in fnumbers.items() if len(values) > 1},
        )

    def sight(self, reading: Reading) -> Sight:
        knowledge = self.prep.lenses.get(reading.lens, LensKnowledge())
        squeeze = reading.squeeze if reading.squeeze != 1.0 else knowledge.squeeze
        focal_mm, separation_mm, share = self._optics(reading, knowledge)
        axis = reading.axis if squeeze != 1.0 else None
        if axis is Axis.HORIZONTAL:
            focal_mm /= squeeze
        elif squeeze != 1.0 and axis is None:
            focal_mm /= math.sqrt(squeeze)  # judged on the whole picture: between its two axes
        return Sight(
            body=reading.body,
            lens=reading.lens,
            setup=self.setup_name(reading),
            operator=reading.operator,
            distance_mm=reading.distance_mm,
            focal_mm=focal_mm,
            separation_mm=separation_mm,
            fnumber=reading.fnumber,
            axis=axis,
            conversion_share=share,
        )

    def setup_name(self, reading: Reading) -> str:
        """Name of the set-up: a name used at two distances stands for two taped distances."""
        name = reading.setup or f"{reading.body} at {_distance_text(reading.distance_mm)}"
        if reading.setup and len(self.setup_distances[reading.setup]) > 1:
            return f"{name} at {_distance_text(reading.distance_mm)}"
        return name

    def _optics(self, reading: Reading, knowledge: LensKnowledge) -> tuple[float, float, float]:
        if knowledge.by_distance:
            focal_mm, separation_mm = _at_distance(knowledge.by_distance, reading.distance_mm)
            return focal_mm, separation_mm, 0.0
        known_mm = knowledge.separation_mm if reading.separation_mm is None else reading.separation_mm
        share = 0.0
        if self._focuses_inside(reading, knowledge):
            self.inside.add(reading.lens)
            share = priors.INTERNAL_FOCUS_SHARE
        elif known_mm is None:
            self.unknown_separation.add(reading.lens)
            share = priors.SEPARATION_SHARE
        return reading.focal_mm, known_mm or 0.0, share

    def _focuses_inside(self, reading: Reading, knowledge: LensKnowledge) -> bool:
        is_zoom = len(self.focal_lengths[reading.lens]) > 1
        return is_zoom or FocusDesign.INTERNAL in (reading.focus_design, knowledge.focus_design)

    def warnings(self) -> list[str]:
        """What must be said of the readings before they are pooled."""
        texts = []
        for lens, fnumbers in sorted(self.mixed_stops.items()):
            stops = ", ".join(f"f/{fnumber:g}" for fnumber in sorted(fnumbers))
            texts.append(
                f"{lens} was read at different stops ({stops}). Stopping down can shift best focus by tens "
                f"of microns: readings away from f/{min(fnumbers):g} are judged with a shift of their own."
            )
        for setup, distances in sorted(self.setup_distances.items()):
            if setup and len(distances) > 1:
                texts.append(
                    f"Set-up {setup} stands at {len(distances)} distances; each is judged as its own tape."
                )
        if self.inside:
            texts.append(
                f"{_some(self.inside)}: a zoom, or a lens that focuses inside. Its landings are right in "
                "sign but may be off in size by half at 3 ft; that is reckoned with. A by_distance table in "
                "the kit removes it."
            )
        if self.unknown_separation:
            texts.append(
                f"{_some(self.unknown_separation)}: the separation of the principal planes is not known. "
                "Landings may be off in size by some 4 % at 3 ft; that is reckoned with. Give "
                "principal_separation_mm to remove it."
            )
        return texts


@dataclass(slots=True)
class _Columns:
    """The unknowns met so far, in order of first use within their kind, and the rows written in them."""

    prep: Prep
    context: _Context
    landing_of_lens: dict[str, float]
    found: dict[tuple[Kind, str], int] = field(default_factory=dict)
    unknowns: list[Unknown] = field(default_factory=list)

    def rows(self, sights: Sequence[Sight]) -> list[dict[int, float]]:
        return [self._row(sight) for sight in sights]

    def blur_um(self, sights: Sequence[Sight]) -> FloatArray:
        cocs = [self.prep.bodies.get(sight.body, BodyKnowledge()).coc_um for sight in sights]
        return np.array(
            [sight.fnumber * coc for sight, coc in zip(sights, cocs, strict=True)], dtype=np.float64
        )

    def _row(self, sight: Sight) -> dict[int, float]:
        m = float(
            magnification(
                focal_mm=sight.focal_mm, distance_mm=sight.distance_mm, separation_mm=sight.separation_mm
            )
        )
        row = {self._column(Kind.BODY, sight.body): 1.0, self._column(Kind.LENS, sight.lens): 1.0}
        if m > 0:
            row[self._column(Kind.SCALE, sight.lens)] = sight.focal_mm * m  # µm per ‰
            row[self._column(Kind.SETUP, sight.setup)] = 1e3 * m**2  # µm per mm
        if sight.axis is not None:
            row[self._column(Kind.AXIS, sight.lens)] = 1.0 if sight.axis is Axis.VERTICAL else -1.0
        if sight.fnumber > self.context.widest[sight.lens]:
            row[self._column(Kind.STOP, f"{sight.lens} at f/{sight.fnumber:g}")] = 1.0
        nearness = priors.NEAR_MARK_MM / sight.distance_mm
        shift_um = self.landing_of_lens.get(sight.lens, 0.0) * nearness * sight.conversion_share
        if shift_um:
            row[self._column(Kind.CONVERSION, sight.lens)] = shift_um
        return row

    def _column(self, kind: Kind, name: str) -> int:
        key = (kind, name)
        if key not in self.found:
            if len(self.unknowns) == MOST_UNKNOWNS:
                raise InferenceError(
                    f"The readings name more than {MOST_UNKNOWNS} bodies, lenses and set-ups. "
                    "Judge them in parts, a prep at a time."
                )
            self.found[key] = len(self.unknowns)
            self.unknowns.append(self._prior(kind, name))
        return self.found[key]

    def _prior(self, kind: Kind, name: str) -> Unknown:
        if kind is Kind.BODY:
            return _unit_prior(kind, name, self.prep.bodies.get(name), priors.BODY_SD_UM)
        if kind is Kind.LENS:
            return _unit_prior(kind, name, self.prep.lenses.get(name), priors.LENS_SD_UM)
        return Unknown(kind, name, 0.0, priors.PRIOR_SD[kind])


def _unit_prior(kind: Kind, name: str, knowledge: UnitKnowledge | None, unknown_sd_um: float) -> Unknown:
    if knowledge is None or knowledge.history_sd_um is None:
        return Unknown(kind, name, 0.0, unknown_sd_um)
    return Unknown(kind, name, knowledge.history_mean_um or 0.0, knowledge.history_sd_um, has_history=True)


def _finish(
    columns: _Columns,
    rows: list[dict[int, float]],
    taken: Sequence[Sight],
    pattern: IntArray,
    landings: FloatArray,
) -> Model:
    prep, unknowns = columns.prep, columns.unknowns
    operators = tuple(dict.fromkeys(sight.operator for sight in taken))
    precision, pull = np.zeros(len(unknowns)), np.zeros(len(unknowns))
    for i, unknown in enumerate(unknowns):
        knowledge: UnitKnowledge | None = None
        if unknown.kind is Kind.BODY:
            knowledge = prep.bodies.get(unknown.name)
        elif unknown.kind is Kind.LENS:
            knowledge = prep.lenses.get(unknown.name)
        if knowledge is not None and knowledge.gauge_um is not None and knowledge.gauge_sd_um is not None:
            precision[i] = knowledge.gauge_sd_um**-2
            pull[i] = knowledge.gauge_um * precision[i]
    return Model(
        unknowns=tuple(unknowns),
        design=_dense(rows, len(unknowns)),
        blur_um=columns.blur_um(taken),
        reading_sd_um=_reading_sd_um(taken),
        operator=np.array([operators.index(sight.operator) for sight in taken], dtype=np.intp),
        operators=operators,
        setups=tuple(sight.setup for sight in taken),
        pattern=pattern,
        landing_um=landings,
        gauge_precision=precision,
        gauge_pull=pull,
        warnings=tuple(columns.context.warnings()),
    )


def _distinct(sights: Iterable[Sight]) -> tuple[list[Sight], IntArray]:
    """Distinct sights in order of first use, and which of them each reading is."""
    order: dict[Sight, int] = {}
    index = [order.setdefault(sight, len(order)) for sight in sights]
    return list(order), np.array(index, dtype=np.intp)


def _landings_um(sights: Sequence[Sight], pattern: IntArray, readings: Sequence[Reading]) -> FloatArray:
    if not sights:
        return np.zeros(0)
    focal, distance, separation = (
        np.array([getattr(sight, name) for sight in sights])[pattern]
        for name in ("focal_mm", "distance_mm", "separation_mm")
    )
    reading = np.array([reading.reading_mm for reading in readings])
    return np.asarray(
        landing_um(focal_mm=focal, distance_mm=distance, reading_mm=reading, separation_mm=separation)
    )


def _median_landings(sights: Sequence[Sight], pattern: IntArray, landings: FloatArray) -> dict[str, float]:
    """Median landing of each lens [µm]: what an uncertain conversion is a share of."""
    lenses = np.array([sight.lens for sight in sights], dtype=object)[pattern] if sights else np.array([])
    return {lens: float(np.median(landings[lenses == lens])) for lens in dict.fromkeys(lenses)}


def _reading_sd_um(sights: Sequence[Sight]) -> FloatArray:
    """Error of reading the mark, at the sensor [µm]: growing as D² it is m²·D², finite at infinity."""
    values = []
    for s in sights:
        m_times_distance = (
            s.focal_mm
            if math.isinf(s.distance_mm)
            else s.distance_mm
            * float(
                magnification(focal_mm=s.focal_mm, distance_mm=s.distance_mm, separation_mm=s.separation_mm)
            )
        )
        values.append(1e3 * priors.READING_SCALE_MM * (m_times_distance / priors.NEAR_MARK_MM) ** 2)
    return np.array(values, dtype=np.float64)


def _dense(rows: Sequence[dict[int, float]], width: int) -> FloatArray:
    design = np.zeros((len(rows), width))
    for i, row in enumerate(rows):
        design[i, list(row)] = list(row.values())
    return design


def _at_distance(table: Sequence[tuple[float, float, float]], distance_mm: float) -> tuple[float, float]:
    """Focal length and separation [mm] at a distance, linear in its inverse between the table's rows."""
    rows = sorted(table, key=lambda row: -row[0])
    inverse = [1 / row[0] for row in rows]
    focal, separation = (np.interp(1 / distance_mm, inverse, [row[i] for row in rows]) for i in (1, 2))
    return float(focal), float(separation)


def _distance_text(distance_mm: float) -> str:
    return mm_to_feet_text(distance_mm)


def _some(names: Iterable[str], most: int = 4) -> str:
    ordered = sorted(names)
    shown = ", ".join(ordered[:most])
    return shown if len(ordered) <= most else f"{shown} and {len(ordered) - most} more"
