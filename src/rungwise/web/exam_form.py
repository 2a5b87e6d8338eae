"""An examination as one form: its fields from the book, in the order in which one examines.

What is asked first is what a programme rests on; the rest is folded. Nothing clinical is filled in:
an empty field was not asked or not examined. ``exam_text`` turns what was typed into TOML and back.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rungwise.core.evidence import Evidence, Item, Measure, printed
from rungwise.core.terms import PHOTOGRAPH, SIDES
from rungwise.web.exam_screen import MARKED, screen_groups
from rungwise.web.exam_text import (
    AID_OF,
    AIDED,
    CLINIC_LINES,
    MOST_ACTIVITIES,
    MOST_GROUPS,
    MOST_READINGS,
    WAYS,
)
from rungwise.web.words import Say

__all__ = ["Field", "Section", "sections_of"]

Values = Mapping[str, Sequence[str]]
READINGS, ACTIVITIES = 3, 2
LANGUAGES = ("en", "es")
#: Order of an examination: what is found, part by part. What stands in no part is folded under
#: further measures.
PARTS = {
    "pain": ("pain_rest_nprs", "pain_usual_nprs", "pain_worst_nprs", "morning_stiffness_min"),
    "look": ("skin", "sensation", "pulses"),
    "bend": ("mtp_dorsiflexion_deg", "pain_at", "flat_standing_deg"),
    "balance": ("feet_together_s", "semi_tandem_s", "timed_up_and_go_s", "chair_stand_count"),
    "stance": (
        "stance_pain_nprs",
        "arch_lift_toes_long",
        "heel_raise_count",
        "tandem_behind_s",
        "one_leg_s",
    ),
}


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
        What an empty list to open, or no choice, says.
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

    @property
    def ids(self) -> frozenset[str]:
        """Names of its fields."""
        return frozenset(field.id for field in self.fields)


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
    lead : str
        What holds for all of it.
    asked : tuple of str
        Items of the screen that one act may answer with no; empty elsewhere.
    marked : bool
        Whether that act was done and can be undone.
    listed : str
        The items that it answers, or has answered, as they are called.
    """

    key: str
    title: str
    rows: tuple[Row, ...]
    folded: bool = False
    lead: str = ""
    asked: tuple[str, ...] = ()
    marked: bool = False
    listed: str = ""

    @property
    def ids(self) -> frozenset[str]:
        """Names of its fields."""
        return frozenset[str]().union(*(row.ids for row in self.rows))


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

    def told(self, english: str) -> str:
        """A text of the book in the form's language."""
        return self.say.told(english).text

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

    def of_feet(self, spec: Measure) -> Iterator[Row]:
        fields = tuple(
            self.measure(spec, f"{side}.{spec.key}", self.say(f"side.{side}")) for side in SIDES
        )
        label = self.say.name("measure", spec.key)
        yield Row(label, self.told(spec.help), fields)
        if spec.instruments:
            aids = tuple(
                self.confirmed(f"{side}.{spec.key}{AID_OF}", self.say(f"side.{side}"))
                for side in SIDES
            )
            filled = any(any(field.value) for field in aids)
            lead = self.say("exam.by_phone_help")
            yield Row(f"{label}: {self.say('exam.by_phone')}", lead, aids, folded=not filled)

    def confirmed(self, name: str, label: str) -> Field:
        """The therapist's word that a measuring aid's reading was checked."""
        words, empty = self.worded("aid", ("confirmed",)), self.say("exam.not_confirmed")
        return self.one(name, "choice", label, words=words, empty=empty)

    def photographed(self, place: str, title: str, way: str) -> Row:
        """What only a photograph's readings have, open when the group was read from one."""
        own, aid = (f"{place}.{name}" for name in AIDED)
        fields = (
            self.one(own, "number", self.say("exam.own_sem"), unit=self.unit("deg")),
            self.confirmed(aid, self.say("exam.checked")),
        )
        filled = way == PHOTOGRAPH or any(any(field.value) for field in fields)
        name = f"{title}: {self.say('exam.photographed')}"
        return Row(name, self.say("exam.photographed_help"), fields, folded=not filled)

    def readings(self, spec: Measure) -> Iterator[Row]:
        """Groups of readings: each a way of reading, with its values for one foot.

        The left foot is read as the right one was, unless its own way is unfolded and chosen.
        """
        label = self.say.name("measure", spec.key)
        for side in SIDES:
            base, title = f"{side}.{spec.key}", f"{label}, {self.say(f'of.{side}')}"
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
                ways = [
                    self.one(
                        f"{place}.{way}",
                        "pick",
                        self.say(f"exam.{way}"),
                        words=self.worded("way", words),
                        empty=self.say("exam.as_right") if side == "left" else "",
                    )
                    for way, words in zip(
                        WAYS, (spec.methods, spec.instruments, spec.zeros), strict=True
                    )
                ]
                name = f"{title}: {self.say('exam.another_way')}" if group > 1 else title
                if group > 1:
                    yield Row(name, "", (*fields, *ways), folded=not filled)
                elif side == "right":
                    yield Row(title, self.told(spec.help), (*fields, *ways))
                else:
                    yield Row(title, "", tuple(fields))
                    yield Row(f"{title}: {self.say('exam.own_way')}", "", tuple(ways), not filled)
                if PHOTOGRAPH in spec.instruments and (group == 1 or filled):
                    as_right = f"right.{spec.key}.{group}.instrument"
                    way = self.get(f"{place}.instrument") or self.get(as_right)
                    yield self.photographed(place, name, "".join(way[-1:]))

    def called(self, item: str) -> str:
        return f"{self.book.items[item].code} {self.say.name('item', item)}"

    def item(self, item: Item) -> Row:
        words = ("no", "right", "left", "both") if item.per == "foot" else ("no", "yes")
        name = f"screen.{item.key}"
        label = self.called(item.key)
        shown, ask = self.worded("answer", words), self.told(item.ask)
        field = self.one(name, "choice", label, help=ask, words=shown)
        return Row("", "", (field,))

    def details(self) -> Iterator[Row]:
        groups: dict[str, list[Field]] = {}
        for spec in self.book.measures.values():
            if spec.per == "detail":
                field = self.measure(spec, f"detail.{spec.key}", self.told(spec.help).rstrip("."))
                groups.setdefault(spec.key.partition(".")[0], []).append(field)
        for group, fields in groups.items():
            filled = any(any(field.value) for field in fields)
            yield Row(self.say.name("detail", group), "", tuple(fields), folded=not filled)

    def section(
        self, key: str, rows: tuple[Row, ...], folded: bool, items: tuple[str, ...]
    ) -> Section:
        """A part; a folded one stands open when anything in it was typed, not only remembered."""
        fields = [field for row in rows for field in row.fields]
        typed = [f for f in fields if not f.id.startswith("clinic.") and not f.id.endswith(WAYS)]
        marked = set(items).intersection(self.values.get(MARKED, ()))
        listed = marked or {item for item in items if not any(self.get(f"screen.{item}"))}
        names = [self.called(item) for item in items if item in listed]
        lead = f"exam.lead_{key}"
        return Section(
            key,
            self.say(f"exam.part_{key}"),
            rows,
            folded and not any(any(field.value) for field in typed),
            self.say(lead) if self.say.has(lead) else "",
            items,
            bool(marked),
            ", ".join(names),
        )

    def visit(self) -> tuple[Row, ...]:
        sides = self.worded("side", (*SIDES, "alike"))
        return (
            self.plain("date", "date", required=True),
            self.plain("person.language", "pick", words=self.worded("language", LANGUAGES)),
            self.plain("therapist", required=True),
            self.plain("worse_side", "choice", words=sides, required=True),
        )

    def person(self) -> tuple[Row, ...]:
        kit = self.worded("equipment", self.book.equipment)
        return (
            self.plain("person.birth_year", "number", required=True),
            self.ranged("minutes_per_day", required=True),
            self.ranged("days_per_week", required=True),
            self.plain("person.sex", "choice", words=self.worded("sex", ("female", "male"))),
            self.ranged("height_cm"),
            self.ranged("mass_kg"),
            self.plain("person.equipment", "many", words=kit),
        )

    def screen(self, items: Iterable[str]) -> tuple[Row, ...]:
        return tuple(self.item(self.book.items[key]) for key in items)

    def of_part(self, keys: Iterable[str]) -> Iterator[Row]:
        for key in keys:
            spec = self.book.measures.get(key)
            if spec is None:
                continue
            if spec.per == "person":
                field = self.measure(spec, f"person.{spec.key}")
                yield self.row(replace(field, help=self.told(spec.help)))
            else:
                yield from self.readings(spec) if spec.methods else self.of_feet(spec)

    def further(self) -> list[str]:
        """Measures that stand in no part."""
        shown = {key for keys in PARTS.values() for key in keys}
        found = (m.key for m in self.book.measures.values() if m.per in ("foot", "person"))
        return [key for key in found if key not in shown]

    def more(self) -> tuple[Row, ...]:
        optional = [key for key, family in self.book.families.items() if family.optional]
        return (
            self.plain("wanted", "many", words=self.worded("family", optional)),
            self.plain("avoid", "many", words=self.worded("family", self.book.families)),
            self.plain("person.time_zone"),
            self.plain("person.session_time", "time"),
            *(self.plain(f"clinic.{line}") for line in CLINIC_LINES),
        )

    def activities(self) -> Iterator[Row]:
        count = max(ACTIVITIES, _most(self.values, "activity", MOST_ACTIVITIES))
        return map(self.activity, range(1, count + 1))

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
    """The whole form, in the order in which one examines.

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
    groups = {f"screen_{group}": items for group, items in screen_groups(book).items()}
    parts = [
        ("visit", f.visit(), False),
        ("person", f.person(), False),
        *((group, f.screen(items), False) for group, items in groups.items()),
        ("detail", tuple(f.details()), True),
        *((part, tuple(f.of_part(keys)), False) for part, keys in PARTS.items()),
        ("measures", tuple(f.of_part(f.further())), True),
        ("activity", tuple(f.activities()), True),
        ("more", f.more(), True),
    ]
    return tuple(f.section(key, rows, folded, groups.get(key, ())) for key, rows, folded in parts)


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
