"""Card and dots of one photograph, from one coarse look."""

from __future__ import annotations

from rungwise.core.evidence import Evidence
from rungwise.core.photo import Card, Refused, Spot
from rungwise.photo.card import Image, check_image, coarse, find_card
from rungwise.photo.dots import find_dots

__all__ = ["card_and_dots"]


def card_and_dots(
    image: Image, book: Evidence, *, focal_35mm_mm: float | None = None
) -> tuple[Card | Refused, dict[str, Spot] | Refused]:
    """The card on a photograph and the dots beside it, or why either cannot be used.

    Parameters
    ----------
    image : (h, w, 3) array of uint8
        The photograph, not cropped, red first.
    book : Evidence
        The book, with rows ``photo.*``.
    focal_35mm_mm : float, optional
        Focal length noted beside the picture, for 35 mm film [mm].

    Returns
    -------
    Card or Refused, dict of str to Spot or Refused
        Where there is no card, both say why.

    Raises
    ------
    RecordingError
        When it is no picture.
    """
    check_image(image)
    small = coarse(image)
    card = find_card(image, book, focal_35mm_mm=focal_35mm_mm, small=small)
    if isinstance(card, Refused):
        return card, card
    return card, find_dots(image, card, book, small=small)
