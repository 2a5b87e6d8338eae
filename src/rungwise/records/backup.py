"""Backups of a file of records: encrypted with its own key, verified, rotated, and restored.

A backup is written under another name and takes its own only when it was opened again, both checks
of its pages passed, and its rows and the head of its audit are those of the original. A process
that is killed meanwhile leaves the earlier backups and no half one.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlcipher3 import dbapi2 as cipher

from rungwise.records import tables as t
from rungwise.records.engine import raw_connection
from rungwise.records.errors import DamagedError, FullError, RecordsError, UnknownError
from rungwise.records.keys import key_file_of, put_whole, to_disk
from rungwise.records.leave import erase_again
from rungwise.records.roles import Who
from rungwise.records.store import Store, backups_of, erased_file_of

__all__ = [
    "AUTOMATIC",
    "Backup",
    "Keep",
    "back_up",
    "is_due",
    "list_backups",
    "newest_whole",
    "restore",
    "verify_backup",
]

#: Who makes the backups that nobody asked for.
AUTOMATIC = Who("rungwise", frozenset({"administrator"}))
NAME = re.compile(r"(\d{8}T\d{6}Z)-(\d{10})\.backup")
PART = ".part-"
PAGES = 2000
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Keep:
    """How many backups are kept; the newest one always is.

    Parameters
    ----------
    hourly, daily, weekly : int
        The newest of each of so many hours, days and weeks that have one [1].
    """

    hourly: int = 24
    daily: int = 14
    weekly: int = 8


@dataclass(frozen=True)
class Backup:
    """What a backup holds, read back from it.

    Parameters
    ----------
    rows : mapping of str to int
        Rows of each table [1].
    head : tuple of (int, str)
        Number and hash of its last audit row.
    """

    rows: dict[str, int]
    head: tuple[int, str]


def list_backups(folder: Path) -> list[Path]:
    """Backups of a folder, the newest one last: by audit row, since clocks can jump back."""
    found = [(m, path) for path in folder.glob("*.backup") if (m := NAME.fullmatch(path.name))]
    return [path for m, path in sorted(found, key=lambda pair: (pair[0][2], pair[0][1]))]


def is_due(folder: Path, now: datetime, every: timedelta = timedelta(hours=1)) -> bool:
    """Whether the newest backup is older than that, missing, or dated in the future."""
    found = list_backups(folder)
    if not found:
        return True
    made = datetime.strptime(found[-1].name[:15], "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
    return not timedelta(0) <= now - made < every


def back_up(
    store: Store,
    folder: Path | None = None,
    keep: Keep | None = None,
    who: Who = AUTOMATIC,
    progress: Progress | None = None,
) -> Path:
    """Make a backup, verify it, and remove those that are no longer kept.

    Parameters
    ----------
    store : Store
        Open records; work can go on meanwhile.
    folder : Path or None
        Where to; None = beside the file.
    keep : Keep or None
        How many are kept; None = as `Keep` says.
    who : Who
        Who asked for it.
    progress : callable or None
        Is told pages left and pages in all [1]; an error that it raises stops the backup.

    Raises
    ------
    RecordsError
        The records are on a server, whose own tools back it up.
    DamagedError
        The records or the copy do not pass.
    FullError
        There is no room.
    """
    place, key = store.place, store.key
    if place is None or key is None:
        raise RecordsError("Back up a server with its own tool: pg_dump.")
    folder = folder or backups_of(place)
    with store.work(who) as work:
        work.allow("backup")
        work.note_deed("backup", None, "")
    part = folder / f"{PART}{secrets.token_hex(4)}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for left in folder.glob(f"{PART}*"):  # by a process that was killed
            left.unlink(missing_ok=True)
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        wanted = _copy(place, part, key, progress)
        _hold_against(part, key, wanted)
        to_disk(part)
        stamp = store.clock().strftime("%Y%m%dT%H%M%SZ")
        made = folder / f"{stamp}-{wanted.head[0]:010d}.backup"
        for file in (key_file_of(place), erased_file_of(place)):
            if file.exists():
                put_whole(folder / file.name, file.read_bytes())
        part.replace(made)
        to_disk(folder)
    except OSError as error:
        raise FullError(f"No backup was made: {error.strerror}.") from error
    except cipher.Error as error:
        raise _said(error, store) from error
    except DamagedError as error:
        raise store.with_advice(error) from error
    finally:
        part.unlink(missing_ok=True)
        part.with_name(part.name + "-journal").unlink(missing_ok=True)
    _rotate(folder, keep or Keep())
    return made


def verify_backup(file: Path, key: bytes) -> Backup:
    """Open a backup and check each page of it; returns what it holds.

    Raises
    ------
    DamagedError
        It is damaged, or the key is another.
    UnknownError
        There is no such file.
    """
    if not file.is_file():
        raise UnknownError(f"There is no backup {file.name}.")
    try:
        with closing(raw_connection(file, key)) as raw:
            for check in ("integrity_check", "cipher_integrity_check", "foreign_key_check"):
                said = [row[0] for row in raw.execute(f"pragma {check}").fetchall()]
                if said not in ([], ["ok"]):
                    raise DamagedError(f"{file.name} is damaged: {said[0]}.")
            return _content(raw)
    except cipher.DatabaseError as error:
        raise DamagedError(f"{file.name} is damaged, or of another key ({error}).") from error


def newest_whole(folder: Path, key: bytes) -> Path | None:
    """The newest backup that passes; None when there is none."""
    for file in reversed(list_backups(folder)):
        with suppress(DamagedError):
            verify_backup(file, key)
            return file
    return None


def restore(file: Path, place: Path, key: bytes, who: Who = AUTOMATIC) -> Path | None:
    """Put a backup in the place of the records, without those who were erased since.

    Close the records everywhere first. What stood in the place is moved aside, not deleted.

    Parameters
    ----------
    file : Path
        The backup.
    place : Path
        The file of records.
    key : bytes
        Their data key.
    who : Who
        Who asked for it.

    Returns
    -------
    Path or None
        Where the earlier file is now; None when there was none.

    Raises
    ------
    DamagedError
        The backup does not pass; everything is as it was.
    RecordsError
        The records are open elsewhere.
    """
    verify_backup(file, key)
    gone = _erased_since(file, place, key)
    keys = file.with_name(key_file_of(place).name)
    for left in place.parent.glob(f"{place.name}{PART}*"):  # by a process that was killed
        left.unlink()
    part = place.with_name(f"{place.name}{PART}{secrets.token_hex(4)}")
    try:
        shutil.copyfile(file, part)
        part.chmod(0o600)
        with Store.open(part, key) as store:
            if not (chain := store.check()).whole:
                where = chain.broken_at or ", ".join(chain.altered[:3])
                raise DamagedError(f"The audit of {file.name} is broken at {where}.")
            with store.work(who) as work:
                work.note_deed("restore", None, file.name)
            erase_again(store, who, gone)
            now = store.clock()
        _settle(part, key)
        to_disk(part)
        aside = _move_aside(place, now)
        part.replace(place)
        if keys.exists() and not key_file_of(place).exists():
            put_whole(key_file_of(place), keys.read_bytes())
        to_disk(place.parent)
    finally:
        for ending in ("", "-wal", "-shm", "-journal", ".erased"):
            part.with_name(part.name + ending).unlink(missing_ok=True)
    with Store.open(place, key) as store:
        store.write_erased()
    return aside


# ------------------------------------------------------------------ inside


def _content(raw: Any) -> Backup:
    names = [name for name in t.metadata.tables if name not in ("signed_in", "throttle")]
    rows = {name: raw.execute(f"select count(*) from {name}").fetchone()[0] for name in names}
    head = raw.execute("select seq, hash from audit order by seq desc limit 1").fetchone()
    return Backup(rows, tuple(head) if head else (0, ""))


def _copy(place: Path, part: Path, key: bytes, progress: Progress | None) -> Backup:
    """Copy as of one moment, page by page; returns what there was at that moment."""

    def step(_: int, left: int, total: int) -> None:
        if progress is not None:
            progress(left, total)

    with (
        closing(raw_connection(place, key)) as source,
        closing(raw_connection(part, key)) as target,
    ):
        source.execute("begin").close()
        wanted = _content(source)
        source.backup(target, pages=PAGES, progress=step)
        source.execute("rollback").close()
        target.execute("pragma journal_mode = delete").close()  # one file, no log beside it
    return wanted


def _hold_against(part: Path, key: bytes, wanted: Backup) -> None:
    try:
        found = verify_backup(part, key)
    except DamagedError as error:
        raise DamagedError(f"The records are damaged: their copy is no good ({error}).") from error
    if found != wanted:
        raise DamagedError("The copy does not hold what the records hold; it was not kept.")


def _settle(part: Path, key: bytes) -> None:
    with closing(raw_connection(part, key)) as raw:
        raw.execute("pragma journal_mode = delete").close()


def _rotate(folder: Path, keep: Keep) -> None:
    kept: set[Path] = set()
    newest_first = list_backups(folder)[::-1]
    for count, bucket in ((keep.hourly, _hour), (keep.daily, _day), (keep.weekly, _week)):
        first: dict[str, Path] = {}
        for path in newest_first:
            made = datetime.strptime(path.name[:15], "%Y%m%dT%H%M%S")
            first.setdefault(bucket(made), path)
        kept |= set(list(first.values())[:count])
    for path in newest_first[1:]:
        if path not in kept:
            path.unlink()


def _hour(made: datetime) -> str:
    return f"{made:%Y%m%d%H}"


def _day(made: datetime) -> str:
    return f"{made:%Y%m%d}"


def _week(made: datetime) -> str:
    year, week, _ = made.isocalendar()
    return f"{year} {week}"


def _erased_since(file: Path, place: Path, key: bytes) -> frozenset[str]:
    found: set[str] = set()
    for kept in (erased_file_of(place), file.with_name(erased_file_of(place).name)):
        if kept.exists():
            found |= set(kept.read_text("ascii").split())
    if place.exists():
        with suppress(DamagedError):
            with Store.open(place, key) as store:
                found |= store.erased_people()
            if place.with_name(place.name + "-wal").exists():  # else the last one removes it
                raise RecordsError("The records are open elsewhere. Close them first.")
    return frozenset(found)


def _move_aside(place: Path, now: datetime) -> Path | None:
    """Keep the file that was, with its log, under another name."""
    if not place.exists():
        return None
    aside = place.with_name(f"{place.name}.before-{now:%Y%m%dT%H%M%SZ}-{secrets.token_hex(2)}")
    log = place.with_name(place.name + "-wal")
    try:
        os.link(place, aside)
    except OSError:  # a file system without links
        shutil.copy2(place, aside)
    if log.exists():
        log.replace(aside.with_name(aside.name + "-wal"))
    place.with_name(place.name + "-shm").unlink(missing_ok=True)
    return aside


def _said(error: Exception, store: Store) -> RecordsError:
    if "full" in str(error) or "disk I/O" in str(error):
        return FullError(f"No backup was made: {error}.")
    return store.with_advice(DamagedError(f"The records could not be copied ({error})."))
