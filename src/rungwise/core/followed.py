"""What was done at home, read as facts: the entries of a diary, and what they say of an exercise.

Entries may come late, twice, out of order, or contradict each other. They are sorted by day; of two
that differ the higher pain and the smaller amount count; what lies outside the plan or came after
its decision can still lower or stop, never raise.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import pairwise
from statistics import median
from typing import Any, TypeVar

from rungwise.core.evidence import Evidence
from rungwise.core.terms import Dose, Exam, Reason, Side, other

__all__ = [
    "Course",
    "Entry",
    "FootDays",
    "Work",
    "foot_days",
    "of_foot",
    "read_entries",
    "work_of",
    "worse",
]

DONE = ("none", "part", "all")
Told = TypeVar("Told", bound=Any)
#: Days of a week [d].
WEEK = 7


@dataclass(frozen=True)
class Entry:
    """How one exercise went on one day.

    Parameters
    ----------
    on : date
        The day.
    family : str
        Which family.
    side : {"right", "left"}
        Which foot; the limiting one when ``both``.
    both : bool
        Both feet worked at once.
    done : {"all", "part", "none"}
        How much of it.
    why_not : str
        Why not all of it, if said.
    sets, reps : int
        Sets done, and repetitions of the last one [1].
    before, during, morning : int or None
        Pain 0-10 before, during, next morning [1]; None when not asked.
    sharp, warning : bool
        Sharp pain or locking; a new warning sign.
    form : bool or None
        Whether the form was right, where somebody looked.
    counts_up : bool
        Whether it may help to raise something: not when it is outside the plan, or late.
    """

    on: date
    family: str
    side: Side
    both: bool
    done: str
    why_not: str = ""
    sets: int = 0
    reps: int = 0
    before: int | None = None
    during: int | None = None
    morning: int | None = None
    sharp: bool = False
    warning: bool = False
    form: bool | None = None
    counts_up: bool = True

    @property
    def what(self) -> str:
        """The exercise and the foot in words."""
        return f"{self.family} {'both feet' if self.both else self.side + ' foot'}"


@dataclass(frozen=True)
class Course:
    """Entries in order, and how those that were not plain were read.

    Parameters
    ----------
    entries : tuple of Entry
        One for each day, exercise and foot, in the order of days.
    notes : tuple of Reason
        What was doubled, contradictory, late, or set aside.
    """

    entries: tuple[Entry, ...]
    notes: tuple[Reason, ...]


def read_entries(
    given: Iterable[Entry],
    book: Evidence,
    starts: date,
    ends: date,
    today: date,
    decided: date | None = None,
    new: Iterable[Entry] = (),
) -> Course:
    """Put the entries of a diary in order.

    Parameters
    ----------
    given : iterable of Entry
        All entries known when the last decision was made, or all there are.
    book : Evidence
        The evidence book.
    starts, ends : date
        First and last day on which the plan, with its earlier versions, was to be followed.
    today : date
        Day on which they are read; what lies after it is set aside.
    decided : date, optional
        Day of the last decision.
    new : iterable of Entry
        Entries that came after it; those of days before ``decided`` are late.

    Returns
    -------
    Course
        Nothing is dropped without a note.
    """
    notes: list[Reason] = []
    found: dict[tuple[date, str, Side, bool], list[Entry]] = {}
    known = [(entry, False) for entry in given]
    known += [(entry, decided is not None and entry.on < decided) for entry in new]
    for entry, late in known:
        ahead = not entry.counts_up
        if late:
            entry = replace(entry, counts_up=False)
            notes.append(book.reason("entry.late", what=entry.what, on=entry.on, decided=decided))
        if ahead or not starts <= entry.on <= min(ends, today):
            entry = replace(entry, counts_up=False)
            told = {"starts": starts, "ends": min(ends, today)}
            notes.append(book.reason("entry.outside", what=entry.what, on=entry.on, **told))
        found.setdefault((entry.on, entry.family, entry.side, entry.both), []).append(entry)
    entries = []
    for (on, *_), same in sorted(found.items(), key=lambda item: item[0]):
        one = same[0]
        for again in same[1:]:
            one = _worse(one, again)
        if len(same) > 1:
            alike = all(
                replace(e, counts_up=True) == replace(same[0], counts_up=True) for e in same
            )
            rule = "entry.twice" if alike else "entry.contradicts"
            notes.append(book.reason(rule, what=one.what, on=on, times=len(same)))
        entries.append(one)
    return Course(tuple(entries), tuple(notes))


def worse(a: Told, b: Told) -> Told:
    """Of two entries of the same day and exercise the higher pain and the smaller amount.

    Parameters
    ----------
    a, b : Entry or HomeEntry
        Two accounts; a value that was told counts more than none, a sharp pain or a warning sign
        more than its absence.
    """
    less = min(a, b, key=lambda e: (DONE.index(e.done), e.sets, e.reps))
    made: Told = replace(
        less,
        why_not=less.why_not or a.why_not or b.why_not,
        before=_higher(a.before, b.before),
        during=_higher(a.during, b.during),
        morning=_higher(a.morning, b.morning),
        sharp=a.sharp or b.sharp,
        warning=a.warning or b.warning,
    )
    return made


def _worse(a: Entry, b: Entry) -> Entry:
    """The same of entries of a course, which may also have been seen, or come late."""
    return replace(
        worse(a, b),
        form=False if False in (a.form, b.form) else a.form if b.form is None else b.form,
        counts_up=a.counts_up and b.counts_up,
    )


def _higher(a: int | None, b: int | None) -> int | None:
    return max((pain for pain in (a, b) if pain is not None), default=None)


# ------------------------------------------------------------------ pain of a foot, day by day


@dataclass(frozen=True)
class FootDays:
    """Pain of one foot, day by day, whatever exercise it was rated with.

    Parameters
    ----------
    usual : float or None
        Pain as usual 0-10 [1]: the lower of the examination's and the median of the last week's
        ratings before exercise, so that a slow rise never becomes usual. None when not known.
    this_week, last_week : float or None
        Mean of the days' highest ratings in the last seven days and in the seven before, that one
        at most as usual [1]; None when too few days were rated. What may not help to raise counts
        only where it makes this week's higher or last week's lower. In the first week the
        examination's pain as usual stands for the week before.
    flares : int
        Flares within the window of the book [1].
    """

    usual: float | None
    this_week: float | None
    last_week: float | None
    flares: int


def of_foot(entries: Iterable[Entry], side: Side, exam: Exam) -> list[Entry]:
    """Entries whose pain is that of a foot: of both feet at once, the more painful one's.

    A rating of an exercise for both feet is one number; it is that of the foot with the higher
    pain as usual, and of both where that is alike or not known.

    Parameters
    ----------
    entries : iterable of Entry
        Any.
    side : {"right", "left"}
        Which foot.
    exam : Exam
        The examination that tells pain as usual.
    """
    own, others = (exam.number("pain_usual_nprs", one) for one in (side, other(side)))
    spared = own is not None and others is not None and own < others
    return [e for e in entries if (not spared if e.both else e.side == side)]


def foot_days(
    entries: Sequence[Entry],
    side: Side,
    exam_usual: float | None,
    starts: date,
    today: date,
    book: Evidence,
    version: date | None = None,
) -> FootDays:
    """Read the pain of a foot day by day.

    Parameters
    ----------
    entries : sequence of Entry
        In the order of days.
    side : {"right", "left"}
        Which foot.
    exam_usual : float or None
        Pain as usual found at the examination 0-10 [1].
    starts : date
        First day of the first version of the plan.
    today : date
        Day from which the weeks are counted back.
    book : Evidence
        The evidence book, rows ``progress.*``.
    version : date, optional
        First day of the present version: what was judged before it does not lower again. By
        default that of the first version.
    """
    version = starts if version is None else version
    window = max(int(book.value("progress.flare_window_days")), 2 * WEEK)
    # a morning is one of the day after; what is older is in none of the weeks and no flare
    mine = [e for e in entries if (e.both or e.side == side) and (today - e.on).days <= window]
    sure = [e for e in mine if e.counts_up]
    days, counted = _rated(mine), _rated(sure)
    before = [e.before for e in sure if e.before is not None and 0 <= (today - e.on).days < WEEK]
    enough = int(book.value("progress.week_ratings_min"))
    usual = exam_usual
    if usual is not None and len(before) >= enough:
        usual = min(usual, float(median(before)))
    weeks: list[float | None] = []
    for back, first in ((0, version), (WEEK, date.min)):
        now = back == 0
        within = [d for d in days if back <= (today - d).days < back + WEEK and d >= first]
        rated = [(days if now else counted)[d] for d in within if d in counted]
        more = sorted((days[d] for d in within if d not in counted), reverse=now)
        weeks.append(_mean(rated, more, now) if len(rated) >= enough else None)
    first_week = (today - starts).days <= WEEK
    last_week = exam_usual if weeks[1] is None and first_week else weeks[1]
    if last_week is not None and usual is not None:
        last_week = min(last_week, usual)
    return FootDays(usual, weeks[0], last_week, _flares(days, usual, today, version, book))


def _rated(entries: Iterable[Entry]) -> dict[date, int]:
    """The highest rating of each day; a morning is one of the day after."""
    days: dict[date, int] = {}
    for e in entries:
        for day, pain in ((e.on, e.before), (e.on + timedelta(days=1), e.morning)):
            if pain is not None:
                days[day] = max(pain, days.get(day, 0))
    return days


def _mean(rated: Sequence[int], more: Sequence[int], higher: bool) -> float:
    """Mean of ratings, with those that may not help only where they make it worse."""
    total, number = sum(rated), len(rated)
    for pain in more:
        if (pain * number > total) if higher else (pain * number < total):
            total, number = total + pain, number + 1
    return total / number


def _flares(
    days: Mapping[date, int], usual: float | None, today: date, version: date, book: Evidence
) -> int:
    """Runs of days with a rating well above the usual one that last long enough.

    None when the latest was over before the present version: it was judged then.
    """
    if usual is None:
        return 0
    window, needed = book.value("progress.flare_window_days"), book.value("progress.flare_days")
    limit = usual + book.value("progress.flare_over")
    high = sorted(d for d, p in days.items() if p >= limit and 0 <= (today - d).days < window)
    count, run, latest = 0, 0, date.min
    for i, day in enumerate(high):
        run = run + 1 if i and (day - high[i - 1]).days == 1 else 1
        count += run == needed
        latest = day if run >= needed else latest
    return count if latest >= version else 0


# ------------------------------------------------------------------ work on one exercise


@dataclass(frozen=True)
class Work:
    """What was done of one exercise at its present setting.

    Parameters
    ----------
    sessions : tuple of Entry
        Days on which some of it was done, in order, only those that may count for a rise.
    since : date
        First day of the present setting.
    days : int
        Days from then to the last session [d].
    last_week : int
        Days with a session in the last seven [1].
    adherence_pct : float or None
        Sessions done as a share of those asked for [pct]; None before the first entry.
    week_pct : tuple of float
        The same of each whole week since the first day of the plan [pct].
    volume_pct : float
        Work of the last seven days at the present setting as a share of a week's [pct].
    gap_days : int
        Longest time without a session before, within or after the last sessions looked at [d].
    silent_days : int
        Days since the last entry of any kind [d].
    """

    sessions: tuple[Entry, ...]
    since: date
    days: int
    last_week: int
    adherence_pct: float | None
    week_pct: tuple[float, ...]
    volume_pct: float
    gap_days: int
    silent_days: int


def work_of(
    entries: Sequence[Entry],
    dose: Dose,
    since: date,
    starts: date,
    today: date,
    book: Evidence,
    version: date | None = None,
) -> Work:
    """Count the work on one exercise.

    Parameters
    ----------
    entries : sequence of Entry
        Those of this exercise, in the order of days.
    dose : Dose
        What was asked for.
    since, starts : date
        First day of the present setting, and of the plan's first version.
    today : date
        Day of the decision.
    book : Evidence
        The evidence book, rows ``progress.*``.
    version : date, optional
        First day of the present version; a time without a session before it was judged then. By
        default that of the first version.
    """
    version = starts if version is None else version
    looked = int(book.value("progress.sessions_min"))
    tried = [e for e in entries if e.done != "none" and e.on <= today]
    here = [
        e
        for e in tried
        if e.on >= since and e.counts_up and (e.on < today or e.morning is not None)
    ]
    passed = (today - since).days
    asked = dose.days_per_week * passed / WEEK
    done = len({e.on for e in here if e.on < today})
    adherence = None
    if entries and asked > 0:
        adherence = min(100.0, 100 * done / asked)
    week = [e for e in tried if e.on >= since and 0 < (today - e.on).days <= WEEK]
    full = dose.days_per_week * dose.sets * dose.reps
    volume = sum(max(e.sets - 1, 0) * dose.reps + e.reps for e in week)
    seen = max((e.on for e in entries if e.on <= today), default=starts)
    return Work(
        tuple(here),
        since,
        (max((e.on for e in here), default=since) - since).days,
        len({e.on for e in week if e.counts_up}),
        adherence,
        tuple(_weeks(tried, dose, starts, today)),
        100 * volume / full if full else 0.0,
        _gap([e.on for e in tried if e.on >= version and e.counts_up], looked, version, today),
        (today - seen).days,
    )


def _weeks(tried: Sequence[Entry], dose: Dose, starts: date, today: date) -> Iterator[float]:
    """Share of the sessions asked for in each whole week [pct]."""
    done = Counter((on - starts).days // WEEK for on in {e.on for e in tried})
    for week in range((today - starts).days // WEEK):
        yield min(100.0, 100 * done[week] / dose.days_per_week)


def _gap(days: Sequence[date], looked: int, version: date, today: date) -> int:
    """Longest time without a session since the last decision, around the last ones [d]."""
    marks = [*days[-looked:], today] if len(days) > looked else [version, *days, today]
    return max((b - a).days for a, b in pairwise(marks))
