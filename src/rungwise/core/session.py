"""The running order of a day at home, to the second, fitted to the minutes that are given."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise, permutations

from rungwise.core.evidence import Evidence
from rungwise.core.terms import Exercise, Moment, Reason, Session, Side

__all__ = ["fit_minutes", "kit_of", "place_of", "running_order", "seconds_of"]

Block = tuple[str, str]  # family, place


def place_of(exercise: Exercise) -> str:
    """Where an exercise is done: ``seat`` or ``stand``."""
    return "stand" if "standing" in exercise.fitted.rung.tags else "seat"


def kit_of(exercise: Exercise, book: Evidence) -> frozenset[str]:
    """What an exercise needs at home."""
    family = book.families[exercise.family]
    needs = set(family.needs)
    for dial, (_, key) in zip(family.dials, exercise.fitted.rung.notches, strict=True):
        needs |= next(notch.needs for notch in dial.notches if notch.key == key)
    if place_of(exercise) == "stand" and "counter" in needs:
        needs.discard("chair")
    return frozenset(needs)


def running_order(
    exercises: Sequence[Exercise], book: Evidence, first: Side | None = None
) -> Session:
    """What when: seated first, standing last, with the fewest changes of kit.

    Parameters
    ----------
    exercises : sequence of Exercise
        The lines of the programme; those done apart (walking) are left to their own time.
    book : Evidence
        The evidence book, for the times of changes.
    first : {"right", "left"} or None
        The foot that goes first: the less painful one, where known.

    Returns
    -------
    Session
        Its moments follow each other without gap; times in [s].
    """
    here = [e for e in exercises if not e.fitted.rung.settings.get("apart")]
    order = _block_order(here, book)
    moments: list[Moment] = []
    clock = 0.0

    def add(
        seconds: float, kind: str, family: str | None, side: Side | None, no: int, at: str
    ) -> None:
        nonlocal clock
        if seconds > 0:
            moments.append(Moment(clock, seconds, kind, family, side, no, at))  # type: ignore[arg-type]
            clock += seconds

    place, kit, fetched = "", frozenset[str](), list[str]()
    place_changes = kit_changes = 0
    for family, at in order:
        lines = sorted(
            (e for e in here if (e.family, place_of(e)) == (family, at)),
            key=lambda e: (e.side != (first or "right"), e.side),
        )
        needed = frozenset().union(*(kit_of(e, book) for e in lines))
        if moments:
            add(book.value("session.between_s"), "rest", None, None, 0, place)
        if moments and at != place:
            place_changes += 1
            add(book.value("session.change_place_s"), "change", family, None, 0, at)
        if needed != kit:
            kit_changes += 1
            add(book.value("session.change_kit_s"), "fetch", family, None, 0, at)
        fetched.extend(sorted(needed - set(fetched)))
        place, kit = at, needed
        for part in _sets(lines, book):
            add(part.seconds, part.kind, family, part.side, part.set_no, at)
    families = tuple(dict.fromkeys(family for family, _ in order))
    return Session(tuple(moments), families, clock, tuple(fetched), place_changes, kit_changes)


def fit_minutes(
    exercises: Sequence[Exercise],
    book: Evidence,
    minutes: float,
    first: Side | None = None,
    ranks: Sequence[str] | None = None,
) -> tuple[tuple[Exercise, ...], Session]:
    """Fit a programme to the minutes given, and say what was cut.

    Cut are, always from the family that matters least: first sets, then steps of the dose, then
    whole families.

    Parameters
    ----------
    exercises : sequence of Exercise
        The lines wanted.
    book : Evidence
        The evidence book.
    minutes : float
        Time given on an exercise day [min].
    first : {"right", "left"} or None
        The foot that goes first.
    ranks : sequence of str, optional
        Families from the one that matters most; ``book.priority`` by default.
    """
    order = tuple(ranks or book.priority)
    kept = list(exercises)
    dropped: list[Reason] = []
    while True:
        session = running_order(kept, book, first)
        left = {e.family for e in kept if not e.fitted.rung.settings.get("apart")}
        ranked = sorted(left, key=order.index, reverse=True)
        if session.seconds <= minutes * 60 or not ranked:
            break
        cut = next((c for family in ranked if (c := _shorter(kept, family))), None) or next(
            (c for family in ranked if (c := _lower(kept, family, book))), None
        )
        if cut is not None:
            family, kept, rule = cut
            dropped.append(book.reason(rule, what=family, minutes=minutes))
            continue
        needed = -(-session.seconds // 60)
        if len(ranked) == 1:
            told = {"what": ranked[0], "needed": needed, "minutes": minutes}
            dropped.append(book.reason("session.too_long", **told))
            break
        kept = [e for e in kept if e.family != ranked[0]]
        told = {"what": ranked[0], "needed": needed, "minutes": minutes}
        words = ", ".join(order).replace("_", " ")
        dropped.append(book.reason("session.dropped", order=words, **told))
    return tuple(kept), replace(session, dropped=tuple(dropped))


Cut = tuple[str, list[Exercise], str]


def _shorter(kept: Sequence[Exercise], family: str) -> Cut | None:
    """One set fewer of a family, if it has more than one."""
    if not any(e.family == family and e.dose.sets > 1 for e in kept):
        return None
    cut = [
        replace(e, dose=replace(e.dose, sets=max(e.dose.sets - 1, 1))) if e.family == family else e
        for e in kept
    ]
    return family, cut, "session.fewer_sets"


def _lower(kept: Sequence[Exercise], family: str, book: Evidence) -> Cut | None:
    """A family one step lower on its dose list, unless the therapist set the dose."""
    if not any(e.family == family and _may_lower(e) for e in kept):
        return None
    doses = book.families[family].doses
    cut = list(kept)
    for index, e in enumerate(kept):
        if e.family == family and _may_lower(e):
            lower = doses[e.dose_step - 2].dose
            days = min(lower.days_per_week, e.dose.days_per_week)
            cut[index] = replace(
                e,
                dose=replace(lower, days_per_week=days, sets=min(lower.sets, e.dose.sets)),
                dose_step=e.dose_step - 1,
            )
    return family, cut, "session.lower_dose"


def _may_lower(exercise: Exercise) -> bool:
    return exercise.dose_step > 1 and (exercise.pin is None or exercise.pin.dose_step is None)


def seconds_of(exercise: Exercise) -> float:
    """Working time of one set [s]."""
    dose = exercise.dose
    return dose.reps * (dose.hold_s + dose.lift_s + dose.lower_s)


def _sets(lines: Sequence[Exercise], book: Evidence) -> list[Moment]:
    """Sets of one block: the feet take turns, and one rests while the other works."""
    parts: list[Moment] = []
    for number in range(1, max(e.dose.sets for e in lines) + 1):
        due = [e for e in lines if e.dose.sets >= number]
        if number > 1:
            other = sum(seconds_of(e) for e in due[1:])
            rest = max(due[0].dose.rest_s - other, book.value("session.swap_s"))
            parts.append(Moment(0, rest, "rest", None, None))
        for index, exercise in enumerate(due):
            if index:
                parts.append(Moment(0, book.value("session.swap_s"), "rest", None, None))
            side = None if exercise.both else exercise.side
            parts.append(Moment(0, seconds_of(exercise), "do", None, side, number))
    return parts


def _block_order(exercises: Sequence[Exercise], book: Evidence) -> tuple[Block, ...]:
    kits: dict[Block, frozenset[str]] = {}
    for exercise in exercises:
        block = (exercise.family, place_of(exercise))
        kits[block] = kits.get(block, frozenset()) | kit_of(exercise, book)
    blocks = sorted(kits, key=lambda b: book.priority.index(b[0]))
    seated = [b for b in blocks if b[1] == "seat"]
    standing = [b for b in blocks if b[1] == "stand"]

    def changes(order: tuple[Block, ...]) -> int:
        laid = [kits[block] for block in order]
        return sum(len(a ^ b) for a, b in pairwise(laid))

    orders = (a + b for a in permutations(seated) for b in permutations(standing))
    return min(orders, key=changes, default=())
