"""The running order of a day at home, to the second, fitted to the minutes that are given."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise, permutations, product

from rungwise.core.evidence import Evidence, Family
from rungwise.core.ladder import rung_at
from rungwise.core.terms import SIDES, Exercise, Moment, Reason, Rung, Session, Side

__all__ = ["MINUTE", "kit_of", "place_of", "running_order", "share_minutes"]

#: Seconds in a minute [s].
MINUTE = 60
Block = tuple[str, str]  # family, place


def place_of(exercise: Exercise) -> str:
    """Where an exercise is done: ``seat`` or ``stand``."""
    return _place(exercise.fitted.rung)


def _place(rung: Rung) -> str:
    return "stand" if "standing" in rung.tags else "seat"


def kit_of(rung: Rung, book: Evidence) -> frozenset[str]:
    """What a rung needs at home."""
    family = book.families[rung.family]
    needs = family.needs.union(
        *(dial.notches[place].needs for dial, place in zip(family.dials, rung.places, strict=True))
    )
    return needs - {"chair"} if _place(rung) == "stand" and "counter" in needs else needs


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
        needed = frozenset().union(*(kit_of(e.fitted.rung, book) for e in lines))
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


def share_minutes(
    families: Sequence[str],
    book: Evidence,
    minutes: float,
    pinned: Mapping[str, int] | None = None,
) -> tuple[dict[str, int], tuple[Reason, ...]]:
    """Share the minutes given among the families of the sheet, and say what is cut.

    The time is shared as if each family were done in full by both feet, whatever is refused later,
    so that a worse finding never frees time for more of something else. Cut are, always from the
    family that matters least: the second step of its dose, then the family. The last one is kept.

    Parameters
    ----------
    families : sequence of str
        Families of the sheet, the one that matters most first.
    book : Evidence
        The evidence book.
    minutes : float
        Time given on an exercise day [min].
    pinned : mapping of str to int, optional
        Dose steps that the therapist set; they are not cut [1].

    Returns
    -------
    (caps, cuts)
        Highest dose step of each family that is kept, and what was cut.
    """
    fixed = dict(pinned or {})
    caps = {f: fixed.get(f, min(2, len(book.families[f].doses))) for f in families}
    cuts: list[Reason] = []
    timed = [f for f in families if not book.families[f].settings.get("apart")]
    while timed and (seconds := _in_full(timed, caps, book)) > minutes * MINUTE:
        lower = next((f for f in reversed(timed) if caps[f] > 1 and f not in fixed), None)
        if lower is not None:
            caps[lower] = 1
            cuts.append(book.reason("session.lower_dose", what=lower, minutes=minutes))
            continue
        last, needed = timed[-1], -(-seconds // MINUTE)
        if len(timed) == 1:
            cuts.append(book.reason("session.too_long", what=last, needed=needed, minutes=minutes))
            break
        order = ", ".join(families).replace("_", " ")
        cuts.append(
            book.reason("session.dropped", what=last, needed=needed, minutes=minutes, order=order)
        )
        timed.pop()
        del caps[last]
    return caps, tuple(cuts)


def _in_full(families: Sequence[str], caps: Mapping[str, int], book: Evidence) -> float:
    """Time of a day on which both feet do every family, with its changes [s]."""
    swap = book.value("session.swap_s")
    total, places = -book.value("session.between_s"), set[str]()
    for name in families:
        family = book.families[name]
        first = list(_first_rungs(family))
        at = {_place(rung) for rung in first}
        lines = 1 if all(rung.settings.get("both") for rung in first) else len(SIDES)
        dose = family.doses[caps[name] - 1].dose
        once = dose.set_s
        total += dose.sets * (lines * once + (lines - 1) * swap)
        total += (dose.sets - 1) * max(dose.rest_s - (lines - 1) * once, swap)
        total += len(at) * (book.value("session.between_s") + book.value("session.change_kit_s"))
        places |= at
    return total + (len(places) - 1) * book.value("session.change_place_s")


def _first_rungs(family: Family) -> Iterator[Rung]:
    """The rungs at which a first programme may start."""
    ranges = (
        [i for i, notch in enumerate(dial.notches) if i == 0 or notch.start_if]
        for dial in family.dials
    )
    return (rung_at(family, places) for places in product(*ranges))


def _sets(lines: Sequence[Exercise], book: Evidence) -> list[Moment]:
    """Sets of one block: the feet take turns, and one rests while the other works."""
    parts: list[Moment] = []
    for number in range(1, max(e.dose.sets for e in lines) + 1):
        due = [e for e in lines if e.dose.sets >= number]
        if number > 1:
            other = sum(e.dose.set_s for e in due[1:])
            rest = max(due[0].dose.rest_s - other, book.value("session.swap_s"))
            parts.append(Moment(0, rest, "rest", None, None))
        for index, exercise in enumerate(due):
            if index:
                parts.append(Moment(0, book.value("session.swap_s"), "rest", None, None))
            side = None if exercise.both else exercise.side
            parts.append(Moment(0, exercise.dose.set_s, "do", None, side, number))
    return parts


def _block_order(exercises: Sequence[Exercise], book: Evidence) -> tuple[Block, ...]:
    kits: dict[Block, frozenset[str]] = {}
    for exercise in exercises:
        block = (exercise.family, place_of(exercise))
        kits[block] = kits.get(block, frozenset()) | kit_of(exercise.fitted.rung, book)
    blocks = sorted(kits, key=lambda b: book.priority.index(b[0]))
    seated = [b for b in blocks if b[1] == "seat"]
    standing = [b for b in blocks if b[1] == "stand"]

    def changes(order: tuple[Block, ...]) -> int:
        laid = [kits[block] for block in order]
        return sum(len(a ^ b) for a, b in pairwise(laid))

    orders = (a + b for a in permutations(seated) for b in permutations(standing))
    return min(orders, key=changes, default=())
