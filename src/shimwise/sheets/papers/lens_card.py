"""The lens card: what a lens technician needs of one lens, as plain data that the card's template sets."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from shimwise.inference.verdict.answer import Answer, LensAnswer, ReadingAnswer, Verdict
from shimwise.number_format import decimal_text, half_digits
from shimwise.sheets.papers.signed.canonical_json import digest_words
from shimwise.sheets.papers.signed.prep_document import PrepDocument, number_of
from shimwise.sheets.papers.signed.rows_words import (
    COVERAGE,
    bound,
    expanded_um,
    lens_words,
    moment_words,
    people,
    present_name,
    setup_distance,
    u_text,
)
from shimwise.sheets.pictures.picture import DOUBTED_BELOW
from shimwise.sheets.words.sentences import LIKELY
from shimwise.sheets.words.shared import (
    VERDICT_WORDS,
    capital,
    counted,
    half_text,
    listed,
    plain,
    plus_minus_text,
    probability_text,
    signed_text,
    titled,
)

SPAN_TOLERANCES = 2.0
"""The picture reaches at least this many tolerances to either side."""
MOST_SPAN_UM = 400.0
SEVERAL = 2
Row = Mapping[str, Any]
Data = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Own:
    """A landing of the lens with its body's error taken out. [µm]"""

    distance: str
    distance_mm: float
    body: str
    um: float
    sd_um: float
    body_sd_um: float
    is_doubted: bool


def lens_card(prep: PrepDocument, answer: Answer, lens: LensAnswer) -> Data:
    """Say all that stands on a lens's card.

    Parameters
    ----------
    prep : PrepDocument
        The prep.
    answer : Answer
        Its verdict.
    lens : LensAnswer
        The lens, one of ``answer.lenses``.
    """
    row = next((row for row in prep.rows("lenses") if str(row["name"]) == present_name(lens.name)), {})
    own = _own_landings(prep, answer, lens)
    span_um = _span_um(own, lens)
    remedies = [one for one in _remedies(prep) if one["unit"] == lens.name and one.get("kind") != "body"]
    return {
        "name": plain(lens.name),
        "about": ", ".join(_about(row)),
        "facts": [{"label": label, "text": text} for label, text in _facts(prep, own)],
        "sentence": bound(_sentence(lens)),
        "second": bound(_scale(lens, own)),
        "way": {Verdict.OUT_SHORT: "short", Verdict.OUT_DEEP: "deep"}.get(lens.verdict, ""),
        "remedies": [bound(str(one["text"])) for one in remedies if one.get("text")],
        "steps": [plain(str(text)) for one in remedies for text in one.get("steps") or ()],
        "cautions": list(dict.fromkeys(plain(str(t)) for one in remedies for t in one.get("cautions") or ())),
        "rows": _distances(own),
        "span_um": span_um,
        "ticks": _ticks(span_um),
        "error_text": u_text(lens),
        "tolerance_um": lens.tolerance_um,
        "error_um": lens.error_um if math.isfinite(lens.error_um) else 0.0,
        "u_um": expanded_um(lens) if math.isfinite(lens.sd_um) else 0.0,
        "is_told": math.isfinite(lens.sd_um),
        "unread": "" if own else "No reading of this lens stands in this prep.",
        "digest": digest_words(prep.digest),
        "short_digest": prep.digest[:16],
        "title": plain(prep.title),
        "state": "signed" if prep.is_signed else "draft: not signed",
    }


def _remedies(prep: PrepDocument) -> Sequence[Row]:
    return () if prep.verdict is None else prep.verdict["remedies"]


def _about(row: Row) -> Iterator[str]:
    words = lens_words(row)
    if words:
        yield words
    for label, key in (("", "mount"), ("no. ", "serial")):
        if row.get(key):
            yield f"{label}{plain(str(row[key]))}"


def _facts(prep: PrepDocument, own: Sequence[_Own]) -> Iterator[tuple[str, str]]:
    yield "From", plain(prep.title)
    verdict = prep.verdict_row
    if verdict is not None and verdict.get("given_at"):
        yield "Judged", moment_words(verdict["given_at"])
    yield "Read by", listed(people(prep.standing("readings"), "operator")) or "nobody"
    bodies = list(dict.fromkeys(one.body for one in own))
    yield "On", listed([titled("body", body) for body in bodies]) or "no body"
    celsius = number_of(prep.prep.get("temperature_c"))
    yield "Temperature", f"{celsius:g} °C" if math.isfinite(celsius) else "not written down"


def _sentence(lens: LensAnswer) -> str:
    name = capital(titled("lens", lens.name))
    if lens.verdict in (Verdict.OUT_SHORT, Verdict.OUT_DEEP):
        side = "short" if lens.verdict is Verdict.OUT_SHORT else "deep"
        half_um = expanded_um(lens)
        size = f"{decimal_text(abs(lens.error_um), half_digits(half_um))} {half_text(half_um)} µm"
        return f"{name} lands {side} by itself, by {size}."
    told = f"{u_text(lens)} µm" if math.isfinite(lens.sd_um) else "nothing known"
    return f"{name}: {VERDICT_WORDS[lens.verdict]}, {told}."


def _scale(lens: LensAnswer, own: Sequence[_Own]) -> str:
    """Say what the lens's scale does, as far as the distances that were read can tell."""
    if len({one.distance for one in own}) < SEVERAL:
        return "Its scale is not checked: it was read at fewer than two distances."
    size = plus_minus_text(lens.scale_permille, COVERAGE * lens.scale_sd_permille)
    odds = f"P {probability_text(lens.p_scale_out)}" if lens.p_scale_out > LIKELY else ""
    if odds:
        return f"Its scale is off by {size} ‰ of the extension ({odds}): the error grows toward near marks."
    return f"Nothing speaks for a scale error: {size} ‰ of the extension."


def _own_landings(prep: PrepDocument, answer: Answer, lens: LensAnswer) -> list[_Own]:
    bodies = {body.name: body for body in (*answer.past_bodies, *answer.bodies)}
    setups = {str(row.get("name")): row for row in prep.rows("setups")}
    own = []
    for reading in answer.readings:
        body, setup = bodies.get(reading.body), setups.get(reading.setup, {})
        if reading.lens != lens.name or body is None or not math.isfinite(reading.landing_um):
            continue
        own.append(_own(reading, prep, setup, body.error_um, body.sd_um))
    return own


def _own(reading: ReadingAnswer, prep: PrepDocument, setup: Row, error_um: float, sd_um: float) -> _Own:
    distance_mm = number_of(setup.get("distance_mm"))
    return _Own(
        distance=setup_distance(prep, setup.get("id")),
        distance_mm=distance_mm if math.isfinite(distance_mm) else math.inf,
        body=reading.body,
        um=reading.landing_um - error_um,
        sd_um=reading.sd_um,
        body_sd_um=sd_um,
        is_doubted=reading.weight < DOUBTED_BELOW,
    )


def _distances(own: Sequence[_Own]) -> list[Data]:
    """Give a row for each distance, near to far: count, mean with U, and each landing."""
    groups: dict[tuple[float, str], list[_Own]] = {}
    for one in own:
        groups.setdefault((one.distance_mm, one.distance), []).append(one)
    return [
        {
            "distance": distance,
            "count": counted(len(ones), "reading"),
            "mean": _mean(ones),
            "kept_um": [one.um for one in ones if not one.is_doubted],
            "doubted_um": [one.um for one in ones if one.is_doubted],
        }
        for (_, distance), ones in sorted(groups.items())
    ]


def _mean(ones: Sequence[_Own]) -> str:
    kept = [one for one in ones if not one.is_doubted]
    if not kept:
        return "all doubted"
    mean_um = sum(one.um for one in kept) / len(kept)
    scatter_um = math.sqrt(sum(one.sd_um**2 for one in kept)) / len(kept)
    return plus_minus_text(mean_um, COVERAGE * math.hypot(scatter_um, max(one.body_sd_um for one in kept)))


def _span_um(own: Sequence[_Own], lens: LensAnswer) -> float:
    ends = [abs(one.um) for one in own if not one.is_doubted]
    if math.isfinite(lens.sd_um):
        ends.append(abs(lens.error_um) + expanded_um(lens))
    return min(max([SPAN_TOLERANCES * lens.tolerance_um, *(1.08 * end for end in ends)]), MOST_SPAN_UM)


def _ticks(span_um: float) -> list[Data]:
    """Marks of the axis: round microns, about three to either side."""
    step = next(size for size in (5.0, 10.0, 20.0, 50.0, 100.0, 200.0) if 4 * size > span_um or size == 200.0)
    count = math.floor(span_um / step)
    return [{"um": step * n, "text": signed_text(step * n)} for n in range(-count, count + 1)]
