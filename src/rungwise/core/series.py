"""Bring readings of several days together before they are judged; what differs in kind is refused.

Readings of one day share their error and become one; days stand for themselves.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import isfinite, sqrt
from statistics import fmean

from rungwise.core.change import Change, judge_change, known_error
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, printed
from rungwise.core.terms import Measured, Side

__all__ = [
    "DayMean",
    "Series",
    "Taken",
    "judge_pain_weeks",
    "judge_series",
    "mixed",
    "one_series",
    "week_of",
]

WAYS = ("measure", "side", "method", "instrument", "zero")
Way = tuple[str | None, ...]


@dataclass(frozen=True)
class Taken:
    """One reading and who took it.

    Parameters
    ----------
    found : Measured
        The reading, with its way.
    rater : str or None
        Who read; None is not known, and counts as another person each time.
    """

    found: Measured
    rater: str | None = None


@dataclass(frozen=True)
class Series:
    """Readings of one measure, all taken in one way, one value for each day.

    Parameters
    ----------
    measure : str
        Key of the measure.
    side : {"right", "left"} or None
        Which foot.
    method, instrument, zero, rater : str or None
        How, with what, from which zero, by whom.
    days : tuple of (date, float)
        Each day and the mean of its readings, in the unit of the measure, oldest first.
    owns : tuple of float or None
        Standard error that measuring aids gave with the readings of each day, in the unit of the
        measure; None for a day without.
    """

    measure: str
    side: Side | None
    method: str | None
    instrument: str | None
    zero: str | None
    rater: str | None
    days: tuple[tuple[date, float], ...]
    owns: tuple[float | None, ...] = ()

    @property
    def mean(self) -> float:
        """Mean of the days, in the unit of the measure."""
        return fmean(value for _, value in self.days)


@dataclass(frozen=True)
class DayMean:
    """Mean of daily pain ratings in a window.

    Parameters
    ----------
    pain_nprs : float
        Mean [0–10].
    days : int
        How many days were rated [1].
    first, last : date
        The window, both ends included.
    """

    pain_nprs: float
    days: int
    first: date
    last: date


def one_series(readings: Sequence[Taken], book: Evidence) -> Series:
    """Make one series of readings, or refuse.

    Parameters
    ----------
    readings : sequence of Taken
        In any order.
    book : Evidence
        The book.

    Raises
    ------
    InputError
        Names each of measure, side, method, instrument and zero that is mixed, and the rater
        where the book has another error for another rater; no readings; a value that is no
        number.

    Notes
    -----
    Photographs of one day share lens, card and marks: the error of their mean is taken as their
    mean square, not made smaller by their number.
    """
    if not readings:
        fault = Fault("readings", "none", "at least one", "Measure.")
        raise InputError("series", (fault,))
    first = readings[0].found
    faults = list(mixed(one.found for one in readings))
    raters = {one.rater for one in readings}
    if len(raters) > 1 and _rater_matters(first, book):
        faults.append(_fault("rater", raters, "one in a series"))
    faults += [
        Fault(f"reading of {one.found.on}", repr(one.found.value), "a number", "Measure again.")
        for one in readings
        if isinstance(one.found.value, str | bool) or not isfinite(one.found.value)
    ]
    if faults:
        raise InputError("series", tuple(faults))
    days: dict[date, list[float]] = {}
    owns: dict[date, list[float | None]] = {}
    for one in sorted(readings, key=lambda one: one.found.on):
        days.setdefault(one.found.on, []).append(float(one.found.value))
        owns.setdefault(one.found.on, []).append(one.found.sem)
    return Series(
        first.measure,
        first.side,
        first.method,
        first.instrument,
        first.zero,
        raters.pop() if len(raters) == 1 else None,
        tuple((on, fmean(values)) for on, values in days.items()),
        tuple(map(_shared, owns.values())),
    )


def _shared(owns: Sequence[float | None]) -> float | None:
    """Mean square of the errors of one day; None when a reading came without."""
    known = [own**2 for own in owns if own is not None]
    return sqrt(fmean(known)) if len(known) == len(owns) else None


def judge_series(before: Series, after: Series, book: Evidence) -> Change:
    """Whether a measure has changed from one series of days to a later one.

    Parameters
    ----------
    before, after : Series
        Taken in one and the same way; two raters, or one that is not known, make the error that
        of two raters.
    book : Evidence
        The book.

    Raises
    ------
    InputError
        Names each part of the way that differs; series whose days overlap.
    """
    faults = list(mixed((before, after), "the same before and after"))
    if before.days[-1][0] >= after.days[0][0]:
        given = f"before until {before.days[-1][0]}, after from {after.days[0][0]}"
        faults.append(Fault("days", given, "no day in both, before first", "Choose the days."))
    if faults:
        raise InputError("change", tuple(faults))
    same = before.rater is not None and before.rater == after.rater
    errors = [
        known_error(
            one.measure,
            book,
            one.method,
            one.instrument,
            "same_rater" if same else "other_rater",
            one.owns,
        )
        for one in (before, after)
    ]
    measure = book.measures.get(before.measure)
    return judge_change(
        before.mean,
        after.mean,
        errors[0],
        book,
        before.measure,
        days_before=len(before.days),
        days_after=len(after.days),
        unit="1" if measure is None else measure.unit,
        error_after=errors[-1],
    )


def week_of(ratings: Mapping[date, float], last: date, book: Evidence) -> DayMean:
    """Mean of the pain ratings of the window that ends on a day.

    Parameters
    ----------
    ratings : mapping of date to float
        One rating a day [0–10].
    last : date
        Last day of the window.
    book : Evidence
        The book, with rows ``change.nprs.mean.window_days`` and ``.min_days``.

    Raises
    ------
    InputError
        When too few days were rated: days that are missing are never filled in. Also for a
        rating outside 0–10.
    """
    length = int(book.value("change.nprs.mean.window_days"))
    first = last - timedelta(days=length - 1)
    found = {on: value for on, value in ratings.items() if first <= on <= last}
    faults = [
        Fault(f"pain of {on}", str(value), "0 to 10", "Ask again.")
        for on, value in found.items()
        if not 0 <= value <= 10
    ]
    least = book.row("change.nprs.mean.min_days")
    if len(found) < least.value:
        allowed = f"at least {printed(least.value, least.unit)} of {length}"
        remedy = "Rate more days; none is filled in."
        faults.append(Fault("rated days", f"{len(found)} until {last}", allowed, remedy))
    if faults:
        raise InputError("mean of pain", tuple(faults))
    return DayMean(fmean(found.values()), len(found), first, last)


def judge_pain_weeks(before: DayMean, after: DayMean, book: Evidence) -> Change:
    """Whether mean pain has changed from one window of days to a later one.

    Raises
    ------
    InputError
        When the windows share a day, or stand in the wrong order.

    Notes
    -----
    The error of a mean is the noise of days over √days, and never below the error of one rating
    against another of the next day.
    """
    if before.last >= after.first:
        given = f"before until {before.last}, after from {after.first}"
        fault = Fault("days", given, "no day in both, before first", "Choose the weeks.")
        raise InputError("change", (fault,))
    return judge_change(
        before.pain_nprs,
        after.pain_nprs,
        known_error("nprs.mean", book),
        book,
        "nprs.mean",
        days_before=before.days,
        days_after=after.days,
    )


def _way(one: Measured | Series) -> Way:
    return (one.measure, one.side, one.method, one.instrument, one.zero)


def mixed(
    readings: Iterable[Measured | Series], allowed: str = "one in a series"
) -> Iterator[Fault]:
    """A fault for each part of the way that is not the same throughout.

    Parameters
    ----------
    readings : iterable of Measured or Series
        None mixes nothing.
    allowed : str
        What is allowed, for the fault.
    """
    ways = {_way(one) for one in readings}
    if len(ways) < 2:
        return
    for name, found in zip(WAYS, zip(*ways, strict=True), strict=True):
        if len(set(found)) > 1:
            yield _fault(name, set(found), allowed)


def _fault(name: str, found: set[str | None], allowed: str) -> Fault:
    given = ", ".join(sorted("not known" if part is None else part for part in found))
    return Fault(name, given, allowed, "Judge each way by itself: they do not compare.")


def _rater_matters(found: Measured, book: Evidence) -> bool:
    """Whether the book knows another error for another rater."""
    way = (found.measure, book, found.method, found.instrument)
    return known_error(*way, "same_rater") != known_error(*way, "other_rater")
