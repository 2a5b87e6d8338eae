"""Fit the sides of a card to a fraction of a pixel, and intersect them.

Lines are fitted to the middle of each side: the corners themselves are rounded, and a polygon's
corners are pulled in by millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rungwise.core.camera import Array
from rungwise.core.evidence import Evidence
from rungwise.core.photo_card import Card

__all__ = ["Image", "Sides", "edges_along", "fit_sides", "is_rounded", "sampled"]

Image = NDArray[np.uint8]

# Of looking, not of measuring.
MIDDLE = 0.6  # share of a side that its line is fitted to
POINTS = (30, 72)  # places along the middle of a side, at the first look and the second
LEAST_EDGE = 2.5  # height of an edge in parts of 255 of white light
SUPPORT = 0.5  # share of the places along a side at which its edge must be found
STRAIGHT_PX = 1.2  # scatter of a side's points about its line, beyond which it is no card's side
GAMMA = 2.2  # of the tone curve, undone before an edge is placed: blur adds light, not levels
LIGHT = (255 * (np.arange(256) / 255) ** GAMMA).astype(np.float32)  # by level
CORNERS_CUT = 3  # of four corners that must be rounded like a card's


@dataclass(frozen=True, eq=False)
class Sides:
    """Four sides fitted to a fraction of a pixel."""

    corners: Array  # (4, 2)
    covariance: Array  # (8, 8)
    blur_px: float
    support: float
    scatter_px: float


def fit_sides(image: Image, corners: Array, reach_px: float, book: Evidence) -> Sides | None:
    """The four sides near a coarse outline, in two looks; None when they are no straight edges."""
    found = None
    for look in range(2):
        reach = reach_px if look == 0 or found is None else max(5.0, 4 * found.blur_px + 2)
        found = _look(image, corners, reach, POINTS[look], book)
        if found is None:
            return None
        corners = found.corners
    return found


def _look(image: Image, corners: Array, reach: float, points: int, book: Evidence) -> Sides | None:
    middle = corners.mean(axis=0)
    lines, spreads, blurs, supports, scatters = [], [], [], [], []
    for i in range(4):
        start, end = corners[i], corners[(i + 1) % 4]
        along = end - start
        long = float(np.linalg.norm(along))
        if long < 20:
            return None
        along = along / long
        inward = np.array([-along[1], along[0]])
        inward *= np.sign(inward @ (middle - start)) or 1.0
        t = (0.5 + MIDDLE * np.linspace(-0.5, 0.5, points)) * long
        s = np.arange(-reach, reach + 0.5, 1.0 if reach > 12 else 0.5)
        at = start + t[:, None, None] * along + s[None, :, None] * inward
        where, sharp, fine = edges_along(sampled(image, at), s)
        kept = _straight(t, where, fine)
        if kept is None:
            return None
        (level, slope), rows, scatter = kept
        supports.append(float(rows.mean()))
        scatters.append(scatter)
        blurs.append(float(np.median(sharp[rows])))
        centre = float(t[rows].mean())
        lines.append(
            (start + centre * along + (level + slope * centre) * inward, along, inward, slope)
        )
        n = int(rows.sum())
        span = float(np.sum((t[rows] - centre) ** 2))
        spreads.append((scatter**2 / n, scatter**2 / max(span, 1.0)))
    if min(supports) < SUPPORT or max(scatters) > STRAIGHT_PX + 0.5 * max(blurs):
        return None
    meet, covariance = _intersect(lines, spreads)
    if meet is None or covariance is None:
        return None
    covariance = covariance + np.eye(8) * book.value("photo.corner.sd_px") ** 2
    return Sides(meet, covariance, max(blurs), min(supports), max(scatters))


def sampled(image: Image, at: Array) -> NDArray[np.float32]:
    """Colours (n, m, 3) at places (n, m, 2), from the part of the picture around them."""
    h, w = image.shape[:2]
    x0, y0 = (max(0, int(v) - 2) for v in at.reshape(-1, 2).min(0))
    x1, y1 = at.reshape(-1, 2).max(0).astype(int) + 3
    part = image[y0 : min(h, max(y1, y0 + 1)), x0 : min(w, max(x1, x0 + 1))]
    if part.size == 0:
        return np.zeros((*at.shape[:2], 3), np.float32)
    maps = (at - [x0, y0]).astype(np.float32)
    seen = cv2.remap(part, maps, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    return np.asarray(LIGHT[np.asarray(seen)], dtype=np.float32)


def edges_along(colours: NDArray[np.float32], s: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Of each profile from outside in: place and width of its strongest step, and if it has one."""
    smooth = cv2.blur(colours, (1, 5), borderType=cv2.BORDER_REPLICATE)
    steps = np.diff(smooth, axis=1)
    mids = (s[1:] + s[:-1]) / 2
    width = s[1] - s[0]
    window = max(3, round(3 / width) | 1)
    rise = cv2.blur(steps, (window, 1), borderType=cv2.BORDER_CONSTANT) * window
    height = np.abs(rise).max(axis=-1)
    centre_bias = 1 - 0.3 * np.abs(mids) / np.abs(mids).max()
    peak = (height * centre_bias).argmax(axis=1)
    rows = np.arange(len(peak))
    colour = rise[rows, peak]
    size = np.linalg.norm(colour, axis=1)
    unit = colour / np.maximum(size, 1e-6)[:, None]
    along = np.einsum("nmc,nc->nm", steps, unit)
    top = along[rows, peak]
    # what belongs to this step: up to where it has fallen to a tenth, both ways from the peak
    keep = np.maximum(along - 0.1 * np.maximum(top, 0)[:, None], 0)
    reach = np.abs(np.arange(len(mids))[None] - peak[:, None])
    gap = (keep <= 0).astype(np.int32)
    left = np.cumsum(gap, axis=1)
    keep[(left != left[rows, peak][:, None])] = 0
    keep[reach > 12 / width] = 0
    weight = keep.sum(axis=1)
    safe = np.maximum(weight, 1e-6)
    where = (keep * mids).sum(axis=1) / safe
    sharp = np.sqrt(np.maximum((keep * (mids - where[:, None]) ** 2).sum(axis=1) / safe, 0))
    return where, sharp, (size >= LEAST_EDGE) & (weight > LEAST_EDGE / 2)


def _straight(
    t: Array, where: Array, fine: NDArray[np.bool_]
) -> tuple[tuple[float, float], NDArray[np.bool_], float] | None:
    """The line most of the points lie on: (level, slope), which points, their scatter."""
    points = len(t)
    if fine.sum() < 0.4 * points:
        return None
    rows = np.flatnonzero(fine)[:: max(1, points // 24)]
    first, second = np.nonzero(rows[None] - rows[:, None] > points // 4)
    if len(first) == 0:
        return None
    a, b = rows[first], rows[second]
    slopes = (where[b] - where[a]) / (t[b] - t[a])
    levels = where[a] - slopes * t[a]
    off = np.abs(where[None] - levels[:, None] - slopes[:, None] * t[None])
    close = (off < 1.0) & fine[None]
    best = int((close.sum(axis=1) - 0.1 * np.where(close, off, 0).sum(axis=1)).argmax())
    keep = close[best]
    line = (float(levels[best]), float(slopes[best]))
    for _ in range(3):
        if keep.sum() < 0.25 * points:
            return None
        x, y = t[keep], where[keep]
        off_x = x - x.mean()
        slope = float(off_x @ y) / max(float(off_x @ off_x), 1e-12)
        level = float(y.mean()) - slope * float(x.mean())
        line = (level, slope)
        rest = where - level - slope * t
        scatter = float(np.sqrt(np.mean(rest[keep] ** 2)))
        keep = fine & (np.abs(rest) < max(0.5, 3 * scatter))
    rest = where - line[0] - line[1] * t
    return line, keep, float(np.sqrt(np.mean(rest[keep] ** 2)))


def _intersect(
    lines: list[tuple[Array, Array, Array, float]], spreads: list[tuple[float, float]]
) -> tuple[Array | None, Array | None]:
    """Corners where each side meets the one before it, and their covariance.

    A side is level + slope · t with independent errors of both about the middle of its points.
    """

    def meet(shifts: Array) -> Array:
        points, ways = [], []
        for (at, along, inward, slope), (up, turn) in zip(lines, shifts, strict=True):
            points.append(at + up * inward)
            ways.append(along + (slope + turn) * inward)
        found = []
        for i in range(4):
            a, b = points[i - 1], points[i]
            u, v = ways[i - 1], ways[i]
            cross = u[0] * v[1] - u[1] * v[0]
            if abs(cross) < 0.05 * np.linalg.norm(u) * np.linalg.norm(v):
                raise np.linalg.LinAlgError
            k = ((b - a)[0] * v[1] - (b - a)[1] * v[0]) / cross
            found.append(a + k * u)
        return np.array(found)

    try:
        corners = meet(np.zeros((4, 2)))
        jacobian = []
        for i in range(4):
            for j, step in enumerate((1e-3, 1e-6)):
                shifts = np.zeros((4, 2))
                shifts[i, j] = step
                jacobian.append((meet(shifts) - corners).ravel() / step * spreads[i][j] ** 0.5)
    except np.linalg.LinAlgError:
        return None, None
    J = np.array(jacobian)
    return corners, J.T @ J


def is_rounded(image: Image, card: Card, book: Evidence) -> bool:
    """Whether the corners are cut like a card's: ground up to where the rounding begins."""
    cut = (2**0.5 - 1) * book.value("photo.card.radius_mm") * card.scale_px_per_mm
    if cut < 2.5:
        return True  # too small a picture to tell
    fine = 0
    for i, corner in enumerate(card.corners_px):
        a, b = card.corners_px[i - 1] - corner, card.corners_px[(i + 1) % 4] - corner
        way = a / np.linalg.norm(a) + b / np.linalg.norm(b)
        way /= np.linalg.norm(way)
        s = np.arange(-1.6 * cut, 2.8 * cut, 0.5)
        at = corner + s[None, :, None] * way + np.zeros((5, 1, 1))
        at = at + np.linspace(-0.6, 0.6, 5)[:, None, None] * np.array([-way[1], way[0]])
        where, _, found = edges_along(sampled(image, at), s)
        if not found.any():
            continue
        share = float(np.median(where[found])) / cut
        fine += 0.35 < share < 2.2
    return fine >= CORNERS_CUT
