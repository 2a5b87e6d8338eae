"""From the book and one examination to a plan and its sheets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from importlib.resources import files
from secrets import token_bytes

from rungwise.book import joint_of, load_book, read_overrides
from rungwise.core.evidence import Evidence
from rungwise.core.grade import grade
from rungwise.core.ladder import Ladder, build_ladder
from rungwise.core.prescribe import less_painful, prescribe
from rungwise.core.progress import Decision
from rungwise.core.renew import Answer
from rungwise.core.screen import screen
from rungwise.core.terms import SIDES, Exam, Grade, Pin, Plan, Screening, Side
from rungwise.diary import (
    CODE,
)
from rungwise.plain import to_json
from rungwise.plan_code import HomePlan, home_plan, write_plan_code
from rungwise.report import plan_report

__all__ = ["PLAN", "demo_exams", "examine", "ladders_of", "make_plan", "open_book", "sheets"]

PLAN = "plan.json"


def open_book(overrides: str | None = None) -> Evidence:
    """Open the evidence book, with a clinic's own values if there are any.

    Parameters
    ----------
    overrides : str, optional
        Text of the clinic's TOML file.

    Raises
    ------
    InputError
        Names every fault of the clinic's file.
    """
    book = load_book()
    return book if overrides is None else load_book(overrides=read_overrides(overrides, book))


def demo_exams() -> dict[str, str]:
    """The invented people: name -> the examination's TOML text."""
    folder = files("rungwise") / "data" / "demo"
    entries = sorted(folder.iterdir(), key=lambda entry: entry.name)
    return {e.name.removesuffix(".toml"): e.read_text("utf-8") for e in entries}


def examine(exam: Exam, book: Evidence, today: date) -> tuple[Screening, dict[Side, Grade]]:
    """Screen and grade an examination.

    Parameters
    ----------
    exam : Exam
        The examination.
    book : Evidence
        The evidence book.
    today : date
        The screen may not be older than the book allows.
    """
    return screen(exam, book, today), {side: grade(exam, book, side) for side in SIDES}


def ladders_of(exam: Exam, book: Evidence) -> dict[Side, Ladder]:
    """The ladder of each foot."""
    joint = joint_of(book)
    return {side: build_ladder(joint, exam, side, book) for side in SIDES}


def make_plan(
    exam: Exam, book: Evidence, today: date, pins: Sequence[Pin] = (), insist: bool = False
) -> Plan:
    """Screen, grade, build the ladder, prescribe.

    Parameters
    ----------
    exam : Exam
        The examination.
    book : Evidence
        The evidence book.
    today : date
        Day the plan is made.
    pins : sequence of Pin
        The therapist's own choices.
    insist : bool
        Keep more families than the sheet should hold.

    Raises
    ------
    InputError
        A pin that cannot be followed.
    """
    screening, grades = examine(exam, book, today)
    return prescribe(exam, screening, grades, ladders_of(exam, book), book, today, pins, insist)


def sheets(
    plan: Plan,
    book: Evidence,
    stamp: datetime,
    language: str | None = None,
    paper: str = "a4",
    large: bool = False,
    earlier: HomePlan | None = None,
    phone: bool = False,
    decision: Decision | None = None,
    answers: Mapping[tuple[str, Side], Answer] | None = None,
) -> dict[str, bytes]:
    """Make every sheet of a plan, or that of a person without exercises: file name -> content.

    Parameters
    ----------
    plan : Plan
        The plan.
    book : Evidence
        The evidence book it was made with.
    stamp : datetime
        When, with its time zone; written into PDF and reminders.
    language : str, optional
        Language of the patient's sheets; by default the person's own.
    paper : {"a4", "us-letter"}
        Paper.
    large : bool
        Large print.
    earlier : HomePlan, optional
        The version that this one follows; its number and key stay. Random ones by default.
    phone : bool
        The page for the patient's phone, too.
    decision : Decision, optional
        What was advised, if the plan came from it; then the sheet says what is new.
    answers : mapping of (str, Side) to Answer, optional
        What the therapist said to it.
    """
    made = {
        PLAN: to_json(plan).encode(),
        "reasons.txt": plan_report(plan, book).encode(),
    }
    from rungwise.handout import build_handout, build_notice, changed_lines, to_pdf, to_text
    from rungwise.words import load_words

    words = load_words(language or plan.exam.person.language)
    if not plan.exercises:
        notice = build_notice(plan, book, words)
        made["not-now.pdf"] = to_pdf(notice, paper, large, stamp)
        made["not-now.txt"] = to_text(notice).encode()
        return made
    first = less_painful(plan.exam, plan.grades)
    number, key, version = token_bytes(8), token_bytes(16), 1
    if earlier is not None:
        number, key, version = earlier.number, earlier.key, earlier.version + 1
    home = home_plan(plan, book, number, key, version, first)
    code = write_plan_code(home, book.joint)
    changed = () if decision is None else changed_lines(decision, answers or {}, words, plan)
    handout = build_handout(plan, book, words, code, changed)
    made[CODE] = f"{code}\n".encode()
    made["programme.pdf"] = to_pdf(handout, paper, large, stamp)
    made["programme.txt"] = to_text(handout).encode()
    if phone:
        from rungwise.phone import page_data, single_file

        made["phone.html"] = single_file(page_data(handout, plan, home, code, book, words)).encode()
    for name, svg in handout.drawings():
        made[f"drawings/{name}.svg"] = svg.encode()
    if plan.exam.person.session_time is not None and plan.exam.person.time_zone is not None:
        from rungwise.reminders import to_calendar

        made["reminders.ics"] = to_calendar(plan, book, words, stamp)
    return made
