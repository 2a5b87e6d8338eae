"""Time of one photograph of 12 megapixels after decoding, and error of corners, beside a plain way.

    python benchmarks/photo.py

The plain way is what OpenCV's tutorials do: Canny, ``findContours``, ``approxPolyDP``, and the bend
by the homography of those four corners.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "src")]

from rungwise.book import load_book  # noqa: E402
from rungwise.core.camera import homography  # noqa: E402
from rungwise.core.photo import Card, PhotoReading, Refused, bend_of, measure  # noqa: E402
from rungwise.photo.card import coarse, find_card  # noqa: E402
from rungwise.photo.dots import find_dots  # noqa: E402
from rungwise.photo.sides import Image  # noqa: E402
from tests.measure.scenes import LONG, SHORT, Scene, draw_scene, render  # noqa: E402

Got = TypeVar("Got")
SCENES, TIMES = 8, 7
CARD_MM = np.array([[-LONG, -SHORT], [LONG, -SHORT], [LONG, SHORT], [-LONG, SHORT]]) / 2


def plain_corners(image: Image, scale: float = 1) -> NDArray[np.float64] | None:
    """Corners (4, 2) of the largest four-sided contour, the plain way."""
    small = image if scale == 1 else cv2.resize(image, None, fx=scale, fy=scale)
    grey = cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), (5, 5), 0)
    edges = cv2.dilate(cv2.Canny(grey, 50, 150), np.ones((3, 3), np.uint8))
    contours, _ = cv2.findContours(edges, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    for contour in sorted(contours, key=cv2.contourArea, reverse=True)[:10]:
        four = cv2.approxPolyDP(contour, 0.02 * cv2.arcLength(contour, True), True)
        if len(four) == 4 and cv2.isContourConvex(four):
            return np.asarray(four[:, 0], dtype=np.float64) / scale
    return None


def like(corners: NDArray[np.float64], true: NDArray[np.float64]) -> NDArray[np.float64]:
    """The corners in the order of the true ones."""
    apart = np.linalg.norm(corners[:, None] - true[None], axis=-1)
    return np.asarray(corners[apart.argmin(axis=0)])


def ours(image: Image, scene: Scene) -> PhotoReading | Refused:
    """Card, dots and bend, the way of this package."""
    small = coarse(image)
    card = find_card(image, BOOK, focal_35mm_mm=scene.noted_35mm, small=small)
    if isinstance(card, Refused):
        return card
    dots = find_dots(image, card, BOOK, small=small)
    if isinstance(dots, Refused):
        return dots
    return measure(card, dots, BOOK, side=scene.side, rng=np.random.default_rng(0))


def bend_by(corners: NDArray[np.float64], scene: Scene) -> float:
    """Bend [deg] of the true marks by the homography of four corners alone."""
    H = homography(like(corners, scene.corners()), CARD_MM)
    names = tuple(scene.marks)
    at = np.array(list(scene.marks_px().values()))
    flat = np.column_stack([at, np.ones(len(at))]) @ H.T
    return float(bend_of(names, scene.side)((flat[:, :2] / flat[:, 2:])[None])[0])


def timed(work: Callable[[], Got]) -> tuple[float, Got]:
    """Milliseconds, the median of some runs, and what came out."""
    taken = []
    got = work()
    for _ in range(TIMES):
        start = time.perf_counter()
        got = work()
        taken.append(1000 * (time.perf_counter() - start))
    return statistics.median(taken), got


BOOK = load_book()


def scenes() -> list[Scene]:
    """Scenes with dots, drawn at 12 megapixels."""
    found: list[Scene] = []
    seed = 0
    while len(found) < SCENES:
        scene = draw_scene(seed, "told")
        seed += 1
        if scene.dots:
            grow = 4032 / scene.size[0]
            matrix = scene.matrix.copy()
            matrix[:2] *= grow
            found.append(replace(scene, size=(4032, 3024), matrix=matrix))
    return found


def say(line: str) -> None:
    """Write one line."""
    sys.stdout.write(line + "\n")


def main() -> None:
    """Print one table."""
    lines: dict[str, list[tuple[float, float, float]]] = {}
    for scene in scenes():
        image = render(scene)
        true = scene.corners()
        taken, reading = timed(partial(ours, image, scene))
        card = find_card(image, BOOK, focal_35mm_mm=scene.noted_35mm)
        if isinstance(reading, PhotoReading) and isinstance(card, Card):
            corner = float(np.linalg.norm(like(card.corners_px, true) - true, axis=1).max())
            off = abs(reading.bend_deg - scene.bend_deg)
            lines.setdefault("this package: card, dots, bend, interval", []).append(
                (taken, corner, off)
            )
        for name, scale in (("contour's polygon", 1.0), ("contour's polygon at a third", 1 / 3)):
            taken, corners = timed(partial(plain_corners, image, scale))
            if corners is not None and _near(corners, true):
                corner = float(np.linalg.norm(like(corners, true) - true, axis=1).max())
                off = abs(bend_by(corners, scene) - scene.bend_deg)
                lines.setdefault(f"{name}, corners only", []).append((taken, corner, off))
    say("| way | card found | ms | worst corner, px | bend off, median | bend off, largest |")
    say("| --- | --- | --- | --- | --- | --- |")
    for name, rows in lines.items():
        ms, px, offs = (np.array(column) for column in zip(*rows, strict=True))
        say(
            f"| {name} | {len(rows)} of {SCENES} | {np.median(ms):.0f} | {np.median(px):.2f} | "
            f"{np.median(offs):.2f}° | {offs.max():.2f}° |"
        )


def _near(corners: NDArray[np.float64], true: NDArray[np.float64]) -> bool:
    return bool(np.linalg.norm(corners[:, None] - true[None], axis=-1).min(axis=0).max() < 60)


if __name__ == "__main__":
    main()
