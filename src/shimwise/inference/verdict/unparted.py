"""Findings without a unit: a sum is out, and its parts cannot be separated.

Such a finding lists what is known and asks for what would settle it; no remedy follows from it.
"""

import numpy as np

from shimwise.inference.model.priors import Effect
from shimwise.inference.verdict.answer import OUT, Unparted, UnpartedKind
from shimwise.inference.verdict.decision import CALL_OUT_P
from shimwise.inference.verdict.findings import BODY, LENS, PAIR, Findings
from shimwise.inference.verdict.held import LIKELY


def unparted_of(found: Findings) -> tuple[Unparted, ...]:
    """Return pairs that are out while neither part is called out, persons who differ, and what all share."""
    return (*_pairs(found), *_persons(found), *_common(found))


def _pairs(found: Findings) -> list[Unparted]:
    called = {
        (kind, *found.names(row))
        for kind in (BODY, LENS)
        for row in found.rows(kind)
        if found.verdicts[row] in OUT
    }
    return [
        _finding(found, UnpartedKind.PAIR, row)
        for row in found.rows(PAIR)
        if found.verdicts[row] in OUT and found.names(row) in found.read
        if not called & set(zip((BODY, LENS), found.names(row), strict=True))
    ]


def _persons(found: Findings) -> list[Unparted]:
    """Return two persons who see apart, where neither is known to be off; in µm at the prep's usual blur."""
    decided = {found.names(row)[0] for row in found.rows(Effect.EYE.value) if found.p_out(row) >= CALL_OUT_P}
    blur_um = found.built.model.rows.blur_um
    usual_um = float(np.median(blur_um[blur_um > 0])) if np.any(blur_um) else 0.0
    return [
        _finding(found, UnpartedKind.EYES, row, unit_um=usual_um)
        for row in found.rows("eye_difference")
        if (found.low[row] > 0 or found.high[row] < 0) and not decided & set(found.names(row))
    ]


def _common(found: Findings) -> list[Unparted]:
    if any(found.verdicts[row] in OUT for row in found.rows(BODY)):
        return []
    persons = found.built.model.persons if found.only_eye_um() else ()
    return [
        _finding(found, UnpartedKind.BENCH, row, names=persons)
        for row in found.rows("common")
        if max(found.below[row], found.above[row]) >= LIKELY
    ]


def _finding(
    found: Findings,
    kind: UnpartedKind,
    row: int,
    *,
    unit_um: float = 1.0,
    names: tuple[str, ...] | None = None,
) -> Unparted:
    return Unparted(
        kind=kind,
        names=found.names(row) if names is None else names,
        amount_um=unit_um * float(found.estimate[row]),
        sd_um=unit_um * float(found.sd[row]),
        low_um=unit_um * float(found.low[row]),
        high_um=unit_um * float(found.high[row]),
    )
