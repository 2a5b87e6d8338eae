"""A folder for any web host: the page without a plan, which comes behind the # of the address."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from html import escape
from importlib.resources import files

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.phone.pack import pack_of
from rungwise.phone.page import script_of, style_of
from rungwise.words import load_words

__all__ = ["static_folder"]

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; manifest-src 'self'; worker-src 'self'; base-uri 'none'; "
    "form-action 'none'"
)
#: A foot on a step; drawn here, of no other meaning.
ICON = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 64 64"><rect width="64" height="64" '
    'rx="12" fill="#00528f"/><path d="M10 50h44M10 50V40h20V30h12v20" fill="none" stroke="#fff" '
    'stroke-width="5" stroke-linejoin="round"/><circle cx="36" cy="18" r="6" fill="#fff"/></svg>\n'
)


def static_folder(book: Evidence, languages: Sequence[str]) -> dict[str, bytes]:
    """The files of the page for a web host: name -> content.

    Parameters
    ----------
    book : Evidence
        The evidence book, for the rungs and their drawings.
    languages : sequence of str
        Codes of the languages; the first is spoken where none of the phone's is there.

    Raises
    ------
    InputError
        When no language is named, or one is not there.
    """
    if not languages:
        fault = Fault("languages", "none", "at least one", "Name a language.")
        raise InputError("phone page", (fault,))
    made: dict[str, bytes] = {}
    for language in languages:
        pack = pack_of(book, load_words(language))
        told = json.dumps(pack, ensure_ascii=False, separators=(",", ":"))
        made[f"pack-{language}.json"] = told.encode()
    words = load_words(languages[0])
    made["app.js"] = script_of("decode", "notice", "compose", "build", "folder").encode()
    made["app.css"] = style_of().encode()
    made["icon.svg"] = ICON.encode()
    made["manifest.webmanifest"] = _manifest(words.say("sheet.title"), languages[0]).encode()
    made["index.html"] = _index(words.say("sheet.title"), words.direction, languages).encode()
    edition = hashlib.sha256(b"".join(made[name] for name in sorted(made))).hexdigest()[:16]
    worker = (files("rungwise.phone") / "sw.js").read_text("utf-8")
    worker = worker.replace("@edition@", edition)
    made["sw.js"] = worker.replace("@files@", json.dumps(["./", *sorted(made)])).encode()
    return made


def _manifest(title: str, language: str) -> str:
    told = {
        "name": title,
        "short_name": title,
        "lang": language,
        "start_url": "./",
        "scope": "./",
        "display": "standalone",
        "background_color": "#ffffff",
        "theme_color": "#00528f",
        "icons": [{"src": "icon.svg", "sizes": "any", "type": "image/svg+xml"}],
    }
    return json.dumps(told, ensure_ascii=False, indent=1) + "\n"


def _index(title: str, direction: str, languages: Sequence[str]) -> str:
    without = "".join(
        f'<p lang="{escape(code)}">{escape(load_words(code).say("phone.needs_script"))}</p>'
        for code in languages
    )
    return (
        f'<!doctype html>\n<html lang="{escape(languages[0])}" dir="{escape(direction)}" '
        f'data-languages="{escape(json.dumps([*languages]))}">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{escape(title)}</title>\n"
        '<link rel="stylesheet" href="app.css">\n<link rel="icon" href="icon.svg">\n'
        '<link rel="manifest" href="manifest.webmanifest">\n<script src="app.js" defer></script>\n'
        '</head>\n<body>\n<p id="said" class="seen-not" aria-live="polite"></p>\n<nav></nav>\n'
        f"<main><h1>{escape(title)}</h1><noscript>{without}</noscript></main>\n</body>\n</html>\n"
    )
