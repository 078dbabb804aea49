"""Gauges and sweeps beside readings by eye; the verdict and what is shown of it."""

import uuid
from typing import Any

import pytest
from invented_house import WHO, House

from shimwise.bench.errors import Conflict, InputError, NotFound
from shimwise.bench.house import units as houses
from shimwise.bench.house.views import BodyFacts, LensFacts, MechanismFacts
from shimwise.bench.prep import preps
from shimwise.bench.prep.gauges import add_gauge, withdraw_gauge
from shimwise.bench.prep.views import GaugeView
from shimwise.bench.sweep.evidence import SweepRequest, keep_sweep, sweep_task, withdraw_sweep
from shimwise.bench.verdict.verdict import refresh_verdict, verdict
from shimwise.record.queries import verdicts
from shimwise.record.tables.rows import AdjustmentRow
from shimwise.sheets.json.verdict_json import answer_from_json, answer_to_json


def gauge(house: House, prep_id: str, **options: object) -> GaugeView:
    chosen: dict[str, object] = {
        "unit_kind": "body",
        "unit_id": house.ids["A-01"],
        "value_um": -20.0,
        "sd_um": 3.0,
        "who": WHO,
    }
    return add_gauge(house.record, prep_id, **{**chosen, **options})  # type: ignore[arg-type]


def sweep_document(**changes: object) -> dict[str, Any]:
    document: dict[str, Any] = {
        "schema": "shimwise.sweep/1",
        "landing_um": -18.0,
        "sd_um": 0.5,
        "focal_length_mm": 50.0,
        "f_number": 2.0,
        "flags": [],
    }
    return {**document, **changes}


def facts(house: House, **changes: str) -> SweepRequest:
    chosen = {"body_id": house.ids["A-01"], "lens_id": house.ids["H50"], "distance_text": "3'"}
    return SweepRequest(**{**chosen, **changes})


@pytest.mark.slow
def test_a_gauge_pulls_its_body_and_lets_go_when_it_is_withdrawn(house: House) -> None:
    prep = house.start()
    house.read(prep.id, "on")
    kept = gauge(house, prep.id)
    pulled = refresh_verdict(house.record, prep.id)
    withdraw_gauge(house.record, prep.id, kept.id, reason="dirty seat", who=WHO)
    free = refresh_verdict(house.record, prep.id)
    assert pulled is not None
    assert free is not None
    assert pulled.bodies[0].error_um < -10 < free.bodies[0].error_um
    assert pulled.bodies[0].sd_um < free.bodies[0].sd_um


@pytest.mark.slow
def test_two_gauges_of_one_body_are_weighed_together(house: House) -> None:
    # Two values of equal uncertainty are one of their mean, the root of two surer.
    first, second = house.start(), house.start()
    for prep in (first, second):
        house.read(prep.id, "on")
    for value_um in (-20.0, -10.0):
        gauge(house, first.id, value_um=value_um)
    gauge(house, second.id, value_um=-15.0, sd_um=3.0 / 2**0.5)
    one, other = (refresh_verdict(house.record, prep.id) for prep in (first, second))
    assert one is not None
    assert other is not None
    assert one.bodies[0].error_um == pytest.approx(other.bodies[0].error_um, abs=0.01)


@pytest.mark.parametrize(
    ("options", "field"),
    [
        ({"value_um": 51980.0}, "value_um"),
        ({"sd_um": 0.0}, "sd_um"),
        ({"sd_um": 1e-300}, "sd_um"),
        ({"unit_id": "0" * 32}, "body_id"),
        ({"unit_kind": "lens"}, "lens_id"),
    ],
)
def test_a_gauge_that_cannot_be_is_refused(house: House, options: dict[str, object], field: str) -> None:
    prep = house.start()
    with pytest.raises(InputError) as told:
        gauge(house, prep.id, **options)
    assert told.value.field == field


def test_a_gauge_sent_twice_is_one_and_other_content_is_a_conflict(house: House) -> None:
    prep, gauge_id = house.start(), uuid.uuid4().hex
    for _ in range(2):
        gauge(house, prep.id, id=gauge_id)
    assert len(preps.open_prep(house.record, prep.id).gauges) == 1
    with pytest.raises(Conflict, match="differ in value_um"):
        gauge(house, prep.id, id=gauge_id, value_um=1.0)
    with pytest.raises(NotFound, match="no gauge"):
        withdraw_gauge(house.record, house.start().id, gauge_id, reason="not of that prep", who=WHO)


def test_a_sweep_is_evidence_beside_readings_until_it_is_withdrawn(house: House) -> None:
    prep = house.start()
    view = keep_sweep(
        house.record,
        prep.id,
        facts=facts(house),
        document=sweep_document(),
        frames_place="frames",
        who=WHO,
    )
    assert (view.words, view.setup) == ("18 µm short", "A-01 at 3'")
    found = refresh_verdict(house.record, prep.id)
    assert found is not None
    assert found.document["readings"][0]["source"] == f"sweep {view.id}"
    assert found.bodies[0].error_um + found.lenses[0].error_um < -5
    withdraw_sweep(house.record, prep.id, view.id, reason="lamp moved", who=WHO)
    assert preps.open_prep(house.record, prep.id).sweeps[0].is_withdrawn
    assert verdict(house.record, prep.id) is None  # nothing stands that it was given on


def test_a_sweep_without_a_landing_is_kept_and_not_judged(house: House) -> None:
    prep = house.start()
    view = keep_sweep(
        house.record,
        prep.id,
        facts=facts(house),
        document=sweep_document(landing_um=None, sd_um=None, flags=["the peak is at the end"]),
        frames_place="frames",
        who=WHO,
    )
    assert (view.landing_um, view.flags) == (None, ("the peak is at the end",))
    assert refresh_verdict(house.record, prep.id) is None


def test_a_sweeps_task_takes_from_lens_and_body_what_is_not_said(house: House) -> None:
    body = BodyFacts(name="A-01", pixel_pitch_um=5.5)
    houses.change_unit(house.record, house.ids["A-01"], facts=body, who=WHO)
    task = sweep_task(house.record, house.start().id, place="frames", facts=facts(house))
    assert (task.body, task.lens, task.distance_mm) == ("A-01", "H50", 914.4)
    assert task.usual == {"focal_mm": 50, "fnumber": 2, "pitch_um": 5.5}
    assert set(task.recording.values()) == {None}
    with pytest.raises(InputError, match="is no lens of this prep"):
        sweep_task(house.record, house.start().id, place="", facts=facts(house, lens_id="0" * 32))


def test_a_remedy_knows_the_bodys_mechanism(house: House) -> None:
    mechanism = MechanismFacts(kind="screw", um_per_turn=350.0, away="clockwise", has_lock=True)
    body = BodyFacts(name="A-01", mechanism=mechanism)
    houses.change_unit(house.record, house.ids["A-01"], facts=body, who=WHO)
    prep = house.start()
    for lens in ("H18", "H25", "H35", "H50"):
        for text in ("2' 10 1/2\"", "2' 10 3/4\""):
            house.read(prep.id, text, lens_id=house.ids[lens], distance_text="3'")
    gauge(house, prep.id, value_um=-60.0, sd_um=2.0)
    found = refresh_verdict(house.record, prep.id)
    assert found is not None
    (remedy,) = [one for one in found.remedies if one.unit == "A-01"]
    assert (remedy.action, remedy.turn) == ("move sensor", "clockwise")
    # A first move is about the whole way, and no more; the play is named apart.
    assert remedy.turns == pytest.approx(abs(found.bodies[0].error_um) / 350, rel=0.02)


def test_an_answer_read_back_from_its_document_is_written_as_the_same_document(house: House) -> None:
    prep = house.start()
    for text in ("on", 'short by 1/8"', "4'"):
        house.read(prep.id, text)
    found = refresh_verdict(house.record, prep.id)
    assert found is not None
    again = answer_to_json(answer_from_json(found.document), is_house=True)
    assert {**again, "remedies": found.document["remedies"]} == found.document


@pytest.mark.slow
def test_a_body_after_an_adjustment_is_another_one_than_before(house: House) -> None:
    prep = house.start()
    house.read(prep.id, 'short by 1/4"')
    with house.record.writing(who=WHO) as change:
        row = AdjustmentRow(
            id=uuid.uuid4().hex,
            unit_kind="body",
            unit_id=house.ids["A-01"],
            action="move sensor",
            made_by=WHO,
            made_at=change.at,
            prep_id=prep.id,
        )
        verdicts.add_adjustment(change, row)
    house.read(prep.id, "on")
    found = refresh_verdict(house.record, prep.id)
    assert found is not None
    assert [body.name for body in found.bodies] == ["A-01"]
    assert [body["name"] for body in found.document["past"]["bodies"]] == ["A-01 before adjustment 1"]
    first, second = preps.open_prep(house.record, prep.id).readings
    assert (first.agreement, second.agreement) == ("agrees", "agrees")


def test_a_lens_of_internal_focus_keeps_its_table_with_infinity(house: House) -> None:
    table = ((914.4, 78.0, 10.0), (float("inf"), 85.0, 14.0))
    lens = LensFacts(name="I", focal_lengths_mm=(85.0,), fnumber=2.0, by_distance=table)
    added = houses.add_unit(house.record, facts=lens, who=WHO)
    assert houses.show_unit(house.record, LensFacts, added.id).unit.facts.by_distance == table
