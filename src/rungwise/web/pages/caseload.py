"""The caseload: who needs a look today and why, search, filters; and a new person.

What is searched for is a label of a person: it travels in the body of a request, never in an
address.
"""

from __future__ import annotations

from dataclasses import dataclass
from secrets import token_hex
from typing import ClassVar

from rungwise.casebook import PER_PAGE, CaseRow
from rungwise.core.errors import InputError
from rungwise.web.page import At, Go, Page, Visit, told

__all__ = ["ROUTES"]

FILTERS = ("", "due", "quiet", "archived")


@dataclass(frozen=True)
class Line:
    """One person of the caseload, as a line.

    Parameters
    ----------
    row : CaseRow
        What the records say.
    why : str
        Why the person needs a look, in one line.
    due : bool
        Whether today or before.
    """

    row: CaseRow
    why: str
    due: bool


@dataclass(frozen=True, kw_only=True)
class Caseload(Page):
    """Everybody, those who need a look first."""

    template: ClassVar[str] = "caseload.html"
    lines: tuple[Line, ...] = told("One line for each person.")
    total: int = told("How many fit the question in all.")
    start: int = told("Where this part starts, from 0.")
    per_page: int = told("How many lines one part holds.", PER_PAGE)
    search: str = told("What is searched for.")
    only: str = told("Which filter is on: due, quiet, archived or none.")
    filters: tuple[str, ...] = told("Every filter that there is.", FILTERS)


@dataclass(frozen=True, kw_only=True)
class NewPerson(Page):
    """Add a person by the clinic's own label."""

    template: ClassVar[str] = "new_person.html"
    label: str = told("The label as it was typed.", "")
    once: str = told("Token of this form, so that sending it twice adds one person.")
    taken: bool = told("Whether somebody has this label already.", False)


def caseload(visit: Visit) -> Caseload | Go:
    """Show a part of the caseload; who may see nobody's record starts at the settings."""
    if not visit.who.may("list"):
        return Go("/settings")
    only = visit.typed("only") if visit.typed("only") in FILTERS else ""
    start = visit.whole("start")
    found = visit.casebook.people(visit.who, visit.typed("search")[:200], only, start)
    today = visit.casebook.today()
    lines = tuple(
        Line(
            row,
            visit.say.look(row.look_why),
            row.look_on is not None and row.look_on <= today,
        )
        for row in found.rows
    )
    return Caseload(
        title=visit.say("caseload.title"),
        lines=lines,
        total=found.total,
        start=start,
        search=visit.typed("search")[:200],
        only=only,
    )


def new_person(visit: Visit) -> Page | Go:
    """Ask for a label, or add the person and go on to the examination."""
    title = visit.say("new.title")
    if visit.method == "GET":
        return NewPerson(title=title, once=token_hex(16))
    label, once = visit.typed("label"), visit.typed("once")[:64] or token_hex(16)
    again = visit.typed("again") == "yes"
    try:
        person = visit.casebook.new_person(visit.who, label, again, f"person:{once}")
    except InputError as error:
        taken = any("free" in fault.allowed for fault in error.faults)
        return NewPerson(
            title=title, label=label, once=once, taken=taken, faults=error.faults, status=422
        )
    return Go(f"/people/{person}/exam")


ROUTES = (
    At("/", caseload, "GET POST", deed="list settings"),
    At("/people/new", new_person, "GET POST", deed="add", keeps="/people/new"),
)
