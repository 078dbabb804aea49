"""What the house remembers of a prep's units: the judge's prior, and the memory that a prep leaves."""

from datetime import datetime

from shimwise.bench.house.taught import priors_in
from shimwise.bench.house.unit_knowledge import judged_name
from shimwise.bench.house.unit_memory import faded_memory, kind_of
from shimwise.bench.prep.prep_data import PrepMaterial
from shimwise.bench.verdict.judge_input import question_of
from shimwise.inference.history import house_memory
from shimwise.inference.history.house_memory import HouseMemory, PrepUnits, Since
from shimwise.inference.model.joint_memory import History, Unit
from shimwise.record import Connection
from shimwise.record.tables.rows import BodyRow, LensRow


def prior_of(connection: Connection, material: PrepMaterial) -> History | None:
    """Return the judge's joint prior of a prep's units, faded until the prep was started; None if empty.

    A unit whose history a person typed since is not in it.
    """
    return house_memory.prior_of(_as_of(connection, material), units_of(material))


def after_prep(connection: Connection, material: PrepMaterial) -> HouseMemory | None:
    """Return the memory after a prep's readings; None if it has none.

    Raises
    ------
    InferenceError, OpticsError
        If the readings cannot be judged.
    """
    question = question_of(material)
    if question is None:
        return None
    since = Since(at=_last_read(material), prep_id=material.prep.id)
    return house_memory.after_readings(
        _as_of(connection, material),
        question.prep,
        units_of(material),
        since=since,
        priors=priors_in(connection),
    )


def after_move(
    connection: Connection,
    material: PrepMaterial,
    unit: BodyRow | LensRow,
    *,
    by_um: float | None,
    sd_um: float | None,
) -> HouseMemory:
    """Return the memory after a move; ``unit`` is its row before it, arguments as the science's own."""
    return house_memory.after_move(
        _as_of(connection, material),
        Unit(kind_of(unit), unit.id, unit.epoch),
        row=(unit.history_mean_um, unit.history_sd_um),
        by_um=by_um,
        sd_um=sd_um,
        since=Since(at=material.prep.started_at, prep_id=material.prep.id),
    )


def units_of(material: PrepMaterial) -> PrepUnits:
    """Return the units of a prep under both names."""
    return PrepUnits(
        {row.id: row.epoch for row in material.units},
        {
            (row.id, epoch): judged_name(row.name, epoch=epoch, current=row.epoch)
            for row in material.units
            for epoch in range(row.epoch + 1)
        },
        body_ids=material.bodies,
    )


def _as_of(connection: Connection, material: PrepMaterial) -> HouseMemory:
    return faded_memory(connection, material.units, prep_id=material.prep.id, at=material.prep.started_at)


def _last_read(material: PrepMaterial) -> datetime:
    """Return when the prep's units were read last: from then on they drift again."""
    return max([material.prep.started_at, *(row.taken_at for row in material.evidence)])
