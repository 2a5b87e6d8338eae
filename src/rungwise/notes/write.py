"""One verb for every format of a note."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.note import Note
from rungwise.core.note import write_note as write_core
from rungwise.core.note_case import Case
from rungwise.notes.kept import keep_note
from rungwise.notes.texts import load_lexicon, to_markdown, to_plain

__all__ = ["FORMATS", "write_note"]

FORMATS = ("text", "markdown", "docx", "pdf")
#: Signs of the head of the audit that a note tells; the page of the audit asks for as many.
HEAD_SIGNS = 16


def write_note(
    case: Case,
    kind: str,
    book: Evidence,
    form: str = "text",
    folder: Path | None = None,
    stamp: datetime | None = None,
    paper: str = "a4",
    head: tuple[int, str] | None = None,
    language: str = "en",
) -> bytes:
    """Write a note for the record in one format; with a folder, keep its text as a version.

    Parameters
    ----------
    case : Case
        The stored values.
    kind : {"evaluation", "visit", "progress", "discharge", "letter"}
        Which note.
    book : Evidence
        The evidence book.
    form : {"text", "markdown", "docx", "pdf"}
        Which format.
    folder : Path, optional
        The plan's folder, where its plain text is kept.
    stamp : datetime, optional
        Time of making written into DOCX and PDF; the start of the note's day by default.
    paper : {"a4", "us-letter"}
        Paper of the PDF and DOCX.
    head : tuple of (int, str), optional
        Number and hash of the last row of the records' audit, told in the foot; None without
        records.
    language : {"en", "es"}
        Language of the note.

    Raises
    ------
    InputError
        An unknown kind, format or language, minutes that do not add up, or what cannot be written.
    """
    if form not in FORMATS:
        fault = Fault("format", form, ", ".join(FORMATS), "Choose one.")
        raise InputError("note", (fault,))
    words = load_lexicon(language)
    note = write_core(kind, case, words, book)
    if head is not None:
        told = words.say("head", row=head[0], hash=head[1][:HEAD_SIGNS])
        note = replace(note, foot=(*note.foot, told))
    made = _formed(note, form, stamp, paper)
    if folder is not None:
        keep_note(folder, kind, case.on, to_plain(note), case.by, case.on, note.digest)
    return made


def _formed(note: Note, form: str, stamp: datetime | None, paper: str) -> bytes:
    if form == "docx":
        from rungwise.notes.word import to_docx

        return to_docx(note, paper, stamp)
    if form == "pdf":
        from rungwise.notes.pdf import to_note_pdf

        return to_note_pdf(note, paper, stamp)
    return (to_plain(note) if form == "text" else to_markdown(note)).encode()
