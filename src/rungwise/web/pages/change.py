"""What has changed: each measure with its error, its verdict, what would settle it, and what comes.

What was read with another method, instrument or zero is a series by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from secrets import token_hex
from typing import ClassVar

from rungwise.casebook import (
    Change,
    Changes,
    DiaryPain,
    Followed,
    Forecast,
    NotYet,
    change_chart,
    change_told,
)
from rungwise.casebook_course import newest_targets
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.web.because import Because, because
from rungwise.web.page import At, Go, Page, Visit, told
from rungwise.web.pages.targets import Aim, aims_of, save_targets, way_words
from rungwise.web.words import Say

__all__ = ["ROUTES"]


@dataclass(frozen=True)
class Series:
    """One measure, activity or diary pain, read in one way.

    Parameters
    ----------
    name, way : str
        What, and how it was read.
    span : str
        First and last value with their days.
    verdict : str
        In the three words, with the direction; or that the error is not known.
    rank : int
        0 what got worse, then by verdict [1].
    facts : tuple of (str, str)
        What else is told: the change with its interval, the error, what would settle it.
    svg, alt : str
        Its chart, and what that shows in words; empty with one reading.
    why, ahead : tuple of Because
        Why; what was assumed for what is to come.
    notes : tuple of str
        What to know of the series.
    """

    name: str
    way: str
    span: str
    verdict: str
    rank: int
    facts: tuple[tuple[str, str], ...]
    svg: str
    alt: str
    why: tuple[Because, ...]
    ahead: tuple[Because, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Goal:
    """A value to be reached."""

    name: str
    now: str
    target: str
    by: str
    reached: str
    chance: str


@dataclass(frozen=True, kw_only=True)
class ChangePage(Page):
    """What has changed in a person."""

    template: ClassVar[str] = "change.html"
    exam_url: str = told("Where to examine.")
    exams: tuple[str, ...] = told("Days of the examinations.")
    answer: str = told("The answer in one line.")
    judged: tuple[Series, ...] = told("What was read on two days or more, the worse first.")
    once: tuple[str, ...] = told("What was read on one day only.")
    waiting: tuple[str, ...] = told("Diary pain that is not judged yet, and why.")
    goals: tuple[Goal, ...] = told("Values to be reached.")
    url: str = told("Where values to be reached are sent to.")
    aims: tuple[Aim, ...] = told("One for each measure that can have a value to be reached.")
    expected: int = told("Version of the values to be reached that is shown, 0 = none [1].")
    form_once: str = told("Token of that form, so that sending it twice saves once.")
    again: tuple[Because, ...] = told("When to measure again, and how often.")
    notes: tuple[str, ...] = told("What to know of the whole, such as series kept apart.")


def aim(visit: Visit) -> Page | Go:
    """Keep the values to be reached."""
    try:
        conflict = save_targets(visit)
    except InputError as error:
        return change(visit, error.faults)
    return conflict or Go(f"/people/{visit.path['person']}/change#goals")


def change(visit: Visit, faults: Sequence[Fault] = ()) -> ChangePage:
    """Show what has changed; with what must be mended of the values to be reached."""
    say, so_far = visit.say, visit.casebook.way(visit.who, visit.path["person"])
    found, book, changes = so_far.found, so_far.book, visit.casebook.changes_of(so_far)
    judged: list[Series] = []
    once: list[str] = []
    if changes is not None:
        for one in (*changes.measures, *changes.activities):
            if one.change is None:
                once.append(_name(say, one) + (f" ({way})" if (way := _way(say, one)) else ""))
            else:
                judged.append(_series(visit, book, one, one.change))
        judged += _mean(say, book, changes)
        judged += [s for one in changes.diary if (s := _pain(visit, book, one)) is not None]
        judged.sort(key=lambda one: one.rank)
    return ChangePage(
        title=say("change.title"),
        person=visit.person_bar(found, "change"),
        exam_url=f"/people/{found.id}/exam",
        exams=() if changes is None else tuple(say.day(on) for on in changes.exams),
        answer=_answer(say, judged),
        judged=tuple(judged),
        once=tuple(once),
        waiting=() if changes is None else tuple(_waiting(say, changes)),
        goals=() if changes is None else tuple(_goals(visit, changes)),
        url=f"/people/{found.id}/change",
        aims=aims_of(visit, found, changes, book),
        expected=kept.version if (kept := newest_targets(found)) else 0,
        form_once=token_hex(16),
        faults=tuple(faults),
        status=422 if faults else 200,
        again=() if changes is None else because(book, changes.again),
        notes=() if changes is None else changes.notes,
    )


def _answer(say: Say, judged: Sequence[Series]) -> str:
    if not judged:
        return say("change.none_yet")
    sure = sum(one.rank < 3 for one in judged)
    return say("change.answer", n=len(judged), sure=sure, worse=sum(o.rank == 0 for o in judged))


def _name(say: Say, one: Followed) -> str:
    name = f"“{one.name}”" if one.name else say.name("measure", one.measure)
    return f"{name}, {say(f'of.{one.side}')}" if one.side else name


def _way(say: Say, one: Followed) -> str:
    parts = [say.name("way", p) for p in (one.method, one.instrument) if p]
    if one.zero:
        parts.append(say("change.zero", zero=say.name("way", one.zero)))
    return ", ".join(parts)


def _number(value: float, unit: str) -> str:
    told_so = f"{round(value, 1):g}"
    if unit in ("1", ""):
        return told_so
    return f"{told_so}{'' if unit == 'deg' else ' '}{'°' if unit == 'deg' else unit}"


def _verdict(say: Say, found: Change, better: int | None) -> tuple[str, int]:
    """The verdict in words with its direction, and its rank."""
    words = say.name("verdict", found.verdict.replace(" ", "_"))
    order = ("beyond error and worthwhile", "beyond error", "within error", "error not known")
    rank = 1 + order.index(found.verdict)
    if not found.verdict.startswith("beyond"):
        return words, rank
    up = found.difference > 0
    way = ("higher" if up else "lower") if better is None else None
    way = way or ("better" if up == (better == 1) else "worse")
    return f"{words}: {say(f'change.{way}')}", 0 if way == "worse" else rank


def _facts(say: Say, found: Change, unit: str) -> Iterator[tuple[str, str]]:
    moved = f"{round(found.difference, 1):+g}"
    known = found.z == found.z  # not NaN
    if known:
        ends = f"{round(found.low, 1):+g}", f"{round(found.high, 1):+g}"
        moved = say("change.between", moved=moved, low=ends[0], high=ends[1])
        yield say("change.moved"), moved
        yield say("change.error"), _number(found.mdc95, unit)
        chance = min(max(round(100 * found.chance_better), 1), 99)
        yield say("change.chance"), f"{chance} %"
    else:
        yield say("change.moved"), moved
    if found.verdict == "within error":
        anew = any(reason.rule == "change.settle_anew" for reason in found.reasons)
        settle = say("change.settle_anew") if anew else say("change.settle_not")
        if found.settle is not None:
            settle = say("change.settle_days", n=found.settle)
        yield say("change.settle"), settle


def _series(visit: Visit, book: Evidence, one: Followed, found: Change) -> Series:
    say = visit.say
    verdict, rank = _verdict(say, found, one.better)
    (a, first), (b, last) = one.days[0], one.days[-1]
    span = say(
        "change.span", first=_number(first, one.unit), a=say.day(a),
        last=_number(last, one.unit), b=say.day(b), n=len(one.days),
    )  # fmt: skip
    facts = [*_facts(say, found, one.unit), *_ahead(say, one)]
    reasons = one.ahead.reasons if one.ahead is not None else ()
    if one.beside is not None:
        reasons = (*reasons, one.beside.reason)
    return Series(
        name=_name(say, one),
        way=_way(say, one),
        span=span,
        verdict=verdict,
        rank=rank,
        facts=tuple(facts),
        svg=change_chart(one, _tell(say)),
        alt=change_told(one, _tell(say)),
        why=because(book, found.reasons),
        ahead=because(book, reasons),
        notes=one.notes,
    )


def _tell(say: Say) -> Callable[[str], str]:
    return lambda english: say.told(english).text


def _ahead(say: Say, one: Followed) -> Iterator[tuple[str, str]]:
    """What is to come, or how many more readings it takes."""
    if isinstance(one.ahead, Forecast):
        fan = one.ahead.fan
        wide = fan.bands[-1]
        yield (
            say("change.ahead", on=say.day(fan.dates[-1])),
            say(
                "change.fan",
                value=_number(fan.median[-1], one.unit),
                pct=f"{wide.probability_pct:g}",
                low=_number(wide.low[-1], "1"),
                high=_number(wide.high[-1], one.unit),
            ),
        )
    elif isinstance(one.ahead, NotYet):
        yield say("change.forecast"), say("change.not_yet", n=one.ahead.missing)


def _mean(say: Say, book: Evidence, changes: Changes) -> Iterator[Series]:
    """The mean of the patient's activities."""
    score, found = changes.activity_score, changes.activity_change
    if score is None or found is None or score.before is None or score.after is None:
        return
    verdict, rank = _verdict(say, found, 1)
    span = f"{score.before:.1f} → {score.after:.1f}"
    yield Series(
        say("change.activities", n=len(score.kept)), "", span, verdict, rank,
        tuple(_facts(say, found, "1")), "", "", because(book, (score.reason, *found.reasons)),
        (), (),
    )  # fmt: skip


def _pain(visit: Visit, book: Evidence, one: DiaryPain) -> Series | None:
    """The diary's pain, a week's mean against a later one."""
    say, found = visit.say, one.change
    if found is None or one.first is None or one.last is None:
        return None
    verdict, rank = _verdict(say, found, -1)
    span = say(
        "change.weeks", first=f"{one.first.pain_nprs:.1f}", a=say.day(one.first.first),
        last=f"{one.last.pain_nprs:.1f}", b=say.day(one.last.last),
    )  # fmt: skip
    name = say("change.diary", when=say(f"diary.{one.when}"), foot=say(f"of.{one.side}"))
    facts = tuple(_facts(say, found, "1"))
    why = because(book, found.reasons)
    return Series(name, "", span, verdict, rank, facts, "", "", why, (), ())


def _waiting(say: Say, changes: Changes) -> Iterator[str]:
    for one in changes.diary:
        if one.change is None:
            name = say("change.diary", when=say(f"diary.{one.when}"), foot=say(f"of.{one.side}"))
            yield say("change.rated", name=name, n=one.rated)


def _goals(visit: Visit, changes: Changes) -> Iterator[Goal]:
    say = visit.say
    for one in (*changes.measures, *changes.activities):
        if one.target is None:
            continue
        chance = "–"
        if isinstance(one.ahead, Forecast) and one.ahead.p_target is not None:
            chance = f"{min(max(round(100 * one.ahead.p_target), 1), 99)} %"
        elif isinstance(one.ahead, Forecast) and any(
            reason.rule == "trend.no_chance" for reason in one.ahead.reasons
        ):
            chance = say("change.too_far")
        elif isinstance(one.ahead, NotYet):
            chance = say("change.not_yet", n=one.ahead.missing)
        yield Goal(
            _name(say, one),
            _number(one.days[-1][1], one.unit),
            f"{way_words(visit, one.better)} {_number(one.target, one.unit)}",
            say.day(one.by),
            say("change.reached" if one.reached else "change.not_reached"),
            chance,
        )


ROUTES = (
    At("/people/{person}/change", change),
    At("/people/{person}/change", aim, "POST", deed="add", keeps="/people/{person}/change"),
)
