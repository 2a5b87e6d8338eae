"""What stands on the phone page, as plain data: from the sheet and from the plan that goes home."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.terms import SIDES, Exercise, Plan
from rungwise.handout import Handout, Lines
from rungwise.handout.sheet import Panel, Stopped
from rungwise.plan_code import HomeLine, HomePlan, dialled
from rungwise.words import Words

__all__ = ["page_data", "page_words"]

#: Lists that the page shows whole: name on the page -> key of the words.
LISTS = {
    "careLines": "phone.care_lines",
    "stoppedLines": "phone.stopped_lines",
    "doneLines": "phone.done_lines",
    "sendLines": "phone.send_lines",
    "eraseLines": "phone.erase_lines",
    "months": "date.months",
}


def page_data(
    sheet: Handout, plan: Plan, home: HomePlan, code: str, book: Evidence, words: Words
) -> dict[str, Any]:
    """Everything on the page, as plain values that JSON can hold.

    Parameters
    ----------
    sheet : Handout
        The sheet of the same plan, in the same language.
    plan : Plan
        A programme with at least one exercise.
    home : HomePlan
        What of it goes home.
    code : str
        Its plan code.
    book : Evidence
        The book that it was made with.
    words : Words
        The patient's language.

    Raises
    ------
    InputError
        When the plan that goes home is another.
    EvidenceError
        When a text is missing.
    """
    by_line = {(e.family, e.side): e for e in plan.exercises}
    if [*by_line] != [*dict.fromkeys(by_line)] or {(x.family, x.side) for x in home.lines} != {
        *by_line
    }:
        fault = Fault("home", "another plan", "the plan itself", "Make it from this plan.")
        raise InputError("phone page", (fault,))
    between = book.value("session.between_s")
    return {
        "lang": words.language,
        "dir": words.direction,
        "code": code,
        "plan": _plan(home),
        "lines": [_line(x, by_line[x.family, x.side], sheet, words, between) for x in home.lines],
        "title": sheet.title,
        "identity": sheet.identity,
        "head": [s for s in (sheet.clinic, sheet.made) if s],
        "span": [*sheet.span],
        "fetch": _lines(sheet.fetch),
        "changed": _lines(sheet.changed),
        "goals": _lines(sheet.goals),
        "contact": _lines(sheet.contact),
        "small": _lines(sheet.small),
        "order": [[step.what, step.time] for step in sheet.order],
        "orderTitle": sheet.order_title,
        "orderLines": [s for s in (sheet.order_first, sheet.order_total, *sheet.order_apart) if s],
        "stopline": [*sheet.footer],
        "stop": _lines(sheet.stop),
        "help": _lines(sheet.help),
        "calls": _calls(plan, words),
        "hours": _hours(plan, words),
        "painTitle": sheet.pain_title,
        "pain": [[*pair] for pair in sheet.pain],
        "painLines": [*sheet.pain_lines],
        "cautions": [_lines(c) for c in sheet.cautions],
        "stopped": _stopped(sheet.stopped),
        **page_words(words),
    }


def page_words(words: Words) -> dict[str, Any]:
    """What the page itself says, in one language."""
    said = words.under("phone")
    said["date_long"] = words.under("date")["long"]
    return {
        "words": said,
        "feet": {side: words.say(f"feet.{side}") for side in SIDES},
        "ends": words.say("pain.scale"),
        **{name: [*words.lines(key)] for name, key in LISTS.items()},
    }


def _plan(home: HomePlan) -> dict[str, Any]:
    return {
        "number": home.number.hex(),
        "key": home.key.hex(),
        "version": home.version,
        "starts": home.starts.isoformat(),
        "review": home.review.isoformat(),
        "ends": home.ends.isoformat(),
        "safe": home.pain_safe,
        "most": home.pain_most,
    }


def _line(
    line: HomeLine, exercise: Exercise, sheet: Handout, words: Words, between: float
) -> dict[str, Any]:
    panel, place = _panel_of(line, sheet)
    foot = panel.feet[place] if len(panel.feet) > 1 else panel.feet[0]
    settings: Mapping[str, object] = exercise.fitted.rung.settings
    minutes = int(float(str(settings.get("minutes", 0)))) if settings.get("apart") else 0
    dose, own = line.dose, f"exercise.{line.family}.feet"
    side = words.say("feet.both" if line.both else f"feet.{line.side}")
    figure = panel.figures[place]
    return {
        "family": line.family,
        "side": line.side,
        "both": line.both,
        "title": words.say(f"exercise.{line.family}.title"),
        "which": words.say(own) if words.has(own) else side,
        "setting": panel.setting,
        "minutes": minutes,
        "settle": any("{stand}" in s for s in words.texts[f"exercise.{line.family}.dose"]),
        "seconds": round(60 * minutes or dose.seconds + between),
        "dose": {
            "sets": dose.sets,
            "reps": dose.reps,
            "hold": dose.hold_s,
            "lift": dose.lift_s,
            "lower": dose.lower_s,
            "rest": dose.rest_s,
            "days": dose.days_per_week,
        },
        "doseLines": [*foot.dose],
        "sizeLines": [*foot.sizes],
        "parts": [_lines(part) for part in panel.parts],
        "figure": figure.svg,
        "caption": figure.caption if figure.caption != side else "",
    }


def _calls(plan: Plan, words: Words) -> list[dict[str, str]]:
    """The clinic's telephone numbers, to be called by a tap."""
    found = []
    for kind, name in (("stop", "phone"), ("help", "emergency")):
        number = plan.exam.clinic.get(name, "").strip()
        if dial := dialled(number):
            label = words.say("phone.call", number=words.own(number))
            found.append({"kind": kind, "label": label, "dial": dial})
    return found


def _hours(plan: Plan, words: Words) -> str:
    """When somebody answers at the clinic, if known."""
    hours = plan.exam.clinic.get("hours", "").strip()
    return words.say("clinic.hours", value=words.own(hours)) if hours else ""


def _panel_of(line: HomeLine, sheet: Handout) -> tuple[Panel, int]:
    """The panel of a line, and which of its feet it is."""
    name = f"{line.family}_{line.side}"
    return next(
        (panel, place)
        for panel in sheet.panels
        for place, figure in enumerate(panel.figures)
        if figure.name == name
    )


def _lines(found: Lines | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {"kind": found.kind, "heading": found.heading, "lines": [*found.lines]}


def _stopped(found: Stopped | None) -> dict[str, Any] | None:
    """A foot without exercises: what was found and what to do, as headings with lines."""
    if found is None:
        return None
    notices = [
        {
            "kind": notice.kind,
            "heading": notice.heading,
            "lines": [*notice.lines, *(s for f in notice.findings for s in (f.what, f.do) if s)],
        }
        for notice in found.notices
    ]
    return {"heading": found.heading, "boxes": notices + [_lines(x) for x in found.until]}
