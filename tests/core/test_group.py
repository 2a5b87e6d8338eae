"""A class: who was not examined is kept from harm by rule, and the order holds to the second."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.book import load_book
from rungwise.core import first_mtp
from rungwise.core.errors import InputError
from rungwise.core.group import (
    Choice,
    GroupClass,
    class_rungs,
    make_class,
    read_choices,
    reference_body,
)
from rungwise.core.ladder import rungs_of
from rungwise.core.session import place_of
from rungwise.core.terms import Rung

BOOK = load_book()
RUNGS = {r.name: r for family in BOOK.priority for r in rungs_of(BOOK.families[family])}
WAYS = dict(class_rungs(first_mtp, BOOK))
MAY = sorted(name for name, why in WAYS.items() if not why)
USUAL = (
    "toe_press:ball_on_cloth/light/seated",
    "heel_raise:hands_60/half=3",
    "arch_lift:seated",
    "balance:hand/feet_together/firm",
)


def made(*texts: str, people: int = 8, minutes: float | None = None) -> GroupClass:
    return make_class(read_choices(texts, BOOK), first_mtp, BOOK, people, minutes)


def choices(names: list[str], steps: list[int]) -> tuple[Choice, ...]:
    """At most four rungs, one of a family in each place."""
    kept: dict[tuple[str, bool], Choice] = {}
    for name, step in zip(names, steps, strict=True):
        rung = RUNGS[name]
        last = len(BOOK.families[rung.family].doses)
        kept.setdefault((rung.family, "standing" in rung.tags), Choice(rung, min(step, last)))
    return tuple(kept.values())[:4]


CLASSES = st.lists(st.tuples(st.sampled_from(sorted(RUNGS)), st.integers(1, 5)), min_size=1).map(
    lambda pairs: choices([name for name, _ in pairs], [step for _, step in pairs])
)


# ------------------------------------------------------------------ what may never be done


def dangerous(rung: Rung) -> bool:
    """The same limits a second time, read off the exercise files alone (own_assumption)."""
    holding = rung.settings.get("hands") == "hand" or float(rung.settings.get("hands_share", 0)) > 0
    return bool(
        float(rung.settings.get("bend_share", 0)) > 0.5
        or rung.tags & {"one_leg", "hands_free", "soft"}
        or rung.family == "walking"
        or ("standing" in rung.tags and not holding and rung.family != "toe_press")
    )


def test_a_rung_may_join_exactly_if_nothing_about_it_is_dangerous() -> None:
    assert set(WAYS) == set(RUNGS)
    assert len(MAY) == 22
    for name, rung in RUNGS.items():
        assert bool(WAYS[name]) == dangerous(rung), name


@pytest.mark.parametrize(
    ("name", "rules"),
    [
        ("toe_press:full/light/seated", {"class.bend"}),
        ("heel_raise:hands_60/three_quarters", {"class.bend"}),
        ("heel_raise:one_leg/half", {"class.tier", "class.not.one_leg", "class.not.hands_free"}),
        ("arch_lift:standing", {"class.not.hands_free"}),
        ("balance:hand/feet_together/soft", {"class.not.soft"}),
        ("balance:fingertips/tandem/firm", {"class.not.hands_free"}),
        ("calf_stretch:wall", {"class.no_hold"}),
        ("walking:five/flat", {"class.tier", "class.no_hold"}),
    ],
)
def test_each_rule_says_why(name: str, rules: set[str]) -> None:
    group = made(name, "toe_bend:half")
    assert [left.what for left in group.left_out] == [name]
    found = {reason.rule for reason in group.left_out[0].reasons}
    assert found == rules
    assert all(reason.sources and reason.says for reason in group.left_out[0].reasons)
    assert {e.family for e in group.exercises} == {"toe_bend"}


def test_no_high_load_joins() -> None:
    body = reference_body(BOOK)
    assert {first_mtp.loads(RUNGS[name], body, BOOK).tier for name in MAY} == {1, 2}


def test_nothing_left_is_a_class_without_exercises() -> None:
    group = made("balance:near/one_leg/soft")
    assert group.exercises == ()
    assert len(group.left_out) == 1
    assert group.session.moments == ()


def test_what_an_examination_would_have_found_is_told() -> None:
    notes = {(n.rule, dict(n.inputs)["what"]) for n in made(*USUAL).notes}
    assert ("class.look_first", "arch lift:seated") in notes
    assert ("class.not_first", "heel raise:hands 60/half") in notes
    assert ("class.own_size", "heel raise:hands 60/half") in notes
    assert not any(what.startswith("toe press") for _, what in notes)


def test_the_body_of_the_pictures_is_of_middle_lengths() -> None:
    body = reference_body(BOOK)
    # by hand: 0.1412 x 1650 mm = 232.98 mm; 0.73, 0.27 and 0.085 of it
    assert math.isclose(body.foot_length_mm, 232.98)
    assert math.isclose(body.heel_to_mtp_mm + body.hallux_mm, body.foot_length_mm)
    assert math.isclose(body.mtp_height_mm, 19.8033)
    assert body.mass_kg is None


# ------------------------------------------------------------------ what when


def test_a_class_by_hand() -> None:
    # doses.csv: toe press 5 x (1 + 5 + 2) s = 40 s a foot; 10 s to change feet; opening 120 s,
    # first thing 30 s, closing 60 s
    group = made("toe_press:ball_on_cloth/light/seated", people=3)
    assert [(m.start_s, m.seconds, m.kind, m.side) for m in group.moments] == [
        (120, 30, "fetch", None),
        (150, 40, "do", "right"),
        (190, 10, "rest", None),
        (200, 40, "do", "left"),
    ]
    assert group.seconds == 300
    assert group.kit == (("chair", 3), ("cloth", 3))


@given(CLASSES)
def test_order_of_any_class(chosen: tuple[Choice, ...]) -> None:
    group = make_class(chosen, first_mtp, BOOK, 8)
    assert {left.what for left in group.left_out} == {
        c.rung.name for c in chosen if WAYS[c.rung.name]
    }
    if not group.exercises:
        return
    clock = group.opening_s
    for moment in group.moments:
        assert moment.start_s == clock
        clock += moment.seconds
    assert group.seconds == clock + group.closing_s
    places = [m.place for m in group.moments if m.kind == "do"]
    assert places == sorted(places)  # "seat" before "stand"
    for one, two in pairwise(m for m in group.moments if m.kind == "do"):
        assert two.start_s > one.start_s + one.seconds  # time to change in between
    for block in group.blocks:
        sides = {m.side for m in group.moments if (m.family, m.place) == block and m.kind == "do"}
        both = group.lines(*block)[0].both
        assert sides == ({None} if both else {"right", "left"})
        assert all(e.fitted.side == e.side and place_of(e) == block[1] for e in group.lines(*block))


# ------------------------------------------------------------------ what was asked for


def faults(*texts: str, people: int = 8, minutes: float | None = None) -> list[tuple[str, str]]:
    with pytest.raises(InputError) as caught:
        made(*texts, people=people, minutes=minutes)
    return [(fault.field, str(fault)) for fault in caught.value.faults]


def test_near_names_of_an_unknown_rung() -> None:
    found = faults("heel_rase:seated/half", "toe_press:seated", "zzz")
    assert [field for field, _ in found] == ["rung"] * 3
    assert "Did you mean heel_raise:seated/half" in found[0][1]
    assert found[1][1].count("toe_press:") >= 3
    assert "rungwise class" in found[2][1]


@pytest.mark.parametrize("dose", ["0", "6", "x", "", "-1", "1.5", "²"])
def test_a_dose_that_is_not_there(dose: str) -> None:
    assert "1 to 5" in faults(f"heel_raise:seated/half={dose}")[0][1]


def test_a_dose_is_a_step_of_the_list() -> None:
    assert made("balance:hand/tandem/firm=5").exercises[0].dose.hold_s == 60
    assert made("balance:hand/tandem/firm").exercises[0].dose_step == 1


def test_a_family_twice_in_one_place_and_too_many() -> None:
    assert (
        "one rung of a family" in faults("heel_raise:seated/half", "heel_raise:seated/full")[0][1]
    )
    assert "at most 4" in faults(*USUAL, "toe_bend:half")[0][1]


@pytest.mark.parametrize("people", [0, 13, -1])
def test_as_many_as_one_can_see(people: int) -> None:
    assert "1 to 12" in faults(USUAL[0], people=people)[0][1]


@pytest.mark.parametrize("minutes", [4.99, 0.0, float("nan")])
def test_too_little_time_names_what_is_needed(minutes: float) -> None:
    assert "at least 5 min" in faults(USUAL[0], minutes=minutes)[0][1]
    assert made(USUAL[0], minutes=5.0).seconds == 300
