"""The lines of a note that tell the examination: who, what was said, the screen, the findings.

Each is written from stored values; a writer yields nothing when nothing is known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from rungwise.core.evidence import printed
from rungwise.core.note_parts import Asked, Grid, Said, Writer
from rungwise.core.terms import SIDES, Measured

__all__ = ["EXAM_LINES"]

EXAM_LINES: dict[str, Writer] = {}


def _writes(name: str) -> Callable[[Writer], Writer]:
    def keep(writer: Writer) -> Writer:
        EXAM_LINES[name] = writer
        return writer

    return keep


def _days(readings: Sequence[Measured]) -> str:
    return ", ".join(str(on) for on in sorted({one.on for one in readings}))


# ------------------------------------------------------------------ who and when


@_writes("patient")
def _patient(a: Asked) -> Iterator[Said]:
    person = a.case.exam.person
    yield Said({"label": person.label, "birth_year": person.birth_year})


@_writes("examined")
@_writes("seen")
@_writes("letter_seen")
def _examined(a: Asked) -> Iterator[Said]:
    exam = a.case.exam
    yield Said({"on": exam.on, "therapist": exam.therapist, "day": a.case.on})


@_writes("stale")
def _stale(a: Asked) -> Iterator[Said]:
    row = a.book.row("note.stale_days")
    for on in sorted({one.on for one in a.case.exam.measured} | {a.case.exam.on}):
        days = (a.case.on - on).days
        if days > row.value:
            yield Said({"on": on, "days": days})


@_writes("identity")
def _identity(a: Asked) -> Iterator[Said]:
    plan, case = a.case.plan, a.case
    told = {"on": plan.on, "starts": plan.starts, "ends": plan.ends, "version": case.version}
    told["edition"] = plan.edition
    issued = bool(plan.exercises)
    number = case.number or a.words.at("blank")
    yield Said({**told, "number": number}, form="says" if issued else "none")


@_writes("period")
def _period(a: Asked) -> Iterator[Said]:
    plan, case = a.case.plan, a.case
    told = {"starts": case.starts or plan.starts, "day": case.on, "version": case.version}
    yield Said(told, form="says" if plan.exercises else "none")


@_writes("signature")
def _signature(a: Asked) -> Iterator[Said]:
    if a.case.by:
        yield Said({"by": a.case.by})


@_writes("closing")
def _closing(a: Asked) -> Iterator[Said]:
    clinic = a.case.exam.clinic
    if clinic:
        yield Said({"clinic": a.listed([*clinic.values()])})


# ------------------------------------------------------------------ what the patient says


@_writes("worse_side")
def _worse(a: Asked) -> Iterator[Said]:
    yield Said({"side": a.words.at(f"side.{a.case.exam.worse_side}")})


@_writes("wishes")
def _wishes(a: Asked) -> Iterator[Said]:
    for one in a.case.exam.activities:
        yield Said({"name": one.name, "rating": f"{one.rating:g}"})


@_writes("at_home")
def _at_home(a: Asked) -> Iterator[Said]:
    person = a.case.exam.person
    has = a.listed([a.name(one) for one in sorted(person.equipment)])
    told = {"minutes": f"{person.minutes_per_day:g}", "days": person.days_per_week}
    yield Said({**told, "equipment": has}, form="says" if has else "none")


@_writes("goals")
def _goals(a: Asked) -> Iterator[Said]:
    for one in a.case.exam.activities:
        told = {"name": one.name, "rating": f"{one.rating:g}", "target": f"{one.target:g}"}
        yield Said({**told, "by": one.by}, form="says" if one.by else "undated")


@_writes("goals_status")
def _goals_status(a: Asked) -> Iterator[Grid]:
    """Each goal of any examination, with its first and its last rating."""
    blank, exams = a.words.at("blank"), a.case.exams or (a.case.plan.exam,)
    rows = []
    for name in dict.fromkeys(one.name for exam in exams for one in exam.activities):
        rated = [(e.on, one) for e in exams for one in e.activities if one.name == name]
        (first_on, first), (last_on, last) = rated[0], rated[-1]
        again = len(rated) > 1 and last_on == exams[-1].on
        now = f"{last.rating:g} ({last_on})" if again else blank
        reached = a.words.at("yes" if last.rating >= last.target else "no") if again else blank
        begun = f"{first.rating:g} ({first_on})"
        cells = (name, begun, now, f"{last.target:g}", str(last.by or blank), reached)
        rows.append((cells, ()))
    if rows:
        yield Grid(tuple(rows))


@_writes("pain_now")
def _pain_now(a: Asked) -> Iterator[Said]:
    for side in SIDES:
        found = a.case.exam.readings("pain_rest_nprs", side)
        told: dict[str, object] = {"side": a.side(side)}
        if found:
            told |= {"value": f"{found[-1].value:g}", "on": found[-1].on}
        today = bool(found) and found[-1].on == a.case.on
        yield Said(told, form="says" if today else "older" if found else "unknown")


# ------------------------------------------------------------------ screen


@_writes("screen")
def _screen(a: Asked) -> Iterator[Said]:
    screening = a.case.plan.screening
    for side in SIDES:
        one = screening.of(side)
        told = {"on": screening.on, "side": a.side(side)}
        told["outcome"] = a.words.at(f"outcome.{one.outcome}")
        yield Said(told, one.reasons[:1] if a.short else one.reasons)


@_writes("flags")
def _flags(a: Asked) -> Iterator[Said]:
    screening = a.case.plan.screening
    flags = [flag for side in SIDES for flag in screening.of(side).flags]
    for flag in dict.fromkeys(flags):
        told = {"level": a.words.at(f"level.{flag.level}"), "side": a.side(flag.side)}
        yield Said({**told, "item": a.name(flag.item), "do": a.words.tell(flag.do)}, (flag.reason,))
    if not flags and a.case.plan.exam.answers:
        yield Said(form="none")


@_writes("request")
def _request(a: Asked) -> Iterator[Said]:
    """What a flag asks of a physician; and room for what the therapist asks."""
    screening = a.case.plan.screening
    flags = [flag for side in SIDES for flag in screening.of(side).flags]
    for flag in dict.fromkeys(flags):
        if flag.level != "caution":
            told = {"level": a.words.at(f"level.{flag.level}"), "side": a.side(flag.side)}
            yield Said(
                {**told, "item": a.name(flag.item), "do": a.words.tell(flag.do)}, (flag.reason,)
            )
    yield Said(form="own")


@_writes("scores")
def _scores(a: Asked) -> Iterator[Said]:
    for score in a.case.plan.screening.scores:
        span = f"{score.low:g}" if score.low == score.high else f"{score.low:g}–{score.high:g}"
        told = {"name": a.name(score.name), "span": span, "says": a.words.tell(score.reason)}
        yield Said(told, (score.reason,))


@_writes("answered_no")
def _answered_no(a: Asked) -> Iterator[Said]:
    answers = a.case.plan.exam.answers
    no = [a.name(key) for key, answer in answers.items() if answer == "no"]
    if no:
        yield Said({"items": a.listed(no)})


@_writes("not_asked")
def _not_asked(a: Asked) -> Iterator[Said]:
    if a.case.plan.screening.not_asked:
        asked = [a.name(key) for key in a.case.plan.screening.not_asked]
        yield Said({"items": a.listed(asked)})


# ------------------------------------------------------------------ findings


@_writes("findings")
def _findings(a: Asked) -> Iterator[Grid]:
    """Every finding of the last examination, and what was expected and not examined."""
    exam = a.case.exam
    rows = [
        (cells, ())
        for key in a.measures("foot")
        for cells in _rows_of(key, exam.measured, a, expected=key in a.expect)
    ]
    yield Grid(tuple(rows))
    whole = []
    for key in a.measures("person"):
        found = exam.readings(key)
        if found or key in a.expect:
            shown = _values(key, found, a)
            whole.append(((a.measure(key), shown, _days(found)), ()))
    if whole:
        yield Grid(tuple(whole), form="whole")


@_writes("retests")
def _retests(a: Asked) -> Iterator[Grid]:
    """What was measured on the day of the note."""
    today = [one for one in a.case.exam.measured if one.on == a.case.on]
    feet = [(cells[:-1], ()) for key in a.measures("foot") for cells in _rows_of(key, today, a)]
    if feet:
        yield Grid(tuple(feet))
    whole = []
    for key in a.measures("person"):
        found = [one for one in today if one.measure == key]
        if found:
            whole.append(((a.measure(key), _values(key, found, a)), ()))
    if whole:
        yield Grid(tuple(whole), form="whole")


def _rows_of(
    key: str, measured: Sequence[Measured], a: Asked, expected: bool = False
) -> Iterator[tuple[str, ...]]:
    """One row for each way in which a measure was taken: name, right, left, how, day."""
    found = [one for one in measured if one.measure == key and one.side]
    ways = dict.fromkeys((one.method, one.instrument, one.zero) for one in found)
    for way in [*ways] or ([(None, None, None)] if expected else []):
        same = [one for one in found if (one.method, one.instrument, one.zero) == way]
        right, left = ([one for one in same if one.side == side] for side in SIDES)
        how = a.listed([a.name(part) for part in way if part])
        feet = _values(key, right, a), _values(key, left, a)
        yield a.measure(key), *feet, how, _days(same)


def _values(key: str, found: Sequence[Measured], a: Asked) -> str:
    """All readings of one foot by one way."""
    unit = a.book.measures[key].unit
    shown = [_value(one.value, unit, a) for one in found]
    return a.listed(shown) or str(a.words.at("not_examined"))


def _value(value: float | str | bool, unit: str, a: Asked) -> str:
    if isinstance(value, bool):
        return str(a.words.at("yes" if value else "no"))
    return a.name(value) if isinstance(value, str) else printed(value, unit)


@_writes("forms")
def _forms(a: Asked) -> Iterator[Said]:
    for score in a.case.scores:
        yield Said({"form": score.form, **a.quoted(score.reason)}, quoted=(score.reason,))


@_writes("grade")
def _grade(a: Asked) -> Iterator[Said]:
    for side in SIDES:
        grade = a.case.plan.grades[side]
        told: dict[str, object] = {"side": a.side(side), "value": grade.value}
        told["on"] = a.case.plan.exam.on
        bend, sem = grade.bend_deg, grade.sem_deg
        known = grade.value is not None and bend is not None and sem is not None
        if bend is not None and sem is not None:
            told |= {"bend": printed(round(bend), "deg"), "sem": printed(round(sem), "deg")}
        yield Said(told, grade.reasons if known else (), form="says" if known else "none")
        if not known:
            told = {"side": a.side(side), **a.quoted(grade.reasons[0])}
            yield Said(told, form="why", quoted=grade.reasons[:1])
        for note in () if a.short else grade.notes:
            told = {"side": a.side(side), **a.quoted(note)}
            yield Said(told, form="why", quoted=(note,))
