"""What the program says in English, said in another language.

Every sentence of a rule, fault or chart is made in English, and is kept so. It is said anew here:
``data/words/core_<code>.toml`` pairs each English sentence, with ``{names}`` where its values
stand, with one of another language that has the same names. So a plan that was kept years ago can
still be read, as long as its sentence stands in the table. Numbers and days are never touched.
Nothing that was said is remembered: a sentence may hold a patient's words.

A value that stands between « and » in the other language is somebody's own words, and stays as it
was written. A sentence that is not in the table stays English and says so, for the page to mark.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

from rungwise.core.errors import EvidenceError, Fault
from rungwise.core.terms import Reason

__all__ = ["ENGLISH", "Told", "Tongue", "tongue"]

ENGLISH = "en"
PLACE = re.compile(r"\{([a-z_0-9]+)\}")
#: Tables of the pages' words in which the book's keys have names; of two, the earlier counts.
NAMED = (
    "item", "measure", "choice", "family", "dial", "notch", "equipment", "way", "size",
    "answer", "detail", "level", "basis",
)  # fmt: skip
_LETTER = re.compile(r"[^\W\d_]")
_NUMBER = re.compile(r"\d[\d.,-]*(?:e[-+]?\d+)?")
_AMOUNT = re.compile(r"([-+–]?[\d.,e+-]+)(?: to ([-+]?[\d.,]+))?(°|(?: ?[^\d\s].*))?")
_RUNG = re.compile(r"([a-z_ ]+):([a-z_0-9 ]+(?:/[a-z_0-9 ]+)*)")
_END = re.compile(r"(?<=[.!?:]) |(?<=;) ")
_DEEP = 6
SCALE = ", 0 to 10"
#: What stands between the things of a list, in English and in the other language.
LISTS = ((", ", ", "), ("; ", "; "), (" | ", " | "), (" or ", " o "), (" and ", " y "))


@dataclass(frozen=True)
class Told:
    """A text in a language.

    Parameters
    ----------
    text : str
        The text.
    language : str
        The language that it is in.
    left : tuple of str
        Parts of it that stayed as they were, though they hold letters.
    """

    text: str
    language: str
    left: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Shape:
    """A sentence with places for values, in English and in the other language."""

    english: str
    other: str

    @property
    def names(self) -> frozenset[str]:
        return frozenset(PLACE.findall(self.english))

    @property
    def own(self) -> frozenset[str]:
        """Names whose values are somebody's own words."""
        return frozenset(PLACE.findall(" ".join(re.findall("«([^»]*)»", self.other))))

    def values_in(self, says: str, known: Mapping[str, str]) -> dict[str, str] | None:
        """The values in a sentence of which most are known; None when it is another sentence."""
        values = dict(known)
        parts = PLACE.split(self.english)  # text, name, text, name, ... text
        texts = [parts[0]]
        names: list[str] = []
        for place, text in zip(parts[1::2], parts[2::2], strict=True):
            if place in values:
                texts[-1] += values[place] + text
            else:
                names.append(place)
                texts.append(text)
        if not names:
            return values if texts[0] == says else None
        if not says.startswith(texts[0]):
            return None
        at = len(texts[0])
        for count, (name, text) in enumerate(zip(names, texts[1:], strict=True), 1):
            last = count == len(names)
            end = len(says) - len(text) if last else says.find(text, at + 1)
            if end <= at or not says.startswith(text, end):
                return None
            if values.setdefault(name, says[at:end]) != says[at:end]:
                return None
            at = end + len(text)
        return values if at == len(says) else None

    def pattern(self) -> str:
        """A regular expression of the English."""
        parts, seen, at = [], set[str](), 0
        for found in PLACE.finditer(self.english):
            name = found[1]
            parts.append(re.escape(self.english[at : found.start()]))
            place = "right|left" if name == "side" else ".+?"
            parts.append(f"(?P={name})" if name in seen else f"(?P<{name}>{place})")
            seen.add(name)
            at = found.end()
        return "".join((*parts, re.escape(self.english[at:])))


class Tongue:
    """Says English sentences of this program in one language.

    Parameters
    ----------
    language : str
        Its code.
    said : mapping of str to str
        English sentence -> the same in this language.
    names : mapping of str to str
        Names of things, in English and as keys of the book -> in this language.
    inputs : mapping of str to str
        Names of the values that a rule saw -> in this language.
    """

    def __init__(
        self,
        language: str,
        said: Mapping[str, str],
        names: Mapping[str, str],
        inputs: Mapping[str, str],
    ) -> None:
        self.language = language
        self.inputs = inputs
        self.said = said
        self.names = names
        shapes = [_Shape(en, other) for en, other in said.items() if PLACE.search(en)]
        shapes.sort(key=lambda shape: -len(PLACE.sub("", shape.english)))
        self._shapes = [
            (shape, shape.english.partition("{")[0], shape.english.rpartition("}")[2],
             max(PLACE.sub("\n", shape.english).split("\n"), key=len),
             re.compile(shape.pattern(), re.DOTALL))
            for shape in shapes
        ]  # fmt: skip

    def text(self, english: str) -> Told:
        """A sentence, or several, or a name; English where this language has none."""
        if self.language == ENGLISH or not _LETTER.search(english):
            return Told(english, self.language)
        return self._said(english, 0) or Told(english, ENGLISH, (english,))

    def reason(self, reason: Reason) -> Told:
        """The sentence of a reason; the values that it saw are taken as they were seen."""
        if self.language == ENGLISH:
            return Told(reason.says, self.language)
        found = self._shape_of(reason)
        return self._filled(*found, 0) if found is not None else self.text(reason.says)

    def _shape_of(self, reason: Reason) -> tuple[_Shape, dict[str, str]] | None:
        """The sentence that a reason was made from, and its values, as they were seen."""
        seen, says = dict(reason.inputs), reason.says
        for shape, head, tail, middle, _ in self._shapes if seen else ():
            if not (says.startswith(head) and says.endswith(tail) and middle in says):
                continue
            known = {name: seen[name] for name in shape.names if name in seen}
            found = shape.values_in(says, known) if known else None
            if found is not None:
                return shape, found
        return None

    def seen(self, reason: Reason) -> tuple[tuple[str, str], ...]:
        """The values that a rule saw, by their names in this language."""
        found = self._shape_of(reason)
        own = found[0].own if found is not None else frozenset[str]()
        return tuple(
            (self.inputs.get(name, name), value if name in own else self.text(value.strip()).text)
            for name, value in reason.inputs
        )

    def fault(self, fault: Fault) -> Fault:
        """A fault with what is allowed, and what to do, in this language."""
        return replace(
            fault,
            given=self.said.get(fault.given, fault.given),
            allowed=self.text(fault.allowed).text,
            remedy=self.text(fault.remedy).text,
        )

    # -------------------------------------------------------------- parts of a sentence

    def _said(self, english: str, depth: int) -> Told | None:
        """A text as far as it is known; None when nothing of it is."""
        if not _wordy(english):
            return Told(english, self.language)
        simple = self.said.get(english) or self.names.get(english) or self._amount(english)
        if simple is not None:
            return Told(simple, self.language)
        if depth > _DEEP:
            return None
        best: Told | None = self._rung(english)
        for told in self._shaped(english, depth):
            if best is None or len(told.left) < len(best.left):
                best = told
            if not best.left:
                return best
        for told in self._parted(english, depth):
            if best is None or len(told.left) < len(best.left):
                best = told
        return best

    def _shaped(self, english: str, depth: int) -> Iterator[Told]:
        for shape, head, tail, middle, pattern in self._shapes:
            if english.startswith(head) and english.endswith(tail) and middle in english:
                found = pattern.fullmatch(english)
                if found is not None:
                    yield self._filled(shape, found.groupdict(), depth + 1)

    def _filled(self, shape: _Shape, values: Mapping[str, str], depth: int) -> Told:
        own, left = shape.own, list[str]()
        told: dict[str, str] = {}
        for name in PLACE.findall(shape.other):
            value = values[name]
            if name in told or name in own or not _wordy(value):
                told.setdefault(name, value)
                continue
            lead = value[: len(value) - len(value.lstrip())]
            found = self._said(value.strip(), depth + 1)
            told[name] = value if found is None else lead + found.text
            left += (value,) if found is None else found.left
        text = PLACE.sub(lambda place: told[place[1]], shape.other)
        if shape.other.startswith("{") and shape.other.endswith((".", "}")):
            text = text[:1].upper() + text[1:] if "." in shape.other else text
        return Told(text, self.language, tuple(left))

    def _parted(self, english: str, depth: int) -> Iterator[Told]:
        """Sentences one after the other, or things of a list, of which each is known."""
        for found in _END.finditer(english):
            first = self._said(english[: found.start()], depth + 1)
            if first is not None and not first.left:
                rest = self._said(english[found.end() :], depth + 1)
                if rest is not None:
                    yield Told(f"{first.text} {rest.text}", self.language, rest.left)
                    return
        for between, other in LISTS:
            if between not in english:
                continue
            listed = self._listed(english.split(between), between, depth)
            if listed is not None:
                yield Told(other.join(listed), self.language)

    def _listed(self, parts: list[str], between: str, depth: int) -> list[str] | None:
        """Each thing of a list; one may hold the word that parts them."""
        told: list[str] = []
        while parts:
            for count in range(len(parts) if told else len(parts) - 1, 0, -1):
                part = self._part(between.join(parts[:count]), depth, count > 1)
                if part is not None:
                    told.append(part)
                    parts = parts[count:]
                    break
            else:
                return None
        return told

    def _part(self, english: str, depth: int, whole: bool = False) -> str | None:
        if not _wordy(english):
            return english
        if whole:  # of several parts: only what stands in the table
            return self.said.get(english) or self.names.get(english)
        found = self._said(english, depth + 2)
        return None if found is None or found.left else found.text

    def _amount(self, english: str) -> str | None:
        """A number with its unit, or two."""
        found = _AMOUNT.fullmatch(english)
        if found is None:
            return None
        low, high, unit = found[1], found[2], (found[3] or "").strip()
        if not unit and high is None:
            return None
        word = self.names.get(f"unit {unit}") if _LETTER.search(unit) else unit
        if word is None:
            return None
        gap = " " if found[3] and found[3].startswith(" ") else ""
        number = low if high is None else f"{low} {self.names['unit to']} {high}"
        return f"{number}{gap}{word}"

    def _rung(self, english: str) -> Told | None:
        """A rung (``family:notch/notch``), or an exercise, what is turned on it, and how far."""
        found = _RUNG.fullmatch(english)
        family = self.names.get(f"family {found[1]}") if found else None
        if found is not None and family is not None:
            notches = [self.names.get(f"notch {notch}") for notch in found[2].split("/")]
            if all(notches):
                return Told(f"{family} ({', '.join(filter(None, notches))})", self.language)
        said, rest = list[str](), english.split(" ")
        for group in ("family", "dial", "notch"):
            for count in range(len(rest), 0, -1):
                name = self.names.get(f"{group} {' '.join(rest[:count])}")
                if name is not None:
                    said.append(name)
                    rest = rest[count:]
                    break
        whole = len(said) > 1 and not rest
        return Told(", ".join(said[:-1]) + f": {said[-1]}", self.language) if whole else None


def _wordy(text: str) -> bool:
    """Whether a value holds words, and not only numbers and days."""
    return _LETTER.search(_NUMBER.sub("", text)) is not None


@cache
def tongue(language: str = ENGLISH) -> Tongue:
    """The sayings of a language; English for one that there is not.

    Parameters
    ----------
    language : str
        Its code.

    Raises
    ------
    EvidenceError
        A sentence has other places for values than its English.
    """
    path = files("rungwise") / "data" / "words" / f"core_{language}.toml"
    if language == ENGLISH or not path.is_file():
        return Tongue(ENGLISH, {}, {}, {})
    table = tomllib.loads(path.read_text("utf-8"))
    for english, other in table["said"].items():
        if set(PLACE.findall(english)) != set(PLACE.findall(other)):
            raise EvidenceError(f"core_{language}.toml: {english!r} has other values")
    names = {f"unit {unit}": word for unit, word in table["unit"].items()}
    for group, entries in reversed(_named(language)):
        for key, name in entries:
            names |= dict.fromkeys((key, key.replace("_", " ")), name)
            if group in ("family", "dial", "notch"):
                both = f"{group} {key}", f"{group} {key.replace('_', ' ')}"
                names |= dict.fromkeys(both, name)
            if group in ("measure", "size"):
                names |= dict.fromkeys((key.rpartition("_")[0].replace("_", " "),), name)
    names.pop("", None)
    names |= _measures(language)
    names |= table["name"]
    return Tongue(language, table["said"], names, table["input"])


def _named(language: str) -> list[tuple[str, list[tuple[str, str]]]]:
    """Each table of names with its keys, as they stand inside a sentence."""
    path = files("rungwise") / "data" / "words" / f"web_{language}.toml"
    words: Mapping[str, Mapping[str, Any]] = tomllib.loads(path.read_text("utf-8"))
    return [(group, [(key, _inside(str(name))) for key, name in words[group].items()])
            for group in NAMED if group in words]  # fmt: skip


def _measures(language: str) -> dict[str, str]:
    """What notes and charts call a measure, in English and in the language."""
    tables = []
    for code in (ENGLISH, language):
        path = files("rungwise") / "data" / "words" / f"notes_{code}.toml"
        tables.append(tomllib.loads(path.read_text("utf-8"))["measure"])
    pairs = [(str(english), str(tables[1][key])) for key, english in tables[0].items()]
    return dict(pairs) | {
        a.removesuffix(SCALE): b.removesuffix(b[b.rindex(",") :]) for a, b in pairs if SCALE in a
    }


def _inside(name: str) -> str:
    """A name as it stands inside a sentence: small, unless it is an abbreviation."""
    return name if name[1:2].isupper() else name[:1].lower() + name[1:]
