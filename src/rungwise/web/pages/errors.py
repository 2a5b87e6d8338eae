"""What is shown when something cannot be done: why, and what to do next; never the inside.

When somebody else saved meanwhile, both sides are laid side by side and each difference is chosen
on its own. What was typed travels with that form, so that nothing of it is lost.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from secrets import token_hex
from typing import ClassVar

from rungwise.casebook import ConflictError, PersonFile, Record
from rungwise.web.merge import SAME, Difference, compare_texts
from rungwise.web.page import Page, Visit, told

__all__ = [
    "MERGE",
    "Conflict",
    "Problem",
    "begin_anew",
    "chosen_in",
    "conflict_of",
    "conflict_told",
    "typed_in",
]

#: Deed of the form that a conflict is settled by, and the beginning of what was chosen in it.
MERGE, TAKE = "merge", "take."
#: Fields that the form of a conflict makes itself; all others travel with it.
OF_THE_FORM = frozenset(("token", "once", "expected", "base", "action", "corrects"))


@dataclass(frozen=True, kw_only=True)
class Problem(Page):
    """Something was refused or failed."""

    template: ClassVar[str] = "problem.html"
    says: str = told("What happened and what to do, in a sentence or two.")
    number: str = told("What the records said, or the number under which the log has it.", "")


@dataclass(frozen=True, kw_only=True)
class Conflict(Page):
    """Somebody else saved meanwhile: both side by side, neither lost, each difference chosen."""

    template: ClassVar[str] = "conflict.html"
    lead: str = told("What happened and what to do, in a sentence or two.")
    lines: tuple[Difference, ...] = told("What the two sides do not have alike.")
    text: bool = told("Whether they are lines of a text, with what is alike between them.", False)
    made: str = told("When theirs was saved.")
    by: str = told("Account that saved theirs.")
    version: int = told("Number of theirs [1].")
    url: str = told("Where the choice is sent to; empty when it can only be looked at.", "")
    kept: tuple[tuple[str, str], ...] = told("What was typed, as fields that travel along.", ())
    base: int = told("Number of what both started from [1].", 0)
    corrects: int = told("Number of the examination that will be corrected, 0 = none [1].", 0)
    once: str = told("Token of this form, so that sending it twice saves once.", "")
    more: tuple[tuple[str, str], ...] = told("Further buttons: what they do, and their words.", ())
    unsettled: tuple[str, ...] = told("Differences that were sent without a choice.", ())


def chosen_in(visit: Visit) -> dict[str, str]:
    """What was chosen in the form of a conflict, by the key of the difference."""
    names = [name for name in visit.form if name.startswith(TAKE)]
    return {name.removeprefix(TAKE): visit.typed(name) for name in names}


def typed_in(visit: Visit) -> dict[str, list[str]]:
    """What was typed before the conflict, without what the form of the conflict added."""
    return {
        name: list(values)
        for name, values in visit.form.items()
        if name not in OF_THE_FORM and not name.startswith(TAKE)
    }


def begin_anew(visit: Visit) -> None:
    """Forget what was chosen: the two sides are not those of the choices any more."""
    visit.form = {
        name: values
        for name, values in visit.form.items()
        if name != "action" and not name.startswith(TAKE)
    }


def conflict_of(
    visit: Visit,
    url: str,
    theirs: Record | None,
    lines: Sequence[Difference],
    kept: Mapping[str, Sequence[str]],
    base: int,
    *,
    person: tuple[PersonFile, str] | None = None,
    lead: str = "",
    corrects: int = 0,
    more: Iterable[tuple[str, str]] = (),
    text: bool = False,
) -> Conflict:
    """The page on which a conflict is settled.

    Parameters
    ----------
    visit : Visit
        Who asks.
    url : str
        Where the choice is sent to.
    theirs : Record or None
        What stands in the records by now.
    lines : sequence of Difference
        What the two sides do not have alike.
    kept : mapping of str to sequence of str
        What was typed.
    base : int
        Number of what both started from, 0 = nothing [1].
    person : (PersonFile, str), optional
        Whose it is, and the step on which the page stands.
    lead : str
        What happened, where it is not the usual.
    corrects : int
        Number of the examination that will be corrected, 0 = none [1].
    more : iterable of (str, str)
        Further buttons.
    text : bool
        Whether they are lines of a text.
    """
    sent = visit.typed("action").startswith(MERGE)
    unsettled = [one.label for one in lines if not one.taken] if sent else []
    return Conflict(
        title=visit.say("conflict.title"),
        person=None if person is None else visit.person_bar(*person),
        lead=lead or visit.say("conflict.lead"),
        lines=tuple(lines),
        text=text,
        made=_when(theirs),
        by=_by(visit, theirs),
        version=theirs.version if theirs else 0,
        url=url,
        kept=tuple((name, value) for name, values in kept.items() for value in values),
        base=base,
        corrects=corrects,
        once=token_hex(16),
        more=tuple(more),
        unsettled=tuple(unsettled),
        status=422 if unsettled else 409,
    )


def conflict_told(visit: Visit, error: ConflictError) -> Conflict:
    """Both texts line by line, where a page has no form of its own to settle them."""
    theirs = error.theirs
    label = visit.say.texts["conflict.stretch"]
    found = compare_texts(None, error.mine, theirs.body if theirs else "", {}, label)
    return Conflict(
        title=visit.say("conflict.title"),
        lead=visit.say("conflict.lead_look"),
        lines=tuple(one for one in found if one.taken != SAME),
        text=True,
        made=_when(theirs),
        by=_by(visit, theirs),
        version=theirs.version if theirs else 0,
        status=409,
    )


def _when(theirs: Record | None) -> str:
    return theirs.made_utc[:16].replace("T", " ") if theirs else ""


def _by(visit: Visit, theirs: Record | None) -> str:
    return visit.names_of([theirs.by])[theirs.by] or visit.say("audit.local") if theirs else ""
