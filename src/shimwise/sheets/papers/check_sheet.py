"""The check sheet in words: what stands on it, as plain data that the page's template sets."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from shimwise.inference.verdict.answer import Answer, BodyAnswer, LensAnswer, Verdict
from shimwise.inference.verdict.decision import ACCEPT_P, CALL_OUT_P, guard_band
from shimwise.number_format import decimal_text
from shimwise.sheets.papers.signed.canonical_json import digest_words
from shimwise.sheets.papers.signed.not_checked import not_checked
from shimwise.sheets.papers.signed.prep_document import PrepDocument, number_of
from shimwise.sheets.papers.signed.readings_rows import reading_blocks
from shimwise.sheets.papers.signed.rows_words import (
    COVERAGE,
    body_words,
    bound,
    lens_words,
    moment_words,
    people,
    present_name,
    typed_distance,
    u_text,
)
from shimwise.sheets.papers.signed.sweeps_rows import sweep_rows
from shimwise.sheets.words.sentences import LIKELY, second_line
from shimwise.sheets.words.shared import (
    NOT_KNOWN,
    VERDICT_WORDS,
    listed,
    plain,
    plus_minus_text,
    probability_text,
    signed_text,
)

RULE_SOURCES = "JCGM 100:2008, 6.3 (expanded uncertainty); JCGM 106:2012, 7 and 9 (conformity, risks)"
MOST_SHOWN = 14
Row = Mapping[str, Any]
Data = dict[str, Any]


def check_sheet(prep: PrepDocument, answer: Answer | None) -> Data:
    """Say all that stands on a prep's check sheet; pictures are added by who draws them.

    Parameters
    ----------
    prep : PrepDocument
        The prep.
    answer : Answer, optional
        Its newest verdict; without one the sheet says that nothing was judged.
    """
    return {
        "title": plain(prep.title),
        "state": _state(prep),
        "is_signed": prep.is_signed,
        "facts": [{"label": label, "text": text} for label, text in _facts(prep, answer)],
        "headline": bound(answer.headline) if answer else "Nothing has been judged yet.",
        "second": bound(second_line(answer)) if answer else "",
        "units": _units(prep, answer) if answer else [],
        "rule": [bound(text) for text in _rule(answer)] if answer else [],
        "tolerance": f"±{answer.tolerance_um:g} µm" if answer else "",
        "not_checked": [bound(text) for text in not_checked(prep, answer)],
        "setups": _setups(prep, answer),
        "gauges": _gauges(prep),
        "readings": reading_blocks(prep, answer),
        "sweeps": sweep_rows(prep),
        "adjustments": _adjustments(prep, answer),
        "remedies": [bound(remedy["text"]) for remedy in _remedies(prep) if remedy.get("text")],
        "cautions": _cautions(prep),
        "warnings": [bound(text) for text in (prep.verdict or {}).get("warnings", ())],
        "exceptions": _exceptions(prep),
        "signature": _signature(prep),
        "digest": digest_words(prep.digest),
        "short_digest": prep.digest[:16],
    }


def _state(prep: PrepDocument) -> str:
    row = prep.sign_off
    if row is None:
        return "Draft: not signed"
    if prep.is_reopened:
        return f"Draft: signed on {moment_words(row['signed_at'])}, and opened again since"
    if not prep.is_signed:
        return f"Changed since it was signed on {moment_words(row['signed_at'])}: not signed as it stands"
    return f"Signed by {plain(str(row.get('signed_by') or NOT_KNOWN))}, {moment_words(row['signed_at'])}"


def _facts(prep: PrepDocument, answer: Answer | None) -> Iterator[tuple[str, str]]:
    row = prep.prep
    bodies = [f"{plain(str(body['name']))} ({body_words(body)})" for body in prep.rows("bodies")]
    lenses = [plain(str(lens["name"])) for lens in prep.rows("lenses")]
    named_set = prep.content.get("set") or {}
    set_name = plain(str(named_set.get("name") or ""))
    yield "Bodies", listed([body.removesuffix(" ()") for body in bodies], most=MOST_SHOWN)
    shown = listed(lenses, most=MOST_SHOWN)
    yield "Lenses", f"{set_name}: {shown}" if set_name else shown
    readers = people(prep.standing("readings"), "operator")
    swept = people(prep.standing("sweeps"), "taken_by")
    yield "Read by", listed(list(dict.fromkeys([*readers, *swept])), most=MOST_SHOWN) or "nobody"
    yield "Begun", f"{moment_words(row['started_at'])}, by {plain(str(row.get('started_by') or NOT_KNOWN))}"
    verdict = prep.verdict_row
    if verdict is not None and verdict.get("given_at"):
        yield "Judged", moment_words(verdict["given_at"])
    celsius = number_of(row.get("temperature_c"))
    yield "Temperature", f"{celsius:g} °C" if math.isfinite(celsius) else "not written down"
    if answer:
        yield "Tolerance", f"±{answer.tolerance_um:g} µm at the sensor"
    if row.get("note"):
        yield "Note", plain(str(row["note"]))


def _units(prep: PrepDocument, answer: Answer) -> list[Data]:
    known = {("body", str(row["name"])): body_words(row) for row in prep.rows("bodies")}
    known |= {("lens", str(row["name"])): lens_words(row) for row in prep.rows("lenses")}
    kinds = (("body", answer.bodies), ("lens", answer.lenses))
    return [
        _unit(kind, unit, known.get((kind, unit.name), ""), prep, answer)
        for kind, units in kinds
        for unit in units
        if present_name(unit.name) == unit.name
    ]


def _unit(kind: str, unit: BodyAnswer, about: str, prep: PrepDocument, answer: Answer) -> Data:
    is_told = unit.verdict is not Verdict.NOT_CHECKED or math.isfinite(unit.sd_um)
    error = u_text(unit) if is_told else NOT_KNOWN
    if unit.tolerance_um != answer.tolerance_um:
        error = f"{error} (tolerance ±{unit.tolerance_um:g})"
    return {
        "kind": kind,
        "name": plain(unit.name),
        "about": about,
        "verdict": VERDICT_WORDS[unit.verdict],
        "way": {Verdict.OUT_SHORT: "short", Verdict.OUT_DEEP: "deep"}.get(unit.verdict, ""),
        "is_in": unit.verdict is Verdict.IN_TOLERANCE,
        "error": error,
        "risk_pass": probability_text(unit.p_out),
        "risk_turn": probability_text(1 - unit.p_out),
        "to_do": _to_do(kind, unit, prep),
    }


def _to_do(kind: str, unit: BodyAnswer, prep: PrepDocument) -> str:
    """Say the remedy in few words, and what the scale of a lens does."""
    told = []
    for remedy in _remedies(prep):
        if remedy["unit"] != unit.name or remedy.get("kind") not in (kind, "scale"):
            continue
        amount = number_of(remedy["amount_um"])
        how = f" {decimal_text(amount)} µm" if math.isfinite(amount) else ""
        told.append(f"{remedy['action']}{how}{', ' + remedy['direction'] if remedy['direction'] else ''}")
    if isinstance(unit, LensAnswer) and unit.p_scale_out > LIKELY:
        scale = plus_minus_text(unit.scale_permille, COVERAGE * unit.scale_sd_permille)
        told.append(f"scale off by {scale} ‰ of the extension")
    return "; ".join(told)


def _remedies(prep: PrepDocument) -> Sequence[Row]:
    return () if prep.verdict is None else prep.verdict["remedies"]


def _rule(answer: Answer) -> list[str]:
    tolerance_um = answer.tolerance_um
    sharp = [unit.sd_um for unit in (*answer.bodies, *answer.lenses) if unit.verdict is Verdict.IN_TOLERANCE]
    called, passed = (f"{100 * p:g} %" for p in (CALL_OUT_P, ACCEPT_P))
    rule = [
        f"A unit is out when the probability that its error lies beyond ±{tolerance_um:g} µm on one side "
        f"reaches {called}. It is in tolerance when that probability is at most {passed} and its standard "
        f"uncertainty is below {tolerance_um / 2:g} µm. Else it cannot be told, or is not checked.",
        f"± is the expanded uncertainty U, k = {COVERAGE:g}: about 95 %. Risk if passed (consumer's): the "
        "probability that the unit is beyond its tolerance, if it goes out as it is. Risk if turned "
        "(producer's): the probability that it is within, if it is adjusted. The risk taken is set heavy.",
    ]
    if sharp:
        widest = guard_band(sd=max(sharp), risk=ACCEPT_P)
        rule.append(
            f"At the widest uncertainty among the units that pass, the guard band is {widest:.1f} µm: an "
            f"error up to ±{max(tolerance_um - widest, 0):.1f} µm passes."
        )
    return [*rule, f"{RULE_SOURCES}."]


def _setups(prep: PrepDocument, answer: Answer | None) -> list[Data]:
    found = {setup.name: setup for setup in answer.setups} if answer else {}
    used = {row.get("setup_id") for row in (*prep.standing("readings"), *prep.standing("sweeps"))}
    rows = []
    for setup in prep.rows("setups"):
        if setup["id"] not in used:
            continue
        told = found.get(str(setup.get("name")))
        error = plus_minus_text(told.error_mm, COVERAGE * told.sd_mm) if told else NOT_KNOWN
        rows.append(
            {
                "name": plain(str(setup.get("name") or setup["id"])),
                "body": plain(prep.name(setup.get("body_id"))),
                "distance": typed_distance(setup.get("distance_text"), setup.get("distance_mm")),
                "chart": plain(str(setup.get("chart") or "")),
                "taped": plain(str(setup.get("taped_by") or "")),
                "error": error,
                "p_out": probability_text(told.p_out) if told else NOT_KNOWN,
                "is_out": bool(told and told.p_out > LIKELY),
            }
        )
    return rows


def _gauges(prep: PrepDocument) -> list[Data]:
    rows = []
    for gauge in prep.rows("gauges"):
        value, sd = number_of(gauge.get("value_um")), number_of(gauge.get("sd_um"))
        rows.append(
            {
                "unit": plain(prep.name(gauge.get("unit_id"))),
                "value": plus_minus_text(value, COVERAGE * sd),
                "instrument": plain(str(gauge.get("instrument") or "")),
                "by": plain(str(gauge.get("taken_by") or "")),
                "is_withdrawn": bool(gauge.get("withdrawn_at")),
            }
        )
    return rows


def _adjustments(prep: PrepDocument, answer: Answer | None) -> list[Data]:
    units = {unit.name: unit for unit in _as_is_and_was(answer)} if answer else {}
    rows = []
    for row in prep.rows("adjustments"):
        if row.get("taken_back_at") or row.get("withdrawn_at"):
            continue
        name = prep.name(row["unit_id"])
        before = units.get(f"{name} before adjustment {(row.get('epoch_before') or 0) + 1}")
        amount, sd = number_of(row.get("amount_um")), number_of(row.get("amount_sd_um"))
        turns = number_of(row.get("turns"))
        moved = f"{signed_text(amount, digits=0)} µm" if math.isfinite(amount) else ""
        if math.isfinite(sd):
            moved = f"{plus_minus_text(amount, COVERAGE * sd)} µm"
        rows.append(
            {
                "unit": plain(name),
                "action": plain(str(row.get("action") or "")),
                "moved": moved,
                "turns": f"{signed_text(turns, digits=3)} turn" if math.isfinite(turns) else "",
                "before": _told(row.get("before"), before),
                "after": _told(row.get("after"), units.get(name)),
                "by": plain(str(row.get("made_by") or "")),
                "at": moment_words(row["made_at"]) if row.get("made_at") else "",
                "note": plain(str(row.get("note") or "")),
            }
        )
    return rows


def _as_is_and_was(answer: Answer) -> tuple[BodyAnswer, ...]:
    return (*answer.bodies, *answer.lenses, *answer.past_bodies, *answer.past_lenses)


def _told(kept: object, unit: BodyAnswer | None) -> str:
    """Write an error before or after: as the row keeps it, else as the verdict has it."""
    if isinstance(kept, Mapping):
        return plus_minus_text(number_of(kept.get("error_um")), COVERAGE * number_of(kept.get("sd_um")))
    return u_text(unit) if unit else NOT_KNOWN


def _cautions(prep: PrepDocument) -> list[str]:
    cautions = (plain(text) for remedy in _remedies(prep) for text in remedy.get("cautions") or ())
    return list(dict.fromkeys(cautions))


def _exceptions(prep: PrepDocument) -> list[Data]:
    """Give the exceptions of the sign-off: an object by unit, or a list of objects."""
    kept = (prep.sign_off or {}).get("exceptions") or ()
    if isinstance(kept, Mapping):
        kept = [{"unit_id": key, **_reason(value)} for key, value in kept.items()]
    return [
        {
            "unit": plain(str(one.get("unit") or prep.name(one.get("unit_id")))),
            **{key: plain(str(value or "")) for key, value in _reason(one).items()},
        }
        for one in kept
        if isinstance(one, Mapping)
    ]


def _reason(value: object) -> Data:
    if isinstance(value, Mapping):
        return {"reason": value.get("reason"), "name": value.get("name") or value.get("who")}
    if isinstance(value, Sequence) and not isinstance(value, str) and len(value) == 2:
        return {"reason": value[0], "name": value[1]}
    return {"reason": value, "name": ""}


def _signature(prep: PrepDocument) -> Data:
    row = prep.sign_off
    if row is None or not prep.is_signed:
        return {"by": "", "at": "", "revision": prep.prep.get("revision") or 0}
    return {
        "by": plain(str(row.get("signed_by") or "")),
        "at": moment_words(row["signed_at"]),
        "revision": row.get("revision") or 0,
    }
