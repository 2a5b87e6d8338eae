"""Separate what changed from the error of reading it: a series of readings as a moving true value.

The error of each reading is known; how unsteady the true value is, is not, and is fitted. Time runs
in whole days: what happens between two readings is what so many single days would do.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import islice, pairwise
from math import isfinite, log, pi
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rungwise.core.errors import Fault, InputError

__all__ = [
    "MODELS",
    "Model",
    "Noise",
    "Series",
    "State",
    "Track",
    "ahead",
    "filter_series",
    "last_states",
    "log_likelihood",
    "noise_over",
    "smooth_series",
]

Values = NDArray[np.float64]
#: One number, or an array (m,) with one entry for each pair of noises tried at once.
Number = float | Values
Model = Literal["level", "trend"]
#: Local level (it wanders), and local linear trend (it also has a slope, which wanders).
MODELS: tuple[Model, ...] = ("level", "trend")


@dataclass(frozen=True)
class Series:
    """Readings of one thing, each with the variance of its error.

    Parameters
    ----------
    days : tuple of int
        Day of each reading, rising; only differences count [d].
    values : tuple of float
        The readings, in the unit of the measure.
    variances : tuple of float
        Variance of the error of each, above 0, in that unit squared.

    Raises
    ------
    InputError
        When lengths differ, days do not rise, or a number is no such number.
    """

    days: tuple[int, ...]
    values: tuple[float, ...]
    variances: tuple[float, ...]

    def __post_init__(self) -> None:
        faults = []
        if not len(self.days) == len(self.values) == len(self.variances):
            lengths = f"{len(self.days)}, {len(self.values)} and {len(self.variances)}"
            faults.append(Fault("series", lengths, "as many of each", "Give each reading all."))
        if any(gap <= 0 for gap in self.gaps):
            faults.append(Fault("days", str(self.days), "rising days", "Take a day's mean first."))
        if not all(map(isfinite, self.values)):
            faults.append(Fault("values", str(self.values), "finite numbers", "Leave gaps out."))
        if not all(isfinite(variance) and variance > 0 for variance in self.variances):
            faults.append(Fault("variances", str(self.variances), "above 0", "Give the error."))
        if faults:
            raise InputError("series", tuple(faults))

    @property
    def gaps(self) -> tuple[int, ...]:
        """Days from each reading to the next [d]."""
        return tuple(b - a for a, b in pairwise(self.days))


@dataclass(frozen=True)
class Noise:
    """How unsteady the true value is.

    Parameters
    ----------
    level : float
        Variance that one day adds to the true value, in the unit of the measure squared.
    slope : float
        Variance that one day adds to its change a day, in (unit a day) squared; a level has none.

    Raises
    ------
    InputError
        For a variance below 0 or not finite.
    """

    level: float
    slope: float = 0.0

    def __post_init__(self) -> None:
        faults = tuple(
            Fault(name, str(value), "a finite number, at least 0", "Give a variance a day.")
            for name, value in (("level", self.level), ("slope", self.slope))
            if not (isfinite(value) and value >= 0)
        )
        if faults:
            raise InputError("noise", faults)


class State(NamedTuple):
    """What is known of the true value on one day, given the readings up to then.

    Parameters
    ----------
    level, slope : float or (m,) array
        True value, and its change a day.
    level_variance, covariance, slope_variance : float or (m,) array
        Their variances and covariance.
    first, first_variance : float or (m,) array
        True value on the day of the first reading, and its variance.
    first_covariance, first_slope_covariance : float or (m,) array
        Its covariance with the level and with the slope.
    """

    level: Number
    slope: Number
    level_variance: Number
    covariance: Number
    slope_variance: Number
    first: Number
    first_variance: Number
    first_covariance: Number
    first_slope_covariance: Number


@dataclass(frozen=True)
class Track:
    """The true value at each reading.

    Parameters
    ----------
    levels, slopes : (n,) array
        True value and its change a day; the slope is NaN where nothing is known of it yet.
    level_variances, slope_variances : (n,) array
        Their variances.
    log_likelihood : float
        Diffuse log-likelihood of the whole series [1].
    """

    levels: Values
    slopes: Values
    level_variances: Values
    slope_variances: Values
    log_likelihood: float


def log_likelihood(series: Series, model: Model, noise: Noise) -> float:
    """How likely a series is under a noise: the logarithm of its exact diffuse likelihood.

    Parameters
    ----------
    series : Series
        At least 1 reading for a level, 2 for a trend.
    model : {"level", "trend"}
        One of `MODELS`.
    noise : Noise
        How unsteady the true value is.

    Notes
    -----
    Level: μ(d+1) = μ(d) + η. Trend: μ(d+1) = μ(d) + β(d) + η, β(d+1) = β(d) + ζ; reading
    y = μ + ε with known variance. Nothing is assumed of μ and β at the start. The readings that
    settle them count -½ log 2π each, the second reading of a trend also -log of its gap.

    Sources
    -------
    durbin_koopman_2012, harvey_1989.

    Examples
    --------
    >>> two = Series((0, 1), (3.0, 3.0), (1.0, 1.0))
    >>> round(log_likelihood(two, "level", Noise(0.0)), 4)  # -log 2π - ½ log 2
    -2.1845
    """
    return float(_pass(series, model, noise.level, noise.slope)[1])


def last_states(
    series: Series, model: Model, levels: Number, slopes: Number, steepness: Number | None = None
) -> tuple[State, Number]:
    """What is known at the last reading under each of m noises, and their log-likelihoods.

    Parameters
    ----------
    series, model : Series, str
        As for `log_likelihood`.
    levels, slopes : float or (m,) array
        The noises, as in `Noise`.
    steepness : float or (m,) array, optional
        Variance of the change a day at the first reading, around 0, in (unit a day) squared.
        Without it nothing is assumed of that change. A trend then takes but 1 reading, and its
        likelihood can be held against that of a level.
    """
    states, likelihood = _pass(series, model, levels, slopes, steepness)
    return states[-1], likelihood


def filter_series(series: Series, model: Model, noise: Noise) -> Track:
    """The true value at each reading, from the readings up to it."""
    states, likelihood = _pass(series, model, noise.level, noise.slope)
    start = 1 if model == "trend" else 0
    blank = [(series.values[0], np.nan, series.variances[0], np.nan)] * start
    rows = [(s.level, s.slope, s.level_variance, s.slope_variance) for s in states]
    levels, slopes, variances, slope_variances = np.array([*blank, *rows], float).T
    return Track(levels, slopes, variances, slope_variances, float(likelihood))


def smooth_series(series: Series, model: Model, noise: Noise) -> Track:
    """The true value at each reading, from all readings.

    Notes
    -----
    From the last reading backwards: x | next = filtered + G (next - predicted), with
    G = P T' (T P T' + Q)⁻¹. The first reading of a trend leaves its slope unknown; there, the
    next state carried back is met by the reading itself.

    Sources
    -------
    durbin_koopman_2012.
    """
    states, likelihood = _pass(series, model, noise.level, noise.slope)
    start = len(series.days) - len(states)
    means = [np.array([s.level, s.slope], float) for s in states]
    covariances = [
        np.array([[s.level_variance, s.covariance], [s.covariance, s.slope_variance]], float)
        for s in states
    ]
    size = 1 if model == "level" else 2  # a level has no slope to carry back
    mean, spread = means[-1][:size], covariances[-1][:size, :size]
    found = [(mean, spread)]
    for index in range(len(series.days) - 2, -1, -1):
        gap = series.gaps[index]
        move = np.array([[1.0, gap], [0.0, 1.0]])[:size, :size]
        w, c, u = noise_over(gap, noise.level, noise.slope if size > 1 else 0.0)
        added = np.array([[w, c], [c, u]], float)[:size, :size]
        if index >= start:
            known, doubt = means[index - start][:size], covariances[index - start][:size, :size]
            back = np.linalg.solve(move @ doubt @ move.T + added, move @ doubt).T
            rest = doubt - back @ (move @ doubt)
            mean = known + back @ (mean - move @ known)
        else:
            inverse = np.linalg.inv(move)
            doubt = inverse @ added @ inverse.T
            gain = doubt[:, 0] / (doubt[0, 0] + series.variances[index])
            keep = np.eye(size) - np.outer(gain, [1.0, 0.0])
            back, rest = keep @ inverse, keep @ doubt
            mean = back @ mean + gain * series.values[index]
        spread = rest + back @ spread @ back.T
        found.append((mean, spread))
    found.reverse()
    levels = np.array([mean[0] for mean, _ in found])
    level_variances = np.array([spread[0, 0] for _, spread in found])
    slopes = np.array([mean[1] if size > 1 else 0.0 for mean, _ in found])
    slope_variances = np.array([spread[1, 1] if size > 1 else 0.0 for _, spread in found])
    return Track(levels, slopes, level_variances, slope_variances, float(likelihood))


def ahead(state: State, days: int, levels: Number, slopes: Number) -> State:
    """What is known some days later, when nothing more was read.

    Parameters
    ----------
    state : State
        What is known now.
    days : int
        How much later [d].
    levels, slopes : float or (m,) array
        The noises, as in `Noise`.
    """
    w, c, u = noise_over(days, levels, slopes)
    s = state
    return State(
        s.level + days * s.slope,
        s.slope,
        s.level_variance + days * (2 * s.covariance + days * s.slope_variance) + w,
        s.covariance + days * s.slope_variance + c,
        s.slope_variance + u,
        s.first,
        s.first_variance,
        s.first_covariance + days * s.first_slope_covariance,
        s.first_slope_covariance,
    )


# ------------------------------------------------------------------ the recursion


def noise_over(days: int, level: Number, slope: Number) -> tuple[Number, Number, Number]:
    """Variance that so many single days add to the level, covariance, and variance of the slope.

    Parameters
    ----------
    days : int
        How many [d].
    level, slope : float or (m,) array
        The noises, as in `Noise`.

    Notes
    -----
    A slope that is off since j days has moved the level j times: sums of j² and j for j < days.
    """
    lines = days * (days - 1) / 2
    return days * level + _squares(days) * slope, lines * slope, days * slope


@cache
def _squares(days: int) -> int:
    return sum(j * j for j in range(days))


def _start(
    series: Series, model: Model, level: Number, slope: Number, steepness: Number | None
) -> tuple[State, int, float]:
    """The first state that is known at all, the readings it took, and their log-likelihood.

    With errors e1, e2 and noise w, u over the gap k, the slope at the second reading is
    (y2 - y1 + e1 - e2 - w) / k + u.
    """
    none = 0 * level + 0 * slope
    y1, h1 = series.values[0], series.variances[0]
    each = -log(2 * pi) / 2
    if model == "level" or steepness is not None:
        y, h = none + y1, none + h1
        steep = none if steepness is None else none + steepness
        return State(y, none, h, none, steep, y, h, h, none), 1, each
    if len(series.days) < 2:
        fault = Fault("series", "1 reading", "at least 2 readings for a trend", "Read once more.")
        raise InputError("series", (fault,))
    y2, h2, k = series.values[1], series.variances[1], series.gaps[0]
    w, c, u = noise_over(k, level, slope)
    state = State(
        none + y2,
        none + (y2 - y1) / k,
        none + h2,
        none + h2 / k,
        (h1 + h2 + w) / (k * k) + u - 2 * c / k,
        none + y1,
        none + h1,
        none,
        none - h1 / k,
    )
    return state, 2, 2 * each - log(k)


def _pass(
    series: Series, model: Model, level: Number, slope: Number, steepness: Number | None = None
) -> tuple[list[State], Number]:
    """Each state from the first that is known, and the log-likelihood."""
    if model == "level":
        slope, steepness = 0 * slope, None
    state, taken, likelihood = _start(series, model, level, slope, steepness)
    states = [state]
    spreads: list[Number] = []
    misses: Number = 0 * level
    later = zip(series.gaps, series.values[1:], series.variances[1:], strict=True)
    for gap, y, h in islice(later, taken - 1, None):
        s = ahead(state, gap, level, slope)
        spread = s.level_variance + h
        miss = y - s.level
        gain, slope_gain = s.level_variance / spread, s.covariance / spread
        first_gain = s.first_covariance / spread
        state = State(
            s.level + gain * miss,
            s.slope + slope_gain * miss,
            gain * h,
            s.covariance * h / spread,
            s.slope_variance - slope_gain * s.covariance,
            s.first + first_gain * miss,
            s.first_variance - first_gain * s.first_covariance,
            s.first_covariance * h / spread,
            s.first_slope_covariance - slope_gain * s.first_covariance,
        )
        states.append(state)
        spreads.append(spread)
        misses = misses + miss * miss / spread
    logs = np.log(2 * pi * np.asarray(spreads)).sum(axis=0) if spreads else 0.0
    return states, likelihood - (logs + misses) / 2
