"""The pictures that show one foot in detail: toe press, heel raise, arch lift, toe bend."""

from __future__ import annotations

import math

from rungwise.core.planar import Point, turned
from rungwise.draw.curves import Curve, Knot, View, circle, limb, polyline, rounded, smooth
from rungwise.draw.figure import (
    FOOT,
    HIP,
    SHANK,
    Figure,
    Leg,
    draw_figure,
    lay,
)
from rungwise.draw.foot import SideFoot
from rungwise.draw.furniture import draw_chair
from rungwise.draw.scene import (
    FLOOR,
    SITS,
    Scene,
    draw_bend,
    draw_cuff,
    draw_floor,
    draw_foot,
    draw_inset,
    draw_panel,
    draw_side,
    foot_of,
    posed_leg,
)
from rungwise.draw.sheet import ACCENT, DARK, GREY, LINE, PAPER, SOFT, THIN, TINT, around

__all__ = ["draw_arch_lift", "draw_heel_raise", "draw_toe_bend", "draw_toe_press"]


# ------------------------------------------------------------------ toe press


def draw_toe_press(scene: Scene) -> None:
    """Draw the toe on its cloth or roll: how thick, how far in front of the joint, the press."""
    sheet, body = scene.sheet, scene.body
    view = scene.view(306.0)
    foot = foot_of(scene)
    inset = draw_inset(scene)
    joint_x, _ = inset.at(Leg.flat().joint)
    _draw_cloth(scene, inset._replace(left=joint_x, scale=inset.scale * FOOT / body.foot_length_mm))
    draw_floor(scene)
    reach = _draw_cloth(scene, view, "cloth", "roll")
    draw_foot(scene, view, foot)

    touch, f = scene.point("toe_pad"), body.foot_length_mm

    def over(height: float) -> Point:
        return view.at(turned((touch[0], touch[1] + height * f), touch, scene.toe_deg))

    sheet.draw(polyline([over(0.008), over(0.045)]), "touch", line=ACCENT, width=7.0)
    sheet.arrow(over(0.33), over(0.13), "press")
    draw_side(scene)
    if reach > 0.0:
        _draw_place(scene, view, foot)
        _draw_thickness(scene, view, reach)
    draw_bend(scene, view, foot)
    x, y = over(0.33)
    sheet.say(
        scene.say("touch_here"), "touch_here", around((x, y - 36.0), 16.0), size=40.0, room=260.0
    )


def _draw_cloth(scene: Scene, view: View, cloth_part: str = "", roll_part: str = "") -> float:
    """Draw the cloth or roll; return how far forward it reaches [mm], 0 if there is none."""
    sheet = scene.sheet
    roll, cloth = scene.prop("roll"), scene.prop("cloth")
    if roll is not None:
        (x, y), r = roll.points[0], 1000.0 * roll.radius_m
        x, y = 1000.0 * x, 1000.0 * y
        rim = circle((x, y), r).moved(view)
        sheet.draw(rim, roll_part, fill=SOFT, width=THIN, solid=True)
        if r * view.scale > 14.0:
            sheet.draw(_spiral((x, y), r).moved(view), width=THIN)
        return x + r
    if cloth is None:
        return 0.0
    corners = [(1000.0 * x, 1000.0 * y) for x, y in cloth.points]
    (left, bottom), (right, top) = corners[0], corners[2]
    sheet.draw(
        polyline(corners, closed=True).moved(view), cloth_part, fill=SOFT, width=THIN, solid=True
    )
    layers = max(1, min(4, round((top - bottom) * view.scale / 9.0)))
    for i in range(1, layers):
        level = bottom + (top - bottom) * i / layers
        sheet.draw(polyline([(left, level), (right, level)]).moved(view), width=2.0)
    return right


def _spiral(centre: Point, radius: float) -> Curve:
    """The layers of a rolled cloth, seen from its end."""
    turns, steps = 2.0, 12
    grows = 0.62 * radius / (turns * 2.0 * math.pi)
    knots: list[Knot] = []
    for i in range(steps + 1):
        angle = turns * 2.0 * math.pi * i / steps
        r = 0.16 * radius + grows * angle
        knots.append(
            (
                centre[0] + r * math.cos(angle),
                centre[1] + r * math.sin(angle),
                math.degrees(angle + math.atan2(r, grows)),
            )
        )
    return smooth(knots)


def _draw_place(scene: Scene, view: View, foot: SideFoot) -> None:
    """Draw how far in front of the joint the cloth begins, or the middle of the roll lies."""
    sheet, sizes = scene.sheet, scene.fitted.pose.sizes_mm
    if sizes.get("place_mm", 0.0) <= 0.0:
        return
    below = FLOOR + 42.0
    joint, low = view.at(foot.joint)
    place, _ = view.at((foot.joint[0] + sizes["place_mm"], 0.0))
    sheet.draw(polyline([(joint, low + 14.0), (joint, below + 10.0)]), width=2.0, dash="7 8")
    sheet.draw(polyline([(place, FLOOR + 4.0), (place, below + 10.0)]), width=2.0)
    sheet.span((joint, below), (place, below), "place")
    spot = (0.5 * (joint + place), below + 36.0)
    sheet.say(scene.told["place"], "place.label", [spot], lines=1)


def _draw_thickness(scene: Scene, view: View, reach: float) -> None:
    """Draw how thick the cloth is, in front of the toe."""
    sheet, thick = scene.sheet, scene.fitted.pose.sizes_mm["cloth_thickness_mm"]
    roll = scene.prop("roll")
    start, upper = view.at((1000.0 * roll.points[0][0] if roll else reach, thick))
    tip, _ = view.at((max(reach, scene.point("toe_tip")[0]), 0.0))
    out = tip - scene.away(34.0)
    sheet.draw(polyline([(start, upper), (out - scene.away(10.0), upper)]), width=2.0)
    sheet.span((out, FLOOR), (out, upper), "thickness")
    sheet.say(
        scene.told["thick"],
        "thickness.label",
        around((out, upper - 66.0), 14.0),
        size=42.0,
        bold=True,
        room=200.0,
        lines=1,
    )


# ------------------------------------------------------------------ heel raise


def draw_heel_raise(scene: Scene) -> None:
    """Draw the heel lifted to the top of its stop, and how high that is."""
    view = scene.view(604.0 + scene.scale * scene.point("heel_bottom")[0])
    foot = foot_of(scene)
    inset = draw_inset(scene, both=scene.setting("legs") != 1)
    if scene.amount("knees_kg") > 0.0:
        _draw_load(scene, inset)
    draw_floor(scene)
    _draw_stop(scene, view)
    draw_foot(scene, view, foot)
    if scene.setting("squeeze"):
        _draw_squeeze(scene)
    draw_side(scene, scene.shown_key if scene.side_key == "both_feet" else "")
    _draw_height(scene, view)
    draw_bend(scene, view, foot)


def _stop_of(scene: Scene) -> tuple[float, float] | None:
    """Front edge and top of the heel stop [mm]."""
    block = scene.prop("block")
    if block is None:
        return None
    return 1000.0 * max(x for x, _ in block.points), 1000.0 * max(y for _, y in block.points)


_DEEP = 104.0
"""Depth of the drawn books [0.1 mm]."""


def _draw_stop(scene: Scene, view: View) -> None:
    """Draw the books behind the heel, and a dot where the heel is level with them."""
    stop = _stop_of(scene)
    if stop is None:
        return
    sheet, (edge, top), deep = scene.sheet, stop, _DEEP / view.scale
    books = max(1, round(top / 24.0))
    for i in range(books):
        low, high = top * i / books, top * (i + 1) / books
        back = edge - deep * (1.0 - 0.07 * ((2 * i) % 3))
        book = polyline([(edge, low), (edge, high), (back, high), (back, low)], closed=True)
        sheet.draw(book.moved(view), fill=SOFT if i % 2 else PAPER, width=4.0, solid=True)
        if (high - low) * view.scale > 26.0:
            pages = [low + share * (high - low) for share in (0.3, 0.7)]
            ends = (edge - 0.06 * deep, edge - 0.8 * deep)
            sheet.draw_lines(
                [(view.at((ends[0], y)), view.at((ends[1], y))) for y in pages], GREY, 1.5
            )
    frame = [(edge, 0.0), (edge, top), (edge - deep, top), (edge - deep, 0.0)]
    sheet.draw(polyline(frame, closed=True).moved(view), "stop", line="none")
    dot = circle(scene.point("heel_bottom"), 7.0 / view.scale)
    sheet.draw(dot.moved(view), "heel", fill=ACCENT, line="none")


def _draw_height(scene: Scene, view: View) -> None:
    """Draw the height of the stop, and the way up and slowly down above it."""
    stop = _stop_of(scene)
    if stop is None:
        return
    sheet, (edge, top), deep = scene.sheet, stop, _DEEP / view.scale
    x, upper = view.at((edge - deep, top))
    out = x + scene.away(24.0)
    ends = [(x + scene.away(6.0), upper), (out + scene.away(10.0), upper)]
    sheet.draw(polyline(ends), width=2.0)
    sheet.span((out, FLOOR), (out, upper), "height")
    label_x, _ = view.at((edge - 0.72 * deep, top))
    label = sheet.say(
        scene.told["height"],
        "height.label",
        around((label_x, upper - 40.0), 14.0),
        size=44.0,
        bold=True,
        room=200.0,
        lines=1,
    )
    low = (label.top if label else upper) - 24.0
    x, _ = view.at((edge - 0.42 * deep, top))
    down = x + scene.away(46.0)
    sheet.arrow((x, low), (x, low - 100.0), "up")
    sheet.arrow((down, low - 100.0), (down, low), "down", dash="16 13")
    sheet.say(
        scene.say("lower_slowly"),
        "lower_slowly",
        around((0.5 * (x + down), low - 150.0), 10.0),
        size=40.0,
        room=170.0,
    )


def _draw_squeeze(scene: Scene) -> None:
    """Draw both lower legs from behind with a folded cloth held between the ankles."""
    sheet = scene.sheet
    x, y = scene.spot(152.0, 300.0)
    sheet.draw(circle((x, y), 124.0), "squeeze", fill=TINT, line="none", solid=True)
    for sign in (-1.0, 1.0):

        def put(dx: float, dy: float, heading: float, sign: float = sign) -> Knot:
            return (x + sign * dx, y + dy, heading if sign > 0 else 180.0 - heading)

        leg = smooth(
            [
                put(82.0, -93.0, 94.0),
                put(60.0, 14.0, 99.0),
                put(70.0, 66.0, 92.0),
                put(46.0, 92.0, 180.0),
                put(22.0, 66.0, -90.0),
                put(27.0, 14.0, -86.0),
                put(12.0, -123.0, -97.0),
            ]
        )
        sheet.draw(leg, fill=PAPER, width=4.0)
        sheet.draw(smooth([put(46.0, -8.0, 96.0), put(46.0, 44.0, 86.0)]), width=2.0)
        sheet.arrow((x + sign * 116.0, y + 28.0), (x + sign * 75.0, y + 28.0), width=7.0, head=20.0)
    folds = [((x + dx, y + 8.0), (x + dx, y + 46.0)) for dx in (-7.0, 7.0)]
    cloth = rounded(x - 22.0, y - 2.0, x + 22.0, y + 56.0, 12.0)
    sheet.draw(cloth, "squeezed", fill=SOFT, line=ACCENT)
    sheet.draw_lines(folds, ACCENT, 2.0)


def _draw_load(scene: Scene, view: View) -> None:
    """Draw a bag of known mass on the knee of a seated person."""
    base = posed_leg(scene).ankle[1] + SHANK + 36.0
    bag = smooth(
        [
            (-62.0, base, 180.0),
            (-88.0, base + 34.0, 80.0),
            (-48.0, base + 92.0, 20.0),
            (8.0, base + 92.0, -20.0),
            (42.0, base + 34.0, -100.0),
            (18.0, base, 180.0),
        ],
        closed=True,
    )
    scene.sheet.draw(bag.moved(view), "load", fill=SOFT, width=3.6, under_text=True)
    scene.sheet.say(
        scene.say("load", kg=scene.told["kg"]),
        "load.label",
        [view.at((-22.0, base + 44.0))],
        size=34.0,
        bold=True,
        room=62.0,
        lines=1,
    )


# ------------------------------------------------------------------ arch lift


def draw_arch_lift(scene: Scene) -> None:
    """Draw the arch at rest, dashed, and drawn up; wedges under heel, ball and toe: these stay."""
    sheet, f = scene.sheet, scene.body.foot_length_mm
    view = scene.view(296.0)
    rest, lifted = foot_of(scene), foot_of(scene, arch=1.0)
    draw_inset(scene)
    draw_floor(scene)
    draw_foot(scene, view, lifted)
    for curve in (rest.sole, rest.instep):
        sheet.draw(curve.moved(view), "before", line=GREY, width=THIN, dash="9 9")
    heel, _ = scene.point("heel_bottom")
    start, tip = (view.at((heel + 0.46 * f, height * f)) for height in (0.125, 0.232))
    sheet.arrow(start, tip, "lift", width=12.0, head=34.0)
    for x in (heel + 0.10 * f, 0.0, 0.74 * scene.body.hallux_mm):
        across, _ = view.at((x, 0.0))
        wedge = [
            (across, FLOOR + 8.0),
            (across - 15.0, FLOOR + 34.0),
            (across + 15.0, FLOOR + 34.0),
        ]
        sheet.draw(polyline(wedge, closed=True), "stays", fill=DARK, line="none")
    draw_side(scene)


# ------------------------------------------------------------------ toe bend by hand


def draw_toe_bend(scene: Scene) -> None:
    """Draw a hand that bends the toe up; the person sits with the foot on the other knee."""
    view = scene.view(330.0)
    foot = foot_of(scene)
    panel = draw_panel(scene, SITS)
    draw_chair(scene.sheet, panel, HIP)
    works = Leg((18.0, 338.0), 0.0, float(round(scene.toe_deg)), works=True)
    hands = ((-74.0, 400.0), (58.0, 372.0))
    draw_figure(scene.sheet, panel, Figure(HIP, Leg.flat(), works, *hands, 20.0, crossed=True))
    draw_foot(scene, view, foot)
    _draw_hand(scene, view, foot)
    draw_side(scene)
    draw_bend(scene, view, foot)


def _draw_hand(scene: Scene, view: View, foot: SideFoot) -> None:
    """Draw a hand from above that holds the big toe close to its joint."""
    f, under = scene.body.foot_length_mm, scene.body.mtp_height_mm

    def put(u: float, v: float) -> Point:
        return turned(
            (foot.joint[0] + u * f, foot.joint[1] - under + v * f), foot.joint, scene.toe_deg
        )

    knuckle, middle, tip = put(0.40, 0.155), put(0.385, -0.005), put(0.125, -0.040)
    thumb, thumb_tip, palm = put(0.245, 0.215), put(0.115, 0.137), put(0.33, 0.235)
    wrist = (palm[0] + 0.02 * f, palm[1] + 0.27 * f)
    hand = [
        limb(middle, tip, 0.040 * f, 0.032 * f),
        limb(knuckle, middle, 0.052 * f, 0.041 * f),
        limb(palm, knuckle, 0.088 * f, 0.056 * f),
        limb(wrist, palm, 0.064 * f, 0.090 * f),
        limb(thumb, thumb_tip, 0.046 * f, 0.036 * f),
        limb(palm, thumb, 0.078 * f, 0.050 * f),
    ]
    lay(scene.sheet, view, [(curve, PAPER) for curve in hand], LINE)
    half = 0.068 * f
    draw_cuff(scene, view, (wrist[0] - half, wrist[1]), (wrist[0] + half, wrist[1]))
