"""Notes for the record: preview, minutes of the visit, own text kept version by version, files."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from secrets import token_hex
from typing import ClassVar

from rungwise.casebook import ConflictError, PersonFile, Record, UnknownError, note_kinds
from rungwise.core.errors import Fault, InputError
from rungwise.web.exam_text import toml_text
from rungwise.web.merge import Difference, compare_texts, text_of
from rungwise.web.page import At, Download, Go, Page, Visit, told
from rungwise.web.pages.errors import MERGE, Conflict, begin_anew, chosen_in, conflict_of, typed_in
from rungwise.web.words import LANGUAGES

__all__ = ["ROUTES"]

#: Deed of the button that goes back to the form with the text.
EDIT = "merge_edit"
#: Rows of the form of minutes.
SERVICES = 5
MEDIA = {
    "text": ("txt", "text/plain; charset=utf-8"),
    "markdown": ("md", "text/markdown; charset=utf-8"),
    "docx": ("docx", "application/vnd.openxmlformats-officedocument.wordprocessingml.document"),
    "pdf": ("pdf", "application/pdf"),
}


@dataclass(frozen=True)
class Version:
    """One kept text of a note."""

    number: int
    on: str
    by: str
    text: str
    url: str


@dataclass(frozen=True, kw_only=True)
class Notes(Page):
    """One kind of note: as it is computed now, as it was kept, and the form to edit it."""

    template: ClassVar[str] = "notes.html"
    url: str = told("Where the form is sent to.")
    exam_url: str = told("Where to examine.")
    examined: bool = told("Whether there is an examination; without one there is no note.")
    kind: str = told("Which kind of note this is.")
    kinds: tuple[str, ...] = told("Every kind that there is.")
    lang: str = told("Language of the note.")
    langs: tuple[str, ...] = told("Every language that a note can be in.")
    preview: str = told("The note as it is computed now; empty when it cannot be.")
    text: str = told("The text in the form: what was typed, the last kept, or the preview.")
    services: tuple[tuple[str, str], ...] = told("Services and their minutes, as typed.")
    untimed: str = told("Services that are not timed, as typed.")
    whole: str = told("Minutes of the whole visit, as typed.")
    by: str = told("Who signs.")
    versions: tuple[Version, ...] = told("Every kept text of this kind, the newest first.")
    drafted: str = told("Digest of the text in the form, to tell whether it was edited.")
    follows: int = told("The newest kept text that this form follows, 0 = none.")
    once: str = told("Token of this form, so that sending it twice keeps once.")
    media: tuple[str, ...] = told("Kinds of file that can be downloaded.", tuple(MEDIA))
    theirs: str = told("What somebody else kept, beside a text that is edited on; or empty.", "")


def notes(visit: Visit) -> Page:
    """Show a kind of note."""
    return _page(visit, visit.found())


def work(visit: Visit) -> Page | Go | Download:
    """Preview with minutes, keep the edited text, or download."""
    found, kind = visit.found(), _kind(visit)
    action, follows = visit.typed("action"), visit.whole("follows")
    text = _typed_text(visit)
    if action in (MERGE, EDIT):
        base, follows = visit.whole("base"), visit.whole("expected")
        theirs = _kept(found, kind, follows)
        lines = _lines(visit, found, kind, base, theirs)
        settled = all(one.taken for one in lines)
        if action == EDIT:
            visit.form = {**visit.form, "text": [text_of(lines) if settled else text]}
            return _page(visit, found, theirs=theirs.body if theirs else "")
        if not settled:
            return _conflict(visit, found, base, theirs, lines)
        text = text_of(lines)
    try:
        if action in MEDIA:
            ends, media = MEDIA[action]
            minutes, by = _minutes(visit), visit.typed("by")
            language = _language(visit)
            data = visit.casebook.note(
                visit.who, found.id, kind, action, minutes, by, language=language
            )
            return Download(data, media, f"{kind}.{ends}")
        if action in ("keep", MERGE):
            once = f"note:{visit.typed('once')[:64] or token_hex(16)}"
            visit.casebook.keep_note(visit.who, found.id, kind, text, follows, once)
            return Go(f"/people/{found.id}/notes?kind={kind}&lang={_language(visit)}")
    except InputError as error:
        return _page(visit, found, faults=error.faults, status=422)
    except ConflictError as error:
        begin_anew(visit)
        visit.form = {**visit.form, "text": [text]}
        now = visit.found()
        return _conflict(
            visit, now, follows, error.theirs, _lines(visit, now, kind, follows, error.theirs)
        )
    return _page(visit, found)


def _typed_text(visit: Visit) -> str:
    return (visit.form.get("text") or ("",))[-1].replace("\r\n", "\n")


def _kept(found: PersonFile, kind: str, version: int) -> Record | None:
    notes = (r for r in found.records if r.kind == "note" and r.facts["sort"] == kind)
    return next((one for one in notes if one.version == version), None)


def _lines(
    visit: Visit, found: PersonFile, kind: str, base: int, theirs: Record | None
) -> tuple[Difference, ...]:
    """The typed text beside theirs, line by line, with the text that both started from."""
    begun = _kept(found, kind, base)
    label = visit.say.texts["conflict.stretch"]
    there, started = theirs.body if theirs else "", begun.body if begun else None
    return compare_texts(started, _typed_text(visit), there, chosen_in(visit), label)


def _conflict(
    visit: Visit,
    found: PersonFile,
    base: int,
    theirs: Record | None,
    lines: Sequence[Difference],
) -> Conflict:
    say = visit.say
    return conflict_of(
        visit,
        f"/people/{found.id}/notes",
        theirs,
        lines,
        typed_in(visit),
        base,
        person=(found, "notes"),
        lead=say("conflict.lead_note" if base else "conflict.lead_note_unknown"),
        more=[(EDIT, say("conflict.edit"))],
        text=True,
    )


def kept_text(visit: Visit) -> Download:
    """A kept text as a file."""
    version = visit.path["version"]
    for record in visit.found().records:
        if record.kind == "note" and str(record.version) == version:
            name = f"{record.facts['sort']}-{record.version}.txt"
            return Download(record.body.encode(), MEDIA["text"][1], name)
    raise UnknownError("There is no such note of this person.")


def _kind(visit: Visit) -> str:
    asked = visit.typed("kind") or visit.query.get("kind", "")
    return asked if asked in note_kinds else note_kinds[0]


def _language(visit: Visit) -> str:
    """Language of the note: the one that was asked for, else that of the pages."""
    asked = visit.query.get("lang", "")
    return asked if asked in LANGUAGES else visit.say.language


def _services(visit: Visit) -> tuple[tuple[str, str], ...]:
    return tuple((visit.typed(f"service.{n}"), visit.typed(f"min.{n}")) for n in range(SERVICES))


def _minutes(visit: Visit) -> str:
    """The minutes that were typed, as the text that is read everywhere.

    Raises
    ------
    InputError
        Names every field that is no number of minutes.
    """
    faults: list[Fault] = []

    def whole(field: str) -> str:
        text = visit.typed(field)
        if not (text.isascii() and text.isdigit() and len(text) < 5):
            remedy = "Write a whole number."
            faults.append(Fault(field, text[:40] or "nothing", "whole minutes from 0", remedy))
        return text.lstrip("0") or "0"

    timed: dict[str, str] = {}
    for n, (name, spent) in enumerate(_services(visit)):
        name = " ".join(name.split())
        if not name and not spent:
            continue
        if not name or name in timed:
            given = name or "nothing"
            remedy = "Give each service a name of its own."
            faults.append(Fault(f"service.{n}", given, "each service once", remedy))
        timed[name] = whole(f"min.{n}")
    untimed = [" ".join(u.split()) for u in visit.typed("untimed").split(",") if u.strip()]
    lines = []
    if untimed:
        lines.append(f"untimed = [{', '.join(map(toml_text, untimed))}]")
    if visit.typed("whole"):
        lines.append(f"whole_min = {whole('whole')}")
    if faults:
        raise InputError("timed minutes", tuple(faults))
    if not timed and not lines:
        return ""
    return "\n".join([*lines, "[timed]", *(f"{toml_text(k)} = {v}" for k, v in timed.items())])


def _page(
    visit: Visit,
    found: PersonFile,
    *,
    faults: Sequence[Fault] = (),
    theirs: str = "",
    status: int = 200,
) -> Notes:
    kind, say, language = _kind(visit), visit.say, _language(visit)
    assert visit.session is not None
    by = visit.typed("by") or visit.session.held.get("therapist", visit.session.name)
    preview, told_faults = "", list(faults)
    if found.exam is not None:
        try:
            signed = by if visit.method == "POST" else ""
            made = visit.casebook.note(
                visit.who, found.id, kind, "text", _minutes(visit), signed, language=language
            )
            preview = made.decode()
        except InputError as error:
            told_faults += [fault for fault in error.faults if fault not in told_faults]
    kept = [r for r in found.records if r.kind == "note" and r.facts["sort"] == kind]
    names, alone = visit.names_of([r.by for r in kept]), say("audit.local")
    text = _typed_text(visit)
    if not text.strip() or _digest(text) == visit.typed("drafted"):  # nothing of hers is lost
        text = preview if visit.method == "POST" or not kept else kept[-1].body
    if told_faults and status == 200:
        status = 422
    return Notes(
        title=say("notes.title"),
        person=visit.person_bar(found, "notes"),
        url=f"/people/{found.id}/notes",
        exam_url=f"/people/{found.id}/exam",
        examined=found.exam is not None,
        kind=kind,
        kinds=note_kinds,
        lang=language,
        langs=LANGUAGES,
        preview=preview,
        text=text,
        services=_services(visit),
        untimed=visit.typed("untimed"),
        whole=visit.typed("whole"),
        by=by,
        versions=tuple(_version(found, one, names[one.by] or alone) for one in reversed(kept)),
        drafted=_digest(text),
        follows=kept[-1].version if kept else 0,
        once=token_hex(16),
        theirs=theirs,
        faults=tuple(told_faults),
        status=status,
    )


def _digest(text: str) -> str:
    """Digest of a text as the form sends it back, without ends of lines."""
    return hashlib.sha256("".join(text.split()).encode()).hexdigest()


def _version(found: PersonFile, one: Record, by: str) -> Version:
    on = one.made_utc[:16].replace("T", " ")
    url = f"/people/{found.id}/notes/{one.version}/note.txt"
    return Version(one.version, on, by, one.body, url)


KIND = "/people/{person}/notes?kind={kind}&lang={lang}"
ROUTES = (
    At("/people/{person}/notes", notes),
    At("/people/{person}/notes", work, "POST", deed="add", keeps=KIND),
    At("/people/{person}/notes/{version}/note.txt", kept_text),
)
