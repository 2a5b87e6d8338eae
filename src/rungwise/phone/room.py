"""The led page for a room: a class on a big screen, with the words of its sheet and its captions.

One self-contained file that reaches nothing else. It opens with who must not join and when to stop,
and leads by the running order of the class; a therapist is in the room, so nobody's pain is asked.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape
from itertools import pairwise
from typing import Any

from rungwise.captions import Cue, cues_of
from rungwise.core.evidence import Evidence
from rungwise.core.group import GroupClass
from rungwise.core.terms import Moment
from rungwise.handout.group import (
    ClassPanel,
    ClassSheet,
    ClassWords,
    build_class_sheet,
    pain_limits,
)
from rungwise.handout.sheet import Lines
from rungwise.phone.page import script_of, style_of, whole_file
from rungwise.phone.slim import slim_drawings
from rungwise.words import Words

__all__ = ["room_data", "room_page"]

#: Modules of the phone page that a room needs, too; its own come after them.
SCRIPTS = ("clock", "voice", "led", "view")
#: What the phone page says in the same place.
SHARED = (
    "pause paused go_on back skip again sound voice seconds_left seconds_left_one minutes_left "
    "set_of times_of exercise_no"
).split()
#: What the script says; the rest stands in the HTML.
SPOKEN = (
    "away away_one left first then coming now done both_done next with_foot full small space"
).split()
MS = 1000


def room_page(group: GroupClass, book: Evidence, words: Words) -> str:
    """The whole page as one file.

    Parameters
    ----------
    group : GroupClass
        A class with at least one exercise.
    book : Evidence
        The book that the class was made with.
    words : Words
        The language.

    Raises
    ------
    InputError
        A class without exercises, or of another edition of the book.
    EvidenceError
        When a text is missing.
    """
    sheet = build_class_sheet(group, book, words)
    head = {"lang": words.language, "dir": words.direction, "title": sheet.title}
    data = {**head, **room_data(group, book, words)}
    body = _body(sheet, pain_limits(book), words)
    return whole_file(head, body, data, style_of("room"), script_of("room", first=SCRIPTS))


def room_data(group: GroupClass, book: Evidence, words: Words) -> dict[str, Any]:
    """What the script leads by, as plain values that JSON can hold.

    Parameters
    ----------
    group : GroupClass
        A class with at least one exercise.
    book : Evidence
        The book that the class was made with.
    words : Words
        The language.

    Returns
    -------
    dict
        ``opening``: what is said on each screen before the class; ``stages``: every moment of the
        running order and the closing, each with its length [s] and what is said when [ms from its
        start].
    """
    told = ClassWords(group, words, book)
    cues = cues_of(group, book, words)
    end_s = group.seconds - group.closing_s
    stages = [_stage(group, moment, cues) for moment in group.moments]
    stages.append(_plain_stage("closing", None, end_s, group.closing_s, cues))
    for stage, after in pairwise(stages):
        stage["next"] = _ahead(stage, after, told, words)
    phone, room = words.under("phone"), words.under("class.room")
    spoken = {name: phone[name] for name in SHARED} | {name: room[name] for name in SPOKEN}
    spoken |= {"rest": words.say("class.gap.rest"), "ready": words.say("class.gap.ready")}
    return {
        "opening": _read_aloud([c.text for c in cues if c.start_s < group.opening_s], words),
        "stages": stages,
        "titles": [told.title(block) for block in group.blocks],
        "feet": {foot: words.say(f"feet.{foot}") for foot in ("right", "left", "both")},
        "words": spoken,
    }


def _stage(group: GroupClass, moment: Moment, cues: Sequence[Cue]) -> dict[str, Any]:
    """One moment, as a line that the led session of the phone page can lead."""
    after = next(m for m in group.moments if m.kind == "do" and m.start_s >= moment.start_s)
    block = group.blocks.index((str(after.family), after.place))
    if moment.kind != "do":
        return _plain_stage(moment.kind, block, moment.start_s, moment.seconds, cues)
    lines = group.lines(*group.blocks[block])
    line = next(e for e in lines if e.both or e.side == moment.side)
    made = _plain_stage("do", block, moment.start_s, moment.seconds, cues)
    dose = line.dose
    made["dose"] |= {
        "reps": dose.reps,
        "lift": dose.lift_s,
        "hold": dose.hold_s,
        "lower": dose.lower_s,
    }
    side = "both" if line.both else str(moment.side)
    return made | {"side": side, "set": moment.set_no, "sets": dose.sets}


def _read_aloud(said: Sequence[str], words: Words) -> list[list[str]]:
    """What is said of who sits out, of when to stop, and of what holds for all."""
    stop = said.index(words.say("class.cue.stop_first"))
    care = len(said) - len(words.texts["class.cautions"])
    return [[*said[:stop]], [*said[stop:care]], [*said[care:]]]


def _ahead(now: Mapping[str, Any], stage: Mapping[str, Any], told: ClassWords, words: Words) -> str:
    """What a moment is called while it is still to come: its exercise, or the first thing to do.

    While that exercise is on already, only which set and which foot comes.
    """
    said: str = stage["cues"][0][1]
    if stage["kind"] != "do" and said != words.say("class.gap.ready"):
        return said
    block = told.group.blocks[stage["block"]]
    if stage["kind"] != "do":
        return words.say("class.room.with_foot", exercise=told.title(block), foot=told.feet(block))
    foot, what = words.say(f"feet.{stage['side']}"), told.title(block)
    if now["block"] == stage["block"]:
        if stage["sets"] == 1:
            return foot
        what = words.say("phone.set_of", n=stage["set"], of=stage["sets"])
    return words.say("class.room.with_foot", exercise=what, foot=foot)


def _plain_stage(
    kind: str, block: int | None, start_s: float, seconds: float, cues: Sequence[Cue]
) -> dict[str, Any]:
    end_s = start_s + seconds
    said = [c for c in cues if start_s <= c.start_s + 1 / MS / 2 < end_s]
    return {
        "kind": kind,
        "block": block,
        "at": start_s,
        "seconds": seconds,
        "cues": [[round(MS * (c.start_s - start_s)), c.text] for c in said],
        "dose": {"sets": 1, "reps": 1, "lift": 0, "hold": seconds, "lower": 0, "rest": 0},
    }


# ------------------------------------------------------------------ HTML


def _body(sheet: ClassSheet, pain: dict[str, int], words: Words) -> str:
    outlines, drawings = slim_drawings([panel.svg for panel in sheet.panels])
    stop = (
        words.say("class.room.stop_line", **pain),
        words.say("stop.footer_help"),
        words.say("class.room.pain_line", **pain),
    )
    return "\n".join(
        (
            outlines,
            '<p id="said" class="seen-not" aria-live="polite"></p>',
            f"<main>{_opening(sheet, words)}",
            _order(sheet, words),
            '<section id="led" data-screen></section>',
            *(_exercise(p, d) for p, d in zip(sheet.panels, drawings, strict=True)),
            _end(words),
            "</main>",
            (
                f'<footer><div class="stopline"><p><strong>{escape(stop[0])}</strong></p>'
                f"<p>{escape(stop[1])} {escape(stop[2])}</p></div></footer>"
            ),
        )
    )


def _opening(sheet: ClassSheet, words: Words) -> str:
    """Three screens that must be seen before the class can start."""
    titles = (sheet.not_yet.heading, sheet.stop.heading, sheet.cautions.heading)
    insides = (
        (
            f'<p class="ask">{escape(sheet.not_yet.kind)}</p>'
            f'<div class="box care many">{_list(sheet.not_yet.lines)}</div>'
        ),
        (
            f'<div class="box halt stop">{_list(sheet.stop.lines)}</div>{_box(sheet.help, "halt")}'
            f'<p class="small">{escape(sheet.small)} {escape(sheet.edition)}</p>'
        ),
        f'<div class="box care">{_list(sheet.cautions.lines)}</div>{_box(sheet.kit, "")}',
    )
    labels = ("seen", "seen", "begin")
    note = words.say("class.room.no_keep")
    kept = f'<p id="keeps" class="note warn" hidden>{escape(note)}</p>'
    no_script = f"<noscript><p>{escape(words.say('class.room.off_script'))}</p></noscript>"
    screens = []
    for number, (title, inside, label) in enumerate(zip(titles, insides, labels, strict=True)):
        place = words.say("class.room.page_no", n=number + 1, of=len(titles))
        more = _button("read", words.say("class.room.read"))
        more += _button("back", words.say("phone.back")) if number else ""
        screens.append(
            f'<section id="open-{number}" class="open" data-screen>'
            f'<p class="place">{escape(sheet.title)}. {escape(sheet.about)} {escape(place)}</p>'
            f'<h1 tabindex="-1">{escape(title)}</h1>{"" if number else no_script + kept}'
            f'<div class="inside">{inside}</div><div class="acts only-on">'
            f"{_button('onward', words.say(f'class.room.{label}'), 'big')}{more}</div></section>"
        )
    return "".join(screens)


def _order(sheet: ClassSheet, words: Words) -> str:
    heads = "".join(f'<th scope="col">{escape(head)}</th>' for head in sheet.order_heads)
    rows = "".join(
        f"<tr{' class=strong' if step.strong else ''}><td>{escape(step.start)}</td>"
        f'<th scope="row">{escape(step.what)}</th><td>{escape(step.time)}</td></tr>'
        for step in sheet.order
    )
    return (
        f'<section id="order" data-screen><h1 tabindex="-1">{escape(sheet.order_title)}</h1>'
        f"<table><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"
        f'<div class="acts only-on">{_button("led", words.say("class.room.to_class"), "big")}'
        "</div></section>"
    )


def _exercise(panel: ClassPanel, drawing: str) -> str:
    caption = f"<figcaption>{escape(panel.caption)}</figcaption>" if panel.caption else ""
    figure = drawing.replace("<svg", '<svg class="pic"', 1)
    return (
        f'<section id="ex-{panel.number - 1}" class="exercise" data-screen>'
        f"<h2>{panel.number}. {escape(panel.title)}</h2>"
        f'<p class="setting">{escape(panel.setting)}</p><figure>{figure}{caption}</figure>'
        f'<p class="dose">{escape(panel.dose)}</p>{_list(panel.lines, "how")}</section>'
    )


def _end(words: Words) -> str:
    return (
        f'<section id="end" data-screen><h1 tabindex="-1">'
        f"{escape(words.say('class.room.end_title'))}</h1>"
        f'<div class="inside"><div class="box">{_list(words.lines("class.cue.closing"))}</div>'
        f'</div><div class="acts only-on">'
        f"{_button('anew', words.say('class.room.anew'))}</div></section>"
    )


def _box(found: Lines, look: str) -> str:
    return f'<div class="box {look}"><h2>{escape(found.heading)}</h2>{_list(found.lines)}</div>'


def _button(act: str, text: str, look: str = "") -> str:
    return f'<button type="button" class="{look}" data-act="{act}">{escape(text)}</button>'


def _list(lines: Iterable[str], look: str = "") -> str:
    return f'<ul class="{look}">{"".join(f"<li>{escape(text)}</li>" for text in lines)}</ul>'
