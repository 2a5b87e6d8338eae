"""Why a photograph cannot be measured: each fault of the view as a value with its reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import atan2, degrees, hypot

import numpy as np

from rungwise.core.camera import Array
from rungwise.core.evidence import Evidence
from rungwise.core.quantiles import chi_square_quantile
from rungwise.core.terms import Reason, Side

__all__ = ["WHY", "Refused", "Seen", "refuse_card", "refuse_marks", "refused"]

#: Every fault that a photograph can have; each is a rule ``photo.refused.*`` of the book.
WHY = (
    "card_missing",
    "card_twice",
    "card_small",
    "card_leans",
    "wrong_aspect",
    "oblique",
    "too_close",
    "blurred",
    "cropped",
    "turned",
    "mirrored",
    "out_of_plane",
    "marks_missing",
    "dots_missing",
    "marks_order",
    "whole_toe",
    "uncertain",
)


@dataclass(frozen=True)
class Refused:
    """A photograph that is not measured.

    Parameters
    ----------
    why : str
        One of :data:`WHY`.
    reason : Reason
        The same in a sentence, with what to do.
    """

    why: str
    reason: Reason


@dataclass(frozen=True, eq=False)
class Seen:
    """What the checks of a card look at.

    Parameters
    ----------
    corners_px : (4, 2) array
        Corners [px].
    size_px : (int, int)
        Width and height of the photograph [px].
    scale_px_per_mm : float
        Pixels for each millimetre [mm] of the card's shortest-looking side.
    tilt_deg : float
        From the square view [deg].
    distance_mm : float
        From the lens [mm].
    blur_mm : float or None
        Width of the edges [mm].
    misfit : float
        Chi-square of the card with two degrees of freedom [1].
    """

    corners_px: Array
    size_px: tuple[int, int]
    scale_px_per_mm: float
    tilt_deg: float
    distance_mm: float
    blur_mm: float | None
    misfit: float


def refused(why: str, book: Evidence, **values: str) -> Refused:
    """A refusal with its reason; ``values`` fill the sentence."""
    return Refused(why, book.reason(f"photo.refused.{why}", **values))


def _outside(points_px: Array, size_px: tuple[int, int], book: Evidence) -> bool:
    edge = book.value("photo.margin.least_px")
    return bool((points_px < edge).any() or (points_px > np.array(size_px) - 1 - edge).any())


def refuse_card(seen: Seen, book: Evidence) -> Refused | None:
    """The first fault of a card's view, or None."""
    unlikely = book.value("photo.card.least_chance_pct") / 100
    if _outside(seen.corners_px, seen.size_px, book):
        return refused("cropped", book)
    if seen.misfit > chi_square_quantile(1 - unlikely, 2):
        return refused("wrong_aspect", book)
    if seen.tilt_deg > book.value("photo.tilt.most_deg"):
        return refused("oblique", book, tilt=f"{seen.tilt_deg:.0f}°")
    if seen.scale_px_per_mm < book.value("photo.card.least_px_per_mm"):
        return refused("card_small", book, scale=f"{seen.scale_px_per_mm:.1f}")
    if seen.blur_mm is not None and seen.blur_mm > book.value("photo.blur.most_mm"):
        return refused("blurred", book, blur=f"{seen.blur_mm:.1f} mm")
    if seen.distance_mm < book.value("photo.distance.least_mm"):
        return refused("too_close", book, distance=f"{seen.distance_mm / 10:.0f} cm")
    return None


def refuse_marks(
    pixels: Mapping[str, Array],
    places: Mapping[str, Array],
    depths_mm: Sequence[float],
    book: Evidence,
    *,
    side: Side,
    size_px: tuple[int, int],
    upright: bool,
    distance_mm: float,
    heel_to_mtp_mm: float | None,
    given: Sequence[str],
    allowed: Sequence[str],
) -> tuple[Refused | None, bool]:
    """The first fault of the marks or None, and whether the plane could be checked.

    Parameters
    ----------
    pixels, places : mapping of str to (2,) array
        Marks on the photograph [px] and on the card's plane [mm].
    depths_mm : sequence of float
        How far each dot stands out of the card's plane by its size [mm].
    book : Evidence
        The book, with rows ``photo.*``.
    side : {"right", "left"}
        Which foot.
    size_px : (int, int)
        Width and height of the photograph [px].
    upright : bool
        Whether it is known which way round the photograph was held.
    distance_mm : float
        From the lens to the card [mm].
    heel_to_mtp_mm : float or None
        Length measured at the examination [mm].
    given, allowed : sequence of str
        Names of the marks given, and those known.
    """
    unknown = [name for name in given if name not in allowed]
    lacking = [name for name in ("shaft_back", "joint", "phalanx") if name not in pixels]
    if unknown or lacking:
        words = ", ".join(name.replace("_", " ") for name in (*lacking, *unknown))
        return refused("marks_missing", book, marks=words), False
    fault = (
        _view(pixels, book, side, size_px, upright)
        or _spacing(places, book)
        or _plane(places, depths_mm, book, distance_mm, heel_to_mtp_mm)
    )
    known = bool(depths_mm) or (heel_to_mtp_mm is not None and "heel" in places)
    return fault, known


def _view(
    pixels: Mapping[str, Array], book: Evidence, side: Side, size_px: tuple[int, int], upright: bool
) -> Refused | None:
    """Cropped, turned or mirrored."""
    if _outside(np.stack(list(pixels.values())), size_px, book):
        return refused("cropped", book)
    along = pixels["joint"] - pixels["heel" if "heel" in pixels else "shaft_back"]
    steep = degrees(atan2(abs(along[1]), abs(along[0])))
    if not upright or steep > book.value("photo.turned.most_deg"):
        return refused("turned", book)
    if (along[0] < 0) != (side == "right"):
        return refused("mirrored", book, side=side, way="left" if side == "right" else "right")
    return None


def _spacing(places: Mapping[str, Array], book: Evidence) -> Refused | None:
    """Marks in the wrong order or place: each bone has a length that people have."""

    def apart(first: str, second: str) -> float:
        return float(hypot(*(places[second] - places[first])))

    def within(row: str, mm: float) -> bool:
        return book.low(row) <= mm <= book.high(row)

    toe = apart("joint", "phalanx")
    if toe > book.high("photo.marks.phalanx_mm"):
        return refused("whole_toe", book, length=f"{toe:.0f} mm")
    fine = within("photo.marks.phalanx_mm", toe)
    fine &= within("photo.marks.shaft_mm", apart("shaft_back", "joint"))
    if "shaft_front" in places:
        shaft = places["joint"] - places["shaft_back"]
        share = float((places["shaft_front"] - places["shaft_back"]) @ shaft / (shaft @ shaft))
        fine &= 1 / 2 < share < 1
    if "heel" in places:
        fine &= within("photo.marks.heel_to_mtp_mm", apart("heel", "joint"))
        fine &= apart("heel", "joint") > apart("heel", "shaft_back")
    return None if fine else refused("marks_order", book)


def _plane(
    places: Mapping[str, Array],
    depths_mm: Sequence[float],
    book: Evidence,
    distance_mm: float,
    heel_to_mtp_mm: float | None,
) -> Refused | None:
    """Out of the card's plane, by the size of the dots or by a known length."""
    if depths_mm:
        share = book.value("photo.dot.across_sd_pct") / 100
        alone = distance_mm * share
        most = book.value("photo.plane.most_mm")
        sure = book.value("photo.plane.sure_sd")
        worst = max(depths_mm, key=abs)
        mean = float(np.mean(depths_mm))
        if abs(mean) > most or abs(worst) > most + sure * alone:
            return refused("out_of_plane", book)
    if heel_to_mtp_mm is not None and "heel" in places:
        seen = float(hypot(*(places["joint"] - places["heel"])))
        slack = book.value("photo.plane.length_slack_pct") / 100
        if abs(seen / heel_to_mtp_mm - 1) > slack:
            return refused("out_of_plane", book)
    return None
