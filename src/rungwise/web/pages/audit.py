"""The audit: who saw and changed what, and whether its chain is whole."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import ClassVar

from rungwise.casebook_office import audit_of, chain_of
from rungwise.core.errors import Fault
from rungwise.web.jobs import Step
from rungwise.web.page import At, Go, Page, Visit, told

__all__ = ["ROUTES"]

PER_PAGE = 100
#: A head as a note prints it, or whole.
HEAD = re.compile("[0-9a-f]{16,64}")


@dataclass(frozen=True)
class Deed:
    """One row of the audit, as it is shown."""

    seq: int
    made: str
    who: str
    did: str
    person: str
    detail: str
    refused: bool


@dataclass(frozen=True, kw_only=True)
class Audit(Page):
    """Rows of the audit, the newest first."""

    template: ClassVar[str] = "audit.html"
    deeds: tuple[Deed, ...] = told("One line for each row that fits.")
    total: int = told("How many rows fit.")
    start: int = told("Where this part starts, from 0.")
    per_page: int = told("How many rows one part holds.", PER_PAGE)
    number: str = told("Number of the record that is asked for; empty for all.")
    day: str = told("Day that is asked for; empty for all.")
    head: tuple[int, str] = told("Number and hash of the last row before this page was asked for.")


def audit(visit: Visit) -> Audit:
    """Show who saw and changed what."""
    number = visit.typed("number").lower()
    number = number if re.fullmatch("[0-9a-f]{1,32}", number) else ""
    day = visit.typed("day") if re.fullmatch(r"\d{4}-\d\d-\d\d", visit.typed("day")) else ""
    start = visit.whole("start")
    rows, total, head = audit_of(visit.casebook, visit.who, number, day, start, PER_PAGE)
    names = {one.id: one.name for one in visit.casebook.accounts.all(visit.who)}
    names |= {"local": visit.say("audit.local"), "rungwise": visit.say("audit.itself")}
    deeds = tuple(
        Deed(
            row.seq,
            row.made_utc[:19].replace("T", " "),
            names.get(row.who, row.who[:6]),
            visit.say.name("deed", row.did.replace(" ", "_")),
            (row.person_id or "")[:6].upper(),
            row.detail,
            row.outcome != "done",
        )
        for row in rows
    )
    return Audit(
        title=visit.say("audit.title"),
        deeds=deeds,
        total=total,
        start=start,
        number=number.upper(),
        day=day,
        head=head,
    )


def check(visit: Visit) -> Page | Go:
    """Follow the whole chain, as long work; with a head that was kept, look whether it is in it."""
    assert visit.session is not None
    seq, digest = visit.whole("seq"), re.sub(r"[\s.…]", "", visit.typed("hash")[:100]).lower()
    if (visit.typed("seq") or digest) and not (seq and HEAD.fullmatch(digest)):
        remedy = visit.say("audit.head_remedy")
        fault = Fault("hash", "–", visit.say("audit.head_allowed"), remedy)
        return replace(audit(visit), faults=(fault,), status=422)
    casebook, who, say = visit.casebook, visit.who, visit.say

    def work(_: Step) -> str:
        found = chain_of(casebook, who, seq, digest)
        if found.whole:
            held = say("audit.holds", row=seq, head=digest) + " " if digest else ""
            return held + say("audit.whole", rows=found.rows, head=found.head)
        if not found.held:
            return say("audit.holds_not", row=seq, head=digest, rows=found.rows)
        if found.broken_at is not None:
            return say("audit.broken", row=found.broken_at)
        return say("audit.altered", what=", ".join(found.altered[:10]))

    return Go(f"/running/{visit.session.jobs.start('check', work)}")


ROUTES = (
    At("/audit", audit, "GET POST", deed="audit"),
    At("/audit/check", check, "POST", deed="audit"),
)
