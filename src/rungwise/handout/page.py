"""Lay the sheet out: as an accessible PDF, as plain text, and as a reading grade."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import asdict, fields, is_dataclass
from datetime import UTC, datetime, time
from functools import lru_cache
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from rungwise.core.errors import EvidenceError, Fault, InputError
from rungwise.core.reading import ReadingScore, score
from rungwise.handout.fit import PAPERS, Form, fit_diary, fit_panel, form_of
from rungwise.handout.sheet import Handout
from rungwise.words import load_syllables

if TYPE_CHECKING:
    import typst

__all__ = ["reading_of", "running_text", "to_pdf", "to_text"]

#: A word longer than a line may be.
_ENDLESS = re.compile(r"\S{25,}")


def to_text(handout: Handout) -> str:
    """The whole sheet as plain text; lines that begin with ``#`` are headings.

    Parameters
    ----------
    handout : Handout
        The sheet.
    """
    h = handout
    lines = [f"# {h.title}", *filter(None, (h.clinic, h.for_whom, h.made)), *h.span]

    def part(heading: str, body: Sequence[str], bullet: str = "- ") -> None:
        lines.extend(["", f"# {heading}", *(f"{bullet}{line}" for line in body)])

    for box in (h.stop, h.help, *h.cautions):
        part(box.heading, box.lines)
    part(h.pain_title, [f"{zone}: {do}" for zone, do in h.pain])
    lines += h.pain_lines
    for group in (h.goals, h.fetch):
        if group is not None:
            part(group.heading, group.lines)
    if h.order:
        part(h.order_title, [f"{i}. {s.what}: {s.time}" for i, s in enumerate(h.order, 1)], "")
        lines += filter(None, (h.order_first, h.order_total))
    for panel in h.panels:
        part(f"{panel.number}. {panel.title}", (panel.setting,), "")
        for foot in panel.feet:
            part(foot.heading, (*foot.dose, *foot.sizes))
        for group in panel.parts:
            part(group.heading, group.lines)
    part(h.diary.title, h.diary.lines)
    lines += [h.diary.low, h.diary.high]
    for week in h.diary.weeks:
        part(week.heading, [f"{row}: __" for row in (*h.diary.rows, *h.diary.mornings)])
    if h.contact is not None:
        part(h.contact.heading, h.contact.lines)
    part(h.small.heading, h.small.lines)
    lines += ["", h.old_reminders, h.edition]
    return "\n".join(lines) + "\n"


def reading_of(handout: Handout) -> ReadingScore | None:
    """How hard the sheet is to read; None for a language that the formulas were not made for.

    Parameters
    ----------
    handout : Handout
        The sheet; headings, the diary's grid and text that is not ours are not scored.
    """
    return (
        score("\n".join(running_text(handout)), load_syllables())
        if handout.language == "en"
        else None
    )


def running_text(handout: Handout) -> Iterator[str]:
    """Every line of our own that is read as a sentence, in the order of the page."""
    h = handout
    yield from h.span
    for box in (h.stop, h.help, *h.cautions):
        yield from box.lines
    yield from (f"{zone}: {do}" for zone, do in h.pain)
    yield from h.pain_lines
    if h.fetch is not None:
        yield from h.fetch.lines
    yield from (h.order_first, h.order_total)
    for panel in h.panels:
        for foot in panel.feet:
            yield from (*foot.dose, *foot.sizes)
        for group in panel.parts:
            yield from group.lines
    yield from h.diary.lines
    yield from (*h.small.lines, h.old_reminders, *h.footer)


def to_pdf(
    handout: Handout,
    paper: str = "a4",
    large: bool = False,
    stamp: datetime | None = None,
) -> bytes:
    """Lay the sheet out as an accessible PDF.

    Parameters
    ----------
    handout : Handout
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

    form = form_of(paper, large)
    made = stamp or datetime.combine(handout.made_on, time(), UTC)
    try:
        made_bytes = typst.compile(
            {**_templates(), **_data_of(handout, form)},
            font_paths=_fonts(),
            format="pdf",
            pdf_standards="ua-1",
            timestamp=made,
        )
    except typst.TypstError as error:
        raise _lacking(handout, error.diagnostic) from None
    return bytes(made_bytes)


def _data_of(handout: Handout, form: Form) -> dict[str, bytes]:
    """The files from which the template reads: texts, footer, drawings."""
    parts = {field.name: getattr(handout, field.name) for field in fields(handout)}
    for name in ("made_on", "inputs", "panels", "diary", "footer", "identity", "page", "edition"):
        del parts[name]
    foot = {
        "lines": " ".join(handout.footer),
        "identity": _breakable(handout.identity),
        "page": handout.page,
        "edition": handout.edition,
    }
    data = _plain(parts)
    panels = []
    drawings: dict[str, bytes] = {}
    for panel in handout.panels:
        fit = fit_panel(panel, form)
        figures = []
        for figure in panel.figures:
            file = f"{figure.name}.svg"
            drawings[file] = figure.svg.encode()
            figures.append({"file": file, "alt": figure.alt, "caption": figure.caption, "width": form.picture})
        panels.append(
            {
                "number": panel.number,
                "title": panel.title,
                "setting": panel.setting,
                "feet": _plain(panel.feet),
                "figures": figures,
                "left": _plain(fit.left),
                "right": _plain(fit.right),
                "beside": fit.beside,
                "breaks": fit.breaks or form.large,
                "apart": fit.breaks or form.large,
            }
        )
    data["panels"] = panels
    data["diary"] = {**_plain(handout.diary), **_plain(fit_diary(handout.diary, form))}
    data["large"] = form.large
    data["form"] = {**asdict(form), "language": handout.language, "direction": handout.direction, "arabic": "Noto Sans Arabic" in _fonts().families()}
    return {"data.json": json.dumps(data).encode(), "foot.json": json.dumps(foot).encode(), **drawings}


def _plain(part):
    if isinstance(part, str):
        return _breakable(part)
    if is_dataclass(part):
        return {f.name: _plain(getattr(part, f.name)) for f in fields(part)}
    if isinstance(part, dict):
        return {name: _plain(value) for name, value in part.items()}
    if isinstance(part, (list, tuple)):
        return [_plain(value) for value in part]
    return part


@lru_cache
def _templates() -> dict[str, bytes]:
    folder = files("rungwise") / "data"
    return {"main": (folder/"handout.typ").read_bytes(), "sheet.typ": (folder/"sheet.typ").read_bytes()}


def _breakable(part: object) -> object:
    """The same data; a word longer than a line may break anywhere (it gets zero-width spaces)."""
    if isinstance(part, str):
        return _ENDLESS.sub(lambda word: "\u200b".join(word[0]), part)
    if isinstance(part, dict):
        return {name: _breakable(value) for name, value in part.items()}
    if isinstance(part, (list, tuple)):
        return [_breakable(value) for value in part]
    return part


def _lacking(handout: Handout, diagnostic: str) -> InputError | EvidenceError:
    """What a message of the compiler means: which field holds a letter that our fonts lack."""
    found = re.findall(r'the text `"(.*?)"` could not be displayed', diagnostic)
    lacking = {c for text in found for c in _unescaped(text)}
    faults = []
    for field, text in handout.inputs:
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
def _template() -> bytes:
    return (files("rungwise") / "data" / "handout.typ").read_bytes()


@lru_cache
def _fonts() -> typst.Fonts:
    """Only the fonts that we ship: a font of the machine could print boxes without a word."""
    import typst

    folders = []
    for package in ("fontpkg_noto_sans", "fontpkg_noto_sans_arabic"):
        spec = find_spec(package)
        if spec is not None and spec.origin is not None:
            folders.append(str(Path(spec.origin).parent / "files"))
    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=folders)
