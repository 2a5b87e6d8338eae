"""A sheet to draw on: an escaping SVG writer, and labels that find free room.

The sheet is counted in tenths of a paper millimetre. Only presentation attributes are written: no
style, script, definition, id or reference, so that several drawings may stand in one page and every
reader of SVG draws the same thing. Text is never turned.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from rungwise.core.planar import Point
from rungwise.draw.curves import Curve, flattened, polyline
from rungwise.draw.lettering import cleaned, escaped, fitted, text_width

__all__ = [
    "ACCENT",
    "DARK",
    "FAINT",
    "GREY",
    "LINE",
    "PAPER",
    "SOFT",
    "THIN",
    "TINT",
    "Box",
    "Sheet",
    "around",
    "crosses",
]

DARK, GREY, FAINT, TINT, PAPER = "#1a1a1a", "#6b6b6b", "#dcdcdc", "#f3f3f3", "#ffffff"
ACCENT, SOFT = "#0072b2", "#cfe3f1"
"""The one colour, which only repeats what shape and word say, and its pale shade for cloth."""
LINE, THIN = 5.0, 3.0
"""Widths of a contour and of a fine line [0.1 mm]."""
MARGIN, ROOM = 8.0, 5.0
"""Border of the sheet, and clear room round a label [0.1 mm]."""


class Box(NamedTuple):
    """An upright rectangle on the sheet, y downward [0.1 mm]."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: Box) -> bool:
        """Whether the two share more than an edge."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )

    @property
    def middle(self) -> Point:
        """Its middle."""
        return ((self.left + self.right) / 2.0, (self.top + self.bottom) / 2.0)

    def grown(self, by: float) -> Box:
        """The box with a margin on every side."""
        return Box(self.left - by, self.top - by, self.right + by, self.bottom + by)


def crosses(box: Box, a: Point, b: Point) -> bool:
    """Whether a straight line from a to b enters a box."""
    first, last = 0.0, 1.0
    for start, step, low, high in (
        (a[0], b[0] - a[0], box.left, box.right),
        (a[1], b[1] - a[1], box.top, box.bottom),
    ):
        if step == 0.0:
            if not low < start < high:
                return False
            continue
        enter, leave = sorted(((low - start) / step, (high - start) / step))
        first, last = max(first, enter), min(last, leave)
    return first < last


def around(middle: Point, step: float, reach: int = 8) -> Iterator[Point]:
    """Spots for a label: the wanted one, then ever further from it."""
    x, y = middle
    return ((x + step * dx, y + step * dy) for dx, dy in _rings(reach))


@lru_cache
def _rings(reach: int) -> tuple[tuple[int, int], ...]:
    span = range(-reach, reach + 1)
    ring = [(dx, dy) for dx in span for dy in span]
    return tuple(sorted(ring, key=lambda d: (d[0] * d[0] + d[1] * d[1], d)))


# ------------------------------------------------------------------ the sheet


@lru_cache(maxsize=256)
def _template(kinds: str, closed: bool, digits: int) -> str:
    """How the points of a path are written."""
    point = f"%.{digits}f %.{digits}f"
    pieces = (f"L{point}" if kind == "L" else f"C{point} {point} {point}" for kind in kinds)
    return f"M{point}{''.join(pieces)}{'Z' if closed else ''}"


def path_data(curve: Curve, digits: int = 1) -> str:
    """A curve as the data of an SVG path."""
    template = _template(curve.kinds, curve.closed, digits)
    return template % tuple([c for point in curve.points for c in point])


class _Ink:
    """Where a curve has been drawn."""

    def __init__(self, curve: Curve, half_width: float, solid: bool) -> None:
        self.curve, self.half, self.solid = curve, half_width, solid
        self.box = _hull(curve.points, half_width)
        self.pieces: list[tuple[Box, list[Point]]] = []

    def touches(self, box: Box) -> bool:
        """Whether the line runs through a box or, of a solid thing, lies round its middle."""
        if not self.pieces:
            for piece in self.curve.pieces():
                chain = [piece[0], *flattened(piece, 4)]
                self.pieces.append((_hull(chain, self.half), chain))
        wide = box.grown(self.half)
        for near, chain in self.pieces:
            if near.meets(box) and any(crosses(wide, a, b) for a, b in pairwise(chain)):
                return True
        return self.solid and self._goes_round(*box.middle)

    def _goes_round(self, x: float, y: float) -> bool:
        """Whether a point lies inside, the curve taken as closed."""
        inside = False
        ring = [p for _, chain in self.pieces for p in chain]
        for (x0, y0), (x1, y1) in pairwise([*ring, ring[0]]):
            if (y0 <= y) != (y1 <= y) and x < x0 + (y - y0) / (y1 - y0) * (x1 - x0):
                inside = not inside
        return inside


def _hull(points: Sequence[Point], margin: float) -> Box:
    xs, ys = zip(*points, strict=True)
    return Box(min(xs) - margin, min(ys) - margin, max(xs) + margin, max(ys) + margin)


@dataclass
class Sheet:
    """A drawing in the making.

    Attributes
    ----------
    width, height : float   Size of the sheet [0.1 mm].
    marks : list of str     The elements so far.
    """

    width: float
    height: float
    marks: list[str] = field(default_factory=list)
    _boxes: list[Box] = field(default_factory=list)
    _inks: list[_Ink] = field(default_factory=list)

    def draw(
        self,
        curve: Curve,
        part: str = "",
        *,
        fill: str = "none",
        line: str = DARK,
        width: float = LINE,
        dash: str = "",
        under_text: bool = False,
        solid: bool = False,
    ) -> None:
        """Put a curve, already in sheet units, on the sheet.

        Parameters
        ----------
        curve : Curve
            What to draw.
        part : str
            Name of the part, written as ``data-part`` so that it can be found and measured.
        fill, line : str
            Colours, or ``none``.
        width : float
            Width of the line [0.1 mm].
        dash : str
            Dash pattern, empty for a full line.
        under_text : bool
            It may lie under a label (a panel, the floor, a hatching).
        solid : bool
            Labels keep out of its inside too.
        """
        data = path_data(curve, 2 if part else 1)
        self.marks.append(_path(data, part, fill, line, width, dash))
        if not under_text:
            self._inks.append(_Ink(curve, width / 2.0, solid))

    def draw_lines(self, lines: Sequence[tuple[Point, Point]], line: str, width: float) -> None:
        """Put many straight lines on the sheet as one element; labels may lie over them."""
        data = "".join([f"M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}" for a, b in lines])
        if data:
            self.marks.append(_path(data, "", "none", line, width, ""))

    def keep_clear(self, box: Box) -> None:
        """Let no label lie in a box."""
        self._boxes.append(box)

    def taken(self) -> list[Box]:
        """A box round each thing so far."""
        return [*self._boxes, *(ink.box for ink in self._inks)]

    def is_free(self, box: Box) -> bool:
        """Whether nothing was drawn or written in the box, and it lies on the sheet."""
        if (
            box.left < MARGIN
            or box.top < MARGIN
            or box.right > self.width - MARGIN
            or box.bottom > self.height - MARGIN
        ):
            return False
        if any(box.meets(other) for other in self._boxes):
            return False
        return not any(box.meets(ink.box) and ink.touches(box) for ink in self._inks)

    def arrow(
        self,
        start: Point,
        tip: Point,
        part: str = "",
        *,
        width: float = 9.0,
        head: float = 26.0,
        dash: str = "",
    ) -> None:
        """Draw a straight arrow in the accent colour."""
        angle = math.atan2(tip[1] - start[1], tip[0] - start[0])
        wings = [
            (tip[0] - head * math.cos(angle + turn), tip[1] - head * math.sin(angle + turn))
            for turn in (0.45, -0.45)
        ]
        neck = (tip[0] - 0.75 * head * math.cos(angle), tip[1] - 0.75 * head * math.sin(angle))
        self.draw(polyline([start, neck]), part, line=ACCENT, width=width, dash=dash)
        self.draw(polyline([tip, *wings], closed=True), fill=ACCENT, line=ACCENT, width=2.0)

    def span(self, a: Point, b: Point, part: str) -> None:
        """Draw a measuring line from a to b: heads at both ends, outside when it is too short."""
        length = math.dist(a, b)
        ux, uy = ((b[0] - a[0]) / length, (b[1] - a[1]) / length) if length else (0.0, 1.0)
        head, tail = 15.0, 34.0
        inside = length >= 3.2 * head
        self.draw(polyline([a, b]), part, width=THIN)
        for end, sign in ((a, 1.0), (b, -1.0)):
            way = sign if inside else -sign
            back = (end[0] + way * head * ux, end[1] + way * head * uy)
            wide = 0.32 * head
            wings = [(back[0] + k * wide * uy, back[1] - k * wide * ux) for k in (1.0, -1.0)]
            self.draw(polyline([end, *wings], closed=True), fill=DARK, line="none", width=0.0)
            if not inside:
                far = (end[0] + way * tail * ux, end[1] + way * tail * uy)
                self.draw(polyline([end, far]), width=THIN)

    def say(
        self,
        text: str,
        part: str,
        spots: Iterable[Point],
        *,
        size: float = 38.0,
        bold: bool = False,
        colour: str = DARK,
        room: float = 300.0,
        lines: int = 2,
    ) -> Box | None:
        """Write a label at the first of the spots where it touches nothing.

        Parameters
        ----------
        text : str
            What to write; wrapped, set smaller when it does not fit, cut short at last. The whole
            text always stands in the description of the picture.
        part : str
            Name of the part.
        spots : iterable of (x, y)
            Where the middle of the label may lie, best first [0.1 mm].
        size : float
            Size of the letters [0.1 mm]; 38 is 10.8 pt.
        bold : bool
            Bold letters.
        colour : str
            Colour of the letters.
        room : float
            Widest line [0.1 mm].
        lines : int
            Most lines.

        Returns
        -------
        Box or None
            Where it stands; None when there was nothing to say.
        """
        said, size = fitted(text, size, bold, room, lines)
        if not said:
            return None
        step = 1.18 * size
        half_w = max(text_width(line, size, bold) for line in said) / 2.0
        half_h = (step * (len(said) - 1) + size) / 2.0
        first: Box | None = None
        for x, y in spots:
            box = Box(x - half_w, y - half_h, x + half_w, y + half_h)
            first = first or box
            if self.is_free(box.grown(ROOM)):
                break
        else:
            if first is None:
                return None
            box = first
        weight = ' font-weight="bold"' if bold else ""
        for i, line in enumerate(said):
            self.marks.append(
                f'<text data-part="{part}" x="{(box.left + box.right) / 2.0:.1f}" '
                f'y="{box.top + 0.86 * size + i * step:.1f}" font-family="Noto Sans" '
                f'font-size="{size:.1f}"{weight} fill="{colour}" text-anchor="middle">'
                f"{escaped(line)}</text>"
            )
        self._boxes.append(box)
        return box

    def svg(self, title: str, told: str) -> str:
        """The finished drawing; `title` names it in short, `told` says what is seen."""
        title, told = escaped(cleaned(title)), escaped(cleaned(told))
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{told}" '
            f'width="{self.width / 10:g}mm" height="{self.height / 10:g}mm" '
            f'viewBox="0 0 {self.width:g} {self.height:g}" '
            'stroke-linecap="round" stroke-linejoin="round">'
            f"<title>{title}</title><desc>{told}</desc>{''.join(self.marks)}</svg>"
        )


def _path(data: str, part: str, fill: str, line: str, width: float, dash: str) -> str:
    named = f' data-part="{part}"' if part else ""
    if line == "none":
        return f'<path{named} d="{data}" fill="{fill}"/>'
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path{named} d="{data}" fill="{fill}" stroke="{line}" stroke-width="{width:g}"{dashed}/>'
    )
