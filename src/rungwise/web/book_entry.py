"""One entry of the evidence book as pages show it, and the words that entries share."""

from __future__ import annotations

from dataclasses import dataclass

from rungwise.core.evidence import Evidence, Override, Source, printed
from rungwise.tongue import Told
from rungwise.web.words import Say

__all__ = ["Entry", "cited", "facts", "rests", "source_words", "span", "worded"]


@dataclass(frozen=True)
class Entry:
    """One entry of the book.

    Parameters
    ----------
    part, group : str
        Part of the book, and the group in it.
    key : str
        Its name.
    title : Told
        What it is called or says.
    value, span : str
        Its value and its range, with the unit; empty where it has none.
    rests : str
        Its basis and what it does to a patient, in words; empty for a source.
    source : str
        Where it was read, as it is cited.
    facts : tuple of (str, Told)
        What else is known of it: a heading and its text.
    uses : tuple of str
        What uses it.
    url : str
        Its own page; empty where it has none.
    own : Override or None
        The clinic's own value.
    printed : str
        The value as it is printed in the book, where the clinic has its own.
    settable : bool
        Whether a clinic may set it.
    """

    part: str
    group: str
    key: str
    title: Told
    value: str = ""
    span: str = ""
    rests: str = ""
    source: str = ""
    facts: tuple[tuple[str, Told], ...] = ()
    uses: tuple[str, ...] = ()
    url: str = ""
    own: Override | None = None
    printed: str = ""
    settable: bool = False

    @property
    def text(self) -> str:
        """Everything that a search looks at."""
        told = (self.key, self.key.replace("_", " "), self.title.text, self.value, self.rests)
        facts = (f"{head} {fact.text}" for head, fact in self.facts)
        return " ".join((*told, self.source, *facts, *self.uses)).casefold()


def source_words(source: Source) -> str:
    """A source as it is cited: authors, year, title, where it can be found."""
    year = f" ({source.year})" if source.year else ""
    head = f"{source.authors}{year}: {source.title}" if source.authors else f"{source.title}{year}"
    found = source.identifier not in ("", "none")
    return f"{head.rstrip('.')}. {source.identifier}" if found else head


def cited(book: Evidence, key: str, where: str = "") -> str:
    """A source by its key as it is cited, with the place in it."""
    source = book.sources.get(key)
    told = key if source is None else source_words(source)
    return f"{told} – {where}" if where else told


def rests(say: Say, basis: str, use: str = "") -> str:
    """A basis and what it does to a patient, in words."""
    told = say.name("basis", basis)
    return f"{told}; {say.name('use', use)}" if use else told


def span(low: float | None, high: float | None, unit: str) -> str:
    """A range with its unit; empty where an end is missing."""
    if low is None or high is None:
        return ""
    return f"{low:.6g} – {printed(high, unit)}"


#: Facts that the book tells in English; the others are words of the pages.
ENGLISH = ("note", "help", "ask", "counts", "does", "read", "rests_on", "makes", "forbids")


def facts(say: Say, **known: str) -> tuple[tuple[str, Told], ...]:
    """What is known, each with its heading in words; nothing for what is empty."""
    return tuple(
        (say(f"book.{head}"), say.told(text) if head in ENGLISH else worded(say, text))
        for head, text in known.items()
        if text
    )


def worded(say: Say, text: str) -> Told:
    """Words of the pages: they are in their language already."""
    return Told(text, say.language)
