"""What was typed into an examination's form as TOML, and back.

A field's name is its place in the file (``person.height_cm``). Readings of one way stand in a
group: ``right.mtp_dorsiflexion_deg.1.method`` and ``….1.v2``. What is left empty is left out, which
means not examined. What is no number is written as it was typed, so that the reader names it.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date, time
from functools import partial
from itertools import groupby
from typing import Any

from rungwise.core.evidence import Evidence, Measure
from rungwise.core.terms import SIDES

__all__ = ["again_from", "to_toml", "toml_text", "values_of"]

Values = Mapping[str, Sequence[str]]
MOST_READINGS, MOST_ACTIVITIES, MOST_GROUPS = 12, 10, 6
CLINIC_LINES = ("name", "address", "phone", "email", "hours", "emergency")
WAYS = ("method", "instrument", "zero")
#: What a measuring aid's readings have beside their way: never taken over from the other foot.
AIDED = ("sem", "aid")
AID_OF = ".aid"
SCHEMA = "rungwise.exam/1"
WORDS_OF_PERSON = ("label", "sex", "language", "time_zone")
NUMBERS_OF_PERSON = ("birth_year", "height_cm", "mass_kg", "minutes_per_day", "days_per_week")
_NUMBER = re.compile(r"[+-]?[0-9]{1,9}(?:[.,][0-9]{1,6})?")
_SAFE = re.compile(r'[\x00-\x1f\x7f"\\\ud800-\udfff]')


def to_toml(values: Values, book: Evidence) -> tuple[str, dict[str, str]]:
    """What was typed as the text of an examination, and where each field of it was typed.

    Parameters
    ----------
    values : mapping of str to sequence of str
        Field -> what was typed.
    book : Evidence
        Says which field is a number, a word or yes and no.

    Returns
    -------
    str, dict
        TOML; and for fields whose place in the file has another name, the name in the form.
    """
    writer = _Writer(values, book)
    return writer.text(), writer.places


class _Writer:
    """Writes an examination as TOML from what was typed."""

    def __init__(self, values: Values, book: Evidence) -> None:
        self.values, self.book = values, book
        self.places: dict[str, str] = {}
        self.lines = [f'schema = "{SCHEMA}"']

    def text(self) -> str:
        if day := self.typed("date"):
            self.lines.append(f"date = {_day(day)}")
        for name in ("therapist", "worse_side"):
            if word := self.typed(name):
                self.lines.append(f"{name} = {toml_text(word)}")
        for name in ("wanted", "avoid", "confirm"):
            if found := self.several(name):
                self.lines.append(f"{name} = {_list(found)}")
        self.table("clinic", self.entries("clinic", CLINIC_LINES, toml_text))
        self.table("person", self.person())
        self.table("screen", self.entries("screen", self.book.items, toml_text))
        self.details()
        self.activities()
        self.feet()
        return "\n".join(self.lines) + "\n"

    def typed(self, name: str) -> str:
        found = self.several(name)
        return found[-1] if found else ""

    def several(self, name: str) -> list[str]:
        return [one.strip() for one in self.values.get(name, ()) if one.strip()]

    def table(self, name: str, entries: Iterable[tuple[str, str]]) -> None:
        if found := [f"{key} = {value}" for key, value in entries]:
            self.lines.extend(("", f"[{name}]", *found))

    def entries(
        self, base: str, names: Iterable[str], write: Callable[[str], str]
    ) -> Iterator[tuple[str, str]]:
        for name in names:
            if text := self.typed(f"{base}.{name}"):
                yield name, write(text)

    def measures(self, per: str) -> list[Measure]:
        return [m for m in self.book.measures.values() if m.per == per]

    def found(self, base: str, specs: Iterable[Measure]) -> Iterator[tuple[str, str]]:
        for spec in specs:
            yield from self.entries(base, [spec.key], partial(_value, spec))

    def person(self) -> Iterator[tuple[str, str]]:
        yield from self.entries("person", WORDS_OF_PERSON, toml_text)
        yield from self.entries("person", NUMBERS_OF_PERSON, _number)
        if found := self.several("person.equipment"):
            yield "equipment", _list(found)
        yield from self.entries("person", ["session_time"], _time)
        yield from self.found("person", self.measures("person"))

    def details(self) -> None:
        groups: dict[str, list[tuple[str, str]]] = {}
        for key, value in self.found("detail", self.measures("detail")):
            group, _, name = key.partition(".")
            groups.setdefault(group, []).append((name, value))
        for group, entries in groups.items():
            self.table(f"detail.{group}", entries)

    def activities(self) -> None:
        row = 0
        for n in range(1, MOST_ACTIVITIES + 1):
            base = f"activity.{n}"
            if not self.typed(f"{base}.name") and not self.typed(f"{base}.rating"):
                continue
            row += 1
            self.places[f"activity.{row}"] = base
            self.lines += ["", "[[activity]]"]
            for names, write in (
                (["name"], toml_text),
                (["rating", "target"], _number),
                (["by"], _day),
            ):
                self.lines += [f"{k} = {v}" for k, v in self.entries(base, names, write)]

    def feet(self) -> None:
        specs = self.measures("foot")
        for side in SIDES:
            self.table(side, self.of_foot(side, (m for m in specs if not m.methods)))
            for spec in specs:
                if spec.methods:
                    self.lines += self.readings(f"{side}.{spec.key}")

    def of_foot(self, side: str, specs: Iterable[Measure]) -> Iterator[tuple[str, str]]:
        """What was found, and with which measuring aid where one counted or timed it."""
        for spec in specs:
            for key, value in self.found(side, [spec]):
                aid = f"{side}.{key}{AID_OF}"
                if not (word := spec.instruments and self.typed(aid)):
                    yield key, value
                    continue
                self.places |= {f"{side}.{key}.value": f"{side}.{key}", aid: aid}
                way = f"instrument = {toml_text(spec.instruments[0])}, aid = {toml_text(word)}"
                yield key, f"{{value = {value}, {way}}}"

    def readings(self, base: str) -> Iterator[str]:
        row = 0
        for group in range(1, MOST_GROUPS + 1):
            place = f"{base}.{group}"
            as_right = f"right.{base.partition('.')[2]}.{group}"
            for n in range(1, MOST_READINGS + 1):
                if not (text := self.typed(f"{place}.v{n}")):
                    continue
                row += 1
                self.places[f"{base}.{row}.value"] = f"{place}.v{n}"
                yield from ("", f"[[{base}]]", f"value = {_number(text)}")
                self.places |= {f"{base}.{row}.{way}": f"{place}.{way}" for way in WAYS}
                for way in WAYS:  # an empty one of the left foot says: as on the right foot
                    if word := self.typed(f"{place}.{way}") or self.typed(f"{as_right}.{way}"):
                        yield f"{way} = {toml_text(word)}"
                for name, write in zip(AIDED, (_number, toml_text), strict=True):
                    self.places[f"{base}.{row}.{name}"] = f"{place}.{name}"
                    if text := self.typed(f"{place}.{name}"):
                        yield f"{name} = {write(text)}"
                if day := self.typed(f"{place}.date"):
                    yield f"date = {_day(day)}"


def _list(words: Sequence[str]) -> str:
    return f"[{', '.join(map(toml_text, words))}]"


def _value(spec: Measure, text: str) -> str:
    if spec.kind == "yesno":
        return {"yes": "true", "no": "false"}.get(text, toml_text(text))
    return toml_text(text) if spec.kind == "choice" else _number(text)


def _number(text: str) -> str:
    if not _NUMBER.fullmatch(text):
        return toml_text(text)
    value = float(text.replace(",", "."))
    return f"{value:g}" if value == int(value) and abs(value) < 1e6 else repr(value)


def _day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        return toml_text(text)


def _time(text: str) -> str:
    try:
        return time.fromisoformat(text).isoformat()
    except ValueError:
        return toml_text(text)


def toml_text(text: str) -> str:
    """A TOML string; whatever was typed stays text."""

    def safe(found: re.Match[str]) -> str:
        code = ord(found.group())
        return "\\ufffd" if code >= 0xD800 else f"\\u{code:04x}"

    return f'"{_SAFE.sub(safe, text)}"'


# ------------------------------------------------------------------ and back


def values_of(text: str) -> dict[str, list[str]]:
    """The fields of the form from an examination as it was entered.

    Parameters
    ----------
    text : str
        TOML that has been checked.
    """
    found: dict[str, list[str]] = {}
    for key, value in tomllib.loads(text.removeprefix("\ufeff")).items():
        if key == "activity":
            for number, entry in enumerate(value, 1):
                found |= {f"activity.{number}.{k}": [_shown(v)] for k, v in entry.items()}
        elif key == "detail":
            for group, facts in value.items():
                found |= {f"detail.{group}.{k}": [_shown(v)] for k, v in facts.items()}
        elif isinstance(value, dict):
            for name, one in value.items():
                if isinstance(one, list) and one and isinstance(one[0], dict):
                    found |= _grouped(f"{key}.{name}", one)
                elif isinstance(one, dict):
                    found[f"{key}.{name}"] = _listed(one["value"])
                    found[f"{key}.{name}{AID_OF}"] = _listed(one["aid"])
                else:
                    found[f"{key}.{name}"] = _listed(one)
        elif key != "schema":
            found[key] = _listed(value)
    return {
        name: value
        for name, value in found.items()
        if not name.startswith("screen.") or value != ["not asked"]
    }


def _grouped(base: str, entries: Sequence[Mapping[str, Any]]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    kept = (*WAYS, *AIDED, "date")

    def way(entry: Mapping[str, Any]) -> tuple[str, ...]:
        return tuple(_shown(entry[k]) if k in entry else "" for k in kept)

    # a way that comes back later is a group of its own, so that the order of readings stays
    for group, (words, some) in enumerate(groupby(entries, way), 1):
        place = f"{base}.{group}"
        found |= {f"{place}.{k}": [w] for k, w in zip(kept, words, strict=True) if w}
        found |= {f"{place}.v{n}": [_shown(one["value"])] for n, one in enumerate(some, 1)}
    return found


def _listed(value: object) -> list[str]:
    return [_shown(one) for one in value] if isinstance(value, list) else [_shown(value)]


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, time):
        return value.isoformat("minutes")
    return f"{value:g}" if isinstance(value, float) and value == int(value) else str(value)


def again_from(values: Values, today: date) -> dict[str, list[str]]:
    """A re-examination from the last one: who and how stay, every reading and answer is emptied.

    Parameters
    ----------
    values : mapping of str to sequence of str
        Those of the last examination.
    today : date
        Its day.
    """
    kept: dict[str, list[str]] = {}
    for name, value in values.items():
        first, _, rest = name.partition(".")
        stays = (
            first in ("therapist", "clinic", "wanted", "avoid")
            or (first in SIDES and rest.rpartition(".")[2] in WAYS)
            or (first == "person" and rest in PERSON_STAYS)
            or (first == "activity" and not rest.endswith("rating"))
        )
        if stays:
            kept[name] = list(value)
    return {**kept, "date": [today.isoformat()]}


PERSON_STAYS = frozenset(
    "label birth_year sex height_cm mass_kg language equipment minutes_per_day days_per_week "
    "time_zone session_time".split()
)
