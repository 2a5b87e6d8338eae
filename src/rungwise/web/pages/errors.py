"""What is shown when something cannot be done: why, and what to do next; never the inside."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from rungwise.web.page import Page, told

__all__ = ["Conflict", "Problem"]


@dataclass(frozen=True, kw_only=True)
class Problem(Page):
    """Something was refused or failed."""

    template: ClassVar[str] = "problem.html"
    says: str = told("What happened and what to do, in a sentence or two.")
    number: str = told("What the records said, or the number under which the log has it.", "")


@dataclass(frozen=True, kw_only=True)
class Conflict(Page):
    """Somebody else saved meanwhile: both texts side by side, neither lost."""

    template: ClassVar[str] = "conflict.html"
    mine: str = told("What was to be saved.")
    theirs: str = told("What stands in the records by now.")
    version: int = told("Its number.")
    made: str = told("When it was saved.")
