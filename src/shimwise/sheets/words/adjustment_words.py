"""The steps of a guided adjustment in words: what is asked of the technician."""

from shimwise.notices import Notice
from shimwise.remedy.adjustment_steps import Guide, Move, Step
from shimwise.remedy.mechanism import Turn
from shimwise.sheets.words.notices import notice_text
from shimwise.sheets.words.remedy_words import play_text

_MOVE_SLOWLY = notice_text(Notice("move_slowly"))
_STEPS = {
    Step.CONSENT: "Ask the owner, and write who gave consent: nothing is opened or unlocked without it.",
    Step.CLEAN: notice_text(Notice("clean")),
    Step.PLACE: notice_text(Notice("note_place")),
    Step.SHIMS_MEASURED: "Take the mount off, measure the shims that are in, and write them down.",
    Step.LOCK_AFTER: "Set the lock, or leave it free on purpose; read once more: locking can shift it.",
    Step.FLAG: "Put tape or a flag on it that says: adjusted, to be checked again before it goes out.",
}
"""What is asked at the steps that are the same for all."""
_LOCKED_FLAG = "Put tape or a flag on it that says: locked, not adjusted, to be checked before it goes out."
WHO_CONSENTED = "Who gave consent to release it"
"""Asked where a lock was released."""


def no_lock_text(unit: str) -> str:
    """Return what is asked where no lock was found on a body that has one by the record."""
    return f"The record says that {unit} has a lock. What did you find in its place?"


def step_text(step: Step, guide: Guide, move: Move, *, stays_locked: bool = False) -> str:
    """Return what is asked at a step, in a sentence or two; ``stays_locked``: nothing was moved."""
    match step:
        case Step.FLAG if stays_locked:
            return _LOCKED_FLAG
        case Step.LOCK:
            has_lock = 0.0 if guide is Guide.SCREW_WITHOUT_LOCK else 1.0
            return notice_text(Notice("look_at_lock", numbers={"has_lock": has_lock}))
        case Step.MOVE:
            return _move_text(guide, move)
        case Step.MARK:
            return _mark_text(guide)
        case _:
            return _STEPS[step]


def turns_text(turns: float, turn: Turn) -> str:
    """Return turns in words: degrees, and the nearest eighth of a turn. [``turns`` 0 or more]

    >>> turns_text(0.22, Turn.CLOCKWISE)
    '79° clockwise (0.22 turn, a little less than a quarter turn)'
    """
    eighths = round(8 * turns)
    near = _eighths_text(eighths)
    apart_deg = 360 * (turns - eighths / 8)
    side = (
        ""
        if abs(apart_deg) < 2 or not eighths
        else "a little less than "
        if apart_deg < 0
        else "a little more than "
    )
    return f"{360 * turns:.0f}° {turn} ({turns:.2f} turn, {side}{near})"


def move_turns_text(move: Move) -> str:
    """Return the turns of a planned move in words, the play apart."""
    if move.turns is None or move.turn is None:
        return ""
    text = turns_text(move.turns, move.turn)
    return f"{text} after the play is taken up{play_text(move.play_turns)}" if move.is_after_play else text


def _eighths_text(eighths: int) -> str:
    whole, rest = divmod(eighths, 8)
    parts = {
        0: "",
        1: "an eighth",
        2: "a quarter",
        3: "three eighths",
        4: "half a",
        5: "five eighths",
        6: "three quarters",
        7: "seven eighths",
    }
    if whole == 0:
        if rest == 0:
            return "less than an eighth of a turn"
        return f"{parts[rest]} of a turn" if rest in (1, 3, 5, 6, 7) else f"{parts[rest]} turn"
    number = "one turn" if whole == 1 else f"{whole} turns"
    return number if rest == 0 else f"{number} and {parts[rest] if rest != 4 else 'a half'}"


def _move_text(guide: Guide, move: Move) -> str:
    match guide:
        case Guide.SCREW | Guide.SCREW_WITHOUT_LOCK:
            if move.turns is None or move.turn is None:
                return f"Turn the screw a little, and note how far and which way. {_MOVE_SLOWLY}"
            approach = move.approach or move.turn
            onward = (
                f"Turn back {approach.opposite} by more than the play first, then come up {approach} to the "
                "new place without reversing."
            )
            return f"Turn the screw {move_turns_text(move)}. {onward} {_MOVE_SLOWLY}"
        case Guide.SHIMMED_MOUNT:
            return f"{_shim_text(move)} Keep shims flat and clean, draw the screws up evenly."
        case Guide.LENS_SHIM:
            return f"{_shim_text(move)} This is a lens technician's work; else send the lens out."
        case Guide.FIXED:
            return "Send the body, with its readings and this verdict, to those the owner has authorised."


def _shim_text(move: Move) -> str:
    put_in, taken_out = (
        " + ".join(f"{shim:g}" for shim in shims) for shims in (move.shims_in_um, move.shims_out_um)
    )
    parts = [f"take out {taken_out} µm"] * bool(taken_out) + [f"put in {put_in} µm"] * bool(put_in)
    if not parts and move.change_um is not None:
        parts = [f"{'add' if move.change_um > 0 else 'take away'} {abs(move.change_um):.0f} µm of shim"]
    text = ", ".join(parts) or "change the stack, and note what goes in and what comes out"
    return f"{text[0].upper()}{text[1:]}."


def _mark_text(guide: Guide) -> str:
    if guide is Guide.LENS_SHIM:
        return "Mark the lens or its case with the date, the amount and the direction."
    lock = ", and whether the lock is set or free" if guide is Guide.SCREW else ""
    return f"Mark the outside of the body with the date, the amount and the direction{lock}."
