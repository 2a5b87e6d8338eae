"""A research export: no name, no place, no free text, no day of the calendar unless it is shifted.

Pseudonyms are a keyed hash (HMAC, RFC 2104, with SHA-256) of a person's random id, so that one key
gives the same ones again, and another key others. Days count from the first visit. This is
pseudonymised, not anonymous: the clinic that holds the key can go back.
"""

from __future__ import annotations

import hashlib
import hmac
import io
import zipfile
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from rungwise.columns import Growing, explained, tables_of, unit_told
from rungwise.core.evidence import Evidence
from rungwise.core.terms import Exam, Plan
from rungwise.tables import Cell

__all__ = ["Followed", "Session", "in_order", "pseudonym", "research_zip", "shift_days"]

#: Older people are pooled (45 CFR 164.514(b)(2)(i)(C), std_20); groups below are told of.
POOLED_FROM_A, SMALL_GROUP, SHIFT_MOST_D = 90, 5, 365


@dataclass(frozen=True)
class Session:
    """One exercise of one day, as the diary has it."""

    on: date
    facts: tuple[tuple[str, Cell], ...]


@dataclass(frozen=True)
class Followed:
    """A person as the export reads one.

    Parameters
    ----------
    id : str
        The random id.
    exams : tuple of Exam
        Oldest first.
    plans : tuple of Plan
        Oldest first.
    diary : tuple of Session
        In the order of days.
    """

    id: str
    exams: tuple[Exam, ...]
    plans: tuple[Plan, ...]
    diary: tuple[Session, ...]


def pseudonym(key: bytes, person: str) -> str:
    """Name of a person in a study: 128 bits of a keyed hash, as hexadecimal digits.

    Parameters
    ----------
    key : bytes
        The study's key, 32 random bytes.
    person : str
        The person's random id.
    """
    return hmac.new(key, b"study\0" + person.encode(), hashlib.sha256).hexdigest()[:32]


def shift_days(key: bytes, person: str) -> int:
    """How far the days of a person are moved back: 1 to 365, the same for all of them [d].

    Parameters
    ----------
    key : bytes
        The study's key.
    person : str
        The person's random id.
    """
    drawn = hmac.new(key, b"shift\0" + person.encode(), hashlib.sha256).digest()
    return 1 + int.from_bytes(drawn[:8], "big") % SHIFT_MOST_D


def in_order(people: Iterable[str], key: bytes) -> tuple[str, ...]:
    """Ids of people in the order of their pseudonyms, which tells nothing of the records' order."""
    return tuple(sorted(people, key=lambda person: pseudonym(key, person)))


def research_zip(
    people: Iterable[Followed], key: bytes, book: Evidence, shifted: bool = False
) -> bytes:
    """An export as a zip of tables that explains itself.

    Parameters
    ----------
    people : iterable of Followed
        Who is in it, in the order of :func:`in_order`; who has no examination is left out.
    key : bytes
        The study's key.
    book : Evidence
        The book: units, and which values are words of a list.
    shifted : bool
        Give days of the calendar, moved by whole days, beside the days from the first visit.
    """
    without = () if shifted else ("shifted_date",)
    grown = {name: Growing("research", name, without) for name in tables_of("research")}
    groups: Counter[tuple[str, str]] = Counter()
    for p in people:
        if not p.exams:
            continue
        person = _person(p, key)
        groups[str(person["sex"]), str(person["age_years"])] += 1
        grown["people"].add([person])
        grown["readings"].add(_readings(p, key, book, shifted))
        grown["programmes"].add(_lines(p, key, shifted))
        grown["diary"].add(_days(p, key, shifted))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as box:
        for name, table in grown.items():
            table.put_into(box, f"{name}.csv")
        about = _readme(groups, book, shifted)
        for name, data in explained("research", book, about).items():
            box.writestr(name, data)
    return out.getvalue()


def age_told(birth_year: int, on: date) -> str | int:
    """Age in whole years by the year of birth, pooled from 90 on [a].

    Parameters
    ----------
    birth_year : int
        Year of birth [a].
    on : date
        Day of the first visit.
    """
    age = on.year - birth_year
    return f"{POOLED_FROM_A}+" if age >= POOLED_FROM_A else age


def _person(p: Followed, key: bytes) -> dict[str, Cell]:
    first = p.exams[0]
    return {
        "study_id": pseudonym(key, p.id),
        "age_years": age_told(first.person.birth_year, first.on),
        "sex": first.person.sex,
        "visits": len(p.exams),
    }


def _when(p: Followed, on: date, key: bytes, shifted: bool) -> dict[str, Cell]:
    told: dict[str, Cell] = {
        "study_id": pseudonym(key, p.id),
        "day": (on - p.exams[0].on).days,
    }
    if shifted:
        told["shifted_date"] = (on - timedelta(days=shift_days(key, p.id))).isoformat()
    return told


def _readings(p: Followed, key: bytes, book: Evidence, shifted: bool) -> Iterable[dict[str, Cell]]:
    for visit, exam in enumerate(p.exams, 1):
        trial: Counter[tuple[str, str | None]] = Counter()
        for m in exam.measured:
            known = book.measures.get(m.measure)
            if known is None or (isinstance(m.value, str) and m.value not in known.choices):
                continue  # somebody's own words
            trial[m.measure, m.side] += 1
            value = m.value if not isinstance(m.value, bool) else "yes" if m.value else "no"
            yield {
                **_when(p, m.on, key, shifted),
                "visit": visit,
                "side": m.side,
                "measure": m.measure,
                "value": value,
                "unit": unit_told(known.unit),
                "method": m.method,
                "instrument": m.instrument,
                "zero": m.zero,
                "sem": m.sem,
                "trial": trial[m.measure, m.side],
            }
        for item, answer in sorted(exam.answers.items()):
            yield {
                **_when(p, exam.on, key, shifted),
                "visit": visit,
                "side": answer if answer in ("right", "left") else None,
                "measure": f"screen.{item}",
                "value": answer,
                "unit": 1,
                "method": None,
                "instrument": None,
                "zero": None,
                "sem": None,
                "trial": 1,
            }


def _lines(p: Followed, key: bytes, shifted: bool) -> Iterable[dict[str, Cell]]:
    for version, plan in enumerate(p.plans, 1):
        for line, e in enumerate(plan.exercises):
            yield {
                **_when(p, plan.starts, key, shifted),
                "version": version,
                "line": line,
                "side": "both" if e.both else e.side,
                "family": e.family,
                "rung": e.fitted.rung.name,
                "sets": e.dose.sets,
                "reps": e.dose.reps,
                "hold_s": e.dose.hold_s,
                "days_per_week": e.dose.days_per_week,
            }


def _days(p: Followed, key: bytes, shifted: bool) -> Iterable[dict[str, Cell]]:
    for session in p.diary:
        yield {**_when(p, session.on, key, shifted), **dict(session.facts)}


def _readme(groups: Counter[tuple[str, str]], book: Evidence, shifted: bool) -> str:
    small = sorted(group for group, n in groups.items() if n < SMALL_GROUP)
    parts = [
        "Research export, pseudonymised.",
        "Whoever holds the study's key can find the people again; keep it apart.",
        "Left out: labels, year of birth, addresses, telephone numbers, who examined, notes,",
        "own activities, reasons, every other free text, days of the calendar.",
        f"Ages from {POOLED_FROM_A} years on are pooled. day = days since the first visit.",
        f"Edition of the evidence book: {book.edition}.",
        "This is no Safe Harbor data set by itself: have an expert look at it, or agree on use.",
    ]
    if shifted:
        parts.append(
            f"shifted_date is moved back by 1 to {SHIFT_MOST_D} days, alike for all of a person."
            " Shifted dates are dates: Safe Harbor does not allow them."
        )
    if small:
        told = "; ".join(f"{sex}, {age}" for sex, age in small[:200])
        parts.append(f"Groups of fewer than {SMALL_GROUP} people by sex and age: {told}.")
    return "\n".join(parts) + "\n"
