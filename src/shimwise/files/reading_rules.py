"""The rules of a reading, from a file or typed: its lens stays the same and keeps its near limit."""

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from shimwise.files.errors import CellError, shown
from shimwise.files.kit import FROM_KIT, KitLens
from shimwise.inference.model.prep import Axis, FocusDesign

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class EnteredReading:
    """What a row or a person states of a reading and its lens; None where nothing is stated.

    ``line`` is that of the file. ``distance_text`` and ``reading_text`` are the two lengths as written.
    """

    lens: str
    line: int
    focal_mm: float
    distance_mm: float
    reading_mm: float
    distance_text: str
    reading_text: str
    axis: Axis | None = None
    squeeze: float | None = None
    separation_mm: float | None = None
    focus_design: FocusDesign | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AgreedLens:
    """What holds of a lens for one reading; ``nearest_mm``: the least distance of its own table."""

    squeeze: float
    separation_mm: float | None
    focus_design: FocusDesign | None
    kit_separation_mm: float | None
    nearest_mm: float | None

    def least_mm(self, focal_mm: float, axis: Axis | None) -> float:
        """Return the least distance from the sensor that can be sharp, 4 f + H of the axis judged. [mm]"""
        if self.nearest_mm is not None:
            return self.nearest_mm
        separation_mm = self.kit_separation_mm if self.separation_mm is None else self.separation_mm
        if axis is Axis.VERTICAL:
            share = 1.0
        else:  # between the two axes where none is named
            share = self.squeeze if axis is Axis.HORIZONTAL else math.sqrt(self.squeeze)
        return 4 * focal_mm / share + (separation_mm or 0.0)


class ReadingRules:
    """The rules of the readings of one file, or of a reading that is typed.

    Parameters
    ----------
    lenses : mapping of str to KitLens
        What is known of the lenses beforehand.
    """

    def __init__(self, lenses: Mapping[str, KitLens]) -> None:
        self.lenses = lenses
        self._first: dict[tuple[object, ...], tuple[object, int]] = {}
        self._focal: dict[str, tuple[float, int]] = {}
        self._agreed: dict[tuple[object, ...], AgreedLens] = {}

    def checked(self, entered: EnteredReading) -> AgreedLens:
        """Return what holds of the lens for this reading.

        Raises
        ------
        CellError
            If the focal length changes on a lens that is no zoom; if squeeze, focus design or separation
            change between readings or against what is known; if an axis is named of a lens without squeeze;
            if a distance lies inside the near limit.
        """
        lens = self._lens(entered)
        if entered.axis is not None and lens.squeeze == 1.0:
            raise CellError(
                f"an axis is given, but {entered.lens} has no squeeze; write its squeeze, such as 2, in the "
                "column squeeze or in the kit.",
                column="axis",
                found=entered.axis.value,
            )
        least_mm = lens.least_mm(entered.focal_mm, entered.axis)
        for column, mm, text in (
            ("distance", entered.distance_mm, entered.distance_text),
            ("reading", entered.reading_mm, entered.reading_text),
        ):
            if mm < least_mm:
                raise CellError(
                    f"[{shown(text)}] is {mm:.1f} mm, inside the near limit of {entered.lens}: it can be "
                    f"sharp from {least_mm:.1f} mm on (four focal lengths, and the separation of its "
                    "principal planes). Check the unit, and the focal length.",
                    column=column,
                    found=text,
                )
        return lens

    def _lens(self, one: EnteredReading) -> AgreedLens:
        key = (one.lens, one.focal_mm, one.distance_mm, one.squeeze, one.separation_mm, one.focus_design)
        if key not in self._agreed:
            kit = self.lenses.get(one.lens, KitLens())
            self._check_focal(one, kit)
            squeeze = one.squeeze or (None if kit.squeeze else 1.0)
            self._check(one, "squeeze", kit.squeeze, squeeze, kit=kit)
            self._check(one, "focus_design", kit.focus_design, one.focus_design, kit=kit)
            design = one.focus_design or kit.focus_design
            if not kit.by_distance:
                place = (one.focal_mm, one.distance_mm if design is FocusDesign.INTERNAL else None)
                known = None if kit.is_zoom or place[1] else kit.separation_mm
                self._check(one, "principal_separation_mm", known, one.separation_mm, *place, kit=kit)
            self._agreed[key] = AgreedLens(
                squeeze=one.squeeze or kit.squeeze or 1.0,
                separation_mm=one.separation_mm,
                focus_design=design,
                kit_separation_mm=kit.separation_mm,
                nearest_mm=min((4 * f + h for _, f, h in kit.by_distance), default=None),
            )
        return self._agreed[key]

    def _check_focal(self, one: EnteredReading, kit: KitLens) -> None:
        lens, focal_mm, marked = one.lens, one.focal_mm, kit.focal_lengths_mm
        if kit.is_zoom:
            if not marked[0] <= focal_mm <= marked[-1]:
                raise CellError(
                    f"{lens} is {focal_mm:g} mm here, but {marked[0]:g} to {marked[-1]:g} mm in the "
                    f"{kit.source}. Correct the one that is wrong.",
                    column="focal_length_mm",
                    found=f"{focal_mm:g}",
                )
            return
        known_mm, line = (marked[0], 0) if marked else self._focal.setdefault(lens, (focal_mm, one.line))
        if known_mm == focal_mm:
            return
        low, high = sorted((known_mm, focal_mm))
        place = f"the kit file: [lenses.{_toml_key(lens)}] focal_length_mm = [{low:g}, {high:g}]"
        if kit.source != FROM_KIT:
            place = f"the {kit.source}, on its page."
        raise CellError(
            f"{lens} is {focal_mm:g} mm here, but {known_mm:g} mm {_where(line, kit)}. A lens keeps its "
            f"focal length: correct it, or, if it is a zoom, say so in {place}",
            column="focal_length_mm",
            found=f"{focal_mm:g}",
        )

    def _check(
        self,
        one: EnteredReading,
        column: str,
        in_kit: object,
        here: object,
        *place: float | None,
        kit: KitLens,
    ) -> None:
        """Refuse a value that differs from the kit's, or else from the first row's (empty counts)."""
        if in_kit is not None:
            known, line = in_kit, 0
            is_same = here is None or here == in_kit
        else:
            known, line = self._first.setdefault((one.lens, column, *place), (here, one.line))
            is_same = here == known
        if is_same:
            return
        raise CellError(
            f"{one.lens} has {value_text(here)} here, but {value_text(known)} {_where(line, kit)}. "
            f"A lens keeps its {column}: write the same in every row, or only in the {kit.source}.",
            column=column,
            found="" if here is None else str(here),
        )


def value_text(value: object) -> str:
    """Write a value that a message quotes; ``nothing`` for None."""
    return "nothing" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _where(line: int, kit: KitLens) -> str:
    return f"on line {line}" if line else f"in the {kit.source}"


def _toml_key(name: str) -> str:
    return name if _BARE_KEY.fullmatch(name) else json.dumps(name, ensure_ascii=False)
