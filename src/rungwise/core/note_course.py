"""The lines of a note that tell the course: the programme, home, advice, change, minutes.

Each is written from stored values; a writer yields nothing when nothing is known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import printed
from rungwise.core.followed import Entry
from rungwise.core.note_case import Advised, Compared
from rungwise.core.note_parts import Asked, Grid, Said, Writer
from rungwise.core.terms import SIDES, Exercise, Reason, Refusal, Side
from rungwise.core.units import Units, Way, count_units

__all__ = ["COURSE_LINES"]

#: Ways of counting units, in the order in which they are told.
WAYS: tuple[Way, Way] = ("total_time", "midpoint")
#: Reasons that say what would settle a change.
SETTLES = "change.settle"
#: Reason of an exercise that was stopped.
STOPPED = "progress.stopped_line"
COURSE_LINES: dict[str, Writer] = {}


def _writes(name: str) -> Callable[[Writer], Writer]:
    def keep(writer: Writer) -> Writer:
        COURSE_LINES[name] = writer
        return writer

    return keep


# ------------------------------------------------------------------ the programme


def _dose(e: Exercise, a: Asked) -> str:
    dose = e.dose
    told = {"sets": dose.sets, "reps": dose.reps, "days": dose.days_per_week}
    seconds = {"hold": dose.hold_s, "lift": dose.lift_s, "lower": dose.lower_s}
    seconds["rest"] = dose.rest_s if dose.sets > 1 else 0
    minutes = e.fitted.rung.settings.get("minutes", 0)
    parts = [a.words.say("dose.times", **told)] if dose.seconds else []
    parts += [a.words.say("dose.minutes", minutes=f"{minutes:g}")] if minutes else []
    parts += [a.words.say(f"dose.{name}", s=f"{s:g}") for name, s in seconds.items() if s > 0]
    return a.listed([*parts, a.words.say("dose.days", **told)])


def _setting(e: Exercise, a: Asked) -> str:
    parts = [
        a.words.say("dose.setting", dial=a.name(dial), notch=a.name(notch))
        for dial, notch in e.fitted.rung.notches
    ]
    parts += [
        a.words.say("dose.size", name=a.name(name.removesuffix("_mm")), mm=f"{mm:.0f}")
        for name, mm in e.fitted.pose.sizes_mm.items()
        if mm > 0
    ]
    return a.listed(parts)


@_writes("exercises")
def _exercises(a: Asked) -> Iterator[Grid]:
    rows = []
    for e in a.case.plan.exercises:
        cells = (a.named(e.family), a.side(e.side, e.both), _setting(e, a), _dose(e, a))
        reasons = e.reasons[:1] if a.short else e.reasons
        rows.append((cells, reasons))
    if rows:
        yield Grid(tuple(rows))


@_writes("own_choice")
def _own_choice(a: Asked) -> Iterator[Said]:
    for e in a.case.plan.exercises:
        told = {"exercise": a.named(e.family), "side": a.side(e.side, e.both)}
        if e.pin is not None:
            yield Said({**told, "why": e.pin.why, "by": e.pin.by})
        for warning in e.warnings:
            yield Said({**told, **a.quoted(warning)}, form="warned", quoted=(warning,))


@_writes("waiting")
def _waiting(a: Asked) -> Iterator[Said]:
    for e in a.case.plan.exercises:
        if e.refused:
            told = {"exercise": a.named(e.family), "side": a.side(e.side, e.both)}
            yield Said(told, tuple(no.reason for no in e.refused))


@_writes("left_out")
def _left_out(a: Asked) -> Iterator[Said]:
    if a.case.plan.exercises:
        yield from _refusals([no for no in a.case.plan.refused if no.reason.rule != STOPPED], a)


def _refusals(refused: Sequence[Refusal], a: Asked) -> Iterator[Said]:
    """Each family and reason once, with its foot or both."""
    found: dict[tuple[str, str], list[Refusal]] = {}
    for no in refused:
        found.setdefault((no.what, no.reason.says), []).append(no)
    for (what, _), same in found.items():
        both = {no.side for no in same} == set(SIDES)
        told = {"exercise": a.named(what), "side": a.side(same[0].side, both)}
        yield Said({**told, **a.quoted(same[0].reason)}, quoted=(same[0].reason,))


@_writes("stopped")
def _stopped(a: Asked) -> Iterator[Said]:
    yield from _refusals([no for no in a.case.plan.refused if no.reason.rule == STOPPED], a)


@_writes("no_programme")
def _no_programme(a: Asked) -> Iterator[Said]:
    plan = a.case.plan
    worked = {s for e in plan.exercises for s in SIDES if e.both or s == e.side}
    for side in SIDES:
        if side not in worked:
            why = plan.screening.of(side).reasons[:1]
            no = [one.reason for one in plan.refused if one.side == side]
            if plan.screening.of(side).outcome in ("go", "careful"):
                why = tuple(no[:1]) or why
            yield Said({"side": a.side(side), **a.quoted(why[0])}, quoted=why)


@_writes("review")
@_writes("ends")
def _review(a: Asked) -> Iterator[Said]:
    plan = a.case.plan
    told = {"review": plan.review, "ends": plan.ends}
    yield Said(told, form="says" if plan.exercises else "none")


# ------------------------------------------------------------------ what was done at home


@_writes("diary")
def _diary(a: Asked) -> Iterator[Said | Grid]:
    """Days and pains of each exercise since the last visit, counted from the entries."""
    since = a.case.since or a.case.plan.starts
    span = {"since": since, "day": a.case.on}
    mine = [e for e in a.case.entries if since <= e.on <= a.case.on]
    families = [*dict.fromkeys(e.family for e in mine)]
    found = {(e.family, e.side, e.both) for e in mine}
    rows = []
    for key in sorted(found, key=lambda k: (families.index(k[0]), SIDES.index(k[1]))):
        family, side, both = key
        same = [e for e in mine if (e.family, e.side, e.both) == key]
        done = [str(sum(e.done == how for e in same)) for how in ("all", "part", "none")]
        pains = (_pains([e.during for e in same], a), _pains([e.morning for e in same], a))
        shown = a.words.at("slash").join(done)
        cells = (a.named(family), a.side(side, both), shown, _asked_for(key, a), *pains)
        rows.append((cells, ()))
    if rows:
        yield Grid(tuple(rows), span)
    elif a.case.plan.exercises:
        yield Said(span, form="empty")


def _asked_for(key: tuple[str, Side, bool], a: Asked) -> str:
    """Sessions done as a share of those asked for, at the present setting."""
    for line in a.case.decision.lines if a.case.decision else ():
        e, share = line.exercise, line.work.adherence_pct
        if (e.family, e.side, e.both) == key and share is not None:
            return a.words.say("line.diary.share", share=f"{share:.0f}", since=line.work.since)
    return str(a.words.at("blank"))


def _pains(given: Sequence[int | None], a: Asked) -> str:
    """Highest and last rating."""
    known = [pain for pain in given if pain is not None]
    if not known:
        return str(a.words.at("blank"))
    return str(a.words.at("slash")).join((str(max(known)), str(known[-1])))


@_writes("pain_weeks")
def _pain_weeks(a: Asked) -> Iterator[Said]:
    blank = a.words.at("blank")
    found = {}
    for line in a.case.decision.lines if a.case.decision else ():
        side, days = line.exercise.side, line.days
        if not line.exercise.both and days.this_week is not None:
            found[side] = days
    for side in SIDES:
        if side in found:
            days = found[side]
            weeks = [blank if w is None else f"{w:.1f}" for w in (days.this_week, days.last_week)]
            told = {"side": a.side(side), "this_week": weeks[0], "last_week": weeks[1]}
            yield Said({**told, "flares": days.flares})
        elif found:
            told = {"side": a.side(side), "this_week": blank, "last_week": blank}
            yield Said({**told, "flares": blank})


@_writes("signs")
def _signs(a: Asked) -> Iterator[Said]:
    since = a.case.since or a.case.plan.starts
    mine = [e for e in a.case.entries if since <= e.on <= a.case.on]
    found = False
    for sign, has in (("sharp", _sharp), ("warning", _warned)):
        for key in dict.fromkeys((e.family, e.side, e.both) for e in mine if has(e)):
            days = [str(e.on) for e in mine if has(e) and (e.family, e.side, e.both) == key]
            told = {"exercise": a.named(key[0]), "side": a.side(key[1], key[2])}
            sign_words = a.words.at(f"line.signs.{sign}")
            yield Said({**told, "sign": sign_words, "days": a.listed(days)})
            found = True
    if mine and not found:
        yield Said(form="none")


def _sharp(e: Entry) -> bool:
    return e.sharp


def _warned(e: Entry) -> bool:
    return e.warning


# ------------------------------------------------------------------ advice and answers


def _answer(one: Advised, a: Asked) -> str:
    if one.answer is None:
        return str(a.words.at("line.advice.open"))
    form = "answer_why" if one.answer.why else "answer"
    told = {"kind": a.words.tell(one.answer.kind), "by": one.answer.by, "why": one.answer.why}
    return a.words.say(f"line.advice.{form}", **told)


def _of_the_day(a: Asked) -> list[Advised]:
    """The last advice, when it is no older than the last version of the plan."""
    last = max((one.on for one in a.case.advice), default=date.min)
    return [one for one in a.case.advice if one.on == last >= a.case.plan.on]


@_writes("advice")
def _advice(a: Asked) -> Iterator[Grid]:
    found = _of_the_day(a)
    rows = [
        (
            (
                a.named(one.family),
                a.side(one.side, one.both),
                a.words.tell(one.outcome),
                _answer(one, a),
            ),
            one.reasons[1:],
        )
        for one in found
    ]
    if rows:
        yield Grid(tuple(rows), {"on": found[0].on})


@_writes("advice_why")
def _advice_why(a: Asked) -> Iterator[Said]:
    for one in _of_the_day(a):
        if one.reasons:
            told = {"exercise": a.named(one.family), "side": a.side(one.side, one.both)}
            yield Said({**told, **a.quoted(one.reasons[0])}, quoted=one.reasons[:1])


@_writes("advice_history")
def _advice_history(a: Asked) -> Iterator[Grid]:
    rows = [
        (
            (
                a.named(one.family),
                a.side(one.side, one.both),
                str(one.on),
                a.words.tell(one.outcome),
                _answer(one, a),
            ),
            one.reasons[:1],
        )
        for one in a.case.advice
    ]
    if rows:
        yield Grid(tuple(rows))


@_writes("calls")
def _calls(a: Asked) -> Iterator[Said]:
    for call in a.case.decision.calls if a.case.decision else ():
        yield Said(a.quoted(call), quoted=(call,))


# ------------------------------------------------------------------ change


@_writes("changes")
def _changes(a: Asked) -> Iterator[Grid]:
    rows = [
        (_change_cells(one, a), _change_reasons(one))
        for one in a.case.compared
        if not a.only or one.measure in a.only
    ]
    if rows:
        yield Grid(tuple(rows))


def _change_reasons(one: Compared) -> tuple[Reason, ...]:
    """Every reason of what is beyond error; else the first, and what would settle it."""
    if one.change is None:
        return ()
    first, *more = one.change.reasons
    told = one.change.verdict.startswith("beyond")
    return (first, *(why for why in more if told or why.rule.startswith(SETTLES)))


def _change_cells(one: Compared, a: Asked) -> tuple[str, ...]:
    unit = a.book.measures[one.measure].unit
    side = a.side(one.side) if one.side else ""
    blank, change = str(a.words.at("blank")), one.change
    if change is None or one.before is None or one.after is None:
        told = a.words.say("line.changes.not_compared", why=a.words.tell(one.why_not))
        return (a.measure(one.measure), side, str(one.before_on), str(one.after_on), blank, told)
    before, after = (f"{printed(round(v, 1), unit)}" for v in (one.before, one.after))
    difference = _signed(change.difference, unit)
    if change.low == change.low:  # known
        ends = {"low": _signed(change.low, unit), "high": _signed(change.high, unit)}
        difference = a.words.say("line.changes.interval", difference=difference, **ends)
    return (
        a.measure(one.measure),
        side,
        f"{before} ({one.before_on})",
        f"{after} ({one.after_on})",
        difference,
        a.words.tell(change.verdict),
    )


def _signed(value: float, unit: str) -> str:
    shown = printed(round(value, 1), unit)
    return f"+{shown}" if value > 0 else shown


# ------------------------------------------------------------------ minutes


def _counted(a: Asked) -> dict[Way, Units]:
    timed = a.case.timed
    if timed is None:
        return {}
    given = sum(timed.minutes.values())
    if timed.whole_min is not None and timed.whole_min < given:
        fault = Fault(
            "whole_min", f"{timed.whole_min} min", f"at least {given} min", "Add it up again."
        )
        raise InputError("timed minutes", (fault,))
    return {way: count_units(timed.minutes, way, a.book, timed.untimed) for way in WAYS}


@_writes("minutes")
def _minutes(a: Asked) -> Iterator[Grid]:
    timed, counted = a.case.timed, _counted(a)
    if timed is None:
        return
    rows: list[tuple[tuple[str, ...], tuple[Reason, ...]]] = []
    for name, spent in timed.minutes.items():
        units = [_units_of(counted[way], name, a) for way in WAYS]
        rows.append(((name, printed(spent, "min"), *units), ()))
    totals = [str(counted[way].total) for way in WAYS]
    spent = sum(timed.minutes.values())
    rows.append(((str(a.words.at("line.minutes.all")), printed(spent, "min"), *totals), ()))
    untimed = str(a.words.at("line.minutes.untimed"))
    rows += [((name, untimed, "1", "1"), ()) for name in timed.untimed]
    whole = str(a.words.at("blank"))
    if timed.whole_min is not None:
        whole = printed(timed.whole_min, "min")
    rows.append(((str(a.words.at("line.minutes.whole")), whole, "", ""), ()))
    yield Grid(tuple(rows))


def _units_of(units: Units, name: str, a: Asked) -> str:
    told = str(units.each.get(name, 0))
    return a.words.say("line.minutes.tie", units=told) if name in units.tied else told


@_writes("units_why")
def _units_why(a: Asked) -> Iterator[Said]:
    """How the units were counted: ties and remainders, each way by itself."""
    said: set[str] = set()
    for way, units in _counted(a).items():
        for why in units.reasons:
            if why.says in said:
                continue
            said.add(why.says)
            told = {"way": a.words.at(f"line.units_why.{way}"), **a.quoted(why)}
            yield Said(told, quoted=(why,))
