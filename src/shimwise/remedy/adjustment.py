"""A guided adjustment: steps in their order, each confirmed by a person, none skipped, nothing erased.

An adjustment is a list of events that only grows: a step confirmed, or a step taken back with its reason. Its
state is derived from them. It is a plain value: confirming gives a new one, and the old one stays as it was.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from shimwise.errors import RemedyError
from shimwise.remedy.adjustment_steps import (
    AFTER_MOVE,
    BEFORE_MOVE,
    Guide,
    Move,
    Step,
    StepAnswer,
    answers_to,
)
from shimwise.remedy.mechanism import Fixed, Mechanism, Screw, ShimmedMount

SCHEMA = "shimwise.adjustment/1"
NO_PLAN = Move()
"""How far to move is not known yet."""


class ConsentError(RemedyError):
    """Raised when a lock is to be released before the owner's consent was confirmed.

    Attributes
    ----------
    unit : str
        Name of the body.
    """

    def __init__(self, unit: str) -> None:
        self.unit = unit
        super().__init__(
            f"{unit} is locked: its lock is released only with the owner's consent. Confirm the consent "
            "first, or answer that it stays locked."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmed:
    """A step that a person confirmed: who, when, the answer, a note, and of a move what was made."""

    step: Step
    who: str
    when: datetime
    answer: StepAnswer
    note: str = ""
    move: Move | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenBack:
    """A step that was found wrong: it and what followed it are open again."""

    step: Step
    who: str
    when: datetime
    reason: str


Event = Confirmed | TakenBack


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustment:
    """An adjustment of one unit, from its first step to its last.

    Attributes
    ----------
    unit : str
        Name of the body or lens.
    guide : Guide
        What is adjusted, and how.
    planned : Move
        What is to be made.
    needs_consent : bool
        Whether the owner is asked before anything else; of a mount, a fixed body and a lens always.
    events : tuple of Event
        All that happened, oldest first.
    """

    unit: str
    guide: Guide
    planned: Move = NO_PLAN
    needs_consent: bool = False
    events: tuple[Event, ...] = ()

    @property
    def confirmed(self) -> dict[Step, Confirmed]:
        """Steps that are confirmed, in the order in which they were."""
        valid: dict[Step, Confirmed] = {}
        for event in self.events:
            if isinstance(event, Confirmed):
                valid[event.step] = event
            else:
                kept = list(valid)[: list(valid).index(event.step)]
                valid = {step: valid[step] for step in kept}
        return valid

    @property
    def steps(self) -> tuple[Step, ...]:
        """All steps in their order, by the answers so far."""
        before = BEFORE_MOVE[self.guide]
        confirmed = self.confirmed
        if Step.CONSENT not in before and (self.needs_consent or Step.CONSENT in confirmed):
            before = (Step.CONSENT, *before)
        if self.is_stopped:
            return (*before[: before.index(Step.LOCK) + 1], Step.FLAG)
        after = AFTER_MOVE[self.guide]
        lock = confirmed.get(Step.LOCK)
        if lock is not None:
            after = tuple(step for step in after if step is not Step.LOCK_AFTER)
            if lock.answer is not StepAnswer.NO_LOCK:
                after = (Step.LOCK_AFTER, *after)
        return (*before, Step.MOVE, *after)

    @property
    def next_step(self) -> Step | None:
        """The step that is due; None if all are confirmed."""
        confirmed = self.confirmed
        return next((step for step in self.steps if step not in confirmed), None)

    @property
    def is_stopped(self) -> bool:
        """Whether it ended at a lock that stays: nothing may be moved."""
        lock = self.confirmed.get(Step.LOCK)
        return lock is not None and lock.answer is StepAnswer.STAYS_LOCKED

    @property
    def made(self) -> Move | None:
        """The move that was made; None before it, and of a unit that was sent out."""
        move = self.confirmed.get(Step.MOVE)
        return None if move is None else move.move

    def confirm(
        self,
        step: Step,
        *,
        who: str,
        when: datetime,
        answer: StepAnswer = StepAnswer.DONE,
        note: str = "",
        move: Move | None = None,
    ) -> "Adjustment":
        """Confirm the step that is due; the owner's consent may be confirmed at any time before the move.

        Parameters
        ----------
        step : Step
            The one that is due.
        who : str
            The person.
        when : datetime
            With its time zone.
        answer : StepAnswer
            One of those the step allows.
        note : str
            Of a consent: who gave it (needed). Else anything else.
        move : Move, optional
            Of a move: what was made; the planned one when not given.

        Raises
        ------
        RemedyError
            If the step is not due, the answer is none of its own, or who, when or the owner is missing.
        """
        _check_trace(who, when)
        self._check_due(step)
        allowed = answers_to(step, self.guide)
        if answer not in allowed:
            raise RemedyError(
                f"The step {step!s} of {self.unit} cannot be answered with {answer!s}. "
                f"Answer with {' or '.join(allowed)}."
            )
        if step is Step.CONSENT and not note.strip():
            raise RemedyError(f"Who consented to opening {self.unit} is missing. Write the owner's name.")
        if answer is StepAnswer.RELEASED and Step.CONSENT not in self.confirmed:
            raise ConsentError(self.unit)
        made = self._made(step, answer, move)
        event = Confirmed(step=step, who=who.strip(), when=when, answer=answer, note=note.strip(), move=made)
        return replace(self, events=(*self.events, event))

    def take_back(self, step: Step, *, who: str, when: datetime, reason: str) -> "Adjustment":
        """Take a confirmed step back: it and what was confirmed after it are open again; the trace stays.

        Raises
        ------
        RemedyError
            If the step is not confirmed, or who, when or the reason is missing.
        """
        _check_trace(who, when)
        if step not in self.confirmed:
            raise RemedyError(f"The step {step!s} of {self.unit} is not confirmed: nothing to take back.")
        if not reason.strip():
            raise RemedyError(f"Why {step!s} of {self.unit} is taken back is missing. Write the reason.")
        event = TakenBack(step=step, who=who.strip(), when=when, reason=reason.strip())
        return replace(self, events=(*self.events, event))

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON."""
        return {
            "schema": SCHEMA,
            "unit": self.unit,
            "guide": str(self.guide),
            "planned": self.planned.to_json(),
            "needs_consent": self.needs_consent,
            "events": [_event_json(event) for event in self.events],
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "Adjustment":
        """Read what :meth:`to_json` wrote, and check that it could have happened.

        Raises
        ------
        RemedyError
            If it is something else, or its steps are not in their order.
        """
        try:
            _check_schema(data["schema"])
            adjustment = cls(
                unit=str(data["unit"]),
                guide=Guide(data["guide"]),
                planned=Move.from_json(data["planned"]),
                needs_consent=bool(data["needs_consent"]),
            )
            for event in data["events"]:
                adjustment = _again(adjustment, event)
        except (KeyError, TypeError, ValueError) as error:
            raise RemedyError(f"This is no adjustment that can be read: {error}.") from error
        return adjustment

    def _check_due(self, step: Step) -> None:
        due = self.next_step
        if step is due:
            return
        confirmed = self.confirmed
        if step is Step.CONSENT and step not in confirmed and Step.MOVE not in confirmed and due is not None:
            return
        if step in confirmed:
            raise RemedyError(f"The step {step!s} of {self.unit} is confirmed already. Take it back first.")
        if self.is_stopped:
            raise RemedyError(f"{self.unit} stays locked: nothing is moved. Flag it and tell the owner.")
        if due is None or step not in self.steps:
            raise RemedyError(f"{step!s} is no step of this adjustment of {self.unit}.")
        if step is Step.MOVE and Step.LOCK in self.steps and Step.LOCK not in confirmed:
            raise RemedyError(
                f"{self.unit} cannot be marked as moved before its lock was looked at and the step answered. "
                f"Due now: {due!s}."
            )
        raise RemedyError(f"{step!s} of {self.unit} comes later; no step is skipped. Due now: {due!s}.")

    def _made(self, step: Step, answer: StepAnswer, move: Move | None) -> Move | None:
        if step is not Step.MOVE:
            if move is not None:
                raise RemedyError(f"A move belongs to the step {Step.MOVE!s}, not to {step!s}.")
            return None
        if answer is StepAnswer.SENT_OUT:
            return None
        made = move or self.planned
        is_screw = self.guide in (Guide.SCREW, Guide.SCREW_WITHOUT_LOCK)
        is_seen = move is not None and move.change_um is not None  # by the picture: no turns are counted
        if is_screw and made.turns is None and not is_seen:
            raise RemedyError(
                f"How far the screw of {self.unit} was turned is missing. Write turns and direction."
            )
        if not is_screw and not (made.shims_in_um or made.shims_out_um):
            raise RemedyError(
                f"Which shims went into or out of {self.unit} is missing. Write them in µm, as "
                "in 50 + 20 out 100."
            )
        return made


def begin(
    unit: str, mechanism: Mechanism | None, *, planned: Move = NO_PLAN, needs_consent: bool = False
) -> Adjustment:
    """Begin the adjustment of a body.

    Parameters
    ----------
    unit : str
        Name of the body.
    mechanism : Mechanism or None
        How it is adjusted; None, not known, is refused.
    planned : Move
        What is to be made.
    needs_consent : bool
        Whether its owner wants to be asked before a screw is turned.

    Raises
    ------
    RemedyError
        If the mechanism is not known.
    """
    match mechanism:
        case Screw():
            guide = Guide.SCREW_WITHOUT_LOCK if mechanism.has_lock is False else Guide.SCREW
        case ShimmedMount():
            guide = Guide.SHIMMED_MOUNT
        case Fixed():
            guide = Guide.FIXED
        case None:
            raise RemedyError(
                f"How {unit} is adjusted is not known. Find out from the maker's service instructions and "
                "write it down first: until then nothing is turned or opened."
            )
    return Adjustment(unit=unit, guide=guide, planned=planned, needs_consent=needs_consent)


def begin_lens(unit: str, *, planned: Move = NO_PLAN) -> Adjustment:
    """Begin the shimming of a lens."""
    return Adjustment(unit=unit, guide=Guide.LENS_SHIM, planned=planned)


def _check_trace(who: str, when: datetime) -> None:
    if not who.strip():
        raise RemedyError("Who did this is missing. Sign in, or give a name.")
    if when.tzinfo is None:
        raise RemedyError(f"The time {when.isoformat()} has no time zone. Give it with one.")


def _check_schema(schema: str) -> None:
    if schema != SCHEMA:
        raise ValueError(f"schema {schema!r}")


def _event_json(event: Event) -> dict[str, Any]:
    common = {"step": str(event.step), "who": event.who, "when": event.when.isoformat()}
    if isinstance(event, TakenBack):
        return {"event": "taken back", **common, "reason": event.reason}
    move = event.move.to_json() if event.move else None
    return {"event": "confirmed", **common, "answer": str(event.answer), "note": event.note, "move": move}


def _again(adjustment: Adjustment, event: Mapping[str, Any]) -> Adjustment:
    """Apply an event that was written down, under the same rules."""
    step, who, when = Step(event["step"]), str(event["who"]), datetime.fromisoformat(event["when"])
    if event["event"] == "taken back":
        return adjustment.take_back(step, who=who, when=when, reason=str(event["reason"]))
    if event["event"] != "confirmed":
        raise ValueError(f"event {event['event']!r}")
    return adjustment.confirm(
        step,
        who=who,
        when=when,
        answer=StepAnswer(event["answer"]),
        note=str(event["note"]),
        move=Move.from_json(event["move"]) if event["move"] else None,
    )
