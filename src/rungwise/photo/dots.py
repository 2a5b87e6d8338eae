"""Find round coloured dots stuck on the foot, and which mark each one is."""

from __future__ import annotations

from itertools import pairwise, permutations

import cv2
import numpy as np
from numpy.typing import NDArray

from rungwise.core.camera import Array
from rungwise.core.errors import RecordingError
from rungwise.core.evidence import Evidence
from rungwise.core.photo import Card, Spot
from rungwise.core.photo_checks import Refused, refused
from rungwise.photo.card import COLOURS, check_image, coarse
from rungwise.photo.sides import Image, edges_along, sampled

__all__ = ["find_dots"]

# Of looking, not of measuring.
LEVELS = 7  # at which each colour is cut
SMALLEST, LARGEST = 0.45, 1.7  # area against a dot's
ROUND = 0.72  # 4 pi area / outline squared of a dot on the small picture
ALIKE = 30.0  # levels of 255 that dots of one colour may differ
COLOURFUL = 14.0  # levels of 255 that a dot is away from grey
CROWD = 12  # round things of one colour beyond which they are a pattern
LIT = 0.5  # of how much their light may differ; the foot is not lit evenly
FEWEST, MOST = 4, 5
RAYS = 48  # along which a dot's edge is looked for
OFF_ROUND = 0.6  # shortest over longest diameter of a dot that lies on the side of the foot
NAMES = {
    4: ("heel", "shaft_back", "joint", "phalanx"),
    5: ("heel", "shaft_back", "shaft_front", "joint", "phalanx"),
}


def find_dots(
    image: Image, card: Card, book: Evidence, *, small: tuple[Image, int] | None = None
) -> dict[str, Spot] | Refused:
    """The dots on the foot by the names of their marks, or why they cannot be told.

    Parameters
    ----------
    image : (h, w, 3) array of uint8
        The photograph, red first.
    card : Card
        The card found on it: it says how large a dot is.
    book : Evidence
        The book, with rows ``photo.dot.*``.
    small : (array, int), optional
        From :func:`rungwise.photo.card.coarse`, where it was made for the card.

    Raises
    ------
    RecordingError
        When it is no picture, or not the card's.

    Notes
    -----
    Four dots are the heel, the back of the metatarsal's shaft, the joint and the far end of the
    proximal phalanx; five have the front of the shaft before the joint. Their order is that of the
    shortest way through all, its longer end at the heel: without the heel's dot a short shaft and a
    long phalanx could be mistaken for each other, and a bend up for one down.
    """
    check_image(image)
    if (image.shape[1], image.shape[0]) != card.size_px:
        raise RecordingError("the card was found on a picture of another size")
    seen, factor = coarse(image) if small is None else small
    across = book.value("photo.dot.across_mm") * card.scale_px_per_mm
    seeds = _seeds(seen, across / factor)
    inside = card.corners_px.astype(np.float32)
    seeds = [
        (at, colour)
        for at, colour in seeds
        if cv2.pointPolygonTest(inside, tuple((at + 0.5) * factor - 0.5), False) < 0
    ]
    best: list[Spot] = []
    for group in _groups(seeds):
        fitted = (_fit_dot(image, (at + 0.5) * factor - 0.5, across) for at in group)
        dots = [dot for dot in fitted if dot is not None]
        if FEWEST <= len(dots) <= MOST:
            return _named(dots)
        best = max(best, dots, key=len)
    return refused("dots_missing", book, found=str(len(best)))


def _seeds(small: Image, across: float) -> list[tuple[Array, Array]]:
    """Middles and colours (light, red-green, yellow-blue) of round things of a dot's size."""
    soft = cv2.GaussianBlur(small, (0, 0), 1.2)
    mixed = np.asarray(cv2.transform(soft, COLOURS), dtype=np.uint8)
    area = np.pi / 4 * across**2
    places: list[Array] = []
    for i in range(3):
        channel = np.ascontiguousarray(mixed[..., i])
        low, high = np.percentile(channel[::4, ::4], [0.2, 99.8])
        for level in np.linspace(low - 20, high + 20, LEVELS + 2)[1:-1]:
            _, mask = cv2.threshold(channel, float(level), 255, cv2.THRESH_BINARY)
            contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
            near = [c for c in contours if 8 <= len(c) <= 12 * area**0.5]
            places += [
                at
                for at in (_round_thing(np.asarray(c, dtype=np.int32), area) for c in near)
                if at is not None
            ]
    found: list[tuple[Array, Array]] = []
    for at in places:
        x, y = (int(v) for v in at.round())
        core = mixed[max(0, y - 1) : y + 2, max(0, x - 1) : x + 2].reshape(-1, 3)
        colour = np.median(core, axis=0)
        new = not any(abs(at - other).max() < across / 2 for other, _ in found)
        if new and abs(colour[1:] - 128).max() >= COLOURFUL:
            found.append((at, colour))
    return found


def _round_thing(contour: NDArray[np.int32], area: float) -> Array | None:
    _, _, w, h = cv2.boundingRect(contour)
    # the outline runs through the middles of pixels: half a pixel inside on each side
    own = cv2.contourArea(contour) + cv2.arcLength(contour, True) / 2
    if not SMALLEST * area < own < LARGEST * area or not 0.5 < w / h < 2:
        return None
    ring = cv2.arcLength(cv2.convexHull(contour), True) + np.pi
    moments = cv2.moments(contour)
    if 4 * np.pi * own / ring**2 < ROUND or moments["m00"] <= 0:
        return None
    return np.array([moments["m10"], moments["m01"]]) / moments["m00"]


def _groups(seeds: list[tuple[Array, Array]]) -> list[list[Array]]:
    """Sets of enough of one colour; the most colourful first."""
    groups: dict[tuple[int, ...], tuple[float, list[Array]]] = {}
    for _, colour in seeds:
        members = [
            i
            for i, (_, other) in enumerate(seeds)
            if np.abs(other[1:] - colour[1:]).max() < ALIKE
            and abs(other[0] - colour[0]) < LIT * max(other[0], colour[0]) + 10
        ]
        if FEWEST <= len(members) <= CROWD:
            key = tuple(members)
            groups[key] = (float(np.abs(colour[1:] - 128).max()), [seeds[i][0] for i in members])
    ranked = sorted(groups.values(), key=lambda one: -one[0])
    return [members for _, members in ranked]


def _fit_dot(image: Image, at: Array, across: float) -> Spot | None:
    """A dot's middle and longest diameter from its edge along rays; None when it is not round."""
    angles = np.arange(RAYS) * 2 * np.pi / RAYS
    ways = np.column_stack([np.cos(angles), np.sin(angles)])
    middle, long, short = at, across, across
    for look in range(2):
        s = np.arange(0.2 if look == 0 else 0.3, 0.85 if look == 0 else 0.75, 0.5 / across) * across
        # from inside out, so that the step is the dot's own edge
        places = middle + s[None, :, None] * ways[:, None, :]
        where, _, fine = edges_along(sampled(image, places), s - s.mean())
        points = middle + (where + s.mean())[:, None] * ways
        points = points[fine]
        ellipse = _ellipse(points)
        if ellipse is None or fine.sum() < RAYS / 2:
            return None
        middle, long, short = ellipse
    if not 0.7 < long / across < 1.4 or short < OFF_ROUND * long:
        return None
    return Spot((float(middle[0]), float(middle[1])), long)


def _ellipse(points: Array) -> tuple[Array, float, float] | None:
    """Middle, longest and shortest diameter of the ellipse that most points lie on."""
    for _ in range(4):
        if len(points) < RAYS // 3:
            return None
        box = cv2.fitEllipseDirect(points.astype(np.float32))
        (x, y), (w, h), turn = box
        a = np.radians(turn)
        c, s = np.cos(a), np.sin(a)
        flat = (points - [x, y]) @ np.array([[c, -s], [s, c]]) / (np.array([w, h]) / 2 + 1e-9)
        off = np.abs(np.hypot(*flat.T) - 1) * max(w, h) / 2
        keep = off < max(0.7, 3 * float(np.median(off)))
        if keep.all():
            break
        points = points[keep]
    else:
        return None
    return np.array([x, y]), float(max(w, h)), float(min(w, h))


def _named(dots: list[Spot]) -> dict[str, Spot]:
    """Names by the order along the shortest way through all, its longer end first."""
    at = np.array([dot.at_px for dot in dots])
    apart = np.linalg.norm(at[:, None] - at[None], axis=-1)
    order = min(
        permutations(range(len(dots))), key=lambda way: sum(apart[a, b] for a, b in pairwise(way))
    )
    if apart[order[0], order[1]] < apart[order[-2], order[-1]]:
        order = order[::-1]
    return {name: dots[i] for name, i in zip(NAMES[len(dots)], order, strict=True)}
