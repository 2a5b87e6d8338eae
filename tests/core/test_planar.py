"""Closed forms of links, props and forces: printed tables, round trips, limits, a second way."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rungwise.core import planar
from rungwise.core.planar import (
    bend_from_cloth,
    bend_from_cloth_reach,
    bend_from_heel_height,
    bend_from_roll_at,
    bend_from_roll_touch,
    cloth_for_bend,
    heel_height,
    largest_roll_bend,
    loaded_thickness,
    middle_joint,
    place_of_roll,
    roll_for_bend,
    roll_sensitivities,
    toe_forces,
    touch_of_roll,
    turned,
)

HEAD, LEVER = 22.0, 189.0  # the reference foot, mm

bends = st.floats(0.0, 80.0)
heads = st.floats(0.0, 30.0)
touches = st.floats(1.0, 80.0)
levers = st.floats(100.0, 260.0)
diameters = st.floats(0.0, 60.0)


# ------------------------------------------------------------------ printed values

# Table "target / diameter / cloth / heel height" of the mechanics of the toe, §2.
PRINTED = [
    # bend, roll at s=45, roll at s=35, cloth edge 45, heel height with L=189
    (5, 4.0, 3.1, 3.9, 16.5),
    (10, 8.2, 6.5, 7.6, 33),
    (15, 12.6, 10.0, 11.3, 50),
    (20, 17.2, 13.7, 15.0, 66),
    (25, 22.1, 17.7, 18.7, 82),
    (30, 27.3, 21.9, 22.6, 97),
    (40, 38.6, 31.3, 31.0, 126),
]


@pytest.mark.parametrize(("bend", "roll_45", "roll_35", "cloth", "heel"), PRINTED)
def test_printed_table(
    bend: float, roll_45: float, roll_35: float, cloth: float, heel: float
) -> None:
    # within half a unit of the last printed digit, and a little for values rounded half down
    assert roll_for_bend(bend, 45.0, HEAD) == pytest.approx(roll_45, abs=0.051)
    assert roll_for_bend(bend, 35.0, HEAD) == pytest.approx(roll_35, abs=0.051)
    assert cloth_for_bend(bend, 45.0, HEAD) == pytest.approx(cloth, abs=0.051)
    # 16.56 is printed as 16.5 and 126.6 as 126: cut, not rounded
    assert 0.0 <= heel_height(bend, LEVER, HEAD) - heel + 0.5 <= 1.15


def test_printed_rolls_free_and_squashed() -> None:
    """§0.1, §2: a roll of 20/30/40/50 mm at 45 mm, and the same squashed by 30 %."""
    free = np.array([20.0, 30.0, 40.0, 50.0])
    assert np.round(bend_from_roll_touch(free, 45.0, HEAD)).tolist() == [23, 33, 41, 49]
    loaded = loaded_thickness(free, squash_mm=0.3 * free)
    assert bend_from_roll_touch(loaded, 45.0, HEAD) == pytest.approx([16, 24, 31, 37], abs=0.6)
    # "a 2 cm roll needs about 23 deg under the pad and still about 18 deg near the toe tip"
    assert round(float(bend_from_roll_touch(20.0, 60.0, HEAD))) == 18


def test_printed_thin_pad_rule() -> None:
    """§2: 15 mm at 45 mm: 19 deg by the rule of thumb, 18 to 21 deg exactly."""
    assert math.degrees(15 / 45) == pytest.approx(19, abs=0.2)
    assert 17.5 < bend_from_roll_touch(15.0, 45.0, HEAD) < bend_from_cloth(15.0, 45.0, HEAD) < 21


def test_printed_heel_height_is_almost_straight() -> None:
    """§0.3: 33 mm per 10 deg; 33/66/97/126 mm for 10/20/30/40 deg; 20 deg used as 15: 50 mm."""
    heights = heel_height(np.array([10.0, 20.0, 30.0, 40.0]), LEVER, HEAD)
    assert np.floor(heights).tolist() == [33, 65, 97, 126]
    assert heights == pytest.approx([33, 66, 97, 126], abs=0.7)
    assert round(float(heel_height(20.0 - 5.0, LEVER, HEAD))) == 50


def test_printed_sensitivities() -> None:
    """§0.2: 0.9-1.2 deg/mm at the same touch, 1.4-1.8 at the same place; 3-11 deg per cm.

    For 10 to 40 deg these are met at a touch of 45 mm (the first) and of 35 mm (the other two);
    at 45 mm the same place gives 1.1-1.3 deg/mm and 2-8 deg/cm, less than printed.
    """
    bend = np.array([10.0, 15.0, 20.0, 25.0, 30.0, 40.0])
    far = roll_sensitivities(roll_for_bend(bend, 45.0, HEAD), 45.0, HEAD)
    near = roll_sensitivities(roll_for_bend(bend, 35.0, HEAD), 35.0, HEAD)
    for found, low, high in (
        (far.diameter_at_touch, 0.82, 1.2),
        (near.diameter_at_place, 1.4, 1.8),
        (-10.0 * near.place, 2.75, 11.0),
        (far.diameter_at_place, 1.1, 1.3),
        (-10.0 * far.place, 2.0, 8.5),
    ):
        assert np.all((found > low) & (found < high))


def test_published_walking_forces() -> None:
    """mech_1 (n = 11, toe-off, barefoot): joint 0.80, sesamoids 0.44, resultant 0.93 body weights.

    A check of calibrated values: force 0.24, lever 43 mm and arm 15 mm were chosen with the joint
    force in view; sesamoids and resultant then follow from 40 deg.
    """
    forces = toe_forces(0.24, 43.0, 15.0, 40.0)
    assert forces.joint == pytest.approx(0.80, rel=0.15)
    assert forces.wrap == pytest.approx(0.44, rel=0.15)
    assert forces.resultant == pytest.approx(0.93, rel=0.15)
    # and as printed in §0.8 (0.73, 0.47, 0.87; the last from unrounded inputs)
    assert [forces.joint, forces.wrap, forces.resultant] == pytest.approx(
        [0.73, 0.47, 0.87], abs=0.01
    )


# ------------------------------------------------------------------ worked on paper


def test_right_triangles_by_hand() -> None:
    # no head: the bisector of the bend goes through the centre of the roll, tan(bend/2) = R/c
    assert bend_from_roll_at(6.0, 4.0, 0.0) == pytest.approx(2 * math.degrees(math.atan2(3, 4)))
    # no head: edge 4 in front, 3 high
    assert bend_from_cloth(3.0, 4.0, 0.0) == pytest.approx(math.degrees(math.atan2(3, 4)))
    # a lever of 5 lifted by 3
    assert bend_from_heel_height(3.0, 5.0, 0.0) == pytest.approx(math.degrees(math.asin(3 / 5)))
    assert heel_height(90.0, 5.0, 2.0) == pytest.approx(5.0 + 2.0)
    # a roll as large as the head touches it under a right angle
    assert largest_roll_bend(10.0, 5.0) == pytest.approx(90.0)
    assert bend_from_roll_at(10.0, 10.0, 5.0) == pytest.approx(90.0)


def test_statics_by_hand() -> None:
    forces = toe_forces(30.0, 40.0, 10.0, 90.0)
    assert forces.tension == pytest.approx(120.0)
    assert forces.joint == pytest.approx(math.hypot(120.0, 30.0))
    assert forces.wrap == pytest.approx(120.0 * math.sqrt(2.0))
    assert forces.resultant == pytest.approx(150.0)


@given(st.floats(0.0, 300.0), st.floats(0.0, 60.0), st.floats(5.0, 20.0), bends)
def test_statics_sum_to_zero(force: float, reach: float, arm: float, bend: float) -> None:
    """Second way: vectors. Tendon along the toe, then, round the head, along the other link."""
    forces = toe_forces(force, reach, arm, bend)
    theta = math.radians(bend)
    pull = float(forces.tension)
    along_toe = pull * np.array([math.cos(theta), math.sin(theta)])
    along_foot = pull * np.array([1.0, 0.0])
    assert forces.wrap == pytest.approx(np.linalg.norm(along_toe - along_foot), abs=1e-9)
    ground = np.array([0.0, force])
    assert forces.resultant == pytest.approx(np.linalg.norm(along_toe + ground), abs=1e-9)
    assert pull * arm == pytest.approx(force * reach)


# ------------------------------------------------------------------ inverses


@given(bends, touches, heads)
def test_roll_round_trip(bend: float, touch: float, head: float) -> None:
    diameter = roll_for_bend(bend, touch, head)
    assert bend_from_roll_touch(diameter, touch, head) == pytest.approx(bend, abs=1e-9)
    place = place_of_roll(diameter, touch, head)
    assert touch_of_roll(diameter, place, head) == pytest.approx(touch, abs=1e-9)
    assert bend_from_roll_at(diameter, place, head) == pytest.approx(bend, abs=1e-9)


@given(bends, st.floats(0.0, 1.0), heads)
def test_cloth_round_trip(bend: float, spare: float, head: float) -> None:
    edge = head * math.sin(math.radians(bend)) + 1.0 + 60.0 * spare
    thickness = cloth_for_bend(bend, edge, head)
    assert bend_from_cloth(thickness, edge, head) == pytest.approx(bend, abs=1e-9)


@given(bends, levers, heads)
def test_heel_round_trip(bend: float, lever: float, head: float) -> None:
    height = heel_height(bend, lever, head)
    assert bend_from_heel_height(height, lever, head) == pytest.approx(bend, abs=1e-9)


@given(st.floats(0.5, 60.0), touches, st.floats(1.0, 30.0))
def test_roll_second_way(diameter: float, touch: float, head: float) -> None:
    """The printed equivalent: atan2(R - a, c) + asin((a + R) / √(c² + (R - a)²))."""
    radius, place = diameter / 2, float(place_of_roll(diameter, touch, head))
    span = math.hypot(place, radius - head)
    assume((head + radius) / span < 1 - 1e-6)
    other = math.atan2(radius - head, place) + math.asin((head + radius) / span)
    assert bend_from_roll_at(diameter, place, head) == pytest.approx(math.degrees(other), abs=1e-6)


@given(st.floats(0.0, 120.0), levers, st.floats(1.0, 30.0))
def test_heel_second_way(height: float, lever: float, head: float) -> None:
    """The printed inverse: atan(a / L) + asin((h - a) / √(L² + a²))."""
    assume(height < lever)
    other = math.atan2(head, lever) + math.asin((height - head) / math.hypot(lever, head))
    assert bend_from_heel_height(height, lever, head) == pytest.approx(
        math.degrees(other), abs=1e-9
    )


@given(st.floats(0.5, 60.0), touches, heads)
def test_roll_touches_toe_and_floor(diameter: float, touch: float, head: float) -> None:
    """Second way: distance of the roll's centre from the toe's underside is its radius."""
    bend = math.radians(float(bend_from_roll_touch(diameter, touch, head)))
    place = float(place_of_roll(diameter, touch, head))
    across = -place * math.sin(bend) + (diameter / 2 - head) * math.cos(bend) + head
    assert across == pytest.approx(-diameter / 2, abs=1e-9)


# ------------------------------------------------------------------ limits


def test_nothing_gives_exactly_nothing() -> None:
    for head in (0.0, HEAD):
        assert bend_from_roll_at(0.0, 45.0, head) == 0.0
        assert bend_from_roll_at(0.0, 0.0, head) == 0.0
        assert bend_from_roll_touch(0.0, 45.0, head) == 0.0
        assert roll_for_bend(0.0, 45.0, head) == 0.0
        assert bend_from_cloth(0.0, 45.0, head) == 0.0
        assert cloth_for_bend(0.0, 45.0, head) == 0.0
        assert bend_from_heel_height(0.0, LEVER, head) == 0.0
        assert heel_height(0.0, LEVER, head) == 0.0
        assert bend_from_cloth_reach(0.0, -10.0, head, LEVER) == 0.0
    assert largest_roll_bend(0.0, 0.0) == 0.0
    assert roll_sensitivities(0.0, 45.0, HEAD).place == 0.0


@given(st.floats(1e-12, 1e-3), st.floats(10.0, 80.0), heads)
def test_small_angles_keep_their_digits(thickness: float, distance: float, head: float) -> None:
    thin = math.degrees(thickness / distance)
    for bend in (
        bend_from_roll_at(thickness, distance, head),
        bend_from_roll_touch(thickness, distance, head),
        bend_from_cloth(thickness, distance, head),
        bend_from_heel_height(thickness, distance, head),
    ):
        assert bend == pytest.approx(thin, rel=1e-3)
    assert roll_for_bend(thin, distance, head) == pytest.approx(thickness, rel=1e-3)


@given(diameters, st.floats(1.0, 80.0))
def test_without_a_head(diameter: float, place: float) -> None:
    bend = bend_from_roll_at(diameter, place, 0.0)
    assert bend == pytest.approx(2 * math.degrees(math.atan2(diameter / 2, place)))
    assert touch_of_roll(diameter, place, 0.0) == pytest.approx(place)


@given(st.floats(0.5, 60.0), st.floats(0.5, 30.0))
def test_roll_exists_up_to_the_head(diameter: float, head: float) -> None:
    """c² = 4 a R is the last place; there the bend is the largest, 2 atan √(R/a)."""
    last = 2 * math.sqrt(head * diameter / 2)
    assert bend_from_roll_at(diameter, last, head) == pytest.approx(
        float(largest_roll_bend(diameter, head)), abs=1e-4
    )
    assert math.isnan(bend_from_roll_at(diameter, last * 0.999, head))
    assert math.isnan(touch_of_roll(diameter, last * 0.999, head))


def test_no_position_is_nan_and_never_a_guess() -> None:
    nan: list[planar.Values] = [
        bend_from_roll_at(-1.0, 45.0, HEAD),
        bend_from_roll_touch(10.0, -1.0, HEAD),
        bend_from_roll_touch(10.0, 45.0, -1.0),
        roll_for_bend(-1.0, 45.0, HEAD),
        roll_for_bend(180.0, 45.0, HEAD),
        roll_for_bend(20.0, -45.0, HEAD),
        bend_from_cloth(10.0, 5.0, HEAD),
        cloth_for_bend(40.0, 0.99 * HEAD * math.sin(math.radians(40.0)), HEAD),
        cloth_for_bend(90.0, 45.0, HEAD),
        bend_from_heel_height(HEAD + math.hypot(LEVER, HEAD) + 0.1, LEVER, HEAD),
        heel_height(-1.0, LEVER, HEAD),
        loaded_thickness(10.0, squash_mm=7.0, sink_prop_mm=4.0),
        bend_from_roll_at(math.nan, 45.0, HEAD),
    ]
    assert all(math.isnan(value) for value in nan)
    assert not math.isnan(cloth_for_bend(40.0, HEAD * math.sin(math.radians(40.0)), HEAD))


@given(touches, heads)
def test_sensitivities_against_finite_differences(touch: float, head: float) -> None:
    diameter, step = 17.0, 1e-4
    place = place_of_roll(diameter, touch, head)
    partials = roll_sensitivities(diameter, touch, head)

    def slope(of: Callable[..., planar.Values], *at: planar.Values, by: int) -> float:
        up, down = list(at), list(at)
        up[by], down[by] = at[by] + step, at[by] - step
        return float(of(*up) - of(*down)) / (2 * step)

    assume(touch > 5.0)
    assume(head > 2 * step)
    place_at = (diameter, place, head)
    touch_at = (diameter, touch, head)
    for found, of, at, by in (
        (partials.diameter_at_place, bend_from_roll_at, place_at, 0),
        (partials.place, bend_from_roll_at, place_at, 1),
        (partials.head_at_place, bend_from_roll_at, place_at, 2),
        (partials.diameter_at_touch, bend_from_roll_touch, touch_at, 0),
        (partials.touch, bend_from_roll_touch, touch_at, 1),
        (partials.head_at_touch, bend_from_roll_touch, touch_at, 2),
    ):
        assert found == pytest.approx(slope(of, *at, by=by), rel=1e-5, abs=1e-7)


def test_sensitivity_is_not_told_where_the_roll_meets_the_head() -> None:
    assert math.isnan(roll_sensitivities(10.0, 0.0, HEAD).place)
    assert not math.isnan(roll_sensitivities(10.0, 0.0, HEAD).touch)


# ------------------------------------------------------------------ where the cloth lies


def test_cloth_further_back_bends_less_once_it_reaches_the_ball() -> None:
    """Common practice: further back (towards the heel) = less bend, forward under the toe = more.

    True for a cloth that begins under the ball of the foot: the ball comes up with the toe.
    """
    thickness = 8.0
    last = math.sqrt(thickness * (2 * HEAD - thickness))
    edges = np.linspace(-20.0, last, 60)
    bend = np.asarray(bend_from_cloth_reach(thickness, edges, HEAD, LEVER))
    assert np.all(np.diff(bend) >= 0.0)
    assert np.all(np.diff(bend)[edges[1:] > 0.0] > 0.0)
    assert bend[0] == pytest.approx(-2.4, abs=0.05)
    assert bend[-1] == pytest.approx(math.degrees(math.acos((HEAD - thickness) / HEAD)), abs=1e-4)


def test_cloth_under_the_toe_alone_bends_less_further_forward() -> None:
    """The other regime: the ball stays on the floor, and the same cloth further out bends less."""
    thickness = 8.0
    last = math.sqrt(thickness * (2 * HEAD - thickness))
    edges = np.linspace(last + 1e-6, 70.0, 60)
    bend = bend_from_cloth_reach(thickness, edges, HEAD, LEVER)
    assert np.all(np.diff(bend) < 0.0)
    assert bend == pytest.approx(bend_from_cloth(thickness, edges, HEAD))


@given(st.floats(0.5, 14.0), st.floats(15.0, 28.0), levers)
def test_cloth_regimes_run_into_each_other(tau: float, head: float, lever: float) -> None:
    last = math.sqrt(tau * (2 * head - tau))
    near = bend_from_cloth_reach(tau, last * (1 - 1e-9), head, lever)
    far = bend_from_cloth_reach(tau, last * (1 + 1e-9), head, lever)
    assert near == pytest.approx(far, abs=0.02)  # a square root starts there: steep, no jump
    assert bend_from_cloth_reach(tau, 1e-9, head, lever) == pytest.approx(
        float(bend_from_cloth_reach(tau, -1e-9, head, lever)), abs=1e-6
    )


@given(st.floats(0.5, 14.0), st.floats(0.0, 1.0), levers)
def test_cloth_under_the_ball_second_way(tau: float, part: float, lever: float) -> None:
    """Rebuild the position: head on the edge, far end on the floor, link tangent at the edge."""
    edge = part * math.sqrt(tau * (2 * HEAD - tau)) * (1 - 1e-6)
    bend = float(bend_from_cloth_reach(tau, edge, HEAD, lever))
    axis = (0.0, tau + math.sqrt(HEAD**2 - edge**2))
    link = math.degrees(math.asin(edge / HEAD))
    far = turned((-lever, axis[1] - HEAD), axis, link - bend)
    assert far[1] == pytest.approx(0.0, abs=1e-9)
    assert math.dist(axis, (edge, tau)) == pytest.approx(HEAD)


def test_a_cloth_thicker_than_the_axis_is_high_has_no_perch() -> None:
    assert math.isnan(bend_from_cloth_reach(25.0, 5.0, 22.0, LEVER))
    assert bend_from_cloth_reach(25.0, 45.0, 22.0, LEVER) == bend_from_cloth(25.0, 45.0, 22.0)
    assert bend_from_cloth_reach(25.0, -5.0, 22.0, LEVER) < 0.0
    assert math.isnan(bend_from_cloth_reach(23.0, 21.0, 22.0, LEVER))
    assert math.isnan(bend_from_cloth_reach(8.0, -1.0, 22.0, 0.0))


# ------------------------------------------------------------------ properties


@given(st.floats(0.5, 10.0), st.floats(0.0, 30.0), touches, heads, levers)
def test_double_all_lengths_same_bend(
    factor: float, size: float, touch: float, head: float, lever: float
) -> None:
    k = factor
    pairs = (
        (bend_from_roll_at(size, touch, head), bend_from_roll_at(k * size, k * touch, k * head)),
        (
            bend_from_roll_touch(size, touch, head),
            bend_from_roll_touch(k * size, k * touch, k * head),
        ),
        (bend_from_cloth(size, touch, head), bend_from_cloth(k * size, k * touch, k * head)),
        (
            bend_from_heel_height(size, lever, head),
            bend_from_heel_height(k * size, k * lever, k * head),
        ),
    )
    for one, scaled in pairs:
        assert scaled == pytest.approx(one, abs=1e-5, nan_ok=True)


@given(bends, touches, heads, levers)
def test_sizes_grow_with_bend_and_lengths(
    bend: float, touch: float, head: float, lever: float
) -> None:
    assert roll_for_bend(bend + 1, touch, head) > roll_for_bend(bend, touch, head)
    assert roll_for_bend(bend + 1, touch + 1, head) > roll_for_bend(bend + 1, touch, head)
    assert heel_height(bend + 1, lever, head) > heel_height(bend, lever, head)
    assert heel_height(bend + 1, lever + 1, head) > heel_height(bend + 1, lever, head)
    assert heel_height(bend + 1, lever, head + 1) > heel_height(bend + 1, lever, head)


@given(st.lists(st.tuples(diameters, touches, heads), min_size=1, max_size=5))
def test_arrays_answer_as_their_parts(cases: list[tuple[float, float, float]]) -> None:
    columns = [np.array(column) for column in zip(*cases, strict=True)]
    for verb in (bend_from_roll_at, bend_from_roll_touch, bend_from_cloth, place_of_roll):
        together = verb(*columns)
        alone = [verb(*case) for case in cases]
        np.testing.assert_array_equal(together, alone)
    reach = bend_from_cloth_reach(columns[0], columns[1] - 20.0, columns[2], LEVER)
    np.testing.assert_array_equal(
        reach, [bend_from_cloth_reach(d, s - 20.0, a, LEVER) for d, s, a in cases]
    )
    grid = bend_from_roll_touch(columns[0][:, None], np.array([30.0, 45.0]), HEAD)
    assert isinstance(grid, np.ndarray)
    assert grid.shape == (len(cases), 2)


@given(st.floats(0.1, 1.0), st.floats(0.1, 1.0), st.floats(0.0, 1.0), st.floats(-3.0, 3.0))
def test_middle_joint_keeps_both_links(
    first: float, second: float, part: float, way: float
) -> None:
    span = abs(first - second) + part * (first + second - abs(first - second))
    assume(span > 1e-6)
    end = (span * math.cos(way), span * math.sin(way))
    joint = middle_joint((0.0, 0.0), end, first, second)
    assert math.hypot(*joint) == pytest.approx(first, abs=1e-7)
    assert math.dist(joint, end) == pytest.approx(second, abs=1e-7)
    cross = end[0] * joint[1] - end[1] * joint[0]
    assert (cross * end[1] <= 1e-9) or abs(end[1]) < 1e-6  # on the forward side


def test_links_too_short_have_no_joint() -> None:
    assert math.isnan(middle_joint((0.0, 0.0), (3.0, 0.0), 1.0, 1.0)[0])
    assert math.isnan(middle_joint((0.0, 0.0), (0.0, 0.0), 1.0, 1.0)[0])


@given(st.floats(-360.0, 360.0), st.floats(-2.0, 2.0), st.floats(-2.0, 2.0))
def test_turning_keeps_distance_and_comes_back(angle: float, x: float, y: float) -> None:
    about = (0.3, -0.2)
    there = turned((x, y), about, angle)
    assert math.dist(there, about) == pytest.approx(math.dist((x, y), about), abs=1e-12)
    assert turned(there, about, -angle) == pytest.approx((x, y), abs=1e-12)
