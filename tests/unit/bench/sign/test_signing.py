"""Signing: nothing undecided goes out unsaid, what is signed stays as it was, and who may open it again."""

import hashlib
import json
import re
from collections.abc import Callable
from copy import deepcopy
from io import BytesIO
from pathlib import Path

import pytest
from invented_house import WHO, House
from pypdf import PdfReader

from shimwise.bench.adjust import guide
from shimwise.bench.errors import Conflict, InputError, NotFound
from shimwise.bench.exchange import record_admin
from shimwise.bench.house import units as house_of
from shimwise.bench.house.views import BodyFacts, LensFacts
from shimwise.bench.prep import gauges, preps
from shimwise.bench.prep.readings import undo_withdraw, withdraw_reading
from shimwise.bench.sign import signing
from shimwise.bench.sign.papers import CHECK, LABELS, State, digest_of, make_paper, verify_paper
from shimwise.bench.sign.signed import recorded
from shimwise.bench.sign.signing import Exempt
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.record.record import Record

pytestmark = pytest.mark.slow  # sets pages


def read_all(
    house: House, prep_id: str, *, text: str = "on", focal_mm: tuple[float, ...] = (25, 35, 50)
) -> None:
    for focal in focal_mm:
        for distance in ("3'", "6'"):
            for _ in range(2):
                house.read(prep_id, text, lens_id=house.ids[f"H{focal:g}"], distance_text=distance)


def gauged_prep(house: House, *, value_um: float = 0.0) -> str:
    """A prep of one body, whose gauge says how it stands, and three lenses that were read."""
    lenses = [house.ids[f"H{focal:g}"] for focal in (25, 35, 50)]
    prep_id = house.start(set_id=None, lens_ids=lenses).id
    gauges.add_gauge(
        house.record,
        prep_id,
        unit_kind="body",
        unit_id=house.ids["A-01"],
        value_um=value_um,
        sd_um=1.5,
        who=WHO,
    )
    read_all(house, prep_id)
    return prep_id


def all_excepted(house: House, prep_id: str) -> dict[str, Exempt]:
    refresh_verdict(house.record, prep_id)
    return {
        unit.unit_id: Exempt("goes out for a test only", "B. Lead")
        for unit in signing.undecided(house.record, prep_id)
    }


def signed_prep(house: House) -> str:
    prep_id = gauged_prep(house)
    signing.sign(house.record, prep_id, who=WHO, exceptions=all_excepted(house, prep_id))
    return prep_id


def test_a_prep_with_an_undecided_unit_is_not_signed(house: House) -> None:
    prep_id = house.start().id
    house.read(prep_id, "on")
    with pytest.raises(
        Conflict,
        match=r"Not every unit is decided.*H18: .*H25: not read.*who answers",
    ):
        signing.sign(house.record, prep_id, who=WHO)
    assert preps.open_prep(house.record, prep_id).state == "open"
    assert signing.sign_offs(house.record, prep_id) == ()


def test_a_prep_without_any_reading_is_not_signed(house: House) -> None:
    with pytest.raises(Conflict, match="nothing to judge"):
        signing.sign(house.record, house.start().id, who=WHO)


def test_an_exception_takes_a_reason_and_keeps_who_answers_for_it(house: House) -> None:
    prep_id = house.start(set_id=None, lens_ids=[house.ids["H50"]]).id
    house.read(prep_id, "on")
    units = [house.ids["A-01"], house.ids["H50"]]
    with pytest.raises(InputError, match="empty"):
        signing.sign(house.record, prep_id, who=WHO, exceptions={unit: Exempt(" ") for unit in units})
    with pytest.raises(InputError, match="no unit of this prep"):
        signing.sign(house.record, prep_id, who=WHO, exceptions={house.ids["H18"]: Exempt("why")})
    signed = signing.sign(
        house.record,
        prep_id,
        who=WHO,
        exceptions={units[0]: Exempt("no time", "B. Lead"), units[1]: Exempt("spare")},
    )
    assert [(one.unit, one.reason, one.name) for one in signed.exceptions] == [
        ("A-01", "no time", "B. Lead"),
        ("H50", "spare", WHO),
    ]


def test_a_decided_unit_needs_no_exception(house: House) -> None:
    prep_id = gauged_prep(house)
    known = refresh_verdict(house.record, prep_id)
    assert known is not None
    assert known.bodies[0].verdict == "in_tolerance"
    exceptions = all_excepted(house, prep_id) | {house.ids["A-01"]: Exempt("to be sure")}
    with pytest.raises(InputError, match="A-01 is decided and needs no exception"):
        signing.sign(house.record, prep_id, who=WHO, exceptions=exceptions)


def test_what_was_signed_is_told_from_what_was_altered(house: House) -> None:
    prep_id = signed_prep(house)
    document = record_admin.export_prep(house.record, prep_id)
    known = recorded(house.record)
    (found,) = verify_paper(document.encode(), recorded=known)
    assert (found.standing, found.words) == (State.AS_SIGNED, ("The prep is what was signed.",))
    altered = json.loads(document)
    altered["readings"][0]["reading_text"] = "2'"
    (found,) = verify_paper(json.dumps(altered).encode(), recorded=known)
    assert found.state is State.ALTERED


def rename(house: House) -> None:
    house_of.change_unit(house.record, house.ids["A-01"], facts=BodyFacts(name="A-77"), who=WHO)
    house_of.change_unit(
        house.record,
        house.ids["H50"],
        facts=LensFacts(
            name="H51",
            focal_lengths_mm=(51.0,),
            fnumber=2.0,
            note="back from the dealer",
            marks_mm=(600, 900),
        ),
        who=WHO,
    )


@pytest.mark.usefixtures("made_anew")
def test_a_signed_sheet_is_the_same_bytes_after_its_units_were_renamed(house: House) -> None:
    prep_id = signed_prep(house)
    sheet = make_paper(CHECK, [record_admin.prep_document(house.record, prep_id)])
    labels = make_paper(LABELS, [record_admin.prep_document(house.record, prep_id)])
    rename(house)
    document = record_admin.prep_document(house.record, prep_id)
    assert {body["name"] for body in document["bodies"]} == {"A-01"}
    assert make_paper(CHECK, [document]).pdf == sheet.pdf
    assert make_paper(LABELS, [document]).pdf == labels.pdf
    for data in (sheet.pdf, record_admin.export_prep(house.record, prep_id).encode()):
        (found,) = verify_paper(data, recorded=recorded(house.record))
        assert (found.state, found.differing) == (State.AS_SIGNED, ())


def test_a_sheet_that_was_not_signed_follows_the_house(house: House) -> None:
    prep_id = gauged_prep(house)
    refresh_verdict(house.record, prep_id)
    before = make_paper(CHECK, [record_admin.prep_document(house.record, prep_id)])
    rename(house)
    document = record_admin.prep_document(house.record, prep_id)
    assert {body["name"] for body in document["bodies"]} == {"A-77"}
    assert make_paper(CHECK, [document]).pdf != before.pdf


def test_what_was_signed_goes_to_another_house_and_back_unchanged(house: House, tmp_path: Path) -> None:
    prep_id = signed_prep(house)
    rename(house)
    text = record_admin.export_prep(house.record, prep_id)
    with Record.open(tmp_path / "away") as away:
        record_admin.import_prep(away, text, who=WHO)
        back = json.loads(record_admin.export_prep(away, prep_id))
        (found,) = verify_paper(json.dumps(back).encode(), recorded=recorded(away))
        assert record_admin.check(away) == ()
    assert back["sign_offs"] == json.loads(text)["sign_offs"]
    assert hashlib.sha256(back["sign_offs"][0]["signed_json"].encode()).hexdigest() == found.digest
    assert found.state is State.AS_SIGNED


def test_an_altered_sheet_is_told_with_what_differs(house: House) -> None:
    prep_id = signed_prep(house)
    altered = record_admin.prep_document(house.record, prep_id)
    altered["readings"][0]["reading_text"] = "2'"
    forged = deepcopy(altered)
    forged["sign_offs"][0]["digest"] = digest_of(forged)
    for document in (altered, forged):
        sheet = make_paper(CHECK, [document]).pdf
        assert verify_paper(sheet)[0].state is State.ALTERED
        (found,) = verify_paper(sheet, recorded=recorded(house.record))
        assert found.state is State.ALTERED
        assert found.differing == ("Reading 1: its reading is “2'”; as signed it is “3'”.",)


def test_a_sheet_of_an_older_revision_and_one_of_another_house_are_told(house: House, tmp_path: Path) -> None:
    prep_id = signed_prep(house)
    sheet = make_paper(CHECK, [record_admin.prep_document(house.record, prep_id)]).pdf
    signing.reopen(house.record, prep_id, reason="a lens came late", who=WHO)
    (found,) = verify_paper(sheet, recorded=recorded(house.record))
    assert (found.state, "nobody has signed it again" in found.words[0]) == (State.OLDER, True)
    house.read(prep_id, "on", lens_id=house.ids["H25"])
    signing.sign(house.record, prep_id, who="B. Lead", exceptions=all_excepted(house, prep_id))
    (found,) = verify_paper(sheet, recorded=recorded(house.record))
    assert "stands, signed by B. Lead on" in found.words[0]
    with Record.open(tmp_path / "away") as away:
        (found,) = verify_paper(sheet, recorded=recorded(away))
    assert found.state is State.AS_SIGNED
    assert "only the house that signed it can tell" in " ".join(found.words)


def test_what_a_reopened_prep_says_is_what_the_house_says(house: House) -> None:
    prep_id = signed_prep(house)
    rename(house)
    signing.reopen(house.record, prep_id, reason="a lens came late", who=WHO)
    document = record_admin.prep_document(house.record, prep_id)
    assert {body["name"] for body in document["bodies"]} == {"A-77"}
    (found,) = verify_paper(make_paper(CHECK, [document]).pdf, recorded=recorded(house.record))
    assert found.state is State.NOT_SIGNED


@pytest.mark.parametrize(
    "change",
    [
        lambda house, prep_id, reading_id: house.read(prep_id, "on"),
        lambda house, prep_id, reading_id: withdraw_reading(house.record, reading_id, reason="x", who=WHO),
        lambda house, prep_id, reading_id: undo_withdraw(house.record, reading_id, who=WHO),
        lambda house, prep_id, reading_id: preps.close_prep(house.record, prep_id, who=WHO),
        lambda house, prep_id, reading_id: preps.reopen_prep(house.record, prep_id, who=WHO),
        lambda house, prep_id, reading_id: preps.add_units(
            house.record, prep_id, body_ids=[house.ids["A-02"]], who=WHO
        ),
        lambda house, prep_id, reading_id: preps.tape_setup(
            house.record, prep_id, body_id=house.ids["A-01"], distance_text="9'", who=WHO
        ),
        lambda house, prep_id, reading_id: gauges.add_gauge(
            house.record, prep_id, unit_kind="body", unit_id=house.ids["A-01"], value_um=1, sd_um=1, who=WHO
        ),
        lambda house, prep_id, reading_id: guide.begin_adjustment(
            house.record, prep_id, unit_kind="body", unit_id=house.ids["A-01"], reason="x", who=WHO
        ),
        lambda house, prep_id, reading_id: signing.sign(house.record, prep_id, who=WHO),
    ],
    ids=["read", "withdraw", "undo", "close", "open", "units", "tape", "gauge", "adjust", "sign"],
)
def test_a_signed_prep_is_frozen(house: House, change: Callable[[House, str, str], object]) -> None:
    prep_id = signed_prep(house)
    reading_id = preps.open_prep(house.record, prep_id).readings[0].id
    before = record_admin.export_prep(house.record, prep_id)
    with pytest.raises(Conflict, match=r"signed.*[Rr]eopen it with a reason"):
        change(house, prep_id, reading_id)
    assert record_admin.export_prep(house.record, prep_id) == before


def test_judging_a_signed_prep_again_changes_nothing(house: House) -> None:
    prep_id = signed_prep(house)
    before = record_admin.export_prep(house.record, prep_id)
    shown = refresh_verdict(house.record, prep_id)
    assert shown is not None
    assert shown.is_current
    assert record_admin.export_prep(house.record, prep_id) == before


def test_reopening_makes_a_new_revision_and_keeps_the_old_signature(house: House) -> None:
    prep_id = signed_prep(house)
    (first,) = signing.sign_offs(house.record, prep_id)
    opened = signing.reopen(house.record, prep_id, reason="a lens came late", who=WHO.upper())
    assert opened.state == "open"
    assert opened.revision > first.revision
    house.read(prep_id, "on", lens_id=house.ids["H25"])
    second = signing.sign(house.record, prep_id, who=WHO, exceptions=all_excepted(house, prep_id))
    kept = signing.sign_offs(house.record, prep_id)
    assert [(one.digest, one.is_standing) for one in kept] == [(first.digest, False), (second.digest, True)]
    assert second.digest != first.digest
    (found,) = verify_paper(record_admin.export_prep(house.record, prep_id).encode())
    assert found.state is State.AS_SIGNED


def test_only_who_signed_or_a_lead_reopens_and_not_without_a_reason(house: House) -> None:
    prep_id = signed_prep(house)
    with pytest.raises(Conflict, match=f"A. Stranger may not reopen this prep: {WHO} signed it"):
        signing.reopen(house.record, prep_id, reason="to change it", who="A. Stranger")
    with pytest.raises(InputError, match="empty"):
        signing.reopen(house.record, prep_id, reason=" ", who=WHO)
    assert preps.open_prep(house.record, prep_id).state == "signed"
    assert signing.change_leads(house.record, names=["B. Lead"], who=WHO) == ("B. Lead",)
    with pytest.raises(Conflict, match=r"Only a lead changes who the leads are: B\. Lead"):
        signing.change_leads(house.record, names=["A. Stranger"], who="A. Stranger")
    assert signing.reopen(house.record, prep_id, reason="asked to", who="b. lead").state == "open"


def test_an_open_prep_is_not_reopened_by_reason(house: House) -> None:
    with pytest.raises(Conflict, match="open already"):
        signing.reopen(house.record, house.start().id, reason="why not", who=WHO)


def test_the_same_signature_sent_twice_is_one(house: House) -> None:
    prep_id, own_id = gauged_prep(house), "5" * 32
    exceptions = all_excepted(house, prep_id)
    first = signing.sign(house.record, prep_id, id=own_id, who=WHO, exceptions=exceptions)
    assert signing.sign(house.record, prep_id, id=own_id, who=WHO, exceptions=exceptions) == first
    assert len(signing.sign_offs(house.record, prep_id)) == 1


def test_an_unknown_prep_is_not_found(record: Record) -> None:
    for ask in (signing.undecided, signing.sign_offs):
        with pytest.raises(NotFound):
            ask(record, "0" * 32)


def text_of_pdf(pdf: bytes) -> str:
    return " ".join("".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages).split())


def test_a_set_is_signed_where_body_and_lens_cannot_be_parted_but_their_pairs_are_decided(
    house: House,
) -> None:
    lens = house.ids["H50"]
    prep_id = house.start(set_id=None, lens_ids=[lens]).id
    for distance, text in (("3'", "2' 11 1/2\""), ("6'", "5' 10\"")):
        for person in (WHO, "B. Lead", WHO, "B. Lead"):
            house.read(prep_id, text, lens_id=lens, distance_text=distance, operator=person)
    refresh_verdict(house.record, prep_id)
    by_itself = signing.undecided(house.record, prep_id)
    assert {one.name for one in by_itself} == {"A-01", "H50"}
    assert signing.undecided(house.record, prep_id, as_set=True) == ()
    with pytest.raises(Conflict, match="Not every unit is decided"):
        signing.sign(house.record, prep_id, who=WHO)
    signed = signing.sign(house.record, prep_id, who=WHO, as_set=True)
    assert signed.as_set
    document = record_admin.prep_document(house.record, prep_id)
    sheet = make_paper(CHECK, [document])
    assert "as a set on A-01" in text_of_pdf(sheet.pdf)
    assert "as a set on A-01" in text_of_pdf(make_paper(LABELS, [document], names=["H50"]).pdf)
    known = recorded(house.record)
    (found,) = verify_paper(sheet.pdf, recorded=known)
    assert found.state is State.AS_SIGNED
    altered = json.loads(record_admin.export_prep(house.record, prep_id))
    altered["sign_offs"][0]["as_set"] = None  # as if each unit had been decided by itself
    (found,) = verify_paper(json.dumps(altered).encode(), recorded=known)
    assert found.state is State.ALTERED


def test_a_lens_whose_landing_is_not_decided_keeps_a_set_from_being_signed(house: House) -> None:
    prep_id = house.start(set_id=None, lens_ids=[house.ids["H25"], house.ids["H50"]]).id
    house.read(prep_id, "on", lens_id=house.ids["H25"])
    refresh_verdict(house.record, prep_id)
    (body, *lenses) = signing.undecided(house.record, prep_id, as_set=True)
    assert body.words == "A-01: it is not decided where any lens lands on it."
    assert [one.name for one in lenses] == ["H25", "H50"]
    assert re.fullmatch(r"H25: lands 0 ± \d+ µm on A-01, which is not decided\.", lenses[0].words)
    assert lenses[1].words == "H50: not read."
    with pytest.raises(Conflict, match="where any lens lands"):
        signing.sign(house.record, prep_id, who=WHO, as_set=True)
