"""Pairs and differences in words: where a lens lands on a body, a body's lenses as a set."""

from collections.abc import Iterator, Sequence

from shimwise.inference.verdict.answer import OUT, Answer, PairAnswer, Verdict
from shimwise.inference.verdict.pair_sentences import pairs_on
from shimwise.number_format import decimal_text, plus_minus_text, size_text
from shimwise.sheets.words.shared import counted, listed, plain

MOST_NAMED = 4


def pair_text(pair: PairAnswer) -> str:
    """Return where a lens lands on a body, with half its 95 % interval, ``−14 ± 6``. [µm]"""
    return plus_minus_text(pair.landing_um, pair.half_um)


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
        parts.append(f"{count} of {counted(len(pairs), 'lens')} {'is' if count == 1 else 'are'} {within}")
    out = {verdict: [one for one in pairs if one.verdict is verdict] for verdict in OUT}
    parts += [_out_text(found, verdict.way) for verdict, found in out.items() if found]
    return "; ".join(parts)


def _out_text(pairs: Sequence[PairAnswer], way: str) -> str:
    names = listed([plain(one.lens) for one in pairs], most=MOST_NAMED)
    if len(pairs) == 1:
        return f"{names} lands {size_text(pairs[0].landing_um, pairs[0].half_um)} µm {way}"
    sizes = sorted(abs(one.landing_um) for one in pairs)
    ends = dict.fromkeys(decimal_text(size) for size in (sizes[0], sizes[-1]))
    return f"{names} land {' to '.join(ends)} µm {way}"
