"""The verdict of a prep: computed, kept with the prep's revision, and shown."""

from collections.abc import Callable
from typing import Any

from shimwise import __version__
from shimwise.bench.errors import Conflict, NotFound
from shimwise.bench.house.taught import priors_in
from shimwise.bench.prep.prep_data import material_of
from shimwise.bench.prep.states import SIGNED
from shimwise.bench.prep.verdict_views import verdict_view
from shimwise.bench.prep.views import PrepVerdict
from shimwise.bench.typed_names import id_or_new
from shimwise.bench.verdict.judge_input import Question, answered, question_of
from shimwise.bench.verdict.prep_memory import prior_of
from shimwise.bench.verdict.recheck import rereads_due
from shimwise.bench.verdict.screws import screws_of
from shimwise.record.queries import verdicts
from shimwise.record.queries.lookups import prep_state
from shimwise.record.record import Connection, Record
from shimwise.record.tables.rows import VerdictRow

JUDGE = "judge"
"""Author of verdicts in the journal."""
_NOTHING = "There is nothing to judge in this prep yet. Save a reading first."


def verdict(record: Record, prep_id: str) -> PrepVerdict | None:
    """Return the latest verdict of a prep; None before the first, and if all its evidence is withdrawn."""
    with record.reading() as connection:
        material = material_of(connection, prep_id)
        row = verdicts.latest_verdict(connection, prep_id)
    return None if row is None or material.is_bare else verdict_view(row, material)


def refresh_verdict(record: Record, prep_id: str) -> PrepVerdict | None:
    """Judge a prep and keep the verdict, unless it is current; None while there is nothing to judge.

    Raises
    ------
    InferenceError, OpticsError, RemedyError
        If it cannot be judged.
    """
    question = judge_question(record, prep_id)
    if question is not None:
        keep_verdict(record, question, answered(question))
    return verdict(record, prep_id)


def given_verdict(record: Record, prep_id: str) -> PrepVerdict:
    """Return the latest verdict; raise NotFound if there is none yet."""
    found = verdict(record, prep_id)
    if found is None:
        raise NotFound("verdict of the prep", prep_id)
    return found


def current_verdict(record: Record, prep_id: str) -> PrepVerdict:
    """Judge a prep as :func:`refresh_verdict` does; raise Conflict if there is nothing to judge."""
    found = refresh_verdict(record, prep_id)
    if found is None:
        raise Conflict(_NOTHING, kind="prep", id=prep_id)
    return found


def judge_question(record: Record, prep_id: str) -> Question | None:
    """Return the question for the judge; None if the latest verdict is current, or nothing was read."""
    with record.reading() as connection:
        material = material_of(connection, prep_id)
        latest = verdicts.latest_verdict(connection, prep_id)
        if latest is not None and material.is_current(latest):
            return None
        return question_of(
            material,
            history=prior_of(connection, material),
            screws=screws_of(connection, material),
            rereads=rereads_due(connection, material),
            priors=priors_in(connection),
        )


def keep_verdict(
    record: Record,
    question: Question,
    document: dict[str, Any],
    *,
    fence: Callable[[Connection], None] = lambda _: None,
) -> None:
    """Keep a verdict with the program's version; what ``fence`` raises in that transaction undoes it."""
    with record.writing(who=JUDGE) as change:
        fence(change.connection)
        if prep_state(change.connection, question.prep_id).state == SIGNED:
            return  # it was signed meanwhile, and stays as it was signed
        verdicts.add_verdict(
            change,
            VerdictRow(
                id=id_or_new(None),
                prep_id=question.prep_id,
                revision=question.revision,
                given_at=change.at,
                program_version=__version__,
                document=document,
                headline=document["headline"],
            ),
        )
