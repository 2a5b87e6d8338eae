"""Two changes of one thing laid side by side: what each side has, and what both started from.

A field that only one side changed is taken from that side. Where both changed it, or nobody knows
what they started from, nothing is taken until somebody chooses.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import TypeVar

__all__ = [
    "BOTH",
    "MINE",
    "SAME",
    "THEIRS",
    "Difference",
    "compare",
    "compare_texts",
    "merge",
    "text_of",
]

MINE, THEIRS, BOTH, SAME = "mine", "theirs", "both", "same"
V = TypeVar("V")


@dataclass(frozen=True)
class Difference:
    """One field, or one stretch of a text, that the two sides do not have alike.

    Parameters
    ----------
    key, label : str
        Its name, and as the form calls it.
    mine, theirs : str
        What either side has; empty for nothing.
    base : str or None
        What both started from; None when that is not known.
    taken : {"", "mine", "theirs", "both", "same"}
        What is taken; empty while somebody must choose; ``same`` for what both have alike.
    clash : bool
        Whether both sides changed it.
    ways : tuple of str
        What can be chosen.
    lines : (tuple of str, tuple of str)
        Lines of a stretch of a text, mine and theirs.
    """

    key: str
    label: str
    mine: str
    theirs: str
    base: str | None
    taken: str
    clash: bool
    ways: tuple[str, ...] = (MINE, THEIRS)
    lines: tuple[tuple[str, ...], tuple[str, ...]] = ((), ())


def compare(
    base: Mapping[str, V] | None,
    mine: Mapping[str, V],
    theirs: Mapping[str, V],
    chosen: Mapping[str, str],
    label: Callable[[str], str],
    show: Callable[[str, V], str],
) -> tuple[Difference, ...]:
    """Every field that the two sides do not have alike.

    Parameters
    ----------
    base : mapping or None
        What both started from, by field; None when that is not known.
    mine, theirs : mapping
        What either side has, by field; an absent field is empty.
    chosen : mapping of str to str
        What was chosen so far, by field.
    label : callable
        From a field to what the form calls it.
    show : callable
        From a field and its value to words.
    """
    found = []
    for key in dict.fromkeys((*theirs, *mine)):
        a, b = mine.get(key), theirs.get(key)
        if a == b:
            continue
        start = None if base is None else base.get(key)
        clash = base is None or start not in (a, b)
        word = chosen.get(key, "")
        if word not in (MINE, THEIRS):
            word = "" if clash else MINE if b == start else THEIRS
        told = ["" if one is None else show(key, one) for one in (a, b, start)]
        began = None if base is None else told[2]
        found.append(Difference(key, label(key), told[0], told[1], began, word, clash))
    return tuple(found)


def merge(
    mine: Mapping[str, V], theirs: Mapping[str, V], found: Sequence[Difference]
) -> dict[str, V]:
    """Theirs, with mine where that is taken; what nobody chose yet stays theirs."""
    made = dict(theirs)
    for one in found:
        if one.taken == MINE:
            made.pop(one.key, None)
            if one.key in mine:
                made[one.key] = mine[one.key]
    return made


def compare_texts(
    base: str | None, mine: str, theirs: str, chosen: Mapping[str, str], label: str
) -> tuple[Difference, ...]:
    """Two texts line by line: what they have alike, and each stretch that they do not.

    Parameters
    ----------
    base : str or None
        The text that both started from; None when that is not known.
    mine, theirs : str
        The two texts.
    chosen : mapping of str to str
        What was chosen so far, by the number of the stretch.
    label : str
        What a stretch is called, with ``{n}`` for its number.
    """
    a, b = mine.split("\n"), theirs.split("\n")
    stretches = _two(a, b) if base is None else _three(base.split("\n"), a, b)
    found: list[Difference] = []
    number = 0
    for start, left, right in stretches:
        text = ["\n".join(part) for part in (left, right)]
        lines = tuple(left), tuple(right)
        if left == right:
            same = Difference("", "", text[0], text[1], None, SAME, clash=False, lines=lines)
            found.append(same)
            continue
        number += 1
        key = str(number)
        clash = start is None or start not in (left, right)
        ways = (MINE, THEIRS, BOTH) if clash and left and right else (MINE, THEIRS)
        word = chosen.get(key, "")
        if word not in ways:
            word = "" if clash else MINE if right == start else THEIRS
        began = None if start is None else "\n".join(start)
        told = label.format(n=number)
        found.append(Difference(key, told, text[0], text[1], began, word, clash, ways, lines))
    return tuple(found)


def text_of(found: Sequence[Difference]) -> str:
    """The text that the choices make; where nobody chose yet it has both, theirs first."""
    lines: list[str] = []
    for one in found:
        mine, theirs = one.lines
        taken = {MINE: mine, SAME: mine, THEIRS: theirs}
        lines += taken.get(one.taken, (*theirs, *mine))
    return "\n".join(lines)


Lines = list[str]


def _two(a: Lines, b: Lines) -> Iterator[tuple[Lines | None, Lines, Lines]]:
    for _, i, j, k, m in SequenceMatcher(None, a, b, autojunk=False).get_opcodes():
        yield None, a[i:j], b[k:m]


def _three(base: Lines, a: Lines, b: Lines) -> Iterator[tuple[Lines | None, Lines, Lines]]:
    """Stretches between lines that all three have; a side that kept a stretch equals the base."""
    in_a, in_b = _kept(base, a), _kept(base, b)
    at = [0, 0, 0]
    run: Lines = []
    for n in range(len(base) + 1):
        end = n == len(base)
        places = (len(base), len(a), len(b)) if end else (n, in_a.get(n), in_b.get(n))
        if places[1] is None or places[2] is None:
            continue
        before = base[at[0] : n], a[at[1] : places[1]], b[at[2] : places[2]]
        if any(before):
            if run:
                yield run, run, run
                run = []
            yield before
        if not end:
            run.append(base[n])
            at = [n + 1, places[1] + 1, places[2] + 1]
    if run:
        yield run, run, run


def _kept(base: Lines, other: Lines) -> dict[int, int]:
    """Lines of the base that another text still has: place in the base -> place there."""
    blocks = SequenceMatcher(None, base, other, autojunk=False).get_matching_blocks()
    return {one.a + n: one.b + n for one in blocks for n in range(one.size)}
