"""The page that measures with a phone: heel raises, balance, or any movement done again and again.

One self-contained file that reaches nothing else and keeps nothing. It counts and times what the
phone felt by the same algorithms as :mod:`rungwise.core.reps` and :mod:`rungwise.core.sway`, and
gives the recording as a file that ``rungwise measure`` reads back.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import Any

from rungwise.core.evidence import Evidence
from rungwise.handout.group import pain_limits
from rungwise.phone.page import script_of, style_of, whole_file
from rungwise.words import Words

__all__ = ["SCRIPTS", "capture_data", "capture_page"]

#: Modules of the page in the order in which they build on each other.
SCRIPTS = ("voice", "view", "signals", "held", "reps")
#: What may be measured, and the feet that can be named for it.
KINDS = {
    "heel_raise": ("right", "left"),
    "balance": ("right", "left", "both"),
    "other": ("right", "left", "both"),
}
#: Seconds to choose from until it starts and until it stops by itself; what is chosen at first.
LEADS, LASTS = (5, 10, 20, 30), (30, 60, 120, 300)
CHOSEN = {
    "heel_raise": {"lead": 20, "most": 120},
    "balance": {"lead": 10, "most": 60},
    "other": {"lead": 10, "most": 120},
}
#: Rows of the book that the algorithms ask for.
ROWS = ("reps.", "stance.", "load.gravity_n_per_kg")


def capture_page(book: Evidence, words: Words) -> str:
    """The whole page as one file.

    Parameters
    ----------
    book : Evidence
        The book whose rows it measures by.
    words : Words
        The language.

    Raises
    ------
    EvidenceError
        When a text is missing.
    """
    title = words.say("capture.title")
    head = {"lang": words.language, "dir": words.direction, "title": title}
    script = script_of("capture", first=SCRIPTS)
    data = head | capture_data(book, words)
    return whole_file(head, _body(book, words), data, style_of("capture"), script)


def capture_data(book: Evidence, words: Words) -> dict[str, Any]:
    """What the script reads, as plain values that JSON can hold.

    Parameters
    ----------
    book : Evidence
        The book.
    words : Words
        The language.

    Returns
    -------
    dict
        ``book``: the rows that the algorithms ask for; ``words``: what the script says;
        ``decimal``: the decimal mark.
    """
    texts = words.under("capture")
    feet = {f"foot.{side}": words.say(f"feet.{side}") for side in KINDS["balance"]}
    return {
        "book": {key: row.value for key, row in book.rows.items() if key.startswith(ROWS)},
        "decimal": words.decimal,
        "words": texts | feet,
    }


# ------------------------------------------------------------------ HTML


def _body(book: Evidence, words: Words) -> str:
    return "\n".join(
        (
            '<p id="said" class="seen-not" aria-live="polite"></p>',
            f"<main>{_home(book, words)}",
            *(_ready(kind, words) for kind in KINDS),
            _count(
                "wait", words.say("phone.get_set"), words.say("phone.seconds_left"), book, words
            ),
            _count("run", words.say("capture.run_title"), words.say("capture.so_far"), book, words),
            _result(words),
            _blocked(words),
            "</main>",
            f'<footer><p id="aid">{escape(words.say("capture.aid"))}</p></footer>',
        )
    )


def _home(book: Evidence, words: Words) -> str:
    choices = "".join(
        f'<div class="choose">{_button(f"ready {kind}", words.say(f"capture.{kind}"), "big")}'
        f"<p>{escape(words.say(f'capture.{kind}_what'))}</p></div>"
        for kind in KINDS
    )
    limits = pain_limits(book)
    stop = (*words.lines("stop.lines", **limits), words.say("stop.call_plain"))
    help_now = (*words.lines("stop.help_lines"), words.say("stop.help_plain"))
    small = [*words.lines("caution.software")]
    if not words.reviewed:
        small.append(words.say("caution.not_reviewed"))
    return _screen(
        "home",
        words.say("capture.title"),
        f'<noscript><p class="note warn">{escape(words.say("phone.needs_script"))}</p></noscript>'
        f'<p class="ask">{escape(words.say("capture.choose"))}</p>{choices}',
        _box(words.say("sheet.caution_title"), words.lines("caution.lines"), "care"),
        _box(words.say("stop.title"), stop, "halt"),
        _box(words.say("stop.help_title"), help_now, "halt"),
        f'<p class="note">{escape(words.say("capture.no_keep"))}</p>',
        *(f'<p class="small">{escape(line)}</p>' for line in small),
        f'<p class="small">{escape(words.say("sheet.edition", edition=book.edition))}</p>',
    )


def _ready(kind: str, words: Words) -> str:
    """Where the phone goes, what to take care of, which foot; then the one large button."""
    feet = "".join(
        f'<label class="choice"><input type="radio" name="foot-{kind}" value="{side}">'
        f"<span>{escape(words.say(f'feet.{side}'))}</span></label>"
        for side in KINDS[kind]
    )
    more = words.lines("exercise.balance.safety") if kind == "balance" else ()
    care = (*words.lines("capture.care"), *(line for line in more if line[:1] not in "@="))
    question = escape(words.say(f"capture.foot_{kind}"))
    return _screen(
        f"ready-{kind}",
        words.say(f"capture.{kind}"),
        _box(words.say("heading.safety"), care, "care"),
        f"<h2>{escape(words.say('capture.where_title'))}</h2>"
        f"{_list(words.lines(f'capture.{kind}_where'))}"
        f'<p class="small">{escape(words.say("capture.own_practice"))}</p>',
        f"<h2>{escape(words.say('capture.do_title'))}</h2>"
        f"{_list(words.lines(f'capture.{kind}_do'))}",
        f"<fieldset><legend>{question}</legend>{feet}</fieldset>",
        _seconds(kind, "lead", LEADS, words) + _seconds(kind, "most", LASTS, words),
        f'<p class="note warn unfit" hidden>{escape(words.say("capture.choose_foot"))}</p>'
        '<div class="acts">'
        f"{_button('start', words.say('phone.start'), 'big')}"
        f"{_button('home', words.say('phone.back'))}</div>",
        f'<p class="small lacks-wake" hidden>{escape(words.say("phone.lack_wake"))}</p>',
    )


def _seconds(kind: str, name: str, choices: Iterable[int], words: Words) -> str:
    key = f"{name}-{kind}"
    options = "".join(
        f'<option value="{s}"{" selected" if s == CHOSEN[kind][name] else ""}>'
        f"{escape(words.seconds(s))}</option>"
        for s in choices
    )
    label = escape(words.say(f"capture.{name}"))
    return (
        f'<div class="field"><label for="{key}">{label}</label>'
        f'<select id="{key}">{options}</select></div>'
    )


def _count(name: str, title: str, unit: str, book: Evidence, words: Words) -> str:
    """A large number of seconds, and a large button that ends it."""
    act, text = ("stop", "capture.stop") if name == "run" else ("home", "phone.back")
    return _screen(
        name,
        title,
        f'<div class="now"><p class="what"></p><p class="number" aria-hidden="true">0</p>'
        f'<p class="unit" aria-hidden="true">{escape(unit)}</p></div>'
        f'<div class="acts">{_button(act, words.say(text), "big end")}</div>',
        f'<p class="small">{escape(words.say("stop.footer", **pain_limits(book)))}</p>',
    )


def _result(words: Words) -> str:
    return _screen(
        "result",
        words.say("capture.over"),
        '<div id="found"></div>'
        f'<p class="note">{escape(words.say("capture.file_for"))}</p>'
        '<p class="note warn" id="unshared" hidden>'
        f"{escape(words.say('capture.not_shared'))}</p>"
        '<div class="acts"><a id="save" class="button big" download href="#">'
        f"{escape(words.say('capture.save'))}</a>"
        f"{_button('share', words.say('capture.share'))}"
        f"{_button('again', words.say('capture.again'))}"
        f"{_button('home', words.say('capture.elsewhere'))}</div>",
    )


def _blocked(words: Words) -> str:
    return _screen(
        "blocked",
        words.say("capture.blocked"),
        '<p class="note warn" id="why"></p>'
        f'<div class="acts">{_button("home", words.say("phone.back"), "big")}</div>',
    )


def _screen(name: str, title: str, *parts: str) -> str:
    return (
        f'<section id="{name}" data-screen><h1 tabindex="-1">{escape(title)}</h1>'
        f"{''.join(parts)}</section>"
    )


def _box(heading: str, lines: Iterable[str], look: str) -> str:
    return f'<div class="box {look}"><h2>{escape(heading)}</h2>{_list(lines)}</div>'


def _button(act: str, text: str, look: str = "") -> str:
    return f'<button type="button" class="{look}" data-act="{act}">{escape(text)}</button>'


def _list(lines: Iterable[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(text)}</li>' for text in lines)}</ul>"
