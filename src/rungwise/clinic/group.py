"""A class for a group, and its files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

from rungwise.book import joint_of
from rungwise.core.evidence import Evidence
from rungwise.core.group import GroupClass, class_rungs, make_class, read_choices
from rungwise.core.terms import Reason
from rungwise.plain import to_json
from rungwise.written import write_folder

__all__ = ["class_sheets", "class_ways", "group_class", "hand_out"]

CLASS = "class.json"


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
