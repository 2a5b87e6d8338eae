"""The evidence book in a clinic: its own values, what uses a number, and what a class may do.

A clinic's own values are one setting; each change of it is a new version, and the old ones stay.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import cache
from typing import TypeAlias

from rungwise.book import read_overrides
from rungwise.casebook import OVERRIDES, Casebook, Drawn
from rungwise.clinic import class_ways, open_book, own_error_now
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Override
from rungwise.core.group import GroupClass
from rungwise.core.terms import Reason
from rungwise.records import Record, Who
from rungwise.uses import named_in, uses_of

__all__ = [
    "Drawn",
    "GroupClass",
    "OwnValues",
    "can_set",
    "class_drawings",
    "named_in",
    "old_setting",
    "own_error",
    "own_values",
    "refused_values",
    "set_own_value",
    "take_back_refused",
    "the_book",
    "toml_of",
    "used_by",
    "ways_of",
]

OWN = "own_value"
Ways: TypeAlias = tuple[tuple[str, tuple[Reason, ...]], ...]
_ways: dict[str, Ways] = {}


@dataclass(frozen=True)
class OwnValues:
    """The clinic's own values of the book, and their version [1]."""

    version: int
    values: tuple[Override, ...]
    earlier: tuple[tuple[int, str, str, Override], ...]

    def of(self, key: str) -> Override | None:
        """The clinic's own value of a row; None when it has none."""
        return next((own for own in self.values if own.key == key), None)

    def earlier_of(self, key: str) -> tuple[tuple[int, str, Override], ...]:
        """Every value that a row ever had here: version, when it was written, and the value."""
        return tuple(
            (version, made, own) for version, made, _, own in self.earlier if own.key == key
        )


def old_setting(casebook: Casebook, who: Who, name: str, version: int) -> Record | None:
    """A version of a setting; None when there is none."""
    with casebook.store.work(who) as work:
        history = work.setting_history(name)
    return next((one for one in history if one.version == version), None)


def own_values(casebook: Casebook, who: Who, version: int | None = None) -> OwnValues:
    """The clinic's own values as they are, and as they were.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        Who looks.
    version : int, optional
        As they were in this version, 0 = before any was set [1]; the newest when left out.
    """
    with casebook.store.work(who) as work:
        history = work.setting_history(OVERRIDES)
    if version is not None:
        history = tuple(one for one in history if one.version <= version)
    earlier: list[tuple[int, str, str, Override]] = []
    values: tuple[Override, ...] = ()
    for record in history:
        before, values = values, _written(record.body)
        new = [own for own in values if own not in before]
        earlier += [(record.version, record.made_utc, record.by, own) for own in new]
    return OwnValues(history[-1].version if history else 0, values, tuple(earlier))


def _written(text: str) -> tuple[Override, ...]:
    """Own values as they were written, whether or not the book of today takes them."""
    return tuple(
        Override(key, float(own["value"]), *(str(own[word]) for word in ("who", "when", "why")))
        for key, own in tomllib.loads(text).items()
    )


def _fits(own: Override) -> bool:
    try:
        read_overrides(_text_of({own.key: own}), the_book())
    except InputError:
        return False
    return True


def refused_values(casebook: Casebook, who: Who) -> tuple[Override, ...]:
    """Own values that the book of today does not take: it has no such row, or another range.

    As long as there are any, no number is computed: none may change in silence.
    """
    return tuple(own for own in own_values(casebook, who).values if not _fits(own))


def take_back_refused(casebook: Casebook, who: Who, expected: int) -> None:
    """Take back every own value that the book of today does not take; they stay in the history.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        A therapist or an administrator.
    expected : int
        Version of the own values that the writer had seen [1].

    Raises
    ------
    ConflictError
        Somebody changed an own value meanwhile.
    """
    there = own_values(casebook, who).values
    kept = {own.key: own for own in there if _fits(own)}
    if len(kept) < len(there):
        _save_own(casebook, who, kept, expected)


def set_own_value(
    casebook: Casebook,
    who: Who,
    key: str,
    value: float | None,
    by: str,
    why: str,
    expected: int,
) -> None:
    """Give a row the clinic's own value, or take it back.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        A therapist or an administrator.
    key : str
        The row.
    value : float or None
        In the row's unit; None takes the own value back.
    by, why : str
        Who decided, and why.
    expected : int
        Version of the own values that the writer had seen, 0 = none [1].

    Raises
    ------
    InputError
        A value outside the row's range, a row that is not a clinic's to set, no name, no reason.
    ConflictError
        Somebody changed an own value meanwhile.
    """
    kept = {own.key: own for own in own_values(casebook, who).values}
    kept.pop(key, None)
    if value is not None:
        kept[key] = Override(key, value, by.strip(), str(casebook.today()), why.strip())
    _save_own(casebook, who, kept, expected)


def own_error(
    casebook: Casebook, who: Who, text: str, key: str, by: str, expected: int, keep: bool
) -> str:
    """The clinic's own error of a reading from a table of pairs; kept when that is wished.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        A therapist or an administrator.
    text : str
        CSV: foot, first, second, days_apart.
    key : str
        Row of the book for which it stands.
    by : str
        Who decides.
    expected : int
        Version of the own values that the writer had seen, 0 = none [1].
    keep : bool
        Whether it becomes the clinic's own value.

    Returns
    -------
    str
        What was found, in words.

    Raises
    ------
    InputError
        Every fault of the table; a result that may not become an own value.
    """
    facts, told = own_error_now(text, key, casebook.book(who), casebook.today(), by)
    if keep:
        if not facts["overrides"]:
            raise InputError(
                "own error", (Fault(key, "–", "a value to keep", str(facts["refused"])),)
            )
        found = read_overrides(str(facts["overrides"]), the_book())
        kept = {own.key: own for own in own_values(casebook, who).values}
        kept |= {own.key: own for own in found}
        _save_own(casebook, who, kept, expected)
    return told


def _save_own(casebook: Casebook, who: Who, kept: Mapping[str, Override], expected: int) -> None:
    text = _text_of(kept)
    read_overrides(text, the_book())
    with casebook.store.work(who) as work:
        work.set_setting(OVERRIDES, text, expected, deed=OWN)


def _text_of(kept: Mapping[str, Override]) -> str:
    parts = []
    for key in sorted(kept):
        own = asdict(kept[key])
        told = [f"{name} = {toml_of(own[name])}\n" for name in ("value", "who", "when", "why")]
        parts.append(f"[{toml_of(key)}]\n{''.join(told)}")
    return "\n".join(parts)


@cache
def the_book() -> Evidence:
    """The book as it is printed, without any own value."""
    return open_book()


@cache
def used_by(key: str) -> tuple[str, ...]:
    """What uses a row: rules, exercises, other rows, functions."""
    return uses_of(key, the_book())


def can_set(book: Evidence, key: str) -> bool:
    """Whether a row may have a clinic's own value."""
    row = book.rows[key]
    ranged = row.low is not None and row.high is not None and row.low < row.high
    return ranged and row.basis != "memory" and key.startswith(book.clinic_may_set)


def ways_of(book: Evidence) -> Ways:
    """Every rung, and why people who were not examined may not do it; kept for each edition."""
    if book.edition not in _ways:
        _ways.clear()
        _ways[book.edition] = class_ways(book)
    return _ways[book.edition]


def class_drawings(group: GroupClass, language: str) -> tuple[Drawn, ...]:
    """A drawing for each exercise of a class, in the order in which they are done."""
    from rungwise.draw import draw_pose
    from rungwise.words import load_words

    words = load_words(language)
    found = []
    for block in group.blocks:
        line = group.lines(*block)[0]
        title = words.say(f"exercise.{line.family}.title")
        labels = {**words.under("drawing"), f"title.{line.family}": title}
        made = draw_pose(line.fitted, group.body, labels)
        found.append(Drawn(made.svg, made.alt))
    return tuple(found)


def toml_of(value: object) -> str:
    """A text or a number as TOML."""
    # a JSON string without DEL is a TOML basic string
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
