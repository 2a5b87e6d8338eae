"""Let a reason rest on one more row or source of the book than its rule names."""

from __future__ import annotations

from dataclasses import replace

from rungwise.core.evidence import BASES, Row
from rungwise.core.terms import Reason

__all__ = ["resting_on", "with_row"]


def resting_on(reason: Reason, basis: str, source: str) -> Reason:
    """A reason that also rests on a source; the weaker basis counts."""
    weaker = max(reason.basis, basis, key=BASES.index)
    return replace(reason, sources=tuple(dict.fromkeys((*reason.sources, source))), basis=weaker)


def with_row(reason: Reason, row: Row) -> Reason:
    """A reason that also rests on a row, which was not known before the case was."""
    keys = tuple(dict.fromkeys((*reason.keys, row.key)))
    return replace(resting_on(reason, row.basis, row.source), keys=keys)
