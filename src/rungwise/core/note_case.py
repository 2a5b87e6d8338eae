"""What a note is written from: one patient's stored values, and how two examinations compare."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from rungwise.core.change import Change
from rungwise.core.errors import EvidenceError, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.followed import Entry
from rungwise.core.progress import Decision
from rungwise.core.renew import Answer
from rungwise.core.scorers import FormScore
from rungwise.core.series import Taken, judge_series, one_series
from rungwise.core.terms import SIDES, Exam, Plan, Reason, Side

__all__ = [
    "Advised",
    "Case",
    "Compared",
    "Lexicon",
    "Timed",
    "advised_by",
    "compare_exams",
]

PLACE = re.compile(r"\{([a-z_]+)\}")


def _as_it_is(what: Reason | str) -> str:
    """A reason's sentence, or a text, in the English that it was made in."""
    return what if isinstance(what, str) else what.says


@dataclass(frozen=True)
class Lexicon:
    """The wording of notes.

    Parameters
    ----------
    tree : mapping
        Nested tables of texts, lists and more tables; ``{name}`` in a text is filled in.
    tell : callable
        Says a reason, or a word or sentence of the book, in the language of the note.
    """

    tree: Mapping[str, Any]
    tell: Callable[[Reason | str], str] = _as_it_is

    def at(self, key: str) -> Any:
        """What stands at a dotted key.

        Raises
        ------
        EvidenceError
            When nothing does.
        """
        found: Any = self.tree
        for part in key.split("."):
            if not isinstance(found, Mapping) or part not in found:
                raise EvidenceError(f"words of notes: there is no {key!r}")
            found = found[part]
        return found

    def has(self, key: str) -> bool:
        """Whether something stands at a dotted key."""
        try:
            self.at(key)
        except EvidenceError:
            return False
        return True

    def say(self, key: str, /, **values: object) -> str:
        """A text with its values filled in, each once; what a value holds is never filled again.

        Raises
        ------
        EvidenceError
            When there is no such text, or it asks for another value.
        """
        text = self.at(key)
        missing = set(PLACE.findall(text)) - set(values)
        if missing:
            raise EvidenceError(f"words of notes: {key!r} needs {', '.join(sorted(missing))}")
        return PLACE.sub(lambda found: str(values[found[1]]), text)


@dataclass(frozen=True)
class Advised:
    """The advice on one exercise, and what the therapist answered.

    Parameters
    ----------
    on : date
        Day of the advice.
    family : str
        Which exercise family.
    side : {"right", "left"}
        Which foot; the limiting one when ``both``.
    both : bool
        Both feet work at once.
    outcome : str
        The rule's answer.
    reasons : tuple of Reason
        Why.
    answer : Answer or None
        The therapist's; None while she has not answered.
    """

    on: date
    family: str
    side: Side
    both: bool
    outcome: str
    reasons: tuple[Reason, ...]
    answer: Answer | None = None


@dataclass(frozen=True)
class Compared:
    """One measure at two examinations.

    Parameters
    ----------
    measure : str
        Key of the measure.
    side : {"right", "left"} or None
        Which foot; None for the whole person.
    before_on, after_on : date
        Days of the two.
    before, after : float or None
        Means of their readings, in the unit of the measure; None when they do not compare.
    change : Change or None
        What may be said of it; None when they do not compare.
    why_not : str
        Why they do not.
    """

    measure: str
    side: Side | None
    before_on: date
    after_on: date
    before: float | None
    after: float | None
    change: Change | None
    why_not: str = ""


@dataclass(frozen=True)
class Timed:
    """Minutes of one visit, by the clinic's own names of its services.

    Parameters
    ----------
    minutes : mapping of str to int
        Whole minutes of each timed service [min].
    untimed : tuple of str
        Services that are not timed.
    whole_min : int or None
        Time of the whole visit [min].
    """

    minutes: Mapping[str, int]
    untimed: tuple[str, ...] = ()
    whole_min: int | None = None


@dataclass(frozen=True)
class Case:
    """All that a note may say of one patient; it knows nothing else.

    Parameters
    ----------
    on : date
        Day of the note.
    plan : Plan
        The present version, with the examination, screen and grades that it was made from.
    exams : tuple of Exam
        Every examination, oldest first; that of the plan when empty.
    starts, since : date or None
        First day of the first version, and day from which the diary is told; the first day of
        the plan by default.
    entries : tuple of Entry
        What was done at home.
    decision : Decision or None
        Advice on the plan as of the day of the note.
    advice : tuple of Advised
        Advice of this and of earlier days, oldest first.
    scores : tuple of FormScore
        Outcome questionnaires.
    timed : Timed or None
        Minutes of the visit.
    number : str
        Number of the plan; empty when none was handed out.
    version : int
        Its version [1].
    by : str
        Who will sign; empty when not said.
    compared : tuple of Compared
        Change from the first examination to the last.
    """

    on: date
    plan: Plan
    exams: tuple[Exam, ...] = ()
    starts: date | None = None
    since: date | None = None
    entries: tuple[Entry, ...] = ()
    decision: Decision | None = None
    advice: tuple[Advised, ...] = ()
    scores: tuple[FormScore, ...] = ()
    timed: Timed | None = None
    number: str = ""
    version: int = 1
    by: str = ""
    compared: tuple[Compared, ...] = ()

    @property
    def first(self) -> Exam:
        """The first examination."""
        return self.exams[0] if self.exams else self.plan.exam

    @property
    def exam(self) -> Exam:
        """The last examination."""
        return self.exams[-1] if self.exams else self.plan.exam


def advised_by(
    decision: Decision, answers: Mapping[tuple[str, Side], Answer] | None = None
) -> tuple[Advised, ...]:
    """A decision line by line, with the therapist's answers where there are any."""
    return tuple(
        Advised(
            decision.on,
            line.exercise.family,
            line.exercise.side,
            line.exercise.both,
            line.outcome,
            line.reasons,
            (answers or {}).get((line.exercise.family, line.exercise.side)),
        )
        for line in decision.lines
    )


def compare_exams(
    first: Exam, last: Exam, measures: tuple[str, ...], book: Evidence
) -> tuple[Compared, ...]:
    """Judge the change of each measure that was found at both examinations on days of their own.

    Parameters
    ----------
    first, last : Exam
        The two examinations.
    measures : tuple of str
        Which measures, in the order told.
    book : Evidence
        The evidence book.

    Returns
    -------
    tuple of Compared
        Each way of measuring by itself; what was read in two ways is told as not compared.
    """
    found: list[Compared] = []
    for measure in measures:
        of_foot = book.measures[measure].per == "foot"
        for side in SIDES if of_foot else (None,):
            found += _compared(first, last, measure, side, book)
    return tuple(found)


def _compared(
    first: Exam, last: Exam, measure: str, side: Side | None, book: Evidence
) -> Iterator[Compared]:
    before, after = _by_way(first, measure, side), _by_way(last, measure, side)
    same = [way for way in before if way in after]
    for way in same or ([("", "")] if before and after else []):
        a = before.get(way) or next(iter(before.values()))
        b = after.get(way) or next(iter(after.values()))
        days = a[-1].found.on, b[-1].found.on
        if days[0] >= days[1]:  # carried over, not measured again
            continue
        try:
            series = one_series(a, book), one_series(b, book)
            change = judge_series(*series, book)
        except InputError as error:
            why = "; ".join(f"{fault.field}: {fault.given}" for fault in error.faults)
            yield Compared(measure, side, *days, None, None, None, why)
            continue
        yield Compared(measure, side, *days, series[0].mean, series[1].mean, change)


def _by_way(
    exam: Exam, measure: str, side: Side | None
) -> dict[tuple[str | None, ...], list[Taken]]:
    """Readings of the latest day of each way of measuring."""
    ways: dict[tuple[str | None, ...], list[Taken]] = {}
    for one in exam.readings(measure, side):
        rater = exam.therapist if one.on == exam.on else None
        ways.setdefault((one.method, one.instrument, one.zero), []).append(Taken(one, rater))
    latest = {way: max(t.found.on for t in taken) for way, taken in ways.items()}
    return {way: [t for t in taken if t.found.on == latest[way]] for way, taken in ways.items()}
