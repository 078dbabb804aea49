"""What judges a prep in a worker. Importing it loads no library: threads are limited first."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from shimwise.bench.verdict.judge_input import Question


def warm_up() -> None:
    """Load what judging needs, and judge something small, so that the first verdict is as quick as others."""
    from shimwise.bench.verdict.judge_input import small_question

    judged(small_question())


def judged(question: "Question") -> dict[str, Any]:
    """Judge a prep; return the verdict's document.

    Raises
    ------
    ShimwiseError
        When it cannot be judged.
    """
    from shimwise.bench.verdict.judge_input import answered

    return answered(question)
