"""Own choices of two programmes of one person side by side, one for each exercise of each foot."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rungwise.casebook import PersonFile, Record, pins_of
from rungwise.core.evidence import Evidence
from rungwise.core.terms import Pin
from rungwise.web.because import exercise_words, setting_words, step_words
from rungwise.web.exam_text import toml_text
from rungwise.web.merge import Difference, compare
from rungwise.web.page import Visit
from rungwise.web.pages.errors import Conflict, chosen_in, conflict_of

__all__ = ["LOOK", "by_foot", "pins_apart", "pins_conflict", "pins_text"]

#: Deed of the button that shows the programme of the choices before it is kept.
LOOK = "merge_look"


def pins_text(pins: Iterable[Pin]) -> str:
    """Own choices as the text that ``rungwise plan --pins`` reads."""
    lines: list[str] = []
    for pin in pins:
        lines += ["[[pin]]"]
        own = {"family": pin.family, "side": pin.side, "why": pin.why, "by": pin.by}
        lines += [f"{k} = {toml_text(v)}" for k, v in {**own, **pin.notches}.items()]
        if pin.dose_step is not None:
            lines.append(f"dose_step = {pin.dose_step}")
    return "\n".join(lines) + "\n" if lines else ""


def by_foot(pins: Iterable[Pin]) -> dict[str, Pin]:
    """Own choices by exercise and foot."""
    return {f"{pin.family}.{pin.side}": pin for pin in pins}


def pins_apart(
    visit: Visit, found: PersonFile, book: Evidence, mine: Sequence[Pin], base: int, now: int
) -> tuple[tuple[Difference, ...], tuple[Pin, ...]]:
    """Where the own choices of two programmes differ, and those that stand in the records.

    Parameters
    ----------
    visit : Visit
        Who asks.
    found : PersonFile
        All that is known of the person.
    book : Evidence
        The book.
    mine : sequence of Pin
        The own choices that were to be kept.
    base, now : int
        Number of the programme that both started from, and of the one that stands there,
        0 = none [1].
    """
    say = visit.say
    theirs = _pins(found, now)

    def label(key: str) -> str:
        family, _, side = key.partition(".")
        return exercise_words(say, family, side, both=False)

    def show(_: str, pin: Pin) -> str:
        told = [setting_words(say, pin.notches.items())]
        if pin.dose_step is not None and 0 < pin.dose_step <= len(book.families[pin.family].doses):
            dose = book.families[pin.family].doses[pin.dose_step - 1].dose
            told.append(step_words(say, pin.dose_step, dose))
        return "\n".join([*filter(None, told), say("programme.pinned", by=pin.by, why=pin.why)])

    begun, mine_now, there = by_foot(_pins(found, base)), by_foot(mine), by_foot(theirs)
    return compare(begun, mine_now, there, chosen_in(visit), label, show), theirs


def pins_conflict(
    visit: Visit, found: PersonFile, book: Evidence, mine: Sequence[Pin], base: int, now: int
) -> Conflict:
    """The page on which each own choice that differs is chosen; takes what `pins_apart` takes."""
    lines, _ = pins_apart(visit, found, book, mine, base, now)
    return conflict_of(
        visit,
        f"/people/{found.id}/programme",
        _plan(found, now),
        lines,
        {"pins": [pins_text(mine)]},
        base,
        person=(found, "programme"),
        lead=visit.say("programme.conflict"),
        more=[(LOOK, visit.say("conflict.look"))],
    )


def _plan(found: PersonFile, version: int) -> Record | None:
    plans = (one for one in found.records if one.kind == "plan")
    return next((one for one in plans if one.version == version), None)


def _pins(found: PersonFile, version: int) -> tuple[Pin, ...]:
    plan = _plan(found, version)
    return () if plan is None else pins_of(plan)
