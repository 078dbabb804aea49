"""What a prep did not check, in sentences as plain as those of what it did."""

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator

from shimwise.inference.model.judged_names import present_name
from shimwise.inference.verdict.answer import Answer
from shimwise.inference.verdict.unit_state import state_of
from shimwise.lengths import mm_to_feet_text, mm_to_metric_text
from shimwise.sheets.papers.signed.prep_document import PrepDocument, number_of
from shimwise.sheets.papers.signed.rows_words import (
    Row,
    kind_of,
    setup_distance,
    text_of,
    typed_distance,
)
from shimwise.sheets.words.shared import capital, counted, listed, plain, titled
from shimwise.sheets.words.state_words import surer_text

MOST_NAMES = 10
_FEET = frozenset("f'′’")
"""Letters of a distance in feet: ft, foot, feet, or the sign."""


def not_checked(prep: PrepDocument, answer: Answer | None) -> list[str]:
    """Return what of the prep's units was not checked, or not in full, in sentences.

    Parameters
    ----------
    prep : PrepDocument
        The prep.
    answer : Answer, optional
        Its verdict; without one nothing has been judged.
    """
    if answer is None:
        return ["Nothing has been judged: the prep holds no verdict."]
    parts = (_units, _pairs, _distances, _field, _conditions)
    return [sentence for part in parts for sentence in part(prep, answer)]


def _units(prep: PrepDocument, answer: Answer) -> Iterator[str]:
    units = answer.units
    judged = {(kind_of(unit), present_name(unit.name)) for unit in units}
    silent = [
        titled(kind, str(row["name"]))
        for kind, key in (("body", "bodies"), ("lens", "lenses"))
        for row in prep.rows(key)
        if (kind, str(row["name"])) not in judged
    ]
    if silent:
        yield f"{capital(listed(silent, most=MOST_NAMES))}: not read."
    for unit in units:
        if text := surer_text(state_of(unit, answer)):
            yield f"{capital(titled(kind_of(unit), unit.name))}: {text[0].lower()}{text[1:]}"
    if not prep.is_verdict_current:
        yield "The prep was changed after its last verdict: what came later is not judged."


def _evidence(prep: PrepDocument) -> list[Row]:
    return [*prep.not_withdrawn("readings"), *prep.not_withdrawn("sweeps")]


def _pairs(prep: PrepDocument, _answer: Answer) -> Iterator[str]:
    read = {(row["body_id"], row["lens_id"]) for row in _evidence(prep)}
    bodies, lenses = {pair[0] for pair in read}, {pair[1] for pair in read}
    for body in prep.rows("bodies"):
        missing = [
            text_of(lens, "name")
            for lens in prep.rows("lenses")
            if body["id"] in bodies and lens["id"] in lenses and (body["id"], lens["id"]) not in read
        ]
        if missing:
            together = listed(missing, most=MOST_NAMES)
            yield f"Not read together with {titled('body', str(body['name']))}: {together}."


def _distances(prep: PrepDocument, _answer: Answer) -> Iterator[str]:
    read = defaultdict(set)
    for row in _evidence(prep):
        read[row["lens_id"]].add(setup_distance(prep, row.get("setup_id")))
    single = [plain(prep.name(lens)) for lens, distances in read.items() if len(distances) < 2]
    if single:
        yield f"Read at one distance only, so the scale is not checked: {listed(single, most=MOST_NAMES)}."
    ids = {row.get("setup_id") for row in _evidence(prep) if _is_of_now(prep, row)}
    lengths = _lengths(prep, ids)
    distances = sorted(lengths, key=lambda text: (lengths[text], text))
    if distances:
        shown = "Distances read: " + listed(distances, most=MOST_NAMES) + "."
        yield f"{shown} Others{'' if 'INF' in distances else ', infinity among them,'} were not read."


def _is_of_now(prep: PrepDocument, row: Row) -> bool:
    """Return whether evidence is of a body and a lens as they are now, not as before an adjustment."""
    return all(
        (row.get(f"{kind}_epoch") or 0) == ((prep.row(key, row[f"{kind}_id"]) or {}).get("epoch") or 0)
        for kind, key in (("body", "bodies"), ("lens", "lenses"))
    )


def _lengths(prep: PrepDocument, setup_ids: Iterable[object]) -> dict[str, float]:
    """Return distances of set-ups in one form, with their mm: in feet where one of them was typed so."""
    setups = [row for row in prep.rows("setups") if row["id"] in set(setup_ids)]
    is_feet = any(set(typed_distance(row, "distance").casefold()) & _FEET for row in setups)
    write, found = mm_to_feet_text if is_feet else mm_to_metric_text, {}
    for row in setups:
        length_mm = number_of(row.get("distance_mm"), math.inf)
        found[write(length_mm) if math.isfinite(length_mm) else typed_distance(row, "distance")] = length_mm
    return found


def _field(prep: PrepDocument, _answer: Answer) -> Iterator[str]:
    swept = {row["body_id"] for row in prep.not_withdrawn("sweeps") if (row["result"].get("stars") or ())}
    flat = [titled("body", str(row["name"])) for row in prep.rows("bodies") if row["id"] not in swept]
    if flat:
        where = listed(flat, most=MOST_NAMES)
        yield f"Tilt of the sensor and the corners of the picture: not checked on {where}."


def _conditions(prep: PrepDocument, _answer: Answer) -> Iterator[str]:
    if prep.prep.get("temperature_c") is None:
        yield "The temperature was not written down."
    zooms = [row for row in prep.rows("lenses") if len(row.get("focal_lengths_mm") or ()) > 1]
    for lens in zooms:
        read = sorted(
            {number_of(row.get("focal_mm")) for row in _evidence(prep) if row["lens_id"] == lens["id"]}
        )
        if read:
            at = listed([f"{value:g} mm" for value in read], most=MOST_NAMES)
            yield f"{capital(titled('lens', str(lens['name'])))} was read at {at} only."
    withdrawn = len(prep.rows("readings")) - len(prep.not_withdrawn("readings"))
    if withdrawn:
        counts = "it does not count" if withdrawn == 1 else "they do not count"
        yield f"{capital(counted(withdrawn, 'reading'))} withdrawn: {counts}."
