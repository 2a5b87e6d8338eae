"""What the patient is told of the screen: what stops a foot, what is open, what to mind.

The sheet and the plan code tell the same, by these rules.
"""

from __future__ import annotations

from collections.abc import Iterator

from rungwise.core.terms import SIDES, Flag, Plan, Side

__all__ = ["cautions", "found", "stops", "unfinished"]

#: Rules that hold a foot because the screen is not complete and fresh.
UNFINISHED = frozenset(
    {"screen.too_old", "screen.ahead", "screen.not_asked", "screen.not_examined"}
)
#: Items of the screen whose caution asks the patient to look at something, and its kind.
LOOK = {"blood_thinner": "bruise"}


def stops(flag: Flag, level: str) -> bool:
    """Whether a flag of this level stops a foot or must be looked at.

    Parameters
    ----------
    flag : Flag
        A flag of the screen.
    level : {"emergency", "urgent", "review", "caution"}
        The level asked for. A caution counts only when it forbids exercise at home.
    """
    return flag.level == level and (level != "caution" or "home" in flag.forbids)


def found(plan: Plan, level: str) -> dict[str, tuple[Side | None, ...]]:
    """Items of a level that stop or must be looked at, and whom they concern.

    Parameters
    ----------
    plan : Plan
        The plan.
    level : {"emergency", "urgent", "review", "caution"}
        The level.

    Returns
    -------
    dict
        Item -> feet, None for the whole person.
    """
    told: dict[str, dict[Side | None, None]] = {}
    for side in SIDES:
        for flag in plan.screening.of(side).flags:
            if stops(flag, level):
                told.setdefault(flag.item, {})[flag.side] = None
    return {item: tuple(sides) for item, sides in told.items()}


def unfinished(plan: Plan) -> tuple[Side, ...]:
    """Feet without a programme because their screen is not complete and fresh."""
    screens = (plan.screening.of(side) for side in SIDES)
    return tuple(
        screen.side
        for screen in screens
        if screen.outcome == "hold" and any(r.rule in UNFINISHED for r in screen.reasons)
    )


def cautions(plan: Plan) -> tuple[tuple[str, Side | None], ...]:
    """What a patient with exercises must mind.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    tuple of (kind, side)
        ``numb``: a foot that works and does not feel; ``unsteady``: a person who stands at home
        and may do so only with a hand on a support; ``bruise``: a person who bleeds easily and
        looks for bruises. Side None for the whole person.

    Sources
    -------
    common_practice (falls, thin bones, blood thinners, late pregnancy); clin_s5 (feeling).
    """
    return tuple(_cautions(plan))


def _cautions(plan: Plan) -> Iterator[tuple[str, Side | None]]:
    worked = {side: [e for e in plan.exercises if e.both or e.side == side] for side in SIDES}
    for side, exercises in worked.items():
        if exercises and "pain_guided" in plan.screening.of(side).forbids:
            yield "numb", side
    if any(
        "standing" in e.fitted.rung.tags and "hands_free" in plan.screening.of(side).forbids
        for side, exercises in worked.items()
        for e in exercises
    ):
        yield "unsteady", None
    if plan.exercises:
        flags = (flag for side in SIDES for flag in plan.screening.of(side).flags)
        kinds = (LOOK[flag.item] for flag in flags if flag.item in LOOK)
        yield from ((kind, None) for kind in dict.fromkeys(kinds))
