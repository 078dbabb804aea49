"""What people read again and again of one thing that did not change, gathered from preps."""

import math
from collections import defaultdict
from collections.abc import Iterable
from typing import NamedTuple

from shimwise.bench.house.unit_knowledge import body_coc_um
from shimwise.bench.prep.prep_data import PrepMaterial, material_of
from shimwise.bench.prep.presenter import PrepPresenter
from shimwise.inference.model.priors import K_MEDIAN
from shimwise.inference.repeatability.pooled import Repeats
from shimwise.record import Connection
from shimwise.record.names import name_key
from shimwise.record.tables.rows import ReadingRow

MOST_PREPS = 50
"""Only the newest preps are used: how a person reads changes with the years."""
SightKey = tuple[object, ...]


class Seen(NamedTuple):
    """One sight by one person: who (name as written, and its key), in which prep, of what, what they read."""

    name: str
    key: str
    prep_id: str
    sight: SightKey
    repeats: Repeats


def seen_in(connection: Connection, prep_ids: Iterable[str]) -> list[Seen]:
    """Return what people read by eye in some preps, without readings that were withdrawn."""
    found: list[Seen] = []
    for prep_id in prep_ids:
        found += _seen(material_of(connection, prep_id))
    return found


def _seen(material: PrepMaterial) -> list[Seen]:
    presenter = PrepPresenter(material, None)
    groups: dict[tuple[str, SightKey], list[ReadingRow]] = defaultdict(list)
    for row in material.readings:
        if row.withdrawn_at is None and row.operator.strip() and row.landing_um is None:
            groups[name_key(row.operator), _sight(row)].append(row)
    seen = []
    for (key, sight), rows in groups.items():
        blur_um = rows[0].fnumber * body_coc_um(material.bodies[rows[0].body_id], material.house)
        landings = [presenter.landing(row) for row in rows]
        reading_sd_um = math.sqrt(max(0.0, landings[-1].sd_um ** 2 - (K_MEDIAN * blur_um) ** 2))
        repeats = Repeats(
            landings_um=tuple(one.um for one in landings), blur_um=blur_um, reading_sd_um=reading_sd_um
        )
        seen.append(Seen(rows[-1].operator, key, material.prep.id, sight, repeats))
    return seen


def _sight(row: ReadingRow) -> SightKey:
    return (
        row.setup_id,
        row.lens_id,
        row.body_epoch,
        row.lens_epoch,
        row.focal_mm,
        row.fnumber,
        row.axis,
    )
