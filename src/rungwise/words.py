"""All that a patient reads, by key, in the patient's language.

A language is one file ``data/words/<code>.toml`` with the same keys as English. A text that it
lacks is taken from English with a mark in front, so that nobody takes it for a translation; a
safety text is never borrowed: without it the language cannot be loaded.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from functools import cached_property, lru_cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any, Literal

from rungwise.core.errors import EvidenceError, Fault, InputError
from rungwise.core.terms import Rung

__all__ = ["Words", "languages", "load_syllables", "load_words", "pseudo_right_to_left", "whole_mm"]

Text = str | tuple[str, ...]
#: Around patient or clinic text in a right-to-left line: its letters keep their own direction.
ISOLATE, POP = "\u2068", "\u2069"
_PLACE = re.compile(r"\{([a-z_0-9]*)\}")
_BRACE = re.compile(r"[{}]")
MM_PER_INCH = 25.4
MM_PER_CM = 10
LB_PER_KG = 1 / 0.45359237


def whole_mm(mm: float, up: bool = False) -> int:
    """A length as it is printed, on a sheet and in a drawing alike [mm].

    Parameters
    ----------
    mm : float
        Length [mm].
    up : bool
        Round up, where longer is the cautious side; down otherwise.

    Examples
    --------
    >>> whole_mm(46.2), whole_mm(46.2, up=True), whole_mm(46.0000001, up=True)
    (46, 47, 46)
    """
    return math.ceil(mm - 1e-6) if up else math.floor(mm + 1e-6)


@dataclass(frozen=True)
class Words:
    """The texts of one language.

    Parameters
    ----------
    language : str
        Its code (``en``).
    name : str
        Its own name.
    direction : {"ltr", "rtl"}
        Which way it runs.
    reviewed : bool
        Whether a native clinician has read it all.
    decimal : str
        Its decimal mark.
    texts : mapping of str to str or tuple of str
        Dotted key -> text or lines.
    borrowed : frozenset of str
        Keys whose text is English because this language lacks it.
    """

    language: str
    name: str
    direction: Literal["ltr", "rtl"]
    reviewed: bool
    decimal: str
    texts: Mapping[str, Text]
    borrowed: frozenset[str] = frozenset()

    def say(self, key: str, **values: object) -> str:
        """One text with its values filled in.

        Parameters
        ----------
        key : str
            Its key.
        **values
            What the ``{names}`` in it stand for.

        Raises
        ------
        EvidenceError
            When there is no such text, or a value is missing.
        """
        text = self._text(key)
        if not isinstance(text, str):
            raise EvidenceError(f"words: {key!r} holds lines, not one text")
        return self._filled(key, text, values)

    def lines(self, key: str, **values: object) -> tuple[str, ...]:
        """The lines of a key, each with its values filled in.

        Raises
        ------
        EvidenceError
            When there is no such list, or a value is missing.
        """
        text = self._text(key)
        if isinstance(text, str):
            raise EvidenceError(f"words: {key!r} holds one text, not lines")
        return tuple(self._filled(key, line, values) for line in text)

    def has(self, key: str) -> bool:
        """Whether there is a text or list of this key."""
        return key in self.texts

    def all_of(self, key: str) -> tuple[str, ...]:
        """The lines of a key, or its one text as a line, or nothing."""
        if not self.has(key):
            return ()
        text = self._text(key)
        return (self.say(key),) if isinstance(text, str) else self.lines(key)

    def of_rung(self, rung: Rung, section: str, entry: str = "", **known: object) -> Iterator[str]:
        """The lines of a section of an exercise as they are for one rung.

        Parameters
        ----------
        rung : Rung
            The rung; ``@dial`` in a line stands for the lines of the notch of that dial, and
            ``=name`` for those of the value of that setting.
        section : str
            Which section (``steps``).
        entry : str
            What stands below a notch or a value; the section itself when empty.
        **known
            Settings that are the plan's, not the rung's.

        Raises
        ------
        EvidenceError
            When a section or a notch has no words.
        """
        place, below = f"exercise.{rung.family}", entry or section
        notches, settings = dict(rung.notches), {**rung.settings, **known}
        for line in self.lines(f"{place}.{section}"):
            mark, name = line[:1], line[1:]
            if mark == "@":
                key = f"{place}.{name}.{notches.get(name)}"
                if not self.has_any(key):
                    raise EvidenceError(f"words: {self.language!r} has no {key!r}")
                yield from self.all_of(f"{key}.{below}")
            elif mark == "=":
                value = str(settings.get(name)).lower()
                yield from self.all_of(f"{place}.{name}.{value}.{below}")
            else:
                yield line

    def has_any(self, prefix: str) -> bool:
        """Whether there is anything below a prefix."""
        return prefix in self._below

    def under(self, prefix: str) -> dict[str, str]:
        """The single texts below a prefix, by the rest of their key, in the file's order."""
        rest = len(prefix) + 1
        found = ((key, self.texts[key]) for key in self._below.get(prefix, ()))
        return {
            key[rest:]: self._filled(key, text, None)
            for key, text in found
            if isinstance(text, str)
        }

    @cached_property
    def _below(self) -> Mapping[str, tuple[str, ...]]:
        """Every prefix and the keys below it, in the file's order."""
        found: dict[str, list[str]] = {}
        for key in self.texts:
            for place, letter in enumerate(key):
                if letter == ".":
                    found.setdefault(key[:place], []).append(key)
        return {prefix: tuple(keys) for prefix, keys in found.items()}

    def count(self, key: str, n: int, **values: object) -> str:
        """A text in the form for this number: ``<key>.one`` or ``<key>.other``."""
        form = "one" if n == 1 else "other"
        return self.say(f"{key}.{form}", n=n, **values)

    def _text(self, key: str) -> Text:
        try:
            return self.texts[key]
        except KeyError:
            raise EvidenceError(f"words: the language {self.language!r} has no {key!r}") from None

    def _filled(self, key: str, text: str, values: Mapping[str, object] | None) -> str:
        mark = "[en] " if key in self.borrowed and text else ""
        if values is None:
            return mark + text

        def put(found: re.Match[str]) -> str:
            try:
                return str(values[found[1]])
            except KeyError:
                raise EvidenceError(f"words: {key!r} needs a value for {found[1]!r}") from None

        return mark + _PLACE.sub(put, text)

    # -------------------------------------------------------------- numbers and days

    def own(self, text: str) -> str:
        """Text that is not ours (a name, a telephone number), safe inside a right-to-left line."""
        return f"{ISOLATE}{text}{POP}" if self.direction == "rtl" else text

    def number(self, value: float, digits: int = 0) -> str:
        """A number with the language's decimal mark, rounded down."""
        scale = 10**digits
        cut = math.floor(value * scale + 1e-9) / scale
        return f"{cut:.{digits}f}".replace(".", self.decimal)

    def length(self, mm: float, up: bool = False) -> str:
        """A length in centimetres and inches, or in millimetres when small, rounded down.

        Parameters
        ----------
        mm : float
            Length [mm].
        up : bool
            Round up instead, where longer is the cautious side.
        """
        whole = whole_mm(mm, up)
        if whole < MM_PER_CM:
            return self.own(self.say("unit.small_length", mm=whole))
        cm = self.number(whole / MM_PER_CM, 0 if whole % MM_PER_CM == 0 else 1)
        return self.own(self.say("unit.length", cm=cm, inches=self._inches(mm, 8, up)))

    def _inches(self, mm: float, parts: int, up: bool) -> str:
        count = mm / MM_PER_INCH * parts
        inches = Fraction(math.ceil(count - 1e-9) if up else math.floor(count + 1e-9), parts)
        whole, rest = divmod(inches, 1)
        figures = [str(whole)] if whole else []
        figures += [f"{rest.numerator}/{rest.denominator}"] if rest else []
        form = "one" if inches <= 1 else "other"
        return self.say(f"unit.inch.{form}", n=" ".join(figures) or "0")

    def mass(self, kg: float) -> str:
        """A mass in kilograms and pounds, both rounded down."""
        lb = self.number(kg * LB_PER_KG)
        return self.own(self.say("unit.mass", kg=self.number(kg), lb=lb))

    def seconds(self, seconds: float) -> str:
        """A short time; whole minutes from one minute on."""
        whole = round(seconds)
        if whole >= 60 and whole % 60 == 0:
            return self.count("unit.minutes", whole // 60)
        return self.count("unit.seconds", whole)

    def minutes(self, seconds: float) -> str:
        """A time in minutes, rounded up."""
        return self.count("unit.minutes", max(math.ceil(seconds / 60 - 1e-9), 1))

    def day(self, day: date, form: Literal["long", "short"] = "long") -> str:
        """A day with its month as a word, which no one can read the wrong way round."""
        months = {"month": "months", "month_short": "months_short"}
        named = {name: self.lines(f"date.{key}")[day.month - 1] for name, key in months.items()}
        return self.own(self.say(f"date.{form}", day=day.day, year=day.year, **named))

    def weekday(self, day: date) -> str:
        """Short name of the weekday."""
        return self.lines("date.days_short")[day.weekday()]

    def listed(self, parts: Sequence[str]) -> str:
        """Several things in one phrase."""
        if len(parts) < 2:
            return "".join(parts)
        first = self.say("join.comma").join(parts[:-1])
        return self.say("join.two", first=first, last=parts[-1])


def languages(folder: Traversable | None = None) -> tuple[str, ...]:
    """Codes of the languages that there are, English first."""
    root = _root(folder)
    codes = [f.name.removesuffix(".toml") for f in root.iterdir() if f.name.endswith(".toml")]
    return ("en", *sorted(code for code in codes if code != "en" and "_" not in code))


def load_words(language: str = "en", folder: Traversable | None = None) -> Words:
    """Load the texts of a language.

    Parameters
    ----------
    language : str
        Code of the language.
    folder : Traversable, optional
        Folder of the word files; the one inside the package by default.

    Raises
    ------
    InputError
        When there is no such language.
    EvidenceError
        When a safety text is missing, a text asks for other values than the English one, or
        a key stands that English does not have.
    """
    if language not in languages(folder):
        allowed = ", ".join(languages(folder))
        fault = Fault("language", language, allowed, "Choose one, or add a file of its words.")
        raise InputError("words", (fault,))
    if folder is not None:
        return _load(language, folder)
    return _cached(language)


@lru_cache
def _cached(language: str) -> Words:
    return _load(language, None)


def _load(language: str, folder: Traversable | None) -> Words:
    meta, english = _read("en", folder)
    if language == "en":
        return _words("en", meta, english, frozenset())
    own_meta, own = _read(language, folder)
    for key in own:
        if key not in english:
            raise EvidenceError(f"words/{language}.toml: English has no {key!r}")
    missing = frozenset(english) - frozenset(own)
    for key in sorted(missing):
        if _is_safety(key, meta["safety"]):
            raise EvidenceError(f"words/{language}.toml: the safety text {key!r} is missing")
    for key, text in own.items():
        if _values_of(text) != _values_of(english[key]):
            raise EvidenceError(f"words/{language}.toml: {key!r} asks for other values")
    texts = {key: own.get(key, text) for key, text in english.items()}
    return _words(language, own_meta, texts, missing)


def _words(
    language: str, meta: Mapping[str, Any], texts: Mapping[str, Text], borrowed: frozenset[str]
) -> Words:
    return Words(
        language=language,
        name=meta["language"],
        direction=meta["direction"],
        reviewed=bool(meta["reviewed"]),
        decimal=meta["decimal"],
        texts=texts,
        borrowed=borrowed,
    )


def _is_safety(key: str, prefixes: Sequence[str]) -> bool:
    return key.split(".", 1)[0] in prefixes or key.rpartition(".")[2] in {"safety", "slips"}


def _root(folder: Traversable | None) -> Traversable:
    return files("rungwise") / "data" / "words" if folder is None else folder


def _read(language: str, folder: Traversable | None) -> tuple[Mapping[str, Any], dict[str, Text]]:
    parsed = tomllib.loads((_root(folder) / f"{language}.toml").read_text("utf-8"))
    meta = parsed.pop("meta")
    return meta, dict(_flat(parsed, language))


def _flat(table: Mapping[str, Any], language: str, prefix: str = "") -> Iterator[tuple[str, Text]]:
    for name, entry in table.items():
        key = f"{prefix}{name}"
        if isinstance(entry, dict):
            yield from _flat(entry, language, f"{key}.")
            continue
        lines: list[Any] = [entry] if isinstance(entry, str) else entry
        for line in lines:
            if not isinstance(line, str) or _BRACE.search(_PLACE.sub("", line)):
                raise EvidenceError(f"words/{language}.toml: {key!r} is not plain text")
        yield key, entry if isinstance(entry, str) else tuple(lines)


def _values_of(text: Text) -> frozenset[str]:
    lines = (text,) if isinstance(text, str) else text
    return frozenset(name for line in lines for name in _PLACE.findall(line))


def load_syllables(folder: Traversable | None = None) -> dict[str, int]:
    """Syllables of English words that the rule of :mod:`rungwise.core.reading` gets wrong."""
    parsed = tomllib.loads((_root(folder) / "syllables_en.toml").read_text("utf-8"))
    return {word: int(count) for word, count in parsed.items()}


#: Arabic letters for Latin ones: no words, but letters that join and run from the right.
_STAND_INS = dict(zip("abcdefghijklmnopqrstuvwxyz", "ابثدهفغحيجكلمنوپقرسترڤوخيز", strict=True))


def pseudo_right_to_left(words: Words) -> Words:
    """A made-up right-to-left language, to see layout, letters and direction before a real one.

    Parameters
    ----------
    words : Words
        Any language; its letters are replaced, its ``{values}`` and markers are kept. Labels that
        stand inside a drawing keep their letters: the PDF compiler can tag joined letters on the
        page but not in a picture, so a real language of this kind must have its labels beside it.
    """

    def stays(key: str) -> bool:
        return key.startswith("drawing.") and not key.startswith("drawing.alt.")

    def turned(text: str) -> str:
        if text.startswith(("@", "=")):
            return text
        parts = re.split(r"(\{[a-z_0-9]*\})", text)
        return "".join(
            part
            if part.startswith("{")
            else "".join(_STAND_INS.get(letter.lower(), letter) for letter in part)
            for part in parts
        )

    texts: dict[str, Text] = {
        key: text
        if stays(key)
        else turned(text)
        if isinstance(text, str)
        else tuple(turned(line) for line in text)
        for key, text in words.texts.items()
    }
    return replace(words, language="ar", name="pseudo", direction="rtl", texts=texts)
