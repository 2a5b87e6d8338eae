"""A plan's folder over the weeks: hand over, decide, renew, write notes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path

from rungwise.clinic.programme import sheets
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.progress import Decision, decide
from rungwise.core.renew import Answer, renew
from rungwise.core.start import Foot
from rungwise.core.terms import Exam, Plan, Side
from rungwise.course import (
    Opened,
    feet_now,
    kept_versions,
    open_course,
    read_answers,
)
from rungwise.diary import (
    CODE,
    DIARY,
    EARLIER,
    open_plan,
)
from rungwise.locked import alone_in
from rungwise.plan_code import HomePlan, write_plan_code
from rungwise.written import write_folder

__all__ = ["decide_now", "hand_over", "keep_edited", "note_of", "renew_plan"]

NOTES = "notes.jsonl"


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
    language: str = "en",
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
    language : {"en", "es"}
        Language of the note.

    Raises
    ------
    InputError
        No such folder, a fault in the minutes, another person's examination.
    """
    from rungwise.notes import open_case, read_minutes, write_note

    timed = None if minutes is None else read_minutes(minutes)
    case = open_case(folder, kind, book, today, exam=exam, timed=timed, by=by)
    return write_note(case, kind, book, form, folder, stamp, paper, language=language)


def keep_edited(folder: Path, kind: str, today: date, text: str, by: str) -> int:
    """Keep a note as the therapist edited it, as its next version; returns the version [1]."""
    from rungwise.notes import keep_note

    return keep_note(folder, kind, today, text, by, today).version
