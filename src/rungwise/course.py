"""The course of one patient in the plan's folder: every version, what was decided, what was done.

``plan.json`` is the present version, ``earlier/plan-1.json`` and so on are those before it;
``decisions.jsonl`` is only ever added to: what was advised, and the therapist's answers to it.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, TypeVar, cast, overload

from rungwise.book import joint_of
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.followed import Course, Entry, read_entries
from rungwise.core.grade import grade
from rungwise.core.ladder import build_ladder
from rungwise.core.note_case import Advised
from rungwise.core.prescribe import feet_of
from rungwise.core.progress import Decision, Outcome
from rungwise.core.renew import Answer, Kind
from rungwise.core.screen import screen
from rungwise.core.start import Foot
from rungwise.core.terms import SIDES, Exam, Exercise, Plan, Reason, Side
from rungwise.diary import Kept, kept_logs, open_plan
from rungwise.kept import Part, read_as, read_part, read_plan
from rungwise.plain import plain
from rungwise.plan_code import HomePlan

__all__ = [
    "DECISIONS",
    "EARLIER_PLANS",
    "Decided",
    "Head",
    "Lazy",
    "Opened",
    "Past",
    "blank_answers",
    "course_of",
    "digest_of",
    "feet_now",
    "head_in",
    "head_of",
    "kept_versions",
    "open_course",
    "past_in",
    "past_of",
    "read_answers",
]

PLAN, DECISIONS, EARLIER_PLANS = "plan.json", "decisions.jsonl", "earlier"
WORDS = ("accept", "change", "keep")
#: Letters of the mark of an advice.
MARK = 16
Whole = TypeVar("Whole")


@dataclass(frozen=True)
class Decided:
    """A decision as it was made.

    Parameters
    ----------
    version : int
        Version of the plan that it led to, 1 = first [1].
    decision : Decision
        What was advised.
    answers : tuple of (str, Side, Answer)
        What the therapist said to each line.
    """

    version: int
    decision: Decision
    answers: tuple[tuple[str, Side, Answer], ...]


Setting = tuple[str, Side, bool, tuple[int, ...], int]


@dataclass(frozen=True)
class Head:
    """What later versions of a plan ask for of an earlier one.

    Parameters
    ----------
    starts, examined : date
        First day, and day of the examination that it was made from.
    settings : frozenset
        Family, foot, both feet, places of the dials, dose step of each exercise.
    """

    starts: date
    examined: date
    settings: frozenset[Setting]


@dataclass(frozen=True)
class Past:
    """What a decision came to.

    Parameters
    ----------
    on : date
        The day.
    by : str
        Who decided.
    advised : tuple of Advised
        What was advised and answered, line by line.
    """

    on: date
    by: str
    advised: tuple[Advised, ...]


class Lazy(Sequence[Whole]):
    """A sequence whose entries are read when they are asked for.

    Parameters
    ----------
    reads : sequence of callable
        What reads each.
    """

    def __init__(self, reads: Sequence[Callable[[], Whole]]) -> None:
        self._reads = reads

    def __len__(self) -> int:
        return len(self._reads)

    @overload
    def __getitem__(self, at: int) -> Whole: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[Whole]: ...
    def __getitem__(self, at: int | slice) -> Whole | Sequence[Whole]:
        return Lazy(self._reads[at]) if isinstance(at, slice) else self._reads[at]()


@dataclass(frozen=True)
class Opened:
    """The course of a patient, opened.

    Parameters
    ----------
    plan : Plan
        The present version.
    plans : sequence of Plan
        Every version, the first one first; the last is the present one.
    heads : tuple of Head
        The same in short.
    decided : sequence of Decided
        Every decision, in order.
    past : tuple of Past
        The same in short.
    course : Course
        What was done, in order.
    since : mapping of (str, Side) to date
        First day of each exercise's present setting.
    """

    plan: Plan
    plans: Sequence[Plan]
    heads: tuple[Head, ...]
    decided: Sequence[Decided]
    past: Sequence[Past]
    course: Course
    since: Mapping[tuple[str, Side], date]

    @property
    def starts(self) -> date:
        """First day of the first version."""
        return self.heads[0].starts


def feet_now(exam: Exam, book: Evidence) -> dict[Side, Foot]:
    """Each foot as examined, with its screen as of that day.

    Parameters
    ----------
    exam : Exam
        The examination.
    book : Evidence
        The evidence book.
    """
    screening = screen(exam, book)
    grades = {side: grade(exam, book, side) for side in SIDES}
    joint = joint_of(book)
    ladders = {side: build_ladder(joint, exam, side, book) for side in SIDES}
    return feet_of(exam, screening, grades, ladders, book)


def open_course(folder: Path, book: Evidence, today: date) -> Opened:
    """Open a plan's folder.

    Parameters
    ----------
    folder : Path
        Written by ``rungwise plan``.
    book : Evidence
        The evidence book.
    today : date
        The day on which it is looked at.

    Raises
    ------
    InputError
        No such folder, a damaged file, a plan without exercises, or a rung that the book no longer
        has.
    """
    plan = read_plan(_text(folder / PLAN))
    if not plan.exercises:
        raise _nothing(str(folder))
    earlier = folder / EARLIER_PLANS
    found = sorted(earlier.glob("plan-*.json"), key=_number) if earlier.is_dir() else []
    plans = (*(read_plan(_text(path)) for path in found), plan)
    decided = tuple(_decisions(folder))
    versions = plans, tuple(map(head_of, plans))
    decisions = decided, tuple(map(past_of, decided))
    return course_of(versions, decisions, kept_logs(folder), open_plan(folder), book, today)


def course_of(
    versions: tuple[Sequence[Plan], tuple[Head, ...]],
    decisions: tuple[Sequence[Decided], Sequence[Past]],
    logs: Sequence[Kept],
    homes: Sequence[HomePlan],
    book: Evidence,
    today: date,
) -> Opened:
    """Put the course of a patient together from what is kept, wherever that is.

    Parameters
    ----------
    versions : tuple of (sequence of Plan, tuple of Head)
        Every version, the first one first, and the same in short.
    decisions : tuple of (sequence of Decided, sequence of Past)
        Every decision, in order, and the same in short.
    logs : sequence of Kept
        Every hand-over of the diary, in the order of entering.
    homes : sequence of HomePlan
        What of each version went home.
    book : Evidence
        The evidence book.
    today : date
        The day on which it is looked at.

    Raises
    ------
    InputError
        The last version has no exercises, or a rung that the book no longer has.
    """
    (plans, heads), (decided, past) = versions, decisions
    plan = plans[-1]
    if not plan.exercises:
        raise _nothing(plan.exam.person.label)
    _known(plan, book)
    last = past[-1].on if past else None
    given, new = _entries(logs, {home.version: home for home in homes}, last)
    course = read_entries(given, book, heads[0].starts, plan.ends, today, last, new)
    return Opened(plan, plans, heads, decided, past, course, _since(heads))


# ------------------------------------------------------------------ in short


@dataclass(frozen=True)
class _PartOfRung(Part):
    places: tuple[int, ...]


@dataclass(frozen=True)
class _PartOfFitted(Part):
    rung: _PartOfRung


@dataclass(frozen=True)
class _PartOfExercise(Part):
    family: str
    side: Side
    both: bool
    fitted: _PartOfFitted
    dose_step: int


@dataclass(frozen=True)
class _PartOfExam(Part):
    on: date


@dataclass(frozen=True)
class _PartOfPlan(Part):
    starts: date
    exam: _PartOfExam
    exercises: tuple[_PartOfExercise, ...]


@dataclass(frozen=True)
class _WhatOfLine(Part):
    family: str
    side: Side
    both: bool


@dataclass(frozen=True)
class _PartOfLine(Part):
    exercise: _WhatOfLine
    outcome: Outcome
    reasons: tuple[Reason, ...]


@dataclass(frozen=True)
class _PartOfDecision(Part):
    on: date
    lines: tuple[_PartOfLine, ...]


@dataclass(frozen=True)
class _PartOfDecided(Part):
    decision: _PartOfDecision
    answers: tuple[tuple[str, Side, Answer], ...]


def head_of(plan: Plan | _PartOfPlan) -> Head:
    """A plan in short."""
    return Head(plan.starts, plan.exam.on, frozenset(map(_setting, plan.exercises)))


def head_in(text: str) -> Head:
    """The same of a plan's JSON text, without reading the rest of it.

    Raises
    ------
    InputError
        It is no plan.
    """
    return head_of(read_part(_PartOfPlan, text, PLAN))


def past_of(decided: Decided | _PartOfDecided) -> Past:
    """A decision in short."""
    answers = {(family, side): answer for family, side, answer in decided.answers}
    decision = decided.decision
    return Past(
        decision.on,
        next((answer.by for _, _, answer in decided.answers), ""),
        tuple(
            Advised(
                decision.on,
                line.exercise.family,
                line.exercise.side,
                line.exercise.both,
                line.outcome,
                line.reasons,
                answers.get((line.exercise.family, line.exercise.side)),
            )
            for line in decision.lines
        ),
    )


def past_in(text: str, where: str) -> Past:
    """The same of a decision's JSON text, without reading the rest of it.

    Raises
    ------
    InputError
        It is no decision.
    """
    return past_of(read_part(_PartOfDecided, text, where))


def _nothing(whose: str) -> InputError:
    fault = Fault("plan", f"{whose}, no exercise", "a programme", "There is nothing to follow.")
    return InputError("course", (fault,))


def kept_versions(
    folder: Path,
    decision: Decision | None = None,
    answers: Mapping[tuple[str, Side], Answer] | None = None,
) -> dict[str, bytes]:
    """What a folder keeps of its earlier versions when the next is written: name -> content.

    Parameters
    ----------
    folder : Path
        The plan's folder, as it is before.
    decision : Decision, optional
        What led to the next version; none when the plan was simply made anew.
    answers : mapping of (str, Side) to Answer, optional
        What the therapist said to it.
    """
    earlier = folder / EARLIER_PLANS
    found = sorted(earlier.glob("plan-*.json"), key=_number) if earlier.is_dir() else []
    kept = {f"{EARLIER_PLANS}/{path.name}": path.read_bytes() for path in found}
    kept[f"{EARLIER_PLANS}/plan-{len(found) + 1}.json"] = (folder / PLAN).read_bytes()
    path = folder / DECISIONS
    lines = path.read_bytes() if path.exists() else b""
    lines = lines[: lines.rfind(b"\n") + 1]
    if decision is not None:
        told = tuple((*key, answer) for key, answer in (answers or {}).items())
        made = plain(Decided(len(found) + 2, decision, told))
        lines += json.dumps(made, ensure_ascii=False).encode() + b"\n"
    return {**kept, **({DECISIONS: lines} if lines else {})}


def _number(path: Path) -> int:
    digits = path.stem.rpartition("-")[2]
    return int(digits) if digits.isdigit() else 0


def _decisions(folder: Path) -> Iterator[Decided]:
    path = folder / DECISIONS
    if not path.exists():
        return
    text = _text(path)
    for number, line in enumerate(text[: text.rfind("\n") + 1].splitlines(), 1):
        yield read_as(Decided, line, f"{path}, line {number}")


def _known(plan: Plan, book: Evidence) -> None:
    """Refuse rungs that the book no longer has in their place."""
    faults = []
    for e in plan.exercises:
        family = book.families.get(e.family)
        rung = e.fitted.rung
        there = family is not None and len(family.dials) == len(rung.places)
        if there and family is not None:
            there = e.dose_step <= len(family.doses) and all(
                dial.key == key and len(dial.notches) > place and dial.notches[place].key == notch
                for dial, place, (key, notch) in zip(
                    family.dials, rung.places, rung.notches, strict=True
                )
            )
        if not there:
            remedy = "The evidence has changed since. Examine again and make a new plan."
            faults.append(Fault("plan", rung.name, "a rung of the book", remedy))
    if faults:
        raise InputError("course", tuple(faults))


def _entries(
    logs: Sequence[Kept], homes: Mapping[int, HomePlan], decided: date | None
) -> tuple[list[Entry], list[Entry]]:
    """Entries that were in the diary at the last decision, and those that came after."""
    given: list[Entry] = []
    new: list[Entry] = []
    for kept in logs:
        home = homes.get(kept.log.version)
        if home is None:
            continue
        into = new if decided is not None and kept.entered > decided else given
        for session in kept.log.sessions:
            sure = not kept.ahead(session.on)
            for e in session.entries:
                line = home.lines[e.line]
                own = vars(e).copy()
                del own["line"]
                into.append(
                    Entry(session.on, line.family, line.side, line.both, counts_up=sure, **own)
                )
    return given, new


def _since(heads: Sequence[Head]) -> dict[tuple[str, Side], date]:
    """First day from which each exercise of the last version was at its present setting."""
    found: dict[tuple[str, Side], date] = {}
    for setting in heads[-1].settings:
        for head in reversed(heads):
            if setting not in head.settings:
                break
            found[setting[:2]] = head.starts
    return found


def _setting(e: Exercise | _PartOfExercise) -> Setting:
    return e.family, e.side, e.both, e.fitted.rung.places, e.dose_step


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        fault = Fault("plan", str(path), "a file written by rungwise", "Check the folder.")
        raise InputError("course", (fault,)) from None


# ------------------------------------------------------------------ the therapist's answers


def digest_of(decision: Decision, version: int = 1) -> str:
    """A short mark of advice: answers to it fit no other.

    Parameters
    ----------
    decision : Decision
        What is advised.
    version : int
        Version of the plan that it is about, 1 = first [1].
    """
    told: list[object] = [version, str(decision.on)]
    for line in decision.lines:
        e, step = line.exercise, line.step
        to = None if step is None else [step.places, step.dose_step, step.turned]
        rules = [reason.rule for reason in line.reasons]
        told.append([_setting(e), line.outcome, to, rules])
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:MARK]


def blank_answers(decision: Decision, version: int = 1) -> str:
    """A file to answer in: every line with its advice, and nothing chosen.

    Parameters
    ----------
    decision : Decision
        What is advised.
    version : int
        Version of the plan that it is about, 1 = first [1].
    """
    head = f"# Advice of {decision.on}. You decide: answer each line with accept, change or keep."
    mark = f'advice = "{digest_of(decision, version)}"    # the advice that is answered; leave it'
    parts = [f'{head}\n{mark}\nby = ""\n']
    for line in decision.lines:
        e = line.exercise
        side = "both" if e.both else e.side
        parts.append(
            f"\n[{e.family}.{side}]\n"
            f"# now: {e.fitted.rung.name}, dose step {e.dose_step}. "
            f"Advice: {line.outcome.upper()}\n"
            + "".join(f"# {reason.says}\n" for reason in line.reasons)
            + 'answer = ""\nwhy = ""    # needed for change and keep\n'
            "# for change, a dial with one of its notches, or: dose_step = 2\n"
        )
    return "".join(parts)


def read_answers(text: str, decision: Decision, version: int = 1) -> dict[tuple[str, Side], Answer]:
    """Read the therapist's answers.

    Parameters
    ----------
    text : str
        TOML as :func:`blank_answers` writes it.
    decision : Decision
        What is answered.
    version : int
        Version of the plan that it is about, 1 = first [1].

    Raises
    ------
    InputError
        Names every fault: no TOML, answers to other advice, an unknown line, an answer that is none
        of the words.
    """
    try:
        told = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        fault = Fault("file", str(error), "a TOML file", "Mend the line named.")
        raise InputError("answers", (fault,)) from None
    mark, due = str(told.pop("advice", "")), digest_of(decision, version)
    if mark != due:
        remedy = "The advice is another one now: new day, diary or plan. Decide again, answer that."
        fault = Fault("advice", mark or "nothing", due, remedy)
        raise InputError("answers", (fault,))
    by = str(told.pop("by", ""))
    sides: dict[tuple[str, str], Side] = {
        (line.exercise.family, "both" if line.exercise.both else line.exercise.side): (
            line.exercise.side
        )
        for line in decision.lines
    }
    found: dict[tuple[str, Side], Answer] = {}
    faults: list[Fault] = []
    for family, where, entry in _tables(told, faults):
        side = sides.get((family, where))
        name = f"{family}.{where}"
        if side is None:
            allowed = ", ".join(f"{f}.{s}" for f, s in sides)
            faults.append(Fault(name, "an answer", allowed, "There is no such line."))
            continue
        kind, why = str(entry.pop("answer", "")), str(entry.pop("why", ""))
        step = entry.pop("dose_step", None)
        if kind not in WORDS:
            faults.append(Fault(f"{name}.answer", kind or "nothing", " | ".join(WORDS), "Decide."))
            continue
        if step is not None and (type(step) is not int or step < 1):
            faults.append(
                Fault(f"{name}.dose_step", str(step), "a whole number from 1", "Mend it.")
            )
            continue
        if kind != "change" and (entry or step is not None):
            given = ", ".join([*entry, *(["dose_step"] if step is not None else [])])
            faults.append(Fault(name, given, "only answer and why", "Or answer change."))
            continue
        notches = {dial: str(notch) for dial, notch in entry.items()}
        found[family, side] = Answer(cast(Kind, kind), by.strip(), why, notches, step)
    if faults:
        raise InputError("answers", tuple(faults))
    return found


def _tables(
    told: Mapping[str, Any], faults: list[Fault]
) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for family, sides in told.items():
        if not isinstance(sides, dict):
            faults.append(Fault(family, str(sides), "a table for each line", "Write it as given."))
            continue
        for where, entry in sides.items():
            if isinstance(entry, dict):
                yield family, where, dict(entry)
            else:
                given = f"{family}.{where}"
                faults.append(Fault(given, str(entry), "a table for each line", "As given."))
