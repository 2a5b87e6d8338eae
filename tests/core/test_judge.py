"""The rules of progress at every limit, one fact at a time, hand-worked from their source.

NEMEX, as its authors restate Thomeé 1997 (clin_s29c): pain during 0-2 safe, above 2 to 5
acceptable, above 5 high risk; next morning as usual; not rising from week to week. Common practice
(common_practice): one change a week, two sessions a week at least, 60 % of what was asked for; less
than a week missed is nothing, one to two weeks one rung down, more back to the start. At each
boundary the safer side wins.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace

import numpy as np
import pytest

from rungwise.core.judge import ANSWERS, Facts, Limits, judge, rules_of
from tests.factory import real_book

LIMITS = Limits.of(real_book())
NAN = float("nan")

#: Three calm sessions in full, over eight days: everything that "up" asks for, and no more.
CALM: Mapping[str, object] = {
    "during": [2.0, 2.0, 2.0],
    "morning": [3.0, 3.0, 3.0],
    "whole": [True, True, True],
    "count": 3.0,
    "highest": 5.0,
    "red_days": 0.0,
    "sharp": False,
    "warning": False,
    "usual": 3.0,
    "this_week": 2.0,
    "last_week": 2.0,
    "flares": 1.0,
    "days": 7.0,
    "per_week": 2.0,
    "adherence_pct": 60.0,
    "volume_pct": 150.0,
    "gap_days": 6.0,
    "form_failed": False,
    "screen_old": False,
    "screen_holds": False,
    "held_back": False,
    "ruled_out": False,
    "no_fit": False,
    "feels": True,
    "foot_alarm": False,
    "worse_joint": False,
    "unrated": False,
}


def facts(**changes: object) -> Facts:
    """The calm facts with changes, as arrays of one."""
    values = {**CALM, **changes}
    values.setdefault("usual_now", values["usual"])
    return Facts(**{name: np.array([value]) for name, value in values.items()})


def answer(**changes: object) -> str:
    """The answer in words."""
    return ANSWERS[int(judge(facts(**changes), LIMITS)[0])]


def held(**changes: object) -> set[str]:
    """Names of the rules that hold."""
    return {name for name, _, holds in rules_of(facts(**changes), LIMITS) if holds[0]}


def test_the_calm_case_stands_on_every_limit_and_rises() -> None:
    assert answer() == "up"
    assert held() == set()


@pytest.mark.parametrize(
    ("changes", "expected", "rule"),
    [
        # stop: common practice (clinical rule: sharp pain, locking, a new red flag; red > 1 week)
        ({"warning": True}, "stop and call", "warning"),
        ({"sharp": True}, "stop and call", "sharp"),
        ({"red_days": 8.0}, "stop and call", "red_long"),
        ({"red_days": 7.0}, "up", None),
        ({"ruled_out": True}, "stop and call", "ruled_out"),
        # a gap: common practice, < 1 week same, 1-2 weeks one rung, from there the start
        ({"gap_days": 7.0}, "down", "gap"),
        ({"gap_days": 13.0}, "down", "gap"),
        ({"gap_days": 14.0}, "restart", "gap_long"),
        ({"gap_days": 21.0}, "restart", "gap_long"),
        # pain during: clin_s29c, 5 is acceptable, above 5 is high risk
        ({"highest": 6.0}, "down", "high"),
        ({"highest": 5.5}, "down", "high"),
        # mornings: more than usual + 1 on two sessions running
        ({"morning": [5.0, 5.0, 3.0]}, "down", "mornings"),
        ({"morning": [3.0, 5.0, 5.0]}, "down", "mornings"),
        ({"morning": [5.0, 3.0, 5.0]}, "same", "morning_not_usual"),
        ({"morning": [4.0, 4.0, 4.0]}, "same", "morning_not_usual"),
        ({"morning": [3.0, 3.0, 4.0]}, "same", "morning_not_usual"),
        ({"morning": [4.0, 3.0, 3.0]}, "same", "morning_not_usual"),
        ({"morning": [2.0, 2.0, 2.0], "usual": NAN}, "down", "mornings"),  # 0 stands for it
        ({"morning": [1.0, 1.0, 1.0], "usual": NAN}, "same", "usual_high"),
        # week to week: clin_s29c, must not rise; more than 1 lowers
        ({"this_week": 3.1}, "down", "week_rise"),
        ({"this_week": 3.0}, "same", "week_painful"),
        ({"this_week": 2.1}, "same", "week_painful"),
        ({"this_week": 2.0, "last_week": 1.0}, "up", None),  # rises, but is safe
        ({"this_week": 4.0, "last_week": 4.0}, "up", None),  # high, but does not rise
        ({"this_week": NAN}, "same", "week_unknown"),
        ({"last_week": NAN}, "same", "week_unknown"),
        # flares: two in four weeks
        ({"flares": 2.0}, "down", "flares"),
        ({"no_fit": True}, "down", "no_fit"),
        # not enough, or not known
        ({"count": 2.0}, "same", "too_few"),
        ({"during": [NAN, 2.0, 2.0]}, "same", "not_rated"),
        ({"during": [2.0, 2.0, NAN]}, "same", "not_rated"),
        ({"morning": [NAN, 3.0, 3.0]}, "same", "not_rated"),
        ({"morning": [3.0, 3.0, NAN]}, "same", "not_rated"),
        ({"whole": [False, True, True]}, "same", "not_all"),
        ({"whole": [True, True, False]}, "same", "not_all"),
        ({"days": 6.0}, "same", "too_soon"),
        ({"per_week": 1.0}, "same", "too_seldom"),
        ({"adherence_pct": 59.9}, "same", "adherence"),
        ({"adherence_pct": NAN}, "same", "adherence"),
        ({"volume_pct": 150.1}, "same", "overdone"),
        ({"volume_pct": 200.0}, "same", "overdone"),
        ({"form_failed": True}, "same", "form"),
        ({"usual": 5.0}, "up", None),
        ({"usual": 5.1}, "same", "usual_high"),
        ({"usual_now": 5.1}, "same", "usual_high"),  # the newest examination's counts, too
        ({"usual_now": 5.0}, "up", None),
        ({"screen_old": True}, "same", "screen_old"),
        ({"screen_holds": True}, "same", "screen_holds"),
        ({"held_back": True}, "same", "held_back"),
        ({"feels": False}, "same", "no_feeling"),
        # house rules: the foot hurt elsewhere, the joint is worse, a session says nothing
        ({"foot_alarm": True}, "same", "foot_alarm"),
        ({"worse_joint": True}, "same", "worse_joint"),
        ({"unrated": True}, "same", "unrated"),
        ({"foot_alarm": True, "highest": 6.0}, "down", "high"),
        ({"foot_alarm": True, "during": [3.0, 2.0, 2.0]}, "same", "foot_alarm"),
        # sore but as usual next morning: repetitions or seconds only
        ({"during": [3.0, 2.0, 2.0]}, "dose", "not_calm"),
        ({"during": [2.0, 2.0, 5.0]}, "dose", "not_calm"),
        ({"during": [5.0, 5.0, 5.0]}, "dose", "not_calm"),
        ({"during": [2.0, 2.1, 2.0]}, "dose", "not_calm"),
    ],
)
def test_one_fact_at_its_limit(changes: dict[str, object], expected: str, rule: str | None) -> None:
    assert answer(**changes) == expected
    assert rule is None or rule in held(**changes)


def test_the_gravest_answer_wins() -> None:
    # Precedence as written with the rules: stop, then down, then same, then up.
    worst: dict[str, object] = {"warning": True, "gap_days": 20.0, "highest": 9.0, "count": 0.0}
    assert answer(**worst) == "stop and call"
    worst["warning"] = False
    assert answer(**worst) == "restart"
    worst["gap_days"] = 0.0
    assert answer(**worst) == "down"
    worst["highest"] = 0.0
    assert answer(**worst) == "same"
    worst["count"] = 3.0
    assert answer(**worst) == "up"


def test_a_whole_caseload_is_judged_like_each_alone() -> None:
    cases: list[dict[str, object]] = [{}, {"warning": True}, {"gap_days": 14.0}, {"count": 1.0}]
    singles = [facts(**case) for case in cases]
    together = Facts(
        **{
            field.name: np.concatenate([getattr(one, field.name) for one in singles])
            for field in fields(Facts)
        }
    )
    codes = judge(together, LIMITS)
    assert [ANSWERS[int(code)] for code in codes] == ["up", "stop and call", "restart", "same"]
    assert codes.dtype == np.int8


def test_rules_come_from_the_most_careful_to_the_boldest() -> None:
    ceilings = [ceiling for _, ceiling, _ in rules_of(facts(), LIMITS)]
    assert ceilings == sorted(ceilings)
    names = [name for name, _, _ in rules_of(facts(), LIMITS)]
    assert len(names) == len(set(names))


def test_another_limit_moves_the_answer() -> None:
    strict = replace(LIMITS, adherence_pct=80.0)
    assert ANSWERS[int(judge(facts(), strict)[0])] == "same"
    assert Limits.of(real_book()) == LIMITS
    assert (LIMITS.safe, LIMITS.acceptable, LIMITS.usual_max) == (2, 5, 5)  # clin_s29c
    assert (LIMITS.gap_down, LIMITS.gap_restart, LIMITS.days) == (7, 14, 7)  # common practice
