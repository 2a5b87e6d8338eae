"""Quantiles of chi-square and of Student's t for whole degrees of freedom, by finite sums.

No table, no approximation: both distributions are finite sums when the degrees of freedom are
whole, and a quantile is found by halving until two neighbouring numbers are left.
"""

from __future__ import annotations

from collections.abc import Callable
from math import atan2, cos, erfc, exp, inf, lgamma, log, pi, sin, sqrt

__all__ = ["chi_square_above", "chi_square_quantile", "t_quantile", "t_within"]


def chi_square_above(x: float, degrees: int) -> float:
    """Chance that a chi-square of so many degrees of freedom lies above ``x`` [1].

    Notes
    -----
    With h = x / 2: e^-h Σ h^k / k! for k below ν/2 when ν is even; when ν is odd
    erfc(√h) + e^-h Σ h^(k - 1/2) / Γ(k + 1/2) for k from 1 to (ν - 1)/2.
    """
    if x <= 0:
        return 1.0
    half = x / 2
    odd = degrees % 2
    powers = (k - odd / 2 for k in range(odd, degrees // 2 + odd))
    total = sum(exp(power * log(half) - half - lgamma(power + 1)) for power in powers)
    return total + (erfc(sqrt(half)) if odd else 0.0)


def chi_square_quantile(p: float, degrees: int) -> float:
    """Value that a chi-square of so many degrees of freedom does not exceed with chance ``p``."""
    _check(p, degrees)
    return _solve(lambda x: chi_square_above(x, degrees) <= 1 - p, float(degrees))


def t_within(t: float, degrees: int) -> float:
    """Chance that Student's t of so many degrees of freedom lies between -t and t [1].

    Notes
    -----
    With θ = atan(t / √ν): sin θ (1 + cos²θ/2 + 1·3/(2·4) cos⁴θ + …) up to cos^(ν-2) when ν is
    even; 2/π (θ + sin θ (cos θ + 2/3 cos³θ + …)) up to the same power when ν is odd.
    """
    angle = atan2(t, sqrt(degrees))
    odd = degrees % 2
    term = cos(angle) if odd else 1.0
    total = 0.0
    for power in range(odd, degrees - 1, 2):
        total += term
        term *= cos(angle) ** 2 * (power + 1) / (power + 2)
    if odd:
        return 2 / pi * (angle + sin(angle) * total)
    return sin(angle) * total


def t_quantile(p: float, degrees: int) -> float:
    """Value that Student's t of so many degrees of freedom does not exceed with chance ``p``."""
    _check(p, degrees)
    if p < 1 / 2:
        return -t_quantile(1 - p, degrees)
    return _solve(lambda t: t_within(t, degrees) >= 2 * p - 1, 1.0)


def _check(p: float, degrees: int) -> None:
    if not (0 < p < 1 and degrees >= 1):
        raise ValueError(f"no quantile for a chance of {p} with {degrees} degrees of freedom")


def _solve(reached: Callable[[float], bool], start: float) -> float:
    """The least number from 0 on at which a question that flips once is answered yes."""
    low, high = 0.0, start
    while not reached(high):
        low, high = high, 2 * high
        if high == inf:
            raise ValueError("the quantile lies beyond all numbers")
    while low < (middle := (low + high) / 2) < high:
        if reached(middle):
            high = middle
        else:
            low = middle
    return high
