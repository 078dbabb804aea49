"""The interlocks as codes: what is done in which order around a remedy, and what to be careful of.

The order is common practice, no source; the maker's service instructions, the owner's rules and local safety
codes come first, and every list of cautions ends with them.
"""

from collections.abc import Iterable

from shimwise.notices import Notice
from shimwise.remedy.mechanism import Fixed, Mechanism, Screw, ShimmedMount, Turn

LARGE_UM = 100.0
"""An error above this is seldom wear (common practice, no source): dirt, a bad seat, a wrong mount."""
DEGREES_PER_TURN = 360.0


def _notices(*codes: str) -> tuple[Notice, ...]:
    return tuple(map(Notice, codes))


LENS_STEPS = _notices("clean", "second_body", "send_lens", "read_lens_again", "mark_lens")
"""The steps around a lens's remedy, in order."""
SETUP_STEPS = _notices("tape_again", "look_for_tilt", "read_setup_again")
"""The steps around a mis-taped set-up, in order."""
SETUP_CAUTIONS = _notices("hot_lamps", "rules_first")
"""The cautions for a mis-taped set-up."""


def body_steps(mechanism: Mechanism | None, *, turn: Turn | None = None) -> tuple[Notice, ...]:
    """Return the steps around a body's remedy, in order; ``turn`` is the sense of the move, if known."""
    match mechanism:
        case Screw():
            return _screw_steps(mechanism, turn)
        case ShimmedMount():
            return _notices("ask_owner", "clean", "measure_shims", "change_stack", "read_again", "mark_body")
        case Fixed():
            return _notices("clean", "send_body")
        case None:
            return _notices("clean", "find_mechanism", "write_mechanism")


def body_cautions(mechanism: Mechanism | None, *, amount_um: float) -> tuple[Notice, ...]:
    """Return the cautions for a body's remedy."""
    match mechanism:
        case Screw():
            own: tuple[str, ...] = ("never_locked", "stop_at_resistance")
        case ShimmedMount() | Fixed():
            own = ("authorised",)
        case None:
            own = ("never_locked", "authorised")
    return (*_notices(*own), *_if_large(amount_um), *_notices("heavy_lenses", "hot_lamps", "rules_first"))


def lens_cautions(*, amount_um: float = 0.0) -> tuple[Notice, ...]:
    """Return the cautions for a lens's remedy."""
    always = _notices("heavy_lenses", "hot_lamps", "no_looking_in", "rules_first")
    return (Notice("lens_technician"), *_if_large(amount_um), *always)


def _if_large(amount_um: float) -> Iterable[Notice]:
    return (Notice("too_large", numbers={"limit_um": LARGE_UM}),) if amount_um > LARGE_UM else ()


def _screw_steps(screw: Screw, turn: Turn | None) -> tuple[Notice, ...]:
    play_deg = None
    if screw.backlash_um is not None and screw.um_per_turn is not None:
        play_deg = DEGREES_PER_TURN * screw.backlash_um / screw.um_per_turn
    back, onward = (None, None) if turn is None else (turn.opposite.value, turn.value)
    lock = None if screw.has_lock is None else float(screw.has_lock)
    return (
        Notice("clean"),
        Notice("look_at_lock", numbers={"has_lock": lock}),
        Notice("note_place"),
        Notice(
            "one_side",
            numbers={"back": back, "onward": onward, "play_um": screw.backlash_um, "play_deg": play_deg},
        ),
        *_notices("move_slowly", "read_again"),
        *(() if screw.has_lock is False else _notices("set_lock")),
        Notice("mark_body"),
    )
