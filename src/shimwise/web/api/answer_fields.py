"""Annotations of the fields of answers: by name, and by view where the name does not decide."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Final, Literal

from pydantic import Field

from shimwise.bench.adjust.views import AdjustmentView, MoveView, StepView
from shimwise.bench.history.drift_views import DriftRow, DriftView
from shimwise.bench.history.operator_views import OperatorView, StudyView
from shimwise.bench.house import views as house
from shimwise.bench.house.units import LabelFound
from shimwise.bench.jobs.views import JobView
from shimwise.bench.prep import views as prep
from shimwise.bench.sign.papers import Finding
from shimwise.bench.sign.views import Undecided
from shimwise.bench.sweep.jobs import SweepJob
from shimwise.bench.verdict.recheck_views import BeforeAfter
from shimwise.web.api.kinds import DistanceMm, Id, Number, VerdictName, When

# ruff: noqa: ANN401 - an annotation is of any type

HIDDEN: Final = object()
"""Marks a field of a view that no answer shows."""


@dataclass(frozen=True, slots=True)
class Renamed:
    """The name that a field of a view has in an answer."""

    name: str


BY_TYPE: Final[Mapping[Any, Mapping[str, Any]]] = {
    str: {
        "agreement": Literal["first", "agrees", "apart"],
        "agreement_words": Annotated[str, Field(examples=["agrees with the others"])],
        "digest": Annotated[str, Field(description="SHA-256 of what was signed, 64 hexadecimal digits.")],
        "kind": Literal["body", "lens"],
        "landing_words": Annotated[str, Field(examples=["14 µm short"])],
        "unit_kind": Literal["body", "lens"],
        "verdict": VerdictName,
    },
    float: {
        **dict.fromkeys(("error_um", "sd_um", "low_um", "high_um", "p_out"), Number),
        **dict.fromkeys(("error_mm", "sd_mm", "sd_after_um", "probability"), Number),
        **dict.fromkeys(("distance_mm", "reading_mm", "far_mm", "mm"), DistanceMm),
        "landing_um": Annotated[float, Field(description="[µm, short < 0 < deep]", examples=[-14.2])],
    },
    float | None: {"turns": Annotated[Number, Field(description="+ clockwise.")]},
    datetime: {},
}
"""Annotations of fields by their type in a view and their name."""

_DEFAULT: Final[Mapping[Any, Any]] = {float | None: Number, datetime: When}


def named_field(name: str, hint: Any) -> Any:
    """Return the annotation of a field of this name and type."""
    if hint is str and (name == "id" or name.endswith("_id")):
        return Id
    return BY_TYPE[hint].get(name, _DEFAULT.get(hint, hint))


def _described(kind: Any, words: str) -> Any:
    return Annotated[kind, Field(description=words)]


_PAST = _described(bool, "Body or lens was adjusted since.")
_TEXT_KIND = {"kind": str}
_TO_DO_KIND = Literal["setup", "body", "lens", "scale", "reading", ""]
_STATE = Literal[
    "not_read", "needs_more_readings", "cannot_be_parted", "in_tolerance", "out_short", "out_deep"
]
_JOB_STATE = Literal["waiting", "working", "done", "failed", "cancelled"]

BY_VIEW: Final[Mapping[Any, Mapping[str, Any]]] = {
    AdjustmentView: {"state": Literal["begun", "finished", "given up", "stopped"]},
    BeforeAfter: {
        "after_verdict": str,
        "is_judged": _described(bool, "False: not judged since it changed, so nothing is after."),
    },
    prep.CauseView: {"kind": Literal["body", "lens", "set", "scale", "setup", "body_reference", "eye"]},
    DriftRow: {
        "average": _described(Number, "Moving average of the surprises (EWMA)."),
        "limit": _described(Number, "Half width of its limits."),
        "deep_sum": _described(Number, "Cumulative sum towards deep (CUSUM)."),
    },
    DriftView: {
        "state": Literal["unsigned", "too_few", "steady", "drifts_short", "drifts_deep"],
        "sign_off_count": _described(int, "Since the unit was last adjusted."),
        "rate_um": _described(Number, "A month, since then [µm]."),
    },
    Finding: {
        "prep_id": str,
        "state": Annotated[
            Literal["as_signed", "altered", "older", "unknown", "not_signed"],
            Field(description="older: reopened since; unknown: this house has no such prep."),
        ],
        "standing": Annotated[
            Literal[
                *("as_signed", "altered", "page_altered", "page_not_signed", "not_sealed", "other_house"),
                *("older", "unknown", "not_signed"),
            ],
            Field(
                description="The state in more words. page_altered: the prep is as signed, the page was "
                "altered or not made by a house that is known here (state: altered); page_not_signed: the "
                "prep is as signed, the page is not compared; not_sealed: no house's key vouches for the "
                "signature, as before 0.3; other_house: a house that is not known here sealed it (unknown)."
            ),
        ],
        "sentence": _described(str, "The answer in one sentence."),
        "digest": str,
        "words": _described(tuple[str, ...], "Why, in sentences."),
        "differing": _described(tuple[str, ...], "Where it differs from what was signed."),
        "is_known": HIDDEN,
        "voucher": HIDDEN,
    },
    prep.GaugeView: {"sd_um": float},
    LabelFound: {"kind": Literal["body", "lens", "set"]},
    JobView: {
        "id": str,
        "kind": Literal["verdict", "learn", "sweep"],
        "state": _JOB_STATE,
        "frames_at": _described(str, "Of a sweep: the server to which its frames were sent."),
    },
    MoveView: {
        "turns": Number,
        "peak": _described(str, "Where it was found sharpest along the screw, in words."),
        "order": _described(tuple[tuple[float, int], ...], "(µm, count) to order."),
    },
    prep.NextView: {"body_id": str, "lens_id": str, "setup_id": str},
    OperatorView: {"k": _described(Number, "Focusing spread as a share of N·c.")},
    prep.PrepView: {"set_id": str},
    prep.ReadingView: {
        "weight": _described(Number, "Its weight in the latest verdict; null: not in it."),
        "is_past": _PAST,
        "picture_sd_um": _described(
            Number, "Of a landing by picture: its own standard uncertainty; null: a reading by eye."
        ),
        "setting": _described(str, "By picture: the setting of the ring that repeats of this name share."),
    },
    prep.ReadingToTake: {
        "setup_id": str,
        "by_picture": _described(bool, "Measured by picture, as the move was."),
    },
    prep.RemedyView: {"turns": Number, **_TEXT_KIND},
    prep.SavedReading: {"view": Renamed("reading")},
    prep.SetupVerdict: {"setup_id": str},
    StepView: {"id": str, "kind": Literal["choice", "text", "turns", "shims"]},
    StudyView: {"part_count": _described(int, "Sights that every person of the study has read.")},
    SweepJob: {
        "state": _JOB_STATE,
        "waits_for": _described(str, "The server that has its frames, where this one does not see them."),
    },
    prep.SweepView: {
        "sd_um": _described(Number, "Of the peak that the frames gave."),
        "landing_sd_um": _described(Number, "As judged: how the lens sits each time included."),
        "frames_place": HIDDEN,
        "is_past": _PAST,
    },
    Undecided: {"verdict": str},
    prep.ToDoView: {"kind": _TO_DO_KIND, "unit_id": str, "body_id": str, "lens_id": str, "setup_id": str},
    prep.UnitVerdict: {"unit_id": str, "half_um": HIDDEN, "state": _STATE},
    house.PastAdjustment: {"prep_id": str, "turns": Number},
    house.HouseListOutcome: {"understood": _described(tuple[str, ...], "What was read of each new unit.")},
    house.HouseSettings: {"units": Literal["ft", "m"], "theme": Literal["dark", "light"]},
    house.LensFacts: {
        "by_distance": tuple[tuple[DistanceMm, float, float], ...],
        "marks_mm": tuple[DistanceMm, ...],
    },
    house.ListChange: _TEXT_KIND,
    house.MechanismFacts: {"kind": Literal["screw", "shimmed mount", "fixed"]},
    house.BodyView: {"kind": Literal["body"]},
    house.LensView: {"kind": Literal["lens"]},
    house.UnitShown[house.BodyFacts]: {"unit": Renamed("body"), "sets": HIDDEN},
    house.UnitShown[house.LensFacts]: {"unit": Renamed("lens")},
    house.UnitsPage[house.BodyFacts]: {"units": Renamed("bodies")},
    house.UnitsPage[house.LensFacts]: {"units": Renamed("lenses")},
}
"""Annotations where name and type do not decide, and fields that an answer names otherwise."""

MODEL_NAMES: Final[Mapping[Any, str]] = {
    house.BodyView: "BodyView",
    house.LensView: "LensView",
    house.UnitShown[house.BodyFacts]: "BodyShown",
    house.UnitShown[house.LensFacts]: "LensShown",
    house.UnitsPage[house.BodyFacts]: "BodiesPage",
    house.UnitsPage[house.LensFacts]: "LensesPage",
}
"""Names of models in the interface's document, where a view is one of several kinds."""
