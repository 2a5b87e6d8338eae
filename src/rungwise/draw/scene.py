"""What the pictures share: the foot in detail, the whole person beside it, the side as a word.

Every picture is laid out for a right foot, whose toes go to the reader's left, and turned as a
whole for a left one. What carries a number (bend, thickness, place, height, base) is drawn from the
pose, at one scale for the whole detail.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

from rungwise.core.planar import Point, Prop, turned
from rungwise.core.terms import Body, Fitted
from rungwise.draw.curves import View, circle, joined, polyline, rounded, smooth
from rungwise.draw.figure import (
    Leg,
    draw_figure,
    seated,
    standing,
)
from rungwise.draw.foot import SideFoot, side_view
from rungwise.draw.furniture import draw_chair, draw_counter, draw_ground
from rungwise.draw.lettering import fitted, text_width
from rungwise.draw.sheet import (
    ACCENT,
    DARK,
    FAINT,
    GREY,
    PAPER,
    THIN,
    TINT,
    Box,
    Sheet,
    around,
)
from rungwise.words import MM_PER_CM, whole_mm

__all__ = [
    "COUNTER",
    "FIGURE",
    "FLOOR",
    "HEIGHT",
    "LIFTED",
    "PANEL_HALF",
    "SITS",
    "STANDS",
    "WIDTH",
    "Scene",
    "caption",
    "counter_hand",
    "draw_bend",
    "draw_cuff",
    "draw_floor",
    "draw_foot",
    "draw_inset",
    "draw_panel",
    "draw_side",
    "foot_of",
    "posed_leg",
    "slope",
]

WIDTH, HEIGHT, FLOOR = 1050.0, 700.0, 590.0
"""Size of the sheet and where its floor lies [0.1 mm]."""
DRAWN_FOOT = 510.0
"""Length at which every foot is drawn, whatever its size [0.1 mm]."""
HIGHEST_STOP = 272.0
"""Greatest drawn height of a heel stop; a higher one makes the whole detail smaller [0.1 mm]."""
PANEL_LEFT, PANEL_RIGHT = 768.0, 1036.0
"""Where the whole person stands beside a right foot [0.1 mm]."""
FIGURE = 0.5
"""Sheet units to a thousandth of the figure's height [0.1 mm]."""
PANEL_HALF = 0.5 * (PANEL_RIGHT - PANEL_LEFT) / FIGURE
SITS, STANDS, COUNTER = -128.0, 66.0, 560.0
"""Middle of the panel for a seated and a standing figure; height of the counter [1/1000 height]."""
LIFTED = Leg.flat(-196.0, up=130.0, pitch_deg=60.0)
"""The leg that is in the air in a one-leg stance."""
_SMALLEST_ANGLE_DEG = 2.0
"""Below this an arc would be a dot."""


@dataclass(frozen=True)
class Scene:
    """What a picture is made from.

    Attributes
    ----------
    sheet : Sheet               Where it is drawn.
    fitted : Fitted             Rung, side and pose.
    body : Body                 Lengths of the foot.
    say : callable              Text of a label by its key, with values filled in.
    """

    sheet: Sheet
    fitted: Fitted
    body: Body
    say: Callable[..., str]

    @property
    def right(self) -> bool:
        """Whether the right foot is drawn."""
        return self.fitted.side == "right"

    @property
    def side_key(self) -> str:
        """Label of the side: both feet where no side differs, or both do it at once."""
        alike = self.fitted.rung.family == "walking" or self.setting("stance") == "feet_together"
        both = alike or self.setting("both") is True
        return "both_feet" if both else f"{self.fitted.side}_foot"

    @property
    def shown_key(self) -> str:
        """Label of the foot that is shown for both."""
        return f"{self.fitted.side}_shown"

    def x(self, x: float) -> float:
        """A place across the sheet, given as for a right foot."""
        return x if self.right else WIDTH - x

    def spot(self, x: float, y: float) -> Point:
        """A spot on the sheet, given as for a right foot."""
        return (self.x(x), y)

    def away(self, dx: float) -> float:
        """A step towards the heel's side of the sheet."""
        return dx if self.right else -dx

    def setting(self, key: str) -> object:
        """A setting of the rung, None if it has none of this name."""
        return self.fitted.rung.settings.get(key)

    def amount(self, key: str) -> float:
        """A setting as a number, 0 if it is none."""
        value = self.setting(key)
        return float(value) if isinstance(value, int | float) else 0.0

    def point(self, name: str) -> Point:
        """A point of the pose [mm]."""
        x, y = self.fitted.pose.points[name]
        return (1000.0 * x, 1000.0 * y)

    def prop(self, kind: str) -> Prop | None:
        """The first prop of a kind."""
        return next((p for p in self.fitted.pose.props if p.kind == kind), None)

    @cached_property
    def pitch_deg(self) -> float:
        """How far the heel is lifted [deg]."""
        return -slope(self.point("heel_bottom"), self.point("sole"))

    @cached_property
    def toe_deg(self) -> float:
        """How far the toe is turned up from the floor [deg]."""
        return slope(self.point("toe_root"), self.point("toe_tip"))

    @cached_property
    def told(self) -> Mapping[str, str]:
        """Every number that is printed or told, as it is printed here and on the sheet.

        The place is rounded up, since further forward bends the toe less; the rest down.
        """
        sizes, values = self.fitted.pose.sizes_mm, {"deg": f"{self.fitted.pose.bend_deg:.0f}"}
        for name, key in (("thick", "cloth_thickness_mm"), ("height", "heel_height_mm")):
            if key in sizes:
                values[name] = self._length(whole_mm(sizes[key]))
        if "place_mm" in sizes:
            values["place"] = self._length(whole_mm(sizes["place_mm"], up=True))
        values["kg"] = f"{math.floor(self.amount('knees_kg') + 1e-9)}"
        values["minutes"] = f"{self.amount('minutes'):.0f}"
        return values

    def _length(self, mm: int) -> str:
        """Whole millimetres in the unit in which the sheet gives them."""
        cm, tenth = divmod(mm, MM_PER_CM)
        if cm == 0:
            return self.say("millimetres", mm=str(mm))
        if tenth == 0:
            return self.say("centimetres", cm=str(cm))
        return self.say("centimetres_tenth", cm=str(cm), tenth=str(tenth))

    @cached_property
    def scale(self) -> float:
        """Sheet units to one millimetre of the detail; less than usual for a very high heel."""
        scale, block = DRAWN_FOOT / self.body.foot_length_mm, self.prop("block")
        top = 1000.0 * max(y for _, y in block.points) if block else 0.0
        return min(scale, HIGHEST_STOP / top) if top > 0.0 else scale

    def view(self, joint_at: float) -> View:
        """The detail's view, with the big-toe joint at a place across the sheet."""
        return View(self.x(joint_at), FLOOR, self.scale, self.right)


def slope(start: Point, end: Point) -> float:
    """Angle of a line above the forward direction [deg]."""
    return math.degrees(math.atan2(end[1] - start[1], end[0] - start[0]))


# ------------------------------------------------------------------ the detail: a foot from inside


def foot_of(scene: Scene, arch: float = 0.0) -> SideFoot:
    """The foot bent as the pose is; the leg ends below the upper border of the sheet."""
    body, ankle = scene.body, scene.point("ankle")
    shank = 90.0 - slope(ankle, scene.point("knee"))
    above = (FLOOR - 92.0) / scene.scale - ankle[1]
    return side_view(
        scene.point("mtp_axis"),
        length=body.foot_length_mm,
        lever=body.heel_to_mtp_mm,
        toe=body.hallux_mm,
        head=body.mtp_height_mm,
        ankle_height=body.ankle_height_mm,
        pitch_deg=scene.pitch_deg,
        toe_deg=scene.toe_deg,
        shank_deg=shank,
        arch=arch,
        leg=min(0.60, above / body.foot_length_mm),
    )


def draw_foot(scene: Scene, view: View, foot: SideFoot) -> None:
    """Draw contour, nail, ankle and folds of the foot, and the end of a trouser leg."""
    sheet = scene.sheet
    sheet.draw(foot.contour.moved(view), "foot", fill=PAPER, solid=True)
    for curve in (foot.nail, foot.ankle_bone, *foot.folds):
        sheet.draw(curve.moved(view), width=THIN)
    draw_cuff(scene, view, foot.contour.start, foot.contour.end)


def draw_cuff(scene: Scene, view: View, back: Point, front: Point) -> None:
    """Draw the hem of a trouser leg or sleeve over the end of a limb, from back to front."""
    sheet, f = scene.sheet, scene.body.foot_length_mm
    wide, heading = math.dist(back, front), slope(back, front)

    def put(u: float, v: float, turn: float) -> tuple[float, float, float]:
        x, y = turned((u, v * f), (0.0, 0.0), heading)
        return (back[0] + x, back[1] + y, heading + turn)

    left, right = -0.035 * f, wide + 0.035 * f
    edges = (
        smooth([put(left - 0.02 * f, 0.10, -95.0), put(left, -0.07, -84.0)]),
        smooth([put(left, -0.07, -14.0), put(right, -0.07, 14.0)]),
        smooth([put(right, -0.07, 86.0), put(right + 0.01 * f, 0.10, 84.0)]),
    )
    torn = smooth(
        [
            put(right + 0.01 * f, 0.10, 215.0),
            put(0.5 * wide, 0.085, 165.0),
            put(left - 0.02 * f, 0.10, 215.0),
        ]
    )
    cloth = joined(*edges, torn).moved(view)
    sheet.draw(cloth, fill=FAINT, line="none", width=0.0, solid=True)
    for edge in edges:
        sheet.draw(edge.moved(view))


def draw_bend(scene: Scene, view: View, foot: SideFoot) -> None:
    """Draw the two lines that meet at the joint, and the angle of the one to the other's run."""
    sheet, bend = scene.sheet, scene.fitted.pose.bend_deg
    reach, joint = scene.body.hallux_mm, foot.joint

    def along(angle: float, share: float) -> Point:
        return turned((joint[0] + share * reach, joint[1]), joint, angle)

    def line(part: str, angle: float, share: float, dash: str = "") -> None:
        ends = polyline([joint, along(angle, share)]).moved(view)
        sheet.draw(ends, part, line=ACCENT, width=4.0, dash=dash)

    line("line.foot", 180.0 - scene.pitch_deg, 1.0)
    line("line.toe", scene.toe_deg, 0.74)
    if bend >= _SMALLEST_ANGLE_DEG:
        if scene.toe_deg > 0.5 * bend:  # the toe is up: the foot's line runs on under it
            start, run, radius, sweep = -scene.pitch_deg, 0.92, 0.60, bend
        else:  # the heel is up: the toe's line runs on under the foot
            start, run, radius, sweep = 180.0 + scene.toe_deg, 1.0, 0.72, -bend
        line("line.flat", start, run, "10 10")
        tangent = math.copysign(90.0, sweep)
        arc = [
            (*along(start + part * sweep, radius), start + part * sweep + tangent)
            for part in (0.0, 0.5, 1.0)
        ]
        sheet.draw(smooth(arc).moved(view), "bend", line=ACCENT, width=THIN)
        x, y = view.at(joint)
        beside = 6.0 + 0.9 * scene.toe_deg - 0.9 * scene.pitch_deg
        spot = (x + scene.away(beside), y - 118.0 - 0.6 * scene.toe_deg)
        sheet.say(
            scene.say("bend", deg=scene.told["deg"]),
            "bend.label",
            around(spot, 20.0),
            size=40.0,
            colour=ACCENT,
            bold=True,
            room=140.0,
            lines=1,
        )
    dot = circle(joint, 12.0 / view.scale).moved(view)
    sheet.draw(dot, "joint", fill=PAPER, line=ACCENT, width=5.0)


def draw_side(scene: Scene, below: str = "") -> None:
    """Write the side as a word in the upper corner over the toes, and a line below it."""
    for key, size, bold, y, room, lines in (
        (scene.side_key, 46.0, True, 46.0, 330.0, 1),
        (below, 32.0, False, 98.0, 330.0, 2),
    ):
        if key:
            text = scene.say(key)
            said, at = fitted(text, size, bold, room, lines)
            half = 0.5 * max((text_width(line, at, bold) for line in said), default=0.0)
            scene.sheet.say(
                text,
                key,
                [scene.spot(24.0 + half, y), scene.spot(24.0 + half, y + 0.6 * size)],
                size=size,
                bold=bold,
                room=room,
                colour=DARK if bold else GREY,
                lines=lines,
            )


def draw_floor(scene: Scene) -> None:
    """Draw the floor under the detail."""
    scene.sheet.draw(polyline([scene.spot(16.0, FLOOR), scene.spot(744.0, FLOOR)]), "floor")


# ------------------------------------------------------------------ the inset: a whole person


def draw_panel(scene: Scene, middle: float) -> View:
    """Draw the panel and floor of the whole person; `middle` of the figure comes to its middle."""
    left, right = sorted((scene.x(PANEL_LEFT), scene.x(PANEL_RIGHT)))
    panel = rounded(left, 16.0, right, HEIGHT - 16.0, 22.0)
    scene.sheet.draw(panel, "panel", fill=TINT, line="none", under_text=True)
    scene.sheet.keep_clear(Box(left, 16.0, right, FLOOR + 4.0))
    view = View(0.5 * (left + right) + scene.away(FIGURE * middle), FLOOR, FIGURE, scene.right)
    draw_ground(scene.sheet, view, middle - PANEL_HALF, middle + PANEL_HALF)
    return view


def caption(scene: Scene, key: str) -> None:
    """Write what the hands do under the whole person."""
    spot = (scene.x(0.5 * (PANEL_LEFT + PANEL_RIGHT)), 0.5 * (FLOOR + HEIGHT - 16.0))
    scene.sheet.say(scene.say(key), key, [spot], size=40.0, room=244.0)


def posed_leg(scene: Scene) -> Leg:
    """A leg of the figure whose foot is bent as in the pose, to whole degrees."""
    pitch, toe = max(round(scene.pitch_deg), 0), round(scene.toe_deg)
    return Leg.flat(pitch_deg=float(pitch), toe_deg=float(toe), works=True)


def counter_hand(scene: Scene) -> Point:
    """Where the hand of a standing person is."""
    above = {"fingertips": 32.0, "near": 66.0}.get(str(scene.setting("hands")), 17.0)
    return (172.0, COUNTER + above)


def draw_inset(scene: Scene, *, both: bool = False) -> View:
    """Draw the whole person, seated or standing at a counter, the working foot on the far side."""
    sheet, works = scene.sheet, posed_leg(scene)
    if scene.setting("position") == "seated":
        view = draw_panel(scene, SITS)
        person = seated(works if both else Leg.flat(-64.0), works)
        draw_chair(sheet, view, person.hip)
        draw_figure(sheet, view, person)
        return view
    other = works if both else Leg.flat(-30.0)
    view = draw_panel(scene, STANDS)
    draw_counter(sheet, view, 138.0, COUNTER, STANDS + PANEL_HALF)
    person = standing(LIFTED if scene.setting("legs") == 1 else other, works, counter_hand(scene))
    draw_figure(sheet, view, person)
    share = scene.amount("hands_share")
    if share > 0.0:
        start, tip = (view.at((250.0, COUNTER + up)) for up in (40.0 + 220.0 * share, 24.0))
        sheet.arrow(start, tip, "bears", width=8.0, head=22.0)
    caption(scene, "hold_on")
    return view
