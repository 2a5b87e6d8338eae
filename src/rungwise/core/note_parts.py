"""What the lines of a note are made of: what a writer looks at, and what it yields."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from rungwise.core.evidence import Evidence
from rungwise.core.note_case import Case, Lexicon
from rungwise.core.terms import Reason, Side

__all__ = ["Asked", "Grid", "Said", "Writer", "cite", "spaced"]


@dataclass(frozen=True)
class Asked:
    """What a writer looks at."""

    case: Case
    words: Lexicon
    book: Evidence
    expect: tuple[str, ...] = ()
    short: bool = False
    only: tuple[str, ...] = ()

    def side(self, side: Side | None, both: bool = False) -> str:
        """A foot in words."""
        return str(self.words.at(f"side.{'both' if both or side is None else side}"))

    def measures(self, per: str) -> list[str]:
        """The measures that the note tells, of a foot or of the whole person, in their order."""
        named = [key for key in self.words.at("measure") if self.book.measures[key].per == per]
        return [key for key in named if not self.only or key in self.only]

    def measure(self, key: str) -> str:
        """A measure in words."""
        named = self.words.at("measure")
        return str(named.get(key) or self.name(key))

    def quoted(self, reason: Reason) -> dict[str, object]:
        """A reason word for word, with its rule, basis and sources."""
        return {"says": self.words.tell(reason), "cite": cite(reason, self.words)}

    def name(self, key: str) -> str:
        """A key of the book as words of the note's language."""
        return self.words.tell(spaced(key))

    def named(self, family: str) -> str:
        """An exercise family at the start of a line."""
        name = self.name(family)
        return name[:1].upper() + name[1:]

    def listed(self, parts: Sequence[str]) -> str:
        """Several things in one phrase."""
        return str(self.words.at("comma")).join(parts)


@dataclass(frozen=True)
class Said:
    """The values of one line, the form it is told in, and the reasons that it rests on."""

    values: Mapping[str, object] = field(default_factory=dict)
    reasons: tuple[Reason, ...] = ()
    form: str = "says"
    quoted: tuple[Reason, ...] = ()


@dataclass(frozen=True)
class Grid:
    """The rows of a table, each with the reasons that it rests on; the values of its heads."""

    rows: tuple[tuple[tuple[str, ...], tuple[Reason, ...]], ...]
    values: Mapping[str, object] = field(default_factory=dict)
    form: str = "says"


#: Yields nothing when nothing is known; the note then shows a blank in its place.
Writer = Callable[[Asked], Iterator[Said | Grid]]


def cite(reason: Reason, words: Lexicon) -> str:
    """Rule, version, basis and sources of a reason."""
    basis = words.tell(reason.basis)
    told = {"rule": reason.rule, "version": reason.version, "basis": basis}
    return words.say("cite", **told, read_in=str(words.at("comma")).join(reason.sources))


def spaced(key: str) -> str:
    """A key of the book as words."""
    return key.replace("_", " ")
