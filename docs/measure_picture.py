"""Draw docs/measure.svg: how the foot, the card and the camera stand, from the side and from above.

Run it as ``python docs/measure_picture.py``; a test checks that the picture is what it draws. Sizes
of foot, card and dots are to scale within each part, the way to the camera is not.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import cos, radians, sin
from pathlib import Path

from rungwise.book import load_book
from rungwise.core.evidence import Evidence
from rungwise.core.planar import Point
from rungwise.draw.curves import Curve
from rungwise.draw.foot import footprint, side_view
from rungwise.draw.sheet import ACCENT, DARK, GREY, PAPER, SOFT, TINT, path_data

PICTURE = Path(__file__).with_name("measure.svg")
WIDTH, HEIGHT, FLOOR = 700, 300, 232
LENGTH, LEVER, TOE, HEAD, ANKLE = 246.0, 180.0, 66.0, 21.0, 66.0
SLOPE_DEG, BEND_DEG = 18.0, 32.0  # of the shaft from the floor, and of the toe up from it
WHITE = f'fill="{PAPER}"'


def picture(book: Evidence) -> str:
    """The picture as SVG."""
    title = "Foot, card and camera: from the side, and from above"
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'font-family="sans-serif" font-size="12" role="img"><title>{title}</title>'
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>'
    )
    return "\n".join([head, *_side(book), *_above(book), "</svg>"]) + "\n"


def _side(book: Evidence) -> Iterator[str]:
    """What the camera sees: a left foot from its inner side."""
    joint = (LEVER, HEAD)
    foot = side_view(
        joint, length=LENGTH, lever=LEVER, toe=TOE, head=HEAD, ankle_height=ANKLE,
        toe_deg=BEND_DEG, leg=0.36,
    )  # fmt: skip

    def at(point: Point) -> Point:
        return 40 + point[0], FLOOR - point[1]

    def along(mm: float, deg: float) -> Point:
        return LEVER + mm * cos(radians(deg)), HEAD + mm * sin(radians(deg))

    yield _text(40, 24, "What the camera sees (left foot, inner side)", bold=True)
    yield _line((20, FLOOR), (400, FLOOR), GREY)
    yield _curve(foot.contour, at, TINT)
    yield _curve(foot.nail, at, "none")
    wide, high = book.value("photo.card.long_mm"), book.value("photo.card.short_mm")
    yield (
        f'<rect x="304" y="{FLOOR - high:g}" width="{wide:g}" height="{high:g}" rx="3.2" '
        f'fill="{SOFT}" stroke="{DARK}" stroke-width="1.5"/>'
    )
    yield _text(304 + wide, FLOOR - high - 24, "card, upright,", "end")
    yield _text(304 + wide, FLOOR - high - 10, "in the plane of the toe", "end")
    back = 180 - SLOPE_DEG
    yield _line(at(along(60, back)), at(joint), ACCENT)
    yield _line(at(joint), at(along(52, -SLOPE_DEG)), ACCENT, "5 4")
    yield _line(at(joint), at(along(54, BEND_DEG)), DARK)
    marks = {
        "heel": ((6.0, 26.0), (-8, 40), "middle"),
        "shaft back": (along(44, back), (-14, -46), "end"),
        "shaft front": (along(16, back), (-34, 52), "end"),
        "joint": (joint, (8, 56), "middle"),
        "phalanx": (along(32, BEND_DEG), (-22, -60), "middle"),
    }
    radius = book.value("photo.dot.across_mm") / 2
    for name, (place, (dx, dy), anchor) in marks.items():
        x, y = at(place)
        yield _line((x, y), (x + dx, y + dy - (10 if dy > 0 else -3)), GREY)
        yield (
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:g}" fill="{ACCENT}" '
            f'stroke="{PAPER}" stroke-width="1"/>'
        )
        yield _text(x + dx, y + dy, name, anchor)
    yield _text(
        40, 288, "One row of dots on bone. The last one on the proximal phalanx, not the tip."
    )


def _above(book: Evidence) -> Iterator[str]:
    """The same from above."""

    def at(point: Point) -> Point:
        return 448 + 0.62 * point[1], 92 - 0.62 * point[0]

    yield _text(440, 24, "From above", bold=True)
    for curve in footprint(LENGTH, 93.0, -1.0):
        yield _curve(curve, at, TINT)
    plane = 92 + 0.62 * 46
    yield _line((430, plane), (680, plane), GREY, "2 4")
    wide = 0.62 * book.value("photo.card.long_mm")
    yield _line((606, plane), (606 + wide, plane), ACCENT, width=4)
    yield _text(606 + wide, plane - 8, "card", "end")
    yield _text(430, plane + 16, "plane of toe and card")
    x = 448 + 0.62 * LEVER + 30
    yield _line((x, plane), (x, 246), DARK, "6 4")
    yield (
        f'<rect x="{x - 24:g}" y="246" width="48" height="9" rx="2" fill="{DARK}"/>'
        f'<path d="M{x + 8:g} {plane:g}v8h-8" fill="none" stroke="{DARK}"/>'
    )
    said = ("square to the card,", "as high as the toe,", "half a metre or more:", "zoom in place")
    for n, line in enumerate((*said, "of going near")):
        yield _text(x - 12, 178 + 15 * n, line, "end")
    yield _text(x, 272, "camera, not tilted", "middle")


def _curve(curve: Curve, at: object, fill: str) -> str:
    put = at if callable(at) else tuple
    moved = Curve(tuple(put(p) for p in curve.points), curve.kinds, curve.closed)
    return (
        f'<path d="{path_data(moved)}" fill="{fill}" stroke="{DARK}" stroke-width="1.5" '
        'stroke-linejoin="round"/>'
    )


def _line(a: Point, b: Point, ink: str, dashes: str = "", width: float = 1.5) -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<path d="M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}" fill="none" stroke="{ink}" '
        f'stroke-width="{width:g}"{dashed}/>'
    )


def _text(x: float, y: float, said: str, anchor: str = "start", bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{DARK}"{weight}>{said}</text>'
    )


def main() -> None:
    """Write the picture."""
    PICTURE.write_text(picture(load_book()), "utf-8")


if __name__ == "__main__":
    main()
