"""The tables of a clinic's records, for SQLite and PostgreSQL alike.

Whatever is known of a person is a row of one of the `KINDS`: numbered from 1 for each person and
kind, never changed and never deleted. A correction is a new row that names the old one. Only
`MUTABLE` tables may change: who is signed in, throttled sign-ins, and the caseload's summary, which
is computed from the other rows and can be computed again.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import (
    Boolean,
    Column,
    Date,
    Dialect,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
)

from rungwise.records.errors import DamagedError

__all__ = [
    "APPEND_ONLY",
    "KINDS",
    "MUTABLE",
    "Record",
    "account",
    "audit",
    "erased",
    "lift_sql",
    "metadata",
    "once",
    "person",
    "protect_sql",
    "setting",
    "signed_in",
    "summary",
    "throttle",
]

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)
SHORT = 512


class Packed(TypeDecorator[str]):
    """Text that is kept small: a plan of 48 kB takes a tenth of that."""

    impl = LargeBinary
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> bytes | None:
        """Pack what is long enough to be worth it; the same on every database."""
        del dialect
        if value is None:
            return None
        data = value.encode()
        return b"t" + data if len(data) < SHORT else b"z" + zlib.compress(data, 6)

    def process_result_value(self, value: bytes | None, dialect: Dialect) -> str | None:
        """Unpack; refuse what was never packed."""
        del dialect
        return None if value is None else unpacked(value)


def unpacked(value: bytes) -> str:
    """A text that was kept small.

    Raises
    ------
    DamagedError
        It was never packed.
    """
    try:
        mark, data = bytes(value)[:1], bytes(value)[1:]
        if mark in (b"t", b"z"):
            return (data if mark == b"t" else zlib.decompress(data)).decode()
    except (TypeError, ValueError, zlib.error):
        pass
    raise DamagedError("A text in the records is damaged.")


class _Text:
    """A text that is unpacked when it is first asked for: most of a record is never looked at."""

    def __get__(self, record: Any, _: type | None = None) -> str:
        text = vars(record)["body"]
        if not isinstance(text, str):
            text = vars(record)["body"] = unpacked(text)
        return str(text)

    def __set__(self, record: Any, text: str | bytes) -> None:
        vars(record)["body"] = text


ID, TIME, HASH = String(32), String(27), String(64)


@dataclass(frozen=True)
class Record:
    """One version of one thing that is known of a person, or one setting.

    Parameters
    ----------
    kind : str
        One of the kinds (``exam``, ``plan`` …), or ``setting``.
    of : str
        The person's id, or the setting's name.
    version : int
        From 1, for each person and kind [1].
    seq : int
        Number of the audit row that was written with it: the order of everything [1].
    made_utc : str
        When, by this computer's clock, ISO 8601 in UTC.
    by : str
        Account that wrote it.
    corrects : int or None
        Version that it corrects [1].
    body : str
        The text as it was entered.
    facts : mapping
        Further columns of its kind.
    """

    kind: str
    of: str
    version: int
    seq: int
    made_utc: str
    by: str
    corrects: int | None
    body: str
    facts: Mapping[str, Any]


type.__setattr__(Record, "body", _Text())


person = Table("person", metadata, Column("id", ID, primary_key=True))


def _kind(name: str, *extra: Column[Any]) -> Table:
    return Table(
        name,
        metadata,
        Column("seq", Integer, primary_key=True, autoincrement=False),  # of its audit row
        Column("person_id", ID, ForeignKey("person.id"), nullable=False),
        Column("version", Integer, nullable=False),
        Column("made_utc", TIME, nullable=False),
        Column("by", ID, nullable=False),
        Column("corrects", Integer),
        Column("body", Packed, nullable=False),
        Column("salt", ID, nullable=False),  # the audit's digest tells nothing once it is erased
        *extra,
        UniqueConstraint("person_id", "version"),
    )


KINDS: dict[str, Table] = {
    table.name: table
    for table in (
        _kind("label"),
        _kind("state"),  # present | archived
        _kind("look", Column("on", Date)),  # when the person needs a look, and why
        _kind("exam", Column("on", Date, nullable=False)),
        _kind(
            "plan",
            Column("code", Text, nullable=False),
            Column("number", String(16), nullable=False, index=True),
            Column("exam_version", Integer, nullable=False),
            Column("starts", Date, nullable=False),
            Column("review", Date, nullable=False),
            Column("ends", Date, nullable=False),
        ),
        _kind("handover", Column("on", Date, nullable=False), Column("plan_version", Integer)),
        _kind("decision", Column("plan_version", Integer)),
        _kind("note", Column("sort", String(40), nullable=False), Column("follows", Integer)),
        _kind(
            "document", Column("media", String(100), nullable=False), Column("data", LargeBinary)
        ),
    )
}

setting = Table(
    "setting",
    metadata,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("name", String(80), nullable=False),
    Column("version", Integer, nullable=False),
    Column("made_utc", TIME, nullable=False),
    Column("by", ID, nullable=False),
    Column("body", Text, nullable=False),
    UniqueConstraint("name", "version"),
)
account = Table(
    "account",
    metadata,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("id", ID, nullable=False),
    Column("version", Integer, nullable=False),
    Column("name", String(100), nullable=False),
    Column("folded", String(200), nullable=False, index=True),
    Column("role", String(20), nullable=False),
    Column("password", Text, nullable=False),
    Column("totp", String(64), nullable=False),
    Column("codes", Text, nullable=False),  # hashes of recovery codes, as JSON
    Column("disabled", Boolean, nullable=False),
    UniqueConstraint("id", "version"),
)
once = Table(
    "once",
    metadata,
    Column("key", String(100), primary_key=True),
    Column("of", String(80), nullable=False, index=True),
    Column("kind", String(20), nullable=False),
    Column("version", Integer, nullable=False),
)
audit = Table(
    "audit",
    metadata,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("made_utc", TIME, nullable=False),
    Column("who", ID, nullable=False),
    Column("did", String(40), nullable=False),
    Column("person_id", ID, index=True),
    Column("detail", String(200), nullable=False),
    Column("digest", String(64), nullable=False),
    Column("outcome", String(20), nullable=False),
    Column("prev", HASH, nullable=False),
    Column("hash", HASH, nullable=False),
)
erased = Table(
    "erased",
    metadata,
    Column("person_id", ID, primary_key=True),
    Column("seq", Integer, nullable=False),
)

signed_in = Table(
    "signed_in",
    metadata,
    Column("token", HASH, primary_key=True),  # its SHA-256
    Column("account_id", ID, nullable=False, index=True),
    Column("made_s", Integer, nullable=False),
    Column("seen_s", Integer, nullable=False),
)
throttle = Table(
    "throttle",
    metadata,
    Column("key", HASH, primary_key=True),
    Column("failures", Integer, nullable=False),
    Column("until_s", Integer, nullable=False),
    Column("totp_step", Integer, nullable=False),
)
summary = Table(
    "summary",
    metadata,
    Column("person_id", ID, ForeignKey("person.id"), primary_key=True),
    Column("label", Text, nullable=False),
    Column("folded", Text, nullable=False),
    Column("archived", Boolean, nullable=False),
    Column("look_on", Date),
    Column("look_why", Text, nullable=False),
    Column("exam_version", Integer, nullable=False),
    Column("exam_on", Date),
    Column("plan_version", Integer, nullable=False),
    Column("plan_review", Date),
    Column("plan_ends", Date),
    Column("handover_version", Integer, nullable=False),
    Column("handover_on", Date),
    Column("decision_version", Integer, nullable=False),
    Column("note_version", Integer, nullable=False),
    Column("seq", Integer, nullable=False),
)
Index(None, summary.c.archived, summary.c.look_on, summary.c.folded)

MUTABLE = ("signed_in", "throttle", "summary")
APPEND_ONLY = tuple(name for name in metadata.tables if name not in MUTABLE)


def protect_sql(table: str, dialect: str) -> tuple[str, ...]:
    """Statements that make the database itself refuse to change or delete rows of a table."""
    if dialect == "postgresql":
        does = "execute function keep_rows()"
        return (
            f"create trigger keep_rows before update or delete on {table} for each row {does}",
            f"create trigger keep_all before truncate on {table} for each statement {does}",
        )
    return tuple(
        f"create trigger keep_{table}_{change} before {change} on {table} "
        f"begin select raise(abort, '{table}: rows are kept as they are'); end"
        for change in ("update", "delete")
    )


def lift_sql(table: str, dialect: str) -> tuple[str, ...]:
    """Statements that undo :func:`protect_sql`; for erasing a person, inside one transaction."""
    if dialect == "postgresql":
        return (f"drop trigger keep_rows on {table}", f"drop trigger keep_all on {table}")
    return tuple(f"drop trigger keep_{table}_{change}" for change in ("update", "delete"))
