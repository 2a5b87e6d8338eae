"""The connection to the records: an encrypted SQLite file, or a PostgreSQL server by its URL.

On a file every connection says the raw key first; a commit is on the disk before it is answered
(write-ahead log, full synchronising). A server keeps its own files: encrypt its disk.
"""

from __future__ import annotations

import errno
import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy import URL, Connection, Engine, QueuePool, create_engine, event, make_url, text
from sqlalchemy.exc import ArgumentError, DBAPIError
from sqlcipher3 import dbapi2 as cipher

from rungwise.records.errors import DamagedError, FullError, RecordsError, WrongKeyError

__all__ = [
    "is_protected",
    "is_server",
    "open_engine",
    "plain_file",
    "raw_connection",
    "reading",
    "said",
    "server_url",
    "writing",
]

WAIT_S = 30
#: The way of the driver to check a certificate and the name in it.
CHECKED = "verify-full"
#: Whose turn it is within this program; between programs the database itself lets others wait,
#: but less fairly.
_turns: WeakKeyDictionary[Engine, threading.Lock] = WeakKeyDictionary()
#: One number for this program's lock on a server; one writer at a time, as on a file.
WRITER = 0x52554E47
FULL = ("is full", "disk i/o error", "no space left", "unable to open", "readonly")
DAMAGED = ("malformed", "not a database", "disk image", "hmac")


def is_server(place: str | Path) -> bool:
    """Whether a place is the URL of a PostgreSQL server rather than a file."""
    return str(place).startswith(("postgresql://", "postgresql+psycopg://"))


def server_url(place: str | Path) -> URL:
    """The URL of a server as it is used: on the way to another computer TLS is checked in full.

    Without ``sslmode`` the driver would take an open connection wherever the server, or who answers
    in its place, offers no other, and would never ask whose certificate it is. Records and the
    password of the database would then be there to read and to change for anybody on the way. Who
    wants less must write it into the URL.

    Parameters
    ----------
    place : str or Path
        A URL such as ``postgresql://user@db.example.org/clinic``.

    Raises
    ------
    RecordsError
        It is no such URL.
    """
    try:
        url = make_url(str(place)).set(drivername="postgresql+psycopg")
    except (ArgumentError, ValueError):
        raise RecordsError("This is not the URL of a PostgreSQL database.") from None
    if _is_elsewhere(url) and "sslmode" not in url.query:
        url = url.update_query_dict({"sslmode": CHECKED})
    return url


def is_protected(place: str | Path) -> bool:
    """Whether nobody on the way to a server can read or change what is sent."""
    url = server_url(place)
    return not _is_elsewhere(url) or url.query.get("sslmode") == CHECKED


def _is_elsewhere(url: URL) -> bool:
    """Whether a server may be on another computer, by its URL and the driver's own settings."""
    if "service" in url.query or "PGSERVICE" in os.environ:
        return True
    told = [url.host or "", *(url.query.get(name, "") for name in ("host", "hostaddr"))]
    hosts = [one for part in told for one in (part if isinstance(part, tuple) else (part,)) if one]
    hosts = hosts or [os.environ.get(name, "") for name in ("PGHOST", "PGHOSTADDR")]
    return any(
        not one.startswith(("/", "@", "127.")) and one not in ("localhost", "::1", "")
        for part in hosts
        for one in part.split(",")
    )


def raw_connection(path: Path, key: bytes) -> Any:
    """Open an encrypted file, without any transaction of its own making.

    Parameters
    ----------
    path : Path
        The file.
    key : bytes
        Data key, 32 bytes.

    Raises
    ------
    sqlcipher3.dbapi2.DatabaseError
        The key is another, or the file is damaged.
    """
    raw = cipher.connect(str(path), timeout=WAIT_S, check_same_thread=False, isolation_level=None)
    try:
        for line in (
            "pragma cipher_log_level = NONE",  # else faults are printed to the terminal
            f"pragma key = \"x'{key.hex()}'\"",
            "pragma synchronous = full",
            "pragma foreign_keys = on",
            "pragma recursive_triggers = on",  # else "or replace" deletes behind the triggers
            "pragma secure_delete = on",
        ):
            raw.execute(line).close()
    except cipher.Error:
        raw.close()
        raise
    return raw


def plain_file(path: Path) -> Any:
    """Open an unencrypted file with the same care; only speed is measured on it."""
    raw = sqlite3.connect(str(path), timeout=WAIT_S, check_same_thread=False, isolation_level=None)
    for line in ("synchronous = full", "foreign_keys = on", "recursive_triggers = on"):
        raw.execute(f"pragma {line}").close()
    return raw


def open_engine(place: str | Path, key: bytes | None) -> Engine:
    """Connect to the records.

    Parameters
    ----------
    place : str or Path
        A file, or a URL such as ``postgresql://user@localhost/clinic``; see :func:`server_url`.
    key : bytes or None
        Data key of a file, 32 bytes; None opens a plain file, for measuring only.

    Raises
    ------
    RecordsError
        The driver of the server is not installed, or a key is not 32 bytes.
    """
    if is_server(place):
        try:
            engine = create_engine(
                server_url(place), pool_pre_ping=True, connect_args={"client_encoding": "utf8"}
            )
        except ModuleNotFoundError:
            raise RecordsError("PostgreSQL needs one more package: psycopg.") from None
    else:
        path = Path(place)
        if key is not None and len(key) != 32:
            raise WrongKeyError(f"A data key is 32 bytes; this one is {len(key)}.")

        def connect() -> Any:
            return plain_file(path) if key is None else raw_connection(path, key)

        module: Any = sqlite3 if key is None else cipher
        # Without its own pool "sqlite://" would count as a database in memory.
        engine = create_engine("sqlite://", module=module, creator=connect, poolclass=QueuePool)

        @event.listens_for(engine, "begin")
        def _begin(connection: Connection) -> None:
            reading = connection.get_execution_options().get("reading")
            connection.exec_driver_sql("begin" if reading else "begin immediate")

    return engine


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One transaction that writes, all or nothing; others wait for their turn.

    Raises
    ------
    RecordsError
        In our words, what the database said.
    """
    turn = _turns.setdefault(engine, threading.Lock())
    if not turn.acquire(timeout=WAIT_S):
        raise RecordsError("Nothing was written: other work did not end in time. Save again.")
    try:
        with engine.begin() as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(text("select pg_advisory_xact_lock(:n)"), {"n": WRITER})
            yield connection
    except DBAPIError as error:
        raise said(error) from error
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EFBIG, errno.EDQUOT):
            raise FullError(f"Nothing was written: {os.strerror(error.errno)}.") from error
        raise
    finally:
        turn.release()


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """One view of everything as it is now, which holds up nobody.

    Raises
    ------
    RecordsError
        In our words, what the database said.
    """
    level = "REPEATABLE READ" if engine.dialect.name == "postgresql" else None
    options: dict[str, Any] = {"isolation_level": level} if level else {}
    try:
        with engine.connect() as connection:
            connection = connection.execution_options(reading=True, **options)
            with connection.begin():
                yield connection
    except DBAPIError as error:
        raise said(error) from error


def said(error: DBAPIError) -> RecordsError:
    """What a database error means for who met it."""
    words = str(error.orig).lower()
    if any(part in words for part in FULL):
        return FullError(f"Nothing was written: {error.orig}. Make room and save again.")
    if any(part in words for part in DAMAGED):
        return DamagedError(f"The file of records is damaged ({error.orig}).")
    return RecordsError(f"Nothing was written: {error.orig}.")
