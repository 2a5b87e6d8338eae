"""Whom and how much: one demo person with all that is made of the examination."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from rungwise import clinic
from rungwise.core.evidence import Evidence
from rungwise.core.terms import Plan
from rungwise.handout import Handout, build_handout, to_pdf
from rungwise.words import load_words

__all__ = ["SMALLEST", "Patient", "Sizes"]


@dataclass(frozen=True)
class Sizes:
    """How much is measured.

    Parameters
    ----------
    repetitions : int
        Of a call in this process [1].
    starts : int
        Of a fresh process [1].
    computed, printed : int
        Examinations of a batch without and with sheets [1].
    batches : int
        Of each batch [1].
    """

    repetitions: int = 25
    starts: int = 9
    computed: int = 1000
    printed: int = 140
    batches: int = 3


SMALLEST = Sizes(1, 1, 14, 7, 1)


class Patient:
    """One demo person with everything that is made of the examination: the one with most drawings.

    The plan keeps more families than a sheet should hold, so that there is much to draw.
    """

    def __init__(self) -> None:
        self.book: Evidence = clinic.open_book()
        self.stamp = datetime(2026, 11, 20, tzinfo=UTC)
        self.words = load_words("en")
        made = []
        for name, text in clinic.demo_exams().items():
            exam = clinic.read_exam(text, self.book)
            plan = clinic.make_plan(exam, self.book, exam.on, insist=True)
            made.append((len(plan.exercises), name, text, plan))
        _, self.name, self.text, self.plan = max(made, key=lambda m: m[0])
        self.handout: Handout = build_handout(self.plan, self.book, self.words)

    def compute(self) -> Plan:
        """From the text of the examination to the plan."""
        exam = clinic.read_exam(self.text, self.book)
        return clinic.make_plan(exam, self.book, exam.on, insist=True)

    def pdf(self) -> bytes:
        """From the sheet to its PDF."""
        return to_pdf(self.handout, stamp=self.stamp)
