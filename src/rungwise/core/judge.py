"""The rules of progress over arrays: many exercises at once, or one.

The very rules that :func:`rungwise.core.progress.decide` uses for one exercise; as they work on
whole arrays, all states can be gone through, and a whole caseload is judged at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rungwise.core.evidence import Evidence

__all__ = ["ANSWERS", "Facts", "Limits", "judge", "rules_of", "strictest"]

Answer = Literal["stop and call", "restart", "down", "same", "dose", "up"]
#: From the most careful to the boldest; the place is the code. ``restart`` is down to the start,
#: ``dose`` is up by repetitions or seconds only.
ANSWERS: tuple[Answer, ...] = ("stop and call", "restart", "down", "same", "dose", "up")
STOP, RESTART, DOWN, SAME, DOSE, UP = range(len(ANSWERS))

Floats = NDArray[np.floating]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Facts:
    """What the diary and the screen say of n exercises; NaN = not known, which never raises.

    Parameters
    ----------
    during, morning : (n, 3) array
        Pain 0-10 during and next morning in the last sessions, the latest last [1].
    whole : (n, 3) array of bool
        Whether all of it was done in each.
    count : (n,) array
        Sessions at this setting [1].
    highest : (n,) array
        Highest pain during since the last decision, 0-10 [1]; NaN when never rated.
    red_days : (n,) array
        Days from the first to the last of the latest sessions that all were above the limit [d].
    sharp, warning : (n,) array of bool
        Sharp pain or locking; a new warning sign; since the last decision.
    usual, usual_now : (n,) array
        Pain as usual 0-10 in the time that is judged, and the higher of that and what the newest
        examination found [1].
    this_week, last_week : (n,) array
        Mean pain of the week and of the week before 0-10 [1].
    flares : (n,) array
        Flares within the window [1].
    days : (n,) array
        Days at this setting [d].
    per_week : (n,) array
        Sessions in the last seven days [1].
    adherence_pct, volume_pct : (n,) array
        Sessions done, and work of the last week, as a share of what was asked for [pct].
    gap_days : (n,) array
        Longest time without a session around the last ones [d].
    form_failed : (n,) array of bool
        Whether the form was not right when somebody looked.
    screen_old, screen_holds, held_back : (n,) array of bool
        The screen is too old; is not complete; says no step up.
    ruled_out : (n,) array of bool
        The screen now stops the foot or rules the exercise out.
    no_fit : (n,) array of bool
        What was examined anew no longer allows the rung.
    feels : (n,) array of bool
        The foot feels, so that pain means something.
    foot_alarm : (n,) array of bool
        Sharp pain or pain above the limit in another exercise of the foot since the last decision.
    worse_joint : (n,) array of bool
        The newest examination found the joint worse.
    unrated : (n,) array of bool
        Some session since the last decision has no rating of pain during.
    """

    during: Floats
    morning: Floats
    whole: Bools
    count: Floats
    highest: Floats
    red_days: Floats
    sharp: Bools
    warning: Bools
    usual: Floats
    usual_now: Floats
    this_week: Floats
    last_week: Floats
    flares: Floats
    days: Floats
    per_week: Floats
    adherence_pct: Floats
    volume_pct: Floats
    gap_days: Floats
    form_failed: Bools
    screen_old: Bools
    screen_holds: Bools
    held_back: Bools
    ruled_out: Bools
    no_fit: Bools
    feels: Bools
    foot_alarm: Bools
    worse_joint: Bools
    unrated: Bools


@dataclass(frozen=True)
class Limits:
    """The rows of the book that the rules compare with.

    Parameters
    ----------
    safe, acceptable, usual_max, morning_over, week_rise : float
        Pain 0-10, or a difference of it [1].
    sessions : int
        Sessions in a row that are looked at [1].
    days, red_days, gap_down, gap_restart : float
        Days [d].
    per_week, flares : float
        How many [1].
    adherence_pct, volume_pct : float
        Shares of what was asked for [pct].
    """

    safe: float
    acceptable: float
    usual_max: float
    sessions: int
    days: float
    per_week: float
    adherence_pct: float
    volume_pct: float
    morning_over: float
    flares: float
    week_rise: float
    red_days: float
    gap_down: float
    gap_restart: float

    @classmethod
    def of(cls, book: Evidence) -> Limits:
        """Read them from the book."""
        value = book.value
        return cls(
            value("pain.safe_max"),
            value("pain.acceptable_max"),
            value("plan.pain_usual_max"),
            int(value("progress.sessions_min")),
            value("progress.days_min"),
            value("progress.per_week_min"),
            value("progress.adherence_min_pct"),
            value("progress.overdone_pct"),
            value("progress.morning_over"),
            value("progress.flares_call"),
            value("progress.week_rise_max"),
            value("progress.red_days_call"),
            value("progress.gap_down_days"),
            value("progress.gap_restart_days"),
        )


def rules_of(facts: Facts, limits: Limits) -> Iterator[tuple[str, int, Bools]]:
    """Each rule: its name, the highest answer that it leaves open, and where it holds.

    Parameters
    ----------
    facts : Facts
        Of n exercises.
    limits : Limits
        The book's rows.

    Yields
    ------
    tuple of (str, int, (n,) array of bool)
        Rules without the boldest ones come in the order of :data:`ANSWERS`.

    Notes
    -----
    A comparison with NaN is false, so each rule that holds back is written as *not (known and
    good)*, and each that stops or lowers as *known and bad*. Where pain as usual is not known, 0
    stands for it in the rules that lower.
    """
    f, m = facts, limits
    with np.errstate(invalid="ignore"):
        usual = np.where(np.isnan(f.usual), 0.0, f.usual)
        above = f.morning > (usual + m.morning_over)[:, None]
        running = _any(above[:, :-1] & above[:, 1:])
        rise = f.this_week - f.last_week
        known = f.feels

        yield "warning", STOP, f.warning
        yield "sharp", STOP, f.sharp
        yield "red_long", STOP, f.red_days > m.red_days
        yield "ruled_out", STOP, f.ruled_out

        yield "gap_long", RESTART, f.gap_days >= m.gap_restart

        yield "gap", DOWN, f.gap_days >= m.gap_down
        yield "high", DOWN, f.highest > m.acceptable
        yield "mornings", DOWN, running
        yield "week_rise", DOWN, rise > m.week_rise
        yield "flares", DOWN, f.flares >= m.flares
        yield "no_fit", DOWN, f.no_fit

        yield "too_few", SAME, ~(f.count >= m.sessions)
        yield "not_rated", SAME, _any(np.isnan(f.during) | np.isnan(f.morning))
        yield "not_all", SAME, _any(~f.whole)
        yield "morning_not_usual", SAME, _any(~(f.morning <= f.usual[:, None]))
        yield "too_soon", SAME, ~(f.days >= m.days)
        yield "too_seldom", SAME, ~(f.per_week >= m.per_week)
        yield "adherence", SAME, ~(f.adherence_pct >= m.adherence_pct)
        yield "overdone", SAME, ~(f.volume_pct <= m.volume_pct)
        yield "form", SAME, f.form_failed
        yield "week_painful", SAME, (rise > 0) & (f.this_week > m.safe)
        yield "week_unknown", SAME, np.isnan(rise)
        yield "usual_high", SAME, ~(f.usual_now <= m.usual_max)
        yield "screen_old", SAME, f.screen_old
        yield "screen_holds", SAME, f.screen_holds
        yield "held_back", SAME, f.held_back
        yield "no_feeling", SAME, ~known
        yield "foot_alarm", SAME, f.foot_alarm
        yield "worse_joint", SAME, f.worse_joint
        yield "unrated", SAME, f.unrated

        yield "not_calm", DOSE, _any(~(f.during <= m.safe))


def _any(rows: Bools) -> Bools:
    """Whether it holds for any of the last sessions, shape (n, 3) -> (n,)."""
    return np.asarray(rows.any(axis=1), dtype=np.bool_)


def judge(facts: Facts, limits: Limits) -> NDArray[np.int8]:
    """The answer for n exercises: the most careful one that any rule gives.

    Parameters
    ----------
    facts : Facts
        Of n exercises.
    limits : Limits
        The book's rows.

    Returns
    -------
    (n,) array of int
        Places in :data:`ANSWERS` [1].
    """
    return strictest(rules_of(facts, limits), len(facts.count))


def strictest(rules: Iterable[tuple[str, int, Bools]], count: int) -> NDArray[np.int8]:
    """The most careful answer of rules that were gone through.

    Parameters
    ----------
    rules : iterable of (str, int, (n,) array of bool)
        As :func:`rules_of` yields them.
    count : int
        How many exercises n [1].

    Returns
    -------
    (n,) array of int
        Places in :data:`ANSWERS` [1].
    """
    code = np.full(count, UP, dtype=np.int8)
    for _, ceiling, holds in rules:
        np.minimum(code, np.where(holds, np.int8(ceiling), np.int8(UP)), out=code)
    return code
