"""An advice that changed while it was answered: what it said before, line by line.

An answer to a line that says the same is a proposal, to be confirmed; no other is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rungwise.core.terms import SIDES
from rungwise.web.because import exercise_words
from rungwise.web.page import Visit
from rungwise.web.words import Say

__all__ = ["AGAIN", "KINDS", "Was", "answers_gone", "was_line"]

KINDS = ("accept", "change", "keep")
#: Ends of the fields that say what a line said when it was shown, and that its answer is confirmed.
WAS, AGAIN = "was", "again"
PARTS = ("outcome", "now", "then")


@dataclass(frozen=True)
class Was:
    """What a line said before, and what was answered to it.

    Parameters
    ----------
    state : {"fits", "differs", "new"}
        Whether it says the same now, another thing, or stands there for the first time.
    parts : tuple of (str, str, str)
        What differs: which part, what it said before, what it says now.
    kind : str
        What was answered; empty for nothing.
    answer : str
        The same in words, with the reason.
    """

    state: str
    parts: tuple[tuple[str, str, str], ...]
    kind: str
    answer: str


def was_line(visit: Visit, key: str, outcome: str, now: str, then: str) -> Was:
    """A line of the advice beside what it said when it was answered.

    Parameters
    ----------
    visit : Visit
        Who answered.
    key : str
        The line's field: family and foot.
    outcome, now, then : str
        What it says now: the advice as a word, setting and dose, and what they would become.
    """
    kind = visit.typed(f"{key}.kind") or visit.typed(f"{key}.{AGAIN}")
    kind = kind if kind in KINDS else ""
    told = _answer(visit, key, kind)
    if f"{key}.{WAS}.outcome" not in visit.form:
        return Was("new", (), kind, told)
    says = dict(zip(PARTS, (outcome, now, then), strict=True))
    before = {part: visit.typed(f"{key}.{WAS}.{part}") for part in PARTS}
    parts = tuple(
        (part, before[part], says[part])
        for part in PARTS
        if before[part].split() != says[part].split()
    )
    return Was("differs" if parts else "fits", parts, kind, told)


def answers_gone(visit: Visit, keys: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Lines that were answered and are not advised on any more, each with its answer in words."""
    gone = []
    for name in visit.form:
        key = name.removesuffix(f".{WAS}.outcome")
        family, _, side = key.partition(".")
        if key == name or key in keys or side not in SIDES:
            continue
        kind = visit.typed(f"{key}.kind")
        answer = _answer(visit, key, kind if kind in KINDS else "")
        gone.append((exercise_words(visit.say, family, side, both=False), answer))
    return tuple(gone)


def _answer(visit: Visit, key: str, kind: str) -> str:
    """What was answered, in words: the kind, what was turned, the reason."""
    say, why = visit.say, visit.typed(f"{key}.why")
    told = [say(f"answer_kind.{kind}")] if kind else []
    told += _turned(visit, say, key) if kind == "change" else []
    return ". ".join([*told, *([why] if why else [])])


def _turned(visit: Visit, say: Say, key: str) -> list[str]:
    found = []
    for name in visit.form:
        if name.startswith(f"{key}.dial.") and (notch := visit.typed(name)):
            dial = name.removeprefix(f"{key}.dial.")
            found.append(f"{say.name('dial', dial)}: {say.name('notch', notch)}")
    if dose := visit.whole(f"{key}.dose"):
        found.append(f"{say('programme.dose_label')}: {dose}")
    return found
