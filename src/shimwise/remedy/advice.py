"""From a verdict to a remedy: what to turn, shim, tape again or send out, by how much and which way.

The rule is one: short → add. The sensor goes away from the flange, or a thicker shim goes in, at a body or a
lens alike; deep → take away. A unit whose verdict is not decided gets no remedy.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from shimwise.errors import OpticsError, RemedyError
from shimwise.inference.verdict.answer import (
    OUT,
    Z95,
    Answer,
    BodyAnswer,
    LensAnswer,
    ReadingAnswer,
    SetupAnswer,
    Verdict,
)
from shimwise.notices import Notice
from shimwise.optics.conjugates import extension_mm, reading_mm
from shimwise.remedy import procedure
from shimwise.remedy.mechanism import Fixed, Mechanism, Screw, ShimmedMount, Turn
from shimwise.remedy.remedy import Action, Direction, Remedy, RemedyKind
from shimwise.remedy.screw_history import ScrewHistory, plan_turn
from shimwise.remedy.shims import choose_shims
from shimwise.remedy.turning import PlannedTurn, planned_turn

SCALE_AT_MM = 914.4
"""Where a scale error is given as a way of the ring: 3 ft."""
DECIDED_P = 0.8
"""A set-up or a scale, which have no verdict of their own, get a remedy above this probability."""


def advise(
    answer: Answer,
    *,
    mechanisms: Mapping[str, Mechanism | None] | None = None,
    stock_um: Sequence[float] = (),
    screws: Mapping[str, ScrewHistory] | None = None,
    focal_mm: Mapping[str, float] | None = None,
) -> tuple[Remedy, ...]:
    """Return the remedies of an answer: set-ups to tape again first, then bodies, then lenses and scales.

    Parameters
    ----------
    answer : Answer
        The judge's.
    mechanisms : mapping of str to Mechanism or None
        How each body is adjusted; a body that is absent or None: not known.
    stock_um : sequence of float
        Thicknesses of shim in stock [µm], for lenses and for mounts without a stock of their own.
    screws : mapping of str to ScrewHistory, optional
        By body, how its screw was turned so far.
    focal_mm : mapping of str to float, optional
        Focal length of each lens that has one: a scale error is then a way of its ring too. [mm]

    Raises
    ------
    RemedyError
        If a number is not finite, a verdict contradicts its error, or the stock is impossible.
    """
    known, turned, focals = mechanisms or {}, screws or {}, focal_mm or {}
    bodies = (
        advise_body(
            body,
            mechanism=known.get(body.name),
            stock_um=stock_um,
            turned=turned.get(body.name),
            readings=answer.readings,
        )
        for body in answer.bodies
    )
    lenses = (
        remedy
        for lens in answer.lenses
        for remedy in (
            advise_lens(lens, stock_um=stock_um),
            advise_scale(lens, focal_mm=focals.get(lens.name)),
        )
    )
    found = (*map(advise_setup, answer.setups), *bodies, *lenses)
    return tuple(remedy for remedy in found if remedy is not None)


_SENSOR = {Verdict.OUT_SHORT: Direction.AWAY, Verdict.OUT_DEEP: Direction.TOWARD}
"""Where a sensor has to go."""
_STACK = {Verdict.OUT_SHORT: Direction.ADD, Verdict.OUT_DEEP: Direction.TAKE_AWAY}
"""What a stack of shims has to become."""


def advise_body(
    body: BodyAnswer,
    *,
    mechanism: Mechanism | None = None,
    stock_um: Sequence[float] = (),
    turned: ScrewHistory | None = None,
    readings: Sequence[ReadingAnswer] = (),
) -> Remedy | None:
    """Return the remedy of a body, by its mechanism; None unless the verdict is out.

    ``turned``: how its screw was turned so far; ``readings``: those of the verdict, which show what moves
    within the prep made.
    """
    if not _is_out(body):
        return None
    match mechanism:
        case Screw():
            history = turned or ScrewHistory(screw=mechanism)
            return _turn_screw(body, mechanism, plan_turn(history, body, readings))
        case ShimmedMount():
            return _shim_mount(body, mechanism.stock_um or tuple(stock_um))
        case Fixed():
            action, code = Action.SEND_OUT, "send_to_authorised"
        case None:
            action, code = Action.MOVE_SENSOR, "mechanism_not_known"
    return _body_remedy(
        body,
        action,
        _SENSOR[body.verdict],
        mechanism,
        advice=(Notice("move_sensor", body.name, _finding(body)), Notice(code)),
    )


def advise_lens(lens: LensAnswer, *, stock_um: Sequence[float] = ()) -> Remedy | None:
    """Return the remedy of a lens: to a lens technician, with a shim suggested; None unless it is out."""
    if not _is_out(lens):
        return None
    amount_um = abs(lens.error_um)
    return Remedy(
        unit=lens.name,
        kind=RemedyKind.LENS,
        action=Action.SHIM_LENS,
        direction=_STACK[lens.verdict],
        amount_um=amount_um,
        amount_sd_um=lens.sd_um,
        steps=procedure.LENS_STEPS,
        cautions=procedure.lens_cautions(amount_um=amount_um),
        **_shims("shim_lens", lens, stock_um),
    )


def advise_scale(lens: LensAnswer, *, focal_mm: float | None = None) -> Remedy | None:
    """Return the remedy of a scale: sent out, since no shim cures it; None up to ``DECIDED_P``."""
    _refuse_unless_finite(lens.name, lens.scale_permille, lens.scale_sd_permille, lens.p_scale_out)
    if lens.p_scale_out <= DECIDED_P:
        return None
    numbers = {
        "scale_permille": lens.scale_permille,
        "half_permille": Z95 * lens.scale_sd_permille,
        "ring_mm": None if focal_mm is None else _ring_mm(lens.scale_permille, focal_mm),
    }
    return Remedy(
        unit=lens.name,
        kind=RemedyKind.SCALE,
        action=Action.SEND_OUT,
        advice=(Notice("scale_out", lens.name, numbers),),
        steps=procedure.LENS_STEPS,
        cautions=procedure.lens_cautions(),
    )


def _ring_mm(scale_permille: float, focal_mm: float) -> float | None:
    """Return how far off the ring is with a chart at 3 ft, + past it [mm]; None within the near limit."""
    try:
        extension = extension_mm(focal_mm=focal_mm, distance_mm=SCALE_AT_MM)
        ring = reading_mm(focal_mm=focal_mm, distance_mm=SCALE_AT_MM, landing_um=scale_permille * extension)
    except OpticsError:
        return None
    return ring - SCALE_AT_MM if math.isfinite(ring) else None


def advise_setup(setup: SetupAnswer) -> Remedy | None:
    """Return the remedy of a mis-taped set-up: tape again; None if it was, and up to ``DECIDED_P``."""
    _refuse_unless_finite(setup.name, setup.error_mm, setup.sd_mm, setup.p_out)
    if setup.p_out <= DECIDED_P or setup.replaced_by:
        return None
    numbers = {"error_mm": setup.error_mm, "half_mm": Z95 * setup.sd_mm}
    return Remedy(
        unit=setup.name,
        kind=RemedyKind.SETUP,
        action=Action.RE_TAPE,
        direction=Direction.NEARER if setup.error_mm > 0 else Direction.FARTHER,
        amount_um=1e3 * abs(setup.error_mm),
        amount_sd_um=1e3 * setup.sd_mm,
        advice=(Notice("setup_out", setup.name, numbers),),
        steps=procedure.SETUP_STEPS,
        cautions=procedure.SETUP_CAUTIONS,
    )


def _turn_screw(body: BodyAnswer, screw: Screw, planned: PlannedTurn) -> Remedy:
    return _body_remedy(
        body,
        Action.MOVE_SENSOR,
        _SENSOR[body.verdict],
        screw,
        advice=(Notice("move_sensor", body.name, _finding(body)), planned_turn(planned)),
        turns=planned.turns,
        turns_sd=None if planned.is_trial else planned.turns_sd,
        turn=planned.turn,
        play_turns=planned.play_turns,
    )


def _shim_mount(body: BodyAnswer, stock_um: tuple[float, ...]) -> Remedy:
    return _body_remedy(
        body,
        Action.SHIM_MOUNT,
        _STACK[body.verdict],
        ShimmedMount(stock_um=stock_um),
        **_shims("shim_mount", body, stock_um),
    )


def _body_remedy(
    body: BodyAnswer,
    action: Action,
    direction: Direction,
    mechanism: Mechanism | None,
    *,
    turn: Turn | None = None,
    **own: Any,  # noqa: ANN401 - further fields of a remedy
) -> Remedy:
    return Remedy(
        unit=body.name,
        kind=RemedyKind.BODY,
        action=action,
        direction=direction,
        amount_um=abs(body.error_um),
        amount_sd_um=body.sd_um,
        steps=procedure.body_steps(mechanism, turn=turn),
        cautions=procedure.body_cautions(mechanism, amount_um=abs(body.error_um)),
        turn=turn,
        **own,
    )


def _is_out(unit: BodyAnswer) -> bool:
    """Whether a unit is decided to be out; refuse a verdict that its own numbers contradict."""
    if unit.verdict not in OUT:
        return False
    _refuse_unless_finite(unit.name, unit.error_um, unit.sd_um, unit.low_um, unit.high_um)
    if unit.error_um == 0 or (unit.verdict is Verdict.OUT_SHORT) != (unit.error_um < 0):
        raise RemedyError(
            f"{unit.name} is judged {unit.verdict}, but its error is {unit.error_um:+.1f} µm "
            "(short is below 0). No remedy follows from that: judge again."
        )
    return True


def _refuse_unless_finite(name: str, *values: float) -> None:
    if not all(map(math.isfinite, values)):
        raise RemedyError(
            f"The answer for {name} holds a value that is no number. No remedy follows: judge again."
        )


def _finding(unit: BodyAnswer) -> dict[str, float]:
    return {"error_um": unit.error_um, "half_um": unit.half_um}


def _shims(code: str, unit: BodyAnswer, stock_um: Sequence[float]) -> dict[str, Any]:
    """Return what a remedy tells of shims: its advice, and those of the stock that serve, if there is one."""
    numbers: dict[str, float | str | None] = {"shims_um": None}
    chosen: dict[str, Any] = {}
    if stock_um:
        choice = choose_shims(abs(unit.error_um), stock_um, tolerance_um=unit.tolerance_um)
        numbers = {
            "shims_um": " + ".join(f"{shim:g}" for shim in choice.shims_um),
            "leftover_um": choice.leftover_um,
            "is_near": float(choice.is_within_share),
        }
        chosen = {"shims_um": choice.shims_um, "leftover_um": choice.leftover_um}
    return {"advice": (Notice(code, unit.name, {**_finding(unit), **numbers}),), **chosen}
