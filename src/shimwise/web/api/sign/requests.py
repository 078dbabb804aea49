"""Requests of signatures, leads and papers to be verified."""

from typing import Annotated, Any

from pydantic import Field, StringConstraints

from shimwise.web.api.kinds import PLAIN, Id, In, Name, NewId, OptionalReason, Reason, Who


class ExceptionIn(In):
    """A unit that goes out undecided: why, and who answers for it (empty: who signs)."""

    unit_id: Id
    reason: Reason
    name: Annotated[str, StringConstraints(max_length=80, pattern=PLAIN)] = ""


class RemainingIn(In):
    """Why all other undecided units go out, and who answers for them (empty: who signs)."""

    reason: Reason
    name: Annotated[str, StringConstraints(max_length=80, pattern=PLAIN)] = ""


class SignIn(In):
    """A signature."""

    id: NewId = None
    exceptions: Annotated[list[ExceptionIn], Field(max_length=120)] = Field(default_factory=list)
    remaining: RemainingIn | None = None
    as_set: Annotated[
        bool, Field(description="Sign bodies and lenses together, for where each lens lands on each body.")
    ] = False
    who: Who


class ReopenIn(In):
    """Who opens a prep again; a signed one only with a reason."""

    who: Who
    reason: Annotated[OptionalReason, Field(description="Needed where the prep is signed.")] = ""


class LeadsIn(In):
    """Who may open any signed prep again."""

    names: Annotated[list[Name], Field(max_length=50)]
    who: Who


class VerifyIn(In):
    """A paper to be verified: a prep document, or a PDF as base64; one of them."""

    document: Annotated[dict[str, Any] | None, Field(description="shimwise.prep/1")] = None
    pdf_base64: Annotated[str, StringConstraints(max_length=8_000_000)] = ""
