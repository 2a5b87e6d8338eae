"""Lay a sheet out as an accessible PDF.

The compiler reads three kinds of files, all held in memory: our templates, the texts as JSON, the
drawings. It keeps what it has laid out before for as long as the templates and the text stay the
same, so what two sheets have in common is laid out once a process.
"""

from __future__ import annotations

import io
import json
import re
import unicodedata
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime, time
from functools import lru_cache
from importlib import resources
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rungwise.core.errors import EvidenceError, Fault, InputError
from rungwise.handout.fit import PAPERS, Form, fit_diary, fit_panel, form_of
from rungwise.handout.sheet import Handout, NotNow, Panel

if TYPE_CHECKING:
    import typst

__all__ = ["to_pdf"]

#: A word longer than a line may be, where an address may break, and what has no such place.
_ENDLESS = re.compile(r"\S{25,}")
_AFTER = re.compile(r"(?<=[@./\-_:;,?&=])(?=.)")
_SOLID = re.compile(r"[^@./\-_:;,?&=]{25,}")
#: What a page does not need as text of its own.
_APART = frozenset({"made_on", "inputs", "panels", "diary"})


def to_pdf(
    sheet: Handout | NotNow,
    paper: str = "a4",
    large: bool = False,
    stamp: datetime | None = None,
) -> bytes:
    """Lay a sheet out as an accessible PDF.

    Parameters
    ----------
    sheet : Handout or NotNow
        The sheet.
    paper : {"a4", "us-letter"}
        Paper.
    large : bool
        Large print, one exercise a page.
    stamp : datetime, optional
        Time of making written into the file; the start of the plan's day by default. The same
        sheet and stamp give the same bytes.

    Raises
    ------
    InputError
        Unknown paper; text with a letter that our fonts lack, naming field and letter.
    EvidenceError
        When our own words have such a letter.
    """
    if paper not in PAPERS:
        raise InputError("handout", (Fault("paper", paper, " | ".join(PAPERS), "Choose one."),))
    import typst

    template = "handout" if isinstance(sheet, Handout) else "not_now"
    files: Any = {**_templates(template), **_files(sheet, form_of(paper, large))}
    try:
        made = typst.compile(
            files,  # its type hints know a single file only
            font_paths=fonts(),
            format="pdf",
            pdf_standards="ua-1",
            timestamp=(stamp or datetime.combine(sheet.made_on, time(), UTC)).replace(
                microsecond=0
            ),
        )
    except typst.TypstError as error:
        raise _lacking(sheet, error.diagnostic) from None
    return bytes(made)


def _files(sheet: Handout | NotNow, form: Form) -> dict[str, bytes]:
    """What a template reads: the texts, those of every page's foot, the drawings."""
    data = {f.name: _plain(getattr(sheet, f.name)) for f in fields(sheet) if f.name not in _APART}
    found = {}
    if isinstance(sheet, Handout):
        data["panels"] = [_panel(panel, form) for panel in sheet.panels]
        below = (sheet.old_reminders, " ".join((sheet.small.heading, *sheet.small.lines)))
        data["diary"] = {**_plain(sheet.diary), **_plain(fit_diary(sheet.diary, below, form))}
        found = {f"{name}.svg": svg.encode() for name, svg in sheet.drawings()}
        if sheet.code:
            found["code.svg"] = _qr(sheet.code)
    foot = {name: data.pop(name) for name in ("footer", "identity", "page", "edition")}
    data["form"] = {
        **_plain(form),
        "language": sheet.language,
        "direction": sheet.direction,
        "arabic": "Noto Sans Arabic" in families(),
    }
    found["data.json"] = json.dumps(data).encode()
    found["foot.json"] = json.dumps(foot).encode()
    return found


def _qr(code: str) -> bytes:
    """A code as a QR code (ISO/IEC 18004) with its quiet zone."""
    import segno

    drawn = io.BytesIO()
    segno.make_qr(code, error="l").save(drawn, kind="svg", border=4, xmldecl=False, svgclass=None)
    return drawn.getvalue()


def _panel(panel: Panel, form: Form) -> dict[str, Any]:
    """A panel with its columns shared out; drawings are named, not held."""
    fit = fit_panel(panel, form)
    return {
        "number": panel.number,
        "title": panel.title,
        "setting": panel.setting,
        "feet": _plain(panel.feet),
        "figures": [
            {"file": f"{f.name}.svg", "alt": f.alt, "caption": f.caption} for f in panel.figures
        ],
        "width": fit.picture,
        "left": _plain(fit.left),
        "right": _plain(fit.right),
        "columns": fit.columns,
        "beside": fit.beside,
        "breaks": fit.breaks,
    }


def _plain(part: Any) -> Any:
    """The same as JSON has it; a word longer than a line may break."""
    if isinstance(part, str):
        return _ENDLESS.sub(lambda word: _breakable(word[0]), part)
    if is_dataclass(part):
        return {f.name: _plain(getattr(part, f.name)) for f in fields(part)}
    if isinstance(part, dict):
        return {name: _plain(value) for name, value in part.items()}
    if isinstance(part, (list, tuple)):
        return [_plain(value) for value in part]
    return part


def _breakable(word: str) -> str:
    """A long word that may break after its punctuation, and anywhere only where it has none."""
    hard = _SOLID.sub(lambda run: "\u200b".join(run[0]), word)
    return _AFTER.sub("\u200b", hard)


def _lacking(sheet: Handout | NotNow, diagnostic: str) -> InputError | EvidenceError:
    """What a message of the compiler means: which field holds a letter that our fonts lack."""
    found = re.findall(r'the text `"(.*?)"` could not be displayed', diagnostic)
    lacking = {c for text in found for c in _unescaped(text)}
    faults = []
    for field, text in sheet.inputs:
        for letter in sorted(lacking & set(text)):
            name = unicodedata.name(letter, "no name")
            given = f"the character {letter!r} (U+{ord(letter):04X}, {name})"
            allowed = "letters and signs that the sheet's fonts have"
            faults.append(Fault(field, given, allowed, "Write it another way."))
    if faults:
        return InputError("handout", tuple(faults))
    return EvidenceError(f"the sheet cannot be laid out: {diagnostic.strip()}")


def _unescaped(text: str) -> str:
    return re.sub(r"\\u\{([0-9a-f]+)\}", lambda m: chr(int(m[1], 16)), text)


@lru_cache
def _templates(name: str) -> dict[str, bytes]:
    folder = resources.files("rungwise") / "data"
    return {
        "main.typ": (folder / f"{name}.typ").read_bytes(),
        "sheet.typ": (folder / "sheet.typ").read_bytes(),
    }


@lru_cache
def fonts() -> typst.Fonts:
    """Only the fonts that we ship: a font of the machine could print boxes without a word."""
    import typst

    folders = []
    for package in ("fontpkg_noto_sans", "fontpkg_noto_sans_arabic"):
        spec = find_spec(package)
        if spec is not None and spec.origin is not None:
            folders.append(str(Path(spec.origin).parent / "files"))
    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=folders)


@lru_cache
def families() -> frozenset[str]:
    """Names of the font families that a sheet may use."""
    return frozenset(fonts().families())
