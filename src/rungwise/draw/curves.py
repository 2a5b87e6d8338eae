"""Smooth curves, and how a picture in millimetres is laid on a sheet.

Curves are made in millimetres of the world (x forward, y up) and laid on the sheet (tenths of a
paper millimetre, y down) by a `View`: the one place where a side is turned. A right foot from its
inner side points to the reader's left.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple, TypeAlias

from rungwise.core.planar import Point

__all__ = [
    "Curve",
    "Knot",
    "View",
    "circle",
    "ellipse",
    "flattened",
    "hatching",
    "joined",
    "limb",
    "polyline",
    "rounded",
    "smooth",
]

Knot: TypeAlias = "tuple[float, float, float]"
"""Where a smooth curve passes and which way it heads there: x, y, heading [deg]."""


class View(NamedTuple):
    """How millimetres of the world lie on the sheet.

    Attributes
    ----------
    left, floor : float   Where the world's origin lies on the sheet [0.1 mm].
    scale : float         Sheet units to one millimetre [0.1 mm/mm].
    faces_left : bool     Forward is the reader's left (a right foot from its inner side).
    """

    left: float
    floor: float
    scale: float
    faces_left: bool = False

    def at(self, point: Point) -> Point:
        """Where a point of the world lies on the sheet."""
        across = self.scale * point[0]
        return (
            self.left + (-across if self.faces_left else across),
            self.floor - self.scale * point[1],
        )


class Curve(NamedTuple):
    """A path of straight and cubic pieces.

    Attributes
    ----------
    points : (n,) tuple   The start, then one point for each L and three (two handles, end) for
                          each C.
    kinds : str           One letter for each piece: L straight, C cubic.
    closed : bool         A straight piece leads back to the start.
    """

    points: tuple[Point, ...]
    kinds: str
    closed: bool = False

    @property
    def start(self) -> Point:
        """Where it begins."""
        return self.points[0]

    @property
    def end(self) -> Point:
        """Where its last piece ends."""
        return self.points[-1]

    def shut(self) -> Curve:
        """The curve with a straight piece back to its start."""
        return self._replace(closed=True)

    def moved(self, view: View) -> Curve:
        """The curve laid on the sheet."""
        left, floor, scale, faces_left = view
        across = -scale if faces_left else scale
        laid = tuple([(left + across * x, floor - scale * y) for x, y in self.points])
        return Curve(laid, self.kinds, self.closed)

    def pieces(self) -> Iterator[tuple[Point, ...]]:
        """Each piece with its start: two points of a straight one, four of a cubic."""
        i = 0
        for kind in self.kinds:
            step = 1 if kind == "L" else 3
            yield self.points[i : i + step + 1]
            i += step
        if self.closed and self.start != self.end:
            yield (self.end, self.start)

    def flat(self, parts: int = 8) -> list[Point]:
        """The curve as a chain of points, each cubic in so many straight parts."""
        chain = [self.start]
        for piece in self.pieces():
            chain += flattened(piece, parts)
        return chain


def flattened(piece: tuple[Point, ...], parts: int) -> list[Point]:
    """The points of one piece after its start."""
    if len(piece) == 2:
        return [piece[1]]
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = piece
    chain = []
    for i in range(1, parts + 1):
        t = i / parts
        s = 1.0 - t
        a, b, c, d = s * s * s, 3.0 * s * s * t, 3.0 * s * t * t, t * t * t
        chain.append((a * x0 + b * x1 + c * x2 + d * x3, a * y0 + b * y1 + c * y2 + d * y3))
    return chain


_NEAR, _FAR = 0.5 * (math.sqrt(5.0) - 1.0), 0.5 * (3.0 - math.sqrt(5.0))


def smooth(knots: Sequence[Knot], closed: bool = False) -> Curve:
    """The smooth curve that passes the knots with their headings.

    Notes
    -----
    The length of each handle follows the rule of Hobby: on a circular arc it is the usual one, and
    it stays calm when the two headings turn unequally from the chord.
    """
    points: list[Point] = [knots[0][:2]]
    ring = [*knots, knots[0]] if closed else knots
    for (x0, y0, leave), (x3, y3, arrive) in pairwise(ring):
        dx, dy = x3 - x0, y3 - y0
        leave, arrive = math.radians(leave), math.radians(arrive)
        along = math.atan2(dy, dx)
        here, there = math.sin(leave - along), math.sin(along - arrive)
        near, far = math.cos(leave - along), math.cos(along - arrive)
        pull = math.sqrt(2.0) * (here - there / 16.0) * (there - here / 16.0) * (near - far)
        chord = math.hypot(dx, dy) / 3.0
        first = chord * (2.0 + pull) / (1.0 + _NEAR * near + _FAR * far)
        second = chord * (2.0 - pull) / (1.0 + _NEAR * far + _FAR * near)
        first, second = min(first, 4.5 * chord), min(second, 4.5 * chord)
        points += (
            (x0 + first * math.cos(leave), y0 + first * math.sin(leave)),
            (x3 - second * math.cos(arrive), y3 - second * math.sin(arrive)),
            (x3, y3),
        )
    return Curve(tuple(points), "C" * (len(ring) - 1), closed)


def polyline(points: Sequence[Point], closed: bool = False) -> Curve:
    """Straight lines from point to point."""
    return Curve(tuple(points), "L" * (len(points) - 1), closed)


def joined(*curves: Curve) -> Curve:
    """One closed curve of several, each end led straight to the next start."""
    points, kinds = curves[0].points, curves[0].kinds
    for curve in curves[1:]:
        points, kinds = points + curve.points, kinds + "L" + curve.kinds
    return Curve(points, kinds, closed=True)


_QUARTER = 0.5522847498
"""Handle of a quarter circle over its radius."""


def ellipse(centre: Point, across: float, along: float, turned_deg: float = 0.0) -> Curve:
    """An ellipse by its half-axes; `across` lies on x before it is turned by `turned_deg` [deg]."""
    x, y = centre
    k = _QUARTER
    ux, uy = (
        across * math.cos(math.radians(turned_deg)),
        across * math.sin(math.radians(turned_deg)),
    )
    vx, vy = -along * math.sin(math.radians(turned_deg)), along * math.cos(math.radians(turned_deg))
    ring = (
        (1, 0), (1, k), (k, 1), (0, 1), (-k, 1), (-1, k), (-1, 0),
        (-1, -k), (-k, -1), (0, -1), (k, -1), (1, -k), (1, 0),
    )  # fmt: skip
    return Curve(
        tuple([(x + u * ux + v * vx, y + u * uy + v * vy) for u, v in ring]), "CCCC", closed=True
    )


def circle(centre: Point, radius: float) -> Curve:
    """A circle."""
    return ellipse(centre, radius, radius)


def rounded(left: float, top: float, right: float, bottom: float, r: float) -> Curve:
    """An upright rectangle with round corners."""
    k = (1.0 - _QUARTER) * r
    return Curve(
        (
            (left + r, top),
            (right - r, top),
            (right - k, top),
            (right, top + k),
            (right, top + r),
            (right, bottom - r),
            (right, bottom - k),
            (right - k, bottom),
            (right - r, bottom),
            (left + r, bottom),
            (left + k, bottom),
            (left, bottom - k),
            (left, bottom - r),
            (left, top + r),
            (left, top + k),
            (left + k, top),
            (left + r, top),
        ),
        "LCLCLCLC",
        closed=True,
    )


def limb(a: Point, b: Point, at_a: float, at_b: float) -> Curve:
    """A limb: two round ends of given radii and the two lines that touch both."""
    length = math.dist(a, b)
    if length <= abs(at_a - at_b):
        return circle(a, at_a) if at_a >= at_b else circle(b, at_b)
    along = math.atan2(b[1] - a[1], b[0] - a[0])
    side = math.acos((at_a - at_b) / length)  # from the axis to where the lines touch
    points: list[Point] = []
    for centre, radius, first, last in (
        (a, at_a, along + side, along + 2.0 * math.pi - side),
        (b, at_b, along - side, along + side),
    ):
        step = (last - first) / 3.0
        handle = radius * 4.0 / 3.0 * math.tan(step / 4.0)
        x, y = centre
        for i in range(4):
            angle = first + i * step
            c, s = math.cos(angle), math.sin(angle)
            px, py = x + radius * c, y + radius * s
            if i > 0:
                points.append((px + handle * s, py - handle * c))
            points.append((px, py))
            if i < 3:
                points.append((px - handle * s, py + handle * c))
    return Curve(tuple(points), "CCCLCCC", closed=True)


def hatching(outline: Curve, gap: float) -> list[tuple[Point, Point]]:
    """Parallel lines at 45° that fill a closed curve, so that a fill survives without colour."""
    chain = outline.flat(5)
    chain.append(chain[0])
    turn = math.sqrt(0.5)
    turned = [(turn * (x + y), turn * (y - x)) for x, y in chain]
    low, high = min(v for _, v in turned), max(v for _, v in turned)
    lines = []
    level = (math.floor(low / gap) + 1) * gap
    while level < high:
        cuts = sorted(
            u0 + (level - v0) / (v1 - v0) * (u1 - u0)
            for (u0, v0), (u1, v1) in pairwise(turned)
            if (v0 <= level) != (v1 <= level)
        )
        for u0, u1 in zip(cuts[::2], cuts[1::2], strict=True):
            lines.append(
                (
                    (turn * (u0 - level), turn * (u0 + level)),
                    (turn * (u1 - level), turn * (u1 + level)),
                )
            )
        level += gap
    return lines
