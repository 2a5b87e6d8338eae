"""Series of readings: days stand for themselves, what differs in kind is refused."""

from __future__ import annotations

import math
from datetime import date, timedelta

import pytest

from rungwise.core.errors import InputError
from rungwise.core.series import (
    Series,
    Taken,
    judge_pain_weeks,
    judge_series,
    one_series,
    week_of,
)
from rungwise.core.terms import Measured, Side
from tests.factory import DAY, real_book

BOOK = real_book()


def bend(
    value: float,
    days: int = 0,
    method: str = "nonweightbearing_passive",
    instrument: str = "goniometer",
    zero: str = "metatarsal_shaft",
    rater: str | None = "ann",
    side: Side = "right",
) -> Taken:
    on = DAY + timedelta(days=days)
    way = (method, instrument, zero)
    return Taken(Measured("mtp_dorsiflexion_deg", value, on, side, *way), rater)


def series(*values: float, start: int = 0, rater: str | None = "ann") -> Series:
    return one_series([bend(v, start + n, rater=rater) for n, v in enumerate(values)], BOOK)


def fields(caught: pytest.ExceptionInfo[InputError]) -> list[str]:
    return [fault.field for fault in caught.value.faults]


def test_readings_of_one_day_become_one() -> None:
    found = one_series([bend(36.0, 1), bend(30.0), bend(34.0)], BOOK)
    assert [value for _, value in found.days] == [32.0, 36.0]
    assert found.mean == 34.0
    assert found.rater == "ann"


def test_everything_that_is_mixed_is_named() -> None:
    with pytest.raises(InputError) as caught:
        one_series(
            [
                bend(30.0),
                bend(30.0, 1, "weightbearing_active", "phone_goniometer", "flat_standing"),
                bend(30.0, 2, rater="bob", side="left"),
            ],
            BOOK,
        )
    assert fields(caught) == ["side", "method", "instrument", "zero", "rater"]
    assert "ann, bob" in str(caught.value)


def test_raters_may_change_where_no_other_error_is_known_for_them() -> None:
    ratings = [
        Taken(Measured("heel_raise_count", 20.0, DAY, "right"), "ann"),
        Taken(Measured("heel_raise_count", 22.0, DAY + timedelta(days=1), "right"), "bob"),
    ]
    assert one_series(ratings, BOOK).rater is None
    up_and_go = [
        Taken(Measured("timed_up_and_go_s", 9.0, DAY), "ann"),
        Taken(Measured("timed_up_and_go_s", 9.0, DAY + timedelta(days=1)), "bob"),
    ]
    with pytest.raises(InputError) as caught:
        one_series(up_and_go, BOOK)
    assert fields(caught) == ["rater"]


def test_nothing_and_no_number_are_refused() -> None:
    with pytest.raises(InputError, match="at least one"):
        one_series([], BOOK)
    with pytest.raises(InputError, match="a number"):
        one_series([Taken(Measured("pain_at", "none", DAY, "right"))], BOOK)
    with pytest.raises(InputError, match="a number"):
        one_series([bend(math.nan)], BOOK)


def test_three_days_each_with_one_rater_and_with_two() -> None:
    """5.33 √(2/3) x 1.96 = 8.53; two raters 6.76: 10.8 (clin_s6)."""
    first, later = series(30.0, 31.0, 32.0), series(40.0, 41.0, 42.0, start=30)
    same = judge_series(first, later, BOOK)
    assert same.mdc95 == pytest.approx(8.53, abs=0.005)
    assert same.verdict == "beyond error"
    for rater in ("bob", None):
        other = judge_series(first, series(40.0, 41.0, 42.0, start=30, rater=rater), BOOK)
        assert other.mdc95 == pytest.approx(10.82, abs=0.005)
        assert other.verdict == "within error"
    unknown = judge_series(
        series(30.0, rater=None), series(40.0, start=30, rater=None), BOOK
    )  # not known twice is not the same person
    assert unknown.mdc95 == pytest.approx(18.74, abs=0.005)


def test_another_way_is_never_compared() -> None:
    later = one_series([bend(40.0, 30, instrument="phone_goniometer")], BOOK)
    with pytest.raises(InputError) as caught:
        judge_series(series(30.0), later, BOOK)
    assert fields(caught) == ["instrument"]
    with pytest.raises(InputError) as caught:
        judge_series(series(30.0, 31.0), series(40.0, start=1), BOOK)
    assert fields(caught) == ["days"]


def test_a_way_without_an_error_claims_nothing() -> None:
    first = one_series([bend(30.0, 0, "weightbearing_active")], BOOK)
    later = one_series([bend(60.0, 30, "weightbearing_active")], BOOK)
    found = judge_series(first, later, BOOK)
    assert found.verdict == "error not known"
    assert "+30°" in found.reasons[0].says


def week(start: date, *ratings: float | None) -> dict[date, float]:
    return {
        start + timedelta(days=n): rating for n, rating in enumerate(ratings) if rating is not None
    }


def test_a_week_of_pain() -> None:
    last = DAY + timedelta(days=6)
    ratings = week(DAY - timedelta(days=1), 10, 5, 5, None, 6, 4, None, 5)  # the first lies outside
    found = week_of(ratings, last, BOOK)
    assert (found.pain_nprs, found.days, found.first) == (5.0, 5, DAY)
    with pytest.raises(InputError, match="at least 4 days of 7"):
        week_of(week(DAY, 5, 5, 5), last, BOOK)
    with pytest.raises(InputError, match="0 to 10"):
        week_of(week(DAY, 5, 5, 5, 11), last, BOOK)


def test_means_of_weeks_and_their_floor() -> None:
    """Seven days: 1.2/√7 = 0.454 is below the floor 0.48 (clin_s14d): MDC95 1.33. Four: 0.6."""
    first = week_of(week(DAY, *[6.0] * 7), DAY + timedelta(days=6), BOOK)
    start = DAY + timedelta(days=28)
    later = week_of(week(start, *[4.0] * 7), start + timedelta(days=6), BOOK)
    found = judge_pain_weeks(first, later, BOOK)
    assert found.mdc95 == pytest.approx(1.33, abs=0.005)
    assert found.verdict == "beyond error and worthwhile"
    few = week_of(week(start, *[4.0] * 4), start + timedelta(days=6), BOOK)
    limit = 1.959964 * math.sqrt(0.48**2 + 0.6**2)
    assert judge_pain_weeks(first, few, BOOK).mdc95 == pytest.approx(limit, abs=1e-5)
    with pytest.raises(InputError, match="no day in both"):
        judge_pain_weeks(first, first, BOOK)


def test_no_mean_of_ratings_is_better_than_one_is_published_to_be() -> None:
    """Three days each still have 0.48 (clin_s14d): MDC95 1.33."""

    def ratings(value: float, start: int) -> Series:
        days = (DAY + timedelta(days=start + n) for n in range(3))
        return one_series(
            [Taken(Measured("pain_worst_nprs", value, day, "right")) for day in days], BOOK
        )

    found = judge_series(ratings(6.0, 0), ratings(4.0, 30), BOOK)
    assert found.mdc95 == pytest.approx(1.33, abs=0.005)
    assert found.size == "much_better"
