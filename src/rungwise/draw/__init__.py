"""Draw an exercise: `draw_pose` makes one picture from the very pose the loads were computed from.

The picture is a self-contained SVG, 105 mm x 70 mm, with presentation attributes only: it stands in
a printed page, in a web page and in a phone page alike, and it can be read in black and white. A
right foot, seen from its inner side, points its toes to the reader's left, a left foot to the
right; from above the big toes lie on the inner sides. The side is printed as a word. Nothing is
ever mirrored for a script that runs from right to left.

Every word comes in as a value, under the keys of `LABELS`; the texts stand with all other words
that a patient reads.

Parts that carry a number can be found in the SVG by their ``data-part`` (``cloth``, ``roll``,
``stop``, ``place``, ``thickness``, ``height``, ``line.foot``, ``line.toe``, ``joint``, ``heel``,
``print.right``, ``print.left``) and measured there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from rungwise.core.errors import Fault, InputError
from rungwise.core.terms import Body, Fitted
from rungwise.draw.feet import draw_arch_lift, draw_heel_raise, draw_toe_bend, draw_toe_press
from rungwise.draw.lettering import cleaned
from rungwise.draw.people import draw_balance, draw_calf_stretch, draw_walking
from rungwise.draw.scene import HEIGHT, WIDTH, Scene
from rungwise.draw.sheet import Sheet
from rungwise.draw.told import TELL

__all__ = ["LABELS", "Drawing", "draw_pose"]

LABELS: Mapping[str, tuple[str, ...]] = {
    # the side, and from where it is seen
    "right_foot": (),
    "left_foot": (),
    "both_feet": (),
    "right": (),
    "left": (),
    "right_shown": (),
    "left_shown": (),
    "seen_from_above": (),
    # sizes, as they are printed beside what they measure
    "bend": ("deg",),
    "millimetres": ("mm",),
    "centimetres": ("cm",),
    "centimetres_tenth": ("cm", "tenth"),
    "load": ("kg",),
    "minutes": ("minutes",),
    # what to do
    "touch_here": (),
    "lower_slowly": (),
    "heel_down": (),
    "hold_on": (),
    "fingertips": (),
    "hands_near": (),
    # the picture in words
    "alt.side": ("side",),
    "alt.both.right": (),
    "alt.both.left": (),
    "alt.seated": (),
    "alt.standing": (),
    "alt.one_leg": (),
    "alt.toe_press.cloth": ("thick", "place", "deg"),
    "alt.toe_press.roll": ("thick", "place", "deg"),
    "alt.toe_press.flat": ("thick",),
    "alt.heel_raise": ("height", "deg"),
    "alt.heel_raise.flat": (),
    "alt.squeeze": (),
    "alt.load": ("kg",),
    "alt.hands_bear": (),
    "alt.lower_slowly": (),
    "alt.arch_lift": (),
    "alt.balance.feet_together": (),
    "alt.balance.semi_tandem": ("side",),
    "alt.balance.tandem": ("side",),
    "alt.balance.one_leg": ("side",),
    "alt.hands.hand": (),
    "alt.hands.fingertips": (),
    "alt.hands.near": (),
    "alt.soft": (),
    "alt.toe_bend": ("deg",),
    "alt.calf_stretch.straight": ("side",),
    "alt.calf_stretch.seated": ("side",),
    "alt.walking.flat": (),
    "alt.walking.hills": (),
    "alt.walking.stairs": (),
    "alt.minutes": ("minutes",),
}
"""Key of each label, and the values that are filled into it in braces; besides these the title of
the family under ``title.<family>``."""

_DRAW: Mapping[str, Callable[[Scene], None]] = {
    "toe_press": draw_toe_press,
    "heel_raise": draw_heel_raise,
    "arch_lift": draw_arch_lift,
    "balance": draw_balance,
    "toe_bend": draw_toe_bend,
    "calf_stretch": draw_calf_stretch,
    "walking": draw_walking,
}


@dataclass(frozen=True)
class Drawing:
    """A picture and the same picture in words.

    Attributes
    ----------
    svg : str         The picture, a whole SVG document in one element.
    alt : str         What it shows: side, position, degrees and millimetres as drawn.
    width_mm : float  Width on paper [mm].
    height_mm : float Height on paper [mm].
    """

    svg: str
    alt: str
    width_mm: float
    height_mm: float


def draw_pose(fitted: Fitted, body: Body, labels: Mapping[str, str]) -> Drawing:
    """Show how an exercise is done by this foot, at its own sizes.

    Parameters
    ----------
    fitted : Fitted
        Rung, side and pose.
    body : Body
        Lengths of that foot.
    labels : mapping of str to str
        Words in the patient's language by the keys of `LABELS`. They are text: whatever they hold
        is printed, never run.

    Returns
    -------
    Drawing
        The same for the same arguments, to the byte.

    Raises
    ------
    InputError
        For a family without a picture, a missing label, and a pose with problems: what cannot be
        done is not drawn.
    """
    family, pose = fitted.rung.family, fitted.pose
    if family not in _DRAW:
        known = ", ".join(sorted(_DRAW))
        raise _refused("rung.family", family, known, "Add a scene for this family.")
    if fitted.problems or pose.problems:
        problems = ", ".join(dict.fromkeys((*pose.problems, *fitted.problems)))
        raise _refused("pose.problems", problems, "none", "Choose another setting of this rung.")

    def say(key: str, **values: str) -> str:
        if key not in labels:
            raise _refused("labels", f"none for {key!r}", "every key of LABELS", "Add its text.")
        text = labels[key]
        for name, value in values.items():
            text = text.replace(f"{{{name}}}", value)
        return cleaned(text)

    sheet = Sheet(WIDTH, HEIGHT)
    scene = Scene(sheet, fitted, body, say)
    _DRAW[family](scene)
    alt = " ".join(TELL[family](scene))
    side = say(scene.side_key)
    return Drawing(
        sheet.svg(f"{side}: {say(f'title.{family}')}", alt), alt, WIDTH / 10.0, HEIGHT / 10.0
    )


def _refused(field: str, given: str, allowed: str, remedy: str) -> InputError:
    return InputError("drawing", (Fault(field, given, allowed, remedy),))
