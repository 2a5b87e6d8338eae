"""Backups: made while work goes on, verified, rotated, restored."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from rungwise.records import (
    LOCAL,
    DamagedError,
    Keep,
    NotAllowedError,
    RecordsError,
    Store,
    Who,
    back_up,
    erase_person,
    is_due,
    key_file_of,
    list_backups,
    restore,
    unlock,
    verify_backup,
)
from rungwise.records.backup import newest_whole
from rungwise.records.store import backups_of
from tests.faults.kit import PASSPHRASE, Clock, fill, new_keys, quick_folder


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    with quick_folder() as folder:
        yield folder


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path, clock: Clock) -> Iterator[Store]:
    place = tmp_path / "clinic"
    with Store.create(place, new_keys(place).key, clock) as made:
        yield made


def place_of(store: Store) -> tuple[Path, bytes]:
    assert store.place is not None
    assert store.key is not None
    return store.place, store.key


def labels(store: Store) -> list[str]:
    with store.work(LOCAL) as work:
        return [row.label for row in work.people().rows]


def test_a_backup_holds_everything_and_tells_nothing(store: Store) -> None:
    place, key = place_of(store)
    fill(store, "Canary 77")
    stages: list[int] = []
    made = back_up(store, progress=lambda left, total: stages.append(left))
    assert stages[-1] == 0
    assert made.parent == backups_of(place)
    assert sorted(path.name for path in made.parent.iterdir()) == [made.name, "clinic.keys"]
    assert b"Canary" not in made.read_bytes()
    assert made.stat().st_mode & 0o077 == 0
    found = verify_backup(made, key)
    assert (found.rows["exam"], found.rows["document"], found.rows["person"]) == (1, 1, 1)
    assert found.head == store_head(store)
    with pytest.raises(DamagedError):
        verify_backup(made, bytes(32))


def store_head(store: Store) -> tuple[int, str]:
    chain = store.check()
    return chain.rows, chain.head


def test_restoring_brings_back_that_day_and_keeps_the_other(store: Store, clock: Clock) -> None:
    place, key = place_of(store)
    fill(store, "before")
    made = back_up(store)
    fill(store, "after")
    store.close()
    aside = restore(made, place, key)
    with Store.open(place, key) as back:
        assert labels(back) == ["before"]
        assert back.check().whole
        with back.work(LOCAL) as work:
            assert "restore" in [row.did for row in work.audit_rows(last=4)]
    assert aside is not None
    with Store.open(aside, key) as old:
        assert sorted(labels(old)) == ["after", "before"]
    assert not list(place.parent.glob("*.part-*"))


def test_a_lost_computer_is_replaced_from_the_backups_alone(store: Store, tmp_path: Path) -> None:
    place, _ = place_of(store)
    fill(store)
    made = back_up(store)
    store.close()
    key = unlock(made.with_name("clinic.keys"), PASSPHRASE)
    new = tmp_path / "new computer" / "clinic"
    new.parent.mkdir()
    assert restore(made, new, key) is None
    with Store.open(new, unlock(key_file_of(new), PASSPHRASE)) as back:
        assert labels(back) == ["AB 12"]
    assert place.exists()


def test_the_erased_stay_erased(store: Store) -> None:
    place, key = place_of(store)
    person = fill(store, "to be erased")
    fill(store, "stays")
    made = back_up(store)
    erase_person(store, LOCAL, person)
    store.close()
    restore(made, place, key)
    with Store.open(place, key) as back:
        assert labels(back) == ["stays"]
        assert back.erased_people() == {person}
        assert back.check().whole
    # even when the records themselves are lost, the list beside them is obeyed
    for path in place.parent.glob("clinic-*"):
        path.unlink()
    place.write_bytes(b"lost" * 3000)
    restore(made, place, key)
    with Store.open(place, key) as back:
        assert labels(back) == ["stays"]


def test_records_that_are_open_are_not_replaced(store: Store) -> None:
    place, key = place_of(store)
    fill(store, "before")
    made = back_up(store)
    fill(store, "after")
    with pytest.raises(RecordsError, match="open elsewhere"):
        restore(made, place, key)
    assert labels(store) == ["after", "before"]


def test_a_damaged_backup_is_not_restored(store: Store, clock: Clock) -> None:
    place, key = place_of(store)
    fill(store, "before")
    first = back_up(store)
    clock.turn(hours=1)
    second = back_up(store)
    data = bytearray(second.read_bytes())
    data[len(data) // 2] ^= 1
    second.write_bytes(data)
    store.close()
    before = place.read_bytes()
    with pytest.raises(DamagedError, match=r"\.backup is damaged"):
        restore(second, place, key)
    assert place.read_bytes() == before
    assert newest_whole(backups_of(place), key) == first
    for cut in (0, 100, 4096, len(data) - 4096):
        second.write_bytes(bytes(data[:cut]))
        with pytest.raises(DamagedError):
            verify_backup(second, key)


def test_a_backup_is_made_while_others_write(store: Store, clock: Clock) -> None:
    _, key = place_of(store)
    stop = threading.Event()
    written: list[str] = []

    def write() -> None:
        while not stop.is_set():
            written.append(fill(store, f"person {len(written)}"))

    thread = threading.Thread(target=write)
    thread.start()
    try:
        made = []
        for _ in range(3):
            made.append(back_up(store))
            clock.turn(hours=1)
    finally:
        stop.set()
        thread.join()
    rows = [verify_backup(path, key).rows for path in made]
    for found in rows:
        assert found["person"] == found["exam"] == found["plan"] == found["summary"]
    assert rows[-1]["person"] <= len(written)


def test_backups_are_rotated(store: Store, clock: Clock) -> None:
    place, _ = place_of(store)
    keep = Keep(hourly=3, daily=4, weekly=2)
    for _ in range(24 * 2 * 10):  # ten days from a Monday, each half hour: names only
        folder = backups_of(place)
        folder.mkdir(exist_ok=True)
        folder.joinpath(f"{clock():%Y%m%dT%H%M%SZ}-{1:010}.backup").touch()
        clock.turn(minutes=30)
    made = back_up(store, keep=keep)
    kept = list_backups(backups_of(place))
    assert kept[-1] == made
    times = [datetime.strptime(path.name[:15], "%Y%m%dT%H%M%S") for path in kept[::-1]]
    assert [f"{at:%a %d %H:%M}" for at in times] == [
        "Thu 12 09:00",
        "Thu 12 08:30",
        "Thu 12 07:30",
        "Wed 11 23:30",
        "Tue 10 23:30",
        "Mon 09 23:30",
        "Sun 08 23:30",
    ]


def test_a_backup_is_due_each_hour(store: Store, clock: Clock) -> None:
    place, _ = place_of(store)
    folder = backups_of(place)
    assert is_due(folder, clock())
    back_up(store)
    assert not is_due(folder, clock())
    clock.turn(minutes=59)
    assert not is_due(folder, clock())
    clock.turn(minutes=1)
    assert is_due(folder, clock())
    clock.turn(days=-3)
    assert is_due(folder, clock())


def test_the_newest_is_kept_when_the_clock_jumped_back(store: Store, clock: Clock) -> None:
    place, _ = place_of(store)
    back_up(store, keep=Keep(1, 1, 1))
    clock.turn(days=-400)
    made = back_up(store, keep=Keep(1, 1, 1))
    assert list_backups(backups_of(place)) == [made]


def test_who_may_not_back_up_does_not(store: Store) -> None:
    with pytest.raises(NotAllowedError):
        back_up(store, who=Who("x", frozenset({"reader"})))


def test_a_stopped_backup_leaves_nothing(store: Store) -> None:
    place, _ = place_of(store)
    fill(store)

    def stop(left: int, total: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        back_up(store, progress=stop)
    assert list(backups_of(place).iterdir()) == []
