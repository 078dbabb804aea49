"""The interlocks: what is done in which order around a remedy, and what to be careful of.

The order and the cautions are common practice, no source; the maker's service instructions, the owner's rules
and local safety codes come before them, and every list ends by saying so.
"""

from shimwise.remedy.mechanism import Fixed, Mechanism, Screw, ShimmedMount, Turn

LARGE_UM = 100.0
"""An error above this is seldom wear (common practice, no source): dirt, a bad seat, a wrong mount."""

CLEAN = "Clean the lens seat and the flange, seat the lens again and read once more: dirt reads as an error."
READ_AGAIN = (
    "Read again with at least two lenses at two distances, and judge again before anything else is moved."
)
MARK_BODY = (
    "Mark the outside of the body with the date, the amount and the direction, and write it in the record."
)
NOTE_PLACE = "Mark where the screw stands now, so that the move can be undone."
MOVE_SLOWLY = "Turn slowly, and stop at resistance: nothing is forced."
SET_LOCK = "Set the lock, if there is one, and read once more: locking can shift the sensor."
TAPE_AGAIN = "Hold the tape to the witness mark and to the face of the chart, level and taut, and tape again."
SECOND_BODY = "Read the lens on a second body, or again once its body is right, before it goes out."

NEVER_LOCKED = "Never move a sensor that is locked: check the lock first."
STOP_AT_RESISTANCE = "Move slowly and stop at resistance."
AUTHORISED = "A body with a fixed or shimmed sensor is opened only by those its owner has authorised."
LENS_TECHNICIAN = "Shimming a lens is a lens technician's work."
HEAVY_LENSES = "Support long or heavy lenses while they are on the mount."
HOT_LAMPS = "Chart lamps are hot."
NO_LOOKING_IN = "Never look into a collimator's lamp or a laser."
RULES_FIRST = "The maker's service instructions, the owner's rules and local safety codes come first."
TOO_LARGE = f"More than {LARGE_UM:g} µm is seldom wear: look for dirt, a loose mount or a wrong seat first."


def body_steps(mechanism: Mechanism | None, *, turn: Turn | None = None) -> tuple[str, ...]:
    """List the steps around a body's remedy, in order; ``turn`` is the sense of the move, if known."""
    match mechanism:
        case Screw():
            return _screw_steps(mechanism, turn)
        case ShimmedMount():
            return (
                "Ask for the owner's consent: the mount is taken off only by those the owner has authorised.",
                CLEAN,
                "Take the mount off, measure the shims that are in and write them down.",
                "Change the stack by the amount told; keep shims flat and clean, draw the screws up evenly.",
                READ_AGAIN,
                MARK_BODY,
            )
        case Fixed():
            return (
                CLEAN,
                "Send the body, with its readings and this verdict, to those the owner has authorised.",
            )
        case None:
            return (
                CLEAN,
                "Find out from the maker's service instructions how the sensor is adjusted and locked.",
                "Write it in the kit file, and ask again: until then nothing is turned or opened.",
            )


def body_cautions(mechanism: Mechanism | None, *, amount_um: float) -> tuple[str, ...]:
    """List the cautions for a body's remedy."""
    match mechanism:
        case Screw():
            own: tuple[str, ...] = (NEVER_LOCKED, STOP_AT_RESISTANCE)
        case ShimmedMount() | Fixed():
            own = (AUTHORISED,)
        case None:
            own = (NEVER_LOCKED, AUTHORISED)
    return (*own, *_if_large(amount_um), HEAVY_LENSES, HOT_LAMPS, RULES_FIRST)


def lens_steps() -> tuple[str, ...]:
    """List the steps around a lens's remedy, in order."""
    return (
        CLEAN,
        SECOND_BODY,
        "Send it, with its readings and this verdict, to a lens technician.",
        "When it is back, read it again at two distances at least, on a body that is in tolerance.",
        "Mark the lens or its case with the date, the amount and the direction, and write it in the record.",
    )


def lens_cautions(*, amount_um: float = 0.0) -> tuple[str, ...]:
    """List the cautions for a lens's remedy."""
    return (LENS_TECHNICIAN, *_if_large(amount_um), HEAVY_LENSES, HOT_LAMPS, NO_LOOKING_IN, RULES_FIRST)


def setup_steps() -> tuple[str, ...]:
    """List the steps around a mis-taped set-up, in order."""
    return (
        TAPE_AGAIN,
        "If the tape was right, write the distance as taped and look for a tilted chart or a moved tripod.",
        "Read again at this distance, and judge again before any body or lens is moved.",
    )


def setup_cautions() -> tuple[str, ...]:
    """List the cautions for a mis-taped set-up."""
    return (HOT_LAMPS, RULES_FIRST)


def _if_large(amount_um: float) -> tuple[str, ...]:
    return (TOO_LARGE,) if amount_um > LARGE_UM else ()


def _screw_steps(screw: Screw, turn: Turn | None) -> tuple[str, ...]:
    locks = screw.has_lock is not False
    return (
        CLEAN,
        look_at_lock(screw.has_lock),
        NOTE_PLACE,
        _from_one_side(screw, turn),
        MOVE_SLOWLY,
        READ_AGAIN,
        *((SET_LOCK,) if locks else ()),
        MARK_BODY,
    )


def look_at_lock(has_lock: bool | None) -> str:
    """Say how the lock is looked at, by what is known of it."""
    rule = "If the sensor is locked, turn nothing: the lock is released only with the owner's consent."
    match has_lock:
        case True:
            return f"Look at the lock. {rule}"
        case False:
            return f"This sensor is said to have no lock: look whether that is so. {rule}"
        case None:
            return f"Find out whether this sensor has a lock, and look at it. {rule}"


def _from_one_side(screw: Screw, turn: Turn | None) -> str:
    play = "the play"
    if screw.backlash_um is not None:
        play = f"the play of {screw.backlash_um:g} µm"
        if screw.um_per_turn is not None:
            play += f" ({360 * screw.backlash_um / screw.um_per_turn:.0f}°)"
    back, onward = (f" {turn.opposite}", f" {turn}") if turn is not None else ("", "")
    return (
        f"Approach from one side: turn back{back} by more than {play}, then come up{onward} to the new place "
        "without reversing."
    )
