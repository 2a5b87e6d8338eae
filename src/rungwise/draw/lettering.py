"""Text for a drawing: made harmless, measured without a font, wrapped and fitted into its room."""

from __future__ import annotations

import unicodedata

__all__ = ["cleaned", "escaped", "fitted", "text_width", "wrapped"]

# Advance widths of Noto Sans Bold, rounded up to 0.05 em; the regular weight is narrower.
_WIDTHS = {
    letter: width
    for width, letters in (
        (0.30, " !',.:;ijl"),
        (0.35, "()-J[]"),
        (0.40, "I`f{}"),
        (0.45, "/\\_rt"),
        (0.50, '"?z°'),
        (0.55, "*Fcs"),
        (0.60, "$+0123456789<=>ELSTZ^aevxy|~"),
        (0.65, "#CPVYbdghknopqu"),
        (0.70, "ABKRX"),
        (0.75, "&DG"),
        (0.80, "HOQU"),
        (0.85, "N"),
        (0.90, "@w…"),
        (1.00, "%MmW"),
    )
    for letter in letters
}
_UNKNOWN, _WIDE, _REGULAR = 0.85, 1.0, 0.95
"""Widths of other letters and of East Asian ones [em]; regular over bold letters [1]."""
_BARRED = frozenset("\u202a\u202b\u202c\u202d\u202e\ufffe\uffff")
"""Characters that turn the run of later text, or that XML does not know."""
_SMALLER = (1.0, 0.88, 0.76, 0.66)
"""How much smaller a label may be set before it is cut short [1]."""


def cleaned(text: str) -> str:
    """Text without control, override and unpaired characters, its white space made single."""
    if text.isascii() and text.isprintable():
        return " ".join(text.split())
    kept = []
    for letter in text:
        kind = unicodedata.category(letter)
        if kind in ("Cc", "Zl", "Zp"):
            kept.append(" ")
        elif kind != "Cs" and letter not in _BARRED:
            kept.append(letter)
    return " ".join("".join(kept).split())


def escaped(text: str) -> str:
    """Text as it stands in an XML element or attribute."""
    if text.isalnum():
        return text
    for letter, name in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;")):
        text = text.replace(letter, name)
    return text


def text_width(text: str, size: float, bold: bool = True) -> float:
    """Room that a line of text takes, rather too much than too little [0.1 mm]."""
    total = 0.0
    for letter in text:
        width = _WIDTHS.get(letter)
        if width is None:
            if unicodedata.combining(letter):
                continue
            base = unicodedata.normalize("NFD", letter)[0]
            wide = unicodedata.east_asian_width(letter) in "WF"
            width = _WIDTHS.get(base, _WIDE if wide else _UNKNOWN)
        total += width
    return total * size * (1.0 if bold else _REGULAR)


def wrapped(text: str, size: float, room: float, bold: bool = True) -> list[str]:
    """The text in lines no wider than `room`; a word too long by itself is divided."""
    lines: list[str] = []
    line = ""
    for word in cleaned(text).split():
        longer = f"{line} {word}" if line else word
        if text_width(longer, size, bold) <= room:
            line = longer
            continue
        if line:
            lines.append(line)
        while len(word) > 1 and text_width(word, size, bold) > room:
            keep = len(word) - 1
            while keep > 1 and text_width(word[:keep], size, bold) > room:
                keep -= 1
            lines.append(word[:keep])
            word = word[keep:]
        line = word
    return [*lines, line] if line else lines


def fitted(text: str, size: float, bold: bool, room: float, most: int) -> tuple[list[str], float]:
    """The lines of a label and the size they are set in; cut short only when nothing else helps."""
    lines: list[str] = []
    for share in _SMALLER:
        lines = wrapped(text, share * size, room, bold)
        if len(lines) <= most:
            return lines, share * size
    size *= _SMALLER[-1]
    last = lines[most - 1]
    while last and text_width(f"{last}…", size, bold) > room:
        last = last[:-1]
    return [*lines[: most - 1], f"{last}…"], size
