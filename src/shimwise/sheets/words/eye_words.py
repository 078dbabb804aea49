"""A person's eye in words: where it stops beside best focus, and how well it repeats."""

import math

from shimwise.inference.model.prep import DEFAULT_COC_UM
from shimwise.inference.verdict.answer import Z95, OperatorAnswer
from shimwise.number_format import half_text, plus_minus_text
from shimwise.sheets.words.shared import plain

USUAL_FNUMBER = 2.0
"""Shares of N·c are written in microns at this f-number and the usual circle of confusion."""


def eye_text(one: OperatorAnswer) -> str:
    """Return where a person stops, and the spread of it, at f/2: ``stops +1 ± 4 µm beside …``; short < 0."""
    unit_um = USUAL_FNUMBER * DEFAULT_COC_UM
    repeats = f"repeats to {half_text(Z95 * unit_um * one.k)} µm"
    if not math.isfinite(one.offset):
        return repeats
    half_um = unit_um * (one.offset_high - one.offset_low) / 2
    return f"stops {plus_minus_text(unit_um * one.offset, half_um)} µm beside best focus and {repeats}"


def eyes_text(operators: tuple[OperatorAnswer, ...]) -> str:
    """Return all persons of a verdict in one sentence; empty where frames alone have measured."""
    eyes = [f"{plain(one.name) or 'who gave no name'} {eye_text(one)}" for one in operators]
    return f"Eyes, at f/{USUAL_FNUMBER:g} (95 %): {'; '.join(eyes)}." if eyes else ""
