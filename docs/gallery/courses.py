"""Follow an invented person for twelve weeks through the very verbs a clinic uses.

Examination, plan, diary, decision, answers, next version: nothing is computed here. What the
person did and what the therapist said is scripted in ``stories.toml``.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from rungwise.clinic import (
    add_log_code,
    add_paper,
    decide_now,
    demo_exams,
    hand_over,
    make_plan,
    open_plan,
    read_exam,
    read_grid,
    renew_plan,
)
from rungwise.core.evidence import Evidence
from rungwise.core.progress import Decision, Line
from rungwise.core.renew import renew
from rungwise.core.series import Taken
from rungwise.core.terms import SIDES, Exam, Plan, Side, other
from rungwise.course import digest_of, read_answers
from rungwise.diary import kept_logs
from rungwise.handout import build_notice, changed_lines
from rungwise.plan_code import HomeEntry, HomeLine, HomeLog, HomePlan, HomeSession, write_log_code
from rungwise.words import load_words

__all__ = ["DAYS", "Pain", "Story", "Told", "follow", "toml"]

#: Length of a story [d].
DAYS = 84
WEEK = 7
Table = dict[str, Any]


@dataclass(frozen=True)
class Pain:
    """What a foot was rated on a day, 0-10 [1]; None when not asked."""

    before: int | None
    during: int | None
    morning: int | None


@dataclass(frozen=True)
class Told:
    """One visit: what was found, advised, answered and told.

    Parameters
    ----------
    day : int
        Days since the first examination [d].
    says : str
        What happened, as scripted.
    plan : Plan
        The version that goes home; at the last visit the one that was followed.
    decision : Decision or None
        What was advised; None where there was nothing to decide on.
    answers : mapping of str to str
        ``family.side`` -> what the therapist said, if it was not accept.
    patient : tuple of str
        What the patient reads.
    examined : bool
        Whether the person was examined on that day.
    then : {"renew", "anew", "wait", "end"}
        The next version from the answers; a plan made anew; nothing goes home; the story ends.
    """

    day: int
    says: str
    plan: Plan
    decision: Decision | None
    answers: Mapping[str, str]
    patient: tuple[str, ...]
    examined: bool
    then: str


@dataclass(frozen=True)
class Story:
    """Twelve weeks of one person.

    Parameters
    ----------
    name : str
        Which of the invented people.
    script : dict
        What was scripted.
    first : date
        Day of the first examination.
    side : {"right", "left"}
        The worse foot.
    exams : tuple of Exam
        Every examination, in order.
    bends : tuple of tuple of Taken
        Readings of the bend of the worse foot, one group for each day that it was measured.
    visits : tuple of Told
        Every visit, in order.
    pains : mapping of int to Pain
        Day -> pain of the worse foot, as far as the diary asked for it.
    """

    name: str
    script: Table
    first: date
    side: Side
    exams: tuple[Exam, ...]
    bends: tuple[tuple[Taken, ...], ...]
    visits: tuple[Told, ...]
    pains: Mapping[int, Pain]


def follow(name: str, script: Table, book: Evidence, folder: Path) -> Story:
    """Lead one person through.

    Parameters
    ----------
    name : str
        One of the invented people.
    script : dict
        Table of that person in ``stories.toml``.
    book : Evidence
        The evidence book.
    folder : Path
        An empty place for the folder of the plan.
    """
    table = tomllib.loads(demo_exams()[name])
    first: date = table["date"]
    worse: Side = "left" if table["worse_side"] == "left" else "right"
    days = dict(_days(script["diary"], worse))
    home, exam = folder / name, read_exam(toml(table), book)
    exams, read_anew = [exam], [exam]
    plan = make_plan(exam, book, first)
    hand_over(plan, book, home, _stamp(first))
    visits = [Told(0, script["about"], plan, None, {}, _notice(plan, book), True, "anew")]
    for visit in script["visit"]:
        today, fresh = first + timedelta(days=visit["day"]), "exam" in visit
        if fresh:
            _examine_anew(table, visit, today)
            exam = read_exam(toml(table), book)
            exams.append(exam)
        decision: Decision | None = None
        said: dict[str, str] = {}
        read: tuple[str, ...] = ()
        if plan.exercises:
            span = range(visits[-1].day, visit["day"] + 1)
            _hear(home, script, first, [day for day in span if day in days], days, today)
            newer = exam if fresh else None
            opened, feet, decision = decide_now(home, book, today, newer)
            version = len(opened.plans)
            own = [*visit.get("answers", ()), *script.get("answers", ())]
            text, said = _answered(decision, version, exam.therapist, own)
            if visit.get("then", "renew") == "renew":
                given = read_answers(text, decision, version)
                after = renew(opened.plan, decision, given, feet, book)
                read = changed_lines(decision, given, load_words("en"), after)
                if visit["day"] < DAYS:
                    plan, _, _ = renew_plan(home, book, today, text, _stamp(today), newer)
        if fresh and (decision is None or visit.get("then") == "anew"):
            plan = make_plan(exam, book, today)
            hand_over(plan, book, home, _stamp(today), replace=True)
        if not plan.exercises:
            read = _notice(plan, book)
        then = visit.get("then", "renew") if decision else "anew"
        if visit["day"] == DAYS and decision:
            then = "end"
        visits.append(Told(visit["day"], visit["says"], plan, decision, said, read, fresh, then))
        if fresh and "bend" in str(visit["exam"]):
            read_anew.append(exam)
    pains = {day: pain[worse] for day, pain in days.items()}
    if script["from"] == "paper":
        pains = {day: Pain(None, pain.during, pain.morning) for day, pain in pains.items()}
    return Story(
        name, script, first, worse, tuple(exams), _bends(read_anew, worse), tuple(visits), pains
    )


def _bends(exams: Sequence[Exam], side: Side) -> tuple[tuple[Taken, ...], ...]:
    return tuple(
        tuple(Taken(one, exam.therapist) for one in exam.readings("mtp_dorsiflexion_deg", side))
        for exam in exams
    )


def _stamp(on: date) -> datetime:
    return datetime.combine(on, time(12), UTC)


def _notice(plan: Plan, book: Evidence) -> tuple[str, ...]:
    """What a person without exercises reads, the most urgent first."""
    if plan.exercises:
        return ()
    sheet = build_notice(plan, book, load_words("en"))
    lines = [f"{sheet.stopped.heading}:"]
    for notice in sheet.stopped.notices:
        found = (part for one in notice.findings for part in vars(one).values())
        lines += [notice.heading, *notice.lines]
        lines += [text for text in found if isinstance(text, str) and " " in text]
    return (*lines, *sheet.then)


# ------------------------------------------------------------------ the examination


def _examine_anew(table: Table, visit: Table, today: date) -> None:
    """Copy an examination to a later day: what was found anew replaces what was there."""
    for place in visit.get("drop", ()):
        *path, last = place.split(".")
        del _at(table, path)[last]
    for place, value in visit["exam"].items():
        *path, last = place.split(".")
        if last == "bend":
            way = dict(_at(table, path)["mtp_dorsiflexion_deg"][0])
            value, last = [way | {"value": deg} for deg in value], "mtp_dorsiflexion_deg"
        _at(table, path)[last] = value
    table["date"] = today


def _at(table: Any, path: Sequence[str]) -> Any:
    for key in path:
        table = table[int(key) if isinstance(table, list) else key]
    return table


def toml(table: Table, path: str = "") -> str:
    """Write a table of plain values, tables, and lists of them as TOML."""
    own, below = [], []
    for key, value in table.items():
        name = f"{path}{key}"
        if isinstance(value, dict):
            only_tables = value and all(isinstance(one, dict) for one in value.values())
            head = "" if only_tables else f"\n[{name}]\n"
            below.append(head + toml(value, f"{name}."))
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            below += [f"\n[[{name}]]\n{toml(one, name + '.')}" for one in value]
        else:
            own.append(f"{key} = {_value(value)}\n")
    return "".join((*own, *below))


def _value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    return str(value)


# ------------------------------------------------------------------ the diary


def _days(weeks: Sequence[str], worse: Side) -> Iterator[tuple[int, dict[Side, Pain]]]:
    """Each day with exercise -> pain of each foot."""
    for week, line in enumerate(weeks):
        if line:
            on, *pains = (part.split() for part in line.split("|"))
            first, second = (p * len(on) if len(p) == 1 else p for p in pains)
            for day, a, b in zip(on, first, second, strict=True):
                yield WEEK * week + int(day) - 1, {worse: _pain(a), other(worse): _pain(b)}


def _pain(text: str) -> Pain:
    return Pain(*(int(part) if part else None for part in text.split("/")))


def _hear(
    folder: Path,
    script: Table,
    first: date,
    on: Sequence[int],
    days: Mapping[int, Mapping[Side, Pain]],
    today: date,
) -> None:
    """Put what was done since the last visit into the diary, by log code or from paper."""
    home = open_plan(folder)[0]
    on = [day for day in on if home.starts <= first + timedelta(days=day) < today or
          _event(script, day, "").get("warning")]  # fmt: skip
    done = {
        day: [i for i, line in enumerate(home.lines) if day in _its_days(line, on)] for day in on
    }
    sessions = [
        HomeSession(
            first + timedelta(days=day),
            tuple(_entry(script, day, i, home, days[day]) for i in done[day]),
        )
        for day in on
        if done[day]
    ]
    if not sessions:
        return
    if script["from"] == "paper":
        add_paper(folder, read_grid(_grid(sessions), home), today)
        return
    part = 1 + sum(kept.log.version == home.version for kept in kept_logs(folder))
    log = HomeLog(home.number, home.version, part, tuple(sessions))
    add_log_code(folder, write_log_code(log, home), today)


def _its_days(line: HomeLine, on: Sequence[int]) -> set[int]:
    """Of the days of each week those on which an exercise was done: as many as it asks for."""
    kept: set[int] = set()
    for week in {day // WEEK for day in on}:
        found = [day for day in on if day // WEEK == week]
        most = min(line.dose.days_per_week, len(found))
        step = (len(found) - 1) / max(most - 1, 1)
        kept |= {found[round(i * step)] for i in range(most)}
    return kept


def _event(script: Table, day: int, family: str) -> Table:
    """What was out of the common on a day."""
    found: Table = {}
    for event in script.get("event", ()):
        if event["from"] <= day <= event["to"] and event.get("family", family) == family:
            found |= event
    return found


def _entry(
    script: Table, day: int, place: int, home: HomePlan, pains: Mapping[Side, Pain]
) -> HomeEntry:
    line = home.lines[place]
    felt = [pains[side] for side in SIDES if line.both or side == line.side]

    def worst(name: str) -> int | None:
        return max((p for one in felt if (p := getattr(one, name)) is not None), default=None)

    event = _event(script, day, line.family)
    done, times = event.get("done", "all"), event.get("times", 1)
    return HomeEntry(
        place,
        done,
        event.get("why", ""),
        sets=times * line.dose.sets if done == "all" else 1,
        reps=line.dose.reps if done == "all" else max(1, line.dose.reps // 2),
        before=worst("before"),
        during=worst("during"),
        morning=worst("morning"),
        warning=event.get("warning", False) and place == 0,
    )


def _grid(sessions: Sequence[HomeSession]) -> str:
    """The same as typed from paper, which asks for less."""
    rows = ["day,line,done,why_not,during,morning"]
    for session in sessions:
        for e in session.entries:
            pains = ["" if p is None else str(p) for p in (e.during, e.morning)]
            rows.append(",".join((str(session.on), str(e.line + 1), e.done, e.why_not, *pains)))
    return "\n".join(rows) + "\n"


# ------------------------------------------------------------------ the therapist


def _answered(
    decision: Decision, version: int, by: str, own: Sequence[Table]
) -> tuple[str, dict[str, str]]:
    """The file of answers: accept, but for what is scripted; and the latter in words."""
    mark = digest_of(decision, version)
    text, told = [f"advice = {_value(mark)}\nby = {_value(by)}\n"], {}
    for line in decision.lines:
        e = line.exercise
        side = "both" if e.both else e.side
        chosen = next((a for a in own if _meant(a, e.family, side, line)), None)
        answer: Table = {"answer": "accept"}
        if chosen is not None:
            answer = {"answer": chosen["kind"], "why": chosen["why"], **chosen.get("set", {})}
            told[f"{e.family}.{side}"] = f"{chosen['kind']}: {chosen['why']}"
        text.append(toml({e.family: {side: answer}}))
    return "".join(text), told


def _meant(answer: Table, family: str, side: str, line: Line) -> bool:
    """Whether a scripted answer is to this line; ``rules`` names first reasons it is kept for."""
    if answer.get("family", family) != family or side not in answer["side"].split():
        return False
    rules = answer.get("rules", ())
    return not rules or (line.outcome == "down" and line.reasons[0].rule in rules)
