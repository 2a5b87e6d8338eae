"""An examination as a TOML file: read and check it, write a commented blank, describe it.

Everything is driven by the book's measures and screening items, so that the reader, the blank and
the JSON Schema cannot disagree. All faults of a file are collected and raised at once.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from datetime import date, datetime, time, timedelta
from difflib import get_close_matches
from textwrap import wrap
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Item, Measure, printed
from rungwise.core.terms import (
    AIDS,
    PHOTOGRAPH,
    SIDES,
    Activity,
    Exam,
    Measured,
    Person,
    Pin,
    Side,
    Value,
)

__all__ = ["SCHEMA", "blank_exam", "exam_schema", "read_exam", "read_pins", "screen_answers"]

SCHEMA = "rungwise.exam/1"
CLINIC_LINES = ("name", "address", "phone", "email", "hours", "emergency", "page_address")
#: Address of a page for the phone: encrypted, nothing of a person in it, and room for a code.
PAGE = re.compile(
    r"https://(?:[a-zA-Z0-9](?:[a-zA-Z0-9-]*[a-zA-Z0-9])?\.)+[a-zA-Z]{2,}(?::[0-9]{1,5})?"
    r"(?:/[a-zA-Z0-9._~/-]*)?"
)
POUND_KG = 0.45359237
#: What a value in another unit looks like: (from, to) -> factor.
OTHER_UNITS: Mapping[str, tuple[tuple[str, float], ...]] = {
    "cm": (("m", 100.0), ("in", 2.54), ("mm", 0.1), ("ft", 30.48)),
    "kg": (("lb", POUND_KG), ("g", 0.001)),
    "mm": (("cm", 10.0), ("in", 25.4), ("m", 1000.0)),
    "min": (("s", 1 / 60), ("h", 60.0)),
    "s": (("min", 60.0),),
    "N": (("kgf", 9.80665), ("lbf", 4.4482216)),
    "deg": (("rad", 180 / math.pi),),
}
TEXT_MAX = 200
#: Word by which the therapist says that a measuring aid's reading was checked.
CONFIRMED = "confirmed"
#: Stands in a blank where a finding belongs; the check refuses it, so that none is left as it was.
BLANK = '"?"'


def screen_answers(item: Item) -> tuple[str, ...]:
    """The answers that a screening item takes."""
    return ("no", "right", "left", "both") if item.per == "foot" else ("no", "yes")


# ------------------------------------------------------------------ reading


class _Reader:
    """Walks a parsed file and collects every fault with its place."""

    def __init__(self, book: Evidence) -> None:
        self.book = book
        self.faults: list[Fault] = []

    def fault(self, field: str, given: object, allowed: str, remedy: str) -> None:
        text = "nothing" if given is None else _short(given)
        self.faults.append(Fault(field, text, allowed, remedy))

    def table(self, parent: Mapping[str, Any], name: str, field: str) -> Mapping[str, Any]:
        found = parent.get(name, {})
        if isinstance(found, dict):
            return found
        self.fault(field, found, "a table", f"Write it as [{field}].")
        return {}

    def known(self, table: Mapping[str, Any], names: tuple[str, ...], field: str) -> None:
        for name in table:
            if name not in names:
                near = get_close_matches(name, names, 1)
                hint = f"Did you mean {near[0]}?" if near else "Remove it."
                where = f"{field}.{name}" if field else name
                self.fault(where, "an unknown name", ", ".join(names), hint)

    def text(
        self, table: Mapping[str, Any], name: str, field: str, required: bool = True
    ) -> str | None:
        value = table.get(name)
        where = f"{field}.{name}" if field else name
        if value is None:
            if required:
                self.fault(where, None, "text", "Write it.")
            return None
        if not isinstance(value, str) or not value.strip():
            self.fault(where, value, "text that is not empty", "Write it in quotes.")
            return None
        bad = next((c for c in value if not c.isprintable()), None)
        if bad is not None:
            self.fault(
                where, value, "printable characters", f"Remove the character U+{ord(bad):04X}."
            )
            return None
        if len(value) > TEXT_MAX:
            self.fault(where, f"{len(value)} characters", f"at most {TEXT_MAX}", "Shorten it.")
            return None
        return value.strip()

    def day(self, value: object, field: str) -> date | None:
        if isinstance(value, date) and not isinstance(value, datetime):
            return value
        self.fault(field, value, "a day such as 2026-03-05", "Write year-month-day, no quotes.")
        return None

    def word(self, value: object, field: str, allowed: tuple[str, ...]) -> str | None:
        if isinstance(value, str) and value in allowed:
            return value
        near = get_close_matches(str(value), allowed, 1)
        hint = f'Did you mean "{near[0]}"?' if near else "Use one of these words, in quotes."
        self.fault(field, value, " | ".join(allowed), hint)
        return None

    def words(self, value: object, field: str, allowed: tuple[str, ...]) -> tuple[str, ...]:
        if not isinstance(value, list):
            self.fault(field, value, "a list of words", 'Write it as ["…", "…"].')
            return ()
        found = [self.word(entry, f"{field}[{i}]", allowed) for i, entry in enumerate(value)]
        return tuple(dict.fromkeys(word for word in found if word is not None))

    def number(
        self,
        value: object,
        field: str,
        unit: str,
        low: float | None,
        high: float | None,
        whole: bool = False,
    ) -> float | None:
        allowed = "a whole number" if whole else "a number"
        if low is not None and high is not None:
            allowed += f" from {low:g} to {printed(high, unit)}"
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self.fault(field, value, allowed, "Write a number without quotes or unit.")
            return None
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            self.fault(field, value, allowed, "Write a finite number.")
            return None
        if whole and number != int(number):
            self.fault(field, value, allowed, "Round it.")
            return None
        if (low is not None and number < low) or (high is not None and number > high):
            self.fault(field, printed(number, unit), allowed, _unit_hint(number, unit, low, high))
            return None
        return number

    def measure(self, spec: Measure, value: object, field: str) -> Value | None:
        if spec.kind == "yesno":
            if isinstance(value, bool):
                return value
            self.fault(field, value, "true | false", "Write it without quotes.")
            return None
        if spec.kind == "choice":
            return self.word(value, field, spec.choices)
        whole = spec.kind == "whole"
        return self.number(value, field, spec.unit, spec.low, spec.high, whole)


def read_exam(text: str, book: Evidence, today: date | None = None) -> Exam:
    """Read an examination and check all of it.

    Parameters
    ----------
    text : str
        The TOML file's text.
    book : Evidence
        The evidence book; its measures and items say what may be written.
    today : date, optional
        An examination after this day is a fault; not judged when it is not given.

    Returns
    -------
    Exam
        Checked.

    Raises
    ------
    InputError
        Names every fault: field, what was given, what is allowed with its unit, what to do.
    """
    parsed = _parsed(text, "examination")
    r = _Reader(book)
    names = ("schema", "date", "therapist", "worse_side", "wanted", "avoid", "confirm", "clinic")
    r.known(parsed, (*names, "person", "activity", "screen", "detail", *SIDES), "")
    if parsed.get("schema") != SCHEMA:
        r.fault("schema", parsed.get("schema"), f'"{SCHEMA}"', "Start from: rungwise exam new")
    on = r.day(parsed.get("date"), "date")
    if on is not None and today is not None and on > today:
        r.fault("date", on, f"no later than {today}", "An examination cannot be to come.")
    therapist = r.text(parsed, "therapist", "")
    worse = r.word(parsed.get("worse_side"), "worse_side", (*SIDES, "alike"))
    families = tuple(book.families)
    wanted = r.words(parsed.get("wanted", []), "wanted", families)
    avoid = r.words(parsed.get("avoid", []), "avoid", families)
    confirmed = parsed.get("confirm", [])
    if not isinstance(confirmed, list) or not all(isinstance(c, str) for c in confirmed):
        r.fault("confirm", confirmed, "a list of field names", 'Write it as ["person.mass_kg"].')
        confirmed = []
    clinic_table = r.table(parsed, "clinic", "clinic")
    r.known(clinic_table, CLINIC_LINES, "clinic")
    clinic = {
        name: line
        for name in CLINIC_LINES
        if (line := r.text(clinic_table, name, "clinic", required=False)) is not None
    }
    page = clinic.get("page_address", "")
    if page and not PAGE.fullmatch(page):
        allowed = "an https address without ? and #"
        r.fault("clinic.page_address", page, allowed, "Such as https://example.org/home/")
    person, of_person, height, mass = _read_person(r, r.table(parsed, "person", "person"), on)
    measured = list(of_person)
    for side in SIDES:
        measured.extend(_read_foot(r, r.table(parsed, side, side), side, on))
    if not any(m.side is not None for m in measured):
        allowed = "readings of at least one foot"
        r.fault("right, left", None, allowed, "Write a [right] and a [left] table.")
    answers = _read_screen(r, r.table(parsed, "screen", "screen"))
    field = "screen.late_pregnancy"
    male = person is not None and person.sex == "male"
    if male and answers.get("late_pregnancy") == "yes" and field not in confirmed:
        again = f'Ask again. If it is right, add "{field}" to confirm.'
        r.fault(field, "yes", "no, for a person entered as male", again)
    details = _read_details(r, r.table(parsed, "detail", "detail"))
    activities = _read_activities(r, parsed.get("activity", []))
    _cross_check(r, height, mass, measured, frozenset(confirmed))
    _check_sides(r, worse, measured)
    if r.faults or on is None or therapist is None or person is None:
        raise InputError("examination", tuple(r.faults))
    return Exam(
        on=on,
        therapist=therapist,
        person=person,
        answers=answers,
        details=details,
        measured=tuple(measured),
        activities=activities,
        wanted=wanted,
        avoid=avoid,
        clinic=clinic,
        worse_side="right" if worse == "right" else "left" if worse == "left" else "alike",
    )


def _parsed(text: str, what: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except (tomllib.TOMLDecodeError, ValueError, RecursionError, OverflowError) as error:
        fault = Fault("file", str(error) or type(error).__name__, "a TOML file", "Mend that place.")
        raise InputError(what, (fault,)) from None


def _read_person(
    r: _Reader, table: Mapping[str, Any], on: date | None
) -> tuple[Person | None, list[Measured], float | None, float | None]:
    specs = [m for m in r.book.measures.values() if m.per == "person"]
    own = (
        "label",
        "birth_year",
        "sex",
        "height_cm",
        "mass_kg",
        "language",
        "equipment",
        "minutes_per_day",
        "days_per_week",
        "time_zone",
        "session_time",
    )
    r.known(table, (*own, *(m.key for m in specs)), "person")
    label = r.text(table, "label", "person")
    bounds = {key: _range(r.book, f"person.{key}") for key in RANGED}
    last = on.year if on else date.max.year
    year = r.number(table.get("birth_year"), "person.birth_year", "1", last - 110, last, whole=True)
    if year is not None and on is not None and last - year < bounds["age_years"][1]:
        least = f"{bounds['age_years'][1]:g} years or older"
        r.fault("person.birth_year", int(year), least, "The rules are for adults only.")

    def number(key: str, required: bool, whole: bool = False) -> float | None:
        value = table.get(key)
        if value is None and not required:
            return None
        return r.number(value, f"person.{key}", *bounds[key], whole=whole)

    height = number("height_cm", False)
    mass = number("mass_kg", False)
    minutes = number("minutes_per_day", True)
    days = number("days_per_week", True, whole=True)
    sex = table.get("sex")
    if sex is not None:
        r.word(sex, "person.sex", ("female", "male"))
    language = table.get("language", "en")
    if not (isinstance(language, str) and language.replace("-", "").isalpha()):
        r.fault("person.language", language, 'a language tag such as "en"', "Write the tag.")
    equipment = r.words(table.get("equipment", []), "person.equipment", r.book.equipment)
    zone = table.get("time_zone")
    if zone is not None and not _is_zone(zone):
        r.fault("person.time_zone", zone, 'a name such as "Europe/Oslo"', "Use its IANA name.")
    at = table.get("session_time")
    if at is not None and not isinstance(at, time):
        r.fault("person.session_time", at, "a time such as 18:00:00", "Write it without quotes.")
    measured = [
        Measured(spec.key, value, on or date.min)
        for spec in specs
        if spec.key in table
        and (value := r.measure(spec, table[spec.key], f"person.{spec.key}")) is not None
    ]
    if label is None or year is None or minutes is None or days is None:
        return None, measured, height, mass
    person = Person(
        label=label,
        birth_year=int(year),
        height_cm=height,
        mass_kg=mass,
        sex="female" if sex == "female" else "male" if sex == "male" else None,
        language=language,
        equipment=frozenset(equipment),
        minutes_per_day=minutes,
        days_per_week=int(days),
        time_zone=zone,
        session_time=at,
    )
    return person, measured, height, mass


RANGED = ("age_years", "height_cm", "mass_kg", "minutes_per_day", "days_per_week")


def _range(book: Evidence, key: str) -> tuple[str, float, float]:
    row = book.row(key)
    return row.unit, book.low(key), book.high(key)


def _is_zone(name: object) -> bool:
    try:
        known = isinstance(name, str) and ("/" in name or name == "UTC")
        return known and ZoneInfo(str(name)) is not None
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False


def _read_foot(
    r: _Reader, table: Mapping[str, Any], side: Side, on: date | None
) -> Iterator[Measured]:
    specs = {m.key: m for m in r.book.measures.values() if m.per == "foot"}
    r.known(table, tuple(specs), side)
    for key, value in table.items():
        spec = specs.get(key)
        if spec is None:
            continue
        field = f"{side}.{key}"
        if spec.methods:
            yield from _read_readings(r, spec, value, side, on)
        elif spec.instruments and isinstance(value, dict):
            yield from _read_aided(r, spec, value, side, on)
        elif (found := r.measure(spec, value, field)) is not None:
            yield Measured(key, found, on or date.min, side)


def _read_readings(
    r: _Reader, spec: Measure, entries: object, side: Side, on: date | None
) -> Iterator[Measured]:
    field = f"{side}.{spec.key}"
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        allowed = f"readings, each with value [{spec.unit}], method, instrument, zero"
        r.fault(field, entries, allowed, f"Write each reading under [[{field}]].")
        return
    for number, entry in enumerate(entries, 1):
        where = f"{field}[{number}]"
        r.known(entry, ("value", "method", "instrument", "zero", "sem", "aid", "date"), where)
        before = len(r.faults)
        value = r.number(entry.get("value"), f"{where}.value", spec.unit, spec.low, spec.high)
        method = r.word(entry.get("method"), f"{where}.method", spec.methods)
        instrument = r.word(entry.get("instrument"), f"{where}.instrument", spec.instruments)
        zero = r.word(entry.get("zero"), f"{where}.zero", spec.zeros)
        sem = _read_own_error(r, entry, instrument, where)
        _check_aid(r, entry, instrument, where)
        day = r.day(entry["date"], f"{where}.date") if "date" in entry else on
        if day is not None and on is not None and day > on:
            r.fault(
                f"{where}.date", day, f"no later than {on}", "A reading cannot follow its visit."
            )
        if value is not None and day is not None and len(r.faults) == before:
            yield Measured(spec.key, value, day, side, method, instrument, zero, sem)


def _read_own_error(
    r: _Reader, entry: Mapping[str, Any], instrument: str | None, where: str
) -> float | None:
    """The standard error that came with a photograph; nothing else has one of its own."""
    if "sem" not in entry:
        return None
    if instrument not in (PHOTOGRAPH, None):
        allowed = f'only with instrument = "{PHOTOGRAPH}"'
        r.fault(f"{where}.sem", entry["sem"], allowed, "Leave it out: the book has the error.")
        return None
    row = r.book.row("reading.own_sem")
    low, high = r.book.low(row.key), r.book.high(row.key)
    return r.number(entry["sem"], f"{where}.sem", row.unit, low, high)


def _check_aid(r: _Reader, entry: Mapping[str, Any], instrument: str | None, where: str) -> None:
    """What a measuring aid read counts only when the therapist says that it was checked."""
    given = entry.get("aid")
    if instrument in AIDS:
        if given != CONFIRMED:
            remedy = (
                "Look at the marks on the picture, and check with a goniometer. If it agrees, "
                f'confirm it: aid = "{CONFIRMED}".'
                if instrument == PHOTOGRAPH
                else f'Count or time it yourself. If it agrees, confirm it: aid = "{CONFIRMED}".'
            )
            r.fault(f"{where}.aid", given, f'"{CONFIRMED}", for a measuring aid', remedy)
    elif given is not None and instrument is None:
        r.word(given, f"{where}.aid", (CONFIRMED,))
    elif given is not None:
        allowed = f"only with instrument {' or '.join(AIDS)}"
        r.fault(f"{where}.aid", given, allowed, "Leave it out.")


def _read_aided(
    r: _Reader, spec: Measure, entry: Mapping[str, Any], side: Side, on: date | None
) -> Iterator[Measured]:
    """A value that a measuring aid counted or timed: the value, the instrument, the word."""
    where = f"{side}.{spec.key}"
    r.known(entry, ("value", "instrument", "aid"), where)
    before = len(r.faults)
    value = r.measure(spec, entry.get("value"), f"{where}.value")
    instrument = r.word(entry.get("instrument"), f"{where}.instrument", spec.instruments)
    _check_aid(r, entry, instrument, where)
    if value is not None and len(r.faults) == before:
        yield Measured(spec.key, value, on or date.min, side, instrument=instrument)


def _read_screen(r: _Reader, table: Mapping[str, Any]) -> dict[str, str]:
    r.known(table, tuple(r.book.items), "screen")
    answers: dict[str, str] = {}
    for key, item in r.book.items.items():
        if key in table:
            answer = r.word(table[key], f"screen.{key}", (*screen_answers(item), "not asked"))
            if answer is not None and answer != "not asked":
                answers[key] = answer
    return answers


def _read_details(r: _Reader, table: Mapping[str, Any]) -> dict[str, dict[str, Value]]:
    specs: dict[str, dict[str, Measure]] = {}
    for spec in r.book.measures.values():
        if spec.per == "detail":
            group, _, name = spec.key.partition(".")
            specs.setdefault(group, {})[name] = spec
    r.known(table, tuple(specs), "detail")
    details: dict[str, dict[str, Value]] = {}
    for group, names in specs.items():
        entry = r.table(table, group, f"detail.{group}")
        r.known(entry, tuple(names), f"detail.{group}")
        for name, spec in names.items():
            if name in entry:
                value = r.measure(spec, entry[name], f"detail.{group}.{name}")
                if value is not None:
                    details.setdefault(group, {})[name] = value
    return details


def _read_activities(r: _Reader, entries: object) -> tuple[Activity, ...]:
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        r.fault("activity", entries, "activities, each under [[activity]]", "Write them so.")
        return ()
    found: list[Activity] = []
    for number, entry in enumerate(entries, 1):
        where = f"activity[{number}]"
        r.known(entry, ("name", "rating", "target", "by"), where)
        name = r.text(entry, "name", where)
        unit, low, high = _range(r.book, "activity.rating")
        rating = r.number(entry.get("rating"), f"{where}.rating", unit, low, high)
        target = r.number(entry.get("target"), f"{where}.target", unit, low, high)
        by = r.day(entry["by"], f"{where}.by") if "by" in entry else None
        if name is not None and rating is not None and target is not None:
            found.append(Activity(name, rating, target, by))
    return tuple(found)


# ------------------------------------------------------------------ plausibility across fields


def _cross_check(
    r: _Reader,
    height_cm: float | None,
    mass_kg: float | None,
    measured: list[Measured],
    confirmed: frozenset[str],
) -> None:
    """What no single field can show: pounds for kilograms, two feet of different people."""
    found = {(m.side, m.measure): float(m.value) for m in measured if isinstance(m.value, float)}

    def outside(field: str, value: float, key: str, words: str, remedy: str) -> None:
        unit, low, high = _range(r.book, key)
        if not low <= value <= high and field not in confirmed:
            allowed = f"{words} from {low:g} to {printed(high, unit)}"
            again = f' If it is right, add "{field}" to confirm.'
            r.fault(field, f"{words} of {printed(value, unit)}", allowed, remedy + again)

    if height_cm and mass_kg:
        index = mass_kg / (height_cm / 100) ** 2
        pounds = f"{mass_kg:g} lb would be {mass_kg * POUND_KG:.1f} kg."
        outside("person.mass_kg", index, "person.body_mass_index", "body-mass index", pounds)
    for side in SIDES:
        offset = found.get((side, "flat_standing_deg"))
        if offset is not None:
            words = "offset of the zeros"
            key = "bend.shaft_offset.plausible"
            outside(f"{side}.flat_standing_deg", offset, key, words, "Read it again.")
            bends = [
                float(m.value)
                for m in measured
                if m.measure == "mtp_dorsiflexion_deg"
                and m.side == side
                and m.zero == "metatarsal_shaft"
                and not isinstance(m.value, str)
            ]
            field = f"{side}.flat_standing_deg"
            if bends and min(bends) < offset and field not in confirmed:
                again = f'One of the two is wrong. If both are right, add "{field}" to confirm.'
                least = f"at most the smallest bend from the shaft, {min(bends):g}°"
                r.fault(field, printed(offset, "deg"), least, again)
        foot = found.get((side, "foot_length_mm"))
        lever = found.get((side, "heel_to_mtp_mm"))
        if foot and lever:
            words = "share of the foot length"
            key = "body.heel_to_mtp_per_foot.plausible"
            outside(f"{side}.heel_to_mtp_mm", lever / foot, key, words, "Measure both again.")
        if foot and height_cm:
            words = "share of the body height"
            key = "body.foot_per_height.plausible"
            value = foot / (10 * height_cm)
            outside(f"{side}.foot_length_mm", value, key, words, "Measure again.")
    lengths = [found.get((side, "foot_length_mm")) for side in SIDES]
    if lengths[0] and lengths[1]:
        gap = abs(lengths[0] - lengths[1])
        key = "body.foot_length_gap.plausible"
        outside("left.foot_length_mm", gap, key, "difference from the right foot", "Measure again.")
    _check_pains(r, found, confirmed)


def _check_sides(r: _Reader, worse: str | None, measured: list[Measured]) -> None:
    """Compare the worse foot as the patient says with the findings: are the feet exchanged."""
    pains = {
        m.side: float(m.value)
        for m in measured
        if m.measure == "pain_worst_nprs" and not isinstance(m.value, str)
    }
    right, left = pains.get("right"), pains.get("left")
    if right is None or left is None or right == left or worse is None:
        return
    found = "right" if right > left else "left"
    if worse != found:
        told = f"{found}: worst pain is right {right:g}, left {left:g}"
        r.fault("worse_side", worse, told, "Ask again. Are [right] and [left] exchanged?")


def _check_pains(
    r: _Reader, found: Mapping[tuple[Side | None, str], float], confirmed: frozenset[str]
) -> None:
    """Pain at rest and usual pain cannot be above the worst pain; ten may be taken for the best."""
    for side in SIDES:
        worst = found.get((side, "pain_worst_nprs"))
        for name in ("rest", "usual"):
            rated = found.get((side, f"pain_{name}_nprs"))
            if rated is not None and worst is not None and rated > worst:
                field = f"{side}.pain_{name}_nprs"
                if field not in confirmed:
                    again = f'Ask again: 10 is the worst. If it is right, add "{field}" to confirm.'
                    r.fault(field, f"{rated:g}", f"no more than the worst pain, {worst:g}", again)


def _unit_hint(value: float, unit: str, low: float | None, high: float | None) -> str:
    for name, factor in OTHER_UNITS.get(unit, ()):
        turned = value * factor
        if low is not None and high is not None and low <= turned <= high:
            return f"Is it in {name}? {value:g} {name} = {turned:.4g} {unit}."
    return "Measure again, or leave the field out."


def _short(value: object) -> str:
    if isinstance(value, str):
        text = json.dumps(value[: TEXT_MAX // 2], ensure_ascii=True)
    else:
        text = str(value).lower() if isinstance(value, bool) else str(value)
    return text if len(text) <= TEXT_MAX // 2 else text[: TEXT_MAX // 2] + "…"


# ------------------------------------------------------------------ pins


def read_pins(text: str, book: Evidence) -> tuple[Pin, ...]:
    """Read a therapist's own choices from TOML: one ``[[pin]]`` a choice.

    Parameters
    ----------
    text : str
        The file's text.
    book : Evidence
        The evidence book.

    Raises
    ------
    InputError
        Names every fault of form; what the screen rules out is refused when the plan is made.
    """
    parsed = _parsed(text, "pins")
    r = _Reader(book)
    r.known(parsed, ("pin",), "")
    entries = parsed.get("pin", [])
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        r.fault("pin", entries, "choices, each under [[pin]]", "Write them so.")
        entries = []
    pins: list[Pin] = []
    for number, entry in enumerate(entries, 1):
        where = f"pin {number}"
        family = r.word(entry.get("family"), f"{where}.family", tuple(book.families))
        side = r.word(entry.get("side"), f"{where}.side", SIDES)
        why = r.text(entry, "why", where)
        by = r.text(entry, "by", where)
        if family is None:
            continue
        spec = book.families[family]
        dials = {dial.key: tuple(n.key for n in dial.notches) for dial in spec.dials}
        r.known(entry, ("family", "side", "why", "by", "dose_step", *dials), where)
        notches = {
            dial: notch
            for dial, allowed in dials.items()
            if dial in entry
            and (notch := r.word(entry[dial], f"{where}.{dial}", allowed)) is not None
        }
        step = entry.get("dose_step")
        if step is not None:
            count = len(spec.doses)
            step = r.number(step, f"{where}.dose_step", "1", 1, count, whole=True)
        if side is None or why is None or by is None:
            continue
        sides: Side = "right" if side == "right" else "left"
        pins.append(Pin(family, sides, notches, None if step is None else int(step), why, by))
    if r.faults:
        raise InputError("pins", tuple(r.faults))
    return tuple(pins)


# ------------------------------------------------------------------ blank and schema


def blank_exam(book: Evidence, on: date) -> str:
    """Write a commented blank of an examination.

    Lines that start with ``# `` explain; lines that start with ``#`` and a name are examples to
    fill in and uncomment.

    Parameters
    ----------
    book : Evidence
        The evidence book.
    on : date
        Day written into it.
    """
    lines = [
        "# One examination. Take the # away from what was examined, and fill it in.",
        '# What stays behind a # counts as not examined, never as normal. A "?" must be filled in.',
        f'schema = "{SCHEMA}"',
        f"date = {on.isoformat()}",
        'therapist = ""',
        "# The worse foot, as the patient says: asked apart, to catch right for left.",
        'worse_side = ""  # right | left | alike',
        "# Fields whose strange value is right all the same.",
        "confirm = []",
        "",
        "# Optional exercise families to add, and families to leave out, of:",
        f"# {', '.join(book.families)}",
        "wanted = []",
        "avoid = []",
        "",
        "# Lines for the handout; page_address is the https address of the page for the phone.",
        "[clinic]",
        *(f'#{name} = ""' for name in CLINIC_LINES),
        "",
        "[person]",
        "# The clinic's own label, not a name.",
        'label = ""',
        f"#birth_year = {BLANK}",
        "# Only for body proportions and norms.",
        f"#sex = {BLANK}  # female | male",
        *_bounded(book, "height_cm", "168"),
        *_bounded(book, "mass_kg", "70"),
        "# Language that the patient reads.",
        'language = "en"',
        "# What is at home, of:",
        f"# {', '.join(book.equipment)}",
        "equipment = []",
        *_bounded(book, "minutes_per_day", "15"),
        *_bounded(book, "days_per_week", "5"),
        "# For the reminders.",
        '#time_zone = "America/New_York"',
        "#session_time = 18:00:00",
        *(line for m in book.measures.values() if m.per == "person" for line in _example(m)),
        "",
        "# The screen: every item must be asked before there is a programme.",
        '# Items of a foot take "no", "right", "left" or "both"; the others "no" or "yes".',
        "[screen]",
    ]
    for key, item in book.items.items():
        lines += _prose(item.ask)
        lines.append(f'{key} = "not asked"  # {" | ".join(screen_answers(item))}')
    group = ""
    for spec in book.measures.values():
        if spec.per == "detail":
            name, _, key = spec.key.partition(".")
            if name != group:
                lines += ["", f"[detail.{name}]"]
                group = name
            lines += _example(spec, key)
    lines += [
        "",
        "# The patient's own activities, 0 = unable, 10 = as before.",
        "#[[activity]]",
        '#name = "hill walk 6 km"',
        "#rating = 4",
        "#target = 8",
        f"#by = {(on + timedelta(weeks=12)).isoformat()}",
    ]
    for side in SIDES:
        lines += ["", f"[{side}]"]
        of_foot = [m for m in book.measures.values() if m.per == "foot"]
        for spec in (m for m in of_foot if not m.methods):
            lines += _example(spec)
        for spec in (m for m in of_foot if m.methods):
            low = spec.low or 0.0
            ways = (
                ("method", spec.methods),
                ("instrument", spec.instruments),
                ("zero", spec.zeros),
            )
            lines += [
                "",
                *_prose(spec.help),
                "# Once for each reading:",
                f"#[[{side}.{spec.key}]]",
                f"#value = {BLANK}  # {low:g} to {printed(spec.high or 0, spec.unit)}",
                *(f"#{name} = {BLANK}  # {' | '.join(words)}" for name, words in ways),
                *_aided_lines(book, spec),
            ]
    return "\n".join(lines) + "\n"


def _aided_lines(book: Evidence, spec: Measure) -> list[str]:
    """Lines of a reading that only a photograph has."""
    if PHOTOGRAPH not in spec.instruments:
        return []
    row = book.row("reading.own_sem")
    allowed = f"{book.low(row.key):g} to {printed(book.high(row.key), row.unit)}"
    return [
        *_prose("Only from a photograph (rungwise measure photo): its own standard error, and"),
        *_prose(f'aid = "{CONFIRMED}" once you have checked it yourself.'),
        f"#sem = {BLANK}  # {allowed}",
        f"#aid = {BLANK}  # {CONFIRMED}",
    ]


def _prose(text: str) -> list[str]:
    return wrap(text, 96, initial_indent="# ", subsequent_indent="# ")


def _bounded(book: Evidence, key: str, example: str) -> list[str]:
    unit, low, high = _range(book, f"person.{key}")
    return [f"#{key} = {BLANK}  # {low:g} to {printed(high, unit)}, such as {example}"]


def _example(spec: Measure, name: str | None = None) -> list[str]:
    if spec.kind == "yesno":
        allowed = "true | false"
    elif spec.kind == "choice":
        allowed = " | ".join(f'"{choice}"' for choice in spec.choices)
    else:
        allowed = f"{spec.low or 0.0:g} to {printed(spec.high or 0.0, spec.unit)}"
    lines = [*_prose(spec.help), f"#{name or spec.key} = {BLANK}  # {allowed}"]
    for instrument in spec.instruments:
        way = f'instrument = "{instrument}", aid = "{CONFIRMED}"'
        lines.append(f"# By {instrument}, once you have checked it: {{value = …, {way}}}")
    return lines


def exam_schema(book: Evidence) -> dict[str, Any]:
    """Describe an examination as JSON Schema 2020-12 (of the TOML file read as JSON).

    Parameters
    ----------
    book : Evidence
        The evidence book.

    Returns
    -------
    dict
        The schema; days are strings with format ``date``.
    """

    def value(spec: Measure) -> dict[str, Any]:
        if spec.kind == "yesno":
            return {"type": "boolean", "description": spec.help}
        if spec.kind == "choice":
            return {"enum": list(spec.choices), "description": spec.help}
        kind = "integer" if spec.kind == "whole" else "number"
        unit = "" if spec.unit == "1" else f" [{spec.unit}]"
        return {
            "type": kind,
            "minimum": spec.low,
            "maximum": spec.high,
            "description": spec.help + unit,
        }

    def closed(properties: dict[str, Any], required: tuple[str, ...] = ()) -> dict[str, Any]:
        shape: dict[str, Any] = {
            "type": "object",
            "properties": properties,
            "additionalProperties": False,
        }
        return {**shape, "required": list(required)} if required else shape

    def ranged(key: str, kind: str = "number") -> dict[str, Any]:
        unit, low, high = _range(book, f"person.{key}")
        return {"type": kind, "minimum": low, "maximum": high, "description": f"[{unit}]"}

    def reading(spec: Measure) -> dict[str, Any]:
        plain = {**value(spec)}
        entry = closed(
            {
                "value": plain,
                "method": {"enum": list(spec.methods)},
                "instrument": {"enum": list(spec.instruments)},
                "zero": {"enum": list(spec.zeros)},
                "sem": own,
                "aid": {"const": CONFIRMED},
                "date": {"type": "string", "format": "date"},
            },
            ("value", "method", "instrument", "zero"),
        )
        aided = {"properties": {"instrument": {"enum": [i for i in spec.instruments if i in AIDS]}}}
        others: dict[str, Any] = {"not": {"anyOf": [{"required": ["sem"]}, {"required": ["aid"]}]}}
        entry |= {"if": aided, "then": {"required": ["aid"]}, "else": others}
        return {"type": "array", "items": entry, "description": spec.help}

    def by_aid(spec: Measure) -> dict[str, Any]:
        entry = {
            "value": value(spec),
            "instrument": {"enum": list(spec.instruments)},
            "aid": {"const": CONFIRMED},
        }
        return {"anyOf": [value(spec), closed(entry, tuple(entry))]}

    row = book.row("reading.own_sem")
    own = {
        "type": "number",
        "minimum": book.low(row.key),
        "maximum": book.high(row.key),
        "description": f"Standard error that came with a photograph [{row.unit}]",
    }
    text = {"type": "string", "minLength": 1, "maxLength": TEXT_MAX}
    foot = closed(
        {
            m.key: reading(m) if m.methods else by_aid(m) if m.instruments else value(m)
            for m in book.measures.values()
            if m.per == "foot"
        }
    )
    groups: dict[str, dict[str, Any]] = {}
    for spec in book.measures.values():
        if spec.per == "detail":
            group, _, name = spec.key.partition(".")
            groups.setdefault(group, {})[name] = value(spec)
    _, low, high = _range(book, "activity.rating")
    rating = {"type": "number", "minimum": low, "maximum": high}
    families = {"type": "array", "items": {"enum": list(book.families)}}
    person = {
        "label": text,
        "birth_year": {"type": "integer"},
        "sex": {"enum": ["female", "male"]},
        "height_cm": ranged("height_cm"),
        "mass_kg": ranged("mass_kg"),
        "language": text,
        "equipment": {"type": "array", "items": {"enum": list(book.equipment)}},
        "minutes_per_day": ranged("minutes_per_day"),
        "days_per_week": ranged("days_per_week", "integer"),
        "time_zone": text,
        "session_time": {"type": "string"},
        **{m.key: value(m) for m in book.measures.values() if m.per == "person"},
    }
    screen = {
        key: {"enum": [*screen_answers(item), "not asked"], "description": item.ask}
        for key, item in book.items.items()
    }
    activity = closed(
        {
            "name": text,
            "rating": rating,
            "target": rating,
            "by": {"type": "string", "format": "date"},
        },
        ("name", "rating", "target"),
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "https://example.org/rungwise/exam-1.schema.json",
        "title": "rungwise examination",
        **closed(
            {
                "schema": {"const": SCHEMA},
                "date": {"type": "string", "format": "date"},
                "therapist": text,
                "worse_side": {"enum": [*SIDES, "alike"]},
                "wanted": families,
                "avoid": families,
                "confirm": {"type": "array", "items": {"type": "string"}},
                "clinic": closed(
                    dict.fromkeys(CLINIC_LINES, text)
                    | {"page_address": {**text, "pattern": f"^{PAGE.pattern}$"}}
                ),
                "person": closed(
                    person, ("label", "birth_year", "minutes_per_day", "days_per_week")
                ),
                "screen": closed(screen),
                "detail": closed({name: closed(group) for name, group in groups.items()}),
                "activity": {"type": "array", "items": activity},
                "right": foot,
                "left": foot,
            },
            ("schema", "date", "therapist", "worse_side", "person"),
        ),
        "anyOf": [{"required": ["right"]}, {"required": ["left"]}],
    }
