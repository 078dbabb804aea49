"""Remedies in words: findings, what to turn or shim, the steps around it, and what to be careful of."""

from collections.abc import Callable, Mapping, Sequence

from shimwise.notices import Notice
from shimwise.number_format import decimal_text, half_digits, size_text

Numbers = Mapping[str, float | str | None]
Words = str | Callable[[str, Numbers], str]
"""A sentence with places for ``unit`` and the numbers, or what makes it from these."""
_WENT_AWAY = "the sensor went away from the flange."


def number_in(n: Numbers, key: str) -> float:
    """Return a number of a notice; 0 for one that the document of an older version lacks."""
    value = n.get(key)
    return 0.0 if value is None else float(value)


def amount_text(n: Numbers) -> str:
    """Return the amount to move, to as many digits as its interval allows. [µm]"""
    return f"{decimal_text(abs(number_in(n, 'error_um')), half_digits(number_in(n, 'half_um')))} µm"


def off_text(n: Numbers) -> str:
    """Write on which side the unit is, and by how much: ``short by 14 ± 6 µm``."""
    error_um = number_in(n, "error_um")
    return f"{'short' if error_um < 0 else 'deep'} by {size_text(error_um, number_in(n, 'half_um'))} µm"


def tape_off_text(n: Numbers) -> tuple[str, str]:
    """Return how far a chart stands off the distance written, ``34 ± 6 mm``, and to which side."""
    error_mm = number_in(n, "error_mm")
    return f"{size_text(error_mm, number_in(n, 'half_mm'))} mm", "farther" if error_mm > 0 else "nearer"


def _finding(unit: str, n: Numbers) -> str:
    return f"{unit} is {off_text(n)} (95 %)"


def _move_sensor(unit: str, n: Numbers) -> str:
    way = "away from" if number_in(n, "error_um") < 0 else "toward"
    return f"{_finding(unit, n)}: the sensor has to move {amount_text(n)} {way} the flange."


def _shim_mount(unit: str, n: Numbers) -> str:
    way = "add" if number_in(n, "error_um") < 0 else "take away"
    return f"{_finding(unit, n)}: {way} {amount_text(n)} of shim at the mount{shims_text(n)}."


def _shim_lens(unit: str, n: Numbers) -> str:
    way = "thicker" if number_in(n, "error_um") < 0 else "thinner"
    shim = f"a shim {amount_text(n)} {way}{shims_text(n)}"
    return f"{_finding(unit, n)}: to a lens technician. Suggested is {shim}."


def shims_text(n: Numbers) -> str:
    """Return which shims make up an amount, in brackets; empty without a stock."""
    if n["shims_um"] is None:
        return ""
    if not n["shims_um"]:
        return "; no shim of the stock comes near that"
    stack = f"{n['shims_um']} µm"
    source = f"{stack} of the stock" if number_in(n, "error_um") < 0 else f"{stack}, if the stack holds them"
    leaves = f"leaves {abs(number_in(n, 'leftover_um')):.1f} µm"
    if n["is_near"]:
        return f" ({source}: {leaves})"
    return f" (the nearest is {source}: {leaves}, more than a third of the tolerance)"


def _scale_out(unit: str, n: Numbers) -> str:
    side = "short" if number_in(n, "scale_permille") < 0 else "deep"
    return (
        f"The scale of {unit} reads {side}, more the nearer it is focused: {_at_the_ring(n)}. No shim cures "
        "that: to a lens technician."
    )


def _at_the_ring(n: Numbers) -> str:
    """Return a scale error as inches at the ring, where the focal length is known; else as ‰ of extension."""
    permille, half = number_in(n, "scale_permille"), number_in(n, "half_permille")
    if n.get("ring_mm") is None:
        return f"{decimal_text(abs(permille), 1)} ± {decimal_text(half, 1)} ‰ of its extension (95 %)"
    ring_mm = abs(number_in(n, "ring_mm"))
    half_mm = ring_mm * half / abs(permille) if permille else 0.0
    inches = f"{decimal_text(ring_mm / 25.4, 2)} ± {decimal_text(half_mm / 25.4, 2)} inch"
    millimetres = f"{decimal_text(ring_mm)} ± {decimal_text(half_mm)} mm"
    return f"with the chart at 3 ft the ring is {inches} ({millimetres}) off (95 %)"


def _setup_out(unit: str, n: Numbers) -> str:
    size, way = tape_off_text(n)
    return f"Tape {unit} again: its chart seems to stand {size} (95 %) {way} than the distance written."


def _turn_planned(_: str, n: Numbers) -> str:
    turns = number_in(n, "turns")
    ends = " to ".join(degrees_text(number_in(n, key)) for key in ("turns_low", "turns_high"))
    return (
        f"Check the lock, then turn the screw {n['turn']} by {degrees_text(turns)} ({turns:.2f} turn; 95 %: "
        f"{ends}) after the play is taken up{play_text(number_in(n, 'play_turns'))}, by "
        f"{_source(n)}."
    )


def _turn_beside(n: Numbers) -> str:
    turns = number_in(n, "turns")
    play = play_text(number_in(n, "play_turns"))
    return f"{degrees_text(turns)} is {turns:.2f} turn{play}, by {_source(n)}."


def _shims_beside(n: Numbers) -> str:
    words = shims_text(n).strip("; ()")
    return f"{words[:1].upper()}{words[1:]}." if words else ""


_BESIDE: Mapping[str, Callable[[Numbers], str]] = {
    "move_sensor": lambda _: "",
    "turn_planned": _turn_beside,
    "shim_mount": _shims_beside,
    "shim_lens": _shims_beside,
}


def beside_to_do(advice: Sequence[Notice]) -> list[str] | None:
    """Return what a remedy's advice adds to its line of what to do now; None for advice of another kind."""
    if any(one.code not in _BESIDE for one in advice):
        return None
    return [text for one in advice if (text := _BESIDE[one.code](one.numbers))]


def _turn_trial(_: str, n: Numbers) -> str:
    return f"{_trial(n)} Write what it did in the kit file, and judge again: the rest is computed from that."


def _turn_trial_in_house(_: str, n: Numbers) -> str:
    return f"{_trial(n)} The rest is computed from what it did."


def _trial(n: Numbers) -> str:
    low, high = (decimal_text(number_in(n, key)) for key in ("travel_low_um", "travel_high_um"))
    known = f"By {_source(n)} a turn" if n["moves"] else "A turn"
    lesson = ""
    if not n["is_sense_known"]:
        lesson = f" Which way is away is not known: if the landings go deeper, {_WENT_AWAY}"
    turns = number_in(n, "turns")
    limit, first = "for the whole way", "as a small first move, "
    if n.get("is_whole"):
        limit, first = "to be done in one move for certain", ""
    return (
        f"{known} makes {low} to {high} µm (95 %), not known well enough {limit}: check the lock, "
        f"turn the screw {n['turn']} by {degrees_text(turns)} ({turns:.2f} turn) after the play is taken up, "
        f"{first}and read again.{lesson}"
    )


def play_text(play_turns: float) -> str:
    """Return how much further a screw may turn before the sensor moves; empty below a degree."""
    degrees = decimal_text(360 * play_turns)
    return "" if degrees == "0" else f"; up to {degrees}° more before the sensor moves"


def degrees_text(turns: float) -> str:
    """Return turns in whole degrees."""
    return f"{decimal_text(360 * turns)}°"


def _source(n: Numbers) -> str:
    moves = int(number_in(n, "moves"))
    if not moves:
        return "what is entered of its screw"
    return f"what {moves} move{'s' if moves != 1 else ''} of it showed"


def _look_at_lock(_: str, n: Numbers) -> str:
    rule = "If the sensor is locked, turn nothing: the lock is released only with the owner's consent."
    if n["has_lock"] is None:
        return f"Find out whether this sensor has a lock, and look at it. {rule}"
    if n["has_lock"]:
        return f"Look at the lock. {rule}"
    return f"This sensor is said to have no lock: look whether that is so. {rule}"


def _one_side(_: str, n: Numbers) -> str:
    play = "the play" if n["play_um"] is None else f"the play of {n['play_um']:g} µm"
    degrees = "" if n["play_deg"] is None else f" ({number_in(n, 'play_deg'):.0f}°)"
    back, onward = (f" {n[key]}" if n[key] else "" for key in ("back", "onward"))
    return (
        f"Approach from one side: turn back{back} by more than {play}{degrees}, then come up{onward} to the "
        "new place without reversing."
    )


_MARK = "with date, amount and direction, and write it in the record."
REMEDY_WORDS: Mapping[str, Words] = {
    # Findings, and what to do.
    "move_sensor": _move_sensor,
    "send_to_authorised": "To those the owner has authorised: its sensor is fixed.",
    "mechanism_not_known": "How this body is adjusted is not known: find out before anything is turned or "
    "opened.",
    "turn_planned": _turn_planned,
    "turn_trial": _turn_trial,
    "shim_mount": _shim_mount,
    "shim_lens": _shim_lens,
    "scale_out": _scale_out,
    "setup_out": _setup_out,
    # Steps.
    "clean": "Clean the lens seat and the flange, seat the lens again and read once more: dirt reads as an "
    "error.",
    "look_at_lock": _look_at_lock,
    "note_place": "Mark where the screw stands now, so that the move can be undone.",
    "one_side": _one_side,
    "move_slowly": "Turn slowly, and stop at resistance: nothing is forced.",
    "set_lock": "Set the lock, if there is one, and read once more: locking can shift the sensor.",
    "read_again": "Read again with at least two lenses at two distances, and judge before anything "
    "else is moved.",
    "mark_body": f"Mark the outside of the body {_MARK}",
    "ask_owner": "Ask for the owner's consent: the mount is taken off only by those the owner has "
    "authorised.",
    "measure_shims": "Take the mount off, measure the shims that are in and write them down.",
    "change_stack": "Change the stack by the amount given; keep shims flat and clean, draw the screws up "
    "evenly.",
    "send_body": "Send the body, with its readings and this verdict, to those the owner has authorised.",
    "find_mechanism": "Find out from the maker's service instructions how the sensor is adjusted and locked.",
    "write_mechanism": "Write it in the kit file, and ask again: until then nothing is turned or opened.",
    "second_body": "Read the lens on a second body, or again once its body is right, before it goes out.",
    "send_lens": "Send it, with its readings and this verdict, to a lens technician.",
    "read_lens_again": "When it is back, read it again at two distances at least, on a body that is in "
    "tolerance.",
    "mark_lens": f"Mark the lens or its case {_MARK}",
    "clean_both": "First clean lens seat and flange, seat the lens again and read once more.",
    "mark_both": "Last, mark body, lens or case with date, amount and way; write it down.",
    "tape_again": "Hold the tape to the witness mark and to the face of the chart, level and taut, and tape "
    "again.",
    "look_for_tilt": "If the tape was right, write the distance as taped and look for a tilted chart or a "
    "moved tripod.",
    "read_setup_again": "Read again at this distance, and judge again before any body or lens is moved.",
    # Cautions.
    "never_locked": "Never move a sensor that is locked: check the lock first.",
    "stop_at_resistance": "Move slowly and stop at resistance.",
    "authorised": "A body with a fixed or shimmed sensor is opened only by those its owner has authorised.",
    "lens_technician": "Shimming a lens is a lens technician's work.",
    "too_large": "More than {limit_um:g} µm is seldom wear: look for dirt, a loose mount or a wrong seat "
    "first.",
    "heavy_lenses": "Support long or heavy lenses while they are on the mount.",
    "hot_lamps": "Chart lamps are hot.",
    "no_looking_in": "Never look into a collimator's lamp or a laser.",
    "rules_first": "The maker's service instructions, the owner's rules and local safety codes come first.",
}
REMEDY_WORDS_IN_HOUSE: Mapping[str, Words] = {
    "turn_trial": _turn_trial_in_house,
    "write_mechanism": "Write it on the body's page, under How it is adjusted, and judge again: until then "
    "nothing is turned or opened.",
}
"""A house keeps on a body's page what is written in a kit file elsewhere."""
