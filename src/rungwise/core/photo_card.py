"""The card on a photograph: its corners, what is known of the lens, and the camera behind them."""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees, hypot

import numpy as np

from rungwise.core.camera import (
    LENS,
    Array,
    Fit,
    Lens,
    back_project,
    fit_card,
    rotation,
    unlike_card,
)
from rungwise.core.evidence import Evidence
from rungwise.core.photo_checks import Refused, Seen, refuse_card, refused

__all__ = ["Card", "card_from_clicks", "card_mm", "card_of", "lens_of"]


@dataclass(frozen=True, eq=False)
class Card:
    """A card found on a photograph, and the camera that it stands for.

    Parameters
    ----------
    corners_px : (4, 2) array
        Where its sides meet [px]: from the upper left one round with the clock, the first side
        being a long one.
    covariance_px2 : (8, 8) array
        Their covariance [px²].
    size_px : (int, int)
        Width and height of the photograph [px].
    lens : Lens
        What was known of the lens.
    fit : Fit
        The camera.
    tilt_deg : float
        Angle between the line of sight to the card and the line square to it [deg].
    distance_mm : float
        From the lens to the card [mm].
    scale_px_per_mm : float
        Pixels for each millimetre [mm] of its shortest-looking side.
    blur_mm : float or None
        Width of its edges as a standard deviation [mm]; None when the corners were clicked.
    """

    corners_px: Array
    covariance_px2: Array
    size_px: tuple[int, int]
    lens: Lens
    fit: Fit
    tilt_deg: float
    distance_mm: float
    scale_px_per_mm: float
    blur_mm: float | None


def lens_of(size_px: tuple[int, int], book: Evidence, focal_35mm_mm: float | None = None) -> Lens:
    """What is known of a lens before the picture is looked at.

    Parameters
    ----------
    size_px : (int, int)
        Width and height of the photograph, not cropped [px].
    book : Evidence
        The book, with rows ``photo.lens.*``.
    focal_35mm_mm : float, optional
        Focal length that would give the same picture on 35 mm film [mm], as cameras note it beside
        the picture; without it a phone's usual one with a wide error.
    """
    width, height = size_px
    known = focal_35mm_mm is not None
    focal = focal_35mm_mm if focal_35mm_mm is not None else book.value("photo.lens.usual_35mm_mm")
    diagonal = book.value("photo.lens.film_diagonal_mm")
    share = "photo.lens.known_sd_pct" if known else "photo.lens.unknown_sd_pct"
    middle = book.value("photo.lens.centre_sd_pct") / 100 * max(size_px)
    k1, k2 = (book.value(f"photo.lens.{k}_sd") for k in ("k1", "k2"))
    return Lens(
        focal * hypot(width, height) / diagonal,
        ((width - 1) / 2, (height - 1) / 2),
        np.array([book.value(share) / 100, middle, middle, k1, k2]),
    )


def card_mm(book: Evidence) -> Array:
    """Corners (4, 3) of a card in its own frame, in the order of :class:`Card` [mm]."""
    x = book.value("photo.card.long_mm") / 2
    y = book.value("photo.card.short_mm") / 2
    return np.array([[-x, -y, 0], [x, -y, 0], [x, y, 0], [-x, y, 0]])


def card_of(
    corners_px: Array,
    covariance_px2: Array,
    size_px: tuple[int, int],
    book: Evidence,
    *,
    focal_35mm_mm: float | None = None,
    blur_px: float | None = None,
) -> Card | Refused:
    """The card and camera of four corners in any order, or why the view cannot be used.

    Parameters
    ----------
    corners_px : (4, 2) array
        Where the card's sides meet, going round [px].
    covariance_px2 : (8, 8) array
        Their covariance, same order [px²].
    size_px : (int, int)
        Width and height of the photograph [px].
    book : Evidence
        The book, with rows ``photo.*``.
    focal_35mm_mm : float, optional
        See :func:`lens_of` [mm].
    blur_px : float, optional
        Width of the card's edges as a standard deviation [px].

    Raises
    ------
    InputError
        When the corners span no area.
    """
    corners, covariance = _in_order(corners_px, covariance_px2)
    lens = lens_of(size_px, book, focal_35mm_mm)
    if unlike_card(corners, card_mm(book), lens) > book.value("photo.card.most_unlike"):
        return refused("wrong_aspect", book)
    fit = fit_card(corners, covariance, card_mm(book), lens)
    place = fit.parameters[None]
    middle = back_project(place, corners.mean(axis=0)[None, None], np.zeros((1, 1)), lens)
    eye = _eye(fit.parameters)
    sight = np.append(middle[0, 0], 0) - eye
    distance = float(np.linalg.norm(sight))
    along = np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1)
    true = np.linalg.norm(card_mm(book) - np.roll(card_mm(book), -1, axis=0), axis=1)
    scale = float((along / true).min())
    card = Card(
        corners,
        covariance,
        size_px,
        lens,
        fit,
        float(degrees(np.arccos(min(1, abs(sight[-1]) / distance)))),
        distance,
        scale,
        None if blur_px is None else blur_px / scale,
    )
    seen = Seen(corners, size_px, scale, card.tilt_deg, distance, card.blur_mm, fit.misfit)
    return refuse_card(seen, book) or card


def card_from_clicks(
    corners_px: Array,
    size_px: tuple[int, int],
    book: Evidence,
    *,
    focal_35mm_mm: float | None = None,
    sd_px: float | None = None,
) -> Card | Refused:
    """The card and camera of four corners clicked where the card's sides would meet.

    Parameters
    ----------
    corners_px : (4, 2) array
        Clicks, going round [px].
    size_px : (int, int)
        Width and height of the photograph [px].
    book : Evidence
        The book, with rows ``photo.*``.
    focal_35mm_mm : float, optional
        See :func:`lens_of` [mm].
    sd_px : float, optional
        Standard deviation of a click [px]; the book's by default.
    """
    sd = book.value("photo.corner.click_sd_px") if sd_px is None else sd_px
    at = np.asarray(corners_px, dtype=np.float64)
    return card_of(at, np.eye(at.size) * sd**2, size_px, book, focal_35mm_mm=focal_35mm_mm)


def _in_order(corners: Array, covariance: Array) -> tuple[Array, Array]:
    """Corners with the clock, from the upper left one on, the first side being a long one."""
    middle = corners.mean(axis=0)
    around = np.argsort(np.arctan2(*(corners - middle).T[::-1]))
    sides = np.linalg.norm(corners[around] - np.roll(corners[around], -1, axis=0), axis=1)
    if sides[0] + sides[2] < sides[1] + sides[-1]:
        around = np.roll(around, -1)
    pairs = (2 * around[:, None] + np.arange(2)).ravel()
    return corners[around], covariance[np.ix_(pairs, pairs)]


def _eye(p: Array) -> Array:
    """Where the lens is in the card's frame [mm]."""
    turn, place = np.split(p[len(LENS) :], 2)
    eye: Array = -place @ rotation(turn[None])[0]
    return eye
