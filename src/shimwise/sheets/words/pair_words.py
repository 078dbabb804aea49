"""Pairs and differences in words: where a lens lands on a body, a body's lenses as a set, two bodies."""

from collections.abc import Iterator, Sequence

from shimwise.inference.verdict.answer import Answer, DifferenceAnswer, PairAnswer, Verdict
from shimwise.number_format import decimal_text, half_digits, half_text, plus_minus_text
from shimwise.sheets.words.shared import counted, listed, plain

MOST_NAMED = 4
MOST_DIFFERENCES = 3


def pair_text(pair: PairAnswer) -> str:
    """Return where a lens lands on a body, with half its 95 % interval, ``−14 ± 6``. [µm]"""
    return plus_minus_text(pair.landing_um, (pair.high_um - pair.low_um) / 2)


def difference_text(one: DifferenceAnswer) -> str:
    """Return body against body: ``A-12 lies 31 ± 5 µm deeper than A-07``; or that they do not differ."""
    half_um = (one.high_um - one.low_um) / 2
    size = f"{decimal_text(abs(one.difference_um), half_digits(half_um))} {half_text(half_um)} µm"
    deeper, other = (one.body, one.than) if one.difference_um > 0 else (one.than, one.body)
    if one.low_um <= 0 <= one.high_um:
        return f"{plain(one.body)} and {plain(one.than)} lie {size} apart, so perhaps alike"
    return f"{plain(deeper)} lies {size} deeper than {plain(other)}"


def certain_differences(answer: Answer) -> list[DifferenceAnswer]:
    """Return the differences between bodies that are not nought, the largest first."""
    found = [one for one in answer.differences if one.low_um > 0 or one.high_um < 0]
    return sorted(found, key=lambda one: -abs(one.difference_um))


def pairs_on(answer: Answer, body: str) -> list[PairAnswer]:
    """Return the pairs of a body whose lens and body were read, in the order of the lenses."""
    return [one for one in answer.pairs if one.body == body and one.verdict is not Verdict.NOT_CHECKED]


def set_texts(answer: Answer) -> Iterator[str]:
    """Yield for each body what the marks do on it, once something of it is decided."""
    for body in answer.bodies:
        pairs = pairs_on(answer, body.name)
        if any(one.verdict.is_decided for one in pairs):
            yield f"On {plain(body.name)}, {_set_text(pairs, body.tolerance_um)}."


def _set_text(pairs: Sequence[PairAnswer], tolerance_um: float) -> str:
    fine = [one for one in pairs if one.verdict is Verdict.IN_TOLERANCE]
    within, count = f"within ±{tolerance_um:g} µm", len(fine)
    if count == len(pairs):
        return f"the marks hold: {'the lens lands' if count == 1 else f'all {count} lenses land'} {within}"
    parts = []
    if fine:
        lands = "lands" if count == 1 else "land"
        parts.append(f"{count} of {counted(len(pairs), 'lens')} {lands} {within}")
    for verdict, way in ((Verdict.OUT_SHORT, "short"), (Verdict.OUT_DEEP, "deep")):
        if out := [one for one in pairs if one.verdict is verdict]:
            parts.append(_out_text(out, way))
    if undecided := [plain(one.lens) for one in pairs if not one.verdict.is_decided]:
        is_ = "is" if len(undecided) == 1 else "are"
        parts.append(f"{listed(undecided, most=MOST_NAMED)} {is_} not decided")
    return "; ".join(parts)


def _out_text(pairs: Sequence[PairAnswer], way: str) -> str:
    names = listed([plain(one.lens) for one in pairs], most=MOST_NAMED)
    if len(pairs) == 1:
        half_um = (pairs[0].high_um - pairs[0].low_um) / 2
        size = f"{decimal_text(abs(pairs[0].landing_um), half_digits(half_um))} {half_text(half_um)} µm"
        return f"{names} lands {size} {way}"
    sizes = sorted(abs(one.landing_um) for one in pairs)
    return f"{names} land {decimal_text(sizes[0])} to {decimal_text(sizes[-1])} µm {way}"
