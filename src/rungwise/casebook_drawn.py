"""Drawings and codes of a plan, for the pages."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import lru_cache

from rungwise.core.terms import Plan

__all__ = ["Drawn", "drawing_of", "first_drawing", "qr_of"]


@dataclass(frozen=True)
class Drawn:
    """A drawing and what it shows in words."""

    svg: str
    alt: str


def drawing_of(plan: Plan, index: int, language: str = "") -> Drawn:
    """The drawing of one exercise of a plan, in the patient's language or another.

    Parameters
    ----------
    plan : Plan
        The plan.
    index : int
        Which exercise, from 0 [1].
    language : str
        Code of its language; empty for the patient's.
    """
    from rungwise.draw import draw_pose
    from rungwise.words import load_words

    exercise = plan.exercises[index]
    words = load_words(language or plan.exam.person.language)
    title = words.say(f"exercise.{exercise.family}.title")
    labels = {**words.under("drawing"), f"title.{exercise.family}": title}
    made = draw_pose(exercise.fitted, plan.bodies[exercise.side], labels)
    return Drawn(made.svg, made.alt)


@lru_cache(maxsize=64)
def qr_of(code: str) -> str:
    """A plan code as a QR code (ISO/IEC 18004), as SVG."""
    import segno

    drawn = io.BytesIO()
    made = segno.make_qr(code, error="l")
    made.save(drawn, kind="svg", border=4, xmldecl=False, svgclass=None)
    return drawn.getvalue().decode()


def first_drawing(plan: Plan) -> Drawn | None:
    """The drawing that bends the joint of the worse foot most, or else the first."""
    worse = plan.exam.worse_side

    def rank(index: int) -> tuple[bool, float]:
        exercise = plan.exercises[index]
        return exercise.both or exercise.side == worse, exercise.fitted.demand.bend_share

    found = range(len(plan.exercises))
    return drawing_of(plan, max(found, key=rank)) if found else None
