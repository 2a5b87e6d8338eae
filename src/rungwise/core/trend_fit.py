"""How unsteady a true value is: the noise under which its readings are likeliest."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi

import numpy as np
from numpy.typing import NDArray

from rungwise.core.errors import Fault, InputError
from rungwise.core.trend import Model, Noise, Series, noise_over

__all__ = ["Fit", "fit_noise"]

Values = NDArray[np.float64]
#: A fit ends when a step raises the log-likelihood by less than this.
SMALL = float(np.finfo(np.float64).eps) ** 0.5
MOST_STEPS = 100
#: Sizes of one noise tried at once, 1 being that of the errors, and how often the best is closed in
#: on by as many steps between its neighbours.
SIZES = np.concatenate([[0.0], np.geomspace(SMALL**0.5, SMALL**-0.5, 2 * 2 * 10)])
STEPS = np.linspace(0.0, 1.0, len(SIZES))
CLOSER = 2 + 1


@dataclass(frozen=True)
class Fit:
    """The likeliest noise.

    Parameters
    ----------
    noise : Noise
        Where the likelihood is highest.
    log_likelihood : float
        Its logarithm there [1].
    at_zero : tuple of str
        Noises that came out as exactly 0. So few readings cannot tell a little noise from none:
        whoever states doubt must not take this 0 at its word (see :mod:`rungwise.core.forecast`).
    """

    noise: Noise
    log_likelihood: float
    at_zero: tuple[str, ...]


def fit_noise(series: Series, model: Model) -> Fit:
    """The noise under which the readings are likeliest, none of it below 0.

    Parameters
    ----------
    series : Series
        At least 2 readings for a level, 3 for a trend.
    model : {"level", "trend"}
        One of `MODELS`.

    Raises
    ------
    InputError
        With fewer readings.

    Notes
    -----
    First (level) or second (trend) divided differences of the readings are free of the unknown
    start, and as likely as the series but for a constant. Their covariance is
    V = S0 + Σ q S. With one noise alone V is made diagonal once, and any number of sizes is tried
    at no cost. With two, a step is q + I⁻¹ s, with score s = ½ (c'V⁻¹SV⁻¹c - tr V⁻¹S) and I, the
    average of observed and expected information, ½ c'V⁻¹SV⁻¹SV⁻¹c; it is cut off at 0 and halved
    until the likelihood rises. It starts from the likelier of the two noises alone.

    Sources
    -------
    harvey_1989; the differences are derived.
    """
    needed = 2 if model == "level" else 2 + 1
    if len(series.days) < needed:
        least = f"at least {needed} readings"
        fault = Fault("series", f"{len(series.days)} readings", least, "Read once more.")
        raise InputError("series", (fault,))
    differences, error, parts = _differences(series, model)
    root = np.linalg.inv(np.linalg.cholesky(error))
    turned = root @ differences
    alone = [_alone(turned, root @ part @ root.T) for part in parts]
    most = int(np.argmax([height for _, height in alone]))
    noises = np.eye(len(parts))[most] * alone[most][0]
    height = alone[most][1] + float(np.log(root.diagonal()).sum())
    if len(parts) > 1:
        noises, height = _climb(differences, error, parts, noises)
        height -= sum(map(log, series.gaps))
    noise = Noise(*map(float, noises))
    names = ("level", "slope")[: len(parts)]
    at_zero = tuple(name for name, q in zip(names, noises, strict=True) if q == 0)
    return Fit(noise, height - len(series.days) * log(2 * pi) / 2, at_zero)


def _differences(series: Series, model: Model) -> tuple[Values, Values, tuple[Values, ...]]:
    """Differences free of the start (n - 1,) or (n - 2,), and the parts of their covariance."""
    n = len(series.days)
    k = np.array(series.gaps, float)
    first = np.diff(np.eye(n), axis=0)
    values = np.array(series.values)
    if model == "level":
        return first @ values, (first * series.variances) @ first.T, (np.diag(k),)
    second = np.diff(np.eye(n - 1), axis=0) / k
    both = second @ first
    over = [noise_over(gap, 0.0, 1.0) for gap in series.gaps]
    w, c, u = (np.array(part, float) for part in zip(*over, strict=True))
    beside = c[1:-1] / k[1:-1] - w[1:-1] / k[1:-1] ** 2
    slope = np.diag(u[:-1] + w[1:] / k[1:] ** 2 + w[:-1] / k[:-1] ** 2 - 2 * c[:-1] / k[:-1])
    slope += np.diag(beside, 1) + np.diag(beside, -1)
    return both @ values, (both * series.variances) @ both.T, ((second * k) @ second.T, slope)


def _alone(turned: Values, part: Values) -> tuple[float, float]:
    """The likeliest size of one noise beside errors turned into 1, and the height there.

    Tried are 0 and 1e-4 to 1e4 times what would equal the errors.
    """
    found, ways = np.linalg.eigh(part)
    squares = (ways.T @ turned) ** 2

    def heights(sizes: Values) -> Values:
        spreads = 1 + sizes[:, None] * found
        higher: Values = -(np.log(spreads) + squares / spreads).sum(axis=1) / 2
        return higher

    sizes = SIZES / found.mean()
    for _ in range(CLOSER):
        best = int(heights(sizes).argmax())
        low, high = sizes[max(best - 1, 0)], sizes[min(best + 1, len(sizes) - 1)]
        sizes = low + (high - low) * STEPS
    last = heights(sizes)
    best = int(last.argmax())
    return float(sizes[best]), float(last[best])


def _climb(
    differences: Values, error: Values, parts: tuple[Values, ...], noises: Values
) -> tuple[Values, float]:
    """Climb to a top of the likelihood from one start: the noises, and its logarithm there."""
    height, turned, weights = _height(differences, error, parts, noises)
    for _ in range(MOST_STEPS):
        moved = np.array([part @ turned for part in parts])
        score = (moved @ turned - [np.vdot(weights, part) for part in parts]) / 2
        free = (noises > 0) | (score > 0)
        if not free.any():
            break
        information = moved @ weights @ moved.T / 2
        step = np.zeros(len(parts))
        step[free] = np.linalg.solve(information[np.ix_(free, free)], score[free])
        if step @ score < SMALL:
            break
        tried = np.maximum(noises + step, 0)
        found = _height(differences, error, parts, tried)
        while found[0] < height and np.any(np.abs(tried - noises) > SMALL * noises):
            step /= 2
            tried = np.maximum(noises + step, 0)
            found = _height(differences, error, parts, tried)
        if found[0] < height:
            break
        noises, (height, turned, weights) = tried, found
    return noises, height


def _height(
    differences: Values, error: Values, parts: tuple[Values, ...], noises: Values
) -> tuple[float, Values, Values]:
    """Log-likelihood but for a constant, V⁻¹c and V⁻¹."""
    spread = error.copy()
    for noise, part in zip(noises, parts, strict=True):
        spread += noise * part
    weights: Values = np.asarray(np.linalg.inv(spread), np.float64)
    turned = weights @ differences
    halved = np.log(np.linalg.cholesky(spread).diagonal()).sum()
    return float(-halved - differences @ turned / 2), turned, weights
