"""``shimwise repeatability``: how well a person repeats, and the house without names; private."""

from typing import Annotated

from shimwise.bench.exchange import record_admin
from shimwise.bench.history import operators
from shimwise.bench.history.operator_views import HouseRepeatability, OperatorView
from shimwise.cli.acting import acting
from shimwise.cli.options import option
from shimwise.cli.output import filled, show
from shimwise.cli.record_options import AsJson, Data, Who

MORE = (
    "A person's figures are private to the person and the leads. Who asks is believed, until the house has "
    "a keeper.\n\nExit code: 0 told, 2 refused."
)


def repeatability(
    *,
    name: Annotated[str, option("NAME", "Of whom; without it your own, and the house's.")] = "",
    who: Who = None,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """Show how well people repeat."""
    with record_admin.open_record(data, is_read_only=True) as record:
        asking = acting(record, who)
        if name.strip():
            one = operators.repeatability(record, name=name, who=asking)
            show(one, filled(one.words), as_json=as_json)
            return
        house = operators.house_repeatability(record, who=asking)
    show(house, _text(house), as_json=as_json)


def _text(house: HouseRepeatability) -> str:
    own = house.own.words if house.own else f"{house.who} has read nothing that is kept here."
    parts = [own, house.pooled_words, house.study_words]
    if house.people:
        head = f"{'person':<24} {'repeats ± µm':>12}  {'k':>5}  {'95 %':<13} {'repeats':>8}"
        parts.append("\n".join([head, *map(_row, house.people)]))
    return "\n\n".join(part if "\n" in part else filled(part) for part in parts)


def _row(one: OperatorView) -> str:
    name = one.name if len(one.name) <= 24 else f"{one.name[:23]}…"
    if one.k is None or one.k_low is None or one.k_high is None or one.repeat_sd_um is None:
        return f"{name:<24} nothing read twice"
    interval = f"{one.k_low:.2f} to {one.k_high:.2f}"
    return f"{name:<24} {one.repeat_sd_um:>12.1f}  {one.k:>5.2f}  {interval:<13} {one.degrees:>8}"
