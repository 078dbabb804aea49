"""What to do now, one line each, the most pressing first: facts for every door."""

from collections.abc import Iterator, Sequence

from shimwise.inference.verdict.answer import Answer, ReadingAnswer
from shimwise.inference.verdict.unit_state import StateCode, state_of
from shimwise.notices import Notice
from shimwise.remedy.remedy import Action, Remedy, RemedyKind

_CODES = {
    Action.MOVE_SENSOR: "do_find_mechanism",
    Action.SHIM_MOUNT: "do_shim_mount",
    Action.SHIM_LENS: "do_shim_lens",
    Action.RE_TAPE: "do_tape_again",
    Action.SEND_OUT: "do_send_out",
}
"""The line of a remedy by its action; a screw and a scale have lines of their own."""


def to_do(
    answer: Answer, remedies: Sequence[Remedy] = (), rereads: Sequence[Notice] = ()
) -> tuple[Notice, ...]:
    """Return what to do now: remedies first, then what to look at, to read again and to read next.

    Set-ups come first, since a wrong tape moves every other number; then ``rereads``, the units that have to
    be read again after an adjustment; then units that contradict their history, bodies, lenses, doubted
    readings, and what decides the rest. ``numbers["kind"]`` is ``setup``, ``body``, ``lens``, ``scale``,
    ``reading`` or empty; a line about a reading carries ``body``, ``lens`` and ``setup`` or ``distance_mm``.
    """
    of_setups = [one for one in remedies if one.kind is RemedyKind.SETUP]
    others = [one for one in remedies if one.kind is not RemedyKind.SETUP]
    lines = (
        *map(_of_remedy, of_setups),
        *rereads,
        *_look_at(answer),
        *map(_of_remedy, others),
        *_read_again(answer),
        *_part(answer),
        *_read_finer(answer),
        *_read_next(answer),
        *_not_read(answer),
    )
    return lines or (Notice("do_nothing", numbers={"kind": ""}),)


def _of_remedy(remedy: Remedy) -> Notice:
    numbers = {key: value for one in remedy.advice for key, value in one.numbers.items()}
    code = "do_turn" if "turn" in numbers else _CODES[remedy.action]
    if remedy.kind is RemedyKind.SCALE:
        code = "do_send_scale"
    return Notice(code, remedy.unit, {"kind": remedy.kind.value, **numbers})


def _look_at(answer: Answer) -> Iterator[Notice]:
    bodies = {one.name for one in answer.bodies}
    for one in answer.notices:
        if one.code == "knocked" and not one.numbers.get("is_past"):
            kind = "body" if one.unit in bodies else "lens"
            yield Notice("do_look_at_mount", one.unit, {"kind": kind, **one.numbers})


def _read_again(answer: Answer) -> Iterator[Notice]:
    yield from map(_of_doubted, sorted(answer.doubted, key=lambda one: one.weight))


def _of_doubted(reading: ReadingAnswer) -> Notice:
    return Notice(
        "do_read_again",
        reading.lens,
        {
            "kind": "reading",
            "body": reading.body,
            "lens": reading.lens,
            "setup": reading.setup,
            "row": float(reading.row),
            "line": float(reading.line),
            "landing_um": reading.landing_um,
            "weight": reading.weight,
        },
    )


def _part(answer: Answer) -> Iterator[Notice]:
    """Yield the bodies that no number of readings decides; what parts them parts their lenses too."""
    for body in answer.bodies:
        state = state_of(body, answer)
        if state.code is StateCode.CANNOT_PART:
            yield Notice("do_gauge", body.name, {"kind": "body", "best_um": state.best_um})


def _read_finer(answer: Answer) -> Iterator[Notice]:
    """Yield persons whose rounding is wider than the tolerance while a unit is open: the reason of its ±."""
    if any(not unit.verdict.is_decided for unit in answer.units):
        for one in answer.notices:
            if one.code in {"marks_assumed", "rounding_assumed"}:
                yield Notice("do_read_finer", one.unit, {"kind": "", **one.numbers})


def _read_next(answer: Answer) -> Iterator[Notice]:
    for one in answer.next:
        yield Notice(
            "do_read_next",
            one.lens,
            {
                "kind": "reading",
                "body": one.body,
                "lens": one.lens,
                "distance_mm": one.distance_mm,
                "sd_after_um": one.sd_after_um,
                **({} if one.focal_mm is None else {"focal_mm": one.focal_mm}),
                **({"by_picture": 1.0} if one.by_picture else {}),
            },
        )


def _not_read(answer: Answer) -> Iterator[Notice]:
    read = {name for one in answer.readings for name in (one.body, one.lens)}
    read |= {name for one in answer.next for name in (one.body, one.lens)}
    undecided = [unit.name for unit in answer.units if not unit.verdict.is_decided]
    missing = [name for name in undecided if name not in read]
    if missing:
        units, count = "\n".join(missing), float(len(missing))
        yield Notice("do_read_first", numbers={"kind": "", "units": units, "count": count})
