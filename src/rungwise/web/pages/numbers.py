"""The evidence book: every number with its source and its uses, and the clinic's own values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from rungwise.casebook import ConflictError, UnknownError
from rungwise.casebook_book import (
    can_set,
    own_error,
    own_values,
    set_own_value,
    the_book,
    used_by,
)
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Override, Row, Source, printed
from rungwise.web.page import At, Go, Page, Visit, told

__all__ = ["ROUTES"]

CSV_MAX, ERRORS = 200_000, "rom.sem."


@dataclass(frozen=True)
class Line:
    """One number: the row, its own value, what uses it, whether a clinic may set it."""

    row: Row
    own: Override | None
    uses: tuple[str, ...]
    settable: bool

    def says(self, value: float) -> str:
        """A value with the row's unit."""
        return printed(value, self.row.unit)


@dataclass(frozen=True, kw_only=True)
class Book(Page):
    """Every number of the book."""

    template: ClassVar[str] = "book.html"
    lines: tuple[Line, ...] = told("One line for each number that fits the search.")
    total: int = told("How many numbers there are in all.")
    search: str = told("What is searched for.")
    only_own: bool = told("Whether only the clinic's own values are shown.")
    edition: str = told("Edition of the book, own values included.")
    may_set: bool = told("Whether this visitor's role may set own values.")


@dataclass(frozen=True, kw_only=True)
class Number(Page):
    """One number, with the form for the clinic's own value."""

    template: ClassVar[str] = "number.html"
    line: Line = told("The number.")  # noqa: RUF009
    printed: Row = told("The row as it stands in the book, without the own value.")  # noqa: RUF009
    source: Source = told("Where it was read.")  # noqa: RUF009
    earlier: tuple[tuple[int, str, Override], ...] = told("Own values that it had: version, when.")
    expected: int = told("Version of the own values that this page shows [1].")
    may_set: bool = told("Whether this visitor's role may set an own value.")
    typed: str = told("The value as typed.", "")
    why: str = told("The reason as typed.", "")
    by: str = told("Who decides, as typed.", "")
    changed: str = told("What somebody else saved meanwhile; empty when nobody did.", "")


@dataclass(frozen=True, kw_only=True)
class OwnError(Page):
    """The clinic's own error of a reading, from feet that were read twice."""

    template: ClassVar[str] = "own_error.html"
    rows: tuple[Row, ...] = told("Rows that it may stand for.")
    row: str = told("The row that is chosen.")
    text: str = told("The table as pasted.")
    by: str = told("Who decides, as typed.")
    expected: int = told("Version of the own values that this page shows [1].")
    found: str = told("What was found, in words; empty before.", "")


def book(visit: Visit) -> Book:
    """Show the numbers that fit a search."""
    found, own = visit.book(), own_values(visit.casebook, visit.who)
    search = visit.query.get("search", "")[:100].strip()
    only_own = visit.query.get("own") == "yes"
    words = search.casefold().split()
    lines = []
    for row in found.rows.values():
        if only_own and own.of(row.key) is None:
            continue
        text = f"{row.key} {row.key.replace('_', ' ')} {row.applies_to} {row.basis} {row.source}"
        text += f" {row.where} {row.note} {row.use} {' '.join(used_by(row.key))}"
        if all(word in text.casefold() for word in words):
            lines.append(_line(found, row.key, own.of(row.key)))
    return Book(
        title=visit.say("book.title"),
        lines=tuple(lines),
        total=len(found.rows),
        search=search,
        only_own=only_own,
        edition=found.edition,
        may_set=visit.who.may("own_value"),
    )


def number(visit: Visit) -> Page | Go:
    """Show one number; take the clinic's own value for it, or take that back."""
    key = visit.path["key"]
    if key not in visit.book().rows:
        raise UnknownError("There is no such number in the book.")
    if visit.method == "GET":
        return _number(visit, key)
    value: float | None = None
    try:
        if visit.typed("action") != "back":
            value = _value(visit.typed("value"))
        by, why = visit.typed("by")[:100], visit.typed("why")[:500]
        _hold_by(visit, by)
        expected = visit.whole("expected")
        set_own_value(visit.casebook, visit.who, key, value, by, why, expected)
    except InputError as error:
        return _number(visit, key, error.faults)
    except ConflictError:
        return _number(visit, key, changed=visit.say("book.changed"))
    return Go(f"/book/row/{key}")


def error_of_ours(visit: Visit) -> Page | Go:
    """Work out the clinic's own error from a pasted table; keep it when that is wished."""
    rows = tuple(row for row in visit.book().rows.values() if row.key.startswith(ERRORS))
    text = visit.typed("text")[:CSV_MAX] or visit.files.get("file", b"").decode("utf-8", "replace")
    row, by = visit.typed("row") or rows[0].key, visit.typed("by")[:100]
    found, status = "", 200
    faults: tuple[Fault, ...] = ()
    expected = visit.whole("expected", own_values(visit.casebook, visit.who).version)
    if visit.method == "POST":
        keep = visit.typed("action") == "keep"
        _hold_by(visit, by)
        try:
            found = own_error(visit.casebook, visit.who, text, row, by, expected, keep)
        except InputError as error:
            faults, status = error.faults, 422
        else:
            if keep:
                return Go(f"/book/row/{row}")
    return OwnError(
        title=visit.say("own_error.title"),
        rows=rows,
        row=row,
        text=text,
        by=by or _by(visit),
        expected=expected,
        found=found,
        faults=faults,
        status=status,
    )


def _number(visit: Visit, key: str, faults: tuple[Fault, ...] = (), changed: str = "") -> Number:
    found, own = visit.book(), own_values(visit.casebook, visit.who)
    row = the_book().rows[key]
    return Number(
        title=key,
        line=_line(found, key, own.of(key)),
        printed=row,
        source=found.sources[row.source],
        earlier=own.earlier_of(key)[::-1],
        expected=own.version,
        may_set=visit.who.may("own_value"),
        typed=visit.typed("value")[:40],
        why=visit.typed("why")[:500],
        by=visit.typed("by")[:100] or _by(visit),
        changed=changed,
        faults=faults,
        status=409 if changed else 422 if faults else 200,
    )


def _line(found: Evidence, key: str, own: Override | None) -> Line:
    return Line(found.rows[key], own, used_by(key), can_set(found, key))


def _value(text: str) -> float:
    """A number as typed, with a point or a comma.

    Raises
    ------
    InputError
        It is none.
    """
    plain = text.replace(",", ".").replace("−", "-")
    digits = plain.removeprefix("-").replace(".", "", 1)
    if not (digits.isascii() and digits.isdigit() and len(digits) < 16):
        raise InputError("book", (Fault("value", text[:40] or "–", "a number", "Type a number."),))
    return float(plain)


def _by(visit: Visit) -> str:
    session = visit.session
    return session.held.get("therapist", session.name) if session else ""


def _hold_by(visit: Visit, by: str) -> None:
    if visit.session is not None and by:
        visit.session.held["therapist"] = by


ROUTES = (
    At("/book", book, deed="book"),
    At("/book/row/{key}", number, deed="book"),
    At("/book/row/{key}", number, "POST", deed="own_value"),
    At("/book/own-error", error_of_ours, "GET POST", deed="own_value"),
)
