"""A plan, and a home log, as a short checked text that fits a QR code; both directions.

Nothing about the person is in it: a random plan number, what to do, and until when. The layout
stands in docs/plan-code.md with test vectors. Every number of it that names a family, a notch or a
size comes from ``data/codes/``, which is only ever added to, so an old sheet stays readable.

The check code of a log is keyed from its plan. The key is in the patient's hands, so it shows
typing errors, another plan, another patient, an old plan and repeats; it is no signature.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import tomllib
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from importlib.resources import files

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.terms import Dose, Exercise, Plan, Side
from rungwise.words import whole_mm

__all__ = [
    "HomeEntry",
    "HomeLine",
    "HomeLog",
    "HomePlan",
    "HomeSession",
    "check_symbols",
    "home_plan",
    "key_of_plan",
    "number_of",
    "read_log_code",
    "read_plan_code",
    "write_log_code",
    "write_plan_code",
]

PLAN, LOG = "RW1P", "RW1L"
DAY_ZERO = date(2020, 1, 1)
CROCKFORD = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
#: Why something was not done; the place is the code.
WHY_NOT = ("", "pain", "no_time", "forgot", "unwell", "no_kit", "unsure", "other")
NOT_ASKED = 15
CHECK_BYTES = 5


@dataclass(frozen=True)
class HomeLine:
    """One exercise of one foot as the patient does it.

    Parameters
    ----------
    family : str
        Which family.
    side : {"right", "left"}
        Which foot; the limiting one when ``both``.
    both : bool
        Both feet work at once.
    notches : tuple of str
        Notch of each dial, in the family's order.
    sizes : mapping of str to int
        Sizes in whole units of their names (``heel_height_mm`` [mm], ``scale_kg`` [kg]).
    dose : Dose
        How much; times in whole seconds [s].
    """

    family: str
    side: Side
    both: bool
    notches: tuple[str, ...]
    sizes: Mapping[str, int]
    dose: Dose


@dataclass(frozen=True)
class HomePlan:
    """What a phone page needs to lead a programme; nothing about the person.

    Parameters
    ----------
    number : bytes
        Random plan number, 8 bytes.
    key : bytes
        Key of its log's check code, 16 bytes.
    version : int
        Version of the plan, 1 = first [1].
    language : str
        Two letters.
    edition : str
        Edition of the evidence book, 12 hexadecimal digits.
    starts, review, ends : date
        First day, next look, last day.
    pain_safe, pain_most : int
        Pain up to which one goes on, and above which one stops, 0–10 [1].
    first : {"right", "left"} or None
        The foot that goes first.
    lines : tuple of HomeLine
        In running order.
    """

    number: bytes
    key: bytes
    version: int
    language: str
    edition: str
    starts: date
    review: date
    ends: date
    pain_safe: int
    pain_most: int
    first: Side | None
    lines: tuple[HomeLine, ...]


@dataclass(frozen=True)
class HomeEntry:
    """How one line went.

    Parameters
    ----------
    line : int
        Index of the line in the plan [1].
    done : {"all", "part", "none"}
        How much of it.
    why_not : str
        One of :data:`WHY_NOT`.
    sets, reps : int
        Sets done, and repetitions of the last set [1].
    before, during, morning : int or None
        Pain 0–10 before, during, next morning [1]; None when not asked.
    sharp : bool
        Sharp pain or locking.
    warning : bool
        A new warning sign.
    """

    line: int
    done: str
    why_not: str = ""
    sets: int = 0
    reps: int = 0
    before: int | None = None
    during: int | None = None
    morning: int | None = None
    sharp: bool = False
    warning: bool = False


@dataclass(frozen=True)
class HomeSession:
    """One day at home: when, and how each line went."""

    on: date
    entries: tuple[HomeEntry, ...]


@dataclass(frozen=True)
class HomeLog:
    """Sessions since the last hand-over.

    Parameters
    ----------
    number : bytes
        Number of the plan that was followed, 8 bytes.
    version : int
        Its version [1].
    part : int
        Which hand-over, 1 = first [1].
    sessions : tuple of HomeSession
        In the order of days.
    """

    number: bytes
    version: int
    part: int
    sessions: tuple[HomeSession, ...]


# ------------------------------------------------------------------ numbers for names


@dataclass(frozen=True)
class _Codes:
    family: Mapping[str, int]
    notch: Mapping[tuple[str, str, str], int]
    size: Mapping[str, int]
    dials: Mapping[str, tuple[str, ...]]

    def family_of(self, code: int) -> str:
        return _key_of(self.family, code, "exercise family")

    def notch_of(self, family: str, dial: str, code: int) -> str:
        of_dial = {k: v for (f, d, k), v in self.notch.items() if (f, d) == (family, dial)}
        return _key_of(of_dial, code, f"setting of {dial.replace('_', ' ')}")

    def size_of(self, code: int) -> str:
        return _key_of(self.size, code, "size")


def _key_of(codes: Mapping[str, int], code: int, what: str) -> str:
    for key, value in codes.items():
        if value == code:
            return key
    raise _UnreadableError(f"it names an unknown {what} ({code}): it was made by a newer rungwise")


@cache
def _codes(joint: str) -> _Codes:
    text = (files("rungwise") / "data/codes" / f"{joint}.toml").read_text("utf-8")
    spec = tomllib.loads(text)
    notches = {
        (family, dial, key): code
        for family, dials in spec["notch"].items()
        for dial, codes in dials.items()
        for key, code in codes.items()
    }
    dials = {family: tuple(found) for family, found in spec["notch"].items()}
    return _Codes(spec["family"], notches, spec["size"], dials)


# ------------------------------------------------------------------ from a plan


def key_of_plan(clinic_key: bytes, number: bytes) -> bytes:
    """The key of a plan's log, derived from the clinic's own (HKDF, RFC 5869, SHA-256).

    Parameters
    ----------
    clinic_key : bytes
        The clinic's secret, 32 bytes.
    number : bytes
        The plan's number, 8 bytes.
    """
    drawn = hmac.new(b"\0" * 32, clinic_key, hashlib.sha256).digest()
    return hmac.new(drawn, b"rungwise log" + number + b"\x01", hashlib.sha256).digest()[:16]


def home_plan(
    plan: Plan,
    book: Evidence,
    number: bytes,
    key: bytes,
    version: int = 1,
    first: Side | None = None,
) -> HomePlan:
    """What of a plan goes home.

    Parameters
    ----------
    plan : Plan
        A programme with at least one exercise.
    book : Evidence
        The book it was made with.
    number, key : bytes
        Random number of the plan (8 bytes) and key of its log (16 bytes).
    version : int
        Version of the plan [1].
    first : {"right", "left"} or None
        The foot that goes first.

    Raises
    ------
    InputError
        When the plan has no exercise.
    """
    if not plan.exercises or plan.session is None:
        fault = Fault("plan", "no exercise", "a programme", "There is nothing to take home.")
        raise InputError("plan code", (fault,))
    order = (*plan.session.order, *(e.family for e in plan.exercises))
    ranked = sorted(plan.exercises, key=lambda e: (order.index(e.family), e.side != first))
    return HomePlan(
        number,
        key,
        version,
        plan.exam.person.language[:2],
        plan.edition,
        plan.starts,
        plan.review,
        plan.ends,
        int(book.value("pain.safe_max")),
        int(book.value("pain.acceptable_max")),
        first,
        tuple(_line(exercise, book) for exercise in ranked),
    )


def _line(exercise: Exercise, book: Evidence) -> HomeLine:
    known = _codes(book.joint).size
    sizes: dict[str, int] = {}
    for name, value in exercise.fitted.pose.sizes_mm.items():
        if name in known and value > 0:
            # as on the sheet: the cloth and the heel stop down, what lies further along up
            sizes[name] = whole_mm(value, up=name in ("touch_mm", "place_mm"))
    settings = exercise.fitted.rung.settings
    kg = exercise.fitted.loads.kg_per_foot
    if kg is not None and "standing" in exercise.fitted.rung.tags and settings.get("hands_share"):
        sizes["scale_kg"] = int(kg)
    return HomeLine(
        exercise.family,
        exercise.side,
        exercise.both,
        tuple(notch for _, notch in exercise.fitted.rung.notches),
        sizes,
        exercise.dose,
    )


# ------------------------------------------------------------------ bytes


class _UnreadableError(Exception):
    """Why a code cannot be read; turned into an InputError at the door."""


class _Writer:
    def __init__(self) -> None:
        self.out = bytearray()

    def number(self, value: int) -> None:
        if value < 0:
            raise ValueError("a code holds no negative number")
        while value > 0x7F:
            self.out.append(value & 0x7F | 0x80)
            value >>= 7
        self.out.append(value)

    def nibbles(self, values: Iterable[int]) -> None:
        row = [*values]
        row += [0] * (len(row) % 2)
        self.out.extend(a << 4 | b for a, b in zip(row[::2], row[1::2], strict=True))


class _Source:
    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def take(self, count: int) -> bytes:
        found = self.data[self.at : self.at + count]
        if len(found) < count:
            raise _UnreadableError("it ends too early")
        self.at += count
        return found

    def byte(self) -> int:
        return self.take(1)[0]

    def number(self) -> int:
        value = shift = 0
        while True:
            byte = self.byte()
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                if byte == 0 and shift:
                    raise _UnreadableError("a number in it is written in a longer way than needed")
                return value
            shift += 7
            if shift > 28:
                raise _UnreadableError("a number in it is too large")

    def nibbles(self, count: int) -> list[int]:
        packed = self.take((count + 1) // 2)
        found = [half for byte in packed for half in (byte >> 4, byte & 15)]
        if any(found[count:]):
            raise _UnreadableError("it has something where nothing may be")
        return found[:count]

    def end(self) -> None:
        if self.at != len(self.data):
            raise _UnreadableError("it goes on after its end")


def _sealed(mark: str, body: bytes) -> str:
    whole = body + zlib.crc32(mark.encode() + body).to_bytes(4, "big")
    return mark + base64.urlsafe_b64encode(whole).decode().rstrip("=")


def _opened(mark: str, what: str, text: str) -> bytes:
    """Body of a code, or why it is none.

    Raises
    ------
    _UnreadableError
        Foreign, newer, or damaged.
    """
    code = "".join(text.split())
    if not code.startswith("RW") or len(code) < len(mark) + 8:
        raise _UnreadableError(f"it is not a rungwise {what} code")
    if code[:4] in (PLAN, LOG) and code[:4] != mark:
        raise _UnreadableError(f"it is a rungwise {'plan' if code[:4] == PLAN else 'log'} code")
    if code[2].isdigit() and code[2] != mark[2] and code[3] == mark[3]:
        raise _UnreadableError("it was made by a newer rungwise; update this one")
    if code[:4] != mark:
        raise _UnreadableError(f"it is not a rungwise {what} code")
    letters = code[4:]
    try:
        whole = base64.b64decode(letters + "=" * (-len(letters) % 4), b"-_", validate=True)
    except (binascii.Error, ValueError):
        raise _UnreadableError("it is damaged: a letter is missing or wrong") from None
    if base64.urlsafe_b64encode(whole).decode().rstrip("=") != letters or len(whole) < 5:
        raise _UnreadableError("it is damaged: a letter is missing or wrong")
    body, seal = whole[:-4], whole[-4:]
    if zlib.crc32(mark.encode() + body).to_bytes(4, "big") != seal:
        raise _UnreadableError("it is damaged: its check sum does not fit")
    return body


def _refused(what: str, text: str, why: str) -> InputError:
    shown = text.strip()[:24] + ("…" if len(text.strip()) > 24 else "")
    fault = Fault(
        f"{what} code", shown.encode("ascii", "replace").decode(), f"a whole {what} code", why + "."
    )
    return InputError(f"{what} code", (fault,))


# ------------------------------------------------------------------ plan code


def write_plan_code(plan: HomePlan, joint: str = "first_mtp") -> str:
    """Write a plan as a code.

    Parameters
    ----------
    plan : HomePlan
        What goes home.
    joint : str
        The joint's data folder, for the numbers of families and notches.

    Raises
    ------
    ValueError
        When a part does not fit its place in the code.
    """
    codes = _codes(joint)
    if len(plan.number) != 8 or len(plan.key) != 16 or len(plan.edition) != 12:
        raise ValueError("number is 8 bytes, key 16 bytes, edition 12 hexadecimal digits")
    if len(plan.language) != 2 or not plan.language.isascii():
        raise ValueError("language is two letters")
    w = _Writer()
    w.out += plan.number + plan.key
    w.number(plan.version)
    w.out += plan.language.encode()
    w.out += bytes.fromhex(plan.edition)
    w.number((plan.starts - DAY_ZERO).days)
    w.number((plan.review - plan.starts).days)
    w.number((plan.ends - plan.starts).days)
    w.nibbles((plan.pain_safe, plan.pain_most))
    w.nibbles(({None: 0, "right": 1, "left": 2}[plan.first], len(plan.lines)))
    for line in plan.lines:
        w.number(codes.family[line.family])
        w.nibbles(((line.side == "left") | line.both << 1, len(line.sizes)))
        dials = codes.dials[line.family]
        pairs = zip(dials, line.notches, strict=True)
        w.nibbles(codes.notch[line.family, dial, notch] for dial, notch in pairs)
        for name in sorted(line.sizes, key=codes.size.__getitem__):
            w.number(codes.size[name])
            w.number(line.sizes[name])
        d = line.dose
        for value in (d.sets, d.reps, d.hold_s, d.lift_s, d.lower_s, d.rest_s, d.days_per_week):
            if value != int(value):
                raise ValueError("a dose in a code is in whole numbers")
            w.number(int(value))
    return _sealed(PLAN, bytes(w.out))


def read_plan_code(text: str, joint: str = "first_mtp") -> HomePlan:
    """Read a plan code back.

    Parameters
    ----------
    text : str
        The code; white space in it does not matter.
    joint : str
        The joint's data folder.

    Raises
    ------
    InputError
        When it is foreign, newer, another kind of code, or damaged; says which.
    """
    try:
        return _plan_from(_opened(PLAN, "plan", text), _codes(joint))
    except _UnreadableError as why:
        raise _refused("plan", text, str(why)) from None


def _plan_from(body: bytes, codes: _Codes) -> HomePlan:
    r = _Source(body)
    number, key = r.take(8), r.take(16)
    version = r.number()
    language = r.take(2).decode("ascii", "replace")
    edition = r.take(6).hex()
    starts = _day(DAY_ZERO, r.number())
    review, ends = _day(starts, r.number()), _day(starts, r.number())
    safe, most = r.nibbles(2)
    foot, count = r.nibbles(2)
    if foot > 2:
        raise _UnreadableError("it names a foot that there is not")
    first: Side | None = (None, "right", "left")[foot]
    lines = tuple(_line_from(r, codes) for _ in range(count))
    r.end()
    return HomePlan(
        number, key, version, language, edition, starts, review, ends, safe, most, first, lines
    )


def _line_from(r: _Source, codes: _Codes) -> HomeLine:
    family = codes.family_of(r.number())
    flags, count = r.nibbles(2)
    if flags > 3:
        raise _UnreadableError("it names a foot that there is not")
    dials = codes.dials[family]
    found = zip(dials, r.nibbles(len(dials)), strict=True)
    notches = tuple(codes.notch_of(family, dial, code) for dial, code in found)
    sizes = {codes.size_of(r.number()): r.number() for _ in range(count)}
    if len(sizes) != count:
        raise _UnreadableError("a size stands in it twice")
    n = [r.number() for _ in range(7)]
    dose = Dose(n[0], n[1], float(n[2]), float(n[3]), float(n[4]), float(n[5]), n[6])
    return HomeLine(family, "left" if flags & 1 else "right", bool(flags & 2), notches, sizes, dose)


def _day(start: date, days: int) -> date:
    try:
        return start + timedelta(days=days)
    except OverflowError:
        raise _UnreadableError("a day in it is out of the calendar") from None


# ------------------------------------------------------------------ log code


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
    w = _Writer()
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
    return _sealed(LOG, body + mac)


def read_log_code(text: str, plan: HomePlan) -> HomeLog:
    """Read a log code back and check that it belongs to a plan.

    Parameters
    ----------
    text : str
        The code.
    plan : HomePlan
        The plan it should belong to.

    Raises
    ------
    InputError
        When it is foreign, newer, damaged, of another plan or of an older version of it.
    """
    try:
        body = _opened(LOG, "log", text)
        if len(body) < CHECK_BYTES:
            raise _UnreadableError("it ends too early")
        body, mac = body[:-CHECK_BYTES], body[-CHECK_BYTES:]
        log = _log_from(body, plan)
        expected = _check_code(plan.key, LOG.encode() + body)
        if not hmac.compare_digest(mac, expected):
            raise _UnreadableError("its check code does not fit this plan")
        return log
    except _UnreadableError as why:
        raise _refused("log", text, str(why)) from None


def number_of(text: str) -> bytes:
    """Number of the plan that a log code belongs to, to look the plan up by.

    Raises
    ------
    InputError
        When it is no whole log code.
    """
    try:
        return _Source(_opened(LOG, "log", text)).take(8)
    except _UnreadableError as why:
        raise _refused("log", text, str(why)) from None


def _log_from(body: bytes, plan: HomePlan) -> HomeLog:
    r = _Source(body)
    number = r.take(8)
    if number != plan.number:
        raise _UnreadableError("it belongs to another plan, perhaps another person's")
    version, part = r.number(), r.number()
    if version != plan.version:
        age = "an older" if version < plan.version else "a newer"
        raise _UnreadableError(f"it belongs to {age} version of this plan")
    sessions: list[HomeSession] = []
    last = plan.starts
    for _ in range(r.number()):
        last = _day(last, r.number())
        sessions.append(HomeSession(last, tuple(_entry(r, plan) for _ in range(r.number()))))
    r.end()
    return HomeLog(number, version, part, tuple(sessions))


def _entry(r: _Source, plan: HomePlan) -> HomeEntry:
    line, flags = r.nibbles(2)
    why, sets = r.nibbles(2)
    reps = r.number()
    pains = r.nibbles(3)
    if line >= len(plan.lines) or flags & 3 > 2 or why >= len(WHY_NOT):
        raise _UnreadableError("it tells of an exercise that is not in the plan")
    if any(10 < pain < NOT_ASKED for pain in pains):
        raise _UnreadableError("a pain in it is not from 0 to 10")
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
