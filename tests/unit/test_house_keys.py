"""The house's keys: only this user reads the private one, public ones are known by name, none gets lost."""

import os
import stat
from pathlib import Path

import pytest

from shimwise import house_keys
from shimwise.house_keys import HouseKeyError, house_key, is_signed, known_keys, public_pem, rotate, trust


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("SHIMWISE_KEYS", str(tmp_path / "keys"))
    return tmp_path / "keys"


def test_a_key_is_made_once_and_only_this_user_can_read_it(folder: Path) -> None:
    assert known_keys() == ()
    first, again = house_key(), house_key()
    assert first.public == again.public
    modes = {path.relative_to(folder).as_posix(): path.stat().st_mode for path in folder.rglob("*")}
    assert stat.S_IMODE(modes["house-key.pem"]) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert [one.words for one in known_keys()] == ["this house"]


def test_signatures_hold_for_their_data_and_key_alone() -> None:
    key = house_key()
    signature = key.sign(b"a prep")
    assert signature == key.sign(b"a prep")
    assert is_signed(b"a prep", signature=signature, public=key.public)
    assert not is_signed(b"another", signature=signature, public=key.public)
    assert not is_signed(b"a prep", signature=signature, public=bytes(32))
    assert not is_signed(b"a prep", signature=b"", public=key.public)


def test_a_private_key_that_others_can_read_is_not_used(folder: Path) -> None:
    house_key()
    os.chmod(folder / "house-key.pem", 0o644)
    with pytest.raises(HouseKeyError, match="can be read by others"):
        house_key()


def test_a_key_can_be_given_by_the_environment(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = house_key()
    pem = (folder / "house-key.pem").read_text()
    monkeypatch.setenv("SHIMWISE_KEYS", str(folder / "none"))
    for given in (pem, str(folder / "house-key.pem")):
        monkeypatch.setenv("SHIMWISE_HOUSE_KEY", given)
        assert house_key().public == made.public
    with pytest.raises(HouseKeyError, match="given by SHIMWISE_HOUSE_KEY"):
        rotate()
    assert not (folder / "none").exists()


def test_what_is_tried_has_keys_of_its_own(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = house_key()
    monkeypatch.setenv("SHIMWISE_HOUSE_KEY", str(folder / "house-key.pem"))
    with house_keys.keys_kept_in(tmp_path / "tried"):
        assert house_key().public != own.public
        assert own.public not in {one.public for one in known_keys()}
    assert house_key().public == own.public
    assert (tmp_path / "tried" / "house-key.pem").is_file()


def test_after_a_change_of_keys_the_former_one_is_still_known() -> None:
    before = house_key()
    former, after = rotate()
    assert former is not None
    assert (former.public, house_key().public) == (before.public, after.public)
    assert before.public != after.public
    assert {one.public for one in known_keys()} == {before.public, after.public}
    assert {one.words for one in known_keys()} == {"this house"}


def test_after_a_loss_a_new_key_is_made_and_the_lost_one_is_still_known(folder: Path) -> None:
    before = house_key()
    (folder / "house-key.pem").unlink()
    after = house_key()
    assert {one.public for one in known_keys()} == {before.public, after.public}


def test_a_house_is_known_by_the_name_given_to_it(tmp_path: Path) -> None:
    public = house_keys.HouseKey(house_key().private).public
    trust(public, "Invented Rental")
    with pytest.raises(HouseKeyError, match="no name of a house"):
        trust(public, "../house-key")
    with pytest.raises(HouseKeyError, match="this house's own keys"):
        trust(public, "This-House-2")
    rotate()
    with pytest.raises(HouseKeyError, match="Another key is known as"):
        trust(house_key().public, "Invented Rental")
    assert house_keys.distrust("Invented Rental").public == public
    with pytest.raises(HouseKeyError, match="No key is known"):
        house_keys.distrust("Invented Rental")


def test_what_is_no_public_key_is_refused_and_a_private_one_too(folder: Path, tmp_path: Path) -> None:
    house_key()
    for path, words in ((folder / "house-key.pem", "no public key"), (tmp_path / "none", "cannot be read")):
        with pytest.raises(HouseKeyError, match=words):
            known_keys([path])
    (tmp_path / "x.pem").write_text(public_pem(house_key().public).replace("MCow", "MCoz"))
    with pytest.raises(HouseKeyError):
        known_keys([tmp_path / "x.pem"])
