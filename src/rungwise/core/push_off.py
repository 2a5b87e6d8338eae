"""How hard a task loads the big-toe joint, as a share of the person's own walking push-off.

Statics of the toe with unknown inputs: each input is a row of the book with a low end, a likeliest
value and a high end, drawn from a triangle. What belongs to the person (how much weight the big toe
takes by habit, tendon arm, lever, co-contraction) is drawn once and used in the task *and* in the
walking it is compared with, so it cancels; the scatter of a task is its own. Seed and number of
draws are rows too, so the same book gives the same shares.

What it cannot see: a joint that stops against bone. The bend is therefore a second demand of every
rung and never hidden in this share.

Sources
-------
Toe free body and the table that the inputs reproduce: own model, mechanics of the toe, §3.1-3.3;
the inputs marked ``own_assumption`` were fitted to that table. Walking joint force against mech_1.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt

from rungwise.core.evidence import Evidence

__all__ = ["INPUTS", "Assumed", "Bears", "Task", "assumed_in", "joint_load", "share_of_push_off"]

Draws: TypeAlias = npt.NDArray[np.float64]
Triangle: TypeAlias = tuple[float, float, float]
Bears = Literal["seated", "two", "one", "rear", "front"]


@dataclass(frozen=True)
class Task:
    """One task of one foot.

    Parameters
    ----------
    kind : {"raise", "stance", "press", "arch"}
        Heel raise, quiet stance, toe press, arch lift.
    bears : {"seated", "two", "one", "rear", "front"}
        What the foot bears: the leg's own weight in sitting, half the body, all of it, or its part
        in tandem stance.
    kept : float
        Part of that weight left after what the hands take [1].
    knees : float
        Weight laid on this knee ÷ body weight [1].
    hand, soft : bool
        One hand holds on; the ground is soft.
    press : float
        Press ÷ own strongest press [1].
    touch : float
        Distance of the press along the toe ÷ the usual one [1].
    press_max : float or None
        Strongest press measured ÷ body weight [1]; None when not measured.
    """

    kind: Literal["raise", "stance", "press", "arch"]
    bears: Bears
    kept: float = 1.0
    knees: float = 0.0
    hand: bool = False
    soft: bool = False
    press: float = 0.0
    touch: float = 1.0
    press_max: float | None = None


#: The inputs, under the book's keys ``load.<name>``. Forces and weights are shares of body weight.
INPUTS = (
    "habit",
    "flexor_arm_mm",
    "toe_lever_mm",
    "co_contraction",
    "walking_toe_force",
    "raise_toe_share",
    "stance_toe_share",
    "task_scatter",
    "seated_foot_weight",
    "rear_foot_share",
    "hand_support",
    "one_leg_effort",
    "soft_effort",
    "press_max",
    "press_scatter",
    "press_repeat",
    "press_lever_mm",
    "arch_tension_seated",
    "arch_tension_two",
    "arch_tension_one",
)
_KEYS = tuple(f"load.{name}" for name in INPUTS)


class Assumed(NamedTuple):
    """What the loads rest on, as one value that results can be remembered by.

    Attributes
    ----------
    triangles : tuple of (low, likeliest, high)
        In the order of `INPUTS`, in the unit of each row.
    draws, seed : int
        How many draws, from which start [1].
    """

    triangles: tuple[Triangle, ...]
    draws: int
    seed: int


def assumed_in(book: Evidence) -> Assumed:
    """The inputs as the book has them.

    Raises
    ------
    EvidenceError
        When the book lacks a row or its range.
    """
    return Assumed(book.spans(_KEYS), int(book.value("load.draws")), int(book.value("load.seed")))


@lru_cache(maxsize=128)
def _drawn(assumed: Assumed, name: str, stream: int = 0) -> Draws:
    """Draws of one input; another stream is an independent set of draws of the same input."""
    place = INPUTS.index(name)
    low, likeliest, high = assumed.triangles[place]
    random = np.random.default_rng((assumed.seed, place, stream))
    u = random.random(assumed.draws)
    rising = u * (high - low) < likeliest - low
    drawn: Draws = np.where(
        rising,
        low + np.sqrt(u * (high - low) * (likeliest - low)),
        high - np.sqrt((1.0 - u) * (high - low) * (high - likeliest)),
    )
    drawn.setflags(write=False)
    return drawn


def _joint(assumed: Assumed, force: Draws, moment: Draws, tension: Draws | float = 0.0) -> Draws:
    """Force on the joint from what the ground does to the toe, and tension that is there anyway."""
    pull = moment / _drawn(assumed, "flexor_arm_mm") * (1.0 + _drawn(assumed, "co_contraction"))
    load: Draws = np.hypot(pull + tension, force)
    return load


@lru_cache(maxsize=8)
def _walking(assumed: Assumed) -> Draws:
    """Joint force at push-off in walking, share of body weight [1]."""
    force = _drawn(assumed, "walking_toe_force") * _drawn(assumed, "habit")
    return _joint(assumed, force, force * _drawn(assumed, "toe_lever_mm"))


def _toe_force(task: Task, assumed: Assumed, stream: int) -> Draws:
    """Push of the ground on the big toe from the weight that the foot bears [1]."""
    weight: Draws | float
    if task.bears == "seated":
        weight = _drawn(assumed, "seated_foot_weight")
    elif task.bears in ("rear", "front"):
        rear = _drawn(assumed, "rear_foot_share")
        weight = rear if task.bears == "rear" else 1.0 - rear
    else:
        weight = 1.0 if task.bears == "one" else 0.5
    weight = weight * task.kept + task.knees
    on_toe = "raise_toe_share" if task.kind == "raise" else "stance_toe_share"
    force = weight * _drawn(assumed, on_toe) * _drawn(assumed, "habit")
    if task.kind in ("raise", "stance"):
        force = force * _drawn(assumed, "task_scatter", stream)
    if task.kind != "raise" and task.hand:
        force = force * (1.0 - _drawn(assumed, "hand_support"))
    elif task.kind == "stance" and task.bears == "one":
        force = force * _drawn(assumed, "one_leg_effort")
    if task.soft:
        force = force * _drawn(assumed, "soft_effort")
    return force


def joint_load(task: Task | None, assumed: Assumed, stream: int = 0) -> Draws:
    """Draws of the joint force in a task.

    Parameters
    ----------
    task : Task or None
        The task; None for the push-off of walking.
    assumed : Assumed
        The inputs.
    stream : int
        Tasks with the same stream share the scatter of the task, as one person does on one day;
        different streams scatter independently.

    Returns
    -------
    (draws,) array
        Joint force ÷ body weight [1].
    """
    if task is None:
        return _walking(assumed)
    force = _toe_force(task, assumed, stream)
    moment = force * _drawn(assumed, "toe_lever_mm")
    if task.kind == "arch":
        return _joint(assumed, force, moment, _drawn(assumed, f"arch_tension_{task.bears}", stream))
    if task.kind == "press":
        strongest = (
            _drawn(assumed, "press_max")
            if task.press_max is None
            else task.press_max * _drawn(assumed, "press_repeat")
        )
        press = task.press * strongest * _drawn(assumed, "press_scatter", stream)
        lever = task.touch * _drawn(assumed, "press_lever_mm")
        if task.bears == "seated":
            return _joint(assumed, press, press * lever)
        return _joint(assumed, force + press, moment + press * lever)
    return _joint(assumed, force, moment)


@lru_cache(maxsize=1024)
def share_of_push_off(task: Task, assumed: Assumed) -> tuple[float, float, float]:
    """Median, 5 % and 95 % of joint force ÷ the same person's walking push-off [1]."""
    share = joint_load(task, assumed) / _walking(assumed)
    median, low, high = np.quantile(share, (0.5, 0.05, 0.95))
    return float(median), float(low), float(high)
