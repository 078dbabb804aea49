"""What the problems mean that the interface answers with: the address that their ``type`` points at."""

from fastapi import APIRouter

from shimwise.web.api.kinds import Out
from shimwise.web.problems import KINDS

__all__ = ["door", "router"]

router = APIRouter(tags=["problems"])


class KindOut(Out):
    """A kind of problem."""

    name: str
    status: int
    title: str
    meaning: str


class KindsOut(Out):
    """All kinds of problems."""

    problems: tuple[KindOut, ...]


class DoorOut(Out):
    """Where to go from here."""

    description: str
    problems: str
    preps: str
    pages: str


def door() -> DoorOut:
    """Say where the interface is described, and where it begins."""
    return DoorOut(
        description="/api/v1/openapi.json", problems="/api/v1/problems", preps="/api/v1/preps", pages="/"
    )


@router.get("/problems")
def problems() -> KindsOut:
    """List the kinds of problems, by the name that stands after ``#`` in a problem's type."""
    return KindsOut(problems=tuple(KindOut.model_validate(kind) for kind in KINDS.values()))
