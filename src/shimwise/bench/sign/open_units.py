"""What prevents a signature: units that are not decided by themselves, or as a set on the bodies of the prep.

As a set, lenses and bodies are signed together: for each lens on each body it is decided where it lands,
though body and lens may not be parted.
"""

from collections.abc import Iterator, Mapping

from shimwise.bench.prep.prep_data import PrepMaterial, latest_answer
from shimwise.bench.sign.views import Undecided
from shimwise.bench.verdict.recheck import rechecks_in
from shimwise.inference.verdict.answer import Answer, BodyAnswer, PairAnswer, Verdict
from shimwise.inference.verdict.unit_state import StateCode, state_of
from shimwise.record import Connection
from shimwise.sheets.words.pair_words import pair_text
from shimwise.sheets.words.shared import listed
from shimwise.sheets.words.state_words import STATE_WORDS, state_text

MOST_NAMED = 3


def open_units(
    connection: Connection, material: PrepMaterial, *, as_set: bool = False
) -> tuple[Undecided, ...]:
    """Return the units that prevent a signature, by the latest verdict.

    Parameters
    ----------
    connection : Connection
        Of the record.
    material : PrepMaterial
        The prep.
    as_set : bool
        Whether body and lenses are to be signed together: then a lens is open where it is not decided how it
        lands on one of the bodies, and a body where that is decided of no lens. A unit that has to be read
        again after an adjustment is open either way.
    """
    answer = latest_answer(connection, material.prep.id)
    unchecked = {view.unit_id: view.words for view in rechecks_in(connection, material) if not view.is_read}
    of_set = dict(_open_in_set(material, answer)) if as_set else {}
    found = []
    for kind, of_kind in (("body", material.bodies), ("lens", material.lenses)):
        for unit in of_kind.values():
            judged = None if answer is None else answer.unit(kind, unit.name)
            verdict = Verdict.NOT_CHECKED if judged is None else judged.verdict
            words = f"{unit.name}: {_state_words(judged, answer)}."
            is_decided = unit.name not in of_set if as_set else verdict.is_decided
            if is_decided and unit.id not in unchecked:
                continue
            words = unchecked.get(unit.id) or of_set.get(unit.name) or words
            found.append(Undecided(unit.id, kind, unit.name, verdict.value, words))
    return tuple(found)


def _open_in_set(material: PrepMaterial, answer: Answer | None) -> Iterator[tuple[str, str]]:
    """Yield the names of units that cannot be signed as a set, and why."""
    pairs = {} if answer is None else {(one.body, one.lens): one for one in answer.pairs}
    bodies = [body.name for body in material.bodies.values()]
    lenses = [lens.name for lens in material.lenses.values()]
    usable = [body for body in bodies if any(_is_decided(pairs, body, lens) for lens in lenses)]
    for body in bodies:
        if body not in usable:
            yield body, f"{body}: it is not decided where any lens lands on it."
    for lens in lenses:
        wanting = [body for body in usable or bodies if not _is_decided(pairs, body, lens)]
        if wanting:
            yield lens, f"{lens}: {_pair_words(lens, wanting, pairs)}."


def _is_decided(pairs: Mapping[tuple[str, str], PairAnswer], body: str, lens: str) -> bool:
    pair = pairs.get((body, lens))
    return pair is not None and pair.verdict.is_decided


def _pair_words(lens: str, bodies: list[str], pairs: Mapping[tuple[str, str], PairAnswer]) -> str:
    known = [(body, pairs[body, lens]) for body in bodies if (body, lens) in pairs]
    known = [(body, pair) for body, pair in known if pair.verdict is not Verdict.NOT_CHECKED]
    if not known:
        return STATE_WORDS[StateCode.NOT_READ]
    landings = listed([f"{pair_text(pair)} µm on {body}" for body, pair in known], most=MOST_NAMED)
    return f"lands {landings}, which is not decided"


def _state_words(judged: BodyAnswer | None, answer: Answer | None) -> str:
    if judged is None or answer is None:
        return STATE_WORDS[StateCode.NOT_READ]
    return state_text(state_of(judged, answer))
