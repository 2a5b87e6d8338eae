"""Accounts of a clinic: who may sign in, with which role, and who is signed in now.

A change of an account is a new row. Guessing is slowed down for each name and address, never
stopped for good; an unknown name takes as long as a wrong password and gets the same words.
"""

from __future__ import annotations

import base64
import hmac
import json
import secrets
from collections.abc import Sequence
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
from rungwise.records.passwords import LONGEST, folded_name, weaknesses
from rungwise.records.roles import ROLES, Who
from rungwise.records.store import Store
from rungwise.records.throttle import code_fits, count_try, digest_of, step_of
from rungwise.records.tries import LONGEST_WAIT_S
from rungwise.records.work import Work

__all__ = ["Account", "Accounts"]

IDLE_S, ABSOLUTE_S, SEEN_EVERY_S = 15 * 60, 12 * 3600, 60
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

    def names(self) -> dict[str, str]:
        """The name of every account, by its id: to tell who did something."""
        with reading(self._store.engine) as connection:
            return {row["id"]: row["name"] for row in _newest(connection)}

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

    def add(self, who: Who, name: str, role: str, password: str, names: Sequence[str] = ()) -> str:
        """Add an account; returns its id.

        Parameters
        ----------
        who : Who
            An administrator.
        name, role, password : str
            As typed.
        names : sequence of str
            Of the clinic; no part of a good password.

        Raises
        ------
        InputError
            A name that is taken or empty, a role that there is not, a password that is too weak.
        NotAllowedError
            Not an administrator.
        """
        name = " ".join(name.split())
        faults = _faults(name, role) + weaknesses(password, (name, *names))
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

    def set_password(
        self, who: Who, account: str, password: str, names: Sequence[str] = ()
    ) -> None:
        """Set a password: one's own, or anybody's by an administrator; ends its sessions."""
        with self._store.work(who) as work:
            _own(work, account)
            row = _one(work.connection, account)
        if faults := weaknesses(password, (row["name"], *names), bool(row["totp"])):
            raise InputError("account", tuple(faults))
        hashed = self._hash(password)
        with self._store.work(who) as work:
            _put(work, _one(work.connection, account) | {"password": hashed})

    def new_factor(self, who: Who) -> tuple[str, str]:
        """A secret for one's own second factor; nothing is kept until its first code is shown.

        Returns
        -------
        str, str
            The secret, and the address of it for an authenticator.
        """
        with reading(self._store.engine) as connection:
            row = _one(connection, who.id)
        secret = base64.b32encode(secrets.token_bytes(20)).decode()
        label = quote(f"rungwise:{row['name']}")
        return secret, f"otpauth://totp/{label}?secret={secret}&issuer=rungwise"

    def set_second_factor(self, who: Who, secret: str, code: str) -> tuple[str, ...]:
        """Keep one's own second factor, once a code of it was shown; ends one's sessions.

        Parameters
        ----------
        who : Who
            Whose.
        secret : str
            From :meth:`new_factor`.
        code : str
            As the authenticator shows it now.

        Returns
        -------
        tuple of str
            Recovery codes: each stands in for one code, once. Only hashes of them are kept.

        Raises
        ------
        SignInError
            The code does not fit; nothing was kept.
        """
        codes = tuple(
            "".join(map(secrets.choice, [CROCKFORD] * CODE_SYMBOLS)) for _ in range(CODES)
        )
        salt = secrets.token_bytes(16)
        now_s = int(self._store.clock().timestamp())
        with reading(self._store.engine) as connection:
            row = _one(connection, who.id)
        if not step_of(secret, code, now_s):
            raise SignInError
        hashed = [_code_hash(one, salt, self._n) for one in codes]
        kept = json.dumps({"salt": salt.hex(), "n": self._n, "hashes": hashed})
        with self._store.work(who) as work:
            row = _one(work.connection, who.id) | {"totp": secret, "codes": kept}
            if not code_fits(work.connection, row, code, now_s, fresh=True):
                raise SignInError
            _put(work, row)
            work.note_deed("set factor", None, who.id)
        return codes

    def reset_second_factor(self, who: Who, account: str) -> None:
        """Take off somebody's second factor, by an administrator; ends the sessions of it."""
        with self._store.work(who) as work:
            work.allow("accounts")
            _put(work, _one(work.connection, account) | {"totp": "", "codes": "[]"})
            work.note_deed("reset factor", None, account)

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
        key = digest_of(f"{folded_name(name)}\0{address}")
        with writing(self._store.engine) as connection:
            wait_s = count_try(connection, key, now_s)
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
                fits = bool(spare) or code_fits(connection, row, code, now_s)
            who = row["id"] if row else "unknown"
            work = Work(connection, Who(who, frozenset()), self._store.clock())
            if fits and row:
                if spare:
                    _spend(work, row, spare)
                connection.execute(delete(t.throttle).where(t.throttle.c.key == key))
                values = {"account_id": who, "made_s": now_s, "seen_s": now_s}
                connection.execute(insert(t.signed_in), {"token": digest_of(token), **values})
            work.note_deed("sign in", None, "", outcome="done" if fits else "refused")
        if not fits:
            raise SignInError
        return token

    def who(self, token: str) -> Who | None:
        """Who a session is; None when it is over: 15 min idle, 12 h in all, or signed out."""
        now_s = int(self._store.clock().timestamp())
        with reading(self._store.engine) as connection:
            found = connection.execute(
                select(t.signed_in).where(t.signed_in.c.token == digest_of(token))
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
            connection.execute(delete(t.signed_in).where(t.signed_in.c.token == digest_of(token)))

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
