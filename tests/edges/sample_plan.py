"""An invented programme, put together by hand, so that the sheet is tested apart from the rules.

Poses, loads and sizes come from the joint's own module; rungs and doses are chosen here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

from rungwise.core import first_mtp
from rungwise.core.evidence import Evidence
from rungwise.core.ladder import build_ladder, rungs_of
from rungwise.core.session import running_order
from rungwise.core.terms import (
    SIDES,
    Dose,
    Exam,
    Exercise,
    Grade,
    Plan,
    Screening,
    Side,
    SideScreen,
)
from tests.factory import DAY, make_exam

Line = tuple[str, str, Mapping[str, str]]
DOSES = {
    "toe_press": Dose(1, 5, 5, 1, 2, 30, 5),
    "heel_raise": Dose(2, 10, 1, 2, 3, 60, 3),
    "arch_lift": Dose(1, 10, 5, 1, 2, 30, 5),
    "balance": Dose(1, 2, 30, 2, 2, 30, 5),
    "walking": Dose(1, 1, 0, 0, 0, 0, 3),
    "calf_stretch": Dose(1, 2, 30, 2, 2, 15, 5),
    "toe_bend": Dose(1, 10, 5, 2, 2, 30, 5),
}
STANDARD: tuple[Line, ...] = (
    ("toe_press", "right", {"cloth": "half"}),
    ("toe_press", "left", {"cloth": "half"}),
    ("heel_raise", "right", {"load": "seated_weight", "height": "half"}),
    ("arch_lift", "right", {}),
    ("arch_lift", "left", {}),
    ("balance", "right", {"stance": "tandem"}),
    ("balance", "left", {"stance": "tandem"}),
)


def make_plan(
    book: Evidence,
    lines: Sequence[Line] = STANDARD,
    exam: Exam | None = None,
    weeks: int = 4,
    starts: date = DAY,
    doses: Mapping[str, Dose] | None = None,
    forbids: Mapping[Side, frozenset[str]] | None = None,
    outcome: str = "go",
) -> Plan:
    """Put a programme together.

    Parameters
    ----------
    book : Evidence
        The evidence book.
    lines : sequence of (family, side, notches)
        Its exercises; dials not named stand on their first notch.
    exam : Exam, optional
        The examination.
    weeks : int
        How long it may be followed.
    starts : date
        Its first day.
    doses : mapping, optional
        Family -> dose in place of the usual one.
    forbids : mapping, optional
        Side -> tags that the screen rules out.
    outcome : str
        What the screen says for both feet.
    """
    exam = exam or make_exam()
    ladders = {side: build_ladder(first_mtp, exam, side, book) for side in SIDES}
    exercises = []
    for family, side, notches in lines:
        fitting = (
            rung
            for rung in rungs_of(book.families[family])
            if all(dict(rung.notches)[dial] == notch for dial, notch in notches.items())
        )
        fitted = ladders[side].fit(next(fitting))  # type: ignore[index]
        dose = {**DOSES, **(doses or {})}[family]
        both = bool(fitted.rung.settings.get("both"))
        exercises.append(
            Exercise(family, side, fitted, dose, 1, (), (), both=both)  # type: ignore[arg-type]
        )
    screens = {
        side: SideScreen(side, outcome, (), (forbids or {}).get(side, frozenset()), ())  # type: ignore[arg-type]
        for side in SIDES
    }
    grades = {
        side: Grade(side, None, None, None, None, None, None, (), None, None, (), ())
        for side in SIDES
    }
    return Plan(
        on=starts,
        starts=starts,
        review=starts + timedelta(weeks=2),
        ends=starts + timedelta(weeks=weeks, days=-1),
        exam=exam,
        screening=Screening(exam.on, screens["right"], screens["left"], (), ()),
        grades=grades,
        bodies={side: ladder.body for side, ladder in ladders.items()},
        exercises=tuple(exercises),
        refused=(),
        session=running_order(exercises, book),
        notes=(),
        edition=book.edition,
    )


def clinic_exam(**changes: object) -> Exam:
    """An examination whose sheet has every clinic line."""
    exam = make_exam(right={"mtp_dorsiflexion_deg": 45.0})
    clinic = {
        "name": "Example Foot Clinic",
        "address": "1 Example Street, Sampletown",
        "phone": "555 0100",
        "email": "desk@example.org",
        "hours": "Monday to Friday, 8 to 17",
    }
    return replace(exam, clinic=clinic, **changes)  # type: ignore[arg-type]
