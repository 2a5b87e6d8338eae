"""Many people are added at once: all of them or nobody, and others hardly wait meanwhile.

Whatever can be prepared is prepared before the one transaction begins: ids, salts, texts and all of
a digest but the number of its audit row. The rows, the audit and the summary that come of it are
those that adding each of them by itself would write.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date
from itertools import islice
from typing import Any

from sqlalchemy import insert, select

from rungwise.core.errors import Fault, InputError
from rungwise.records import audit, caseload
from rungwise.records import tables as t
from rungwise.records.roles import Who
from rungwise.records.store import Store
from rungwise.records.work import Work

__all__ = ["Arrival", "add_people", "labels_taken"]

Step = Callable[[int, int], None]
AT_ONCE = 1_000
LIST = "list"


@dataclass(frozen=True)
class Arrival:
    """Somebody who is to be added.

    Parameters
    ----------
    label : str
        The clinic's label.
    look_on : date or None
        When the person needs a look; None = nothing is due.
    look_why : str
        Why, in one line.
    """

    label: str
    look_on: date | None
    look_why: str


@dataclass(frozen=True, slots=True)
class _Ready:
    """One row of a kind, and its digest's text before and after the number of the audit row."""

    kind: str
    row: dict[str, Any]
    before: str
    after: str


def labels_taken(work: Work) -> frozenset[str]:
    """Every label that somebody has, with case folded; itself audited."""
    work.allow("add")
    found = frozenset(work.connection.scalars(select(t.summary.c.folded)))
    work.note_deed("list", None, f"labels of {len(found)}")
    return found


def add_people(
    store: Store, who: Who, people: Sequence[Arrival], once: str, step: Step
) -> tuple[int, bool]:
    """Add people, all or none; returns how many, and whether it is done now [1].

    Parameters
    ----------
    store : Store
        Open records.
    who : Who
        A therapist.
    people : sequence of Arrival
        Judged: every label may stand, and no two are alike.
    once : str
        Token of the form: the same list sent twice adds people once.
    step : callable
        Is told people prepared and in all [1]; an error that it raises keeps nothing.

    Raises
    ------
    InputError
        Somebody has got one of the labels meanwhile.
    """
    now = store.clock().astimezone(UTC).isoformat(timespec="microseconds")[:26] + "Z"
    ready: list[tuple[_Ready, ...]] = []
    for n, one in enumerate(people):
        if n % 100 == 0:
            step(n, len(people))
        ready.append(tuple(_rows(one, who.id, now)))
    with store.work(who) as work:
        work.allow("add")
        if (done := work.done(once)) is not None:
            return done.version, False
        _still_free(work, people)
        rest = iter(ready)
        for n in range(0, len(ready), AT_ONCE):
            step(len(people), len(people))
            _write(work, list(islice(rest, AT_ONCE)), people[n : n + AT_ONCE])
        told = {"key": once, "of": LIST, "kind": LIST, "version": len(people)}
        work.connection.execute(insert(t.once), told)
    return len(people), True


def _rows(one: Arrival, by: str, now: str) -> Iterator[_Ready]:
    person = secrets.token_hex(16)
    told: list[tuple[str, dict[str, Any]]] = [("label", {"body": one.label})]
    if one.look_on is not None:
        told.append(("look", {"body": one.look_why, "on": one.look_on}))
    for kind, own in told:
        row = {"seq": 0, "person_id": person, "version": 1, "made_utc": now, "by": by}
        row |= {"corrects": None, "salt": secrets.token_hex(16), **own}
        before, _, after = audit.text_of_row(kind, row).partition("\nseq=0\n")
        yield _Ready(kind, row, before, after)


def _still_free(work: Work, people: Sequence[Arrival]) -> None:
    taken = set(work.connection.scalars(select(t.summary.c.folded)))
    faults = [
        Fault("label", one.label[:40], "a label that is free", "Look at the list again.")
        for one in people
        if one.label.casefold() in taken
    ]
    if faults:
        raise InputError("people", tuple(faults))


def _write(work: Work, ready: Sequence[tuple[_Ready, ...]], people: Sequence[Arrival]) -> None:
    seq = work.head[0]
    rows: dict[str, list[dict[str, Any]]] = {"label": [], "look": []}
    added: list[tuple[str, str, str]] = []
    persons, summaries = [], []
    for one, parts in zip(people, ready, strict=True):
        for part in parts:
            seq += 1
            part.row["seq"] = seq
            rows[part.kind].append(part.row)
            digest = audit.digest_of_text(f"{part.before}\nseq={seq}\n{part.after}")
            added.append((part.row["person_id"], f"{part.kind} 1", digest))
        person = parts[0].row["person_id"]
        persons.append({"id": person})
        told = {"label": one.label, "folded": one.label.casefold(), "seq": seq}
        if one.look_on is not None:
            told |= {"look_on": one.look_on, "look_why": one.look_why}
        summaries.append({"person_id": person, **caseload.BLANK, **told})
    work.connection.execute(insert(t.person), persons)
    work.connection.execute(insert(t.summary), summaries)
    for kind, made in rows.items():
        if made:
            work.connection.execute(insert(t.KINDS[kind]), made)
    work.note_added(added)
