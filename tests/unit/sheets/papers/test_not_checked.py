"""What a prep did not check, in the order in which a person reads it."""

from copy import deepcopy

from invented_preps import prep_document

from shimwise.sheets.json.verdict_json import answer_from_json
from shimwise.sheets.papers.signed.not_checked import not_checked
from shimwise.sheets.papers.signed.prep_document import PrepDocument


def test_distances_are_listed_by_their_length_not_by_their_letters() -> None:
    document = deepcopy(prep_document(with_sweep=False))
    lengths = {"3 ft": 914.4, "12 ft": 3657.6, "6 ft": 1828.8, "?": None}
    setups = document["setups"][:1] * len(lengths)
    document["setups"] = [
        {**setup, "id": text, "distance_text": text, "distance_mm": mm}
        for setup, (text, mm) in zip(setups, lengths.items(), strict=True)
    ]
    for number, row in enumerate(document["readings"]):
        row["setup_id"] = list(lengths)[number % len(lengths)]
    prep = PrepDocument(document)
    assert prep.verdict is not None
    lines = not_checked(prep, answer_from_json(prep.verdict))
    (distances,) = (one for one in lines if "Distances read" in one)
    assert distances.startswith("Distances read: 3 ft, 6 ft, 12 ft and ?.")
