"""Files in and out of a clinic's records: examinations, log codes, lists of people, exports.

The verbs take the open :class:`~rungwise.casebook.Casebook` and who works. Whatever comes in is
read whole and judged before anything is saved; what goes out is named by ids, never by a label.
"""

from __future__ import annotations

import io
import json
import re
import secrets
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select

from rungwise.casebook import Casebook
from rungwise.clinic import read_exam
from rungwise.core.errors import Fault, InputError
from rungwise.core.terms import Exam
from rungwise.kept import read_plan
from rungwise.log_code import number_of
from rungwise.plain import to_json
from rungwise.records import UnknownError, Who, Work, erase_person, export_person
from rungwise.records import tables as t
from rungwise.records.tables import Record
from rungwise.research import Followed, Session, research_files
from rungwise.tables import Cell, read_table, write_table

__all__ = [
    "Newcomer",
    "erase",
    "everybody",
    "export_all",
    "export_one",
    "export_research",
    "import_exam",
    "import_people",
    "number_known",
    "people_with_plan",
    "person_of_log",
    "print_sheets",
    "read_people",
    "read_text",
    "same_label",
]

Step = Callable[[int, int], None]
COLUMNS, ROWS_MAX = ("label", "look_on", "look_why"), 5_000
KEY, FIRST_ROW = "research_key", 2
DIARY = ("line", "done", "why_not", "sets", "reps", "before", "during", "morning")


def _still(_: int, __: int) -> None:
    """Tell nobody how far the work is."""


# ------------------------------------------------------------------ in


@dataclass(frozen=True)
class Newcomer:
    """One row of a list of people.

    Parameters
    ----------
    label : str
        The clinic's label.
    look_on : date or None
        When the person needs a look.
    look_why : str
        Why.
    """

    label: str
    look_on: date | None
    look_why: str


def read_text(data: bytes, what: str) -> str:
    """Text of an uploaded file.

    Raises
    ------
    InputError
        It is no UTF-8, or holds signs that no text has.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = "\0"
    if re.search("[\0-\x08\x0b\x0c\x0e-\x1f]", text):
        fault = Fault("file", "another kind of file", "plain text, UTF-8", "Save it as UTF-8.")
        raise InputError(what, (fault,))
    return text


def read_people(text: str, taken: Sequence[str] = ()) -> tuple[Newcomer, ...]:
    """Read a list of people: CSV with the columns label, look_on, look_why; only label is needed.

    Parameters
    ----------
    text : str
        The file's text.
    taken : sequence of str
        Labels that somebody has already.

    Raises
    ------
    InputError
        Names every fault by the number of its row; the row below the header is row 2.
    """
    rows = read_table(text, numbers=False)
    columns = tuple(rows[0]) if rows else ()
    if "label" not in columns or not set(columns) <= set(COLUMNS):
        given = ", ".join(columns)[:100] or "nothing"
        fault = Fault("columns", given, ", ".join(COLUMNS), "Name the columns so.")
        raise InputError("people", (fault,))
    if len(rows) > ROWS_MAX:
        fault = Fault("rows", str(len(rows)), f"at most {ROWS_MAX}", "Split the file.")
        raise InputError("people", (fault,))
    faults: list[Fault] = []
    found: list[Newcomer] = []
    seen = {label.casefold() for label in taken}
    for number, row in enumerate(rows, FIRST_ROW):
        label = " ".join(str(row["label"] or "").split())
        where = f"row {number}"
        if not 1 <= len(label) <= 200 or not label.isprintable():
            allowed = "1 to 200 printable characters"
            faults.append(Fault(f"{where}, label", label[:40] or "–", allowed, "Fill it in."))
        elif label.casefold() in seen:
            faults.append(
                Fault(f"{where}, label", label[:40], "a label that is free", "Change it.")
            )
        seen.add(label.casefold())
        given = str(row.get("look_on") or "").strip()
        on: date | None = None
        if given:
            try:
                on = date.fromisoformat(given)
            except ValueError:
                allowed = "a day such as 2026-11-25"
                faults.append(Fault(f"{where}, look_on", given[:40], allowed, "Write it so."))
        why = " ".join(str(row.get("look_why") or "").split())
        if len(why) > 200 or not why.isprintable():
            allowed = "up to 200 printable characters"
            faults.append(Fault(f"{where}, look_why", why[:40], allowed, "Shorten it."))
        found.append(Newcomer(label, on, why))
    if faults:
        raise InputError("people", tuple(faults))
    return tuple(found)


def everybody(casebook: Casebook, who: Who) -> dict[str, str]:
    """Id and label of everybody in the records."""
    found: dict[str, str] = {}
    while True:
        with casebook.store.work(who) as work:
            part = work.people("", archived=None, start=len(found), count=500)
        found |= {row.person_id: row.label for row in part.rows}
        if not part.rows or len(found) >= part.total:
            return found


def import_people(casebook: Casebook, who: Who, text: str, once: str, step: Step = _still) -> int:
    """Add everybody of a list, or nobody; returns how many [1].

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        A therapist.
    text : str
        The list, as :func:`read_people` takes it.
    once : str
        Token of the form: the same list sent twice adds people once.
    step : callable
        Is told rows done and in all [1]; an error that it raises keeps nothing.
    """
    taken = everybody(casebook, who)
    with casebook.store.work(who) as work:
        before = work.connection.scalar(select(t.once.c.of).where(t.once.c.key == f"{once}:0"))
        newcomers = read_people(text, () if before else tuple(taken.values()))
        for n, newcomer in enumerate(newcomers):
            step(n, len(newcomers))
            person = work.add_person(newcomer.label, f"{once}:{n}")
            if before is None and newcomer.look_on is not None:
                work.set_look(person, newcomer.look_on, newcomer.look_why)
        step(len(newcomers), len(newcomers))
    return len(newcomers)


def same_label(casebook: Casebook, who: Who, text: str) -> tuple[Exam, tuple[tuple[str, int], ...]]:
    """Read an examination, and who has its label: id, and version of the latest examination.

    Raises
    ------
    InputError
        Names every fault of the examination.
    """
    exam = read_exam(text, casebook.book(who), casebook.today())
    with casebook.store.work(who) as work:
        found = [
            row.person_id
            for row in work.people(exam.person.label, archived=None, count=500).rows
            if row.label.casefold() == exam.person.label.casefold()
        ]
        versions = []
        for person in found:
            latest = work.latest(person, "exam")
            versions.append((person, latest.version if latest else 0))
    return exam, tuple(versions)


def import_exam(
    casebook: Casebook, who: Who, text: str, person: str, expected: int, once: str
) -> str:
    """Save an examination for a person, or for a new one; returns the id.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        A therapist.
    text : str
        TOML.
    person : str
        Whose; empty adds a new person of the examination's label.
    expected : int
        Version that the writer had seen, 0 = none [1].
    once : str
        Token of the form.

    Raises
    ------
    InputError
        A fault of the examination; a label that is not the person's.
    ConflictError
        Somebody saved a newer one.
    """
    exam, known = same_label(casebook, who, text)
    if not person:
        person = casebook.new_person(who, exam.person.label, True, f"{once}:person")
    elif person not in dict(known):
        fault = Fault("person.label", exam.person.label[:40], "that person's label", "Mend one.")
        raise InputError("examination", (fault,))
    casebook.save_exam(who, person, text, expected, f"{once}:exam")
    return person


def person_of_log(casebook: Casebook, who: Who, text: str) -> str:
    """Whose plan a log code belongs to.

    Raises
    ------
    InputError
        It is no whole log code, or of nobody's plan here.
    """
    number = number_of(text.strip())
    with casebook.store.work(who) as work:
        found = work.person_of_plan(number)
    if found is None:
        fault = Fault("code", number.hex(), "a plan of these records", "Ask which clinic made it.")
        raise InputError("log code", (fault,))
    return found


# ------------------------------------------------------------------ out


def _zipped(files: Mapping[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as box:
        for name, data in files.items():
            box.writestr(name, data)
    return out.getvalue()


def export_one(casebook: Casebook, who: Who, person: str, reader: str) -> bytes:
    """Everything that is kept of one person, as a zip, with the sheets of the plans.

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
    made = {
        f"sheet-{record.version}.pdf": casebook.sheet(who, person, record.version)
        for record in plans[-1:]
    }
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
    """Everybody's records as tidy tables (CSV) and as JSON, in one zip.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        A therapist.
    step : callable
        Is told people done and in all [1]; an error that it raises stops the work.
    """
    book = casebook.book(who)
    people = everybody(casebook, who)
    rows: dict[str, list[dict[str, Cell]]] = {name: [] for name in TABLES}
    told: list[object] = []
    for person, records in _histories(casebook, who, tuple(people), step, "all"):
        rows["people"].append({"person": person, "label": people[person]})
        for record in records:
            start: dict[str, Cell] = {"person": person, "version": record.version}
            told.append(record)
            if record.kind == "exam":
                exam = read_exam(record.body, book)
                rows["readings"] += [
                    {
                        **start,
                        "on": m.on.isoformat(),
                        "side": m.side,
                        "measure": m.measure,
                        "value": ("yes" if m.value else "no")
                        if isinstance(m.value, bool)
                        else m.value,
                        "unit": book.measures[m.measure].unit
                        if m.measure in book.measures
                        else "1",
                        "method": m.method,
                        "instrument": m.instrument,
                        "zero": m.zero,
                    }
                    for m in exam.measured
                ]
            elif record.kind == "plan":
                plan = read_plan(record.body)
                rows["programmes"] += [
                    {
                        **start,
                        "starts": plan.starts.isoformat(),
                        "ends": plan.ends.isoformat(),
                        "side": "both" if e.both else e.side,
                        "rung": e.fitted.rung.name,
                        "sets": e.dose.sets,
                        "reps": e.dose.reps,
                        "hold_s": e.dose.hold_s,
                        "days_per_week": e.dose.days_per_week,
                    }
                    for e in plan.exercises
                ]
            elif record.kind == "handover":
                rows["diary"] += [
                    {**start, "day": on.isoformat(), **dict(facts)} for on, facts in _days(record)
                ]
            elif record.kind == "note":
                rows["notes"].append({**start, "made_utc": record.made_utc, "text": record.body})
    files = {f"tables/{name}.csv": write_table(rows[name]).encode() for name in TABLES}
    files["records.json"] = to_json(told).encode()
    return _zipped(files)


TABLES = ("people", "readings", "programmes", "diary", "notes")


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
    book = casebook.book(who)
    people = tuple(everybody(casebook, who))
    followed = []
    for person, records in _histories(casebook, who, people, step, "research"):
        corrected = {r.corrects for r in records if r.kind == "exam"}
        exams = [
            read_exam(r.body, book)
            for r in records
            if r.kind == "exam" and r.version not in corrected
        ]
        followed.append(
            Followed(
                person,
                tuple(sorted(exams, key=lambda exam: exam.on)),
                tuple(read_plan(r.body) for r in records if r.kind == "plan"),
                tuple(
                    Session(on, facts)
                    for r in records
                    if r.kind == "handover"
                    for on, facts in _days(r)
                ),
            )
        )
    key = _research_key(casebook, who, another)
    return _zipped(research_files(followed, key, book, shifted))


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
            facts = [(name, entry.get(name)) for name in DIARY]
            facts += [(n, "yes" if entry.get(n) else "no") for n in ("sharp", "warning")]
            yield date.fromisoformat(session["on"]), tuple(facts)


def people_with_plan(casebook: Casebook, who: Who, search: str = "") -> tuple[tuple[str, str], ...]:
    """Id and label of people whose programme has not ended, for printing many sheets at once."""
    today = casebook.today()
    with casebook.store.work(who) as work:
        rows = work.people(search, count=500).rows
    return tuple((r.person_id, r.label) for r in rows if r.plan_ends and r.plan_ends >= today)


def print_sheets(
    casebook: Casebook, who: Who, people: Sequence[str], paper: str, step: Step = _still
) -> bytes:
    """The newest sheet of each of some people, as one zip.

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
    files = {}
    for n, person in enumerate(people):
        step(n, len(people))
        found = casebook.person(who, person)
        if found.plan_version:
            name = f"{found.number}-programme-{found.plan_version}.pdf"
            files[name] = casebook.sheet(who, person, found.plan_version, paper)
    step(len(people), len(people))
    return _zipped(files)


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
