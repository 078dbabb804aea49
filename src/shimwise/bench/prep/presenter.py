"""From a prep's rows to what is shown of it: landings reckoned, agreements told, the verdict beside them."""

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from shimwise.bench.house.unit_knowledge import (
    body_coc_um,
    body_knowledge,
    body_text,
    body_tolerance_um,
    judged_name,
    lens_knowledge,
    lens_text,
)
from shimwise.bench.prep.judged_reading import reading_of
from shimwise.bench.prep.landing import (
    Agreement,
    Landing,
    agreement_of,
    expected_from_others,
    expected_from_verdict,
    landing_of,
    landing_words,
)
from shimwise.bench.prep.verdict_views import verdict_view
from shimwise.bench.prep.views import GaugeView, PrepUnit, PrepView, ReadingView, SetupView, SweepView
from shimwise.inference.model.prep import measured_landing_sd_um
from shimwise.sheets.words.sweep_flags import grouped_flags

if TYPE_CHECKING:
    from shimwise.bench.prep.prep_data import PrepMaterial
    from shimwise.record.tables.rows import (
        BodyRow,
        GaugeRow,
        LensRow,
        ReadingRow,
        SetupRow,
        SweepRow,
        VerdictRow,
    )

__all__ = ["PrepPresenter", "gauge_view", "setup_view", "sweep_view", "view_of"]


def view_of(material: "PrepMaterial", verdict: "VerdictRow | None" = None) -> PrepView:
    """Show a prep; ``verdict`` is the latest that was given."""
    if not material.has_evidence and material.prep.state == "open":
        verdict = None  # what it was given on is withdrawn
    prep, presenter = material.prep, PrepPresenter(material, None if verdict is None else verdict.document)
    count = Counter(
        unit for row in material.readings if row.withdrawn_at is None for unit in (row.body_id, row.lens_id)
    )
    return PrepView(
        id=prep.id,
        title=prep.title,
        state=prep.state,
        started_at=prep.started_at,
        started_by=prep.started_by,
        closed_at=prep.closed_at,
        temperature_c=prep.temperature_c,
        note=prep.note,
        set_id=prep.set_id or "",
        set_name="" if material.set is None else material.set.name,
        tolerance_um=material.tolerance_um,
        revision=prep.revision,
        bodies=tuple(_body_unit(body, material, count[body.id]) for body in material.bodies.values()),
        lenses=tuple(_lens_unit(lens, count[lens.id]) for lens in material.lenses.values()),
        setups=tuple(
            setup_view(setup, material.bodies[setup.body_id].name) for setup in material.setups.values()
        ),
        readings=tuple(presenter.reading(row) for row in material.readings),
        gauges=tuple(gauge_view(row, _unit_name(material, row)) for row in material.gauges),
        sweeps=tuple(sweep_view(row, material) for row in material.sweeps),
        verdict=None if verdict is None else verdict_view(verdict, material),
    )


@dataclass(slots=True)
class PrepPresenter:
    """Shows readings of a prep beside each other; every landing is reckoned once."""

    material: "PrepMaterial"
    document: Mapping[str, Any] | None = None
    _landings: dict[str, Landing] = field(default_factory=dict)
    _by_pair: "dict[tuple[object, ...], list[ReadingRow]] | None" = None
    _weights: dict[int, float] | None = None

    def landing(self, row: "ReadingRow") -> Landing:
        """Reckon the landing of a reading, kept or not."""
        found = self._landings.get(row.id)
        if found is None:
            body, lens = self._units(row)
            reading = reading_of(
                row,
                body=body.name,
                lens=lens,
                lens_name=lens.name,
                setup=self.material.setups[row.setup_id].name,
                distance_mm=self.material.setups[row.setup_id].distance_mm,
            )
            found = landing_of(
                reading,
                body=body_knowledge(body, house=self.material.house),
                lens=lens_knowledge(lens),
            )
            self._landings[row.id] = found
        return found

    def agreement(self, row: "ReadingRow") -> Agreement:
        """Say whether a reading agrees with the others."""
        body, lens = self._units(row)
        landing, expected, weight = self.landing(row), None, None
        if self.document is not None:
            weight = self.weight(row)
            expected = expected_from_verdict(
                self.document,
                landing,
                body=judged_name(body.name, epoch=row.body_epoch, current=body.epoch),
                lens=judged_name(lens.name, epoch=row.lens_epoch, current=lens.epoch),
                setup=self.material.setups[row.setup_id].name,
            )
        if expected is None or not expected.is_paired:
            others = expected_from_others(self._others_um(row), sd_um=landing.sd_um)
            expected = others or expected
        return agreement_of(landing, expected, weight=weight)

    def weight(self, row: "ReadingRow") -> float | None:
        """Give a reading's say in the verdict; None where it is not in it."""
        if self.document is None or row.withdrawn_at is not None:
            return None
        if self._weights is None:
            self._weights = {one["line"]: one["weight"] for one in self.document["readings"] if "line" in one}
        return self._weights.get(row.seq)

    def reading(self, row: "ReadingRow") -> ReadingView:
        """Show a reading."""
        body, lens = self._units(row)
        setup, landing, agreement = self.material.setups[row.setup_id], self.landing(row), self.agreement(row)
        return ReadingView(
            id=row.id,
            number=row.seq,
            prep_id=row.prep_id,
            body_id=row.body_id,
            body=body.name,
            lens_id=row.lens_id,
            lens=lens.name,
            setup_id=row.setup_id,
            setup=setup.name,
            distance_mm=setup.distance_mm,
            distance_text=setup.distance_text,
            reading_mm=row.reading_mm,
            reading_text=row.reading_text,
            focal_mm=row.focal_mm,
            fnumber=row.fnumber,
            axis=row.axis or "",
            landing_um=landing.um,
            landing_sd_um=landing.sd_um,
            landing_words=landing_words(landing.um),
            agreement=agreement.kind,
            agreement_words=agreement.words,
            operator=row.operator,
            stop=row.stop,
            note=row.note,
            taken_at=row.taken_at,
            weight=self.weight(row),
            is_withdrawn=row.withdrawn_at is not None,
            withdrawn_reason=row.withdrawn_reason or "",
            withdrawn_by=row.withdrawn_by or "",
            withdrawn_at=row.withdrawn_at,
            is_past=_is_past(row, body, lens),
        )

    def _units(self, row: "ReadingRow") -> "tuple[BodyRow, LensRow]":
        return self.material.bodies[row.body_id], self.material.lenses[row.lens_id]

    def _others_um(self, row: "ReadingRow") -> list[float]:
        """Landings of the same lens on the same body, as both were, that stand: without this one. [µm]"""
        if self._by_pair is None:
            self._by_pair = defaultdict(list)
            for one in self.material.readings:
                if one.withdrawn_at is None:
                    self._by_pair[_pair(one)].append(one)
        return [self.landing(one).um for one in self._by_pair.get(_pair(row), ()) if one.id != row.id]


def setup_view(row: "SetupRow", body: str) -> SetupView:
    """Show a set-up; ``body`` is the body's name."""
    return SetupView(
        id=row.id,
        body_id=row.body_id,
        body=body,
        name=row.name,
        distance_mm=row.distance_mm,
        distance_text=row.distance_text,
        chart=row.chart or "",
        taped_by=row.taped_by,
        taped_at=row.taped_at,
    )


def gauge_view(row: "GaugeRow", unit: str) -> GaugeView:
    """Show a gauge's value; ``unit`` is the unit's name."""
    return GaugeView(
        id=row.id,
        prep_id=row.prep_id,
        unit_kind=row.unit_kind,
        unit_id=row.unit_id,
        unit=unit,
        value_um=row.value_um,
        sd_um=row.sd_um,
        instrument=row.instrument,
        note=row.note,
        taken_by=row.taken_by,
        taken_at=row.taken_at,
        is_withdrawn=row.withdrawn_at is not None,
        withdrawn_reason=row.withdrawn_reason or "",
    )


def sweep_view(row: "SweepRow", material: "PrepMaterial") -> SweepView:
    """Show a measured sweep."""
    has_landing, setup = row.landing_um is not None, material.setups.get(row.setup_id or "")
    return SweepView(
        id=row.id,
        body_id=row.body_id,
        body=material.bodies[row.body_id].name,
        lens_id=row.lens_id,
        lens=material.lenses[row.lens_id].name,
        setup_id=row.setup_id or "",
        setup="" if setup is None else setup.name,
        landing_um=row.landing_um,
        sd_um=row.sd_um,
        landing_sd_um=measured_landing_sd_um(row.sd_um or 0.0) if has_landing else None,
        words=landing_words(row.landing_um or 0.0) if has_landing else "no landing: see what it warns of",
        flags=tuple(grouped_flags(row.result.get("flags") or ())),
        frames_place=row.frames_place,
        taken_by=row.taken_by,
        taken_at=row.taken_at,
        is_withdrawn=row.withdrawn_at is not None,
        withdrawn_reason=row.withdrawn_reason or "",
        result=row.result,
        is_past=_is_past(row, material.bodies[row.body_id], material.lenses[row.lens_id]),
    )


def _is_past(row: "ReadingRow | SweepRow", body: "BodyRow", lens: "LensRow") -> bool:
    """Tell whether body or lens was adjusted since it was taken."""
    return (row.body_epoch, row.lens_epoch) != (body.epoch, lens.epoch)


def _body_unit(body: "BodyRow", material: "PrepMaterial", count: int) -> PrepUnit:
    own = None if material.prep.tolerance_um is not None else body_tolerance_um(body, material.house)
    return PrepUnit(
        id=body.id,
        kind="body",
        name=body.name,
        serial=body.serial,
        mount=body.mount,
        text=body_text(body),
        tolerance_um=material.tolerance_um if own is None else own,
        coc_um=body_coc_um(body, material.house),
        epoch=body.epoch,
        reading_count=count,
    )


def _lens_unit(lens: "LensRow", count: int) -> PrepUnit:
    return PrepUnit(
        id=lens.id,
        kind="lens",
        name=lens.name,
        serial=lens.serial,
        mount=lens.mount,
        text=lens_text(lens),
        focal_lengths_mm=tuple(lens.focal_lengths_mm),
        fnumber=lens.fnumber,
        squeeze=lens.squeeze or 1.0,
        near_mm=lens.near_mm,
        scale_unit=lens.scale_unit,
        epoch=lens.epoch,
        reading_count=count,
    )


def _unit_name(material: "PrepMaterial", row: "GaugeRow") -> str:
    units: Mapping[str, Any] = material.bodies if row.unit_kind == "body" else material.lenses
    return units[row.unit_id].name if row.unit_id in units else ""


def _pair(row: "ReadingRow") -> tuple[object, ...]:
    return row.body_id, row.body_epoch, row.lens_id, row.lens_epoch
