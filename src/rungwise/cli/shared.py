"""What every command shares: exit codes, reading, printing."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING

from rungwise.core.errors import Fault, InputError

if TYPE_CHECKING:
    from rungwise.core.evidence import Evidence
    from rungwise.core.terms import Exam, Screening

__all__ = [
    "BAD_INPUT",
    "DONE",
    "NONE",
    "NOT_ALL",
    "STOPPED",
    "book_for",
    "opened",
    "put",
    "read_bytes",
    "read_text",
    "screen_code",
    "stamp_of",
    "write_new",
]


DONE, BAD_INPUT, NOT_ALL, NONE, STOPPED = 0, 3, 10, 11, 130


def read_text(path: Path) -> str:
    """Text of a file that was named.

    Raises
    ------
    InputError
        It cannot be read, is no UTF-8 text, or is too long.
    """
    try:
        if path.stat().st_size > 1_000_000:
            fault = Fault(str(path), "more than 1 MB", "a TOML file", "Is it the right file?")
            raise InputError("file", (fault,))
        return path.read_text("utf-8")
    except UnicodeDecodeError:
        fault = Fault(str(path), "bytes that are not UTF-8", "UTF-8 text", "Save it as UTF-8.")
        raise InputError("file", (fault,)) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        fault = Fault(str(path), why, "a file that can be read", "Check the path.")
        raise InputError("file", (fault,)) from None


def read_bytes(path: Path, most: int) -> bytes:
    """Bytes of a file that was named, at most ``most`` of them [byte].

    Raises
    ------
    InputError
        It cannot be read, or is too long.
    """
    try:
        if path.stat().st_size > most:
            fault = Fault(str(path), f"more than {most} bytes", "a smaller file", "Is it right?")
            raise InputError("file", (fault,))
        return path.read_bytes()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        fault = Fault(str(path), why, "a file that can be read", "Check the path.")
        raise InputError("file", (fault,)) from None


def book_for(args: argparse.Namespace) -> Evidence:
    """The book, with the clinic's own values where they are named."""
    from rungwise.clinic import open_book

    return open_book(None if args.overrides is None else read_text(args.overrides))


def opened(args: argparse.Namespace) -> tuple[Exam, Evidence, date]:
    """The examination that was named, the book, and the day."""
    from rungwise.clinic import read_exam

    book = book_for(args)
    today = args.today or date.today()
    return read_exam(read_text(args.exam), book, today), book, today


def stamp_of(day: date) -> datetime:
    """The time that sheets of a day carry."""
    return datetime.combine(day, time(), UTC)


def put(args: argparse.Namespace, value: object, text: Callable[[], str]) -> None:
    """Print a value as JSON, or its text, as was asked."""
    from rungwise.plain import to_json

    sys.stdout.write(to_json(value) if args.json else text())


def write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet."""
    from rungwise.clinic import write_file

    write_file(path, text.encode(), can_replace=False)


def screen_code(screening: Screening) -> int:
    """Exit code that a screening comes to."""
    stopped = [s.outcome in ("refer", "hold") for s in (screening.right, screening.left)]
    limited = [s.outcome == "review" for s in (screening.right, screening.left)]
    return NONE if all(stopped) else NOT_ALL if any(stopped) or any(limited) else DONE
