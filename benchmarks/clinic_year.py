"""A clinic of many invented people with a year behind them each, for measuring its pages.

A few people are followed for real: examined every four weeks, their diaries handed over every
two, each decision made by the rules and accepted, a note kept now and then. All the others
are copies of them under ids, labels and plan numbers of their own, written straight into the
tables: the rules would take hours for ten thousand.
"""

from __future__ import annotations

import random
import re
import secrets
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from benchmarks.people import versions_of
from rungwise.casebook import LOCAL, RECORDS, Answer, Casebook
from rungwise.clinic import demo_exams
from rungwise.code_bytes import PLAN, opened, sealed
from rungwise.core.terms import Side
from rungwise.home import HomeEntry, HomeLog, HomePlan, HomeSession
from rungwise.log_code import write_log_code
from rungwise.records import Store
from rungwise.records import tables as t
from rungwise.records.audit import Audited, head
from rungwise.records.engine import writing

__all__ = ["PASSPHRASE", "Made", "make_clinic"]

PASSPHRASE = "five plain words in a row"
CHEAP = 2**4  # of scrypt: unlocking is not what is measured here
FOLLOWED = ("falls-at-82", "fused-joint", "hill-walker-grade-2", "runner-grade-1",
            "stiff-both-grade-3")  # fmt: skip
VISITS, VISIT_WEEKS, HANDOVER_WEEKS = 13, 4, 2
#: Every how manyth visit a note is kept.
NOTED = 4
DAY, WEEK = timedelta(days=1), timedelta(weeks=1)
#: Bytes of a plan's number and key at the start of its code.
SECRET = 8 + 16
KINDS, SUMMARY = tuple(t.KINDS), t.summary.name
COLUMNS = {name: [c.name for c in t.metadata.tables[name].columns] for name in (*KINDS, SUMMARY)}
TOGETHER = 500
Row = tuple[Any, ...]
Rows = Mapping[str, Sequence[Row]]


@dataclass(frozen=True)
class Made:
    """What was made.

    Parameters
    ----------
    people : tuple of str
        Ids.
    followed : int
        How many of them were followed for real [1].
    records : int
        Records in all [1].
    """

    people: tuple[str, ...]
    followed: int
    records: int


class Clock:
    """A clock that is set by hand."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        """What time it is."""
        return self.now


# ------------------------------------------------------------------ one person's year


def follow_one(name: str, seed: int, until: date) -> Rows:
    """A year of one person in records of its own; returns the rows by kind, oldest first."""
    chance = random.Random(seed)
    clock = Clock(datetime(until.year, until.month, until.day, 9, tzinfo=UTC) - 52 * WEEK)
    with TemporaryDirectory() as folder:
        casebook = Casebook(Path(folder) / RECORDS, n=CHEAP, clock=clock)
        casebook.create(PASSPHRASE)
        _live(casebook, clock, versions_of(demo_exams()[name], VISITS, seed), chance)
        with casebook.store.work(LOCAL) as work:
            found = {
                kind: [
                    tuple(row)
                    for row in work.connection.exec_driver_sql(f"select * from {kind} order by seq")
                ]
                for kind in (*KINDS, SUMMARY)
            }
        casebook.lock()
    return found


def _live(casebook: Casebook, clock: Clock, exams: Sequence[str], chance: random.Random) -> None:
    person = casebook.new_person(LOCAL, "A")
    for visit, text in enumerate(exams):
        _examine(casebook, clock, person, text, chance)
        found = casebook.person(LOCAL, person)
        advice = casebook.advice(LOCAL, person)
        if advice is None:
            casebook.keep_plan(LOCAL, person, "", found.plan_version)
        else:
            answers: dict[tuple[str, Side], Answer] = {
                (line.exercise.family, line.exercise.side): Answer("accept", "R. A.", "", {}, None)
                for line in advice.decision.lines
            }
            once = f"decision:{person}:{visit}"
            casebook.decide(LOCAL, person, answers, advice.seen, found.plan_version, once)
        if visit % NOTED == 1:
            note, kept = casebook.note(LOCAL, person, "progress"), found.latest("note")
            follows = 0 if kept is None else kept.version
            once = f"note:{person}:{visit}"
            casebook.keep_note(LOCAL, person, "progress", note.decode(), follows, once)
        for part in range(VISIT_WEEKS // HANDOVER_WEEKS):
            _hand_over(casebook, clock, person, visit * VISIT_WEEKS + part, chance)


def _examine(
    casebook: Casebook, clock: Clock, person: str, text: str, chance: random.Random
) -> None:
    today = clock.now.date()
    text = re.sub(r"(?m)^date = .*$", f"date = {today}", text)
    text = re.sub(r"(?m)^by = .*$", f"by = {today + 12 * WEEK}", text)
    text = re.sub(
        r"(?m)^(rating = )(\d+)",
        lambda m: f"{m[1]}{min(int(m[2]) + chance.randint(0, 2), 10)}",
        text,
    )
    casebook.save_exam(LOCAL, person, text, casebook.person(LOCAL, person).exam_version)


def _hand_over(
    casebook: Casebook, clock: Clock, person: str, part: int, chance: random.Random
) -> None:
    first = clock.now.date()
    clock.now += HANDOVER_WEEKS * WEEK
    homes = casebook.way(LOCAL, person).homes
    if not homes:
        return
    days = tuple(_days(homes[0], first, chance))
    if days:
        log = HomeLog(homes[0].number, homes[0].version, part + 1, days)
        casebook.take_code(LOCAL, person, write_log_code(log, homes[0]))


def _days(home: HomePlan, first: date, chance: random.Random) -> Iterator[HomeSession]:
    """Two weeks at home: mostly all of it, with a little pain."""
    for n in range(HANDOVER_WEEKS * WEEK.days):
        on = first + n * DAY
        entries = tuple(
            HomeEntry(
                line,
                "all" if chance.random() < 0.85 else "part",
                "",
                one.dose.sets,
                one.dose.reps,
                before=chance.randint(0, 2),
                during=chance.randint(0, 3),
                morning=chance.randint(0, 2),
            )
            for line, one in enumerate(home.lines)
            if n * one.dose.days_per_week % WEEK.days < one.dose.days_per_week
        )
        if entries and home.starts <= on <= home.ends:
            yield HomeSession(on, entries)


# ------------------------------------------------------------------ many people


def make_clinic(folder: Path, people: int, followed: int, until: date, jobs: int) -> Made:
    """Records of a clinic in a folder.

    Parameters
    ----------
    folder : Path
        Empty.
    people : int
        How many people [1].
    followed : int
        How many of them are followed for real [1].
    until : date
        Day on which the year ends.
    jobs : int
        Processes [1].
    """
    given = [(FOLLOWED[n % len(FOLLOWED)], n, until) for n in range(followed)]
    with get_context("spawn").Pool(jobs) as pool:
        years = pool.starmap(follow_one, given, chunksize=1)
    casebook = Casebook(folder / RECORDS, n=CHEAP)
    casebook.create(PASSPHRASE)
    ids, records = _copy(casebook.store, years, people)
    casebook.lock()
    return Made(ids, followed, records)


def _copy(store: Store, years: Sequence[Rows], people: int) -> tuple[tuple[str, ...], int]:
    """Write each year again and again, some people to a commit; returns ids and records [1].

    Each record has its row in the audit's chain, without the digest of what it says.
    """
    ids: list[str] = []
    with store.engine.connect() as connection:
        begun, prev = head(connection)
    seq = begun
    for first in range(0, people, TOGETHER):
        rows: dict[str, list[Row]] = {}
        for n in range(first, min(first + TOGETHER, people)):
            person, secret = secrets.token_hex(16), secrets.token_bytes(SECRET)
            ids.append(person)
            own = {"person_id": person, "label": f"N-{n:05}", "folded": f"n-{n:05}"}
            rows.setdefault("person", []).append((person,))
            year = years[n % len(years)]
            rows.setdefault(SUMMARY, []).append(_changed(SUMMARY, year[SUMMARY][0], own))
            for kind in KINDS:
                for old in year[kind]:
                    seq += 1
                    row = _changed(kind, old, {**own, "seq": seq}, secret)
                    rows.setdefault(kind, []).append(row)
                    told = dict(zip(COLUMNS[kind], row, strict=True))
                    what = f"{kind} {told['version']}"
                    one = Audited(seq, told["made_utc"], "local", "add", person, what, "", "done")
                    link = one.chained(prev)
                    rows.setdefault("audit", []).append((*vars(one).values(), prev, link))
                    prev = link
        with writing(store.engine) as connection:
            for table, made in rows.items():
                marks = ", ".join("?" * len(made[0]))
                into = f"insert into {table} values ({marks})"
                connection.exec_driver_sql(into, made)
    return tuple(ids), seq - begun


def _changed(table: str, old: Row, own: Mapping[str, Any], secret: bytes = b"") -> Row:
    """A row as it is for a copy."""
    row = dict(zip(COLUMNS[table], old, strict=True))
    row |= {name: value for name, value in own.items() if name in row}
    if table == "label":
        row["body"] = b"t" + own["label"].encode()
    if table == "plan":
        row |= {"code": _own(row["code"], secret), "number": secret[:8].hex()}
    return tuple(row.values())


def _own(code: str, secret: bytes) -> str:
    """A plan code with a number and key of its own."""
    return sealed(PLAN, secret + opened(PLAN, "plan", code)[SECRET:]) if code else ""
