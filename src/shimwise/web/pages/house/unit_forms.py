"""Forms of bodies, lenses and sets, and their facts; what no form shows stays as it was."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from shimwise.bench.errors import InputError
from shimwise.bench.house.scale_marks import marks_text, typed_marks
from shimwise.bench.house.unit_checks import checked_body, checked_lens
from shimwise.bench.house.views import BodyFacts, LensFacts, MechanismFacts, SetFacts, SetView
from shimwise.lengths import mm_to_feet_text, mm_to_metric_text
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import number

TEXTS = ("name", "serial", "mount", "note")
HISTORY = ("history_mean_um", "history_sd_um")
"""Fields of bodies and lenses alike."""
UNIT_FIELDS = {"near_mm": "near", "marks_mm": "marks"}
"""Fields of a form by the facts behind them, where they differ."""
BODY_NUMBERS = ("pixel_pitch_um", "circle_of_confusion_um", "tolerance_um")
SCREW_NUMBERS = ("um_per_turn", "um_per_turn_sd", "backlash_um")


def body_form(facts: BodyFacts | None) -> Form:
    """Return the form of a body, filled in with its facts."""
    if facts is None:
        return Form()
    form = _form_of(facts, numbers=BODY_NUMBERS)
    mechanism = facts.mechanism
    if mechanism is not None:
        form.set("mechanism", mechanism.kind)
        _fill_numbers(form, mechanism, SCREW_NUMBERS)
        form.set("away", mechanism.away)
        form.set("has_lock", {True: "yes", False: "no", None: ""}[mechanism.has_lock])
        form.set("stock_um", " ".join(map(number, mechanism.stock_um)))
    return form


def body_facts(form: Form, known: BodyFacts | None = None) -> BodyFacts:
    """Return the facts of a body from its form.

    Raises
    ------
    NotANumberError
        If a field that takes a number holds something else.
    """
    given = _given(form, numbers=BODY_NUMBERS)
    facts = replace(known or BodyFacts(name=given["name"]), **given, mechanism=_mechanism(form))
    form.settle(lambda: checked_body(facts))
    return facts


def lens_form(facts: LensFacts | None) -> Form:
    """Return the form of a lens, filled in with its facts."""
    if facts is None:
        return Form.filled(scale_unit="ft")
    form = _form_of(facts, texts=("focus_design", "scale_unit"), numbers=("fnumber", "separation_mm"))
    form.set("focal_lengths_mm", " ".join(map(number, facts.focal_lengths_mm)))
    form.set("squeeze", None if facts.squeeze == 1 else number(facts.squeeze))
    if facts.near_mm is not None:
        write = mm_to_metric_text if facts.scale_unit == "m" else mm_to_feet_text
        form.set("near", write(facts.near_mm))
    form.set("marks", marks_text(facts.marks_mm, facts.scale_unit, separator=", ") or None)
    return form


def lens_facts(form: Form, known: LensFacts | None = None) -> LensFacts:
    """Return the facts of a lens from its form.

    Raises
    ------
    NotANumberError
        If a field that takes a number or a length holds something else, or there is no f-number.
    """
    given = _given(form, texts=("focus_design",), numbers=("fnumber", "separation_mm"))
    if given["fnumber"] is None:
        form.refused.setdefault("fnumber", "The f-number is missing: type the widest, such as 2.")
    given |= {
        "focal_lengths_mm": form.numbers("focal_lengths_mm"),
        "squeeze": form.number("squeeze") or 1.0,
        "near_mm": form.length_mm("near"),
        "scale_unit": form.text("scale_unit") or "ft",
        "marks_mm": _marks_mm(form),
    }
    facts = LensFacts(**given) if known is None else replace(known, **given)
    form.settle(lambda: checked_lens(facts), fields=UNIT_FIELDS)
    return facts


def _marks_mm(form: Form) -> tuple[float, ...]:
    try:
        return typed_marks(form.text("marks"))
    except InputError as error:
        form.refuse(error, fields=UNIT_FIELDS)
        return ()


def set_form(shown: SetView | None) -> Form:
    """Return the form of a set, filled in with its facts."""
    form = Form()
    if shown is not None:
        form.set("name", shown.name)
        form.set("note", shown.note)
        form.values["lens_ids"] = list(shown.lens_ids)
    return form


def set_facts(form: Form, known: SetView | None = None) -> SetFacts:
    """Return the facts of a set from its form, which shows all of them."""
    del known
    return SetFacts(name=form.text("name"), lens_ids=tuple(form.all("lens_ids")), note=form.text("note"))


def _mechanism(form: Form) -> MechanismFacts | None:
    kind = form.text("mechanism")
    if kind == "screw":
        has_lock = {"yes": True, "no": False}.get(form.text("has_lock"))
        return MechanismFacts(
            kind=kind, has_lock=has_lock, **form.read(texts=["away"], numbers=SCREW_NUMBERS)
        )
    if kind == "shimmed mount":
        return MechanismFacts(kind=kind, stock_um=form.numbers("stock_um"))
    return MechanismFacts(kind=kind) if kind else None


def _form_of(facts: BodyFacts | LensFacts, *, texts: Iterable[str] = (), numbers: Iterable[str]) -> Form:
    """Return a form with the fields of all units, and those named."""
    form = Form()
    for name in (*TEXTS, *texts):
        form.set(name, getattr(facts, name))
    _fill_numbers(form, facts, (*HISTORY, *numbers))
    form.set("is_retired", "yes" if facts.is_retired else None)
    return form


def _fill_numbers(form: Form, facts: object, names: Iterable[str]) -> None:
    for name in names:
        value = getattr(facts, name)
        form.set(name, None if value is None else number(value))


def _given(form: Form, *, texts: Iterable[str] = (), numbers: Iterable[str]) -> dict[str, Any]:
    """Return the facts of all units that a form holds, and those named; wrong numbers are collected."""
    form.is_collecting = True
    return {
        **form.read(texts=(*TEXTS, *texts), numbers=(*HISTORY, *numbers)),
        "is_retired": bool(form.text("is_retired")),
    }
