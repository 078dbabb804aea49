"""An invented house in a record of its own: no such bodies, lenses or people exist."""

from dataclasses import dataclass, field

from shimwise.bench.house import units
from shimwise.bench.house.views import BodyFacts, LensFacts, SetFacts
from shimwise.bench.prep import preps
from shimwise.bench.prep.readings import add_reading
from shimwise.bench.prep.views import PrepView, SavedReading
from shimwise.record.record import Record

WHO = "N. Tester"
FOCAL_MM = (18.0, 25.0, 35.0, 50.0, 75.0)


def furnish(record: Record) -> dict[str, str]:
    """Put two bodies, five lenses and their set into a record; return ids by name."""
    ids = {}
    for name in ("A-01", "A-02"):
        ids[name] = units.add_unit(record, facts=BodyFacts(name=name, mount="PL"), who=WHO).id
    for focal_mm in FOCAL_MM:
        name = f"H{focal_mm:g}"
        facts = LensFacts(name=name, mount="PL", focal_lengths_mm=(focal_mm,), fnumber=2.0)
        ids[name] = units.add_unit(record, facts=facts, who=WHO).id
    lenses = tuple(ids[f"H{focal_mm:g}"] for focal_mm in FOCAL_MM)
    ids["Set H"] = units.add_set(record, facts=SetFacts(name="Set H", lens_ids=lenses), who=WHO).id
    return ids


@dataclass(slots=True)
class House:
    """A record with two bodies, five lenses of one set, and ids by name."""

    record: Record
    ids: dict[str, str] = field(default_factory=dict)

    @classmethod
    def in_record(cls, record: Record) -> "House":
        return cls(record, furnish(record))

    def start(self, **options: object) -> PrepView:
        chosen: dict[str, object] = {"body_ids": [self.ids["A-01"]], "set_id": self.ids["Set H"], "who": WHO}
        return preps.start_prep(self.record, **{**chosen, **options})  # type: ignore[arg-type]

    def read(self, prep_id: str, reading_text: str, **options: object) -> SavedReading:
        chosen: dict[str, object] = {
            "body_id": self.ids["A-01"],
            "lens_id": self.ids["H50"],
            "distance_text": "3'",
            "operator": WHO,
        }
        return add_reading(self.record, prep_id, reading_text=reading_text, **{**chosen, **options})  # type: ignore[arg-type]
