"""Turn the timed minutes of a visit into units: an arithmetic aid, not billing advice.

Services are whatever the clinic calls them; no code set is held here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.terms import Reason

__all__ = ["Units", "Way", "count_units"]

Way = Literal["total_time", "midpoint"]


@dataclass(frozen=True)
class Units:
    """Units of one visit, counted in one way.

    Parameters
    ----------
    way : {"total_time", "midpoint"}
        How they were counted.
    total : int
        All timed units, those of a tie included [1].
    each : mapping of str to int
        Units that are certain, by service [1].
    tied : tuple of str
        Services of which some, not all, may get one more; empty without a tie.
    tied_units : int
        How many of them may [1].
    left_over : mapping of str to int
        Minutes beyond its units of each service that is sure to get no more [min].
    untimed : tuple of str
        Services that count once each, whatever their minutes.
    reasons : tuple of Reason
        How it was counted.
    """

    way: Way
    total: int
    each: Mapping[str, int]
    tied: tuple[str, ...]
    tied_units: int
    left_over: Mapping[str, int]
    untimed: tuple[str, ...]
    reasons: tuple[Reason, ...]


def count_units(
    minutes: Mapping[str, int], way: Way, book: Evidence, untimed: tuple[str, ...] = ()
) -> Units:
    """How many units the timed minutes of one visit make, and of which service.

    Parameters
    ----------
    minutes : mapping of str to int
        Whole minutes of each timed service, by the clinic's own name for it [min].
    way : {"total_time", "midpoint"}
        ``total_time``: from all minutes together. ``midpoint``: each service by itself.
    book : Evidence
        The book, with rows ``units.*``.
    untimed : tuple of str
        Services that are not timed.

    Returns
    -------
    Units
        A tie is reported, never decided.

    Raises
    ------
    InputError
        For minutes that are no whole number from 0, or a service both timed and untimed.

    Notes
    -----
    N = ⌊(T + u - f) / u⌋ for T minutes, u a unit, f the minutes from which the last one counts.
    By total time each service gets ⌊m / u⌋ and the N - Σ left go one each to the largest
    remainders; there are never more of them than services with a remainder.

    Sources
    -------
    std_35, std_37 (total time), std_36 (midpoint); that a tie is free: memory.
    """
    _check(minutes, way, untimed)
    unit = int(book.value("units.minutes_per_unit"))
    slack = unit - int(book.value("units.first_unit_from_min"))
    whole = sum(minutes.values())
    tied: tuple[str, ...] = ()
    extra = 0
    if way == "midpoint":
        each = {name: (spent + slack) // unit for name, spent in minutes.items()}
        total = sum(each.values())
    else:
        total = (whole + slack) // unit
        each, tied, extra = _shared(minutes, total, unit)
    over = {name: max(minutes[name] - count * unit, 0) for name, count in each.items()}
    over = {name: spent for name, spent in over.items() if spent and name not in tied}
    reasons = [book.reason(f"units.{way}", minutes=whole, total=_said(total))]
    if tied:
        rest = minutes[tied[0]] % unit
        names = ", ".join(tied)
        reasons.append(book.reason("units.tie", services=names, remainder=rest, count=extra))
    if over:
        said = ", ".join(f"{name} {spent} min" for name, spent in over.items())
        reasons.append(book.reason("units.left_over", minutes=said))
    if untimed:
        reasons.append(book.reason("units.untimed", services=", ".join(untimed)))
    reasons.append(book.reason("units.not_advice"))
    return Units(way, total, each, tied, extra, over, untimed, tuple(reasons))


def _shared(
    minutes: Mapping[str, int], total: int, unit: int
) -> tuple[dict[str, int], tuple[str, ...], int]:
    """Units by service, the services that tie for the last ones, and how many those are."""
    each = {name: spent // unit for name, spent in minutes.items()}
    rest = {name: spent % unit for name, spent in minutes.items()}
    left = total - sum(each.values())
    for size in sorted(set(rest.values()), reverse=True):
        same = tuple(name for name in rest if rest[name] == size)
        if left < len(same):
            return each, same if left else (), left
        each |= {name: each[name] + 1 for name in same}
        left -= len(same)
    return each, (), 0


def _said(count: int) -> str:
    return f"{count} unit" + ("" if count == 1 else "s")


def _check(minutes: Mapping[str, int], way: str, untimed: tuple[str, ...]) -> None:
    faults = [
        Fault(name, repr(spent), "a whole number of minutes from 0 [min]", "Mend the minutes.")
        for name, spent in minutes.items()
        if type(spent) is not int or spent < 0
    ]
    faults += [
        Fault(name, "timed and untimed", "one of the two", "Name it once.")
        for name in untimed
        if name in minutes
    ]
    if way not in ("total_time", "midpoint"):
        faults.append(Fault("way", way, "total_time or midpoint", "Name one of these."))
    if faults:
        raise InputError("timed minutes", tuple(faults))
