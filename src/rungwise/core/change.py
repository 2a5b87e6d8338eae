"""Tell a real change from the error of measuring, and a worthwhile one from a merely real one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import copysign, erfc, hypot, isfinite, nan, sqrt
from statistics import NormalDist, fmean
from typing import Literal

from rungwise.core.bend import photograph_error
from rungwise.core.detect import NORMAL, ReadingError, limit_z, readings_needed
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Row, printed
from rungwise.core.reasons import with_row
from rungwise.core.terms import PHOTOGRAPH, Reason

__all__ = ["LEVELS", "WORTHWHILE", "Change", "better_of", "judge_change", "known_error"]

Verdict = Literal["within error", "beyond error", "beyond error and worthwhile", "error not known"]
Rater = Literal["same_rater", "other_rater"]
#: Sizes that people tell apart, smallest first, and what they are called.
LEVELS = {
    "minimal": "minimally better",
    "small": "a small gain",
    "medium": "a medium gain",
    "large": "a large gain",
    "much_better": "much better",
}
#: From which of them on a change is worthwhile: the first that the book holds for the measure.
WORTHWHILE = ("much_better", "medium", "minimal")
#: Decimals kept before a change is held against its limit, so that dust does not pass it.
DIGITS = 10


@dataclass(frozen=True)
class Change:
    """A change between two occasions, and what may be said of it.

    Where the error is not known, every number that needs it is NaN or None.

    Parameters
    ----------
    difference : float
        After minus before, in the unit of the measure.
    share_pct : float
        The same as a share of the first value [%]; NaN when that was 0.
    z : float
        Difference over its own standard error [1].
    p_two_sided : float
        Chance of a difference as large by error alone [1].
    mdc90, mdc95 : float
        Largest difference that counts as error, at 90 % and at the book's confidence, in the
        unit of the measure.
    low, high : float
        Ends of the interval of the true change at that confidence, in the unit of the measure.
    chance_better : float
        Chance that the true change is for the better; for a measure without a better side, that
        it is a rise [1].
    chance_worthwhile : float or None
        Chance that the true change is at least the worthwhile amount [1]; None when the book has
        none.
    size : str or None
        Highest of `LEVELS` reached for the better, "less" for none; None when the book has none.
    settle : int or None
        On how many more days to read, so that a true change of this size would be seen; None
        when it is settled, or no number that is still proposed is enough [1].
    verdict : str
        Within error, beyond error, or beyond error and worthwhile; or that the error is not known.
    reasons : tuple of Reason
        Why.
    """

    difference: float
    share_pct: float
    z: float
    p_two_sided: float
    mdc90: float
    mdc95: float
    low: float
    high: float
    chance_better: float
    chance_worthwhile: float | None
    size: str | None
    settle: int | None
    verdict: Verdict
    reasons: tuple[Reason, ...]


def known_error(
    measure: str,
    book: Evidence,
    method: str | None = None,
    instrument: str | None = None,
    rater: Rater = "same_rater",
    owns: Sequence[float | None] = (),
) -> ReadingError | None:
    """The error of one reading of a measure taken in one way; None when the book has none.

    Parameters
    ----------
    measure : str
        A measure of the examination, ``nprs``, ``nprs.mean`` for a mean of days, or a form.
    book : Evidence
        The book, with rows ``rom.sem.<method>.<instrument>.<rater>`` for the bend and
        ``change.<measure>.sem``, with ``.<rater>`` where that matters.
    method, instrument : str or None
        How and with what the bend was read. No other way's error is put in the place of one
        that is not known.
    rater : {"same_rater", "other_rater"}
        Whether one person read both times.
    owns : sequence of float or None
        Standard error that came with the photograph of each day, in the unit of the measure; None
        for a day without.

    Notes
    -----
    A mean of pain ratings is never held to be better than one of them is published to be. A day's
    photograph has the error √(position² + own²), never less than its way's own row; over several
    days their mean square counts, so that the error of the mean is √(Σ error²) / days.
    """
    name = _plain(measure)
    if name == "nprs.mean":
        return ReadingError(book.row("change.nprs.mean.day_noise"), book.row("change.nprs.sem"))
    if name == next((key for key, one in book.measures.items() if one.zeros), None):
        row = book.rows.get(f"rom.sem.{method}.{instrument}.{rater}")
    else:
        row = book.rows.get(f"change.{name}.sem.{rater}", book.rows.get(f"change.{name}.sem"))
    if row is None:
        return None
    if instrument == PHOTOGRAPH:
        row = _photographed(row, owns or (None,), book)
    return ReadingError(row, row if name == "nprs" else None)


def _photographed(row: Row, owns: Sequence[float | None], book: Evidence) -> Row:
    """The row with the error of the days' photographs, each never below the row itself."""
    days = [max(photograph_error(own, book), row, key=lambda one: one.value) for own in owns]
    whole = sqrt(fmean(one.value**2 for one in days))
    return replace(max(days, key=lambda one: one.value), value=whole)


def better_of(measure: str | None, book: Evidence) -> int | None:
    """Which way is better: 1 up, -1 down, None when the book does not say."""
    name = None if measure is None else _plain(measure)
    for level in (*LEVELS, "better"):
        row = book.rows.get(f"change.{_sized(name)}.{level}")
        if row is not None:
            return int(copysign(1, row.value))
    return None


def judge_change(
    before: float,
    after: float,
    error: Row | ReadingError | None,
    book: Evidence,
    measure: str | None = None,
    *,
    days_before: int = 1,
    days_after: int = 1,
    unit: str = "1",
    error_after: ReadingError | None = None,
) -> Change:
    """Whether a measure has changed by more than error, and by enough to matter.

    Parameters
    ----------
    before, after : float
        The two values, or the two means of days, taken in one and the same way, in the unit of
        ``error``.
    error : Row or ReadingError or None
        Standard error of one value (`known_error`); None when it is not known.
    book : Evidence
        The book.
    measure : str, optional
        Name under which the book holds ``change.<measure>.<level>``: sizes that people call
        better, signed (minus: lower is better). Without it nothing is ever called worthwhile.
    days_before, days_after : int
        On how many different days each value was read [1].
    unit : str
        Unit in which to print when the error is not known.
    error_after : ReadingError, optional
        Error of one later value, where it is another than of one before.

    Returns
    -------
    Change
        A change that equals the error is within it. Worthwhile asks for the first of
        `WORTHWHILE` that the book holds, as points and, where there is one, as a share; to reach
        it is enough. Where the error is not known nothing is claimed.

    Raises
    ------
    InputError
        For a value that is no finite number, days below 1, or an error that is not above 0.

    Notes
    -----
    s² = s_b² + s_a², each the error of that mean; z = (after - before) / s, p = erfc(|z| / √2),
    MDC = z95 s. The true change is taken as normal around the one read with error s, as if
    nothing else were known. Errors are taken as normal and independent; so it does not hold for
    repeats of one session. A share is of the first value as read.

    Sources
    -------
    Rows ``change.*`` of the book.
    """
    if isinstance(error, Row):
        error = ReadingError(error)
    _check(before, after, error, unit, days_before, days_after)
    difference = round(after - before, DIGITS)
    share = 100 * difference / abs(before) if before else nan
    if error is None:
        return _no_claim(before, after, difference, share, unit, book)
    sem = error.sem
    later = error_after or error
    worse = max(error, later, key=lambda one: one.day)
    spread = hypot(error.of_mean(days_before), later.of_mean(days_after))
    true = NormalDist(difference, spread)
    limit = limit_z(book) * spread
    z = difference / spread
    p = erfc(abs(z) / sqrt(2))
    beyond = abs(difference) > round(limit, DIGITS)
    shown = _signed(difference, sem.unit)
    better = better_of(measure, book) or 1
    told = book.reason(
        "change.beyond" if beyond else "change.within",
        before=_short(before, sem.unit),
        after=_short(after, sem.unit),
        difference=shown,
        days=f"{days_before} and {days_after}",
        sem=" and ".join(
            dict.fromkeys(printed(float(f"{e.day:.3g}"), sem.unit) for e in (error, later))
        ),
        mdc=printed(float(f"{limit:.3g}"), sem.unit),
        z=f"{z:.2f}",
        p=f"{p:.2g}",
    )
    reasons = [later.rests(error.rests(told))]
    sizes = list(_sizes(measure, difference, share, shown, book))
    reached = [level for level, enough, _ in sizes if enough]
    told_of = [why for level, enough, why in sizes if not enough or level == reached[-1]]
    reasons += told_of or [book.reason("change.no_limit")]
    wanted = _worthwhile(measure, before, book)
    worthwhile = next((n in reached for n in WORTHWHILE if n in [s for s, *_ in sizes]), False)
    likely = None if wanted is None else _chance(true, wanted, better)
    chance = _chance(true, 0.0, better)
    low, high = difference - limit, difference + limit
    reasons.append(
        book.reason(
            "change.likely" if likely is not None else "change.likely_better",
            low=_signed(float(f"{low:.3g}"), sem.unit),
            high=_signed(float(f"{high:.3g}"), sem.unit),
            side="for the better" if better_of(measure, book) else "a rise",
            better=_percent(chance),
            worthwhile="" if likely is None else _percent(likely),
        )
    )
    if measure is not None and _plain(measure) == "nprs":
        reasons.append(book.reason("change.one_rating"))
    settle = None
    if not beyond and difference:
        if worthwhile:
            reasons.append(book.reason("change.worthwhile_within"))
        settle, why = _settle(abs(difference), worse, days_before, days_after, book)
        reasons.append(why)
    verdict: Verdict = "within error"
    if beyond:
        verdict = "beyond error and worthwhile" if worthwhile else "beyond error"
    size = (reached or ["less"])[-1] if sizes else None
    mdc90 = limit_z(book, "change.confidence_low_pct") * spread
    return Change(
        difference, share, z, p, mdc90, limit, low, high, chance, likely, size, settle, verdict,
        tuple(reasons),
    )  # fmt: skip


def _no_claim(
    before: float, after: float, difference: float, share: float, unit: str, book: Evidence
) -> Change:
    """A change of which nothing may be said, since the error is not known."""
    told = book.reason(
        "change.no_error",
        before=_short(before, unit),
        after=_short(after, unit),
        difference=_signed(difference, unit),
    )
    return Change(
        difference, share, nan, nan, nan, nan, nan, nan, nan, None, None, None,
        "error not known", (told,),
    )  # fmt: skip


def _settle(
    gain: float, error: ReadingError, before: int, after: int, book: Evidence
) -> tuple[int | None, Reason]:
    """How many more days would show a true change of this size, and how to say it."""
    most = book.value("detect.most_days")
    size = _short(gain, error.sem.unit)
    needed = readings_needed(gain, error, book, before)
    if needed is not None and needed - after <= most:
        more = max(1, needed - after)
        return more, book.reason("change.settle", more=more, before=before, difference=size)
    both = readings_needed(gain, error, book)
    if both is not None and both <= most:
        return None, book.reason("change.settle_anew", days=both, before=before, difference=size)
    return None, book.reason("change.settle_not", difference=size)


def _plain(measure: str) -> str:
    """Ratings of pain share one name, whatever was rated."""
    return "nprs" if measure.endswith("_nprs") else measure


def _sized(name: str | None) -> str | None:
    """Name under which the sizes stand: a mean of days is held against those of a rating."""
    return name.removesuffix(".mean") if name else name


def _sizes(
    measure: str | None, difference: float, share: float, shown: str, book: Evidence
) -> Iterator[tuple[str, bool, Reason]]:
    """Each level that the book holds for the measure, whether it is reached, and why."""
    name = None if measure is None else _sized(_plain(measure))
    for level, words in LEVELS.items():
        row = book.rows.get(f"change.{name}.{level}")
        if row is None:
            continue
        part = book.rows.get(f"change.{name}.{level}_pct")
        enough = _reaches(difference, row.value)
        limit = printed(row.value, row.unit)
        if part is not None:
            enough = enough and _reaches(round(share, DIGITS), part.value)
            limit += f" and {printed(part.value, part.unit)}"
        rule = "change.reached" if enough else "change.short"
        reason = with_row(book.reason(rule, difference=shown, size=words, limit=limit), row)
        yield level, enough, reason if part is None else with_row(reason, part)


def _worthwhile(measure: str | None, before: float, book: Evidence) -> float | None:
    """The change from which on it is worthwhile, signed; the larger of points and share."""
    name = None if measure is None else _sized(_plain(measure))
    for level in WORTHWHILE:
        row = book.rows.get(f"change.{name}.{level}")
        if row is not None:
            part = book.rows.get(f"change.{name}.{level}_pct")
            share = 0.0 if part is None else part.value / 100 * abs(before)
            return copysign(max(abs(row.value), abs(share)), row.value)
    return None


def _reaches(change: float, limit: float) -> bool:
    """Whether a change is at least the limit, in the limit's own direction; NaN never is."""
    return change * copysign(1, limit) >= abs(limit)


def _chance(true: NormalDist, limit: float, better: int) -> float:
    """Chance that the true change lies on the better side of a limit [1]."""
    return NORMAL.cdf(better * (true.mean - limit) / true.stdev)


def _percent(chance: float) -> str:
    """A chance in whole hundredths, never told as certain."""
    return f"{min(max(100 * chance, 1), 100 - 1):.0f} %"


def _short(value: float, unit: str) -> str:
    """A value with two decimals at most: a mean of days has no more to say."""
    return printed(round(value, 2), unit)


def _signed(value: float, unit: str) -> str:
    return ("+" if value > 0 else "") + _short(value, unit)


def _check(before: float, after: float, error: ReadingError | None, unit: str, *days: int) -> None:
    unit = unit if error is None else error.sem.unit
    given = {"before": before, "after": after}
    faults = [
        Fault(name, str(value), f"a finite number [{unit}]", "Measure again.")
        for name, value in given.items()
        if not isfinite(value)
    ]
    if error is not None and not (isfinite(error.sem.value) and error.sem.value > 0):
        faults.append(
            Fault(error.sem.key, str(error.sem.value), "a number above 0", "Mend the row.")
        )
    faults += [
        Fault(f"days_{name}", str(count), "a whole number from 1", "Count the days.")
        for name, count in zip(given, days, strict=True)
        if count < 1
    ]
    if faults:
        raise InputError("change", tuple(faults))
