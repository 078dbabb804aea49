"""What to do now in words: one line for each, as a technician would write it on a list."""

from collections.abc import Mapping, Sequence

from shimwise.inference.verdict.answer import Z95
from shimwise.lengths import mm_to_feet_text
from shimwise.notices import Notice
from shimwise.number_format import decimal_text, half_text, plus_minus_text, signed_text
from shimwise.sheets.words.remedy_words import (
    Numbers,
    Words,
    amount_text,
    degrees_text,
    number_in,
    off_text,
    shims_text,
    tape_off_text,
)
from shimwise.sheets.words.shared import capital, counted, distance_text, listed

_MOST_NAMED = 6


def _tape_again(unit: str, n: Numbers) -> str:
    size, way = tape_off_text(n)
    return f"Tape {unit} again: the chart is {size} {way} than written."


def _look_at_mount(unit: str, n: Numbers) -> str:
    size = f"{plus_minus_text(number_in(n, 'shift_um'), Z95 * number_in(n, 'sd_um'))} µm"
    return f"Look at the mount of {unit} and check its name: it lies {size} from where it was remembered."


def _turn(unit: str, n: Numbers) -> str:
    turns = f"{degrees_text(number_in(n, 'turns'))} {n['turn']}"
    if "turns_low" not in n:
        first = "" if n.get("is_whole") else ", as a small first move"
        way = f"{turns} after the play is taken up{first}"
        return f"Check the lock of {unit}, turn its screw {way}, and read again: {off_text(n)}."
    ends = " to ".join(degrees_text(number_in(n, key)) for key in ("turns_low", "turns_high"))
    return f"Check the lock of {unit}, then turn its screw {turns} ({ends}) after its play: {off_text(n)}."


def _shim_mount(unit: str, n: Numbers) -> str:
    way = "Add" if number_in(n, "error_um") < 0 else "Take away"
    return f"{way} {amount_text(n)} of shim at the mount of {unit}{shims_text(n)}: {off_text(n)}."


def _shim_lens(unit: str, n: Numbers) -> str:
    way = "thicker" if number_in(n, "error_um") < 0 else "thinner"
    return f"Send {unit} to a lens technician, for a shim {amount_text(n)} {way}: {off_text(n)}."


def _send_out(unit: str, n: Numbers) -> str:
    return f"Send {unit} to those its owner has authorised, since its sensor is fixed: {off_text(n)}."


def _find_mechanism(unit: str, n: Numbers) -> str:
    return f"Find out how {unit} is adjusted before anything is turned or opened: {off_text(n)}."


def _send_scale(unit: str, n: Numbers) -> str:
    way = "short" if number_in(n, "scale_permille") < 0 else "deep"
    return f"Send {unit} to a lens technician: its scale reads {way}, more the nearer it is focused."


def _read_again(unit: str, n: Numbers) -> str:
    setup, start = str(n["setup"]), f"{n['body']} at "
    where = f"at {setup.removeprefix(start)}" if setup.startswith(start) else f"at set-up {setup}"
    landing = f"{signed_text(number_in(n, 'landing_um'), comma=True)} µm"
    return f"Read {unit} on {n['body']} {where} again: one reading landed at {landing}, far from the others."


def _gauge(unit: str, n: Numbers) -> str:
    why = "the readings cannot part its error from that of a lens"
    if n.get("best_um") is not None:
        why = f"readings alone leave {half_text(number_in(n, 'best_um'))} µm at best"
    return f"Gauge {unit}, or read a lens of known history on it: {why}."


def _read_finer(unit: str, n: Numbers) -> str:
    width_text = decimal_text(number_in(n, "width_um"), comma=True)
    whose = f"{unit}'s" if unit else "the"
    return (
        f"Read between the marks: {whose} readings are steps of {width_text} µm at the sensor near "
        f"{mm_to_feet_text(float(n['near_mm'] or 0.0))}, the reason for a wide ±."
    )


def _read_next(unit: str, n: Numbers) -> str:
    left = half_text(Z95 * number_in(n, "sd_after_um"))
    take = take_text(by_picture=bool(n.get("by_picture")))
    return f"{take} {_set_to(unit, n)} on {n['body']} at {_where(n)}: it brings what is open to {left} µm."


def readings_after_text(notices: Sequence[Notice]) -> str:
    """Return the readings that are proposed after the first one in one line."""
    places = [
        f"{_set_to(one.unit, one.numbers)} on {one.numbers['body']} at {_where(one.numbers)}"
        for one in notices
    ]
    is_by_picture = any(one.numbers.get("by_picture") for one in notices)
    return f"Then {take_text(by_picture=is_by_picture).lower()} {listed(places)}."


def take_text(*, by_picture: bool) -> str:
    """Return what is done to take a landing: read the ring by eye, or measure by picture."""
    return "Measure by picture" if by_picture else "Read"


def _set_to(lens: str, n: Numbers) -> str:
    focal_mm = n.get("focal_mm")
    return lens if focal_mm is None else f"{lens} set to {float(focal_mm):g} mm"


def _where(n: Numbers) -> str:
    return str(n.get("at") or distance_text(number_in(n, "distance_mm")))


def _read_first(_: str, n: Numbers) -> str:
    units = str(n["units"]).split("\n")
    return f"{capital(listed(units, most=_MOST_NAMED))} {'is' if len(units) == 1 else 'are'} not read yet."


def _check_again(unit: str, n: Numbers) -> str:
    nouns = {"lenses": "lens", "distances": "distance"}
    wanted = [counted(round(number_in(n, key)), noun) for key, noun in nouns.items() if n.get(key)]
    return f"{capital(unit)} has to be read again after its adjustment: at least {listed(wanted)}."


TO_DO_WORDS: Mapping[str, Words] = {
    "do_tape_again": _tape_again,
    "do_look_at_mount": _look_at_mount,
    "do_turn": _turn,
    "do_shim_mount": _shim_mount,
    "do_shim_lens": _shim_lens,
    "do_send_out": _send_out,
    "do_find_mechanism": _find_mechanism,
    "do_send_scale": _send_scale,
    "do_read_again": _read_again,
    "do_gauge": _gauge,
    "do_read_finer": _read_finer,
    "do_read_next": _read_next,
    "do_read_first": _read_first,
    "do_check_again": _check_again,
    "do_nothing": "Nothing has to be done.",
}
