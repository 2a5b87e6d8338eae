"""The door of the records: made, unlocked, locked, on a file or a server."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from threading import RLock

from rungwise.casebook_drawn import qr_of
from rungwise.casebook_read import Reading
from rungwise.core.evidence import Evidence
from rungwise.records import (
    LOCAL,
    Accounts,
    NotAllowedError,
    RecordsError,
    Store,
    change_passphrase,
    create_keys,
    key_file_of,
    unlock,
    unlock_by_recovery,
)
from rungwise.records.engine import is_server
from rungwise.records.keys import N
from rungwise.records.tries import Tries, tries_file_of

__all__ = ["CLINIC", "RECORDS", "Door", "clinic_names", "home_folder"]

RECORDS = "records.db"
CLINIC = "clinic"


def _now() -> datetime:
    return datetime.now(UTC)


def clinic_names(store: Store) -> tuple[str, ...]:
    """What the clinic calls itself, which is no part of a good password; empty when unset."""
    with store.work(LOCAL) as work:
        found = work.setting(CLINIC)
    name = str(tomllib.loads(found.body).get("name", "")) if found else ""
    return (name,) if name else ()


class Door:
    """The records of one clinic, locked or open.

    Parameters
    ----------
    place : Path or str
        File of the records, or the URL of a server.
    n : int
        Work of scrypt for new keys, a power of two [1].
    clock : callable
        What time it is.
    """

    def __init__(self, place: Path | str, n: int = N, clock: Callable[[], datetime] = _now) -> None:
        self.place, self.n, self.clock = place, n, clock
        self._store: Store | None = None
        self._books: dict[int, Evidence] = {}
        self.reading = Reading()
        self._door = RLock()
        self.tries = Tries(None if is_server(place) else tries_file_of(Path(place)))

    # -------------------------------------------------------------- the door

    @property
    def state(self) -> str:
        """``new`` before the first start, else ``locked`` or ``open``."""
        if self._store is not None:
            return "open"
        return "locked" if Store.exists(self.place) else "new"

    @property
    def on_server(self) -> bool:
        """Whether a PostgreSQL server keeps the records, which has no passphrase of ours."""
        return is_server(self.place)

    @property
    def store(self) -> Store:
        """The open records.

        Raises
        ------
        NotAllowedError
            They are locked.
        """
        if self._store is None:
            raise NotAllowedError("open: the records are locked.")
        return self._store

    @property
    def accounts(self) -> Accounts:
        """Who may sign in, where several people work."""
        return Accounts(self.store, self.n)

    @property
    def named(self) -> bool:
        """Whether people sign in by name: as soon as there is an account."""
        return bool(self.accounts.all(LOCAL))

    def first_account(self, name: str, password: str) -> None:
        """Add the first account, an administrator's.

        Raises
        ------
        InputError
            A name that cannot be, a weak password.
        NotAllowedError
            There is an account already.
        """
        with self._door:
            if self.named:
                raise NotAllowedError("accounts: the first one is there already.")
            self.accounts.add(LOCAL, name, "administrator", password)

    def today(self) -> date:
        """The day here."""
        return self.clock().astimezone().date()

    def create(self, passphrase: str = "") -> str:
        """Make the records; returns the recovery key, to be shown once.

        Parameters
        ----------
        passphrase : str
            Opens them from now on; a server has none, and then there is no recovery key either.

        Raises
        ------
        InputError
            The passphrase is too short or too long.
        RecordsError
            There are records already.
        """
        with self._door:
            if self.on_server:
                self._store = Store.create(self.place, clock=self.clock)
                return ""
            place = Path(self.place)
            if place.exists():
                raise RecordsError(f"{place.name} is there already.")
            place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            keys = create_keys(key_file_of(place), passphrase, self.n)
            self._store = Store.create(place, keys.key, self.clock)
            return keys.recovery

    def unlock(self, passphrase: str = "") -> None:
        """Open the records.

        Raises
        ------
        WrongKeyError
            The passphrase does not fit.
        """
        with self._door:
            if self.on_server:
                self._opened(self.place, None, "unlock")
                return
            place = Path(self.place)
            self._opened(place, unlock(key_file_of(place), passphrase), "unlock")

    def recover(self, recovery: str, passphrase: str) -> None:
        """Open the records by the printed recovery key, and set another passphrase."""
        with self._door:
            place = Path(self.place)
            key = unlock_by_recovery(key_file_of(place), recovery)
            with Store.open(place, key, self.clock) as store:
                names = clinic_names(store)
            change_passphrase(key_file_of(place), key, passphrase, self.n, names)
            self._opened(place, key, "recover")

    def _opened(self, place: Path | str, key: bytes | None, did: str) -> None:
        if self._store is None:
            self._store = Store.open(place, key, self.clock)
        with self._store.work(LOCAL) as work:
            work.note_deed(did, None, "")

    def lock(self) -> None:
        """Close the records; nothing can be read until they are unlocked."""
        with self._door:
            if self._store is not None:
                self._store.close()
            self._store = None
            self._books.clear()
            self.reading.clear()
            qr_of.cache_clear()


def home_folder() -> Path:
    """Where the records stand unless another folder is named."""
    return Path(os.environ.get("RUNGWISE_DATA", "") or Path.home() / ".rungwise")
