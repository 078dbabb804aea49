"""Settings and people that a machine takes along from its home; neither goes home.

Of people, names and roles are taken, never a PIN nor what one is checked against: each machine has its own.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from shimwise.bench.access.accounts import MOST_PEOPLE
from shimwise.bench.access.acting import Who, changing
from shimwise.bench.access.roles import Act, Role
from shimwise.bench.exchange.sync_plan import Way
from shimwise.bench.exchange.sync_report import SyncNotice
from shimwise.bench.exchange.sync_side import GIVEN_KEYS
from shimwise.bench.house.drift_rate import WEAR_KEY, WearSettings
from shimwise.bench.house.settings import KEY as HOUSE_KEY
from shimwise.bench.house.settings import checked_settings
from shimwise.bench.house.taught import TAUGHT_KEY
from shimwise.bench.house.views import HouseSettings
from shimwise.bench.typed_names import typed_name
from shimwise.errors import ShimwiseError
from shimwise.inference.house.taught import Taught
from shimwise.record.names import name_key
from shimwise.record.queries import people, sync_marks
from shimwise.record.queries import settings as kept_settings
from shimwise.record.record import Record
from shimwise.record.tables.columns import json_text
from shimwise.record.tables.rows import SyncMarkRow

SETTING = "setting"


def take_settings(
    record: Record, given: Mapping[str, Any], *, who: Who, keep: Way | None
) -> Iterator[SyncNotice]:
    """Take the settings of home along; those that were changed here stay, unless home's are chosen."""
    with record.reading() as connection:
        marks = sync_marks.marks(connection)
        own = {key: kept_settings.setting(connection, key) for key in GIVEN_KEYS}
    for key in GIVEN_KEYS:
        value, mark_id = given.get(key), f"{SETTING} {key}"
        if value is None or (own[key] == value and mark_id in marks):
            continue
        mark = marks.get(mark_id)
        is_own = own[key] is not None and (mark is None or mark.content != {"value": own[key]})
        if own[key] != value and is_own and key != TAUGHT_KEY and keep is not Way.HOME:
            yield SyncNotice(code="setting_stays", values={"key": key})
            continue
        try:
            _check(key, value)
        except (ShimwiseError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as error:
            yield SyncNotice(code="setting_refused", values={"key": key, "reason": str(error)})
            continue
        with changing(record, who, Act.SYNC) as change:
            if own[key] != value:
                kept_settings.change_setting(change, key, value)
                change.note("settings taken along", detail={"key": key})
                yield SyncNotice(code="setting_taken", values={"key": key})
            row = SyncMarkRow(
                id=mark_id, kind=SETTING, digest="", seq=0, home_seq=0, content={"value": value}
            )
            sync_marks.keep_marks(change, (row,))


def _check(key: str, value: Any) -> None:  # noqa: ANN401 - a setting of another machine
    json_text(value)
    if key == HOUSE_KEY:
        checked_settings(HouseSettings(**{**value, "shim_stock_um": tuple(value.get("shim_stock_um", ()))}))
    elif key == WEAR_KEY:
        WearSettings(**value).as_wear()
    else:
        Taught.from_json(value)


def take_people(record: Record, given: Mapping[str, str], *, who: Who) -> Iterator[SyncNotice]:
    """Take the names and roles of home's people along, where names are proved on this machine too."""
    with record.reading() as connection:
        own = {name_key(row.name): row for row in people.with_role(connection)}
        has_keeper = people.has_role(connection, Role.KEEPER)
    if not given:
        return
    if not has_keeper:
        yield SyncNotice(code="people_stay", values={"count": len(given)})
        return
    new: list[str] = []
    for name, role in list(given.items())[:MOST_PEOPLE]:
        row = own.get(name_key(name))
        is_last = row is not None and row.role == Role.KEEPER and (
            sum(one.role == Role.KEEPER for one in own.values()) == 1
        )  # fmt: skip
        if (row is not None and row.role == role) or (is_last and role != Role.KEEPER):
            continue
        wanted, as_role = typed_name(name, field="name"), Role(role)
        with changing(record, who, Act.SYNC) as change:
            kept = people.remember(change.connection, wanted)
            people.give_role(change, kept.id, role=as_role, pin_hash=kept.pin_hash)
            change.note("person taken along", detail={"person": wanted, "role": str(as_role)})
        new.append(wanted)
    if new:
        yield SyncNotice(code="people_taken", values={"names": new})
