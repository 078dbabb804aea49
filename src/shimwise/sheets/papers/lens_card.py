"""The lens card: what a lens technician needs of one lens, as plain data that the card's template reads."""

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from shimwise.inference.model.judged_names import present_name
from shimwise.inference.verdict.answer import DOUBTED_BELOW, Answer, LensAnswer
from shimwise.number_format import size_text
from shimwise.sheets.papers.signed.prep_document import PrepDocument, number_of
from shimwise.sheets.papers.signed.rows_words import (
    COVERAGE,
    Data,
    body_words,
    bound,
    cautions,
    lens_words,
    people,
    prep_words,
    setup_distance,
    temperature_words,
    unit_words,
)
from shimwise.sheets.words.sentences import LIKELY
from shimwise.sheets.words.shared import (
    NOT_KNOWN,
    capital,
    listed,
    plain,
    plus_minus_text,
    probability_text,
    titled,
)

SEVERAL = 2


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
    """Return all words and numbers of a lens's card.

    Parameters
    ----------
    prep : PrepDocument
        The prep.
    answer : Answer
        Its verdict.
    lens : LensAnswer
        The lens, one of ``answer.lenses``.
    """
    row = prep.named("lenses", present_name(lens.name))
    own = list(_own_landings(prep, answer, lens))
    remedies = [one for one in prep.remedies if one["unit"] == lens.name and one.get("kind") != "body"]
    is_known = math.isfinite(lens.sd_um)
    return {
        **prep_words(prep),
        **unit_words(lens, answer),
        "about": ", ".join(words for words in (lens_words(row), body_words(row)) if words),
        "facts": list(_facts(prep, own)),
        "sentence": bound(_sentence(lens, answer)),
        "second": bound(_scale(lens, own)),
        "remedies": [bound(str(one["text"])) for one in remedies if one.get("text")],
        "steps": [plain(str(text)) for one in remedies for text in one.get("steps") or ()],
        "cautions": cautions(remedies),
        "rows": _distances(own),
        "tolerance_um": lens.tolerance_um,
        "error_um": lens.error_um if math.isfinite(lens.error_um) else 0.0,
        "u_um": lens.half_um if is_known else 0.0,
        "is_known": is_known,
    }


def _facts(prep: PrepDocument, own: Sequence[_Own]) -> Iterator[tuple[str, str]]:
    words = prep_words(prep)
    yield "From", words["title"]
    if words["judged"]:
        yield "Judged", words["judged"]
    yield "Read by", listed(people(prep.not_withdrawn("readings"), "operator")) or "nobody"
    bodies = dict.fromkeys(one.body for one in own)
    yield "On", listed([titled("body", body) for body in bodies]) or "no body"
    yield "Temperature", temperature_words(prep)


def _sentence(lens: LensAnswer, answer: Answer) -> str:
    name = capital(titled("lens", lens.name))
    words = unit_words(lens, answer)
    if words["way"]:
        return f"{name} lands {words['way']} by itself, by {size_text(lens.error_um, lens.half_um)} µm."
    error = f", {words['error']} µm" if words["error"] != NOT_KNOWN else ""
    return f"{name}: {words['verdict']}{error}."


def _scale(lens: LensAnswer, own: Sequence[_Own]) -> str:
    """Return the scale error of the lens, as far as it was read at several distances."""
    if len({one.distance for one in own}) < SEVERAL:
        return "Its scale is not known: it was read at fewer than two distances."
    size = plus_minus_text(lens.scale_permille, COVERAGE * lens.scale_sd_permille)
    if lens.p_scale_out <= LIKELY:
        return f"Its scale shows no error: {size} ‰ of the extension."
    odds = f"P {probability_text(lens.p_scale_out)}"
    return f"Its scale is off by {size} ‰ of the extension ({odds}): the error grows toward near marks."


def _own_landings(prep: PrepDocument, answer: Answer, lens: LensAnswer) -> Iterator[_Own]:
    bodies = {body.name: body for body in (*answer.past_bodies, *answer.bodies)}
    setups = {str(row.get("name")): row for row in prep.rows("setups")}
    for reading in answer.readings:
        body, setup = bodies.get(reading.body), setups.get(reading.setup, {})
        if reading.lens == lens.name and body is not None and math.isfinite(reading.landing_um):
            yield _Own(
                distance=setup_distance(prep, setup.get("id")),
                distance_mm=number_of(setup.get("distance_mm"), math.inf),
                body=reading.body,
                um=reading.landing_um - body.error_um,
                sd_um=reading.sd_um,
                body_sd_um=body.sd_um,
                is_doubted=reading.weight < DOUBTED_BELOW,
            )


def _distances(own: Sequence[_Own]) -> list[Data]:
    """Return a row for each distance, near to far: count, mean with U, and each landing."""
    groups: dict[tuple[float, str], list[_Own]] = defaultdict(list)
    for one in own:
        groups[one.distance_mm, one.distance].append(one)
    return [
        {
            "distance": distance,
            "mean": _mean([one for one in ones if not one.is_doubted]),
            "kept_um": [one.um for one in ones if not one.is_doubted],
            "doubted_um": [one.um for one in ones if one.is_doubted],
        }
        for (_, distance), ones in sorted(groups.items())
    ]


def _mean(kept: Sequence[_Own]) -> str:
    if not kept:
        return "all doubted"
    mean_um = sum(one.um for one in kept) / len(kept)
    scatter_um = math.sqrt(sum(one.sd_um**2 for one in kept)) / len(kept)
    return plus_minus_text(mean_um, COVERAGE * math.hypot(scatter_um, max(one.body_sd_um for one in kept)))
