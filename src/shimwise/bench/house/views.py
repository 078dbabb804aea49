"""The house's bodies, lenses and sets as pages and the interface show them, and what may be known of them.

Errors in microns at the sensor, short < 0 < deep. What is None is not known.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Generic, TypeAlias, TypeVar

from shimwise.notices import WordedNotice


@dataclass(frozen=True, slots=True, kw_only=True)
class MechanismFacts:
    """How a body is adjusted; ``kind`` is ``screw``, ``shimmed mount`` or ``fixed``.

    ``away``: ``clockwise`` or ``anticlockwise``, the sense that moves the sensor away from the flange.
    """

    kind: str
    um_per_turn: float | None = None
    um_per_turn_sd: float | None = None
    away: str = ""
    has_lock: bool | None = None
    backlash_um: float | None = None
    stock_um: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitFacts:
    """What may be known of any unit."""

    name: str
    serial: str = ""
    mount: str = ""
    history_mean_um: float | None = None
    history_sd_um: float | None = None
    note: str = ""
    is_retired: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyFacts(UnitFacts):
    """What may be known of a body."""

    pixel_pitch_um: float | None = None
    circle_of_confusion_um: float | None = None
    tolerance_um: float | None = None
    mechanism: MechanismFacts | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LensFacts(UnitFacts):
    """What may be known of a lens.

    ``focal_lengths_mm``: one, or of a zoom several in rising order. ``focus_design``: ``unit focus``,
    ``internal focus`` or empty. ``by_distance``: rows of (distance mm, focal length mm, separation mm).
    ``near_mm``: nearest mark of its scale. ``scale_unit``: ``ft`` or ``m``. ``marks_mm``: all distances that
    are engraved, from near to far, infinity allowed; empty where they are not known.
    """

    focal_lengths_mm: tuple[float, ...]
    fnumber: float
    separation_mm: float | None = None
    focus_design: str = ""
    squeeze: float = 1.0
    by_distance: tuple[tuple[float, float, float], ...] = ()
    near_mm: float | None = None
    scale_unit: str = "ft"
    marks_mm: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SetFacts:
    """What may be known of a set: its lenses in their order."""

    name: str
    lens_ids: tuple[str, ...] = ()
    note: str = ""


Facts = TypeVar("Facts", BodyFacts, LensFacts)
"""Facts of a body or of a lens: they decide of which kind a unit is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitView(Generic[Facts]):
    """A unit of the house; ``kind`` is ``body`` or ``lens``, ``text`` what is known of it in few words."""

    id: str
    kind: str
    text: str
    epoch: int
    latest: "PastVerdict | None" = None
    facts: Facts

    @property
    def name(self) -> str:
        """Its name."""
        return self.facts.name


BodyView: TypeAlias = UnitView[BodyFacts]
LensView: TypeAlias = UnitView[LensFacts]


@dataclass(frozen=True, slots=True, kw_only=True)
class SetView:
    """A set of the house with its lenses in order."""

    id: str
    name: str
    note: str
    lens_ids: tuple[str, ...]
    lens_names: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PastVerdict:
    """A verdict on a unit, as it was given. [µm, short < 0 < deep]"""

    prep_id: str
    prep_title: str
    given_at: datetime
    epoch: int
    error_um: float
    sd_um: float
    low_um: float
    high_um: float
    verdict: str
    verdict_words: str
    error_words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PastAdjustment:
    """An adjustment of a unit, between two epochs."""

    id: str
    prep_id: str
    made_at: datetime
    made_by: str
    action: str
    amount_um: float | None
    amount_sd_um: float | None
    turns: float | None
    epoch_before: int
    epoch_after: int
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UsedIn:
    """A prep in which a unit was tested."""

    prep_id: str
    title: str
    state: str
    started_at: datetime
    started_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitShown(Generic[Facts]):
    """A unit with its past (oldest first), its adjustments and the preps where it is used (newest first).

    ``sets``: those that a lens travels in; empty for a body. ``alike``: names of other units of its kind that
    look like its own, such as A-O7 beside A-07.
    """

    unit: UnitView[Facts]
    past: tuple[PastVerdict, ...]
    adjustments: tuple[PastAdjustment, ...]
    preps: tuple[UsedIn, ...]
    sets: tuple[SetView, ...] = ()
    alike: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SetShown:
    """A set, its lenses each with its latest verdict, and the preps where it was tested."""

    set: SetView
    lenses: tuple[LensView, ...]
    preps: tuple[UsedIn, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitsPage(Generic[Facts]):
    """Some bodies or lenses by name, and the cursor after which the next ones come (empty at the end)."""

    units: tuple[UnitView[Facts], ...]
    next_cursor: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetsPage:
    """Some sets by name, and the cursor after which the next ones come (empty at the end)."""

    sets: tuple[SetView, ...]
    next_cursor: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ListChange:
    """One fact that a house's list changes: which unit, on which line, and its value before."""

    line: int
    kind: str
    name: str
    field: str
    before: str
    after: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ListRefusal:
    """A line of a house's list that is not taken: the place, what was found there, and why."""

    line: int
    column: str
    found: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseListOutcome:
    """What a house's list does, or would do: names added, facts changed, names unchanged, lines refused.

    ``added`` and ``unchanged`` hold ``body A-07``, ``lens H35``, ``set H``; ``understood`` what was read of
    each new unit. When anything is refused nothing is taken, and ``is_taken`` is False, as after a dry run.
    """

    is_dry_run: bool
    is_taken: bool
    added: tuple[str, ...]
    changed: tuple[ListChange, ...]
    unchanged: tuple[str, ...]
    refused: tuple[ListRefusal, ...]
    warnings: tuple[str, ...]
    understood: tuple[str, ...] = ()
    notices: tuple[WordedNotice, ...] = ()

    @property
    def new_units(self) -> tuple[str, ...]:
        """Bodies and lenses that are added."""
        return tuple(name for name in self.added if not name.startswith(SET_TITLE))

    @property
    def new_sets(self) -> tuple[str, ...]:
        """Sets that are added, by name."""
        return tuple(name.removeprefix(SET_TITLE) for name in self.added if name.startswith(SET_TITLE))

    @property
    def is_nothing(self) -> bool:
        """Whether the list brings nothing that is not there already."""
        return not (self.added or self.changed or self.refused)


SET_TITLE = "set "
"""Begins the title of a set in a list's outcome."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseSettings:
    """What the house decides: units, tolerance, circle of confusion, shims in stock, theme.

    ``setting_sd_mm``: how exactly a ring is set to its mark [mm in object space at 3 ft]; None: the usual.
    ``units``: ``ft`` or ``m``. ``theme``: ``dark`` or ``light``. A body's own tolerance goes before its
    mount's, that before the house's.
    """

    units: str = "ft"
    tolerance_um: float = 10.0
    tolerance_by_mount: Mapping[str, float] = field(default_factory=dict)
    coc_um: float = 20.0
    shim_stock_um: tuple[float, ...] = ()
    theme: str = "dark"
    setting_sd_mm: float | None = None
