"""The first metatarsophalangeal joint: the body it belongs to, the pose and load of each rung.

`pose` and `base_of_support` stand in :mod:`rungwise.core.first_mtp_poses`, where the points of a
pose are named; how load is counted is :mod:`rungwise.core.push_off`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from rungwise.core.bend import bend_available
from rungwise.core.errors import EvidenceError
from rungwise.core.evidence import Evidence
from rungwise.core.first_mtp_poses import base_of_support, is_seated, pose, setting
from rungwise.core.push_off import Bears, Task, assumed_in, share_of_push_off
from rungwise.core.terms import Body, Exam, Loads, Reason, Rung, Side

__all__ = ["base_of_support", "body_of", "loads", "pose"]

_MM_PER_CM = 10.0


# ------------------------------------------------------------------ the body


def body_of(exam: Exam, side: Side, book: Evidence) -> Body:
    """Lengths, bend and press of one foot, each unknown at the end that is safer.

    Parameters
    ----------
    exam : Exam
        The examination.
    side : {"right", "left"}
        Which foot.
    book : Evidence
        Body proportions and margins.

    Returns
    -------
    Body
        A length that was measured is taken as it is. One that was not comes from the foot length,
        and that from the height, at the low end: a shorter foot gets a lower heel stop and a
        thinner cloth. ``notes`` say which is which, and where the bend comes from.

    Notes
    -----
    The smaller of the sexes is taken when the sex is not known. The bend is that of
    :func:`rungwise.core.bend.bend_available`: from flat standing, its error taken off.

    Sources
    -------
    santos_2016 (foot length / height); mech_2 (truncated foot length can be measured reliably).
    """
    notes: list[Reason] = []

    def measured(key: str, what: str) -> float | None:
        value = exam.number(key, side)
        if value is not None:
            notes.append(book.reason("body.measured", what=what, side=side, value=value))
        return value

    def from_foot(row: str, what: str) -> float:
        share = book.low(row)
        value = share * foot
        notes.append(
            book.reason(
                "body.part_from_foot", what=what, side=side, value=round(value), share=share
            )
        )
        return value

    measured_foot = measured("foot_length_mm", "Foot length")
    to_joint = measured("heel_to_mtp_mm", "Heel-to-joint length")
    if measured_foot is not None:
        foot = measured_foot
    else:
        foot, note = _foot_length(exam, side, to_joint, book)
        notes.append(note)
    if measured_foot is not None and to_joint is not None:
        hallux = foot - to_joint
    else:
        hallux = from_foot("body.hallux_per_foot_length", "Big-toe length")
    if to_joint is None:
        to_joint = from_foot("body.heel_to_mtp_per_foot_length", "Heel-to-joint length")
    width = measured("foot_width_mm", "Foot width")
    if width is None:
        width = from_foot("body.foot_width_per_foot_length", "Foot width")
    bend, why = bend_available(exam, book, side)
    cm = exam.person.height_cm
    head = "body.mtp_height_per_foot_length"
    unknown = f"body.foot_length_per_height.{exam.person.sex or 'unknown'}"
    height = foot / book.value(unknown) if cm is None else cm * _MM_PER_CM
    return Body(
        foot_length_mm=foot,
        heel_to_mtp_mm=to_joint,
        hallux_mm=hallux,
        mtp_height_mm=book.value(head) * foot,
        foot_width_mm=width,
        ankle_height_mm=book.value("body.ankle_height_per_height") * height,
        leg_mm=book.value("body.leg_per_height") * height,
        thigh_mm=book.value("body.thigh_per_height") * height,
        mass_kg=exam.person.mass_kg,
        bend_available_deg=bend,
        press_max_n=exam.number("press_n", side),
        notes=(*notes, *why),
        mtp_height_range_mm=(book.low(head) * foot, book.high(head) * foot),
    )


def _foot_length(
    exam: Exam, side: Side, to_joint: float | None, book: Evidence
) -> tuple[float, Reason]:
    """Length [mm] of a foot that was not measured, and why."""
    height_cm = exam.person.height_cm
    if to_joint is not None:
        foot = to_joint / book.high("body.heel_to_mtp_per_foot_length")
        return foot, book.reason("body.foot_from_joint", side=side, value=round(foot))
    if height_cm is None:
        return book.value("body.foot_length_unknown"), book.reason("body.foot_unknown", side=side)
    sex = exam.person.sex or "unknown"
    foot = book.low(f"body.foot_length_per_height.{sex}") * height_cm * _MM_PER_CM
    handbook = book.value("body.foot_length_per_height.handbook") * height_cm * _MM_PER_CM
    who = {"female": "women", "male": "men", "unknown": "the smaller-footed sex"}[sex]
    return foot, book.reason(
        "body.foot_from_height",
        side=side,
        value=round(foot),
        height=height_cm,
        who=who,
        handbook=round(handbook),
    )


# ------------------------------------------------------------------ the load


def loads(rung: Rung, body: Body, book: Evidence) -> Loads:
    """How hard a rung loads the joint, as a share of the person's own walking push-off.

    Parameters
    ----------
    rung : Rung
        Family and settings.
    body : Body
        Mass and strongest press, where known.
    book : Evidence
        Inputs of the load model and limits of the tiers.

    Returns
    -------
    Loads
        Median and 5-95 % range; the tier goes by the high end, and an edge belongs to the lower
        tier. ``kg_per_foot`` is what a bathroom scale can check, None where it cannot.

    Notes
    -----
    Walking is 1 by definition. A squeeze between the ankles and slow lowering are never credited.
    Semi-tandem counts as tandem, fingertips as no hand, a toe bent by hand as a light press, a calf
    stretch as the flat foot that it is; a press while standing adds to the weight on the toe.
    """
    edges = (book.value("load.tier_low_max"), book.value("load.tier_middle_max"))
    if rung.family == "walking":  # the push-off itself, which tops the tiers
        return Loads(1.0, 1.0, 1.0, 1 + len(edges))
    task, assumed = _task(rung, body, book), assumed_in(book)
    shares = [share_of_push_off(task, assumed)]
    if task.press_max is not None:  # a weak press found never makes the rung count as lighter
        shares.append(share_of_push_off(replace(task, press_max=None), assumed))
    median, low, high = max(shares, key=lambda share: share[2])
    tier = 1 + sum(high > edge for edge in edges)
    return Loads(median, low, high, tier, _kg_per_foot(rung, body, book))


def _bears(rung: Rung) -> Bears:
    """What this foot bears, from position and legs."""
    if is_seated(rung):
        return "seated"
    return "one" if setting(rung, "legs") == 1 else "two"


_STANCE_BEARS: Mapping[str, Bears] = {
    "feet_together": "two",
    "semi_tandem": "rear",
    "tandem": "rear",
    "one_leg": "one",
}


def _task(rung: Rung, body: Body, book: Evidence) -> Task:
    """What the load model is asked for this rung."""
    settings = rung.settings
    mass = body.mass_kg or book.value("body.mass_unknown_kg")
    match rung.family:
        case "heel_raise":
            kept = 1.0 - setting(rung, "hands_share")
            return Task("raise", _bears(rung), kept, _on_knee(rung) / mass)
        case "arch_lift":
            return Task("arch", _bears(rung), 1.0 - setting(rung, "hands_share"))
        case "toe_press":
            found = None
            if body.press_max_n is not None:
                weight = mass * book.value("load.gravity_n_per_kg")
                step = book.value("load.press_step")
                found = step * math.ceil(body.press_max_n / weight / step)
            return Task(
                "press",
                "seated" if is_seated(rung) else "two",
                press=setting(rung, "press_share"),
                touch=setting(rung, "touch_share") / book.value("press.usual_touch"),
                press_max=found,
            )
        case "toe_bend":
            return Task("press", "seated", press=book.value("load.toe_bend_press"))
        case "calf_stretch":
            return Task("stance", "seated" if is_seated(rung) else "rear")
        case "balance":
            stance = str(settings.get("stance"))
            if stance not in _STANCE_BEARS:
                raise EvidenceError(f"rung {rung.name!r}: no load for stance {stance!r}")
            hand, soft = settings.get("hands") == "hand", settings.get("surface") == "soft"
            return Task("stance", _STANCE_BEARS[stance], hand=hand, soft=soft)
    raise EvidenceError(f"family {rung.family!r} has no load at this joint")


def _on_knee(rung: Rung) -> float:
    """Part of the weight on the knees that this foot bears [kg]; half where both feet work."""
    return setting(rung, "knees_kg") / (2.0 if rung.settings.get("both") else 1.0)


def _kg_per_foot(rung: Rung, body: Body, book: Evidence) -> float | None:
    """Weight under this foot in a heel raise or arch lift [kg]; None if the mass is not known."""
    if rung.family not in ("heel_raise", "arch_lift") or body.mass_kg is None:
        return None
    if is_seated(rung):
        knees = _on_knee(rung) if rung.family == "heel_raise" else 0.0
        return body.mass_kg * book.value("load.seated_foot_weight") + knees
    return body.mass_kg * (1.0 - setting(rung, "hands_share")) / setting(rung, "legs")
