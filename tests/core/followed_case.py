"""A plan that was followed, for the tests of progress: days counted from its first one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from rungwise.clinic import make_plan
from rungwise.core.followed import Course, Entry, read_entries
from rungwise.core.progress import Decision, Line, decide
from rungwise.core.start import Foot
from rungwise.core.terms import Exam, Exercise, Pin, Plan, Side
from rungwise.course import feet_now
from tests.factory import DAY, make_exam, real_book

BOOK = real_book()
#: Days with a session in the first ten: nine of the seven that five a week ask for.
DAYS = (0, 1, 2, 4, 5, 6, 7, 8, 9)


def day(n: int) -> date:
    """The n-th day of the plan, 0 = first."""
    return DAY + timedelta(days=n)


def plan_of(exam: Exam | None = None, pins: tuple[Pin, ...] = ()) -> Plan:
    """The plan of an examination on the day it was made."""
    return make_plan(exam or make_exam(), BOOK, DAY, pins)


def exercise_of(plan: Plan, family: str = "toe_press", side: Side = "right") -> Exercise:
    """One line of a plan."""
    return next(e for e in plan.exercises if e.family == family and (e.both or e.side == side))


def did(n: int, e: Exercise, **changes: Any) -> Entry:
    """All of an exercise on a day, calm: pain during 1, next morning 0, before 0 not asked."""
    made = Entry(
        day(n), e.family, e.side, e.both, "all", sets=e.dose.sets, reps=e.dose.reps, during=1,
        morning=0,
    )  # fmt: skip
    return replace(made, **changes)


def examined(exam: Exam, n: int) -> Exam:
    """The same found at an examination on the n-th day."""
    measured = tuple(replace(m, on=day(n)) for m in exam.measured)
    return replace(exam, on=day(n), measured=measured)


def course_of(plan: Plan, entries: Iterable[Entry], today: int, **told: Any) -> Course:
    """The entries in order."""
    return read_entries(entries, BOOK, plan.starts, plan.ends, day(today), **told)


def decided(
    plan: Plan, entries: Iterable[Entry], today: int = 10, exam: Exam | None = None, **told: Any
) -> Decision:
    """What is advised on a day; the screen is as fresh as on the first."""
    exam = examined(plan.exam, today) if exam is None else exam
    return decide(plan, course_of(plan, entries, today), feet_now(exam, BOOK), BOOK, day(today),
                  **told)  # fmt: skip


def feet_of(exam: Exam) -> Mapping[Side, Foot]:
    """Both feet of an examination."""
    return feet_now(exam, BOOK)


def line_of(made: Decision, family: str = "toe_press", side: Side = "right") -> Line:
    """The advice for one line."""
    return next(
        one
        for one in made.lines
        if one.exercise.family == family and (one.exercise.both or one.exercise.side == side)
    )


def rules(line: Line) -> list[str]:
    """The rules behind a line, in order."""
    return [reason.rule.removeprefix("progress.") for reason in line.reasons]


def called(made: Decision) -> set[str]:
    """The rules by which the patient must be called."""
    return {reason.rule for reason in made.calls}
