"""Sweeps: frames uploaded, measured beside the pages, watched, cancelled, and withdrawn with a reason."""

from typing import Annotated, Literal

from fastapi import Depends, Form, UploadFile
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from shimwise.bench.prep.views import SweepView
from shimwise.bench.sweep import evidence
from shimwise.bench.sweep.evidence import SweepRequest
from shimwise.bench.sweep.frame_files import MOST_FILES
from shimwise.bench.sweep.jobs import SweepJob
from shimwise.bench.sweep.moves import Moves
from shimwise.bench.typed_names import id_or_new
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import WRITES, CallDep, required_type
from shimwise.web.api.kinds import Fnumber, Focal, Id, Length, Who
from shimwise.web.api.prep.requests import WhoIn, Withdrawal
from shimwise.web.problems import documented

router = AnswerRouter(prefix="/preps/{prep_id}/sweeps", tags=["sweeps"], responses=documented(404, 422, 503))
FORM = "multipart/form-data"
Place = Annotated[str, StringConstraints(max_length=40)]


class SweepIn(BaseModel):
    """A sweep's frames and what was under test; what is left out is taken from the files, body and lens."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    files: Annotated[
        list[UploadFile],
        Field(min_length=1, max_length=MOST_FILES, description="Frames, sweep.json, chart.json."),
    ]
    id: Annotated[Id | None, Field(description="Made by the client: sent twice it is one sweep.")] = None
    body_id: Id
    lens_id: Id
    distance_text: Annotated[Length, Field(description="Witness mark to chart; of a moving chart, the ring.")]
    who: Who
    focal_mm: Focal | None = None
    fnumber: Fnumber | None = None
    pitch_um: Annotated[float | None, Field(ge=0.5, le=100)] = None
    transfer: Annotated[str | None, StringConstraints(max_length=40)] = None
    signal_range: Literal["full", "limited"] | None = None
    black_level: Annotated[float | None, Field(ge=0, le=1e6)] = None
    white_level: Annotated[float | None, Field(ge=0, le=1e6)] = None
    scale: Annotated[
        float | None,
        Field(gt=0, le=64, description="The sensor's pixels, a side, that one of the frames' shows."),
    ] = None
    moved: Annotated[
        Literal["sensor", "ring", "chart", "screw"] | None,
        Field(description="What moved, where no sweep.json is among the files: one is made."),
    ] = None
    first: Annotated[
        Place | None, Field(description="Position of the first frame: µm, turns, or a length.")
    ] = None
    step: Annotated[Place | None, Field(description="From frame to frame, + or −.")] = None
    at: Annotated[
        list[Place],
        Field(max_length=MOST_FILES, description="Positions of all frames, in place of first and step."),
    ] = []

    @property
    def moves(self) -> Moves | None:
        """What moved, as it was stated; None if the files state it."""
        if not (self.moved or self.first or self.step or self.at):
            return None
        return Moves(moved=self.moved or "sensor", first=self.first or "", step=self.step or "", at=self.at)


@router.post(
    "",
    status_code=202,
    dependencies=[Depends(required_type(FORM))],
    responses=documented(400, 401, 403, 409, 413, 415),
)
def begin_sweep(call: CallDep, prep_id: Id, sent: Annotated[SweepIn, Form(media_type=FORM)]) -> SweepJob:
    """Send a sweep's frames; they are measured beside the pages. Ask ``…/work`` how far it is."""
    facts = SweepRequest(**{name: getattr(sent, name) for name in SweepRequest.__dataclass_fields__})
    files = [(one.filename or "", one.file) for one in sent.files]
    sweep_id = id_or_new(sent.id)
    return call.sweeps.begin(
        prep_id, sweep_id=sweep_id, files=files, facts=facts, who=call.who(sent.who), moves=sent.moves
    )


@router.get("/{sweep_id}/work")
def sweep_work(call: CallDep, prep_id: Id, sweep_id: Id) -> SweepJob:
    """Return how far a sweep is."""
    return call.sweeps.job(sweep_id, prep_id=prep_id)


@router.post("/{sweep_id}/cancel", **WRITES)
def cancel_sweep(call: CallDep, prep_id: Id, sweep_id: Id, done: WhoIn) -> SweepJob:
    """Cancel the measuring of a sweep; nothing is kept."""
    return call.sweeps.cancel(sweep_id, prep_id=prep_id, who=call.who(done.who))


@router.post("/{sweep_id}/dismiss", status_code=204, **WRITES)
def dismiss_sweep(call: CallDep, prep_id: Id, sweep_id: Id, done: WhoIn) -> None:
    """Forget a sweep that was not measured; one that is under way stays as it is."""
    call.sweeps.dismiss(sweep_id, prep_id=prep_id, who=call.who(done.who))


@router.post("/{sweep_id}/withdraw", **WRITES)
def withdraw_sweep(call: CallDep, prep_id: Id, sweep_id: Id, why: Withdrawal) -> SweepView:
    """Withdraw a sweep with a reason; it stays in the record, and no verdict uses it."""
    return call.judge_soon(prep_id, evidence.withdraw_sweep(call.record, prep_id, sweep_id, **call.sent(why)))
