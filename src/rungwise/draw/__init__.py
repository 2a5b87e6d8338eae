"""Draw an exercise: `draw_pose` makes one picture from the very pose the loads were computed from.

The picture is a self-contained SVG, 105 mm x 70 mm, with presentation attributes only: it stands in
a printed page, in a web page and in a phone page alike, and it can be read in black and white. A
right foot, seen from its inner side, points its toes to the reader's left, a left foot to the
right; from above the big toes lie on the inner sides. The side is printed as a word. Nothing is
ever mirrored for a script that runs from right to left.

Every word comes in as a value of `labels`; `DEFAULT_LABELS` is the English set and names every key:

- side and view: ``right_foot left_foot both_feet right left seen_from_above``
- sizes: ``bend`` {deg}, ``cloth_thickness`` ``place`` ``heel_height`` {mm}, ``load`` {kg},
  ``minutes`` {minutes}
- what to do: ``touch_here lower_slowly heel_down hold_on fingertips hands_near``
- titles: ``title.<family>``
- the picture in words: ``alt.side`` {side}; ``alt.seated alt.standing alt.one_leg``;
  ``alt.toe_press.cloth`` and ``.roll`` {thick} {place} {deg}, ``alt.toe_press.flat`` {thick};
  ``alt.heel_raise`` {height} {deg}, ``alt.heel_raise.flat``, ``alt.squeeze``, ``alt.load`` {kg},
  ``alt.hands_bear``, ``alt.lower_slowly``; ``alt.arch_lift``; ``alt.balance.<stance>`` {side},
  ``alt.hands.<hands>``, ``alt.soft``; ``alt.toe_bend`` {deg};
  ``alt.calf_stretch.straight`` ``.bent`` ``.seated``; ``alt.walking.<terrain>``,
  ``alt.minutes`` {minutes}

Parts that carry a number can be found in the SVG by their ``data-part`` (``cloth``, ``roll``,
``stop``, ``line.foot``, ``line.toe``, ``print.works`` …) and measured there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from rungwise.core.errors import Fault, InputError
from rungwise.core.terms import Body, Fitted
from rungwise.draw.feet import draw_arch_lift, draw_heel_raise, draw_toe_bend, draw_toe_press
from rungwise.draw.people import draw_balance, draw_calf_stretch, draw_walking
from rungwise.draw.scene import HEIGHT, WIDTH, Scene
from rungwise.draw.sheet import Sheet, cleaned
from rungwise.draw.told import TELL

__all__ = ["DEFAULT_LABELS", "Drawing", "draw_pose"]

DEFAULT_LABELS: Mapping[str, str] = {
    "right_foot": "Right foot",
    "left_foot": "Left foot",
    "both_feet": "Both feet",
    "right": "right",
    "left": "left",
    "seen_from_above": "seen from above",
    "bend": "{deg}°",
    "cloth_thickness": "{mm} mm",
    "place": "{mm} mm",
    "heel_height": "{mm} mm",
    "load": "{kg} kg",
    "minutes": "{minutes} minutes",
    "touch_here": "press here",
    "lower_slowly": "lower slowly",
    "heel_down": "heel stays down",
    "hold_on": "hold on",
    "fingertips": "fingertips touch",
    "hands_near": "hands near",
    "title.toe_press": "Toe press",
    "title.heel_raise": "Heel raise",
    "title.arch_lift": "Arch lift",
    "title.balance": "Balance",
    "title.toe_bend": "Toe bend by hand",
    "title.calf_stretch": "Calf stretch",
    "title.walking": "Walking",
    "alt.side": "{side}, seen from the inner side.",
    "alt.seated": "The person sits on a chair.",
    "alt.standing": "The person stands at a counter.",
    "alt.one_leg": "The person stands on this leg at a counter.",
    "alt.toe_press.cloth": "A folded cloth, {thick} mm thick, lies under the big toe. "
    "Its edge is {place} mm in front of the joint. The toe is bent up {deg} degrees "
    "and presses down. The heel and the ball of the foot stay down.",
    "alt.toe_press.roll": "A rolled cloth, {thick} mm thick, lies under the big toe. "
    "Its middle is {place} mm in front of the joint. The toe is bent up {deg} degrees "
    "and presses down. The heel and the ball of the foot stay down.",
    "alt.toe_press.flat": "A folded cloth, {thick} mm thick, lies under the big toe and the ball "
    "of the foot. The toe is not bent up. It presses down.",
    "alt.heel_raise": "The heel is lifted level with the top of books, {height} mm high. "
    "The big toe is bent {deg} degrees. The toes stay flat.",
    "alt.heel_raise.flat": "The heel is on the floor.",
    "alt.squeeze": "The ankles hold a folded cloth.",
    "alt.load": "A weight of {kg} kg lies on the knees.",
    "alt.hands_bear": "The hands push down on the counter.",
    "alt.lower_slowly": "An arrow says: lower slowly.",
    "alt.arch_lift": "The arch rises. The toes stay long and flat. "
    "The heel and the ball of the foot stay down.",
    "alt.balance.feet_together": "Both feet from above, side by side. They touch.",
    "alt.balance.semi_tandem": "Both feet from above. {side} is half a step behind.",
    "alt.balance.tandem": "Both feet from above, one in line behind the other. {side} is behind.",
    "alt.balance.one_leg": "{side} from above. The other foot is in the air.",
    "alt.hands.hand": "The person holds on to a counter.",
    "alt.hands.fingertips": "The fingertips touch a counter.",
    "alt.hands.near": "The hands are just above a counter.",
    "alt.soft": "The person stands on a cushion.",
    "alt.toe_bend": "The person sits. The foot rests on the other knee. "
    "A hand holds the big toe close to its joint and bends it up {deg} degrees.",
    "alt.calf_stretch.straight": "{side} is behind. The person leans on a wall with both hands. "
    "The back knee is straight. The back heel stays down.",
    "alt.calf_stretch.bent": "{side} is behind. The person leans on a wall with both hands. "
    "The back knee is bent. The back heel stays down.",
    "alt.calf_stretch.seated": "{side}: the person sits with this leg straight. "
    "A long cloth goes round the ball of the foot. The hands pull it.",
    "alt.walking.flat": "A person in shoes walks on flat ground.",
    "alt.walking.hills": "A person in shoes walks up a gentle hill.",
    "alt.walking.stairs": "A person in shoes walks up stairs and holds the rail.",
    "alt.minutes": "A clock shows {minutes} minutes.",
}


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


def draw_pose(fitted: Fitted, body: Body, labels: Mapping[str, str] = DEFAULT_LABELS) -> Drawing:
    """Show how an exercise is done by this foot, at its own sizes.

    Parameters
    ----------
    fitted : Fitted
        Rung, side and pose.
    body : Body
        Lengths of that foot.
    labels : mapping of str to str
        Words in the patient's language by key; a key that is missing is said in English. They are
        text: whatever they hold is printed, never run.

    Returns
    -------
    Drawing
        The same for the same arguments, to the byte.

    Raises
    ------
    InputError
        For a family without a picture and for a pose with problems: what cannot be done is not
        drawn.
    """
    family, pose = fitted.rung.family, fitted.pose
    if family not in _DRAW:
        known = ", ".join(sorted(_DRAW))
        raise _refused("rung.family", family, known, "Add a scene for this family.")
    if fitted.problems or pose.problems:
        problems = ", ".join(dict.fromkeys((*pose.problems, *fitted.problems)))
        raise _refused("pose.problems", problems, "none", "Choose another setting of this rung.")

    def say(key: str, **values: str) -> str:
        text = labels.get(key, DEFAULT_LABELS[key])
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
