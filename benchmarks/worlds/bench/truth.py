"""What is true of a prep: of each unit, each pair, each difference, and what causes what is out."""

from dataclasses import asdict, dataclass
from itertools import combinations
from typing import Any

from benchmarks.worlds.bench.prep import Prep, Row


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A fault that was put in: kind and unit in the verdict's words, its size and the unit of that."""

    kind: str
    unit: str
    size: float
    measure: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What a judge is scored against.

    Attributes
    ----------
    bodies_um, lenses_um
        Errors, warm [µm]. A zoom has an entry for its mean under its name and one for each focal length,
        such as ``"Z1 24"``; an anamorphic ``"A40 vertical"`` and ``"A40 horizontal"``.
    pairs_um
        Body + lens for every body with every lens, read together or not [µm].
    pairs_read
        Which were read together.
    differences_um
        Of two bodies (first, second): first minus second [µm].
    scales_permille
        Scale error of each lens [‰].
    setups_mm
        True minus taped distance, without the body's mark [mm].
    marks_mm
        How far each body's witness mark lies ahead of its sensor [mm].
    offsets_nc
        Where each person stops, of N·c.
    sets_um
        Shift that all lenses of a set share, contained in the lenses' errors [µm].
    causes
        The faults put in.
    slips
        Rows written wrongly, by their number from 0.
    identifiable
        Whether the readings can part bodies from lenses, persons and sets at all.
    """

    tolerance_um: float
    bodies_um: dict[str, float]
    lenses_um: dict[str, float]
    pairs_um: dict[tuple[str, str], float]
    pairs_read: frozenset[tuple[str, str]]
    differences_um: dict[tuple[str, str], float]
    scales_permille: dict[str, float]
    setups_mm: dict[str, float]
    marks_mm: dict[str, float]
    offsets_nc: dict[str, float]
    sets_um: dict[str, float]
    causes: tuple[Cause, ...]
    slips: tuple[int, ...]
    identifiable: bool = True

    def as_json(self) -> dict[str, Any]:
        """Return the truth as JSON values; pairs and differences become lists of objects."""
        values = asdict(self)
        values["pairs_um"] = [
            {"body": b, "lens": lens, "landing_um": um, "read": (b, lens) in self.pairs_read}
            for (b, lens), um in self.pairs_um.items()
        ]
        values["differences_um"] = [
            {"body": b, "than": than, "difference_um": um} for (b, than), um in self.differences_um.items()
        ]
        del values["pairs_read"]
        return values


def truth_of(
    prep: Prep,
    rows: tuple[Row, ...],
    *,
    causes: tuple[Cause, ...] = (),
    sets_um: dict[str, float] | None = None,
    identifiable: bool = True,
) -> Truth:
    """Gather what is true of a prep and of the rows read in it."""
    bodies = {body.name: body.flange_error_um for body in prep.bodies}
    lenses: dict[str, float] = {}
    for lens in prep.lenses:
        settings = [lens.landing_um(focal) for focal in lens.focals]
        lenses[lens.name] = sum(settings) / len(settings) + (
            lens.horizontal_um / 2 if lens.squeeze != 1 else 0
        )
        if lens.is_zoom:
            lenses |= {f"{lens.name} {focal.engraved_mm:g}": lens.landing_um(focal) for focal in lens.focals}
        elif lens.squeeze != 1:
            for axis in ("vertical", "horizontal"):
                lenses[f"{lens.name} {axis}"] = lens.landing_um(lens.focals[0], axis)
    return Truth(
        tolerance_um=prep.told.tolerance_um,
        bodies_um=bodies,
        lenses_um=lenses,
        pairs_um={(b, lens): bodies[b] + lenses[lens] for b in bodies for lens in lenses},
        pairs_read=frozenset((row.body, row.lens) for row in rows),
        differences_um={(a, b): bodies[a] - bodies[b] for a, b in combinations(bodies, 2)},
        scales_permille={lens.name: lens.scale_permille for lens in prep.lenses},
        setups_mm={setup.name: setup.true_minus_taped_mm for setup in prep.setups},
        marks_mm={body.name: body.mark_ahead_mm for body in prep.bodies},
        offsets_nc={person.name: person.offset_nc for person in prep.persons},
        sets_um=sets_um or {},
        causes=causes,
        slips=tuple(number for number, row in enumerate(rows) if row.slip),
        identifiable=identifiable,
    )
