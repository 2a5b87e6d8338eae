"""From the diary to the next version: all last three sessions, all pairs of settings of two feet.

The rules in arrays are proved by themselves; here the way to them and from them is gone through:
the ratings of the last three sessions as a patient enters them, pain as usual from every week of
ratings, and the therapist's accept or keep on every pair of settings.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import timedelta
from itertools import product

import numpy as np
from numpy.typing import NDArray

from proof.ladders import Count
from rungwise.clinic import make_plan
from rungwise.core.evidence import Evidence
from rungwise.core.followed import Entry, FootDays, Work, foot_days, read_entries
from rungwise.core.progress import Decision, Line, decide
from rungwise.core.renew import Answer, Kind, renew
from rungwise.core.start import Foot, dose_of
from rungwise.core.steps import Step, easier, harder
from rungwise.core.terms import SIDES, Exam, Exercise, Plan, Side
from rungwise.course import feet_now

__all__ = ["prove_diaries", "prove_renewal", "prove_screens", "prove_usual", "prove_weeks"]

RANK = {"stop and call": 0, "down": 1, "same": 2, "up": 3}
#: Ratings from the best to the worst, and not rated; pain as usual of the examination is 2.
DURING: tuple[int | None, ...] = (1, 3, 6, None)
MORNING: tuple[int | None, ...] = (2, 3, 4, None)
LAST, TODAY, USUAL = 3, 10, 2.0
DAYS = (0, 1, 2, 4, 5, 6, 7, 8, 9)
#: Days of a first and a second week, and the number of levels of pain 0-10.
WEEKS, RATED = ((0, 1, 2, 3, 4), (7, 8, 9, 10, 11, 12)), 11


def prove_diaries(exam: Exam, book: Evidence, reduced: bool, count: Count) -> None:
    """Every rating of the last three sessions, from the entries to the advice.

    Parameters
    ----------
    exam : Exam
        A harmless one whose right foot has a pain as usual of 2.
    book : Evidence
        The evidence book.
    reduced : bool
        Whether only the last two sessions vary.
    count : Count
        Where it is noted.
    """
    plan = make_plan(exam, book, exam.on)
    feet = feet_now(exam, book)
    press = next(e for e in plan.exercises if e.family == "toe_press" and e.side == "right")
    for dose_step in (press.dose_step, book.families["toe_press"].rise.dose_to):
        line = replace(press, dose_step=dose_step)
        followed = replace(plan, exercises=(line,))
        found = _answers(followed, line, feet, book, reduced)
        count.states += found.size
        for axis in range(found.ndim):
            known = np.take(found, range(found.shape[axis] - 1), axis=axis)
            worse, better = (np.take(known, part, axis=axis) for part in ([1, 2], [0, 1]))
            _hold(count, "From the diary: more pain never gives a bolder answer", worse <= better)
            gone = np.take(found, [found.shape[axis] - 1], axis=axis)
            fine = (gone < RANK["up"]) | (gone <= known)
            _hold(count, "From the diary: a rating left out never permits a rise", fine)


def _hold(count: Count, says: str, fine: NDArray[np.bool_]) -> None:
    row = count.found.setdefault(says, [0, 0])
    row[0] += fine.size
    row[1] += int(np.count_nonzero(~fine))


def _answers(
    plan: Plan, line: Exercise, feet: Mapping[Side, Foot], book: Evidence, reduced: bool
) -> NDArray[np.int8]:
    """Ranks of the answers; axes: pain during, then mornings, of the sessions that vary."""
    varied = LAST - 1 if reduced else LAST
    shape = (len(DURING),) * varied + (len(MORNING),) * varied
    today = plan.starts + timedelta(days=TODAY)
    calm = [_entry(line, plan, n, 1, 0) for n in DAYS]
    found = np.empty(shape, dtype=np.int8)
    for places in np.ndindex(*shape):
        last = [
            _entry(line, plan, n, DURING[places[i]], MORNING[places[varied + i]])
            for i, n in enumerate(DAYS[-varied:])
        ]
        entries = [*calm[:-varied], *last]
        course = read_entries(entries, book, plan.starts, plan.ends, today)
        made = decide(plan, course, feet, book, today)
        found[places] = RANK[made.lines[0].outcome]
    return found


def _entry(e: Exercise, plan: Plan, n: int, during: int | None, morning: int | None) -> Entry:
    on = plan.starts + timedelta(days=n)
    sets, reps = e.dose.sets, e.dose.reps
    return Entry(on, e.family, e.side, e.both, "all", "", sets, reps, None, during, morning)


def prove_usual(exam: Exam, book: Evidence, count: Count) -> None:
    """Pain as usual from every week of ratings before the exercise.

    Parameters
    ----------
    exam : Exam
        Any.
    book : Evidence
        The evidence book.
    count : Count
        Where it is noted.
    """
    plan = make_plan(exam, book, exam.on)
    line = plan.exercises[0]
    for found in (None, 0.0, USUAL, 5.0):
        for pains in product((0, 2, 6, None), repeat=5):
            entries = [
                replace(_entry(line, plan, n, None, None), before=pain)
                for n, pain in enumerate(pains)
            ]
            count.states += 1
            today = plan.starts + timedelta(days=len(pains))
            usual = foot_days(entries, line.side, found, plan.starts, today, book).usual
            says = "Ratings before never lift pain as usual above the examination's"
            fine = usual is None if found is None else usual is not None and usual <= found
            count.hold(says, fine, found, pains, usual)


def prove_weeks(exam: Exam, book: Evidence, count: Count) -> None:
    """Every level of pain in the week before, beside that at pain as usual.

    Parameters
    ----------
    exam : Exam
        A harmless one whose right foot has a pain as usual of 2.
    book : Evidence
        The evidence book.
    count : Count
        Where it is noted.
    """
    plan = make_plan(exam, book, exam.on)
    feet = feet_now(exam, book)
    press = next(e for e in plan.exercises if e.family == "toe_press" and e.side == "right")
    followed = replace(plan, exercises=(press,))
    today = plan.starts + timedelta(days=WEEKS[1][-1] + 1)

    def rank(before: int, odd: int, now: int, during: int) -> int:
        """Rank of the answer; so many ratings of the first week are one lower."""
        mornings = [before - (i < odd) for i in range(len(WEEKS[0]))]
        mornings += [now] * (len(WEEKS[1]) - LAST) + [min(now, int(USUAL))] * LAST
        days = [n for week in WEEKS for n in week]
        entries = [_entry(press, plan, n, during, m) for n, m in zip(days, mornings, strict=True)]
        course = read_entries(entries, book, plan.starts, plan.ends, today)
        return RANK[decide(followed, course, feet, book, today).lines[0].outcome]

    for now, odd, during in product(range(RATED), range(len(WEEKS[0])), (1, 3)):
        at_usual = rank(int(USUAL), 0, now, during)
        for before in range(int(USUAL) + 1, RATED):
            count.states += 1
            says = "A week before above usual never gives a bolder answer than one at usual"
            fine = rank(before, odd, now, during) <= at_usual  # its mean is usual at least
            count.hold(says, fine, before, now, odd, during)


def prove_screens(exam: Exam, book: Evidence, count: Count) -> None:
    """Every screening item positive, or not asked, in a course that was calm until then.

    Parameters
    ----------
    exam : Exam
        A harmless one with every item answered "no".
    book : Evidence
        The evidence book.
    count : Count
        Where it is noted.
    """
    plan = make_plan(exam, book, exam.on)
    today = plan.starts + timedelta(days=TODAY)
    entries = [_entry(e, plan, n, 1, 0) for e in plan.exercises for n in DAYS]
    course = read_entries(entries, book, plan.starts, plan.ends, today)
    for item, answer in product(book.items, ("right", "left", "both", None)):
        said = answer if book.items[item].per == "foot" or answer is None else "yes"
        answers = {k: v for k, v in exam.answers.items() if k != item}
        asked = answers if said is None else {**answers, item: said}
        feet = feet_now(replace(exam, answers=asked), book)
        count.states += 1
        for line in decide(plan, course, feet, book, today).lines:
            _check_screened(line, item, said, feet, count)


def _check_screened(
    line: Line, item: str, said: str | None, feet: Mapping[Side, Foot], count: Count
) -> None:
    e = line.exercise
    acting = [feet[side] for side in (SIDES if e.both else (e.side,))]
    if said is None:
        count.hold("With a question not asked nothing rises", line.outcome != "up", item)
    refers = any(f.screening.of(f.side).outcome == "refer" for f in acting)
    danger = any(
        flag.level == "emergency" for s in SIDES for flag in acting[0].screening.of(s).flags
    )
    if refers or danger:
        stopped = line.outcome == "stop and call"
        count.hold("A foot that is referred, or beside an emergency, gets nothing", stopped, item)
    if line.outcome == "stop and call":
        return
    places = e.fitted.rung.places if line.step is None else line.step.places
    tags = acting[0].ladder.at(e.family, places).rung.tags
    held = [f for f in acting if f.screening.of(f.side).outcome != "hold"]
    allowed = not any(tags & f.screening.of(f.side).forbids for f in held)
    count.hold("What the screen forbids does not go on", allowed, item, said, e.fitted.rung.name)


# ------------------------------------------------------------------ the next version


def prove_renewal(exam: Exam, book: Evidence, reduced: bool, count: Count) -> None:
    """Accept and keep on every pair of settings of two feet.

    Parameters
    ----------
    exam : Exam
        A harmless one.
    book : Evidence
        The evidence book.
    reduced : bool
        Whether one dose step is enough.
    count : Count
        Where it is noted.
    """
    plan = make_plan(exam, book, exam.on)
    feet = feet_now(exam, book)
    for name, family in book.families.items():
        steps = (1,) if reduced else (1, len(family.doses))
        rungs = feet["right"].ladder.rungs(name)
        for (a, b), dose_step in product(product(rungs, repeat=2), steps):
            if reduced and sum(a.places) + sum(b.places) > REDUCED_PLACES:
                continue
            pair = {"right": a.places, "left": b.places}
            lines = [_exercise(name, s, pair[s], dose_step, feet[s]) for s in SIDES]
            for way in ("up", "down", "same"):
                advised = [_advised(one, way, feet[one.side]) for one in lines]
                for kind in ("accept", "keep"):
                    count.states += 1
                    _check_next(plan, advised, kind, feet, book, count)


REDUCED_PLACES = 2


def _exercise(
    family: str, side: Side, places: tuple[int, ...], dose_step: int, foot: Foot
) -> Exercise:
    dose, _ = dose_of(foot.book.families[family], dose_step, foot)
    return Exercise(family, side, foot.ladder.at(family, places), dose, dose_step, (), ())


def _advised(e: Exercise, way: str, foot: Foot) -> Line:
    family, places = foot.book.families[e.family], e.fitted.rung.places
    step: Step | None = None
    if way == "up":
        step, _ = harder(family, places, e.dose_step, (foot,), False)
    elif way == "down":
        step = easier(family, places, e.dose_step, (foot,))
    outcome = way if step is not None else "same"
    work = Work((), foot.exam.on, 0, 0, None, (), 0.0, 0, 0)
    days = FootDays(None, None, None, 0)
    return Line(e, outcome, step, (), (), (), work, days)  # type: ignore[arg-type]


def _check_next(
    plan: Plan,
    advised: list[Line],
    kind: Kind,
    feet: Mapping[Side, Foot],
    book: Evidence,
    count: Count,
) -> None:
    """What stands in the next version beside what was advised, or stood."""
    decision = Decision(plan.on, tuple(advised), (), (), True, book.edition)
    answers = {
        (one.exercise.family, one.exercise.side): Answer(kind, "proof", "proof") for one in advised
    }
    made = renew(plan, decision, answers, feet, book)
    for one, side, new in _settings(advised, made):
        e = one.exercise
        stood = (*e.fitted.rung.places, e.dose_step)
        told = stood if one.step is None else (*one.step.places, one.step.dose_step)
        most = stood if kind == "keep" else told
        got = (*new.fitted.rung.places, new.dose_step)
        says = "Accepted is what was advised at most; kept is what stood at most"
        fine = all(x <= y for x, y in zip(got, most, strict=True))
        count.hold(says, fine, kind, side, stood, told, got)
        limit = min(feet[s].ladder.body.bend_available_deg for s in (SIDES if new.both else [side]))
        fits = new.fitted.demand.bend_deg <= limit + 1e-6
        count.hold("The next version never bends beyond either working foot", fits, side, got)


def _settings(advised: list[Line], made: Plan) -> Iterator[tuple[Line, Side, Exercise]]:
    for one in advised:
        side = one.exercise.side
        for e in made.exercises:
            if e.side == side or e.both:
                yield one, side, e
