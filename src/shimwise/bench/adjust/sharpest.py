"""Where the picture is sharpest along a screw, in turns: found with frames, or by eye with repeats.

0 is where the screw was when the adjustment was begun; + is clockwise, looking at its head.
"""

import math
import statistics
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from shimwise.bench.adjust.journal import KeptAdjustment
from shimwise.bench.errors import InputError
from shimwise.bench.prep.prep_data import PrepMaterial
from shimwise.bench.typed_turns import read_turns
from shimwise.errors import SheetError
from shimwise.record.tables.rows import SweepRow
from shimwise.remedy.adjustment_steps import Move
from shimwise.remedy.mechanism import Turn

ANGLE_SD_TURNS = 0.004
"""How well an angle is turned and read off a screw's head: 1.5°. [turns] Common practice, no source."""
LEAST_REPEATS, MOST_REPEATS = 3, 10
T95 = {2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 6: 2.45, 7: 2.36, 8: 2.31, 9: 2.26}
"""Student's t for 95 %, both sides, by degrees of freedom (any statistical table; from memory)."""
MOST_TURNS = 3.0
_NOT_ALONG = "This sweep is not along a screw: its frames have to be listed by turns."


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """Where it is sharpest [turns, + clockwise], half its 95 % interval [turns], and how that was found.

    ``um_per_turn`` and ``um_per_turn_sd``: travel of the screw where the frames show it. [µm]
    """

    turns: float
    half_turns: float
    how: str
    um_per_turn: float | None = None
    um_per_turn_sd: float | None = None

    @property
    def words(self) -> str:
        """Where the peak is, which way, and how to come there."""
        size = f"{abs(self.turns):.3f} ± {self.half_turns:.3f} turn ({360 * abs(self.turns):.0f}°)"
        lies = f"The peak lies {size} {self.way} of where the screw stood at first (95 %), {self.how}"
        if abs(self.turns) <= self.half_turns:
            return f"{lies}: as near as can be told, it stood right."
        return f"{lies}. Bring it there, counted from that place, coming up {self.way}."

    @property
    def way(self) -> Turn:
        """The sense of rotation toward it."""
        return Turn.CLOCKWISE if self.turns >= 0 else Turn.ANTICLOCKWISE

    def moving(self, change_um: float | None, change_sd_um: float | None) -> Move:
        """Return the move that brings the screw there, instead of the computed one."""
        return Move(
            change_um=change_um,
            change_sd_um=change_sd_um,
            turns=abs(self.turns),
            turn=self.way,
            approach=self.way,
            seen_um_per_turn=self.um_per_turn,
            seen_um_per_turn_sd=self.um_per_turn_sd,
        )


def swept_file(path: Path) -> dict[str, Any]:
    """Read a sweep's result from the file that ``shimwise sweep --out`` wrote.

    Raises
    ------
    SheetError
        When it cannot be read, or is no sweep.
    """
    from shimwise.sheets.json.sweep_json import read_sweep

    return read_sweep(path)


def peak_of_sweep(document: Mapping[str, Any], *, field: str = "sweep") -> Peak:
    """Read the peak from a sweep's result; what is refused names ``field``.

    Raises
    ------
    InputError
        When it is no sweep, not one along a screw, or a flag withholds its peak.
    """
    from shimwise.sheets.json.sweep_json import validate_sweep

    try:
        validate_sweep(document, name="What was sent")
    except SheetError as error:
        raise InputError(str(error), field=field) from error
    if document.get("swept") != "screw":
        raise InputError(_NOT_ALONG, field=field)
    turns, sd = document.get("best_turns"), document.get("sd_turns")
    if turns is None or sd is None:
        why = "; ".join(flag.rstrip(".") for flag in document["flags"][:2]) or "the frames do not say"
        raise InputError(f"This sweep tells no peak: {why}.", field=field)
    own = (document["high_turns"] - document["low_turns"]) / 2
    lens, travel_sd_um = document.get("lens"), document.get("um_per_turn_sd")
    peak = _checked(
        float(turns),
        half_turns=math.hypot(own, 2 * ANGLE_SD_TURNS),
        how="by frames" + (f" with {lens}" if lens else ""),
        field=field,
    )
    if travel_sd_um is None:  # the travel was entered: the frames add nothing to it
        return peak
    return replace(peak, um_per_turn=document["um_per_turn"], um_per_turn_sd=travel_sd_um)


def screw_sweeps(material: PrepMaterial, kept: KeptAdjustment) -> list[SweepRow]:
    """Return the sweeps along the screw taken since the adjustment was begun, first those with a peak.

    Of either kind the newest first.
    """
    found = [row for row in material.sweeps if not _why_unfit(row, material, kept)]
    return sorted(
        found, key=lambda row: (row.result.get("best_turns") is not None, row.taken_at), reverse=True
    )


def peak_of_kept(material: PrepMaterial, kept: KeptAdjustment, sweep_id: str) -> Peak:
    """Read the peak from a sweep that is kept in the prep.

    Raises
    ------
    InputError
        When the prep has none of this id, it was withdrawn, is of another body, not along a screw or from
        before the adjustment, or a flag withholds its peak.
    """
    row = next((one for one in material.sweeps if one.id == sweep_id), None)
    if row is None:
        raise InputError("is no sweep of this prep.", field="sweep_id", typed=sweep_id)
    if why := _why_unfit(row, material, kept):
        raise InputError(why, field="sweep_id")
    return peak_of_sweep(row.result, field="sweep_id")


def _why_unfit(row: SweepRow, material: PrepMaterial, kept: KeptAdjustment) -> str:
    """Return why a kept sweep has no peak for the screw that is turned now; empty if it has one."""
    if row.body_id != kept.unit_id:
        body = material.bodies[row.body_id].name
        return (
            f"This sweep is of body {body}, and {kept.unit_name} is adjusted. Choose one of {kept.unit_name}."
        )
    if row.withdrawn_at is not None:
        return f"This sweep was withdrawn: {row.withdrawn_reason}. Choose another one."
    if row.result.get("swept") != "screw":
        return _NOT_ALONG
    if row.taken_at < kept.begun_at or row.body_epoch != kept.epoch:
        return (
            "This sweep is from before the adjustment was begun, and the screw may have been turned since. "
            "Take one now, 0 being where the screw is."
        )
    return ""


def peak_by_eye(text: str) -> Peak:
    """Read where it was sharpest, found anew each time: ``0.10 0.12 0.11 clockwise``, ``36° 40° 38° cw``.

    Raises
    ------
    InputError
        When one is no turn, or there are fewer than three.
    """
    words = text.replace(";", " ").split()
    sense = words.pop() if words and words[-1].rstrip(".").isalpha() else ""
    if not LEAST_REPEATS <= len(words) <= MOST_REPEATS:
        raise InputError(
            f"has {len(words)} of {LEAST_REPEATS} places at least (at most {MOST_REPEATS}). Turn away "
            "and find the sharpest anew each time; write 0.10 0.12 0.11 clockwise.",
            field="sharpest",
            typed=text,
        )
    found = []
    for word in words:
        turns, turn = read_turns(f"{word} {sense}".strip(), turn=None, field="sharpest")
        found.append(turns if turn is Turn.CLOCKWISE else -turns)
    own = T95[len(found) - 1] * statistics.stdev(found) / math.sqrt(len(found))
    return _checked(
        statistics.fmean(found),
        half_turns=math.hypot(own, 2 * ANGLE_SD_TURNS),
        how=f"by eye, {len(found)} times",
        field="sharpest",
    )


def _checked(turns: float, *, half_turns: float, how: str, field: str) -> Peak:
    if not abs(turns) <= MOST_TURNS:
        raise InputError(f"A peak {turns:+.1f} turns away cannot be; count the turns again.", field=field)
    return Peak(turns=turns, half_turns=half_turns, how=how)
