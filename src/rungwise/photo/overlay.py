"""A photograph with what was measured drawn on it: card, marks, lines, angle, to check by eye."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from io import BytesIO
from math import hypot

from PIL import Image as Pictures
from PIL import ImageDraw, ImageFont

from rungwise.core.photo import Card, PhotoReading
from rungwise.photo.card import Image

__all__ = ["draw_overlay"]

#: Longest side of the picture that is made [px]; all other sizes are shares of it.
LONGEST_PX = 1600
INK, PAPER = (20, 20, 20), (255, 255, 255)
CARD, SHAFT, TOE = (90, 200, 255), (255, 214, 64), (255, 140, 220)
Place = tuple[float, float]


def draw_overlay(
    image: Image,
    card: Card | None,
    reading: PhotoReading | None,
    lines: Sequence[str],
    marks_px: Mapping[str, Place] | None = None,
) -> bytes:
    """The photograph as PNG, made anew from its pixels, with what was found drawn on it.

    Parameters
    ----------
    image : (h, w, 3) array of uint8
        The photograph, red first.
    card : Card or None
        The card that was found or clicked.
    reading : PhotoReading or None
        The bend; None when it was refused.
    lines : sequence of str
        What is written in the corner: the answer, or why there is none.
    marks_px : mapping of str to (float, float), optional
        Marks of a photograph that was refused [px].

    Notes
    -----
    Shaft and toe are drawn as long as the marks reach, the shaft dashed beyond the joint. The angle
    is measured on the card's plane: seen from the side it may look a little different.
    """
    shrink = min(1.0, LONGEST_PX / max(image.shape[:2]))
    size = (round(image.shape[1] * shrink), round(image.shape[0] * shrink))
    picture = Pictures.fromarray(image).resize(size, Pictures.Resampling.LANCZOS)
    pen = _Pen(picture, shrink)
    if card is not None:
        corners = [(float(x), float(y)) for x, y in card.corners_px]
        for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
            pen.line(a, b, CARD)
        for corner in corners:
            pen.ring(corner, CARD, "")
    marks = dict(reading.marks_px if reading is not None else marks_px or {})
    if {"shaft_back", "joint", "phalanx"} <= marks.keys():
        back, joint = marks["shaft_back"], marks["joint"]
        front = marks.get("shaft_front", joint)
        long = hypot(marks["phalanx"][0] - joint[0], marks["phalanx"][1] - joint[1])
        pen.line(back, joint, SHAFT)
        pen.dashed(joint, (front[0] - back[0], front[1] - back[1]), long, SHAFT)
        pen.line(joint, marks["phalanx"], TOE)
    for name, at in marks.items():
        pen.ring(at, TOE if name in ("phalanx", "tip") else SHAFT, name.replace("_", " "))
    pen.told(lines)
    held = BytesIO()
    picture.save(held, "PNG")
    return held.getvalue()


class _Pen:
    """Draws in the photograph's pixels on the smaller picture; dark below, bright above."""

    def __init__(self, picture: Pictures.Image, shrink: float) -> None:
        self.draw, self.shrink = ImageDraw.Draw(picture), shrink
        self.thick = max(2, round(max(picture.size) / 400))
        self.font = ImageFont.load_default(max(12, round(max(picture.size) / 60)))

    def at(self, place: Place) -> Place:
        return ((place[0] + 0.5) * self.shrink, (place[1] + 0.5) * self.shrink)

    def line(self, a: Place, b: Place, colour: tuple[int, int, int]) -> None:
        ends = (self.at(a), self.at(b))
        self.draw.line(ends, INK, self.thick + 2)
        self.draw.line(ends, colour, self.thick)

    def dashed(self, start: Place, way: Place, long: float, colour: tuple[int, int, int]) -> None:
        """Dashes from a place along a way, as long as told in the photograph's pixels."""
        step = long / (hypot(*way) or 1.0) / 9
        for n in range(0, 9, 2):
            a, b = (
                (start[0] + way[0] * step * i, start[1] + way[1] * step * i) for i in (n, n + 1)
            )
            self.line(a, b, colour)

    def ring(self, place: Place, colour: tuple[int, int, int], name: str) -> None:
        x, y = self.at(place)
        for r, ink in ((4 * self.thick + 1, INK), (4 * self.thick, colour)):
            self.draw.ellipse((x - r, y - r, x + r, y + r), None, ink, self.thick)
        if name:
            below = name == "joint"  # it stands close behind the shaft's front
            self.draw.text(
                (x, y + (5 if below else -5) * self.thick),
                name,
                PAPER,
                self.font,
                anchor="ma" if below else "mb",
                stroke_width=2,
                stroke_fill=INK,
            )

    def told(self, lines: Sequence[str]) -> None:
        gap = self.thick * 3
        text = "\n".join(lines)
        box = self.draw.multiline_textbbox((2 * gap, 2 * gap), text, self.font, spacing=gap)
        self.draw.rectangle(
            (box[0] - gap, box[1] - gap, box[2] + gap, box[3] + gap), PAPER, INK, self.thick // 2
        )
        self.draw.multiline_text((2 * gap, 2 * gap), text, INK, self.font, spacing=gap)
