"""The audit: who saw and who changed what, each row chained to the one before it.

A row holds no clinical value. Its hash is the SHA-256 of the row before and of itself, so that a
row cannot be altered, left out or moved without breaking the chain from there on. Whoever holds the
key could write a whole new chain: the head, printed on notes or kept elsewhere, shows that. The
order is that of the rows' numbers; a clock that jumps back does not disturb it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, insert, select

from rungwise.plain import plain
from rungwise.records import tables as t

__all__ = ["Audited", "Chain", "check_chain", "digest_of_row", "head", "rows_of", "write_row"]

START = "0" * 64
HEAD_LEAST = 16  # as many signs of a head as notes print, or more
PIECES = {"yield_per": 500}  # never the whole caseload in memory


@dataclass(frozen=True)
class Audited:
    """One row of the audit.

    Parameters
    ----------
    seq : int
        From 1, without a gap [1].
    made_utc : str
        When, by this computer's clock.
    who : str
        Account.
    did : str
        ``read``, ``add``, ``list``, ``export``, ``erase`` and so on.
    person_id : str or None
        Whose record.
    detail : str
        Kind and version; no clinical value.
    digest : str
        Salted SHA-256 of what was written; empty for a read.
    outcome : str
        ``done`` or ``refused``.
    """

    seq: int
    made_utc: str
    who: str
    did: str
    person_id: str | None
    detail: str
    digest: str
    outcome: str

    def chained(self, prev: str) -> str:
        """Hash of this row after another one."""
        fields = list(vars(self).values())  # in the order above
        body = json.dumps(fields, ensure_ascii=True, separators=(",", ":"))
        return hashlib.sha256(bytes.fromhex(prev) + body.encode()).hexdigest()


@dataclass(frozen=True)
class Chain:
    """What checking the audit found.

    Parameters
    ----------
    rows : int
        Rows that were read [1].
    head : str
        Hash of the last row that fits.
    broken_at : int or None
        Number of the first row that does not fit, None when all do [1].
    altered : tuple of str
        Records whose text is not what was audited, or that are missing.
    held : bool
        False when the chain is whole in itself, but does not hold the head that was kept elsewhere.
    """

    rows: int
    head: str
    broken_at: int | None
    altered: tuple[str, ...] = ()
    held: bool = True

    @property
    def whole(self) -> bool:
        """Whether nothing is wrong."""
        return self.broken_at is None and not self.altered


def digest_of_row(table: str, row: Mapping[str, Any]) -> str:
    """SHA-256 of everything in a row; its own salt keeps it from telling what was erased."""
    return digest_of_text(text_of_row(table, row))


def text_of_row(table: str, row: Mapping[str, Any]) -> str:
    """What the digest of a row is made of: a line for each column, none with a break inside."""
    parts = [table]
    for name in sorted(row):
        value = row[name]
        if name == "data" and value is not None:
            value = hashlib.sha256(value).hexdigest()
        parts.append(f"{name}={json.dumps(plain(value))}")
    return "\n".join(parts)


def digest_of_text(text: str) -> str:
    """SHA-256 of the text of a row."""
    return hashlib.sha256(text.encode()).hexdigest()


def head(connection: Connection) -> tuple[int, str]:
    """Number and hash of the last row; 0 and zeros when there is none."""
    found = connection.execute(
        select(t.audit.c.seq, t.audit.c.hash).order_by(t.audit.c.seq.desc()).limit(1)
    ).first()
    return (found.seq, found.hash) if found else (0, START)


def write_row(connection: Connection, row: Audited, prev: str) -> str:
    """Append a row to the chain; returns its hash."""
    return write_rows(connection, [row], prev)


def write_rows(connection: Connection, rows: Sequence[Audited], prev: str) -> str:
    """Append rows to the chain, in their order; returns the hash of the last."""
    told = []
    for row in rows:
        found = row.chained(prev)
        told.append({**vars(row), "prev": prev, "hash": found})
        prev = found
    connection.execute(insert(t.audit), told)
    return prev


def rows_of(connection: Connection, person_id: str | None = None, last: int = 0) -> list[Audited]:
    """Rows of the audit in order.

    Parameters
    ----------
    connection : Connection
        To the records.
    person_id : str or None
        Only those about one person.
    last : int
        Only so many, the newest; 0 = all [1].
    """
    names = [t.audit.c[name] for name in Audited.__dataclass_fields__]
    ask = select(*names).order_by(t.audit.c.seq.desc())
    if person_id is not None:
        ask = ask.where(t.audit.c.person_id == person_id)
    if last:
        ask = ask.limit(last)
    return [Audited(*row) for row in connection.execute(ask)][::-1]


def page_of(
    connection: Connection, person: str = "", day: str = "", start: int = 0, count: int = 100
) -> tuple[list[Audited], int]:
    """Part of the audit, the newest first, and how many rows fit.

    Parameters
    ----------
    connection : Connection
        To the records.
    person : str
        Id of a person, or its first signs; empty for all.
    day : str
        Day of Coordinated Universal Time, as 2026-11-25; empty for all.
    start, count : int
        Where the part starts, from 0, and how many rows it holds [1].
    """
    c = t.audit.c
    asked = []
    if person:
        asked.append(c.person_id.startswith(person, autoescape=True))
    if day:
        asked.append(c.made_utc.startswith(day, autoescape=True))
    total = connection.scalar(select(func.count()).select_from(t.audit).where(*asked)) or 0
    names = [c[name] for name in Audited.__dataclass_fields__]
    ask = select(*names).where(*asked).order_by(c.seq.desc()).offset(max(start, 0)).limit(count)
    return [Audited(*row) for row in connection.execute(ask)], total


def check_chain(connection: Connection, until: tuple[int, str] | None = None) -> Chain:
    """Follow the whole chain, and hold every record against what was audited.

    Parameters
    ----------
    connection : Connection
        To the records.
    until : tuple of (int, str) or None
        A head kept elsewhere, its hash whole or its first 16 signs or more; the chain must pass
        through it, or the file is an older or another.
    """
    names = [t.audit.c[name] for name in Audited.__dataclass_fields__]
    ask = select(*names, t.audit.c.prev, t.audit.c.hash).order_by(t.audit.c.seq)
    prev, count, broken = START, 0, None
    digests: dict[int, tuple[str, str]] = {}
    erasures: dict[int, str] = {}
    met = until is None or until == (0, START)
    with connection.execute(ask, execution_options=PIECES) as rows:
        for *fields, told_prev, told in rows:
            row = Audited(*fields)
            if row.seq != count + 1 or told_prev != prev or told != row.chained(prev):
                broken = count + 1
                break
            prev, count = told, count + 1
            met = met or (until is not None and _is_head(until, row.seq, told))
            if row.did == "erase":
                erasures[row.seq] = str(row.person_id)
            if row.digest:
                digests[row.seq] = (row.digest, str(row.person_id))
    held = met or broken is not None
    if not held:
        broken = until[0] if until else 0
    altered = _altered(connection, digests, erasures) if broken is None else ()
    return Chain(count, prev, broken, altered, held)


def _is_head(kept: tuple[int, str], seq: int, told: str) -> bool:
    return kept[0] == seq and len(kept[1]) >= HEAD_LEAST and told.startswith(kept[1])


def _altered(
    connection: Connection, digests: dict[int, tuple[str, str]], erasures: dict[int, str]
) -> tuple[str, ...]:
    told = connection.execute(select(t.erased.c.seq, t.erased.c.person_id))
    gone = {person for seq, person in told if erasures.get(seq) == person}
    wanted = {seq: told for seq, (told, who) in digests.items() if who not in gone}
    wrong = []
    for table in (*t.KINDS.values(), t.setting, t.account):
        with connection.execute(select(table), execution_options=PIECES) as rows:
            wrong += [
                f"{table.name} {row.version}, audit row {row.seq}"
                for row in rows
                if wanted.pop(row.seq, None) != digest_of_row(table.name, row._asdict())
            ]
    return (*wrong, *(f"missing: audit row {seq}" for seq in wanted))
