"""The ladder: a partial order in which one step raises one demand."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import pytest

from rungwise.book import load_book
from rungwise.core import first_mtp
from rungwise.core.ladder import Ladder, build_ladder, harder_than, rungs_of
from rungwise.core.terms import Fitted
from tests.factory import make_exam

BOOK = load_book()
FAMILIES = tuple(BOOK.families)


def ladder(**changes: object) -> Ladder:
    """A ladder of the right foot, with a changed body."""
    built = build_ladder(first_mtp, make_exam(), "right", BOOK)
    return Ladder(first_mtp, replace(built.body, **changes), "right", BOOK)  # type: ignore[arg-type]


def body_of_size(foot_mm: float, bend_deg: float) -> Ladder:
    """A ladder of a foot of this length, in the body's own proportions."""
    lever = BOOK.value("body.heel_to_mtp_per_foot_length") * foot_mm
    return ladder(
        foot_length_mm=foot_mm,
        heel_to_mtp_mm=lever,
        hallux_mm=foot_mm - lever,
        mtp_height_mm=BOOK.value("body.mtp_height_per_foot_length") * foot_mm,
        foot_width_mm=BOOK.value("body.foot_width_per_foot_length") * foot_mm,
        bend_available_deg=bend_deg,
    )


@pytest.mark.parametrize("family", FAMILIES)
def test_harder_than_has_no_cycle_and_is_transitive(family: str) -> None:
    rungs = rungs_of(BOOK.families[family])
    for a, b in combinations(rungs, 2):
        assert not (harder_than(a, b) and harder_than(b, a))
    for a in rungs:
        above = [r for r in rungs if harder_than(r, a)]
        for b in above:
            assert all(harder_than(c, a) for c in rungs if harder_than(c, b))


def test_across_families_nothing_is_harder() -> None:
    for one, two in combinations(FAMILIES, 2):
        for a in rungs_of(BOOK.families[one]):
            assert not any(harder_than(a, b) for b in rungs_of(BOOK.families[two]))


def no_demand_lower(up: Fitted, down: Fitted) -> bool:
    """Whether a rung asks at least as much of bend and load as another."""
    return (
        up.demand.bend_deg >= down.demand.bend_deg - 1e-9
        and up.loads.share_high >= down.loads.share_high - 1e-9
    )


@pytest.mark.parametrize("family", [f for f in FAMILIES if f != "balance"])
def test_a_harder_rung_never_asks_less_of_bend_or_load(family: str) -> None:
    # DESIGN rule: the order of the dials must agree with the demands computed for the joint.
    # (Balance is ordered by base and hands; its hand dial eases the load by design.)
    for foot, bend in ((200, 8), (242, 20), (320, 55)):
        built = body_of_size(foot, bend)
        fits = [f for r in built.rungs(family) if not (f := built.at(family, r.places)).problems]
        for a, b in combinations(fits, 2):
            if harder_than(a.rung, b.rung):
                assert no_demand_lower(a, b), (a.rung.name, b.rung.name)
            if harder_than(b.rung, a.rung):
                assert no_demand_lower(b, a), (b.rung.name, a.rung.name)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("bend", [6.0, 15.0, 30.0, 60.0])
def test_one_step_up_never_raises_bend_and_load_tier_at_once(family: str, bend: float) -> None:
    # Own rule: the model is blind to the end of the movement, so a step never raises both at once.
    built = body_of_size(250, bend)
    steps = 0
    for rung in built.rungs(family):
        here = built.at(family, rung.places)
        if here.problems:
            continue
        for up in built.steps_up(rung):
            steps += 1
            more_bend = up.demand.bend_deg > here.demand.bend_deg + 1e-9
            more_load = up.demand.tier > here.demand.tier
            assert not (more_bend and more_load), (here.rung.name, up.rung.name)
    possible = [r for r in built.rungs(family) if not built.at(family, r.places).problems]
    assert steps or len(possible) < 2


@pytest.mark.parametrize("foot_mm", range(200, 321, 20))
@pytest.mark.parametrize("bend_deg", [5.0, 10.0, 20.0, 35.0, 60.0])
def test_every_rung_is_reachable_or_flagged(foot_mm: int, bend_deg: float) -> None:
    built = body_of_size(float(foot_mm), bend_deg)
    for family in FAMILIES:
        rungs = built.rungs(family)
        fits = {r.places: built.at(family, r.places) for r in rungs}
        possible = {places for places, fitted in fits.items() if not fitted.problems}
        for fitted in fits.values():
            for problem in fitted.problems:
                assert built.book.reason(problem).says
        if not possible:
            continue
        easiest = min(possible, key=sum)
        reached, ahead = {easiest}, [easiest]
        while ahead:
            here = ahead.pop()
            rung = fits[here].rung
            for step in (*built.steps_up(rung), *built.steps_down(rung)):
                if step.rung.places not in reached:
                    reached.add(step.rung.places)
                    ahead.append(step.rung.places)
        assert reached == possible, (family, sorted(possible - reached))


def test_steps_turn_one_dial_only() -> None:
    built = ladder(bend_available_deg=30.0)
    for family in FAMILIES:
        for rung in built.rungs(family):
            for up in built.steps_up(rung):
                changed = [x != y for x, y in zip(rung.places, up.rung.places, strict=True)]
                assert sum(changed) == 1
                assert harder_than(up.rung, rung)


def test_each_dial_raises_the_demand_it_names() -> None:
    # A bend dial never changes the load tier; a load dial never changes the bend.
    built = ladder(bend_available_deg=30.0)
    for family in BOOK.families.values():
        if family.key == "walking":  # its bend is not computed (no closed form holds for walking)
            continue
        for rung in built.rungs(family.key):
            here = built.at(family.key, rung.places)
            for up in built.steps_up(rung):
                index = next(
                    i
                    for i, (x, y) in enumerate(zip(rung.places, up.rung.places, strict=True))
                    if x != y
                )
                raises = family.dials[index].raises
                if raises == "bend":
                    assert up.demand.bend_deg > here.demand.bend_deg
                    assert up.demand.tier == here.demand.tier
                else:
                    assert up.demand.bend_deg == pytest.approx(here.demand.bend_deg)
                if raises == "load":
                    assert up.loads.share_high > here.loads.share_high


def test_every_variation_of_the_design_is_a_rung_or_a_setting() -> None:
    # DESIGN §5: each variation named there exists.
    settings = {
        (f, k, v)
        for f in FAMILIES
        for r in rungs_of(BOOK.families[f])
        for k, v in r.settings.items()
    }
    for wanted in (
        ("toe_press", "ball_on_cloth", True),
        ("heel_raise", "hands_share", 0.60),
        ("heel_raise", "hands_share", 0.30),
        ("heel_raise", "squeeze", True),
        ("heel_raise", "legs", 1),
        ("arch_lift", "feel_arch", True),
        ("arch_lift", "legs", 1),
        ("balance", "stance", "semi_tandem"),
        ("balance", "surface", "soft"),
        ("balance", "hands", "hand"),
        ("walking", "terrain", "stairs"),
    ):
        assert wanted in settings
