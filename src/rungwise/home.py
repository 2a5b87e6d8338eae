"""What of a plan goes home, and what comes back: the same on paper, in a code and on the phone.

No name is in it: a random plan number, what to do and until when, what to mind, and the clinic's
telephone number.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from rungwise.code_bytes import codes_of
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.findings import cautions, found, unfinished
from rungwise.core.terms import LEVELS, Dose, Exam, Exercise, Plan, Side
from rungwise.words import whole_mm

__all__ = [
    "NUMBER",
    "WHY_NOT",
    "HomeCaution",
    "HomeEntry",
    "HomeFinding",
    "HomeLine",
    "HomeLog",
    "HomePlan",
    "HomeSession",
    "dialled",
    "home_plan",
    "key_of_plan",
    "lines_of",
    "page_link",
]

#: Why something was not done; the place is the code.
WHY_NOT = ("", "pain", "no_time", "forgot", "unwell", "no_kit", "unsure", "other")
#: A telephone number as it is dialled (ITU-T E.164: at most 15 digits).
NUMBER = re.compile(r"\+?[0-9]{3,15}")
#: What people write between the digits of one number.
_BETWEEN = re.compile("[ \u00a0\u2009\u202f().\u2010-\u2013-]")


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
class HomeCaution:
    """What to mind: kind (``numb``, ``unsteady``, ``bruise``), and foot or None for the person."""

    kind: str
    side: Side | None


@dataclass(frozen=True)
class HomeFinding:
    """What stops a foot or must be looked at.

    Parameters
    ----------
    item : str
        Key of the screening item (``hot_swollen_joint``).
    level : {"emergency", "urgent", "review", "caution"}
        How grave.
    side : {"right", "left"} or None
        Which foot; None for the whole person.
    """

    item: str
    level: str
    side: Side | None


@dataclass(frozen=True)
class HomePlan:
    """What a phone page needs to lead a programme; no name and no label.

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
    cautions : tuple of HomeCaution
        What to mind.
    findings : tuple of HomeFinding
        What stops a foot or must be looked at, the gravest first.
    unfinished : tuple of {"right", "left"}
        Feet without a programme until they have been examined.
    phone, emergency : str
        The clinic's numbers as they are dialled; empty when there is none.
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
    cautions: tuple[HomeCaution, ...] = ()
    findings: tuple[HomeFinding, ...] = ()
    unfinished: tuple[Side, ...] = ()
    phone: str = ""
    emergency: str = ""


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
    safe, most = int(book.value("pain.safe_max")), int(book.value("pain.acceptable_max"))
    if safe >= most:
        fault = Fault(
            "pain.safe_max", str(safe), f"below pain.acceptable_max, {most}", "Change one."
        )
        raise InputError("plan code", (fault,))
    return HomePlan(
        number,
        key,
        version,
        plan.exam.person.language[:2],
        plan.edition,
        plan.starts,
        plan.review,
        plan.ends,
        safe,
        most,
        first,
        tuple(_line(exercise, book) for exercise in lines_of(plan, first)),
        tuple(HomeCaution(kind, side) for kind, side in cautions(plan)),
        tuple(
            HomeFinding(item, level, side)
            for level in LEVELS
            for item, sides in found(plan, level).items()
            for side in sides
        ),
        unfinished(plan),
        dialled(plan.exam.clinic.get("phone", "")),
        dialled(plan.exam.clinic.get("emergency", "")),
    )


def lines_of(plan: Plan, first: Side | None) -> tuple[Exercise, ...]:
    """Exercises in running order: their places are the numbers of the diary, on paper and typed.

    Parameters
    ----------
    plan : Plan
        The programme.
    first : {"right", "left"} or None
        The foot that goes first.
    """
    running = plan.session.order if plan.session is not None else ()
    order = (*running, *(e.family for e in plan.exercises))
    return tuple(sorted(plan.exercises, key=lambda e: (order.index(e.family), e.side != first)))


def page_link(exam: Exam, code: str) -> str:
    """A plan code behind the address of the clinic's page, which no browser sends to its host.

    Parameters
    ----------
    exam : Exam
        Its clinic's line ``page_address`` is the address, where there is one.
    code : str
        The plan code; alone where there is no address, and empty where it is empty.
    """
    address = exam.clinic.get("page_address", "")
    return f"{address}#{code}" if address and code else code


def dialled(text: str) -> str:
    """A telephone number as it is dialled: digits, and ``+`` in front.

    Parameters
    ----------
    text : str
        As the clinic writes it.

    Returns
    -------
    str
        Empty when the text is anything but one number: a call to a wrong number is worse than none.

    Examples
    --------
    >>> dialled("+44 (0)20 7946 0000"), dialled("555-0100 or 555-0101")
    ('+442079460000', '')
    """
    told = text.strip()
    if told.startswith("+"):  # the 0 is dialled within the country only
        told = told.replace("(0)", "")
    bare = _BETWEEN.sub("", told)
    return bare if NUMBER.fullmatch(bare) else ""


def _line(exercise: Exercise, book: Evidence) -> HomeLine:
    known = codes_of(book.joint).size
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
