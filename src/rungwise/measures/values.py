"""What a comparison holds: each series with its change, the diary's pain, and the whole."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from rungwise.core.change import Change
from rungwise.core.forecast import Forecast, NotYet
from rungwise.core.norms import Beside
from rungwise.core.scorers import ActivityScore
from rungwise.core.series import DayMean
from rungwise.core.single_case import Phases
from rungwise.core.terms import Reason, Side

__all__ = ["Changes", "DiaryPain", "Followed", "Target", "way_words"]


@dataclass(frozen=True)
class Target:
    """A value to be reached by a day.

    Parameters
    ----------
    value : float
        In the unit of the measure.
    by : date
        The day.
    better : {1, -1} or None
        Whether it is a least or a most; None as the book says of the measure [1].
    """

    value: float
    by: date
    better: int | None = None


@dataclass(frozen=True)
class Followed:
    """One measure, or one activity of the patient, read in one way over the course.

    Parameters
    ----------
    measure : str
        Key of the measure.
    name : str
        Activity in the patient's words; empty for a measure.
    side : {"right", "left"} or None
        Which foot.
    method, instrument, zero : str or None
        How, with what, from which zero.
    unit : str
        Unit; ``1`` for none.
    days : tuple of (date, float)
        Each day and the mean of its readings, in ``unit``, oldest first.
    change : Change or None
        Last day against first; None with one day.
    better : int or None
        1 when higher is better, -1 when lower is, None when the book does not say.
    ends : (float, float) or None
        Lowest and highest value that can be read, in ``unit``.
    sem : float or None
        Standard error of one day's reading, in ``unit``; None when it is not known.
    target : float or None
        Value to be reached, in ``unit``.
    by : date or None
        When.
    ahead : Forecast or NotYet or None
        What the readings let one expect; None when their error is not known.
    phases : Phases or NotYet or None
        Before and after the day named by the therapist; None when none was named, or the error is
        not known.
    beside : Beside or None
        The last value beside the norm of that age.
    notes : tuple of str
        What to know of the series.
    """

    measure: str
    name: str
    side: Side | None
    method: str | None
    instrument: str | None
    zero: str | None
    unit: str
    days: tuple[tuple[date, float], ...]
    change: Change | None
    better: int | None
    ends: tuple[float, float] | None = None
    sem: float | None = None
    target: float | None = None
    by: date | None = None
    ahead: Forecast | NotYet | None = None
    phases: Phases | NotYet | None = None
    beside: Beside | None = None
    notes: tuple[str, ...] = ()

    @property
    def reached(self) -> bool | None:
        """Whether the last value is at the target or beyond; None without a target."""
        if self.target is None:
            return None
        sign = self.better or 1
        return sign * self.days[-1][1] >= sign * self.target


@dataclass(frozen=True)
class DiaryPain:
    """Pain of one foot from the diary: a week's mean against a later one.

    Parameters
    ----------
    when : {"before", "during", "morning"}
        Before or during exercise, or the next morning.
    side : {"right", "left"}
        Which foot.
    rated : int
        Days with a rating [1].
    first, last : DayMean or None
        First and last week with ratings on enough days; None when there is none.
    change : Change or None
        The last against the first; None when there are not two that share no day.
    phases : Phases or NotYet or None
        Before and after the day named by the therapist, day by day.
    why_not : str
        Why nothing is judged.
    """

    when: str
    side: Side
    rated: int
    first: DayMean | None
    last: DayMean | None
    change: Change | None
    phases: Phases | NotYet | None
    why_not: str = ""


@dataclass(frozen=True)
class Changes:
    """All that is known of a person's change.

    Parameters
    ----------
    label : str
        The clinic's own label of the person.
    exams : tuple of date
        Days of the examinations.
    measures : tuple of Followed
        Each measure by foot and way of reading.
    activities : tuple of Followed
        The patient's own activities.
    activity_score : ActivityScore or None
        Their mean over those rated at the first and the last examination.
    activity_change : Change or None
        The change of that mean; None when they are too few.
    diary : tuple of DiaryPain
        Pain from the diary.
    again : tuple of Reason
        When to measure again, and how often.
    phase : date or None
        First day of the phase after.
    notes : tuple of str
        What to know of the whole.
    """

    label: str
    exams: tuple[date, ...]
    measures: tuple[Followed, ...]
    activities: tuple[Followed, ...]
    activity_score: ActivityScore | None
    activity_change: Change | None
    diary: tuple[DiaryPain, ...]
    again: tuple[Reason, ...]
    phase: date | None
    notes: tuple[str, ...]


def way_words(one: Followed) -> str:
    """How a series was read, in words; empty when there is but one way."""
    if one.method is None and one.instrument is None and one.zero is None:
        return ""
    parts = [str(part).replace("_", " ") for part in (one.method, one.instrument) if part]
    return ", ".join([*parts, *([f"from {one.zero.replace('_', ' ')}"] if one.zero else [])])
