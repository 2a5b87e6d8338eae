"""From one examination of the big-toe joint to a safe home programme.

The verbs of the main path; :mod:`rungwise.clinic` tells how they follow each other::

    book = open_book()
    exam = read_exam(text, book)
    screening, grades = examine(exam, book, today)
    plan = make_plan(exam, book, today)
    files = sheets(plan, book, stamp)

They are loaded when they are first asked for, so that ``rungwise --help`` stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rungwise.clinic import (
        blank_exam,
        examine,
        hand_over,
        ladders_of,
        make_plan,
        open_book,
        read_exam,
        read_pins,
        sheets,
    )

__all__ = [
    "blank_exam",
    "examine",
    "hand_over",
    "ladders_of",
    "make_plan",
    "open_book",
    "read_exam",
    "read_pins",
    "sheets",
]


def __getattr__(name: str) -> Any:
    if name in __all__:
        return getattr(import_module("rungwise.clinic"), name)
    raise AttributeError(f"module 'rungwise' has no attribute {name!r}")
