"""The diary of one plan, kept in the plan's folder: what was done at home, and how it felt.

A line of ``diary.jsonl`` is one hand-over: the sessions of a log code, or days typed from paper.
Lines are only ever added. Where a day and exercise come more than once the higher pain and the
smaller amount count, as for every decision; so no order of reading hides an alarm.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from itertools import groupby
from pathlib import Path
from typing import Any, BinaryIO

from rungwise.core.errors import Fault, InputError
from rungwise.core.followed import worse
from rungwise.locked import alone, alone_in
from rungwise.paper import plan_on, read_entries, read_grid, read_week
from rungwise.plan_code import (
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
    "NEW",
    "Call",
    "Kept",
    "Shown",
    "Taken",
    "add_log_code",
    "add_paper",
    "kept_logs",
    "open_plan",
    "read_entries",
    "read_grid",
    "read_kept",
    "read_week",
    "shown_days",
    "shown_of",
    "take_code",
    "take_paper",
    "write_kept",
]

CODE, EARLIER, DIARY = "plan-code.txt", "earlier-codes.txt", "diary.jsonl"
#: How far a phone may be ahead of the clinic: the next day has begun elsewhere.
AHEAD = timedelta(days=1)
#: What a hand-over that says nothing new should have held.
NEW = "something new"
Key = tuple[date, str, str, bool]


@dataclass(frozen=True)
class Kept:
    """One line of the diary file: where it came from, when it was entered, what it holds."""

    source: str
    entered: date
    log: HomeLog

    def ahead(self, day: date) -> bool:
        """Whether a day had not yet come anywhere when it was entered."""
        return day > self.entered + AHEAD


@dataclass(frozen=True)
class Shown:
    """One exercise on one day.

    Parameters
    ----------
    on : date
        The day.
    line : HomeLine
        The exercise.
    entry : HomeEntry
        How it went; of several entries the higher pain and the smaller amount.
    source : str
        Where the last one came from.
    times : int
        How often it was entered [1].
    outside : bool
        Whether the day is outside the plan, or had not come when it was entered.
    alike : bool
        Whether all entries of it say the same.
    """

    on: date
    line: HomeLine
    entry: HomeEntry
    source: str
    times: int
    outside: bool = False
    alike: bool = True


@dataclass(frozen=True)
class Call:
    """Why a patient must be called.

    Parameters
    ----------
    on : date
        The day.
    line : HomeLine
        The exercise.
    pain : int or None
        Worst pain 0-10 [1], where it is above the one at which to stop.
    most : int
        That one [1].
    sharp, warning : bool
        Sharp pain or locking; a new warning sign.
    """

    on: date
    line: HomeLine
    pain: int | None
    most: int
    sharp: bool
    warning: bool


@dataclass(frozen=True)
class Taken:
    """What was taken in.

    Parameters
    ----------
    part : int
        Which hand-over, 1 = first [1].
    days : tuple of date
        Its days.
    outside : tuple of date
        Those outside the plan or to come: kept and marked; they may stop, never raise.
    calls : tuple of Call
        Why the patient must be called.
    locked : bool
        Whether nobody else could write to the diary meanwhile.
    """

    part: int
    days: tuple[date, ...]
    outside: tuple[date, ...]
    calls: tuple[Call, ...]
    locked: bool


def open_plan(folder: Path) -> tuple[HomePlan, ...]:
    """The plans of a folder: the present one first, then its earlier versions, the newest first.

    Raises
    ------
    InputError
        When the folder holds no plan code, or a damaged one.
    """
    codes = [_text(folder / CODE), *_lines(folder / EARLIER)]
    present, *earlier = (read_plan_code(code) for code in codes)
    return (present, *sorted(earlier, key=lambda plan: -plan.version))


def add_log_code(folder: Path, text: str, today: date) -> Taken:
    """Take a log code into the diary; days outside the plan or to come are kept and marked.

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
        Another plan's, damaged, empty, or with nothing new.
    """
    with _alone(folder) as (file, locked):
        made, taken = take_code(kept_logs(folder), open_plan(folder), text, today)
        _append(file, folder / DIARY, made)
    return replace(taken, locked=locked)


def take_code(
    known: Sequence[Kept], plans: Sequence[HomePlan], text: str, today: date
) -> tuple[Kept, Taken]:
    """What a log code adds to a diary, wherever that is kept.

    Parameters
    ----------
    known : sequence of Kept
        The diary so far.
    plans : sequence of HomePlan
        Versions of the plan, the newest first.
    text : str
        The code.
    today : date
        Day it is entered.

    Raises
    ------
    InputError
        As :func:`add_log_code`.
    """
    number_of(text)
    return _take(known, Kept("code", today, _first_that_fits(plans, text)), plans)


def _first_that_fits(plans: Sequence[HomePlan], text: str) -> HomeLog:
    faults: list[InputError] = []
    for plan in plans:
        try:
            return read_log_code(text, plan)
        except InputError as error:
            faults.append(error)
    raise faults[0]


def add_paper(
    folder: Path,
    sessions: Sequence[HomeSession],
    today: date,
    version: int | None = None,
    newest: int | None = None,
) -> Taken:
    """Take days typed from paper into the diary.

    Parameters
    ----------
    folder : Path
        The plan's folder.
    sessions : sequence of HomeSession
        The days.
    today : date
        Day they are entered.
    version : int, optional
        Version of the plan on whose sheet they stand; by default the newest that holds the day.
    newest : int, optional
        Newest version that there was when the days were read.

    Raises
    ------
    InputError
        Days outside the plan or in the future, none, or with nothing new; the plan was renewed
        since they were read.
    """
    with _alone(folder) as (file, locked):
        plans = open_plan(folder)
        if newest is not None and plans[0].version != newest:
            given, allowed = f"days of version {newest}", f"days of version {plans[0].version}"
            raise _refused(
                "plan", given, allowed, "The plan was renewed meanwhile. Read them anew."
            )
        made, taken = take_paper(kept_logs(folder), plans, sessions, today, version)
        for one in made:
            _append(file, folder / DIARY, one)
    return replace(taken, locked=locked)


def take_paper(
    known: Sequence[Kept],
    plans: Sequence[HomePlan],
    sessions: Sequence[HomeSession],
    today: date,
    version: int | None = None,
) -> tuple[tuple[Kept, ...], Taken]:
    """What days typed from paper add to a diary, wherever that is kept.

    Parameters
    ----------
    known : sequence of Kept
        The diary so far.
    plans : sequence of HomePlan
        Versions of the plan, the newest first.
    sessions, today, version
        As for :func:`add_paper`.

    Raises
    ------
    InputError
        As :func:`add_paper`.
    """
    mine = [plan for plan in plans if version in (None, plan.version)]
    _check_days(sessions, mine, today)
    order = sorted((s for s in sessions if s.entries), key=lambda s: s.on)
    part = 1 + sum(kept.source == "paper" for kept in known)
    groups = groupby(order, key=lambda s: plan_on(s.on, mine).version)
    logs = [HomeLog(plans[0].number, n, part, tuple(days)) for n, days in groups]
    fresh = [log for log in logs if _adds(known, log, plans)]
    told = [_take(known, Kept("paper", today, log), plans) for log in fresh or logs]
    days = tuple(day for _, one in told for day in one.days)
    calls = tuple(call for _, one in told for call in one.calls)
    return tuple(kept for kept, _ in told), Taken(part, days, (), calls, True)


def shown_days(folder: Path) -> tuple[Shown, ...]:
    """Every exercise of every day; of several entries the higher pain and the smaller amount."""
    return shown_of(kept_logs(folder), open_plan(folder))


def shown_of(logs: Iterable[Kept], plans: Sequence[HomePlan]) -> tuple[Shown, ...]:
    """The same of hand-overs, wherever they are kept."""
    found = _merged(logs, plans)
    return tuple(found[key] for key in sorted(found))


# ------------------------------------------------------------------ taking in


def _merged(logs: Iterable[Kept], plans: Sequence[HomePlan]) -> dict[Key, Shown]:
    versions = {plan.version: plan for plan in plans}
    found: dict[Key, Shown] = {}
    for kept in logs:
        plan = versions.get(kept.log.version)
        if plan is None:
            continue
        for session in kept.log.sessions:
            outside = kept.ahead(session.on) or not plan.starts <= session.on <= plan.ends
            for entry in session.entries:
                line = plan.lines[entry.line]
                key = (session.on, line.family, line.side, line.both)
                before, times, alike = found.get(key), 1, True
                if before is not None:
                    same = replace(before.entry, line=entry.line) == entry
                    alike = before.alike and same
                    entry = replace(worse(before.entry, entry), line=entry.line)
                    outside, times = outside and before.outside, before.times + 1
                found[key] = Shown(session.on, line, entry, kept.source, times, outside, alike)
    return found


def _adds(known: Sequence[Kept], log: HomeLog, plans: Sequence[HomePlan]) -> bool:
    """Whether a log says anything that the diary does not say already."""
    before = _merged(known, plans)
    after = _merged([*known, Kept("", date.max - AHEAD, log)], plans)
    return any(
        key not in before or replace(one.entry, line=0) != replace(before[key].entry, line=0)
        for key, one in after.items()
    )


def _take(known: Sequence[Kept], kept: Kept, plans: Sequence[HomePlan]) -> tuple[Kept, Taken]:
    """One hand-over and what it says, if there is anything new in it."""
    log = kept.log
    if not any(session.entries for session in log.sessions):
        raise _refused("diary", "nothing", "at least one entry", "Name what was done.")
    if not _adds(known, log, plans):
        again = any(old.log == log for old in known) or kept.source == "paper"
        remedy = "It is in the diary already." if again else "An older hand-over: the diary has it."
        what = "log code" if kept.source == "code" else "paper"
        raise _refused(what, f"part {log.part}", NEW, remedy)
    shown = _merged([kept], plans).values()
    plan = next(p for p in plans if p.version == log.version)
    return kept, Taken(
        log.part,
        tuple(session.on for session in log.sessions),
        tuple(dict.fromkeys(one.on for one in shown if one.outside)),
        tuple(call for one in shown if (call := _call(one, plan.pain_most))),
        True,
    )


def _call(one: Shown, most: int) -> Call | None:
    e = one.entry
    pain = max((p for p in (e.before, e.during, e.morning) if p is not None), default=0)
    high = pain if pain > most else None
    if high is None and not e.sharp and not e.warning:
        return None
    return Call(one.on, one.line, high, most, e.sharp, e.warning)


def _refused(*parts: str) -> InputError:
    return InputError("diary", (Fault(*parts),))


def _check_days(sessions: Sequence[HomeSession], plans: Sequence[HomePlan], today: date) -> None:
    faults = []
    for day in (s.on for s in sessions):
        plan = plan_on(day, plans)
        last = min(plan.ends, today)
        if not plan.starts <= day <= last:
            allowed = f"{plan.starts} to {last}"
            faults.append(Fault("day", str(day), allowed, "It is outside the plan, or to come."))
    if not any(s.entries for s in sessions):
        faults.append(Fault("diary", "nothing", "at least one entry", "Name what was done."))
    if faults:
        raise InputError("diary", tuple(faults))


# ------------------------------------------------------------------ files


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


def kept_logs(folder: Path) -> list[Kept]:
    """Every hand-over of a diary as it was written, in the order of entering.

    Raises
    ------
    InputError
        A damaged line.
    """
    found: list[Kept] = []
    for number, line in enumerate(_lines(folder / DIARY), 1):
        try:
            found.append(read_kept(line))
        except (ValueError, KeyError, TypeError):
            where = f"{folder / DIARY}, line {number}"
            fault = Fault(where, "damaged", "a line written by rungwise", "Mend or remove it.")
            raise InputError("diary", (fault,)) from None
    return found


def read_kept(line: str) -> Kept:
    """A hand-over as :func:`write_kept` wrote it.

    Raises
    ------
    ValueError, KeyError, TypeError
        It is damaged.
    """
    data: Mapping[str, Any] = json.loads(line)
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


def write_kept(kept: Kept) -> str:
    """A hand-over as one line of JSON."""
    data = asdict(replace(kept, log=replace(kept.log, number=b"")))
    data["entered"] = kept.entered.isoformat()
    data["log"]["number"] = kept.log.number.hex()
    for session in data["log"]["sessions"]:
        session["on"] = session["on"].isoformat()
    return json.dumps(data)


@contextmanager
def _alone(folder: Path) -> Iterator[tuple[BinaryIO, bool]]:
    """The diary file, open to be added to by nobody else, and whether it could be locked.

    No other version of the plan comes into its place meanwhile.
    """
    path = folder / DIARY
    try:
        with alone_in(folder):
            _text(folder / CODE)
            with path.open("a+b") as file, alone(file) as locked:
                yield file, locked
    except OSError as error:
        why = error.strerror or str(error)
        raise _refused("diary", str(path), "a file that can be written", why) from None


def _append(file: BinaryIO, path: Path, kept: Kept) -> None:
    """Add one line, whole or not at all: a line without its end is cut off first."""
    whole = path.read_bytes().rfind(b"\n") + 1
    file.truncate(whole)
    file.write(write_kept(kept).encode() + b"\n")
    file.flush()
    os.fsync(file.fileno())
