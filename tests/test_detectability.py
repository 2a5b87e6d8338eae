"""The page on what can be seen is what the code writes, and its numbers are those of the sums."""

from __future__ import annotations

import runpy
from pathlib import Path

from scipy.stats import norm

from rungwise.book import load_book

DOCS = Path(__file__).resolve().parents[1] / "docs"


def test_the_page_is_up_to_date() -> None:
    made = runpy.run_path(str(DOCS / "detectability.py"))["page"](load_book())
    assert (DOCS / "detectability.md").read_text("utf-8") == made, (
        "run: python docs/detectability.py"
    )


def test_its_numbers_by_another_way() -> None:
    """One goniometer reading, error 5.33 (clin_s6): (1.960 + 0.842) x 5.33 x √2 = 21.1."""
    text = (DOCS / "detectability.md").read_text("utf-8")
    reach = float(norm.ppf(0.975) + norm.ppf(0.8))
    assert f"| one goniometer reading before, one after | {reach * 5.33 * 2**0.5:.3g}° |" in text
    three = reach * 5.33 * (2 / 3) ** 0.5
    assert f"| mean of three visits before, three after | {three:.3g}° |" in text
    shift = 1.5 / (0.48 * 2**0.5)
    seen = 100 * float(norm.cdf(shift - norm.ppf(0.975)))
    assert f"a week of the diary before, a week after | 1.9 | {seen:.0f} % (1.5) |" in text


def test_the_assumption_is_marked() -> None:
    text = (DOCS / "detectability.md").read_text("utf-8")
    assert (
        "| `detect.photograph.own_sem`, `rom.position.photograph` | drawn scenes, **assum" in text
    )


def test_the_two_parts_of_a_photographs_error_by_another_way() -> None:
    """√(5² + 0.6²) = 5.036; (1.960 + 0.842) x 5.036 x √2 = 19.95."""
    text = (DOCS / "detectability.md").read_text("utf-8")
    reach = float(norm.ppf(0.975) + norm.ppf(0.8))
    whole = (5**2 + 0.6**2) ** 0.5
    assert f"| one photograph before, one after | {reach * whole * 2**0.5:.3g}° |" in text
    assert (
        f"| four weekly photographs before, four after | {reach * whole * 0.5**0.5:.3g}° |" in text
    )
