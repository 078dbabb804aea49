"""A unit's drift in words: the sentence, what to do, and how the charts are read."""

from datetime import datetime

from shimwise.inference.history.unit_drift import LEAST_SIGN_OFFS
from shimwise.inference.verdict.answer import Z95
from shimwise.sheets.words.shared import capital, counted, plus_minus_text, titled

LIMITS = (
    "Each sign-off is set against the mean of those before it and counted in its own standard uncertainty, "
    "as not every prep is equally sure. The moving average answers to a slow drift, the sums to one that "
    "lasts. Measured in simulation: a unit that keeps still passes a limit in 1 of 20 cases within 20 "
    "sign-offs; a drift of 3 µm a month, signed once a month, is seen within 5 sign-offs in half of the "
    "cases and within 8 in 9 of 10. A unit that only wanders at random, as far as the house's memory allows "
    "for, is shown too: in 8 of 10 cases within 20 sign-offs."
)
_SOONER = "Check it again sooner than usual, and before its next job in any case."
_LOOK = {
    "body": "Look at the mount's screws, the shims and the sensor's lock: a seat that works loose moves a "
    "little at every job.",
    "lens": "Look at the mount's screws and shims, and feel the ring for play; what is inside is a lens "
    "technician's work.",
}
_CAUTION = (
    "Turn or shim nothing on this alone: a chart tells that it moves, not why. If other units move the same "
    "way, doubt the gauge or the tape first."
)


def unsigned(kind: str, name: str) -> str:
    """Return the sentence of a unit without a signed prep."""
    return f"Whether {titled(kind, name)} drifts cannot be told yet: no prep with it is signed."


def too_few(kind: str, name: str, *, count: int, is_adjusted: bool) -> str:
    """Return the sentence of a unit with too few sign-offs for a chart."""
    since = " since it was last adjusted" if is_adjusted else ""
    had = f"{counted(count, 'sign-off')}{since} can be compared" if count else f"none{since} can be compared"
    return f"Whether {titled(kind, name)} drifts cannot be told yet: {had}, and it takes {LEAST_SIGN_OFFS}."


def holding(kind: str, name: str, *, count: int, first: datetime, is_adjusted: bool, beyond: int = 0) -> str:
    """Return the sentence of a unit that does not drift now; ``beyond``: sign-offs beyond the limits."""
    since = f"since it was adjusted, from {day(first)} on" if is_adjusted else f"since {day(first)}"
    if beyond:
        return (
            f"{capital(titled(kind, name))} holds now: of {counted(count, 'sign-off')} {since} {beyond} "
            f"{'was' if beyond == 1 else 'were'} beyond the limits, and what came after is within."
        )
    return (
        f"{capital(titled(kind, name))} holds: {counted(count, 'sign-off')} {since} stay within the limits."
    )


def drifting(
    kind: str,
    name: str,
    *,
    sense: str,
    since: datetime,
    rate_um: float | None = None,
    rate_sd_um: float | None = None,
) -> str:
    """Return the sentence of a unit that drifts: which way, since when, and its rate if known."""
    sentence = f"{capital(titled(kind, name))} drifts {sense} since the sign-off of {day(since)}"
    if rate_um is None or rate_sd_um is None:
        return f"{sentence}."
    return f"{sentence}, by about {plus_minus_text(rate_um, Z95 * rate_sd_um)} µm a month."


def jumped(
    kind: str, name: str, *, sense: str, since: datetime, until: datetime, by_um: float, sd_um: float
) -> str:
    """Return the sentence of a unit that moved between two sign-offs."""
    return (
        f"{capital(titled(kind, name))} moved {sense} between the sign-offs of {day(since)} and "
        f"{day(until)}, by about {plus_minus_text(by_um, Z95 * sd_um)} µm: a knock, or a move that was "
        "not entered?"
    )


def advice(kind: str) -> tuple[str, ...]:
    """Return what to do about a unit that drifts, the caution last."""
    return _SOONER, _LOOK[kind], _CAUTION


def day(at: datetime) -> str:
    """Return a day in the server's own time: ``3 May 2026``."""
    local = at.astimezone()
    return f"{local.day} {local:%B} {local.year}"
