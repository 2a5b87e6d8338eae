"""The screen on the form: its items in groups, and one act that answers a group with no.

Nothing is answered until somebody does it: the act is done after the questions, says which items it
answers, leaves every answer that stands, and can be undone. Each item is kept by itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from rungwise.core.evidence import Evidence

__all__ = ["MARKED", "marked_no", "screen_groups", "taken_back"]

Values = Mapping[str, Sequence[str]]
#: Field that names the items answered by the act; it travels with the form, to be undone.
MARKED = "marked"


def screen_groups(book: Evidence) -> dict[str, tuple[str, ...]]:
    """The items of the screen in the groups in which they are asked, the most urgent first.

    Parameters
    ----------
    book : Evidence
        Its items say their level, and whether they are of a foot or of the person.

    Returns
    -------
    dict of str to tuple of str
        Group -> its items. Items of a foot stand apart by how soon somebody must see it.
    """
    found: dict[str, list[str]] = {"emergency": [], "urgent": [], "care": [], "person": []}
    for key, item in book.items.items():
        level = item.level if item.level in found else "care"
        found["person" if item.per == "person" else level].append(key)
    return {group: tuple(items) for group, items in found.items() if items}


def marked_no(values: Values, items: Iterable[str]) -> dict[str, list[str]]:
    """One act: each of these items that is still open was asked, and its answer is no.

    Parameters
    ----------
    values : mapping of str to sequence of str
        What is typed so far. An answer that stands is left as it is, so is "not asked".
    items : iterable of str
        Items of the screen.
    """
    made = {name: list(value) for name, value in values.items()}
    open_now = [item for item in items if f"screen.{item}" not in made]
    made |= {f"screen.{item}": ["no"] for item in open_now}
    return {**made, MARKED: list(dict.fromkeys((*made.get(MARKED, ()), *open_now)))}


def taken_back(values: Values, items: Iterable[str]) -> dict[str, list[str]]:
    """Undo `marked_no`: what it answered is open again, what was answered singly stays.

    Parameters
    ----------
    values : mapping of str to sequence of str
        What is typed so far.
    items : iterable of str
        Items of the screen.
    """
    back = set(items).intersection(values.get(MARKED, ()))
    gone = {f"screen.{item}" for item in back if list(values.get(f"screen.{item}", ())) == ["no"]}
    made = {name: list(value) for name, value in values.items() if name not in gone}
    return {**made, MARKED: [item for item in made.get(MARKED, ()) if item not in back]}
