"""The pose of each rung of the first metatarsophalangeal joint: the leg, the props, the bend.

A pose is one leg from the side, metres, x forward from the joint axis, y up, floor at y = 0. The
side of the body plays no part in it. Names of the points:

    hip knee ankle           centres of the joints; shoulder, head, hand complete the figure
    heel_bottom              underside of the heel at its back edge: where a heel stop is measured
    heel_back                back of the heel, half an ankle height above it
    arch                     underside of the middle of the foot
    sole                     front end of the sole, behind the ball
    ball                     lowest point of the ball of the foot
    mtp_axis                 axis of the big-toe joint
    toe_root toe_pad toe_tip underside of the toe: at the ball, where it touches, at its end
    seat                     underside of the thigh on the chair (seated poses)
    other_knee other_ankle other_heel_bottom other_ball other_toe_tip
                             the other leg, where it is somewhere else

Props: cloth, roll (under the toe), block (heel stop, its top edge level with the heel), ball (held
between the ankles), chair_seat, counter, mat.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import NamedTuple

from rungwise.core.errors import EvidenceError
from rungwise.core.evidence import Evidence
from rungwise.core.planar import (
    Point,
    Pose,
    Prop,
    bend_from_cloth,
    bend_from_cloth_reach,
    bend_from_heel_height,
    bend_from_roll_at,
    bend_from_roll_touch,
    cloth_for_bend,
    heel_height,
    middle_joint,
    place_of_roll,
    roll_for_bend,
    turned,
)
from rungwise.core.terms import Body, Rung

__all__ = ["base_of_support", "is_seated", "pose", "setting"]

Points = dict[str, Point]


def base_of_support(stance: str, body: Body) -> tuple[float, float]:
    """Side-to-side and front-to-back size of the base of a stance.

    Parameters
    ----------
    stance : {"feet_together", "semi_tandem", "tandem", "one_leg"}
        The stance.
    body : Body
        Foot length and width.

    Returns
    -------
    (width_mm, length_mm)
        Rank stances by the width: tandem halves it and doubles the length, so the area hides it.

    Raises
    ------
    EvidenceError
        For a stance without a base.
    """
    width, length = body.foot_width_mm, body.foot_length_mm
    bases = {
        "feet_together": (2.0 * width, length),
        "semi_tandem": (2.0 * width, length + length / 2.0),
        "tandem": (width, 2.0 * length),
        "one_leg": (width, length),
    }
    if stance not in bases:
        raise EvidenceError(f"no base of support for stance {stance!r}; known: {', '.join(bases)}")
    return bases[stance]


# ------------------------------------------------------------------ the figure


def pose(rung: Rung, body: Body, book: Evidence) -> Pose:
    """Where the body is on one rung, the bend it makes, the sizes a patient is told.

    Parameters
    ----------
    rung : Rung
        Family and settings.
    body : Body
        Lengths and bend available.
    book : Evidence
        Rounding steps and limits.

    Returns
    -------
    Pose
        Sizes are rounded down first and the pose then made from them, so what is drawn is what is
        given. ``problems`` name the rules that make the rung impossible; the points are then those
        of the flat foot.

    Raises
    ------
    EvidenceError
        When the family has no pose here, or the rung lacks a setting that its family needs.
    """
    try:
        make = _POSES[rung.family]
    except KeyError:
        raise EvidenceError(f"family {rung.family!r} has no pose at this joint") from None
    return make(rung, body, book)


def setting(rung: Rung, key: str) -> float:
    """A setting of the rung as a number."""
    value = rung.settings.get(key)
    if value is None or isinstance(value, str):
        raise EvidenceError(f"rung {rung.name!r}: setting {key!r} is {value!r}, not a number")
    return float(value)


def _m(length_mm: float) -> float:
    """A length in metres [m]."""
    return length_mm / 1000.0


def is_seated(rung: Rung) -> bool:
    """Whether the rung is done on a chair; anything but seated or standing is an error."""
    position = rung.settings.get("position")
    if position not in ("seated", "standing"):
        raise EvidenceError(f"rung {rung.name!r}: position {position!r} is not seated or standing")
    return position == "seated"


def _round_down(size: float, step: float) -> float:
    """The largest whole number of steps that is not above the size."""
    return step * math.floor(size / step)


def _foot(
    body: Body,
    book: Evidence,
    axis_height_mm: float | None = None,
    foot_deg: float = 0.0,
    toe_deg: float = 0.0,
    touch_mm: float | None = None,
) -> Points:
    """Points of the foot: heel part turned by `foot_deg`, toe by `toe_deg`, toe end up positive."""
    a, length = _m(body.mtp_height_mm), _m(body.heel_to_mtp_mm)
    height = a if axis_height_mm is None else _m(axis_height_mm)
    if touch_mm is None:
        touch_mm = book.value("press.usual_touch") * body.hallux_mm
    ankle = _m(body.ankle_height_mm)
    ahead = book.value("body.ankle_ahead_per_foot_length") * _m(body.foot_length_mm)
    axis = (0.0, height)
    floor = height - a
    foot = {
        "heel_bottom": (-length, floor),
        "heel_back": (-length, floor + ankle / 2.0),
        "ankle": (ahead - length, floor + ankle),
        "arch": (-length / 2.0, floor + a / 2.0),
        "sole": (0.0, floor),
    }
    toe = {
        "toe_root": (0.0, floor),
        "toe_pad": (_m(touch_mm), floor),
        "toe_tip": (_m(body.hallux_mm), floor),
    }
    return {
        **{name: turned(point, axis, foot_deg) for name, point in foot.items()},
        "mtp_axis": axis,
        "ball": (0.0, floor),
        **{name: turned(point, axis, toe_deg) for name, point in toe.items()},
    }


def _box(left: float, right: float, bottom: float, top: float) -> tuple[Point, ...]:
    """Corners of an upright rectangle, counter-clockwise from the lower left [m]."""
    return ((left, bottom), (right, bottom), (right, top), (left, top))


def _trunk(points: Points, body: Body, book: Evidence) -> None:
    """Add shoulder, head and a hand that hangs at the side; they serve the drawing alone."""
    height = _m(body.thigh_mm) / book.value("body.thigh_per_height")
    x, y = points["hip"]
    points["shoulder"] = (x, y + book.value("body.trunk_per_height") * height)
    points["head"] = (x, points["shoulder"][1] + book.value("body.head_per_height") * height)
    points["hand"] = (x, y)


def _sit(points: Points, body: Body, book: Evidence) -> list[Prop]:
    """Add the seated leg and the chair; the hip stays where it is with the foot flat."""
    leg, thigh = _m(body.leg_mm), _m(body.thigh_mm)
    flat = _foot(body, book)["ankle"]
    points["hip"] = (flat[0] - thigh, flat[1] + leg)
    points["knee"] = middle_joint(points["hip"], points["ankle"], thigh, leg)
    return [_chair(points, body, book)]


def _chair(points: Points, body: Body, book: Evidence, front: float = 0.5) -> Prop:
    """Add trunk and seat point; return the seat, which reaches this part of a thigh forward."""
    _trunk(points, body, book)
    drop = _m(body.ankle_height_mm)
    x, y = points["hip"]
    points["seat"] = (x, y - drop)
    thigh = _m(body.thigh_mm)
    seat = _box(x - thigh / 2.0, x + front * thigh, y - drop - drop / 2.0, y - drop)
    return Prop("chair_seat", seat)


def _stand(
    points: Points, body: Body, book: Evidence, hip_over: float | None = None, holds: str = "near"
) -> list[Prop]:
    """Add the straight standing leg, the hip above `hip_over` [m], and the counter in reach."""
    reach = _m(body.leg_mm + body.thigh_mm)
    ankle = points["ankle"]
    lean = 0.0 if hip_over is None else hip_over - ankle[0]
    rise = math.sqrt(reach * reach - lean * lean)
    points["hip"] = (ankle[0] + lean, ankle[1] + rise)
    share = _m(body.leg_mm) / reach
    points["knee"] = (ankle[0] + share * lean, ankle[1] + share * rise)
    _trunk(points, body, book)
    return [_counter(points, body, book, holds)]


def _counter(points: Points, body: Body, book: Evidence, holds: str) -> Prop:
    """The counter in front, at hip height; the hand lies on it unless it is only near."""
    height = _m(body.thigh_mm) / book.value("body.thigh_per_height")
    half = _m(body.foot_length_mm) / 2.0 / 2.0
    x = points["shoulder"][0] + book.value("body.reach_per_height") * height
    top = points["hip"][1]
    if holds != "near":
        points["hand"] = (x, top)
    return Prop("counter", _box(x - half, x + half, 0.0, top))


def _other_leg(points: Points, body: Body, ahead: float, up: float = 0.0) -> None:
    """Add the other leg, its flat foot moved forward and up from this one [m]."""
    flat = {
        "other_ankle": points["ankle"],
        "other_heel_bottom": points["heel_bottom"],
        "other_ball": points["ball"],
        "other_toe_tip": points["toe_tip"],
    }
    for name, (x, y) in flat.items():
        points[name] = (x + ahead, y + up)
    points["other_knee"] = middle_joint(
        points["hip"], points["other_ankle"], _m(body.thigh_mm), _m(body.leg_mm)
    )


_LINKS = (
    ("head", "shoulder"),
    ("shoulder", "hip"),
    ("shoulder", "hand"),
    ("hip", "other_knee"),
    ("other_knee", "other_ankle"),
    ("other_ankle", "other_heel_bottom"),
    ("other_heel_bottom", "other_ball"),
    ("other_ball", "other_toe_tip"),
    ("hip", "knee"),
    ("knee", "ankle"),
    ("ankle", "mtp_axis"),
    ("ankle", "heel_back"),
    ("heel_back", "heel_bottom"),
    ("heel_bottom", "sole"),
    ("toe_root", "toe_tip"),
)


def _posed(
    points: Points,
    props: list[Prop],
    bend_deg: float = 0.0,
    sizes_mm: Mapping[str, float] | None = None,
    problems: tuple[str, ...] = (),
    bend_high_deg: float | None = None,
) -> Pose:
    links = tuple(link for link in _LINKS if link[0] in points and link[1] in points)
    high = bend_deg if bend_high_deg is None else bend_high_deg
    return Pose(points, links, tuple(props), bend_deg, dict(sizes_mm or {}), problems, high)


# ------------------------------------------------------------------ one pose a family


class _Layer(NamedTuple):
    """What lies under the toe: thickness, place on the floor, touch along the toe, the bend."""

    kind: str = ""
    thickness_mm: float = 0.0
    place_mm: float = 0.0
    touch_mm: float = 0.0
    bend_deg: float = 0.0
    bend_high_deg: float = 0.0
    problem: str = ""


def _layer(target_deg: float, touch_mm: float, body: Body, book: Evidence) -> _Layer:
    """The cloth or roll for a bend, its thickness rounded down, and the bend that it then makes.

    The target holds even if the joint stands higher than thought and the cloth lies a little
    nearer to it than told: both make the same thickness bend the toe more.
    """
    a, high = body.mtp_height_mm, body.mtp_heights_mm[1]
    near = touch_mm - book.value("press.place_error_mm")
    if target_deg <= 0.0:
        return _Layer(problem="press.no_bend")
    if touch_mm >= body.hallux_mm:
        return _Layer(problem="press.beyond_tip")
    if near <= 0.0:
        return _Layer(problem="press.under_ball")
    folded = target_deg < book.value("press.cloth_below_deg")
    exact = float((cloth_for_bend if folded else roll_for_bend)(target_deg, near, high))
    if math.isnan(exact):
        return _Layer(problem="press.under_ball")
    if exact < book.value("press.thinnest_mm"):
        return _Layer(problem="press.thin_cloth")
    step = book.value("press.thickness_step_mm")
    thickness, place, most = _round_down(exact, step), 0.0, 0.0
    if folded:
        bend = float(bend_from_cloth(thickness, touch_mm, a))
        most = float(bend_from_cloth(thickness, near, high))
        edge = turned((touch_mm, thickness - a), (0.0, 0.0), -bend)
        return _Layer("cloth", thickness, touch_mm, edge[0], bend, most)
    while thickness >= book.value("press.thinnest_mm"):
        # The patient is told where the roll lies on the floor, so the limit must hold there too.
        place = float(place_of_roll(thickness, touch_mm, a))
        nearer = place - book.value("press.place_error_mm")
        most = max(
            float(bend_from_roll_touch(thickness, near, high)),
            float(bend_from_roll_at(thickness, nearer, high)),
        )
        if most <= target_deg:  # false where the roll would come to lie under the ball
            break
        thickness -= step
    else:
        return _Layer(problem="press.under_ball")
    bend = float(bend_from_roll_touch(thickness, touch_mm, a))
    return _Layer("roll", thickness, place, touch_mm, bend, most)


def _toe_press(rung: Rung, body: Body, book: Evidence) -> Pose:
    touch = setting(rung, "touch_share") * body.hallux_mm
    share = setting(rung, "bend_share")
    a = body.mtp_height_mm
    sizes = {"touch_mm": touch}
    layer = _Layer(touch_mm=touch)
    if rung.settings.get("ball_on_cloth"):
        thickness = book.value("press.flat_cloth_mm")
        bend = float(bend_from_cloth_reach(thickness, -a, a, body.heel_to_mtp_mm))
        layer = _Layer("cloth", thickness, -a, touch, bend, bend)
        points = _foot(body, book, a + thickness, -bend, 0.0, touch)
    else:
        if share > 0.0:
            layer = _layer(share * body.bend_available_deg, touch, body, book)
        points = _foot(body, book, toe_deg=layer.bend_deg, touch_mm=layer.touch_mm or touch)
    if is_seated(rung):
        props = _sit(points, body, book)
    else:
        props = _stand(points, body, book, holds="hand")
    if layer.kind:
        sizes |= {"cloth_thickness_mm": layer.thickness_mm, "place_mm": layer.place_mm}
        props.append(_prop_of(layer, points, body))
    problems = (layer.problem,) if layer.problem else ()
    return _posed(points, props, layer.bend_deg, sizes, problems, layer.bend_high_deg)


def _prop_of(layer: _Layer, points: Points, body: Body) -> Prop:
    """The roll, or the cloth from its near edge to a little beyond the toe."""
    place, thickness = _m(layer.place_mm), _m(layer.thickness_mm)
    if layer.kind == "roll":
        return Prop("roll", ((place, thickness / 2.0),), thickness / 2.0)
    end = max(points["toe_tip"][0], place) + _m(body.mtp_height_mm)
    return Prop("cloth", _box(place, end, 0.0, thickness))


def _heel_raise(rung: Rung, body: Body, book: Evidence) -> Pose:
    length, a, low = body.heel_to_mtp_mm, body.mtp_height_mm, body.mtp_heights_mm[0]
    target = setting(rung, "bend_share") * body.bend_available_deg
    stop = _round_down(float(heel_height(target, length, low)), book.value("raise.height_step_mm"))
    problems: tuple[str, ...] = ()
    if stop > book.value("raise.height_max_mm"):
        problems = ("raise.too_high",)
    elif stop < book.value("raise.height_min_mm"):
        problems = ("raise.low_stop",)
    if problems:
        stop = 0.0
    bend = float(bend_from_heel_height(stop, length, a))
    points = _foot(body, book, foot_deg=-bend)
    if is_seated(rung):
        props = _sit(points, body, book)
    else:
        holds = "hand" if setting(rung, "hands_share") > 0.0 else "near"
        props = _stand(points, body, book, hip_over=0.0, holds=holds)
        if setting(rung, "legs") == 1:
            _lift_other(points, body)
    x = points["heel_bottom"][0]
    if stop > 0.0:
        wide = _m(body.ankle_height_mm)
        props.append(Prop("block", _box(x - wide, x, 0.0, _m(stop))))
    if rung.settings.get("squeeze"):
        props.append(Prop("ball", (points["ankle"],), _m(body.ankle_height_mm) / 2.0))
    most = float(bend_from_heel_height(stop, length, low))
    return _posed(points, props, bend, {"heel_height_mm": stop}, problems, most)


def _lift_other(points: Points, body: Body) -> None:
    """Add the other leg, lifted half a shank up and back."""
    half = _m(body.leg_mm) / 2.0
    _other_leg(points, body, -half, half)


def _arch_lift(rung: Rung, body: Body, book: Evidence) -> Pose:
    points = _foot(body, book)
    if is_seated(rung):
        return _posed(points, _sit(points, body, book))
    holds = "hand" if setting(rung, "hands_share") > 0.0 else "near"
    props = _stand(points, body, book, holds=holds)
    if setting(rung, "legs") == 1:
        _lift_other(points, body)
    return _posed(points, props)


def _balance(rung: Rung, body: Body, book: Evidence) -> Pose:
    stance = str(rung.settings.get("stance"))
    width, length = base_of_support(stance, body)
    points = _foot(body, book)
    ahead = _m(length - body.foot_length_mm)
    holds = str(rung.settings.get("hands"))
    props = _stand(points, body, book, points["ankle"][0] + ahead / 2.0, holds)
    if ahead > 0.0:
        _other_leg(points, body, ahead)
    elif stance == "one_leg":
        _lift_other(points, body)
    sizes = {"base_width_mm": width, "base_length_mm": length}
    if rung.settings.get("surface") == "soft":
        return _on_mat(points, props, sizes, body, book)
    return _posed(points, props, sizes_mm=sizes)


def _on_mat(
    points: Points, props: list[Prop], sizes: dict[str, float], body: Body, book: Evidence
) -> Pose:
    """The same pose on a mat: body and hand support up by its thickness."""
    up = _m(book.value("pose.mat_thickness_mm"))
    lifted = {name: (x, y + up) for name, (x, y) in points.items()}
    raised = [
        Prop(p.kind, tuple((x, y + up if y > 0.0 else y) for x, y in p.points), p.radius_m)
        for p in props
    ]
    feet = [lifted[name][0] for name in ("heel_bottom", "toe_tip")]
    feet += [lifted[n][0] for n in ("other_heel_bottom", "other_toe_tip") if n in lifted]
    beyond = _m(body.ankle_height_mm)
    mat = Prop("mat", _box(min(feet) - beyond, max(feet) + beyond, 0.0, up))
    return _posed(lifted, [*raised, mat], sizes_mm=sizes)


def _toe_bend(rung: Rung, body: Body, book: Evidence) -> Pose:
    bend = setting(rung, "bend_share") * body.bend_available_deg
    problems = ("toe_bend.no_bend",) if bend < book.value("toe_bend.least_deg") else ()
    points = _foot(body, book, toe_deg=bend)
    props = _sit(points, body, book)
    lean = -book.value("pose.reach_lean_deg")
    points |= {n: turned(points[n], points["hip"], lean) for n in ("shoulder", "head")}
    points["hand"] = points["toe_tip"]
    return _posed(points, props, bend, problems=problems)


def _calf_stretch(rung: Rung, body: Body, book: Evidence) -> Pose:
    leg, thigh = _m(body.leg_mm), _m(body.thigh_mm)
    if is_seated(rung):
        lean = math.degrees(math.acos(leg / (leg + thigh)))
        heel = _foot(body, book)["heel_bottom"]
        level = {n: turned(p, heel, lean) for n, p in _foot(body, book).items()}
        points = {**level, "ball": level["sole"]}
        knee = (points["ankle"][0], points["ankle"][1] + leg)
        hip = (points["ankle"][0], points["ankle"][1] + leg + thigh)
        points["knee"] = turned(knee, points["ankle"], lean)
        points["hip"] = turned(hip, points["ankle"], lean)
        seat = _chair(points, body, book, front=0.0)
        points["hand"] = points["knee"]
        return _posed(points, [seat])
    lean = -book.value("pose.calf_lean_deg")
    points = _foot(body, book)
    ankle = points["ankle"]
    points["knee"] = turned((ankle[0], ankle[1] + leg), ankle, lean)
    above = (points["knee"][0], points["knee"][1] + thigh)
    points["hip"] = turned(above, points["knee"], lean)
    _trunk(points, body, book)
    _other_leg(points, body, _m(body.foot_length_mm))
    return _posed(points, [_counter(points, body, book, "hand")])


def _walking(_rung: Rung, body: Body, book: Evidence) -> Pose:
    points = _foot(body, book)
    _stand(points, body, book)
    return _posed(points, [])


_POSES: Mapping[str, Callable[[Rung, Body, Evidence], Pose]] = {
    "toe_press": _toe_press,
    "heel_raise": _heel_raise,
    "arch_lift": _arch_lift,
    "balance": _balance,
    "toe_bend": _toe_bend,
    "calf_stretch": _calf_stretch,
    "walking": _walking,
}
