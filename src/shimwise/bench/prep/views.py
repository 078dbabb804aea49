"""A prep as its pages and the interface show it: plain frozen values, with the words beside the numbers.

Microns at the sensor, short < 0 < deep; distances in mm from the witness mark, infinite allowed. UTC times.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from shimwise.inference.verdict.answer import Cause, DifferenceAnswer
from shimwise.notices import WordedNotice
from shimwise.record.tables.rows import PrepLine as PrepLine  # what a list shows of a prep

OTHER_STOP = 1.15
"""F-numbers farther apart than by this factor are two stops: 0.4 of an EV. A choice of ours."""


def is_other_stop(fnumber: float, known: float | None) -> bool:
    """Return whether an f-number is not the one known of the lens, which may be unknown."""
    return known is not None and max(fnumber / known, known / fnumber) > OTHER_STOP


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepUnit:
    """A body or lens under test in a prep.

    ``kind``: ``body`` or ``lens``. ``text``: what is known of it in few words, ``35 mm f/2``.
    ``focal_lengths_mm``: one, or of a zoom several; empty for a body. ``scale_unit``: ``ft`` or ``m``.
    ``reading_count``: readings of this prep that are not withdrawn.
    """

    id: str
    kind: str
    name: str
    serial: str
    mount: str
    text: str
    focal_lengths_mm: tuple[float, ...] = ()
    fnumber: float | None = None
    squeeze: float = 1.0
    near_mm: float | None = None
    scale_unit: str = "ft"
    tolerance_um: float | None = None
    coc_um: float | None = None
    pixel_pitch_um: float | None = None
    epoch: int = 0
    reading_count: int = 0

    @property
    def is_anamorphic(self) -> bool:
        """Whether its readings may name an axis."""
        return self.squeeze != 1.0

    @property
    def is_zoom(self) -> bool:
        """Whether a reading needs its focal length."""
        return len(self.focal_lengths_mm) > 1


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupView:
    """One body and one chart taped at one distance; ``distance_text`` as it was typed."""

    id: str
    body_id: str
    body: str
    name: str
    distance_mm: float
    distance_text: str
    chart: str
    taped_by: str
    taped_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceView:
    """What the readings and the sweeps of a prep have in common.

    ``is_past``: body or lens was adjusted since.
    """

    id: str
    body_id: str
    body: str
    lens_id: str
    lens: str
    setup_id: str
    setup: str
    is_withdrawn: bool
    withdrawn_reason: str
    is_past: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingView(EvidenceView):
    """One reading with its landing, and whether it agrees with the others.

    ``agreement``: ``first`` (nothing to compare with), ``agrees`` or ``apart``. ``weight``: its weight in the
    latest verdict (1 full, near 0 doubted), None where that verdict does not hold it. ``lens_fnumber``: the
    widest that is known of its lens. ``is_zoom``: whether its focal length was set.

    Of a landing by picture ``picture_sd_um`` is its own standard uncertainty, None of a reading by eye;
    ``setting`` the setting of the ring that it names; ``reading_text`` is its words.
    """

    number: int
    prep_id: str
    distance_mm: float
    distance_text: str
    reading_mm: float
    reading_text: str
    focal_mm: float
    fnumber: float
    axis: str
    landing_um: float
    landing_sd_um: float
    landing_words: str
    agreement: str
    agreement_words: str
    operator: str
    stop: str
    temperature_c: float | None
    note: str
    taken_at: datetime
    weight: float | None
    withdrawn_by: str
    withdrawn_at: datetime | None
    lens_fnumber: float | None = None
    is_zoom: bool = False
    picture_sd_um: float | None = None
    setting: str = ""

    @property
    def is_by_picture(self) -> bool:
        """Whether it is a landing by picture."""
        return self.picture_sd_um is not None

    @property
    def is_stopped_down(self) -> bool:
        """Whether it was read at another f-number than the lens is known by."""
        return is_other_stop(self.fnumber, self.lens_fnumber)


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedReading:
    """A reading that is kept; ``is_new`` is False where the same one had been sent before."""

    view: ReadingView
    is_new: bool
    revision: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Preview:
    """What a reading would mean, while it is typed; nothing is kept.

    ``reading_text`` is the full reading where only how far short or deep was typed. ``lens_fnumber``: the
    widest that is known of the lens. ``is_beyond``: farther off than bodies and lenses go together,
    ``farthest_um``, and no other reading agrees: ask before it is saved.
    """

    landing_um: float
    landing_sd_um: float
    landing_words: str
    agreement: str
    agreement_words: str
    distance_mm: float
    reading_mm: float
    reading_text: str
    words: str
    fnumber: float
    lens_fnumber: float | None
    farthest_um: float
    is_beyond: bool

    @property
    def is_stopped_down(self) -> bool:
        """Whether it is read at another f-number than the lens is known by."""
        return is_other_stop(self.fnumber, self.lens_fnumber)


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeView:
    """A depth-gauge value of a body or a collimator value of a lens."""

    id: str
    prep_id: str | None
    unit_kind: str
    unit_id: str
    unit: str
    value_um: float
    sd_um: float
    instrument: str
    note: str
    taken_by: str
    taken_at: datetime
    is_withdrawn: bool
    withdrawn_reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepView(EvidenceView):
    """A measured sweep: its landing where it has one, what it warns of, and where its frames lie.

    ``sd_um``: of the peak that the frames gave; ``landing_sd_um``: of the landing as judged, how the
    lens sits each time included.
    """

    landing_um: float | None
    sd_um: float | None
    landing_sd_um: float | None
    words: str
    flags: tuple[str, ...]
    frames_place: str
    taken_by: str
    taken_at: datetime
    result: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitVerdict:
    """The verdict on a unit: its error with the 95 % interval, in numbers and words.

    ``verdict`` is one of ``in_tolerance out_short out_deep cannot_tell not_checked``; ``state`` has
    ``not_read needs_more_readings cannot_be_parted`` for the last two, and ``verdict_words`` is it in words.
    ``half_um`` is half the interval. ``surer``: what would decide it, empty where it is decided. Only a lens
    has a scale.
    """

    unit_id: str
    kind: str
    name: str
    text: str
    error_um: float
    sd_um: float
    low_um: float
    high_um: float
    half_um: float
    p_out: float
    verdict: str
    state: str
    verdict_words: str
    error_words: str
    tolerance_um: float
    surer: str = ""
    scale_permille: float | None = None
    scale_sd_permille: float | None = None
    p_scale_out: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupVerdict:
    """A set-up's error [mm, true minus taped] and the probability that it is mis-taped."""

    setup_id: str
    name: str
    error_mm: float
    sd_mm: float
    p_out: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseView(Cause):
    """One thing that may be wrong."""

    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingToTake:
    """A reading to take; ``setup_id`` is empty where that distance is not taped yet.

    ``by_picture``: whether it is measured so; after a move, as the move was.
    """

    body_id: str
    body: str
    lens_id: str
    lens: str
    distance_mm: float
    distance_text: str
    setup_id: str
    by_picture: bool
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NextView(ReadingToTake):
    """A reading worth taking; ``focal_mm``: what a zoom is set to; None of other lenses."""

    sd_after_um: float
    focal_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RemedyView:
    """What to do about one unit, as the verdict's document keeps it."""

    unit: str
    kind: str
    action: str
    direction: str
    amount_um: float | None
    text: str
    turns: float | None
    turn: str
    shims_um: tuple[float, ...]
    steps: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToDoView(WordedNotice):
    """One line of what to do now, the most pressing first.

    ``kind``: setup, body, lens, scale, reading or empty. ``unit_id`` is the id of the unit or set-up; a line
    about a reading has those of its body and lens, and of its set-up where that is taped. ``has_steps``:
    whether a remedy of the same unit and kind holds the steps.
    """

    kind: str = ""
    unit_id: str = ""
    body_id: str = ""
    lens_id: str = ""
    setup_id: str = ""
    focal_mm: float | None = None
    has_steps: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PairVerdict:
    """Where a lens lands on a body, both errors together: what its marks do on this camera.

    ``verdict`` as of a unit. ``is_read``: whether they were read together; else it follows from the others.
    """

    body: str
    lens: str
    landing_um: float
    sd_um: float
    low_um: float
    high_um: float
    p_out: float
    verdict: str
    verdict_words: str
    landing_words: str
    is_read: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyDifference(DifferenceAnswer):
    """Error of ``body`` minus that of ``than`` [µm]; positive: ``body`` is deeper."""

    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepVerdict:
    """The verdict of a prep as it was given; ``is_current`` is False where the prep has changed since.

    ``sets``: for each body, what the lenses do on it together, in sentences.
    """

    id: str
    prep_id: str
    revision: int
    is_current: bool
    given_at: datetime
    program_version: str
    tolerance_um: float
    headline: str
    second_line: str
    bodies: tuple[UnitVerdict, ...]
    lenses: tuple[UnitVerdict, ...]
    pairs: tuple[PairVerdict, ...]
    differences: tuple[BodyDifference, ...]
    sets: tuple[str, ...]
    setups: tuple[SetupVerdict, ...]
    causes: tuple[CauseView, ...]
    next: tuple[NextView, ...]
    next_by_picture: tuple[NextView, ...]
    to_do: tuple[ToDoView, ...]
    remedies: tuple[RemedyView, ...]
    cautions: tuple[str, ...]
    warnings: tuple[str, ...]
    notices: tuple[WordedNotice, ...]
    document: Mapping[str, Any]

    @property
    def known_pairs(self) -> Mapping[tuple[str, str], PairVerdict]:
        """The pairs of which something is known, by body and lens."""
        return {(one.body, one.lens): one for one in self.pairs if one.verdict != "not_checked"}


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepView:
    """A whole prep, one consistent look at it; ``verdict`` is None before the first."""

    id: str
    title: str
    state: str
    started_at: datetime
    started_by: str
    closed_at: datetime | None
    temperature_c: float | None
    note: str
    set_id: str
    set_name: str
    tolerance_um: float
    revision: int
    bodies: tuple[PrepUnit, ...]
    lenses: tuple[PrepUnit, ...]
    setups: tuple[SetupView, ...]
    readings: tuple[ReadingView, ...]
    gauges: tuple[GaugeView, ...]
    sweeps: tuple[SweepView, ...]
    verdict: PrepVerdict | None

    @property
    def is_open(self) -> bool:
        """Whether it takes readings."""
        return self.state == "open"


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepPage:
    """Some preps, newest first, and the cursor after which the next ones come (empty at the end)."""

    preps: tuple[PrepLine, ...]
    next_cursor: str
