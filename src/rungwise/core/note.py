"""Write the note for the record: every sentence from a stored value or a quoted reason.

What a kind of note is expected to hold is data. What is not known stands as a blank that can be
seen; nothing is left out, and nothing is made up.
"""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.note_case import Case, Lexicon
from rungwise.core.note_course import COURSE_LINES
from rungwise.core.note_exam import EXAM_LINES
from rungwise.core.note_parts import Asked, Grid, Said, cite
from rungwise.core.terms import Reason

__all__ = ["KINDS", "Line", "Note", "Row", "Section", "Table", "flat", "visible", "write_note"]

KINDS = ("evaluation", "visit", "progress", "discharge", "letter")
WRITERS = {**EXAM_LINES, **COURSE_LINES}
#: Signs that have no shape of their own yet join letters of some scripts rightly.
JOINERS = "\u200c\u200d"
#: Letters of a digest that are printed.
SHORT = 10


@dataclass(frozen=True)
class Line:
    """One line of a note.

    Parameters
    ----------
    key : str
        Which line of the wording it is.
    text : str
        What it says.
    blank : bool
        Whether it is for the therapist to fill.
    seen : tuple of (str, str)
        The stored values that stand in it.
    marks : tuple of int
        Numbers of the reasons that it rests on [1].
    """

    key: str
    text: str
    blank: bool = False
    seen: tuple[tuple[str, str], ...] = ()
    marks: tuple[int, ...] = ()


@dataclass(frozen=True)
class Row:
    """One row of a table, its first cell naming it, and the reasons that it rests on."""

    cells: tuple[str, ...]
    marks: tuple[int, ...] = ()


@dataclass(frozen=True)
class Table:
    """Rows under a heading of their own."""

    key: str
    head: tuple[str, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class Section:
    """A heading, and what stands under it: as a list, or as the sentences of a letter."""

    heading: str
    parts: tuple[Line | Table, ...]
    listed: bool = True


@dataclass(frozen=True)
class Note:
    """A note for the record.

    Parameters
    ----------
    kind : str
        One of :data:`KINDS`.
    on : date
        Day of the note.
    title, label : str
        What it is, and of whom.
    sections : tuple of Section
        What it says.
    reasons : tuple of str
        The reasons that its lines point at, numbered from 1.
    sources : tuple of str
        Where those were read.
    headings : (str, str)
        Headings of the two.
    foot : tuple of str
        What stands below: for whom, edition of the book, digest.
    digest : str
        SHA-256 of all above the foot, in hexadecimal.
    language : str
        Code of the language that it is in.
    """

    kind: str
    on: date
    title: str
    label: str
    sections: tuple[Section, ...]
    reasons: tuple[str, ...]
    sources: tuple[str, ...]
    headings: tuple[str, str]
    foot: tuple[str, ...]
    digest: str
    language: str = "en"


def visible(text: str) -> str:
    r"""Text on one line in which nothing is hidden: a sign without a shape shows as its number.

    Examples
    --------
    >>> visible("left\u202e foot\n")
    'left[U+202E] foot'
    """
    shown = []
    for letter in " ".join(text.split()):
        hidden = unicodedata.category(letter)[0] in "CZ" and letter not in (" ", *JOINERS)
        shown.append(f"[U+{ord(letter):04X}]" if hidden else letter)
    return "".join(shown)


def write_note(kind: str, case: Case, words: Lexicon, book: Evidence) -> Note:
    """Write a note.

    Parameters
    ----------
    kind : str
        One of :data:`KINDS`.
    case : Case
        The stored values.
    words : Lexicon
        The wording, with what each kind is expected to hold.
    book : Evidence
        The evidence book.

    Raises
    ------
    InputError
        An unknown kind; minutes that cannot be counted.
    """
    if kind not in KINDS:
        fault = Fault("kind", kind, ", ".join(KINDS), "Choose one.")
        raise InputError("note", (fault,))
    form = words.at(f"kind.{kind}")
    short, only = form["reasons"] == "first", tuple(form.get("only", ()))
    asked = Asked(case, words, book, tuple(form["expect"]), short, only)
    cited = _Cited(words, book)
    sections = tuple(
        Section(
            part["heading"],
            tuple(_parts(part["lines"], asked, cited)),
            part.get("listed", True),
        )
        for part in form["sections"]
    )
    title, label = form["title"], visible(case.plan.exam.person.label)
    reasons, sources = cited.lines(), cited.sources()
    headings = (words.at("reasons.heading"), words.at("reasons.cited_heading"))
    told = [kind, case.on.isoformat(), title, label, *flat(sections), *reasons, *sources]
    digest = hashlib.sha256("\n".join(told).encode()).hexdigest()
    made = words.say("made", edition=book.edition, digest=digest[:SHORT])
    foot = (words.at("foot_note"), made)
    return Note(
        kind, case.on, title, label, sections, reasons, sources, headings, foot, digest,
        str(words.at("language")),
    )  # fmt: skip


def flat(sections: Sequence[Section]) -> Iterator[str]:
    """Every text of the sections, in order."""
    for section in sections:
        yield section.heading
        for part in section.parts:
            if isinstance(part, Line):
                yield part.text
            else:
                yield from part.head
                yield from (cell for row in part.rows for cell in row.cells)


def _parts(names: Sequence[str], asked: Asked, cited: _Cited) -> Iterator[Line | Table]:
    """The lines of a section; one of which nothing is known is a blank."""
    for name in names:
        found = list(WRITERS[name](asked)) if name in WRITERS else []
        for one in found:
            if isinstance(one, Grid):
                rows = tuple(
                    Row(tuple(map(visible, cells)), cited.marks(reasons))
                    for cells, reasons in one.rows
                )
                head = _head(asked.words, f"line.{name}.{one.form}", one.values)
                yield Table(name, head, rows)
            else:
                yield _line(name, one, asked.words, cited)
        if not found and asked.words.has(f"line.{name}.blank"):
            yield Line(name, asked.words.say(f"line.{name}.blank"), True)


def _head(words: Lexicon, key: str, values: Mapping[str, object]) -> tuple[str, ...]:
    shown = {name: visible(str(value)) for name, value in values.items()}
    return tuple(Lexicon({"head": text}).say("head", **shown) for text in words.at(key))


def _line(name: str, said: Said, words: Lexicon, cited: _Cited) -> Line:
    values = {key: visible(str(value)) for key, value in said.values.items()}
    key = f"line.{name}.{said.form}"
    text = words.say(key, **values)
    seen = tuple((k, v) for k, v in values.items() if f"{{{k}}}" in words.at(key))
    cited.quote(said.quoted)
    blank = words.at("blank")
    open_ = blank in words.at(key) or blank in values.values()
    return Line(name, text, open_, seen, cited.marks(said.reasons))


@dataclass
class _Cited:
    """The reasons that a note points at, in the order in which it does."""

    words: Lexicon
    book: Evidence
    found: dict[tuple[str, str], Reason] = field(default_factory=dict)
    quoted: list[Reason] = field(default_factory=list)

    def marks(self, reasons: Sequence[Reason]) -> tuple[int, ...]:
        numbers = []
        for reason in reasons:
            key = reason.rule, reason.says
            self.found.setdefault(key, reason)
            numbers.append(1 + [*self.found].index(key))
        return tuple(dict.fromkeys(numbers))

    def quote(self, reasons: Sequence[Reason]) -> None:
        self.quoted.extend(reasons)

    def lines(self) -> tuple[str, ...]:
        return tuple(
            self.words.say(
                "reasons.line",
                number=number,
                says=visible(self.words.tell(reason)),
                cite=visible(cite(reason, self.words)),
            )
            for number, reason in enumerate(self.found.values(), 1)
        )

    def sources(self) -> tuple[str, ...]:
        keys = (key for one in (*self.found.values(), *self.quoted) for key in one.sources)
        return tuple(self._source(key) for key in sorted(set(keys)) if key in self.book.sources)

    def _source(self, key: str) -> str:
        source = self.book.sources[key]
        return self.words.say(
            "reasons.cited",
            key=key,
            authors=f"{source.authors}: " if source.authors else "",
            title=self.words.tell(source.title),
            year=f", {source.year}" if source.year else "",
            identifier="" if source.identifier == "none" else f" ({source.identifier})",
        )
