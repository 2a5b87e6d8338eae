"""The running order: seated first, no gaps, fitted to the minutes by a stated priority."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.book import load_book
from rungwise.clinic import make_plan
from rungwise.core.session import kit_of, place_of, running_order, share_minutes
from rungwise.core.terms import Dose, Plan
from tests.factory import DAY, make_exam

BOOK = load_book()


def plan(minutes: float = 30.0) -> Plan:
    """The plan of the harmless examination."""
    return make_plan(make_exam(person={"minutes_per_day": minutes}), BOOK, DAY)


def test_moments_follow_each_other_to_the_second() -> None:
    session = plan().session
    assert session is not None
    clock = 0.0
    for moment in session.moments:
        assert moment.start_s == clock
        assert moment.seconds > 0
        clock += moment.seconds
    assert session.seconds == clock


def test_seated_comes_before_standing_and_the_place_changes_once() -> None:
    session = plan().session
    assert session is not None
    places = [m.place for m in session.moments if m.kind == "do"]
    assert places == sorted(places, key=["seat", "stand"].index)
    assert session.place_changes == 1


def test_every_set_of_every_foot_is_there() -> None:
    made = plan()
    assert made.session is not None
    for exercise in made.exercises:
        side = None if exercise.both else exercise.side
        sets = [
            m
            for m in made.session.moments
            if m.kind == "do" and m.family == exercise.family and m.side == side
        ]
        assert [m.set_no for m in sets] == list(range(1, exercise.dose.sets + 1))
        rep = exercise.dose.hold_s + exercise.dose.lift_s + exercise.dose.lower_s
        assert all(m.seconds == exercise.dose.reps * rep for m in sets)


def test_by_hand_one_family_takes_its_sum() -> None:
    # By hand: 10 presses of 5 s with 3 s between them for each foot, 80 s and 80 s; 10 s to change
    # feet; 30 s to lay out the cloth: 200 s.
    lines = [
        replace(e, dose=Dose(1, 10, 5.0, 1.0, 2.0, 30.0, 5))
        for e in plan().exercises
        if e.family == "toe_press"
    ]
    assert running_order(lines, BOOK, "left").seconds == 200
    # A second set of the first foot comes after the other foot's set, which is longer than its
    # rest: 10 s, 80 s, 10 s, 80 s more.
    twice = [replace(e, dose=replace(e.dose, sets=2)) for e in lines]
    assert running_order(twice, BOOK, "left").seconds == 380


FOUR = ("toe_press", "heel_raise", "arch_lift", "balance")


@given(st.floats(3, 40))
def test_it_fits_or_says_that_it_does_not(minutes: float) -> None:
    caps, cuts = share_minutes(FOUR, BOOK, minutes)
    rules = [cut.rule for cut in cuts]
    made = plan(minutes)
    assert made.session is not None
    assert made.session.seconds <= minutes * 60 or "session.too_long" in rules
    assert tuple(caps) == FOUR[: len(caps)]  # what is kept is what matters most
    assert len(FOUR) - len(caps) == rules.count("session.dropped")
    assert {e.family for e in made.exercises} == set(caps)
    assert all(e.dose_step <= caps[e.family] for e in made.exercises)


def test_more_minutes_never_cut_more() -> None:
    shares = [share_minutes(FOUR, BOOK, minutes)[0] for minutes in range(3, 40)]
    for less, more in pairwise(shares):
        assert all(more.get(family, 0) >= step for family, step in less.items())
    assert len(shares[0]) < len(shares[-1]) == len(FOUR)


def test_a_dose_set_by_the_therapist_is_not_cut() -> None:
    caps, cuts = share_minutes(FOUR, BOOK, 4.0, {"toe_press": 4})
    assert caps == {"toe_press": 4}
    assert cuts[-1].rule == "session.too_long"


def test_walking_has_its_own_time() -> None:
    made = make_plan(make_exam(wanted=("walking",), avoid=("balance",)), BOOK, date(2026, 3, 2))
    assert any(e.family == "walking" for e in made.exercises)
    assert made.session is not None
    assert "walking" not in made.session.order


def test_kit_is_fetched_before_it_is_used() -> None:
    made = plan()
    assert made.session is not None
    needed = frozenset().union(*(kit_of(e.fitted.rung, BOOK) for e in made.exercises))
    assert set(made.session.kit) == needed
    assert {place_of(e) for e in made.exercises} == {"seat", "stand"}


def test_nothing_gives_an_empty_session() -> None:
    session = running_order((), BOOK)
    assert session.seconds == 0
    assert session.moments == ()


def test_the_other_foot_works_while_one_rests() -> None:
    made = plan()
    assert made.session is not None
    presses = [m for m in made.session.moments if m.family == "toe_press" and m.kind == "do"]
    assert presses[0].side == "left"  # the less painful foot first
    assert [m.side for m in presses] == ["left", "right"]
    assert pytest.approx(presses[1].start_s - presses[0].start_s) == (
        presses[0].seconds + BOOK.value("session.swap_s")
    )
