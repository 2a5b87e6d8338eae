"""The bend of the big toe from a photograph: find the card and the dots, measure.

Pictures come in as arrays; nothing here reads a file. Needs the extra ``measure`` (OpenCV).
"""

from rungwise.core.photo import card_from_clicks, measure, measure_length
from rungwise.core.photo_many import combine, from_flat
from rungwise.photo.card import find_card
from rungwise.photo.dots import find_dots
from rungwise.photo.look import card_and_dots

__all__ = [
    "card_and_dots",
    "card_from_clicks",
    "combine",
    "find_card",
    "find_dots",
    "from_flat",
    "measure",
    "measure_length",
]
