"""From forms to what is said of a body, a lens or a set, and back; what no form shows stays as it was."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from shimwise.bench.house.unit_checks import checked_body, checked_lens
from shimwise.bench.house.views import BodyFacts, LensFacts, MechanismFacts, SetFacts, SetView
from shimwise.errors import LengthError
from shimwise.lengths import length_to_mm, mm_to_feet_text, mm_to_metric_text
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import number

__all__ = ["body_facts", "body_form", "lens_facts", "lens_form", "set_facts", "set_form"]


def body_form(facts: BodyFacts | None) -> Form:
    """Fill the form of a body."""
    form = Form()
    if facts is None:
        return form
    _fill(form, facts, ("name", "serial", "mount", "note"))
    _fill_numbers(
        form,
        facts,
        ("pixel_pitch_um", "circle_of_confusion_um", "tolerance_um", "history_mean_um", "history_sd_um"),
    )
    form.set("is_retired", "yes" if facts.is_retired else None)
    mechanism = facts.mechanism
    if mechanism is not None:
        form.set("mechanism", mechanism.kind)
        _fill_numbers(form, mechanism, ("um_per_turn", "um_per_turn_sd", "backlash_um"))
        form.set("away", mechanism.away)
        form.set("has_lock", {True: "yes", False: "no", None: ""}[mechanism.has_lock])
        form.set("stock_um", " ".join(map(number, mechanism.stock_um)))
    return form


def body_facts(form: Form, known: BodyFacts | None = None) -> BodyFacts:
    """Read the form of a body.

    Raises
    ------
    NotANumberError
        When a field that takes a number holds something else.
    """
    form.is_collecting = True
    facts = replace(
        known or BodyFacts(name=form.text("name")),
        name=form.text("name"),
        serial=form.text("serial"),
        mount=form.text("mount"),
        note=form.text("note"),
        pixel_pitch_um=form.number("pixel_pitch_um"),
        circle_of_confusion_um=form.number("circle_of_confusion_um"),
        tolerance_um=form.number("tolerance_um"),
        history_mean_um=form.number("history_mean_um"),
        history_sd_um=form.number("history_sd_um"),
        is_retired=bool(form.text("is_retired")),
        mechanism=_mechanism(form),
    )
    form.settle(lambda: checked_body(facts))
    return facts


def lens_form(facts: LensFacts | None) -> Form:
    """Fill the form of a lens."""
    form = Form()
    form.set("scale_unit", "ft")
    if facts is None:
        return form
    _fill(form, facts, ("name", "serial", "mount", "note", "focus_design", "scale_unit"))
    _fill_numbers(form, facts, ("fnumber", "separation_mm", "history_mean_um", "history_sd_um"))
    form.set("focal_lengths_mm", " ".join(map(number, facts.focal_lengths_mm)))
    form.set("squeeze", None if facts.squeeze == 1 else number(facts.squeeze))
    form.set("is_retired", "yes" if facts.is_retired else None)
    if facts.near_mm is not None:
        write = mm_to_metric_text if facts.scale_unit == "m" else mm_to_feet_text
        form.set("near", write(facts.near_mm))
    return form


def lens_facts(form: Form, known: LensFacts | None = None) -> LensFacts:
    """Read the form of a lens.

    Raises
    ------
    NotANumberError
        When a field that takes a number holds something else.
        The same when it gives no f-number, or a nearest mark that is no length.
    """
    form.is_collecting = True
    fnumber = form.number("fnumber")
    if fnumber is None:
        form.refused.setdefault("fnumber", "The f-number is missing: type the widest, such as 2.")
    given: Mapping[str, Any] = {
        "name": form.text("name"),
        "serial": form.text("serial"),
        "mount": form.text("mount"),
        "note": form.text("note"),
        "focal_lengths_mm": form.numbers("focal_lengths_mm"),
        "fnumber": fnumber,
        "separation_mm": form.number("separation_mm"),
        "focus_design": form.text("focus_design"),
        "squeeze": form.number("squeeze") or 1.0,
        "history_mean_um": form.number("history_mean_um"),
        "history_sd_um": form.number("history_sd_um"),
        "near_mm": _near_mm(form),
        "scale_unit": form.text("scale_unit") or "ft",
        "is_retired": bool(form.text("is_retired")),
    }
    facts = LensFacts(**given) if known is None else replace(known, **given)
    form.settle(lambda: checked_lens(facts), fields={"near_mm": "near"})
    return facts


def set_form(shown: SetView | None) -> Form:
    """Fill the form of a set."""
    form = Form()
    if shown is not None:
        form.set("name", shown.name)
        form.set("note", shown.note)
        form.values["lens_ids"] = list(shown.lens_ids)
    return form


def set_facts(form: Form) -> SetFacts:
    """Read the form of a set."""
    return SetFacts(name=form.text("name"), lens_ids=tuple(form.all("lens_ids")), note=form.text("note"))


def _mechanism(form: Form) -> MechanismFacts | None:
    kind = form.text("mechanism")
    if kind == "screw":
        return MechanismFacts(
            kind=kind,
            um_per_turn=form.number("um_per_turn"),
            um_per_turn_sd=form.number("um_per_turn_sd"),
            away=form.text("away"),
            has_lock={"yes": True, "no": False}.get(form.text("has_lock")),
            backlash_um=form.number("backlash_um"),
        )
    if kind == "shimmed mount":
        return MechanismFacts(kind=kind, stock_um=form.numbers("stock_um"))
    return MechanismFacts(kind=kind) if kind else None


def _near_mm(form: Form) -> float | None:
    typed = form.text("near")
    if not typed:
        return None
    try:
        return length_to_mm(typed)
    except LengthError as error:
        form.refused["near"] = f"“{typed}” is no length: {error}"
        return None


def _fill(form: Form, facts: object, names: tuple[str, ...]) -> None:
    for name in names:
        form.set(name, getattr(facts, name))


def _fill_numbers(form: Form, facts: object, names: tuple[str, ...]) -> None:
    for name in names:
        value = getattr(facts, name)
        form.set(name, None if value is None else number(value))
