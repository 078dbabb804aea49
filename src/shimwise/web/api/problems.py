"""The kinds of problems that the interface answers with: the address that their ``type`` points at."""

from dataclasses import dataclass

from shimwise.web.api.answers import AnswerRouter
from shimwise.web.problems import KINDS, ProblemKind

router = AnswerRouter(tags=["problems"])


@dataclass(frozen=True, slots=True)
class Kinds:
    """All kinds of problems."""

    problems: tuple[ProblemKind, ...]


@dataclass(frozen=True, slots=True)
class Root:
    """Where to go from here."""

    description: str = "/api/v1/openapi.json"
    problems: str = "/api/v1/problems"
    preps: str = "/api/v1/preps"
    pages: str = "/"


def root() -> Root:
    """Return where the interface is described, and where it begins."""
    return Root()


@router.get("/problems")
def problems() -> Kinds:
    """List the kinds of problems, by the name after ``#`` in a problem's type."""
    return Kinds(tuple(KINDS.values()))
