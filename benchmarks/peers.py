"""What rungwise is measured beside: bare libraries doing the like, or the least that must be done.

A *floor* does only a part of the work (parsing the same text, compiling the same page); a *peer*
does the like work by other means.
"""

from __future__ import annotations

import io
import pickle
from collections.abc import Sequence
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from unittest.mock import patch
from xml.etree import ElementTree as ET

from rungwise.handout import Handout, to_pdf, to_text

__all__ = [
    "bare_compile",
    "compile_arguments",
    "elements_of",
    "reportlab_pdf",
    "same_elements",
    "write_sheets",
]

# ------------------------------------------------------------------ the page


Call = tuple[tuple[Any, ...], dict[str, Any]]


def compile_arguments(handout: Handout) -> Call:
    """Return the very arguments with which `to_pdf` calls the compiler; nothing is compiled."""
    import typst

    seen: list[Call] = []

    def listen(*args: Any, **named: Any) -> bytes:
        seen.append((args, named))
        return b""

    with patch.object(typst, "compile", listen):
        to_pdf(handout)
    if len(seen) != 1:
        raise RuntimeError(f"to_pdf called typst.compile {len(seen)} times, not once")
    return seen[0]


def bare_compile(call: Call) -> bytes:
    """Call Typst alone on that very template and data, its fonts already loaded."""
    import typst

    args, named = call
    made: bytes = typst.compile(*args, **named)  # type: ignore[assignment]
    return made


def write_sheets(handouts: Sequence[Handout], path: Path) -> None:
    """Write what the compiler is given into a file, for the bare compiles of `floors.py`."""
    calls = [compile_arguments(handout) for handout in handouts]
    told = [(args, {**named, "font_paths": font_folders()}) for args, named in calls]
    path.write_bytes(pickle.dumps(told))


def font_folders() -> list[str]:
    """Folders of the fonts that the sheet is set in."""
    specs = map(find_spec, ("fontpkg_noto_sans", "fontpkg_noto_sans_arabic"))
    return [str(Path(s.origin).parent / "files") for s in specs if s is not None and s.origin]


def reportlab_pdf(handout: Handout) -> bytes:
    """Set the same lines and the same SVG drawings as a PDF by reportlab and svglib, untagged."""
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Flowable, Paragraph, SimpleDocTemplate, Spacer
    from svglib.svglib import svg2rlg

    font = _reportlab_font()
    body = ParagraphStyle("body", fontName=font, fontSize=14, leading=18)
    head = ParagraphStyle("head", parent=body, fontSize=17, leading=24)
    story: list[Flowable] = []
    for line in to_text(handout).splitlines():
        if line.startswith("# "):
            story.append(Paragraph(_marked(line[2:]), head))
        elif line:
            story.append(Paragraph(_marked(line), body))
        else:
            story.append(Spacer(1, 6))
    for _, svg in handout.drawings():
        drawing = svg2rlg(io.BytesIO(svg.encode()))
        if drawing is None:
            raise RuntimeError("svglib cannot read a drawing")
        story.append(drawing)
    made = io.BytesIO()
    SimpleDocTemplate(made, pagesize=A4, invariant=1).build(story)
    return made.getvalue()


def _marked(line: str) -> str:
    return line.replace("&", "&amp;").replace("<", "&lt;")


@lru_cache
def _reportlab_font() -> str:
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    file = next(f for f in Path(font_folders()[0]).glob("NotoSans[[]*.ttf"))
    registerFont(TTFont("Sans", str(file)))
    return "Sans"


# ------------------------------------------------------------------ drawings


def elements_of(svg: str) -> ET.Element:
    """Read a drawing back as a tree."""
    return ET.fromstring(svg)


def same_elements(tree: ET.Element) -> str:
    """Build the same elements once more, one by one, and write them: what a drawing must cost."""

    def copy(old: ET.Element, parent: ET.Element | None) -> ET.Element:
        attributes = dict(old.attrib)
        if parent is None:
            new = ET.Element(old.tag, attributes)
        else:
            new = ET.SubElement(parent, old.tag, attributes)
        new.text = old.text
        for child in old:
            copy(child, new)
        return new

    return ET.tostring(copy(tree, None), encoding="unicode")
