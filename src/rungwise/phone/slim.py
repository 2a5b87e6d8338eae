"""Make drawings small enough for a phone page, without changing what they show.

Coordinates are rounded to whole units of the drawing (0.1 mm on paper), written as steps from the
last point, and an outline that comes twice on the page stands there once.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

__all__ = ["outlines_of", "slim_drawings"]

_TAG = re.compile(r"<(path|text|svg)\b([^>]*)>")
_ATTRIBUTE = re.compile(r'([\w:-]+)="([^"]*)"')
_TOLD = re.compile(r"<(title|desc)>[^<]*</\1>")
_COMMAND = re.compile(r"([A-Za-z])([^A-Za-z]*)")
#: Written by the drawing for paper, of no use on a page.
_DROPPED = {"width", "height", "xmlns", "data-part"}
#: An outline shorter than this is not worth a name of its own [characters].
_SHORT = 40


def slim_drawings(svgs: Sequence[str]) -> tuple[str, tuple[str, ...]]:
    """The same drawings in fewer bytes.

    Parameters
    ----------
    svgs : sequence of str
        Drawings of one page.

    Returns
    -------
    tuple
        An unseen SVG with the outlines that come more than once, and the drawings that use them.
    """
    lean = [_TOLD.sub("", _TAG.sub(_leaner, svg)) for svg in svgs]
    counts = Counter(d for svg in lean for d in re.findall(r' d="([^"]*)"', svg))
    shared = {
        d: f"o{i}" for i, d in enumerate(d for d, n in counts.items() if n > 1 and len(d) > _SHORT)
    }
    outlines = "".join(f'<path id="{name}" d="{d}"/>' for d, name in shared.items())
    store = f'<svg class="outlines" aria-hidden="true"><defs>{outlines}</defs></svg>'

    def named(found: re.Match[str]) -> str:
        d = found[1]
        return f'<use href="#{shared[d]}"{found[2]}' if d in shared else found[0]

    drawn = tuple(re.sub(r'<path d="([^"]*)"([^>]*)', named, svg) for svg in lean)
    return (store if shared else ""), drawn


def outlines_of(store: str) -> dict[str, str]:
    """Outlines of an unseen SVG by their names, for a page that takes only those it needs."""
    return dict(re.findall(r'<path id="(o\d+)" d="([^"]*)"', store))


def _leaner(found: re.Match[str]) -> str:
    tag, rest = found[1], found[2]
    end = "/" if rest.endswith("/") else ""
    kept = []
    for name, value in sorted(_ATTRIBUTE.findall(rest), key=lambda pair: pair[0] != "d"):
        if name in _DROPPED:
            continue
        if name == "d":
            value = _steps(value)
        elif name in ("x", "y"):
            value = str(round(float(value)))
        elif value.startswith("#") and len(value) == 7 and value[1::2] == value[2::2]:
            value = "#" + value[1::2]
        kept.append(f' {name}="{value}"')
    return f"<{tag}{''.join(kept)}{end}>"


def _steps(d: str) -> str:
    """Absolute lines and curves in whole units, as steps from the last point."""
    out: list[str] = []
    x = y = 0
    start = (0, 0)
    last = ""
    for command, numbers in _COMMAND.findall(d):
        if command == "Z":
            out.append("z")
            (x, y), last = start, "z"
            continue
        values = [round(float(v)) for v in re.findall(r"-?[\d.]+", numbers)]
        if command not in "MLC" or len(values) % (6 if command == "C" else 2):
            raise ValueError(f"a drawing holds the path command {command!r}, which is not known")
        width = 6 if command == "C" else 2
        for i in range(0, len(values), width):
            part = values[i : i + width]
            steps = [v - (y if k % 2 else x) for k, v in enumerate(part)]
            if command == "M":
                text, now = "M" + _packed(part), "M"
                start = (part[0], part[1])
            else:
                if not any(steps):
                    continue
                now = command.lower()
                text = ("" if last == now else now) + _packed(steps)
                if last == now and not text.startswith("-"):
                    text = " " + text
            out.append(text)
            x, y = part[-2], part[-1]
            last = now
    return "".join(out)


def _packed(values: Sequence[int]) -> str:
    text = "".join(str(v) if v < 0 else f" {v}" for v in values)
    return text[1:] if text.startswith(" ") else text
