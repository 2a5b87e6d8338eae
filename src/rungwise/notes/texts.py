"""A note as text to paste: plain, or Markdown."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Sequence
from functools import lru_cache
from importlib.resources import files

from rungwise.core.errors import Fault, InputError
from rungwise.core.note import Line, Note, Row, Table
from rungwise.core.note_case import Lexicon
from rungwise.core.terms import Reason
from rungwise.tongue import tongue

__all__ = ["LANGUAGES", "load_lexicon", "marked", "shares", "to_markdown", "to_plain"]

#: Languages that a note can be in.
LANGUAGES = ("en", "es")
#: A blank, which may stand; what Markdown, or HTML and tables in it, could take for its own.
SPECIAL = re.compile(r"((?<!\S)_+(?!\S))|([\\`*_{}\[\]<>#|~&$!@^])")
#: What it could take for a list, a rule or a heading at the start of a line.
LEADING = re.compile(r"^(\d*)([-+=.)])")
#: What it could turn into a link.
LINK = re.compile(r"(?i)\b(https?|ftp|www|mailto|xmpp)([:.])")


@lru_cache
def load_lexicon(language: str = "en") -> Lexicon:
    """The wording of notes.

    Parameters
    ----------
    language : str
        Code of the language.

    Raises
    ------
    InputError
        There are no notes in this language.
    """
    if language not in LANGUAGES:
        fault = Fault("language", language, ", ".join(LANGUAGES), "Choose one.")
        raise InputError("note", (fault,))
    path = files("rungwise") / "data" / "words" / f"notes_{language}.toml"
    spoken = tongue(language)

    def tell(what: Reason | str) -> str:
        told = spoken.text(what) if isinstance(what, str) else spoken.reason(what)
        return told.text

    return Lexicon(tomllib.loads(path.read_text("utf-8")), tell)


def marked(text: str, marks: Sequence[int], words: Lexicon | None = None) -> str:
    """A text and the numbers of the reasons that it rests on."""
    if not marks:
        return text
    numbers = ", ".join(map(str, marks))
    return f"{text} " + (words or load_lexicon()).say("mark", numbers=numbers)


def shares(table: Table, least: int = 13, most: int = 36) -> list[int]:
    """How wide each column should be beside the others, by its longest cell, within bounds.

    Parameters
    ----------
    table : Table
        The table.
    least, most : int
        Bounds, in letters [1].
    """
    rows = [row.cells for row in table.rows]
    longest = [max(len(cell) for cell in column) for column in zip(table.head, *rows, strict=True)]
    return [min(max(length, least), most) for length in longest]


def to_plain(note: Note) -> str:
    """Plain text without any table, each line whole, for a field of a record."""
    return "\n".join(_plain(note)) + "\n"


def _plain(note: Note) -> Iterator[str]:
    yield note.title
    for section in note.sections:
        yield ""
        yield section.heading.upper()
        for part in section.parts:
            if isinstance(part, Line):
                yield f"{'- ' * section.listed}{marked(part.text, part.marks)}"
            else:
                yield from (f"- {_row(part, row)}" for row in part.rows)
    for heading, lines in zip(note.headings, (note.reasons, note.sources), strict=True):
        if lines:
            yield from ("", heading.upper(), *lines)
    yield from ("", *note.foot)


def _row(table: Table, row: Row) -> str:
    """A row that can be read without its table: every cell with its head."""
    words = load_lexicon()
    cells = [
        words.say("cell", head=head, value=cell)
        for head, cell in zip(table.head[1:], row.cells[1:], strict=True)
        if cell
    ]
    return marked(f"{row.cells[0]}. {'; '.join(cells)}", row.marks)


def to_markdown(note: Note) -> str:
    """Markdown in which no text of a patient or therapist is taken for markup."""
    return "\n".join(_markdown(note)) + "\n"


def _markdown(note: Note) -> Iterator[str]:
    yield f"# {_safe(note.title)}"
    for section in note.sections:
        yield from ("", f"## {_safe(section.heading)}", "")
        after_table = False
        for part in section.parts:
            if isinstance(part, Line):
                if after_table:
                    yield ""
                said = _safe(marked(part.text, part.marks))
                yield f"- {said}" if section.listed else f"{said}\n"
            else:
                yield from ("", *_table(part))
            after_table = isinstance(part, Table)
    for heading, lines in zip(note.headings, (note.reasons, note.sources), strict=True):
        if lines:
            yield from ("", f"## {_safe(heading)}", "")
            yield from (f"- {_safe(line)}" for line in lines)
    yield from ("", "---", "", *(f"{_safe(line)}  " for line in note.foot))


def _table(table: Table) -> Iterator[str]:
    def cells(given: Sequence[str]) -> str:
        return "| " + " | ".join(_safe(cell) or " " for cell in given) + " |"

    yield cells(table.head)
    yield "|" + " --- |" * len(table.head)
    for row in table.rows:
        yield cells([*row.cells[:-1], marked(row.cells[-1], row.marks)])


def _safe(text: str) -> str:
    """Text that stands for itself in Markdown."""
    escaped = SPECIAL.sub(lambda m: m[1] or f"\\{m[2]}", text)
    escaped = LINK.sub(r"\1\\\2", escaped)
    return LEADING.sub(r"\1\\\2", escaped)
