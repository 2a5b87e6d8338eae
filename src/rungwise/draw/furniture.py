"""The furniture that an exercise needs, from the side, in the lengths of the whole person."""

from __future__ import annotations

import math

from rungwise.core.planar import Point
from rungwise.draw.curves import Curve, View, polyline
from rungwise.draw.figure import PEN, lay
from rungwise.draw.sheet import PAPER, Sheet

__all__ = ["draw_chair", "draw_counter", "draw_ground"]


def _bar(a: Point, b: Point, thick: float) -> Curve:
    """A straight bar with square ends."""
    length = math.dist(a, b)
    nx, ny = 0.5 * thick * (b[1] - a[1]) / length, -0.5 * thick * (b[0] - a[0]) / length
    corners = [(p[0] + k * nx, p[1] + k * ny) for p, k in ((a, 1), (b, 1), (b, -1), (a, -1))]
    return polyline(corners, closed=True)


def draw_chair(sheet: Sheet, view: View, hip: Point) -> None:
    """Draw a chair whose seat carries a person's hip."""
    x, y = hip
    seat = y - 66.0
    back = x - 98.0
    lay(
        sheet,
        view,
        [
            (_bar((back + 12.0, 0.0), (back + 12.0, seat), 20.0), PAPER),
            (_bar((x + 98.0, 0.0), (x + 98.0, seat), 20.0), PAPER),
            (_bar((back + 8.0, seat), (back - 12.0, seat + 330.0), 20.0), PAPER),
            (_bar((back, seat - 10.0), (x + 116.0, seat - 10.0), 24.0), PAPER),
        ],
    )


def draw_counter(sheet: Sheet, view: View, x: float, top: float, end: float) -> None:
    """Draw a counter in front of a person, from its near edge at x as far as `end`."""
    near = x + 20.0
    lay(
        sheet,
        view,
        [
            (
                polyline([(near, 0.0), (end, 0.0), (end, top - 20.0), (near, top - 20.0)], True),
                PAPER,
            ),
            (polyline([(x, top - 24.0), (end, top - 24.0), (end, top), (x, top)], True), PAPER),
        ],
    )
    for level in (56.0, top - 130.0):
        sheet.draw(polyline([(near, level), (end, level)]).moved(view), width=2.0)
    sheet.draw(
        polyline([(near + 50.0, top - 78.0), (near + 100.0, top - 78.0)]).moved(view), width=PEN
    )


def draw_ground(sheet: Sheet, view: View, left: float, right: float) -> None:
    """Draw the floor as a line."""
    sheet.draw(polyline([(left, 0.0), (right, 0.0)]).moved(view), width=PEN, under_text=True)
