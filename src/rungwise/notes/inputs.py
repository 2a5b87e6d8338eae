"""What a note is written from, brought together: the case of a plan's folder, the minutes."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.followed import Entry
from rungwise.core.note_case import Advised, Case, Timed, advised_by, compare_exams
from rungwise.core.progress import Decision, decide
from rungwise.core.scorers import FormScore
from rungwise.core.terms import Exam, Plan
from rungwise.course import EARLIER_PLANS, Opened, feet_now, open_course
from rungwise.diary import CODE, open_plan
from rungwise.kept import read_plan
from rungwise.notes.texts import load_lexicon
from rungwise.plan_code import HomePlan

__all__ = ["case_in", "case_of", "open_case", "read_minutes"]

PLAN, FIRST = "plan.json", "plan-1.json"
MINUTES = ("timed", "untimed", "whole_min")


def case_of(
    plan: Plan,
    book: Evidence,
    on: date,
    *,
    exams: Sequence[Exam] = (),
    entries: Sequence[Entry] = (),
    starts: date | None = None,
    since: date | None = None,
    decision: Decision | None = None,
    advice: Sequence[Advised] = (),
    scores: Sequence[FormScore] = (),
    timed: Timed | None = None,
    number: bytes = b"",
    version: int = 1,
    by: str = "",
) -> Case:
    """Bring together what a note may say.

    Parameters
    ----------
    plan : Plan
        The present version.
    book : Evidence
        The evidence book.
    on : date
        Day of the note.
    exams : sequence of Exam
        Every examination of the course.
    entries : sequence of Entry
        What was done at home.
    starts : date, optional
        First day of the first version of the plan.
    since : date, optional
        Day from which the diary is told; the first day of the plan by default.
    decision : Decision, optional
        What is advised now; told as not answered, unless ``advice`` holds that of the same day.
    advice : sequence of Advised
        Advice of this and of earlier days with its answers.
    scores : sequence of FormScore
        Outcome questionnaires.
    timed : Timed, optional
        Minutes of the visit.
    number : bytes
        Number of the plan, from its code.
    version : int
        Its version [1].
    by : str
        Who will sign.
    """
    given = tuple(sorted(exams or (plan.exam,), key=lambda exam: exam.on))
    advice = tuple(advice)
    if decision is not None and all(one.on != decision.on for one in advice):
        advice += advised_by(decision)
    measures = tuple(load_lexicon().at("compare.measures"))
    compared = compare_exams(given[0], given[-1], measures, book) if len(given) > 1 else ()
    return Case(
        on=on,
        plan=plan,
        exams=given,
        starts=starts,
        since=since,
        entries=tuple(entries),
        decision=decision,
        advice=tuple(sorted(advice, key=lambda one: one.on)),
        scores=tuple(scores),
        timed=timed,
        number=number.hex(),
        version=version,
        by=by.strip(),
        compared=compared,
    )


def open_case(
    folder: Path,
    kind: str,
    book: Evidence,
    on: date,
    *,
    exam: Exam | None = None,
    scores: Sequence[FormScore] = (),
    timed: Timed | None = None,
    by: str = "",
) -> Case:
    """What a note of a kind may say of the patient of a plan's folder.

    Parameters
    ----------
    folder : Path
        Written by ``rungwise plan``.
    kind : str
        Which note: an evaluation tells the first version of the plan, with its examination; a
        visit the diary since the version before, the others all of it.
    book : Evidence
        The evidence book.
    on : date
        Day of the note.
    exam : Exam, optional
        An examination after that of the present version.
    scores, timed, by
        As for :func:`case_of`.

    Raises
    ------
    InputError
        No such folder, or a damaged file; a note of a day before the plan; an evaluation of a
        later examination.
    """
    plan = _kept_plan(folder / PLAN)
    if kind == "evaluation":
        earlier = folder / EARLIER_PLANS / FIRST
        plan = _kept_plan(earlier) if earlier.exists() else plan
        if exam is not None and exam != plan.exam:
            allowed = f"the examination of {plan.exam.on}"
            remedy = "It is of the first one. Tell a later one in a progress note."
            raise InputError("note", (Fault("examination", str(exam.on), allowed, remedy),))
    if on < plan.on:
        fault = Fault("day", str(on), f"{plan.on} or later", "The plan was made after it.")
        raise InputError("note", (fault,))
    newer = () if exam is None else (exam,)
    if kind == "evaluation":
        coded = plan.exercises and (folder / CODE).exists()
        number = open_plan(folder)[0].number if coded else b""
        return case_of(plan, book, on, scores=scores, timed=timed, by=by, number=number)
    if not plan.exercises:
        given = (plan.exam, *newer)
        return case_of(plan, book, on, exams=given, scores=scores, timed=timed, by=by)
    opened, home = open_course(folder, book, on), open_plan(folder)[0]
    told: dict[str, Any] = {"scores": scores, "timed": timed, "by": by}
    return case_in(opened, home, kind, book, on, exam=exam, **told)


def case_in(
    opened: Opened,
    home: HomePlan,
    kind: str,
    book: Evidence,
    on: date,
    *,
    exam: Exam | None = None,
    exams: Sequence[Exam] = (),
    scores: Sequence[FormScore] = (),
    timed: Timed | None = None,
    by: str = "",
) -> Case:
    """What a note of a kind may say of a patient whose course is open, wherever it is kept.

    Parameters
    ----------
    opened : Opened
        The course.
    home : HomePlan
        What of the present version went home.
    kind, book, on, exam, scores, timed, by
        As for :func:`open_case`.
    exams : sequence of Exam
        Examinations of the course that no version was made from.
    """
    plan = opened.plan
    newer = () if exam is None else (exam,)
    told: dict[str, Any] = {"scores": scores, "timed": timed, "by": by}
    told |= {"number": home.number, "version": home.version}
    if kind == "evaluation":
        return case_of(opened.plans[0], book, on, **{**told, "version": 1})
    by_day = {one.on: one for one in (*exams, *newer)}
    for version, head in reversed(list(enumerate(opened.heads))):
        if head.examined not in by_day:
            by_day[head.examined] = opened.plans[version].exam
    if opened.past and opened.past[-1].on == on:
        decision = opened.decided[-1].decision
    else:
        feet = feet_now(exam or plan.exam, book)
        decision = decide(plan, opened.course, feet, book, on, opened.starts, opened.since)
    before = [head.starts for head in opened.heads if head.starts < on]
    whole = kind != "visit" or not before
    return case_of(
        plan,
        book,
        on,
        exams=[by_day[day] for day in sorted(by_day)],
        entries=opened.course.entries,
        starts=opened.starts,
        since=opened.starts if whole else before[-1],
        decision=decision,
        advice=[one for past in opened.past for one in past.advised],
        **told,
    )


def _kept_plan(path: Path) -> Plan:
    try:
        return read_plan(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError):
        allowed = "a folder written by rungwise plan"
        fault = Fault("plan", str(path.parent), allowed, "Check the folder.")
        raise InputError("note", (fault,)) from None


def read_minutes(text: str) -> Timed:
    """Read the minutes of a visit.

    Parameters
    ----------
    text : str
        TOML: a table ``timed`` of service = whole minutes, by the clinic's own names; if there
        are any, a list ``untimed`` of services, and ``whole_min``, the time of the whole visit.

    Raises
    ------
    InputError
        Names every fault.
    """
    try:
        told = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        fault = Fault("file", str(error), "a TOML file", "Mend the line named.")
        raise InputError("timed minutes", (fault,)) from None
    faults = [
        Fault(name, "an entry", ", ".join(MINUTES), "Put services under [timed].")
        for name in told
        if name not in MINUTES
    ]
    timed, untimed, whole = (told.get(name) for name in MINUTES)
    if not isinstance(timed, dict):
        allowed = "a table of service = minutes"
        faults.append(Fault("timed", repr(timed), allowed, 'Such as "exercise" = 23.'))
        timed = {}
    faults += [
        Fault(f"timed.{name}", repr(spent), "a whole number of minutes from 0", "Mend it.")
        for name, spent in timed.items()
        if type(spent) is not int or spent < 0
    ]
    untimed = [] if untimed is None else untimed
    if not isinstance(untimed, list) or not all(isinstance(one, str) for one in untimed):
        faults.append(Fault("untimed", repr(untimed), "a list of services", "Mend it."))
    if whole is not None and (type(whole) is not int or whole < 0):
        faults.append(Fault("whole_min", repr(whole), "a whole number of minutes", "Mend it."))
    if faults:
        raise InputError("timed minutes", tuple(faults))
    return Timed(timed, tuple(untimed), whole)
