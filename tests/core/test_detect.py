"""How many readings are needed: closed form against simulation and against statsmodels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from rungwise.core.detect import (
    KINDS,
    ReadingError,
    advise,
    chance_to_see,
    error_of_kind,
    least_gain,
    readings_needed,
)
from rungwise.core.errors import InputError
from tests.factory import real_book

BOOK = real_book()
GONIOMETER = error_of_kind("goniometer", BOOK)
DIARY = error_of_kind("diary", BOOK)
REACH = float(norm.ppf(0.975) + norm.ppf(0.8))  # 2.8016


def test_five_degrees_by_hand() -> None:
    """n = 2 (2.8016 x 5.33 / 5)² = 17.8: 18 days before and 18 after; error from clin_s6."""
    assert readings_needed(5.0, GONIOMETER, BOOK) == math.ceil(2 * (REACH * 5.33 / 5) ** 2) == 18
    assert least_gain(GONIOMETER, 1, 1, BOOK) == pytest.approx(
        REACH * 5.33 * math.sqrt(2), rel=1e-5
    )
    assert least_gain(GONIOMETER, 3, 3, BOOK) == pytest.approx(12.2, abs=0.05)


def test_a_point_and_a_half_of_pain_by_hand() -> None:
    """Needed error of a mean 1.5 / 2.8016 / √2 = 0.379, below the floor 0.48 (clin_s14d): never."""
    assert readings_needed(1.5, DIARY, BOOK) is None
    assert readings_needed(2.0, DIARY, BOOK) == math.ceil((1.2 / (2.0 / REACH / math.sqrt(2))) ** 2)
    assert DIARY.of_mean(4) == 0.6
    assert DIARY.of_mean(7) == DIARY.of_mean(70) == 0.48


@pytest.mark.parametrize(
    ("kind", "gain"), [("goniometer", 5.0), ("goniometer", 12.0), ("photograph", 5.0)]
)
def test_numbers_agree_with_statsmodels(kind: str, gain: float) -> None:
    power = pytest.importorskip("statsmodels.stats.power", reason="statsmodels is not installed")
    error = error_of_kind(kind, BOOK)
    peer = power.NormalIndPower().solve_power(
        effect_size=gain / error.day, power=0.8, alpha=0.05, ratio=1.0
    )
    assert readings_needed(gain, error, BOOK) == math.ceil(peer)
    n = math.ceil(peer)
    theirs = power.NormalIndPower().power(gain / error.day, n, 0.05, ratio=1.0)
    assert chance_to_see(gain, error, n, n, BOOK) == pytest.approx(float(theirs), abs=1e-9)


@pytest.mark.parametrize(("gain", "before", "after"), [(5.0, 18, 18), (12.2, 3, 3), (8.0, 1, 6)])
def test_chances_agree_with_a_simulation(gain: float, before: int, after: int) -> None:
    """40,000 invented patients: each day read with its own normal error."""
    rng = np.random.default_rng(20260302)
    sem = GONIOMETER.sem.value
    first = rng.normal(0.0, sem, (40_000, before)).mean(axis=1)
    second = rng.normal(gain, sem, (40_000, after)).mean(axis=1)
    limit = 1.959964 * sem * math.sqrt(1 / before + 1 / after)
    seen = float(np.mean(np.abs(second - first) > limit))
    assert chance_to_see(gain, GONIOMETER, before, after, BOOK) == pytest.approx(seen, abs=0.008)


@given(st.floats(0.5, 40), st.sampled_from(sorted(KINDS)), st.integers(1, 40))
def test_the_number_is_the_least_that_is_enough(gain: float, kind: str, before: int) -> None:
    error = error_of_kind(kind, BOOK)
    for first in (None, before):
        needed = readings_needed(gain, error, BOOK, first)
        if needed is None:
            many = 10_000_000
            assert chance_to_see(gain, error, first or many, many, BOOK) < 0.8 + 1e-6
            continue
        assert chance_to_see(gain, error, first or needed, needed, BOOK) >= 0.8 - 1e-7
        if needed > 1:
            less = needed - 1
            assert chance_to_see(gain, error, first or less, less, BOOK) < 0.8


@given(st.integers(1, 50), st.integers(1, 50))
def test_the_least_gain_is_seen_with_the_wanted_chance(before: int, after: int) -> None:
    gain = least_gain(GONIOMETER, before, after, BOOK)
    assert chance_to_see(gain, GONIOMETER, before, after, BOOK) == pytest.approx(0.8)
    assert least_gain(GONIOMETER, before, after + 1, BOOK) < gain


@pytest.mark.parametrize("count", [2, 3, 7, 13])
def test_a_line_through_readings(count: int) -> None:
    """Second way: the covariance of the least-squares slope; 13 readings: √(12·12/(13·14)) σ."""
    t = np.arange(count)
    design = np.column_stack([np.ones(count), t])
    slope = math.sqrt(np.linalg.inv(design.T @ design)[1, 1])
    mine = GONIOMETER.of_line(count)
    assert mine == pytest.approx(GONIOMETER.sem.value * (count - 1) * slope)
    by_formula = math.sqrt(12 * (count - 1) / (count * (count + 1)))
    assert mine == pytest.approx(GONIOMETER.sem.value * by_formula)
    assert DIARY.of_line(10_000) == pytest.approx(0.48 * math.sqrt(2))


def test_no_gain_is_seen_as_often_as_error_allows() -> None:
    tiny = 1e-9
    assert chance_to_see(tiny, GONIOMETER, 3, 3, BOOK) == pytest.approx(0.05, abs=1e-9)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_advice_comes_from_the_same_sum(kind: str) -> None:
    told = advise(kind, BOOK)
    error = error_of_kind(kind, BOOK)
    count = int(dict(told.inputs)["count"])
    assert count <= BOOK.value(KINDS[kind].most)
    seen = least_gain(error, count, count, BOOK)
    assert dict(told.inputs)["seen"].rstrip("°") == f"{float(f'{seen:.3g}'):g}"
    assert told.says.startswith(f"Measure again in 2 weeks: {count} ")
    assert {KINDS[kind].error, KINDS[kind].most, KINDS[kind].gain} <= set(told.keys)
    assert (told.rule == "detect.enough") is (seen <= BOOK.value(KINDS[kind].gain))


def test_advice_says_what_is_missed() -> None:
    told = advise("goniometer", BOOK)
    assert told.rule == "detect.short"
    assert "3 goniometer readings by one person" in told.says
    assert "18 would be needed" in told.says
    assert "one of 5° is seen in 21 % only" in told.says
    one = advise("goniometer", BOOK, before=1)
    assert "no number would be enough" in one.says
    assert "own_assumption" in advise("photograph", BOOK).sources
    assert advise("diary", BOOK).basis == "memory"


def test_what_cannot_be_asked_is_refused() -> None:
    with pytest.raises(InputError, match="goniometer"):
        error_of_kind("eye", BOOK)
    with pytest.raises(InputError) as caught:
        chance_to_see(0.0, ReadingError(BOOK.row("change.nprs.sem")), 0, -1, BOOK)
    assert [fault.field for fault in caught.value.faults] == ["before", "after", "gain"]
    with pytest.raises(InputError):
        readings_needed(math.nan, GONIOMETER, BOOK)
    for nothing in (1e-160, 1e-300):  # beyond all counting
        assert readings_needed(nothing, GONIOMETER, BOOK) is None
