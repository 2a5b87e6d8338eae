"""A clinic's own error of measuring, from two readings of a few feet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan, sqrt
from statistics import fmean, stdev
from typing import Literal

from rungwise.core.detect import limit_z
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Row, printed
from rungwise.core.quantiles import chi_square_quantile, t_quantile
from rungwise.core.reasons import with_row
from rungwise.core.terms import Reason

__all__ = ["Icc", "OwnError", "intraclass", "override_text", "own_error"]


@dataclass(frozen=True)
class Icc:
    """Intraclass correlations of one table, single readings.

    Parameters
    ----------
    one_way : float
        ICC(1,1): each foot read by other raters [1].
    agreement : float
        ICC(2,1): raters drawn at random, their differences count as error [1].
    consistency : float
        ICC(3,1): these raters only, a constant difference between them is no error [1].
    error_variance : float
        Mean square of the residual, in the square of the unit.
    """

    one_way: float
    agreement: float
    consistency: float
    error_variance: float


@dataclass(frozen=True)
class OwnError:
    """What two readings of each foot say about the error of one.

    Parameters
    ----------
    feet : int
        How many [1].
    icc : Icc
        Agreement and consistency.
    sem : float
        Standard error of one reading from the paired differences, in the unit of the readings;
        a constant difference between first and second reading is not in it.
    low, high : float
        Its exact interval, in the same unit.
    sem_from_icc : float
        SD √(1 - ICC(2,1)) over all readings, in the same unit; a constant difference is in it.
    bias, bias_low, bias_high : float
        Second minus first, and its interval, in the same unit.
    limits : (float, float)
        Bland and Altman's limits of agreement, in the same unit.
    bias_matters : bool
        Whether the interval leaves out 0 and the bias is a large share of the error.
    days_apart : int
        Days between the readings [1]; 0 is one session.
    reasons : tuple of Reason
        How it was found, and warnings.
    """

    feet: int
    icc: Icc
    sem: float
    low: float
    high: float
    sem_from_icc: float
    bias: float
    bias_low: float
    bias_high: float
    limits: tuple[float, float]
    bias_matters: bool
    days_apart: int
    reasons: tuple[Reason, ...]


def intraclass(table: Sequence[Sequence[float]]) -> Icc:
    """Intraclass correlations of a table of feet (rows) by readings (columns).

    Parameters
    ----------
    table : sequence of sequence of float
        One row of k readings for each of n feet, n and k at least 2, in one unit.

    Notes
    -----
    Two-way analysis of variance: with mean squares B of feet, J of readings, E of the residual and
    W within feet, ICC(1,1) = (B - W) / (B + (k-1) W), ICC(2,1) = (B - E) / (B + (k-1) E +
    k (J - E) / n), ICC(3,1) = (B - E) / (B + (k-1) E). NaN when all readings are equal.
    """
    n, k = len(table), len(table[0])
    grand = fmean(value for row in table for value in row)
    feet = [fmean(row) for row in table]
    readings = [fmean(column) for column in zip(*table, strict=True)]
    between = k * sum((mean - grand) ** 2 for mean in feet)
    judges = n * sum((mean - grand) ** 2 for mean in readings)
    rest = sum(
        (value - foot - reading + grand) ** 2
        for row, foot in zip(table, feet, strict=True)
        for value, reading in zip(row, readings, strict=True)
    )
    B, J, E = between / (n - 1), judges / (k - 1), rest / ((n - 1) * (k - 1))
    W = (judges + rest) / (n * (k - 1))

    def share(over: float, under: float) -> float:
        return over / under if under > 0 else nan

    return Icc(
        share(B - W, B + (k - 1) * W),
        share(B - E, B + (k - 1) * E + k * (J - E) / n),
        share(B - E, B + (k - 1) * E),
        E,
    )


def own_error(
    first: Sequence[float],
    second: Sequence[float],
    book: Evidence,
    *,
    days_apart: int,
    unit: str = "deg",
) -> OwnError:
    """Standard error of one reading from two readings of each of some feet.

    Parameters
    ----------
    first, second : sequence of float
        First and second reading of each foot, same order, in ``unit``, taken in one way.
    book : Evidence
        The book, with rows ``own_error.*`` and ``change.confidence_pct``.
    days_apart : int
        Days between the two readings [1]; those of one session share the error of positioning.
    unit : str
        Unit of the readings.

    Raises
    ------
    InputError
        For too few feet, unequal lengths, values that are no numbers, or no difference at all.

    Notes
    -----
    SEM = SD of the differences / √2, which is the root of the residual mean square; (n - 1) SEM² /
    σ² is chi-square with n - 1 degrees of freedom. Two feet of one person are not independent:
    the interval is then too narrow.
    """
    least = book.row("own_error.min_feet")
    _check(first, second, least, days_apart, unit)
    n = len(first)
    sure = book.value("change.confidence_pct") / 100
    tail = (1 - sure) / 2
    differences = [b - a for a, b in zip(first, second, strict=True)]
    spread = stdev(differences)
    sem = spread / sqrt(2)
    low = sem * sqrt((n - 1) / chi_square_quantile(1 - tail, n - 1))
    high = sem * sqrt((n - 1) / chi_square_quantile(tail, n - 1))
    icc = intraclass(list(zip(first, second, strict=True)))
    from_icc = stdev([*first, *second]) * sqrt(1 - icc.agreement)
    bias = fmean(differences)
    half = t_quantile(1 - tail, n - 1) * spread / sqrt(n)
    limits = (bias - limit_z(book) * spread, bias + limit_z(book) * spread)
    matters = abs(bias) > half and abs(bias) >= book.value("own_error.bias_share_pct") / 100 * sem

    def say(value: float) -> str:
        return printed(float(f"{value:.3g}"), unit)

    reasons = [
        with_row(
            book.reason(
                "own_error.found",
                feet=n,
                sem=say(sem),
                low=say(low),
                high=say(high),
                agreement=f"{icc.agreement:.2f}",
                consistency=f"{icc.consistency:.2f}",
                from_icc=say(from_icc),
            ),
            least,
        ),
        book.reason(
            "own_error.bias" if matters else "own_error.no_bias",
            bias=say(bias),
            low=say(bias - half),
            high=say(bias + half),
            limits=f"{say(limits[0])} to {say(limits[1])}",
        ),
    ]
    if days_apart < 1:
        reasons.append(book.reason("own_error.one_session"))
    return OwnError(
        n,
        icc,
        sem,
        low,
        high,
        from_icc,
        bias,
        bias - half,
        bias + half,
        limits,
        matters,
        days_apart,
        tuple(reasons),
    )


def override_text(
    found: OwnError,
    row: Row,
    book: Evidence,
    *,
    who: str,
    when: str,
    take: Literal["high", "estimate"] = "high",
) -> str:
    """The clinic's own value for a row of error, as the TOML of its overrides.

    Parameters
    ----------
    found : OwnError
        The study.
    row : Row
        The row, one of ``rom.sem.*``.
    book : Evidence
        The book.
    who, when : str
        Who decided, and the day.
    take : {"high", "estimate"}
        The high end of the interval, which is the cautious one, or the estimate itself: a smaller
        error lets more bend.

    Raises
    ------
    InputError
        When the readings are of one session, the bias matters, the row is not a clinic's to set,
        or the value lies outside the row's range.
    """
    value = round(found.high if take == "high" else found.sem, 2)
    faults = []
    if found.days_apart < 1:
        remedy = "Read the feet again on another day."
        faults.append(Fault("days_apart", "0", "at least 1", remedy))
    if found.bias_matters:
        given = printed(round(found.bias, 2), row.unit)
        faults.append(Fault("bias", given, "none that matters", "Find out why they differ."))
    settable = row.key.startswith(book.clinic_may_set) and row.low is not None
    low, high = (book.low(row.key), book.high(row.key)) if settable else (nan, nan)
    if not settable:
        faults.append(Fault("row", row.key, "a row that a clinic may set", "Choose another."))
    elif not low <= value <= high:
        allowed = f"{low:g} to {printed(high, row.unit)}"
        remedy = "The row's own range bounds what a clinic may set."
        faults.append(Fault(row.key, printed(value, row.unit), allowed, remedy))
    if faults:
        raise InputError("clinic's own error", tuple(faults))
    taken = "high end of the interval" if take == "high" else "estimate"
    why = (
        f"own two readings of {found.feet} feet, {found.days_apart} days apart: {found.sem:.2f} "
        f"({found.low:.2f} to {found.high:.2f}), {taken}"
    )
    said = {"who": who, "when": when, "why": why}
    lines = [f"[{row.key}]", f"value = {value:g}"]
    return "\n".join([*lines, *(f"{name} = {_quoted(text)}" for name, text in said.items()), ""])


def _quoted(text: str) -> str:
    """Text as a TOML string of one line; what would end it is taken out."""
    plain = " ".join(text.split()).replace("\\", "/").replace('"', "'")
    return f'"{plain}"'


def _check(
    first: Sequence[float], second: Sequence[float], least: Row, days_apart: int, unit: str
) -> None:
    faults = [
        Fault(f"{name} reading of foot {n}", str(value), f"a finite number [{unit}]", "Read again.")
        for name, values in (("first", first), ("second", second))
        for n, value in enumerate(values, 1)
        if not isfinite(value)
    ]
    if len(first) != len(second):
        given = f"{len(first)} and {len(second)}"
        faults.append(Fault("feet", given, "two readings of each", "Leave out half pairs."))
    if min(len(first), len(second)) < least.value:
        given = str(min(len(first), len(second)))
        faults.append(Fault("feet", given, f"at least {least.value:g}", "Read more feet."))
    if days_apart < 0:
        faults.append(Fault("days_apart", str(days_apart), "0 or more", "Count the days."))
    if not faults and stdev(b - a for a, b in zip(first, second, strict=True)) == 0:
        remedy = "Readings that never differ were rounded or copied."
        faults.append(Fault("differences", "all equal", "some that differ", remedy))
    if faults:
        raise InputError("clinic's own error", tuple(faults))
