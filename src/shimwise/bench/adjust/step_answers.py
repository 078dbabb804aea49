"""The answer to a step as typed: which step, the response, the note, and of a move what was made."""

from shimwise.bench.adjust.journal import KeptAdjustment
from shimwise.bench.adjust.presenter import NOTED
from shimwise.bench.adjust.text import read_seen_move, read_shim_change, read_shims
from shimwise.bench.errors import InputError
from shimwise.bench.typed_names import typed_name
from shimwise.bench.typed_turns import read_turns
from shimwise.remedy.adjustment_steps import Guide, Move, Step, StepAnswer, answers_to


def read_step(kept: KeptAdjustment, step: str) -> Step:
    """Return the step of this id; raise InputError if the adjustment has none."""
    try:
        return Step(step)
    except ValueError as error:
        named = ", ".join(kept.adjustment.steps)
        raise InputError(
            f"is no step of this adjustment; it has {named}.", field="step", typed=step
        ) from error


def split_lock_answer(step: Step, answer: str) -> tuple[str, str]:
    """Part the answer about a lock from the words after its colon: ``released: the owner, by phone``."""
    if step is not Step.LOCK:
        return answer, ""
    response, _, words = answer.partition(":")
    return response, " ".join(words.split())


def read_answer(
    kept: KeptAdjustment, step: Step, answer: str, note: str
) -> tuple[StepAnswer, str, Move | None]:
    """Return the response, the note, and of a move what was made; raise InputError if it is none of them."""
    typed = " ".join(answer.split())
    allowed = answers_to(step, kept.guide)
    response = next((one for one in allowed if one == typed.casefold()), None)
    if not typed:
        raise InputError("is no answer. Write what was done.", field="answer", typed=answer)
    if step in NOTED:
        noted = note if response is not None else typed_name(typed, field="answer")
        if step is Step.SHIMS_MEASURED and kept.guide is Guide.SHIMMED_MOUNT:
            read_shims(noted)
        return StepAnswer.DONE, noted, None
    if step is Step.MOVE and response is None and kept.guide is not Guide.FIXED:
        return StepAnswer.DONE, note, _typed_move(kept, typed)
    if response is None:
        raise InputError(
            f"is no answer to [{step!s}]; accepted is {' or '.join(allowed)}.", field="answer", typed=typed
        )
    return response, note, None


def _typed_move(kept: KeptAdjustment, typed: str) -> Move:
    if kept.guide in (Guide.SCREW, Guide.SCREW_WITHOUT_LOCK):
        seen = read_seen_move(typed)
        if seen is not None:
            return Move(change_um=seen[0], change_sd_um=seen[1])
        turns, turn = read_turns(typed, turn=kept.plan.move.turn)
        planned = kept.plan.move
        return Move(
            turns=turns,
            turn=turn,
            approach=turn,
            seen_um_per_turn=planned.seen_um_per_turn,
            seen_um_per_turn_sd=planned.seen_um_per_turn_sd,
        )
    put_in, taken_out = read_shim_change(typed)
    return Move(shims_in_um=put_in, shims_out_um=taken_out, change_um=sum(put_in) - sum(taken_out))
