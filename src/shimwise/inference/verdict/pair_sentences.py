"""Sentences of pairs and differences: a body on which the marks hold, and body against body."""

from shimwise.inference.verdict.answer import Answer, DifferenceAnswer, PairAnswer, Verdict
from shimwise.number_format import size_text


def pairs_on(answer: Answer, body: str) -> list[PairAnswer]:
    """Return the pairs of a body whose lens and body were read, in the order of the lenses."""
    return [one for one in answer.pairs if one.body == body and one.verdict is not Verdict.NOT_CHECKED]


def certain_differences(answer: Answer) -> list[DifferenceAnswer]:
    """Return the differences between bodies whose interval does not hold nought, the largest first."""
    there = {body.name for body in answer.bodies}
    of_these = [one for one in answer.differences if {one.body, one.than} <= there]
    found = [one for one in of_these if one.low_um > 0 or one.high_um < 0]
    return sorted(found, key=lambda one: -abs(one.difference_um))


def difference_sentence(one: DifferenceAnswer) -> str:
    """Return body against body: ``A-12 lies 31 ± 5 µm deeper than A-07.``; or that they may lie alike."""
    size = f"{size_text(one.difference_um, one.half_um)} µm"
    if one.low_um <= 0 <= one.high_um:
        return f"{one.body} and {one.than} may lie alike: {size} apart."
    deeper, other = (one.body, one.than) if one.difference_um > 0 else (one.than, one.body)
    return f"{deeper} lies {size} deeper than {other}."


def pair_sentences(answer: Answer) -> list[str]:
    """Return what is known of undecided bodies: where the marks hold, and the largest difference."""
    undecided = {body.name: body for body in answer.bodies if not body.verdict.is_decided}
    held = [body for body in undecided.values() if _holds(pairs_on(answer, body.name))]
    sentences = []
    for body in held[:1]:
        count = len(pairs_on(answer, body.name))
        lenses = f"all {count} lenses land" if count > 1 else "the lens lands"
        more = f", and so on {len(held) - 1} more" if len(held) > 1 else ""
        sentences.append(f"On {body.name} the marks hold: {lenses} within ±{body.tolerance_um:g} µm{more}.")
    of_undecided = [one for one in certain_differences(answer) if undecided.keys() & {one.body, one.than}]
    return sentences + [difference_sentence(one) for one in of_undecided[:1]]


def _holds(pairs: list[PairAnswer]) -> bool:
    return bool(pairs) and all(one.verdict is Verdict.IN_TOLERANCE for one in pairs)
