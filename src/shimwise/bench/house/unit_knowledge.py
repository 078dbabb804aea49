"""A unit's row of the record as the judge, the rules of a reading and the advice take it in."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from shimwise.bench.desk.inputs import optics_text
from shimwise.bench.house.views import HouseSettings, LensFacts, MechanismFacts
from shimwise.fields import build_from
from shimwise.files.kit import KitLens
from shimwise.inference.model.judged_names import judged_name as judged_name
from shimwise.inference.model.prep import BodyKnowledge, FocusDesign, LensKnowledge
from shimwise.remedy.mechanism import Fixed, Mechanism, Screw, ShimmedMount, Turn

if TYPE_CHECKING:
    from shimwise.record.tables.rows import BodyRow, GaugeRow, LensRow


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
    """Return what the judge may know of a body; its history belongs to its present epoch alone."""
    return BodyKnowledge(
        **_known_before(body, gauges, epoch),
        coc_um=body_coc_um(body, house),
        tolerance_um=body_tolerance_um(body, house) if has_own_tolerance else None,
    )


def kit_lens(lens: "LensRow") -> KitLens:
    """Return a lens as a kit would have it, which the rules of a reading take in."""
    return build_from(
        KitLens,
        lens,
        focal_lengths_mm=tuple(lens.focal_lengths_mm),
        focus_design=FocusDesign(lens.focus_design) if lens.focus_design else None,
        squeeze=lens.squeeze if lens.squeeze and lens.squeeze != 1.0 else None,
        by_distance=tuple((float(d), float(f), float(h)) for d, f, h in lens.by_distance or ()),
        marks_mm=tuple(lens.marks_mm or ()),
        source="record",
    )


def lens_knowledge(
    lens: "LensRow", *, gauges: Iterable["GaugeRow"] = (), epoch: int | None = None
) -> LensKnowledge:
    """Return what the judge may know of a lens; its history belongs to its present epoch alone."""
    return replace(kit_lens(lens).knowledge(), **_known_before(lens, gauges, epoch))


def _known_before(
    unit: "BodyRow | LensRow", gauges: Iterable["GaugeRow"], epoch: int | None
) -> dict[str, Any]:
    """Return history and gauge of a unit in an epoch, the present one if None."""
    is_now = epoch is None or epoch == unit.epoch
    gauge_um, gauge_sd_um = _pooled(gauges)
    return {
        "past_of": None if is_now else unit.name,
        "history_mean_um": unit.history_mean_um if is_now else None,
        "history_sd_um": unit.history_sd_um if is_now else None,
        "gauge_um": gauge_um,
        "gauge_sd_um": gauge_sd_um,
    }


def lens_text(lens: "LensRow | LensFacts") -> str:
    """Return a lens in few words: ``24–80 mm f/2.8``, and its squeeze."""
    squeeze = f" {lens.squeeze:g}×" if lens.squeeze and lens.squeeze != 1.0 else ""
    return (optics_text(lens.focal_lengths_mm, lens.fnumber) + squeeze).strip()


def body_text(body: "BodyRow") -> str:
    """Return a body in few words: its mount and serial number."""
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


def _pooled(gauges: Iterable["GaugeRow"]) -> tuple[float | None, float | None]:
    """Return the weighted mean of gauge values of one unit, and its standard uncertainty. [µm]"""
    taken = [(gauge.value_um, gauge.sd_um**-2) for gauge in gauges if gauge.withdrawn_at is None]
    if not taken:
        return None, None
    precision = sum(weight for _, weight in taken)
    return sum(value * weight for value, weight in taken) / precision, precision**-0.5
