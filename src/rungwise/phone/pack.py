"""The words and drawings of every rung in one language, for a page that gets its plan as a code.

The drawings are those of a body that belongs to nobody, without any size: the patient's own sizes
come from the code and stand below them.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import replace
from importlib.resources import files
from typing import Any

from rungwise.book import joint_of
from rungwise.core.evidence import Evidence
from rungwise.core.group import reference_body
from rungwise.core.ladder import Ladder, alone, rungs_of
from rungwise.core.session import kit_of
from rungwise.core.terms import SIDES, Body, Fitted, Rung, Side
from rungwise.draw import LABELS, draw_pose
from rungwise.phone.content import page_words
from rungwise.phone.slim import outlines_of, slim_drawings
from rungwise.words import Words

__all__ = ["codes_of", "pack_of"]

SECTIONS = ("set_up", "safety", "steps", "feel", "slips")
#: How far the toe of the pictures bends, as shares of the reference body's bend [1]: the first at
#: which a rung can be done is drawn.
BENDS = (1.0, 0.5, 0.25)
#: What lies under the toe decides the words of a size.
KINDS = ("roll", "cloth")


def codes_of(book: Evidence) -> dict[str, Any]:
    """Numbers that stand for names in a plan code."""
    text = (files("rungwise") / "data/codes" / f"{book.joint}.toml").read_text("utf-8")
    return tomllib.loads(text)


def pack_of(book: Evidence, words: Words) -> dict[str, Any]:
    """Everything that a page in this language may have to say, as plain values.

    Parameters
    ----------
    book : Evidence
        Its rungs.
    words : Words
        The language.

    Raises
    ------
    EvidenceError
        When a text is missing.
    """
    pack = _Pack(book, words)
    rungs = {
        rung.name: pack.rung(rung) for family in book.families.values() for rung in rungs_of(family)
    }
    # rungs that look the same share a drawing
    store, drawings = slim_drawings([*dict.fromkeys(pack.drawings.values())])
    places = {svg: i for i, svg in enumerate(dict.fromkeys(pack.drawings.values()))}
    return {
        "lang": words.language,
        "dir": words.direction,
        "decimal": words.decimal,
        "codes": codes_of(book),
        "rungs": rungs,
        "lines": [*pack.lines],
        "families": {family: pack.family(family) for family in book.families},
        "drawings": [*drawings],
        "drawn": {name: places[svg] for name, svg in pack.drawings.items()},
        "outlines": outlines_of(store),
        "kit": words.under("kit"),
        "headings": words.under("heading"),
        "dose": _below(words, "dose"),
        "unit": _below(words, "unit"),
        "said": {
            **_below(words, "sheet"),
            **{f"stop.{k}": v for k, v in _below(words, "stop").items()},
            **{f"pain.{k}": v for k, v in _below(words, "pain").items()},
            "both": words.say("feet.both"),
        },
        "foot": {side: words.say(f"foot.{side}") for side in SIDES},
        "caution": {kind: _below(words, f"care.{kind}") for kind in codes_of(book)["caution"]},
        "notice": _below(words, "notice"),
        "small": [
            words.say("sheet.caution_title"),
            *words.lines("caution.lines"),
            *words.lines("caution.software"),
            *([] if words.reviewed else [words.say("caution.not_reviewed")]),
        ],
        "between": book.value("session.between_s"),
        **page_words(words),
    }


def _below(words: Words, prefix: str) -> dict[str, Any]:
    """Every text and list below a prefix, unfilled."""
    start = f"{prefix}."
    lists = {
        key.removeprefix(start): [*text]
        for key, text in words.texts.items()
        if key.startswith(start) and isinstance(text, tuple)
    }
    return {**words.under(prefix), **lists}


class _Pack:
    """Gathers lines and drawings, each once."""

    def __init__(self, book: Evidence, words: Words) -> None:
        self.book, self.words = book, words
        self.lines: dict[str, int] = {}
        self.drawings: dict[str, str] = {}

    def family(self, family: str) -> dict[str, Any]:
        """What holds for every rung of a family."""
        words, place = self.words, f"exercise.{family}"
        dose = words.texts[f"{place}.dose"]
        return {
            "title": words.say(f"{place}.title"),
            "feet": words.say(f"{place}.feet") if words.has(f"{place}.feet") else "",
            "dose": [*dose] if isinstance(dose, tuple) else [dose],
            "sizes": words.under(f"{place}.sizes"),
            "also": [*words.all_of(f"{place}.also")],
        }

    def rung(self, rung: Rung) -> dict[str, Any]:
        """One rung: its settings, what it needs, its lines for one foot and for both."""
        by_itself = alone(rung)
        for side in SIDES:
            self._draw(rung, side, "")
            if by_itself is not rung:
                self._draw(by_itself, side, "one")
        told = {False: self._told(by_itself, False), True: self._told(rung, True)}
        return {
            "apart": bool(rung.settings.get("apart")),
            "minutes": rung.settings.get("minutes", 0),
            "knees_kg": rung.settings.get("knees_kg", 0),
            "kit": sorted(kit_of(rung, self.book)),
            "one": told[False],
            **({"both": told[True]} if told[True] != told[False] else {}),
        }

    def _draw(self, rung: Rung, side: Side, which: str) -> None:
        """Draw a rung once for each thing that may lie under the toe."""
        for fitted, body in _fits(rung, side, self.book):
            kind = next((p.kind for p in fitted.pose.props if p.kind in KINDS), "")
            name = " ".join(filter(None, (rung.name, side, kind, which)))
            if name not in self.drawings:
                self.drawings[name] = self._drawing(fitted, body)

    def _told(self, rung: Rung, both: bool) -> dict[str, Any]:
        words = self.words
        names = words.of_rung(rung, "names", "name", both=both)
        return {
            "setting": words.say("join.comma").join(names),
            **{
                part: [*map(self._number, dict.fromkeys(words.of_rung(rung, part, both=both)))]
                for part in SECTIONS
            },
        }

    def _number(self, line: str) -> int:
        return self.lines.setdefault(line, len(self.lines))

    def _drawing(self, fitted: Fitted, body: Body) -> str:
        """The picture without any size; in words without a number."""
        family = fitted.rung.family
        labels = {
            **self.words.under("drawing"),
            **self.words.under("class.drawing"),
            **{key: "" for key, values in LABELS.items() if values and not key.startswith("alt.")},
            f"title.{family}": self.words.say(f"exercise.{family}.title"),
        }
        return draw_pose(fitted, body, labels).svg


def _fits(rung: Rung, side: Side, book: Evidence) -> Iterator[tuple[Fitted, Body]]:
    """The rung in each of the poses in which it can be drawn."""
    joint = joint_of(book)
    body = reference_body(book)
    for share in BENDS:
        bent = replace(body, bend_available_deg=share * body.bend_available_deg)
        fitted = Ladder(joint, bent, side, book).fit(rung)
        if not fitted.problems and not fitted.pose.problems:
            yield fitted, bent
