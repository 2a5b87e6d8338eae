"""The moving true value behind readings: by hand, and beside another implementation."""

from __future__ import annotations

import math
import warnings
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.tsa.statespace.structural import UnobservedComponents

from rungwise.core.errors import InputError
from rungwise.core.trend import (
    MODELS,
    Model,
    Noise,
    Series,
    ahead,
    filter_series,
    last_states,
    log_likelihood,
    smooth_series,
)
from rungwise.core.trend_fit import fit_noise

SPECS = {"level": "local level", "trend": "local linear trend"}


def peer(values: Any, model: Model) -> Any:
    """UnobservedComponents of statsmodels, its start exactly diffuse."""
    return UnobservedComponents(values, SPECS[model], use_exact_diffuse=True)


def close(ours: np.ndarray[Any, Any], theirs: Any) -> None:
    np.testing.assert_allclose(ours, theirs, rtol=1e-7, atol=1e-9)


def drawn(seed: int) -> tuple[np.ndarray[Any, Any], Series, float]:
    """Daily values with gaps as NaN, the same as a series, and the error variance of a reading."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(6, 31))
    values = np.cumsum(rng.normal(size=n) * rng.choice([0.0, 0.2, 1.0])) + rng.normal(size=n)
    values += np.arange(n) * rng.normal() * 0.3
    values[2:][rng.random(n - 2) < 0.3] = np.nan
    if seed % 2:
        values[1] = np.nan  # a gap before the start of a trend is known
    seen = np.flatnonzero(~np.isnan(values))
    variance = float(rng.uniform(0.2, 2.0))
    series = Series(tuple(map(int, seen)), tuple(map(float, values[seen])), (variance,) * len(seen))
    return values, series, variance


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize(
    "noise", [Noise(0.0), Noise(0.1), Noise(1.0, 0.01), Noise(0.0, 0.3)], ids=str
)
def test_equal_to_statsmodels_with_readings_missing(model: Model, noise: Noise) -> None:
    """Likelihood within 1e-6 relative (met: 1e-9), values and variances, filtered and smoothed."""
    for seed in range(6):
        values, series, variance = drawn(seed)
        whole = peer(values, model)
        noises = [noise.level] if model == "level" else [noise.level, noise.slope]
        theirs = whole.smooth([variance, *noises])
        days = list(series.days)
        filtered = filter_series(series, model, noise)
        smoothed = smooth_series(series, model, noise)
        assert log_likelihood(series, model, noise) == pytest.approx(theirs.llf, rel=1e-9)
        assert filtered.log_likelihood == smoothed.log_likelihood
        for ours, state, spread, start in (
            (filtered, theirs.filtered_state, theirs.filtered_state_cov, 1),
            (smoothed, theirs.smoothed_state, theirs.smoothed_state_cov, 0),
        ):
            close(ours.levels, state[0][days])
            close(ours.level_variances, spread[0, 0][days])
            if model == "trend":
                known = days[start:]
                close(ours.slopes[start:], state[1][known])
                close(
                    ours.slope_variances[start:],
                    spread[1, 1][known],
                )
        if model == "trend":
            assert math.isnan(filtered.slopes[0])


@pytest.mark.parametrize("model", MODELS)
def test_the_fit_is_at_least_as_likely_as_that_of_statsmodels(model: Model) -> None:
    """Same error variance held fixed. Beside it a grid of noises, so that no top is missed."""
    grid = np.concatenate([[0.0], np.geomspace(1e-5, 100.0, 40)])
    levels, slopes = (a.ravel() for a in np.meshgrid(grid, grid if model == "trend" else [0.0]))
    for seed in range(6):
        values, series, variance = drawn(seed)
        if len(series.days) < 5:
            continue
        whole = peer(values, model)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it warns of its own search
            with whole.fix_params({"sigma2.irregular": variance}):
                theirs = whole.fit(disp=False, maxiter=500)
        fit = fit_noise(series, model)
        assert fit.log_likelihood >= theirs.llf - 1e-6
        assert fit.log_likelihood >= np.max(last_states(series, model, levels, slopes)[1]) - 1e-6
        assert fit.log_likelihood == pytest.approx(log_likelihood(series, model, fit.noise))


def test_a_still_level_is_the_running_weighted_mean() -> None:
    """No noise, worked by hand: weights 1/variance; variance 1 / their sum."""
    series = Series((0, 3, 4), (10.0, 16.0, 13.0), (1.0, 2.0, 4.0))
    track = filter_series(series, "level", Noise(0.0))
    assert track.levels == pytest.approx([10.0, (10 + 8) / 1.5, (10 + 8 + 3.25) / 1.75])
    assert track.level_variances == pytest.approx([1.0, 1 / 1.5, 1 / 1.75])
    smoothed = smooth_series(series, "level", Noise(0.0))
    assert smoothed.levels == pytest.approx([(10 + 8 + 3.25) / 1.75] * 3)


def test_a_wild_level_is_the_last_reading() -> None:
    """Noise without end: nothing before the last reading counts, and its error is all there is."""
    series = Series((0, 3, 4), (10.0, 16.0, 13.0), (1.0, 2.0, 4.0))
    track = filter_series(series, "level", Noise(1e12))
    assert track.levels == pytest.approx(series.values)
    assert track.level_variances == pytest.approx(series.variances)


def test_one_step_of_a_level_by_hand() -> None:
    """y 0 and 3, error 1, noise 1 a day, 2 days: P 3, F 4, gain 3/4, value 2.25, variance 0.75."""
    series = Series((0, 2), (0.0, 3.0), (1.0, 1.0))
    track = filter_series(series, "level", Noise(1.0))
    assert track.levels[1] == pytest.approx(2.25)
    assert track.level_variances[1] == pytest.approx(0.75)
    by_hand = -math.log(2 * math.pi) - math.log(4) / 2 - 9 / 8
    assert track.log_likelihood == pytest.approx(by_hand)


def test_a_still_trend_is_the_weighted_line_and_goes_on() -> None:
    """No noise: least squares with weights 1/variance, at the end and everywhere, and ahead."""
    series = Series((0, 1, 5, 9), (1.0, 4.0, 6.0, 15.0), (1.0, 2.0, 1.0, 0.5))
    days = np.array(series.days, float)
    design = np.column_stack([np.ones(4), days])
    weights = np.diag(1 / np.array(series.variances))
    spread = np.linalg.inv(design.T @ weights @ design)
    a, b = spread @ design.T @ weights @ np.array(series.values)
    track = smooth_series(series, "trend", Noise(0.0))
    assert track.levels == pytest.approx(a + b * days)
    assert track.slopes == pytest.approx([b] * 4)
    assert track.level_variances == pytest.approx((design @ spread @ design.T).diagonal())
    state, _ = last_states(series, "trend", 0.0, 0.0)
    later = ahead(state, 7, 0.0, 0.0)
    row = np.array([1.0, 16.0])
    assert later.level == pytest.approx(a + b * 16)
    assert later.level_variance == pytest.approx(row @ spread @ row)
    assert (later.first, later.first_variance) == pytest.approx((a, spread[0, 0]))
    assert later.first_covariance == pytest.approx(row @ spread[0])


@pytest.mark.parametrize("model", MODELS)
def test_first_and_last_value_vary_together_as_regression_says(model: Model) -> None:
    """The same in one piece: generalised least squares and the noise predicted from its rest."""
    _, series, _ = drawn(3)
    noise = Noise(0.2, 0.03 if model == "trend" else 0.0)
    days = np.array(series.days)
    lags = np.maximum(days[:, None] - np.arange(days[-1])[None, :], 0)  # since each day's noise
    wandering = noise.level * (lags > 0).astype(float) @ (lags > 0).T
    wandering += noise.slope * np.maximum(lags - 1, 0) @ np.maximum(lags - 1, 0).T
    design = np.column_stack([np.ones(len(days)), days])[:, : MODELS.index(model) + 1]
    weights = np.linalg.inv(wandering + np.diag(series.variances))
    doubt = np.linalg.inv(design.T @ weights @ design)
    start = doubt @ design.T @ weights @ np.array(series.values)
    ends = [0, -1]
    shrunk = wandering[ends] @ weights
    left = design[ends] - shrunk @ design
    means = left @ start + shrunk @ np.array(series.values)
    joint = wandering[np.ix_(ends, ends)] - shrunk @ wandering[:, ends] + left @ doubt @ left.T
    state, _ = last_states(series, model, noise.level, noise.slope)
    assert [state.first, state.level] == pytest.approx(means)
    found = [state.first_variance, state.first_covariance, state.level_variance]
    assert found == pytest.approx([joint[0, 0], joint[0, 1], joint[1, 1]])


def test_a_start_of_unknown_steepness_ends_where_an_open_start_does() -> None:
    """With a wide start the trend is that of the open start; with none, that of the level."""
    _, series, _ = drawn(3)
    wide, likelihood = last_states(series, "trend", 0.2, 0.03, 1e9)
    for ours, theirs in zip(wide, last_states(series, "trend", 0.2, 0.03)[0], strict=True):
        assert ours == pytest.approx(theirs, abs=1e-6)
    flat, even = last_states(series, "trend", 0.2, 0.0, 0.0)
    level, same = last_states(series, "level", 0.2, 0.0)
    assert flat == pytest.approx(level)
    assert even == pytest.approx(same)
    assert even != pytest.approx(likelihood)


def test_many_noises_at_once_are_each_alone() -> None:
    _, series, _ = drawn(4)
    levels, slopes = np.array([0.0, 0.1, 2.0]), np.array([0.01, 0.0, 0.3])
    states, likelihoods = last_states(series, "trend", levels, slopes)
    for index, (level, slope) in enumerate(zip(levels, slopes, strict=True)):
        one, likelihood = last_states(series, "trend", float(level), float(slope))
        assert np.asarray(likelihoods)[index] == pytest.approx(likelihood)
        for several, single in zip(states, one, strict=True):
            assert np.asarray(several)[index] == pytest.approx(single)


def test_a_fit_at_the_edge_says_so() -> None:
    """Readings closer together than their error allows: no noise is likeliest, and named."""
    series = Series((0, 1, 2, 3), (5.0, 5.1, 4.9, 5.0), (1.0,) * 4)
    fit = fit_noise(series, "level")
    assert fit.noise == Noise(0.0)
    assert fit.at_zero == ("level",)
    assert fit_noise(series, "trend").at_zero == ("level", "slope")


def test_a_fit_finds_a_noise_by_hand() -> None:
    """One difference d = 3, errors 1 and 1, 2 days: 2 + 2q = 9, so q = 3.5."""
    fit = fit_noise(Series((0, 2), (0.0, 3.0), (1.0, 1.0)), "level")
    assert fit.noise.level == pytest.approx(3.5, rel=1e-3)
    assert fit.at_zero == ()


@given(
    st.lists(st.floats(-50, 50), min_size=4, max_size=12),
    st.lists(st.integers(1, 20), min_size=11, max_size=11),
    st.sampled_from(MODELS),
)
def test_turning_a_series_upside_down_turns_only_the_values(
    values: list[float], gaps: list[int], model: Model
) -> None:
    days = tuple(np.cumsum([0, *gaps[: len(values) - 1]]).tolist())
    errors = (2.0,) * len(values)
    noise = Noise(0.5, 0.01 if model == "trend" else 0.0)
    up = smooth_series(Series(days, tuple(values), errors), model, noise)
    down = smooth_series(Series(days, tuple(-v for v in values), errors), model, noise)
    assert up.levels == pytest.approx(-down.levels, abs=1e-9)
    assert up.log_likelihood == pytest.approx(down.log_likelihood)
    assert np.all(up.level_variances <= 2.0 + 1e-9)  # never worse than the reading alone


def test_what_is_no_series_is_refused_at_once() -> None:
    with pytest.raises(InputError) as caught:
        Series((0, 0), (1.0, math.nan), (1.0, 0.0))
    assert [fault.field for fault in caught.value.faults] == ["days", "values", "variances"]
    with pytest.raises(InputError, match="as many of each"):
        Series((0, 1), (1.0,), (1.0, 1.0))
    with pytest.raises(InputError, match="level"):
        Noise(-0.1)
    one = Series((0,), (1.0,), (1.0,))
    with pytest.raises(InputError, match="at least 2 readings"):
        fit_noise(one, "level")
    with pytest.raises(InputError, match="at least 3 readings"):
        fit_noise(Series((0, 1), (1.0, 2.0), (1.0, 1.0)), "trend")
    with pytest.raises(InputError, match="at least 2 readings"):
        log_likelihood(one, "trend", Noise(0.0))
