"""The pictures that show the whole person: balance, calf stretch, walking."""

from __future__ import annotations

import math

from rungwise.core.planar import Point, turned
from rungwise.draw.curves import (
    Curve,
    View,
    circle,
    hatching,
    joined,
    limb,
    polyline,
    rounded,
    smooth,
)
from rungwise.draw.figure import (
    FOOT,
    HEAD,
    HIP,
    SHANK,
    THIGH,
    Figure,
    Leg,
    draw_figure,
    lay,
    standing,
)
from rungwise.draw.foot import footprint
from rungwise.draw.furniture import draw_chair, draw_counter, draw_ground
from rungwise.draw.lettering import text_width
from rungwise.draw.scene import (
    COUNTER,
    FIGURE,
    FLOOR,
    LIFTED,
    PANEL_HALF,
    STANDS,
    Scene,
    caption,
    counter_hand,
    draw_panel,
    draw_side,
)
from rungwise.draw.sheet import (
    ACCENT,
    DARK,
    FAINT,
    GREY,
    PAPER,
    SOFT,
    THIN,
    TINT,
    around,
)

__all__ = ["draw_balance", "draw_calf_stretch", "draw_walking"]


# ------------------------------------------------------------------ balance

_PRINT = 276.0
"""Length at which every footprint is drawn [0.1 mm]."""
_PAD = 34.0
"""How far the cushion reaches beyond the feet [0.1 mm]."""


def draw_balance(scene: Scene) -> None:
    """Draw the footprints of a stance from above, on the base of the pose, and the person."""
    body, sizes = scene.body, scene.fitted.pose.sizes_mm
    width, length = body.foot_width_mm, body.foot_length_mm
    ahead, across = sizes["base_length_mm"] - length, 0.5 * (sizes["base_width_mm"] - width)
    scale = _PRINT / length
    middle = 356.0 + 0.5 * scale * (ahead + length)
    view = View(scene.x(428.0), middle, scale)
    soft, out = scene.setting("surface") == "soft", scene.away(1.0)
    _draw_stance(scene, ahead / length)
    if soft:
        half = scale * (across + 0.5 * width) + _PAD
        top = view.floor - scale * (ahead + length) - _PAD
        cushion = rounded(view.left - half, top, view.left + half, view.floor + _PAD, 40.0)
        scene.sheet.draw(cushion, "cushion", fill=FAINT)
    draw_side(scene, "seen_from_above")
    both, one = scene.side_key == "both_feet", scene.setting("stance") == "one_leg"
    other = (-out * 1.5 * width, 0.10 * length) if one else (-out * across, ahead)
    _draw_print(scene, view, (out * across, 0.0), out, works=True)
    _draw_print(scene, view, other, -out, works=both, in_air=one)


def _draw_print(
    scene: Scene,
    view: View,
    place: Point,
    outward: float,
    *,
    works: bool = False,
    in_air: bool = False,
) -> None:
    """Draw one footprint and its side: hatched when it works, dashed when it is in the air."""
    sheet, body = scene.sheet, scene.body
    part = "print.right" if outward > 0.0 else "print.left"
    at = View(view.left + view.scale * place[0], view.floor - view.scale * place[1], view.scale)
    for curve in footprint(body.foot_length_mm, body.foot_width_mm, -outward):
        laid = curve.moved(at)
        if in_air:
            sheet.draw(laid, line=GREY, width=THIN, dash="10 10", solid=True)
            continue
        sheet.draw(laid, fill=PAPER, line="none", under_text=True)
        if works:
            sheet.draw_lines(hatching(laid, 15.0), ACCENT, 4.5)
        sheet.draw(laid, part, width=4.5, solid=True)
    text = scene.say("right" if outward > 0.0 else "left")
    gap = 22.0 + (_PAD if scene.setting("surface") == "soft" and not in_air else 0.0)
    gap += 0.5 * view.scale * body.foot_width_mm + 0.5 * min(160.0, text_width(text, 40.0))
    sheet.say(
        text,
        f"{part}.label",
        around((at.left + outward * gap, at.floor - 0.42 * _PRINT), 12.0),
        size=40.0,
        bold=works,
        colour=ACCENT if works else GREY,
        room=161.0,
        lines=1,
    )


def _draw_stance(scene: Scene, step: float) -> None:
    """Draw the person of a stance, the counter in reach; `step` in foot lengths."""
    sheet, hands = scene.sheet, str(scene.setting("hands"))
    both = scene.side_key == "both_feet"
    works = Leg.flat(-0.5 * step * FOOT, works=True)
    other = Leg.flat(0.5 * step * FOOT, works=both)
    if scene.setting("stance") == "one_leg":
        other = LIFTED
    view = draw_panel(scene, STANDS)
    up = 36.0 if scene.setting("surface") == "soft" else 0.0
    if up:
        left, right = sorted((view.at((-112.0, 0.0))[0], view.at((136.0, 0.0))[0]))
        cushion = rounded(left, FLOOR - FIGURE * up, right, FLOOR, 8.0)
        sheet.draw(cushion, fill=FAINT, width=3.6)
    draw_counter(sheet, view, 150.0, COUNTER, STANDS + PANEL_HALF)
    x, y = counter_hand(scene)
    person = standing(other, works, (x + 12.0, y - up))
    if hands == "hand":
        person = person.letting_go()
    draw_figure(sheet, view._replace(floor=FLOOR - FIGURE * up), person)
    caption(scene, {"fingertips": "fingertips", "near": "hands_near"}.get(hands, "hold_on"))


# ------------------------------------------------------------------ calf stretch


def draw_calf_stretch(scene: Scene) -> None:
    """Draw the stretch at a wall with the back knee straight, or seated with a cloth."""
    if scene.setting("position") == "seated":
        _draw_seated_stretch(scene)
    else:
        _draw_wall_stretch(scene)
    draw_side(scene)


def _draw_seated_stretch(scene: Scene) -> None:
    sheet, hip = scene.sheet, (HIP[0] + 20.0, HIP[1])
    view = View(scene.x(580.0), FLOOR + 40.0, 0.64, scene.right)
    draw_ground(sheet, view, -490.0, 450.0)
    works = Leg.at_ankle((hip[0] + 462.0, 62.0), -62.0, works=True)
    hands = (hip[0] + 270.0, hip[1] + 60.0)
    ball = turned((works.joint[0], works.joint[1] - 2.0 * HEAD), works.joint, 62.0)
    draw_chair(sheet, view, hip)
    draw_figure(sheet, view, Figure(hip, Leg.flat(-40.0), works, hands, hands, 6.0))
    band = polyline([ball, (hands[0] + 20.0, hands[1])]).moved(view)
    sheet.draw(band, "towel", width=16.0)
    sheet.draw(band, line=SOFT, width=9.0)
    start, tip = (
        view.at((hands[0] + dx, hands[1] + dy)) for dx, dy in ((178.0, -34.0), (84.0, 54.0))
    )
    sheet.arrow(start, tip, "pull")


def _draw_wall_stretch(scene: Scene) -> None:
    sheet, wall = scene.sheet, 300.0
    view = View(scene.x(616.0), FLOOR + 40.0, 0.64, scene.right)
    draw_ground(sheet, view, -490.0, wall + 92.0)
    plaster = [(wall, 0.0), (wall, 950.0), (wall + 92.0, 950.0), (wall + 92.0, 0.0)]
    sheet.draw(polyline(plaster).moved(view), fill=TINT, line="none")
    sheet.draw(polyline(plaster[:2]).moved(view), "wall")
    works = Leg.flat(-268.0, works=True)
    hip, hand = (-16.0, 462.0), (wall - 18.0, 716.0)
    draw_figure(sheet, view, Figure(hip, Leg.flat(96.0), works, hand, hand, 14.0))
    behind = works.ankle[0] - 76.0
    start, tip = view.at((behind, 150.0)), view.at((behind, 12.0))
    sheet.arrow(start, tip, "heel.down")
    sheet.say(
        scene.say("heel_down"), "heel_down", around((start[0], start[1] - 50.0), 12.0), room=240.0
    )


# ------------------------------------------------------------------ walking

_STEP, _TREAD, _RAIL = 92.0, 170.0, 600.0
"""Height and depth of a stair, height of its rail [1/1000 height]."""


def draw_walking(scene: Scene) -> None:
    """Draw a person in shoes on flat ground, on a gentle hill or on stairs, and how long."""
    sheet, terrain = scene.sheet, scene.setting("terrain")
    view = View(scene.x(450.0), FLOOR + 44.0, 0.58, scene.right)
    rise, lean, hand = 0.0, 4.0, (160.0, 540.0)
    front = Leg.on_heel(262.0, 16.0)
    if terrain == "stairs":
        lean, hand = 6.0, (176.0, _RAIL)
        front = Leg((188.0, HEAD + _STEP), works=True, shod=True)
        _draw_stairs(scene, view)
    else:
        if terrain == "hills":
            rise, lean = 0.16, 9.0
            front = Leg.on_heel(246.0, 22.0, up=rise * 165.0)
        ground = polyline([(x, rise * x) for x in (-520.0, 740.0)])
        sheet.draw(ground.moved(view), "ground")
    back = Leg((-128.0, HEAD + 8.0 - 140.0 * rise), 22.0, works=True, shod=True)
    hip = (20.0, SHANK + THIGH - 4.0)
    draw_figure(sheet, view, Figure(hip, front, back, (-52.0, 490.0), hand, lean))
    if scene.amount("minutes") > 0.0:
        _draw_clock(scene)
    draw_side(scene)


def _draw_stairs(scene: Scene, view: View) -> None:
    """Draw stairs that go up in front of the person, with a rail."""
    sheet, foot = scene.sheet, 60.0

    def rail(x: float) -> float:
        return _RAIL + (x - 176.0) * _STEP / _TREAD

    ends = ((-40.0, rail(-40.0)), (foot + 4.0 * _TREAD, rail(foot + 4.0 * _TREAD)))
    lay(sheet, view, [(limb(*ends, 11.0, 11.0), PAPER)])
    for i in (0, 2):
        x = foot + _TREAD * (i + 0.5)
        post = polyline([(x, _STEP * (i + 1)), (x, rail(x) - 12.0)])
        sheet.draw(post.moved(view))
    steps: list[Point] = [(-520.0, 0.0), (foot, 0.0)]
    for i in range(4):
        steps += [(foot + _TREAD * (i + d), _STEP * (i + 1)) for d in (0, 1)]
    sheet.draw(polyline(steps).moved(view), "ground")


def _draw_clock(scene: Scene) -> None:
    """Draw how long to walk."""
    sheet, (x, y) = scene.sheet, scene.spot(880.0, 176.0)
    share = min(scene.amount("minutes"), 60.0) / 60.0

    def rim(part: float, radius: float) -> Point:
        angle = 2.0 * math.pi * part
        return (x + radius * math.sin(angle), y - radius * math.cos(angle))

    sheet.draw(circle((x, y), 74.0), "clock", fill=PAPER, solid=True)
    swept = smooth([(*rim(share * i / 6.0, 56.0), 60.0 * share * i) for i in range(7)])
    sheet.draw(joined(Curve(((x, y),), ""), swept), "sector", fill=ACCENT, line="none")
    sheet.draw_lines([(rim(i / 12.0, 62.0), rim(i / 12.0, 69.0)) for i in range(12)], DARK, THIN)
    sheet.say(
        scene.say("minutes", minutes=scene.told["minutes"]),
        "minutes.label",
        around((x, y + 122.0), 10.0),
        size=42.0,
        bold=True,
    )
