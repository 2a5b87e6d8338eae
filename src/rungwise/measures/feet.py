"""Whose pain a rating of the diary is: one foot's, or of both feet at once the sorer one's."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from rungwise.core.followed import Entry, of_foot
from rungwise.core.terms import SIDES, Exam, Side, other

__all__ = ["WHEN", "foot_ratings"]

#: When pain was rated, and how many days later the rating counts [d].
WHEN = {"before": 0, "during": 0, "morning": 1}


def foot_ratings(
    entries: Iterable[Entry], when: str, side: Side, exams: Sequence[Exam]
) -> dict[date, int]:
    """Highest rating of a foot on each day, 0-10 [1].

    Parameters
    ----------
    entries : iterable of Entry
        What was done.
    when : {"before", "during", "morning"}
        Which rating.
    side : {"right", "left"}
        Which foot.
    exams : sequence of Exam
        Examinations, oldest first; the last one up to a day tells which foot is sorer as usual.

    Notes
    -----
    A rating of an exercise for both feet is that of the sorer foot
    (:func:`rungwise.core.followed.of_foot`). Where each foot was rated by itself on that day, too,
    and the other one no less than both, it is the other one's.
    """
    alone: dict[Side, dict[date, int]] = {one: {} for one in SIDES}
    shared: dict[date, int] = {}
    counts: dict[date, bool] = {}  # by examination, whether a rating of both feet is this one's
    later = timedelta(days=WHEN[when])
    for e in entries:
        pain = getattr(e, when)
        if pain is None:
            continue
        on = e.on + later
        if not e.both:
            alone[e.side][on] = max(pain, alone[e.side].get(on, 0))
            continue
        exam = _exam_of(e.on, exams)
        if exam.on not in counts:
            counts[exam.on] = bool(of_foot([e], side, exam))
        if counts[exam.on]:
            shared[on] = max(pain, shared.get(on, 0))
    mine, others = alone[side], alone[other(side)]
    for on, pain in shared.items():
        if not (on in mine and others.get(on, 0) >= pain > mine[on]):
            mine[on] = max(pain, mine.get(on, 0))
    return dict(sorted(mine.items()))


def _exam_of(on: date, exams: Sequence[Exam]) -> Exam:
    """The last examination up to a day; the first one before it."""
    return exams[max(bisect_right(exams, on, key=lambda exam: exam.on) - 1, 0)]
