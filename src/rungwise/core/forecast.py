"""What the readings so far let one expect: the true value now, its change, and where it may go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from itertools import pairwise
from math import erfc, inf, isfinite, pi, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Row, printed
from rungwise.core.reasons import with_row
from rungwise.core.series import mixed
from rungwise.core.terms import Measured, Reason
from rungwise.core.trend import Series, State, ahead, last_states

__all__ = ["GUESSED", "Band", "Fan", "Forecast", "NotYet", "forecast", "series_of"]

Values = NDArray[np.float64]
#: What is not known of the true value, and guessed in every size: how much it wanders, how much its
#: change a day wanders, and that change at the start.
GUESSED = ("trend.level_noise", "trend.slope_noise", "trend.steepness")
#: Sizes tried of each, beside none at all.
SIZES = 2 * 2 + 1
#: Halvings of an interval, after which two exact steps hold more digits than any reading.
HALVINGS = 10 + 2
#: A guess this unlikely beside the likeliest is left out.
UNLIKELY = 0.5 ** (2 * 10)
LEVELS = ("narrow", "middle", "wide")
_erfc = np.frompyfunc(erfc, 1, 1)


@dataclass(frozen=True)
class Band:
    """Where the true value lies with a stated probability.

    Parameters
    ----------
    probability_pct : float
        How probable [%].
    low, high : tuple of float
        Its ends on each date, in the unit of the measure; as much lies below as above.
    """

    probability_pct: float
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True)
class Fan:
    """The true value to come, date by date: what a fan chart draws.

    Parameters
    ----------
    dates : tuple of date
        The day of the last reading, then the days asked for.
    median : tuple of float
        As likely above as below, in the unit of the measure.
    bands : tuple of Band
        From narrow to wide.
    """

    dates: tuple[date, ...]
    median: tuple[float, ...]
    bands: tuple[Band, ...]


@dataclass(frozen=True)
class NotYet:
    """Too few readings for a forecast.

    Parameters
    ----------
    readings, missing : int
        How many there are, and how many more it takes [1].
    reasons : tuple of Reason
        Why.
    """

    readings: int
    missing: int
    reasons: tuple[Reason, ...]


@dataclass(frozen=True)
class Forecast:
    """What the readings so far let one expect.

    Parameters
    ----------
    value : float
        True value on the day of the last reading, as likely above as below, in the unit of the
        measure.
    fan : Fan
        The same with its bands, and the days to come.
    p_better : float
        Probability that the true value is better than on the day of the first reading [1].
    p_worthwhile : float or None
        Probability that it is better by at least the worthwhile amount [1]; None without one.
    p_target : float or None
        Probability that it is at the target or beyond on the target's day [1]; None without one,
        and when the widest band of that day leaves the scale.
    reasons : tuple of Reason
        Why, and what was assumed.
    """

    value: float
    fan: Fan
    p_better: float
    p_worthwhile: float | None
    p_target: float | None
    reasons: tuple[Reason, ...]


def forecast(
    readings: Sequence[Measured],
    sem: Row,
    book: Evidence,
    better: Literal["higher", "lower"],
    *,
    dates: Sequence[date] = (),
    worthwhile: Row | None = None,
    target: float | None = None,
    by: date | None = None,
    scale: tuple[float, float] | None = None,
) -> Forecast | NotYet:
    """What a series of readings lets one expect, every doubt counted.

    Parameters
    ----------
    readings : sequence of Measured
        Readings of one measure of one foot, taken in one and the same way, at most one a day.
    sem : Row
        Standard error of one of them, in the unit of the measure.
    book : Evidence
        The book.
    better : {"higher", "lower"}
        Which way is better.
    dates : sequence of date
        Days for the fan, after the last reading.
    worthwhile : Row, optional
        Size of a change that people call better; its sign is not looked at.
    target : float, optional
        Value to be reached, in the unit of the measure; with ``by``.
    by : date, optional
        Day of the target, after the last reading.
    scale : (float, float), optional
        Lowest and highest value that there can be; by default those of the measure.

    Returns
    -------
    Forecast or NotYet
        NotYet with fewer readings than the book asks for.

    Raises
    ------
    InputError
        For readings that do not belong in one series, a day that is not to come, or a target
        without a day.

    Notes
    -----
    A local linear trend with the known error of the readings. How much the true value and its
    change a day wander, and how large that change was at the start (around 0), is not taken as
    known: sizes from a grid are weighed by the likelihood of the readings under each, every one
    as probable as the next before, none at all among them. What is told is the mixture, so the
    bands hold that doubt too. Grid: `SIZES` steps of equal ratio over the range of each row of
    `GUESSED`, in multiples of the SEM, and 0. Bands are of the true value; a reading scatters by
    its own error on top. Nothing is assumed of the true value at the start.

    Sources
    -------
    Rows ``trend.*`` of the book; durbin_koopman_2012, harvey_1989.
    """
    series, start, last = series_of(readings, sem)
    _check(last, dates, target, by)
    least = int(book.value("trend.readings_min"))
    count = len(series.days)
    if count < least:
        missing = least - count
        why = book.reason("trend.too_few", count=count, missing=missing)
        return NotYet(count, missing, (why,))
    levels, slopes, steepness = _guesses(sem.value, book)
    states, likelihoods = last_states(series, "trend", levels, slopes, steepness)
    weights = np.exp(likelihoods - np.max(likelihoods))
    kept = weights > UNLIKELY
    levels, slopes, weights = levels[kept], slopes[kept], weights[kept] / weights[kept].sum()
    state = State(*(np.asarray(part)[kept] for part in states))
    sign = 1.0 if better == "higher" else -1.0
    days = (last, *sorted(set(dates)))
    at = [ahead(state, (day - last).days, levels, slopes) for day in days]
    fan = _fan(days, at, weights, book)
    gain = sign * (np.asarray(state.level) - state.first)
    doubt = np.asarray(state.level_variance + state.first_variance - 2 * state.first_covariance)
    p_better = _above(0.0, gain, doubt, weights)
    p_worthwhile = p_target = None
    unit = sem.unit
    reasons = [
        with_row(
            book.reason(
                "trend.now",
                count=count,
                days=series.days[-1],
                sem=printed(sem.value, unit),
                value=_told(fan.median[0], unit),
                low=_told(fan.bands[-1].low[0], unit),
                high=_told(fan.bands[-1].high[0], unit),
            ),
            sem,
        ),
        book.reason("trend.better", better=better, first=str(start), p=_percent(p_better)),
    ]
    if worthwhile is not None:
        amount = abs(worthwhile.value)
        p_worthwhile = _above(amount, gain, doubt, weights)
        told = book.reason(
            "trend.worthwhile", amount=printed(amount, worthwhile.unit), p=_percent(p_worthwhile)
        )
        reasons.append(with_row(told, worthwhile))
    ends = scale or _ends(readings[0].measure, book)
    wide = fan.bands[-1]
    low, high = min(wide.low), max(wide.high)
    if target is not None and by is not None:
        then = ahead(state, (by - last).days, levels, slopes)
        of_day = _fan((by,), [then], weights, book).bands[-1]
        low, high = min(low, *of_day.low), max(high, *of_day.high)
        if ends[0] <= of_day.low[0] <= of_day.high[0] <= ends[1]:
            reached = sign * (np.asarray(then.level) - target)
            p_target = _above(0.0, reached, np.asarray(then.level_variance), weights)
            chance = {"target": printed(target, unit), "by": str(by), "p": _percent(p_target)}
            reasons.append(book.reason("trend.target", **chance))
        else:
            span = {"low": _told(of_day.low[0], "1"), "high": _told(of_day.high[0], unit)}
            told_ends = {"least": printed(ends[0], "1"), "most": printed(ends[1], unit)}
            reasons.append(book.reason("trend.no_chance", by=str(by), **span, **told_ends))
    if low < ends[0] or high > ends[1]:
        told_scale = {"low": printed(ends[0], unit), "high": printed(ends[1], unit)}
        reasons.append(book.reason("trend.off_scale", **told_scale))
    return Forecast(fan.median[0], fan, p_better, p_worthwhile, p_target, tuple(reasons))


def _ends(measure: str, book: Evidence) -> tuple[float, float]:
    """Lowest and highest value of a measure; without end where the book says none."""
    spec = book.measures.get(measure)
    if spec is None or spec.low is None or spec.high is None:
        return -inf, inf
    return spec.low, spec.high


def series_of(readings: Sequence[Measured], sem: Row) -> tuple[Series, date, date]:
    """One series from readings, with its first and last day; what does not belong is refused.

    Parameters
    ----------
    readings : sequence of Measured
        In any order.
    sem : Row
        Standard error of one of them, in the unit of the measure.

    Raises
    ------
    InputError
        Naming each mix (measure, side, method, instrument, zero), each value that is no finite
        number and each day with more than one reading; or when there is no reading at all.
    """
    faults = list(mixed(readings))
    ordered = sorted(readings, key=lambda reading: reading.on)
    values = []
    for reading in ordered:
        value = reading.value
        if isinstance(value, bool | str) or not isfinite(value):
            faults.append(Fault(str(reading.on), str(value), "a finite number", "Measure again."))
        else:
            values.append(float(value))
    for earlier, later in pairwise(ordered):
        if earlier.on == later.on:
            remedy = "Repeats of one day share their error: give their mean."
            faults.append(Fault(str(later.on), "more than one", "one reading a day", remedy))
    if not (isfinite(sem.value) and sem.value > 0):
        faults.append(Fault(sem.key, str(sem.value), "a number above 0", "Mend the row."))
    if not ordered:
        faults.append(Fault("readings", "none", "at least one", "Measure first."))
    if faults:
        raise InputError("series", tuple(faults))
    start, last = ordered[0].on, ordered[-1].on
    days = tuple((reading.on - start).days for reading in ordered)
    return Series(days, tuple(values), (sem.value**2,) * len(days)), start, last


def _check(last: date, dates: Sequence[date], target: float | None, by: date | None) -> None:
    faults = [
        Fault(
            "dates" if day in dates else "by", str(day), f"a day after {last}", "Give a later day."
        )
        for day in dict.fromkeys((*dates, *([] if by is None else [by])))
        if day <= last
    ]
    if (target is None) != (by is None):
        faults.append(Fault("target", f"{target} by {by}", "both or neither", "Give both."))
    if target is not None and not isfinite(target):
        faults.append(Fault("target", str(target), "a finite number", "Give a value."))
    if faults:
        raise InputError("forecast", tuple(faults))


def _guesses(sem: float, book: Evidence) -> tuple[Values, Values, Values]:
    """Variances of each kind in `GUESSED`, every combination of the grid (m,)."""
    sizes = [
        np.concatenate([[0.0], np.geomspace(book.low(key), book.high(key), SIZES)])
        for key in GUESSED
    ]
    levels, slopes, steepness = (((sem * part) ** 2).ravel() for part in np.meshgrid(*sizes))
    return levels, slopes, steepness


def _fan(days: tuple[date, ...], at: Sequence[State], weights: Values, book: Evidence) -> Fan:
    means = np.array([np.asarray(state.level) for state in at])
    spreads = np.sqrt(np.array([np.asarray(state.level_variance) for state in at]))
    rows = [book.value(f"trend.band.{level}_pct") for level in LEVELS]
    tails = [(1 - pct / 100) / 2 for pct in rows]
    found = _quantiles([0.5, *tails, *(1 - tail for tail in tails)], means, spreads, weights)
    lows, highs = found[1 : 1 + len(rows)], found[1 + len(rows) :]
    bands = zip(rows, lows, highs, strict=True)
    return Fan(
        days,
        tuple(map(float, found[0])),
        tuple(Band(pct, tuple(map(float, a)), tuple(map(float, b))) for pct, a, b in bands),
    )


def _quantiles(
    probabilities: Sequence[float], means: Values, spreads: Values, weights: Values
) -> Values:
    """Quantiles (q, days) of mixtures of normals with means and spreads (days, m).

    Halving by a table, then two exact steps along the density.
    """
    wanted = np.array(probabilities)[:, None]
    most = 10 * spreads
    low = np.broadcast_to((means - most).min(axis=1), (len(wanted), len(means)))
    high = np.broadcast_to((means + most).max(axis=1), low.shape)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        below = np.interp((means - middle[..., None]) / spreads, *_table()) @ weights < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    found: Values = (low + high) / 2
    for _ in range(2):
        z = (means - found[..., None]) / spreads
        density = (np.exp(-z * z / 2) / spreads) @ weights / sqrt(2 * pi)
        found = np.clip(found - (_half_erfc(z) @ weights - wanted) / density, low, high)
    return found


@cache
def _table() -> tuple[Values, Values]:
    """Standard normal values and the probability to exceed each, to 1e-6."""
    z = np.linspace(-10.0, 10.0, 10 * 1000 + 1)
    return z, _half_erfc(z)


def _half_erfc(z: Values) -> Values:
    """Probability that a standard normal value exceeds z."""
    found: Values = np.asarray(_erfc(z / sqrt(2)), np.float64) / 2
    return found


def _above(limit: float, means: Values, variances: Values, weights: Values) -> float:
    """Probability that a mixture of normals exceeds a limit; what cannot vary exceeds or not.

    A variance that only rounding keeps from 0 counts as 0.
    """
    dust = np.finfo(np.float64).eps * 100
    over = means - limit
    fixed = variances <= dust * (1 + over * over)
    spreads = np.sqrt(np.where(fixed, 1.0, variances))
    chance = np.where(fixed, over > dust, _half_erfc(-over / spreads))
    return float(np.clip(chance @ weights, 0, 1))


def _told(value: float, unit: str) -> str:
    """A value that was computed: no more digits than it deserves."""
    return printed(float(f"{value:.3g}"), unit)


def _percent(probability: float) -> str:
    """A probability in words that never say never or surely."""
    pct = round(100 * probability)
    if pct < 1:
        return "under 1 %"
    return "over 99 %" if pct > 100 - 1 else f"{pct} %"
