"""The rules once more, one state at a time in plain Python, from the text that they come from.

The text is the recommended rule of the evidence notes on acceptable pain (restated from NEMEX,
Ageberg 2010, which restates Thomeé 1997) and the common rules of progression and missed sessions.
Where the program is stricter than the text, the stricter rule stands here by name with its reason:
so the answer of the program must equal the lower of the two, state by state.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import islice

import numpy as np

from proof.rules import CALM, MARKS, Found, Grid, grids
from rungwise.core.evidence import Evidence
from rungwise.core.judge import ANSWERS, Limits

__all__ = ["STRICTER", "by_the_text", "compare", "made_stricter"]

State = Mapping[str, float]
RANK: dict[str, int] = {name: place for place, name in enumerate(ANSWERS)}

#: Name -> the boldest answer that it leaves, and why the program is stricter than the text.
STRICTER: Mapping[str, tuple[str, str]] = {
    "a sign stops the line": (
        "stop and call",
        "the text stops the set and goes one rung down; here the line stops until somebody calls",
    ),
    "red for more than a week stops": (
        "stop and call",
        "the text asks for contact; here the line stops until then",
    ),
    "the screen of now rules it out": ("stop and call", "the text speaks of new red flags only"),
    "two flares lower": ("down", "the text asks for contact only"),
    "what was examined anew does not fit": ("down", "the text knows no examination anew"),
    "what is not known never raises": ("same", "the text is silent"),
    "all of it, a week, twice a week for repetitions, too": (
        "same",
        "the text asks for it before a new rung; here before repetitions or seconds, too",
    ),
    "few sessions hold repetitions, too": ("same", "the text lets time and repetitions rise"),
    "faulty form holds repetitions, too": ("same", "the text lets time and repetitions rise"),
    "more work than asked for": ("same", "the text is silent"),
    "a painful week that rises": (
        "same",
        "the source says that pain must not rise over time; the text lowers from more than 1 on",
    ),
    "pain as usual above 5": ("same", "the source calls more than 5 high risk"),
    "an old or open screen, or one that holds back": ("same", "the text is silent"),
    "a foot that does not feel": ("same", "pain says nothing there"),
    "another exercise hurt the foot": ("same", "the text looks at each exercise by itself"),
    "the joint was found worse": ("same", "the text knows no examination anew"),
    "a session without a rating": ("same", "the text looks at the last three sessions only"),
}


def _triple(state: State, stem: str) -> list[float]:
    return [state[f"{stem}_{i}"] for i in (1, 2, 3)]


def _mornings(state: State, absolute: bool) -> list[float]:
    """Mornings above pain as usual; where that is not known it counts as 0 [1]."""
    usual = 0.0 if math.isnan(state["usual"]) else state["usual"]
    return [m - usual if absolute else m for m in _triple(state, "morning")]


def by_the_text(state: State, absolute: bool) -> str:
    """The answer as the text alone gives it, where everything that it asks about is known.

    Parameters
    ----------
    state : mapping of str to float
        Level of each axis.
    absolute : bool
        Whether mornings are as rated, or counted from pain as usual.
    """
    during, above = _triple(state, "during"), _mornings(state, absolute)
    rise = state["this_week"] - state["last_week"]
    if state["gap"] > 13:
        return "restart"
    regress = (
        marked(state, "sharp")
        or marked(state, "warning")
        or max((d for d in (*during, state["earlier"]) if not math.isnan(d)), default=0) >= 6
        or (above[0] > 1 and above[1] > 1)
        or (above[1] > 1 and above[2] > 1)
        or rise > 1
        or 7 <= state["gap"] <= 13
    )
    if regress:
        return "down"
    usual_mornings = all(m <= 0 for m in above)
    hold = (
        any(3 <= d <= 5 for d in during)
        or any(m >= 2 for m in above)
        or state["adherence"] < 60
        or marked(state, "form_failed")
    )
    if hold:
        return "dose" if usual_mornings else "same"
    progress = (
        all(d <= 2 for d in during)
        and usual_mornings
        and not part_done(state)
        and state["count"] >= 3
        and state["per_week"] >= 2
        and state["days"] >= 7
    )
    return "up" if progress else "same"


def marked(state: State, name: str) -> bool:
    """Whether a mark is set, by its own axis or as the one mark."""
    return state[name] > 0 or MARKS[int(state["mark"])] == name


def part_done(state: State) -> bool:
    """Whether one of the last three sessions was done in part."""
    return state["part"] > 0 or any(v > 0 for v in _triple(state, "part"))


def made_stricter(state: State, absolute: bool) -> Iterator[str]:
    """Names of the stricter rules that hold.

    Parameters
    ----------
    state : mapping of str to float
        Level of each axis.
    absolute : bool
        As for :func:`by_the_text`.
    """
    needed = [*_triple(state, "during"), *_mornings(state, absolute)]
    needed += [state["this_week"] - state["last_week"], state["usual"], state["adherence"]]
    unknown = math.isnan(state["usual"])
    rise = state["this_week"] - state["last_week"]
    yield from (
        name
        for name, holds in {
            "a sign stops the line": marked(state, "sharp") or marked(state, "warning"),
            "red for more than a week stops": marked(state, "red_days"),
            "the screen of now rules it out": marked(state, "ruled_out"),
            "two flares lower": state["flares"] >= 2,
            "what was examined anew does not fit": marked(state, "no_fit"),
            "what is not known never raises": any(math.isnan(value) for value in needed),
            "all of it, a week, twice a week for repetitions, too": (
                part_done(state) or state["days"] < 7 or state["per_week"] < 2 or state["count"] < 3
            ),
            "few sessions hold repetitions, too": state["adherence"] < 60,
            "faulty form holds repetitions, too": marked(state, "form_failed"),
            "more work than asked for": state["volume"] > 150,
            "a painful week that rises": rise > 0 and state["this_week"] > 2,
            "pain as usual above 5": (not unknown and max(state["usual"], state["usual_now"]) > 5),
            "an old or open screen, or one that holds back": any(
                marked(state, name) for name in ("screen_old", "screen_holds", "held_back")
            ),
            "a foot that does not feel": marked(state, "numb"),
            "another exercise hurt the foot": marked(state, "foot_alarm"),
            "the joint was found worse": marked(state, "worse_joint"),
            "a session without a rating": marked(state, "unrated"),
        }.items()
        if holds
    )


def compare(book: Evidence, every: int) -> tuple[list[Found], dict[str, int]]:
    """Program and text on the states of the reduced grids.

    Parameters
    ----------
    book : Evidence
        The program's limits; those of the text stand in it as words.
    every : int
        Each so-manieth state; 1 = all [1].

    Returns
    -------
    list of Found
        Never bolder than the text; equal to it but for the stricter rules named.
    dict of str to int
        Stricter rule -> states that it alone makes stricter than the text.
    """
    states = bolder = unequal = 0
    alone = dict.fromkeys(STRICTER, 0)
    for grid in grids(reduced=True):
        codes = grid.codes(Limits.of(book)).reshape(-1)
        pairs = zip(_states(grid), codes.tolist(), strict=True)
        for state, code in islice(pairs, 0, None, every):
            text = RANK[by_the_text(state, grid.absolute)]
            names = list(made_stricter(state, grid.absolute))
            lower = [name for name in names if RANK[STRICTER[name][0]] < text]
            expected = min([text, *(RANK[STRICTER[name][0]] for name in names)])
            states += 1
            bolder += code > text
            unequal += code != expected
            if len(lower) == 1:
                alone[lower[0]] += 1
    which = "every state" if every == 1 else f"each {every}th state"
    how = f"{which} of the reduced grids, the rules written twice"
    return [
        Found("The program is never bolder than the text", how, states, bolder),
        Found("It is the text, but for the stricter rules named below", how, states, unequal),
    ], alone


def _states(grid: Grid) -> Iterator[State]:
    names = list(grid.axes)
    columns = grid.columns(0, grid.size)
    for values in zip(*(np.asarray(columns[name]).tolist() for name in names), strict=True):
        yield {**CALM, **dict(zip(names, values, strict=True))}
