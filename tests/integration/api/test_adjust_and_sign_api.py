"""From a body that is out to a signed prep by the interface alone, and every refusal on the way."""

import base64
import copy
from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import LEAD, WHO, Door, adjusted, answer, begin, excepted, opened_door, short_prep, sign

from screw_peak import PEAK
from shimwise.bench.sign.papers import CHECK, make_paper
from shimwise.bench.sweep.evidence import SweepRequest, keep_sweep
from shimwise.number_format import plus_minus_text

NEW_ID = "0" * 32


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with opened_door(tmp_path / "record") as opened:
        yield opened


def signed(door: Door) -> str:
    prep_id = short_prep(door, value_um=0.0)
    sign(door, prep_id, exceptions=excepted(door, prep_id))
    return prep_id


def test_from_out_to_adjusted_checked_again_and_signed(door: Door) -> None:
    prep_id = short_prep(door)
    view = adjusted(door, prep_id)
    assert view["move"]["turns"] == pytest.approx(0.05, abs=0.01)
    assert view["state"] == "finished"
    assert door.get(f"/preps/{prep_id}/adjustments/{view['id']}")["amount_um"] == pytest.approx(20, abs=4)
    (asked,) = door.get(f"/preps/{prep_id}/recheck")["rechecks"]
    assert not asked["is_read"]
    for one in asked["readings"]:
        door.read(prep_id, "on", lens_id=one["lens_id"], distance_text=one["distance_text"])
    sign(door, prep_id, exceptions=excepted(door, prep_id))
    (pair,) = door.get(f"/preps/{prep_id}/before-after")["adjustments"]
    assert pair["before_um"] < -10
    assert abs(pair["after_um"]) < 10
    assert door.get(f"/bodies/{door.ids['A-01']}")["adjustments"][0]["epoch_after"] == 1


def test_a_peak_along_the_screw_is_taken_at_the_move_and_not_before(door: Door) -> None:
    prep_id = short_prep(door)
    view = begin(door, prep_id)
    at = f"/preps/{prep_id}/adjustments/{view['id']}/peak"
    by_eye = {"sharpest": "0.10 0.12 0.11 clockwise", "who": WHO}
    assert "after its lock was looked at" in door.post(at, 409, **by_eye)["detail"]
    for step, said in (("clean", "done"), ("lock", "was free"), ("place", "at the rim")):
        answer(door, view, step, said)
    door.post(at, 422, sharpest="0.10 clockwise", who=WHO)
    door.post(at, 422, sweep={"schema": "another"}, who=WHO)
    move = door.post(at, 200, **by_eye)["move"]
    assert move["turns"] == pytest.approx(0.11)
    assert move["peak"].startswith("The peak lies 0.110 ±")
    # A sweep that the prep has kept is named by its id.
    facts = SweepRequest(body_id=door.ids["A-01"], lens_id=door.ids["H35"], distance_text="3'")
    kept = keep_sweep(door.record, prep_id, facts=facts, document=PEAK, who=WHO)
    (offered,) = door.get(f"/preps/{prep_id}/adjustments/{view['id']}")["screw_sweeps"]
    assert (offered["id"], offered["lens"], offered["setup"]) == (kept.id, "H35", "A-01 at 3'")
    assert offered["words"].startswith("sharpest 0.120 ± 0.002 turn (43°) clockwise")
    assert "names a second sweep" in door.post(at, 422, sweep=PEAK, sweep_id=kept.id, who=WHO)["detail"]
    assert "is no sweep of this prep" in door.post(at, 422, sweep_id=NEW_ID, who=WHO)["detail"]
    assert door.post(at, 200, sweep_id=kept.id, who=WHO)["move"]["turns"] == pytest.approx(0.12)


def test_a_move_that_was_not_judged_yet_never_shows_what_was_before_as_after(door: Door) -> None:
    prep_id = short_prep(door)
    adjusted(door, prep_id)
    (pair,) = door.get(f"/preps/{prep_id}/before-after")["adjustments"]
    assert pair["before_um"] == pytest.approx(-20, abs=3)
    told = plus_minus_text(pair["before_um"], pair["before_half_um"])  # as the sheet has it
    assert f"{told} µm before" in pair["words"]
    assert (pair["is_judged"], pair["after_um"], pair["after_verdict"]) == (False, None, "not_checked")
    assert pair["words"].endswith("before, after it not judged yet.")
    door.post(f"/preps/{prep_id}/verdict/refresh", 200, who=WHO)
    (pair,) = door.get(f"/preps/{prep_id}/before-after")["adjustments"]
    assert pair["is_judged"]
    assert pair["before_um"] == pytest.approx(-20, abs=3)
    assert pair["after_um"] == pytest.approx(0, abs=4)
    # A reading later the figure is no longer of the prep as it stands.
    door.read(prep_id, "on", lens_id=door.ids["H35"])
    (pair,) = door.get(f"/preps/{prep_id}/before-after")["adjustments"]
    assert (pair["is_judged"], pair["after_um"]) == (False, None)
    readings = door.get(f"/preps/{prep_id}")["readings"]
    assert [one["is_past"] for one in readings] == [True, True, False]


def test_a_move_before_the_lock_is_a_conflict(door: Door) -> None:
    view = answer(door, begin(door, short_prep(door)), "clean", "done")
    problem = answer(door, view, "move", "done", 409)
    assert problem["type"] == "/api/v1/problems#conflict"
    assert "before its lock was looked at" in problem["detail"]


def test_a_step_taken_back_and_an_adjustment_given_up_leave_their_trace(door: Door) -> None:
    prep_id = short_prep(door)
    view = answer(door, begin(door, prep_id), "clean", "done")
    at = f"/preps/{prep_id}/adjustments/{view['id']}"
    back = door.post(f"{at}/take-back", 200, step="clean", reason="wrong body", who=WHO)
    assert back["taken_back"] == [f"clean, by {WHO}: wrong body"]
    door.post(f"{at}/take-back", 422, step="clean", reason="", who=WHO)
    assert door.post(f"{at}/give-up", 200, reason="not today", who=WHO)["state"] == "given up"
    door.post(f"{at}/finish", 409, who=WHO)
    assert len(door.get(f"/preps/{prep_id}/adjustments")["adjustments"]) == 1


@pytest.mark.parametrize(
    ("step", "said", "status"), [("clean", "no", 422), ("dance", "done", 422), ("mark", "done", 409)]
)
def test_an_answer_that_is_none_is_refused(door: Door, step: str, said: str, status: int) -> None:
    answer(door, begin(door, short_prep(door)), step, said, status)


def test_a_prep_with_an_undecided_unit_is_not_signed(door: Door) -> None:
    prep_id = door.start()["id"]
    door.read(prep_id, "on")
    problem = sign(door, prep_id, 409)
    assert "Not every unit is decided" in problem["detail"]
    assert "H25: not read" in problem["detail"]
    assert sign(door, prep_id, 422, exceptions=[{"unit_id": door.ids["H25"], "reason": ""}])["status"] == 422
    assert door.get(f"/preps/{prep_id}/sign-offs") == {"sign_offs": []}


def test_a_signed_prep_takes_nothing_until_it_is_reopened_by_right(door: Door) -> None:
    prep_id = signed(door)
    assert "is signed" in door.read(prep_id, "on", 409)["detail"]
    begin(door, prep_id, 409, reason="to try")
    sign(door, prep_id, 409)
    at = f"/preps/{prep_id}/reopen"
    assert "with a reason" in door.post(at, 409, who=WHO)["detail"]
    stranger = door.post(at, 409, who="A. Stranger", reason="to change it")
    assert "A. Stranger may not reopen this prep" in stranger["detail"]
    door.put("/leads", 200, names=[LEAD], who=WHO)
    door.put("/leads", 409, names=["A. Stranger"], who="A. Stranger")
    assert door.get("/leads") == {"names": [LEAD]}
    assert door.post(at, 200, who=LEAD, reason="a lens came late")["state"] == "open"
    (kept,) = door.get(f"/preps/{prep_id}/sign-offs")["sign_offs"]
    assert not kept["is_standing"]
    door.read(prep_id, "on")


def test_an_altered_document_is_told_from_the_signed_one(door: Door) -> None:
    prep_id = signed(door)
    document = door.get(f"/preps/{prep_id}/export")
    (found,) = door.post("/papers/verify", 200, document=document)["findings"]
    assert (found["state"], found["prep_id"]) == ("as_signed", prep_id)
    altered = copy.deepcopy(document)
    altered["readings"][0]["operator"] = "Somebody Else"
    (found,) = door.post("/papers/verify", 200, document=altered)["findings"]
    assert (found["state"], "is not what was signed" in found["sentence"]) == ("altered", True)
    assert found["differing"] == [f"Reading 1: its operator is “Somebody Else”; as signed it is “{WHO}”."]
    sheet = base64.b64encode(make_paper(CHECK, [altered]).pdf).decode()
    (found,) = door.post("/papers/verify", 200, pdf_base64=sheet)["findings"]
    assert found["state"] == "altered"
    door.post(f"/preps/{prep_id}/reopen", 200, who=WHO, reason="a lens came late")
    (found,) = door.post("/papers/verify", 200, document=document)["findings"]
    assert (found["state"], "no longer counts" in found["sentence"]) == ("older", True)


def test_what_is_no_paper_is_refused(door: Door) -> None:
    for body in ({}, {"document": {"schema": "x"}}, {"pdf_base64": "!"}):
        door.post("/papers/verify", 422, **body)
    text = base64.b64encode(b"%PDF-1.7 nothing").decode()
    assert "PDF" in door.post("/papers/verify", 422, pdf_base64=text)["detail"]


def test_shims_are_counted_and_what_runs_out_is_to_be_ordered(door: Door) -> None:
    assert door.get("/shims") == {"shims": [], "is_counted": False}
    shims = [{"thickness_um": 10.0, "count": 1}, {"thickness_um": 50.0, "count": 5}]
    counted = door.put("/shims", 200, shims=shims, who=WHO)
    assert [one["to_order"] for one in counted["shims"]] == [1, 0]
    assert door.get("/settings")["shim_stock_um"] == [10.0, 50.0]
    door.put("/shims", 422, shims=[shims[0], shims[0]], who=WHO)
