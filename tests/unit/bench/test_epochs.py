"""What a signed prep leaves known: kept wide enough, fading until the next prep, taken back on reopening."""

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from invented_house import WHO, House

from shimwise.bench import epochs, prep_evidence, signing
from shimwise.bench.epochs import WearSettings
from shimwise.bench.prep_material import material_of
from shimwise.bench.prep_question import question_of
from shimwise.bench.prep_verdict import refresh_verdict
from shimwise.bench.refusals import InputError
from shimwise.bench.signing import Exempt
from shimwise.inference.assemble import build_model
from shimwise.inference.model import Kind
from shimwise.inference.posterior import robust_posterior
from shimwise.records.store import Record, units
from shimwise.records.store.rows import BodyRow, LensRow


class Clock:
    """A clock that the test sets."""

    def __init__(self) -> None:
        self.now = datetime(2025, 3, 1, 9, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def house(tmp_path: Path, clock: Clock) -> House:
    return House.in_record(Record.open(tmp_path / "record", clock=clock))


def gauged_prep(house: House) -> str:
    lenses = [house.ids[name] for name in ("H25", "H35", "H50")]
    prep_id = house.start(set_id=None, lens_ids=lenses).id
    prep_evidence.add_gauge(
        house.record, prep_id, unit_kind="body", unit_id=house.ids["A-01"], value_um=3.0, sd_um=1.5, who=WHO
    )
    for name in ("H25", "H35", "H50"):
        for distance in ("3'", "6'"):
            house.read(prep_id, "on", lens_id=house.ids[name], distance_text=distance)
    return prep_id


def sign(house: House, prep_id: str) -> None:
    refresh_verdict(house.record, prep_id)
    found = signing.undecided(house.record, prep_id)
    exceptions = {unit.unit_id: Exempt("a test") for unit in found}
    signing.sign(house.record, prep_id, who=WHO, exceptions=exceptions)


def body(house: House) -> BodyRow:
    with house.record.reading() as connection:
        return units.body(connection, house.ids["A-01"])


def lens(house: House, name: str) -> LensRow:
    with house.record.reading() as connection:
        return units.lens(connection, house.ids[name])


def test_a_signed_prep_leaves_its_units_a_history_that_is_no_surer_than_the_verdict(house: House) -> None:
    prep_id = gauged_prep(house)
    judged = refresh_verdict(house.record, prep_id)
    assert judged is not None
    sign(house, prep_id)
    kept = body(house)
    assert kept.history_mean_um == pytest.approx(judged.bodies[0].error_um)
    assert kept.history_sd_um is not None
    assert kept.history_sd_um >= judged.bodies[0].sd_um


def test_independent_histories_are_never_surer_together_than_what_was_known(house: House) -> None:
    # D − C has no negative eigenvalue: whatever sum of units is asked for, its variance is not told smaller.
    prep_id = gauged_prep(house)
    judged = refresh_verdict(house.record, prep_id)
    assert judged is not None
    with house.record.reading() as connection:
        material = material_of(connection, prep_id)
    histories = {one.unit_id: one for one in epochs.histories_of(material, judged.document)}
    question = question_of(material)
    assert question is not None
    model, _ = build_model(question.prep)
    named = {unit.name: unit.id for unit in (*material.bodies.values(), *material.lenses.values())}  # type: ignore[attr-defined]
    wanted = [
        (column, histories[named[one.name]])
        for column, one in enumerate(model.unknowns)
        if one.kind in (Kind.BODY, Kind.LENS)
    ]
    columns = [column for column, _ in wanted]
    joint = robust_posterior(model).covariance[np.ix_(columns, columns)]
    said = {one.unit_id: one.sd_um for one in (*judged.bodies, *judged.lenses)}
    scale = np.array([said[one.unit_id] for _, one in wanted]) / np.sqrt(np.diag(joint))
    joint = joint * np.outer(scale, scale)
    told = np.diag([one.sd_um**2 for _, one in wanted])
    assert np.linalg.eigvalsh(told - joint).min() > -1e-6


def test_a_history_fades_with_the_days_and_with_the_job(house: House, clock: Clock) -> None:
    sign(house, gauged_prep(house))
    kept = body(house)
    assert kept.history_sd_um is not None
    clock.now += timedelta(days=120)
    house.start(set_id=None, lens_ids=[house.ids["H50"]])
    faded = body(house)
    assert faded.history_mean_um == kept.history_mean_um
    # A random walk: 1.5² µm² a month over four months, and 1.5² for the job.
    expected = math.sqrt(kept.history_sd_um**2 + 1.5**2 * 4 + 1.5**2)
    assert faded.history_sd_um == pytest.approx(expected, rel=1e-3)


def test_a_history_that_a_person_typed_stands_as_typed(house: House, clock: Clock) -> None:
    with house.record.writing(who=WHO) as change:
        known = units.lens(change.connection, house.ids["H50"])
        epochs.keep_history(change, known, mean_um=1.0, sd_um=4.0, what="lens changed by hand", prep_id="")
    clock.now += timedelta(days=400)
    house.start()
    assert lens(house, "H50").history_sd_um == 4.0


def test_reopening_takes_back_what_the_prep_had_left_known(house: House) -> None:
    prep_id = gauged_prep(house)
    before = refresh_verdict(house.record, prep_id)
    sign(house, prep_id)
    assert body(house).history_sd_um is not None
    signing.reopen(house.record, prep_id, reason="a lens came late", who=WHO)
    assert body(house).history_sd_um is None
    again = refresh_verdict(house.record, prep_id)
    assert before is not None
    assert again is not None
    # Its own readings must not come back as its prior: it is judged as it was.
    assert again.bodies[0].sd_um == pytest.approx(before.bodies[0].sd_um)


def test_rates_of_wear_are_settings_with_a_reason(house: House) -> None:
    with pytest.raises(InputError, match="empty"):
        epochs.change_wear(house.record, settings=WearSettings(body_month_um=0.5, reason=""), who=WHO)
    with pytest.raises(InputError, match="out of range"):
        epochs.change_wear(house.record, settings=WearSettings(body_month_um=-1.0), who=WHO)
    wanted = WearSettings(body_month_um=0.5, body_job_um=0.0, reason="drift charts of last year")
    assert epochs.change_wear(house.record, settings=wanted, who=WHO) == wanted
    assert epochs.wear(house.record) == wanted


def test_what_was_known_is_carried_over_a_move_with_the_moves_own_uncertainty() -> None:
    mean_um, sd_um = epochs.carried(mean_um=-20.0, sd_um=2.0, move_um=18.0, move_sd_um=3.0, kind="body")
    assert mean_um == pytest.approx(-2.0)
    assert sd_um is not None
    assert sd_um > math.hypot(2.0, 3.0)  # never surer than both together
    assert epochs.carried(mean_um=-20.0, sd_um=2.0, move_um=18.0, move_sd_um=30.0, kind="body") == (
        None,
        None,
    )
    assert epochs.carried(mean_um=None, sd_um=None, move_um=18.0, move_sd_um=1.0, kind="lens") == (None, None)
