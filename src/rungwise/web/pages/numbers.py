"""The evidence book: every number with its source and its uses, and the clinic's own values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from rungwise.casebook import ConflictError, UnknownError
from rungwise.casebook_book import (
    can_set,
    own_error,
    own_values,
    refused_values,
    take_back_refused,
    the_book,
    used_by,
)
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Override, Row, Source, printed
from rungwise.web.book_entries import PARTS, Group, entries_of, grouped
from rungwise.web.page import At, Go, Page, Visit, told
from rungwise.web.pages.settings_conflict import own_value_saved

__all__ = ["ROUTES"]

CSV_MAX, ERRORS = 200_000, "rom.sem."
#: Most entries that a search shows at once.
SHOWN_MAX = 100


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
    """The parts of the book with their groups; or what fits a search, in any part."""

    template: ClassVar[str] = "book.html"
    parts: tuple[tuple[str, int, tuple[Group, ...]], ...] = told("Part, its entries, its groups.")
    found: int = told("How many entries fit.")
    total: int = told("How many entries there are in all.")
    search: str = told("What is searched for.")
    only_own: bool = told("Whether only the clinic's own values are shown.")
    searched: bool = told("Whether entries are shown; else the groups alone.")
    more: int = told("How many that fit are not shown, so that the page stays short.", 0)
    edition: str = told("Edition of the book, own values included.")
    may_set: bool = told("Whether this visitor's role may set own values.")


@dataclass(frozen=True, kw_only=True)
class BookPart(Page):
    """One part of the book, its groups folded."""

    template: ClassVar[str] = "book_part.html"
    part: str = told("Which part.")
    groups: tuple[Group, ...] = told("Its groups with their entries.")
    found: int = told("How many entries it has.")
    others: tuple[str, ...] = told("Every part that there is.", PARTS)
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


@dataclass(frozen=True, kw_only=True)
class OwnRefused(Page):
    """Own values that the book of today does not take, to be taken back."""

    template: ClassVar[str] = "own_refused.html"
    values: tuple[Override, ...] = told("Those own values.")
    expected: int = told("Version of the own values that this page shows [1].")
    may_set: bool = told("Whether this visitor's role may take them back.")


def refused(visit: Visit) -> Go:
    """Take back every own value that the book of today does not take."""
    take_back_refused(visit.casebook, visit.who, visit.whole("expected"))
    return Go("/book")


def book(visit: Visit) -> Book | OwnRefused:
    """Show the parts of the book, or the entries that fit a search."""
    own = own_values(visit.casebook, visit.who)
    if values := refused_values(visit.casebook, visit.who):
        return OwnRefused(
            title=visit.say("book.refused"),
            values=values,
            expected=own.version,
            may_set=visit.who.may("own_value"),
        )
    found = visit.book()
    search = visit.query.get("search", "")[:100].strip()
    only_own = visit.query.get("own") == "yes"
    words = search.casefold().split()
    every = entries_of(found, visit.say, own)
    fits = [
        one
        for one in every
        if (one.own is not None or not only_own) and all(word in one.text for word in words)
    ]
    searched = bool(words) or only_own
    shown = fits[:SHOWN_MAX] if searched else fits
    groups = grouped(shown, visit.say)
    parts = []
    for part in PARTS:
        of = tuple(group for group in groups if group.part == part)
        if of:
            parts.append((part, sum(len(group.entries) for group in of), of))
    return Book(
        title=visit.say("book.title"),
        parts=tuple(parts),
        found=len(fits),
        total=len(every),
        search=search,
        only_own=only_own,
        searched=searched,
        more=len(fits) - len(shown),
        edition=found.edition,
        may_set=visit.who.may("own_value"),
    )


def book_part(visit: Visit) -> BookPart:
    """Show one part of the book."""
    part = visit.path["key"]
    if part not in PARTS:
        raise UnknownError("There is no such part of the book.")
    own = own_values(visit.casebook, visit.who)
    entries = [one for one in entries_of(visit.book(), visit.say, own) if one.part == part]
    return BookPart(
        title=visit.say(f"book.part_{part}"),
        part=part,
        groups=grouped(entries, visit.say),
        found=len(entries),
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
    back = visit.typed("action") == "back" or visit.typed("did") == "back"
    try:
        if not back:
            value = _value(visit.typed("value"))
        by, why = visit.typed("by")[:100], visit.typed("why")[:500]
        _hold_by(visit, by)
        if back:
            visit.form = {**visit.form, "did": ["back"]}
        conflict = own_value_saved(visit, key, value, by, why)
    except InputError as error:
        return _number(visit, key, error.faults)
    return conflict or Go(f"/book/row/{key}")


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
        except ConflictError as error:
            now = error.theirs.version if error.theirs else 0
            there = own_values(visit.casebook, visit.who).of(row)
            given = "–" if there is None else f"{there.value:g}: {there.why}"
            say = visit.say
            fault = Fault("row", given, say("own_error.as_seen"), say("own_error.keep_again"))
            faults, status, expected = (fault,), 409, now
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


def _number(visit: Visit, key: str, faults: tuple[Fault, ...] = ()) -> Number:
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
        faults=faults,
        status=422 if faults else 200,
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


OWN = "/book/own-error"
ROUTES = (
    At("/book", book, deed="book"),
    At("/book/refused", refused, "POST", deed="own_value"),
    At("/book/part/{key}", book_part, deed="book"),
    At("/book/row/{key}", number, deed="book"),
    At("/book/row/{key}", number, "POST", deed="own_value", keeps="/book/row/{key}"),
    At(OWN, error_of_ours, "GET POST", deed="own_value", keeps=OWN),
)
