"""Measure the clinic's records: encrypted beside plain SQLite, and a caseload of 10,000 people.

Run it as ``python benchmarks/records.py``; it prints its table. The people are invented: two
examinations, two plans and thirteen hand-overs of four weeks each, which is a year of diaries.
"""

from __future__ import annotations

import argparse
import json
import random
import resource
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from benchmarks.table import Row, Section, row
from benchmarks.timing import Timing
from rungwise.clinic import demo_exams, examine, make_plan, open_book, read_exam
from rungwise.plain import to_json
from rungwise.records import LOCAL, Store, back_up
from rungwise.records.engine import open_engine, writing
from rungwise.records.migrate import migrate

START = date(2026, 3, 2)
HANDOVERS, DAYS, LINES = 13, 28, 4
TOGETHER = 100
WHY = ("review is due", "pain was high", "nothing handed over")


@dataclass(frozen=True)
class Texts:
    """What every invented person has: texts of the real size."""

    exam: str
    plan: str


def real_texts() -> Texts:
    """An examination and the plan that is really made from it."""
    text, book = demo_exams()["runner-grade-1"], open_book()
    exam = read_exam(text, book)
    examine(exam, book, exam.on)
    return Texts(text, to_json(make_plan(exam, book, exam.on)))


def diary(rng: random.Random, part: int) -> str:
    """Four weeks of a diary, as a hand-over is kept."""
    sessions = []
    for n in range(DAYS):
        entries = [
            {
                "line": line,
                "done": rng.choice(("all", "all", "part", "none")),
                "why_not": "",
                "sets": 1,
                "reps": 10,
                "during": rng.randint(0, 5),
                "morning": rng.randint(0, 3),
            }
            for line in range(LINES)
        ]
        day = START + timedelta(days=part * DAYS + n)
        sessions.append({"on": day.isoformat(), "entries": entries})
    return json.dumps({"source": "code", "log": {"part": part, "sessions": sessions}})


@contextmanager
def opened(folder: Path, encrypted: bool) -> Iterator[Store]:
    """Empty records, encrypted or plain."""
    place = folder / ("encrypted" if encrypted else "plain")
    if encrypted:
        with Store.create(place, bytes(range(32))) as store:
            yield store
        return
    engine = open_engine(place, None)
    raw = engine.raw_connection()
    raw.cursor().execute("pragma journal_mode = wal")
    raw.close()
    with writing(engine) as connection:
        migrate(connection)
    with Store(engine, None, None, lambda: datetime.now(UTC)) as store:
        yield store


def fill(store: Store, people: int, texts: Texts) -> list[str]:
    """Invented people with a year behind them, some of whom need a look; returns their ids."""
    rng, made = random.Random(1), []
    for first in range(0, people, TOGETHER):
        with store.work(LOCAL) as work:
            for n in range(first, min(first + TOGETHER, people)):
                person = work.add_person(f"Person {n:05} {rng.choice('ABCDEFGH')}")
                for half in range(2):
                    on = START + timedelta(days=182 * half)
                    work.add_exam(person, texts.exam, on)
                    work.add_plan(
                        person,
                        texts.plan,
                        code="RW1",
                        number=rng.randbytes(8),
                        exam_version=half + 1,
                        starts=on,
                        review=on + timedelta(days=14),
                        ends=on + timedelta(days=182),
                    )
                for part in range(HANDOVERS):
                    day = START + timedelta(days=DAYS * (part + 1))
                    work.add_handover(person, diary(rng, part), day, 1 + part // 7)
                if rng.random() < 0.2:
                    day = START + timedelta(days=rng.randint(340, 400))
                    work.set_look(person, day, rng.choice(WHY))
                made.append(person)
    return made


def times(deed: Callable[[int], object], count: int) -> tuple[float, ...]:
    """How long a deed took, each time [s]."""
    took = []
    for n in range(count):
        start = time.perf_counter()
        deed(n)
        took.append(time.perf_counter() - start)
    return tuple(took)


def p95_s(seconds: Sequence[float]) -> float:
    """The time that 95 of 100 stay under [s]."""
    return sorted(seconds)[int(0.95 * (len(seconds) - 1))]


def deeds(store: Store, ids: list[str]) -> dict[str, Callable[[int], object]]:
    """What is measured on both kinds of file."""
    rng = random.Random(2)
    known = iter(range(10**9))

    def save(_: int) -> None:
        with store.work(LOCAL) as work:
            work.add_handover(rng.choice(ids), diary(rng, next(known)), START)

    def look(n: int) -> None:
        asked = ({}, {"due_by": START + timedelta(days=360)}, {"start": 500}, {})[n % 4]
        with store.work(LOCAL) as work:
            work.people("12" if n % 4 == 3 else "", **asked)

    def read(_: int) -> None:
        with store.work(LOCAL) as work:
            work.history(rng.choice(ids))

    return {
        "one hand-over, saved on the disk": save,
        "a page of the caseload (50 rows)": look,
        "all of one person, read": read,
    }


def beside(folder: Path, people: int, count: int, texts: Texts) -> Section:
    """Encrypted and plain, in turn."""
    rows = []
    with opened(folder, True) as safe, opened(folder, False) as plain:
        stores = {"encrypted": safe, "plain": plain}
        ids, built = {}, {}
        for name, store in stores.items():
            start = time.perf_counter()
            ids[name] = fill(store, people, texts)
            built[name] = time.perf_counter() - start
        rows += [
            row(f"{people} people entered, {TOGETHER} to a commit, {name}", Timing((built[name],)))
            for name in stores
        ]
        made = {name: deeds(store, ids[name]) for name, store in stores.items()}
        for what in made["plain"]:
            took: dict[str, list[float]] = {name: [] for name in stores}
            for n in range(count):
                for name, own in made.items():
                    took[name] += times(lambda _, deed=own[what], n=n: deed(n), 1)  # type: ignore[misc]
            rows += [row(f"{what}, {name}", Timing(tuple(took[name]))) for name in stores]
    about = (
        f"{people} people with a year of diaries each, {count} times in turn; every one audited."
    )
    return Section("What encryption costs", about, tuple(rows))


def caseload(folder: Path, people: int, count: int, texts: Texts) -> Section:
    """A large caseload, encrypted: pages, persons, everybody at once, the check, a backup."""
    rows = []
    with opened(folder, True) as store:
        ids = fill(store, people, texts)
        for what, deed in deeds(store, ids).items():
            p95 = p95_s(times(deed, count))
            rows.append(Row(f"{what}, p95", f"{1000 * p95:.1f} ms", "", "≤ 50 ms", p95 <= 0.05))
        took: list[float] = []
        own = deeds(store, ids)["a page of the caseload (50 rows)"]
        threads = [
            threading.Thread(target=lambda: took.extend(times(own, count // 20))) for _ in range(20)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        rows.append(Row("a page, 20 at once without a pause, p95", f"{1000 * p95_s(took):.0f} ms"))
        check = times(lambda _: store.check(), 1)
        rows.append(row("audit followed and every record held against it", Timing(check)))
        rows.append(row("backup, verified", Timing(times(lambda _: back_up(store), 1))))
        assert store.place is not None
        size = store.place.stat().st_size / 1e6
        rows.append(Row("size of the file", f"{size:.0f} MB"))
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
        rows.append(Row("most memory of this program", f"{most:.0f} MB"))
    about = f"{people} people with a year of diaries each, encrypted, on one file."
    return Section("A large caseload", about, tuple(rows))


def encryption_of(smallest: bool) -> Section:
    """What encryption costs, as the whole run asks for it."""
    with tempfile.TemporaryDirectory() as folder:
        return beside(Path(folder), 5 if smallest else 300, 4 if smallest else 200, real_texts())


def main(argv: Sequence[str] | None = None) -> int:
    """Run it; returns the exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--people", type=int, default=10_000, help="size of the large caseload")
    parser.add_argument("--beside", type=int, default=300, help="people of each compared file")
    parser.add_argument("--count", type=int, default=200, help="repetitions")
    args = parser.parse_args(argv)
    texts = real_texts()
    with tempfile.TemporaryDirectory() as first, tempfile.TemporaryDirectory() as second:
        sections = [
            beside(Path(first), args.beside, args.count, texts),
            caseload(Path(second), args.people, args.count, texts),
        ]
    for section in sections:
        lines = [f"\n{section.heading}: {section.about}", *(r.cells() for r in section.rows)]
        sys.stdout.write("\n".join(lines) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
