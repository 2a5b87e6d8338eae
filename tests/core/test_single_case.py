"""Before and after: overlap, level and slope, by hand and beside scipy and statsmodels."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import combinations

import numpy as np
import pytest
from scipy.stats import mannwhitneyu
from statsmodels.regression.linear_model import OLS

from rungwise.core.errors import InputError
from rungwise.core.forecast import NotYet
from rungwise.core.single_case import (
    Better,
    Phases,
    compare_phases,
    fit_lines,
    overlap_of_pairs,
)
from rungwise.core.terms import Measured
from tests.factory import real_book

BOOK = real_book()
PAIN = BOOK.row("change.nprs.sem")
START = date(2026, 3, 2)


def daily(values: list[float]) -> list[Measured]:
    days = [START + timedelta(days=day) for day in range(len(values))]
    return [Measured("pain_worst_nprs", v, d, "right") for v, d in zip(values, days, strict=True)]


def compared(before: list[float], after: list[float], better: Better) -> Phases:
    changed = START + timedelta(days=len(before))
    found = compare_phases(daily([*before, *after]), changed, PAIN, BOOK, better)
    assert isinstance(found, Phases)
    return found


def rules(found: Phases) -> list[str]:
    return [reason.rule for reason in found.reasons]


def test_a_full_reversal_is_not_called_a_success() -> None:
    """0 to 9 rising, then 9 to 4 falling: 42 of 60 pairs are higher, 0.70, and it got worse."""
    rising, falling = list(map(float, range(10))), [9.0, 8.0, 7.0, 6.0, 5.0, 4.0]
    found = compared(rising, falling, "higher")
    assert found.overlap.share == pytest.approx(0.70)
    assert found.overlap.pairs == 60
    assert found.lines.slope_before == pytest.approx(1.0)
    assert found.lines.slope_after == pytest.approx(-1.0)
    assert found.lines.slope_change == pytest.approx(-2.0)
    assert found.lines.level_change == pytest.approx(-1.0)  # 9, where the line would be at 10
    assert found.contrary
    assert rules(found) == ["phases.overlap", "phases.lines", "phases.contrary", "phases.drift"]
    mirrored = compared([-v for v in rising], [-v for v in falling], "lower")
    assert mirrored.overlap == found.overlap
    assert mirrored.contrary


def test_a_slope_within_its_error_raises_no_alarm() -> None:
    """Each phase level but for scatter: neither contrary nor drifting, though no slope is 0."""
    found = compared([6.0, 5.0, 6.0, 6.0], [3.0, 2.0, 3.0, 3.0, 4.0], "lower")
    assert 0 < found.lines.slope_change < 2 * found.lines.slope_error
    assert rules(found) == ["phases.overlap", "phases.lines"]


def test_a_plain_step_is_told_by_both() -> None:
    found = compared([6.0, 5.0, 6.0, 5.0, 6.0], [3.0, 2.0, 3.0, 2.0, 3.0], "lower")
    assert found.overlap.share == 1.0
    assert found.overlap.p_two_sided == pytest.approx(2 / 252)  # two of C(10, 5) ways
    assert found.lines.slope_before == pytest.approx(0, abs=1e-12)  # flat at 5.6
    assert found.lines.slope_after == pytest.approx(0, abs=1e-12)  # flat at 2.6
    assert found.lines.level_change == pytest.approx(-3.0)
    assert not found.contrary
    assert rules(found) == ["phases.overlap", "phases.lines"]
    assert "parker_vannest_2009" in found.reasons[0].sources
    assert "in 1.00" in found.reasons[0].says


@pytest.mark.parametrize("seed", range(5))
def test_share_and_p_without_ties_are_those_of_the_rank_sum_test(seed: int) -> None:
    """scipy.stats.mannwhitneyu, exact: share = U / (n m)."""
    rng = np.random.default_rng(seed)
    before, after = rng.normal(size=5 + seed), rng.normal(0.8, size=7)
    theirs = mannwhitneyu(after, before, method="exact")
    ours = overlap_of_pairs(before, after, "higher")
    assert ours.share == pytest.approx(theirs.statistic / (len(before) * 7))
    assert ours.p_two_sided == pytest.approx(theirs.pvalue)


@pytest.mark.parametrize("seed", range(5))
def test_share_and_p_with_ties_count_every_way_to_choose(seed: int) -> None:
    """Every choice of 4 of 9 readings written out, ties half; scipy's U for the share."""
    rng = np.random.default_rng(seed)
    before, after = rng.integers(0, 5, 5), rng.integers(0, 5, 4)
    pooled = np.concatenate([before, after])

    def share(late: np.ndarray[tuple[int], np.dtype[np.int_]]) -> float:
        early = np.setdiff1d(np.arange(9), late)
        pairs = np.sign(pooled[late][:, None] - pooled[early][None, :])
        return float((pairs > 0).mean() + (pairs == 0).mean() / 2)

    seen = share(np.arange(5, 9))
    ways = [share(np.array(choice)) for choice in combinations(range(9), 4)]
    far = [abs(way - 0.5) >= abs(seen - 0.5) - 1e-12 for way in ways]
    ours = overlap_of_pairs(before.astype(float), after.astype(float), "higher")
    assert ours.share == pytest.approx(seen)
    assert ours.share == pytest.approx(mannwhitneyu(after, before).statistic / 20)
    assert ours.p_two_sided == pytest.approx(float(np.mean(far)))
    lower = overlap_of_pairs(before.astype(float), after.astype(float), "lower")
    assert lower.share == pytest.approx(1 - seen)
    assert lower.p_two_sided == pytest.approx(ours.p_two_sided)


def test_one_value_throughout_says_nothing() -> None:
    found = overlap_of_pairs([4.0] * 60, [4.0] * 60, "lower")
    assert (found.share, found.p_two_sided) == (0.5, 1.0)


def test_lines_are_those_of_statsmodels() -> None:
    """Ordinary least squares with the phase and its interaction with time, errors too."""
    rng = np.random.default_rng(8)
    days_before, days_after = np.array([0, 2, 3, 9]), np.array([11, 12, 20, 21, 30])
    before, after = rng.normal(size=4), rng.normal(2, size=5)
    t = np.concatenate([days_before, days_after]) - 11.0
    late = (t >= 0).astype(float)
    design = np.column_stack([np.ones(9), t, late, late * t])
    theirs = OLS(np.concatenate([before, after]), design).fit()
    ours = fit_lines(days_before, before, days_after, after)
    assert [ours.slope_before, ours.level_change, ours.slope_change] == pytest.approx(
        theirs.params[1:]
    )
    errors = [ours.slope_before_error, ours.level_error, ours.slope_error]
    assert errors == pytest.approx(theirs.bse[1:])
    assert ours.freedom == theirs.df_resid == 5


def test_lines_by_hand() -> None:
    """y = t before, then 5 more and flat: level 5 above the line, slope down by 1."""
    found = fit_lines([0, 1, 2], [0.0, 1.0, 2.0], [3, 4, 5], [8.0, 8.0, 8.0])
    assert (found.level_change, found.slope_change) == pytest.approx((5.0, -1.0))
    assert (found.level_error, found.slope_error) == pytest.approx((0.0, 0.0), abs=1e-9)


def test_two_readings_in_a_phase_are_too_few() -> None:
    values = [5.0, 6.0, 5.0, 4.0, 3.0]
    found = compare_phases(daily(values), START + timedelta(days=3), PAIN, BOOK, "lower")
    assert isinstance(found, NotYet)
    assert (found.readings, found.missing) == (5, 1)
    assert "before: 3; after: 2" in found.reasons[0].says


def test_a_phase_without_end_or_with_a_hole_is_refused() -> None:
    with pytest.raises(InputError, match="finite numbers"):
        overlap_of_pairs([], [1.0], "higher")
    with pytest.raises(InputError, match="finite numbers"):
        overlap_of_pairs([1.0], [float("nan")], "higher")
    with pytest.raises(InputError, match="two days in each"):
        fit_lines([0, 0, 0], [1.0, 2.0, 3.0], [1, 2, 3], [1.0, 2.0, 3.0])
    with pytest.raises(InputError, match="five readings"):
        fit_lines([0, 1], [1.0, 2.0], [2, 3], [1.0, 2.0])
    mixed = [
        *daily([5.0, 6.0, 5.0, 4.0, 3.0]),
        Measured("pain_rest_nprs", 1.0, date(2026, 4, 1), "right"),
    ]
    with pytest.raises(InputError, match=r"measure: got .*one in a series"):
        compare_phases(mixed, START + timedelta(days=3), PAIN, BOOK, "lower")
