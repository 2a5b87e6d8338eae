"""The states that the rules of progress can be in, and what must hold in each of them.

A grid is a product of axes; each axis has levels at and on both sides of every limit of the book,
and *unknown* where a fact may be missing. All states go through the production ``rules_of`` in
arrays; properties compare neighbours along whole axes, not samples.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rungwise.core.evidence import Evidence
from rungwise.core.judge import DOSE, DOWN, SAME, STOP, UP, Facts, Limits, judge

__all__ = ["CALM", "Found", "Grid", "facts_of", "grids", "prove_rules"]

Codes = NDArray[np.int8]
Column = NDArray[np.float32]
NAN = float("nan")
CHUNK = 250_000

#: Marks of which one at a time is set on the axis ``mark``; 0 is none of them.
MARKS = (
    "",
    "sharp",
    "warning",
    "ruled_out",
    "red_days",
    "no_fit",
    "form_failed",
    "screen_old",
    "screen_holds",
    "held_back",
    "numb",
    "foot_alarm",
    "worse_joint",
    "unrated",
)
STOPPING = ("sharp", "warning", "ruled_out", "red_days")


@dataclass(frozen=True)
class Found:
    """What a property came to: its words, how many states were looked at, how many break it."""

    says: str
    how: str
    states: int
    violations: int


@dataclass(frozen=True)
class Grid:
    """A product of axes.

    Parameters
    ----------
    name : str
        What it is about.
    axes : mapping of str to sequence of float
        Levels of each axis, the best first; an unknown one (NaN) last. Mornings are counted from
        pain as usual unless the grid is about it.
    absolute : bool
        Whether mornings are 0-10 as rated.
    """

    name: str
    axes: Mapping[str, Sequence[float]]
    absolute: bool = False

    @property
    def shape(self) -> tuple[int, ...]:
        """Number of levels of each axis [1]."""
        return tuple(len(levels) for levels in self.axes.values())

    @property
    def size(self) -> int:
        """Number of states [1]."""
        return int(np.prod(self.shape))

    def columns(self, first: int, end: int) -> dict[str, Column]:
        """The levels of a stretch of states, by axis.

        Parameters
        ----------
        first, end : int
            From which state to before which [1].
        """
        places = np.unravel_index(np.arange(first, end), self.shape)
        return {
            name: np.asarray(levels, dtype=np.float32)[place]
            for (name, levels), place in zip(self.axes.items(), places, strict=True)
        }

    def codes(self, limits: Limits) -> Codes:
        """The production answer to every state, in the shape of the grid."""
        found = np.empty(self.size, dtype=np.int8)
        for first in range(0, self.size, CHUNK):
            end = min(first + CHUNK, self.size)
            found[first:end] = judge(facts_of(self.columns(first, end), self.absolute), limits)
        return found.reshape(self.shape)

    def along(self, codes: Codes, name: str, level: int) -> Codes:
        """The answers at one level of an axis."""
        axis = list(self.axes).index(name)
        found: Codes = np.moveaxis(codes, axis, 0)[level]
        return found


#: What stands where a grid has no such axis: calm, at every limit.
CALM: Mapping[str, float] = {
    **dict.fromkeys(("during_1", "during_2", "during_3"), 2.0),
    **dict.fromkeys(("morning_1", "morning_2", "morning_3"), 0.0),
    **dict.fromkeys(("part_1", "part_2", "part_3"), 0.0),
    "part": 0.0,
    "earlier": 0.0,
    "count": 3.0,
    "usual": 2.0,
    "usual_now": 0.0,
    "this_week": 2.0,
    "last_week": 2.0,
    "flares": 1.0,
    "days": 7.0,
    "per_week": 2.0,
    "adherence": 60.0,
    "volume": 150.0,
    "gap": 6.0,
    "mark": 0.0,
    **dict.fromkeys((m for m in MARKS if m), 0.0),
}


def facts_of(columns: Mapping[str, Column], absolute: bool = False) -> Facts:
    """The facts of some states.

    Parameters
    ----------
    columns : mapping of str to (n,) array
        Levels by axis; axes not named are calm.
    absolute : bool
        Whether mornings are 0-10 as rated, or counted from pain as usual.
    """
    n = len(next(iter(columns.values())))

    def column(name: str) -> Column:
        found = columns.get(name)
        return np.full(n, CALM[name], dtype=np.float32) if found is None else found

    def marked(name: str) -> NDArray[np.bool_]:
        found: NDArray[np.bool_] = (column("mark") == MARKS.index(name)) | (column(name) > 0)
        return found

    usual = column("usual")
    now = np.where(np.isnan(usual), usual, np.maximum(usual, columns.get("usual_now", usual)))
    during = np.stack([column(f"during_{i}") for i in (1, 2, 3)], axis=1)
    morning = np.stack([column(f"morning_{i}") for i in (1, 2, 3)], axis=1)
    if not absolute:
        morning = morning + np.nan_to_num(usual)[:, None]
    parts = [(column("part") == i) | (column(f"part_{i}") > 0) for i in (1, 2, 3)]
    return Facts(
        during=during,
        morning=morning,
        whole=~np.stack(parts, axis=1),
        count=column("count"),
        highest=np.fmax.reduce([*during.T, column("earlier")]),
        red_days=np.where(marked("red_days"), np.float32(8), np.float32(7)),
        sharp=marked("sharp"),
        warning=marked("warning"),
        usual=usual,
        usual_now=now,
        this_week=column("this_week"),
        last_week=column("last_week"),
        flares=column("flares"),
        days=column("days"),
        per_week=column("per_week"),
        adherence_pct=column("adherence"),
        volume_pct=column("volume"),
        gap_days=column("gap"),
        form_failed=marked("form_failed"),
        screen_old=marked("screen_old"),
        screen_holds=marked("screen_holds"),
        held_back=marked("held_back"),
        ruled_out=marked("ruled_out"),
        no_fit=marked("no_fit"),
        feels=~marked("numb"),
        foot_alarm=marked("foot_alarm"),
        worse_joint=marked("worse_joint"),
        unrated=marked("unrated"),
    )


def grids(reduced: bool) -> tuple[Grid, ...]:
    """The grids that are gone through.

    Parameters
    ----------
    reduced : bool
        Fewer levels and marks, for the tests of every day.
    """
    yes_no = (0.0, 1.0)
    during = (2.0, 5.0, 6.0, NAN) if reduced else (2.0, 3.0, 5.0, 6.0, NAN)
    morning = (0.0, 1.0, 2.0, NAN)
    marks = [float(i) for i in range(len(MARKS))]
    sessions = Grid(
        "the last three sessions",
        {
            **{f"during_{i}": during for i in (1, 2, 3)},
            **{f"morning_{i}": morning for i in (1, 2, 3)},
            "part": (0.0, 3.0) if reduced else (0.0, 1.0, 2.0, 3.0),
            "earlier": (5.0, 6.0),
            "count": (3.0,) if reduced else (3.0, 2.0),
            "usual": (2.0, NAN) if reduced else (0.0, 2.0, 5.0, 6.0, NAN),
            "mark": marks,
            "gap": (6.0, 7.0) if reduced else (6.0, 7.0, 13.0, 14.0),
            "adherence": (60.0,) if reduced else (60.0, 59.0, NAN),
        },
    )
    alone = ("", "warning", "screen_holds", "worse_joint", "unrated")  # one mark at a time only
    several = [m for m in MARKS if m not in alone]
    few = ("sharp", "ruled_out", "form_failed", "screen_old", "numb")
    weeks = Grid(
        "weeks, counts and marks together",
        {
            "this_week": (0.0, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, NAN),
            "last_week": (2.0, NAN),
            "usual": (2.0,) if reduced else (2.0, NAN),
            "usual_now": (2.0, 6.0) if reduced else (5.0, 6.0, NAN),
            "flares": (1.0, 2.0),
            "days": (7.0, 6.0),
            "per_week": (2.0, 1.0),
            "adherence": (60.0, 59.0, NAN),
            "volume": (150.0, 151.0),
            "gap": (6.0, 7.0, 14.0),
            "during_3": (2.0, 6.0) if reduced else (2.0, 5.0, 6.0, NAN),
            "morning_3": (0.0,) if reduced else (0.0, NAN),
            **dict.fromkeys(few if reduced else several, yes_no),
        },
    )
    rated = [float(pain) for pain in range(11)]
    usual = Grid(
        "pain as usual",
        {
            **{f"morning_{i}": (*rated, NAN) for i in (1, 2, 3)},
            "usual": (*(rated[::2] if reduced else rated), NAN),
            **{f"during_{i}": (2.0, 5.0, 6.0, NAN) for i in ((3,) if reduced else (1, 2, 3))},
        },
        absolute=True,
    )
    return sessions, weeks, usual


# ------------------------------------------------------------------ what must hold

#: Axes on which a higher level is worse, and those on which a lower one is; levels stand so.
MORE_IS_WORSE = (
    *(f"{what}_{i}" for what in ("during", "morning", "part") for i in (1, 2, 3)),
    "earlier",
    "flares",
    "gap",
    "this_week",
    "usual_now",
    "volume",
    *(m for m in MARKS if m),
)
LESS_IS_WORSE = ("count", "days", "per_week", "adherence")
WORDS = {
    "during": "More pain during never gives a bolder answer",
    "morning": "More pain next morning, at given pain as usual, never gives a bolder answer",
    "part": "A session done in part never gives a bolder answer",
    "earlier": "A higher pain earlier at this setting never gives a bolder answer",
    "flares": "More flares never give a bolder answer",
    "gap": "A longer gap never gives a bolder answer",
    "this_week": "A higher mean of this week never gives a bolder answer",
    "usual_now": "Higher pain as usual at the examination never gives a bolder answer",
    "volume": "More work than asked for never gives a bolder answer",
    "mark": "No mark (sign, ban, form, screen, feeling) ever gives a bolder answer",
    "fewer": "Fewer sessions, days or shares never give a bolder answer",
}


def prove_rules(book: Evidence, grid: Grid) -> list[Found]:
    """Go through a grid: what each property came to.

    Parameters
    ----------
    book : Evidence
        Its limits.
    grid : Grid
        Which.
    """
    return [Found(*told) for told in _checks(grid, grid.codes(Limits.of(book)))]


Checked = tuple[str, str, int, int]


def _checks(grid: Grid, codes: Codes) -> Iterator[Checked]:
    yield from _within(grid, codes)
    found: dict[str, list[int]] = {}
    for name in grid.axes:
        kind = _kind(name)
        if kind is None:
            continue
        states, bad = _never_bolder(grid, codes, name)
        row = found.setdefault(kind, [0, 0])
        row[0] += states
        row[1] += bad
    for kind, (states, bad) in found.items():
        if states:
            yield WORDS[kind], "neighbours along the axis", states, bad
    yield from _unknown(grid, codes)


def _kind(name: str) -> str | None:
    if name in LESS_IS_WORSE:
        return "fewer"
    if name == "mark" or name in MARKS:
        return "mark"
    stem = name.rpartition("_")[0] if name[-1].isdigit() else name
    return stem if name in MORE_IS_WORSE or name == "part" else None


def _never_bolder(grid: Grid, codes: Codes, name: str) -> tuple[int, int]:
    """Compare each known level with the next worse one; marks and parts with none of them."""
    levels = np.asarray(grid.axes[name])
    known = [i for i in range(len(levels)) if not np.isnan(levels[i])]
    pairs = [(0, i) for i in known[1:]] if name in ("mark", "part") else list(pairwise(known))
    bad = states = 0
    for better, worse in pairs:
        a, b = grid.along(codes, name, better), grid.along(codes, name, worse)
        bad += int(np.count_nonzero(b > a))
        states += a.size
    return states, bad


def _unknown(grid: Grid, codes: Codes) -> Iterator[Checked]:
    """Removing a datum never turns an answer that is not up into up, nor dose into up."""
    states = bad = 0
    for name, levels in grid.axes.items():
        if not np.isnan(levels[-1]):
            continue
        gone = grid.along(codes, name, len(levels) - 1)
        for i in range(len(levels) - 1):
            there = grid.along(codes, name, i)
            bad += int(np.count_nonzero((gone >= DOSE) & (gone > there)))
            states += gone.size
    if states:
        yield "A missing datum never permits a rise", "each datum beside its absence", states, bad
    if grid.absolute:
        gone = grid.along(codes, "usual", len(grid.axes["usual"]) - 1)
        bad = sum(
            int(np.count_nonzero(gone > grid.along(codes, "usual", i)))
            for i in range(len(grid.axes["usual"]) - 1)
        )
        states = gone.size * (len(grid.axes["usual"]) - 1)
        says = "Unknown pain as usual gives no bolder answer than any known one"
        yield says, "at given mornings", states, bad


def _within(grid: Grid, codes: Codes) -> Iterator[Checked]:
    """What no state with a certain fact may be answered."""
    limits: tuple[tuple[str, Callable[[Mapping[str, Column]], NDArray[np.bool_]], int], ...] = (
        ("Never up after pain during above the limit: down at least", _red, DOWN),
        ("Pain during above 2 raises repetitions or seconds at most", _sore, DOSE),
        ("Stop always wins", _stopped, STOP),
        ("Up only when every fact is known and good", _not_good, SAME),
    )
    flat = codes.reshape(-1)
    counts = np.zeros((len(limits), 2), dtype=np.int64)
    for first in range(0, grid.size, CHUNK):
        end = min(first + CHUNK, grid.size)
        columns = grid.columns(first, end)
        for k, (_, where, highest) in enumerate(limits):
            here = where(columns)
            counts[k] += np.count_nonzero(here), np.count_nonzero(flat[first:end][here] > highest)
    for (says, _, _), (states, bad) in zip(limits, counts, strict=True):
        if states:
            yield says, "every state with it", int(states), int(bad)
    calm = np.count_nonzero(flat == UP)
    says = "Some states do rise, so that the proof is not empty"
    yield says, "states answered up", int(calm), int(calm == 0)


def _any(columns: Mapping[str, Column], stem: str, above: float) -> NDArray[np.bool_]:
    own = [c for name, c in columns.items() if name.startswith(stem)]
    n = len(next(iter(columns.values())))
    held = np.zeros(n, dtype=np.bool_)
    for column in own:
        held |= column > above
    return held


def _red(columns: Mapping[str, Column]) -> NDArray[np.bool_]:
    return _any(columns, "during", 5) | _any(columns, "earlier", 5)


def _sore(columns: Mapping[str, Column]) -> NDArray[np.bool_]:
    return _any(columns, "during", 2)


def _stopped(columns: Mapping[str, Column]) -> NDArray[np.bool_]:
    n = len(next(iter(columns.values())))
    held = np.zeros(n, dtype=np.bool_)
    for name in STOPPING:
        held |= _any(columns, name, 0)
        if "mark" in columns:
            held |= columns["mark"] == MARKS.index(name)
    return held


def _not_good(columns: Mapping[str, Column]) -> NDArray[np.bool_]:
    """Whether any fact is unknown or beyond what a rise asks for, said once more by itself."""
    n = len(next(iter(columns.values())))
    held = np.zeros(n, dtype=np.bool_)
    for name, column in columns.items():
        if name not in ("this_week", "usual"):
            held |= np.isnan(column)
        if name.startswith("part") or name in MARKS or name == "mark":
            held |= column > 0
    for name, least in (("count", 3), ("days", 7), ("per_week", 2), ("adherence", 60)):
        if name in columns:
            held |= columns[name] < least
    for name, most in (("flares", 1), ("volume", 150), ("gap", 6), ("usual", 5), ("usual_now", 5)):
        if name in columns:
            held |= ~(columns[name] <= most)
    if "this_week" in columns:
        rise = columns["this_week"] - columns["last_week"]
        held |= ~((rise <= 0) | ((rise <= 1) & (columns["this_week"] <= 2)))
    return held
