"""Values to be reached: typed on the page of the change, kept as a record of the person."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from secrets import token_hex

from rungwise.casebook import Changes, ConflictError, PersonFile, Record
from rungwise.casebook_course import newest_targets, targets_in
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, printed
from rungwise.web.merge import Difference, compare, merge
from rungwise.web.page import Visit
from rungwise.web.pages.errors import MERGE, Conflict, begin_anew, chosen_in, conflict_of, typed_in
from rungwise.web.parts import name_of_field

__all__ = ["Aim", "aims_of", "save_targets", "way_words"]

WAYS = {"least": ">=", "most": "<="}
#: What of a field's name says which part of a target it is.
PARTS = ("value", "way", "by")
_NUMBER = re.compile(r"-?[0-9]{1,6}(?:[.,][0-9]{1,3})?", re.ASCII)
#: A target as it is kept, without its measure: which way, value, day.
_KEPT = re.compile(r"(>=|<=|=)(.+)/(.+)")


@dataclass(frozen=True)
class Aim:
    """The fields of one measure's value to be reached.

    Parameters
    ----------
    key, name : str
        The measure, and what it is called.
    now : str
        Its last values with the unit, foot by foot.
    unit, span : str
        Its unit, and what can be typed.
    fixed : str
        Which way is better, in words, where the book says it; else empty: then it is chosen.
    value, way, by : str
        What is typed: the value, ``least`` or ``most``, the day.
    """

    key: str
    name: str
    now: str
    unit: str
    span: str
    fixed: str
    value: str
    way: str
    by: str


def aims_of(
    visit: Visit, found: PersonFile, changes: Changes | None, book: Evidence
) -> tuple[Aim, ...]:
    """A row of the form for every measure that was taken as a number.

    Parameters
    ----------
    visit : Visit
        Who looks; what was typed stands in the form.
    found : PersonFile
        All that is known of the person.
    changes : Changes or None
        What has changed; None before an examination.
    book : Evidence
        The book.
    """
    if changes is None:
        return ()
    say, posted = visit.say, visit.method == "POST"
    kept = targets_in(newest_targets(found), book)
    aims: dict[str, Aim] = {}
    for one in changes.measures:
        spec = book.measures[one.measure]
        if "." in one.measure or spec.low is None or spec.high is None:
            continue
        unit = say.name("unit", one.unit) if one.unit != "1" else ""
        last = printed(round(one.days[-1][1], 1), one.unit)
        told = f"{last}, {say(f'of.{one.side}')}" if one.side else last
        before = aims.get(one.measure)
        if before is not None:
            aims[one.measure] = replace(before, now=f"{before.now}; {told}")
            continue
        target = kept.get(one.measure)
        chosen = target is not None and target.better is not None
        fixed = "" if chosen or one.better is None else way_words(visit, one.better)
        way = ""
        if target is not None and target.better is not None:
            way = "least" if target.better == 1 else "most"
        values = ("", "", "") if target is None else (f"{target.value:g}", way, str(target.by))
        if posted:
            at = f"target.{one.measure}"
            values = visit.typed(f"{at}.value"), visit.typed(f"{at}.way"), visit.typed(f"{at}.by")
        span = f"{spec.low:g} – {printed(spec.high, spec.unit)}"
        name = say.name("measure", one.measure)
        aims[one.measure] = Aim(one.measure, name, told, unit, span, fixed, *values)
    return tuple(aims.values())


def way_words(visit: Visit, better: int | None) -> str:
    """Whether a target is a least or a most, in words."""
    return visit.say("target.most" if better == -1 else "target.least")


def save_targets(visit: Visit) -> Conflict | None:
    """Keep what was typed; the page to choose on when somebody else did meanwhile.

    Raises
    ------
    InputError
        Names every field that must be mended.
    """
    follows = visit.whole("expected")
    words = _typed(visit)
    if visit.typed("action") == MERGE:
        found = visit.found()
        theirs = _version(found, follows)
        lines = _apart(visit, found, words, visit.whole("base"), theirs)
        if any(not one.taken for one in lines):
            return _page(visit, found, lines, visit.whole("base"), theirs)
        words = merge(words, _lines(theirs), lines)
    once = f"targets:{visit.typed('once')[:64] or token_hex(16)}"
    try:
        visit.casebook.keep_targets(visit.who, visit.path["person"], words, follows, once)
    except InputError as error:
        raise InputError("targets", tuple(map(_of_form, error.faults))) from None
    except ConflictError as error:
        begin_anew(visit)
        kept = {name: value for name, value in visit.form.items() if not name.startswith("target.")}
        visit.form = {**kept, **_fields(words)}
        found = visit.found()
        lines = _apart(visit, found, words, follows, error.theirs)
        return _page(visit, found, lines, follows, error.theirs)
    return None


def _typed(visit: Visit) -> dict[str, str]:
    """What was typed, by measure, as targets are kept.

    Raises
    ------
    InputError
        Names every field that cannot be read or is missing.
    """
    words: dict[str, str] = {}
    faults: list[Fault] = []
    names = (name.split(".") for name in visit.form)
    keys = dict.fromkeys(p[1] for p in names if len(p) == 3 and p[0] == "target" and p[2] in PARTS)
    for key in keys:
        value, way, by = (visit.typed(f"target.{key}.{part}") for part in PARTS)
        if not value and not by:
            continue
        at = f"target.{key}"
        if not _NUMBER.fullmatch(value):
            given = value[:20] or "–"
            faults.append(Fault(f"{at}.value", given, visit.say("target.number"), _mend(visit, 0)))
        if not _is_day(by):
            given = by[:20] or "–"
            faults.append(Fault(f"{at}.by", given, visit.say("target.day"), _mend(visit, 1)))
        if way not in WAYS and f"{at}.way" in visit.form:
            either = f"{visit.say('target.least')} | {visit.say('target.most')}"
            faults.append(Fault(f"{at}.way", "–", either, visit.say("mend.choose")))
        words[key] = f"{WAYS.get(way, '=')}{value.replace(',', '.')}/{by}"
    if faults:
        raise InputError("targets", tuple(faults))
    return words


def _mend(visit: Visit, which: int) -> str:
    return visit.say(("target.mend_value", "target.mend_day")[which])


def _is_day(text: str) -> bool:
    try:
        return len(text) == len("2027-03-01") and bool(date.fromisoformat(text))
    except ValueError:
        return False


def _of_form(fault: Fault) -> Fault:
    """A fault of ``target MEASURE`` or ``target MEASURE by`` as the form's field."""
    _, _, rest = fault.field.partition(" ")
    key, _, part = rest.partition(" ")
    return replace(fault, field=f"target.{key}.{part or 'value'}") if key else fault


def _fields(words: Mapping[str, str]) -> dict[str, list[str]]:
    """Kept targets as the fields of the form."""
    made: dict[str, list[str]] = {}
    ways = {sign: way for way, sign in WAYS.items()}
    for key, word in words.items():
        if match := _KEPT.fullmatch(word):
            made |= {f"target.{key}.value": [match[2]], f"target.{key}.by": [match[3]]}
            if match[1] in ways:
                made[f"target.{key}.way"] = [ways[match[1]]]
    return made


# ------------------------------------------------------------------ somebody else meanwhile


def _version(found: PersonFile, version: int) -> Record | None:
    notes = (one for one in found.records if one.kind == "note" and one.version == version)
    return next(notes, None)


def _lines(record: Record | None) -> dict[str, str]:
    lines = record.body.split() if record else []
    told = (re.fullmatch(r"([a-z0-9_]+)(.+)", line) for line in lines)
    return {match[1]: match[2] for match in told if match}


def _apart(
    visit: Visit, found: PersonFile, words: Mapping[str, str], base: int, theirs: Record | None
) -> tuple[Difference, ...]:
    book = visit.book()

    def label(key: str) -> str:
        return name_of_field(visit.say, f"target.{key}")

    def show(key: str, word: str) -> str:
        match = _KEPT.fullmatch(word)
        if match is None:
            return word
        unit = book.measures[key].unit if key in book.measures else "1"
        way = "" if match[1] == "=" else f"{way_words(visit, 1 if match[1] == '>=' else -1)} "
        value = printed(float(match[2]), unit) if _NUMBER.fullmatch(match[2]) else match[2]
        return f"{way}{value}, {visit.say('change.by').lower()} {match[3]}"

    begun = _lines(_version(found, base))
    return compare(begun, words, _lines(theirs), chosen_in(visit), label, show)


def _page(
    visit: Visit, found: PersonFile, lines: tuple[Difference, ...], base: int, theirs: Record | None
) -> Conflict:
    url, kept = f"/people/{found.id}/change", typed_in(visit)
    return conflict_of(visit, url, theirs, lines, kept, base, person=(found, "change"))
