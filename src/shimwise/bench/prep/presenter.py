"""From a prep's rows to its views: compute landings and agreement, with the verdict beside them."""

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from shimwise.bench.house.settings import setting_sd_mm
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
from shimwise.bench.prep.prep_data import PrepMaterial
from shimwise.bench.prep.verdict_views import verdict_view
from shimwise.bench.prep.views import GaugeView, PrepUnit, PrepView, ReadingView, SetupView, SweepView
from shimwise.fields import build_from
from shimwise.inference.model.prep import measured_landing_sd_um
from shimwise.inference.verdict.answer import Z95, Answer
from shimwise.inference.verdict.expected_landing import (
    Agreement,
    ReadingLanding,
    agreement_of,
    expected_from_others,
    expected_from_verdict,
    landing_of,
    paired_readings,
)
from shimwise.record.tables.rows import BodyRow, GaugeRow, LensRow, ReadingRow, SetupRow, SweepRow, VerdictRow
from shimwise.sheets.json.verdict_json import answer_from_json
from shimwise.sheets.words.landing_words import agreement_text, landing_text, picture_text
from shimwise.sheets.words.sweep_words import grouped_flags, screw_text


def view_of(material: PrepMaterial, verdict: VerdictRow | None = None) -> PrepView:
    """Show a prep; ``verdict`` is the latest that was given."""
    if material.is_bare:
        verdict = None
    prep = material.prep
    presenter = PrepPresenter(material, None if verdict is None else answer_from_json(verdict.document))
    count = Counter(unit for row in material.valid_readings for unit in (row.body_id, row.lens_id))
    return build_from(
        PrepView,
        prep,
        set_id=prep.set_id or "",
        set_name="" if material.set is None else material.set.name,
        tolerance_um=material.tolerance_um,
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
    """Views of a prep's readings beside each other; every landing is computed once."""

    material: PrepMaterial
    answer: Answer | None = None
    _landings: dict[str, ReadingLanding] = field(default_factory=dict)
    _by_pair: dict[tuple[object, ...], list[ReadingRow]] | None = None
    _weights: dict[int, float] | None = None
    _pairs: Counter[tuple[str, str]] | None = None
    _knowledge: dict[str, Any] = field(default_factory=dict)

    def landing(self, row: ReadingRow) -> ReadingLanding:
        """Return the landing of a reading, kept or not."""
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
                body=self._known(body.id, lambda: body_knowledge(body, house=self.material.house)),
                lens=self._known(lens.id, lambda: lens_knowledge(lens)),
                setting_sd_mm=setting_sd_mm(self.material.house),
            )
            self._landings[row.id] = found
        return found

    def agreement(self, row: ReadingRow) -> Agreement:
        """Compare a reading with the others."""
        body, lens = self._units(row)
        landing, expected, weight = self.landing(row), None, None
        if self.answer is not None:
            weight = self.weight(row)
            body_name = judged_name(body.name, epoch=row.body_epoch, current=body.epoch)
            lens_name = judged_name(lens.name, epoch=row.lens_epoch, current=lens.epoch)
            expected = expected_from_verdict(
                self.answer,
                landing,
                body=body_name,
                lens=lens_name,
                setup=self.material.setups[row.setup_id].name,
                paired=self._paired(self.answer)[body_name, lens_name],
            )
        if expected is None or not expected.is_paired:
            others = expected_from_others(self._others_um(row), sd_um=landing.sd_um)
            expected = others or expected
        return agreement_of(landing, expected, weight=weight)

    def weight(self, row: ReadingRow) -> float | None:
        """Return a reading's weight in the verdict; None if it is not in it."""
        if self.answer is None or row.withdrawn_at is not None:
            return None
        if self._weights is None:
            of_line = {one.line: one.weight for one in self.answer.readings if one.line}
            self._weights = {line: weight for line, weight in of_line.items() if not math.isnan(weight)}
        return self._weights.get(row.seq)

    def reading(self, row: ReadingRow) -> ReadingView:
        """Show a reading."""
        body, lens = self._units(row)
        setup, landing, agreement = self.material.setups[row.setup_id], self.landing(row), self.agreement(row)
        return build_from(
            ReadingView,
            row,
            number=row.seq,
            body=body.name,
            lens=lens.name,
            setup=setup.name,
            distance_mm=setup.distance_mm,
            distance_text=setup.distance_text,
            axis=row.axis or "",
            landing_um=landing.um,
            landing_sd_um=landing.sd_um,
            landing_words=landing_text(landing.um),
            agreement=agreement.kind.value,
            agreement_words=agreement_text(agreement),
            weight=self.weight(row),
            withdrawn_by=row.withdrawn_by or "",
            is_past=_is_past(row, body, lens),
            lens_fnumber=lens.fnumber,
            is_zoom=len(lens.focal_lengths_mm) > 1,
            setting=row.setting or "",
            picture_sd_um=row.landing_sd_um,
            reading_text=row.reading_text
            if row.landing_sd_um is None
            else picture_text(landing.um, Z95 * row.landing_sd_um),
            **_withdrawal(row),
        )

    def _known(self, unit_id: str, look_up: Callable[[], Any]) -> Any:  # noqa: ANN401 - of a body or a lens
        """Return what is known of a unit, looked up once."""
        if unit_id not in self._knowledge:
            self._knowledge[unit_id] = look_up()
        return self._knowledge[unit_id]

    def _paired(self, answer: Answer) -> Counter[tuple[str, str]]:
        """Count the readings of each body and lens that the verdict does not doubt, once for all readings."""
        if self._pairs is None:
            self._pairs = paired_readings(answer)
        return self._pairs

    def _units(self, row: ReadingRow) -> tuple[BodyRow, LensRow]:
        return self.material.bodies[row.body_id], self.material.lenses[row.lens_id]

    def _others_um(self, row: ReadingRow) -> list[float]:
        """Landings of the same lens on the same body, as both were, not withdrawn, without this one. [µm]"""
        if self._by_pair is None:
            self._by_pair = defaultdict(list)
            for one in self.material.valid_readings:
                self._by_pair[_pair(one)].append(one)
        return [self.landing(one).um for one in self._by_pair.get(_pair(row), ()) if one.id != row.id]


def setup_view(row: SetupRow, body: str) -> SetupView:
    """Return a set-up as it is shown; ``body`` is the body's name."""
    return build_from(SetupView, row, body=body, chart=row.chart or "")


def gauge_view(row: GaugeRow, unit: str) -> GaugeView:
    """Return a gauge value as it is shown; ``unit`` is the unit's name."""
    return build_from(GaugeView, row, unit=unit, **_withdrawal(row))


def sweep_view(row: SweepRow, material: PrepMaterial) -> SweepView:
    """Return a measured sweep as it is shown."""
    has_landing, setup = row.landing_um is not None, material.setups.get(row.setup_id or "")
    body, lens = material.bodies[row.body_id], material.lenses[row.lens_id]
    return build_from(
        SweepView,
        row,
        body=body.name,
        lens=lens.name,
        setup_id=row.setup_id or "",
        setup="" if setup is None else setup.name,
        landing_sd_um=measured_landing_sd_um(row.sd_um or 0.0) if has_landing else None,
        words=_sweep_words(row),
        flags=tuple(grouped_flags(row.result.get("flags") or ())),
        is_past=_is_past(row, body, lens),
        **_withdrawal(row),
    )


def _sweep_words(row: SweepRow) -> str:
    if row.landing_um is not None:
        return landing_text(row.landing_um)
    is_screw = row.result.get("swept") == "screw"
    return screw_text(row.result) if is_screw else "no landing: see what it warns of"


def _withdrawal(row: ReadingRow | GaugeRow | SweepRow) -> dict[str, Any]:
    return {"is_withdrawn": row.withdrawn_at is not None, "withdrawn_reason": row.withdrawn_reason or ""}


def _is_past(row: ReadingRow | SweepRow, body: BodyRow, lens: LensRow) -> bool:
    """Return whether body or lens was adjusted since it was taken."""
    return (row.body_epoch, row.lens_epoch) != (body.epoch, lens.epoch)


def _body_unit(body: BodyRow, material: PrepMaterial, count: int) -> PrepUnit:
    own = None if material.prep.tolerance_um is not None else body_tolerance_um(body, material.house)
    return build_from(
        PrepUnit,
        body,
        kind="body",
        text=body_text(body),
        tolerance_um=material.tolerance_um if own is None else own,
        coc_um=body_coc_um(body, material.house),
        reading_count=count,
    )


def _lens_unit(lens: LensRow, count: int) -> PrepUnit:
    return build_from(
        PrepUnit,
        lens,
        kind="lens",
        text=lens_text(lens),
        focal_lengths_mm=tuple(lens.focal_lengths_mm),
        squeeze=lens.squeeze or 1.0,
        reading_count=count,
    )


def _unit_name(material: PrepMaterial, row: GaugeRow) -> str:
    units: Mapping[str, Any] = material.bodies if row.unit_kind == "body" else material.lenses
    return units[row.unit_id].name if row.unit_id in units else ""


def _pair(row: ReadingRow) -> tuple[object, ...]:
    return row.body_id, row.body_epoch, row.lens_id, row.lens_epoch
