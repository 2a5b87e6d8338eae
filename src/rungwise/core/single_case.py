"""One person before and after a change of treatment: overlap of the phases, level and slope.

The three are told together. The share of better pairs alone calls a reversal a success when the
readings had been rising before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Row, printed
from rungwise.core.forecast import NotYet, series_of
from rungwise.core.terms import Measured, Reason

__all__ = ["Lines", "Overlap", "Phases", "compare_phases", "fit_lines", "overlap_of_pairs"]

Values = NDArray[np.float64]
Better = Literal["higher", "lower"]


@dataclass(frozen=True)
class Overlap:
    """How far two phases do not overlap.

    Parameters
    ----------
    share : float
        Pairs (one before, one after) in which the later is better, ties half; 0.5 is chance [1].
    pairs : int
        Number of pairs [1].
    p_two_sided : float
        Exact probability of a share as far from one half, when phases are shuffled [1].
    """

    share: float
    pairs: int
    p_two_sided: float


@dataclass(frozen=True)
class Lines:
    """One straight line through each phase, by least squares.

    Parameters
    ----------
    level_change, level_error : float
        After minus the continued line of before, on the first day after, and its standard error,
        in the unit of the measure.
    slope_before, slope_before_error, slope_after : float
        Change a day in each phase, and the standard error of the first, in the unit of the
        measure a day.
    slope_change, slope_error : float
        After minus before, and its standard error, in the same unit.
    freedom : int
        Readings less the four numbers that are fitted [1].
    """

    level_change: float
    level_error: float
    slope_before: float
    slope_before_error: float
    slope_after: float
    slope_change: float
    slope_error: float
    freedom: int


@dataclass(frozen=True)
class Phases:
    """Two phases compared: overlap, level and slope, never one without the others.

    Parameters
    ----------
    overlap : Overlap
        Share of better pairs.
    lines : Lines
        Change of level and of slope.
    contrary : bool
        Whether more pairs are better while the slope has turned for the worse by more than twice
        its standard error.
    reasons : tuple of Reason
        Why.
    """

    overlap: Overlap
    lines: Lines
    contrary: bool
    reasons: tuple[Reason, ...]


def compare_phases(
    readings: Sequence[Measured], changed: date, sem: Row, book: Evidence, better: Better
) -> Phases | NotYet:
    """What differs between the readings before a change of treatment and those from it on.

    Parameters
    ----------
    readings : sequence of Measured
        Both phases, taken in one and the same way, at most one reading a day.
    changed : date
        First day of the phase after.
    sem : Row
        Standard error of one reading; here only its unit is used.
    book : Evidence
        The book.
    better : {"higher", "lower"}
        Which way is better.

    Returns
    -------
    Phases or NotYet
        NotYet when a phase has fewer readings than the book asks for.

    Raises
    ------
    InputError
        As for :func:`rungwise.core.forecast.series_of`.

    Notes
    -----
    No cause is shown: one change, one person, no return to the phase before.

    Sources
    -------
    parker_vannest_2009; row ``phases.readings_min`` of the book.
    """
    series, start, _ = series_of(readings, sem)
    day = (changed - start).days
    days, values = np.array(series.days), np.array(series.values)
    is_after = days >= day
    after = int(is_after.sum())
    before = len(days) - after
    least = int(book.value("phases.readings_min"))
    if min(before, after) < least:
        missing = max(least - before, 0) + max(least - after, 0)
        why = book.reason("phases.too_few", before=before, after=after)
        return NotYet(len(days), missing, (why,))
    overlap = overlap_of_pairs(values[~is_after], values[is_after], better)
    lines = fit_lines(days[~is_after], values[~is_after], days[is_after], values[is_after])
    sign = 1 if better == "higher" else -1
    contrary = overlap.share > 0.5 and -sign * lines.slope_change > 2 * lines.slope_error
    told = {
        name: printed(float(f"{round(value, 10):.3g}"), sem.unit)
        for name, value in (
            ("level", lines.level_change),
            ("level_error", lines.level_error),
            ("slope_before", lines.slope_before),
            ("slope_after", lines.slope_after),
            ("slope", lines.slope_change),
            ("slope_error", lines.slope_error),
        )
    }
    reasons = [
        book.reason(
            "phases.overlap",
            pairs=overlap.pairs,
            better=better,
            nap=f"{overlap.share:.2f}",
            p=f"{overlap.p_two_sided:.2g}",
        ),
        book.reason("phases.lines", **told),
    ]
    if contrary:
        reasons.append(book.reason("phases.contrary"))
    if sign * lines.slope_before > 2 * lines.slope_before_error:
        reasons.append(book.reason("phases.drift"))
    return Phases(overlap, lines, contrary, tuple(reasons))


def overlap_of_pairs(
    before: Sequence[float] | Values, after: Sequence[float] | Values, better: Better
) -> Overlap:
    """Non-overlap of all pairs, with its exact probability under shuffling.

    Parameters
    ----------
    before, after : (n,), (m,) array
        The two phases, at least one reading each, in one unit.
    better : {"higher", "lower"}
        Which way is better.

    Notes
    -----
    Share = U / (n m), U the rank-sum statistic of the phase after with ties at mid-rank. p counts,
    over all ways to choose m of the n + m readings, those with |U - n m / 2| no smaller; the ways
    are counted by their rank sum, not drawn, and ties are kept.

    Examples
    --------
    >>> overlap_of_pairs([1, 2, 3], [4, 5, 6], "higher")
    Overlap(share=1.0, pairs=9, p_two_sided=0.1)
    """
    a, b = np.asarray(before, float), np.asarray(after, float)
    if not (a.size and b.size and np.isfinite(a).all() and np.isfinite(b).all()):
        given = f"{a.tolist()} and {b.tolist()}"
        fault = Fault("phases", given, "finite numbers in each", "Leave gaps out.")
        raise InputError("phases", (fault,))
    pooled = np.concatenate([a, b]) * (1 if better == "higher" else -1)
    _, kind, counts = np.unique(pooled, return_inverse=True, return_counts=True)
    doubled = (2 * np.cumsum(counts) - counts + 1)[kind]  # twice the mid-ranks: whole numbers
    n, m = a.size, b.size
    found = int(doubled[n:].sum())
    ways = np.zeros((m + 1, int(doubled.sum()) + 1))
    ways[0, 0] = 1.0
    for rank in doubled:
        ways[1:, rank:] += ways[:-1, :-rank].copy()
    expected = m * (n + m + 1)  # twice the mean rank sum
    far = np.abs(np.arange(ways.shape[1]) - expected) >= abs(found - expected)
    p = float(ways[m, far].sum() / ways[m].sum())
    share = (found - m * (m + 1)) / (2 * n * m)
    return Overlap(share, n * m, min(p, 1.0))


def fit_lines(
    days_before: Sequence[float] | NDArray[np.int_],
    before: Sequence[float] | Values,
    days_after: Sequence[float] | NDArray[np.int_],
    after: Sequence[float] | Values,
) -> Lines:
    """Level and slope change between two phases, by ordinary least squares.

    Parameters
    ----------
    days_before, days_after : (n,), (m,) array
        Days of the readings [d], each phase with two different days at least and five readings
        in all.
    before, after : (n,), (m,) array
        The readings, in one unit.

    Notes
    -----
    y = a + b t + A [after] + B t [after], t counted from the first day after: A is the change of
    level, B that of slope. Scatter is taken as equal and unrelated from day to day.
    """
    t = np.concatenate([np.asarray(days_before, float), np.asarray(days_after, float)])
    t -= np.min(days_after)
    y = np.concatenate([np.asarray(before, float), np.asarray(after, float)])
    late = np.arange(len(t)) >= len(before)
    design = np.column_stack([np.ones_like(t), t, late, t * late])
    freedom = len(t) - design.shape[1]
    if freedom < 1 or np.linalg.matrix_rank(design) < design.shape[1]:
        given = f"{len(t)} readings on {len(np.unique(t))} days"
        fault = Fault("phases", given, "two days in each, five readings in all", "Measure again.")
        raise InputError("phases", (fault,))
    found = np.linalg.lstsq(design, y, rcond=None)[0]
    left = y - design @ found
    errors = np.sqrt(left @ left / freedom * np.linalg.inv(design.T @ design).diagonal())
    return Lines(
        level_change=float(found[2]),
        level_error=float(errors[2]),
        slope_before=float(found[1]),
        slope_before_error=float(errors[1]),
        slope_after=float(found[1] + found[-1]),
        slope_change=float(found[-1]),
        slope_error=float(errors[-1]),
        freedom=freedom,
    )
