"""Quantiles against scipy, and against the printed tables."""

from __future__ import annotations

import pytest
from scipy.stats import chi2, t

from rungwise.core.quantiles import chi_square_above, chi_square_quantile, t_quantile, t_within

DEGREES = (*range(1, 31), 49, 50, 99, 100, 299, 1000, 2001)
CHANCES = (0.0005, 0.025, 0.05, 0.31, 0.5, 0.8, 0.95, 0.975, 0.9995)


@pytest.mark.parametrize("degrees", DEGREES)
def test_chi_square_agrees_with_scipy(degrees: int) -> None:
    for p in CHANCES:
        mine = chi_square_quantile(p, degrees)
        assert mine == pytest.approx(float(chi2.ppf(p, degrees)), rel=1e-9)
        assert chi_square_above(mine, degrees) == pytest.approx(1 - p, rel=1e-9)
    assert chi_square_above(0.0, degrees) == 1.0


@pytest.mark.parametrize("degrees", DEGREES)
def test_t_agrees_with_scipy(degrees: int) -> None:
    for p in CHANCES:
        mine = t_quantile(p, degrees)
        assert mine == pytest.approx(float(t.ppf(p, degrees)), rel=1e-9, abs=1e-12)
        assert t_within(abs(mine), degrees) == pytest.approx(abs(2 * p - 1), abs=1e-9)


def test_printed_tables() -> None:
    """Chi-square 9: 2.700 and 19.023; t 9: 2.262: any table of statistics."""
    assert round(chi_square_quantile(0.025, 9), 3) == 2.700
    assert round(chi_square_quantile(0.975, 9), 3) == 19.023
    assert round(t_quantile(0.975, 9), 3) == 2.262


@pytest.mark.parametrize(("p", "degrees"), [(0.0, 5), (1.0, 5), (0.5, 0)])
def test_what_has_no_quantile_is_refused(p: float, degrees: int) -> None:
    with pytest.raises(ValueError, match="no quantile"):
        chi_square_quantile(p, degrees)
    with pytest.raises(ValueError, match="no quantile"):
        t_quantile(p, degrees)
