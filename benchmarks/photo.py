"""One photograph of 12 megapixels after decoding, and error of corners, beside a plain way."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.patient import Patient, Sizes
from benchmarks.table import Row, Section, row
from benchmarks.timing import Timing
from rungwise.book import load_book
from rungwise.core.camera import homography
from rungwise.core.photo import Card, PhotoReading, Refused, bend_of, measure
from rungwise.photo.card import find_card
from rungwise.photo.look import card_and_dots
from rungwise.photo.sides import Image
from tests.measure.scenes import LONG, SHORT, Scene, draw_scene, render

Got = TypeVar("Got")
SCENES, TIMES, PHOTO_S = 8, 7, 0.060
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
    card, dots = card_and_dots(image, BOOK, focal_35mm_mm=scene.noted_35mm)
    if isinstance(card, Refused):
        return card
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


def timed(work: Callable[[], Got], times: int) -> tuple[float, Got]:
    """Seconds, the median of some runs, and what came out."""
    taken = []
    got = work()
    for _ in range(times):
        start = time.perf_counter()
        got = work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken), got


BOOK = load_book()


def scenes(count: int) -> list[Scene]:
    """Scenes with dots, drawn at 12 megapixels."""
    found: list[Scene] = []
    seed = 0
    while len(found) < count:
        scene = draw_scene(seed, "told")
        seed += 1
        if scene.dots:
            grow = 4032 / scene.size[0]
            matrix = scene.matrix.copy()
            matrix[:2] *= grow
            found.append(replace(scene, size=(4032, 3024), matrix=matrix))
    return found


def photo_section(_: Patient, sizes: Sizes) -> Section:
    """One photograph after decoding: card, dots, bend, interval; beside corners the plain way."""
    count, times = (1, 1) if sizes.repetitions == 1 else (SCENES, TIMES)
    found: dict[str, list[tuple[float, float]]] = {"ours": [], "plain": [], "third": []}
    for scene in scenes(count):
        image = render(scene)
        true = scene.corners()
        taken, reading = timed(partial(ours, image, scene), times)
        card = find_card(image, BOOK, focal_35mm_mm=scene.noted_35mm)
        if isinstance(reading, PhotoReading) and isinstance(card, Card):
            corner = float(np.linalg.norm(like(card.corners_px, true) - true, axis=1).max())
            found["ours"].append((taken, corner))
        for name, scale in (("plain", 1.0), ("third", 1 / 3)):
            taken, corners = timed(partial(plain_corners, image, scale), times)
            if corners is not None and _near(corners, true):
                corner = float(np.linalg.norm(like(corners, true) - true, axis=1).max())
                found[name].append((taken, corner))

    def told(name: str, what: str, most_s: float | None = None) -> Row:
        rows = found[name]
        if not rows:
            return Row(f"{what}: card found on 0 of {count}", "none")
        off = statistics.median(corner for _, corner in rows)
        what = f"{what}: card found on {len(rows)} of {count}, worst corner {off:.2f} px off"
        return row(what, Timing(tuple(taken for taken, _ in rows)), most_s)

    return Section(
        "One photograph",
        "12 megapixels after decoding, drawn scenes with dots (`docs/photo.md`). Peer: the largest "
        "four-sided contour as OpenCV's tutorials find it, which gives corners only.",
        (
            told("ours", "card, dots, bend and its interval", PHOTO_S),
            told("plain", "peer, corners only"),
            told("third", "peer at a third of the size, corners only"),
        ),
    )


def _near(corners: NDArray[np.float64], true: NDArray[np.float64]) -> bool:
    return bool(np.linalg.norm(corners[:, None] - true[None], axis=-1).min(axis=0).max() < 60)
