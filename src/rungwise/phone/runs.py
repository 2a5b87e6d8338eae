"""Runs of shapes that several drawings have in common, in a mirror or not: the chair, the person.

Pairs of neighbours that come most often are joined to one, again and again (byte pair encoding);
what is left is a run with a name, and drawings that use it. The order of painting stays.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise

__all__ = ["share_runs"]

#: A shape or a run, and whether it is turned to its mirror image. Shapes are 0, 1, …; runs follow.
_Item = tuple[int, bool]
#: What a shape, a use of a run, a turned use, and the name of a run take about [characters].
_SHAPE, _USE, _TURNED, _NAME = 45, 19, 61, 20


def share_runs(
    drawings: Sequence[Sequence[str]], mirrored: Callable[[str], str | None], turn: str
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Name the runs that come more than once.

    Parameters
    ----------
    drawings : sequence of sequence of str
        Shapes of each drawing, in the order in which they are painted.
    mirrored : callable
        The mirror image of a shape; None for one that is never turned (letters).
    turn : str
        Attribute that turns a use to its mirror image.

    Returns
    -------
    tuple
        The runs ``g0``, ``g1``, … as text, and the drawings that use them.
    """
    shapes: dict[str, int] = {}
    rows = [[_item(shape, mirrored, shapes) for shape in one] for one in drawings]
    fixed = {place for shape, place in shapes.items() if mirrored(shape) is None}
    pairs = _join(rows, len(shapes), fixed)
    names = {place: shape for shape, place in shapes.items()}
    runs = _worth(rows, pairs, names)

    def text(items: Iterable[_Item]) -> str:
        out = []
        for place, turned in items:
            if place in names:
                shape = names[place]
                out.append((mirrored(shape) or shape) if turned else shape)
            elif place in runs:
                out.append(f'<use href="#g{runs[place]}"{turn if turned else ""}/>')
            else:
                out.append(text(_turned(pairs[place], turned)))
        return "".join(out)

    told = tuple(text(pairs[place]) for place in runs)
    return told, tuple(text(row) for row in rows)


def _item(shape: str, mirrored: Callable[[str], str | None], shapes: dict[str, int]) -> _Item:
    other = mirrored(shape)
    if other is None or shape in shapes or other not in shapes:
        return shapes.setdefault(shape, len(shapes)), False
    return shapes[other], True


def _turned(pair: tuple[_Item, _Item], turned: bool) -> tuple[_Item, _Item]:
    """The same two, in the same order, each turned."""
    (a, a_turned), (b, b_turned) = pair
    return (a, a_turned ^ turned), (b, b_turned ^ turned)


def _join(rows: list[list[_Item]], first: int, fixed: set[int]) -> dict[int, tuple[_Item, _Item]]:
    """Join the most frequent pair until none comes twice; the rows are changed in place."""
    pairs: dict[int, tuple[_Item, _Item]] = {}
    while True:
        counts: Counter[tuple[_Item, _Item]] = Counter()
        for row in rows:
            for a, b in pairwise(row):
                if a[0] not in fixed and b[0] not in fixed:
                    counts[_turned((a, b), a[1])] += 1
        if not counts or max(counts.values()) < 2:
            return pairs
        best = max(counts, key=lambda pair: (counts[pair], pair))
        place = first + len(pairs)
        pairs[place] = best
        for row in rows:
            at = 0
            while at + 1 < len(row):
                if _turned((row[at], row[at + 1]), row[at][1]) == best:
                    row[at : at + 2] = [(place, row[at][1])]
                at += 1


def _worth(
    rows: Sequence[Sequence[_Item]],
    pairs: dict[int, tuple[_Item, _Item]],
    names: dict[int, str],
) -> dict[int, int]:
    """Runs that save something, each with its number; the others are written out in full."""
    size = {place: min(len(shape), _SHAPE) for place, shape in names.items()}
    kept = list(pairs)
    for place in pairs:
        size[place] = sum(size[part] for part, _ in pairs[place])
    for place in reversed(kept.copy()):
        uses = _uses(rows, pairs, kept)
        cost = sum(_TURNED if turned else _USE for part, turned in uses if part == place)
        count = sum(part == place for part, _ in uses)
        if size[place] * (count - 1) <= cost + _NAME:
            kept.remove(place)
    return {place: number for number, place in enumerate(kept)}


def _uses(
    rows: Sequence[Sequence[_Item]],
    pairs: dict[int, tuple[_Item, _Item]],
    kept: Sequence[int],
) -> list[_Item]:
    """Every use of a run in the drawings and in the runs that are kept."""
    found: list[_Item] = []
    todo = [item for row in rows for item in row]
    todo += [item for place in kept for item in pairs[place]]
    while todo:
        place, turned = todo.pop()
        if place in kept:
            found.append((place, turned))
        elif place in pairs:
            todo += _turned(pairs[place], turned)
    return found
