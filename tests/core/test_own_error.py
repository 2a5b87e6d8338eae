"""A clinic's own error: a printed table, hand-worked pairs, scipy and a simulation."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rungwise.book import load_book, read_overrides
from rungwise.core.errors import InputError
from rungwise.core.own_error import OwnError, intraclass, override_text, own_error
from tests.factory import real_book

BOOK = real_book()
ROW = BOOK.row("rom.sem.nonweightbearing_passive.goniometer.same_rater")
FIRST = [30.0, 41.0, 25.0, 52.0, 38.0, 60.0, 33.0, 45.0, 28.0, 49.0]
SECOND = [34.0, 37.0, 29.0, 50.0, 43.0, 55.0, 30.0, 50.0, 24.0, 51.0]
STANCE = Path(__file__).parents[3] / "shared" / "data" / "stance" / "all_subjects_metrics.csv"


def found(first: list[float] = FIRST, second: list[float] = SECOND, **more: Any) -> OwnError:
    return own_error(first, second, BOOK, **{"days_apart": 7, **more})


def rules(own: OwnError) -> list[str]:
    return [reason.rule for reason in own.reasons]


def test_the_example_of_shrout_and_fleiss() -> None:
    """Six subjects, four judges; ICC .17, .29, .71 (Shrout, Fleiss 1979, table 2 and 4).

    The table and its results are from memory, not read. By hand: mean squares 11.24 between
    subjects, 6.26 within, 32.49 between judges, 1.02 residual.
    """
    table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    icc = intraclass(table)
    assert round(icc.one_way, 2) == 0.17
    assert round(icc.agreement, 2) == 0.29
    assert round(icc.consistency, 2) == 0.71
    assert icc.error_variance == pytest.approx(1.02, abs=0.005)


def test_the_same_table_by_a_linear_model() -> None:
    """Second way: mean squares from the residuals of least squares with dummy columns."""
    rng = np.random.default_rng(7)
    table = rng.normal(50, 10, (12, 1)) + rng.normal(0, 4, (12, 3)) + np.array([0.0, 2.0, -1.0])
    n, k = table.shape
    foot, reading = np.repeat(np.eye(n), k, axis=0), np.tile(np.eye(k), (n, 1))
    y = table.ravel()

    def rest(design: Any) -> float:
        return float(np.sum((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2))

    whole, within = rest(np.hstack([foot, reading])), rest(foot)
    E, J = whole / ((n - 1) * (k - 1)), (within - whole) / (k - 1)
    B = (rest(np.ones((n * k, 1))) - within) / (n - 1)
    W = within / (n * (k - 1))
    icc = intraclass(table.tolist())
    assert icc.error_variance == pytest.approx(E)
    assert icc.one_way == pytest.approx((B - W) / (B + (k - 1) * W))
    assert icc.consistency == pytest.approx((B - E) / (B + (k - 1) * E))
    assert icc.agreement == pytest.approx((B - E) / (B + (k - 1) * E + k * (J - E) / n))


def test_ten_feet_by_hand() -> None:
    """Differences 4 -4 4 -2 5 -5 -3 5 -4 2: sum 2, squares 156; SD √(155.6/9) = 4.158."""
    own = found()
    assert own.bias == pytest.approx(0.2)
    assert own.sem == pytest.approx(math.sqrt((156 - 0.4) / 9 / 2))
    assert own.sem**2 == pytest.approx(own.icc.error_variance)
    # chi-square with 9 degrees: 2.700 and 19.023, any table
    assert own.low == pytest.approx(own.sem * math.sqrt(9 / 19.023), abs=0.001)
    assert own.high == pytest.approx(own.sem * math.sqrt(9 / 2.700), abs=0.001)
    # t with 9 degrees: 2.262
    assert own.bias_high == pytest.approx(0.2 + 2.262 * 4.158 / math.sqrt(10), abs=0.002)
    assert own.limits[1] == pytest.approx(0.2 + 1.96 * 4.158, abs=0.002)
    assert rules(own) == ["own_error.found", "own_error.no_bias"]
    assert "2.94° (2.02° to 5.37°" in own.reasons[0].says
    spread = float(np.std([*FIRST, *SECOND], ddof=1))
    assert own.sem_from_icc == pytest.approx(spread * math.sqrt(1 - own.icc.agreement))


def test_bias_and_its_interval_agree_with_scipy() -> None:
    own = found()
    peer = stats.ttest_rel(SECOND, FIRST).confidence_interval(0.95)
    assert (own.bias_low, own.bias_high) == pytest.approx((peer.low, peer.high), rel=1e-9)


def test_a_bias_is_told_and_is_in_one_of_the_two_errors() -> None:
    own = found(second=[value + 6 for value in SECOND])
    assert own.bias_matters
    assert rules(own)[1] == "own_error.bias"
    assert own.reasons[1].says.startswith("Warning: the second reading differs")
    assert own.sem == pytest.approx(found().sem)  # paired differences do not hold it
    assert own.sem_from_icc > found().sem_from_icc + 1  # agreement does
    assert own.icc.consistency == pytest.approx(found().icc.consistency)
    assert own.icc.agreement < found().icc.agreement


def test_the_interval_covers_the_truth_as_often_as_it_says() -> None:
    """500 invented studies of 12 feet with a true error of 4°: 95 % hold it, give or take 2 %."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(500):
        true = rng.normal(40, 12, 12)
        one, two = (list(true + rng.normal(0, 4, 12)) for _ in range(2))
        own = found(one, two)
        held += own.low <= 4 <= own.high
    assert held / 500 == pytest.approx(0.95, abs=0.02)


def test_open_data_of_stance_twice() -> None:
    """First and second trial, log mean speed, eyes open, firm (santos_2016): against scipy."""
    if not STANCE.exists():
        pytest.skip("the open stance data are not beside the repository")
    trials: dict[str, list[float]] = {}
    with STANCE.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if (row["Vision"], row["Surface"]) == ("Open", "Firm"):
                trials.setdefault(row["Subject"], []).append(math.log(float(row["COPvelo"])))
    pairs = [values for values in trials.values() if len(values) >= 2]
    one, two = [v[0] for v in pairs], [v[1] for v in pairs]
    own = found(one, two, unit="1")
    differences = np.subtract(two, one)
    assert own.feet == len(pairs) > 150
    assert own.sem == pytest.approx(float(np.std(differences, ddof=1)) / math.sqrt(2))
    df = own.feet - 1
    low, high = (math.sqrt(df / float(stats.chi2.ppf(p, df))) for p in (0.975, 0.025))
    assert (own.low, own.high) == pytest.approx((own.sem * low, own.sem * high), rel=1e-9)


@given(st.integers(0, 10_000), st.floats(-50, 50), st.floats(0.1, 20))
def test_shift_and_scale(seed: int, shift: float, scale: float) -> None:
    rng = np.random.default_rng(seed)
    true = rng.normal(40, 10, 15)
    one, two = ([float(x) for x in true + rng.normal(0, 3, 15)] for _ in range(2))
    own = found(one, two)
    other = found([scale * x + shift for x in one], [scale * x + shift for x in two])
    assert other.sem == pytest.approx(scale * own.sem, rel=1e-6)
    assert other.icc.agreement == pytest.approx(own.icc.agreement, rel=1e-6, abs=1e-9)
    assert own.low < own.sem < own.high


@pytest.mark.parametrize("take", ["high", "estimate"])
def test_the_clinic_s_own_row_is_read_back(take: Any) -> None:
    own = found()
    if take == "estimate":  # 2.94 lies just below the row's own range of 3 to 15
        with pytest.raises(InputError, match="allowed: 3 to 15°"):
            override_text(own, ROW, BOOK, who="A. B.", when="2026-03-02", take=take)
        own = replace(own, sem=3.456)
    text = override_text(own, ROW, BOOK, who='A. "B"\\', when="2026-03-02", take=take)
    (override,) = read_overrides(text, BOOK)
    assert override.key == ROW.key
    assert override.value == round(own.high if take == "high" else own.sem, 2)
    assert "10 feet, 7 days apart" in override.why
    assert load_book(overrides=(override,)).value(ROW.key) == override.value


def test_what_may_not_become_the_clinic_s_row() -> None:
    own = found(second=[value + 6 for value in SECOND], days_apart=0)
    assert rules(own)[-1] == "own_error.one_session"
    with pytest.raises(InputError) as caught:
        override_text(own, BOOK.row("change.nprs.sem"), BOOK, who="A", when="2026-03-02")
    assert [fault.field for fault in caught.value.faults] == ["days_apart", "bias", "row"]


@pytest.mark.parametrize(
    ("first", "second", "days", "fields"),
    [
        (FIRST[:9], SECOND[:9], 1, ["feet"]),
        (FIRST, SECOND[:9], -1, ["feet", "feet", "days_apart"]),
        ([*FIRST[:9], math.nan], SECOND, 1, ["first reading of foot 10"]),
        (FIRST, [value + 1 for value in FIRST], 1, ["differences"]),
    ],
)
def test_what_says_too_little_is_refused(
    first: list[float], second: list[float], days: int, fields: list[str]
) -> None:
    with pytest.raises(InputError) as caught:
        found(first, second, days_apart=days)
    assert [fault.field for fault in caught.value.faults] == fields


def test_equal_readings_have_no_correlation() -> None:
    icc = intraclass([[1.0, 1.0], [1.0, 1.0]])
    assert math.isnan(icc.agreement)
    assert math.isnan(icc.consistency)
