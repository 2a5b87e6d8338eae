"""The records of a clinic: open them, work with them, check them.

Work is done in one go: ``with store.work(who) as work: work.add_exam(...)``. Leaving the block
writes all of it to the disk; an error inside writes none of it.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

from sqlalchemy import Engine, select, text
from sqlalchemy.exc import DBAPIError

from rungwise.records import audit, caseload
from rungwise.records import tables as t
from rungwise.records.engine import is_server, open_engine, reading, said, writing
from rungwise.records.errors import (
    DamagedError,
    NotAllowedError,
    RecordsError,
    UnknownError,
    WrongKeyError,
)
from rungwise.records.keys import check_key, key_file_of, put_whole
from rungwise.records.migrate import migrate, version_now, version_wanted
from rungwise.records.roles import Who
from rungwise.records.work import Work

__all__ = ["Store", "backups_of", "erased_file_of"]

Clock = Callable[[], datetime]


def _now() -> datetime:
    return datetime.now(UTC)


def backups_of(place: Path) -> Path:
    """The folder of backups that belongs to a file of records, unless another is set."""
    return place.with_name(place.name + ".backups")


def erased_file_of(place: Path) -> Path:
    """The list of erased people's ids beside a file of records; a restored backup obeys it."""
    return place.with_name(place.name + ".erased")


class Store:
    """Open records; close them after use, or use them in a ``with`` block.

    Parameters
    ----------
    engine : Engine
        Connected.
    place : Path or None
        The file; None for a server.
    key : bytes or None
        Its data key.
    clock : callable
        What time it is.
    """

    def __init__(self, engine: Engine, place: Path | None, key: bytes | None, clock: Clock) -> None:
        self.engine, self.place, self.key, self.clock = engine, place, key, clock

    @classmethod
    def create(cls, place: str | Path, key: bytes | None = None, clock: Clock = _now) -> Store:
        """Make new records.

        Parameters
        ----------
        place : str or Path
            A file that is not there yet, or the URL of an empty database.
        key : bytes or None
            Data key of a file, from :func:`rungwise.records.keys.create_keys`.
        clock : callable
            What time it is.

        Raises
        ------
        RecordsError
            Something is there already; the disk cannot be written.
        """
        if not is_server(place):
            path = Path(place)
            if key is None:
                raise WrongKeyError("A file of records needs its data key.")
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            try:
                os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
            except FileExistsError:
                raise RecordsError(
                    f"{path.name} is there already. Open it, or name another."
                ) from None
        return cls._opened(place, key, clock, new=True)

    @classmethod
    def open(cls, place: str | Path, key: bytes | None = None, clock: Clock = _now) -> Store:
        """Open records; older ones are brought up to date first.

        Raises
        ------
        WrongKeyError
            Another data key than that of the file.
        DamagedError
            Names the backup to restore.
        UnknownError
            There is no such file.
        RecordsError
            The records are of a newer rungwise.
        """
        if not is_server(place):
            path = Path(place)
            if not path.is_file() or not path.stat().st_size:
                raise UnknownError(f"There are no records at {path.name}.")
            if key is None:
                raise WrongKeyError("A file of records needs its data key.")
            check_key(key_file_of(path), key)
        return cls._opened(place, key, clock, new=False)

    @staticmethod
    def exists(place: str | Path) -> bool:
        """Whether there are records at a place.

        Raises
        ------
        RecordsError
            A server does not answer.
        """
        if not is_server(place):
            return Path(place).exists()
        engine = open_engine(place, None)
        try:
            with reading(engine) as connection:
                return version_now(connection) is not None
        finally:
            engine.dispose()

    @classmethod
    def _opened(cls, place: str | Path, key: bytes | None, clock: Clock, new: bool) -> Store:
        path = None if is_server(place) else Path(place)
        engine = open_engine(place, key)
        store = cls(engine, path, key, clock)
        try:
            if path is not None:
                _keep_a_log(engine)
            with writing(engine) as connection:
                if path is None and connection.scalar(text("show server_encoding")) != "UTF8":
                    raise RecordsError("The database must be made with the encoding UTF8.")
                at = version_now(connection)
                if new and at is not None:
                    raise RecordsError("There are records in this database already.")
                if not new and at is None:
                    raise UnknownError("There are no records in this database.")
                if at != version_wanted():
                    migrate(connection)
            store.write_erased()
        except DamagedError as error:
            store.close()
            raise store.with_advice(error) from error
        except BaseException:
            store.close()
            raise
        return store

    def close(self) -> None:
        """Close every connection."""
        self.engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @contextmanager
    def work(self, who: Who) -> Iterator[Work]:
        """One piece of work: all of it is kept, or nothing.

        Parameters
        ----------
        who : Who
            Who works; a refused deed is audited.

        Raises
        ------
        NotAllowedError, ConflictError, UnknownError
            As the verb says.
        DamagedError, FullError, RecordsError
            What the database met; nothing was written.
        """
        try:
            with writing(self.engine) as connection:
                yield Work(connection, who, self.clock())
        except NotAllowedError as error:
            with writing(self.engine) as connection:
                Work(connection, who, self.clock()).note_deed(
                    str(error).partition(":")[0], None, "", outcome="refused"
                )
            raise
        except DamagedError as error:
            raise self.with_advice(error) from error

    def check(self, until: tuple[int, str] | None = None) -> audit.Chain:
        """Follow the audit from its start, and hold every record against it.

        Parameters
        ----------
        until : tuple of (int, str) or None
            A head that was kept elsewhere; shows whether an older file was put in its place.
        """
        try:
            with reading(self.engine) as connection:
                return audit.check_chain(connection, until)
        except DamagedError as error:
            raise self.with_advice(error) from error

    def rebuild(self) -> None:
        """Compute the caseload's summary again from the records."""
        with writing(self.engine) as connection:
            caseload.rebuild(connection)

    def erased_people(self) -> frozenset[str]:
        """Ids of everybody who was erased, by these records and the list beside them."""
        with reading(self.engine) as connection:
            found = set(connection.scalars(select(t.erased.c.person_id)))
        if self.place is not None and (kept := erased_file_of(self.place)).exists():
            found |= set(kept.read_text("ascii").split())
        return frozenset(found)

    def write_erased(self) -> None:
        """Write the list of erased people beside the file, for a backup that is restored later."""
        if self.place is None:
            return
        kept = erased_file_of(self.place)
        gone = self.erased_people()
        if gone and (not kept.exists() or set(kept.read_text("ascii").split()) != gone):
            put_whole(kept, "".join(f"{person}\n" for person in sorted(gone)).encode("ascii"))

    def with_advice(self, error: DamagedError) -> DamagedError:
        """The same error, with the name of the newest backup that is whole."""
        from rungwise.records.backup import newest_whole

        if self.place is None or self.key is None:
            return error
        found = newest_whole(backups_of(self.place), self.key)
        advice = f"Restore the backup {found.name}." if found else "There is no whole backup of it."
        return DamagedError(f"{error} {advice}")


def _keep_a_log(engine: Engine) -> None:
    """Set the write-ahead log; it stays set in the file."""
    raw = None
    try:
        raw = engine.raw_connection()
        raw.cursor().execute("pragma journal_mode = wal").close()
    except (DBAPIError, engine.dialect.loaded_dbapi.Error) as error:
        raise said(DBAPIError("journal_mode", None, error)) from error
    finally:
        if raw is not None:
            raw.close()
