"""What the rows of a file, and the kit, say of each lens: it has to be the same every time."""

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from shimwise.files.errors import CellError
from shimwise.files.kit import FROM_KIT, KitLens
from shimwise.inference.model.prep import Axis, FocusDesign

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class LensFacts:
    """What is agreed of a lens for one row; ``nearest_mm``: the least distance that its own table gives."""

    squeeze: float
    separation_mm: float | None
    focus_design: FocusDesign | None
    kit_separation_mm: float | None
    nearest_mm: float | None

    def least_mm(self, focal_mm: float, axis: Axis | None) -> float:
        """Least distance from the sensor that can be sharp, 4 f + H of the axis judged [mm]."""
        if self.nearest_mm is not None:
            return self.nearest_mm
        separation_mm = self.kit_separation_mm if self.separation_mm is None else self.separation_mm
        return 4 * focal_mm / _squeeze_along(axis, self.squeeze) + (separation_mm or 0.0)


def _squeeze_along(axis: Axis | None, squeeze: float) -> float:
    """Share of the focal length that an axis loses; between the two where no axis is named."""
    if axis is Axis.VERTICAL:
        return 1.0
    return squeeze if axis is Axis.HORIZONTAL else math.sqrt(squeeze)


@dataclass(frozen=True, slots=True)
class _First:
    """A value as it stood first, and its line."""

    value: object
    line: int


class LensLedger:
    """Keeps what was said of each lens first, and refuses a row that says otherwise."""

    def __init__(self, lenses: Mapping[str, KitLens]) -> None:
        self.lenses = lenses
        self.focal: dict[str, tuple[float, int]] = {}
        self.first: dict[tuple[object, ...], _First] = {}
        self.seen: dict[tuple[object, ...], LensFacts] = {}

    def agreed(
        self,
        lens: str,
        *,
        line: int,
        focal_mm: float,
        distance_mm: float,
        squeeze: float | None,
        separation_mm: float | None,
        focus_design: FocusDesign | None,
    ) -> LensFacts:
        """Give what holds for this lens in this row.

        Raises
        ------
        CellError
            When the focal length changes on a lens that is no zoom, or squeeze, focus design or separation
            change, between rows or against the kit.
        """
        key = (lens, focal_mm, distance_mm, squeeze, separation_mm, focus_design)
        if key not in self.seen:
            kit = self.lenses.get(lens, KitLens())
            self._check_focal(lens, kit, focal_mm, line)
            said = squeeze or (None if kit.squeeze else 1.0)
            self._check(lens, "squeeze", kit.squeeze, said, line, kit=kit)
            self._check(lens, "focus_design", kit.focus_design, focus_design, line, kit=kit)
            design = focus_design or kit.focus_design
            if not kit.by_distance:
                place = (focal_mm, distance_mm if design is FocusDesign.INTERNAL else None)
                in_kit = None if kit.is_zoom or place[1] else kit.separation_mm
                self._check(lens, "principal_separation_mm", in_kit, separation_mm, line, *place, kit=kit)
            self.seen[key] = LensFacts(
                squeeze=squeeze or kit.squeeze or 1.0,
                separation_mm=separation_mm,
                focus_design=design,
                kit_separation_mm=kit.separation_mm,
                nearest_mm=min((4 * f + h for _, f, h in kit.by_distance), default=None),
            )
        return self.seen[key]

    def _check_focal(self, lens: str, kit: KitLens, focal_mm: float, line: int) -> None:
        marked = kit.focal_lengths_mm
        if kit.is_zoom:
            if not marked[0] <= focal_mm <= marked[-1]:
                raise CellError(
                    f"{lens} is {focal_mm:g} mm here, but {marked[0]:g} to {marked[-1]:g} mm in the "
                    f"{kit.source}. Correct the one that is wrong.",
                    column="focal_length_mm",
                    found=f"{focal_mm:g}",
                )
            return
        known_mm, first = (marked[0], 0) if marked else self.focal.setdefault(lens, (focal_mm, line))
        if known_mm == focal_mm:
            return
        low, high = sorted((known_mm, focal_mm))
        place = f"the kit file: [lenses.{_toml_key(lens)}] focal_length_mm = [{low:g}, {high:g}]"
        if kit.source != FROM_KIT:
            place = f"the {kit.source}, on its page."
        raise CellError(
            f"{lens} is {focal_mm:g} mm here, but {known_mm:g} mm {_where(first, kit)}. A lens keeps its "
            f"focal length: correct it, or, if it is a zoom, say so in {place}",
            column="focal_length_mm",
            found=f"{focal_mm:g}",
        )

    def _check(
        self,
        lens: str,
        column: str,
        in_kit: object,
        here: object,
        line: int,
        *place: float | None,
        kit: KitLens,
    ) -> None:
        """Refuse a value that differs from the kit's, or else from the first row's (empty counts)."""
        if in_kit is not None:
            known = _First(in_kit, 0)
            is_same = here is None or here == in_kit
        else:
            known = self.first.setdefault((lens, column, *place), _First(here, line))
            is_same = here == known.value
        if is_same:
            return
        raise CellError(
            f"{lens} has {_said(here)} here, but {_said(known.value)} {_where(known.line, kit)}. "
            f"A lens keeps its {column}: write the same in every row, or only in the {kit.source}.",
            column=column,
            found="" if here is None else str(here),
        )


def _where(line: int, kit: KitLens) -> str:
    return f"on line {line}" if line else f"in the {kit.source}"


def _said(value: object) -> str:
    return "nothing" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _toml_key(name: str) -> str:
    return name if _BARE_KEY.fullmatch(name) else json.dumps(name, ensure_ascii=False)
