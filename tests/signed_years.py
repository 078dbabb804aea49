"""An invented house that signs a prep every month; what the gauge says of its body, the test chooses."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from record_template import copied_record, empty_record
from shimwise.bench.house import units
from shimwise.bench.house.views import BodyFacts, LensFacts
from shimwise.bench.prep import gauges, preps
from shimwise.bench.prep.readings import add_reading
from shimwise.bench.sign import signing
from shimwise.bench.sign.signing import Exempt
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.record.queries import verdicts
from shimwise.record.record import Record
from shimwise.record.tables.rows import AdjustmentRow

WHO = "N. Tester"
BODY, LENS = "A-01", "H50"
MONTH = timedelta(days=30)
FIRST = datetime(2025, 1, 6, 9, tzinfo=UTC)


@dataclass(slots=True)
class Clock:
    """A clock that the test sets; it goes on by a second at each look."""

    now: datetime = FIRST

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


@dataclass(slots=True)
class Years:
    """The record, its clock, one body, one lens, and the preps that were signed."""

    record: Record
    clock: Clock
    body_id: str
    lens_id: str
    prep_ids: list[str] = field(default_factory=list)

    @classmethod
    def begun(cls, folder: Path) -> "Years":
        clock = Clock()
        empty_record(folder)
        return cls._in(Record.open(folder, clock=clock), clock)

    @classmethod
    def _in(cls, record: Record, clock: Clock) -> "Years":
        body = units.add_unit(record, facts=BodyFacts(name=BODY, mount="PL"), who=WHO)
        facts = LensFacts(name=LENS, mount="PL", focal_lengths_mm=(50.0,), fnumber=2.0)
        return cls(record, clock, body.id, units.add_unit(record, facts=facts, who=WHO).id)

    @classmethod
    def signed(cls, folder: Path, gauges_um: Sequence[float]) -> "Years":
        """Return years as :meth:`begun` and signed monthly; the same are signed once in a run."""
        body_id, lens_id, prep_ids, now = copied_record(folder, _signed_years, tuple(gauges_um))
        clock = Clock(now)
        return cls(Record.open(folder, clock=clock), clock, body_id, lens_id, list(prep_ids))

    def sign_monthly(self, gauges_um: Sequence[float], *, sd_um: float = 2.0) -> None:
        """Sign one prep a month, whose gauge says so much of the body; its lens is read on the mark."""
        for value_um in gauges_um:
            self.clock.now += MONTH
            self.prep_ids.append(self._signed(value_um, sd_um))

    def adjust(self) -> None:
        """Keep an adjustment of the body, a day after all that was done."""
        row = AdjustmentRow(
            id="a" * 32,
            prep_id=None,
            unit_kind="body",
            unit_id=self.body_id,
            epoch_before=0,
            epoch_after=1,
            action="move sensor",
            amount_um=-12.0,
            amount_sd_um=3.0,
            turns=None,
            note="",
            made_by=WHO,
            made_at=self.clock() + timedelta(days=1),
            steps=(),
        )
        with self.record.writing(who=WHO) as change:
            verdicts.add_adjustment(change, row)

    def _signed(self, value_um: float, sd_um: float) -> str:
        record, body_id, lens_id = self.record, self.body_id, self.lens_id
        prep_id = preps.start_prep(record, body_ids=[body_id], lens_ids=[lens_id], who=WHO).id
        gauges.add_gauge(
            record, prep_id, unit_kind="body", unit_id=body_id, value_um=value_um, sd_um=sd_um, who=WHO
        )
        add_reading(
            record,
            prep_id,
            body_id=body_id,
            lens_id=lens_id,
            distance_text="6'",
            reading_text="on",
            operator=WHO,
        )
        refresh_verdict(record, prep_id)
        exceptions = {unit.unit_id: Exempt("a test") for unit in signing.undecided(record, prep_id)}
        signing.sign(record, prep_id, who=WHO, exceptions=exceptions)
        return prep_id


def _signed_years(record: Record, gauges_um: tuple[float, ...]) -> tuple[str, str, tuple[str, ...], datetime]:
    clock = record.clock = Clock()
    years = Years._in(record, clock)
    years.sign_monthly(gauges_um)
    return years.body_id, years.lens_id, tuple(years.prep_ids), clock.now
