"""One patient's way through, as a therapist tells it. The only place where edges meet the core."""

from __future__ import annotations

import dataclasses
import glob
import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from importlib.resources import files
from pathlib import Path
from secrets import token_bytes, token_hex
from typing import Literal

from rungwise.book import joint_of, load_book, read_overrides
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.grade import grade
from rungwise.core.group import GroupClass, class_rungs, make_class, read_choices
from rungwise.core.ladder import Ladder, build_ladder
from rungwise.core.prescribe import less_painful, prescribe
from rungwise.core.progress import Decision, decide
from rungwise.core.renew import Answer, renew
from rungwise.core.screen import screen
from rungwise.core.start import Foot
from rungwise.core.terms import SIDES, Exam, Grade, Pin, Plan, Reason, Screening, Side
from rungwise.course import (
    Opened,
    blank_answers,
    feet_now,
    kept_versions,
    open_course,
    read_answers,
)
from rungwise.diary import (
    CODE,
    DIARY,
    EARLIER,
    add_log_code,
    add_paper,
    open_plan,
    read_entries,
    read_grid,
    read_week,
    shown_days,
)
from rungwise.exam_file import blank_exam, exam_schema, read_exam, read_pins
from rungwise.home import page_link
from rungwise.locked import alone_in
from rungwise.measures import Changes, open_changes
from rungwise.measures.typed import read_items, read_pairs, read_targets, read_timed
from rungwise.plain import to_json
from rungwise.plan_code import HomePlan, home_plan, read_plan_code, write_plan_code
from rungwise.report import plan_report
from rungwise.uses import uses_of

__all__ = [
    "add_log_code",
    "add_paper",
    "blank_answers",
    "blank_exam",
    "change_files",
    "changes_now",
    "class_sheets",
    "class_ways",
    "decide_now",
    "demo_exams",
    "exam_schema",
    "examine",
    "group_class",
    "hand_out",
    "hand_over",
    "keep_edited",
    "ladders_of",
    "make_plan",
    "measure_again",
    "note_of",
    "open_book",
    "open_course",
    "open_plan",
    "own_error_now",
    "phone_file",
    "phone_link",
    "phone_site",
    "read_entries",
    "read_exam",
    "read_grid",
    "read_pins",
    "read_week",
    "renew_plan",
    "score_now",
    "sheets",
    "shown_days",
    "told_change",
    "told_forms",
    "units_now",
    "uses_of",
    "write_file",
    "write_folder",
    "write_plan_code",
]

#: Age at which a folder in the making was left by a killed process [s].
STALE_S = 3600
PLAN = "plan.json"
CLASS = "class.json"
CHANGE = "change.json"
#: Where the book holds the error of one reading of the bend.
ERRORS = "rom.sem."
NOTES = "notes.jsonl"
#: What shows that a folder was written by rungwise.
MARKS = frozenset({PLAN, "plans.json"})


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
    decision: Decision | None = None,
    answers: Mapping[tuple[str, Side], Answer] | None = None,
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
    decision : Decision, optional
        What was advised, if the plan came from it; then the sheet says what is new.
    answers : mapping of (str, Side) to Answer, optional
        What the therapist said to it.
    """
    made = {
        PLAN: to_json(plan).encode(),
        "reasons.txt": plan_report(plan, book).encode(),
    }
    from rungwise.handout import build_handout, build_notice, changed_lines, to_pdf, to_text
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
    changed = () if decision is None else changed_lines(decision, answers or {}, words, plan)
    handout = build_handout(plan, book, words, code, changed)
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

        made["reminders.ics"] = to_calendar(plan, book, words, stamp)
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
    """Sheet, captions and the led page for a big screen of a class: file name -> content."""
    from rungwise.captions import cues_of, to_vtt
    from rungwise.handout.group import build_class_sheet, to_class_pdf, to_class_text
    from rungwise.phone.room import room_page
    from rungwise.words import load_words

    words = load_words(language)
    sheet = build_class_sheet(group, book, words)
    return {
        CLASS: to_json(group).encode(),
        "class.pdf": to_class_pdf(sheet, paper, stamp),
        "class.txt": to_class_text(sheet).encode(),
        "class.vtt": to_vtt(cues_of(group, book, words), sheet.title).encode(),
        "room.html": room_page(group, book, words).encode(),
    }


def hand_out(folder: Path, made: Mapping[str, bytes], replace: bool = False) -> list[Path]:
    """Write the files of a class, all or nothing; only an earlier class is ever replaced.

    Parameters
    ----------
    folder : Path
        Where.
    made : mapping of str to bytes
        From :func:`class_sheets`.
    replace : bool
        Whether an earlier class in that folder may be replaced.

    Raises
    ------
    InputError
        As :func:`write_folder`.
    """
    return write_folder(folder, made, replace, frozenset({CLASS}))


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
    decision: Decision | None = None,
    answers: Mapping[tuple[str, Side], Answer] | None = None,
) -> list[Path]:
    """Make every sheet of a plan and write them into a folder, all or nothing.

    A plan that replaces an earlier one is its next version: its number and key stay; the diary, the
    earlier plans with their codes, and every decision are kept. Nobody adds to the diary meanwhile.

    Raises
    ------
    InputError
        Somebody made another version meanwhile; or as :func:`write_folder`.
    """
    style = (language, paper, large, replace, phone, decision, answers)
    if not replace:
        return _hand_over(plan, book, folder, stamp, *style)
    with _unmoved(folder):
        return _hand_over(plan, book, folder, stamp, *style)


@contextmanager
def _unmoved(folder: Path) -> Iterator[None]:
    """Let nobody else write into a plan's folder; refused if its version changed while waiting."""
    before = _version_in(folder)
    with alone_in(folder):
        now = _version_in(folder)
        if now != before:
            remedy = "Somebody made it meanwhile. Look at it, then decide again."
            fault = Fault("plan", f"version {now}", f"version {before}", remedy)
            raise InputError("output", (fault,))
        yield


def _version_in(folder: Path) -> int:
    """Version of the plan in a folder [1]; 0 where there is none."""
    return open_plan(folder)[0].version if (folder / CODE).exists() else 0


def _hand_over(
    plan: Plan,
    book: Evidence,
    folder: Path,
    stamp: datetime,
    language: str | None,
    paper: str,
    large: bool,
    replace: bool,
    phone: bool,
    decision: Decision | None,
    answers: Mapping[tuple[str, Side], Answer] | None,
) -> list[Path]:
    kept: dict[str, bytes] = {}
    earlier: HomePlan | None = None
    if replace and (folder / NOTES).exists():
        kept[NOTES] = (folder / NOTES).read_bytes()
    if replace and (folder / CODE).exists():
        versions = open_plan(folder)
        earlier = versions[0]
        codes = "".join(write_plan_code(one, book.joint) + "\n" for one in versions)
        kept[EARLIER] = codes.encode()
        if (folder / DIARY).exists():
            kept[DIARY] = (folder / DIARY).read_bytes()
        kept.update(kept_versions(folder, decision, answers))
    made = sheets(plan, book, stamp, language, paper, large, earlier, phone, decision, answers)
    if CODE not in made and earlier is not None:
        made[CODE] = f"{write_plan_code(earlier, book.joint)}\n".encode()
        kept[EARLIER] = b"".join(kept[EARLIER].splitlines(keepends=True)[1:])
    return write_folder(folder, {**made, **{k: v for k, v in kept.items() if v}}, replace)


def decide_now(
    folder: Path, book: Evidence, today: date, exam: Exam | None = None
) -> tuple[Opened, dict[Side, Foot], Decision]:
    """Hear back: what is advised for each exercise of a plan.

    Parameters
    ----------
    folder : Path
        Folder of the plan, with its diary.
    book : Evidence
        The evidence book.
    today : date
        Day of the decision.
    exam : Exam, optional
        A newer examination of the same person.

    Returns
    -------
    Opened, mapping of Side to Foot, Decision
        The course, each foot as last examined, and the advice.

    Raises
    ------
    InputError
        As :func:`rungwise.course.open_course`; an examination of somebody else, or an older one.
    """
    opened = open_course(folder, book, today)
    before = opened.plan.exam
    if exam is not None:
        _same_person(before, exam)
    feet = feet_now(before if exam is None else exam, book)
    made = decide(opened.plan, opened.course, feet, book, today, opened.starts, opened.since)
    return opened, feet, made


def _same_person(before: Exam, exam: Exam) -> None:
    """Refuse an examination that is another person's, or older."""
    faults = [
        Fault(name, str(new), f"{old}, as before", "Is it the right examination?")
        for name, old, new in (
            ("person.label", before.person.label, exam.person.label),
            ("person.birth_year", before.person.birth_year, exam.person.birth_year),
        )
        if old != new
    ]
    if exam.on < before.on:
        faults.append(Fault("on", str(exam.on), f"{before.on} or later", "Give the newer one."))
    if faults:
        raise InputError("examination", tuple(faults))


def renew_plan(
    folder: Path,
    book: Evidence,
    today: date,
    answers_text: str,
    stamp: datetime,
    exam: Exam | None = None,
    language: str | None = None,
    paper: str = "a4",
    large: bool = False,
) -> tuple[Plan, Decision, list[Path]]:
    """Make the next version from the therapist's answers to the advice of today, and its sheets.

    Parameters
    ----------
    folder : Path
        Folder of the plan; it becomes that of the next version, which keeps what was before.
    book, today, exam
        As for :func:`decide_now`.
    answers_text : str
        The answers (TOML), as :func:`blank_answers` asks for them.
    stamp : datetime
        When, with its time zone.
    language, paper, large
        As for :func:`sheets`.

    Raises
    ------
    InputError
        As :func:`decide_now`; every fault of the answers; answers to other advice; somebody made
        another version meanwhile. Nothing is written then.
    """
    with _unmoved(folder):
        opened, feet, made = decide_now(folder, book, today, exam)
        answers = read_answers(answers_text, made, len(opened.plans))
        plan = renew(opened.plan, made, answers, feet, book)
        phone = (folder / "phone.html").exists()
        style = (language, paper, large, True, phone)
        written = _hand_over(plan, book, folder, stamp, *style, made, answers)
    return plan, made, written


def note_of(
    folder: Path,
    kind: str,
    book: Evidence,
    form: str,
    today: date,
    stamp: datetime,
    exam: Exam | None = None,
    minutes: str | None = None,
    by: str = "",
    paper: str = "a4",
) -> bytes:
    """Write a note for the record from what a plan's folder holds, and keep its text there.

    Parameters
    ----------
    folder : Path
        Folder of the plan.
    kind : str
        Evaluation, visit, progress, discharge, letter.
    book : Evidence
        The evidence book.
    form : str
        Text, markdown, docx, pdf.
    today : date
        Day of the note.
    stamp : datetime
        When, with its time zone.
    exam : Exam, optional
        A newer examination.
    minutes : str, optional
        Minutes of the visit by service (TOML).
    by : str
        Who signs.
    paper : {"a4", "us-letter"}
        Paper.

    Raises
    ------
    InputError
        No such folder, a fault in the minutes, another person's examination.
    """
    from rungwise.notes import open_case, read_minutes, write_note

    timed = None if minutes is None else read_minutes(minutes)
    case = open_case(folder, kind, book, today, exam=exam, timed=timed, by=by)
    return write_note(case, kind, book, form, folder, stamp, paper)


def keep_edited(folder: Path, kind: str, today: date, text: str, by: str) -> int:
    """Keep a note as the therapist edited it, as its next version; returns the version [1]."""
    from rungwise.notes import keep_note

    return keep_note(folder, kind, today, text, by, today).version


def phone_file(folder: Path, book: Evidence, language: str | None = None) -> bytes:
    """The page for the phone as one file, from the folder of a plan.

    Parameters
    ----------
    folder : Path
        Written by :func:`hand_over`.
    book : Evidence
        The book that the plan was made with.
    language : str, optional
        Language of the page; by default the person's own.

    Raises
    ------
    InputError
        No such folder, no programme in it, another book, or files that do not belong together.
    """
    from rungwise.handout import build_handout
    from rungwise.phone import page_data, single_file
    from rungwise.words import load_words

    plan, home = _kept_plan(folder, book)
    words = load_words(language or plan.exam.person.language)
    code = write_plan_code(home, book.joint)
    sheet = build_handout(plan, book, words, code)
    return single_file(page_data(sheet, plan, home, code, book, words)).encode()


def phone_site(
    book: Evidence, folder: Path, languages: Sequence[str] = (), replace: bool = False
) -> list[Path]:
    """Write the page for a web host, all or nothing; no patient's plan is in it.

    Parameters
    ----------
    book : Evidence
        Its rungs.
    folder : Path
        Where.
    languages : sequence of str
        By default every one that there is.
    replace : bool
        Whether an earlier page may be replaced; a folder with anything else in it never is.

    Raises
    ------
    InputError
        A language that is not there; a folder that may not be replaced or cannot be written.
    """
    from rungwise.phone import static_folder
    from rungwise.words import languages as every

    made = static_folder(book, tuple(dict.fromkeys(languages)) or every())
    there = sorted(p.name for p in folder.iterdir()) if folder.is_dir() else []
    others = [n for n in there if n not in made and not re.fullmatch(r"pack-\w+\.json", n)]
    if others:
        remedy = f"Name another; it holds {others[0]}."
        fault = Fault("out", str(folder), "a folder that is not there yet, or empty", remedy)
        raise InputError("output", (fault,))
    return write_folder(folder, made, replace, frozenset({"index.html"}))


def phone_link(folder: Path, book: Evidence, languages: Sequence[str] = ()) -> str:
    """What a patient opens: ``index.html#…`` below the web host's address, or with it if given.

    Parameters
    ----------
    folder : Path
        Folder of the plan.
    book : Evidence
        The book that it was made with.
    languages : sequence of str
        Those of the page; every one if none is named.

    Raises
    ------
    InputError
        As :func:`phone_file`; or the page does not have the patient's language.
    """
    plan, home = _kept_plan(folder, book)
    if languages and home.language not in languages:
        remedy = f"Add --lang {home.language}."
        fault = Fault("lang", ", ".join(languages), f"{home.language} among them", remedy)
        raise InputError("phone page", (fault,))
    code = write_plan_code(home, book.joint)
    return (
        page_link(plan.exam, code) if plan.exam.clinic.get("page_address") else f"index.html#{code}"
    )


def _kept_plan(folder: Path, book: Evidence) -> tuple[Plan, HomePlan]:
    """The plan in a folder, and what of it goes home; they must belong together."""
    from rungwise.kept import read_plan

    plan = read_plan(_kept_text(folder / PLAN))
    if not plan.exercises:
        fault = Fault("plan", "no exercise", "a programme", "There is nothing to take home.")
        raise InputError("phone page", (fault,))
    if plan.edition != book.edition:
        remedy = "Use the book the plan was made with (--overrides), or make the plan again."
        raise InputError("phone page", (Fault("edition", plan.edition, book.edition, remedy),))
    home = read_plan_code(_kept_text(folder / CODE), book.joint)
    first = less_painful(plan.exam, plan.grades)
    if home != home_plan(plan, book, home.number, home.key, home.version, first):
        remedy = "One of them was changed. Make them again with: rungwise plan … --replace"
        fault = Fault(str(folder), f"{CODE} of another plan", f"the code of its {PLAN}", remedy)
        raise InputError("phone page", (fault,))
    return plan, home


def _kept_text(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "not UTF-8 text"
        remedy = "Make it with: rungwise plan EXAM --out FOLDER"
        fault = Fault("plan", f"{path}: {why}", "a folder written by rungwise plan", remedy)
        raise InputError("phone page", (fault,)) from None


def changes_now(
    folder: Path,
    book: Evidence,
    today: date,
    exams: Mapping[str, Exam] | None = None,
    phase: date | None = None,
    targets: Sequence[str] = (),
) -> Changes:
    """What has changed in a patient: every measure and activity, and the diary's pain.

    Parameters
    ----------
    folder : Path
        Folder of the plan.
    book : Evidence
        The evidence book.
    today : date
        The day on which it is looked at.
    exams : mapping of str to Exam, optional
        Further examinations of the same person, by the name of their file.
    phase : date, optional
        First day of a change of treatment, for before and after.
    targets : sequence of str
        Each ``MEASURE=VALUE/DAY``.

    Raises
    ------
    InputError
        As :func:`rungwise.measures.open_changes`; a target that cannot be read.
    """
    return open_changes(folder, book, today, exams, phase, read_targets(targets, book))


def told_change(found: Changes, why: bool = False) -> str:
    """What has changed, as text: the answer first; with ``why`` every reason."""
    from rungwise.measures.report import change_report

    return change_report(found, why)


def change_files(found: Changes, folder: Path, replace: bool = False) -> list[Path]:
    """Write what has changed as text and JSON, with a chart of each series, all or nothing.

    Parameters
    ----------
    found : Changes
        From :func:`changes_now`.
    folder : Path
        Where; only an earlier folder of the same make is ever replaced.
    replace : bool
        Whether it may be.

    Raises
    ------
    InputError
        As :func:`write_folder`.
    """
    from rungwise.measures.chart import change_chart, chart_names

    made = {CHANGE: to_json(found).encode(), "change.txt": told_change(found, why=True).encode()}
    made |= {name: change_chart(one).encode() for name, one in chart_names(found).items()}
    return write_folder(folder, made, replace, frozenset({CHANGE}))


def own_error_now(
    text: str, key: str, book: Evidence, today: date, who: str, estimate: bool = False
) -> tuple[dict[str, object], str]:
    """The clinic's own error of one reading from a table of pairs: as facts, and as text.

    Parameters
    ----------
    text : str
        CSV with foot, first, second, days_apart.
    key : str
        Row of the book for which it stands.
    book : Evidence
        The evidence book.
    today : date
        Day written into the overrides.
    who : str
        Who decides.
    estimate : bool
        Take the estimate itself, not the cautious end of its interval.

    Returns
    -------
    dict, str
        Facts, among them ``overrides`` (TOML) or None, and ``refused``: why there is none.

    Raises
    ------
    InputError
        An unknown row, or every fault of the table.
    """
    from rungwise.core.detect import ReadingError, limit_z
    from rungwise.core.own_error import override_text, own_error
    from rungwise.measures.answers import own_error_report

    rows = {name: row for name, row in book.rows.items() if name.startswith(ERRORS)}
    if key not in rows:
        fault = Fault("row", key, ", ".join(rows), "Name the way the feet were read.")
        raise InputError("clinic's own error", (fault,))
    row, pairs = rows[key], read_pairs(text)
    found = own_error(pairs.first, pairs.second, book, days_apart=pairs.days_apart, unit=row.unit)
    own = ReadingError(dataclasses.replace(row, value=found.sem))
    limit = limit_z(book) * own.of_difference(1, 1)
    overrides, refused = None, "" if who else "Say who decides: --who NAME."
    try:
        taken: Literal["high", "estimate"] = "estimate" if estimate else "high"
        made = override_text(found, row, book, who=who, when=str(today), take=taken)
    except InputError as error:
        refused = str(error)
    else:
        overrides = made if who else None
    facts: dict[str, object] = {
        "found": found,
        "row": row,
        "beyond_error_from": limit,
        "overrides": overrides,
        "refused": refused,
    }
    return facts, own_error_report(found, row, limit, overrides or "", refused)


def score_now(
    form: str,
    words: Sequence[str],
    book: Evidence,
    score: float | None = None,
    before: float | None = None,
) -> tuple[dict[str, object], str]:
    """Score a form, and judge its change since before: as facts, and as text.

    Parameters
    ----------
    form : str
        Which form.
    words : sequence of str
        Points of its items, ``-`` for one not answered.
    book : Evidence
        The evidence book.
    score : float, optional
        Score that the clinic has counted, in place of items.
    before : float, optional
        An earlier score of the same form.

    Raises
    ------
    InputError
        An unknown form; every fault of its items; items and a score, or neither.
    """
    from rungwise.core.change import judge_change, known_error
    from rungwise.core.scorers import entered_score, score_form
    from rungwise.measures.answers import score_report

    if bool(words) == (score is not None):
        given = "both" if words else "neither"
        fault = Fault("items", given, "the items, or --score", "Give one of the two.")
        raise InputError("questionnaire", (fault,))
    items, faults = read_items(words)
    try:
        scored = score_form(form, items, book) if items else None
        made = scored or entered_score(form, score or 0.0, book)
    except InputError as wrong:
        raise InputError(wrong.what, (*wrong.faults, *faults)) from None
    if faults:
        raise InputError("questionnaire", faults)
    change = None
    if before is not None:
        earlier = entered_score(form, before, book).value
        if earlier is not None and made.value is not None:
            error = known_error(form, book)
            change = judge_change(earlier, made.value, error, book, form, unit=made.unit)
    facts: dict[str, object] = {"score": made, "before": before, "change": change}
    return facts, score_report(made, change, book)


def told_forms(book: Evidence) -> tuple[dict[str, object], str]:
    """Every form that can be scored or entered, with its direction and error; also as text."""
    from rungwise.core.scorers import ENTERED, QUESTIONNAIRES, form_facts
    from rungwise.measures.answers import forms_report

    return {f: form_facts(f, book) for f in (*QUESTIONNAIRES, *ENTERED)}, forms_report(book)


def units_now(
    timed: Sequence[str], untimed: Sequence[str], book: Evidence
) -> tuple[dict[str, object], str]:
    """Units of the timed minutes of a visit, counted in both ways: as facts, and as text.

    Parameters
    ----------
    timed : sequence of str
        Each ``NAME=MINUTES``, by the clinic's own names.
    untimed : sequence of str
        Services that are not timed.
    book : Evidence
        The evidence book.

    Raises
    ------
    InputError
        Every service that cannot be read or is named twice.
    """
    from rungwise.core.units import Way, count_units
    from rungwise.measures.answers import units_report

    minutes = read_timed(timed, untimed)
    both: tuple[Way, Way] = ("total_time", "midpoint")
    others = tuple(" ".join(name.split()) for name in untimed)
    ways = {way: count_units(minutes, way, book, others) for way in both}
    facts: dict[str, object] = {"minutes": minutes, "units": ways}
    return facts, units_report(ways, minutes)


def measure_again(
    kind: str | None, book: Evidence, before: int | None = None
) -> tuple[dict[str, Reason], str]:
    """When to measure again and how often, for one kind of reading or for all; also as text.

    Parameters
    ----------
    kind : str, optional
        One kind.
    book : Evidence
        The evidence book.
    before : int, optional
        Days already read before [1].

    Raises
    ------
    InputError
        An unknown kind, or days below 1.
    """
    from rungwise.core.detect import KINDS, advise
    from rungwise.measures.answers import advice_report

    told = {one: advise(one, book, before) for one in (KINDS if kind is None else (kind,))}
    return told, advice_report(told)


def write_file(path: Path, data: bytes, replace: bool = False, can_replace: bool = True) -> Path:
    """Write one file, all or nothing: a killed process or a full disk leaves an old one as it was.

    Parameters
    ----------
    path : Path
        Where; must not exist unless ``replace``.
    data : bytes
        What.
    replace : bool
        Whether an earlier file may be replaced.
    can_replace : bool
        Whether the one who asks could say so; told when the file is there.

    Raises
    ------
    InputError
        When the file is there and may not be replaced, or cannot be written.
    """
    made: Path | None = None
    try:
        path = path.resolve()
        if path.is_dir() or (path.exists() and not replace):
            raise FileExistsError
        path.parent.mkdir(parents=True, exist_ok=True)
        for left in path.parent.glob(".rungwise-????????"):
            if time.time() - left.stat().st_mtime > STALE_S:  # by a process that was killed
                left.unlink(missing_ok=True)
        made = path.parent / f".rungwise-{token_hex(4)}"
        with made.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        _put_file(made, path, replace)
    except FileExistsError as error:
        if not path.exists():  # a file stands where its folder should be
            raise _cannot_write(path, error, "file") from None
        alone = path.is_dir() or not can_replace
        remedy = "Name another." if alone else "Name another, or add --replace."
        fault = Fault("out", str(path), "a file that is not there yet", remedy)
        raise InputError("output", (fault,)) from None
    except OSError as error:
        raise _cannot_write(path, error, "file") from None
    finally:
        if made is not None:
            made.unlink(missing_ok=True)
    return path


def _put_file(made: Path, path: Path, replace: bool) -> None:
    """Put a whole file in its place by one step; one that came there meanwhile stays."""
    if not replace:
        try:
            os.link(made, path)
        except FileExistsError:
            raise
        except OSError:  # a file system without links
            if path.exists():
                raise FileExistsError from None
        else:
            return
    made.replace(path)


def write_folder(
    folder: Path,
    content: Mapping[str, bytes],
    replace: bool = False,
    marks: frozenset[str] = MARKS,
) -> list[Path]:
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
    marks : frozenset of str
        Names of which an earlier folder of the same make holds one.

    Raises
    ------
    InputError
        When the folder is there and may not be replaced, or cannot be written.
    """
    try:
        folder = folder.resolve()
        _recover(folder)
        _check_free(folder, replace, marks)
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


def _check_free(folder: Path, replace: bool, marks: frozenset[str]) -> None:
    if folder.exists() and not folder.is_dir():
        fault = Fault("out", str(folder), "a folder", "Name a folder that is not there yet.")
        raise InputError("output", (fault,))
    there = sorted(p.name for p in folder.iterdir()) if folder.is_dir() else []
    ours = bool(marks & set(there))
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


def _cannot_write(place: Path, error: OSError, what: str = "folder") -> InputError:
    fault = Fault("out", str(place), f"a {what} that can be written", error.strerror or str(error))
    return InputError("output", (fault,))
