"""The examination: one form, and beside it what it comes to while it is filled in."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from secrets import token_hex
from typing import ClassVar

from rungwise.casebook import (
    ConflictError,
    Look,
    PersonFile,
    Record,
    UnknownError,
    standing_exams,
)
from rungwise.casebook_measure import aids_on
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.terms import SIDES
from rungwise.web.exam_form import Section, sections_of
from rungwise.web.exam_screen import MARKED, marked_no, screen_groups, taken_back
from rungwise.web.exam_text import again_from, to_toml, toml_text, values_of
from rungwise.web.page import At, Go, Page, Visit, told
from rungwise.web.pages.errors import MERGE, begin_anew, typed_in
from rungwise.web.pages.exam_conflict import conflict, resolve
from rungwise.web.parts import field_of
from rungwise.web.words import Say

__all__ = ["ROUTES", "start_values"]

#: What is taken for what is still to be typed, where it changes nothing that is shown.
STAND_IN = {"therapist": "-", "worse_side": "alike"}
TIMES = ("minutes_per_day", "days_per_week")
ROUNDS = 4
HABITS = "habits"
#: What is filled in again at the next examination: names of the form's fields.
REMEMBERED = (
    "therapist",
    "right.mtp_dorsiflexion_deg.1.instrument",
    "right.mtp_plantarflexion_deg.1.instrument",
)


@dataclass(frozen=True, kw_only=True)
class Examination(Page):
    """The form of an examination."""

    template: ClassVar[str] = "examination.html"
    url: str = told("Where the form is sent to.")
    sections: tuple[Section, ...] = told("Its parts, in the order in which they are asked.")
    label: str = told("The person's label; it is not asked again.")
    expected: int = told("Number of the examination that this one follows.")
    corrects: int = told("Number of the examination that it corrects, 0 = none.")
    once: str = told("Token of this form, so that sending it twice saves once.")
    confirmed: frozenset[str] = told("Fields whose strange value was said to be right.")
    asking: frozenset[str] = told("Fields whose strange value may be said to be right.")
    marked: tuple[str, ...] = told("Items of the screen that one act answered with no.")
    again: bool = told("Whether it starts from an earlier one, with readings emptied.")
    focus: str = told("Field in which one begins to type; empty for none.", "")
    mend: str = told("Day of the newest examination, to correct it instead; empty for none.", "")
    back: bool = told("Whether it was open when the records were locked, and is back.", False)
    measured: str = told("Field with a reading of a measuring aid; 'back' without one.", "")
    aids: bool = told("Whether the clinic uses measuring aids.", False)
    general: tuple[Fault, ...] = told("Faults that no field of the form shows.", ())
    beside: LookPart | None = told("What it comes to, as the part beside the form.", None)  # noqa: RUF009


@dataclass(frozen=True, kw_only=True)
class LookPart(Page):
    """What the examination comes to, beside the form."""

    template: ClassVar[str] = "look.html"
    look: Look | None = told("Grade, bend, screen and drawing; None as long as too much is open.")  # noqa: RUF009
    needs: tuple[str, ...] = told("What must still be filled in, by its name.")
    wrong: tuple[Fault, ...] = told("What is left out of it until it is mended.")
    sides: tuple[str, ...] = told("The sides in the order of the form.", SIDES)


def examination(visit: Visit) -> Page | Go:
    """Show the form, or save what was typed."""
    found = visit.found()
    if visit.method == "POST":
        return _answered(visit, found) or _save(visit, found)
    if (kept := visit.given_back()) is not None:
        visit.form = kept
        measured = visit.session.held.pop("measured", "") if visit.session else ""
        corrects = visit.whole("corrects")
        return _form(visit, found, kept, corrects, back=not measured, measured=measured)
    mended = _to_correct(visit, found)
    values = start_values(visit, found, mended)
    return _form(visit, found, values, mended.version if mended else 0)


def start_values(
    visit: Visit, found: PersonFile, mended: Record | None = None
) -> dict[str, list[str]]:
    """What a new form starts with: what stays from the last examination, or the one to correct."""
    today = visit.casebook.today()
    values: dict[str, list[str]] = {
        "date": [today.isoformat()],
        "person.language": [visit.say.language],
    }
    values |= _clinic(visit)
    if found.exam is not None:
        values = again_from(values_of(found.exam_text), today)
    if mended is not None:
        values = values_of(mended.body)
    for name, word in _habits(visit).items():
        values.setdefault(name, [word])
    return values


def _to_correct(visit: Visit, found: PersonFile) -> Record | None:
    """The examination that is to be corrected, by its number or as the newest; None without one."""
    asked = visit.query.get("correct", "")
    if not asked:
        return None
    number = str(found.exam_version) if asked == "yes" else asked
    stand = standing_exams(found.records)
    mended = next((record for record in stand if str(record.version) == number), None)
    if mended is None:
        raise UnknownError("There is no such examination of this person, or it was corrected.")
    return mended


def _answered(visit: Visit, found: PersonFile) -> Examination | None:
    """The form after the one act that answers a group of the screen, for who has no script."""
    groups = {f"screen_{group}": items for group, items in screen_groups(visit.book()).items()}
    for name, act in (("none", marked_no), ("back", taken_back)):
        if (group := visit.typed(name)) in groups:
            values = act(visit.form, groups[group])
            return _form(visit, found, values, visit.whole("corrects"))
    return None


def _habits(visit: Visit) -> dict[str, str]:
    """Who examines, and with what, as at the last examination."""
    assert visit.session is not None
    try:
        kept = tomllib.loads(visit.casebook.setting(visit.who, HABITS))
    except tomllib.TOMLDecodeError:
        kept = {}
    told_so = {"therapist": visit.session.name} if visit.session.name else {}
    found = {**{k: str(v) for k, v in kept.items()}, **told_so, **visit.session.held}
    return {name: found[name] for name in REMEMBERED if found.get(name)}


def _remember(visit: Visit) -> None:
    """Keep who examined and with what: for this session, and on a computer of one user for good."""
    assert visit.session is not None
    habits = {name: word for name in REMEMBERED if (word := visit.typed(name))}
    visit.session.held |= habits
    if not visit.session.account:
        text = "".join(f"{toml_text(k)} = {toml_text(v)}\n" for k, v in habits.items())
        visit.casebook.remember(visit.who, HABITS, text)


def _clinic(visit: Visit) -> dict[str, list[str]]:
    """The clinic's own lines for the sheet, from its settings."""
    text = visit.casebook.setting(visit.who, "clinic")
    try:
        lines = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return {}
    return {f"clinic.{k}": [str(v)] for k, v in lines.items() if isinstance(v, str)}


def _form(
    visit: Visit,
    found: PersonFile,
    values: Mapping[str, Sequence[str]],
    corrects: int,
    faults: Sequence[Fault] = (),
    asking: frozenset[str] = frozenset(),
    back: bool = False,
    measured: str = "",
) -> Examination:
    book = visit.book()
    sections = sections_of(book, visit.say, values)
    known = {field.id for part in sections for row in part.rows for field in row.fields}
    expected = visit.whole("expected", found.exams_written)
    title = "exam.title_correct" if corrects else "exam.title"
    shown = bool(faults) or back or visit.method == "POST"
    return Examination(
        title=visit.say(title, label=found.label),
        person=visit.person_bar(found, "exam"),
        url=f"/people/{found.id}/exam",
        sections=sections,
        label=found.label,
        expected=expected,
        corrects=corrects,
        once=visit.typed("once")[:64] or token_hex(16),
        confirmed=frozenset(values.get("confirm", ())),
        asking=asking,
        marked=tuple(values.get(MARKED, ())),
        focus=measured or ("" if shown else _first_open(sections)),
        back=back,
        measured=measured,
        aids=aids_on(visit.casebook, visit.who),
        again=found.exam is not None and not corrects,
        mend=visit.say.day(found.exam.on) if found.exam is not None and not corrects else "",
        faults=tuple(faults),
        general=tuple(fault for fault in faults if field_of(fault) not in known),
        beside=_look(visit, values, book, found.label),
        status=422 if faults else 200,
    )


def _first_open(sections: Sequence[Section]) -> str:
    fields = (field for part in sections for row in part.rows for field in row.fields)
    return next((field.id for field in fields if field.required and not any(field.value)), "")


def _save(visit: Visit, found: PersonFile) -> Page | Go:
    values: dict[str, Sequence[str]] = {**typed_in(visit), "person.label": [found.label]}
    corrects = visit.whole("corrects")
    expected = visit.whole("expected", found.exams_written)
    if visit.typed("action") == MERGE:
        merged = resolve(visit, found)
        if isinstance(merged, Page):
            return merged
        values, corrects, expected = {**merged.values}, merged.corrects, merged.expected
    text, places = to_toml(values, visit.book())
    once = f"exam:{visit.typed('once')[:64] or token_hex(16)}"
    try:
        visit.casebook.save_exam(visit.who, found.id, text, expected, once, corrects or None)
    except InputError as error:
        asking = _asking(error.faults)
        placed = _placed(visit.say, error.faults, places)
        return _form(visit, found, values, corrects, placed, asking=asking)
    except ConflictError as error:
        begin_anew(visit)
        return conflict(visit, found, values, expected, corrects, error.theirs)
    _remember(visit)
    if visit.session is not None:
        visit.session.shelf.drop(found.id)
    return Go(f"/people/{found.id}/programme")


#: How the reader of a file ends a remedy -> what to do in the form instead.
IN_THE_FORM = {
    "in quotes.": "mend.choose",
    "without quotes or unit.": "mend.number",
    "no quotes.": "mend.day",
    "Write it.": "mend.fill",
    "without quotes.": "mend.choose",
    "a [left] table.": "mend.foot",
}


def _for_the_form(say: Say, fault: Fault) -> str:
    """What to do about a fault, said for a form where the reader says it for a file."""
    for end, key in IN_THE_FORM.items():
        if fault.remedy.endswith(end):
            return say(key)
    told_so, add, _ = fault.remedy.partition(f'add "{fault.field}" to confirm')
    if add:
        told_so = told_so.replace("If it is right, ", "").replace("If both are right, ", "")
        return f"{told_so}{say('mend.confirm')}"
    return fault.remedy.replace("[right]", say("of.right")).replace("[left]", say("of.left"))


def _asking(faults: Sequence[Fault]) -> frozenset[str]:
    """Fields whose strange value may be right all the same."""
    return frozenset(fault.field for fault in faults if fault.remedy.endswith("to confirm."))


def _placed(say: Say, faults: Sequence[Fault], places: Mapping[str, str]) -> tuple[Fault, ...]:
    """Faults with the names of the fields in the form, and what to do there."""
    placed = []
    for fault in faults:
        field = field_of(fault)
        first, _, rest = field.rpartition(".")
        whole = places.get(field) or (f"{places[first]}.{rest}" if first in places else field)
        if whole.rpartition(".")[0] in LISTS:
            whole = whole.rpartition(".")[0]
        placed.append(replace(fault, field=whole, remedy=_for_the_form(say, fault)))
    if any(fault.field == "date" for fault in placed):  # an age cannot be judged without the day
        placed = [fault for fault in placed if fault.field != "person.birth_year"]
    return tuple(placed)


LISTS = ("person.equipment", "wanted", "avoid", "confirm")


def look(visit: Visit) -> LookPart:
    """Tell what the form comes to so far; nothing is saved."""
    found = visit.found()
    return _look(visit, {**visit.form}, visit.book(), found.label)


def _look(visit: Visit, typed: Mapping[str, Sequence[str]], book: Evidence, label: str) -> LookPart:
    values: dict[str, Sequence[str]] = {**typed, "person.label": [label]}
    needs = [
        visit.say.name("field", name)
        for name in (
            "date",
            "person.birth_year",
            "worse_side",
            "therapist",
            *(f"person.{key}" for key in TIMES),
        )
        if not any(values.get(name, ()))
    ]
    for name, word in STAND_IN.items():
        if not any(values.get(name, ())):
            values[name] = [word]
    for key in TIMES:
        if not any(values.get(f"person.{key}", ())):
            values[f"person.{key}"] = [f"{book.high(f'person.{key}'):g}"]
    wrong: list[Fault] = []
    made: Look | None = None
    for _ in range(ROUNDS):
        text, places = to_toml(values, book)
        try:
            made = visit.casebook.look(text, book)
            break
        except InputError as error:
            faults = _placed(visit.say, error.faults, places)
        bad = [fault for fault in faults if any(values.get(fault.field, ()))]
        wrong += [fault for fault in bad if fault.field not in STAND_IN or fault.field in typed]
        values = {k: v for k, v in values.items() if k not in {fault.field for fault in bad}}
        values |= {k: [w] for k, w in STAND_IN.items() if k not in values}
        if not bad:
            if any(fault.field == "right, left" for fault in faults):
                needs.append(visit.say("exam.need_reading"))
            break
    return LookPart(
        title=visit.say("look.title"), look=made, needs=tuple(needs), wrong=tuple(wrong)
    )


EXAM = "/people/{person}/exam"
ROUTES = (
    At(EXAM, examination, "GET POST", deed="add", keeps=EXAM),
    At("/people/{person}/exam/look", look, "POST", deed="add"),
)
