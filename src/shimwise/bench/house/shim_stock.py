"""The house's shims with their counts: counted by a person, taken out and put back by adjustments."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from shimwise.bench.access.acting import Who, changing, permitted
from shimwise.bench.access.roles import Act
from shimwise.bench.errors import InputError
from shimwise.bench.house.settings import KEY as HOUSE_KEY
from shimwise.bench.house.settings import settings_in
from shimwise.errors import RemedyError
from shimwise.record.queries import settings as kept
from shimwise.record.record import Change, Connection, Record
from shimwise.remedy.stock import ShimStock

KEY = "shim counts"
NOT_COUNTED = 9
"""How many of each thickness are taken to be there while nobody has counted them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShimCount:
    """How many shims of a thickness the house has, and how many to order. [µm]"""

    thickness_um: float
    count: int
    to_order: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StockView:
    """The shims of the house; ``is_counted`` is False until someone counted them."""

    shims: tuple[ShimCount, ...]
    is_counted: bool


def shim_stock(record: Record) -> StockView:
    """Return the house's shims, how many there are and what to order."""
    with record.reading() as connection:
        counted = kept.setting(connection, KEY) is not None
        stock = stock_in(connection)
    missing = dict(stock.to_order())
    return StockView(
        shims=tuple(
            ShimCount(thickness_um=size, count=count, to_order=missing.get(size, 0) if counted else 0)
            for size, count in stock.counts
        ),
        is_counted=counted,
    )


def change_shim_stock(record: Record, *, counts: Mapping[float, int], who: Who) -> StockView:
    """Put counted shims in the place of those known: thickness [µm] to how many.

    Raises
    ------
    InputError
        If a thickness or a count cannot be.
    """
    permitted(who, Act.SHIMS)
    try:
        stock = ShimStock.of(counts)
    except RemedyError as error:
        raise InputError(str(error), field="counts") from error
    with changing(record, who, Act.SHIMS) as change:
        _keep(change, stock)
        change.note("shims counted", detail={"counts": [list(one) for one in stock.counts]})
    return shim_stock(record)


def stock_in(connection: Connection) -> ShimStock:
    """Return the stock as one look at the record has it; uncounted thicknesses are taken to be there."""
    stored: Any = kept.setting(connection, KEY)
    if stored is None:
        return ShimStock.of(dict.fromkeys(settings_in(connection).shim_stock_um, NOT_COUNTED))
    return ShimStock(tuple((float(size), int(count)) for size, count in stored))


def take_shims(change: Change, *, put_in_um: Iterable[float], taken_out_um: Iterable[float]) -> None:
    """Take shims out of the counted stock, and put those back that came out of a mount.

    While nobody has counted them, nothing is changed.

    Raises
    ------
    RemedyError
        If the stock does not hold them.
    """
    if kept.setting(change.connection, KEY) is None:
        return
    put_in, taken_out = tuple(put_in_um), tuple(taken_out_um)
    if put_in or taken_out:
        _keep(change, stock_in(change.connection).used(put_in).added(taken_out))
        detail = {"put_in_um": list(put_in), "taken_out_um": list(taken_out)}
        change.note("shims used", detail=detail)


def _keep(change: Change, stock: ShimStock) -> None:
    """Keep the counts; advice then draws on the thicknesses that are at hand."""
    kept.change_setting(change, KEY, [list(one) for one in stock.counts])
    house: dict[str, Any] = dict(kept.setting(change.connection, HOUSE_KEY) or {})
    house["shim_stock_um"] = [size for size, count in stock.counts if count]
    kept.change_setting(change, HOUSE_KEY, house)
