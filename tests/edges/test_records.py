"""The records of a clinic, the same tests on an encrypted file and on a PostgreSQL server."""

from __future__ import annotations

import io
import json
import threading
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

from rungwise.core.errors import InputError
from rungwise.records import (
    LOCAL,
    ConflictError,
    DamagedError,
    NotAllowedError,
    Page,
    RecordsError,
    Store,
    UnknownError,
    Who,
    WrongKeyError,
    erase_person,
    export_person,
)
from rungwise.records import tables as t
from rungwise.records.work import Work
from rungwise.tables import read_table
from tests.faults.kit import DAY, Clock, PostgresServer, fill, new_keys, quick_folder, server


@pytest.fixture(scope="module")
def postgres() -> Iterator[PostgresServer | str]:
    with server() as found:
        yield found


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    with quick_folder() as folder:
        yield folder


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(params=["file", "server"])
def store(
    request: pytest.FixtureRequest, tmp_path: Path, postgres: PostgresServer | str, clock: Clock
) -> Iterator[Store]:
    place: str | Path
    if request.param == "file":
        place = tmp_path / "clinic.rungwise"
        made = Store.create(place, new_keys(place).key, clock)
    elif isinstance(postgres, str):
        pytest.skip(f"PostgreSQL is left out: {postgres}")
    else:
        made = Store.create(postgres(), clock=clock)
    with made:
        yield made


def people(store: Store, search: str = "", **asked: Any) -> Page:
    with store.work(LOCAL) as work:
        return work.people(search, **asked)


def test_what_was_entered_comes_back_in_order(store: Store, clock: Clock) -> None:
    person = fill(store)
    with store.work(LOCAL) as work:
        found = work.history(person)
        assert [r.kind for r in found] == (
            "label exam plan handover decision note document look".split()
        )
        exam, plan = found[1], found[2]
        assert (exam.body, exam.facts["on"], exam.version) == ('side = "right"\n', DAY, 1)
        assert exam.made_utc == "2026-03-02T09:00:00.000000Z"
        assert plan.facts["number"] == b"12345678".hex()
        assert plan.facts["ends"] == DAY + timedelta(days=42)
        assert work.latest(person, "exam") == exam
        assert work.latest(person, "state") is None
        assert work.document(person, 1) == b"%PDF-1.7 invented"
        assert work.person_of_plan(b"12345678") == person
        assert work.person_of_plan(b"87654321") is None
        with pytest.raises(UnknownError):
            work.document(person, 2)
        with pytest.raises(UnknownError, match="no such person"):
            work.history("0" * 32)
    assert store.check().whole


def test_a_correction_is_a_new_row(store: Store) -> None:
    person = fill(store)
    with store.work(LOCAL) as work:
        work.add_exam(person, "mended", DAY, 1, corrects=1)
    with store.work(LOCAL) as work:
        old, new = work.history(person, "exam")
    assert (old.body, new.body, new.corrects) == ('side = "right"\n', "mended", 1)
    with store.work(LOCAL) as work, pytest.raises(UnknownError, match="exam 7"):
        work.add_exam(person, "mended", DAY, corrects=7)


def test_a_stale_version_is_a_conflict_with_both(store: Store) -> None:
    person = fill(store)
    with store.work(LOCAL) as work:
        work.add_exam(person, "hers", DAY, 1)
    with pytest.raises(ConflictError) as met, store.work(LOCAL) as work:
        work.add_exam(person, "his", DAY, 1)
    assert met.value.mine == "his"
    assert met.value.theirs is not None
    assert (met.value.theirs.body, met.value.theirs.version) == ("hers", 2)
    with store.work(LOCAL) as work:
        assert [r.body for r in work.history(person, "exam")][1:] == ["hers"]
        with pytest.raises(ConflictError):
            work.rename(person, "AB", 0)


def test_two_at_once_never_both_win(store: Store) -> None:
    person = fill(store)
    barrier, said = threading.Barrier(8), []

    def save(n: int) -> None:
        barrier.wait()
        try:
            with store.work(LOCAL) as work:
                work.add_exam(person, f"by {n}", DAY, 1)
            said.append("saved")
        except ConflictError:
            said.append("conflict")

    threads = [threading.Thread(target=save, args=(n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(said) == ["conflict"] * 7 + ["saved"]
    assert store.check().whole


def test_two_machines_see_and_refuse_each_other(store: Store) -> None:
    """Two programs on one place, each with connections of its own."""
    person = fill(store)
    place = store.place or store.engine.url.render_as_string(hide_password=False)
    with Store.open(place, store.key) as other:
        with store.work(LOCAL) as work:
            work.add_note(person, "progress", "hers", expected_version=1)
        with pytest.raises(ConflictError) as met, other.work(LOCAL) as work:
            work.add_note(person, "progress", "his", expected_version=1)
        assert met.value.theirs is not None
        assert met.value.theirs.body == "hers"
        with other.work(LOCAL) as work:
            work.add_note(person, "progress", "his", expected_version=2)
        barrier = threading.Barrier(2)

        def write(own: Store) -> None:
            barrier.wait()
            for n in range(10):
                with own.work(LOCAL) as work:
                    work.add_person(f"{n}")

        threads = [threading.Thread(target=write, args=(own,)) for own in (store, other)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert people(store).total == 21
    assert store.check().whole


def test_a_form_sent_twice_writes_once(store: Store) -> None:
    person = fill(store)
    rows = []
    for _ in range(2):
        with store.work(LOCAL) as work:
            rows.append(work.add_exam(person, "second", DAY, 1, once="form-1"))
            rows.append(work.add_handover(person, "{}", DAY))
            assert work.add_person("CD", once="form-2") == work.add_person("CD", once="form-2")
    assert [r.fresh for r in rows] == [True, True, False, False]
    assert rows[0].version == rows[2].version == 2
    assert people(store).total == 2


def test_a_work_that_fails_writes_nothing(store: Store) -> None:
    person = fill(store)
    before = store.check()

    def fail() -> None:
        with store.work(LOCAL) as work:
            work.add_exam(person, "half", DAY)
            work.add_person("half")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    assert store.check() == before
    assert people(store).total == 1


def test_the_caseload_finds_sorts_and_pages(store: Store) -> None:
    with store.work(LOCAL) as work:
        ids = [work.add_person(f"Person {n:02}") for n in range(12)]
        work.set_look(ids[7], DAY, "pain was high")
        work.set_look(ids[3], DAY + timedelta(days=3), "review")
        work.archive(ids[0])
        work.rename(ids[5], "50%_off Ünal")
    page = people(store, count=4)
    assert (page.total, [r.label for r in page.rows]) == (
        11,
        ["Person 07", "Person 03", "50%_off Ünal", "Person 01"],
    )
    assert page.rows[0].look_why == "pain was high"
    assert [r.label for r in people(store, start=8, count=4).rows] == [
        "Person 09",
        "Person 10",
        "Person 11",
    ]
    assert people(store, start=100) == Page((), 11)
    assert [r.person_id for r in people(store, due_by=DAY).rows] == [ids[7]]
    assert people(store, "ÜNAL").total == people(store, "%_O").total == 1
    assert people(store, "%").total == 1
    assert people(store, "person 1").total == 2
    assert [r.person_id for r in people(store, archived=True).rows] == [ids[0]]
    assert people(store, archived=None).total == 12
    with store.work(LOCAL) as work:
        work.archive(ids[0], away=False)
        work.set_look(ids[7], None, "")
    assert people(store, due_by=DAY + timedelta(days=9)).total == 1
    assert people(store).total == 12


def test_who_is_quiet_is_found(store: Store) -> None:
    person = fill(store)
    assert people(store, quiet_since=DAY).total == 0
    assert [r.person_id for r in people(store, quiet_since=DAY + timedelta(days=7)).rows] == [
        person
    ]
    assert people(store, quiet_since=DAY + timedelta(days=60)).total == 0  # the plan is over


def test_the_summary_can_be_computed_again(store: Store) -> None:
    fill(store)
    other = fill(store, "CD")
    with store.work(LOCAL) as work:
        work.archive(other)
        work.rename(other, "Ef")
        work.add_exam(other, "x", DAY + timedelta(days=1))
    kept = people(store, archived=None)
    assert {r.label for r in kept.rows} == {"AB 12", "Ef"}
    store.rebuild()
    assert people(store, archived=None) == kept


@pytest.mark.parametrize("table", sorted(t.APPEND_ONLY))
def test_the_database_refuses_to_change_what_is_kept(store: Store, table: str) -> None:
    person = fill(store)
    with store.work(LOCAL) as work:
        work.set_setting("overrides", "x")
        work.archive(person)
        work.add_exam(person, "again", DAY, once="form")
    _account_and_erasure(store)
    column = "key" if table == "once" else next(iter(t.metadata.tables[table].columns)).name
    for line in (f"delete from {table}", f"update {table} set {column} = {column}"):
        with pytest.raises(sa.exc.DBAPIError, match="kept as they are"):
            _loosely(store, line)
    with store.engine.begin() as connection:
        rows = connection.exec_driver_sql(f"select * from {table}").fetchall()
        assert rows
        if connection.dialect.name == "sqlite":  # "or replace" would delete behind the trigger
            marks = ", ".join("?" * len(rows[0]))
            with pytest.raises(sa.exc.DBAPIError, match="kept as they are"):
                connection.exec_driver_sql(
                    f"insert or replace into {table} values ({marks})", tuple(rows[0])
                )
        else:
            with pytest.raises(sa.exc.DBAPIError, match="kept as they are"):
                connection.exec_driver_sql(f"truncate {table} cascade")


def _account_and_erasure(store: Store) -> None:
    from rungwise.records import Accounts

    Accounts(store, 2**4).add(LOCAL, "Kim", "reader", "slate heron ferry plum")
    erase_person(store, LOCAL, fill(store, "gone"))


# ------------------------------------------------------------------ audit


def test_every_read_and_change_is_audited(store: Store) -> None:
    person = fill(store)
    reader = Who("reader-1", frozenset({"reader"}))
    people(store)
    with store.work(reader) as work:
        work.history(person, "exam")
        work.latest(person, "plan")
    with pytest.raises(NotAllowedError, match="only for therapist"), store.work(reader) as work:
        work.add_exam(person, "mine", DAY)
    with store.work(LOCAL) as work:
        rows = work.audit_rows(last=5)
    assert [(r.who, r.did, r.person_id, r.detail, r.outcome) for r in rows] == [
        ("local", "list", None, "1 of 1", "done"),
        ("reader-1", "read", person, "exam", "done"),
        ("reader-1", "read", person, "plan 1", "done"),
        ("reader-1", "add", None, "", "refused"),
        ("local", "audit", None, "", "done"),
    ]
    told = "".join(map(repr, rows))
    assert "AB 12" not in told
    assert "right" not in told


def _loosely(store: Store, *lines: str) -> None:
    """Do what only somebody with the key, or the server, could do."""
    with store.engine.begin() as connection:
        for line in lines:
            connection.exec_driver_sql(line)


def _lifted(store: Store, table: str, line: str) -> None:
    dialect = store.engine.dialect.name
    _loosely(store, *t.lift_sql(table, dialect), line, *t.protect_sql(table, dialect))


@pytest.mark.parametrize(
    ("line", "at"),
    [
        ("update audit set who = 'nobody' where seq = 4", 4),
        ("delete from audit where seq = 2", 2),
        ("update audit set hash = prev where seq = 6", 6),
    ],
)
def test_a_forged_audit_is_found_at_its_row(store: Store, line: str, at: int) -> None:
    fill(store)
    _lifted(store, "audit", line)
    assert store.check().broken_at == at


def test_the_last_rows_cut_off_are_found_by_a_head_kept_elsewhere(store: Store) -> None:
    fill(store)
    with store.work(LOCAL) as work:
        head = work.head
    people(store)
    assert store.check(head).whole
    _lifted(store, "audit", f"delete from audit where seq >= {head[0]}")
    assert store.check().altered  # the record of the last row has no audit row now
    assert store.check(head).broken_at == head[0]


@pytest.mark.parametrize("table", ["exam", "handover", "setting", "account"])
def test_an_altered_record_is_found(store: Store, table: str) -> None:
    fill(store)
    with store.work(LOCAL) as work:
        work.set_setting("overrides", "x")
    _account_and_erasure(store)
    assert store.check().whole
    change = {"account": "role = 'reader '", "setting": "body = 'y'"}.get(table, "body = BYTES")
    packed = "'\\x7479'" if store.engine.dialect.name == "postgresql" else "x'7479'"  # ty
    _lifted(store, table, f"update {table} set {change.replace('BYTES', packed)}")
    chain = store.check()
    assert chain.broken_at is None
    assert [told.split()[0] for told in chain.altered] == [table]
    _lifted(store, table, f"delete from {table}")
    assert [told.split()[0] for told in store.check().altered] == ["missing:"]


# ------------------------------------------------------------------ settings, roles, labels


def test_settings_keep_every_version(store: Store) -> None:
    with store.work(LOCAL) as work:
        assert work.setting("overrides") is None
        work.set_setting("overrides", "one", 0)
        work.set_setting("overrides", "two", 1)
        with pytest.raises(ConflictError) as met:
            work.set_setting("overrides", "three", 1)
        found = work.setting("overrides")
        assert found is not None
        assert (found.body, found.version) == ("two", 2)
        assert met.value.theirs == found
        assert [r.body for r in work.setting_history("overrides")] == ["one", "two"]


DEEDS: dict[str, Callable[[Work, str], object]] = {
    "list": lambda work, person: work.people(),
    "read": lambda work, person: work.history(person),
    "add": lambda work, person: work.add_exam(person, "x", DAY),
    "note": lambda work, person: work.add_note(person, "progress", "x"),
    "handover": lambda work, person: work.add_handover(person, "{}", DAY),
    "document": lambda work, person: work.add_document(person, "x", "text/plain", b"x"),
    "export": export_person,
    "book": lambda work, person: work.setting("overrides"),
    "settings": lambda work, person: work.set_setting("overrides", "x"),
    "audit": lambda work, person: work.audit_rows(person),
}


@pytest.mark.parametrize(
    ("role", "may"),
    [
        ("therapist", {"list", "read", "add", "note", "handover", "document", "export", "book"}),
        ("assistant", {"list", "read", "handover", "document", "book"}),
        ("reader", {"list", "read", "book"}),
        ("administrator", {"book", "settings", "audit"}),
    ],
)
def test_each_role_may_what_it_may(store: Store, role: str, may: set[str]) -> None:
    person = fill(store)
    who = Who("somebody", frozenset({role}))
    done = set()
    for name, deed in DEEDS.items():
        try:
            with store.work(who) as work:
                deed(work, person)
            done.add(name)
        except NotAllowedError:
            pass
    assert done == may


@pytest.mark.parametrize("label", ["", "   ", "x" * 201, "a\x00b", "a\u202eb"])
def test_a_label_that_cannot_be_is_refused(store: Store, label: str) -> None:
    with store.work(LOCAL) as work, pytest.raises(InputError, match="person"):
        work.add_person(label)


def test_hostile_text_is_kept_as_it_is(store: Store) -> None:
    text = "'; drop table exam; -- <script>\u202e %s {} \\ 漢字 🦶\r\n\t"
    person = fill(store)
    with store.work(LOCAL) as work:
        work.add_exam(person, text, DAY)
        work.rename(person, "'); delete from exam; --")
        assert work.history(person, "exam")[-1].body == text
        assert work.people("'); DEL").total == 1


# ------------------------------------------------------------------ one person leaves


def test_one_person_is_exported_whole(store: Store) -> None:
    person = fill(store)
    fill(store, "Somebody else")
    with store.work(LOCAL) as work:
        data = export_person(work, person, {"../../sheet.pdf": b"%PDF"}, "the person")
    with zipfile.ZipFile(io.BytesIO(data)) as box:
        files = {name: box.read(name) for name in box.namelist()}
    assert set(files) == {
        "record.json",
        "exam/exam-1.toml",
        "plan/plan-1.json",
        "plan/plan-code-1.txt",
        "decision/decision-1.json",
        "handover/handover-1.json",
        "note/note-1.txt",
        "document/document-1.pdf",
        "tables/record.csv",
        "tables/diary.csv",
        "tables/audit.csv",
        "made/sheet.pdf",
        "columns.csv",
        "README.txt",
    }
    assert files["exam/exam-1.toml"] == b'side = "right"\n'
    assert files["document/document-1.pdf"] == b"%PDF-1.7 invented"
    record = json.loads(files["record.json"])
    assert [r["kind"] for r in record][:3] == ["label", "exam", "plan"]
    assert record[2]["body"] == {"version": 1}
    diary = read_table(files["tables/diary.csv"].decode())
    assert [(r["day"], r["line"], r["during"], r["morning"]) for r in diary] == [
        (str(DAY), 0, 3, None)
    ]
    assert not any(b"Somebody else" in data for data in files.values())
    with store.work(LOCAL) as work:
        assert [r.did for r in work.audit_rows(person)].count("export") == 1


def test_one_person_is_erased_and_the_rest_stays(store: Store) -> None:
    person, other = fill(store), fill(store, "CD")
    with store.work(LOCAL) as work:
        work.add_exam(person, "again", DAY, once="form")
    helper = Who("x", frozenset({"assistant"}))
    with pytest.raises(NotAllowedError):
        erase_person(store, helper, person)
    assert people(store).total == 2
    erase_person(store, LOCAL, person)
    assert [r.person_id for r in people(store).rows] == [other]
    assert store.check().whole
    assert store.erased_people() == {person}
    with store.engine.begin() as connection:
        for name, table in t.metadata.tables.items():
            told = repr(connection.execute(sa.select(table)).fetchall())
            assert "AB 12" not in told
            assert (person in told) == (name in ("audit", "erased"))
    with pytest.raises(UnknownError):
        erase_person(store, LOCAL, person)
    with pytest.raises(sa.exc.DBAPIError, match="kept"), store.engine.begin() as connection:
        connection.exec_driver_sql("delete from exam")  # the triggers are back
    with store.work(LOCAL) as work:
        assert len(work.history(other)) == 8


def test_a_text_that_was_never_packed_is_refused(store: Store) -> None:
    person = fill(store)
    with store.work(LOCAL) as work:
        work.add_exam(person, "long " * 4000, DAY)
        assert work.history(person, "exam")[-1].body == "long " * 4000
    junk = "'\\x7a7979'" if store.engine.dialect.name == "postgresql" else "x'7a7979'"
    _lifted(store, "exam", f"update exam set body = {junk}")
    with pytest.raises(DamagedError):
        store.check()


def test_erasing_cannot_hide_a_deleted_record(store: Store) -> None:
    person = fill(store)
    _loosely(store, f"insert into erased values ('{person}', 3)")
    _lifted(store, "exam", "delete from exam")
    assert store.check().altered == ("missing: audit row 2",)


# ------------------------------------------------------------------ opening


def test_the_steps_make_the_tables_that_the_code_names(store: Store) -> None:
    with store.engine.begin() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, t.metadata) == []


def test_records_are_made_once(store: Store) -> None:
    place = store.place or store.engine.url.render_as_string(hide_password=False)
    with pytest.raises(RecordsError, match="already"):
        Store.create(place, store.key)
    fill(store)
    with Store.open(place, store.key) as again:
        assert people(again).total == 1


def test_records_of_a_newer_program_are_left_alone(store: Store) -> None:
    place = store.place or store.engine.url.render_as_string(hide_password=False)
    _loosely(store, "update alembic_version set version_num = '9999'")
    with pytest.raises(RecordsError, match="newer rungwise"):
        Store.open(place, store.key)


def test_nothing_is_made_by_opening(tmp_path: Path, postgres: PostgresServer | str) -> None:
    with pytest.raises(UnknownError):
        Store.open(tmp_path / "none", bytes(32))
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(WrongKeyError):
        Store.create(tmp_path / "none")
    if not isinstance(postgres, str):
        with pytest.raises(UnknownError):
            Store.open(postgres())


def test_a_file_is_for_its_owner_alone_and_tells_nothing(tmp_path: Path) -> None:
    place = tmp_path / "clinic" / "clinic.rungwise"
    key = new_keys(place).key
    with Store.create(place, key) as store:
        fill(store, "Canary 77")
        files = sorted(place.parent.iterdir())
        assert len(files) == 4  # the file, its log and index, its keys
        for file in files:
            assert file.stat().st_mode & 0o077 == 0
            data = file.read_bytes()
            for told in (b"Canary", b"canary", b"side =", b"SQLite format", key):
                assert told not in data
    assert place.parent.stat().st_mode & 0o077 == 0
    frozen = replace(LOCAL, id="x")
    assert frozen.roles == LOCAL.roles
