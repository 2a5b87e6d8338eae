"""Hear back and decide: up, same, down, or stop and call, for each exercise and foot.

The gravest rule that holds gives the answer (:mod:`rungwise.core.judge`); one demand changes by one
step (:mod:`rungwise.core.steps`). What is not known never raises. The therapist accepts, changes or
declines each line.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from typing import Literal

from rungwise.core.evidence import Evidence
from rungwise.core.followed import Course, Entry, FootDays, Work, foot_days, of_foot, work_of
from rungwise.core.judge import ANSWERS, Limits
from rungwise.core.look import Look, pains_of
from rungwise.core.session import MINUTE, running_order
from rungwise.core.start import Foot
from rungwise.core.steps import Step, easier, harder
from rungwise.core.terms import SIDES, Exercise, Grade, Plan, Reason, Refusal, Side

__all__ = ["Decision", "Line", "decide"]

Outcome = Literal["up", "same", "down", "stop and call"]
WORDS: Mapping[str, Outcome] = {
    "stop and call": "stop and call",
    "restart": "down",
    "down": "down",
    "same": "same",
    "dose": "up",
    "up": "up",
}


@dataclass(frozen=True)
class Line:
    """What is advised for one exercise of one foot.

    Parameters
    ----------
    exercise : Exercise
        As it is now.
    outcome : {"up", "same", "down", "stop and call"}
        The answer.
    step : Step or None
        What changes; None when nothing does, or when it is stopped.
    reasons : tuple of Reason
        Why; the one that decided first.
    refused : tuple of Refusal
        Harder settings that were looked at, and why they wait.
    entries : tuple of Entry
        The sessions that drove it.
    work : Work
        What was done.
    days : FootDays
        Pain of the foot, day by day; of the more careful one where both work.
    """

    exercise: Exercise
    outcome: Outcome
    step: Step | None
    reasons: tuple[Reason, ...]
    refused: tuple[Refusal, ...]
    entries: tuple[Entry, ...]
    work: Work
    days: FootDays


@dataclass(frozen=True)
class Decision:
    """What is advised for a whole plan.

    Parameters
    ----------
    on : date
        Day of the decision.
    lines : tuple of Line
        One for each exercise, in the order of the plan.
    calls : tuple of Reason
        Why the patient must be called; empty when not.
    notes : tuple of Reason
        How entries were read that were not plain.
    fresh : bool
        Whether the screen is complete, young enough for a new plan, and no sign came since.
    edition : str
        Edition of the evidence book.
    """

    on: date
    lines: tuple[Line, ...]
    calls: tuple[Reason, ...]
    notes: tuple[Reason, ...]
    fresh: bool
    edition: str


def decide(
    plan: Plan,
    course: Course,
    feet: Mapping[Side, Foot],
    book: Evidence,
    today: date,
    starts: date | None = None,
    since: Mapping[tuple[str, Side], date] | None = None,
) -> Decision:
    """Say for each exercise of a plan what comes next.

    Parameters
    ----------
    plan : Plan
        As it is followed now.
    course : Course
        What was done.
    feet : mapping of Side to Foot
        Each foot as last examined, with its screen as of that day.
    book : Evidence
        The evidence book.
    today : date
        Day of the decision.
    starts : date, optional
        First day of the plan's first version; by default that of this plan.
    since : mapping of (str, Side) to date, optional
        First day of each exercise's present setting; by default the first day of this plan.

    Returns
    -------
    Decision
        With every reason; nothing is decided until the therapist accepts it.
    """
    starts = plan.starts if starts is None else starts
    exam = feet["right"].exam
    age = (today - exam.on).days
    holds = any(feet[side].screening.of(side).outcome == "hold" for side in SIDES)
    old = not 0 <= age <= book.value("screen.valid_days")
    limits = Limits.of(book)
    fresh = [e for e in course.entries if e.on >= plan.starts or not e.counts_up]
    # an examination after the day of a sign has answered it
    signs = [e for e in fresh if e.warning and e.on >= exam.on]
    alarms = [e for e in fresh if e.sharp or (e.during or 0) > limits.acceptable]
    past = [e for e in course.entries if e.on <= today]
    lines: list[Line] = []
    for exercise in plan.exercises:
        acting = _acting(exercise, feet)
        own = _own(course.entries, exercise)
        begun = (since or {}).get((exercise.family, exercise.side), plan.starts)
        work = work_of(own, exercise.dose, begun, starts, today, book, plan.starts)
        days = _more_careful(
            [
                foot_days(
                    of_foot(past, foot.side, plan.exam),
                    foot.side,
                    plan.exam.number("pain_usual_nprs", foot.side),
                    starts,
                    today,
                    book,
                    plan.starts,
                )
                for foot in acting
            ]
        )
        recent = [e for e in own if e.on >= plan.starts or not e.counts_up]
        sides = {foot.side for foot in acting}
        others = [e for e in alarms if e not in own and (e.both or e.side in sides)]
        worse = [foot.side for foot in acting if _worse_joint(plan.grades, foot)]
        look = Look(
            exercise,
            acting,
            recent,
            signs,
            others,
            worse,
            work,
            days,
            book,
            limits,
            age,
            old,
            holds,
        )
        lines.append(_line(look))
    lines = _within_work(_within_minutes(lines, feet, book), feet, book)
    calls = tuple(
        dict.fromkeys((*_refers(feet, book), *_calls(lines, course, starts, today, book)))
    )
    ready = not (old or holds or signs)
    return Decision(today, tuple(lines), calls, course.notes, ready, book.edition)


def _worse_joint(before: Mapping[Side, Grade], foot: Foot) -> bool:
    """Whether the newest examination found a worse grade than the plan was made for."""
    then, now = before[foot.side].value, foot.grade.value
    return then is not None and now is not None and now > then


def _acting(exercise: Exercise, feet: Mapping[Side, Foot]) -> tuple[Foot, ...]:
    """The feet that do an exercise, the limiting one first."""
    sides = [exercise.side, *(s for s in SIDES if exercise.both and s != exercise.side)]
    return tuple(feet[side] for side in sides)


def _own(entries: Sequence[Entry], exercise: Exercise) -> list[Entry]:
    """Entries of an exercise; those for both feet count for each of them."""
    return [
        e
        for e in entries
        if e.family == exercise.family and (e.both or exercise.both or e.side == exercise.side)
    ]


def _more_careful(found: Sequence[FootDays]) -> FootDays:
    """Of two feet that work at once the usual pain of the sorer one and the worse course.

    A foot of which nothing was rated adds nothing but its flares: the ratings are those of the
    sorer one.
    """
    rated = [days for days in found if days.this_week is not None] or found
    first = rated[0]
    for second in rated[1:]:
        known = [d.usual for d in (first, second) if d.usual is not None]
        usual = max(known) if len(known) == len((first, second)) else None
        worse = max((first, second), key=lambda d: (_rise(d), d.this_week or 0))
        first = FootDays(usual, worse.this_week, worse.last_week, first.flares)
    return replace(first, flares=max(days.flares for days in found))


def _rise(days: FootDays) -> float:
    """Rise of the weekly mean 0-10 [1]; a foot whose rise is not known is the more careful one."""
    if days.this_week is None or days.last_week is None:
        return float("inf")
    return days.this_week - days.last_week


# ------------------------------------------------------------------ one line


def _line(look: Look) -> Line:
    """The answer for one exercise: the rules' word, then the one step that it leads to."""
    e, book = look.exercise, look.book
    family, places = book.families[e.family], e.fitted.rung.places
    answer, reasons = ANSWERS[look.code], look.reasons()
    step: Step | None = None
    refused: tuple[Refusal, ...] = ()
    if answer in ("dose", "up"):
        step, refused = harder(family, places, e.dose_step, look.feet, answer == "dose")
        if step is None:
            answer = "same"
            top = _at_the_top(refused, reasons, book)
            reasons = [top, *(r for r in reasons if r != top)]
        else:
            reasons = [look.risen(), step.says, *reasons]
    elif answer in ("down", "restart"):
        start = look.start()
        if look.only_gap and start is None:  # a pause leads back to the start, never below it
            answer = "same"
            reasons.insert(0, book.reason("progress.again_here", days=look.work.gap_days))
        else:
            step = easier(family, places, e.dose_step, look.feet) if answer == "down" else None
            if look.barred is not None and step is not None and step.turned == "dose":
                step = None  # less of what may not be done is no help
            step = step or start
            if step is None:
                answer = "stop and call"
                told = {"what": e.fitted.rung.name}
                reasons.insert(0, book.reason("progress.nothing_easier", **told))
            else:
                reasons.insert(1, step.says)
    shown = look.work.sessions or tuple(look.recent)
    recent = tuple(shown[-look.limits.sessions :])
    return Line(e, WORDS[answer], step, tuple(reasons), refused, recent, look.work, look.days)


def _at_the_top(refused: Sequence[Refusal], reasons: Sequence[Reason], book: Evidence) -> Reason:
    """Why nothing harder is open, in words."""
    if refused:
        return book.reason("progress.at_the_top", why=refused[-1].reason.says)
    held = [r for r in reasons if r.rule == "progress.not_calm"]
    return held[0] if held else book.reason("progress.dose_top")


# ------------------------------------------------------------------ the whole plan


def _within_minutes(lines: list[Line], feet: Mapping[Side, Foot], book: Evidence) -> list[Line]:
    """Take back what takes more time, the last line of the plan first, until a day fits.

    Where more of it does not fit, a harder setting with less of it may.
    """
    given = feet["right"].exam.person.minutes_per_day * MINUTE
    kept = list(lines)

    def needed() -> float:
        on = [_after(line, feet) for line in kept if line.outcome != "stop and call"]
        return running_order(on, book).seconds

    for i in reversed(range(len(kept))):
        time, line = needed(), kept[i]
        if time <= given or line.outcome != "up":
            continue
        kept[i] = replace(line, outcome="same", step=None)
        alone = needed()
        if alone >= time:  # it was not what takes the time
            kept[i] = line
            continue
        turned = _turned_instead(line, feet, book)
        if turned is not None:
            kept[i] = turned
            if needed() <= max(given, alone):
                continue
        told = {"needed": -(-int(time) // MINUTE), "given": int(given // MINUTE)}
        why = book.reason("progress.no_minutes", **told)
        kept[i] = replace(line, outcome="same", step=None, reasons=(why, *line.reasons[2:]))
    return kept


def _within_work(lines: list[Line], feet: Mapping[Side, Foot], book: Evidence) -> list[Line]:
    """Let things rise one after the other, the first line of the plan first.

    The work of a week may rise by so much at most at once; one thing always may.
    """
    kept = list(lines)
    now = sum(_weekly_s(line.exercise) for line in kept)
    most = now * book.value("progress.weekly_work_pct") / 100
    total, risen = now, False
    for i, line in enumerate(kept):
        if line.outcome != "up":
            continue
        more = _weekly_s(_after(line, feet)) - _weekly_s(line.exercise)
        if more > 0 and risen and total + more > most:
            reasons = (book.reason("progress.work_rise"), *line.reasons[2:])
            kept[i] = replace(line, outcome="same", step=None, reasons=reasons)
            continue
        risen, total = True, total + max(more, 0)
    return kept


def _weekly_s(exercise: Exercise) -> float:
    """Time under load of one week [s]; a walk counts its minutes."""
    dose = exercise.dose
    minutes = float(exercise.fitted.rung.settings.get("minutes", 0.0))
    return dose.days_per_week * (minutes * MINUTE or dose.sets * dose.set_s)


def _turned_instead(line: Line, feet: Mapping[Side, Foot], book: Evidence) -> Line | None:
    """The line with a dial turned in place of a dose that does not fit the minutes."""
    e = line.exercise
    family = book.families[e.family]
    calm = line.reasons[0].rule == "progress.calm"
    if not calm or line.step is None or line.step.turned != "dose":
        return None
    if e.dose_step < family.rise.dose_least:
        return None
    places = e.fitted.rung.places
    step, refused = harder(
        family, places, e.dose_step, _acting(e, feet), False, family.rise.dose_least
    )
    if step is None or step.turned == "dose":
        return None
    why = book.reason("progress.turned_for_time")
    reasons = (line.reasons[0], step.says, why, *line.reasons[2:])
    return replace(line, step=step, refused=refused, reasons=reasons)


def _after(line: Line, feet: Mapping[Side, Foot]) -> Exercise:
    """An exercise as it would be, for counting the time."""
    if line.step is None:
        return line.exercise
    e, foot = line.exercise, feet[line.exercise.side]
    fitted = foot.ladder.at(e.family, line.step.places)
    both = e.both and bool(fitted.rung.settings.get("both"))
    dose = foot.book.families[e.family].doses[line.step.dose_step - 1].dose
    return replace(e, fitted=fitted, dose=dose, dose_step=line.step.dose_step, both=both)


def _refers(feet: Mapping[Side, Foot], book: Evidence) -> Iterator[Reason]:
    """What the newest screen asks for now, and for which foot."""
    for side in SIDES:
        screen = feet[side].screening.of(side)
        for flag in screen.flags if screen.outcome == "refer" else ():
            if flag.level in ("emergency", "urgent"):
                told = {"level": flag.level, "item": flag.item, "side": side, "do": flag.do}
                yield book.reason("call.refer", **told)


def _calls(
    lines: Sequence[Line], course: Course, starts: date, today: date, book: Evidence
) -> Iterator[Reason]:
    """Why the patient must be called: one sentence for each cause, naming its exercises."""
    stops: dict[str, list[str]] = {}
    for line in lines:
        if line.outcome == "stop and call":
            stops.setdefault(line.reasons[0].says, []).append(_named(line))
    for why, names in stops.items():
        yield book.reason("call.stop", what=names, why=why)
    for line in lines:
        if line.days.flares >= book.value("progress.flares_call"):
            yield book.reason("call.flares", count=line.days.flares, side=line.exercise.side)
    over = [x for x in lines if x.work.volume_pct > book.value("progress.overdone_pct")]
    if over:
        share = round(max(line.work.volume_pct for line in over))
        yield book.reason("call.overdone", what=[*map(_named, over)], share=share)
    last = max((e.on for e in course.entries if e.on <= today), default=starts)
    if (today - last).days >= book.value("progress.silent_days"):
        yield book.reason("call.silent", days=(today - last).days)
    else:
        yield from _falling_off(lines, book)
    for line in lines:
        high = line.entries and all(
            (e.during or 0) >= book.value("progress.scale_from") and e.done == "all"
            for e in line.entries
        )
        if high and len(line.entries) >= book.value("progress.sessions_min"):
            yield book.reason("call.scale", pains=pains_of(line.entries, "during"))


def _falling_off(lines: Sequence[Line], book: Evidence) -> Iterator[Reason]:
    """Exercises done too seldom, or far less than the week before."""
    least, most = (
        book.value("progress.adherence_min_pct"),
        book.value("progress.adherence_fall_pct"),
    )
    weeks = [(_named(line), line.work.week_pct) for line in lines if line.work.week_pct]
    few = [(what, week[-1]) for what, week in weeks if week[-1] < least]
    if few:
        share = round(min(pct for _, pct in few))
        yield book.reason("call.few", what=[what for what, _ in few], share=share)
    fell = [(what, week[-2:]) for what, week in weeks if _fall(week) >= most and week[-1] >= least]
    if fell:
        before, now = max((week for _, week in fell), key=_fall)
        told = {"before": round(before), "now": round(now)}
        yield book.reason("call.falling", what=[what for what, _ in fell], **told)


def _fall(week: Sequence[float]) -> float:
    """Fall from the last week but one to the last [pct]."""
    return max((a - b for a, b in list(pairwise(week))[-1:]), default=0.0)


def _named(line: Line) -> str:
    """The exercise and the foot in words."""
    e = line.exercise
    return f"{e.family.replace('_', ' ')} {'of both feet' if e.both else f'({e.side} foot)'}"
