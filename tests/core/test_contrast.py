"""Contrast of two colours against the vectors of WCAG 2.2 (1.4.3, 1.4.11)."""

from __future__ import annotations

from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.core.contrast import Rgb, contrast, rgb, stands_out

WHITE = rgb("#ffffff")
CHANNEL = st.integers(0, 255)
COLOUR = st.tuples(CHANNEL, CHANNEL, CHANNEL)


# Worked by the formula of WCAG 2.2 with the sRGB threshold 0.04045: standards notes §3.1.
@pytest.mark.parametrize(
    ("colour", "ratio"),
    [
        ("#767676", 4.5422),
        ("#777777", 4.4781),
        ("#949494", 3.0335),
        ("#959595", 2.9953),
        ("#595959", 7.0047),
        ("#0072b2", 5.1854),
        ("#d55e00", 3.8672),
        ("#009e73", 3.4211),
    ],
)
def test_vectors(colour: str, ratio: float) -> None:
    assert contrast(rgb(colour), WHITE) == pytest.approx(ratio, abs=5e-5)


# O6 of the standards: 2.9953 would pass if it were rounded to 3.0.
@pytest.mark.parametrize(
    ("colour", "use", "passes"),
    [
        ("#767676", "text", True),
        ("#777777", "text", False),
        ("#949494", "line", True),
        ("#959595", "line", False),
        ("#d55e00", "text", False),
        ("#d55e00", "large_text", True),
    ],
)
def test_nothing_is_rounded_up(
    colour: str, use: Literal["text", "large_text", "line"], passes: bool
) -> None:
    assert stands_out(rgb(colour), WHITE, use) is passes


def test_black_on_white_is_21() -> None:
    """The largest ratio there is: WCAG 2.2, note to contrast ratio."""
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0, abs=1e-12)


@given(COLOUR, COLOUR)
def test_order_does_not_matter_and_the_range_holds(one: Rgb, other: Rgb) -> None:
    assert contrast(one, other) == contrast(other, one)
    assert 1.0 <= contrast(one, other) <= 21.0 + 1e-12
    assert contrast(one, one) == 1.0
