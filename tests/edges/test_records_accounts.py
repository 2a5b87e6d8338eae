"""Accounts: passwords, second factor, throttle, sessions."""

from __future__ import annotations

import base64
import re
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest

from rungwise.core.errors import InputError
from rungwise.records import (
    LOCAL,
    Accounts,
    NotAllowedError,
    SignInError,
    Store,
    UnknownError,
    Who,
)
from rungwise.records.passwords import totp
from tests.faults.kit import LIGHT, Clock, new_keys, quick_folder

PASSWORD = "slate heron ferry plum"


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    with quick_folder() as folder:
        yield folder


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path, clock: Clock) -> Iterator[Store]:
    place = tmp_path / "clinic"
    with Store.create(place, new_keys(place).key, clock) as made:
        yield made


@pytest.fixture
def accounts(store: Store) -> Accounts:
    return Accounts(store, LIGHT)


def test_nobody_can_sign_in_before_an_account_is_made(accounts: Accounts) -> None:
    for name in ("", "local", "admin", "rungwise", "unknown"):
        with pytest.raises(SignInError):
            accounts.sign_in(name, "")


def test_an_account_signs_in_with_its_role(accounts: Accounts) -> None:
    kim = accounts.add(LOCAL, "Kim Lee", "therapist", PASSWORD)
    token = accounts.sign_in("  kim LEE ", PASSWORD)
    assert len(token) >= 43  # 32 random bytes
    assert accounts.who(token) == Who(kim, frozenset({"therapist"}))
    assert accounts.who("x" * 43) is None
    assert accounts.sign_in("Kim Lee", PASSWORD) != token
    with pytest.raises(SignInError):
        accounts.sign_in("Kim Lee", PASSWORD + "x")
    with pytest.raises(SignInError):
        accounts.sign_in("Kim Lee", "")


def test_neither_password_nor_token_is_kept(accounts: Accounts, store: Store) -> None:
    accounts.add(LOCAL, "Kim", "therapist", PASSWORD)
    token = accounts.sign_in("Kim", PASSWORD)
    with store.engine.begin() as connection:
        for table in ("account", "signed_in", "audit"):
            told = repr(connection.exec_driver_sql(f"select * from {table}").fetchall())
            assert PASSWORD not in told
            assert token not in told


@pytest.mark.parametrize(
    ("name", "role", "password", "field"),
    [
        ("", "therapist", PASSWORD, "name"),
        ("Kim", "owner", PASSWORD, "role"),
        ("Kim", "reader", "fourteen signs", "password"),
        ("Kim", "reader", "x" * 300, "password"),
        ("Kim", "reader", "aaaaaaaaaaaaaaaaaaaa", "password"),
        ("Long Name Of Person", "reader", "long name of person", "password"),
        ("kim  LEE", "reader", PASSWORD, "name"),
    ],
)
def test_an_account_that_cannot_be_is_refused(
    accounts: Accounts, name: str, role: str, password: str, field: str
) -> None:
    accounts.add(LOCAL, "Kim Lee", "administrator", PASSWORD)
    with pytest.raises(InputError) as met:
        accounts.add(LOCAL, name, role, password)
    assert [fault.field for fault in met.value.faults] == [field]
    assert len(accounts.all(LOCAL)) == 1


def test_only_an_administrator_keeps_the_accounts(accounts: Accounts) -> None:
    kim = accounts.add(LOCAL, "Kim", "therapist", PASSWORD)
    lou = accounts.add(LOCAL, "Lou", "reader", PASSWORD)
    who = Who(kim, frozenset({"therapist"}))
    for deed in (
        lambda: accounts.all(who),
        lambda: accounts.add(who, "New", "administrator", PASSWORD),
        lambda: accounts.change(who, kim, role="administrator"),
        lambda: accounts.set_password(who, lou, PASSWORD + "2"),
        lambda: accounts.reset_second_factor(who, lou),
        lambda: accounts.sign_out_everywhere(who, lou),
    ):
        with pytest.raises(NotAllowedError):
            deed()
    accounts.set_password(who, kim, PASSWORD + "2")  # one's own
    assert accounts.sign_in("Kim", PASSWORD + "2")
    with pytest.raises(SignInError):
        accounts.sign_in("Kim", PASSWORD)
    with pytest.raises(UnknownError):
        accounts.change(LOCAL, "0" * 32, role="reader")


def test_the_last_administrator_stays(accounts: Accounts) -> None:
    kim = accounts.add(LOCAL, "Kim", "administrator", PASSWORD)
    for change in ({"role": "reader"}, {"disabled": True}):
        with pytest.raises(NotAllowedError, match="last administrator"):
            accounts.change(LOCAL, kim, **change)
    accounts.add(LOCAL, "Lou", "administrator", PASSWORD)
    accounts.change(LOCAL, kim, disabled=True)
    assert [a.disabled for a in accounts.all(LOCAL)] == [True, False]


def test_a_changed_account_is_signed_out(accounts: Accounts) -> None:
    kim = accounts.add(LOCAL, "Kim", "reader", PASSWORD)
    token = accounts.sign_in("Kim", PASSWORD)
    accounts.change(LOCAL, kim, role="assistant")
    assert accounts.who(token) is None
    token = accounts.sign_in("Kim", PASSWORD)
    accounts.change(LOCAL, kim, disabled=True)
    assert accounts.who(token) is None
    with pytest.raises(SignInError):
        accounts.sign_in("Kim", PASSWORD)


def test_guessing_is_slowed_for_that_name_and_address(accounts: Accounts, clock: Clock) -> None:
    accounts.add(LOCAL, "Kim", "reader", PASSWORD)
    waits = []
    for _ in range(18):
        with pytest.raises(SignInError) as met:
            accounts.sign_in("Kim", "wrong", address="10.0.0.9")
        waits.append(met.value.wait_s)
        clock.turn(seconds=max(met.value.wait_s, 0))
    # five free tries; then each wrong one doubles the wait, up to 15 min
    assert [w for w in waits if w] == [1, 2, 4, 8, 16, 32, 64][: len([w for w in waits if w])]
    assert waits[:5] == [0] * 5
    for _ in range(40):
        with pytest.raises(SignInError) as met:
            accounts.sign_in("Kim", "wrong", address="10.0.0.9")
        clock.turn(seconds=met.value.wait_s)
        waits.append(met.value.wait_s)
    assert max(waits) == 15 * 60
    assert accounts.sign_in("Kim", PASSWORD, address="10.0.0.7")  # others are not locked out
    with pytest.raises(SignInError):
        accounts.sign_in("Kim", "wrong", address="10.0.0.9")
    with pytest.raises(SignInError, match="Wait"):  # not even with the right one
        accounts.sign_in("Kim", PASSWORD, address="10.0.0.9")
    clock.turn(minutes=16)
    assert accounts.sign_in("Kim", PASSWORD, address="10.0.0.9")
    with pytest.raises(SignInError) as met:  # and forgotten
        accounts.sign_in("Kim", "wrong", address="10.0.0.9")
    assert met.value.wait_s == 0


def test_an_unknown_name_gets_the_same_answer_in_the_same_time(store: Store) -> None:
    accounts = Accounts(store, 2**14)
    accounts.add(LOCAL, "Kim", "reader", PASSWORD)
    said: list[str] = []
    took: list[float] = []
    for name in ("Kim", "Nobody", "Kim", "Nobody"):
        start = time.process_time()
        with pytest.raises(SignInError) as met:
            accounts.sign_in(name, "wrong", address=str(len(said)))
        took.append(time.process_time() - start)
        said.append(str(met.value))
    assert len(set(said)) == 1
    assert min(took[1], took[3]) > min(took[0], took[2]) / 2  # both pay for the hash


def test_a_session_ends_idle_and_in_all(accounts: Accounts, clock: Clock) -> None:
    accounts.add(LOCAL, "Kim", "reader", PASSWORD)
    token = accounts.sign_in("Kim", PASSWORD)
    clock.turn(minutes=14)
    assert accounts.who(token)
    clock.turn(minutes=14)
    assert accounts.who(token)
    clock.turn(minutes=15)
    assert accounts.who(token) is None
    token = accounts.sign_in("Kim", PASSWORD)
    for _ in range(71):
        clock.turn(minutes=10)
        assert accounts.who(token)
    clock.turn(minutes=10)
    assert accounts.who(token) is None  # 12 h
    token = accounts.sign_in("Kim", PASSWORD)
    accounts.sign_out(token)
    assert accounts.who(token) is None
    first, second = accounts.sign_in("Kim", PASSWORD), accounts.sign_in("Kim", PASSWORD)
    kim = accounts.all(LOCAL)[0].id
    accounts.sign_out_everywhere(LOCAL, kim)
    assert accounts.who(first) is accounts.who(second) is None
    token = accounts.sign_in("Kim", PASSWORD)
    clock.turn(days=-2)
    assert accounts.who(token) is None  # a clock set back does not prolong it


def test_totp_is_that_of_its_standard() -> None:
    """RFC 6238, appendix B, SHA-1."""
    secret = b"12345678901234567890"
    for at_s, code in (
        (59, "94287082"),
        (1111111109, "07081804"),
        (1111111111, "14050471"),
        (1234567890, "89005924"),
        (2000000000, "69279037"),
        (20000000000, "65353130"),
    ):
        assert totp(secret, at_s, digits=8) == code


def with_factor(
    accounts: Accounts, clock: Clock, name: str = "Kim"
) -> tuple[Who, bytes, list[str]]:
    """An account whose second factor is kept; its first code is used up."""
    who = Who(accounts.add(LOCAL, name, "administrator", PASSWORD), frozenset({"administrator"}))
    text, address = accounts.new_factor(who)
    asked = urlsplit(address)
    assert (asked.scheme, asked.netloc) == ("otpauth", "totp")
    assert parse_qs(asked.query)["secret"] == [text]
    secret = base64.b32decode(text)
    codes = accounts.set_second_factor(who, text, totp(secret, int(clock().timestamp())))
    return who, secret, list(codes)


def test_a_second_factor_is_asked_for_once_each(accounts: Accounts, clock: Clock) -> None:
    _, secret, _ = with_factor(accounts, clock)
    assert len(secret) == 20
    assert accounts.all(LOCAL)[0].second_factor

    def code(off_s: int = 0) -> str:
        return totp(secret, int(clock().timestamp()) + off_s)

    with pytest.raises(SignInError):  # the one that it was kept by is used up
        accounts.sign_in("Kim", PASSWORD, code())
    clock.turn(minutes=5)
    for wrong in ("", "000000", code(90), code(-90), "\u0661" * 6):
        with pytest.raises(SignInError):
            accounts.sign_in("Kim", PASSWORD, wrong, address=wrong)
    used = code()
    assert accounts.sign_in("Kim", PASSWORD, used)
    with pytest.raises(SignInError):
        accounts.sign_in("Kim", PASSWORD, used)
    clock.turn(seconds=30)
    assert accounts.sign_in("Kim", PASSWORD, code())
    with pytest.raises(SignInError):
        accounts.sign_in("Kim", "wrong", code(30))
    assert accounts.sign_in("Kim", PASSWORD, code(30))  # a phone that is 30 s ahead


def test_a_second_factor_is_kept_after_its_first_code_alone(
    accounts: Accounts, store: Store, clock: Clock
) -> None:
    who = Who(accounts.add(LOCAL, "Kim", "reader", PASSWORD), frozenset({"reader"}))
    token = accounts.sign_in("Kim", PASSWORD)
    secret, _ = accounts.new_factor(who)
    other, _ = accounts.new_factor(who)
    now_s = int(clock().timestamp())
    for wrong in ("", "000000", totp(base64.b32decode(other), now_s), "\u0661" * 6):
        with pytest.raises(SignInError):
            accounts.set_second_factor(who, secret, wrong)
    own = accounts.own(who)
    assert own is not None
    assert (own.second_factor, own.version) == (False, 1)  # nothing was written
    assert accounts.who(token) == who
    with store.engine.begin() as connection:
        told = repr(connection.exec_driver_sql("select * from account").fetchall())
    assert secret not in told
    accounts.set_second_factor(who, secret, totp(base64.b32decode(secret), now_s))
    assert accounts.who(token) is None  # and every session ends
    with pytest.raises(SignInError):
        accounts.sign_in("Kim", PASSWORD)


def test_an_administrator_takes_off_a_lost_second_factor(
    accounts: Accounts, store: Store, clock: Clock
) -> None:
    who, _, codes = with_factor(accounts, clock)
    token = accounts.sign_in("Kim", PASSWORD, codes[0])
    accounts.reset_second_factor(LOCAL, who.id)
    assert accounts.who(token) is None
    assert not accounts.all(LOCAL)[0].second_factor
    assert accounts.sign_in("Kim", PASSWORD)
    with store.work(LOCAL) as work:
        rows = [(r.did, r.who, r.detail) for r in work.audit_rows() if r.did.endswith("factor")]
    assert rows == [("set factor", who.id, who.id), ("reset factor", "local", who.id)]
    with pytest.raises(UnknownError):
        accounts.reset_second_factor(LOCAL, "0" * 32)


def test_a_recovery_code_stands_in_once(accounts: Accounts, store: Store, clock: Clock) -> None:
    _, _, codes = with_factor(accounts, clock)
    assert len(set(codes)) == 10
    assert all(re.fullmatch("[0-9A-HJKMNP-TV-Z]{10}", code) for code in codes)
    assert accounts.sign_in("Kim", PASSWORD, codes[3].lower())
    with pytest.raises(SignInError):
        accounts.sign_in("Kim", PASSWORD, codes[3])
    assert accounts.sign_in("Kim", PASSWORD, codes[0])
    with store.engine.begin() as connection:
        told = repr(connection.exec_driver_sql("select codes from account").fetchall())
    assert not any(code in told for code in codes)


def test_a_clock_set_back_lets_in_after_15_minutes(accounts: Accounts, clock: Clock) -> None:
    accounts.add(LOCAL, "Kim", "reader", PASSWORD)
    for _ in range(20):
        with pytest.raises(SignInError) as met:
            accounts.sign_in("Kim", "wrong")
        clock.turn(seconds=met.value.wait_s)
    clock.turn(days=-400)
    with pytest.raises(SignInError) as met:
        accounts.sign_in("Kim", PASSWORD)
    assert met.value.wait_s == 15 * 60
    clock.turn(minutes=15)
    assert accounts.sign_in("Kim", PASSWORD)


def test_signing_in_is_audited(accounts: Accounts, store: Store) -> None:
    kim = accounts.add(LOCAL, "Kim", "reader", PASSWORD)
    accounts.sign_in("Kim", PASSWORD)
    for name in ("Kim", "Nobody"):
        with pytest.raises(SignInError):
            accounts.sign_in(name, "wrong")
    with store.work(LOCAL) as work:
        rows = [r for r in work.audit_rows() if r.did == "sign in"]
    assert [(r.who, r.outcome) for r in rows] == [
        (kim, "done"),
        (kim, "refused"),
        ("unknown", "refused"),
    ]
    assert store.check().whole
