"""How well a person repeats: k and pooled repeatability, from the house's own readings.

Private to the person and the leads: nobody is compared with others here.
"""

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from shimwise.bench.prep_material import PrepMaterial, material_of
from shimwise.bench.prep_show import Shower
from shimwise.bench.refusals import Conflict
from shimwise.bench.signing import leads_in
from shimwise.bench.typed_names import typed_name
from shimwise.bench.unit_knowledge import body_coc_um
from shimwise.errors import InferenceError
from shimwise.inference.posterior import K_MEDIAN
from shimwise.records.store import tables
from shimwise.records.store.names import name_key

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from shimwise.inference.repeatability import Sighting
    from shimwise.records.store import Record

__all__ = ["OperatorView", "repeatability"]

MOST_PREPS = 50
"""The newest preps are looked at: how a person reads changes with the years."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorView:
    """A person's repeatability; all but the counts are None while nothing was read twice.

    ``k``: focusing spread as a share of N·c, with its 95 % interval; ``repeat_sd_um``: pooled standard
    deviation of repeats of one sight [µm]; ``degrees``: repeats beyond the first.
    """

    name: str
    k: float | None
    k_low: float | None
    k_high: float | None
    repeat_sd_um: float | None
    degrees: int
    reading_count: int
    prep_count: int
    words: str


def repeatability(record: "Record", *, name: str, who: str) -> OperatorView:
    """Tell how well a person repeats, from the readings of their newest 50 preps that stand.

    Parameters
    ----------
    name : str
        Whose readings.
    who : str
        Who asks: the person, or a lead.

    Raises
    ------
    Conflict
        When another than the person or a lead asks.
    """
    person, asking = typed_name(name, field="name"), typed_name(who, field="who")
    with record.reading() as connection:
        allowed = {name_key(person), *map(name_key, leads_in(connection))}
        if name_key(asking) not in allowed:
            raise Conflict(
                f"How {person} reads is private to {person} and the leads. Ask one of them.",
                kind="person",
                id=person,
            )
        prep_ids = _preps_of(connection, person)
        found = [_sightings(material_of(connection, prep_id), person) for prep_id in prep_ids]
    return _view(person, [one for of_prep in found for one in of_prep], prep_count=len(prep_ids))


def _preps_of(connection: "Connection", person: str) -> list[str]:
    table = tables.readings
    wanted = (
        select(tables.preps.c.id)
        .where(
            select(table.c.id)
            .where(table.c.prep_id == tables.preps.c.id, table.c.operator == person)
            .exists()
        )
        .order_by(tables.preps.c.started_at.desc())
        .limit(MOST_PREPS)
    )
    return list(connection.execute(wanted).scalars())


def _sightings(material: PrepMaterial, person: str) -> "list[Sighting]":
    """Gather what one person read of one thing that did not change."""
    from shimwise.inference.repeatability import Sighting

    shower = Shower(material, None)
    groups: dict[tuple[object, ...], list[float]] = defaultdict(list)
    scales: dict[tuple[object, ...], tuple[float, float]] = {}
    for row in material.readings:
        if row.withdrawn_at is not None or row.operator != person:
            continue
        key = (
            row.setup_id,
            row.lens_id,
            row.body_epoch,
            row.lens_epoch,
            row.focal_mm,
            row.fnumber,
            row.axis,
        )
        landing = shower.landing(row)
        blur_um = row.fnumber * body_coc_um(material.bodies[row.body_id], material.house)
        groups[key].append(landing.um)
        scales[key] = blur_um, math.sqrt(max(0.0, landing.sd_um**2 - (K_MEDIAN * blur_um) ** 2))
    return [
        Sighting(landings_um=tuple(landings), blur_um=scales[key][0], reading_sd_um=scales[key][1])
        for key, landings in groups.items()
    ]


def _view(person: str, sightings: "list[Sighting]", *, prep_count: int) -> OperatorView:
    from shimwise.inference.repeatability import person_k, pooled_repeatability

    count = sum(len(one.landings_um) for one in sightings)
    try:
        k = person_k(sightings)
        pooled = pooled_repeatability([one.landings_um for one in sightings])
    except InferenceError as error:
        return OperatorView(
            name=person,
            k=None,
            k_low=None,
            k_high=None,
            repeat_sd_um=None,
            degrees=0,
            reading_count=count,
            prep_count=prep_count,
            words=str(error),
        )
    return OperatorView(
        name=person,
        k=k.k,
        k_low=k.low,
        k_high=k.high,
        repeat_sd_um=pooled.sd,
        degrees=k.degrees,
        reading_count=count,
        prep_count=prep_count,
        words=f"{person} repeats a sight to ±{pooled.sd:.1f} µm (one standard deviation), k = {k.k:.2f} "
        f"(95 %: {k.low:.2f} to {k.high:.2f}), from {k.degrees} repeats.",
    )
