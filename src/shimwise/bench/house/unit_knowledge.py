"""From a unit's row in the record to what the judge, the rules of a reading and the advice take in."""

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from shimwise.bench.house.views import HouseSettings, LensFacts, MechanismFacts
from shimwise.files.kit import KitLens
from shimwise.files.names import judged_name
from shimwise.inference.model.prep import BodyKnowledge, FocusDesign, LensKnowledge
from shimwise.remedy import Fixed, Mechanism, Screw, ShimmedMount, Turn

if TYPE_CHECKING:
    from shimwise.record.tables.rows import BodyRow, GaugeRow, LensRow

__all__ = [
    "body_coc_um",
    "body_knowledge",
    "body_text",
    "body_tolerance_um",
    "judged_name",
    "kit_lens",
    "lens_knowledge",
    "lens_text",
    "mechanism_facts",
    "mechanism_json",
    "mechanism_of",
]


def body_tolerance_um(body: "BodyRow", house: HouseSettings) -> float | None:
    """Tolerance of a body: its own, else that of its mount; None where the prep's holds. [µm]"""
    if body.tolerance_um is not None:
        return body.tolerance_um
    by_mount = {mount.casefold(): value for mount, value in house.tolerance_by_mount.items()}
    return by_mount.get(body.mount.casefold())


def body_coc_um(body: "BodyRow", house: HouseSettings) -> float:
    """Circle of confusion of a body: its own, else the house's. [µm]"""
    return house.coc_um if body.circle_of_confusion_um is None else body.circle_of_confusion_um


def body_knowledge(
    body: "BodyRow",
    *,
    house: HouseSettings,
    gauges: Iterable["GaugeRow"] = (),
    has_own_tolerance: bool = True,
    epoch: int | None = None,
) -> BodyKnowledge:
    """Give what the judge may know of a body; its history belongs to its present epoch alone."""
    is_now = epoch is None or epoch == body.epoch
    gauge_um, gauge_sd_um = _pooled(gauges)
    return BodyKnowledge(
        past_of=None if is_now else body.name,
        history_mean_um=body.history_mean_um if is_now else None,
        history_sd_um=body.history_sd_um if is_now else None,
        gauge_um=gauge_um,
        gauge_sd_um=gauge_sd_um,
        coc_um=body_coc_um(body, house),
        tolerance_um=body_tolerance_um(body, house) if has_own_tolerance else None,
    )


def kit_lens(lens: "LensRow") -> KitLens:
    """Give a lens as a kit would: what the rules of a reading ask."""
    return KitLens(
        mount=lens.mount,
        focal_lengths_mm=tuple(lens.focal_lengths_mm),
        fnumber=lens.fnumber,
        separation_mm=lens.separation_mm,
        focus_design=FocusDesign(lens.focus_design) if lens.focus_design else None,
        squeeze=lens.squeeze if lens.squeeze and lens.squeeze != 1.0 else None,
        by_distance=_table(lens),
        source="record",
    )


def lens_knowledge(
    lens: "LensRow", *, gauges: Iterable["GaugeRow"] = (), epoch: int | None = None
) -> LensKnowledge:
    """Give what the judge may know of a lens; its history belongs to its present epoch alone."""
    is_now = epoch is None or epoch == lens.epoch
    gauge_um, gauge_sd_um = _pooled(gauges)
    return LensKnowledge(
        past_of=None if is_now else lens.name,
        history_mean_um=lens.history_mean_um if is_now else None,
        history_sd_um=lens.history_sd_um if is_now else None,
        gauge_um=gauge_um,
        gauge_sd_um=gauge_sd_um,
        focal_lengths_mm=tuple(lens.focal_lengths_mm),
        fnumber=lens.fnumber,
        separation_mm=lens.separation_mm,
        focus_design=FocusDesign(lens.focus_design) if lens.focus_design else FocusDesign.UNIT,
        squeeze=lens.squeeze or 1.0,
        by_distance=_table(lens),
    )


def lens_text(lens: "LensRow | LensFacts") -> str:
    """Tell of a lens its focal length, or those at a zoom's ends, and its stop: ``24–80 mm f/2.8``."""
    focal = list(lens.focal_lengths_mm)
    ends = sorted({min(focal), max(focal)}) if focal else []
    parts = ["–".join(f"{end:g}" for end in ends) + " mm"] if ends else []
    if lens.fnumber is not None and math.isfinite(lens.fnumber):
        parts.append(f"f/{lens.fnumber:g}")
    if lens.squeeze and lens.squeeze != 1.0:
        parts.append(f"{lens.squeeze:g}×")
    return " ".join(parts)


def body_text(body: "BodyRow") -> str:
    """Tell of a body its mount and serial number."""
    return ", ".join(part for part in (body.mount, body.serial) if part)


_MECHANISM_FACTS = {
    "screw": ("um_per_turn", "um_per_turn_sd", "away", "has_lock", "backlash_um"),
    "shimmed mount": ("stock_um",),
    "fixed": (),
}
"""What may be known of each kind of mechanism."""


def mechanism_of(stored: Mapping[str, Any] | None) -> Mechanism | None:
    """Return a mechanism as the advice takes it in; raise RemedyError if a number in it is impossible."""
    if not stored:
        return None
    known = {
        name: stored[name] for name in _MECHANISM_FACTS.get(stored.get("kind", ""), ()) if name in stored
    }
    if stored.get("kind") == "screw":
        return Screw(**{**known, "away": Turn(known["away"]) if known.get("away") else None})
    if stored.get("kind") == "shimmed mount":
        return ShimmedMount(stock_um=tuple(known.get("stock_um") or ()))
    return Fixed() if stored.get("kind") == "fixed" else None


def mechanism_json(facts: MechanismFacts | None) -> dict[str, Any] | None:
    """Return what the record keeps of a mechanism: its kind and what is known."""
    if facts is None:
        return None
    known = {name: getattr(facts, name) for name in _MECHANISM_FACTS.get(facts.kind, ())}
    if "stock_um" in known:
        known["stock_um"] = list(facts.stock_um)
    return {"kind": facts.kind, **{name: value for name, value in known.items() if value not in (None, "")}}


def mechanism_facts(stored: Mapping[str, Any] | None) -> MechanismFacts | None:
    """Return a mechanism as the pages show it."""
    if not stored:
        return None
    known = {name: value for name, value in stored.items() if value is not None}
    return MechanismFacts(**{**known, "stock_um": tuple(known.get("stock_um", ()))})


def _table(lens: "LensRow") -> tuple[tuple[float, float, float], ...]:
    return tuple((float(d), float(f), float(h)) for d, f, h in lens.by_distance or ())


def _pooled(gauges: Iterable["GaugeRow"]) -> tuple[float | None, float | None]:
    """Weigh several gauge values of one unit by their precision: value and standard uncertainty. [µm]"""
    taken = [(gauge.value_um, gauge.sd_um**-2) for gauge in gauges if gauge.withdrawn_at is None]
    if not taken:
        return None, None
    precision = sum(weight for _, weight in taken)
    return sum(value * weight for value, weight in taken) / precision, precision**-0.5
