"""The caseload: one row for each person, so that ten thousand of them are one query.

The rows of ``summary`` repeat what the append-only tables say, and are written with them in one
transaction; :func:`rebuild` computes them again from those alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection, case, delete, func, insert, literal, or_, select, update

from rungwise.records import tables as t

__all__ = ["CaseRow", "Page", "find_people", "rebuild", "renew_summary"]

MOST = 500
#: First words of a reason that come before every other, whatever its day.
URGENT = ("stop", "call")
#: Columns of the summary that a row of each kind renews, and where it stands in that row.
RENEWS: dict[str, dict[str, str]] = {
    "label": {"label": "body"},
    "state": {},
    "look": {"look_on": "on", "look_why": "body"},
    "exam": {"exam_version": "version"},
    "plan": {"plan_version": "version", "plan_review": "review", "plan_ends": "ends"},
    "handover": {"handover_version": "version", "handover_on": "on"},
    "decision": {"decision_version": "version"},
    "note": {"note_version": "version"},
    "document": {},
}
BLANK: dict[str, Any] = {
    "label": "",
    "folded": "",
    "archived": False,
    "look_on": None,
    "look_why": "",
    "exam_version": 0,
    "exam_on": None,
    "plan_version": 0,
    "plan_review": None,
    "plan_ends": None,
    "handover_version": 0,
    "handover_on": None,
    "decision_version": 0,
    "note_version": 0,
    "seq": 0,
}


@dataclass(frozen=True)
class CaseRow:
    """One person of the caseload.

    Parameters
    ----------
    person_id : str
        The person's random id.
    label : str
        What the clinic calls the person.
    archived : bool
        Whether put away.
    look_on : date or None
        Day on which the person needs a look.
    look_why : str
        Why, in one line.
    exam_version, plan_version, handover_version, decision_version, note_version : int
        Number of the latest of each, 0 = none [1].
    exam_on, handover_on : date or None
        Day of the latest examination and hand-over.
    plan_review, plan_ends : date or None
        Days of the latest plan.
    seq : int
        Audit row of the latest change [1].
    """

    person_id: str
    label: str
    archived: bool
    look_on: date | None
    look_why: str
    exam_version: int
    exam_on: date | None
    plan_version: int
    plan_review: date | None
    plan_ends: date | None
    handover_version: int
    handover_on: date | None
    decision_version: int
    note_version: int
    seq: int


@dataclass(frozen=True)
class Page:
    """One page of the caseload, and how many people fit the question in all."""

    rows: tuple[CaseRow, ...]
    total: int


def find_people(
    connection: Connection,
    search: str = "",
    *,
    due_by: date | None = None,
    quiet_since: date | None = None,
    archived: bool | None = False,
    start: int = 0,
    count: int = 50,
) -> Page:
    """People who fit: stops, then calls, then who needs a look, the oldest first; then by label.

    Parameters
    ----------
    connection : Connection
        To the records.
    search : str
        Part of the label; case does not count.
    due_by : date or None
        Only who needs a look on that day or before.
    quiet_since : date or None
        Only who has a plan that runs on that day, and handed nothing over since.
    archived : bool or None
        Whether put away; None = both.
    start, count : int
        Where the page starts, from 0, and how many fit on it, at most 500 [1].
    """
    c = t.summary.c
    asked = []
    if search.strip():
        asked.append(c.folded.contains(search.strip().casefold(), autoescape=True))
    if due_by is not None:
        asked.append(c.look_on <= due_by)
    if quiet_since is not None:
        quiet = or_(c.handover_on.is_(None), c.handover_on < quiet_since)
        asked += [c.plan_ends >= quiet_since, quiet]
    if archived is not None:
        asked.append(c.archived == archived)
    names = [c[name] for name in CaseRow.__dataclass_fields__]
    total = select(func.count()).select_from(t.summary).where(*asked).scalar_subquery()
    urgent = case(
        *((c.look_why.startswith(f"{word} "), n) for n, word in enumerate(URGENT)),
        else_=len(URGENT),
    )
    page = (
        select(total, *names)
        .where(*asked)
        .order_by(c.look_on.is_(None), urgent, c.look_on, c.folded, c.person_id)
        .offset(max(start, 0))
        .limit(min(max(count, 1), MOST))
    )
    found = connection.execute(page).all()
    if not found and start > 0:
        only = connection.scalar(select(func.count()).select_from(t.summary).where(*asked))
        return Page((), only or 0)
    return Page(tuple(CaseRow(*row[1:]) for row in found), found[0][0] if found else 0)


def renew_summary(connection: Connection, kind: str, row: dict[str, Any]) -> None:
    """Take a row that was just written into its person's summary."""
    values = {name: row[column] for name, column in RENEWS[kind].items()} | {"seq": row["seq"]}
    if kind == "label":
        values["folded"] = row["body"].casefold()
    if kind == "state":
        values["archived"] = row["body"] == "archived"
    if kind == "exam":
        values["exam_on"] = _examined(connection, row["person_id"])
    connection.execute(
        update(t.summary).where(t.summary.c.person_id == row["person_id"]).values(**values)
    )


def _examined(connection: Connection, person: str) -> date | None:
    """The newest day of an examination that stands; an older one may have been corrected since."""
    exam, later = t.KINDS["exam"], t.KINDS["exam"].alias()
    corrected = select(later.c.corrects).where(
        later.c.person_id == person, later.c.corrects.is_not(None)
    )
    ask = select(func.max(exam.c.on)).where(
        exam.c.person_id == person, exam.c.version.not_in(corrected)
    )
    found: date | None = connection.scalar(ask)
    return found


def rebuild(connection: Connection) -> None:
    """Compute every summary again from the rows that it repeats."""
    connection.execute(delete(t.summary))
    blank = [literal(value, t.summary.c[name].type) for name, value in BLANK.items()]
    connection.execute(
        insert(t.summary).from_select(["person_id", *BLANK], select(t.person.c.id, *blank))
    )
    rows: list[tuple[int, str, dict[str, Any]]] = []
    for kind, table in t.KINDS.items():
        newest = (
            select(func.max(table.c.version).label("version"), table.c.person_id)
            .group_by(table.c.person_id)
            .subquery()
        )
        names = [column for column in table.c if column.name != "data"]
        ask = select(*names).join(
            newest,
            (table.c.person_id == newest.c.person_id) & (table.c.version == newest.c.version),
        )
        rows += [(row["seq"], kind, dict(row)) for row in connection.execute(ask).mappings()]
    for _, kind, row in sorted(rows, key=lambda found: found[0]):
        renew_summary(connection, kind, row)
