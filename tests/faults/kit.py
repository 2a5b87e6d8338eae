"""What the tests of the records share: places for them, a clock, and the server of the system."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import sqlalchemy as sa

from rungwise.records import LOCAL, NewKeys, Store, create_keys, key_file_of

__all__ = [
    "DAY",
    "LIGHT",
    "PASSPHRASE",
    "Clock",
    "PostgresServer",
    "fill",
    "new_keys",
    "quick_folder",
    "server",
]

DAY = date(2026, 3, 2)
PASSPHRASE = "slate heron ferry plum anvil"
LIGHT = 2**10  # work of scrypt that tests can wait for
BINARIES = sorted(Path("/usr/lib/postgresql").glob("*/bin"))


class Clock:
    """A clock that the test turns."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def turn(self, **by: float) -> None:
        self.now += timedelta(**by)


@contextmanager
def quick_folder() -> Iterator[Path]:
    """A folder in memory where there is one; only tests of faults need a disk."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as made:
        yield Path(made)


def new_keys(place: Path) -> NewKeys:
    return create_keys(key_file_of(place), PASSPHRASE, LIGHT)


def fill(store: Store, label: str = "AB 12") -> str:
    """A person with one of everything."""
    with store.work(LOCAL) as work:
        person = work.add_person(label)
        work.add_exam(person, 'side = "right"\n', DAY, 0)
        work.add_plan(
            person,
            '{"version": 1}\n',
            code="RW1 ABC",
            number=b"12345678",
            exam_version=1,
            starts=DAY,
            review=DAY + timedelta(days=14),
            ends=DAY + timedelta(days=42),
        )
        entry = {"line": 0, "done": "all", "why": "", "during": 3, "morning": None}
        log = f'{{"log": {{"sessions": [{{"on": "{DAY}", "entries": [{json.dumps(entry)}]}}]}}}}'
        work.add_handover(person, log, DAY, 1)
        work.add_decision(person, '{"version": 2}', 2)
        work.add_note(person, "first", "=HYPERLINK(1) walked in.")
        work.add_document(person, "letter.pdf", "application/pdf", b"%PDF-1.7 invented")
        work.set_look(person, DAY + timedelta(days=14), "review is due")
    return person


class PostgresServer:
    """A server with a socket in a folder; each call gives a new empty database."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._count = folder, 0

    def _url(self, name: str) -> str:
        return f"postgresql+psycopg://postgres@/{name}?host={self._folder}"

    def __call__(self, like: str = "template1") -> str:
        self._count += 1
        self._say(f"create database clinic_{self._count} template {like}")
        return self._url(f"clinic_{self._count}")

    @contextmanager
    def copies(self) -> Iterator[Callable[[], str]]:
        """Give copies of the first database, and drop them in the end."""
        before = self._count
        yield lambda: self("clinic_1")
        for number in range(before + 1, self._count + 1):
            self._say(f"drop database clinic_{number} with (force)")

    def _say(self, line: str) -> None:
        engine = sa.create_engine(self._url("postgres"), isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            connection.exec_driver_sql(line)
        engine.dispose()


@contextmanager
def server() -> Iterator[PostgresServer | str]:
    """Start the system's PostgreSQL in a folder of its own; gives why, when it cannot."""
    try:
        import psycopg  # noqa: F401
    except ImportError:
        yield "psycopg is not installed"
        return
    if not BINARIES:
        yield "this system has no PostgreSQL server"
        return
    with quick_folder() as folder:
        run = BINARIES[-1]
        as_user: list[str] = []
        if os.geteuid() == 0:
            shutil.chown(folder, "postgres", "postgres")
            as_user = "setpriv --reuid=postgres --regid=postgres --clear-groups".split()
            as_user += ["--reset-env"]
        options = f"-c listen_addresses='' -k {folder} -c fsync=off"
        data = str(folder / "data")
        initdb = [
            str(run / "initdb"),
            "-A",
            "trust",
            "-E",
            "UTF8",
            "--locale=C",
            "-U",
            "postgres",
            "--no-sync",
            "-D",
            data,
        ]
        control = [*as_user, str(run / "pg_ctl"), "-D", data, "-l", str(folder / "said")]
        _run([*as_user, *initdb])
        _run([*control, "-w", "-o", options, "start"])
        try:
            yield PostgresServer(folder)
        finally:
            _run([*control, "-m", "immediate", "-w", "stop"])


def _run(command: list[str]) -> None:
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, timeout=60)
