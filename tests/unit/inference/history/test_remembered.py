"""The posterior with a joint memory, against independent priors, batch solutions and simulated preps."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from benchmarks import prep_simulator as simulator

from shimwise.errors import InferenceError
from shimwise.inference.history import remembered_posterior as remembered
from shimwise.inference.history.remembered_posterior import (
    doubt_what_was_knocked,
    evidence_of,
    fit_to,
    learned,
    remembered_posterior,
)
from shimwise.inference.model.assemble import build_model
from shimwise.inference.model.joint_memory import History, Unit
from shimwise.inference.model.linear import Kind, Model
from shimwise.inference.model.prep import BodyKnowledge, LensKnowledge, Prep, Reading
from shimwise.inference.posterior.robust import robust_posterior

LENSES = simulator.SET[:4]


def readings(seed: int, *, repeats: int = 1, truth: simulator.Truth | None = None) -> tuple[Reading, ...]:
    rng = np.random.default_rng(seed)
    truth = truth or simulator.draw_truth(rng, lenses=LENSES)
    return simulator.read_all(rng, truth, lenses=LENSES, repeats=repeats)[0]


@pytest.fixture
def no_discount(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the readings count in full, as in the judge's own posterior."""
    monkeypatch.setattr(remembered, "DISCOUNT", 1.0)


def model_of(taken: tuple[Reading, ...], **known: object) -> Model:
    return build_model(Prep(readings=taken, **known))[0]  # type: ignore[arg-type]


def prior_of(model: Model) -> History:
    return History.empty().with_units_of(model)


@pytest.mark.usefixtures("no_discount")
def test_independent_priors_give_what_the_judge_gives() -> None:
    gauge = {"B1": BodyKnowledge(history_mean_um=4, history_sd_um=6)}
    lenses = {"L02": LensKnowledge(history_mean_um=-3, history_sd_um=11)}
    model = model_of(readings(1), bodies=gauge, lenses=lenses)
    plain = replace(model, unknowns=tuple(replace(one, has_history=False) for one in model.unknowns))
    told, joint = robust_posterior(plain), remembered_posterior(plain, prior_of(plain))
    assert joint.mean == pytest.approx(told.mean, abs=0.02)  # iterations end at 3e-4 of a prior sd
    assert joint.sd == pytest.approx(told.sd, rel=2e-3)
    assert joint.k == pytest.approx(told.k, rel=2e-3)
    assert len(joint.weights) == len(model.landing_um)


@pytest.mark.usefixtures("normal_errors", "no_discount")
def test_readings_in_two_parts_tell_what_they_tell_at_once(known_k: Callable[[float], None]) -> None:
    known_k(0.2)
    # A known separation: how far a landing's size is uncertain belongs to its readings, not to the lens.
    taken = tuple(replace(one, separation_mm=10.0) for one in readings(2, repeats=2))
    whole = model_of(taken)
    history = prior_of(whole)
    for part in (taken[::2], taken[1::2]):
        model = model_of(part)
        history = learned(history, model)
    at_once = robust_posterior(whole)
    for i, unknown in enumerate(whole.unknowns):
        standing = history.remembered(unknown.kind, unknown.name)
        assert standing.mean == pytest.approx(at_once.mean[i], abs=1e-3)
        assert standing.sd == pytest.approx(at_once.sd[i], rel=1e-4)


@pytest.mark.usefixtures("normal_errors")
def test_a_memory_of_each_unit_alone_would_believe_itself_too_well(known_k: Callable[[float], None]) -> None:
    known_k(0.2)
    model = model_of(readings(3, repeats=3))
    joint = prior_of(model)
    alone = joint
    for _ in range(8):
        joint = learned(joint, model)
        alone = learned(alone, model)
        alone = replace(alone, covariance=np.diag(np.diag(alone.covariance)))
    # However often they are read, body and lenses stay as far apart as 15 µm and 12/√4 µm allow: 5.57 µm.
    floor_um = (15.0**-2 + 4 * 12.0**-2) ** -0.5
    assert joint.remembered(Kind.BODY, "B1").sd >= floor_um
    assert alone.remembered(Kind.BODY, "B1").sd < 0.6 * floor_um


def test_readings_are_discounted_and_what_was_known_is_not() -> None:
    model = model_of(readings(9, repeats=3))
    history = prior_of(model)
    body = model.index(Kind.BODY, "B1")
    prior, told = history.remembered(Kind.BODY, "B1").sd, robust_posterior(model).sd[body]
    sd = remembered_posterior(model, history).sd[body]
    assert told < sd < 1.1 * told
    nothing = build_model(Prep(readings=(), bodies={"B1": BodyKnowledge()}))[0]
    assert remembered_posterior(nothing, history.with_units_of(nothing)).sd[0] == pytest.approx(prior)


def test_a_unit_that_is_not_read_learns_through_those_that_are() -> None:
    model = model_of(tuple(r for r in readings(4, repeats=2) if r.lens != "L04"))
    history = prior_of(model)
    lens = Unit(Kind.LENS, "L04")
    history = history.joined(lens, mean=0, sd=12)
    i, j = history.current(Kind.LENS, "L01"), history.current(Kind.LENS, "L04")
    covariance = history.covariance.copy()
    covariance[i, j] = covariance[j, i] = 0.9 * 144
    linked = replace(history, covariance=covariance)
    after = learned(linked, model)
    # Regression of a normal on its partner: slope .9, and what the partner does not explain stays.
    read, other = after.remembered(Kind.LENS, "L01"), after.remembered(Kind.LENS, "L04")
    assert other.mean == pytest.approx(0.9 * read.mean)
    assert other.sd**2 == pytest.approx(144 * (1 - 0.81) + 0.81 * read.sd**2)


@pytest.mark.usefixtures("normal_errors")
def test_readings_alone_say_the_same_whatever_was_thought_before(known_k: Callable[[float], None]) -> None:
    known_k(0.2)
    taken = readings(5, repeats=2)
    plain = evidence_of(model_of(taken))
    told = evidence_of(model_of(taken, lenses={"L01": LensKnowledge(history_mean_um=30, history_sd_um=2)}))
    assert told.precision == pytest.approx(plain.precision, rel=1e-6, abs=1e-9)
    assert told.pull == pytest.approx(plain.pull, rel=1e-3, abs=1e-2)


def _known(truth: simulator.Truth, rng: np.random.Generator, model: Model) -> History:
    """History in which every unit is known to 3 µm, rightly."""
    history = prior_of(model)
    mean, covariance = history.mean.copy(), history.covariance.copy()
    for i, unit in enumerate(history.units):
        if unit.kind in (Kind.BODY, Kind.LENS):
            true = truth.body_um if unit.kind is Kind.BODY else truth.lens_um
            mean[i], covariance[i, i] = true[unit.name] + rng.normal(0, 3), 9.0
    return History(units=history.units, mean=mean, covariance=covariance)


@pytest.mark.slow
def test_surprises_are_standard_normal_when_nothing_happened() -> None:
    z, share, p = [], [], []
    for seed in range(60):
        rng = np.random.default_rng(100 + seed)
        truth = simulator.draw_truth(rng, lenses=LENSES)
        model = model_of(simulator.read_all(rng, truth, lenses=LENSES, repeats=2, blunder_rate=0.0)[0])
        fit = fit_to(_known(truth, rng, model), model)
        z += [one.z for one in fit.tests]
        share.append(fit.chi_squared / fit.degrees)
        p.append(fit.p)
    assert np.std(z) == pytest.approx(1, abs=0.15)
    assert np.mean(share) == pytest.approx(1, abs=0.2)
    assert np.mean(np.array(p) < 0.01) < 0.1


@pytest.mark.parametrize(("kind", "name"), [(Kind.LENS, "L02"), (Kind.BODY, "B1")])
def test_a_knock_is_noticed_at_the_unit_that_was_knocked(kind: Kind, name: str) -> None:
    found = []
    for seed in range(12):
        rng = np.random.default_rng(500 + seed)
        truth = simulator.draw_truth(rng, lenses=LENSES)
        field = "lens_um" if kind is Kind.LENS else "body_um"
        units = dict(getattr(truth, field))
        knocked = replace(truth, **{field: {**units, name: units[name] + 30}})
        model = model_of(simulator.read_all(rng, knocked, lenses=LENSES, repeats=2)[0])
        history, noticed = doubt_what_was_knocked(_known(truth, rng, model), model)
        found.append([(one.kind, one.name) for one in noticed] == [(kind, name)])
        if found[-1]:
            assert noticed[0].shift_um == pytest.approx(30, abs=4 * noticed[0].sd_um)
            assert history.epoch(kind, name) == 1
    assert np.mean(found) > 0.75


def test_a_unit_that_was_not_read_surprises_nobody() -> None:
    model = model_of(readings(6), lenses={"spare": LensKnowledge(history_mean_um=0, history_sd_um=3)})
    names = [one.name for one in fit_to(prior_of(model), model).tests]
    assert "spare" not in names
    assert "L01" in names


def test_a_gauge_counts_as_a_reading() -> None:
    gauged = {"B1": BodyKnowledge(gauge_um=25.0, gauge_sd_um=1.0)}
    model = model_of(readings(7), bodies=gauged)
    joint = remembered_posterior(model, prior_of(model))
    body = model.index(Kind.BODY, "B1")
    assert joint.mean[body] == pytest.approx(robust_posterior(model).mean[body], abs=0.4)
    assert joint.sd[body] < 1.2


def test_what_is_not_remembered_is_named() -> None:
    model = model_of(readings(8))
    with pytest.raises(InferenceError, match="Nothing is remembered of the body 'B1'"):
        remembered_posterior(model, History.empty())
    nothing = build_model(Prep(readings=(), bodies={"B1": BodyKnowledge()}))[0]
    with pytest.raises(InferenceError, match="There is no reading"):
        fit_to(prior_of(nothing), nothing)
