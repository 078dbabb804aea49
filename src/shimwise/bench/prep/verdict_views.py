"""A verdict that was kept, as the pages and the interface show it."""

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from shimwise.bench.house.unit_knowledge import body_text, lens_text
from shimwise.bench.prep.prep_data import PrepMaterial
from shimwise.bench.prep.views import (
    BodyDifference,
    CauseView,
    NextView,
    PairVerdict,
    PrepVerdict,
    RemedyView,
    SetupVerdict,
    ToDoView,
    UnitVerdict,
)
from shimwise.fields import build_from
from shimwise.inference.verdict.answer import (
    Answer,
    BodyAnswer,
    Cause,
    NextReading,
    PairAnswer,
    SetupAnswer,
)
from shimwise.inference.verdict.pair_sentences import difference_sentence
from shimwise.inference.verdict.unit_state import state_of
from shimwise.lengths import mm_to_feet_text, mm_to_metric_text
from shimwise.notices import Notice, WordedNotice
from shimwise.record.tables.rows import VerdictRow
from shimwise.remedy.to_do import to_do
from shimwise.sheets.json.verdict_json import answer_from_json
from shimwise.sheets.words.cause_words import cause_text
from shimwise.sheets.words.notices import AS_WRITTEN, worded
from shimwise.sheets.words.pair_words import pair_text, set_texts
from shimwise.sheets.words.sentences import second_line
from shimwise.sheets.words.shared import (
    error_text,
    probability_text,
    signed_text,
)
from shimwise.sheets.words.state_words import STATE_WORDS, VERDICT_WORDS, surer_text
from shimwise.sheets.words.to_do_words import take_text

_UNIT_OF = {"body": "body", "lens": "lens", "scale": "lens"}


def verdict_view(row: VerdictRow, material: PrepMaterial) -> PrepVerdict:
    """Return the view of a kept verdict, with the ids of the prep's units and set-ups."""
    document, answer = row.document, answer_from_json(row.document)
    find = _Finder.of(material)
    setup_ids = {setup.name: setup.id for setup in material.setups.values()}
    upcoming = next_views(material, answer.next)
    return build_from(
        PrepVerdict,
        row,
        is_current=material.is_current(row),
        tolerance_um=answer.tolerance_um,
        second_line=second_line(answer),
        bodies=tuple(_unit_view(one, "body", find, upcoming, answer) for one in answer.bodies),
        lenses=tuple(_unit_view(one, "lens", find, upcoming, answer) for one in answer.lenses),
        pairs=tuple(_pair_view(one) for one in answer.pairs),
        differences=tuple(
            build_from(BodyDifference, one, words=difference_sentence(one)) for one in answer.differences
        ),
        sets=tuple(set_texts(answer)),
        setups=tuple(_setup_view(one, setup_ids) for one in answer.setups),
        causes=tuple(build_from(CauseView, one, words=_cause_words(one)) for one in answer.causes),
        next=upcoming,
        next_by_picture=next_views(material, answer.next_by_picture),
        to_do=tuple(_to_do(document, answer, find, setup_ids, upcoming)),
        remedies=tuple(_remedy_view(one) for one in document["remedies"]),
        cautions=_cautions(document["remedies"]),
        warnings=tuple(document["warnings"]),
        notices=tuple(WordedNotice(**one) for one in document.get("notices", ())),
    )


def _cause_words(cause: Cause) -> str:
    return f"{cause_text(cause)}: {probability_text(cause.probability)}"


def distance_words(units: str) -> Callable[[float], str]:
    """Return the writer of distances in the house's units: feet and inches, or metric."""
    return mm_to_metric_text if units == "m" else mm_to_feet_text


@dataclass(frozen=True, slots=True)
class _Finder:
    """Ids and texts of units by the names that the judge was given."""

    bodies: Mapping[str, tuple[str, str]]
    lenses: Mapping[str, tuple[str, str]]
    write: Callable[[float], str]

    @classmethod
    def of(cls, material: PrepMaterial) -> "_Finder":
        return cls(
            bodies={body.name: (body.id, body_text(body)) for body in material.bodies.values()},
            lenses={lens.name: (lens.id, lens_text(lens)) for lens in material.lenses.values()},
            write=distance_words(material.house.units),
        )

    def unit(self, kind: str, name: str) -> tuple[str, str]:
        return (self.bodies if kind == "body" else self.lenses).get(name, ("", ""))


def _unit_view(
    unit: BodyAnswer, kind: str, find: _Finder, upcoming: tuple[NextView, ...], answer: Answer
) -> UnitVerdict:
    unit_id, text = find.unit(kind, unit.name)
    state = state_of(unit, answer)
    return build_from(
        UnitVerdict,
        unit,
        unit_id=unit_id,
        kind=kind,
        text=text,
        verdict=unit.verdict.value,
        state=state.code.value,
        verdict_words=STATE_WORDS[state.code],
        error_words=f"{error_text(unit)} µm",
        surer=surer_text(state, _at(upcoming, find.write)),
    )


def _at(upcoming: tuple[NextView, ...], write: Callable[[float], str]) -> Callable[[float], str]:
    """Return the writer of distances: as they were typed where they are taped."""
    typed = {one.distance_mm: one.distance_text for one in upcoming}
    return lambda distance_mm: typed.get(distance_mm) or write(distance_mm)


def _pair_view(one: PairAnswer) -> PairVerdict:
    return build_from(
        PairVerdict,
        one,
        verdict=one.verdict.value,
        verdict_words=VERDICT_WORDS[one.verdict],
        landing_words=f"{pair_text(one)} µm",
    )


def _setup_view(setup: SetupAnswer, ids: Mapping[str, str]) -> SetupVerdict:
    way = "farther" if setup.error_mm > 0 else "nearer"
    words = (
        f"{signed_text(setup.error_mm)} mm, {way} than written; mis-taped: {probability_text(setup.p_out)}"
    )
    return build_from(SetupVerdict, setup, setup_id=ids.get(setup.name, ""), words=words)


def next_views(material: PrepMaterial, readings: Iterable[NextReading]) -> tuple[NextView, ...]:
    """Return readings worth taking, with the ids of their units and where their distance is taped."""
    find = _Finder.of(material)
    taped = {(one.body_id, round(one.distance_mm, 3)): one for one in material.setups.values()}
    return tuple(_next_view(one, find, taped) for one in readings)


def _next_view(one: NextReading, find: _Finder, taped: Mapping[tuple[str, float], Any]) -> NextView:
    body_id, _ = find.unit("body", one.body)
    lens_id, _ = find.unit("lens", one.lens)
    setup = taped.get((body_id, round(one.distance_mm, 3)))
    setting = "" if one.focal_mm is None else f" set to {one.focal_mm:g} mm"
    text = find.write(one.distance_mm) if setup is None else setup.distance_text
    return build_from(
        NextView,
        one,
        body_id=body_id,
        lens_id=lens_id,
        distance_text=text,
        setup_id="" if setup is None else setup.id,
        words=f"{take_text(by_picture=one.by_picture)} {one.lens}{setting} on {one.body} at {text}.",
    )


def _cautions(remedies: Iterable[Mapping[str, Any]]) -> tuple[str, ...]:
    """Return the cautions of all remedies, each once."""
    return tuple(dict.fromkeys(text for one in remedies for text in one.get("cautions") or ()))


def _to_do(
    document: Mapping[str, Any],
    answer: Answer,
    find: _Finder,
    setup_ids: Mapping[str, str],
    upcoming: tuple[NextView, ...],
) -> Iterator[ToDoView]:
    """Yield what to do now, with the ids that a link needs; an older verdict has its remedies as they are."""
    if "to_do" in document:
        lines = [Notice(one["code"], one["unit"], one["numbers"]) for one in document["to_do"]]
    else:
        old = [
            Notice(AS_WRITTEN, one["unit"], {"kind": one.get("kind"), "text": one["text"]})
            for one in document["remedies"]
            if one.get("text")
        ]
        lines = [*old, *to_do(answer)]
    steps = {(one.get("kind"), one["unit"]) for one in document["remedies"] if one.get("steps")}
    taped = {(one.body, one.lens, one.focal_mm, one.distance_mm): one for one in upcoming}
    for line in lines:
        kind, body, lens = (str(line.numbers.get(key) or "") for key in ("kind", "body", "lens"))
        set_to = line.numbers.get("focal_mm")
        focal_mm = None if set_to is None else float(set_to)
        following = taped.get((body, lens, focal_mm, _mm(line.numbers.get("distance_mm"))))
        at = {} if following is None else {"at": following.distance_text}
        unit_id = (
            setup_ids.get(line.unit, "")
            if kind == "setup"
            else find.unit(_UNIT_OF.get(kind, ""), line.unit)[0]
        )
        setup_id = setup_ids.get(str(line.numbers.get("setup") or ""), "")
        yield build_from(
            ToDoView,
            worded(replace(line, numbers={**line.numbers, **at}), is_house=True),
            kind=kind,
            unit_id=unit_id,
            body_id=find.unit("body", body)[0],
            lens_id=find.unit("lens", lens)[0],
            setup_id=setup_id if following is None else following.setup_id,
            focal_mm=focal_mm,
            has_steps=(kind, line.unit) in steps,
        )


def _mm(value: float | str | None) -> float:
    return math.inf if value is None else float(value)


def _remedy_view(one: Mapping[str, Any]) -> RemedyView:
    values: dict[str, Any] = {key: one.get(key) or "" for key in ("kind", "direction", "text", "turn")}
    values |= {key: tuple(one.get(key) or ()) for key in ("shims_um", "steps", "cautions")}
    values |= {key: one.get(key) for key in ("amount_um", "turns")}
    return RemedyView(unit=one["unit"], action=one["action"], **values)
