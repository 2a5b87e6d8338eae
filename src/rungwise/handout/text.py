"""The sheets as plain text, and how hard they are to read."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rungwise.core.reading import ReadingScore, score
from rungwise.handout.sheet import Diary, Handout, NotNow, Sheet, Stopped
from rungwise.words import load_syllables

__all__ = ["reading_of", "running_text", "to_text"]


def to_text(sheet: Handout | NotNow) -> str:
    """The whole sheet as plain text; lines that begin with ``#`` are headings.

    Parameters
    ----------
    sheet : Handout or NotNow
        The sheet.
    """
    lines = [f"# {sheet.title}", *filter(None, (sheet.clinic, sheet.for_whom, sheet.made))]
    told = _programme(sheet) if isinstance(sheet, Handout) else _not_now(sheet)
    return "\n".join((*lines, *told, *_end(sheet))) + "\n"


def _part(heading: str, body: Sequence[str], bullet: str = "- ") -> Iterator[str]:
    yield from ("", f"# {heading}", *(f"{bullet}{line}" for line in body))


def _end(sheet: Sheet) -> Iterator[str]:
    if sheet.contact is not None:
        yield from _part(sheet.contact.heading, sheet.contact.lines)
    yield from _part(sheet.small.heading, sheet.small.lines)
    yield from ("", sheet.old_reminders, sheet.edition)


def _stopped(stopped: Stopped) -> Iterator[str]:
    yield from _part(stopped.heading, ())
    for notice in stopped.notices:
        yield from _part(notice.heading, ())
        for finding in notice.findings:
            yield f"- {finding.what}"
            yield from (f"  {line}" for line in (finding.why, finding.do) if line)
        yield from (f"- {line}" for line in notice.lines)
    for group in stopped.until:
        yield from _part(group.heading, group.lines)


def _not_now(sheet: NotNow) -> Iterator[str]:
    yield from _stopped(sheet.stopped)
    yield from _part(sheet.call.heading, sheet.call.lines)
    yield from ("", *sheet.then)
    if sheet.also is not None:
        yield from _part(sheet.also.heading, sheet.also.lines)


def _programme(h: Handout) -> Iterator[str]:
    yield from h.span
    if h.stopped is not None:
        yield from _stopped(h.stopped)
    for box in (h.stop, h.help, *h.cautions):
        yield from _part(box.heading, box.lines)
    yield from _part(h.pain_title, [f"{zone}: {do}" for zone, do in h.pain])
    yield from h.pain_lines
    for group in (h.changed, h.goals, h.fetch):
        if group is not None:
            yield from _part(group.heading, group.lines)
    if h.order:
        steps = [f"{i}. {s.what}: {s.time}" for i, s in enumerate(h.order, 1)]
        yield from _part(h.order_title, steps, "")
        yield from filter(None, (h.order_first, h.order_total, *h.order_apart))
    for panel in h.panels:
        yield from _part(f"{panel.number}. {panel.title}", (panel.setting,), "")
        for foot in panel.feet:
            yield from _part(foot.heading, (*foot.dose, *foot.sizes))
        for group in panel.parts:
            yield from _part(group.heading, group.lines)
    yield from _diary(h.diary)


def _diary(diary: Diary) -> Iterator[str]:
    """Each week with the days on which a row is planned; the next mornings without days."""
    yield from _part(diary.title, (*diary.lines, diary.example))
    yield from (diary.low, diary.high)
    for week in diary.weeks:
        planned = []
        for row, due in zip(diary.rows, week.due, strict=True):
            days = (
                f"{name} {day} __" for (name, day), on in zip(week.days, due, strict=True) if on
            )
            planned.append(f"{row}: {', '.join(days)}")
        yield from _part(week.heading, [*planned, *(f"{row}: __" for row in diary.mornings)])


# ------------------------------------------------------------------ how hard it is to read


def reading_of(sheet: Handout | NotNow) -> ReadingScore | None:
    """How hard the sheet is to read; None for a language that the formulas were not made for.

    Parameters
    ----------
    sheet : Handout or NotNow
        The sheet; headings, the diary's grid and text that is not ours are not scored.
    """
    if sheet.language != "en":
        return None
    return score("\n".join(running_text(sheet)), load_syllables())


def running_text(sheet: Handout | NotNow) -> Iterator[str]:
    """Every line of our own that is read as a sentence, in the order of the page."""
    if isinstance(sheet, Handout):
        yield from _sentences(sheet)
    else:
        yield from _told(sheet.stopped)
        yield from (*sheet.call.lines, *sheet.then)
    yield from (*sheet.small.lines, sheet.old_reminders, *sheet.footer)


def _told(stopped: Stopped) -> Iterator[str]:
    for notice in stopped.notices:
        for finding in notice.findings:
            yield from filter(None, (finding.what, finding.why, finding.do))
        yield from notice.lines
    for group in stopped.until:
        yield from group.lines


def _sentences(h: Handout) -> Iterator[str]:
    yield from h.span
    if h.stopped is not None:
        yield from _told(h.stopped)
    for box in (h.stop, h.help, *h.cautions):
        yield from box.lines
    yield from (f"{zone}: {do}" for zone, do in h.pain)
    yield from h.pain_lines
    if h.fetch is not None:
        yield from h.fetch.lines
    yield from filter(None, (h.order_first, h.order_total, *h.order_apart))
    for panel in h.panels:
        for foot in panel.feet:
            yield from (*foot.dose, *foot.sizes)
        for group in panel.parts:
            yield from group.lines
    yield from (*h.diary.lines, h.diary.example)
