"""The ladder: every rung of every family for one foot, as a partial order.

A family is a product of dials, each with notches from easiest to hardest, and each dial raises
one demand. A rung is one notch of every dial. A step turns one dial to its next possible notch,
so one step raises one demand. Families are never ranked against each other: across families
pain decides.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import Protocol

from rungwise.core.evidence import Evidence, Family
from rungwise.core.planar import Pose
from rungwise.core.terms import Body, Demand, Exam, Fitted, Loads, Rung, Side, Value

__all__ = ["Joint", "Ladder", "alone", "build_ladder", "harder_than", "rung_at", "rungs_of"]


class Joint(Protocol):
    """What a joint's module offers; everything else is joint-blind."""

    def body_of(self, exam: Exam, side: Side, book: Evidence) -> Body:
        """Lengths and capacities of one leg."""
        ...

    def pose(self, rung: Rung, body: Body, book: Evidence) -> Pose:
        """The pose of a rung."""
        ...

    def loads(self, rung: Rung, body: Body, book: Evidence) -> Loads:
        """What a rung asks of the joint."""
        ...

    def base_of_support(self, stance: str, body: Body) -> tuple[float, float]:
        """Side-to-side and front-to-back width of a stance [mm]."""
        ...


def rung_at(family: Family, places: tuple[int, ...]) -> Rung:
    """The rung of a family at the given place of each dial.

    Parameters
    ----------
    family : Family
        Which family.
    places : tuple of int
        Index on each dial, 0 = easiest [1].

    Raises
    ------
    IndexError
        When a dial has no such notch.
    """
    settings: dict[str, Value] = dict(family.settings)
    tags = set(family.tags)
    notches: list[tuple[str, str]] = []
    for dial, place in zip(family.dials, places, strict=True):
        notch = dial.notches[place]
        settings.update(notch.settings)
        tags |= notch.tags
        notches.append((dial.key, notch.key))
    return Rung(family.key, tuple(notches), places, settings, frozenset(tags))


def alone(rung: Rung) -> Rung:
    """A rung made for both feet, done with one: nothing is squeezed between the ankles."""
    if not rung.settings.get("both"):
        return rung
    return replace(rung, settings={**rung.settings, "both": False, "squeeze": False})


def rungs_of(family: Family) -> tuple[Rung, ...]:
    """Every rung of a family, easiest first in each dial."""
    ranges = (range(len(dial.notches)) for dial in family.dials)
    return tuple(rung_at(family, places) for places in product(*ranges))


def harder_than(a: Rung, b: Rung) -> bool:
    """Whether ``a`` is harder than ``b``: same family, no dial lower, at least one higher.

    A partial order: of two rungs with one dial higher and another lower, neither is harder.
    """
    return (
        a.family == b.family
        and a.places != b.places
        and all(x >= y for x, y in zip(a.places, b.places, strict=True))
    )


class Ladder:
    """All rungs for one foot; poses and loads are computed when asked for.

    Parameters
    ----------
    joint : Joint
        The joint's module.
    body : Body
        Lengths and capacities.
    side : {"right", "left"}
        Which foot.
    book : Evidence
        The evidence book.
    """

    def __init__(self, joint: Joint, body: Body, side: Side, book: Evidence) -> None:
        self.body = body
        self.side = side
        self.book = book
        self._joint = joint
        self._fits: dict[tuple[str, tuple[int, ...]], Fitted] = {}
        self._tiers: dict[tuple[str, tuple[int, ...]], int] = {}

    def rungs(self, family: str) -> tuple[Rung, ...]:
        """Every rung of a family."""
        return rungs_of(self.book.families[family])

    def at(self, family: str, places: tuple[int, ...]) -> Fitted:
        """The rung at these places, fitted to this foot."""
        key = (family, places)
        if key not in self._fits:
            self._fits[key] = self.fit(rung_at(self.book.families[family], places))
        return self._fits[key]

    def tier(self, rung: Rung) -> int:
        """Load tier of a rung for this foot [1], without its pose."""
        key = (rung.family, rung.places)
        if key not in self._tiers:
            self._tiers[key] = self._joint.loads(rung, self.body, self.book).tier
        return self._tiers[key]

    def fit(self, rung: Rung) -> Fitted:
        """Fit a rung to this foot: pose, loads, demands."""
        pose = self._joint.pose(rung, self.body, self.book)
        loads = self._joint.loads(rung, self.body, self.book)
        return Fitted(rung, self.side, pose, loads, self._demand(rung, pose, loads), pose.problems)

    def _demand(self, rung: Rung, pose: Pose, loads: Loads) -> Demand:
        settings = rung.settings
        available = self.body.bend_available_deg
        bend = pose.bend_high_deg if "joint_motion" in rung.tags else 0.0
        share = bend / available if bend > 0 and available > 0 else 0.0
        if "standing" not in rung.tags:
            return Demand(share, bend, loads.tier, None, "seat", "seat")
        stance = str(settings.get("stance") or "one_leg" * (settings.get("legs") == 1))
        width = self._joint.base_of_support(stance or "feet_together", self.body)[0]
        return Demand(
            share,
            bend,
            loads.tier,
            width,
            str(settings.get("surface", "firm")),
            str(settings.get("hands", "hand")),
        )

    def steps_up(self, rung: Rung) -> tuple[Fitted, ...]:
        """The rungs one step harder: one dial turned to its next possible notch."""
        return self._steps(rung, +1)

    def steps_down(self, rung: Rung) -> tuple[Fitted, ...]:
        """The rungs one step easier: one dial turned back to its next possible notch."""
        return self._steps(rung, -1)

    def _steps(self, rung: Rung, way: int) -> tuple[Fitted, ...]:
        dials = self.book.families[rung.family].dials
        found: list[Fitted] = []
        for index, dial in enumerate(dials):
            place = rung.places[index] + way
            while 0 <= place < len(dial.notches):
                places = (*rung.places[:index], place, *rung.places[index + 1 :])
                fitted = self.at(rung.family, places)
                if not fitted.problems:
                    found.append(fitted)
                    break
                place += way
        return tuple(found)


def build_ladder(joint: Joint, exam: Exam, side: Side, book: Evidence) -> Ladder:
    """Build the ladder of one foot from an examination.

    Parameters
    ----------
    joint : Joint
        The joint's module (:mod:`rungwise.core.first_mtp`).
    exam : Exam
        The examination.
    side : {"right", "left"}
        Which foot.
    book : Evidence
        The evidence book.
    """
    return Ladder(joint, joint.body_of(exam, side, book), side, book)
