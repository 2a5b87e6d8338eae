"""Screen an examination: whether each foot may have a programme, and what it may not hold.

What was not asked or not examined is never taken as normal, and nothing here clears anything: a
low gout score leaves a hot joint what it is, an infection until shown otherwise.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.flags import (
    AT_RISK,
    HOME,
    LOADED,
    Raised,
    latest,
    raise_flags,
    risk_of_foot,
)
from rungwise.core.scores import score
from rungwise.core.terms import (
    LEVELS,
    SIDES,
    Exam,
    Flag,
    Outcome,
    Reason,
    Screening,
    Side,
    SideScreen,
)

__all__ = ["NEEDED", "STOPS", "screen"]

#: Findings of each foot without which there is no programme.
NEEDED = ("sensation", "pulses", "skin", "pain_rest_nprs")
#: Levels that end it: no programme.
STOPS = frozenset({"emergency", "urgent"})
#: Scores, and the items that call for them.
CALLS = {"gout": {"gout_attack", "hot_swollen_joint"}, "clot": {"clot_signs"}}
WORDS = ("no", "yes", "right", "left", "both")


def screen(exam: Exam, book: Evidence, today: date | None = None) -> Screening:
    """Say for each foot: refer, hold, review, careful or go, and which exercises are ruled out.

    Parameters
    ----------
    exam : Exam
        The examination with the answers of the screen.
    book : Evidence
        The book; its items are the questions.
    today : date, optional
        Day on which a programme is issued; the screen's age is judged only when it is given.

    Returns
    -------
    Screening
        ``refer`` at an emergency or urgent flag; ``hold`` when anything was not asked or not
        examined, or is too old; ``review`` while a review is open; ``careful`` with limits.

    Raises
    ------
    InputError
        When an item is not in the book, or an answer is none of the words allowed.
    """
    _refuse_unknown(exam, book)
    raised = [one for key in book.items for one in raise_flags(exam, book, key)]
    not_asked = tuple(item for item in book.items if item not in exam.answers)
    missing = tuple(_missing(exam, book, today, not_asked))
    right, left = (_side(side, raised, missing, book) for side in SIDES)
    scores = []
    flagged = {one.flag.item for one in raised}
    for name, items in CALLS.items():
        if flagged & items or exam.details.get(name):
            scores.append(score(name, exam, book))
    at_risk = {one.flag.side for one in raised if one.flag.item in AT_RISK}
    scores += [risk_of_foot(exam, book, side) for side in SIDES if side in at_risk]
    return Screening(exam.on, right, left, not_asked, tuple(scores))


def _refuse_unknown(exam: Exam, book: Evidence) -> None:
    faults = [
        Fault(f"screen.{item}", answer, ", ".join(WORDS), "Ask again, or leave the item out.")
        for item, answer in exam.answers.items()
        if answer not in WORDS
    ]
    faults += [
        Fault(f"screen.{item}", answer, "an item of the screen", "Mend the name.")
        for item, answer in exam.answers.items()
        if item not in book.items
    ]
    if faults:
        raise InputError("examination", tuple(faults))


# ------------------------------------------------------------------ one foot


def _side(
    side: Side,
    raised: list[Raised],
    missing: tuple[tuple[Side | None, Reason], ...],
    book: Evidence,
) -> SideScreen:
    mine = [one for one in raised if one.flag.side in (None, side)]
    mine.sort(key=lambda one: LEVELS.index(one.flag.level))
    flags = tuple(one.flag for one in mine)
    holds = tuple(reason for where, reason in missing if where in (None, side))
    outcome = _outcome(flags, bool(holds))
    forbids = frozenset[str]().union(*(flag.forbids for flag in flags))
    if outcome in ("refer", "hold") or forbids & HOME:
        forbids |= HOME.union(*(item.forbids for item in book.items.values()), LOADED)
    said = book.reason(
        f"screen.{outcome}", side=side, flags=[flag.item.replace("_", " ") for flag in flags]
    )
    reasons = dict.fromkeys((said, *holds, *(r for one in mine for r in one.reasons)))
    return SideScreen(side, outcome, flags, forbids, tuple(reasons))


def _outcome(flags: tuple[Flag, ...], hold: bool) -> Outcome:
    levels = {flag.level for flag in flags}
    if levels & STOPS:
        return "refer"
    # A ban on home work without a physician to wait for is a hold.
    if hold or any(flag.level == "caution" and flag.forbids & HOME for flag in flags):
        return "hold"
    if "review" in levels:
        return "review"
    return "careful" if flags else "go"


def _missing(
    exam: Exam, book: Evidence, today: date | None, not_asked: tuple[str, ...]
) -> Iterator[tuple[Side | None, Reason]]:
    """All that keeps the screen from being complete and fresh, and for which foot."""
    if today is not None:
        age = (today - exam.on).days
        if age > book.value("screen.valid_days"):
            yield None, book.reason("screen.too_old", days=age)
        if age < 0:
            yield None, book.reason("screen.ahead", on=exam.on, today=today)
    if not_asked:
        items = [item.replace("_", " ") for item in not_asked]
        yield None, book.reason("screen.not_asked", items=items)
    for side in SIDES:
        lacking = [m for m in NEEDED if latest(exam, m, side, book) is None]
        if lacking:
            measures = [measure.replace("_", " ") for measure in lacking]
            yield side, book.reason("screen.not_examined", side=side, measures=measures)
