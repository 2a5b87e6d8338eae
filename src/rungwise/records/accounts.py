"""Accounts of a clinic: who may sign in, with which role, and who is signed in now.

A change of an account is a new row. Guessing is slowed down for each name and address, never
stopped for good; an unknown name takes as long as a wrong password and gets the same words.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import secrets
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, delete, func, insert, select, update

from rungwise.core.errors import Fault, InputError
from rungwise.plan_code import CROCKFORD
from rungwise.records import tables as t
from rungwise.records.engine import reading, writing
from rungwise.records.errors import NotAllowedError, SignInError, UnknownError
from rungwise.records.keys import N, stretch
from rungwise.records.passwords import LONGEST, STEP_S, folded_name, totp, weaknesses
from rungwise.records.roles import ROLES, Who
from rungwise.records.store import Store
from rungwise.records.work import Work

__all__ = ["Account", "Accounts"]

IDLE_S, ABSOLUTE_S, SEEN_EVERY_S = 15 * 60, 12 * 3600, 60
FREE_TRIES, LONGEST_WAIT_S, FORGET_S = 5, 15 * 60, 24 * 3600
CODES, CODE_SYMBOLS = 10, 10


@dataclass(frozen=True)
class Account:
    """An account as it is now.

    Parameters
    ----------
    id : str
        Random.
    version : int
        How often it was changed, from 1 [1].
    name : str
        The name to sign in with.
    role : str
        One of therapist, assistant, reader, administrator.
    second_factor : bool
        Whether a code is asked for.
    disabled : bool
        Whether it may not sign in.
    """

    id: str
    version: int
    name: str
    role: str
    second_factor: bool
    disabled: bool


class Accounts:
    """The accounts of open records.

    Parameters
    ----------
    store : Store
        Open records.
    n : int
        Work of scrypt for new passwords, a power of two [1].
    """

    def __init__(self, store: Store, n: int = N) -> None:
        self._store, self._n = store, n

    def all(self, who: Who) -> tuple[Account, ...]:
        """Every account, by name."""
        with self._store.work(who) as work:
            work.allow("accounts")
            rows = _newest(work.connection)
        return tuple(sorted(map(_account, rows), key=lambda account: account.name.casefold()))

    def own(self, who: Who) -> Account | None:
        """One's own account; None for who has none."""
        with reading(self._store.engine) as connection:
            rows = _newest(connection, account=who.id)
        return _account(rows[0]) if rows else None

    def knows(self, who: Who, password: str) -> bool:
        """Whether a password is one's own; a wrong one is audited."""
        with reading(self._store.engine) as connection:
            rows = _newest(connection, account=who.id)
        fits = self._fits(password, rows[0]["password"] if rows else "")
        if not fits:
            with self._store.work(who) as work:
                work.note_deed("prove", None, "password", outcome="refused")
        return fits

    def add(self, who: Who, name: str, role: str, password: str) -> str:
        """Add an account; returns its id.

        Raises
        ------
        InputError
            A name that is taken or empty, a role that there is not, a password that is too weak.
        NotAllowedError
            Not an administrator.
        """
        name = " ".join(name.split())
        faults = _faults(name, role) + weaknesses(password, name, second_factor=False)
        hashed = "" if faults else self._hash(password)
        with self._store.work(who) as work:
            work.allow("accounts")
            if any(row["folded"] == folded_name(name) for row in _newest(work.connection)):
                faults.append(Fault("name", name, "a name that is free", "Take another."))
            if faults:
                raise InputError("account", tuple(faults))
            row = {"id": secrets.token_hex(16), "version": 0, "name": name, "role": role}
            row |= {"password": hashed, "totp": "", "codes": "[]", "disabled": False}
            return _put(work, row)

    def change(
        self, who: Who, account: str, *, role: str | None = None, disabled: bool | None = None
    ) -> None:
        """Give an account another role, or close or open it; ends its sessions."""
        if role is not None and role not in ROLES:
            raise InputError("account", tuple(_faults("name", role)))
        with self._store.work(who) as work:
            work.allow("accounts")
            row = _one(work.connection, account)
            row["role"] = row["role"] if role is None else role
            row["disabled"] = row["disabled"] if disabled is None else disabled
            _put(work, row)

    def set_password(self, who: Who, account: str, password: str) -> None:
        """Set a password: one's own, or anybody's by an administrator; ends its sessions."""
        with self._store.work(who) as work:
            _own(work, account)
            row = _one(work.connection, account)
        if faults := weaknesses(password, row["name"], bool(row["totp"])):
            raise InputError("account", tuple(faults))
        hashed = self._hash(password)
        with self._store.work(who) as work:
            _put(work, _one(work.connection, account) | {"password": hashed})

    def set_second_factor(self, who: Who, account: str) -> tuple[str, tuple[str, ...]]:
        """Start a second factor; returns the address for an authenticator and recovery codes.

        Each recovery code stands in for one code, once. Show both once; only hashes are kept of
        the recovery codes.
        """
        secret = base64.b32encode(secrets.token_bytes(20)).decode()
        codes = tuple(
            "".join(map(secrets.choice, [CROCKFORD] * CODE_SYMBOLS)) for _ in range(CODES)
        )
        salt = secrets.token_bytes(16)
        hashed = [_code_hash(code, salt, self._n) for code in codes]
        with self._store.work(who) as work:
            _own(work, account)
            row = _one(work.connection, account)
            kept = json.dumps({"salt": salt.hex(), "n": self._n, "hashes": hashed})
            _put(work, row | {"totp": secret, "codes": kept})
        label = quote(f"rungwise:{row['name']}")
        return f"otpauth://totp/{label}?secret={secret}&issuer=rungwise", codes

    # -------------------------------------------------------------- signing in

    def sign_in(self, name: str, password: str, code: str = "", address: str = "") -> str:
        """Sign in; returns the new token of the session.

        Parameters
        ----------
        name, password : str
            As typed.
        code : str
            Of the second factor, or a recovery code.
        address : str
            Where from; slows down guessing from there.

        Raises
        ------
        SignInError
            Something does not fit, or a wait is not over.
        """
        now_s = int(self._store.clock().timestamp())
        key = _sha(f"{folded_name(name)}\0{address}")
        with writing(self._store.engine) as connection:
            wait_s = _count_try(connection, key, now_s)
            rows = _newest(connection, folded=folded_name(name))
        if wait_s:
            raise SignInError(wait_s)
        row = rows[0] if rows else None
        fits = self._fits(password, row["password"] if row else "")
        spare = self._spare(row, code) if row and fits else ""
        token = secrets.token_urlsafe(32)
        with writing(self._store.engine) as connection:
            row = _one(connection, row["id"]) if row else None
            fits = fits and row is not None and not row["disabled"]
            if fits and row and row["totp"]:
                fits = bool(spare) or _code_fits(connection, row, code, now_s)
            who = row["id"] if row else "unknown"
            work = Work(connection, Who(who, frozenset()), self._store.clock())
            if fits and row:
                if spare:
                    _spend(work, row, spare)
                connection.execute(delete(t.throttle).where(t.throttle.c.key == key))
                values = {"account_id": who, "made_s": now_s, "seen_s": now_s}
                connection.execute(insert(t.signed_in), {"token": _sha(token), **values})
            work.note_deed("sign in", None, "", outcome="done" if fits else "refused")
        if not fits:
            raise SignInError
        return token

    def who(self, token: str) -> Who | None:
        """Who a session is; None when it is over: 15 min idle, 12 h in all, or signed out."""
        now_s = int(self._store.clock().timestamp())
        with reading(self._store.engine) as connection:
            found = connection.execute(
                select(t.signed_in).where(t.signed_in.c.token == _sha(token))
            ).first()
            rows = _newest(connection, account=found.account_id) if found else []
        if found is None or not rows or rows[0]["disabled"]:
            return None
        # a clock that jumped back must not make a session last for ever
        over = now_s - found.seen_s >= IDLE_S or now_s - found.made_s >= ABSOLUTE_S
        if over or now_s < found.made_s - LONGEST_WAIT_S:
            self.sign_out(token)
            return None
        if abs(now_s - found.seen_s) >= SEEN_EVERY_S:
            with writing(self._store.engine) as connection:
                connection.execute(
                    update(t.signed_in)
                    .where(t.signed_in.c.token == found.token)
                    .values(seen_s=now_s)
                )
        return Who(found.account_id, frozenset({rows[0]["role"]}))

    def sign_out(self, token: str) -> None:
        """End a session."""
        with writing(self._store.engine) as connection:
            connection.execute(delete(t.signed_in).where(t.signed_in.c.token == _sha(token)))

    def sign_out_everywhere(self, who: Who, account: str) -> None:
        """End every session of an account: one's own, or anybody's by an administrator."""
        with self._store.work(who) as work:
            _own(work, account)
            _end_sessions(work.connection, account)
            work.note_deed("sign out", None, account)

    # -------------------------------------------------------------- inside

    def _hash(self, password: str) -> str:
        salt = secrets.token_bytes(16)
        return f"{self._n}${salt.hex()}${stretch(password, salt, self._n).hex()}"

    def _fits(self, password: str, hashed: str) -> bool:
        """Whether a password fits; takes as long when there is none to compare with."""
        n, salt, wanted = (hashed or f"{self._n}${'0' * 32}${'0' * 64}").split("$")
        found = stretch(password[:LONGEST], bytes.fromhex(salt), int(n)).hex()
        return hmac.compare_digest(found, wanted) and bool(hashed)

    @staticmethod
    def _spare(row: dict[str, Any], code: str) -> str:
        """The hash of a recovery code that fits; empty when none does."""
        if len(code) != CODE_SYMBOLS or not row["totp"]:
            return ""
        kept = json.loads(row["codes"])
        found = _code_hash(code.upper(), bytes.fromhex(kept["salt"]), kept["n"])
        return next((h for h in kept["hashes"] if hmac.compare_digest(h, found)), "")


def _account(row: dict[str, Any]) -> Account:
    second = bool(row["totp"])
    return Account(row["id"], row["version"], row["name"], row["role"], second, row["disabled"])


def _own(work: Work, account: str) -> None:
    if work.who.id != account:
        work.allow("accounts")


def _newest(
    connection: Connection, folded: str | None = None, account: str | None = None
) -> list[dict[str, Any]]:
    """The newest row of each account."""
    newest = select(t.account.c.id, func.max(t.account.c.version).label("version"))
    found = newest.group_by(t.account.c.id).subquery()
    ask = select(t.account).join(
        found, (t.account.c.id == found.c.id) & (t.account.c.version == found.c.version)
    )
    if folded is not None:
        ask = ask.where(t.account.c.folded == folded)
    if account is not None:
        ask = ask.where(t.account.c.id == account)
    return [dict(row) for row in connection.execute(ask).mappings()]


def _one(connection: Connection, account: str) -> dict[str, Any]:
    rows = _newest(connection, account=account)
    if not rows:
        raise UnknownError("There is no such account.")
    return rows[0]


def _put(work: Work, row: dict[str, Any]) -> str:
    """Append an account's next version and end its sessions."""
    row = row | {"version": row["version"] + 1, "folded": folded_name(row["name"])}
    others = [r for r in _newest(work.connection) if r["id"] != row["id"]]
    rules = [r for r in [*others, row] if r["role"] == "administrator" and not r["disabled"]]
    if not rules and any(r["role"] == "administrator" for r in _newest(work.connection)):
        raise NotAllowedError("accounts: the last administrator must stay one.")
    work.put(t.account, row, f"account {row['id']} {row['version']}")
    _end_sessions(work.connection, row["id"])
    return str(row["id"])


def _end_sessions(connection: Connection, account: str) -> None:
    connection.execute(delete(t.signed_in).where(t.signed_in.c.account_id == account))


def _count_try(connection: Connection, key: str, now_s: int) -> int:
    """Count one more try; returns how long it must wait [s], 0 = may try."""
    c = t.throttle.c
    found = connection.execute(select(t.throttle).where(c.key == key)).first()
    if found is None:
        old = (c.until_s < now_s - FORGET_S) & (c.totp_step < (now_s - FORGET_S) // STEP_S)
        connection.execute(delete(t.throttle).where(old))
        values = {"failures": 1, "until_s": now_s, "totp_step": 0}
        connection.execute(insert(t.throttle), {"key": key, **values})
        return 0
    wait_s: int = min(found.until_s - now_s, LONGEST_WAIT_S)
    if wait_s > 0:
        return wait_s
    failures = found.failures + 1
    over = failures - FREE_TRIES
    next_s = min(2 ** min(over, 20), LONGEST_WAIT_S) if over >= 0 else 0
    changed = update(t.throttle).where(c.key == key)
    connection.execute(changed.values(failures=failures, until_s=now_s + next_s))
    return 0


def _code_fits(connection: Connection, row: dict[str, Any], code: str, now_s: int) -> bool:
    """Whether a code fits now, one step early or late, and was not used before."""
    key = _sha(f"second factor\0{row['id']}")
    c = t.throttle.c
    used = connection.scalar(select(c.totp_step).where(c.key == key))
    secret = base64.b32decode(row["totp"])
    for step in (0, -1, 1):
        at = now_s // STEP_S + step
        if hmac.compare_digest(totp(secret, at * STEP_S).encode(), code.strip().encode()) and at > (
            used or 0
        ):
            connection.execute(delete(t.throttle).where(c.key == key))
            values = {"failures": 0, "until_s": 0, "totp_step": at}
            connection.execute(insert(t.throttle), {"key": key, **values})
            return True
    return False


def _spend(work: Work, row: dict[str, Any], spare: str) -> None:
    kept = json.loads(row["codes"])
    kept["hashes"] = [h for h in kept["hashes"] if h != spare]
    _put(work, row | {"codes": json.dumps(kept)})


def _faults(name: str, role: str) -> list[Fault]:
    faults = []
    if not 1 <= len(name) <= 100 or not name.isprintable():
        faults.append(Fault("name", repr(name[:40]), "1 to 100 printable characters", "Name it."))
    if role not in ROLES:
        faults.append(Fault("role", role, " | ".join(ROLES), "Use one of them."))
    return faults


def _code_hash(code: str, salt: bytes, n: int) -> str:
    return stretch(code, salt, n).hex()


def _sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
