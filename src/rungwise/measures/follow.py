"""What has changed in one person: every measure, activity and diary pain, first against last.

Readings are gathered from the examinations of a course. What was read with another method,
instrument or zero is a series by itself: it is told, and never compared.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, timedelta
from itertools import groupby
from pathlib import Path

from rungwise.core.change import WORTHWHILE, Change, Rater, better_of, judge_change, known_error
from rungwise.core.detect import KINDS, advise
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Measure, Row
from rungwise.core.followed import Entry
from rungwise.core.forecast import Forecast, NotYet, forecast
from rungwise.core.norms import Beside, beside_norm
from rungwise.core.scorers import ActivityScore, score_activities
from rungwise.core.series import (
    DayMean,
    Taken,
    judge_pain_weeks,
    judge_series,
    one_series,
    week_of,
)
from rungwise.core.single_case import Phases, compare_phases
from rungwise.core.terms import SIDES, Exam, Measured, Reason, Side
from rungwise.course import EARLIER_PLANS, PLAN, open_course
from rungwise.kept import read_plan
from rungwise.measures.feet import WHEN, foot_ratings
from rungwise.measures.values import Changes, DiaryPain, Followed, Target, way_words

__all__ = ["follow", "open_changes"]

#: What does not change with treatment, or only says how another measure was taken.
FIXED = (
    "foot_length_mm",
    "heel_to_mtp_mm",
    "foot_width_mm",
    "flat_standing_deg",
    "press_bend_deg",
    "radiograph_grade",
)
NUMBERS = ("number", "whole")
#: Measures held beside a norm, and how they were taken.
NORMS = {
    "one_leg_s": "eyes_open",
    "heel_raise_count": "",
    "chair_stand_count": "",
    "timed_up_and_go_s": "",
}
ACTIVITY = "psfs.activity"
Way = tuple[str, Side | None, str | None, str | None, str | None]


def open_changes(
    folder: Path,
    book: Evidence,
    today: date,
    exams: Mapping[str, Exam] | None = None,
    phase: date | None = None,
    targets: Mapping[str, Target] | None = None,
) -> Changes:
    """What has changed in the patient of a plan's folder.

    Parameters
    ----------
    folder : Path
        Written by ``rungwise plan``: its present and earlier versions hold the examinations, its
        diary the pain.
    book : Evidence
        The evidence book.
    today : date
        The day on which it is looked at.
    exams : mapping of str to Exam, optional
        Further examinations of the same person, by the name of their file.
    phase : date, optional
        First day of a change of treatment, for before and after.
    targets : mapping of str to Target, optional
        Values to be reached, by measure.

    Raises
    ------
    InputError
        No such folder, or a damaged file; an examination of somebody else, or two that differ of
        one day; a target of no measure.
    """
    plans = [read_plan(_text(path)) for path in (*_earlier(folder), folder / PLAN)]
    found = {plan.exam.on: plan.exam for plan in plans}
    faults: list[Fault] = []
    for name, exam in (exams or {}).items():
        faults += _not_theirs(name, exam, plans[-1].exam)
        if found.setdefault(exam.on, exam) != exam:
            remedy = "Two examinations of one day differ. Leave one out."
            faults.append(Fault(name, str(exam.on), "a day of its own", remedy))
    if faults:
        raise InputError("examinations", tuple(faults))
    entries: Sequence[Entry] = ()
    notes: list[str] = []
    if plans[-1].exercises:
        entries = open_course(folder, book, today).course.entries
    elif len(plans) > 1:
        notes.append("The present version has no exercises: the diary is not read.")
    given = [found[on] for on in sorted(found)]
    return follow(given, book, entries=entries, phase=phase, targets=targets, notes=notes)


def follow(
    exams: Sequence[Exam],
    book: Evidence,
    *,
    entries: Sequence[Entry] = (),
    phase: date | None = None,
    targets: Mapping[str, Target] | None = None,
    notes: Sequence[str] = (),
) -> Changes:
    """What has changed over some examinations of one person, and in the diary.

    Parameters
    ----------
    exams : sequence of Exam
        At least one, oldest first, one a day.
    book : Evidence
        The evidence book.
    entries : sequence of Entry
        What was done at home, in the order of days.
    phase : date, optional
        First day of a change of treatment.
    targets : mapping of str to Target, optional
        Values to be reached, by measure.
    notes : sequence of str
        What to know of the whole.

    Raises
    ------
    InputError
        For a target of a measure that was not taken.
    """
    targets = targets or {}
    gathered = _gathered(exams, book)
    taken = {way[0] for way in gathered}
    faults = [
        Fault(f"target {key}", "a target", ", ".join(sorted(taken)), "Name one that was measured.")
        for key in targets
        if key not in taken
    ]
    if faults:
        raise InputError("targets", tuple(faults))
    order = list(book.measures)
    ways = sorted(gathered, key=lambda way: (order.index(way[0]), [part or "" for part in way[1:]]))
    measures = [
        _followed(way, gathered[way], exams, book, phase, targets.get(way[0])) for way in ways
    ]
    score, change = _activity_mean(exams, book)
    diary = tuple(_diary(entries, exams, book, phase))
    return Changes(
        exams[-1].person.label,
        tuple(exam.on for exam in exams),
        tuple(measures),
        tuple(_activities(exams, book, phase)),
        score,
        change,
        diary,
        tuple(_again(measures, diary, book)),
        phase,
        (*notes, *_apart(measures)),
    )


# ------------------------------------------------------------------ what was read


def _gathered(exams: Sequence[Exam], book: Evidence) -> dict[Way, dict[date, list[Taken]]]:
    """Every reading by way and day; what later examinations tell again counts once."""
    found: dict[Way, dict[date, list[Taken]]] = {}
    for exam in exams:
        here: dict[tuple[Way, date], list[Taken]] = {}
        for m in exam.measured:
            spec = book.measures.get(m.measure)
            if spec is None or spec.kind not in NUMBERS or m.measure in FIXED:
                continue
            way = (m.measure, m.side, m.method, m.instrument, m.zero)
            rater = exam.therapist if m.on == exam.on else None
            here.setdefault((way, m.on), []).append(Taken(m, rater))
        for (way, on), taken in here.items():
            found.setdefault(way, {}).setdefault(on, taken)
    return found


def _followed(
    way: Way,
    by_day: Mapping[date, list[Taken]],
    exams: Sequence[Exam],
    book: Evidence,
    phase: date | None,
    target: Target | None,
) -> Followed:
    measure, side, method, instrument, zero = way
    series = [one_series(by_day[on], book) for on in sorted(by_day)]
    days = tuple(day for one in series for day in one.days)
    change = judge_series(series[0], series[-1], book) if len(series) > 1 else None
    raters = {one.rater for one in series}
    known = len(raters) == 1 and None not in raters
    whose: Rater = "same_rater" if known else "other_rater"
    owns = tuple(own for one in series for own in one.owns)
    reading = known_error(measure, book, method, instrument, whose, owns)
    error = None if reading is None else reading.sem
    better = better_of(measure, book)
    if better is None and target is not None:
        better = target.better
    ahead = phases = None
    notes: list[str] = []
    spec: Measure = book.measures[measure]
    scale = None if spec.low is None or spec.high is None else (spec.low, spec.high)
    if error is not None:
        readings = [
            Measured(measure, value, on, side, method, instrument, zero) for on, value in days
        ]
        ahead = _ahead(readings, error, book, better, target, scale, notes)
        phases = _compared(readings, phase, error, book, better)
    if measure == "press_n":
        notes += _press(exams, side, days)
    return Followed(
        measure,
        "",
        side,
        method,
        instrument,
        zero,
        spec.unit,
        days,
        change,
        better,
        scale,
        None if error is None else error.value,
        None if target is None else target.value,
        None if target is None else target.by,
        ahead,
        phases,
        _beside(measure, days, exams, book),
        tuple(notes),
    )


def _ahead(
    readings: Sequence[Measured],
    error: Row,
    book: Evidence,
    better: int | None,
    target: Target | None,
    scale: tuple[float, float] | None,
    notes: list[str],
) -> Forecast | NotYet:
    """The forecast, with the target where its day is still to come."""
    last = readings[-1].on
    step = timedelta(weeks=book.value("detect.weeks"))
    dates = [last + step, last + 2 * step]
    if target is not None and target.by <= last:
        notes.append(f"The day of the target, {target.by}, is not after the last reading.")
        target = None
    if target is not None:
        dates.append(target.by)
    measure = readings[0].measure
    name = "nprs" if measure.endswith("_nprs") else measure
    sizes = (book.rows.get(f"change.{name}.{level}") for level in WORTHWHILE)
    return forecast(
        readings,
        error,
        book,
        "lower" if better == -1 else "higher",
        dates=sorted(set(dates)),
        worthwhile=next((row for row in sizes if row is not None), None),
        target=None if target is None else target.value,
        by=None if target is None else target.by,
        scale=scale,
    )


def _compared(
    readings: Sequence[Measured],
    phase: date | None,
    error: Row,
    book: Evidence,
    better: int | None,
) -> Phases | NotYet | None:
    if phase is None:
        return None
    return compare_phases(readings, phase, error, book, "lower" if better == -1 else "higher")


def _press(
    exams: Sequence[Exam], side: Side | None, days: Sequence[tuple[date, float]]
) -> Iterator[str]:
    """Presses at different bends of the joint are different tests."""
    ends = (days[0][0], days[-1][0])
    bends = [
        one.value
        for exam in exams
        if exam.on in ends
        for one in exam.readings("press_bend_deg", side)[:1]
    ]
    if len(set(bends)) > 1:
        yield f"Taken at different bends ({', '.join(f'{b:g}°' for b in bends)}): another test."


def _beside(
    measure: str, days: Sequence[tuple[date, float]], exams: Sequence[Exam], book: Evidence
) -> Beside | None:
    if measure not in NORMS:
        return None
    on, value = days[-1]
    person = exams[-1].person
    return beside_norm(
        measure, value, on.year - person.birth_year, book, person.sex, NORMS[measure]
    )


def _apart(measures: Sequence[Followed]) -> Iterator[str]:
    """What was read in more than one way."""
    for (measure, side), group in groupby(measures, lambda one: (one.measure, one.side)):
        ways = [way_words(one) for one in group]
        if len(ways) > 1:
            foot = "" if side is None else f", {side}"
            yield (
                f"{measure}{foot}: read in {len(ways)} ways ({'; '.join(ways)}). They are kept "
                "apart and never compared with each other."
            )


# ------------------------------------------------------------------ the patient's activities


def _activities(exams: Sequence[Exam], book: Evidence, phase: date | None) -> Iterator[Followed]:
    """Each activity over the examinations; its target is the last one named."""
    names = dict.fromkeys(one.name for exam in exams for one in exam.activities)
    error = known_error(ACTIVITY, book)
    scale = (book.low("activity.rating"), book.high("activity.rating"))
    for name in names:
        rated = {exam.on: one for exam in exams for one in exam.activities if one.name == name}
        days = tuple((on, one.rating) for on, one in rated.items())
        last = next(reversed(rated.values()))
        target = None if last.by is None else Target(last.target, last.by)
        notes: list[str] = []
        ahead = phases = None
        if error is not None:
            readings = [Measured(ACTIVITY, rating, on) for on, rating in days]
            ahead = _ahead(readings, error.sem, book, 1, target, scale, notes)
            phases = _compared(readings, phase, error.sem, book, 1)
        change = None
        if len(days) > 1:
            change = judge_change(days[0][1], days[-1][1], error, book, ACTIVITY)
        yield Followed(
            ACTIVITY, name, None, None, None, None, "1", days, change, 1,
            scale,
            None if error is None else error.sem.value, last.target, last.by,
            ahead, phases, None, tuple(notes),
        )  # fmt: skip


def _activity_mean(
    exams: Sequence[Exam], book: Evidence
) -> tuple[ActivityScore | None, Change | None]:
    first, last = exams[0], exams[-1]
    ratings = [{a.name: a.rating for a in exam.activities} for exam in (first, last)]
    if len(exams) < 2 or not all(ratings):
        return None, None
    if not all(rating.is_integer() for one in ratings for rating in map(float, one.values())):
        return None, None
    whole = [{name: int(rating) for name, rating in one.items()} for one in ratings]
    try:
        score = score_activities(whole[0], whole[1], book)
    except InputError:  # more activities than the form has
        return None, None
    if score.before is None or score.after is None:
        return score, None
    error = known_error("psfs", book)
    return score, judge_change(score.before, score.after, error, book, "psfs")


# ------------------------------------------------------------------ the diary


def _diary(
    entries: Sequence[Entry], exams: Sequence[Exam], book: Evidence, phase: date | None
) -> Iterator[DiaryPain]:
    for side in SIDES:
        for when in WHEN:
            ratings = foot_ratings(entries, when, side, exams)
            if ratings:
                yield _diary_pain(when, side, ratings, book, phase)


def _diary_pain(
    when: str, side: Side, ratings: Mapping[date, float], book: Evidence, phase: date | None
) -> DiaryPain:
    days = list(ratings)
    length = timedelta(days=book.value("change.nprs.mean.window_days") - 1)
    least = book.value("change.nprs.mean.min_days")
    ends = [*(on + length for on in days), days[-1]]

    def enough(last: date) -> bool:
        return last <= days[-1] and sum(last - length <= on <= last for on in days) >= least

    def week(ends: Iterable[date]) -> DayMean | None:
        return next((week_of(ratings, last, book) for last in ends if enough(last)), None)

    first, last = week(ends), week(reversed(ends))
    change, why_not = None, ""
    if first is None or last is None:
        why_not = f"no week with ratings on {least:g} days"
    elif first.last >= last.first:
        why_not = "not two weeks with ratings on enough days that share no day"
        last = None
    else:
        change = judge_pain_weeks(first, last, book)
    noise = book.row("change.nprs.mean.day_noise")
    phases = None
    if phase is not None:
        readings = [Measured(f"diary.{when}", pain, on, side) for on, pain in ratings.items()]
        phases = _compared(readings, phase, noise, book, -1)
    return DiaryPain(when, side, len(days), first, last, change, phases, why_not)


# ------------------------------------------------------------------ when to measure again


def _again(
    measures: Sequence[Followed], diary: Sequence[DiaryPain], book: Evidence
) -> Iterator[Reason]:
    """Advice for each way of reading that the book can advise on, against what was read before."""
    by_row = {kind.error: name for name, kind in KINDS.items()}
    told = dict.fromkeys(
        by_row[f"rom.sem.{one.method}.{one.instrument}.same_rater"]
        for one in measures
        if f"rom.sem.{one.method}.{one.instrument}.same_rater" in by_row
    )
    for kind in told:
        yield advise(kind, book, 1)
    weeks = [one.first.days for one in diary if one.first is not None]
    if diary:
        yield advise("diary", book, min(weeks) if weeks else None)


# ------------------------------------------------------------------ files and people


def _earlier(folder: Path) -> list[Path]:
    return sorted((folder / EARLIER_PLANS).glob("plan-*.json"), key=lambda p: (len(p.name), p.name))


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        fault = Fault("plan", str(path), "a folder written by rungwise plan", "Check the folder.")
        raise InputError("changes", (fault,)) from None


def _not_theirs(name: str, exam: Exam, known: Exam) -> Iterator[Fault]:
    """Refuse an examination that is another person's."""
    for field in ("label", "birth_year"):
        given, allowed = getattr(exam.person, field), getattr(known.person, field)
        if given != allowed:
            where = f"{name}: person.{field}"
            remedy = "Is it the right examination?"
            yield Fault(where, str(given), f"{allowed}, as in the plan", remedy)
