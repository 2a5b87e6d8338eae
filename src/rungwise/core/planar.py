"""Links, props and forces in the sagittal plane: closed forms and their exact inverses.

The module knows no anatomy. It knows a hinge whose axis stands `head` above the floor, a round head
of that radius about the axis, and two straight links that leave the head as tangents: a long one
backward (its far end is the "lever" away) and a short one forward. The *bend* is the angle between
the two links, counted from both lying flat on the floor, positive when the forward link turns up.

    roll   a cylinder on the floor under the forward link; the other link lies flat
    cloth  a flat layer under the forward link; its near edge carries the link
    heel   the far end of the backward link is lifted; the forward link lies flat

Every function takes scalars or arrays, broadcasts them, and answers NaN where no such position
exists (or where an input is negative). Nothing bent and nothing under the link gives exactly 0.

Written with t = tan(bend / 2) each of these is a quadratic in t. Its small root is taken as
``2c / (b + sqrt(b^2 - 4ac))``, which loses no digits near zero and needs no special case there.

Lengths in [mm], angles in [deg]; metres, x forward and y up, only inside `Pose` and `Prop`.

Sources
-------
Derived here; tests/core/test_mujoco_oracle.py checks them against a rigid-body engine.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

__all__ = [
    "Point",
    "Pose",
    "Prop",
    "RollSensitivities",
    "ToeForces",
    "Values",
    "bend_from_cloth",
    "bend_from_cloth_reach",
    "bend_from_heel_height",
    "bend_from_roll_at",
    "bend_from_roll_touch",
    "cloth_for_bend",
    "heel_height",
    "largest_roll_bend",
    "loaded_thickness",
    "middle_joint",
    "place_of_roll",
    "roll_for_bend",
    "roll_sensitivities",
    "toe_forces",
    "touch_of_roll",
    "turned",
]

Values: TypeAlias = "float | npt.NDArray[np.float64]"
Point: TypeAlias = tuple[float, float]
_Mask: TypeAlias = "npt.NDArray[np.bool_]"

_ROUND_OFF = 1e-14
"""Relative size below which a negative square is rounding, so that a limit itself still counts."""


@dataclass(frozen=True, slots=True)
class Prop:
    """A thing the body touches.

    Parameters
    ----------
    kind : str
        roll, cloth, block, mat, chair_seat, counter or ball.
    points : tuple of (x, y)
        Centre of a roll or ball; corners, counter-clockwise, of the others [m].
    radius_m : float
        Radius of a roll or ball [m]; 0 for the others.
    """

    kind: str
    points: tuple[Point, ...]
    radius_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Pose:
    """Where everything is in one position of one exercise, seen from the side.

    Parameters
    ----------
    points : mapping of str to (x, y)
        Named points [m], x forward, y up, floor at y = 0.
    links : tuple of (str, str)
        Pairs of point names to be drawn as one line.
    props : tuple of Prop
        What is touched.
    bend_deg : float
        Bend of the hinge in this pose [deg].
    sizes_mm : mapping of str to float
        The lengths a patient is told [mm].
    problems : tuple of str
        Rule ids that say why the pose cannot be used; empty if it can.
    bend_high_deg : float
        Bend that the same sizes give at the worse end of what is not known exactly [deg].
    """

    points: Mapping[str, Point]
    links: tuple[tuple[str, str], ...]
    props: tuple[Prop, ...]
    bend_deg: float
    sizes_mm: Mapping[str, float] = field(default_factory=dict)
    problems: tuple[str, ...] = ()
    bend_high_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class RollSensitivities:
    """How many degrees the bend over a roll moves per millimetre [deg/mm].

    The first three hold the place on the floor fixed, the last three the touch along the link.
    """

    diameter_at_place: Values
    place: Values
    head_at_place: Values
    diameter_at_touch: Values
    touch: Values
    head_at_touch: Values


@dataclass(frozen=True, slots=True)
class ToeForces:
    """Forces at the hinge of the forward link, in the unit of the force put in.

    Attributes
    ----------
    tension : pull of the tendons under the hinge.
    joint : push of the link along and across on the head, both together.
    wrap : push of the tendon on the head, where it bends round it.
    resultant : all that acts on the head.
    """

    tension: Values
    joint: Values
    wrap: Values
    resultant: Values


def _root(square: Values, scale: Values, valid: _Mask) -> Values:
    """Square root where `valid`, else NaN; a hair below zero (against `scale`) is zero."""
    possible = np.logical_and(valid, np.greater_equal(square, -_ROUND_OFF * scale))
    root: Values = np.sqrt(np.where(possible, np.maximum(square, 0.0), np.nan))
    return root


def _bend(tan_half_over: Values, tan_half_under: Values) -> Values:
    """Angle [deg] whose half has the tangent over/under; 0/0 is 0."""
    bend: Values = np.degrees(2.0 * np.arctan2(tan_half_over, tan_half_under))
    return bend


def _tan_half(bend_deg: Values) -> Values:
    """Tangent of half the bend; NaN for a negative bend or a bend of half a turn and more."""
    inside = np.logical_and(np.greater_equal(bend_deg, 0.0), np.less(bend_deg, 180.0))
    t: Values = np.tan(np.radians(np.where(inside, bend_deg, np.nan)) / 2.0)
    return t


def _all_at_least_zero(*lengths: Values) -> _Mask:
    """True where every length is zero or more (NaN is not)."""
    answer: _Mask = np.greater_equal(lengths[0], 0.0)
    for length in lengths[1:]:
        answer = np.logical_and(answer, np.greater_equal(length, 0.0))
    return answer


def bend_from_roll_at(diameter_mm: Values, place_mm: Values, head_mm: Values) -> Values:
    """Bend that a roll makes when its centre lies a known floor distance in front of the axis.

    Parameters
    ----------
    diameter_mm : float or array
        Diameter of the roll under load [mm], >= 0.
    place_mm : float or array
        Floor distance of its centre in front of the axis [mm], >= 0.
    head_mm : float or array
        Height of the axis, radius of the head [mm], >= 0.

    Returns
    -------
    float or array
        Bend [deg]; NaN if place² < 2 head diameter: the roll would be under the head.

    Notes
    -----
    Link and floor are tangent to the head (radius a) and to the roll (radius R) and meet at a t in
    front of the axis, so c = a t + R / t.  With no head (a = 0) this is 2 atan(R / c).

    Examples
    --------
    >>> float(round(bend_from_roll_at(20.0, 50.0, 0.0), 3))
    22.62
    """
    return _bend(diameter_mm, place_mm + touch_of_roll(diameter_mm, place_mm, head_mm))


def bend_from_roll_touch(diameter_mm: Values, touch_mm: Values, head_mm: Values) -> Values:
    """Bend that a roll makes when it touches the link a known distance along it.

    Parameters
    ----------
    diameter_mm : float or array
        Diameter of the roll under load [mm], >= 0.
    touch_mm : float or array
        Distance of the touch from the axis, along the link [mm], >= 0.
    head_mm : float or array
        Height of the axis [mm], >= 0.

    Returns
    -------
    float or array
        Bend [deg].

    Examples
    --------
    >>> float(round(bend_from_roll_touch(40.0, 45.0, 22.0), 1))
    41.2
    """
    return _bend(diameter_mm, touch_mm + place_of_roll(diameter_mm, touch_mm, head_mm))


def roll_for_bend(bend_deg: Values, touch_mm: Values, head_mm: Values) -> Values:
    """Diameter [mm] of the roll that gives this bend when it touches `touch_mm` along the link.

    Inverse of `bend_from_roll_touch`: D = 2 t (s + a t).

    Examples
    --------
    >>> float(round(roll_for_bend(20.0, 45.0, 22.0), 1))
    17.2
    """
    t = _tan_half(bend_deg)
    diameter: Values = np.where(
        _all_at_least_zero(touch_mm, head_mm),
        2.0 * t * (touch_mm + head_mm * t),
        np.nan,
    )[()]
    return diameter


def place_of_roll(diameter_mm: Values, touch_mm: Values, head_mm: Values) -> Values:
    """Floor distance [mm] in front of the axis of a roll that touches `touch_mm` along the link."""
    square = touch_mm * touch_mm + 2.0 * head_mm * diameter_mm
    return _root(square, square, _all_at_least_zero(diameter_mm, touch_mm, head_mm))


def touch_of_roll(diameter_mm: Values, place_mm: Values, head_mm: Values) -> Values:
    """Distance along the link [mm] at which a roll lying at `place_mm` on the floor touches it.

    Inverse of `place_of_roll`; NaN where the roll would have to be under the head. It is also the
    lever of a press against the roll.
    """
    square = place_mm * place_mm
    return _root(
        square - 2.0 * head_mm * diameter_mm,
        square,
        _all_at_least_zero(diameter_mm, place_mm, head_mm),
    )


def largest_roll_bend(diameter_mm: Values, head_mm: Values) -> Values:
    """Largest bend [deg] this roll can make: pushed back until it meets the head, 2 atan √(R/a)."""
    valid = _all_at_least_zero(diameter_mm, head_mm)
    over = _root(diameter_mm / 2.0, diameter_mm, valid)
    return _bend(over, _root(head_mm, head_mm, valid))


def roll_sensitivities(diameter_mm: Values, touch_mm: Values, head_mm: Values) -> RollSensitivities:
    """Partial derivatives of the bend over a roll, in degrees per millimetre.

    Parameters
    ----------
    diameter_mm, touch_mm, head_mm : float or array
        As in `bend_from_roll_touch` [mm].

    Returns
    -------
    RollSensitivities
        At a fixed place NaN where the touch is 0: there the roll meets the head and the slope is
        infinite.
    """
    place = place_of_roll(diameter_mm, touch_mm, head_mm)
    t = _tan_half(bend_from_roll_touch(diameter_mm, touch_mm, head_mm))
    per_t: Values = np.degrees(2.0 / (1.0 + t * t))
    touch: Values = np.where(np.greater(touch_mm, 0.0), touch_mm, np.nan)
    place = np.where(np.greater(place, 0.0), place, np.nan)
    return RollSensitivities(
        diameter_at_place=(per_t / touch / 2.0),
        place=-per_t * t / touch,
        head_at_place=per_t * t * t / touch,
        diameter_at_touch=per_t / place / 2.0,
        touch=-per_t * t / place,
        head_at_touch=-per_t * t * t / place,
    )


def bend_from_cloth(thickness_mm: Values, edge_mm: Values, head_mm: Values) -> Values:
    """Bend that a folded cloth makes when only the forward link lies on it.

    Parameters
    ----------
    thickness_mm : float or array
        Thickness under load [mm], >= 0.
    edge_mm : float or array
        Floor distance of its near edge in front of the axis [mm], >= 0.
    head_mm : float or array
        Height of the axis [mm], >= 0.

    Returns
    -------
    float or array
        Bend [deg]; NaN where the edge would have to lie under the head.

    Notes
    -----
    In this regime the head stays on the floor, and a cloth further FORWARD bends less. What happens
    when the cloth reaches back under the head is `bend_from_cloth_reach`.

    Examples
    --------
    >>> float(round(bend_from_cloth(15.0, 45.0, 22.0), 1))
    20.0
    """
    square = edge_mm * edge_mm
    root = _root(
        square - thickness_mm * (2.0 * head_mm - thickness_mm),
        square,
        _all_at_least_zero(thickness_mm, edge_mm, head_mm),
    )
    return _bend(thickness_mm, edge_mm + root)


def cloth_for_bend(bend_deg: Values, edge_mm: Values, head_mm: Values) -> Values:
    """Thickness [mm] of the cloth that gives this bend with its near edge at `edge_mm`.

    Inverse of `bend_from_cloth`: τ = e tanθ + a - a / cosθ. NaN for a right angle and more, and
    where e < a sinθ: there the head itself would already be on the edge.
    """
    theta: Values = np.radians(np.where(np.less(2.0 * bend_deg, 180.0), bend_deg, np.nan))
    sine: Values = np.sin(theta)
    reached = np.greater_equal(edge_mm * (1.0 + _ROUND_OFF), head_mm * sine)
    valid = np.logical_and(reached, _all_at_least_zero(edge_mm, head_mm, bend_deg))
    cosine: Values = np.where(valid, np.cos(theta), np.nan)
    thickness: Values = sine * (edge_mm - head_mm * _tan_half(bend_deg)) / cosine
    return thickness


def bend_from_cloth_reach(
    thickness_mm: Values, edge_mm: Values, head_mm: Values, lever_mm: Values
) -> Values:
    """Bend that a cloth makes wherever its near edge lies: under the toe, the ball, or behind it.

    Parameters
    ----------
    thickness_mm : float or array
        Thickness under load [mm], >= 0.
    edge_mm : float or array
        Where the near edge lies in front of the axis [mm]; negative
        when the cloth reaches back behind the axis (towards the heel).
    head_mm : float or array
        Height of the axis [mm], >= 0.
    lever_mm : float or array
        Length of the backward link, whose far end stays on the floor
        [mm], > 0.

    Returns
    -------
    float or array
        Bend [deg]; slightly negative when the head is on the cloth too.

    Notes
    -----
    Three regimes, each running into the next without a jump. e is the edge, τ the thickness:

    1. *Only the forward link on the cloth*, e >= √(τ (2a - τ)): `bend_from_cloth`. Moving the
       cloth FORWARD bends LESS.
    2. *Head perched on the edge*, 0 < e < √(τ (2a - τ)): moving the cloth BACK bends LESS, because
       the head comes up with the link: asin(e / a) less the slope of the backward link.
    3. *Head on the cloth*, e <= 0: the forward link lies flat on the cloth, and the backward link
       slopes up to the raised head by φ, τ = L sinφ - a (1 - cosφ); the bend is -φ.

    So "further back is less bend, forward under the toe is more" describes regimes 2 and 3, a cloth
    that begins under the ball; "a thin pad bends less the further out it lies" describes regime 1.
    The largest bend lies between 1 and 2, where the head just still touches the floor.
    A cloth thicker than the axis is high cannot be perched on: NaN in regime 2.
    """
    tau, edge, head, lever = np.broadcast_arrays(thickness_mm, edge_mm, head_mm, lever_mm)
    under_toe = bend_from_cloth(tau, np.maximum(edge, 0.0), head)
    valid = np.logical_and(_all_at_least_zero(tau, head), np.greater(lever, 0.0))
    back = np.clip(edge, 0.0, head)
    axis_height = tau + _root(head * head - back * back, head * head, valid)
    rise = axis_height - head
    square = lever * lever
    root = _root(square - rise * (rise + 2.0 * head), square, valid)
    slope = _bend(rise, lever + root)
    link = np.degrees(np.arctan2(back, axis_height - tau))
    on_cloth = np.logical_or(edge <= 0.0, tau <= head)
    bend: Values = np.where(
        np.logical_and(edge > 0.0, ~np.isnan(under_toe)),
        under_toe,
        np.where(np.logical_and(valid, on_cloth), link - slope, np.nan),
    )[()]
    return bend


def loaded_thickness(
    thickness_mm: Values,
    squash_mm: Values = 0.0,
    sink_prop_mm: Values = 0.0,
    sink_foot_mm: Values = 0.0,
) -> Values:
    """Thickness that counts under load.

    Parameters
    ----------
    thickness_mm : float or array
        Thickness lying free [mm].
    squash_mm : float or array
        How much the prop itself is pressed together [mm].
    sink_prop_mm : float or array
        How far the prop sinks into the ground under it [mm].
    sink_foot_mm : float or array
        How far the rest of the foot sinks into its ground [mm].

    Returns
    -------
    float or array
        Thickness under load [mm]; NaN if nothing is left of it.
    """
    left = thickness_mm - squash_mm - sink_prop_mm + sink_foot_mm
    thickness: Values = np.where(np.greater_equal(left, 0.0), left, np.nan)[()]
    return thickness


def heel_height(bend_deg: Values, lever_mm: Values, head_mm: Values) -> Values:
    """Height of the far end of the backward link when the forward link lies flat.

    Parameters
    ----------
    bend_deg : float or array
        Bend [deg], 0 to 180.
    lever_mm : float or array
        Length of the backward link, far end to axis [mm].
    head_mm : float or array
        Height of the axis [mm].

    Returns
    -------
    float or array
        Height of its lower far point above the surface under the head [mm],
        h = L sinθ + a (1 - cosθ).

    Examples
    --------
    >>> float(round(heel_height(30.0, 189.0, 22.0)))
    97.0
    """
    t = _tan_half(bend_deg)
    sine: Values = np.sin(np.radians(bend_deg))
    height: Values = np.where(
        _all_at_least_zero(lever_mm, head_mm),
        sine * (lever_mm + head_mm * t),
        np.nan,
    )[()]
    return height


def bend_from_heel_height(height_mm: Values, lever_mm: Values, head_mm: Values) -> Values:
    """Bend [deg] when the far end is lifted this high; inverse of `heel_height`.

    NaN for a height the link cannot reach, h > a + √(L² + a²).
    """
    square = lever_mm * lever_mm + height_mm * (2.0 * head_mm - height_mm)
    root = _root(square, lever_mm * lever_mm, _all_at_least_zero(height_mm, lever_mm, head_mm))
    return _bend(height_mm, lever_mm + root)


def toe_forces(force_n: Values, reach_mm: Values, arm_mm: Values, bend_deg: Values) -> ToeForces:
    """Forces at the hinge when the ground pushes the forward link up.

    Parameters
    ----------
    force_n : float or array
        Push of the ground on the forward link [N], or any unit of force.
    reach_mm : float or array
        Its distance from the axis [mm].
    arm_mm : float or array
        Lever arm of the tendons under the hinge [mm], > 0.
    bend_deg : float or array
        Bend [deg].

    Returns
    -------
    ToeForces
        In the unit of `force_n`.

    Notes
    -----
    Planar, frictionless, tendons run along the forward link and bend round the head:
    T = N x / r,  J = √(T² + N²),  S = 2 T sin(θ/2),  RES = √(T² cos²θ + (N + T sinθ)²).
    Not valid where a joint stops against bone: then the stop carries load that is not in it.
    """
    theta: Values = np.radians(bend_deg)
    tension: Values = force_n * reach_mm / arm_mm
    joint: Values = np.hypot(tension, force_n)
    wrap: Values = 2.0 * tension * np.sin(theta / 2.0)
    resultant: Values = np.hypot(tension * np.cos(theta), force_n + tension * np.sin(theta))
    return ToeForces(tension, joint, wrap, resultant)


def turned(point: Point, about: Point, angle_deg: float) -> Point:
    """The point after turning it about another, counter-clockwise in the frame [m]."""
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    x, y = point[0] - about[0], point[1] - about[1]
    return (about[0] + cosine * x - sine * y, about[1] + sine * x + cosine * y)


def middle_joint(start: Point, end: Point, first_m: float, second_m: float) -> Point:
    """Where the joint between two links lies, on the forward side of the line from start to end.

    Parameters
    ----------
    start, end : (x, y)
        Ends of the chain [m].
    first_m, second_m : float
        Lengths of the link at the start and at the end [m].

    Returns
    -------
    (x, y)
        The middle joint [m]; (nan, nan) if the links cannot span the two points.
    """
    dx, dy = end[0] - start[0], end[1] - start[1]
    span = math.hypot(dx, dy)
    slack = _ROUND_OFF * (first_m + second_m)
    if not abs(first_m - second_m) - slack <= span <= first_m + second_m + slack or span == 0.0:
        return (math.nan, math.nan)
    along = (first_m**2 - second_m**2 + span**2) / (2.0 * span)
    off = math.sqrt(max(first_m**2 - along**2, 0.0))
    normal = (-dy / span, dx / span)
    if normal[0] < 0.0:
        normal = (-normal[0], -normal[1])
    return (
        start[0] + along * dx / span + off * normal[0],
        start[1] + along * dy / span + off * normal[1],
    )
