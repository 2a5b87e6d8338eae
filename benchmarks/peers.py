"""What rungwise is measured beside: bare libraries doing the like, or the least that must be done.

A *floor* does only a part of the work (parsing the same text, compiling the same page); a *peer*
does the like work by other means.
"""

from __future__ import annotations

import io
import json
import tomllib
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from importlib.util import find_spec
from multiprocessing import get_context
from pathlib import Path
from typing import Any
from unittest.mock import patch
from xml.etree import ElementTree

from rungwise.handout import Handout, to_pdf

__all__ = [
    "bare_compile",
    "compile_many",
    "elements_of",
    "missing",
    "parse_many",
    "reportlab_pdf",
    "same_elements",
]

PEERS = ("reportlab", "svglib", "pypdf")


def missing() -> list[str]:
    """Name the peers that are not installed."""
    return [name for name in PEERS if find_spec(name) is None]


# ------------------------------------------------------------------ the page


def compile_arguments(handout: Handout) -> tuple[tuple[Any, ...], dict[str, Any]]:
    """Return the very arguments with which `to_pdf` calls the compiler: template, data, fonts."""
    import typst

    seen: list[tuple[tuple[Any, ...], dict[str, Any]]] = []
    real = typst.compile

    def listen(*args: Any, **named: Any) -> Any:
        seen.append((args, named))
        return real(*args, **named)

    with patch.object(typst, "compile", listen):
        to_pdf(handout)
    if len(seen) != 1:
        raise RuntimeError(f"to_pdf called typst.compile {len(seen)} times, not once")
    return seen[0]


def bare_compile(handout: Handout) -> Callable[[], bytes]:
    """Make a call of Typst alone on the very template and data, its fonts already loaded."""
    import typst

    args, named = compile_arguments(handout)
    return lambda: bytes(typst.compile(*args, **named))


_KEPT: dict[str, Any] = {}


def _fonts(named: dict[str, Any]) -> dict[str, Any]:
    """Give the fonts back that do not travel between processes; they are loaded once in each."""
    import typst

    if "fonts" not in _KEPT:
        folders = named.pop("folders")
        _KEPT["fonts"] = typst.Fonts(
            include_system_fonts=False, include_embedded_fonts=False, font_paths=folders
        )
    named.pop("folders", None)
    return {**named, "font_paths": _KEPT["fonts"]}


def _compile_in_worker(work: tuple[tuple[Any, ...], dict[str, Any]], _: int) -> int:
    import typst

    args, named = work
    return len(typst.compile(*args, **_fonts(dict(named))))


def compile_many(handout: Handout, count: int, processes: int) -> None:
    """Compile the same page many times in several processes: the floor of a batch with sheets."""
    args, named = compile_arguments(handout)
    named["folders"] = font_folders()
    del named["font_paths"]
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        list(pool.map(partial(_compile_in_worker, (args, named)), range(count), chunksize=4))


def font_folders() -> list[str]:
    """Folders of the fonts that the sheet is set in."""
    specs = map(find_spec, ("fontpkg_noto_sans", "fontpkg_noto_sans_arabic"))
    return [str(Path(s.origin).parent / "files") for s in specs if s is not None and s.origin]


def reportlab_pdf(lines: Sequence[str], drawings: Sequence[str]) -> bytes:
    """Set the same lines and the same SVG drawings as a PDF by reportlab and svglib, untagged."""
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Flowable, Paragraph, SimpleDocTemplate, Spacer
    from svglib.svglib import svg2rlg

    font = _reportlab_font()
    body = ParagraphStyle("body", fontName=font, fontSize=14, leading=18)
    head = ParagraphStyle("head", parent=body, fontSize=17, leading=24)
    story: list[Flowable] = []
    for line in lines:
        if line.startswith("# "):
            story.append(Paragraph(_marked(line[2:]), head))
        elif line:
            story.append(Paragraph(_marked(line), body))
        else:
            story.append(Spacer(1, 6))
    for svg in drawings:
        drawing = svg2rlg(io.BytesIO(svg.encode()))
        if drawing is None:
            raise RuntimeError("svglib cannot read a drawing")
        story.append(drawing)
    made = io.BytesIO()
    SimpleDocTemplate(made, pagesize=A4, invariant=1).build(story)
    return made.getvalue()


def _marked(line: str) -> str:
    return line.replace("&", "&amp;").replace("<", "&lt;")


def _reportlab_font() -> str:
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    if "reportlab" not in _KEPT:
        file = next(f for f in Path(font_folders()[0]).glob("NotoSans[[]*.ttf"))
        registerFont(TTFont("Sans", str(file)))
        _KEPT["reportlab"] = "Sans"
    return str(_KEPT["reportlab"])


# ------------------------------------------------------------------ drawings and data

Element = tuple[str, dict[str, str], str | None, list[Any]]


def elements_of(svg: str) -> ElementTree.Element:
    """Read a drawing back as a tree."""
    return ElementTree.fromstring(svg)


def same_elements(tree: ElementTree.Element) -> str:
    """Build the same elements once more, one by one, and write them: what a drawing must cost."""

    def copy(old: ElementTree.Element, parent: ElementTree.Element | None) -> ElementTree.Element:
        attributes = dict(old.attrib)
        if parent is None:
            new = ElementTree.Element(old.tag, attributes)
        else:
            new = ElementTree.SubElement(parent, old.tag, attributes)
        new.text = old.text
        for child in old:
            copy(child, new)
        return new

    return ElementTree.tostring(copy(tree, None), encoding="unicode")


def _parse_in_worker(path: Path) -> int:
    found: Mapping[str, Any] = tomllib.loads(path.read_text("utf-8"))
    return len(json.dumps(found, default=str))


def parse_many(paths: Sequence[Path], processes: int) -> None:
    """Read the same examinations with tomllib and write them as JSON: a floor of a batch."""
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        list(pool.map(_parse_in_worker, paths, chunksize=16))
