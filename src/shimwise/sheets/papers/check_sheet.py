"""The check sheet in words, as plain data that the page's template reads."""

import math
from collections.abc import Iterator, Mapping, Sequence

from shimwise.inference.verdict.answer import Answer, BodyAnswer, LensAnswer, Verdict
from shimwise.inference.verdict.decision import ACCEPT_P, CALL_OUT_P, guard_band
from shimwise.inference.verdict.unit_change import UnitChange, change_between
from shimwise.number_format import decimal_text
from shimwise.sheets.papers.pair_table import pair_table
from shimwise.sheets.papers.signed.adjustment_rows import adjustment_steps_text
from shimwise.sheets.papers.signed.canonical_json import digest_words
from shimwise.sheets.papers.signed.not_checked import not_checked
from shimwise.sheets.papers.signed.prep_document import PrepDocument, number_of, time_of
from shimwise.sheets.papers.signed.readings_rows import reading_rows
from shimwise.sheets.papers.signed.rows_words import (
    COVERAGE,
    Data,
    Row,
    body_words,
    bound,
    cautions,
    kind_of,
    lens_words,
    moment_words,
    people,
    prep_words,
    present,
    row_error,
    row_of,
    temperature_words,
    text_of,
    texts,
    typed_distance,
    unit_words,
)
from shimwise.sheets.papers.signed.sweeps_rows import sweep_rows
from shimwise.sheets.words.sentences import LIKELY, second_line
from shimwise.sheets.words.shared import (
    NOT_KNOWN,
    capital,
    error_text,
    listed,
    plain,
    plus_minus_text,
    probability_text,
    signed_text,
)

RULE_SOURCES = "JCGM 100:2008, 6.3 (expanded uncertainty); JCGM 106:2012, 7 and 9 (conformity, risks)"
MOST_SHOWN = 14


def check_sheet(prep: PrepDocument, answer: Answer | None) -> Data:
    """Return all words of a prep's check sheet; its pictures are added where they are drawn.

    Parameters
    ----------
    prep : PrepDocument
        The prep.
    answer : Answer, optional
        Its newest verdict; without one nothing was judged.
    """
    return {
        **prep_words(prep),
        "state": _state(prep),
        "is_signed": prep.is_signed,
        "facts": list(_facts(prep, answer)),
        "headline": bound(answer.headline) if answer else "Nothing has been judged yet.",
        "second": bound(second_line(answer)) if answer else "",
        "units": [_unit(unit, prep, answer) for unit in present(answer.units)] if answer else [],
        "pairs": pair_table(answer) if answer else {"column": "", "cells": {}, "parts": [], "notes": []},
        "rule": [bound(text) for text in _rule(answer)] if answer else [],
        "tolerance": f"±{answer.tolerance_um:g} µm" if answer else "",
        "not_checked": [bound(text) for text in not_checked(prep, answer)],
        "setups": list(_setups(prep, answer)),
        "gauges": [_gauge(gauge, prep) for gauge in prep.rows("gauges")],
        "readings": reading_rows(prep, answer),
        "sweeps": sweep_rows(prep),
        "adjustments": list(_adjustments(prep, answer)),
        "remedies": [bound(remedy["text"]) for remedy in prep.remedies if remedy.get("text")],
        "cautions": cautions(prep.remedies),
        "warnings": [bound(text) for text in (prep.verdict or {}).get("warnings", ())],
        "exceptions": list(_exceptions(prep)),
        "signature": _signature(prep),
    }


def _state(prep: PrepDocument) -> str:
    row = prep.sign_off
    if row is None:
        return "Draft: not signed"
    at = moment_words(row["signed_at"])
    if prep.is_reopened:
        return f"Draft: signed on {at}, and opened again since"
    if not prep.is_signed:
        return f"Changed since it was signed on {at}: not signed as it stands"
    as_set = f", {_signed_words(prep)}" if row.get("as_set") else ""
    return f"Signed by {text_of(row, 'signed_by') or NOT_KNOWN}, {at}{as_set}"


def _facts(prep: PrepDocument, answer: Answer | None) -> Iterator[tuple[str, str]]:
    row = prep.prep
    bodies = [f"{text_of(body, 'name')} ({body_words(body)})" for body in prep.rows("bodies")]
    yield "Bodies", listed([body.removesuffix(" ()") for body in bodies], most=MOST_SHOWN)
    lenses = listed([text_of(lens, "name") for lens in prep.rows("lenses")], most=MOST_SHOWN)
    set_name = text_of(prep.content.get("set") or {}, "name")
    yield "Lenses", f"{set_name}: {lenses}" if set_name else lenses
    readers = people(prep.not_withdrawn("readings"), "operator")
    swept = people(prep.not_withdrawn("sweeps"), "taken_by")
    yield "Read by", listed(list(dict.fromkeys([*readers, *swept])), most=MOST_SHOWN) or "nobody"
    yield "Begun", f"{moment_words(row['started_at'])}, by {text_of(row, 'started_by') or NOT_KNOWN}"
    judged = prep_words(prep)["judged"]
    if judged:
        yield "Judged", judged
    yield "Temperature", temperature_words(prep)
    if answer:
        yield "Tolerance", f"±{answer.tolerance_um:g} µm at the sensor"
    if row.get("note"):
        yield "Note", text_of(row, "note")


def _unit(unit: BodyAnswer, prep: PrepDocument, answer: Answer) -> Data:
    kind, words, row = kind_of(unit), unit_words(unit, answer), row_of(prep, unit)
    if unit.tolerance_um != answer.tolerance_um:
        words["error"] += f" (tolerance ±{unit.tolerance_um:g})"
    return {
        **words,
        "kind": kind,
        "about": lens_words(row) if kind == "lens" else body_words(row),
        "is_in": unit.verdict is Verdict.IN_TOLERANCE,
        "risk_pass": probability_text(unit.p_out),
        "risk_turn": probability_text(1 - unit.p_out),
        "to_do": "; ".join(_to_do(kind, unit, prep)),
    }


def _to_do(kind: str, unit: BodyAnswer, prep: PrepDocument) -> Iterator[str]:
    """Yield the remedies in few words, and the scale error of a lens."""
    for remedy in prep.remedies:
        if remedy["unit"] == unit.name and remedy.get("kind") in (kind, "scale"):
            amount = number_of(remedy["amount_um"])
            how = f" {decimal_text(amount)} µm" if math.isfinite(amount) else ""
            yield f"{remedy['action']}{how}{', ' + remedy['direction'] if remedy['direction'] else ''}"
    if isinstance(unit, LensAnswer) and unit.p_scale_out > LIKELY:
        scale = plus_minus_text(unit.scale_permille, COVERAGE * unit.scale_sd_permille)
        yield f"scale off by {scale} ‰ of the extension"


def _rule(answer: Answer) -> list[str]:
    tolerance_um = answer.tolerance_um
    sharp = [unit.sd_um for unit in answer.units if unit.verdict is Verdict.IN_TOLERANCE]
    called, passed = (f"{100 * p:g} %" for p in (CALL_OUT_P, ACCEPT_P))
    rule = [
        f"A unit is out when the probability that its error lies beyond ±{tolerance_um:g} µm on one side "
        f"reaches {called}. It is in tolerance when that probability is at most {passed} and its standard "
        f"uncertainty is below {tolerance_um / 2:g} µm. Else it needs more readings, or its error cannot be "
        "parted from that of what it was read with.",
        "± is half the 95 % interval (expanded uncertainty); in brackets: not decided. Risk if passed "
        "(consumer's): the probability that the unit is beyond its tolerance, if it goes out as it is. Risk "
        "if turned (producer's): the probability that it is within, if it is adjusted. The risk taken is set "
        "heavy.",
    ]
    if sharp:
        widest = guard_band(sd=max(sharp), risk=ACCEPT_P)
        rule.append(
            f"At the widest uncertainty among the units that pass, the guard band is {widest:.1f} µm: an "
            f"error up to ±{max(tolerance_um - widest, 0):.1f} µm passes."
        )
    return [*rule, f"{RULE_SOURCES}."]


def _setups(prep: PrepDocument, answer: Answer | None) -> Iterator[Data]:
    judged = {setup.name: setup for setup in answer.setups} if answer else {}
    used = {row.get("setup_id") for row in (*prep.not_withdrawn("readings"), *prep.not_withdrawn("sweeps"))}
    for row in prep.rows("setups"):
        if row["id"] not in used:
            continue
        setup = judged.get(str(row.get("name")))
        yield {
            "name": text_of(row, "name") or text_of(row, "id"),
            "distance": typed_distance(row, "distance"),
            "taped": text_of(row, "taped_by"),
            "error": plus_minus_text(setup.error_mm, COVERAGE * setup.sd_mm) if setup else NOT_KNOWN,
            "p_out": probability_text(setup.p_out) if setup else NOT_KNOWN,
            "is_out": bool(setup and setup.p_out > LIKELY and not setup.replaced_by),
            "is_replaced": bool(setup and setup.p_out > LIKELY and setup.replaced_by),
        }


def _gauge(gauge: Row, prep: PrepDocument) -> Data:
    return {
        "unit": plain(prep.name(gauge.get("unit_id"))),
        "value": row_error(gauge, "value_um"),
        **texts(gauge, "instrument", by="taken_by"),
        "is_withdrawn": bool(gauge.get("withdrawn_at")),
    }


def _adjustments(prep: PrepDocument, answer: Answer | None) -> Iterator[Data]:
    judged_at = (prep.verdict_row or {}).get("given_at")
    for row in prep.rows("adjustments"):
        if row.get("taken_back_at") or row.get("withdrawn_at"):
            continue
        kind = "lens" if prep.row("lenses", row["unit_id"]) is not None else "body"
        name = prep.name(row["unit_id"])
        was = f"{name} before adjustment {(row.get('epoch_before') or 0) + 1}"
        before, after, change = None, None, None
        if answer is not None:
            made_at = row.get("made_at")
            is_judged = not judged_at or not made_at or time_of(made_at) <= time_of(judged_at)
            before = answer.unit(kind, was if is_judged else name)
            after = answer.unit(kind, name) if is_judged else None
            change = change_between(answer.readings, kind=kind, before=was, after=name)
        yield {
            "unit": plain(name),
            **texts(row, "action", "note", by="made_by"),
            "moved": ", ".join(_moved(row, change)),
            "steps": adjustment_steps_text(row.get("steps") or ()),
            "before": _error(row.get("before"), before),
            "after": _error(row.get("after"), after) if after or row.get("after") else "not judged yet",
            "at": moment_words(row["made_at"]) if row.get("made_at") else "",
        }


def _moved(row: Row, change: UnitChange | None) -> Iterator[str]:
    """Yield how far a unit moved: as its readings show, else as is expected of the move; and the turns."""
    amount, turns = number_of(row.get("amount_um")), number_of(row.get("turns"))
    if change is not None:
        yield f"{plus_minus_text(change.mean_um, COVERAGE * change.sd_um)} µm by its readings"
    elif math.isfinite(number_of(row.get("amount_sd_um"))):
        yield f"{row_error(row, 'amount_um', 'amount_sd_um')} µm expected"
    elif math.isfinite(amount):
        yield f"{signed_text(amount, digits=0)} µm expected"
    if math.isfinite(turns):
        yield f"{signed_text(turns, digits=3)} turn"


def _error(kept: object, unit: BodyAnswer | None) -> str:
    """Return an error before or after: as the row keeps it, else as the verdict has it."""
    if isinstance(kept, Mapping):
        return row_error(kept, "error_um")
    return error_text(unit) if unit else NOT_KNOWN


def _exceptions(prep: PrepDocument) -> Iterator[Data]:
    """Yield the exceptions of the sign-off: of an object by unit, or of a list of objects."""
    kept = (prep.sign_off or {}).get("exceptions") or ()
    if isinstance(kept, Mapping):
        kept = [{"unit_id": key, **_reason(value)} for key, value in kept.items()]
    for one in kept:
        if isinstance(one, Mapping):
            unit = text_of(one, "unit") or plain(prep.name(one.get("unit_id")))
            yield {"unit": unit, **texts(_reason(one), "reason", "name")}


def _reason(value: object) -> Data:
    if isinstance(value, Mapping):
        return {"reason": value.get("reason"), "name": value.get("name") or value.get("who")}
    if isinstance(value, Sequence) and not isinstance(value, str) and len(value) == 2:
        return {"reason": value[0], "name": value[1]}
    return {"reason": value}


def _signature(prep: PrepDocument) -> Data:
    row = prep.sign_off
    if row is None or not prep.is_signed:
        return {"by": "", "at": "", "what": "", "revision": prep.prep.get("revision") or 0, "seal": ""}
    return {
        "by": text_of(row, "signed_by"),
        "at": moment_words(row["signed_at"]),
        "what": capital(_signed_words(prep)),
        "revision": row.get("revision") or 0,
        "seal": _seal(row),
    }


def _seal(row: Row) -> str:
    """Return the head of the journal that the house sealed with a signature; empty if it is not sealed."""
    seal = row.get("seal")
    if not isinstance(seal, Mapping):
        return ""
    head = digest_words(str(seal.get("journal_head"))[:64])
    return f"Journal up to line {plain(str(seal.get('journal_seq')))[:12]}: {plain(head)}"


def _signed_words(prep: PrepDocument) -> str:
    """Return what was signed: each unit by itself, or lenses as a set on the bodies not excepted."""
    row = prep.sign_off or {}
    if not row.get("as_set"):
        return "each unit by itself"
    excepted = {one["unit"] for one in _exceptions(prep)}
    bodies = [text_of(body, "name") for body in prep.rows("bodies")]
    return f"as a set on {listed([name for name in bodies if name not in excepted], most=MOST_SHOWN)}"
