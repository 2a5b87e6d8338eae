"""Files come into a clinic's records: examinations, log codes as text or picture, lists of people.

Whatever comes in is read whole and judged before anything is saved, and what it is, is decided by
what is in it, never by its name. A picture is looked at once for its codes and not kept.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Container, Sequence
from datetime import date
from typing import Literal, TypeAlias

from rungwise.casebook import Casebook, Taken
from rungwise.casebook_read import sent
from rungwise.clinic import read_exam
from rungwise.code_bytes import LOG, PLAN
from rungwise.core.errors import Fault, InputError
from rungwise.core.terms import Exam
from rungwise.diary import NEW
from rungwise.log_code import number_of
from rungwise.pictures import codes_in, is_picture
from rungwise.records import Who
from rungwise.records.arrivals import Arrival, add_people, labels_taken
from rungwise.tables import read_table

__all__ = [
    "ROWS_MAX",
    "Arrival",
    "Kind",
    "import_exam",
    "import_people",
    "kind_of",
    "log_codes",
    "person_of_log",
    "read_file",
    "read_people",
    "same_label",
    "take_codes",
    "taken_labels",
]

Step = Callable[[int, int], None]
Kind: TypeAlias = Literal["exam", "log", "people"]
COLUMNS, ROWS_MAX, LINE_MAX = ("label", "look_on", "look_why"), 20_000, 1_000
LABEL_MAX, WHY_MAX, FIRST_ROW = 60, 200, 2
#: Longest examination, and how much of a text is looked at to tell what it is [signs].
EXAM_MAX, LOOKED_AT = 200_000, 20_000


def _still(_: int, __: int) -> None:
    """Tell nobody how far the work is."""


# ------------------------------------------------------------------ what it is


def read_file(data: bytes, what: str) -> str:
    """Text of an uploaded file; of a picture, the log codes that are in it, a line each.

    Parameters
    ----------
    data : bytes
        The file.
    what : str
        What it should be, for who reads of a fault.

    Raises
    ------
    InputError
        It is neither UTF-8 nor a picture with a log code, or holds signs that no text has.
    """
    if is_picture(data):
        seen = codes_in(data)
        found = [code for code in seen if code.startswith(LOG)] or list(seen)
        if not found:
            remedy = "Hold the camera closer and straight, without glare, or send a screenshot."
            fault = Fault("file", "a picture without a QR code", "one with a log code", remedy)
            raise InputError("picture", (fault,))
        return "\n".join(found)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = "\0"
    if re.search("[\0-\x08\x0b\x0c\x0e-\x1f]", text):
        fault = Fault("file", "another kind of file", "plain text, UTF-8", "Save it as UTF-8.")
        raise InputError(what, (fault,))
    return text


def kind_of(text: str) -> Kind:
    """What a text is, by what is in it: an examination, a log code or a list of people.

    Raises
    ------
    InputError
        It is none of them.
    """
    start = text.lstrip("\ufeff \t\r\n")
    if start.startswith((LOG, PLAN)):
        return "log"
    first = start.partition("\n")[0]
    cells = {cell.strip(" \r\"'") for cell in first.split(",")}
    if "label" in cells and "=" not in first:
        return "people"
    if re.search(r"(?m)^[ \t]*(\[[\w.]+\][ \t\r]*$|[\w.]+[ \t]*=)", start[:LOOKED_AT]):
        return "exam"
    allowed = "an examination (TOML), a log code, or people (CSV with a column label)"
    fault = Fault("file", first[:40] or "–", allowed, "Choose another file.")
    raise InputError("file", (fault,))


# ------------------------------------------------------------------ people


def _bounded(text: str) -> None:
    """Refuse a list that is too long before any of it is taken apart."""
    for n, line in enumerate(io.StringIO(text, newline=None)):
        if n > ROWS_MAX:
            fault = Fault("rows", f"over {ROWS_MAX}", f"at most {ROWS_MAX}", "Split the file.")
            raise InputError("people", (fault,))
        if len(line) > LINE_MAX:
            given, allowed = f"over {LINE_MAX} signs", f"at most {LINE_MAX} signs"
            fault = Fault(f"row {n + 1}", given, allowed, "Shorten it.")
            raise InputError("people", (fault,))


def read_people(text: str, taken: Container[str] = ()) -> tuple[Arrival, ...]:
    """Read a list of people: CSV with the columns label, look_on, look_why; only label is needed.

    Parameters
    ----------
    text : str
        The file's text.
    taken : container of str
        Labels that somebody has already, with case folded.

    Raises
    ------
    InputError
        Names every fault by the number of its row; the row below the header is row 2.
    """
    _bounded(text)
    rows = read_table(text, numbers=False)
    columns = tuple(rows[0]) if rows else ()
    if "label" not in columns or not set(columns) <= set(COLUMNS):
        given = ", ".join(columns)[:100] or "nothing"
        fault = Fault("columns", given, ", ".join(COLUMNS), "Name the columns so.")
        raise InputError("people", (fault,))
    faults: list[Fault] = []
    found: list[Arrival] = []
    seen: set[str] = set()
    for number, row in enumerate(rows, FIRST_ROW):
        where = f"row {number}"
        label = " ".join(str(row["label"] or "").split())
        folded = label.casefold()
        if not 1 <= len(label) <= LABEL_MAX or not label.isprintable():
            allowed = f"1 to {LABEL_MAX} printable characters"
            faults.append(Fault(f"{where}, label", label[:40] or "–", allowed, "Fill it in."))
        elif folded in taken or folded in seen:
            allowed = "a label that is free"
            faults.append(Fault(f"{where}, label", label[:40], allowed, "Change it."))
        seen.add(folded)
        given = str(row.get("look_on") or "").strip()
        on = _day(given)
        if given and on is None:
            allowed = "a day such as 2026-11-25"
            faults.append(Fault(f"{where}, look_on", given[:40], allowed, "Write it so."))
        why = " ".join(str(row.get("look_why") or "").split())
        if len(why) > WHY_MAX or not why.isprintable():
            allowed = f"up to {WHY_MAX} printable characters"
            faults.append(Fault(f"{where}, look_why", why[:40], allowed, "Shorten it."))
        found.append(Arrival(label, on, why))
    if faults:
        raise InputError("people", tuple(faults))
    return tuple(found)


def _day(text: str) -> date | None:
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def taken_labels(casebook: Casebook, who: Who) -> frozenset[str]:
    """Labels that somebody has, with case folded."""
    with casebook.store.work(who) as work:
        return labels_taken(work)


def import_people(casebook: Casebook, who: Who, text: str, once: str, step: Step = _still) -> int:
    """Add everybody of a list, or nobody; returns how many [1].

    All rows are judged, and all is prepared, before the records are held for writing.

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
    return add_people(casebook.store, who, read_people(text), sent(once, text), step)[0]


# ------------------------------------------------------------------ examinations


def same_label(casebook: Casebook, who: Who, text: str) -> tuple[Exam, tuple[tuple[str, int], ...]]:
    """Read an examination, and who has its label: id, and version of the latest examination.

    Raises
    ------
    InputError
        Names every fault of the examination.
    """
    if len(text) > EXAM_MAX:
        fault = Fault("file", f"{len(text)} signs", f"at most {EXAM_MAX}", "Choose another file.")
        raise InputError("examination", (fault,))
    try:
        exam = read_exam(text, casebook.book(who), casebook.today())
    except RecursionError:
        fault = Fault("file", "brackets in brackets", "an examination (TOML)", "Write it anew.")
        raise InputError("examination", (fault,)) from None
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
    if person and person not in dict(known):
        fault = Fault("person.label", exam.person.label[:40], "that person's label", "Mend one.")
        raise InputError("examination", (fault,))
    with casebook.store.work(who) as work:
        if not person:
            person = work.add_person(exam.person.label, sent(f"{once}:person", text))
        casebook.add_exam(work, person, text, expected, f"{once}:exam")
    return person


# ------------------------------------------------------------------ log codes


def log_codes(text: str) -> tuple[str, ...]:
    """The log codes of a text: a phone hands a long diary over in several, each on its own line."""
    parts = re.split(rf"(?m)^\s*(?={LOG})", text.strip())
    return tuple(dict.fromkeys(part.strip() for part in parts if part.strip())) or ("",)


def person_of_log(casebook: Casebook, who: Who, codes: Sequence[str]) -> str:
    """Whose plan log codes belong to.

    Raises
    ------
    InputError
        One is no whole log code, or of nobody's plan here, or they are of several people.
    """
    numbers = [number_of(code) for code in codes]
    with casebook.store.work(who) as work:
        found = {work.person_of_plan(number) for number in numbers}
    person = found.pop()
    if found:
        fault = Fault("code", f"{len(codes)} codes", "codes of one person", "Take them one by one.")
        raise InputError("log code", (fault,))
    if person is None:
        fault = Fault(
            "code", numbers[0].hex(), "a plan of these records", "Ask which clinic made it."
        )
        raise InputError("log code", (fault,))
    return person


def take_codes(
    casebook: Casebook, who: Who, person: str, codes: Sequence[str]
) -> tuple[Taken, ...]:
    """Take log codes into a diary; of several, those that it has already are passed over.

    Raises
    ------
    InputError
        One is damaged or another person's, which is looked at first; all are known already.
    """
    if len(codes) > 1:
        person_of_log(casebook, who, codes)
    taken: list[Taken] = []
    known: list[InputError] = []
    for code in codes:
        try:
            taken.append(casebook.take_code(who, person, code))
        except InputError as error:
            if error.faults[0].allowed != NEW:
                raise
            known.append(error)
    if not taken:
        raise known[0]
    return tuple(taken)
