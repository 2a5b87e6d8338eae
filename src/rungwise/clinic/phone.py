"""The page for the patient's phone, from a plan's folder."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from rungwise.clinic.programme import PLAN
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.prescribe import less_painful
from rungwise.core.terms import Plan
from rungwise.diary import (
    CODE,
)
from rungwise.home import page_link
from rungwise.plan_code import HomePlan, home_plan, read_plan_code, write_plan_code
from rungwise.written import write_folder

__all__ = ["phone_file", "phone_link", "phone_site"]


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
