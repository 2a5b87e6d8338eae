"""The records when things go wrong: killed, full, damaged, wrong key, a clock that jumps."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from secrets import token_hex

import pytest

from rungwise.records import (
    LOCAL,
    DamagedError,
    FullError,
    RecordsError,
    Store,
    WrongKeyError,
    back_up,
    erase_person,
    key_file_of,
    list_backups,
    restore,
    unlock,
    verify_backup,
)
from rungwise.records.engine import writing
from rungwise.records.migrate import migrate, version_now
from rungwise.records.store import backups_of
from tests.faults.kit import DAY, PASSPHRASE, Clock, fill, new_keys

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "clinic"


def made(place: Path, clock: Clock | None = None) -> Store:
    return Store.create(place, new_keys(place).key, clock or Clock())


def child(code: str, *arguments: str) -> subprocess.Popen[str]:
    """Another process that runs some lines with ``place`` and ``key`` at hand."""
    start = "import sys\nfrom pathlib import Path\nsys.path[:0] = sys.argv[1:3]\n"
    start += "place, key = Path(sys.argv[3]), bytes.fromhex(sys.argv[4])\n"
    return subprocess.Popen(
        [sys.executable, "-c", start + textwrap.dedent(code), f"{ROOT}/src", str(ROOT), *arguments],
        stdout=subprocess.PIPE,
        text=True,
    )


def key_of(place: Path) -> bytes:
    return unlock(key_file_of(place), PASSPHRASE)


# ------------------------------------------------------------------ killed

WRITER = """
    from datetime import date
    from rungwise.records import LOCAL, Store
    with Store.open(place, key) as store:
        with store.work(LOCAL) as work:
            person = work.add_person("AB")
        print(person, flush=True)
        for n in range(1000):
            with store.work(LOCAL) as work:
                work.add_exam(person, f"exam {n}" + "x" * (n * 37 % 9000), date(2026, 3, 2), n)
                work.add_note(person, "progress", f"note {n}")
            print(n, flush=True)
    """


@pytest.mark.parametrize("kill_at", [3, 301, 998])
def test_kill_during_a_thousand_writes_loses_nothing_told(place: Path, kill_at: int) -> None:
    made(place).close()
    process = child(WRITER, str(place), key_of(place).hex())
    assert process.stdout is not None
    told = []
    person = process.stdout.readline().strip()
    for line in process.stdout:
        told.append(int(line))
        if told[-1] == kill_at:
            process.send_signal(signal.SIGKILL)
            break
    told += [int(line) for line in process.stdout if line.endswith("\n")]
    process.stdout.close()
    assert process.wait() == -signal.SIGKILL
    assert told == list(range(len(told)))
    assert len(told) > kill_at
    with Store.open(place, key_of(place)) as store:
        assert store.check().whole
        with store.work(LOCAL) as work:
            exams, notes = work.history(person, "exam"), work.history(person, "note")
            # what was told is there; one more may be, whole, that was not told in time
            assert len(told) <= len(exams) == len(notes) <= len(told) + 1
            assert [r.body.rstrip("x") for r in exams] == [f"exam {n}" for n in range(len(exams))]
            work.add_exam(person, "and on it goes", DAY, len(exams))


# ------------------------------------------------------------------ no room


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[None]:
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={size},mode=700", "none", str(folder)]
    if os.geteuid() != 0 or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("this user may not mount a small disk; the limit on file size is tried instead")
    try:
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_refuses_and_keeps_all_that_was(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    with small_disk(disk, "3m"):
        place = disk / "clinic"
        with made(place) as store:
            person = fill(store)
            saved = 1
            while _save(store, person, saved):
                saved += 1
            assert saved > 3
            assert store.check().whole
            with pytest.raises(FullError):
                back_up(store, disk / "backups")
            assert not list((disk / "backups").glob("*backup*"))
            assert not list((disk / "backups").glob(".part*"))
        with Store.open(place, key_of(place)) as store:  # it still unlocks and opens
            assert store.check().whole
        copy = tmp_path / "clinic"
        for ending in ("", "-wal"):  # what did not fit any more still stands in the log
            if (file := place.with_name(place.name + ending)).exists():
                copy.with_name(copy.name + ending).write_bytes(file.read_bytes())
        with Store.open(copy, key_of(place)) as store, store.work(LOCAL) as work:
            assert len(work.history(person, "exam")) == saved


def _save(store: Store, person: str, seen: int) -> bool:
    try:
        with store.work(LOCAL) as work:
            work.add_exam(person, token_hex(50_000), DAY, seen)
    except FullError as error:
        return "Nothing was written" not in str(error)
    return True


LIMITED = """
    import resource, signal
    from rungwise.records import LOCAL, FullError, Store
    from secrets import token_hex
    from tests.faults.kit import DAY, fill
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    with Store.open(place, key) as store:
        person = fill(store)
        limit = 1_500_000
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        for seen in range(1, 100):
            try:
                with store.work(LOCAL) as work:
                    work.add_exam(person, token_hex(50_000), DAY, seen)
            except FullError:
                print("full", person, seen, flush=True)
                break
        assert store.check().whole
    """


def test_a_file_that_may_not_grow_refuses_and_keeps_all_that_was(place: Path) -> None:
    made(place).close()
    process = child(LIMITED, str(place), key_of(place).hex())
    said, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    word, person, saved = said.split()
    assert word == "full"
    with Store.open(place, key_of(place)) as store:
        assert store.check().whole
        with store.work(LOCAL) as work:
            assert len(work.history(person, "exam")) == int(saved)


# ------------------------------------------------------------------ damaged, wrong key


def flip(path: Path, at: int) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        (byte,) = file.read(1)
        file.seek(at)
        file.write(bytes([byte ^ 0xFF]))


def test_a_damaged_first_page_names_the_backup_to_restore(place: Path) -> None:
    with made(place) as store:
        fill(store)
        backup = back_up(store)
    flip(place, 1000)
    with pytest.raises(DamagedError, match=f"Restore the backup {backup.name}"):
        Store.open(place, key_of(place))
    restore(backup, place, key_of(place))
    with Store.open(place, key_of(place)) as store:
        assert store.check().whole
        with store.work(LOCAL) as work:
            assert work.people().total == 1


def test_damage_anywhere_is_told_and_never_read_as_something_else(place: Path) -> None:
    with made(place) as store:
        for n in range(20):
            fill(store, f"person {n}")
        backup = back_up(store)
    whole = place.read_bytes()
    key = key_of(place)
    told = 0
    for page in range(1, len(whole) // 4096, 3):
        place.write_bytes(whole)
        flip(place, page * 4096 + 2000)
        said = _read_all(place, key)
        if not said:  # an index or a free page that nobody read: the check of a backup finds it
            with Store.open(place, key) as store, pytest.raises(RecordsError) as met:
                back_up(store, place.with_name("other"))
            assert list_backups(place.with_name("other")) == []
            said = str(met.value)
        assert backup.name in said
        told += 1
    assert told >= 15


def _read_all(place: Path, key: bytes) -> str:
    """Read everything; returns what was said against it."""
    try:
        with Store.open(place, key) as store:
            store.check()
            with store.work(LOCAL) as work:
                for row in work.people(count=100).rows:
                    work.history(row.person_id)
    except DamagedError as error:
        return str(error)
    return ""


def test_a_damaged_file_without_a_backup_is_told(place: Path) -> None:
    made(place).close()
    flip(place, 1000)
    with pytest.raises(DamagedError, match="no whole backup"):
        Store.open(place, key_of(place))


def test_a_wrong_key_is_called_so_and_harms_nothing(
    place: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    made(place).close()
    before = place.read_bytes()
    with pytest.raises(WrongKeyError):
        Store.open(place, bytes(32))
    key_file_of(place).unlink()  # then nobody can tell a wrong key from damage
    with pytest.raises(WrongKeyError, match="32 bytes"):
        Store.open(place, b"short")
    with pytest.raises(DamagedError):
        Store.open(place, bytes(32))
    assert place.read_bytes() == before
    assert capfd.readouterr().err == ""


# ------------------------------------------------------------------ the clock


def test_a_clock_that_jumps_back_changes_no_order(place: Path) -> None:
    clock = Clock()
    with made(place, clock) as store:
        person = fill(store)
        clock.turn(days=-4000)
        with store.work(LOCAL) as work:
            work.add_exam(person, "later", DAY, 1)
        clock.turn(days=9000)
        with store.work(LOCAL) as work:
            work.add_exam(person, "last", DAY, 2)
            exams = work.history(person, "exam")
            rows = work.audit_rows()
        assert [r.body for r in exams] == ['side = "right"\n', "later", "last"]
        assert exams[1].made_utc < exams[0].made_utc < exams[2].made_utc
        assert [r.seq for r in rows] == list(range(1, len(rows) + 1))
        assert store.check().whole


# ------------------------------------------------------------------ interrupted

BACKUP = """
    import os
    from rungwise.records import Store, back_up
    def stop(left, total):
        print("half", flush=True)
        os.kill(os.getpid(), 9)
    with Store.open(place, key) as store:
        back_up(store, progress=stop)
    """


def test_a_killed_backup_leaves_the_earlier_one_and_no_half_one(place: Path) -> None:
    with made(place) as store:
        fill(store)
        first = back_up(store)
    process = child(BACKUP, str(place), key_of(place).hex())
    said, _ = process.communicate(timeout=60)
    assert (said, process.returncode) == ("half\n", -signal.SIGKILL)
    assert list_backups(backups_of(place)) == [first]
    verify_backup(first, key_of(place))
    with Store.open(place, key_of(place)) as store:
        assert store.check().whole
        second = back_up(store)
    names = {path.name for path in backups_of(place).iterdir()}  # what was left over is gone
    assert names == {first.name, second.name, "clinic.keys"}


RESTORE = """
    import os
    from rungwise.records import backup
    backup._move_aside = lambda place, now: os.kill(os.getpid(), 9)
    backup.restore(backup.list_backups(backup.backups_of(place))[0], place, key)
    """


def test_a_killed_restoring_leaves_what_was(place: Path) -> None:
    with made(place) as store:
        fill(store, "before")
        backup = back_up(store)
        fill(store, "after")
    process = child(RESTORE, str(place), key_of(place).hex())
    process.communicate(timeout=60)
    assert process.returncode == -signal.SIGKILL
    with Store.open(place, key_of(place)) as store, store.work(LOCAL) as work:
        assert [row.label for row in work.people().rows] == ["after", "before"]
    assert list(place.parent.glob("*.part-*"))
    restore(backup, place, key_of(place))
    assert not list(place.parent.glob("*.part-*"))
    with Store.open(place, key_of(place)) as store, store.work(LOCAL) as work:
        assert [row.label for row in work.people().rows] == ["before"]


STEP = '''
"""A later step, for the test."""

import os

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade():
    op.add_column("exam", sa.Column("room", sa.Text()))
    op.execute("create table half (n integer)")
    op.execute("insert into half values (1)")
    if os.environ.get("STOP") == "kill":
        os.kill(os.getpid(), 9)
    if os.environ.get("STOP") == "fail":
        raise ZeroDivisionError
'''

MIGRATE = """
    from rungwise.records.engine import open_engine, writing
    from rungwise.records.migrate import migrate
    with writing(open_engine(place, key)) as connection:
        migrate(connection, Path(sys.argv[5]))
    """


def test_an_interrupted_migration_leaves_the_old_tables(
    place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with made(place) as store:
        fill(store)
    steps = tmp_path / "steps"
    steps.mkdir()
    (steps / "step_0002.py").write_text(STEP, "utf-8")
    monkeypatch.setenv("STOP", "kill")
    process = child(MIGRATE, str(place), key_of(place).hex(), str(steps))
    process.communicate(timeout=60)
    assert process.returncode == -signal.SIGKILL
    monkeypatch.setenv("STOP", "fail")
    with Store.open(place, key_of(place)) as store:
        _is_old(store)
        with pytest.raises(ZeroDivisionError), writing(store.engine) as connection:
            migrate(connection, steps)
        _is_old(store)
        monkeypatch.setenv("STOP", "")
        with writing(store.engine) as connection:
            migrate(connection, steps)
            assert version_now(connection) == "0002"
            assert connection.exec_driver_sql("select n from half").scalar() == 1
            assert connection.exec_driver_sql("select room from exam").fetchall() == [(None,)]


def _is_old(store: Store) -> None:
    assert store.check().whole
    with writing(store.engine) as connection:
        assert version_now(connection) == "0001"
        names = connection.exec_driver_sql("select name from sqlite_master").scalars().all()
        assert "half" not in names
        columns = connection.exec_driver_sql("pragma table_info(exam)").fetchall()
        assert "room" not in [column[1] for column in columns]


def test_a_killed_erasing_erases_nothing_or_all(place: Path) -> None:
    with made(place) as store:
        person = fill(store)
    code = f"""
    import os
    from rungwise.records import LOCAL, Store, erase_person
    from rungwise.records import tables
    real = tables.protect_sql
    tables.protect_sql = lambda name, dialect: os.kill(os.getpid(), 9)
    with Store.open(place, key) as store:
        erase_person(store, LOCAL, "{person}")
    """
    process = child(code, str(place), key_of(place).hex())
    process.communicate(timeout=60)
    assert process.returncode == -signal.SIGKILL
    with Store.open(place, key_of(place)) as store:
        assert store.check().whole
        with store.work(LOCAL) as work:
            assert len(work.history(person)) == 8
        erase_person(store, LOCAL, person)
        assert store.check().whole
