"""The data key and its two locks."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rungwise.core.errors import InputError
from rungwise.records import (
    LOCAL,
    RecordsError,
    Store,
    WrongKeyError,
    change_passphrase,
    create_keys,
    key_file_of,
    new_recovery,
    unlock,
    unlock_by_recovery,
)
from rungwise.records import keys as keys_module
from rungwise.records.keys import read_recovery, stretch
from tests.faults.kit import LIGHT, PASSPHRASE, fill, new_keys


def test_both_locks_open_the_same_key(tmp_path: Path) -> None:
    made = new_keys(tmp_path / "clinic")
    file = key_file_of(tmp_path / "clinic")
    assert len(made.key) == 32
    assert unlock(file, PASSPHRASE) == made.key
    assert unlock_by_recovery(file, made.recovery) == made.key
    typed = made.recovery.lower().replace("-", " ").replace("0", "o").replace("1", "l")
    assert unlock_by_recovery(file, f" {typed}\n") == made.key
    with pytest.raises(WrongKeyError, match="passphrase does not fit"):
        unlock(file, PASSPHRASE + "x")
    with pytest.raises(WrongKeyError, match="recovery key does not fit"):
        unlock_by_recovery(file, new_keys(tmp_path / "other").recovery)


def test_the_key_file_holds_no_key(tmp_path: Path) -> None:
    made = new_keys(tmp_path / "clinic")
    data = key_file_of(tmp_path / "clinic").read_bytes()
    assert key_file_of(tmp_path / "clinic").stat().st_mode & 0o077 == 0
    for told in (made.key, made.key.hex().encode(), made.recovery[:5].encode()):
        assert told not in data
    assert [path.name for path in tmp_path.iterdir()] == ["clinic.keys"]  # no box is left over


def test_another_passphrase_opens_the_same_records(tmp_path: Path) -> None:
    place = tmp_path / "clinic"
    made, file = new_keys(place), key_file_of(place)
    with Store.create(place, made.key) as store:
        person = fill(store)
    change_passphrase(file, made.key, "another five words here", LIGHT)
    with pytest.raises(WrongKeyError):
        unlock(file, PASSPHRASE)
    assert unlock_by_recovery(file, made.recovery) == made.key
    key = unlock(file, "another five words here")
    with Store.open(place, key) as store, store.work(LOCAL) as work:
        assert len(work.history(person)) == 8
    again = new_recovery(file, made.key, LIGHT)
    with pytest.raises(WrongKeyError):
        unlock_by_recovery(file, made.recovery)
    assert unlock_by_recovery(file, again) == made.key
    with pytest.raises(WrongKeyError):
        change_passphrase(file, bytes(32), "another five words here", LIGHT)
    assert unlock(file, "another five words here") == made.key


def test_letters_that_look_the_same_are_the_same(tmp_path: Path) -> None:
    file = tmp_path / "k"
    made = create_keys(file, "caf\u00e9 heron ferry plum", LIGHT)
    assert unlock(file, "cafe\u0301 heron ferry plum") == made.key


@pytest.mark.parametrize("passphrase", ["", "fourteen signs", "x" * 257])
def test_a_passphrase_that_is_too_short_or_long_is_refused(tmp_path: Path, passphrase: str) -> None:
    with pytest.raises(InputError, match="15 to 256 characters"):
        create_keys(tmp_path / "k", passphrase, LIGHT)
    assert list(tmp_path.iterdir()) == []


def test_a_key_file_is_never_replaced(tmp_path: Path) -> None:
    new_keys(tmp_path / "clinic")
    before = key_file_of(tmp_path / "clinic").read_bytes()
    with pytest.raises(RecordsError, match="already"):
        new_keys(tmp_path / "clinic")
    assert key_file_of(tmp_path / "clinic").read_bytes() == before


def _named(typed: str) -> list[str]:
    try:
        read_recovery(typed)
    except InputError as error:
        return [fault.field for fault in error.faults]
    return []


def test_a_mistyped_group_is_named(tmp_path: Path) -> None:
    groups = new_keys(tmp_path / "clinic").recovery.split("-")
    assert [len(group) for group in groups] == [5] * 8
    found = 0
    for n, group in enumerate(groups):
        for i, symbol in enumerate(group):
            other = "7" if symbol != "7" else "8"
            typed = [*groups[:n], group[:i] + other + group[i + 1 :], *groups[n + 1 :]]
            found += _named("-".join(typed)) == [f"group {n + 1}"]
    assert found >= 35  # of 40; a check of 5 bits lets 1 in 32 pass
    with pytest.raises(InputError, match="7 groups"):
        read_recovery("-".join(groups[:7]))
    with pytest.raises(InputError):
        read_recovery("")
    with pytest.raises(InputError):
        read_recovery("ü" * 40)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda text: text[: len(text) // 2], "damaged"),
        (lambda text: "[]", "damaged"),
        (lambda text: text.replace('"format": 1', '"format": 2'), "newer"),
        (lambda text: text.replace('"salt": "', '"salt": "zz'), "damaged"),
    ],
)
def test_a_damaged_key_file_is_told(tmp_path: Path, change: object, says: str) -> None:
    new_keys(tmp_path / "clinic")
    file = key_file_of(tmp_path / "clinic")
    file.write_text(change(file.read_text("ascii")), "ascii")  # type: ignore[operator]
    with pytest.raises(RecordsError, match=says):
        unlock(file, PASSPHRASE)


def test_a_flipped_bit_in_the_box_opens_nothing(tmp_path: Path) -> None:
    new_keys(tmp_path / "clinic")
    file = key_file_of(tmp_path / "clinic")
    held = json.loads(file.read_bytes())
    for at in range(100, len(held["passphrase"]["box"]), 997):
        box = held["passphrase"]["box"]
        flipped = box[:at] + ("A" if box[at] != "A" else "B") + box[at + 1 :]
        file.write_text(json.dumps(held | {"passphrase": held["passphrase"] | {"box": flipped}}))
        with pytest.raises(WrongKeyError):
            unlock(file, PASSPHRASE)


def test_scrypt_is_that_of_its_standard() -> None:
    """RFC 7914, section 12: the vector with N = 16384, r = 8, p = 1."""
    assert stretch("pleaseletmein", b"SodiumChloride", 16384).hex() == (
        "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
    )
    assert keys_module.N == 2**17
