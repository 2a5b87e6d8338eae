"""A change against the error of two readings, and against the sizes that people call better."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from rungwise.core.bend import reading_error
from rungwise.core.change import Change, judge_change
from rungwise.core.errors import InputError
from tests.factory import real_book

BOOK = real_book()
GONIOMETER = reading_error(BOOK, "nonweightbearing_passive", "goniometer")
PAIN = BOOK.row("change.nprs.sem")


def pain(before: float, after: float) -> Change:
    return judge_change(before, after, PAIN, BOOK, "nprs")


def rules(change: Change) -> list[str]:
    return [reason.rule for reason in change.reasons]


def test_o7_twelve_degrees_are_within_error() -> None:
    """35 to 47, one rater, SEM 5.33: z 1.59, MDC95 14.8: clinical notes O7, from clin_s6."""
    found = judge_change(35.0, 47.0, GONIOMETER, BOOK)
    assert GONIOMETER.value == 5.33
    assert found.difference == 12.0
    assert found.z == pytest.approx(1.59, abs=0.005)
    assert found.mdc95 == pytest.approx(14.8, abs=0.05)
    assert found.verdict == "within error"
    assert "clin_s6" in found.reasons[0].sources
    assert "+12°" in found.reasons[0].says
    assert "5.33°" in found.reasons[0].says
    assert "14.8°" in found.reasons[0].says


def test_o8_seventeen_degrees_are_beyond_error() -> None:
    """35 to 52: z 2.26, p 0.024: clinical notes O8, from clin_s6."""
    found = judge_change(35.0, 52.0, GONIOMETER, BOOK)
    assert found.z == pytest.approx(2.26, abs=0.005)
    assert found.p_two_sided == pytest.approx(0.024, abs=0.0005)
    assert found.verdict == "beyond error"
    assert found.size is None
    assert rules(found) == ["change.beyond", "change.no_limit"]


def test_o18_two_points_of_pain_are_much_better() -> None:
    """6 to 4 is -2, -33.3 %: much better (clin_s14); beyond the MDC of 1.33 (clin_s14d)."""
    found = pain(6.0, 4.0)
    assert found.difference == -2.0
    assert found.share_pct == pytest.approx(-33.3, abs=0.05)
    assert found.size == "much_better"
    assert found.mdc95 == pytest.approx(1.33, abs=0.005)
    assert found.verdict == "beyond error and worthwhile"
    assert rules(found) == ["change.beyond", "change.reached"]


def test_o18_one_point_of_pain_is_minimal_only() -> None:
    """4 to 3 is -1, -25 %: minimal (clin_s14), and within the error of two ratings (clin_s14d)."""
    found = pain(4.0, 3.0)
    assert (found.difference, found.share_pct) == (-1.0, -25.0)
    assert found.size == "minimal"
    assert found.verdict == "within error"


@pytest.mark.parametrize(
    ("before", "after", "size"),
    [
        (10.0, 8.0, "minimal"),  # -2 points but -20 %: clin_s14 asks for one; we ask for both
        (2.0, 1.0, "minimal"),  # -50 % but one point
        (8.0, 7.0, "less"),  # one point but -12.5 %
        (4.0, 6.0, "less"),  # worse
        (0.0, 2.0, "less"),  # no share of nothing
    ],
)
def test_points_and_share_are_both_asked_for(before: float, after: float, size: str) -> None:
    found = pain(before, after)
    assert found.size == size
    assert found.verdict != "beyond error and worthwhile"


def test_worse_is_never_called_worthwhile() -> None:
    found = pain(2.0, 8.0)
    assert found.verdict == "beyond error"
    assert math.isnan(pain(0.0, 3.0).share_pct)


@pytest.mark.parametrize(
    ("part", "after", "size", "verdict"),
    [
        # MDC95 5.7, smallest change that matters 8: clin_s19
        ("adl", 55.0, "less", "within error"),
        ("adl", 56.0, "less", "beyond error"),
        ("adl", 58.0, "minimal", "beyond error and worthwhile"),
        # MDC95 12.3 lies above the 9 that matter: clin_s19
        ("sport", 58.9, "less", "within error"),
        ("sport", 59.0, "minimal", "within error"),
        ("sport", 62.0, "minimal", "within error"),
        ("sport", 62.5, "minimal", "beyond error and worthwhile"),
    ],
)
def test_foot_and_ankle_scores(part: str, after: float, size: str, verdict: str) -> None:
    sem = BOOK.row(f"change.faam.{part}.sem")
    found = judge_change(50.0, after, sem, BOOK, f"faam.{part}")
    assert (found.size, found.verdict) == (size, verdict)
    doubtful = size == "minimal" and verdict == "within error"
    assert ("change.worthwhile_within" in rules(found)) is doubtful


@pytest.mark.parametrize("part", ["adl", "sport"])
def test_derived_errors_are_recomputed(part: str) -> None:
    """SEM = MDC95 / (1.96 √2)."""
    sem = BOOK.value(f"change.faam.{part}.mdc95") / (float(norm.ppf(0.975)) * math.sqrt(2))
    assert BOOK.value(f"change.faam.{part}.sem") == pytest.approx(sem, abs=0.005)


def test_a_change_that_equals_the_error_is_within_it() -> None:
    mdc = judge_change(0.0, 1.0, GONIOMETER, BOOK).mdc95
    assert judge_change(30.0, 30.0 + mdc, GONIOMETER, BOOK).verdict == "within error"
    assert judge_change(30.0, 30.001 + mdc, GONIOMETER, BOOK).verdict == "beyond error"


def test_how_many_days_would_settle_it() -> None:
    """12° of 14.77°: (14.77 / 12)² = 1.5, so two days each; the mean of two is beyond error."""
    found = judge_change(35.0, 47.0, GONIOMETER, BOOK)
    told = next(reason for reason in found.reasons if reason.rule == "change.settle")
    assert ("days", "2") in told.inputs
    mean_of_two = replace(GONIOMETER, value=GONIOMETER.value / math.sqrt(2))
    assert judge_change(35.0, 47.0, mean_of_two, BOOK).verdict == "beyond error"
    assert "change.settle" not in rules(judge_change(35.0, 35.0, GONIOMETER, BOOK))


VALUES = st.floats(-90, 90)


@given(VALUES, VALUES)
def test_verdict_agrees_with_p_and_with_the_normal_tables(before: float, after: float) -> None:
    """Second way: the two-sided chance from scipy, and the verdict from it."""
    found = judge_change(before, after, GONIOMETER, BOOK)
    assert found.p_two_sided == pytest.approx(2 * float(norm.sf(abs(found.z))), abs=1e-12)
    if abs(found.p_two_sided - 0.05) > 1e-6:
        assert (found.verdict == "within error") is (found.p_two_sided > 0.05)
    back = judge_change(after, before, GONIOMETER, BOOK)
    assert (back.difference, back.verdict) == (-found.difference, found.verdict)


def test_every_fault_is_named_at_once() -> None:
    with pytest.raises(InputError) as caught:
        judge_change(math.nan, math.inf, replace(PAIN, value=0.0), BOOK)
    assert [fault.field for fault in caught.value.faults] == ["before", "after", PAIN.key]
