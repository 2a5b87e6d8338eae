"""Guessing at accounts is slowed down, and each code of a second factor is good once."""

from __future__ import annotations

import base64
import hashlib
import hmac
from typing import Any

from sqlalchemy import Connection, delete, insert, select, update

from rungwise.records import tables as t
from rungwise.records.passwords import STEP_S, totp
from rungwise.records.tries import FORGET_S, LONGEST_WAIT_S, wait_after_s

__all__ = ["code_fits", "count_try", "digest_of", "step_of"]


def count_try(connection: Connection, key: str, now_s: int) -> int:
    """Count one more try; returns how long it must wait [s], 0 = may try.

    Parameters
    ----------
    connection : Connection
        To the records, for writing.
    key : str
        Digest of who tries.
    now_s : int
        Unix time [s].
    """
    c = t.throttle.c
    found = connection.execute(select(t.throttle).where(c.key == key)).first()
    if found is None:
        old = (c.until_s < now_s - FORGET_S) & (c.totp_step < (now_s - FORGET_S) // STEP_S)
        connection.execute(delete(t.throttle).where(old))
        values = {"failures": 1, "until_s": now_s, "totp_step": 0}
        connection.execute(insert(t.throttle), {"key": key, **values})
        return 0
    wait_s: int = found.until_s - now_s
    changed = update(t.throttle).where(c.key == key)
    if wait_s > LONGEST_WAIT_S:  # the clock was set back: it waits from now on, once
        connection.execute(changed.values(until_s=now_s + LONGEST_WAIT_S))
        return LONGEST_WAIT_S
    if wait_s > 0:
        return wait_s
    failures = found.failures + 1
    until_s = now_s + wait_after_s(failures)
    connection.execute(changed.values(failures=failures, until_s=until_s))
    return 0


def step_of(secret: str, code: str, now_s: int, after: int = 0) -> int:
    """The step of time whose code this is: now, one early or one late; 0 = none [1].

    Parameters
    ----------
    secret : str
        Shared with the phone, in base 32.
    code : str
        As typed.
    now_s : int
        Unix time [s].
    after : int
        The last step that was used [1].
    """
    key = base64.b32decode(secret)
    for off in (0, -1, 1):
        step = now_s // STEP_S + off
        told = totp(key, step * STEP_S).encode()
        if hmac.compare_digest(told, code.strip().encode()) and step > after:
            return step
    return 0


def code_fits(
    connection: Connection, row: dict[str, Any], code: str, now_s: int, fresh: bool = False
) -> bool:
    """Whether a code fits, and was not used before; a fresh secret has no codes before.

    Parameters
    ----------
    connection : Connection
        To the records, for writing.
    row : dict
        Of the account, with its secret.
    code : str
        As typed.
    now_s : int
        Unix time [s].
    fresh : bool
        Whether the secret is new.
    """
    key = digest_of(f"second factor\0{row['id']}")
    c = t.throttle.c
    used = None if fresh else connection.scalar(select(c.totp_step).where(c.key == key))
    step = step_of(row["totp"], code, now_s, used or 0)
    if not step:
        return False
    connection.execute(delete(t.throttle).where(c.key == key))
    values = {"failures": 0, "until_s": 0, "totp_step": step}
    connection.execute(insert(t.throttle), {"key": key, **values})
    return True


def digest_of(text: str) -> str:
    """SHA-256 of a text, in hexadecimal."""
    return hashlib.sha256(text.encode()).hexdigest()
