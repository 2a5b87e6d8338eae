"""The diary of one plan, kept in the plan's folder: what was done at home, and how it felt.

A line of ``diary.jsonl`` is one hand-over: the sessions of a log code, or days typed from paper.
Lines are only ever added. When a day and exercise come twice the later line counts, and both are
shown.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from rungwise.core.errors import Fault, InputError
from rungwise.plan_code import (
    WHY_NOT,
    HomeEntry,
    HomeLine,
    HomeLog,
    HomePlan,
    HomeSession,
    number_of,
    read_log_code,
    read_plan_code,
)

__all__ = [
    "CODE",
    "DIARY",
    "EARLIER",
    "Kept",
    "Shown",
    "add_log_code",
    "add_paper",
    "open_plan",
    "read_entries",
    "read_grid",
    "shown_days",
]

CODE, EARLIER, DIARY = "plan-code.txt", "earlier-codes.txt", "diary.jsonl"
DONE = ("all", "part", "none")
ENTRY = re.compile(r"(?P<line>\d+)=(?P<done>[a-z]+)(:(?P<why>[a-z_]+))?(?P<pains>(/\d*){0,2})")
COLUMNS = ("day", "line", "done", "why_not", "during", "morning")


@dataclass(frozen=True)
class Kept:
    """One line of the diary file: where it came from, when it was entered, what it holds."""

    source: str
    entered: date
    log: HomeLog


@dataclass(frozen=True)
class Shown:
    """One exercise on one day, and whether it was entered more than once."""

    on: date
    line: HomeLine
    entry: HomeEntry
    source: str
    times: int


def open_plan(folder: Path) -> tuple[HomePlan, ...]:
    """The plans of a folder: the present one first, then its earlier versions.

    Raises
    ------
    InputError
        When the folder holds no plan code, or a damaged one.
    """
    codes = [_text(folder / CODE), *_lines(folder / EARLIER)]
    return tuple(read_plan_code(code) for code in codes)


def add_log_code(folder: Path, text: str, today: date) -> HomeLog:
    """Take a log code into the diary.

    Parameters
    ----------
    folder : Path
        The plan's folder.
    text : str
        The code.
    today : date
        Day it is entered.

    Raises
    ------
    InputError
        Another plan's, damaged, repeated, or with days that cannot be.
    """
    plans = open_plan(folder)
    number_of(text)
    log = _first_that_fits(plans, text)
    plan = next(p for p in plans if p.version == log.version)
    if any(kept.log == log for kept in _kept(folder)):
        fault = Fault("log code", f"part {log.part}", "a new one", "It is in the diary already.")
        raise InputError("diary", (fault,))
    _check_days(log.sessions, plan, today)
    _append(folder, Kept("code", today, log))
    return log


def _first_that_fits(plans: Sequence[HomePlan], text: str) -> HomeLog:
    faults: list[InputError] = []
    for plan in plans:
        try:
            return read_log_code(text, plan)
        except InputError as error:
            faults.append(error)
    raise faults[0]


def read_entries(texts: Iterable[str], on: date, plan: HomePlan) -> HomeSession:
    """Read one day as typed: ``LINE=DONE[:WHY][/DURING[/MORNING]]``, such as ``1=all/3/2``.

    Parameters
    ----------
    texts : iterable of str
        One for each exercise; lines are counted from 1 as in the diary grid.
    on : date
        The day.
    plan : HomePlan
        The plan that was followed.

    Raises
    ------
    InputError
        Names every entry that cannot be read.
    """
    rows: list[Mapping[str, str]] = []
    faults: list[Fault] = []
    for text in texts:
        match = ENTRY.fullmatch(text.strip())
        if match is None:
            allowed = "LINE=all|part|none[:WHY][/PAIN DURING[/PAIN NEXT MORNING]]"
            faults.append(Fault("entry", repr(text[:40]), allowed, "Such as 1=all/3/2."))
            continue
        pains = [*match["pains"].split("/")[1:], "", ""]
        rows.append(
            {
                "day": on.isoformat(),
                "line": match["line"],
                "done": match["done"],
                "why_not": match["why"] or "",
                "during": pains[0],
                "morning": pains[1],
            }
        )
    sessions = _sessions(rows, plan, faults)
    return sessions[0] if sessions else HomeSession(on, ())


def read_grid(text: str, plan: HomePlan) -> tuple[HomeSession, ...]:
    """Read days from CSV: day, line, done, why_not, during, morning; empty = not asked.

    Raises
    ------
    InputError
        Names every fault by its row.
    """
    reader = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")))
    header = tuple(reader.fieldnames or ())
    if not {"day", "line", "done"} <= set(header) <= set(COLUMNS):
        allowed = ", ".join(COLUMNS)
        fault = Fault("header", ", ".join(map(str, header)), allowed, "Name the columns so.")
        raise InputError("diary", (fault,))
    rows = [{key: (row.get(key) or "") for key in COLUMNS} for row in reader]
    return _sessions(rows, plan, [])


def add_paper(folder: Path, sessions: Sequence[HomeSession], today: date) -> HomeLog:
    """Take days typed from paper into the diary of the present plan.

    Raises
    ------
    InputError
        Days outside the plan or in the future.
    """
    plan = open_plan(folder)[0]
    _check_days(sessions, plan, today)
    part = 1 + sum(kept.source == "paper" for kept in _kept(folder))
    log = HomeLog(plan.number, plan.version, part, tuple(sorted(sessions, key=lambda s: s.on)))
    _append(folder, Kept("paper", today, log))
    return log


def shown_days(folder: Path) -> tuple[Shown, ...]:
    """Every exercise of every day, the later entry of the same day and exercise counting."""
    plans = {plan.version: plan for plan in open_plan(folder)}
    found: dict[tuple[date, int, int], Shown] = {}
    for kept in _kept(folder):
        plan = plans.get(kept.log.version)
        if plan is None:
            continue
        for session in kept.log.sessions:
            for entry in session.entries:
                key = (session.on, kept.log.version, entry.line)
                times = found[key].times + 1 if key in found else 1
                line = plan.lines[entry.line]
                found[key] = Shown(session.on, line, entry, kept.source, times)
    return tuple(found[key] for key in sorted(found))


# ------------------------------------------------------------------ rows, days, files


def _sessions(
    rows: Sequence[Mapping[str, str]], plan: HomePlan, faults: list[Fault]
) -> tuple[HomeSession, ...]:
    days: dict[date, dict[int, HomeEntry]] = {}
    for number, row in enumerate(rows, 1):
        before = len(faults)
        day = _day(row["day"], number, faults)
        line = _whole(row["line"], 1, len(plan.lines), f"row {number}.line", faults)
        done = _word(row["done"], DONE, f"row {number}.done", faults)
        why = _word(row["why_not"], WHY_NOT, f"row {number}.why_not", faults)
        during = _pain(row["during"], f"row {number}.during", faults)
        morning = _pain(row["morning"], f"row {number}.morning", faults)
        if len(faults) > before or day is None or line is None:
            continue
        if line - 1 in days.setdefault(day, {}):
            field = f"row {number}.line"
            faults.append(Fault(field, f"{line} on {day}", "each line once a day", "Merge them."))
        if done == "all" and why:
            field = f"row {number}.why_not"
            faults.append(Fault(field, why, "nothing, since all was done", "Leave it out."))
        dose = plan.lines[line - 1].dose
        all_of_it = done == "all"
        days[day][line - 1] = HomeEntry(
            line - 1,
            done,
            why,
            sets=dose.sets if all_of_it else 0,
            reps=dose.reps if all_of_it else 0,
            during=during,
            morning=morning,
        )
    if faults:
        raise InputError("diary", tuple(faults))
    return tuple(HomeSession(day, tuple(found.values())) for day, found in sorted(days.items()))


def _day(text: str, number: int, faults: list[Fault]) -> date | None:
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        faults.append(Fault(f"row {number}.day", text, "a day such as 2026-03-05", "Write it so."))
        return None


def _whole(text: str, low: int, high: int, field: str, faults: list[Fault]) -> int | None:
    if text.strip().isascii() and text.strip().isdigit() and low <= int(text) <= high:
        return int(text)
    faults.append(Fault(field, text or "nothing", f"{low} to {high}", "Write a whole number."))
    return None


def _pain(text: str, field: str, faults: list[Fault]) -> int | None:
    return _whole(text, 0, 10, field, faults) if text.strip() else None


def _word(text: str, allowed: Sequence[str], field: str, faults: list[Fault]) -> str:
    word = text.strip()
    if word not in allowed:
        near = get_close_matches(word, allowed, 1)
        hint = f"Did you mean {near[0]}?" if near and near[0] else "Use one of them."
        faults.append(Fault(field, word or "nothing", " | ".join(filter(None, allowed)), hint))
    return word


def _check_days(sessions: Sequence[HomeSession], plan: HomePlan, today: date) -> None:
    last = min(plan.ends, today)
    faults = [
        Fault("day", str(s.on), f"{plan.starts} to {last}", "It is outside the plan, or to come.")
        for s in sessions
        if not plan.starts <= s.on <= last
    ]
    if not any(s.entries for s in sessions):
        faults.append(Fault("diary", "nothing", "at least one entry", "Name what was done."))
    if faults:
        raise InputError("diary", tuple(faults))


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        fault = Fault("plan", str(path), "a folder written by rungwise plan", "Check the folder.")
        raise InputError("diary", (fault,)) from None


def _lines(path: Path) -> list[str]:
    """Lines of a file that are whole; one that a killed process left without its end is not."""
    whole = _text(path).rpartition("\n")[0] if path.exists() else ""
    return [line for line in whole.split("\n") if line]


def _kept(folder: Path) -> list[Kept]:
    found: list[Kept] = []
    for number, line in enumerate(_lines(folder / DIARY), 1):
        try:
            found.append(_kept_from(json.loads(line)))
        except (ValueError, KeyError, TypeError):
            where = f"{folder / DIARY}, line {number}"
            fault = Fault(where, "damaged", "a line written by rungwise", "Mend or remove it.")
            raise InputError("diary", (fault,)) from None
    return found


def _kept_from(data: Mapping[str, Any]) -> Kept:
    sessions = tuple(
        HomeSession(
            date.fromisoformat(s["on"]), tuple(HomeEntry(**entry) for entry in s["entries"])
        )
        for s in data["log"]["sessions"]
    )
    log = HomeLog(
        bytes.fromhex(data["log"]["number"]), data["log"]["version"], data["log"]["part"], sessions
    )
    return Kept(data["source"], date.fromisoformat(data["entered"]), log)


def _append(folder: Path, kept: Kept) -> None:
    """Add one line, whole or not at all: a line without its end is cut off first."""
    data = asdict(replace(kept, log=replace(kept.log, number=b"")))
    data["entered"] = kept.entered.isoformat()
    data["log"]["number"] = kept.log.number.hex()
    for session in data["log"]["sessions"]:
        session["on"] = session["on"].isoformat()
    path = folder / DIARY
    try:
        with path.open("a+b") as file:
            whole = _whole_end(path)
            file.truncate(whole)
            file.write(json.dumps(data).encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        why = error.strerror or str(error)
        fault = Fault("diary", str(path), "a file that can be written", why)
        raise InputError("diary", (fault,)) from None


def _whole_end(path: Path) -> int:
    return path.read_bytes().rfind(b"\n") + 1
