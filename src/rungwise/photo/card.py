"""Find a bank-sized card: four-sided shapes first, then each side to a fraction of a pixel.

Lines are fitted to the middle of each side and intersected: the corners themselves are rounded, and
a polygon's corners are pulled in by millimetres.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from rungwise.core.camera import Array
from rungwise.core.errors import InputError, RecordingError
from rungwise.core.evidence import Evidence
from rungwise.core.photo import Card, Refused, card_of
from rungwise.core.photo_checks import refused
from rungwise.photo.sides import Image, Sides, fit_sides, is_rounded

__all__ = ["COLOURS", "Image", "check_image", "coarse", "find_card"]

# Of looking, not of measuring: how coarse the first look is, what counts as a shape worth a second.
COARSE_PX = 1000  # longest side of the small picture that shapes are looked for in
LEAST_SHARE = 0.0009  # of the small picture that a card covers
MOST_SHARE = 0.5
FULL = 0.86  # share of its four-sided outline that a shape fills; rounded corners take 1 %
SHAPE = 1.586  # of a card's sides
LONGEST = 3.4  # sides' ratio of a shape that is looked at: a card seen from 60 degrees
LEVELS = 5  # at which light and colours are cut into light and dark
#: Light, red against green, yellow against blue, each around 128.
COLOURS = np.array(
    [[0.3, 0.5, 0.2, 0], [0.7, -0.7, 0, 128], [0.35, 0.35, -0.7, 128]], dtype=np.float32
)
#: Faults that other things than a card have too; they are told when there is nothing better to say.
VAGUE = ("wrong_aspect", "cropped")
STRIPE = (1.12, 2.2)  # a card over what is left of it beside a stripe
SAME = 0.75  # share of overlap from which two shapes are one
REACH = 3.5  # pixels of the small picture by which a coarse side may be off
TRIED = 10  # shapes that get a second look
TWIN = 0.3  # unlikeness up to which a shape beside a card is looked at as a second one
SOFT_PX = (1.0, 1.8)  # blur before looking, the second where the first shows no card: carpets
LEAST_STEP = 8.0  # levels of 255 that a picture's lightness or colour must span to be cut


def check_image(image: Image) -> None:
    """Refuse what is no picture of three colours.

    Raises
    ------
    RecordingError
        When the array has another shape or kind, or is smaller than a thumbnail.
    """
    fine = image.ndim == 3 and image.shape[-1] == 3 and image.dtype == np.uint8
    if not fine or min(image.shape[:2]) < 64:
        raise RecordingError(
            f"a photograph is an array (height, width, 3) of bytes, at least 64 pixels wide and "
            f"high; this one is {image.shape} of {image.dtype}"
        )


def find_card(
    image: Image,
    book: Evidence,
    *,
    focal_35mm_mm: float | None = None,
    small: tuple[Image, int] | None = None,
) -> Card | Refused:
    """The card on a photograph, or why there is none that can be used.

    Parameters
    ----------
    image : (h, w, 3) array of uint8
        The photograph, not cropped, red first.
    book : Evidence
        The book, with rows ``photo.*``.
    focal_35mm_mm : float, optional
        Focal length noted beside the picture, for 35 mm film [mm].
    small : (array, int), optional
        From :func:`coarse`, where it is made for the dots, too.

    Raises
    ------
    RecordingError
        When it is no picture.
    """
    check_image(image)
    seen, factor = coarse(image) if small is None else small
    faults: list[tuple[int, float, Refused]] = []
    for softness in SOFT_PX:
        soft = cv2.GaussianBlur(seen, (0, 0), softness)
        mixed = np.asarray(cv2.transform(soft, COLOURS), dtype=np.uint8)
        channels = [np.ascontiguousarray(mixed[..., i]) for i in range(3)]
        cards: list[Card] = []
        for shapes in (_by_edges(channels), _by_levels(channels)):
            if cards:
                break  # by its edges; what is lighter or darker is asked where there were none
            for shape in _apart(shapes):
                if cards and _unlike(shape) > TWIN:
                    break  # what is left, and all after it, is no second card
                full = (shape + 0.5) * factor - 0.5
                if any(_overlap(full, one.corners_px) > SAME for one in cards):
                    continue
                found = _look_at(image, full, REACH * factor, book, focal_35mm_mm)
                if isinstance(found, Card):
                    if not any(_overlap(found.corners_px, one.corners_px) > 0.2 for one in cards):
                        cards.append(found)
                elif found is not None:
                    area = float(cv2.contourArea(full.astype(np.float32)))
                    vague = -VAGUE.index(found.why) if found.why in VAGUE else 1
                    faults.append((vague, area, found))
        if cards:
            return cards[0] if len(cards) == 1 else refused("card_twice", book)
    if faults:
        return max(faults, key=lambda one: one[:2])[-1]
    return refused("card_missing", book)


def _look_at(
    image: Image, coarsely: Array, reach_px: float, book: Evidence, focal_35mm_mm: float | None
) -> Card | Refused | None:
    """The card of a coarse outline, or of that outline with the part beside a stripe put back."""
    sides = fit_sides(image, coarsely, reach_px, book)
    found = _card_of(image, coarsely, sides, book, focal_35mm_mm)
    if sides is not None and _part(found):
        for whole in _completed(sides.corners):
            more = fit_sides(image, whole, reach_px, book)
            card = _card_of(image, whole, more, book, focal_35mm_mm)
            if isinstance(card, Card):
                return card
    return found


def _part(found: Card | Refused | None) -> bool:
    """Whether a shape may be a part of a card."""
    return isinstance(found, Refused) and found.why == "wrong_aspect"


def _card_of(
    image: Image,
    coarsely: Array,
    sides: Sides | None,
    book: Evidence,
    focal_35mm_mm: float | None,
) -> Card | Refused | None:
    """The card of four sides, why it cannot be used, or None where there are no straight sides."""
    size = (image.shape[1], image.shape[0])
    if sides is None:
        return refused("cropped", book) if _cut_off(coarsely, size) else None
    try:
        card = card_of(
            sides.corners,
            sides.covariance,
            size,
            book,
            focal_35mm_mm=focal_35mm_mm,
            blur_px=sides.blur_px,
        )
    except InputError:
        return None
    if isinstance(card, Card) and not is_rounded(image, card, book):
        return refused("wrong_aspect", book)
    return card


# ------------------------------------------------------------------ shapes, coarsely


def coarse(image: Image) -> tuple[Image, int]:
    """The picture made small by a whole factor, and the factor [1]."""
    h, w = image.shape[:2]
    factor = max(1, round(max(h, w) / COARSE_PX))
    small, left = np.asarray(image[: h // factor * factor, : w // factor * factor]), factor
    while left > 1:  # by halves where it goes: much quicker, and the same
        step = 2 if left % 2 == 0 else left
        size = (small.shape[1] // step, small.shape[0] // step)
        small = np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        left //= step
    return small, factor


def _by_edges(channels: list[NDArray[np.uint8]]) -> Iterator[Array]:
    """Four-sided outlines (4, 2) on the small picture, by edges of light or colour."""
    for edges in _edge_maps(channels):
        yield from _outlines(edges)


def _by_levels(channels: list[NDArray[np.uint8]]) -> Iterator[Array]:
    """The same by what is lighter, or more of a colour, than some level."""
    for channel in channels:
        low, high = np.percentile(channel[::4, ::4], [2, 98])
        if high - low < LEAST_STEP:
            continue
        for level in np.linspace(low, high, LEVELS + 2)[1:-1]:
            _, mask = cv2.threshold(channel, float(level), 255, cv2.THRESH_BINARY)
            mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
            yield from _outlines(np.asarray(mask, dtype=np.uint8))


def _edge_maps(channels: list[NDArray[np.uint8]]) -> Iterator[NDArray[np.uint8]]:
    """Edges of any channel, thickened; once with all that stand out, once with the strong ones."""
    slopes = [(cv2.Sobel(c, cv2.CV_16S, 1, 0), cv2.Sobel(c, cv2.CV_16S, 0, 1)) for c in channels]
    strong = max(float(np.percentile(np.abs(dx[::8, ::8]), 92)) for dx, _ in slopes)
    for high in (max(50.0, 2 * strong), 160.0):
        edges = cv2.Canny(*slopes[0], high / 2, high)
        for dx, dy in slopes[1:]:
            edges = cv2.bitwise_or(edges, cv2.Canny(dx, dy, high / 2, high))
        yield np.asarray(cv2.dilate(edges, np.ones((3, 3), np.uint8)), dtype=np.uint8)


def _outlines(mask: NDArray[np.uint8]) -> Iterator[Array]:
    area = mask.size
    contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    for contour in contours:
        if len(contour) < 4:
            continue
        _, _, w, h = cv2.boundingRect(contour)
        if not LEAST_SHARE * area < w * h < MOST_SHARE * area:
            continue
        hull = cv2.convexHull(contour)
        whole = cv2.contourArea(hull)
        if whole < LEAST_SHARE * area / 2:
            continue
        corners = _four_sided(np.asarray(hull, dtype=np.int32))
        if len(corners) == 4 and _plausible(corners, abs(cv2.contourArea(contour)), whole):
            yield corners


def _four_sided(hull: NDArray[np.int32]) -> Array:
    """The four-sided outline that encloses a hull most closely."""
    if len(hull) <= 4:
        return hull[:, 0].astype(np.float64)
    found = np.zeros((4, 1, 2), np.float32)
    four = cv2.approxPolyN(hull, 4, found, -1.0, True)
    return np.asarray(four, dtype=np.float64).reshape(-1, 2)


def _plausible(corners: Array, filled: float, hull: float) -> bool:
    sides = np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1)
    area = abs(cv2.contourArea(corners.astype(np.float32)))
    longest, shortest = (sides[:2] + sides[2:]).max(), (sides[:2] + sides[2:]).min()
    return bool(
        shortest > 12
        and longest / shortest < LONGEST
        and filled > FULL * area
        and hull < area / FULL
    )


def _apart(shapes: Iterator[Array]) -> list[Array]:
    """Each shape once, the middle one by area of those alike; most like a card seen straight first.

    Some of the outlines of one thing hold its shadow too, and some leave out its edge.
    """
    alike: list[list[Array]] = []
    about: list[tuple[float, float, float]] = []  # middle and reach of each
    for shape in shapes:
        (x, y), reach = shape.mean(axis=0).tolist(), float(np.ptp(shape, axis=0).max())
        for others, (x0, y0, reach0) in zip(alike, about, strict=True):
            near = abs(x - x0) + abs(y - y0) < min(reach, reach0) / 2
            if near and _overlap(shape, others[0]) > SAME:
                others.append(shape)
                break
        else:
            alike.append([shape])
            about.append((x, y, reach))
    middle = [
        sorted(others, key=lambda one: float(cv2.contourArea(one.astype(np.float32))))[
            len(others) // 2
        ]
        for others in alike
    ]
    return sorted(middle, key=_unlike)[:TRIED]


def _completed(shape: Array) -> Iterator[Array]:
    """Outlines of a card of which a dark stripe, dark like the ground, hides one long edge."""
    sides = np.linalg.norm(shape - np.roll(shape, -1, axis=0), axis=1)
    first = 0 if sides[0] + sides[2] > sides[1] + sides[3] else 1
    a, b, c, d = np.roll(shape, -first, axis=0)  # a-b and c-d are long
    more = (sides[first] + sides[first - 2]) / (sides[first - 1] + sides[first - 3]) / SHAPE
    if not STRIPE[0] < more < STRIPE[1]:
        return
    yield np.array([a, b, b + (c - b) * more, a + (d - a) * more])
    yield np.array([d + (a - d) * more, c + (b - c) * more, c, d])


def _unlike(shape: Array) -> float:
    sides = np.linalg.norm(shape - np.roll(shape, -1, axis=0), axis=1)
    one, other = sides[0] + sides[2], sides[1] + sides[3]
    return float(abs(np.log(max(one, other) / min(one, other) / SHAPE)))


def _overlap(a: Array, b: Array) -> float:
    if (a.max(0) < b.min(0)).any() or (b.max(0) < a.min(0)).any():
        return 0.0
    both, _ = cv2.intersectConvexConvex(
        cv2.convexHull(a.astype(np.float32)), cv2.convexHull(b.astype(np.float32))
    )
    whole = sum(abs(cv2.contourArea(one.astype(np.float32))) for one in (a, b)) - both
    return float(both / whole) if whole > 0 else 0.0


def _cut_off(corners: Array, size: tuple[int, int]) -> bool:
    edge = 0.006 * max(size)
    near = (corners < edge) | (corners > np.array(size) - 1 - edge)
    return int(near.any(axis=1).sum()) >= 2
