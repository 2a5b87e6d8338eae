"""One self-contained file: all steps and drawings in its HTML, style, script and plan inside."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from importlib.resources import files
from typing import Any

from rungwise.phone.lean import lean_script, lean_style
from rungwise.phone.slim import slim_drawings

__all__ = ["SCRIPTS", "body_of", "script_of", "single_file", "style_of", "whole_file"]

#: Modules of the page in the order in which they build on each other.
SCRIPTS = (
    "code",
    "store",
    "clock",
    "voice",
    "pain",
    "led",
    "view",
    "qr",
    "diary",
    "record",
    "options",
    "app",
)
#: What the HTML already says and the script does not need.
_ONLY_HTML = (
    "title identity head span changed fetch goals contact small order orderTitle orderLines "
    "stopline painTitle painLines stopped calls hours code"
).split()
_ONLY_HTML_LINE = "setting doseLines sizeLines parts figure caption".split()
#: Words of the HTML, and of a page that reads its plan from a code.
_NOT_WORDS = (
    "off_script needs_script pages when_to_stop call general_drawing code_foreign code_log "
    "code_newer code_damaged code_words code_title code_ask code_open lack_offline other_title "
    "other_ask other_keep other_open other_switch"
).split()

Data = Mapping[str, Any]


def single_file(data: Data) -> str:
    """The whole page as one file.

    Parameters
    ----------
    data : mapping
        From :func:`rungwise.phone.page_data`.
    """
    island = {k: v for k, v in data.items() if k not in _ONLY_HTML}
    island["lines"] = [
        {k: v for k, v in line.items() if k not in _ONLY_HTML_LINE} for line in data["lines"]
    ]
    island["words"] = {k: v for k, v in data["words"].items() if k not in _NOT_WORDS}
    return whole_file(data, body_of(data), island, style_of(), script_of("boot"))


def whole_file(data: Data, body: str, island: Data, style: str, script: str) -> str:
    """A page that holds all it needs and may reach nothing else.

    Parameters
    ----------
    data : mapping
        Its ``lang``, ``dir`` and ``title``.
    body : str
        HTML, readable by itself.
    island : mapping
        What the script reads.
    style, script : str
        The only ones that the page lets run.
    """
    policy = (
        f"default-src 'none'; script-src '{_hash(script)}'; style-src '{_hash(style)}'; "
        "img-src data:; connect-src 'none'; base-uri 'none'; form-action 'none'"
    )
    told = json.dumps(island, ensure_ascii=False, separators=(",", ":"))
    told = told.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
    return (
        f'<!doctype html>\n<html lang="{escape(data["lang"])}" dir="{escape(data["dir"])}">\n'
        f'<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{escape(data['title'])}</title>\n<style>{style}</style>\n</head>\n"
        f"<body>\n{body}\n"
        f'<script type="application/json" id="data">{told}</script>\n'
        f"<script>{script}</script>\n</body>\n</html>\n"
    )


def style_of(*more: str) -> str:
    """The style of the page, and what more a page of another use needs."""
    return "\n".join(_lean(f"{name}.css") for name in ("page", *more))


def script_of(*last: str, first: Sequence[str] = SCRIPTS) -> str:
    """The modules of the page in one script of its own scope."""
    modules = "\n".join(_lean(f"{name}.js") for name in (*first, *last))
    return f"(() => {{\n'use strict';\n{modules}\n}})();\n"


def _lean(name: str) -> str:
    """A module without remarks and without space that means nothing."""
    text = (files("rungwise.phone") / name).read_text("utf-8").strip()
    return lean_style(text) if name.endswith(".css") else lean_script(text)


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


# ------------------------------------------------------------------ HTML


def body_of(data: Data) -> str:
    """The body without its scripts; readable by itself."""
    outlines, drawings = slim_drawings([line["figure"] for line in data["lines"]], runs=True)
    words = data["words"]
    places = ("today", "diary", "when_to_stop", "settings")
    names = ("today", "diary", "stop", "settings")
    nav = "".join(
        f'<button type="button" data-to="{name}">{escape(words[place])}</button>'
        for name, place in zip(names, places, strict=True)
    )
    return "\n".join(
        (
            outlines,
            '<p id="said" class="seen-not" aria-live="polite"></p>',
            f'<nav aria-label="{escape(words["pages"])}">{nav}</nav>',
            "<main>",
            _today(data),
            *(
                _exercise(data, line, i, drawing)
                for i, (line, drawing) in enumerate(zip(data["lines"], drawings, strict=True))
            ),
            _stop(data),
            '<section id="live" data-screen></section>',
            "</main>",
            f'<footer class="small"><p>{escape(data["identity"])}</p></footer>',
        )
    )


def _today(data: Data) -> str:
    order = "".join(f"<li>{escape(what)}: {escape(time)}</li>" for what, time in data["order"])
    return "".join(
        (
            f'<section id="today" data-screen><h1 tabindex="-1">{escape(data["title"])}</h1>',
            f'<noscript><p class="note warn">{escape(data["words"]["off_script"])}</p></noscript>',
            '<div id="now"></div>',
            _list(data["span"], "plain"),
            _stopped(data["stopped"]),
            *(_box(caution, "care") for caution in data["cautions"]),
            _box(data["fetch"], ""),
            f'<div class="paper"><h2>{escape(data["orderTitle"])}</h2><ol>{order}</ol>'
            if order
            else '<div class="paper">',
            _list(data["orderLines"]),
            "</div>",
            _box(data["changed"], ""),
            _box(data["goals"], ""),
            *(f'<p class="small">{escape(line)}</p>' for line in data["head"]),
            "</section>",
        )
    )


def _exercise(data: Data, line: Data, i: int, drawing: str) -> str:
    place = data["words"]["exercise_no"].format(n=i + 1, of=len(data["lines"]))
    caption = f"<figcaption>{escape(line['caption'])}</figcaption>" if line["caption"] else ""
    parts = "".join(_part(part) for part in line["parts"])
    return "".join(
        (
            f'<section id="ex-{i}" data-screen><p class="place">{escape(place)}</p>',
            f'<h1 tabindex="-1">{escape(line["title"])}</h1>',
            f'<p class="foot">{escape(line["which"])}</p>',
            f'<p class="setting">{escape(line["setting"])}</p>',
            f"<figure>{drawing.replace('<svg', '<svg class=' + chr(34) + 'pic' + chr(34), 1)}",
            f"{caption}</figure>",
            _list(line["doseLines"], "dose"),
            _list(line["sizeLines"], "sizes"),
            parts,
            '<div class="stopline note halt">',
            *(f"<p>{escape(text)}</p>" for text in data["stopline"]),
            '</div><div class="acts"></div></section>',
        )
    )


def _part(part: Data) -> str:
    tag = "ol" if part["kind"] == "steps" else "ul"
    look = "box care" if part["kind"] == "safety" else "part"
    items = "".join(f"<li>{escape(text)}</li>" for text in part["lines"])
    return (
        f'<div class="{part["kind"]} {look}"><h2>{escape(part["heading"])}</h2>'
        f"<{tag}>{items}</{tag}></div>"
    )


def _stop(data: Data) -> str:
    rule = "".join(
        f'<div class="{zone}"><dt>{escape(value)}</dt><dd>{escape(do)}</dd></div>'
        for zone, (value, do) in zip(("go", "care", "stop"), data["pain"], strict=True)
    )
    return "".join(
        (
            '<section id="stop" data-screen><h1 tabindex="-1">',
            f"{escape(data['words']['when_to_stop'])}</h1>",
            f'<div id="boxes">{_call_box(data, "help")}{_call_box(data, "stop")}</div>',
            f'<h2>{escape(data["painTitle"])}</h2><dl class="rule">{rule}</dl>',
            _list(data["painLines"]),
            _box(data["contact"], ""),
            _box(data["small"], ""),
            "</section>",
        )
    )


def _call_box(data: Data, kind: str) -> str:
    """When to call whom, with the number of those to be called for it, and of nobody else."""
    call = next((c for c in data["calls"] if c["kind"] == kind), None)
    hours = f"<p>{escape(data['hours'])}</p>" if kind == "stop" and data["hours"] else ""
    link = (
        f'<div class="acts"><a class="button danger" href="tel:{escape(call["dial"])}">'
        f"{escape(call['label'])}</a></div>"
        if call
        else ""
    )
    return _box(data[kind], "halt", hours + link)


def _stopped(found: Data | None) -> str:
    if found is None:
        return ""
    boxes = "".join(_box(box, "halt") for box in found["boxes"])
    return f"<h2>{escape(found['heading'])}</h2>{boxes}"


def _box(found: Data | None, look: str, more: str = "") -> str:
    if found is None:
        return ""
    return (
        f'<div class="box {look}"><h2>{escape(found["heading"])}</h2>'
        f"{_list(found['lines'])}{more}</div>"
    )


def _list(lines: Iterable[str], look: str = "") -> str:
    items = "".join(f"<li>{escape(text)}</li>" for text in lines)
    return f'<ul class="{look}">{items}</ul>' if items else ""
