"""A whole person from the side, built from joints.

Lengths are thousandths of the body height, x forward, y up, floor at y = 0. The proportions make a
calm, ageless figure; nothing is measured from it. Limbs are laid as dark shapes first and light
ones over them, so that a limb and a trunk share one contour and no seam shows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from rungwise.core.planar import Point, middle_joint, turned
from rungwise.draw.curves import Curve, Knot, View, limb, smooth
from rungwise.draw.foot import side_view
from rungwise.draw.sheet import ACCENT, DARK, FAINT, GREY, PAPER, Box, Sheet

__all__ = [
    "ANKLE",
    "FOOT",
    "HEAD",
    "HIP",
    "LEVER",
    "PEN",
    "SHANK",
    "THIGH",
    "Figure",
    "Leg",
    "draw_figure",
    "lay",
    "seated",
    "standing",
]

ANKLE, SHANK, THIGH, TRUNK = 39.0, 246.0, 250.0, 285.0
FOOT, LEVER, HEAD = 148.0, 108.0, 13.0
UPPER_ARM, FOREARM = 168.0, 150.0
HIP = (-THIGH, ANKLE + SHANK)
"""Hip of a seated person whose ankle stands at x = 0."""
CLOTH = "#bdbdbd"
PEN = 3.6
"""Width of the contour of a figure [0.1 mm]."""


@dataclass(frozen=True, slots=True)
class Leg:
    """A leg from the side.

    Attributes
    ----------
    joint : Point       Axis of the big-toe joint.
    pitch_deg : float   How far the sole is tilted, heel up [deg].
    toe_deg : float     How far the toe is turned up from the floor [deg].
    works : bool        The exercise is for this foot.
    shod : bool         The foot wears a shoe.
    """

    joint: Point
    pitch_deg: float = 0.0
    toe_deg: float = 0.0
    works: bool = False
    shod: bool = False

    @classmethod
    def flat(
        cls,
        ahead: float = 0.0,
        *,
        up: float = 0.0,
        pitch_deg: float = 0.0,
        toe_deg: float = 0.0,
        works: bool = False,
    ) -> Leg:
        """A leg whose ankle is at `ahead` while the foot is flat.

        The joint stays when the heel is lifted (`pitch_deg` [deg]) or the toe turned up
        (`toe_deg` [deg]).
        """
        return cls((LEVER - 0.235 * FOOT + ahead, HEAD + up), pitch_deg, toe_deg, works)

    @classmethod
    def at_ankle(cls, ankle: Point, pitch_deg: float, *, works: bool = False) -> Leg:
        """A leg by where its ankle is, the sole tilted by `pitch_deg` [deg], the toe in line."""
        x, y = turned((LEVER - 0.235 * FOOT, HEAD - ANKLE), (0.0, 0.0), -pitch_deg)
        return cls((ankle[0] + x, ankle[1] + y), pitch_deg, -pitch_deg, works)

    @classmethod
    def on_heel(cls, ahead: float, up_deg: float, *, up: float = 0.0) -> Leg:
        """A leg in a shoe whose heel has touched the ground, the toes still `up_deg` [deg] up."""
        _, low = turned((-LEVER, -HEAD), (0.0, 0.0), up_deg)
        return cls((ahead, up - low), -up_deg, up_deg, works=True, shod=True)

    @property
    def ankle(self) -> Point:
        """Middle of the ankle."""
        x, y = turned((0.235 * FOOT - LEVER, ANKLE - HEAD), (0.0, 0.0), -self.pitch_deg)
        return (self.joint[0] + x, self.joint[1] + y)


@dataclass(frozen=True, slots=True)
class Figure:
    """A person from the side; the near leg and arm are the ones on the viewer's side.

    Attributes
    ----------
    hip : Point                   Both hips.
    near, far : Leg               The legs.
    lean_deg : float              Lean of the trunk forward of upright [deg].
    near_hand, far_hand : Point   Where the hands are.
    crossed : bool                The far foot rests on the near knee.
    """

    hip: Point
    near: Leg
    far: Leg
    near_hand: Point
    far_hand: Point
    lean_deg: float = 0.0
    crossed: bool = False

    def letting_go(self) -> Figure:
        """The same person with the far hand at the side."""
        return replace(self, far_hand=(self.hip[0] + 12.0, self.hip[1] - 20.0))


Shape = tuple[Curve, str]


class _Along:
    """A frame from one joint to the next: u along it (0 to 1), v to its forward side."""

    def __init__(self, start: Point, end: Point) -> None:
        self.start = start
        self.dx, self.dy = end[0] - start[0], end[1] - start[1]
        self.length = math.hypot(self.dx, self.dy) or 1.0
        self.angle = math.degrees(math.atan2(self.dy, self.dx))

    def put(self, u: float, v: float, heading: float) -> Knot:
        """A knot whose heading is counted from the frame's own direction."""
        nx, ny = self.dy / self.length, -self.dx / self.length
        return (
            self.start[0] + u * self.dx + v * nx,
            self.start[1] + u * self.dy + v * ny,
            self.angle + heading,
        )


def _calf(ankle: Point, knee: Point, low: float) -> Curve:
    """A trouser leg over the calf, from `low` (0 ankle, 1 knee) up."""
    f = _Along(ankle, knee)
    return smooth(
        [
            f.put(1.0, 37.0, 176.0),
            f.put(0.5, 27.0, 177.0),
            f.put(low, 18.0, 178.0),
            f.put(low, -36.0, 2.0),
            f.put(0.62, -46.0, 0.0),
            f.put(1.0, -37.0, -6.0),
        ],
        closed=True,
    )


def _leg(leg: Leg, hip: Point) -> list[Shape]:
    knee = middle_joint(leg.ankle, hip, SHANK, THIGH)
    if math.isnan(knee[0]):
        knee = (0.5 * (leg.ankle[0] + hip[0]), 0.5 * (leg.ankle[1] + hip[1]))
    lean = math.degrees(math.atan2(knee[0] - leg.ankle[0], knee[1] - leg.ankle[1]))
    foot = side_view(
        leg.joint,
        length=FOOT,
        lever=LEVER,
        toe=FOOT - LEVER,
        head=HEAD,
        ankle_height=ANKLE,
        pitch_deg=leg.pitch_deg,
        toe_deg=leg.toe_deg,
        shank_deg=lean,
        leg=0.40,
    ).contour
    skin = ACCENT if leg.works else PAPER
    shapes = [
        (foot.shut(), skin),
        (_calf(leg.ankle, knee, 0.17), CLOTH),
        (limb(hip, knee, 63.0, 38.0), CLOTH),
    ]
    return [*shapes[:1], *_shoe(leg), *shapes[1:]] if leg.shod else shapes


def _shoe(leg: Leg) -> list[Shape]:
    """A shoe with a stiff sole that rolls up at its tip."""

    def put(x: float, y: float, heading: float) -> Knot:
        moved = turned((x - LEVER, y - HEAD), (0.0, 0.0), -leg.pitch_deg)
        return (leg.joint[0] + moved[0], leg.joint[1] + moved[1], heading - leg.pitch_deg)

    upper = [
        put(-5.0, 6.0, 92.0),
        put(-3.0, 56.0, 82.0),
        put(4.0, 66.0, 20.0),
        put(58.0, 68.0, -34.0),
        put(108.0, 36.0, -22.0),
        put(148.0, 22.0, -50.0),
        put(156.0, 8.0, -92.0),
    ]
    sole = [
        put(-9.0, 14.0, -92.0),
        put(0.0, -2.0, 0.0),
        put(104.0, -2.0, 0.0),
        put(162.0, 14.0, 48.0),
    ]
    return [
        (smooth(upper).shut(), ACCENT),
        (smooth(sole).shut(), GREY),
    ]


def _arm(shoulder: Point, hand: Point) -> list[Shape]:
    """An arm whose elbow points back; it stretches when the hand is out of reach."""
    span = math.dist(shoulder, hand)
    reach = UPPER_ARM + FOREARM
    stretch = max(1.0, span / (0.995 * reach))
    mirrored = middle_joint(
        (-shoulder[0], shoulder[1]), (-hand[0], hand[1]), UPPER_ARM * stretch, FOREARM * stretch
    )
    elbow = (-mirrored[0], mirrored[1])
    sleeve = (
        shoulder[0] + 0.62 * (elbow[0] - shoulder[0]),
        shoulder[1] + 0.62 * (elbow[1] - shoulder[1]),
    )
    along = _Along(elbow, hand)
    palm = along.put(1.0 + 20.0 / along.length, 0.0, 0.0)[:2]
    return [
        (limb(shoulder, elbow, 27.0, 21.0), PAPER),
        (limb(elbow, hand, 21.0, 15.0), PAPER),
        (limb(hand, palm, 17.0, 13.0), PAPER),
        (limb(shoulder, sleeve, 33.0, 29.0), FAINT),
    ]


def _trunk(hip: Point, shoulder: Point) -> Curve:
    f = _Along(hip, shoulder)
    return smooth(
        [
            f.put(-0.16, 20.0, 40.0),
            f.put(0.05, 60.0, 14.0),
            f.put(0.40, 60.0, 2.0),
            f.put(0.78, 72.0, 4.0),
            f.put(1.05, 34.0, 100.0),
            f.put(1.10, -8.0, 120.0),
            f.put(0.86, -66.0, 190.0),
            f.put(0.36, -50.0, 180.0),
            f.put(0.02, -66.0, 176.0),
            f.put(-0.16, -40.0, 230.0),
        ],
        closed=True,
    )


def _head(shoulder: Point, lean_deg: float) -> list[Shape]:
    """Neck and head in profile, and the hair."""
    tilt = 0.35 * lean_deg

    def put(x: float, y: float, heading: float) -> Knot:
        moved = turned((x, y), (0.0, 0.0), -tilt)
        return (shoulder[0] + moved[0], shoulder[1] + moved[1], heading - tilt)

    face = smooth(
        [
            put(12.0, 58.0, 0.0),
            put(52.0, 46.0, 20.0),
            put(68.0, 60.0, 95.0),
            put(69.0, 84.0, 70.0),
            put(82.0, 94.0, 110.0),
            put(72.0, 118.0, 95.0),
            put(70.0, 140.0, 92.0),
            put(14.0, 186.0, 180.0),
            put(-50.0, 126.0, -90.0),
            put(-28.0, 76.0, -60.0),
        ],
        closed=True,
    )
    hair = smooth(
        [
            put(67.0, 152.0, 110.0),
            put(14.0, 188.0, 180.0),
            put(-52.0, 126.0, -90.0),
            put(-31.0, 76.0, -62.0),
            put(-6.0, 104.0, 80.0),
            put(22.0, 142.0, 20.0),
        ],
        closed=True,
    )
    neck = limb(put(0.0, 0.0, 0.0)[:2], put(10.0, 70.0, 0.0)[:2], 34.0, 31.0)
    return [(neck, PAPER), (face, PAPER), (hair, GREY)]


def lay(sheet: Sheet, view: View, shapes: Sequence[Shape], pen: float = PEN) -> None:
    """Lay shapes that share one contour of a given width [0.1 mm]."""
    moved = [(curve.moved(view), fill) for curve, fill in shapes]
    for curve, _ in moved:
        sheet.draw(curve, fill=DARK, width=2.0 * pen)
    for curve, fill in moved:
        sheet.draw(curve, fill=fill, line="none", under_text=True)


def draw_figure(sheet: Sheet, view: View, person: Figure) -> None:
    """Lay a person on the sheet, the far limbs first."""
    marks, boxes = _laid(view, person)
    sheet.marks.extend(marks)
    for box in boxes:
        sheet.keep_clear(box)


@lru_cache(maxsize=512)
def _laid(view: View, person: Figure) -> tuple[tuple[str, ...], tuple[Box, ...]]:
    """The elements of a person and the boxes they take; the same person comes back often."""
    sheet, lean = Sheet(0.0, 0.0), person.lean_deg
    up = turned((0.0, TRUNK), (0.0, 0.0), -lean)
    shoulder = (person.hip[0] + up[0], person.hip[1] + up[1])
    body = [*_head(shoulder, lean), (_trunk(person.hip, shoulder), FAINT)]
    far = _crossed(person.far) if person.crossed else _leg(person.far, person.hip)
    lay(sheet, view, _arm(shoulder, person.far_hand))
    if not person.crossed:
        lay(sheet, view, far)
    lay(sheet, view, [*body, *_leg(person.near, person.hip)])
    if person.crossed:
        lay(sheet, view, far)
    lay(sheet, view, _arm(shoulder, person.near_hand))
    return tuple(sheet.marks), tuple(sheet.taken())


def _crossed(leg: Leg) -> list[Shape]:
    """The leg whose ankle lies on the other knee: its lower leg comes towards the viewer."""
    foot = side_view(
        leg.joint,
        length=FOOT,
        lever=LEVER,
        toe=FOOT - LEVER,
        head=HEAD,
        ankle_height=ANKLE,
        toe_deg=leg.toe_deg,
        shank_deg=-58.0,
        leg=0.30,
    ).contour
    ankle = leg.ankle
    knee = (ankle[0] - 92.0, ankle[1] + 20.0)
    return [(foot.shut(), ACCENT), (limb(knee, ankle, 50.0, 30.0), CLOTH)]


# ------------------------------------------------------------------ postures


def seated(near: Leg, far: Leg) -> Figure:
    """Sit a person on a chair, the hands on the thighs.

    The ankle of a flat foot stands at x = 0; the hip stays when a heel rises.
    """
    near_hand, far_hand = (
        (HIP[0] + 0.80 * THIGH + dx, HIP[1] + 62.0 + 0.8 * (leg.ankle[1] - ANKLE))
        for leg, dx in ((near, 0.0), (far, 16.0))
    )
    return Figure(HIP, near, far, near_hand, far_hand, 3.0)


def standing(near: Leg, far: Leg, hand: Point) -> Figure:
    """Stand a person on both feet, or on the far one when the near one is in the air."""
    one = near.joint[1] > HEAD + 50.0
    ahead = near.ankle[0] - far.ankle[0]
    x = far.ankle[0] + (6.0 if one else 0.5 * ahead + 4.0)
    span = max(x - far.ankle[0], 0.0 if one else abs(near.ankle[0] - x))
    low = far.ankle[1] if one else min(near.ankle[1], far.ankle[1])
    reach = SHANK + THIGH - 1.0
    hip = (x, low + math.sqrt(reach * reach - span * span))
    return Figure(hip, near, far, hand, (hand[0] + 8.0, hand[1]), 2.0)
