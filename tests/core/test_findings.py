"""What a patient is told to mind: by the flags of the screen and by what the plan lets them do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rungwise.book import load_book
from rungwise.clinic import make_plan
from rungwise.core.findings import cautions, found, unfinished
from rungwise.core.terms import Plan
from tests.factory import DAY, make_exam

BOOK = load_book()
ONE_FALL = {"answers": {"falls": "yes"}, "details": {"falls": {"last_year": 1, "injury": False}}}
UNSTEADY, BRUISE = ("unsteady", None), ("bruise", None)


def plan_of(**exam: Any) -> Plan:
    """The plan of the harmless examination with changes."""
    return make_plan(make_exam(**exam), BOOK, DAY)


# clinical evidence, R18 to R23: what each of them asks for at home
@pytest.mark.parametrize(
    ("exam", "told"),
    [
        ({}, ()),
        (ONE_FALL, (UNSTEADY,)),
        ({"answers": {"fragility_fracture": "yes"}}, (UNSTEADY,)),
        ({"answers": {"late_pregnancy": "yes"}}, (UNSTEADY,)),
        ({"answers": {"blood_thinner": "yes"}}, (UNSTEADY, BRUISE)),
    ],
)
def test_falls_bleeding_thin_bones_and_pregnancy_are_told(exam: Any, told: Any) -> None:
    plan = plan_of(**exam)
    assert any("standing" in e.fitted.rung.tags for e in plan.exercises)
    assert cautions(plan) == told


def test_a_hand_on_a_support_is_told_to_those_only_who_stand() -> None:
    plan = plan_of(answers={"blood_thinner": "yes"})
    seated = [e for e in plan.exercises if "standing" not in e.fitted.rung.tags]
    assert cautions(replace(plan, exercises=tuple(seated))) == (BRUISE,)
    many = plan_of(answers={"falls": "yes"})  # how many is not known: only parts without weight
    assert many.exercises
    assert cautions(many) == ()
    assert found(many, "review") == {"falls": (None,)}


def test_nothing_is_to_be_minded_without_exercises() -> None:
    plan = plan_of(answers={"blood_thinner": "yes", "broken_skin": "both"})
    assert plan.exercises == ()
    assert cautions(plan) == ()
    assert found(plan, "urgent") == {"broken_skin": ("right", "left")}


def test_a_caution_counts_as_a_stop_only_when_it_forbids_exercise_at_home() -> None:
    assert found(plan_of(answers={"blood_thinner": "yes"}), "caution") == {}
    alone = plan_of(answers={"cannot_self_monitor": "yes"})
    assert found(alone, "caution") == {"cannot_self_monitor": (None,)}


def test_a_foot_that_was_not_examined_is_unfinished() -> None:
    assert unfinished(plan_of()) == ()
    assert unfinished(plan_of(left={"sensation": None})) == ("left",)
    assert unfinished(plan_of(answers={"broken_skin": "left"})) == ()
