"""A class for a group: choose rungs, see what comes of them, take the sheets along."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from rungwise.casebook_book import Drawn, GroupClass, class_drawings, ways_of
from rungwise.casebook_office import desk
from rungwise.clinic import class_sheets, group_class
from rungwise.core.errors import Fault, InputError
from rungwise.core.terms import Reason
from rungwise.web.page import At, Download, Page, Visit, told
from rungwise.web.words import LANGUAGES, Say

__all__ = ["ROUTES"]

PEOPLE, CHOSEN_MAX = 6, 60
MEDIA = {
    "class.pdf": "application/pdf",
    "class.txt": "text/plain; charset=utf-8",
    "class.vtt": "text/vtt; charset=utf-8",
    "class.json": "application/json",
    "room.html": "text/html; charset=utf-8",
}


@dataclass(frozen=True)
class Rung:
    """One rung: its name, how it is said, and why people who were not examined may not do it."""

    name: str
    says: str
    why_not: tuple[Reason, ...]
    chosen: bool


@dataclass(frozen=True)
class Family:
    """The rungs of one exercise: those that may join, and those that may not."""

    title: str
    may: tuple[Rung, ...]
    may_not: tuple[Rung, ...]


@dataclass(frozen=True)
class Made:
    """What comes of a choice.

    Parameters
    ----------
    group : GroupClass
        The class.
    order : str
        Its sheet as plain text, with the running order.
    drawings : tuple of Drawn
        One for each exercise.
    minutes : str
        How long it takes [min].
    files : tuple of str
        What can be taken along.
    """

    group: GroupClass
    order: str
    drawings: tuple[Drawn, ...]
    minutes: str
    files: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class ClassPage(Page):
    """Choose rungs, people and minutes; below it the class."""

    template: ClassVar[str] = "class.html"
    families: tuple[Family, ...] = told("The rungs, one group for each exercise.")
    people: str = told("How many people take part, as typed [1].")
    minutes: str = told("Time given, as typed [min]; empty for no limit.")
    language: str = told("Language of the sheets.")
    chosen: tuple[str, ...] = told("Names of the rungs that are chosen.")
    made: Made | None = told("What comes of it; None before the choice.", None)  # noqa: RUF009


def group(visit: Visit) -> Page | Download:
    """Show the rungs; with a choice, the class; with a file's name, that file."""
    book = visit.book()
    known = {name for name, _ in ways_of(book)}
    chosen = tuple(dict.fromkeys(r for r in visit.form.get("rung", ()) if r in known))[:CHOSEN_MAX]
    language = visit.typed("language")
    language = language if language in LANGUAGES else visit.say.language
    made: Made | None = None
    faults: tuple[Fault, ...] = ()
    if visit.method == "POST":
        try:
            found = group_class(chosen, book, *_sizes(visit))
            if not found.exercises:
                made = Made(found, "", (), "0", ())
            else:
                files = class_sheets(
                    found,
                    book,
                    visit.casebook.clock(),
                    language,
                    desk(visit.casebook, visit.who).paper,
                )
                wanted = visit.typed("file")
                if wanted in MEDIA and wanted in files:
                    return Download(files[wanted], MEDIA[wanted], wanted)
                made = Made(
                    found,
                    files["class.txt"].decode(),
                    class_drawings(found, language),
                    f"{found.seconds / 60:.1f}",
                    tuple(name for name in MEDIA if name in files),
                )
        except InputError as error:
            faults = error.faults
    return ClassPage(
        title=visit.say("class.title"),
        families=_families(visit.say, ways_of(book), chosen),
        people=visit.typed("people") or str(PEOPLE),
        minutes=visit.typed("minutes"),
        language=language,
        chosen=chosen,
        made=made,
        faults=faults,
        status=422 if faults else 200,
    )


def _sizes(visit: Visit) -> tuple[int, float | None]:
    """People and minutes as typed.

    Raises
    ------
    InputError
        Something that is no such number.
    """
    people, minutes = visit.typed("people"), visit.typed("minutes").replace(",", ".")
    whole = int(people) if people.isascii() and people.isdigit() and len(people) < 6 else 0
    faults = []
    if whole < 1:
        faults.append(Fault("people", people[:20] or "–", "a whole number from 1", "Type it."))
    digits = minutes.replace(".", "", 1)
    if minutes and not (digits.isascii() and digits.isdigit() and len(digits) < 6):
        faults.append(Fault("minutes", minutes[:20], "minutes, or nothing", "Type a number."))
    if faults:
        raise InputError("class", tuple(faults))
    return whole, float(minutes) if minutes else None


def _families(
    say: Say, ways: tuple[tuple[str, tuple[Reason, ...]], ...], chosen: tuple[str, ...]
) -> tuple[Family, ...]:
    rungs: dict[str, list[Rung]] = {}
    for name, why in ways:
        family, _, place = name.partition(":")
        says = ", ".join(say.name("notch", notch) for notch in place.split("/"))
        rungs.setdefault(family, []).append(Rung(name, says, why, name in chosen))
    return tuple(
        Family(
            say.name("family", family),
            tuple(rung for rung in found if not rung.why_not),
            tuple(rung for rung in found if rung.why_not),
        )
        for family, found in _sorted(rungs).items()
    )


def _sorted(rungs: Mapping[str, list[Rung]]) -> Mapping[str, list[Rung]]:
    """Exercises with a rung that may join come first."""
    return dict(sorted(rungs.items(), key=lambda pair: all(rung.why_not for rung in pair[1])))


ROUTES = (At("/class", group, "GET POST", deed="book", keeps="/class"),)
