"""What one server lets in or counts holds on the other servers of the record."""

from collections.abc import Iterator

import pytest

from shimwise.bench.access.accounts import (
    IDLE,
    actor_of_token,
    add_person,
    console_actor,
    prove_again,
    sign_in,
)
from shimwise.bench.access.acting import Door
from shimwise.bench.access.errors import PinWrong, TooManyTries
from shimwise.bench.access.pairing import CODE_LASTS, MOST_CODES, is_code, make_code, pair_device, take_code
from shimwise.record.record import Record
from shimwise.web.pairing import Devices

PIN = "4071"
Pair = tuple[Record, Record]


@pytest.fixture
def pair(record_address: str) -> Iterator[Pair]:
    with Record.open(record_address) as one, Record.open(record_address) as other:
        add_person(one, name="Ada Bay", role="keeper", pin=PIN, who=console_actor("tester"))
        yield one, other


def test_a_code_shown_by_one_server_is_taken_by_the_other_once_and_in_time(pair: Pair) -> None:
    one, other = pair
    code = make_code(one)
    assert is_code(other, code)
    assert not take_code(other, f"{code}x")
    assert take_code(other, code)
    assert not take_code(one, code)
    late, now = make_code(one), other.clock()
    other.clock = lambda: now + CODE_LASTS
    assert not is_code(other, late)
    assert not take_code(other, late)


def test_of_too_many_codes_the_oldest_is_void_and_none_is_kept_as_it_is(pair: Pair) -> None:
    one, other = pair
    codes = [make_code(one) for _ in range(MOST_CODES + 1)]
    assert [is_code(other, code) for code in codes] == [False, *[True] * MOST_CODES]
    with one.reading() as connection:
        kept = connection.exec_driver_sql("SELECT key FROM short_lived").scalars().all()
    assert len(kept) == MOST_CODES
    assert not set(codes) & set(kept)


def test_guesses_of_a_pin_are_counted_over_all_servers(pair: Pair) -> None:
    for count in range(5):
        with pytest.raises(PinWrong):
            sign_in(pair[count % 2], person="Ada Bay", pin="9999", device="bay 2")
    for record in pair:
        with pytest.raises(TooManyTries):
            sign_in(record, person="Ada Bay", pin=PIN, device="bay 2")


def test_who_signed_in_or_typed_the_pin_again_on_one_server_is_asked_by_none(pair: Pair) -> None:
    one, other = pair
    person, token = sign_in(one, person="Ada Bay", pin=PIN, device="bay 2")
    now = one.clock()

    def is_fresh(*, is_use: bool = False) -> bool:
        found = actor_of_token(other, token, door=Door.PAGE, is_use=is_use)
        assert found is not None
        return found.is_fresh

    assert is_fresh()
    one.clock = other.clock = lambda: now + IDLE * 0.9
    assert is_fresh(is_use=True)
    one.clock = other.clock = lambda: now + IDLE * 1.8
    assert is_fresh(), "it was used meanwhile"
    one.clock = other.clock = lambda: now + IDLE * 2
    assert not is_fresh(is_use=True), "an idle device is not in use because it is used now"
    assert not is_fresh()
    prove_again(one, token, person.id, pin=PIN, device="bay 2")
    assert is_fresh()


def test_a_device_paired_by_one_server_is_let_in_by_the_other_at_once(pair: Pair) -> None:
    one, other = pair
    known = Devices(other)
    assert known.of("another") is None  # it has just read them
    device, token = pair_device(one, name="cart", how="code")
    found = known.of(token)
    assert found is not None
    assert found.id == device.id
