"""``shimwise house``: what the signed preps teach: spreads, every unit, persons, what to read next."""

from typing import Annotated

from shimwise.bench.exchange import record_admin
from shimwise.bench.executors import workers_of
from shimwise.bench.history.house_network import house_network
from shimwise.bench.history.house_views import HouseNetworkView, HouseTaughtView, HouseUnitView
from shimwise.cli.acting import acting
from shimwise.cli.options import Workers, flag
from shimwise.cli.output import filled, show
from shimwise.cli.progress import print_waiting, progress_bar
from shimwise.cli.record_options import AsJson, Data, Who
from shimwise.number_format import plus_minus_text

SHOWN = 20
MORE = (
    "From all signed preps at once. Where a person places focus is private to the person and the leads. "
    "Who asks is believed, until the house has a keeper.\n\nExit code: 0 told, 2 refused."
)


BESIDE_SHEET = (
    "All signed preps against each other, without what a kit or list says of a unit. A sheet says what its "
    "own prep knew, with that: its ± may be smaller, or larger."
)


def house(
    *,
    everything: Annotated[bool, flag("--all", f"Every unit; else the {SHOWN} that are known least.")] = False,
    who: Who = None,
    workers: Workers = None,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """Tell what the signed preps teach of the whole house."""
    with record_admin.open_record(data, is_read_only=True) as record, progress_bar() as progress:
        found = house_network(
            record,
            who=acting(record, who),
            workers=workers_of(workers),
            progress=progress,
            on_wait=print_waiting,
        )
    show(found, _text(found, everything=everything), as_json=as_json)


def _text(found: HouseNetworkView, *, everything: bool) -> str:
    parts = [_head(found.taught), _spreads(found.taught), filled(found.taught.datum_words)]
    parts += [_units(found, everything=everything), _persons(found), _next(found)]
    return "\n\n".join(part for part in parts if part)


def _head(taught: HouseTaughtView) -> str:
    used = "The judge uses these spreads." if taught.is_used else "The judge uses them from five preps on."
    preps = "1 signed prep" if taught.preps == 1 else f"{taught.preps:,} signed preps"
    return filled(f"{preps} with {taught.readings:,} readings. {used}")


def _spreads(taught: HouseTaughtView) -> str:
    lines = [f"{'spread (sd) of':<17} {'now':>7}  {'95 %':<17} {'at first':>8}  {'off':>5}  {'wild':>5}"]
    for one in taught.spreads:
        digits = 2 if one.unit == "mm" else 1
        interval = f"{one.low:.{digits}f} to {one.high:.{digits}f} {one.unit}"
        lines.append(
            f"{one.name:<17} {one.spread:>7.{digits}f}  {interval:<17} {one.starting:>8.{digits}f}  "
            f"{one.off_share:>5.0%}  {one.wild_share:>5.0%}"
        )
    for walk in taught.walks:
        interval = f"{walk.low_um:.1f} to {walk.high_um:.1f} µm"
        name = f"{walk.name}, a month"
        lines.append(f"{name:<17} {walk.month_um:>7.1f}  {interval}")
    lines.append(filled("off, wild: the share of units with a fault, and with a gross one."))
    return "\n".join(lines)


def _units(found: HouseNetworkView, *, everything: bool) -> str:
    order = sorted(found.units, key=lambda one: -one.sd_um)
    shown = list(found.units) if everything else order[:SHOWN]
    open_count = sum(one.is_undecided for one in found.units)
    head = f"{len(found.units):,} bodies and lenses as last read (± 95 %), {open_count:,} undecided"
    more = "" if len(shown) == len(found.units) else f"; the {len(shown)} known least (--all shows every one)"
    return "\n".join([filled(f"{head}{more}:"), *map(_unit, shown), filled(BESIDE_SHEET)])


def _unit(one: HouseUnitView) -> str:
    name = one.name if len(one.name) <= 34 else f"{one.name[:33]}…"
    mark = "undecided" if one.is_undecided else ""
    error = plus_minus_text(one.error_um, one.high_um - one.error_um)
    return f"  {one.kind:<5} {name:<34} {error:>12} µm  {mark}".rstrip()


def _persons(found: HouseNetworkView) -> str:
    lines = [filled(found.persons_words)]
    lines += [
        f"  {one.name:<34} {plus_minus_text(one.from_mean_um, 2 * one.sd_um):>12} µm" for one in found.persons
    ]
    return "\n".join(lines)


def _next(found: HouseNetworkView) -> str:
    if not found.next:
        return "Nothing in the house is undecided."
    lines = ["Most worth reading next, three times each:"]
    lines += [f"  {one.body} with {one.lens} at {one.distance_text}" for one in found.next]
    return "\n".join(lines)
