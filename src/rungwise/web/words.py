"""The words of the pages, in the language of the therapist: ``data/words/web_<code>.toml``."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Any

from rungwise.core.terms import Reason
from rungwise.tongue import Told, Tongue, tongue

__all__ = ["LANGUAGES", "Say", "say_in"]

LANGUAGES = ("en", "es")
#: A line of a report that goes on, indented.
_BROKEN = re.compile(r"\n {4,}")


@dataclass(frozen=True)
class Say:
    """Say texts of one language by their keys.

    Parameters
    ----------
    language : str
        Its code.
    texts : mapping of str to str
        Dotted key -> text.
    """

    language: str
    texts: Mapping[str, str]

    def __call__(self, key: str, **values: object) -> str:
        """The text of a key with its values filled in.

        Raises
        ------
        KeyError
            There is no such text.
        """
        return self.texts[key].format(**values)

    def has(self, key: str) -> bool:
        """Whether there is a text of this key."""
        return key in self.texts

    def name(self, group: str, key: str) -> str:
        """The text ``group.key``; the key itself in plain letters when there is none."""
        return self.texts.get(f"{group}.{key}") or key.rpartition(".")[2].replace("_", " ")

    @property
    def tongue(self) -> Tongue:
        """What the program says of its own accord, in this language."""
        return tongue(self.language)

    def told(self, what: Reason | str) -> Told:
        """A reason, or another English text of the program, in this language as far as it is."""
        return self.tongue.text(what) if isinstance(what, str) else self.tongue.reason(what)

    def told_lines(self, text: str) -> tuple[Told, ...]:
        """A report line by line; what was broken to fit a width is one line again."""
        return tuple(map(self.told, _BROKEN.sub(" ", text).splitlines()))

    def look(self, why: str) -> str:
        """Why somebody needs a look, in one line: a word, then the rule where a rule says it."""
        word, _, rule = why.partition(" ")
        if not self.has(f"look_for.{word}"):
            return why
        return self(f"look_for.{word}", why=self.name("cause", rule.rpartition(".")[2]))

    def day(self, day: date | None) -> str:
        """A day as it is written here; a dash when there is none."""
        if day is None:
            return "–"
        return self.texts["date.long"].format(
            day=day.day, month=self.texts[f"date.month_{day.month}"], year=day.year
        )


@cache
def say_in(language: str) -> Say:
    """The words of a language; English for one that there is not."""
    code = language if language in LANGUAGES else LANGUAGES[0]
    path = files("rungwise") / "data" / "words" / f"web_{code}.toml"
    return Say(code, dict(_flat(tomllib.loads(path.read_text("utf-8")))))


def _flat(table: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", str(value)
