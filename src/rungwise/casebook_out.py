"""Files go out of a clinic's records: one person's, everybody's, those of a study, printed sheets.

What goes out is named by ids, never by a label, and explains itself: each zip of tables holds its
columns, units and measures. Long tables are packed while they grow, person by person.
"""

from __future__ import annotations

import io
import json
import re
import secrets
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from importlib.resources import files

from sqlalchemy import select

from rungwise.casebook import Casebook
from rungwise.clinic import read_exam
from rungwise.columns import Growing, explained, tables_of, unit_told
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.kept import read_plan
from rungwise.plain import to_json
from rungwise.records import UnknownError, Who, Work, erase_person, export_person
from rungwise.records import tables as t
from rungwise.records.tables import Record
from rungwise.research import Followed, Session, in_order, research_zip
from rungwise.tables import Cell, write_table

__all__ = [
    "erase",
    "everybody",
    "export_all",
    "export_one",
    "export_research",
    "number_known",
    "people_with_plan",
    "print_sheets",
]

Step = Callable[[int, int], None]
Rows = dict[str, list[dict[str, Cell]]]
KEY = "research_key"
DIARY = ("line", "done", "why_not", "sets", "reps", "before", "during", "morning")


def _still(_: int, __: int) -> None:
    """Tell nobody how far the work is."""


def _zipped(found: Mapping[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as box:
        for name, data in found.items():
            box.writestr(name, data)
    return out.getvalue()


def everybody(casebook: Casebook, who: Who) -> dict[str, str]:
    """Id and label of everybody in the records."""
    found: dict[str, str] = {}
    while True:
        with casebook.store.work(who) as work:
            part = work.people("", archived=None, start=len(found), count=500)
        found |= {row.person_id: row.label for row in part.rows}
        if not part.rows or len(found) >= part.total:
            return found


def export_one(casebook: Casebook, who: Who, person: str, reader: str) -> bytes:
    """Everything that is kept of one person, as a zip, with the newest sheet.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        A therapist.
    person : str
        Whose.
    reader : str
        Who gets it; stands in the audit.
    """
    found = casebook.person(who, person)
    plans = [record for record in found.records if record.kind == "plan"]
    made: dict[str, bytes] = {}
    for record in plans[-1:]:
        name = f"sheet-{record.version}"
        try:
            made[f"{name}.pdf"] = casebook.sheet(who, person, record.version)
        except InputError as error:  # what is kept goes out, whether or not it can be printed
            made[f"{name}.txt"] = "\n".join(map(str, error.faults)).encode()
    with casebook.store.work(who) as work:
        return export_person(work, person, made, reader[:100])


def _histories(
    casebook: Casebook, who: Who, people: Sequence[str], step: Step, detail: str
) -> Iterator[tuple[str, tuple[Record, ...]]]:
    for n, person in enumerate(people):
        step(n, len(people))
        with casebook.store.work(who) as work:
            work.allow("export")
            work.note_deed("export", person, detail)
            records = work.history(person)
        yield person, records
    step(len(people), len(people))


def export_all(casebook: Casebook, who: Who, step: Step = _still) -> bytes:
    """Everybody's records as tidy tables (CSV) and as JSON, in one zip that explains itself.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        A therapist.
    step : callable
        Is told people done and in all [1]; an error that it raises stops the work.
    """
    book, people = casebook.book(who), everybody(casebook, who)
    grown = {name: Growing("all", name) for name in tables_of("all")}
    out, comma = io.BytesIO(), "\n"
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as box:
        for name, data in explained("all", book).items():
            box.writestr(name, data)
        schema = files("rungwise") / "data" / "records.schema.json"
        box.writestr("records.schema.json", schema.read_bytes())
        with box.open("records.json", "w", force_zip64=True) as told:
            told.write(b"[")
            for person, records in _histories(casebook, who, tuple(people), step, "all"):
                for name, rows in _rows(person, people[person], records, book).items():
                    grown[name].add(rows)
                for record in records:
                    told.write((comma + to_json([record])[2:-3]).encode())
                    comma = ",\n"
            told.write(b"\n]\n")
        for name, table in grown.items():
            table.put_into(box, f"tables/{name}.csv")
    return out.getvalue()


def _rows(person: str, label: str, records: Sequence[Record], book: Evidence) -> Rows:
    """What the records of a person give to each table."""
    rows: Rows = {name: [] for name in tables_of("all")}
    rows["people"].append({"person": person, "label": label})
    for record in records:
        start: dict[str, Cell] = {"person": person, "version": record.version}
        if record.kind == "exam":
            rows["readings"] += _readings(start, record, book)
        elif record.kind == "plan":
            rows["programmes"] += _programme(start, record)
        elif record.kind == "handover":
            rows["diary"] += [
                {**start, "day": on.isoformat(), **dict(facts)} for on, facts in _days(record)
            ]
        elif record.kind == "note":
            rows["notes"].append({**start, "made_utc": record.made_utc, "text": record.body})
    return rows


def _readings(start: dict[str, Cell], record: Record, book: Evidence) -> list[dict[str, Cell]]:
    return [
        {
            **start,
            "on": m.on.isoformat(),
            "side": m.side,
            "measure": m.measure,
            "value": ("yes" if m.value else "no") if isinstance(m.value, bool) else m.value,
            "unit": unit_told(book.measures[m.measure].unit) if m.measure in book.measures else 1,
            "method": m.method,
            "instrument": m.instrument,
            "zero": m.zero,
            "sem": m.sem,
        }
        for m in read_exam(record.body, book).measured
    ]


def _programme(start: dict[str, Cell], record: Record) -> list[dict[str, Cell]]:
    plan = read_plan(record.body)
    return [
        {
            **start,
            "line": line,
            "starts": plan.starts.isoformat(),
            "ends": plan.ends.isoformat(),
            "side": "both" if e.both else e.side,
            "rung": e.fitted.rung.name,
            "sets": e.dose.sets,
            "reps": e.dose.reps,
            "hold_s": e.dose.hold_s,
            "days_per_week": e.dose.days_per_week,
        }
        for line, e in enumerate(plan.exercises)
    ]


def export_research(
    casebook: Casebook, who: Who, shifted: bool, another: bool, step: Step = _still
) -> bytes:
    """A de-identified export for research, as a zip of tables.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        A therapist.
    shifted : bool
        Give shifted days of the calendar beside days from the first visit.
    another : bool
        Draw another key: every pseudonym becomes another.
    step : callable
        Is told people done and in all [1]; an error that it raises stops the work.
    """
    book, key = casebook.book(who), _research_key(casebook, who, another)
    people = in_order(everybody(casebook, who), key)
    histories = _histories(casebook, who, people, step, "research")
    return research_zip((_followed(*one, book) for one in histories), key, book, shifted)


def _followed(person: str, records: Sequence[Record], book: Evidence) -> Followed:
    corrected = {r.corrects for r in records if r.kind == "exam"}
    exams = [
        read_exam(r.body, book) for r in records if r.kind == "exam" and r.version not in corrected
    ]
    handovers = [r for r in records if r.kind == "handover"]
    return Followed(
        person,
        tuple(sorted(exams, key=lambda exam: exam.on)),
        tuple(read_plan(r.body) for r in records if r.kind == "plan"),
        tuple(Session(on, facts) for r in handovers for on, facts in _days(r)),
    )


def _research_key(casebook: Casebook, who: Who, another: bool) -> bytes:
    with casebook.store.work(who) as work:
        found = work.setting(KEY)
        if found is not None and not another:
            return bytes.fromhex(found.body)
        key = secrets.token_bytes(32)
        version = found.version if found else 0
        work.set_setting(KEY, key.hex(), version, deed="export")
        return key


def _days(record: Record) -> Iterator[tuple[date, tuple[tuple[str, Cell], ...]]]:
    """What a hand-over tells of each exercise of each day; words of a list and numbers only."""
    log = json.loads(record.body).get("log") or {}
    for session in log.get("sessions", ()):
        for entry in session["entries"]:
            facts: list[tuple[str, Cell]] = [("programme", record.facts["plan_version"])]
            facts += [(name, entry.get(name)) for name in DIARY]
            facts += [(n, "yes" if entry.get(n) else "no") for n in ("sharp", "warning")]
            yield date.fromisoformat(session["on"]), tuple(facts)


# ------------------------------------------------------------------ paper


def people_with_plan(casebook: Casebook, who: Who, search: str = "") -> tuple[tuple[str, str], ...]:
    """Id and label of people whose programme has not ended, for printing many sheets at once."""
    today = casebook.today()
    with casebook.store.work(who) as work:
        rows = work.people(search, count=500).rows
    return tuple((r.person_id, r.label) for r in rows if r.plan_ends and r.plan_ends >= today)


def print_sheets(
    casebook: Casebook, who: Who, people: Sequence[str], paper: str, step: Step = _still
) -> bytes:
    """The newest sheet of each of some people, as one zip; ``left-out.csv`` tells what is missing.

    A sheet is left out, with the reason, when a later examination rules out what stands on it, or
    when it cannot be made: one person's fault keeps nobody else's sheet from being printed.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        Who may read them.
    people : sequence of str
        Their ids.
    paper : str
        ``a4`` or ``us-letter``.
    step : callable
        Is told people done and in all [1]; an error that it raises stops the work.
    """
    sheets: dict[str, bytes] = {}
    left_out: list[dict[str, Cell]] = []
    book = casebook.book(who)
    for n, person in enumerate(people):
        step(n, len(people))
        found = casebook.person(who, person)
        if not found.plan_version:
            continue
        name = f"{found.number}-programme-{found.plan_version}.pdf"
        if out := casebook.ruled_out(found, book):
            named = ", ".join(f"{e.family} {'both' if e.both else e.side}" for e in out)
            why = f"A later examination rules out: {named}. Decide first."
            left_out.append({"sheet": name, "why": why})
            continue
        try:
            sheets[name] = casebook.sheet(who, person, found.plan_version, paper)
        except InputError as error:
            left_out.append({"sheet": name, "why": "; ".join(map(str, error.faults))})
    step(len(people), len(people))
    if left_out:
        sheets["left-out.csv"] = write_table(left_out).encode()
    return _zipped(sheets)


# ------------------------------------------------------------------ away


def number_known(casebook: Casebook, who: Who, number: str) -> str:
    """Id of the one person whose record has a number.

    Raises
    ------
    UnknownError
        There is none, or more than one: then type more of the id.
    """
    with casebook.store.work(who) as work:
        return _one(work, number)


def _one(work: Work, number: str) -> str:
    work.allow("erase", "export")
    if not re.fullmatch("[0-9a-fA-F]{6,32}", number):
        raise UnknownError("There is no such record.")
    c = t.person.c
    found = work.connection.scalars(select(c.id).where(c.id.startswith(number.lower()))).all()
    if len(found) != 1:
        raise UnknownError("There is no such record, or more than one: type more of its id.")
    return str(found[0])


def erase(casebook: Casebook, who: Who, person: str, typed: str) -> None:
    """Erase one person for good; the number of the record must be typed.

    Raises
    ------
    InputError
        What was typed is not the number of this record.
    """
    if typed.strip().upper() != person[:6].upper():
        allowed = person[:6].upper()
        fault = Fault("number", typed[:40] or "–", allowed, "Type it to erase the person.")
        raise InputError("erase", (fault,))
    erase_person(casebook.store, who, person)
    casebook.reading.forget(person)
