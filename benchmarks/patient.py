"""Whom and how much: one demo person with all that is made of the examination."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from benchmarks.people import SEED, versions_of
from rungwise import clinic
from rungwise.core.evidence import Evidence
from rungwise.core.terms import Exam, Plan
from rungwise.handout import Handout, build_handout, to_pdf
from rungwise.words import Words, load_words

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
    """The demo person whose sheet has most drawings, in many versions.

    Compiler and load model remember what they were asked before, so no call is timed on what it has
    seen: each takes the next version. The plan keeps more families than a sheet should hold.
    """

    def __init__(self, sizes: Sizes) -> None:
        self.book: Evidence = clinic.open_book()
        self.stamp = datetime(2026, 11, 20, tzinfo=UTC)
        self.words: Words = load_words("en")
        planned = [(self.planned(text), name, text) for name, text in clinic.demo_exams().items()]
        self.plan, self.name, self.text = max(planned, key=lambda p: len(p[0].exercises))
        self.exercises = len(self.plan.exercises)
        wanted = 2 * sizes.repetitions + 6
        self.plans = self._alike(versions_of(self.text, 3 * wanted))[:wanted]
        self.handouts = [build_handout(plan, self.book, self.words) for plan in self.plans]
        self.texts = versions_of(self.text, 2 * wanted, seed=SEED + 1)
        self.exams = [clinic.read_exam(t, self.book) for t in self.texts[wanted:]]

    def _alike(self, texts: list[str]) -> list[Plan]:
        plans = map(self.planned, texts)
        return [plan for plan in plans if len(plan.exercises) == self.exercises]

    def planned(self, text: str) -> Plan:
        """From the text of the examination to the plan."""
        return self.plan_of(clinic.read_exam(text, self.book))

    def plan_of(self, exam: Exam) -> Plan:
        """From the examination to the plan."""
        return clinic.make_plan(exam, self.book, exam.on, insist=True)

    def pdf(self, handout: Handout) -> bytes:
        """From the sheet to its PDF."""
        return to_pdf(handout, stamp=self.stamp)
