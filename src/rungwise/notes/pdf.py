"""A note as an accessible PDF; what it says reaches the compiler as JSON data alone."""

from __future__ import annotations

import json
import re
import unicodedata
from datetime import UTC, datetime, time
from functools import lru_cache
from importlib import resources
from typing import Any

from rungwise.core.errors import EvidenceError, Fault, InputError
from rungwise.core.note import Line, Note, Table, flat
from rungwise.handout.page import fonts
from rungwise.notes.texts import load_lexicon, marked, shares

__all__ = ["to_note_pdf"]

LACKING = re.compile(r'the text `"(.*?)"` could not be displayed')
ESCAPE = re.compile(r"\\u\{([0-9a-f]+)\}")


def to_note_pdf(note: Note, paper: str = "a4", stamp: datetime | None = None) -> bytes:
    """Lay a note out as an accessible PDF.

    Parameters
    ----------
    note : Note
        The note.
    paper : {"a4", "us-letter"}
        Paper.
    stamp : datetime, optional
        Time of making written into the file; the start of the note's day by default.

    Raises
    ------
    InputError
        Text with a letter that our fonts lack, naming the letter.
    """
    import typst

    files: Any = {"main.typ": _template(), "data.json": json.dumps(_data(note, paper)).encode()}
    made = (stamp or datetime.combine(note.on, time(), UTC)).replace(microsecond=0)
    try:
        pdf = typst.compile(
            files, font_paths=fonts(), format="pdf", pdf_standards="ua-1", timestamp=made
        )
    except typst.TypstError as error:
        raise _lacking(note, error.diagnostic) from None
    return bytes(pdf)


@lru_cache
def _template() -> bytes:
    return (resources.files("rungwise") / "data" / "note.typ").read_bytes()


def _data(note: Note, paper: str) -> dict[str, Any]:
    small = zip(note.headings, (note.reasons, note.sources), strict=True)
    return {
        "paper": paper,
        "language": note.language,
        "title": note.title,
        "sections": [
            {
                "heading": one.heading,
                "listed": one.listed,
                "parts": [_part(part) for part in one.parts],
            }
            for one in note.sections
        ],
        "small": [{"heading": heading, "lines": lines} for heading, lines in small if lines],
        "running": f"{note.title}, {note.label}, {note.on}",
        "page": load_lexicon(note.language).at("page"),
        "foot": note.foot,
    }


def _part(part: Line | Table) -> dict[str, Any]:
    if isinstance(part, Line):
        return {"line": marked(part.text, part.marks)}
    rows = [[*row.cells[:-1], marked(row.cells[-1], row.marks)] for row in part.rows]
    return {"head": part.head, "rows": rows, "shares": shares(part)}


def _lacking(note: Note, diagnostic: str) -> InputError | EvidenceError:
    """What a message of the compiler means: which letter our fonts lack, and where it stands."""
    found = LACKING.findall(diagnostic)
    lacking = {c for text in found for c in ESCAPE.sub(lambda m: chr(int(m[1], 16)), text)}
    told = [note.label, *flat(note.sections), *note.reasons]
    faults = []
    for letter in sorted(lacking):
        place = next((text for text in told if letter in text), None)
        if place is not None and letter != "\u200b":
            name = unicodedata.name(letter, "no name")
            given = f"the character {letter!r} (U+{ord(letter):04X}, {name})"
            allowed = "letters that the PDF's fonts have"
            remedy = "Write it another way, or take another format than pdf."
            faults.append(Fault(place[:60], given, allowed, remedy))
    if faults:
        return InputError("note", tuple(faults))
    return EvidenceError(f"the note cannot be laid out: {diagnostic.strip()}")
