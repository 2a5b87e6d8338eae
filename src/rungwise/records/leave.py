"""A person's record leaves: exported whole for the person, or erased for good."""

from __future__ import annotations

import io
import json
import mimetypes
import zipfile
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, delete, insert, select, text

from rungwise.columns import explained, table_of, tables_of
from rungwise.plain import plain, to_json
from rungwise.records import audit
from rungwise.records import tables as t
from rungwise.records.errors import UnknownError
from rungwise.records.roles import Who
from rungwise.records.store import Store
from rungwise.records.tables import Record
from rungwise.records.work import Work
from rungwise.tables import Cell

__all__ = ["erase_again", "erase_person", "export_person"]

#: Kinds whose text becomes a file of its own, and what the file's name ends with.
ENDINGS = {"exam": "toml", "plan": "json", "decision": "json", "handover": "json", "note": "txt"}


def export_person(
    work: Work, person: str, made: Mapping[str, bytes] | None = None, reader: str = ""
) -> bytes:
    """Everything that is kept of one person, as a zip: text as entered, JSON, and CSV tables.

    Parameters
    ----------
    work : Work
        Open piece of work.
    person : str
        The person's id.
    made : mapping of str to bytes or None
        Files made elsewhere that go with it, such as the sheets of a plan.
    reader : str
        Who gets it; stands in the audit.

    Returns
    -------
    bytes
        A zip file; its names hold no name of a person.
    """
    work.allow("export")
    records = work.history(person)
    work.note_deed("export", person, reader)
    files: dict[str, bytes] = {"record.json": to_json([_told(r) for r in records]).encode()}
    for record in records:
        if record.kind in ENDINGS:
            name = f"{record.kind}/{record.kind}-{record.version}.{ENDINGS[record.kind]}"
            files[name] = record.body.encode()
        if record.kind == "plan":
            files[f"plan/plan-code-{record.version}.txt"] = record.facts["code"].encode()
        if record.kind == "document":
            ending = mimetypes.guess_extension(record.facts["media"]) or ".bin"
            name = f"document/document-{record.version}{ending}"
            files[name] = work.document(person, record.version)
    seen = [plain(row) for row in audit.rows_of(work.connection, person)]
    tables = {"record": [_line(r) for r in records], "diary": _diary(records), "audit": seen}
    for name, rows in tables.items():
        files[f"tables/{name}.csv"] = table_of("one", name, rows).encode()
    files |= explained("one")
    files |= {f"made/{name.rpartition('/')[2]}": data for name, data in (made or {}).items()}
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as box:
        for name, data in files.items():
            box.writestr(name, data)
    return out.getvalue()


def erase_person(store: Store, who: Who, person: str) -> None:
    """Delete all that is known of a person; the random id stays, so that backups obey it, too.

    The audit keeps who did what with the id, without any clinical value. What was printed or
    exported, and backups until they are rotated, are not reached.

    Parameters
    ----------
    store : Store
        Open records.
    who : Who
        Must be an administrator.
    person : str
        The person's id.

    Raises
    ------
    NotAllowedError, UnknownError
        Nothing is erased then.
    """
    with store.work(who) as work:
        work.allow("erase")
        if work.connection.scalar(select(t.person.c.id).where(t.person.c.id == person)) is None:
            raise UnknownError("There is no such person.")
        _erase(work, [person])
    store.write_erased()
    _sweep(store)


def erase_again(store: Store, who: Who, people: frozenset[str]) -> int:
    """Erase those of some people whom a restored backup brought back; returns how many [1]."""
    with store.work(who) as work:
        work.allow("erase")
        there = set(work.connection.scalars(select(t.person.c.id))) & people
        _erase(work, sorted(there))
    _sweep(store)
    return len(there)


def _erase(work: Work, people: list[str]) -> None:
    connection = work.connection
    if not people:
        return
    kept = [*t.KINDS, "once", "person"]
    dialect = connection.dialect.name
    _run(connection, (line for name in kept for line in t.lift_sql(name, dialect)))
    for person in people:
        seq = work.note_deed("erase", person, "")
        connection.execute(delete(t.summary).where(t.summary.c.person_id == person))
        for table in t.KINDS.values():
            connection.execute(delete(table).where(table.c.person_id == person))
        connection.execute(delete(t.once).where(t.once.c.of == person))
        connection.execute(delete(t.person).where(t.person.c.id == person))
        connection.execute(insert(t.erased), {"person_id": person, "seq": seq})
    _run(connection, (line for name in kept for line in t.protect_sql(name, dialect)))


def _run(connection: Connection, lines: Any) -> None:
    for line in lines:
        connection.execute(text(line))


def _sweep(store: Store) -> None:
    """Let nothing of it stay behind in the log of a file."""
    if store.place is None:
        return
    raw = store.engine.raw_connection()
    try:
        raw.cursor().execute("pragma wal_checkpoint(truncate)").close()
    finally:
        raw.close()


def _told(record: Record) -> dict[str, Any]:
    told: dict[str, Any] = plain(record)
    if record.kind in ("plan", "decision", "handover"):
        told["body"] = _json(record.body)
    return told


def _line(record: Record) -> dict[str, Cell]:
    return {
        "kind": record.kind,
        "version": record.version,
        "made_utc": record.made_utc,
        "by": record.by,
        "corrects": record.corrects,
        "audit_row": record.seq,
        "text": record.body if record.kind in ("label", "state", "look") else None,
    }


def _diary(records: tuple[Record, ...]) -> list[dict[str, Cell]]:
    """One row for each exercise of each day of each hand-over."""
    rows: list[dict[str, Cell]] = []
    names = tables_of("one")["diary"]
    for record in records:
        told = _json(record.body) if record.kind == "handover" else None
        log = told.get("log") if isinstance(told, dict) else None
        for session in (log or {}).get("sessions", ()):
            for entry in session["entries"]:
                row: dict[str, Cell] = {"handover": record.version, "day": session["on"]}
                row["programme"] = record.facts["plan_version"]
                row |= {name: _cell(entry.get(name)) for name in names if name not in row}
                rows.append(row)
    return rows


def _cell(value: Any) -> Cell:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str | int | float) else None


def _json(body: str) -> Any:
    try:
        return json.loads(body)
    except ValueError:
        return body
