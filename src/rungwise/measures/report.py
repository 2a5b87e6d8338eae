"""What has changed, as the therapist reads it: the answer first, then a table, then the reasons."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from textwrap import fill

from rungwise.core.change import Change
from rungwise.core.forecast import Forecast, NotYet
from rungwise.core.single_case import Phases
from rungwise.core.terms import Reason
from rungwise.measures.lines import direction, item, quoted, short, signed
from rungwise.measures.values import Changes, Followed, way_words
from rungwise.notes.texts import load_lexicon
from rungwise.report import CAUTIONS, WIDTH, table

__all__ = [
    "change_report",
    "name_of",
]

VERDICTS = ("beyond error and worthwhile", "beyond error", "within error", "error not known")
WHEN = {
    "before": "before exercise",
    "during": "during exercise",
    "morning": "the morning after",
}


def name_of(one: Followed) -> str:
    """The measure in words, or the activity as the patient calls it."""
    if one.name:
        return f"“{one.name}”"
    words = load_lexicon()
    key = f"measure.{one.measure}"
    told = str(words.at(key)) if words.has(key) else one.measure.replace("_", " ")
    return told.removesuffix(", 0 to 10")


def change_report(found: Changes, why: bool = False) -> str:
    """What has changed: the answer, a table of what moved, goals, norms, and the reasons.

    Parameters
    ----------
    found : Changes
        All that is known.
    why : bool
        The reasons of what did not move, or has no known error, too.
    """
    judged = list(_judged(found))
    moved = [one for one in judged if one.change.difference]
    still: dict[str, list[str]] = {}
    for one in judged:
        if not one.change.difference:
            still.setdefault(one.name, []).append(one.side)
    same = (f"{name} ({' and '.join(sides)})".replace(" (-)", "") for name, sides in still.items())
    parts = [_answer(found, judged), *(item(note, 0) for note in found.notes)]
    if moved:
        head = (
            "what", "foot", "first to last", "change (95 %)", "chance better", "verdict",
            "to settle it",
        )  # fmt: skip
        parts.append(table([head, *(one.cells() for one in moved)]))
    if still:
        parts.append(item(f"The same at both readings: {'; '.join(same)}.", 0))
    parts += _pending(found)
    parts += _goals(found)
    if found.again:
        parts.append("Measure again\n" + "".join(item(quoted(one), 2) for one in found.again))
    parts += _forecasts(found, why)
    parts += _phases(found)
    parts += _norms(found)
    told = [
        one for one in judged if why or (one.change.difference and one.change.z == one.change.z)
    ]
    if told:
        parts.append("Reasons\n" + "".join(line for one in told for line in one.told()))
    parts.append(fill(CAUTIONS, WIDTH) + "\n")
    return "\n".join(parts)


# ------------------------------------------------------------------ the answer and the table


@dataclass(frozen=True)
class _Judged:
    """A change as it is told: name, foot, what was read, verdict."""

    name: str
    side: str
    span: str
    change: Change
    better: int | None
    heading: str
    notes: tuple[str, ...] = ()

    @property
    def where(self) -> str:
        return direction(self.change, self.better)

    @property
    def verdict(self) -> str:
        return self.change.verdict + (f", {self.where}" if self.where else "")

    @property
    def full_name(self) -> str:
        return self.name + (f", {self.side}" if self.side != "-" else "")

    @property
    def rank(self) -> int:
        return 0 if self.where == "WORSE" else 1 + VERDICTS.index(self.change.verdict)

    def cells(self) -> tuple[str, ...]:
        one = self.change
        known = one.z == one.z  # not NaN
        moved = signed(one.difference)
        if known:
            moved += f" ({signed(one.low)} to {signed(one.high)})"
        chance = "-" if not known else f"{min(max(round(100 * one.chance_better), 1), 99)} %"
        if known and self.better is None:
            chance += " (rise)"
        settle = "-"
        if one.verdict == "within error":
            anew = any(reason.rule == "change.settle_anew" for reason in one.reasons)
            settle = "a new start, see reasons" if anew else "not by reading more"
            if one.settle is not None:
                settle = f"{one.settle} more day" + ("" if one.settle == 1 else "s")
        return (self.name, self.side, self.span, moved, chance, self.verdict, settle)

    def told(self) -> Iterator[str]:
        yield item(self.heading, 2)
        yield from (item(f"note: {note}") for note in self.notes)
        yield from (item(quoted(reason)) for reason in self.change.reasons)


def _judged(found: Changes) -> Iterator[_Judged]:
    """Each judged change, the worse first, then by verdict."""
    rows: list[_Judged] = []
    ends = found.exams[0], found.exams[-1]
    sides = [(one.measure, one.side) for one in found.measures]
    for one in (*found.measures, *found.activities):
        if one.change is None:
            continue
        apart = not one.name and sides.count((one.measure, one.side)) > 1
        name = name_of(one) + (f" ({way_words(one)})" if apart else "")
        (a, first), (b, last) = one.days[0], one.days[-1]
        span = f"{short(first, '1')} to {short(last, one.unit)}"
        if (a, b) != ends:
            span += f" ({a} to {b})"
        days = ", ".join(f"{on}: {short(value, one.unit)}" for on, value in one.days)
        heading = f"{_heading(one)}; {days}"
        rows.append(
            _Judged(name, one.side or "-", span, one.change, one.better, heading, one.notes)
        )
    score = found.activity_score
    if found.activity_change is not None and score is not None:
        span = f"{score.before:.1f} to {score.after:.1f}"
        name = f"Mean of {len(score.kept)} activities"
        notes = (quoted(score.reason),)
        rows.append(_Judged(name, "-", span, found.activity_change, 1, name, notes))
    for pain in found.diary:
        if pain.change is not None and pain.first is not None and pain.last is not None:
            weeks = (pain.first, pain.last)
            span = f"{pain.first.pain_nprs:.1f} to {pain.last.pain_nprs:.1f}"
            name = f"Diary pain {WHEN[pain.when]}, week's mean"
            told = "; ".join(
                f"{week.first} to {week.last}: {week.pain_nprs:.2f} of {week.days} days"
                for week in weeks
            )
            heading = f"Diary pain {WHEN[pain.when]}, {pain.side}; {told}"
            rows.append(_Judged(name, pain.side, span, pain.change, -1, heading))
    yield from sorted(rows, key=lambda row: row.rank)


def _answer(found: Changes, judged: Sequence[_Judged]) -> str:
    """The first line: how many changes are real, and which."""
    first, last = found.exams[0], found.exams[-1]
    head = f"{found.label}, {first} to {last}: " if first < last else f"{found.label}, {first}: "
    if not judged:
        return fill(head + "nothing was read on two days yet, so no change can be told.", WIDTH)
    parts = []
    if not any(one.where for one in judged):
        parts.append("no change beyond error")
    for verdict in dict.fromkeys(one.verdict for one in judged):
        same = [one for one in judged if one.verdict == verdict]
        names = "; ".join(one.full_name for one in same)
        parts.append(f"{len(same)} {verdict}" + (f": {names}" if same[0].where else ""))
    return fill(f"{head}{'. '.join(parts)}.", WIDTH) + "\n"


def _pending(found: Changes) -> Iterator[str]:
    """What was read once, and diary pain that is not judged."""
    once = [
        f"{name_of(one)}{f', {one.side}' if one.side else ''}"
        + (f" ({way_words(one)})" if way_words(one) else "")
        for one in (*found.measures, *found.activities)
        if one.change is None
    ]
    if once and len(found.exams) == 1:
        once = ["everything"]
    lines = [f"Read on one day only: {'; '.join(once)}."] if once else []
    lines += [
        f"Diary pain {WHEN[one.when]}, {one.side}: {one.rated} days rated, {one.why_not}."
        for one in found.diary
        if one.change is None
    ]
    if lines:
        yield "Not judged yet\n" + "".join(item(line, 2) for line in lines)


def _too_far(reason: Reason) -> bool:
    return reason.rule == "trend.no_chance"


def _goals(found: Changes) -> Iterator[str]:
    goals = [one for one in (*found.measures, *found.activities) if one.target is not None]
    if not goals:
        return
    cells = [("goal", "now", "target", "by", "reached", "chance on that day")]
    for one in goals:
        chance = "-"
        if isinstance(one.ahead, Forecast) and one.ahead.p_target is not None:
            chance = f"{min(max(round(100 * one.ahead.p_target), 1), 99)} %"
        elif isinstance(one.ahead, Forecast) and any(map(_too_far, one.ahead.reasons)):
            chance = "too far off to say"
        elif isinstance(one.ahead, NotYet):
            more = one.ahead.missing
            chance = f"{more} more reading{'' if more == 1 else 's'} needed"
        cells.append(
            (
                name_of(one) + (f", {one.side}" if one.side else ""),
                short(one.days[-1][1], one.unit),
                short(one.target or 0.0, one.unit),
                str(one.by or "no day"),
                "yes" if one.reached else "not yet",
                chance,
            )
        )
    yield table(cells)


def _norms(found: Changes) -> Iterator[str]:
    lines = [
        f"{name_of(one)}{f', {one.side}' if one.side else ''}: {quoted(one.beside.reason)}"
        for one in found.measures
        if one.beside is not None
    ]
    if lines:
        yield "Beside norms (last value)\n" + "".join(item(line, 2) for line in lines)


def _forecasts(found: Changes, why: bool) -> Iterator[str]:
    parts: list[str] = []
    missing: dict[int, list[str]] = {}
    for one in (*found.measures, *found.activities):
        moved = one.target is not None or (one.change is not None and one.change.difference)
        if isinstance(one.ahead, Forecast) and (why or moved):
            parts.append(item(_heading(one), 2))
            parts += [item(line) for line in _fan(one.ahead, one.unit)]
            parts += [item(quoted(reason)) for reason in one.ahead.reasons]
            parts += [item(f"note: {note}") for note in one.notes]
        elif isinstance(one.ahead, NotYet):
            name = name_of(one) + (f", {one.side}" if one.side else "")
            missing.setdefault(one.ahead.missing, []).append(name)
    for more, names in sorted(missing.items()):
        told = "everything whose error is known"
        if parts or len(missing) > 1:
            told = "; ".join(dict.fromkeys(names))
        days = "day" if more == 1 else "days"
        parts.append(item(f"Not yet, {more} more {days} of reading needed: {told}.", 2))
    if parts:
        yield "Forecast\n" + "".join(parts)


def _fan(ahead: Forecast, unit: str) -> Iterator[str]:
    """The values to come, one line for each date."""
    fan = ahead.fan
    for i, on in enumerate(fan.dates):
        bands = ", ".join(
            f"{band.probability_pct:g} % {short(band.low[i], '1')} to {short(band.high[i], '1')}"
            for band in fan.bands
        )
        yield f"{on}: {short(fan.median[i], unit)} ({bands})"


def _phases(found: Changes) -> Iterator[str]:
    if found.phase is None:
        return
    told: list[tuple[str, Phases | NotYet | None]] = [
        (_heading(one), one.phases) for one in (*found.measures, *found.activities)
    ]
    told += [(f"Diary pain {WHEN[one.when]}, {one.side}", one.phases) for one in found.diary]
    parts, few = [], 0
    for name, phases in told:
        if isinstance(phases, Phases):
            parts.append(item(name, 2))
            parts += [item(quoted(reason)) for reason in phases.reasons]
        few += isinstance(phases, NotYet)
    if few:
        parts.append(item(f"Too few readings before or after that day: {few} series.", 2))
    yield f"Before and from {found.phase} on\n" + "".join(parts or [item("Nothing to compare.", 2)])


def _heading(one: Followed) -> str:
    way = way_words(one)
    side = f", {one.side}" if one.side else ""
    return f"{name_of(one)}{side}" + (f" ({way})" if way else "")
