"""Two examinations of one person side by side, by what belongs together on the form.

Readings of one measure of one foot stay with the way in which they were read, and an activity with
its ratings: they are one field here, taken whole. What both started from is the examination that
the form was filled from, emptied as the form empties it for a new one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TypeAlias

from rungwise.casebook import PersonFile, Record, standing_exams
from rungwise.core.evidence import Evidence
from rungwise.core.terms import SIDES
from rungwise.web.exam_form import Field, sections_of
from rungwise.web.exam_text import AIDED, again_from, to_toml, values_of
from rungwise.web.merge import Difference, compare, merge
from rungwise.web.page import Visit
from rungwise.web.pages.errors import Conflict, chosen_in, conflict_of, typed_in
from rungwise.web.parts import name_of_field

__all__ = ["Merged", "conflict", "resolve"]

Values: TypeAlias = Mapping[str, Sequence[str]]
#: What stands in one field of the comparison: parts of the form's fields, and their values.
Held: TypeAlias = tuple[tuple[str, tuple[str, ...]], ...]
ACTIVITY, CONFIRM, LABEL = "activity", "confirm", "person.label"


@dataclass(frozen=True)
class Merged:
    """What the choices make.

    Parameters
    ----------
    values : mapping of str to list of str
        Fields of the form.
    corrects : int
        Number of the examination that it corrects, 0 = none [1].
    expected : int
        Number of the examination that it follows [1].
    """

    values: dict[str, list[str]]
    corrects: int
    expected: int


@dataclass(frozen=True)
class _Sides:
    """What the two sides have, what they started from, and whether it is the same examination."""

    base: dict[str, Held]
    mine: dict[str, Held]
    theirs: dict[str, Held]
    corrects: int
    other: bool
    confirmed: tuple[str, ...]


def conflict(
    visit: Visit, found: PersonFile, values: Values, base: int, corrects: int, theirs: Record | None
) -> Conflict:
    """The page on which each field that differs is chosen.

    Parameters
    ----------
    visit : Visit
        Who asks.
    found : PersonFile
        All that is known of the person by now.
    values : mapping of str to sequence of str
        What was typed.
    base : int
        Number of the examination that the form was filled from, 0 = none [1].
    corrects : int
        Number of the examination that was to be corrected, 0 = none [1].
    theirs : Record or None
        The newest examination.
    """
    book = visit.book()
    now = visit.found() if theirs and theirs.version > found.exams_written else found
    sides = _sides(now, values, base, corrects, theirs, book)
    lead = ""
    if sides.other and theirs is not None:
        lead = visit.say("conflict.other_exam", on=visit.say.day(theirs.facts["on"]))
    return conflict_of(
        visit,
        f"/people/{found.id}/exam",
        theirs,
        _differences(visit, sides, book),
        {name: value for name, value in values.items() if name != LABEL},
        base,
        person=(now, "exam"),
        lead=lead,
        corrects=corrects,
    )


def resolve(visit: Visit, found: PersonFile) -> Merged | Conflict:
    """What the choices of a conflict make; the conflict again while one is missing."""
    book, base, corrects = visit.book(), visit.whole("base"), visit.whole("corrects")
    expected = visit.whole("expected")
    theirs = _exam(found, expected)
    values = {**typed_in(visit), LABEL: [found.label]}
    sides = _sides(found, values, base, corrects, theirs, book)
    lines = _differences(visit, sides, book)
    if any(not one.taken for one in lines):
        return conflict(visit, found, values, base, corrects, theirs)
    made = _values(merge(sides.mine, sides.theirs, lines))
    made[LABEL] = [found.label]
    if sides.confirmed:
        made[CONFIRM] = list(sides.confirmed)
    return Merged(made, sides.corrects, expected)


# ------------------------------------------------------------------ the two sides


def _exam(found: PersonFile, version: int) -> Record | None:
    exams = (one for one in found.records if one.kind == "exam")
    return next((one for one in exams if one.version == version), None)


def _newest(found: PersonFile, base: int) -> Record | None:
    """The examination from which a form for a new one was filled; None when there was none yet."""
    known = [r for r in found.records if r.kind == "exam" and r.version <= base]
    return next(reversed(standing_exams(known)), None)


def _sides(
    found: PersonFile,
    values: Values,
    base: int,
    corrects: int,
    theirs: Record | None,
    book: Evidence,
) -> _Sides:
    last = theirs.version if theirs else 0
    newer = [r for r in found.records if r.kind == "exam" and base < r.version <= last]
    begun = _exam(found, corrects) if corrects else _newest(found, base)
    start = values_of(begun.body) if begun else {}
    typed = values_of(to_toml(values, book)[0])
    edited = _edited(newer, begun.version if begun else 0)
    day = (typed.get("date") or [""])[-1]
    same_day = [r for r in newer if not r.corrects and str(r.facts["on"]) == day]
    other = not (edited if corrects else same_day)
    if corrects:
        there, corrects = (values_of(edited.body), edited.version) if edited else (start, corrects)
    elif same_day:
        last_of_day = _edited(newer, same_day[-1].version) or same_day[-1]
        there, corrects = values_of(last_of_day.body), last_of_day.version
        start = _emptied(start)
    else:
        there, start = _emptied(values_of(edited.body) if edited else start), _emptied(start)
        there |= {"date": typed.get("date", [])}
    confirmed = dict.fromkeys((*typed.get(CONFIRM, ()), *there.get(CONFIRM, ())))
    return _Sides(_held(start), _held(typed), _held(there), corrects, other, tuple(confirmed))


def _edited(newer: Sequence[Record], version: int) -> Record | None:
    """The last of the corrections that go back to a version; None when there is none."""
    chain, last = {version}, None
    for one in newer:
        if one.corrects in chain:
            chain.add(one.version)
            last = one
    return last


def _emptied(values: Values) -> dict[str, list[str]]:
    """An examination as the form of the next one starts from it; its day is typed anew."""
    kept = {name: list(value) for name, value in values.items()}
    if not kept:
        return kept
    made = again_from(kept, date.min)
    made.pop("date")
    return made


# ------------------------------------------------------------------ what belongs together


def _held(values: Values) -> dict[str, Held]:
    """Fields by what belongs together; an activity by its name."""
    groups: dict[str, list[tuple[str, tuple[str, ...]]]] = {}
    for name, typed in values.items():
        value = tuple(one for one in typed if one)
        if not value or name in (CONFIRM, LABEL):
            continue
        parts = name.split(".")
        if parts[0] == ACTIVITY and len(parts) > 2:
            groups.setdefault(f"{ACTIVITY}.{parts[1]}", []).append((".".join(parts[2:]), value))
        elif parts[0] in SIDES and len(parts) > 2:
            groups.setdefault(".".join(parts[:2]), []).append((".".join(parts[2:]), value))
        else:
            groups.setdefault(name, []).append(("", value))
    found: dict[str, Held] = {}
    for key, held in groups.items():
        facts = dict(held)
        if key.startswith(f"{ACTIVITY}."):
            if "rating" in facts and "name" in facts:
                found[f"{ACTIVITY}:{facts['name'][-1].casefold()}"] = tuple(sorted(held))
        elif "" in facts or any(part.rpartition(".")[2].startswith("v") for part in facts):
            found[key] = tuple(sorted(held))
    return found


def _values(held: Mapping[str, Held]) -> dict[str, list[str]]:
    made: dict[str, list[str]] = {}
    activity = 0
    for key, parts in held.items():
        place = key
        if key.startswith(f"{ACTIVITY}:"):
            activity += 1
            place = f"{ACTIVITY}.{activity}"
        made |= {f"{place}.{part}" if part else place: list(value) for part, value in parts}
    return made


# ------------------------------------------------------------------ in words


def _differences(visit: Visit, sides: _Sides, book: Evidence) -> tuple[Difference, ...]:
    say = visit.say
    shown = _values(sides.mine) | _values(sides.theirs)
    fields: dict[str, Field] = {
        field.id: field
        for part in sections_of(book, say, shown)
        for row in part.rows
        for field in row.fields
    }
    order = {key: n for n, key in enumerate(fields)}

    def place(key: str) -> int:
        at = [n for name, n in order.items() if name == key or name.startswith(f"{key}.")]
        return min(at, default=len(order))

    def label(key: str) -> str:
        if key.startswith(f"{ACTIVITY}:"):
            return say("conflict.activity", name=key.partition(":")[2])
        if key in fields and key.partition(".")[0] in ("screen", "detail"):
            return fields[key].label
        return name_of_field(say, key)

    def show(key: str, held: Held) -> str:
        facts = dict(held)
        if "" in facts:
            found = _word(fields.get(key), facts[""])
            return f"{found} ({say.name('way', 'phone')})" if AIDED[-1] in facts else found
        if key.startswith(f"{ACTIVITY}:"):
            parts = (("rating", "now"), ("target", "hoped"), ("by", "by"))
            told = [f"{say(f'exam.activity_{k}')}: {facts[p][-1]}" for p, k in parts if p in facts]
            return f"{facts['name'][-1]}\n" + "\n".join(told)
        return _readings(visit, fields.get(f"{key}.1.v1"), facts)

    found = compare(sides.base, sides.mine, sides.theirs, chosen_in(visit), label, show)
    return tuple(sorted(found, key=lambda one: place(one.key)))


def _word(field: Field | None, value: Sequence[str]) -> str:
    words = dict(field.words) if field else {}
    told = ", ".join(words.get(one, one) for one in value)
    return f"{told} {field.unit}" if field and field.unit else told


def _readings(visit: Visit, field: Field | None, facts: Mapping[str, Sequence[str]]) -> str:
    """Each way on a line: its values, how they were read, and on which day."""
    unit = f" {field.unit}" if field and field.unit else ""
    lines = []
    for group in sorted({part.partition(".")[0] for part in facts}, key=lambda g: (len(g), g)):
        own = {k.partition(".")[2]: v[-1] for k, v in facts.items() if k.startswith(f"{group}.")}
        order = sorted((k for k in own if k.startswith("v")), key=lambda k: (len(k), k))
        ways = [visit.say.name("way", own[w]) for w in ("method", "instrument", "zero") if w in own]
        ways += [f"{visit.say('exam.own_sem')}: {own['sem']}"] if "sem" in own else []
        ways += [own["date"]] if "date" in own else []
        told = ", ".join(own[k] for k in order) + unit
        lines.append(f"{told} ({', '.join(ways)})" if ways else told)
    return "\n".join(lines)
