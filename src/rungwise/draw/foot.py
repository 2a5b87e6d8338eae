"""The foot as a drawing: its inner side, bent at the big-toe joint, and its print from above.

`side_view` builds the contour about the joints of a pose, so what is drawn bends where and as much
as what was computed. Shares of the foot length shape the contour; they are drawing, not evidence.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from rungwise.core.planar import Point, turned
from rungwise.draw.curves import Curve, Knot, ellipse, smooth

__all__ = ["SideFoot", "footprint", "side_view"]

Frame = Callable[[float, float, float], Knot]


@dataclass(frozen=True, slots=True)
class SideFoot:
    """A foot from its inner side, in world coordinates [mm].

    Attributes
    ----------
    contour : Curve           Skin, from the back of the leg round the sole and the toe to the shin.
    nail, ankle_bone : Curve  Details.
    folds : tuple of Curve    Fine lines of the skin.
    joint, ankle : Point      Axis of the big-toe joint; middle of the ankle.
    toe_tip : Point           End of the toe at the height of its middle.
    heel : Point              Back edge of the sole.
    sole, instep : Curve      The parts of the contour that an arch lift changes.
    """

    contour: Curve
    nail: Curve
    ankle_bone: Curve
    folds: tuple[Curve, ...]
    joint: Point
    ankle: Point
    toe_tip: Point
    heel: Point
    sole: Curve
    instep: Curve


def side_view(
    joint: Point,
    *,
    length: float,
    lever: float,
    toe: float,
    head: float,
    ankle_height: float,
    pitch_deg: float = 0.0,
    toe_deg: float = 0.0,
    shank_deg: float = 0.0,
    arch: float = 0.0,
    leg: float = 0.62,
) -> SideFoot:
    """The inner side of a foot whose joint lies at a point.

    Parameters
    ----------
    joint : (x, y)
        Axis of the big-toe joint [mm].
    length, lever, toe, head, ankle_height : float
        Foot length, heel to joint, joint to toe tip, height of the axis, height of the ankle [mm].
    pitch_deg : float
        How far the heel is lifted: angle between sole and floor [deg].
    toe_deg : float
        How far the toe is turned up from the floor [deg]; the bend is the sum of both.
    shank_deg : float
        Lean of the lower leg forward of upright [deg].
    arch : float
        How far the arch is drawn up, 0 at rest to 1 [1].
    leg : float
        How much of the leg is drawn, in foot lengths above the ankle [1].
    """
    f = length
    bend = pitch_deg + toe_deg

    def in_foot(x: float, y: float, heading: float) -> Knot:
        moved = turned((x - lever, y - head), (0.0, 0.0), -pitch_deg)
        return (joint[0] + moved[0], joint[1] + moved[1], heading - pitch_deg)

    def in_toe(x: float, y: float, heading: float) -> Knot:
        moved = turned((x, y - head), (0.0, 0.0), toe_deg)
        return (joint[0] + moved[0], joint[1] + moved[1], heading + toe_deg)

    ankle = in_foot(0.235 * f, ankle_height, 0.0)[:2]

    def in_leg(x: float, y: float, heading: float) -> Knot:
        moved = turned((x * f, y * f), (0.0, 0.0), -shank_deg)
        return (ankle[0] + moved[0], ankle[1] + moved[1], heading - shank_deg)

    def round_head(angle: float, radius: float, heading: float) -> Knot:
        a = math.radians(angle)
        return (joint[0] + radius * math.cos(a), joint[1] + radius * math.sin(a), heading)

    low = ankle_height / f
    points_down = shank_deg + pitch_deg
    lift = 0.045 * arch
    thick = 0.5 * (head / f + 0.085)
    behind = [
        in_leg(-0.158 - 0.047 * min(1.0, (leg - 0.2) / 0.4), leg, -86.0),
        in_leg(-0.157, min(0.20, 0.55 * leg), -84.0),
        in_foot(0.020 * f, 0.60 * low * f, -112.0 + 0.12 * points_down),
        in_foot(0.0, 0.070 * f, -89.0),
    ]
    sole = [
        in_foot(0.068 * f, 0.0, 0.0),
        in_foot(0.20 * f, 0.004 * f, 6.0 + 8.0 * arch),
        in_foot(0.46 * f, (0.062 + lift) * f, 0.0),
        in_foot(lever - 0.085 * f, 0.006 * f, -13.0 - 6.0 * arch),
        in_foot(lever, 0.0, 0.0),
    ]
    toe_under = [
        *([in_toe(0.0, 0.0, 0.0)] if bend > 0.01 else []),
        in_toe(0.32 * toe, 0.010 * f, 2.0),
        in_toe(0.62 * toe, 0.0, 0.0),
        in_toe(0.86 * toe, 0.006 * f, 18.0),
        in_toe(toe, 0.52 * thick * f, 92.0),
        in_toe(0.93 * toe, 0.99 * thick * f, 156.0),
    ]
    half_turn = 0.5 * (toe_deg - pitch_deg)
    hump = (0.062 + 0.35 * (thick - 0.085)) * f * (1.0 - 0.0012 * bend)
    over = [
        in_toe(0.62 * toe, 1.17 * thick * f, 180.0),
        in_toe(0.34 * toe, 1.24 * thick * f, 172.0 - 0.25 * bend),
        round_head(94.0 + half_turn, hump, 160.0 + half_turn),
        in_foot(lever - 0.14 * f, (0.182 + 0.3 * lift) * f, 156.0),
        in_foot(0.46 * f, (0.255 + 0.62 * lift) * f, 150.0 - 6.0 * arch),
        in_foot(0.405 * f, (low + 0.016 + 0.12 * lift) * f, 147.0 - 0.15 * points_down),
    ]
    front = [in_leg(0.094, min(0.22, 0.6 * leg), 100.0), in_leg(0.080, leg, 91.0)]
    knots = [*behind, *sole, *toe_under, *over, *front]
    nail = smooth(
        [
            in_toe(0.965 * toe, 0.84 * thick * f, 128.0),
            in_toe(0.90 * toe, 1.04 * thick * f, 162.0),
            in_toe(0.70 * toe, 1.13 * thick * f, 178.0),
            in_toe(0.69 * toe, 0.98 * thick * f, -70.0),
            in_toe(0.76 * toe, 0.90 * thick * f, -10.0),
            in_toe(0.965 * toe, 0.84 * thick * f, -14.0),
        ]
    )
    ankle_bone = [
        in_leg(0.038, -0.012, 80.0),
        in_leg(0.0, 0.030, 180.0),
        in_leg(-0.034, 0.002, -95.0),
    ]
    folds = []
    if bend > 12.0:
        middle = 90.0 + half_turn
        folds = [
            smooth(
                [
                    round_head(middle - 16.0, 0.93 * hump, middle + 190.0),
                    round_head(middle - 24.0, 0.60 * hump, middle + 165.0),
                ]
            )
        ]
    return SideFoot(
        contour=smooth(knots),
        nail=nail,
        ankle_bone=smooth(ankle_bone),
        folds=tuple(folds),
        joint=joint,
        ankle=ankle,
        toe_tip=in_toe(toe, head, 0.0)[:2],
        heel=in_foot(0.0, 0.0, 0.0)[:2],
        sole=smooth(sole),
        instep=smooth([*over[2:], front[0]]),
    )


def footprint(length: float, width: float, inner: float) -> tuple[Curve, ...]:
    """A footprint from above: the sole, then the toes from the big one on.

    Parameters
    ----------
    length, width : float
        Foot [mm]; the print is exactly this long, from the heel's back edge at y = 0, and this
        wide, half to each side of x = 0.
    inner : float
        Which way the inner side points along x: +1 or -1 [1].
    """

    def put(x: float, y: float, heading: float) -> Knot:
        turn = heading if inner > 0 else 180.0 - heading
        return (inner * width * x, length * y, turn)

    def toe(x: float, y: float, across: float, along: float, lean: float) -> Curve:
        return ellipse(
            (inner * width * x, length * y), across * width, along * length, -inner * lean
        )

    sole = smooth(
        [
            put(0.02, 0.0, 180.0),
            put(-0.27, 0.115, 93.0),
            put(-0.37, 0.40, 100.0),
            put(-0.50, 0.65, 88.0),
            put(-0.36, 0.778, 32.0),
            put(0.10, 0.858, 10.0),
            put(0.42, 0.822, -42.0),
            put(0.50, 0.715, -92.0),
            put(0.19, 0.44, -102.0),
            put(0.31, 0.12, -86.0),
        ],
        closed=True,
    )
    toes = (
        toe(0.340, 0.921, 0.142, 0.079, -4.0),
        toe(0.070, 0.938, 0.088, 0.047, 2.0),
        toe(-0.125, 0.906, 0.080, 0.041, 8.0),
        toe(-0.295, 0.862, 0.074, 0.037, 14.0),
        toe(-0.430, 0.806, 0.066, 0.031, 20.0),
    )
    return (sole, *toes)
