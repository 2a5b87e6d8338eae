"""Say why a foot has no exercises: what may be behind it, what to do, how soon, and until then.

No diagnosis is made: the words say what may be and what must be ruled out. Whatever stops a foot
stands on the sheet, the most urgent first.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from rungwise.core.errors import InputError
from rungwise.core.evidence import Evidence
from rungwise.core.findings import found, unfinished
from rungwise.core.terms import LEVELS, SIDES, Plan, Side
from rungwise.handout.checks import own_texts, shared_faults
from rungwise.handout.sheet import Finding, Lines, Notice, NotNow, Stopped
from rungwise.words import Words

__all__ = ["build_notice", "common", "stopped_of"]

#: Lines of the clinic that stand in a place of their own.
APART = ("name", "page_address")


def build_notice(plan: Plan, book: Evidence, words: Words) -> NotNow:
    """The sheet of a person without exercises, as data.

    Parameters
    ----------
    plan : Plan
        A plan without exercises.
    book : Evidence
        The book that the plan was made with.
    words : Words
        The patient's language.

    Raises
    ------
    InputError
        Another edition of the book; text with control characters or too long for its place.
    EvidenceError
        When a text is missing.
    """
    faults = tuple(shared_faults(plan, book))
    if faults:
        raise InputError("handout", faults)
    stopped = stopped_of(plan, words)
    if stopped is None:
        none = Notice("none", words.say("notice.none.title"), words.lines("notice.none.lines"), ())
        stopped = Stopped(_heading(SIDES, words), (none,), ())
    call = words.say("notice.call_title", emergency=_emergency(plan, words))
    also = tuple(dict.fromkeys(_also(plan, words)))
    return NotNow(
        **common(plan, words, "notice.small"),
        title=words.say("notice.title"),
        stopped=stopped,
        call=Lines("call", call, words.lines("notice.call_lines")),
        also=Lines("also", words.say("notice.also_title"), also) if also else None,
        then=words.lines("notice.then" if _needs_doctor(stopped) else "notice.then_therapist"),
        footer=(words.say("stop.footer_help"),),
    )


def stopped_of(plan: Plan, words: Words) -> Stopped | None:
    """What stops a foot or must be looked at; None when nothing does.

    Parameters
    ----------
    plan : Plan
        The plan.
    words : Words
        The patient's language.
    """
    notices = tuple(_notices(plan, words))
    if not notices:
        return None
    idle = [s for s in SIDES if not any(e.both or e.side == s for e in plan.exercises)]
    heading = _heading(idle, words) if idle else words.say("notice.look")
    return Stopped(heading, notices, tuple(_until(plan, words)))


def common(plan: Plan, words: Words, small: str) -> dict[str, Any]:
    """The fields of every sheet that do not depend on its kind.

    Parameters
    ----------
    plan : Plan
        The plan.
    words : Words
        The patient's language.
    small : str
        Key of the lines that say what this kind of sheet is.
    """
    person = plan.exam.person
    for_whom = words.say(
        "sheet.for_whom", label=words.own(person.label), birth_year=person.birth_year
    )
    clinic = {key: words.own(value) for key, value in plan.exam.clinic.items() if value.strip()}
    lines = [words.say(f"clinic.{key}", value=clinic[key]) for key in clinic if key not in APART]
    is_not = words.lines(small) + words.lines("caution.software")
    if not words.reviewed:
        is_not += (words.say("caution.not_reviewed"),)
    therapist = words.own(plan.exam.therapist)
    return {
        "language": words.language,
        "direction": words.direction,
        "made_on": plan.on,
        "clinic": clinic.get("name", ""),
        "for_whom": for_whom,
        "made": words.say("sheet.made", on=words.day(plan.on), therapist=therapist),
        "contact": Lines("contact", words.say("sheet.contact_title"), tuple(lines))
        if lines
        else None,
        "old_reminders": words.say("sheet.old_reminders"),
        "small": Lines("small", words.say("sheet.caution_title"), is_not),
        "identity": for_whom,
        "page": words.say("sheet.page", page="⟨page⟩", pages="⟨pages⟩"),
        "edition": words.say("sheet.edition", edition=words.own(plan.edition)),
        "inputs": tuple(own_texts(plan.exam)),
    }


# ------------------------------------------------------------------ what was found


def _notices(plan: Plan, words: Words) -> Iterator[Notice]:
    """One notice a level, the gravest first; then that the screen is not finished.

    A foot is told one thing to do: whatever else was found on it stands, without a time of its
    own, where it is told that.
    """
    for level, findings in _by_urgency(plan, words).items():
        if findings:
            lines = words.lines(f"notice.{level}.lines")
            if plan.exercises and level == "review":
                lines += (words.say("notice.only_this_sheet"),)
            yield Notice(level, words.say(f"notice.{level}.title"), lines, tuple(findings))
    if held := unfinished(plan):
        what = _named(_whom(held), words.say("notice.unfinished.name"), words)
        title = words.say("notice.unfinished.title")
        lines = words.lines("notice.unfinished.lines")
        yield Notice("unfinished", title, (what, *lines), ())


def _by_urgency(plan: Plan, words: Words) -> dict[str, list[Finding]]:
    """What was found, by the level of the most urgent thing that its foot or the person has."""
    emergency = _emergency(plan, words)
    first: dict[Side | None, str] = {}
    told: dict[str, list[Finding]] = {level: [] for level in LEVELS}
    for level in LEVELS:
        concerned = found(plan, level)
        for item, sides in concerned.items():
            places: dict[str, list[Side | None]] = {}
            for side in sides:
                places.setdefault(_place(side, level, first), []).append(side)
            for place, whose in places.items():
                do = words.say(_do(item, level, words), emergency=emergency)
                told[place].append(
                    Finding(
                        what=_named(whose, words.say(f"notice.{item}.name"), words),
                        why=words.say(f"notice.{item}.why"),
                        do=do if place == level else "",
                    )
                )
        for side in {side for sides in concerned.values() for side in sides}:
            first.setdefault(side, level)
    return told


def _place(side: Side | None, level: str, first: Mapping[Side | None, str]) -> str:
    """The level under which a finding is told: the gravest of its foot and of the person."""
    whose = (side, None) if side is not None else (*SIDES, None)
    return min((level, *(first[s] for s in whose if s in first)), key=LEVELS.index)


def _do(item: str, level: str, words: Words) -> str:
    """Key of what to do about an item: its own words, or else those of the level."""
    own = f"notice.{item}.do.{level}"
    return own if words.has(own) else f"notice.{level}.do"


def _also(plan: Plan, words: Words) -> Iterator[str]:
    """Cautions that the patient told: the doctor should know them."""
    for side in SIDES:
        for flag in plan.screening.of(side).flags:
            told = plan.exam.answers.get(flag.item, "no") != "no"
            if flag.level == "caution" and told and "home" not in flag.forbids:
                name = words.say(f"notice.{flag.item}.name")
                yield _named((flag.side,), name, words)


def _until(plan: Plan, words: Words) -> Iterator[Lines]:
    """What may and may not be done until then: for the person and each foot, each line once."""
    lines: dict[tuple[Side | None, ...], dict[str, None]] = {}
    for level in LEVELS:
        for item, sides in found(plan, level).items():
            said = words.lines(f"notice.{item}.until")
            lines.setdefault(_whom(sides), {}).update(dict.fromkeys(said))
    for sides, told in lines.items():
        if told:
            heading = words.say("notice.until_title")
            if sides != (None,):
                heading = words.say("notice.until_of", feet=_feet(sides, words).lower())
            yield Lines("until", heading, tuple(told))


def _needs_doctor(stopped: Stopped) -> bool:
    return any(notice.kind in ("emergency", "urgent", "review") for notice in stopped.notices)


# ------------------------------------------------------------------ whom it concerns


def _whom(sides: Iterable[Side | None]) -> tuple[Side | None, ...]:
    """Both feet, one foot, or (None) the person, in one order."""
    feet = set(sides)
    return (None,) if None in feet else tuple(side for side in SIDES if side in feet)


def _feet(sides: Iterable[Side | None], words: Words) -> str:
    feet = [side for side in _whom(sides) if side is not None]
    return words.say("notice.both_feet" if len(feet) > 1 else f"feet.{feet[0]}")


def _named(sides: Iterable[Side | None], name: str, words: Words) -> str:
    """A finding with its foot in front, or as a sentence of the person."""
    if _whom(sides) == (None,):
        return name[:1].upper() + name[1:]
    return words.say("notice.of_feet", feet=_feet(sides, words), name=name)


def _heading(sides: Iterable[Side], words: Words) -> str:
    return words.say("notice.no_exercises", feet=_feet(sides, words))


def _emergency(plan: Plan, words: Words) -> str:
    clinic: Mapping[str, str] = plan.exam.clinic
    number = clinic.get("emergency", "").strip()
    return words.own(number.replace(" ", "\u00a0")) if number else words.say("notice.ambulance")
