"""What a clinic types in on the measuring side: pairs of readings, items, minutes, targets."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from rungwise.core.change import better_of
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.measures.values import Target
from rungwise.tables import Cell, read_table

__all__ = ["Pairs", "read_items", "read_pairs", "read_targets", "read_timed", "write_targets"]

COLUMNS = ("foot", "first", "second", "days_apart")
#: How an item that was not answered is typed.
NOT_ANSWERED = "-"
ITEM = "-?[0-9]{1,4}"
#: A target: its measure, which way, its value, its day.
TARGET = r"([a-z0-9_]+)(=|>=|<=)(-?[0-9]+(?:\.[0-9]+)?)/([0-9-]{10})"
#: Longer texts of a table are told by their beginning.
SHOWN = 40


@dataclass(frozen=True)
class Pairs:
    """Two readings of each of some feet.

    Parameters
    ----------
    first, second : tuple of float
        First and second reading of each foot, same order, in the unit of the measure.
    days_apart : int
        Fewest days between the two of any foot [1].
    """

    first: tuple[float, ...]
    second: tuple[float, ...]
    days_apart: int


def read_pairs(text: str) -> Pairs:
    """Read a table of pairs: CSV with the columns foot, first, second, days_apart.

    Parameters
    ----------
    text : str
        The file's text.

    Raises
    ------
    InputError
        Names every fault by its row; the first row below the header is row 1.
    """
    try:
        rows = read_table(text)
    except ValueError:  # more digits than Python turns into a number
        fault = Fault("table", "a number without end", "numbers", "Mend it.")
        raise InputError("pairs of readings", (fault,)) from None
    columns = tuple(rows[0]) if rows else ()
    if set(columns) != set(COLUMNS):
        given = ", ".join(map(str, columns))[: 2 * SHOWN] or "no row"
        remedy = "Name the columns so, with commas between them."
        fault = Fault("columns", given, ", ".join(COLUMNS), remedy)
        raise InputError("pairs of readings", (fault,))
    faults: list[Fault] = []
    first, second, days = [], [], []
    feet: set[Cell] = set()
    for number, row in enumerate(rows, 1):
        foot = row["foot"]
        if foot is None or foot in feet:
            given = "nothing" if foot is None else str(foot)[:SHOWN]
            remedy = "Give each foot a name of its own."
            faults.append(Fault(f"row {number}.foot", given, "each foot once", remedy))
        feet.add(foot)
        first.append(_number(row["first"], f"row {number}.first", faults))
        second.append(_number(row["second"], f"row {number}.second", faults))
        apart = row["days_apart"]
        if type(apart) is int and apart >= 0:
            days.append(apart)
        else:
            given = "nothing" if apart is None else str(apart)[:SHOWN]
            allowed = "a whole number of days from 0; 0 is one session"
            faults.append(Fault(f"row {number}.days_apart", given, allowed, "Count the days."))
    if faults:
        raise InputError("pairs of readings", tuple(faults))
    return Pairs(tuple(first), tuple(second), min(days))


def _number(cell: Cell, field: str, faults: list[Fault]) -> float:
    if isinstance(cell, int | float):
        try:
            value = float(cell)
        except OverflowError:
            value = math.inf
        if math.isfinite(value):
            return value
    given = "nothing" if cell is None else str(cell)[:SHOWN]
    faults.append(Fault(field, given, "a number, with a point", "Read the foot again."))
    return math.nan


def read_items(words: Sequence[str]) -> tuple[tuple[int | None, ...], tuple[Fault, ...]]:
    """Read the points of a form's items; ``-`` is one that was not answered.

    Returns
    -------
    tuple, tuple
        The items, None for one that was not answered or cannot be read; and a fault for each of
        the latter.
    """
    faults = [
        Fault(f"item {number}", word[:SHOWN], "a whole number, or -", "Read it again.")
        for number, word in enumerate(words, 1)
        if word != NOT_ANSWERED and not re.fullmatch(ITEM, word, re.ASCII)
    ]
    read = re.compile(ITEM, re.ASCII)
    return tuple(int(w) if read.fullmatch(w) else None for w in words), tuple(faults)


def read_timed(words: Sequence[str], untimed: Sequence[str]) -> dict[str, int]:
    """Read timed services, each ``NAME=MINUTES``, by the clinic's own names.

    Parameters
    ----------
    words : sequence of str
        The timed services.
    untimed : sequence of str
        Names of those that are not timed.

    Raises
    ------
    InputError
        Names every one that cannot be read, has no name, or comes twice.
    """
    found: dict[str, int] = {}
    faults = []
    for word in words:
        name, _, spent = word.rpartition("=")
        name = " ".join(name.split())
        if not name or not name.isprintable() or not re.fullmatch(r"[0-9]{1,4}", spent, re.ASCII):
            allowed = "NAME=MINUTES, whole minutes from 0 [min]"
            faults.append(Fault("timed", repr(word[:SHOWN]), allowed, "Such as exercise=23."))
        elif name in found:
            faults.append(Fault("timed", name[:SHOWN], "each service once", "Add its minutes up."))
        else:
            found[name] = int(spent)
    faults += [
        Fault("untimed", repr(name[:SHOWN]), "a name", 'Such as "hot pack".')
        for name in untimed
        if not name.strip() or not name.isprintable()
    ]
    if faults:
        raise InputError("timed minutes", tuple(faults))
    return found


def read_targets(words: Sequence[str], book: Evidence) -> Mapping[str, Target]:
    """Read targets, each ``MEASURE=VALUE/DAY``, such as ``mtp_dorsiflexion_deg=45/2027-03-01``.

    ``>=`` or ``<=`` in place of ``=`` says whether it is a least or a most, for a measure of which
    the book does not say which way is better.

    Raises
    ------
    InputError
        Names every one that cannot be read, lies outside what can be measured, or goes the wrong
        way.
    """
    found: dict[str, Target] = {}
    faults = []
    for word in words:
        match = re.fullmatch(TARGET, word, re.ASCII)
        spec = book.measures.get(match[1]) if match else None
        if match is None or spec is None or spec.low is None or spec.high is None:
            allowed = "MEASURE=VALUE/DAY, with a measure of the examination"
            remedy = "Such as mtp_dorsiflexion_deg=45/2027-03-01."
            faults.append(Fault("target", repr(word[: 2 * SHOWN]), allowed, remedy))
            continue
        try:
            by = date.fromisoformat(match[4])
        except ValueError:
            faults.append(Fault(f"target {match[1]}", match[4], "a day", "Such as 2027-03-01."))
            continue
        value, better = float(match[3]), better_of(match[1], book)
        way = {">=": 1, "<=": -1}.get(match[2])
        if not spec.low <= value <= spec.high:
            allowed = f"{spec.low:g} to {spec.high:g} {spec.unit}"
            faults.append(Fault(f"target {match[1]}", match[3], allowed, "Mend it."))
        elif None not in (way, better) and way != better:
            allowed = ">=: higher is better" if better == 1 else "<=: lower is better"
            faults.append(Fault(f"target {match[1]}", match[2], allowed, "Turn it round."))
        elif match[1] in found:
            faults.append(Fault(f"target {match[1]}", "twice", "one target", "Name it once."))
        found[match[1]] = Target(value, by, way)
    if faults:
        raise InputError("targets", tuple(faults))
    return found


def write_targets(targets: Mapping[str, Target]) -> str:
    """Targets as :func:`read_targets` reads them, each on a line."""
    signs = {1: ">=", -1: "<=", None: "="}
    return "".join(
        f"{key}{signs[one.better]}{one.value:g}/{one.by}\n" for key, one in sorted(targets.items())
    )
