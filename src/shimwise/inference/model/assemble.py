"""From a prep to its model: which unknowns there are, and the row of each reading.

Candidates for a next reading become rows of the same model, so that planning and judging share one design.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from shimwise.errors import InferenceError
from shimwise.inference.model import linear as priors
from shimwise.inference.model.checks import check_prep
from shimwise.inference.model.linear import FloatArray, IntArray, Kind, Model, Unknown
from shimwise.inference.model.observations import (
    Observation,
    ObservationContext,
    distinct,
    landings_um,
    reading_sd_um,
)
from shimwise.inference.model.prep import Axis, BodyKnowledge, Prep, Reading, UnitKnowledge

MOST_UNKNOWNS = 3000
"""More columns than this are refused: the dense solution takes too long on a laptop."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Readings that could be taken, as rows: ``design`` (c, p), ``blur_um`` and ``reading_sd_um`` (c,)."""

    observations: tuple[Observation, ...]
    design: FloatArray
    blur_um: FloatArray
    reading_sd_um: FloatArray


def build_model(prep: Prep, *, candidates: Sequence[Reading] = ()) -> tuple[Model, Candidates]:
    """Build the model of a prep, with the rows of candidate readings in the same columns.

    Parameters
    ----------
    prep : Prep
        Readings and what is known of the units.
    candidates : sequence of Reading
        Readings that could be taken; their ``reading_mm`` is ignored.

    Returns
    -------
    model : Model
        With a column for every unit that a reading, a candidate or a gauge touches.
    candidates : Candidates
        Rows of the candidates, without repeats.

    Raises
    ------
    InferenceError
        If there is no reading, candidate or unit, a number is impossible, or there are more than
        ``MOST_UNKNOWNS`` unknowns.
    OpticsError
        If a distance or reading lies inside the near limit of its lens.
    """
    check_prep(prep)
    context = ObservationContext.of(
        prep, [*prep.readings, *(one.by_eye() for one in prep.landings), *candidates]
    )
    taken, pattern = distinct(
        [*map(context.observation, prep.readings), *map(context.measured, prep.landings)]
    )
    possible, _ = distinct(context.observation(reading) for reading in candidates)
    if not (taken or possible or prep.bodies or prep.lenses):
        raise InferenceError("There is nothing to judge: no reading, no gauge and no unit. Add a reading.")
    landings = landings_um(taken, pattern, prep.readings, prep.landings)
    columns = _Columns(prep=prep, context=context, landing_of_lens=_median_landings(taken, pattern, landings))
    design = [columns.row(one) for one in taken]
    candidate_design = [columns.row(one) for one in possible]
    for kind, names in ((Kind.BODY, prep.bodies), (Kind.LENS, prep.lenses)):
        for name in names:  # also of units that no reading or candidate touches
            columns.column(kind, name)
    model = _finish(columns, design, taken, pattern, landings)
    width = len(model.unknowns)
    return model, Candidates(
        observations=tuple(possible),
        design=_dense(candidate_design, width),
        blur_um=columns.blur_um(possible),
        reading_sd_um=reading_sd_um(possible),
    )


def later_states(prep: Prep) -> dict[tuple[Kind, str], tuple[str, ...]]:
    """Return the later states of each past state of a unit, by kind and name; a prep has them in order."""
    later: dict[tuple[Kind, str], tuple[str, ...]] = {}
    for kind, known in ((Kind.BODY, prep.bodies), (Kind.LENS, prep.lenses)):
        past: dict[str, list[str]] = {}
        for name, one in known.items():
            if one.past_of is not None:
                past.setdefault(one.past_of, []).append(name)
        for now, names in past.items():
            for place, name in enumerate(names):
                later[kind, name] = (*names[place + 1 :], now)
    return later


@dataclass(slots=True)
class _Columns:
    """The unknowns found so far, in order of first use, and the rows written in them."""

    prep: Prep
    context: ObservationContext
    landing_of_lens: dict[str, float]
    found: dict[tuple[Kind, str], int] = field(default_factory=dict)
    unknowns: list[Unknown] = field(default_factory=list)

    def blur_um(self, observations: Iterable[Observation]) -> FloatArray:
        """Return N·c of each observation, shape (q,) [µm]: 0 where frames measured it and no eye did."""
        unknown = BodyKnowledge()
        return np.array(
            [
                one.fnumber * self.prep.bodies.get(one.body, unknown).coc_um
                if one.measured_sd_um is None
                else 0.0
                for one in observations
            ],
            dtype=np.float64,
        )

    def row(self, one: Observation) -> dict[int, float]:
        """Return the coefficients of an observation by column, which are made where they lack."""
        m = one.magnification
        row = {self.column(Kind.BODY, one.body): 1.0, self.column(Kind.LENS, one.lens): 1.0}
        if m > 0:
            row[self.column(Kind.SCALE, one.lens)] = one.focal_mm * m  # µm per ‰
            row[self.column(Kind.SETUP, one.setup)] = 1e3 * m**2  # µm per mm
        if one.axis is not None:
            row[self.column(Kind.AXIS, one.lens)] = 1.0 if one.axis is Axis.VERTICAL else -1.0
        if one.fnumber > self.context.widest[one.lens]:
            row[self.column(Kind.STOP, f"{one.lens} at f/{one.fnumber:g}")] = 1.0
        nearness = priors.NEAR_MARK_MM / one.distance_mm
        shift_um = self.landing_of_lens.get(one.lens, 0.0) * nearness * one.conversion_share
        if shift_um:
            row[self.column(Kind.CONVERSION, one.lens)] = shift_um
        return row

    def column(self, kind: Kind, name: str) -> int:
        key = (kind, name)
        if key not in self.found:
            if len(self.unknowns) == MOST_UNKNOWNS:
                raise InferenceError(
                    f"The readings name more than {MOST_UNKNOWNS} bodies, lenses and set-ups. "
                    "Judge them in parts, a prep at a time."
                )
            self.found[key] = len(self.unknowns)
            self.unknowns.append(_prior(self.prep, kind, name))
        return self.found[key]


def _prior(prep: Prep, kind: Kind, name: str) -> Unknown:
    knowledge: UnitKnowledge | None = None
    if kind is Kind.BODY:
        knowledge = prep.bodies.get(name)
    elif kind is Kind.LENS:
        knowledge = prep.lenses.get(name)
    if knowledge is None or knowledge.history_sd_um is None:
        return Unknown(kind, name, 0.0, priors.PRIOR_SD[kind])
    return Unknown(kind, name, knowledge.history_mean_um or 0.0, knowledge.history_sd_um, has_history=True)


def _finish(
    columns: _Columns,
    rows: list[dict[int, float]],
    taken: Sequence[Observation],
    pattern: IntArray,
    landings: FloatArray,
) -> Model:
    prep, unknowns = columns.prep, columns.unknowns
    by_eye = [one.operator for one in taken if one.measured_sd_um is None]
    operators = tuple(dict.fromkeys(by_eye)) or ("",)
    place = {operator: n for n, operator in enumerate(operators)}
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
        reading_sd_um=reading_sd_um(taken),
        # of frames, where no eye is judged, any person
        operator=np.array([place.get(one.operator, 0) for one in taken], dtype=np.intp),
        operators=operators,
        setups=tuple(one.setup for one in taken),
        pattern=pattern,
        landing_um=landings,
        gauge_precision=precision,
        gauge_pull=pull,
        notices=columns.context.notices(),
    )


def _median_landings(
    observations: Sequence[Observation], pattern: IntArray, landings: FloatArray
) -> dict[str, float]:
    """Return the median landing of each lens [µm]: an uncertain conversion is a share of it."""
    if not observations:
        return {}
    lenses = np.array([one.lens for one in observations], dtype=object)[pattern]
    return {lens: float(np.median(landings[lenses == lens])) for lens in dict.fromkeys(lenses)}


def _dense(rows: Sequence[dict[int, float]], width: int) -> FloatArray:
    design = np.zeros((len(rows), width))
    for i, row in enumerate(rows):
        design[i, list(row)] = list(row.values())
    return design
