"""How clearly one colour stands out from another (WCAG 2.2, success criteria 1.4.3 and 1.4.11)."""

from __future__ import annotations

from typing import Literal, TypeAlias

__all__ = ["LEAST", "Rgb", "contrast", "rgb", "stands_out"]

Rgb: TypeAlias = tuple[int, int, int]
#: Least contrast of small text, of text from 24 px (bold 18.66 px), and of lines and controls.
LEAST = {"text": 4.5, "large_text": 3.0, "line": 3.0}


def rgb(colour: str) -> Rgb:
    """Red, green and blue, 0 to 255, of a colour written ``#rrggbb``."""
    red, green, blue = bytes.fromhex(colour.removeprefix("#"))
    return red, green, blue


def contrast(one: Rgb, other: Rgb) -> float:
    """Contrast ratio of two colours, from 1 (the same) to 21 (black on white).

    Parameters
    ----------
    one, other : (red, green, blue)
        sRGB, 0 to 255 each.

    Returns
    -------
    float
        (L1 + 0.05) / (L2 + 0.05), the lighter above; not rounded [1].

    Examples
    --------
    >>> round(contrast(rgb("#767676"), rgb("#ffffff")), 4)
    4.5422
    """
    darker, lighter = sorted((_luminance(one), _luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def stands_out(one: Rgb, other: Rgb, use: Literal["text", "large_text", "line"]) -> bool:
    """Whether two colours may be used on each other; 2.995 is not rounded up to 3."""
    return contrast(one, other) >= LEAST[use]


def _luminance(colour: Rgb) -> float:
    """Relative luminance, by the definition of WCAG 2.2 with the threshold of sRGB, 0.04045."""
    shares = [part / 255 for part in colour]
    red, green, blue = (s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
