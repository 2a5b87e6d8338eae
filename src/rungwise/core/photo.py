"""The bend of the big toe, and lengths, from marks on a photograph with a card in it.

A card of ISO/IEC 7810 ID-1 size stands in the plane of the toe. Its corners say where the camera
stood (:mod:`rungwise.core.camera`); marks on the foot are carried back onto the card's plane. Each
answer has an interval for what the marks, the corners, the marks' distance from the card's plane
and the lens leave open. Nothing here knows whether a mark stands on the right place of the foot.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rungwise.core.camera import Array, back_project
from rungwise.core.detect import limit_z
from rungwise.core.evidence import Evidence
from rungwise.core.photo_card import Card, card_from_clicks, card_of, lens_of
from rungwise.core.photo_checks import Refused, refuse_marks, refused
from rungwise.core.photo_error import Answer, Marked
from rungwise.core.terms import Reason, Side

__all__ = [
    "MARKS",
    "Card",
    "Length",
    "PhotoReading",
    "Refused",
    "Spot",
    "card_from_clicks",
    "card_of",
    "lens_of",
    "measure",
    "measure_length",
]

#: Marks in their order along the foot. ``tip`` is for the foot's length and never for the angle.
MARKS = ("heel", "shaft_back", "shaft_front", "joint", "phalanx", "tip")


@dataclass(frozen=True)
class Spot:
    """A coloured dot found on the foot.

    Parameters
    ----------
    at_px : (float, float)
        Its middle [px].
    across_px : float
        Its diameter [px].
    """

    at_px: tuple[float, float]
    across_px: float


@dataclass(frozen=True)
class Length:
    """A distance between two marks.

    Parameters
    ----------
    name : str
        ``foot_length``, ``heel_to_mtp`` or what was asked for.
    mm, low_mm, high_mm, sd_mm : float
        The distance, its interval and its standard error [mm].
    """

    name: str
    mm: float
    low_mm: float
    high_mm: float
    sd_mm: float


@dataclass(frozen=True, eq=False)
class PhotoReading:
    """The bend of the big toe read off one photograph.

    Parameters
    ----------
    bend_deg : float
        Upward bend; minus is downward [deg].
    zero : {"metatarsal_shaft", "flat_standing"}
        What counts as no bend: the line of the metatarsal's shaft, or the toe in flat standing.
    low_deg, high_deg, sd_deg : float
        Its interval and standard error [deg].
    sd_first_deg, sd_drawn_deg : float
        The standard error to first order, and of random draws [deg]; ``sd_deg`` is the larger one
        when they part.
    parts_deg : mapping of str to float
        Standard error that each cause alone would make [deg]: marks, corners, plane, lens.
    lengths : tuple of Length
        Distances between marks, where both were given.
    side : {"right", "left"}
        Which foot.
    marks : tuple of str
        Which marks it rests on, in their order; readings of other marks are not comparable.
    marks_px : mapping of str to (float, float)
        Where they are [px].
    marks_mm : mapping of str to (float, float)
        The same on the card's plane [mm].
    plane_checked : bool
        Whether the size of dots, or a known length, spoke for the foot being in the card's plane.
    quality : {"good", "fair"}
        Whether the interval is narrow.
    reasons : tuple of Reason
        How it was found, and what it does not say.
    """

    bend_deg: float
    zero: str
    low_deg: float
    high_deg: float
    sd_deg: float
    sd_first_deg: float
    sd_drawn_deg: float
    parts_deg: Mapping[str, float]
    lengths: tuple[Length, ...]
    side: Side
    marks: tuple[str, ...]
    marks_px: Mapping[str, tuple[float, float]]
    marks_mm: Mapping[str, tuple[float, float]]
    plane_checked: bool
    quality: str
    reasons: tuple[Reason, ...]


def bend_of(names: tuple[str, ...], side: Side) -> Answer:
    """The function from places of named marks (m, n, 2) to the upward bend (m,) [deg].

    Notes
    -----
    Shaft from ``shaft_back`` to ``shaft_front``, or to ``joint`` without it; toe from ``joint`` to
    ``phalanx``. Seen from the inner side a right foot bends up with the clock, a left one against
    it, however the picture is turned.
    """
    at = {name: i for i, name in enumerate(names)}
    front = at.get("shaft_front", at["joint"])
    way = 1 if side == "right" else -1

    def bend(places: Array) -> Array:
        u = places[:, front] - places[:, at["shaft_back"]]
        v = places[:, at["phalanx"]] - places[:, at["joint"]]
        cross = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
        angles: Array = np.degrees(np.arctan2(way * cross, np.sum(u * v, axis=1)))
        return angles

    return bend


def _between(first: int, second: int) -> Answer:
    return lambda places: np.linalg.norm(places[:, first] - places[:, second], axis=1)


def measure(
    card: Card,
    marks: Mapping[str, tuple[float, float] | Spot],
    book: Evidence,
    *,
    side: Side,
    rng: np.random.Generator,
    upright: bool = True,
    heel_to_mtp_mm: float | None = None,
    click_sd_px: float | None = None,
) -> PhotoReading | Refused:
    """The bend of the big toe, from the line of the metatarsal's shaft, with its interval.

    Parameters
    ----------
    card : Card
        The card on the same photograph.
    marks : mapping of str to (float, float) or Spot
        Places of :data:`MARKS` [px]: at least ``shaft_back``, ``joint`` and ``phalanx``. The last
        is the far end of the proximal phalanx, never the tip of the toe.
    book : Evidence
        The book, with rows ``photo.*`` and ``change.confidence_pct``.
    side : {"right", "left"}
        Which foot, seen from its inner side.
    rng : numpy.random.Generator
        Source of the random draws that the first order is checked against.
    upright : bool
        False when it is not known which way round the photograph was held.
    heel_to_mtp_mm : float, optional
        The same length measured at the examination [mm]: a check of the plane.
    click_sd_px : float, optional
        Standard deviation of a clicked mark [px]; the book's by default.
    """
    names = tuple(name for name in MARKS if name in marks)
    marked = _marked(card, [marks[name] for name in names], book, click_sd_px)
    given = [marks[name] for name in names]
    spots = [(marked.pixels[i], m.across_px) for i, m in enumerate(given) if isinstance(m, Spot)]
    places = marked.at_best()[0]
    fault, checked = refuse_marks(
        dict(zip(names, marked.pixels, strict=True)),
        dict(zip(names, places, strict=True)),
        [_spot_depth(card, at, across, book) for at, across in spots],
        book,
        side=side,
        size_px=card.size_px,
        upright=upright,
        distance_mm=card.distance_mm,
        heel_to_mtp_mm=heel_to_mtp_mm,
        given=tuple(marks),
        allowed=MARKS,
    )
    if fault is not None:
        return fault
    answer = bend_of(names, side)
    parts = marked.parts(answer)
    first = sum(parts.values()) ** (1 / 2)
    draws = marked.drawn(answer, rng, int(book.value("photo.check.draws")))
    bend = float(answer(places[None])[0])
    spread = float(np.sqrt(np.mean((draws - bend) ** 2)))
    parted = abs(spread / first - 1) > book.value("photo.check.apart_pct") / 100
    sd = max(first, spread) if parted else first
    if sd > book.value("photo.reading.most_sd_deg"):
        return refused("uncertain", book, sd=f"{sd:.1f}°")
    other = float(answer(marked.at_best(card.fit.other))[0])
    open_still = card.fit.other_misfit - card.fit.misfit < book.value("photo.card.other_least")
    if open_still and abs(other - bend) > book.value("photo.card.other_most_deg"):
        return refused("card_leans", book, first=f"{bend:.0f}°", other=f"{other:.0f}°")
    half = limit_z(book) * sd
    good = sd <= book.value("photo.reading.good_sd_deg") and not parted
    by_cause = {cause: variance ** (1 / 2) for cause, variance in parts.items()}
    reasons = [
        book.reason(
            "photo.reading",
            marks=", ".join(name.replace("_", " ") for name in names),
            largest=max(by_cause, key=lambda cause: by_cause[cause]),
        ),
        book.reason("photo.palpation"),
    ]
    reasons.append(book.reason("photo.plane_checked" if checked else "photo.plane_unchecked"))
    if parted:
        reasons.append(book.reason("photo.bent_error", first=f"{first:.2f}°", drawn=f"{sd:.2f}°"))
    return PhotoReading(
        bend,
        "metatarsal_shaft",
        bend - half,
        bend + half,
        sd,
        first,
        spread,
        by_cause,
        tuple(_lengths(marked, names)),
        side,
        names,
        {name: (float(x), float(y)) for name, (x, y) in zip(names, marked.pixels, strict=True)},
        {name: (float(x), float(y)) for name, (x, y) in zip(names, places, strict=True)},
        checked,
        "good" if good else "fair",
        tuple(reasons),
    )


def measure_length(
    card: Card,
    start: tuple[float, float] | Spot,
    end: tuple[float, float] | Spot,
    book: Evidence,
    *,
    name: str,
    click_sd_px: float | None = None,
) -> Length:
    """The distance between two points in the card's plane, such as a cloth's thickness.

    Parameters
    ----------
    card : Card
        The card on the same photograph.
    start, end : (float, float) or Spot
        The two points [px].
    book : Evidence
        The book, with rows ``photo.*``.
    name : str
        What is measured.
    click_sd_px : float, optional
        Standard deviation of a clicked point [px]; the book's by default.
    """
    return _length(_marked(card, [start, end], book, click_sd_px), 0, 1, name)


def _marked(
    card: Card,
    marks: list[tuple[float, float] | Spot],
    book: Evidence,
    click_sd_px: float | None,
) -> Marked:
    click = book.value("photo.click.sd_px") if click_sd_px is None else click_sd_px
    dot = book.value("photo.dot.sd_px")
    pixels = [m.at_px if isinstance(m, Spot) else m for m in marks]
    sds = [dot if isinstance(m, Spot) else click for m in marks]
    return Marked(card, np.array(pixels, dtype=np.float64).reshape(-1, 2), np.array(sds), book)


def _lengths(marked: Marked, names: tuple[str, ...]) -> list[Length]:
    wanted = (("heel_to_mtp", "heel", "joint"), ("foot_length", "heel", "tip"))
    return [
        _length(marked, names.index(first), names.index(second), name)
        for name, first, second in wanted
        if first in names and second in names
    ]


def _length(marked: Marked, first: int, second: int, name: str) -> Length:
    answer = _between(first, second)
    mm = float(answer(marked.at_best())[0])
    sd = sum(marked.parts(answer).values()) ** (1 / 2)
    half = limit_z(marked.book) * sd
    return Length(name, mm, mm - half, mm + half, sd)


def _spot_depth(card: Card, at_px: Array, across_px: float, book: Evidence) -> float:
    """How far a dot of known size stands out of the card's plane towards the camera [mm]."""
    around = at_px + across_px / 2 * np.array([[1, 0], [0, 1], [-1, 0], [0, -1]])
    p, flat = card.fit.parameters[None], np.zeros((1, len(around)))
    ends = back_project(p, around[None], flat, card.lens)[0]
    area = np.linalg.norm(ends[0] - ends[2]) * np.linalg.norm(ends[1] - ends[-1])
    seen = float(np.sqrt(area))
    return card.distance_mm * (1 - book.value("photo.dot.across_mm") / seen)
