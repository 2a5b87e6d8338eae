"""The bend of the big toe from photographs. The therapist confirms what it says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot
from typing import TYPE_CHECKING

from rungwise.clinic.measure import AID, need_extra
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.terms import Side

if TYPE_CHECKING:
    from rungwise.core.photo import Card, PhotoReading, Spot
    from rungwise.core.photo_checks import Refused
    from rungwise.core.photo_many import Combined
    from rungwise.pictures import Picture

__all__ = ["Clicked", "photo_now"]

#: The random draws that an interval is checked by are always the same ones.
SEED = 20261125
Place = tuple[float, float]


@dataclass(frozen=True)
class Clicked:
    """What a person marked on a photograph, in place of what is found.

    Parameters
    ----------
    marks : mapping of str to (float, float)
        Places of marks [px]; empty to look for coloured dots.
    corners : sequence of (float, float)
        Four corners of the card, going round [px]; empty to look for it.
    """

    marks: Mapping[str, Place]
    corners: Sequence[Place] = ()


def photo_now(
    files: Sequence[tuple[str, bytes]],
    side: Side,
    book: Evidence,
    clicked: Clicked | None = None,
    flat: tuple[str, bytes] | None = None,
    flat_clicked: Clicked | None = None,
    focal_35mm_mm: float | None = None,
    heel_to_mtp_mm: float | None = None,
    draw: bool = True,
) -> tuple[dict[str, object], str, tuple[bytes, ...]]:
    """Measure photographs of one position: as facts, as text, and each with its marks drawn on it.

    Parameters
    ----------
    files : sequence of (str, bytes)
        Name and content of each photograph. Nothing of them is kept.
    side : {"right", "left"}
        Which foot, seen from its inner side.
    book : Evidence
        The evidence book.
    clicked : Clicked, optional
        Marks and corners of the one photograph.
    flat : (str, bytes), optional
        A photograph of quiet standing with the toe flat: the bend is counted from it.
    flat_clicked : Clicked, optional
        Marks and corners of that one.
    focal_35mm_mm : float, optional
        Focal length for 35 mm film [mm], where the picture does not say it itself.
    heel_to_mtp_mm : float, optional
        Length from the heel to the joint as measured [mm]: a check of the card's plane.
    draw : bool
        Whether to draw the pictures.

    Returns
    -------
    dict, str, tuple of bytes
        Facts; text; PNG of each photograph in their order, made anew without what came with it,
        or none.

    Raises
    ------
    InputError
        The extra is not installed; a file that is no picture; marks for more than one photograph;
        photographs that cannot be taken together.
    """
    need_extra()
    from rungwise.core.photo_checks import Refused
    from rungwise.measures.photographs import exam_lines, photograph_report

    if clicked is not None and len(files) > 1:
        remedy = "Measure each alone, or stick coloured dots on the foot."
        fault = Fault("marks", f"for {len(files)} photographs", "one photograph", remedy)
        raise InputError("photograph", (fault,))
    known = (focal_35mm_mm, heel_to_mtp_mm)
    seen = [_seen(data, side, book, clicked, *known, draw) for _, data in files]
    base = None
    if flat is not None:
        base, _ = _seen(flat[-1], side, book, flat_clicked, *known, False)
    if isinstance(base, Refused):
        given = "a photograph that is not measured"
        fault = Fault("flat", given, "one that is", base.reason.says)
        raise InputError("flat standing", (fault,))
    whole = _together([one for one, _ in seen if not isinstance(one, Refused)], base, book)
    each = [(name, found) for (name, _), (found, _) in zip(files, seen, strict=True)]
    facts: dict[str, object] = {
        "aid": AID,
        "side": side,
        "photographs": [{"file": name, "found": found} for name, found in each],
        "flat": base,
        "together": whole,
        "exam": None if whole is None else exam_lines(whole),
    }
    pictures = tuple(png for _, png in seen if png)
    return facts, photograph_report(whole, each, side, book, AID), pictures


def _seen(
    data: bytes,
    side: Side,
    book: Evidence,
    clicked: Clicked | None,
    focal_35mm_mm: float | None,
    heel_to_mtp_mm: float | None,
    draw: bool,
) -> tuple[PhotoReading | Refused, bytes]:
    """What one photograph came to, and its picture with what was found; nothing else is kept."""
    import numpy as np

    from rungwise.core.photo import card_from_clicks, measure
    from rungwise.core.photo_checks import Refused
    from rungwise.photo.card import find_card
    from rungwise.photo.dots import find_dots
    from rungwise.photo.look import card_and_dots
    from rungwise.pictures import read_picture

    picture = read_picture(data)
    focal = focal_35mm_mm or picture.facts.focal_35mm_mm
    size = picture.facts.width_px, picture.facts.height_px
    marks: Mapping[str, Place | Spot] | Refused = {} if clicked is None else clicked.marks
    card: Card | Refused
    if clicked is not None and clicked.corners:
        at = np.array(clicked.corners, dtype=np.float64)
        card = card_from_clicks(at, size, book, focal_35mm_mm=focal)
        if not isinstance(card, Refused) and not marks:
            marks = find_dots(picture.pixels, card, book)
    elif marks:
        card = find_card(picture.pixels, book, focal_35mm_mm=focal)
    else:
        card, marks = card_and_dots(picture.pixels, book, focal_35mm_mm=focal)
    found: PhotoReading | Refused
    if isinstance(card, Refused):
        found = card
    elif isinstance(marks, Refused):
        found = marks
    else:
        rng = np.random.default_rng(SEED)
        found = measure(card, marks, book, side=side, rng=rng, heel_to_mtp_mm=heel_to_mtp_mm)
    return found, _drawn(picture, card, marks, found, side) if draw else b""


def _drawn(
    picture: Picture,
    card: Card | Refused,
    marks: Mapping[str, Place | Spot] | Refused,
    found: PhotoReading | Refused,
    side: Side,
) -> bytes:
    from rungwise.core.photo_checks import Refused
    from rungwise.measures.photographs import bend_words
    from rungwise.photo.overlay import draw_overlay

    if isinstance(found, Refused):
        said = "not measured: " + found.why.replace("_", " ")
    else:
        said = f"{side} foot: {bend_words(found.bend_deg)} from the metatarsal's shaft"
    places = {
        name: mark if isinstance(mark, tuple) else mark.at_px
        for name, mark in ({} if isinstance(marks, Refused) else marks).items()
    }
    return draw_overlay(
        picture.pixels,
        None if isinstance(card, Refused) else card,
        None if isinstance(found, Refused) else found,
        (said, "a measuring aid: check it"),
        places,
    )


def _together(
    good: Sequence[PhotoReading], flat: PhotoReading | None, book: Evidence
) -> PhotoReading | Combined | None:
    """All photographs as one reading, counted from flat standing where that was photographed."""
    from rungwise.core.detect import limit_z
    from rungwise.core.photo_many import combine, from_flat

    if not good:
        return None
    if len(good) == 1:
        return good[0] if flat is None else from_flat(good[0], flat, book)
    whole = combine(good, book)
    if flat is None:
        return whole
    one = from_flat(good[0], flat, book)  # refuses other marks; the flat's error is shared by all
    bend = whole.bend_deg - flat.bend_deg
    half = hypot((whole.high_deg - whole.low_deg) / 2, limit_z(book) * flat.sd_deg)
    return replace(
        whole,
        bend_deg=bend,
        low_deg=bend - half,
        high_deg=bend + half,
        sd_deg=hypot(whole.sd_deg, flat.sd_deg),
        zero=one.zero,
        reasons=(one.reasons[0], *whole.reasons),
    )
