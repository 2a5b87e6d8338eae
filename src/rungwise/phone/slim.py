"""Make drawings small enough for a phone page, without changing what they show.

Coordinates are rounded to whole units of the drawing (0.1 mm on paper), written as steps from the
last point, an outline that comes twice on the page stands there once, and neighbours that look the
same say so once.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from rungwise.phone.runs import share_runs

__all__ = ["outlines_of", "slim_drawings"]

_TAG = re.compile(r"<(path|text|svg)\b([^>]*)>")
_ATTRIBUTE = re.compile(r'([\w:-]+)="([^"]*)"')
_SHAPES = re.compile(r"<path\b[^>]*/>|<text\b[^>]*>[^<]*</text>")
_TOLD = re.compile(r"<(title|desc)>[^<]*</\1>")
_COMMAND = re.compile(r"([A-Za-z])([^A-Za-z]*)")
#: Written by the drawing for paper, of no use on a page.
_DROPPED = {"width", "height", "xmlns", "data-part"}
#: Neighbours that look the same: looks that a group hands on to each of its shapes (SVG 2, 6.5).
_LOOK = r"(?: (?:fill|stroke|stroke-width|stroke-dasharray|stroke-line(?:cap|join))=\"[^\"]*\")+"
_SHAPE = r'<(?:path d|use href)="[^"]*"'
_ALIKE = re.compile(rf"{_SHAPE}({_LOOK})/>(?:{_SHAPE}\1/>)+")
#: Said once for all drawings by the style of the page.
_STYLED = {
    ("stroke-linecap", "round"),
    ("stroke-linejoin", "round"),
    ("font-family", "Noto Sans"),
    ("text-anchor", "middle"),
}
#: Looks that come most often, and their classes in the style of the page.
_CLASSES = {
    ' fill="#1a1a1a" stroke="#1a1a1a" stroke-width="7.2"': ' class="k"',
    ' fill="none" stroke="#1a1a1a"': ' class="l"',
    ' fill="none" stroke="#0072b2"': ' class="b"',
}
#: An outline shorter than this is not worth a name of its own, or of its own as the mirror image of
#: another [characters].
_SHORT, _SHORT_MIRRORED = 40, 90
#: How wide every drawing of a page is [units of the drawing]: a left foot mirrors a right one.
_WIDE = 1050
_MIRROR = f' transform="matrix(-1 0 0 1 {_WIDE} 0)"'


def slim_drawings(svgs: Sequence[str], runs: bool = False) -> tuple[str, tuple[str, ...]]:
    """The same drawings in fewer bytes.

    Parameters
    ----------
    svgs : sequence of str
        Drawings of one page.
    runs : bool
        Name runs of shapes, too, that come more than once; then each drawing needs all of the
        unseen SVG.

    Returns
    -------
    tuple
        An unseen SVG with what comes more than once, and the drawings that use it.
    """
    lean = [_opened(_TOLD.sub("", _TAG.sub(_leaner, svg))) for svg in svgs]
    rows = [shapes for _, shapes in lean]
    told, bodies = share_runs(rows, _turned, _MIRROR) if runs else ((), ["".join(r) for r in rows])
    outlines, texts = _share_outlines([*told, *bodies])
    texts = [_classed(_ALIKE.sub(_grouped, text)) for text in texts]
    stored = [f'<g id="g{i}">{text}</g>' for i, text in enumerate(texts[: len(told)])]
    store = "".join((*outlines, *stored))
    drawn = zip(lean, texts[len(told) :], strict=True)
    return (
        f'<svg class="outlines" aria-hidden="true"><defs>{store}</defs></svg>' if store else "",
        tuple(f"{head}{text}</svg>" for (head, _), text in drawn),
    )


def _classed(text: str) -> str:
    for look, name in _CLASSES.items():
        text = text.replace(look, name)
    return text


def _opened(svg: str) -> tuple[str, list[str]]:
    """The opening tag of a drawing, and its shapes."""
    head, _, body = svg.partition(">")
    body = body.removesuffix("</svg>")
    shapes = _SHAPES.findall(body)
    if "".join(shapes) != body:
        raise ValueError("a drawing holds something that is neither a path nor a text")
    return f"{head}>", shapes


def _turned(shape: str) -> str | None:
    """The mirror image of a path; None for a text."""
    start, found, rest = shape.partition(' d="')
    if not found:
        return None
    d, _, look = rest.partition('"')
    return f'{start} d="{_mirrored(d)}"{look}'


def _share_outlines(texts: Sequence[str]) -> tuple[list[str], list[str]]:
    """The outlines that come more than once, and the texts that use them by name."""
    counts = Counter(d for text in texts for d in re.findall(r' d="([^"]*)"', text))
    shared: dict[str, str] = {}
    outlines: list[str] = []
    for d in counts:
        other = _mirrored(d)
        if counts[d] + counts[other] * (other != d) < 2 or len(d) <= _SHORT:
            continue
        shared[d] = f"o{len(outlines)}"
        if other in shared and len(d) > _SHORT_MIRRORED:
            outlines.append(f'<use id="{shared[d]}" href="#{shared[other]}"{_MIRROR}/>')
        elif counts[d] > 1 or len(other) > _SHORT_MIRRORED:
            outlines.append(f'<path id="{shared[d]}" d="{d}"/>')
        else:
            del shared[d]

    def named(found: re.Match[str]) -> str:
        d = found[1]
        return f'<use href="#{shared[d]}"{found[2]}' if d in shared else found[0]

    return outlines, [re.sub(r'<path d="([^"]*)"([^>]*)', named, text) for text in texts]


def outlines_of(store: str) -> dict[str, str]:
    """Outlines of an unseen SVG by their names, for a page that takes only those it needs."""
    found = dict(re.findall(r'<path id="(o\d+)" d="([^"]*)"', store))
    for name, other in re.findall(r'<use id="(o\d+)" href="#(o\d+)"', store):
        found[name] = _mirrored(found[other])
    return found


def _grouped(found: re.Match[str]) -> str:
    look = found[1]
    return f"<g{look}>{found[0].replace(f'{look}/>', '/>')}</g>"


def _leaner(found: re.Match[str]) -> str:
    tag, rest = found[1], found[2]
    end = "/" if rest.endswith("/") else ""
    kept = []
    for name, value in sorted(_ATTRIBUTE.findall(rest), key=lambda pair: pair[0] != "d"):
        if name in _DROPPED or (name, value) in _STYLED:
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


def _mirrored(d: str) -> str:
    """The mirror image of an outline in steps, in a drawing of the usual width."""
    out = []
    for command, numbers in _COMMAND.findall(d):
        values = [int(v) for v in re.findall(r"-?\d+", numbers)]
        width = len(values) if command in "Mz" else 6 if command == "c" else 2
        for i in range(0, len(values), max(width, 1)):
            part = [
                (_WIDE * (command == "M") - v) if k % 2 == 0 else v
                for k, v in enumerate(values[i : i + width])
            ]
            text = _packed(part)
            out.append(command + text if not i else text if text.startswith("-") else f" {text}")
        if not values:
            out.append(command)
    return "".join(out)


def _packed(values: Sequence[int]) -> str:
    text = "".join(str(v) if v < 0 else f" {v}" for v in values)
    return text[1:] if text.startswith(" ") else text
