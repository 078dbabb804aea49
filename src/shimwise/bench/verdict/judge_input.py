"""A prep as input of the judge: plain values that go to its own process, and the document that comes back."""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from shimwise.bench.house.unit_knowledge import body_knowledge, judged_name, lens_knowledge, mechanism_of
from shimwise.bench.prep.judged_reading import reading_of
from shimwise.inference.model.prep import (
    BodyKnowledge,
    LensKnowledge,
    MeasuredLanding,
    Prep,
    Reading,
    measured_landing_sd_um,
)
from shimwise.notices import Notice
from shimwise.remedy.mechanism import Mechanism
from shimwise.remedy.screw_history import ScrewHistory

if TYPE_CHECKING:
    from shimwise.bench.prep.prep_data import PrepMaterial
    from shimwise.inference.model.joint_memory import History
    from shimwise.inference.model.priors import Priors
    from shimwise.record.tables.rows import GaugeRow, ReadingRow, SweepRow

USUAL_FNUMBER = 2.8
"""Of a lens whose f-number is not known: a sweep's landing does not depend on it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """The judge's input about a prep at one revision."""

    prep_id: str
    revision: int
    prep: Prep
    mechanisms: Mapping[str, Mechanism | None]
    stock_um: tuple[float, ...]
    screws: Mapping[str, ScrewHistory] = field(default_factory=dict)
    rereads: tuple[Notice, ...] = ()
    priors: "Priors | None" = None


def answered(question: Question) -> dict[str, Any]:
    """Judge, and return the verdict's document in the words of a house.

    Raises
    ------
    InferenceError, OpticsError, RemedyError
        When it cannot be judged.
    """
    from shimwise.inference.verdict.judge import judge
    from shimwise.remedy.advice import advise
    from shimwise.sheets.json.verdict_json import answer_to_json

    answer = judge(question.prep, priors=question.priors)
    remedies = advise(
        answer,
        mechanisms=question.mechanisms,
        stock_um=question.stock_um,
        screws=question.screws,
        focal_mm=question.prep.focal_mm,
    )
    return answer_to_json(
        answer, remedies, sources=question.prep.sources, rereads=question.rereads, is_house=True
    )


def question_of(
    material: "PrepMaterial",
    *,
    history: "History | None" = None,
    screws: Mapping[str, ScrewHistory] | None = None,
    rereads: tuple[Notice, ...] = (),
    priors: "Priors | None" = None,
) -> Question | None:
    """Return a prep as the judge's input; None without a valid reading or sweep.

    ``history``: the joint memory of its units under the names used here; ``screws``: how its bodies' screws
    were turned; ``rereads``: its units that have to be read again after an adjustment; ``priors``: what the
    house has taught.
    """
    kept, sweeps = material.valid_readings, material.valid_sweeps
    if not kept and not sweeps:
        return None
    taken = [_taken(material, row) for row in kept]
    first = max((row.seq for row in material.readings), default=0) + 1
    bodies, lenses = _knowledge(material, (*kept, *sweeps))
    return Question(
        prep_id=material.prep.id,
        revision=material.prep.revision,
        prep=Prep(
            readings=tuple(one for one in taken if isinstance(one, Reading)),
            landings=(
                *(one for one in taken if isinstance(one, MeasuredLanding)),
                *(_measured(material, row, number=first + n) for n, row in enumerate(sweeps)),
            ),
            bodies=bodies,
            lenses=lenses,
            tolerance_um=material.tolerance_um,
            history=history,
        ),
        mechanisms={body.name: mechanism_of(body.mechanism) for body in material.bodies.values()},
        stock_um=tuple(material.house.shim_stock_um),
        screws=screws or {},
        rereads=rereads,
        priors=priors,
    )


def small_question() -> Question:
    """Return a small question whose answer loads all that judging needs."""
    readings = tuple(
        Reading(
            row=n,
            line=n + 1,
            body="A",
            lens=f"L{n % 2}",
            focal_mm=35.0,
            fnumber=2.0,
            distance_mm=914.4,
            reading_mm=910.0 + n,
            operator="O",
            setup="S",
        )
        for n in range(4)
    )
    return Question(prep_id="", revision=0, prep=Prep(readings=readings), mechanisms={}, stock_um=())


def _taken(material: "PrepMaterial", row: "ReadingRow") -> Reading | MeasuredLanding:
    body, lens, setup = (
        material.bodies[row.body_id],
        material.lenses[row.lens_id],
        material.setups[row.setup_id],
    )
    return reading_of(
        row,
        body=judged_name(body.name, epoch=row.body_epoch, current=body.epoch),
        lens=lens,
        lens_name=judged_name(lens.name, epoch=row.lens_epoch, current=lens.epoch),
        setup=setup.name,
        distance_mm=setup.distance_mm,
        temperature_c=material.prep.temperature_c,
    )


def _measured(material: "PrepMaterial", row: "SweepRow", *, number: int) -> MeasuredLanding:
    body, lens = material.bodies[row.body_id], material.lenses[row.lens_id]
    setup = material.setups.get(row.setup_id or "")
    focal_mm, fnumber = row.result.get("focal_length_mm"), row.result.get("f_number")
    return MeasuredLanding(
        row=number,
        line=number,
        body=judged_name(body.name, epoch=row.body_epoch, current=body.epoch),
        lens=judged_name(lens.name, epoch=row.lens_epoch, current=lens.epoch),
        focal_mm=float(focal_mm or lens.focal_lengths_mm[0]),
        fnumber=float(fnumber or lens.fnumber or USUAL_FNUMBER),
        distance_mm=math.inf if setup is None else setup.distance_mm,
        landing_um=row.landing_um or 0.0,
        sd_um=measured_landing_sd_um(row.sd_um or 0.0),
        setup="" if setup is None else setup.name,
        squeeze=lens.squeeze or 1.0,
        source=f"sweep {row.id}",
    )


def _knowledge(
    material: "PrepMaterial", taken: Iterable["ReadingRow | SweepRow"]
) -> tuple[dict[str, BodyKnowledge], dict[str, LensKnowledge]]:
    """Return what is known of every unit in the prep's order, for each of its epochs that was read."""
    epochs: dict[str, set[int]] = {unit.id: {unit.epoch} for unit in material.units}
    for row in taken:
        epochs[row.body_id].add(row.body_epoch)
        epochs[row.lens_id].add(row.lens_epoch)
    gauges: dict[tuple[str, int], list[GaugeRow]] = defaultdict(list)
    for gauge in material.gauges:
        gauges[gauge.unit_id, gauge.epoch].append(gauge)
    bodies = {
        judged_name(body.name, epoch=epoch, current=body.epoch): body_knowledge(
            body,
            house=material.house,
            gauges=gauges[body.id, epoch],
            has_own_tolerance=material.prep.tolerance_um is None,
            epoch=epoch,
        )
        for body in material.bodies.values()
        for epoch in sorted(epochs[body.id])
    }
    lenses = {
        judged_name(lens.name, epoch=epoch, current=lens.epoch): lens_knowledge(
            lens, gauges=gauges[lens.id, epoch], epoch=epoch
        )
        for lens in material.lenses.values()
        for epoch in sorted(epochs[lens.id])
    }
    return bodies, lenses
