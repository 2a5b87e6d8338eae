"""How numbers, reasons and paragraphs are written on the measuring side."""

from __future__ import annotations

from textwrap import fill

from rungwise.core.change import Change
from rungwise.core.evidence import printed
from rungwise.core.terms import Reason
from rungwise.report import WIDTH

__all__ = ["between", "direction", "item", "quoted", "short", "signed", "three"]


def short(value: float, unit: str) -> str:
    """A value with one decimal at most."""
    return printed(round(value, 1), unit)


def signed(value: float) -> str:
    """A difference with its sign and one decimal at most."""
    return f"{round(value, 1):+g}" if round(value, 1) else "0"


def between(value: float, low: float, high: float, unit: str) -> str:
    """A value and the ends of its interval."""
    return f"{three(value, unit)} ({three(low, unit)} to {three(high, unit)})"


def three(value: float, unit: str) -> str:
    """A value that was computed, with three digits."""
    return printed(float(f"{value:.3g}"), unit)


def quoted(reason: Reason) -> str:
    """A reason with its rule, basis and sources."""
    told = f"{reason.says} [{reason.rule} v{reason.version}; {reason.basis}"
    return f"{told}; {', '.join(reason.sources)}]"


def item(text: str, indent: int = 4) -> str:
    """A paragraph with a hanging indent."""
    pad = " " * indent
    return fill(text, WIDTH, initial_indent=pad, subsequent_indent=pad + "  ") + "\n"


def direction(change: Change, better: int | None) -> str:
    """Which way a change beyond error went; empty within it."""
    if not change.verdict.startswith("beyond"):
        return ""
    up = change.difference > 0
    if better is None:
        return "higher" if up else "lower"
    return "better" if up == (better > 0) else "WORSE"
