"""The running order: seated first, no gaps, fitted to the minutes by a stated priority."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.book import load_book
from rungwise.clinic import make_plan
from rungwise.core.session import fit_minutes, kit_of, place_of, running_order
from rungwise.core.terms import Plan
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
    # By hand from the book: toe press, second dose (10 x (5 + 1 + 2) s) for the left foot and
    # first or second for the right, one swap of feet, one laying out of kit.
    lines = [e for e in plan().exercises if e.family == "toe_press"]
    session = running_order(lines, BOOK, "left")
    works = sum(e.dose.reps * (e.dose.hold_s + e.dose.lift_s + e.dose.lower_s) for e in lines)
    extra = BOOK.value("session.change_kit_s") + BOOK.value("session.swap_s")
    assert session.seconds == works + extra


@given(st.floats(3, 40))
def test_it_fits_or_says_that_it_does_not(minutes: float) -> None:
    made = plan(60.0)
    kept, session = fit_minutes(made.exercises, BOOK, minutes)
    rules = [r.rule for r in session.dropped]
    assert session.seconds <= minutes * 60 or "session.too_long" in rules
    lost = {e.family for e in made.exercises} - {e.family for e in kept}
    told = {
        dict(r.inputs)["what"].replace(" ", "_")
        for r in session.dropped
        if r.rule == "session.dropped"
    }
    assert lost == told
    # what is kept is what matters most
    kept_places = [BOOK.priority.index(e.family) for e in kept]
    assert all(BOOK.priority.index(f) > max(kept_places) for f in lost)


def test_more_minutes_never_drop_more() -> None:
    made = plan(60.0)
    sizes = [len(fit_minutes(made.exercises, BOOK, m)[0]) for m in range(3, 40)]
    assert sizes == sorted(sizes)


def test_walking_has_its_own_time() -> None:
    made = make_plan(make_exam(wanted=("walking",), avoid=("balance",)), BOOK, date(2026, 3, 2))
    assert any(e.family == "walking" for e in made.exercises)
    assert made.session is not None
    assert "walking" not in made.session.order


def test_kit_is_fetched_before_it_is_used() -> None:
    made = plan()
    assert made.session is not None
    needed = frozenset().union(*(kit_of(e, BOOK) for e in made.exercises))
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
