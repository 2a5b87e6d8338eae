"""A setting that somebody else saved meanwhile: line by line, or one own value of the book."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping

from rungwise.casebook import ConflictError, Record
from rungwise.casebook_book import OwnValues, old_setting, own_values, set_own_value, the_book
from rungwise.core.evidence import Override, printed
from rungwise.web.merge import MINE, Difference, compare, merge
from rungwise.web.page import Visit
from rungwise.web.pages.errors import MERGE, Conflict, begin_anew, chosen_in, conflict_of, typed_in
from rungwise.web.parts import name_of_field
from rungwise.web.words import Say

__all__ = ["Save", "own_value_saved", "setting_saved"]

Save = Callable[[Mapping[str, str], int], None]
TRIES = 4


def setting_saved(visit: Visit, name: str, typed: Mapping[str, str], save: Save) -> Conflict | None:
    """Save a setting of several lines; the page to choose on when somebody else did meanwhile.

    Parameters
    ----------
    visit : Visit
        Who saves.
    name : str
        The setting; its form is sent to the page of that name.
    typed : mapping of str to str
        Its lines as they were typed.
    save : callable
        Saves the lines on top of a version.

    Raises
    ------
    InputError
        As ``save``.
    """
    expected, lines = visit.whole("expected"), dict(typed)
    if visit.typed("action") == MERGE:
        theirs = old_setting(visit.casebook, visit.who, name, expected)
        found = _apart(visit, name, lines, visit.whole("base"), theirs)
        if any(not one.taken for one in found):
            return _page(visit, name, found, visit.whole("base"), theirs)
        mine = {key: line for key, line in lines.items() if line}
        there = _lines(theirs)
        lines = {key: merge(mine, there, found).get(key, "") for key in lines}
    try:
        save(lines, expected)
    except ConflictError as error:
        begin_anew(visit)
        visit.form = {**visit.form, **{key: [line] for key, line in lines.items()}}
        found = _apart(visit, name, lines, expected, error.theirs)
        return _page(visit, name, found, expected, error.theirs)
    return None


def _lines(record: Record | None) -> dict[str, str]:
    told = tomllib.loads(record.body) if record else {}
    return {key: str(value) for key, value in told.items() if str(value)}


def _apart(
    visit: Visit, name: str, typed: Mapping[str, str], base: int, theirs: Record | None
) -> tuple[Difference, ...]:
    say = visit.say
    begun = old_setting(visit.casebook, visit.who, name, base)
    mine = {key: line for key, line in typed.items() if line}
    # what was never set stands as the form showed it, which is not written down
    started = _lines(begun) if begun or name == "clinic" else None
    there = {key: line for key, line in _lines(theirs).items() if key in typed}

    def label(key: str) -> str:
        return name_of_field(say, f"clinic.{key}") if name == "clinic" else _desk_label(say, key)

    def show(key: str, line: str) -> str:
        groups = {"paper": "paper", "factor": "factor_rule", "aids": "switch"}
        return say.name(groups[key], line.replace("-", "_")) if key in groups else line

    return compare(started, mine, there, chosen_in(visit), label, show)


def _desk_label(say: Say, key: str) -> str:
    told = say.name("settings", key)
    return f"{say('settings.keep')}: {told}" if key in ("hourly", "daily", "weekly") else told


def _page(
    visit: Visit, name: str, found: tuple[Difference, ...], base: int, theirs: Record | None
) -> Conflict:
    return conflict_of(visit, f"/settings/{name}", theirs, found, typed_in(visit), base)


# ------------------------------------------------------------------ own values of the book


def own_value_saved(
    visit: Visit, key: str, value: float | None, by: str, why: str
) -> Conflict | None:
    """Save a clinic's own value; the page to choose on when somebody else set the same one.

    A change of another row meanwhile stands in nobody's way: the value is saved on top of it.

    Parameters
    ----------
    visit : Visit
        Who saves.
    key : str
        The row.
    value : float or None
        In the row's unit; None takes the own value back.
    by, why : str
        Who decided, and why.

    Raises
    ------
    InputError
        As :func:`rungwise.casebook_book.set_own_value`.
    """
    casebook, who = visit.casebook, visit.who
    expected, base = visit.whole("expected"), visit.whole("base")
    mine = None if value is None else Override(key, value, by, str(casebook.today()), why)
    merging = visit.typed("action") == MERGE
    if merging:
        found = _own_apart(visit, key, mine, base, expected)
        if any(not one.taken for one in found):
            return _own_page(visit, key, found, base, expected)
        if all(one.taken != MINE for one in found):
            return None  # theirs stands there already
    for _ in range(TRIES):
        try:
            set_own_value(casebook, who, key, value, by, why, expected)
        except ConflictError as error:
            now = error.theirs.version if error.theirs else 0
            before, after = (own_values(casebook, who, n).of(key) for n in (expected, now))
            if before != after:
                begin_anew(visit)
                found = _own_apart(visit, key, mine, expected, now)
                return _own_page(visit, key, found, expected, now) if found else None
            expected = now
        else:
            return None
    raise ConflictError("setting", expected, "", None)


def _own_apart(
    visit: Visit, key: str, mine: Override | None, base: int, now: int
) -> tuple[Difference, ...]:
    row = the_book().rows[key]

    def of(found: OwnValues) -> dict[str, Override]:
        own = found.of(key)
        return {} if own is None else {key: own}

    def show(_: str, own: Override) -> str:
        told = visit.say("book.set_by", who=own.who, when=own.when)
        return f"{printed(own.value, row.unit)}\n{told}: {own.why}"

    begun, there = (of(own_values(visit.casebook, visit.who, n)) for n in (base, now))
    ours = {} if mine is None else {key: mine}
    same = there.get(key)
    if mine is not None and same is not None and (same.value, same.why) == (mine.value, mine.why):
        return ()
    label = f"{visit.say('book.own_value')}: {key}"
    return compare(begun, ours, there, chosen_in(visit), lambda _: label, show)


def _own_page(
    visit: Visit, key: str, found: tuple[Difference, ...], base: int, now: int
) -> Conflict:
    theirs = old_setting(visit.casebook, visit.who, "overrides", now)
    kept = typed_in(visit)
    return conflict_of(visit, f"/book/row/{key}", theirs, found, kept, base)
