"""One patient's way through, as a therapist tells it. The only place where edges meet the core."""

from __future__ import annotations

import glob
import os
import shutil
import tempfile
import time
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from importlib.resources import files
from pathlib import Path
from secrets import token_bytes

from rungwise.book import joint_of, load_book, read_overrides
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.grade import grade
from rungwise.core.group import GroupClass, class_rungs, make_class, read_choices
from rungwise.core.ladder import Ladder, build_ladder
from rungwise.core.prescribe import less_painful, prescribe
from rungwise.core.screen import screen
from rungwise.core.terms import SIDES, Exam, Grade, Pin, Plan, Reason, Screening, Side
from rungwise.diary import (
    CODE,
    DIARY,
    EARLIER,
    add_log_code,
    add_paper,
    open_plan,
    read_entries,
    read_grid,
    shown_days,
)
from rungwise.exam_file import blank_exam, exam_schema, read_exam, read_pins
from rungwise.plain import to_json
from rungwise.plan_code import HomePlan, home_plan, write_plan_code
from rungwise.report import plan_report
from rungwise.uses import uses_of

__all__ = [
    "add_log_code",
    "add_paper",
    "blank_exam",
    "class_sheets",
    "class_ways",
    "demo_exams",
    "exam_schema",
    "examine",
    "group_class",
    "hand_over",
    "ladders_of",
    "make_plan",
    "open_book",
    "open_plan",
    "read_entries",
    "read_exam",
    "read_grid",
    "read_pins",
    "sheets",
    "shown_days",
    "uses_of",
    "write_folder",
    "write_plan_code",
]

#: Age at which a folder in the making was left by a killed process [s].
STALE_S = 3600


def open_book(overrides: str | None = None) -> Evidence:
    """Open the evidence book, with a clinic's own values if there are any.

    Parameters
    ----------
    overrides : str, optional
        Text of the clinic's TOML file.

    Raises
    ------
    InputError
        Names every fault of the clinic's file.
    """
    book = load_book()
    return book if overrides is None else load_book(overrides=read_overrides(overrides, book))


def demo_exams() -> dict[str, str]:
    """The invented people: name -> the examination's TOML text."""
    folder = files("rungwise") / "data" / "demo"
    entries = sorted(folder.iterdir(), key=lambda entry: entry.name)
    return {e.name.removesuffix(".toml"): e.read_text("utf-8") for e in entries}


def examine(exam: Exam, book: Evidence, today: date) -> tuple[Screening, dict[Side, Grade]]:
    """Screen and grade an examination.

    Parameters
    ----------
    exam : Exam
        The examination.
    book : Evidence
        The evidence book.
    today : date
        The screen may not be older than the book allows.
    """
    return screen(exam, book, today), {side: grade(exam, book, side) for side in SIDES}


def ladders_of(exam: Exam, book: Evidence) -> dict[Side, Ladder]:
    """The ladder of each foot."""
    joint = joint_of(book)
    return {side: build_ladder(joint, exam, side, book) for side in SIDES}


def make_plan(
    exam: Exam, book: Evidence, today: date, pins: Sequence[Pin] = (), insist: bool = False
) -> Plan:
    """Screen, grade, build the ladder, prescribe.

    Parameters
    ----------
    exam : Exam
        The examination.
    book : Evidence
        The evidence book.
    today : date
        Day the plan is made.
    pins : sequence of Pin
        The therapist's own choices.
    insist : bool
        Keep more families than the sheet should hold.

    Raises
    ------
    InputError
        A pin that cannot be followed.
    """
    screening, grades = examine(exam, book, today)
    return prescribe(exam, screening, grades, ladders_of(exam, book), book, today, pins, insist)


def sheets(
    plan: Plan,
    book: Evidence,
    stamp: datetime,
    language: str | None = None,
    paper: str = "a4",
    large: bool = False,
    earlier: HomePlan | None = None,
    phone: bool = False,
) -> dict[str, bytes]:
    """Make every sheet of a plan, or that of a person without exercises: file name -> content.

    Parameters
    ----------
    plan : Plan
        The plan.
    book : Evidence
        The evidence book it was made with.
    stamp : datetime
        When, with its time zone; written into PDF and reminders.
    language : str, optional
        Language of the patient's sheets; by default the person's own.
    paper : {"a4", "us-letter"}
        Paper.
    large : bool
        Large print.
    earlier : HomePlan, optional
        The version that this one follows; its number and key stay. Random ones by default.
    phone : bool
        The page for the patient's phone, too.
    """
    made = {
        "plan.json": to_json(plan).encode(),
        "reasons.txt": plan_report(plan, book).encode(),
    }
    from rungwise.handout import build_handout, build_notice, to_pdf, to_text
    from rungwise.words import load_words

    words = load_words(language or plan.exam.person.language)
    if not plan.exercises:
        notice = build_notice(plan, book, words)
        made["not-now.pdf"] = to_pdf(notice, paper, large, stamp)
        made["not-now.txt"] = to_text(notice).encode()
        return made
    first = less_painful(plan.exam, plan.grades)
    number, key, version = token_bytes(8), token_bytes(16), 1
    if earlier is not None:
        number, key, version = earlier.number, earlier.key, earlier.version + 1
    home = home_plan(plan, book, number, key, version, first)
    code = write_plan_code(home, book.joint)
    handout = build_handout(plan, book, words, code)
    made[CODE] = f"{code}\n".encode()
    made["programme.pdf"] = to_pdf(handout, paper, large, stamp)
    made["programme.txt"] = to_text(handout).encode()
    if phone:
        from rungwise.phone import page_data, single_file

        made["phone.html"] = single_file(page_data(handout, plan, home, code, book, words)).encode()
    for name, svg in handout.drawings():
        made[f"drawings/{name}.svg"] = svg.encode()
    if plan.exam.person.session_time is not None and plan.exam.person.time_zone is not None:
        from rungwise.reminders import to_calendar

        made["reminders.ics"] = to_calendar(plan, words, stamp)
    return made


def class_ways(book: Evidence) -> tuple[tuple[str, tuple[Reason, ...]], ...]:
    """Every rung by name, and why people who were not examined may not do it, if so."""
    return class_rungs(joint_of(book), book)


def group_class(
    choices: Sequence[str], book: Evidence, people: int, minutes: float | None = None
) -> GroupClass:
    """A class for a group, without any patient: what may be done, and what when.

    Parameters
    ----------
    choices : sequence of str
        Rungs, each ``family:notch/notch`` with ``=2`` for the second step of its dose list.
    book : Evidence
        The evidence book.
    people : int
        How many people take part [1].
    minutes : float, optional
        Time given [min].

    Raises
    ------
    InputError
        An unknown rung or dose, too many people or exercises, too little time.
    """
    return make_class(read_choices(choices, book), joint_of(book), book, people, minutes)


def class_sheets(
    group: GroupClass, book: Evidence, stamp: datetime, language: str = "en", paper: str = "a4"
) -> dict[str, bytes]:
    """Sheet and captions of a class: file name -> content."""
    from rungwise.captions import cues_of, to_vtt
    from rungwise.handout.group import build_class_sheet, to_class_pdf, to_class_text
    from rungwise.words import load_words

    words = load_words(language)
    sheet = build_class_sheet(group, book, words)
    return {
        "class.json": to_json(group).encode(),
        "class.pdf": to_class_pdf(sheet, paper, stamp),
        "class.txt": to_class_text(sheet).encode(),
        "class.vtt": to_vtt(cues_of(group, book, words), sheet.title).encode(),
    }


def hand_over(
    plan: Plan,
    book: Evidence,
    folder: Path,
    stamp: datetime,
    language: str | None = None,
    paper: str = "a4",
    large: bool = False,
    replace: bool = False,
    phone: bool = False,
) -> list[Path]:
    """Make every sheet of a plan and write them into a folder, all or nothing.

    A plan that replaces an earlier one is its next version: its number and key stay, the diary
    and the earlier plan codes are kept.
    """
    kept: dict[str, bytes] = {}
    earlier: HomePlan | None = None
    if replace and (folder / CODE).exists():
        versions = open_plan(folder)
        earlier = versions[0]
        codes = "".join(write_plan_code(one, book.joint) + "\n" for one in versions)
        kept[EARLIER] = codes.encode()
        if (folder / DIARY).exists():
            kept[DIARY] = (folder / DIARY).read_bytes()
    made = sheets(plan, book, stamp, language, paper, large, earlier, phone)
    if CODE not in made and earlier is not None:
        made[CODE] = f"{write_plan_code(earlier, book.joint)}\n".encode()
        kept[EARLIER] = b"".join(kept[EARLIER].splitlines(keepends=True)[1:])
    return write_folder(folder, {**made, **{k: v for k, v in kept.items() if v}}, replace)


def write_folder(folder: Path, content: Mapping[str, bytes], replace: bool = False) -> list[Path]:
    """Write files into a new folder, all or nothing.

    They are written beside it first and put in place by one rename, so a killed process or a full
    disk leaves the old folder as it was.

    Parameters
    ----------
    folder : Path
        Where; must not exist, or be empty, unless ``replace``.
    content : mapping of str to bytes
        Relative name -> content.
    replace : bool
        Whether an earlier folder of the same make may be replaced.

    Raises
    ------
    InputError
        When the folder is there and may not be replaced, or cannot be written.
    """
    try:
        folder = folder.resolve()
        _recover(folder)
        _check_free(folder, replace)
    except OSError as error:
        raise _cannot_write(folder, error) from None
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    except OSError as error:
        raise _cannot_write(folder, error) from None
    try:
        for name, data in content.items():
            path = made / name
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        made.chmod(0o755)
        _put_in_place(made, folder)
    except OSError as error:
        raise _cannot_write(folder, error) from None
    finally:
        shutil.rmtree(made, ignore_errors=True)
    return [folder / name for name in content]


def _recover(folder: Path) -> None:
    """Put back a folder whose replacement was killed between its two renames."""
    for part in folder.parent.glob(f".{glob.escape(folder.name)}-????????"):
        if time.time() - part.stat().st_mtime > STALE_S:  # left by a process that was killed
            shutil.rmtree(part, ignore_errors=True)
    if folder.exists():
        return
    for old in folder.parent.glob(f".{glob.escape(folder.name)}-old-*/{glob.escape(folder.name)}"):
        old.rename(folder)
        old.parent.rmdir()
        return


def _check_free(folder: Path, replace: bool) -> None:
    if folder.exists() and not folder.is_dir():
        fault = Fault("out", str(folder), "a folder", "Name a folder that is not there yet.")
        raise InputError("output", (fault,))
    there = sorted(p.name for p in folder.iterdir()) if folder.is_dir() else []
    ours = bool({"plan.json", "plans.json"} & set(there))
    if there and not (replace and ours):
        remedy = (
            "Name another, or add --replace." if ours else "Name another; it holds other files."
        )
        fault = Fault("out", str(folder), "a folder that is not there yet, or empty", remedy)
        raise InputError("output", (fault,))


def _put_in_place(made: Path, folder: Path) -> None:
    if not folder.exists():
        made.rename(folder)
        return
    old = Path(tempfile.mkdtemp(prefix=f".{folder.name}-old-", dir=folder.parent))
    folder.rename(old / folder.name)
    try:
        made.rename(folder)
    except OSError:
        (old / folder.name).rename(folder)
        raise
    finally:
        shutil.rmtree(old, ignore_errors=True)


def _cannot_write(folder: Path, error: OSError) -> InputError:
    fault = Fault("out", str(folder), "a folder that can be written", error.strerror or str(error))
    return InputError("output", (fault,))
