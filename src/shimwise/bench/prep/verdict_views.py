"""A verdict that was kept, as the pages and the interface show it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from shimwise.bench.house.unit_knowledge import body_text, lens_text
from shimwise.bench.prep.views import (
    CauseView,
    NextView,
    PrepVerdict,
    RemedyView,
    SetupVerdict,
    UnitVerdict,
)
from shimwise.inference.verdict.answer import (
    Answer,
    BodyAnswer,
    LensAnswer,
    NextReading,
    SetupAnswer,
    Verdict,
)
from shimwise.lengths import mm_to_feet_text, mm_to_metric_text
from shimwise.notices import WordedNotice
from shimwise.sheets.json.verdict_json import answer_from_json
from shimwise.sheets.words.sentences import second_line
from shimwise.sheets.words.shared import (
    VERDICT_WORDS,
    capital,
    error_text,
    half_text,
    probability_text,
    signed_text,
    titled,
)

if TYPE_CHECKING:
    from shimwise.bench.prep.prep_data import PrepMaterial
    from shimwise.record.tables.rows import VerdictRow

__all__ = ["distance_words", "verdict_view"]

_KINDS = {"body": "body", "lens": "lens", "scale": "the scale of lens", "setup": "set-up"}
_UNDECIDED = (Verdict.CANNOT_TELL, Verdict.NOT_CHECKED)


def verdict_view(row: "VerdictRow", material: "PrepMaterial") -> PrepVerdict:
    """Show a verdict that was kept, with the ids of the prep's units and set-ups."""
    document, answer = row.document, answer_from_json(row.document)
    find = _Finder(
        bodies={body.name: (body.id, body_text(body)) for body in material.bodies.values()},
        lenses={lens.name: (lens.id, lens_text(lens)) for lens in material.lenses.values()},
        write=distance_words(material.house.units),
    )
    setup_ids = {setup.name: setup.id for setup in material.setups.values()}
    taped = {(one.body_id, round(one.distance_mm, 3)): one for one in material.setups.values()}
    upcoming = tuple(_next_view(one, find, taped) for one in answer.next)
    return PrepVerdict(
        id=row.id,
        prep_id=row.prep_id,
        revision=row.revision,
        is_current=row.revision == material.prep.revision or material.prep.state == "signed",
        given_at=row.given_at,
        program_version=row.program_version,
        tolerance_um=answer.tolerance_um,
        headline=answer.headline,
        second_line=second_line(answer),
        bodies=tuple(_unit_view(one, "body", find, upcoming, answer) for one in answer.bodies),
        lenses=tuple(_unit_view(one, "lens", find, upcoming, answer) for one in answer.lenses),
        setups=tuple(_setup_view(one, setup_ids) for one in answer.setups),
        causes=tuple(
            CauseView(
                kind=one.kind,
                unit=one.unit,
                probability=one.probability,
                words=f"{titled(_KINDS[one.kind], one.unit)}: {probability_text(one.probability)}",
            )
            for one in answer.causes
        ),
        next=upcoming,
        remedies=tuple(_remedy_view(one) for one in document["remedies"]),
        warnings=tuple(document["warnings"]),
        notices=tuple(WordedNotice(**one) for one in document.get("notices", ())),
        document=document,
    )


def distance_words(units: str) -> Callable[[float], str]:
    """Give the writer of distances in the house's units: feet and inches, or metric."""
    return mm_to_metric_text if units == "m" else mm_to_feet_text


@dataclass(frozen=True, slots=True)
class _Finder:
    """Ids and texts of units by the names that the judge was given."""

    bodies: Mapping[str, tuple[str, str]]
    lenses: Mapping[str, tuple[str, str]]
    write: Callable[[float], str]

    def unit(self, kind: str, name: str) -> tuple[str, str]:
        return (self.bodies if kind == "body" else self.lenses).get(name, ("", ""))


def _unit_view(
    unit: BodyAnswer, kind: str, find: _Finder, upcoming: tuple[NextView, ...], answer: Answer
) -> UnitVerdict:
    unit_id, text = find.unit(kind, unit.name)
    lens = unit if isinstance(unit, LensAnswer) else None
    return UnitVerdict(
        unit_id=unit_id,
        kind=kind,
        name=unit.name,
        text=text,
        error_um=unit.error_um,
        sd_um=unit.sd_um,
        low_um=unit.low_um,
        high_um=unit.high_um,
        half_um=(unit.high_um - unit.low_um) / 2,
        p_out=unit.p_out,
        verdict=unit.verdict.value,
        verdict_words=_verdict_words(unit, answer),
        error_words=f"{error_text(unit)} µm",
        tolerance_um=unit.tolerance_um,
        surer=_surer(unit, kind, upcoming, answer),
        scale_permille=None if lens is None else lens.scale_permille,
        scale_sd_permille=None if lens is None else lens.scale_sd_permille,
        p_scale_out=None if lens is None else lens.p_scale_out,
    )


def _surer(unit: BodyAnswer, kind: str, upcoming: tuple[NextView, ...], answer: Answer) -> str:
    """Say why a unit is not decided yet, and what would make it surer."""
    if unit.verdict not in _UNDECIDED:
        return ""
    if not _is_read(unit, answer):
        return f"Not read yet{_since(unit, answer)}: {_next_step(unit, kind, upcoming, answer)}"
    half_um = (unit.high_um - unit.low_um) / 2
    return f"Known to {half_text(half_um)} µm so far. {capital(_next_step(unit, kind, upcoming, answer))}"


def _is_read(unit: BodyAnswer, answer: Answer) -> bool:
    return any(unit.name in (one.body, one.lens) for one in answer.readings)


def _since(unit: BodyAnswer, answer: Answer) -> str:
    """Tell of a unit without readings whether it was read before an adjustment."""
    past = (one.name for one in (*answer.past_bodies, *answer.past_lenses))
    return " since it was adjusted" if any(name.startswith(f"{unit.name} before ") for name in past) else ""


def _verdict_words(unit: BodyAnswer, answer: Answer) -> str:
    """Write a verdict; one of a unit that was read, though not well enough, says so."""
    is_weak = unit.verdict is Verdict.NOT_CHECKED and _is_read(unit, answer)
    return f"{VERDICT_WORDS[unit.verdict]}{' well enough' if is_weak else ''}"


def _next_step(unit: BodyAnswer, kind: str, upcoming: tuple[NextView, ...], answer: Answer) -> str:
    """Say what would make a unit surer, as the rest of a sentence."""
    of_unit = next((one for one in upcoming if unit.name == (one.body if kind == "body" else one.lens)), None)
    is_limited = any(one.code == "datum_limit" and one.unit == unit.name for one in answer.notices)
    if is_limited and kind == "body":
        return "a gauge on the body, or a lens whose history is known; readings alone cannot tell."
    if of_unit is not None:
        return f"read {of_unit.lens} on {of_unit.body} at {of_unit.distance_text}."
    return "read it near and far, more than once."


def _setup_view(setup: SetupAnswer, ids: Mapping[str, str]) -> SetupVerdict:
    way = "farther" if setup.error_mm > 0 else "nearer"
    return SetupVerdict(
        setup_id=ids.get(setup.name, ""),
        name=setup.name,
        error_mm=setup.error_mm,
        sd_mm=setup.sd_mm,
        p_out=setup.p_out,
        words=f"{signed_text(setup.error_mm)} mm, {way} than written; "
        f"mis-taped: {probability_text(setup.p_out)}",
    )


def _next_view(one: NextReading, find: _Finder, taped: Mapping[tuple[str, float], Any]) -> NextView:
    body_id, _ = find.unit("body", one.body)
    lens_id, _ = find.unit("lens", one.lens)
    setup = taped.get((body_id, round(one.distance_mm, 3)))
    text = find.write(one.distance_mm) if setup is None else setup.distance_text
    return NextView(
        body_id=body_id,
        body=one.body,
        lens_id=lens_id,
        lens=one.lens,
        distance_mm=one.distance_mm,
        distance_text=text,
        setup_id="" if setup is None else setup.id,
        sd_after_um=one.sd_after_um,
        words=f"Read {one.lens} on {one.body} at {text}.",
    )


def _remedy_view(one: Mapping[str, Any]) -> RemedyView:
    return RemedyView(
        unit=one["unit"],
        kind=one.get("kind") or "",
        action=one["action"],
        direction=one.get("direction") or "",
        amount_um=one.get("amount_um"),
        text=one.get("text") or "",
        turns=one.get("turns"),
        turn=one.get("turn") or "",
        shims_um=tuple(one.get("shims_um") or ()),
        steps=tuple(one.get("steps") or ()),
        cautions=tuple(one.get("cautions") or ()),
    )
