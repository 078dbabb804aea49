"""What a prep did not check, in the order in which a person reads it."""

from copy import deepcopy

from invented_preps import prep_document

from shimwise.sheets.json.verdict_json import answer_from_json
from shimwise.sheets.papers.signed.not_checked import not_checked
from shimwise.sheets.papers.signed.prep_document import PrepDocument


def test_distances_that_count_are_listed_by_their_length_in_one_form() -> None:
    document = deepcopy(prep_document(with_sweep=False))
    lengths = {"3 ft": 914.4, "12 ft": 3657.6, "6 ft": 1828.8, "?": None, "3 foot": 914.4}
    setups = document["setups"][:1] * len(lengths)
    document["setups"] = [
        {**setup, "id": text, "distance_text": text, "distance_mm": mm}
        for setup, (text, mm) in zip(setups, lengths.items(), strict=True)
    ]
    for number, row in enumerate(document["readings"]):
        row["setup_id"] = list(lengths)[number % len(lengths)]
    # What was read at 12 ft was read before the bodies were adjusted.
    for row in document["bodies"]:
        row["epoch"] = 1
    for row in document["readings"]:
        row["body_epoch"] = 0 if row["setup_id"] == "12 ft" else 1
    prep = PrepDocument(document)
    assert prep.verdict is not None
    lines = not_checked(prep, answer_from_json(prep.verdict))
    (distances,) = (one for one in lines if "Distances read" in one)
    assert distances.startswith("Distances read: 3', 6' and ?.")
