"""A home log as a short checked text that fits a QR code; both directions.

The check code of a log is keyed from its plan. The key is in the patient's hands, so it shows
typing errors, another plan, another patient, an old plan and repeats; it is no signature.
"""

from __future__ import annotations

import hashlib
import hmac

from rungwise.code_bytes import (
    LOG,
    Codes,
    Source,
    UnreadableError,
    Writer,
    codes_of,
    day_after,
    opened,
    refused,
    sealed,
)
from rungwise.home import WHY_NOT, HomeEntry, HomeLog, HomePlan, HomeSession

__all__ = ["CROCKFORD", "check_symbols", "number_of", "read_log_code", "write_log_code"]

#: Letters of base 32 without those that look alike.
CROCKFORD = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
NOT_ASKED = 15
CHECK_BYTES = 5


def _check_code(key: bytes, message: bytes) -> bytes:
    """The first 40 bits of HMAC-SHA256."""
    return hmac.new(key, message, hashlib.sha256).digest()[:CHECK_BYTES]


def check_symbols(key: bytes, message: bytes) -> str:
    """Check code: the first 40 bits of HMAC-SHA256 in eight Crockford base-32 symbols.

    Parameters
    ----------
    key, message : bytes
        Key of the plan, and what is checked.
    """
    bits = int.from_bytes(_check_code(key, message), "big")
    return "".join(CROCKFORD[bits >> 35 - 5 * i & 31] for i in range(8))


def write_log_code(log: HomeLog, plan: HomePlan) -> str:
    """Write a log as a code with the check code of its plan.

    Parameters
    ----------
    log : HomeLog
        Sessions in the order of days.
    plan : HomePlan
        The plan that was followed.

    Raises
    ------
    ValueError
        When a part does not fit its place in the code, or the plan is another.
    """
    if log.number != plan.number:
        raise ValueError("the log belongs to another plan")
    w = Writer()
    w.out += log.number
    w.number(log.version)
    w.number(log.part)
    w.number(len(log.sessions))
    last = plan.starts
    for session in log.sessions:
        w.number((session.on - last).days)
        last = session.on
        w.number(len(session.entries))
        for e in session.entries:
            done = ("all", "part", "none").index(e.done)
            w.nibbles((e.line, done | e.sharp << 2 | e.warning << 3))
            w.nibbles((WHY_NOT.index(e.why_not), e.sets))
            w.number(e.reps)
            pains = (e.before, e.during, e.morning)
            w.nibbles(NOT_ASKED if pain is None else pain for pain in pains)
    body = bytes(w.out)
    mac = _check_code(plan.key, LOG.encode() + body)
    return sealed(LOG, body + mac)


def read_log_code(text: str, plan: HomePlan, joint: str = "first_mtp") -> HomeLog:
    """Read a log code back and check that it belongs to a plan.

    Parameters
    ----------
    text : str
        The code.
    plan : HomePlan
        The plan it should belong to.
    joint : str
        The joint's data folder.

    Raises
    ------
    InputError
        When it is foreign, newer, damaged, of another plan or of an older version of it.
    """
    try:
        body = opened(LOG, "log", text)
        if len(body) < CHECK_BYTES:
            raise UnreadableError("it ends too early")
        body, mac = body[:-CHECK_BYTES], body[-CHECK_BYTES:]
        log = _log_from(body, plan, codes_of(joint))
        expected = _check_code(plan.key, LOG.encode() + body)
        if not hmac.compare_digest(mac, expected):
            raise UnreadableError("its check code does not fit this plan")
        return log
    except UnreadableError as why:
        raise refused("log", text, str(why)) from None


def number_of(text: str) -> bytes:
    """Number of the plan that a log code belongs to, to look the plan up by.

    Raises
    ------
    InputError
        When it is no whole log code.
    """
    try:
        return Source(opened(LOG, "log", text)).take(8)
    except UnreadableError as why:
        raise refused("log", text, str(why)) from None


def _log_from(body: bytes, plan: HomePlan, codes: Codes) -> HomeLog:
    r = Source(body)
    number = r.take(8)
    if number != plan.number:
        raise UnreadableError("it belongs to another plan, perhaps another person's")
    version, part = r.number(), r.number()
    if version != plan.version:
        age = "an older" if version < plan.version else "a newer"
        raise UnreadableError(f"it belongs to {age} version of this plan")
    sessions: list[HomeSession] = []
    last = plan.starts
    for _ in range(r.number()):
        last = day_after(last, r.number())
        entries = tuple(_entry(r, plan, codes) for _ in range(r.number()))
        sessions.append(HomeSession(last, entries))
    r.end()
    return HomeLog(number, version, part, tuple(sessions))


def _entry(r: Source, plan: HomePlan, codes: Codes) -> HomeEntry:
    line, flags = r.nibbles(2)
    why, sets = r.nibbles(2)
    reps = r.number()
    pains = r.nibbles(3)
    if line >= len(plan.lines) or flags & 3 > 2 or why >= len(WHY_NOT):
        raise UnreadableError("it tells of an exercise that is not in the plan")
    if reps > codes.limit["reps"][1]:
        raise UnreadableError("it tells of more times than any plan asks for")
    if any(10 < pain < NOT_ASKED for pain in pains):
        raise UnreadableError("a pain in it is not from 0 to 10")
    before, during, morning = (None if pain == NOT_ASKED else pain for pain in pains)
    return HomeEntry(
        line,
        ("all", "part", "none")[flags & 3],
        WHY_NOT[why],
        sets,
        reps,
        before,
        during,
        morning,
        bool(flags & 4),
        bool(flags & 8),
    )
