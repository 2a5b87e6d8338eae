"""The pictures in words, from the very values that are drawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from rungwise.draw.scene import Scene

__all__ = ["TELL"]


def _posture(scene: Scene) -> list[str]:
    """Side and position."""
    if scene.setting("position") == "seated":
        key = "alt.seated"
    else:
        key = "alt.one_leg" if scene.setting("legs") == 1 else "alt.standing"
    return [_side(scene), scene.say(key)]


def _side(scene: Scene) -> str:
    """Which foot is shown, and for which feet."""
    if scene.side_key == "both_feet":
        return scene.say(f"alt.both.{scene.fitted.side}")
    return scene.say("alt.side", side=scene.say(scene.side_key))


def _tell_toe_press(scene: Scene) -> list[str]:
    kind = "roll" if scene.prop("roll") else "cloth"
    if scene.setting("ball_on_cloth"):
        kind = "flat"
    return [*_posture(scene), scene.say(f"alt.toe_press.{kind}", **scene.told)]


def _tell_heel_raise(scene: Scene) -> list[str]:
    raised = scene.prop("block") is not None
    told = [
        *_posture(scene),
        scene.say("alt.heel_raise" if raised else "alt.heel_raise.flat", **scene.told),
    ]
    if scene.amount("knees_kg") > 0.0:
        told.append(scene.say("alt.load", **scene.told))
    if scene.amount("hands_share") > 0.0:
        told.append(scene.say("alt.hands_bear"))
    if scene.setting("squeeze"):
        told.append(scene.say("alt.squeeze"))
    return [*told, scene.say("alt.lower_slowly")] if raised else told


def _tell_arch_lift(scene: Scene) -> list[str]:
    return [*_posture(scene), scene.say("alt.arch_lift")]


def _tell_balance(scene: Scene) -> list[str]:
    side = scene.say(scene.side_key)
    told = [
        scene.say(f"alt.balance.{scene.setting('stance')}", side=side),
        scene.say(f"alt.hands.{scene.setting('hands')}"),
    ]
    return [*told, scene.say("alt.soft")] if scene.setting("surface") == "soft" else told


def _tell_toe_bend(scene: Scene) -> list[str]:
    return [_side(scene), scene.say("alt.toe_bend", **scene.told)]


def _tell_calf_stretch(scene: Scene) -> list[str]:
    how = "seated" if scene.setting("position") == "seated" else "straight"
    return [scene.say(f"alt.calf_stretch.{how}", side=scene.say(scene.side_key))]


def _tell_walking(scene: Scene) -> list[str]:
    told = [scene.say(f"alt.walking.{scene.setting('terrain')}")]
    if scene.amount("minutes") > 0.0:
        told.append(scene.say("alt.minutes", **scene.told))
    return told


TELL: Mapping[str, Callable[[Scene], list[str]]] = {
    "toe_press": _tell_toe_press,
    "heel_raise": _tell_heel_raise,
    "arch_lift": _tell_arch_lift,
    "balance": _tell_balance,
    "toe_bend": _tell_toe_bend,
    "calf_stretch": _tell_calf_stretch,
    "walking": _tell_walking,
}
