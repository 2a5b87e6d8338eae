"""What is measured of deciding: the rules over a caseload in arrays, one plan from its diary."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from datetime import timedelta
from itertools import pairwise
from typing import Any

import numpy as np

from benchmarks.patient import Patient, Sizes
from benchmarks.people import SEED
from benchmarks.table import Section, rate, row
from benchmarks.timing import on_each, side_by_side
from rungwise.core.evidence import Evidence
from rungwise.core.followed import Course, Entry, read_entries
from rungwise.core.judge import Facts, Limits, judge
from rungwise.core.progress import Decision, decide
from rungwise.core.terms import Plan
from rungwise.course import feet_now

__all__ = ["caseload", "decide_section", "plainly"]

WEEKS = 100_000
FASTEST = 200_000
SESSIONS = 3


def caseload(count: int, seed: int = SEED) -> Facts:
    """Invented patient-weeks, most of them calm, with all that may be missing or marked.

    Parameters
    ----------
    count : int
        How many [1].
    seed : int
        Of the random numbers.
    """
    rng = np.random.default_rng(seed)

    def rating(often: float, most: int) -> np.ndarray[Any, np.dtype[np.float64]]:
        found = rng.binomial(most, often, (count, SESSIONS)).astype(float)
        return np.where(rng.random(found.shape) < 0.02, np.nan, found)

    def yes(share: float) -> np.ndarray[Any, np.dtype[np.bool_]]:
        return np.asarray(rng.random(count) < share)

    usual = rng.integers(0, 6, count).astype(float)
    during = rating(0.2, 8)
    last = rng.normal(2.0, 0.7, count)
    return Facts(
        during=during,
        morning=np.minimum(rating(0.15, 6), usual[:, None] + 1),
        whole=rng.random((count, SESSIONS)) < 0.95,
        count=rng.integers(2, 12, count).astype(float),
        highest=np.fmax.reduce(during, axis=1),
        red_days=np.zeros(count),
        sharp=yes(0.01),
        warning=yes(0.01),
        usual=usual,
        usual_now=usual,
        this_week=last + rng.normal(-0.1, 0.5, count),
        last_week=last,
        flares=rng.binomial(2, 0.1, count).astype(float),
        days=rng.integers(5, 20, count).astype(float),
        per_week=rng.integers(1, 6, count).astype(float),
        adherence_pct=rng.integers(40, 101, count).astype(float),
        volume_pct=rng.integers(60, 170, count).astype(float),
        gap_days=rng.integers(1, 9, count).astype(float),
        form_failed=yes(0.03),
        screen_old=yes(0.05),
        screen_holds=yes(0.01),
        held_back=yes(0.02),
        ruled_out=yes(0.01),
        no_fit=yes(0.02),
        feels=yes(0.98),
        foot_alarm=yes(0.02),
        worse_joint=yes(0.01),
        unrated=yes(0.02),
    )


def plainly(one: Mapping[str, Any], limits: Limits) -> int:
    """The peer: the same rules for one patient-week in plain Python, the gravest first.

    Parameters
    ----------
    one : mapping of str to value
        The facts as plain numbers.
    limits : Limits
        The book's rows.
    """
    if one["warning"] or one["sharp"] or one["red_days"] > limits.red_days or one["ruled_out"]:
        return 0
    if one["gap_days"] >= limits.gap_restart:
        return 1
    usual = one["usual"] if one["usual"] == one["usual"] else 0.0
    above = [m > usual + limits.morning_over for m in one["morning"]]
    rise = one["this_week"] - one["last_week"]
    if (
        one["gap_days"] >= limits.gap_down
        or one["highest"] > limits.acceptable
        or any(a and b for a, b in pairwise(above))
        or rise > limits.week_rise
        or one["flares"] >= limits.flares
        or one["no_fit"]
    ):
        return 2
    known = all(pain == pain for pain in (*one["during"], *one["morning"], rise))
    enough = (
        one["count"] >= limits.sessions
        and one["days"] >= limits.days
        and one["per_week"] >= limits.per_week
        and one["adherence_pct"] >= limits.adherence_pct
        and one["volume_pct"] <= limits.volume_pct
    )
    marks = "form_failed screen_old screen_holds held_back foot_alarm worse_joint unrated"
    marked = any(one[name] for name in marks.split())
    calm = all(m <= one["usual"] for m in one["morning"]) and one["usual_now"] <= limits.usual_max
    painful = rise > 0 and one["this_week"] > limits.safe
    if not (known and enough and calm and all(one["whole"]) and one["feels"]) or marked or painful:
        return 3
    return 5 if all(d <= limits.safe for d in one["during"]) else 4


def decide_section(patient: Patient, sizes: Sizes) -> Section:
    """From facts to answers, and from a diary to the advice."""
    limits = Limits.of(patient.book)
    facts = caseload(WEEKS if sizes.repetitions > 1 else 1000)
    columns = {f.name: getattr(facts, f.name).tolist() for f in fields(Facts)}
    count = len(columns["count"])
    singles = [
        dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)
    ]
    alike = judge(facts, limits).tolist() == [plainly(one, limits) for one in singles]
    assert alike, "the peer decides otherwise"
    plans = [plan for plan in patient.plans[: sizes.repetitions] if plan.exercises]
    cases = [(plan, followed(plan, patient.book)) for plan in plans]
    few = max(3, sizes.repetitions // 5) if sizes.repetitions > 1 else 1
    times = side_by_side(
        {
            "arrays": lambda: judge(facts, limits),
            "plain": lambda: [plainly(one, limits) for one in singles],
            "plan": on_each(lambda case: decided(*case, patient.book), cases),
        },
        few,
    )
    lines = len(patient.plan.exercises)
    return Section(
        "Hearing back and deciding",
        (
            f"The rules of progress on {count:,} invented patient-weeks, in arrays and beside the "
            "same rules in plain Python, which give the same answers; then one plan of "
            f"{lines} exercises from the entries of two weeks to its advice with every reason."
        ),
        (
            rate("**judging patient-weeks in arrays**", times["arrays"], count, FASTEST),
            rate("peer: the same rules in plain Python", times["plain"], count),
            row("one plan, from its diary to the advice", times["plan"]),
            rate("exercises decided one by one, with their reasons", times["plan"], lines),
        ),
    )


def followed(plan: Plan, book: Evidence) -> Course:
    """Two calm weeks of every exercise.

    Parameters
    ----------
    plan : Plan
        Which.
    book : Evidence
        The evidence book.
    """
    entries = [
        replace(
            Entry(plan.starts + timedelta(days=n), e.family, e.side, e.both, "all"),
            sets=e.dose.sets,
            reps=e.dose.reps,
            before=1,
            during=1 + n % 3,
            morning=1,
        )
        for e in plan.exercises
        for n in range(0, 14, 1 if e.dose.days_per_week > 4 else 2)
    ]
    return read_entries(entries, book, plan.starts, plan.ends, plan.starts + timedelta(days=14))


def decided(plan: Plan, course: Course, book: Evidence) -> Decision:
    """The advice of the fourteenth day, the feet read from the examination, too.

    Parameters
    ----------
    plan : Plan
        Which.
    course : Course
        What was done.
    book : Evidence
        The evidence book.
    """
    today = plan.starts + timedelta(days=14)
    return decide(plan, course, feet_now(plan.exam, book), book, today)
