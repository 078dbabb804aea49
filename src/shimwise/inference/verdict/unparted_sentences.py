"""Sentences of what is known together though not apart, and of what is likeliest where nothing is certain."""

from collections.abc import Sequence

from shimwise.inference.verdict.answer import Answer, Cause, Unparted, UnpartedKind
from shimwise.lengths import mm_to_feet_text
from shimwise.number_format import decimal_text, half_digits

LIKELIEST_P = 0.3
"""Below this nothing is likely enough to be named."""


def unparted_sentences(answer: Answer) -> list[str]:
    """Return a sentence for two persons who differ, what all share, and the largest pair; none twice."""
    of_kind = {kind: [one for one in answer.unparted if one.kind is kind] for kind in UnpartedKind}
    sentences = [_of_eyes(one) for one in of_kind[UnpartedKind.EYES]]
    several = len(answer.bodies) + len(answer.lenses) > 2
    shared = of_kind[UnpartedKind.BENCH] if several else []
    sentences += [_of_bench(one) for one in shared]
    pairs = sorted(of_kind[UnpartedKind.PAIR], key=lambda one: -abs(one.amount_um))
    if pairs and not shared:
        sentences.append(_of_pair(pairs[0], more=len(pairs) - 1))
    return sentences


def likeliest_sentence(answer: Answer) -> str:
    """Return what is most likely wrong and what settles it; empty where nothing is likely."""
    if not answer.causes or answer.causes[0].probability < LIKELIEST_P:
        return ""
    cause = answer.causes[0]
    percent = f"{100 * cause.probability:.0f} %"
    settled = ""
    if answer.next:
        one = answer.next[0]
        settled = f" {one.lens} on {one.body} at {mm_to_feet_text(one.distance_mm)} says most about it."
    return f"Most likely is {_named(cause)} (P {percent}).{settled}"


def cause_sentence(cause: Cause) -> str:
    """Return the sentence of a set, a body's tape reference or an eye that is probably off; else empty."""
    percent = "> 99 %" if cause.probability > 0.99 else f"{100 * cause.probability:.0f} %"
    if cause.kind == "set":
        return f"The lenses are off together: the whole set (P {percent})."
    if cause.kind == "body_reference":
        return f"Body {cause.unit} is taped from another place than its sensor plane (P {percent})."
    if cause.kind == "eye":
        who = cause.unit or "the only eye"
        return f"The eye of {who} stops beside best focus (P {percent})."
    return ""


def _named(cause: Cause) -> str:
    return {
        "body": f"body {cause.unit}",
        "lens": f"lens {cause.unit}",
        "set": "the whole set of lenses",
        "scale": f"the scale of lens {cause.unit}",
        "setup": f"the tape of set-up {cause.unit}",
        "body_reference": f"where the tape of body {cause.unit} begins",
        "eye": f"the eye of {cause.unit}" if cause.unit else "the eye",
    }.get(cause.kind, cause.unit)


def _of_pair(found: Unparted, *, more: int) -> str:
    body, lens = found.names
    others = f", and {more} more pair{'s' if more > 1 else ''} likewise" if more else ""
    return (
        f"{body} with {lens} lands {_side(found)} by {_amount(found)}{others}: a second lens or body, or a "
        "gauge, must say whose error it is."
    )


def _of_eyes(found: Unparted) -> str:
    one, other = found.names
    return (
        f"{one} and {other} see {_amount(found)} apart: a third eye, a gauge or frames must say who is right."
    )


def _of_bench(found: Unparted) -> str:
    eye = [f"the eye of {name}" if name else "the one eye" for name in found.names]
    may_be = _listed(["the bodies", "the whole set of lenses", *eye])
    helps = _listed(["a gauge", "lenses of another set", *(["another eye"] if eye else []), "frames"])
    return f"Everything lands {_side(found)} together, by {_amount(found)}: it is {may_be}; {helps} must say."


def _listed(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} or {names[-1]}"


def _side(found: Unparted) -> str:
    return "short" if found.amount_um < 0 else "deep"


def _amount(found: Unparted) -> str:
    return give_or_take(found.amount_um, found.half_um)


def give_or_take(um: float, half_um: float) -> str:
    """Write the size of a value and half its 95 % interval as a headline does. [µm]"""
    digits = half_digits(half_um)
    return f"{decimal_text(abs(um), digits)} µm, give or take {decimal_text(half_um, digits)} (95 %)"
