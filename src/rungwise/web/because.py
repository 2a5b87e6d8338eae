"""Reasons as every page shows them: with rule, version, basis, and each source as it is cited."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rungwise.core.evidence import Evidence
from rungwise.core.terms import Dose, Exercise, Reason
from rungwise.web.words import Say

__all__ = [
    "Because",
    "because",
    "dose_words",
    "exercise_words",
    "foot_words",
    "setting_words",
    "step_words",
]


@dataclass(frozen=True)
class Because:
    """A reason with its sources spelt out.

    Parameters
    ----------
    reason : Reason
        Why.
    sources : tuple of str
        Each source as it is cited.
    """

    reason: Reason
    sources: tuple[str, ...]


def because(book: Evidence, reasons: Iterable[Reason]) -> tuple[Because, ...]:
    """Each reason once, with its sources."""
    told_once = dict.fromkeys(reasons)
    return tuple(Because(r, tuple(_cited(book, key) for key in r.sources)) for r in told_once)


def _cited(book: Evidence, key: str) -> str:
    source = book.sources.get(key)
    if source is None:
        return key
    year = f", {source.year}" if source.year else ""
    return f"{source.authors}: {source.title}{year}" if source.authors else f"{source.title}{year}"


def dose_words(say: Say, exercise: Exercise) -> str:
    """How much, in words."""
    dose = exercise.dose
    if not dose.seconds:  # how long is told by the setting
        return say("programme.dose_days", days=dose.days_per_week)
    told_so = say(
        "programme.dose" if dose.hold_s else "programme.dose_no_hold",
        sets=dose.sets,
        reps=dose.reps,
        hold=f"{dose.hold_s:g}",
        days=dose.days_per_week,
    )
    rest = say("programme.rest", rest=f"{dose.rest_s:g}") if dose.sets > 1 else ""
    return told_so + rest


def step_words(say: Say, n: int, dose: Dose) -> str:
    """A step of a dose list, in words."""
    if not dose.seconds:
        return say("programme.dose_step_days", n=n, days=dose.days_per_week)
    hold = f"{dose.hold_s:g}"
    return say("programme.dose_step", n=n, sets=dose.sets, reps=dose.reps, hold=hold)


def setting_words(say: Say, notches: Iterable[tuple[str, str]]) -> str:
    """Each dial and the notch on which it stands, in words."""
    return "; ".join(f"{say.name('dial', d)}: {say.name('notch', n)}" for d, n in notches)


def foot_words(say: Say, side: str, both: bool) -> str:
    """Which foot, as a word."""
    return say("of.both" if both else f"of.{side}")


def exercise_words(say: Say, family: str, side: str, both: bool) -> str:
    """Exercise and foot in words."""
    return f"{say.name('family', family)}, {foot_words(say, side, both)}"
