"""From an accepted decision to the next version of a plan.

The therapist answers each line: accept, change, or keep it as it is. What the screen rules out
cannot be kept.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import Literal

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.pins import check_pins, follow_pin
from rungwise.core.prescribe import join_feet, less_painful, prescribe
from rungwise.core.progress import Decision, Line
from rungwise.core.session import MINUTE, running_order
from rungwise.core.start import Foot, alone_of, dose_of, rung_reasons
from rungwise.core.terms import SIDES, Exercise, Pin, Plan, Refusal, Side

__all__ = ["Answer", "Kind", "renew"]

Kind = Literal["accept", "change", "keep"]
#: Rules that no answer sets aside.
FIRM = ("progress.ruled_out", "progress.warning")


@dataclass(frozen=True)
class Answer:
    """What the therapist says to one line.

    Parameters
    ----------
    kind : {"accept", "change", "keep"}
        Take it, put her own choice in its place, or leave the exercise as it is.
    by : str
        Her name.
    why : str
        Her reason; needed unless she accepts.
    notches : mapping of str to str
        Her own choice of notches, dial by dial; dials not named stay as they are now.
    dose_step : int or None
        Her own choice of the dose step [1].
    """

    kind: Kind
    by: str
    why: str = ""
    notches: Mapping[str, str] = field(default_factory=dict)
    dose_step: int | None = None


def renew(
    plan: Plan,
    decision: Decision,
    answers: Mapping[tuple[str, Side], Answer],
    feet: Mapping[Side, Foot],
    book: Evidence,
) -> Plan:
    """Make the next version of a plan from a decision and the therapist's answers to it.

    Parameters
    ----------
    plan : Plan
        As it was followed.
    decision : Decision
        What was advised, on the day of the new version.
    answers : mapping of (str, Side) to Answer
        One for each line, by family and side.
    feet : mapping of Side to Foot
        Each foot as last examined.
    book : Evidence
        The evidence book.

    Returns
    -------
    Plan
        Its end moves on only with a fresh screen; else it keeps the end of the plan before.

    Raises
    ------
    InputError
        Names every line without an answer, every answer without a reason or to no line, a change
        to what is not allowed, and a line that cannot be kept; or the plan has ended and the screen
        is not fresh.
    """
    _check(decision, answers, book)
    if not decision.fresh and plan.ends < decision.on:
        given, allowed = f"a plan that ended on {plan.ends}", "a plan that still runs"
        fault = Fault("screen", given, allowed, "It is no longer fresh. Examine again first.")
        raise InputError("answers", (fault,))
    started = _started(plan, decision, feet, book)
    lines, refused = _lines(plan, decision, answers, feet, book, started)
    minutes = feet["right"].exam.person.minutes_per_day * MINUTE
    if started and running_order(lines, book).seconds > minutes:
        lines, refused = _lines(plan, decision, answers, feet, book, {})
    return _plan(plan, lines, refused, decision, feet, book)


def _lines(
    plan: Plan,
    decision: Decision,
    answers: Mapping[tuple[str, Side], Answer],
    feet: Mapping[Side, Foot],
    book: Evidence,
    started: Mapping[str, Mapping[Side, Exercise]],
) -> tuple[list[Exercise], list[Refusal]]:
    """The exercises that go on or begin, in the order of the plan, and what is stopped."""
    lines: list[Exercise] = []
    refused: list[Refusal] = []
    for family in dict.fromkeys([*_families(plan), *started]):
        chosen: dict[Side, Exercise] = {**started.get(family, {})}
        for line in (one for one in decision.lines if one.exercise.family == family):
            e = line.exercise
            answer = answers[family, e.side]
            sides = [s for s in SIDES if e.both or s == e.side]
            if line.outcome == "stop and call" and answer.kind == "accept":
                told = {"what": e.fitted.rung.name, "why": line.reasons[0].says}
                stopped = book.reason("progress.stopped_line", **told)
                refused.extend(Refusal(family, side, stopped) for side in sides)
                continue
            for side in sides:
                chosen[side] = _answered(line, answer, feet[side])
        lines.extend(_family_lines(chosen, feet))
    return lines, refused


def _families(plan: Plan) -> list[str]:
    return [*dict.fromkeys(e.family for e in plan.exercises)]


def _started(
    plan: Plan, decision: Decision, feet: Mapping[Side, Foot], book: Evidence
) -> dict[str, dict[Side, Exercise]]:
    """What a newer examination lets a foot start that it did not do before.

    Nothing that was ever stopped comes back by itself, nor what has no place on the sheet.
    """
    exam, screening = feet["right"].exam, feet["right"].screening
    if exam == plan.exam or not decision.fresh:
        return {}
    grades = {side: feet[side].grade for side in SIDES}
    ladders = {side: feet[side].ladder for side in SIDES}
    anew = prescribe(exam, screening, grades, ladders, book, decision.on)
    does = {(e.family, s) for e in plan.exercises for s in SIDES if e.both or s == e.side}
    stopped = {(r.what, r.side) for r in plan.refused if r.reason.rule == "progress.stopped_line"}
    found: dict[str, dict[Side, Exercise]] = {}
    for e in anew.exercises:
        for side in (s for s in SIDES if e.both or s == e.side):
            if (e.family, side) in does | stopped:
                continue
            made = _exercise(e.family, e.fitted.rung.places, e.dose_step, None, feet[side])
            told = {"what": e.fitted.rung.name, "side": side, "on": exam.on}
            why = book.reason("progress.started", **told)
            found.setdefault(e.family, {})[side] = replace(made, reasons=(why, *made.reasons))
    room = int(book.value("plan.families_max")) - len(_families(plan))
    new = [family for family in found if family not in _families(plan)]
    for family in new[max(room, 0) :]:
        del found[family]
    return found


def _check(decision: Decision, answers: Mapping[tuple[str, Side], Answer], book: Evidence) -> None:
    faults: list[Fault] = []
    known = {(line.exercise.family, line.exercise.side): line for line in decision.lines}
    for key in answers.keys() - known.keys():
        allowed = ", ".join(f"{f}.{s}" for f, s in known)
        faults.append(Fault(".".join(key), "an answer", allowed, "There is no such line."))
    pins = []
    for (family, side), line in known.items():
        where, answer = f"{family}.{side}", answers.get((family, side))
        if answer is None:
            faults.append(Fault(where, "no answer", "accept, change or keep", "Answer each line."))
            continue
        if not answer.by.strip():
            faults.append(Fault(f"{where}.by", "nothing", "who decided", "Say who."))
        if answer.kind != "accept" and not answer.why.strip():
            faults.append(Fault(f"{where}.why", "nothing", "a few words", "Say why."))
        firm = [r for r in line.reasons if r.rule in FIRM]
        if firm and answer.kind != "accept":
            allowed = "accept, because " + firm[0].says
            faults.append(Fault(where, answer.kind, allowed, "Examine again first."))
        if answer.kind == "change":
            if not answer.notches and answer.dose_step is None:
                allowed = "a dial with one of its notches, or a dose_step"
                faults.append(Fault(where, "a change to nothing", allowed, "Say to what."))
            pins.append(_pin(line, answer))
            if line.outcome == "stop and call" and _harder(line, answer, book):
                allowed = "nothing harder than now, because " + line.reasons[0].says
                faults.append(Fault(where, "a harder setting", allowed, "Examine again first."))
    if faults:
        raise InputError("answers", tuple(faults))
    check_pins(pins, book)


def _harder(line: Line, answer: Answer, book: Evidence) -> bool:
    """Whether a therapist's own choice is harder in anything than what is done now."""
    e = line.exercise
    if (answer.dose_step or 0) > e.dose_step:
        return True
    for dial, place in zip(book.families[e.family].dials, e.fitted.rung.places, strict=True):
        keys = [notch.key for notch in dial.notches]
        chosen = answer.notches.get(dial.key)
        if chosen in keys and keys.index(chosen) > place:
            return True
    return False


def _pin(line: Line, answer: Answer) -> Pin:
    e = line.exercise
    return Pin(e.family, e.side, dict(answer.notches), answer.dose_step, answer.why, answer.by)


def _answered(line: Line, answer: Answer, foot: Foot) -> Exercise:
    """The line as it goes on, for one of the feet that do it."""
    e = line.exercise
    if answer.kind == "accept":
        places, dose_step, pin = e.fitted.rung.places, e.dose_step, e.pin
        if line.step is not None:
            places, dose_step, pin = line.step.places, line.step.dose_step, None
        made = _exercise(e.family, places, dose_step, pin, foot)
        return replace(made, reasons=(*line.reasons, *made.reasons), refused=line.refused)
    made = _exercise(e.family, e.fitted.rung.places, e.dose_step, e.pin, foot)
    against = line.reasons if line.outcome in ("down", "stop and call") else ()
    if answer.kind == "change":
        made = follow_pin(made, replace(_pin(line, answer), side=foot.side), foot, False)
        reasons = (*made.reasons, *line.reasons)
        return replace(made, reasons=reasons, warnings=(*made.warnings, *against))
    told = {"by": answer.by, "why": answer.why, "advised": line.outcome}
    kept = foot.book.reason("progress.kept", **told)
    return replace(made, reasons=(kept, *line.reasons, *made.reasons), warnings=against)


def _exercise(
    family: str, places: tuple[int, ...], dose_step: int, pin: Pin | None, foot: Foot
) -> Exercise:
    """An exercise at these places and step of the dose list, fitted to a foot."""
    fitted = foot.ladder.at(family, places)
    dose, extra = dose_of(foot.book.families[family], dose_step, foot)
    reasons = (*(r for r in rung_reasons(fitted, foot) if r.rule != "plan.start"), *extra)
    both = bool(fitted.rung.settings.get("both"))
    return Exercise(family, foot.side, fitted, dose, dose_step, reasons, (), pin=pin, both=both)


def _family_lines(chosen: Mapping[Side, Exercise], feet: Mapping[Side, Foot]) -> list[Exercise]:
    """Both feet joined where they work at once; one foot as it does it by itself."""
    if len(chosen) == 1:
        ((side, one),) = chosen.items()
        fitted = alone_of(one.fitted, feet[side])
        return [replace(one, fitted=fitted, both=bool(fitted.rung.settings.get("both")))]
    return join_feet(chosen, feet)


def _plan(
    plan: Plan,
    lines: Sequence[Exercise],
    refused: Sequence[Refusal],
    decision: Decision,
    feet: Mapping[Side, Foot],
    book: Evidence,
) -> Plan:
    """The next version, from the day of the decision on."""
    exam, screening = feet["right"].exam, feet["right"].screening
    grades = {side: feet[side].grade for side in SIDES}
    today = decision.on
    ends = today + timedelta(days=book.value("plan.length_days") - 1)
    review = today + timedelta(days=book.value("plan.review_days"))
    if not decision.fresh:
        ends = plan.ends
        review = min(review, ends)
    first = less_painful(exam, grades)
    gone = {(r.what, r.side) for r in refused}
    return replace(
        plan,
        on=today,
        starts=today,
        review=review,
        ends=ends,
        exam=exam,
        screening=screening,
        grades=grades,
        bodies={side: feet[side].ladder.body for side in SIDES},
        exercises=tuple(lines),
        refused=(*refused, *(r for r in plan.refused if (r.what, r.side) not in gone)),
        session=running_order(lines, book, first) if lines else None,
        edition=book.edition,
    )
