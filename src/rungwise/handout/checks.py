"""What must hold before a sheet is made: the plan agrees with itself, its texts can be printed."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator

from rungwise.core.errors import Fault
from rungwise.core.evidence import Evidence
from rungwise.core.terms import SIDES, Exam, Plan
from rungwise.words import languages

__all__ = ["exam_faults", "faults_of", "own_texts", "shared_faults"]

#: Longest text of a clinic or patient that the sheet has room for.
TEXT_MAX = 500
LABEL_MAX = 60
#: Characters that reorder a line or are not characters at all.
_REFUSED = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_REFUSED_KINDS = frozenset({"Cc", "Cs", "Co", "Cn", "Zl", "Zp"})


def faults_of(plan: Plan, book: Evidence) -> Iterator[Fault]:
    """All that keeps a plan from being handed out."""
    if not plan.exercises:
        yield Fault("exercises", "none", "at least one", "There is no programme; read its reasons.")
    yield from shared_faults(plan, book)
    yield from _plan_faults(plan)


def shared_faults(plan: Plan, book: Evidence) -> Iterator[Fault]:
    """All that keeps any sheet of a plan from being made."""
    if plan.edition != book.edition:
        yield Fault("edition", plan.edition, book.edition, "Use the book the plan was made with.")
    yield from _texts_faults(plan.exam)


def exam_faults(exam: Exam) -> Iterator[Fault]:
    """All in an examination that no sheet can say: texts without room, a language without words."""
    yield from _texts_faults(exam)
    if exam.person.language not in languages():
        allowed = " | ".join(languages())
        yield Fault("person.language", exam.person.language, allowed, "Choose one of them.")


def own_texts(exam: Exam) -> Iterator[tuple[str, str]]:
    """Texts of the clinic and the patient, by the field in which they were given."""
    yield "person.label", exam.person.label
    yield "therapist", exam.therapist
    for key, value in exam.clinic.items():
        yield f"clinic.{key}", value
    for number, activity in enumerate(exam.activities):
        yield f"activity[{number}].name", activity.name


def _plan_faults(plan: Plan) -> Iterator[Fault]:
    for number, exercise in enumerate(plan.exercises):
        field = f"exercises[{number}]"
        fitted = exercise.fitted
        if exercise.side != fitted.side:
            remedy = "Make the plan again; never correct a side by hand."
            yield Fault(f"{field}.side", exercise.side, fitted.side, remedy)
        if exercise.family != fitted.rung.family:
            yield Fault(f"{field}.family", exercise.family, fitted.rung.family, "Make it again.")
        for problem in fitted.problems:
            yield Fault(f"{field}.rung", problem, "a rung that this foot can do", "Choose another.")
        sides = SIDES if exercise.both else (exercise.side,)
        for side in sides:
            outcome = plan.screening.of(side).outcome
            if outcome in ("refer", "hold"):
                remedy = "Do what the screen says first."
                yield Fault(f"{field}.side", f"{side}: {outcome}", "a foot that may go", remedy)


def _texts_faults(exam: Exam) -> Iterator[Fault]:
    for field, text in own_texts(exam):
        yield from _text_faults(field, text)


def _text_faults(field: str, text: str) -> Iterator[Fault]:
    longest = LABEL_MAX if field in ("person.label", "therapist") else TEXT_MAX
    if len(text) > longest:
        yield Fault(field, f"{len(text)} characters", f"at most {longest}", "Shorten it.")
    bad = {c for c in text if c in _REFUSED or unicodedata.category(c) in _REFUSED_KINDS}
    for character in sorted(bad):
        given = f"the control character U+{ord(character):04X}"
        yield Fault(field, given, "letters, figures and signs", "Remove it; use one line.")
