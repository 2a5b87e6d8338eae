"""An examination as one form: its fields from the book, to TOML and back.

A field's name is its place in the TOML file (``person.height_cm``). Readings of one way stand in a
group: ``right.mtp_dorsiflexion_deg.1.method`` and ``….1.v2``. What is left empty is left out, which
means not examined. What is no number is written as it was typed, so that the reader names it.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from functools import partial
from itertools import groupby
from typing import Any

from rungwise.core.evidence import Evidence, Item, Measure, printed
from rungwise.core.terms import SIDES
from rungwise.web.words import Say

__all__ = ["Field", "Section", "again_from", "sections_of", "to_toml", "toml_text", "values_of"]

Values = Mapping[str, Sequence[str]]
READINGS, MOST_READINGS, ACTIVITIES, MOST_ACTIVITIES, MOST_GROUPS = 3, 12, 2, 10, 6
CLINIC_LINES = ("name", "address", "phone", "email", "hours", "emergency")
WAYS = ("method", "instrument", "zero")
LANGUAGES = ("en", "es")
SCHEMA = "rungwise.exam/1"
WORDS_OF_PERSON = ("label", "sex", "language", "time_zone")
NUMBERS_OF_PERSON = ("birth_year", "height_cm", "mass_kg", "minutes_per_day", "days_per_week")
_NUMBER = re.compile(r"[+-]?[0-9]{1,9}(?:[.,][0-9]{1,6})?")
_SAFE = re.compile(r'[\x00-\x1f\x7f"\\\ud800-\udfff]')


@dataclass(frozen=True)
class Field:
    """One field of the form.

    Parameters
    ----------
    id : str
        Its name.
    kind : {"text", "number", "choice", "pick", "many", "date", "time"}
        What it is: ``choice`` shows all words at once, ``pick`` is a list to open.
    label, help : str
        What is asked, and how to find it.
    unit, allowed : str
        Its unit and range, as they stand beside it.
    words : tuple of (str, str)
        Allowed words, and as they are shown.
    value : tuple of str
        What is typed there.
    required : bool
        Whether it must be filled in.
    empty : str
        What an empty list to open says.
    """

    id: str
    kind: str
    label: str
    help: str = ""
    unit: str = ""
    allowed: str = ""
    words: tuple[tuple[str, str], ...] = ()
    value: tuple[str, ...] = ()
    required: bool = False
    empty: str = ""

    @property
    def typed(self) -> str:
        """The value of a field that takes one."""
        return self.value[-1] if self.value else ""


@dataclass(frozen=True)
class Row:
    """One measure of both feet, or one group of fields.

    Parameters
    ----------
    label, help : str
        What is asked.
    fields : tuple of Field
        Its fields; of a foot each says the side as a word.
    folded : bool
        Whether it is shown only when asked for.
    """

    label: str
    help: str
    fields: tuple[Field, ...]
    folded: bool = False


@dataclass(frozen=True)
class Section:
    """A part of the form with its heading.

    Parameters
    ----------
    key, title : str
        Its name, and its heading.
    rows : tuple of Row
        What is asked.
    folded : bool
        Whether it is shown only when asked for.
    """

    key: str
    title: str
    rows: tuple[Row, ...]
    folded: bool = False


# ------------------------------------------------------------------ the form


class _Form:
    """Builds the fields in the words of one language."""

    def __init__(self, book: Evidence, say: Say, values: Values) -> None:
        self.book, self.say, self.values = book, say, values

    def get(self, name: str) -> tuple[str, ...]:
        return tuple(self.values.get(name, ()))

    def one(self, name: str, kind: str, label: str, **more: Any) -> Field:
        return Field(name, kind, label, value=self.get(name), **more)

    def row(
        self, *fields: Field, label: str = "", help_text: str = "", folded: bool = False
    ) -> Row:
        return Row(label, help_text, fields, folded)

    def plain(self, name: str, kind: str = "text", **more: Any) -> Row:
        label = self.say.name("field", name)
        key = f"field_help.{name}"
        help_text = self.say(key) if self.say.has(key) else ""
        return self.row(self.one(name, kind, label, help=help_text, **more))

    def worded(self, group: str, words: Iterable[str]) -> tuple[tuple[str, str], ...]:
        return tuple((word, self.say.name(group, word)) for word in words)

    def ranged(self, key: str, required: bool = False) -> Row:
        row = self.book.row(f"person.{key}")
        low, high = self.book.low(f"person.{key}"), self.book.high(f"person.{key}")
        unit = self.unit(row.unit)
        allowed = self.say("exam.range", low=f"{low:g}", high=f"{high:g}")
        return self.plain(f"person.{key}", "number", unit=unit, allowed=allowed, required=required)

    def unit(self, unit: str) -> str:
        return "" if unit == "1" else self.say.name("unit", unit)

    def measure(self, spec: Measure, name: str, label: str = "") -> Field:
        shown = label or self.say.name("measure", spec.key)
        if spec.kind == "yesno":
            return self.one(name, "choice", shown, words=self.worded("answer", ("yes", "no")))
        if spec.kind == "choice":
            kind = "choice" if len(spec.choices) < 4 else "pick"
            return self.one(name, kind, shown, words=self.worded("choice", spec.choices))
        low, high = f"{spec.low or 0:g}", printed(spec.high or 0, spec.unit).partition(" ")[0]
        return self.one(
            name,
            "number",
            shown,
            unit=self.unit(spec.unit),
            allowed=self.say("exam.range", low=low, high=high.rstrip("°")),
        )

    def of_feet(self, spec: Measure) -> Row:
        fields = tuple(
            self.measure(spec, f"{side}.{spec.key}", self.say(f"side.{side}")) for side in SIDES
        )
        return Row(self.say.name("measure", spec.key), spec.help, fields)

    def readings(self, spec: Measure) -> Iterator[Row]:
        """Groups of readings: each a way of reading, with its values for one foot."""
        label = self.say.name("measure", spec.key)
        for side in SIDES:
            base = f"{side}.{spec.key}"
            groups = max(2, _most(self.values, base, MOST_GROUPS))
            for group in range(1, groups + 1):
                place = f"{base}.{group}"
                filled = any(self.get(f"{place}.{way}") for way in WAYS)
                count = max(READINGS, _most_readings(self.values, place))
                fields = [
                    self.one(
                        f"{place}.v{n}",
                        "number",
                        self.say("exam.reading", n=n),
                        unit=self.unit(spec.unit),
                    )
                    for n in range(1, count + 1)
                ]
                for way, words in zip(
                    WAYS, (spec.methods, spec.instruments, spec.zeros), strict=True
                ):
                    fields.append(
                        self.one(
                            f"{place}.{way}",
                            "pick",
                            self.say(f"exam.{way}"),
                            words=self.worded("way", words),
                            empty=self.say("exam.as_right") if side == "left" else "",
                        )
                    )
                title = f"{label}, {self.say(f'of.{side}')}"
                again = "" if group == 1 else self.say("exam.another_way")
                yield Row(
                    title + (f": {again}" if again else ""),
                    spec.help if group == 1 and side == "right" else "",
                    tuple(fields),
                    folded=group > 1 and not filled,
                )

    def item(self, item: Item) -> Row:
        words = ("no", "right", "left", "both") if item.per == "foot" else ("no", "yes")
        name = f"screen.{item.key}"
        label = f"{item.code} {self.say.name('item', item.key)}"
        field = self.one(name, "choice", label, help=item.ask, words=self.worded("answer", words))
        return Row("", "", (field,))

    def details(self) -> Iterator[Row]:
        groups: dict[str, list[Field]] = {}
        for spec in self.book.measures.values():
            if spec.per == "detail":
                field = self.measure(spec, f"detail.{spec.key}", spec.help.rstrip("."))
                groups.setdefault(spec.key.partition(".")[0], []).append(field)
        for group, fields in groups.items():
            filled = any(field.value for field in fields)
            yield Row(self.say.name("detail", group), "", tuple(fields), folded=not filled)

    def activity(self, number: int) -> Row:
        base = f"activity.{number}"
        scale = self.say("exam.range", low="0", high="10")
        return Row(
            self.say("exam.activity", n=number),
            self.say("exam.activity_help") if number == 1 else "",
            (
                self.one(f"{base}.name", "text", self.say("exam.activity_name")),
                self.one(f"{base}.rating", "number", self.say("exam.activity_now"), allowed=scale),
                self.one(
                    f"{base}.target", "number", self.say("exam.activity_hoped"), allowed=scale
                ),
                self.one(f"{base}.by", "date", self.say("exam.activity_by")),
            ),
        )


def sections_of(book: Evidence, say: Say, values: Values) -> tuple[Section, ...]:
    """The whole form, in the order in which it is asked.

    Parameters
    ----------
    book : Evidence
        Its measures and screening items are what is asked.
    say : Say
        The words of the therapist's language.
    values : mapping of str to sequence of str
        What is typed already.
    """
    f = _Form(book, say, values)
    measures = list(book.measures.values())
    feet = [m for m in measures if m.per == "foot"]
    optional = [key for key, family in book.families.items() if family.optional]
    visit = (
        f.plain("date", "date", required=True),
        f.plain("therapist", required=True),
        f.plain("worse_side", "choice", words=f.worded("side", (*SIDES, "alike")), required=True),
    )
    person = (
        f.plain("person.birth_year", "number", required=True),
        f.ranged("minutes_per_day", required=True),
        f.ranged("days_per_week", required=True),
        f.plain("person.sex", "choice", words=f.worded("sex", ("female", "male"))),
        f.ranged("height_cm"),
        f.ranged("mass_kg"),
        f.plain("person.equipment", "many", words=f.worded("equipment", book.equipment)),
        f.plain("person.language", "pick", words=f.worded("language", LANGUAGES)),
    )
    found = [
        f.row(f.measure(m, f"person.{m.key}"), help_text=m.help)
        for m in measures
        if m.per == "person"
    ]
    foot = [row for spec in feet if spec.methods for row in f.readings(spec)]
    foot += [f.of_feet(spec) for spec in feet if not spec.methods]
    count = max(ACTIVITIES, _most(values, "activity", MOST_ACTIVITIES))
    more = (
        f.plain("wanted", "many", words=f.worded("family", optional)),
        f.plain("avoid", "many", words=f.worded("family", book.families)),
        f.plain("person.time_zone"),
        f.plain("person.session_time", "time"),
        *(f.plain(f"clinic.{line}") for line in CLINIC_LINES),
    )
    parts = (
        ("visit", visit, False),
        ("person", person, False),
        ("screen", tuple(f.item(item) for item in book.items.values()), False),
        ("detail", tuple(f.details()), False),
        ("feet", tuple(foot), False),
        ("balance", tuple(found), False),
        ("activity", tuple(f.activity(n) for n in range(1, count + 1)), False),
        ("more", more, True),
    )
    return tuple(Section(key, say(f"exam.part_{key}"), rows, folded) for key, rows, folded in parts)


# ------------------------------------------------------------------ to TOML


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
            self.table(side, self.found(side, (m for m in specs if not m.methods)))
            for spec in specs:
                if spec.methods:
                    self.lines += self.readings(f"{side}.{spec.key}")

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

    def way(entry: Mapping[str, Any]) -> tuple[str, ...]:
        return tuple(_shown(entry[k]) if k in entry else "" for k in (*WAYS, "date"))

    # a way that comes back later is a group of its own, so that the order of readings stays
    for group, (words, some) in enumerate(groupby(entries, way), 1):
        place = f"{base}.{group}"
        found |= {f"{place}.{k}": [w] for k, w in zip((*WAYS, "date"), words, strict=True) if w}
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


def _most(values: Values, base: str, most: int) -> int:
    """The highest number that stands right after a base, among fields that are filled in."""
    found = [0]
    for name, value in values.items():
        if name.startswith(f"{base}.") and any(value):
            number = name[len(base) + 1 :].partition(".")[0]
            if number.isascii() and number.isdigit() and len(number) < 3:
                found.append(int(number))
    return min(max(found), most)


def _most_readings(values: Values, place: str) -> int:
    found = [n for n in range(1, MOST_READINGS + 1) if any(values.get(f"{place}.v{n}", ()))]
    return max(found, default=0)
