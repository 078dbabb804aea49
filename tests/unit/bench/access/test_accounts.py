"""People, their PINs and what they are signed in by; each door is tested in the integration tests."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from record_template import empty_record
from shimwise.bench.access import accounts, pairing
from shimwise.bench.access.accounts import actor_of_token, add_person, console_actor, sign_in
from shimwise.bench.access.acting import Actor, Door, permitted
from shimwise.bench.access.errors import (
    NotAllowed,
    PersonNeeded,
    PinNeeded,
    PinWrong,
    SignInNeeded,
    TooManyTries,
)
from shimwise.bench.access.pin_tries import FIRST_WAIT_S, LONGEST_WAIT_S
from shimwise.bench.access.roles import RULES, Act, Role
from shimwise.bench.errors import Conflict, InputError, NotFound
from shimwise.record.record import Record

CONSOLE = console_actor("tester")
PIN = "4071"


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    empty_record(tmp_path)
    with Record.open(tmp_path) as record:
        yield record


@pytest.fixture
def house(record: Record) -> Record:
    """A house with a keeper and a reader."""
    add_person(record, name="Ada Bay", role="keeper", pin=PIN, who=CONSOLE)
    add_person(record, name="Bo Truck", role="reader", pin="5082", who=CONSOLE)
    return record


def signed_in(house: Record, name: str, pin: str = PIN, *, device_id: str = "") -> str:
    return sign_in(house, person=name, pin=pin, device="bay 2", device_id=device_id)[1]


def actor(house: Record, token: str, **more: str) -> Actor | None:
    return actor_of_token(house, token, door=Door.PAGE, **more)


@pytest.mark.parametrize(("role", "who"), [("keeper", "Ada Bay"), ("reader", CONSOLE), ("lead", CONSOLE)])
def test_the_first_person_is_a_keeper_named_on_the_console(
    record: Record, role: str, who: str | Actor
) -> None:
    with pytest.raises(Conflict, match="named on the console of this machine"):
        add_person(record, name="Ada Bay", role=role, pin=PIN, who=who)
    assert not accounts.has_keeper(record)


def test_a_name_is_one_person_whatever_its_case(house: Record) -> None:
    with pytest.raises(Conflict, match="Ada Bay is a keeper here already"):
        add_person(house, name="ADA  BAY", role="reader", pin=PIN, who=CONSOLE)
    assert [(one.name, one.role) for one in accounts.people(house)] == [
        ("Ada Bay", Role.KEEPER),
        ("Bo Truck", Role.READER),
    ]


@pytest.mark.parametrize("pin", ["", "123", "1234567890123", "12a4", "٤٠٧١", "0000", "1234", "4321", "8901"])
def test_a_pin_of_no_use_is_refused(house: Record, pin: str) -> None:
    with pytest.raises(InputError, match=r"is no PIN|everybody tries first") as refused:
        add_person(house, name="Cy", role="reader", pin=pin, who=CONSOLE)
    assert pin not in str(refused.value) or not pin, "it is not printed"


def test_a_pin_is_kept_as_its_hash_alone(house: Record, tmp_path: Path) -> None:
    token = signed_in(house, "Ada Bay")
    house.close()
    kept = b"".join(path.read_bytes() for path in tmp_path.iterdir() if path.is_file())
    assert token.encode() not in kept
    assert b"$argon2id$" in kept


def test_who_signs_in_is_known_by_the_token_until_the_day_is_over(
    house: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = signed_in(house, "ada bay")
    found = actor(house, token)
    assert found is not None
    assert (found.name, found.role, found.is_person, found.is_fresh) == ("Ada Bay", Role.KEEPER, True, True)
    now = house.clock()
    monkeypatch.setattr(house, "clock", lambda: now + accounts.SIGNED_IN + timedelta(seconds=1))
    assert actor(house, token) is None
    assert actor(house, "another") is None


def test_a_session_is_good_on_its_own_device_alone_and_ends_with_it(house: Record) -> None:
    device, of_device = pairing.pair_device(house, name="bay 2", how="code")
    token = signed_in(house, "Ada Bay", device_id=device.id)
    assert actor(house, token, device_id=device.id) is not None
    assert actor(house, token) is None
    assert actor(house, of_device) is None, "a device is nobody"
    pairing.unpair_device(house, device.id, who=CONSOLE)
    assert actor(house, token, device_id=device.id) is None


def test_signing_out_another_pin_and_an_end_of_the_person_end_what_they_are_signed_in_by(
    house: Record,
) -> None:
    bo = accounts.find_person(house, "bo truck").id
    ways = (
        lambda token: accounts.sign_out(house, token),
        lambda _: accounts.set_pin(house, bo, pin="9173", who=CONSOLE),
        lambda _: accounts.end_person(house, bo, who=CONSOLE),
    )
    for end, pin in zip(ways, ("5082", "5082", "9173"), strict=True):
        token = signed_in(house, "Bo Truck", pin)
        assert actor(house, token) is not None
        end(token)
        assert actor(house, token) is None
    with pytest.raises(PinWrong):
        signed_in(house, "Bo Truck", "9173")
    with pytest.raises(NotFound):
        accounts.find_person(house, "Bo Truck")


def test_another_role_counts_at_once_where_one_is_signed_in(house: Record) -> None:
    token = signed_in(house, "Bo Truck", "5082")
    accounts.change_role(house, accounts.find_person(house, "Bo Truck").id, role="lead", who=CONSOLE)
    found = actor(house, token)
    assert found is not None
    assert found.role is Role.LEAD


def test_the_last_keeper_stays_one(house: Record) -> None:
    ada = accounts.find_person(house, "Ada Bay").id
    for refused in (
        lambda: accounts.end_person(house, ada, who=CONSOLE),
        lambda: accounts.change_role(house, ada, role="lead", who=CONSOLE),
    ):
        with pytest.raises(Conflict, match="the only keeper"):
            refused()


def test_ones_own_pin_is_changed_with_the_one_before(house: Record) -> None:
    found = actor(house, signed_in(house, "Bo Truck", "5082"))
    assert found is not None
    own = {"who": found, "device": "bay 2"}
    with pytest.raises(PinWrong):
        accounts.change_own_pin(house, old="4071", new="9173", **own)
    accounts.change_own_pin(house, old="5082", new="9173", **own)
    assert actor(house, signed_in(house, "Bo Truck", "9173")) is not None
    with pytest.raises(InputError, match="Sign in first"):
        accounts.change_own_pin(house, old="5082", new="9173", **{**own, "who": CONSOLE})


def test_after_five_wrong_pins_that_person_waits_on_that_device_and_nobody_else(house: Record) -> None:
    now_s, began = 0.0, house.clock()
    house.clock = lambda: began + timedelta(seconds=now_s)

    def attempt(name: str, pin: str, device: str) -> str:
        return sign_in(house, person=name, pin=pin, device=device)[1]

    for _ in range(5):
        with pytest.raises(PinWrong):
            attempt("Ada Bay", "9999", "bay 2")
    with pytest.raises(TooManyTries, match="Wait 30 s"):
        attempt("Ada Bay", PIN, "bay 2")
    assert attempt("Bo Truck", "5082", "bay 2"), "another person on that device"
    assert attempt("Ada Bay", PIN, "bay 3"), "that person on another device"
    waits = []
    for _ in range(8):  # each wrong one more waits twice as long
        now_s += LONGEST_WAIT_S
        with pytest.raises(PinWrong):
            attempt("Ada Bay", "9999", "bay 2")
        with pytest.raises(TooManyTries) as refused:
            attempt("Ada Bay", PIN, "bay 2")
        waits.append(refused.value.wait_s)
    assert waits == [min(FIRST_WAIT_S * 2**n, LONGEST_WAIT_S) for n in range(1, 9)]
    now_s += LONGEST_WAIT_S
    assert attempt("Ada Bay", PIN, "bay 2")
    with pytest.raises(PinWrong):
        attempt("Ada Bay", "9999", "bay 2")
    assert attempt("Ada Bay", PIN, "bay 2"), "after a right one it begins anew"


def test_a_program_acts_by_its_role_and_answers_for_nothing(house: Record) -> None:
    _, token = pairing.make_program(house, name="stock system", role="keeper", who=CONSOLE)
    found = actor(house, token)
    assert found is not None
    assert permitted(found, Act.UNITS) == "stock system"
    with pytest.raises(PersonNeeded, match="Only a person may sign a prep"):
        permitted(found, Act.SIGN)


def test_a_token_from_before_the_first_keeper_has_no_role_any_more(record: Record) -> None:
    _, token = pairing.make_program(record, name="planted", role="keeper", who="anybody")
    add_person(record, name="Ada Bay", role="keeper", pin=PIN, who=CONSOLE)
    assert actor(record, token) is None
    assert pairing.devices(record)[0].role is None, "it may look still"


@pytest.mark.parametrize("act", Act)
def test_each_act_asks_for_its_role_and_for_what_else_its_rule_says(act: Act) -> None:
    rule = RULES[act]
    for role in Role:
        who = Actor(name="Cy", role=role, door=Door.PAGE, person_id="1", is_fresh=True)
        if role.includes(rule.least):
            assert permitted(who, act) == "Cy"
            idle = Actor(name="Cy", role=role, door=Door.PAGE, person_id="1")
            if rule.asks_again:
                with pytest.raises(PinNeeded):
                    permitted(idle, act)
            else:
                assert permitted(idle, act) == "Cy"
        else:
            with pytest.raises(NotAllowed, match=f"Cy is a {role} here"):
                permitted(who, act)
    with pytest.raises(SignInNeeded):
        permitted(Actor(name="", role=None, door=Door.PAGE), act)


def test_leads_are_named_by_their_roles_in_a_house_with_a_keeper(house: Record) -> None:
    from shimwise.bench.sign.signing import change_leads, leads

    assert leads(house) == ("Ada Bay",)
    assert change_leads(house, names=["bo truck"], who=CONSOLE) == ("Ada Bay", "Bo Truck")
    assert change_leads(house, names=[], who=CONSOLE) == ("Ada Bay",)
    assert accounts.find_person(house, "Bo Truck").role is Role.TECHNICIAN
    with pytest.raises(NotFound, match="Mallory"):
        change_leads(house, names=["Mallory"], who=CONSOLE)
