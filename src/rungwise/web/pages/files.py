"""Files in and out: what comes in is shown before it is saved; long work shows its progress."""

from __future__ import annotations

from dataclasses import dataclass, replace
from secrets import token_hex
from typing import ClassVar

from rungwise import casebook_in as files_in
from rungwise import casebook_out as files_out
from rungwise.casebook import NotAllowedError, UnknownError
from rungwise.casebook_in import Arrival
from rungwise.casebook_office import desk
from rungwise.core.errors import Fault, InputError
from rungwise.web.jobs import Step
from rungwise.web.page import At, Download, Go, Page, PersonBar, Visit, told
from rungwise.web.pages.examination import LookPart

__all__ = ["ROUTES"]

#: Longest form with a file: a picture of 20 MB and what goes with it.
UPLOAD_MAX, PRINT_MAX, SHOWN = 21_000_000, 500, 200
ZIP = "application/zip"


@dataclass(frozen=True, kw_only=True)
class Files(Page):
    """Everything that can come in or go out."""

    template: ClassVar[str] = "files.html"
    may: frozenset[str] = told("Deeds of the visitor's role: add, handover, export, erase, read.")
    more: int = told("How many faults there are beside those that are shown.", 0)


@dataclass(frozen=True, kw_only=True)
class ExamIn(Page):
    """An examination from a file, before it is saved."""

    template: ClassVar[str] = "exam_in.html"
    text: str = told("The file's text.")
    once: str = told("Token of this form.")
    label: str = told("Label in the file.")
    on: str = told("Day of the examination.")
    known: tuple[tuple[str, str, int], ...] = told("Who has this label: id, number, version.")
    back: str = told("Where to go when it is left.", "/files")
    beside: LookPart = told("What it comes to.")  # noqa: RUF009


@dataclass(frozen=True, kw_only=True)
class LogIn(Page):
    """A log code, before it is taken into a diary."""

    template: ClassVar[str] = "log_in.html"
    text: str = told("The codes, a line each.")
    codes: int = told("How many codes there are.")
    url: str = told("Address to which it is sent.")


@dataclass(frozen=True, kw_only=True)
class PeopleIn(Page):
    """A list of people, before anybody is added."""

    template: ClassVar[str] = "people_in.html"
    text: str = told("The file's text.")
    once: str = told("Token of this form.")
    newcomers: tuple[Arrival, ...] = told("The first of those who would be added.")
    total: int = told("How many would be added.")


@dataclass(frozen=True, kw_only=True)
class Printing(Page):
    """Choose whose sheets are printed together."""

    template: ClassVar[str] = "printing.html"
    people: tuple[tuple[str, str], ...] = told("Id and label of people with a programme.")
    search: str = told("What is searched for.")


@dataclass(frozen=True, kw_only=True)
class Erase(Page):
    """Erase one person: what it means, and the number to type."""

    template: ClassVar[str] = "erase.html"
    id: str = told("The person's id.")
    number: str = told("Number of the record.")
    label: str = told("The clinic's label; empty where the visitor may not read it.")


MAY = ("add", "handover", "export", "erase", "read")


def overview(visit: Visit, faults: tuple[Fault, ...] = ()) -> Files:
    """Show what can come in and go out."""
    may = frozenset(deed for deed in MAY if visit.who.may(deed))
    title = visit.say("files.title")
    return Files(
        title=title,
        may=may,
        faults=faults[:SHOWN],
        more=max(0, len(faults) - SHOWN),
        status=422 if faults else 200,
    )


def _given(visit: Visit, what: str) -> str:
    """Text that was pasted or uploaded, or the log codes of a picture.

    Raises
    ------
    InputError
        Nothing, or neither text nor picture.
    """
    text = visit.form.get("text", ("",))[-1]
    if text.strip():
        return files_in.read_file(text.encode("utf-8", "replace"), what)
    text = files_in.read_file(visit.files.get("file", b""), what)
    if not text.strip():
        fault = Fault("file", "–", visit.say("files.one"), visit.say("files.choose"))
        raise InputError(what, (fault,))
    return text


# ------------------------------------------------------------------ in


def look(visit: Visit) -> Page:
    """Show what a file or text is, by what is in it, before anything is saved."""
    try:
        text = _given(visit, "file")
        kind = files_in.kind_of(text)
        deed = "handover" if kind == "log" else "add"
        if not visit.who.may(deed):
            raise NotAllowedError(f"{deed}: not for this role.")
        if kind == "exam":
            return _exam_in(visit, text)
        return _log_in(visit, text) if kind == "log" else _people_in(visit, text)
    except InputError as error:
        return overview(visit, error.faults)


def exam(visit: Visit) -> Page | Go:
    """Save an examination from a file once it is said whose it is."""
    try:
        text = _given(visit, "examination")
        if not visit.typed("save"):
            return _exam_in(visit, text)
        known = files_in.same_label(visit.casebook, visit.who, text)[1]
        return _save_exam(visit, text, known)
    except InputError as error:
        return overview(visit, error.faults)


def exam_of(visit: Visit) -> Page:
    """Show an examination from a file for one person, before it is saved."""
    found = visit.found()
    bar = visit.person_bar(found, "exam")
    try:
        page = _exam_in(visit, _given(visit, "examination"))
        known = tuple(one for one in page.known if one[0] == found.id)
        if not known:
            given, allowed = page.label[:40], visit.say("files.whose_this", label=found.label)
            raise InputError("examination", (Fault("person.label", given, allowed, ""),))
    except InputError as error:
        return replace(overview(visit, error.faults), person=bar)
    return replace(page, person=bar, known=known, back=f"/people/{found.id}/exam")


def _exam_in(visit: Visit, text: str) -> ExamIn:
    found, known = files_in.same_label(visit.casebook, visit.who, text)
    return ExamIn(
        title=visit.say("files.exam"),
        text=text,
        once=token_hex(16),
        label=found.person.label,
        on=visit.say.day(found.on),
        beside=LookPart(
            title=visit.say("look.title"),
            look=visit.casebook.look(text, visit.book()),
            needs=(),
            wrong=(),
        ),
        known=tuple((person, person[:6].upper(), version) for person, version in known),
    )


def _save_exam(visit: Visit, text: str, known: tuple[tuple[str, int], ...]) -> Go:
    whose = visit.typed("whose")
    person, _, version = whose.partition(":")
    if whose != "new" and person not in dict(known):
        allowed = visit.say("files.whose")
        raise InputError("examination", (Fault("whose", "–", allowed, visit.say("files.choose")),))
    seen = int(version) if version.isascii() and version.isdigit() and len(version) < 7 else 0
    once = f"file:{visit.typed('once')[:64] or token_hex(16)}"
    whose = "" if whose == "new" else person
    saved = files_in.import_exam(visit.casebook, visit.who, text, whose, seen, once)
    return Go(f"/people/{saved}")


def log(visit: Visit) -> Page | Go:
    """Take log codes into the diary that they are for, once it is confirmed whose they are."""
    try:
        text = _given(visit, "log code")
        codes = files_in.log_codes(text)
        person = files_in.person_of_log(visit.casebook, visit.who, codes)
        if not visit.typed("save") or person != visit.typed("person"):
            return _log_in(visit, text)
        files_in.take_codes(visit.casebook, visit.who, person, codes)
    except InputError as error:
        return overview(visit, error.faults)
    return Go(f"/people/{person}/diary")


def _log_in(visit: Visit, text: str) -> LogIn:
    codes = files_in.log_codes(text)
    person = files_in.person_of_log(visit.casebook, visit.who, codes)
    return LogIn(
        title=visit.say("files.log"),
        person=visit.person_bar(visit.casebook.person(visit.who, person), "diary"),
        text="\n".join(codes),
        codes=len(codes),
        url="/files/log",
    )


def people(visit: Visit) -> Page | Go:
    """Add everybody of a list of people, or nobody, as long work."""
    assert visit.session is not None
    casebook, who, say = visit.casebook, visit.who, visit.say
    try:
        text = _given(visit, "people")
        if not visit.typed("save"):
            return _people_in(visit, text)
    except InputError as error:
        return overview(visit, error.faults)
    once = f"list:{visit.typed('once')[:64] or token_hex(16)}"

    def work(step: Step) -> str:
        return say("files.added", n=files_in.import_people(casebook, who, text, once, step))

    return Go(f"/running/{visit.session.jobs.start('people', work)}")


def _people_in(visit: Visit, text: str) -> PeopleIn:
    found = files_in.read_people(text, files_in.taken_labels(visit.casebook, visit.who))
    return PeopleIn(
        title=visit.say("files.people"),
        text=text,
        once=token_hex(16),
        newcomers=found[:SHOWN],
        total=len(found),
    )


# ------------------------------------------------------------------ out


def one(visit: Visit) -> Download:
    """Everything of one person."""
    person = visit.path["person"]
    data = files_out.export_one(visit.casebook, visit.who, person, visit.typed("reader"))
    return Download(data, ZIP, f"record-{person[:6].upper()}.zip")


def everything(visit: Visit) -> Go:
    """Everybody's records, as long work."""
    assert visit.session is not None
    casebook, who = visit.casebook, visit.who

    def work(step: Step) -> Download:
        return Download(files_out.export_all(casebook, who, step), ZIP, "records.zip")

    return Go(f"/running/{visit.session.jobs.start('export', work)}")


def research(visit: Visit) -> Go:
    """The de-identified export, as long work."""
    assert visit.session is not None
    casebook, who = visit.casebook, visit.who
    shifted, another = visit.typed("shifted") == "yes", visit.typed("another") == "yes"

    def work(step: Step) -> Download:
        data = files_out.export_research(casebook, who, shifted, another, step)
        return Download(data, ZIP, "research.zip")

    return Go(f"/running/{visit.session.jobs.start('research', work)}")


def printing(visit: Visit) -> Page | Go:
    """Choose whose sheets to print; make them, as long work."""
    assert visit.session is not None
    casebook, who = visit.casebook, visit.who
    search = visit.typed("search")[:200]
    chosen = tuple(dict.fromkeys(visit.form.get("person", ())))[:PRINT_MAX]
    if visit.typed("print") and chosen:
        paper = desk(casebook, who).paper

        def work(step: Step) -> Download:
            data = files_out.print_sheets(casebook, who, chosen, paper, step)
            return Download(data, ZIP, "sheets.zip")

        return Go(f"/running/{visit.session.jobs.start('print', work)}")
    found = files_out.people_with_plan(casebook, who, search)
    return Printing(title=visit.say("files.print"), people=found, search=search)


def find_to_erase(visit: Visit) -> Page | Go:
    """Go to the page that erases a record, by its number."""
    try:
        person = files_out.number_known(visit.casebook, visit.who, visit.typed("number"))
    except UnknownError as error:
        fault = Fault(
            "number", visit.typed("number")[:40] or "–", visit.say("files.known"), str(error)
        )
        return overview(visit, (fault,))
    return Go(f"/people/{person}/erase")


def erase(visit: Visit) -> Page | Go:
    """Say what erasing means; erase once the record's number is typed."""
    person = files_out.number_known(visit.casebook, visit.who, visit.path["person"])
    faults: tuple[Fault, ...] = ()
    if visit.method == "POST":
        try:
            files_out.erase(visit.casebook, visit.who, person, visit.typed("number"))
        except InputError as error:
            faults = error.faults
        else:
            return Go("/files")
    bar: PersonBar | None = None
    if visit.who.may("read"):
        bar = visit.person_bar(visit.casebook.person(visit.who, person), "erase")
    return Erase(
        title=visit.say("files.erase"),
        person=bar,
        id=person,
        number=person[:6].upper(),
        label=bar.label if bar else "",
        faults=faults,
        status=422 if faults else 200,
    )


ROUTES = (
    At("/files", overview, deed="add handover export erase read"),
    At("/files/look", look, "POST", deed="add handover", body_max=UPLOAD_MAX, keeps="/files"),
    At("/people/{person}/exam/file", exam_of, "POST", deed="add", body_max=UPLOAD_MAX),
    At("/files/exam", exam, "POST", deed="add", body_max=UPLOAD_MAX),
    At("/files/log", log, "POST", deed="handover", body_max=UPLOAD_MAX),
    At("/files/people", people, "POST", deed="add", body_max=UPLOAD_MAX),
    At("/files/everything", everything, "POST", deed="export"),
    At("/files/research", research, "POST", deed="export"),
    At("/files/print", printing, "GET POST", deed="read"),
    At("/files/erase", find_to_erase, "POST", deed="erase"),
    At("/people/{person}/export", one, "POST", deed="export", keeps="/people/{person}"),
    At("/people/{person}/erase", erase, "GET POST", deed="erase"),
)
