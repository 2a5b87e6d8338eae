"""The diary: what was done at home and how it felt; entering a log code or the paper sheet."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any, ClassVar

from rungwise.casebook import (
    Call,
    HomePlan,
    OnTheWay,
    Shown,
    Taken,
    diary_chart,
    diary_ratings,
    read_sheet,
)
from rungwise.casebook_in import log_codes, read_file, take_codes
from rungwise.core.errors import Fault, InputError
from rungwise.core.terms import SIDES
from rungwise.web.because import Because, because, exercise_words
from rungwise.web.page import At, Go, Page, Visit, told

__all__ = ["ROUTES"]

WEEK, TWO_WEEKS = 7, 14
#: Days of the diary that are shown at once; the others are a click away.
AT_ONCE = 8 * WEEK
#: A log code of many weeks is a few thousand letters; a picture of one up to 20 MB.
CODE_MAX, UPLOAD_MAX = 20_000, 21_000_000


@dataclass(frozen=True)
class Chart:
    """A chart and what it shows in words."""

    svg: str
    alt: str


@dataclass(frozen=True)
class Did:
    """One exercise on one day, in words.

    Parameters
    ----------
    what : str
        Exercise and foot.
    done : str
        How much of it, and why not all.
    before, during, morning : str
        Pain 0-10; a dash when it was not told.
    marks : tuple of str
        Sharp pain, new warning sign, outside the plan, entered more than once.
    alarms : bool
        Whether it calls for a look.
    """

    what: str
    done: str
    before: str
    during: str
    morning: str
    marks: tuple[str, ...]
    alarms: bool


@dataclass(frozen=True)
class Day:
    """One day of the diary."""

    on: str
    did: tuple[Did, ...]


@dataclass(frozen=True)
class Cell:
    """One box of the paper form.

    Parameters
    ----------
    id : str
        Name of its field: row and day.
    name : str
        Row and day in words.
    value : str
        What was typed.
    open : bool
        Whether the day may be entered: it is in the plan and not to come.
    """

    id: str
    name: str
    value: str
    open: bool


@dataclass(frozen=True)
class SheetRow:
    """One row of a week: its name as on the sheet, and its boxes."""

    name: str
    cells: tuple[Cell, ...]
    ticks: bool = False


@dataclass(frozen=True)
class SheetWeek:
    """One week of the paper form: heading, days, rows."""

    heading: str
    days: tuple[str, ...]
    rows: tuple[SheetRow, ...]


@dataclass(frozen=True)
class Span:
    """A two-week sheet that may be chosen."""

    key: str
    name: str
    here: bool


@dataclass(frozen=True, kw_only=True)
class Diary(Page):
    """The diary of a person, and the ways to enter one."""

    template: ClassVar[str] = "diary.html"
    url: str = told("Where the forms are sent to.")
    advice: str = told("Where the advice stands.")
    programme: str = told("Where the programme stands.")
    followed: bool = told("Whether there is a programme to follow.")
    charts: tuple[Chart, ...] = told("One chart for each foot with a rating.")
    days: tuple[Day, ...] = told("The days, the newest first.")
    parts: tuple[Span, ...] = told("Parts of a long diary that may be chosen, the newest first.")
    notes: tuple[Because, ...] = told("How entries were read that were not plain.")
    taken: str = told("What was taken in just now; empty when nothing was.", "")
    calls: tuple[str, ...] = told("Why the patient must be called, from what was taken in.", ())
    outside: tuple[str, ...] = told("Days taken in that are outside the plan.", ())
    weeks: tuple[SheetWeek, ...] = told("The paper form, week by week.", ())
    spans: tuple[Span, ...] = told("The sheets that may be chosen.", ())
    sheet: str = told("Which sheet the paper form shows: version and first day.", "")
    code: str = told("The log code as it was pasted, when it was refused.", "")
    bad_code: tuple[Fault, ...] = told("Why the log code was refused.", ())


def diary(visit: Visit) -> Page:
    """Show the diary; what was taken in just now is told once."""
    assert visit.session is not None
    told_now = json.loads(visit.session.held.pop("taken", "{}"))
    return _page(visit, visit.casebook.way(visit.who, visit.path["person"]), told_now=told_now)


def take_code(visit: Visit) -> Page | Go:
    """Take in log codes: pasted, as a text file, or from a picture of their QR codes."""
    text, person = visit.typed("code"), visit.path["person"]
    try:
        if not text:
            text = read_file(visit.files.get("file", b""), "log code").strip()
        taken = take_codes(visit.casebook, visit.who, person, log_codes(text))
    except InputError as error:
        way = visit.casebook.way(visit.who, person)
        return _page(visit, way, code=text[:CODE_MAX], bad_code=error.faults, status=422)
    return _told_of(visit, *taken)


def take_paper(visit: Visit) -> Page | Go:
    """Take in the boxes of the paper form."""
    person = visit.path["person"]
    way = visit.casebook.way(visit.who, person)
    home, _ = _sheet_of(way, visit.typed("sheet"))
    if home is None:
        return _page(visit, way)
    boxes, sharp, signs = _boxes(visit.form)
    numbers = [str(n) for n in range(1, len(home.lines) + 1)]
    marked = {
        (row, day)
        for day in sharp
        for row in ([r for r in numbers if boxes.get((r, day), "").strip()] or numbers[:1])
    }
    try:
        sessions = read_sheet(boxes, home, marked, signs)
        taken = visit.casebook.take_paper(visit.who, person, sessions, home.version)
    except InputError as error:
        faults = tuple(dict.fromkeys(replace(f, field=_cell_of(f.field)) for f in error.faults))
        return _page(visit, way, faults=faults, typed=visit.form, status=422)
    return _told_of(visit, taken)


def _cell_of(field: str) -> str:
    """The box of a fault: its row and day, without the column."""
    return ".".join(field.split(".")[:2])


def _told_of(visit: Visit, *taken: Taken) -> Go:
    """Go back to the diary, which tells once what was taken in."""
    assert visit.session is not None
    outside = sorted({on for one in taken for on in one.outside})
    told = {
        "taken": visit.say("diary.taken", days=len({on for one in taken for on in one.days})),
        "calls": [_call(visit, call) for one in taken for call in one.calls],
        "outside": [visit.say.day(on) for on in outside],
    }
    visit.session.held["taken"] = json.dumps(told)
    return Go(f"/people/{visit.path['person']}/diary")


def _boxes(
    form: Mapping[str, Sequence[str]],
) -> tuple[dict[tuple[str, date], str], set[date], set[date]]:
    """Boxes by row and day, days with a sharp pain, days with a new sign, from the fields."""
    boxes: dict[tuple[str, date], str] = {}
    ticked: dict[str, set[date]] = {"sharp": set(), "sign": set()}
    for name, values in form.items():
        row, _, day = name.partition(".")
        try:
            on = date.fromisoformat(day)
        except ValueError:
            continue
        if row in ticked:
            ticked[row].add(on)
        elif row.isdigit() or row in SIDES:
            boxes[row, on] = values[-1]
    return boxes, ticked["sharp"], ticked["sign"]


# ------------------------------------------------------------------ what is shown


def _page(
    visit: Visit,
    way: OnTheWay,
    *,
    told_now: Mapping[str, Any] | None = None,
    faults: Sequence[Fault] = (),
    typed: Mapping[str, Sequence[str]] | None = None,
    code: str = "",
    bad_code: Sequence[Fault] = (),
    status: int = 200,
) -> Diary:
    say, found, today = visit.say, way.found, visit.casebook.today()
    url = f"/people/{found.id}"
    shown, parts = _part(visit, way.shown)
    asked = visit.typed("sheet") or visit.query.get("sheet", "")
    home, first = _sheet_of(way, asked)
    notes = () if way.opened is None else way.opened.course.notes
    news = told_now or {}
    return Diary(
        title=say("diary.title"),
        person=visit.person_bar(found, "diary"),
        url=f"{url}/diary",
        advice=f"{url}/advice",
        programme=f"{url}/programme",
        followed=way.opened is not None,
        charts=tuple(_charts(visit, way, shown, today)),
        days=_days(visit, shown),
        parts=parts,
        notes=because(way.book, notes),
        taken=news.get("taken", ""),
        calls=tuple(news.get("calls", ())),
        outside=tuple(news.get("outside", ())),
        weeks=_weeks(visit, home, first, today, typed or {}) if home else (),
        spans=tuple(_spans(visit, way, home, first)),
        sheet=f"{home.version}:{first}" if home else "",
        code=code,
        bad_code=tuple(bad_code),
        faults=tuple(faults),
        status=status,
    )


def _part(visit: Visit, shown: Sequence[Shown]) -> tuple[Sequence[Shown], tuple[Span, ...]]:
    """The weeks that are asked for, the newest by default, and all that may be chosen."""
    if not shown or shown[-1].on - shown[0].on < timedelta(days=AT_ONCE):
        return shown, ()
    first, last = shown[0].on, shown[-1].on
    ends = [last - timedelta(days=back) for back in range(0, (last - first).days + 1, AT_ONCE)]
    asked = visit.query.get("until", "")
    here = next((end for end in ends if str(end) == asked), last)
    starts = {end: max(first, end - timedelta(days=AT_ONCE - 1)) for end in ends}
    day = visit.say.day
    spans = tuple(
        Span(
            str(end),
            visit.say("diary.part", first=day(starts[end]), last=day(end)),
            end == here,
        )
        for end in ends
    )
    return [one for one in shown if starts[here] <= one.on <= here], spans


def _call(visit: Visit, call: Call) -> str:
    say = visit.say
    what = exercise_words(say, call.line.family, call.line.side, call.line.both)
    why = (
        "" if call.pain is None else say("diary.call_pain", pain=call.pain, most=call.most),
        say("diary.sharp") if call.sharp else "",
        say("diary.sign") if call.warning else "",
    )
    return f"{say.day(call.on)}, {what}: {', '.join(filter(None, why))}"


def _charts(visit: Visit, way: OnTheWay, shown: Sequence[Shown], today: date) -> list[Chart]:
    say, charts = visit.say, []
    if not way.homes or not shown or not way.exams:
        return []
    first, last = min(one.on for one in shown), max(one.on for one in shown)
    span = (first, max(last + timedelta(days=1), min(today, last + timedelta(days=WEEK))))
    home = way.homes[0]
    for side in SIDES:
        ratings = diary_ratings(shown, side, way.exams)
        rated = [f"{say(f'diary.{when}')}: {_told(by_day)}" for when, by_day in ratings.items()]
        if not any(ratings.values()):
            continue
        title = say("diary.chart", foot=say(f"of.{side}"))
        labels = {
            "title": title,
            "told": f"{title}. {'; '.join(rated)}",
            **{when: say(f"diary.{when}") for when in ratings},
            "safe": say("diary.safe", pain=home.pain_safe),
            "most": say("diary.most", pain=home.pain_most),
            "done": say("diary.done_legend"),
            **{one.line.family: say.name("family", one.line.family) for one in shown},
        }
        limits = (home.pain_safe, home.pain_most)
        svg = diary_chart(shown, side, ratings, span, limits, labels)
        charts.append(Chart(svg, labels["told"]))
    return charts


def _told(by_day: Mapping[date, int]) -> str:
    pains = list(by_day.values())
    return f"{min(pains)}–{max(pains)} ({len(pains)})" if pains else "–"


def _days(visit: Visit, shown: Sequence[Shown]) -> tuple[Day, ...]:
    by_day: dict[date, list[Did]] = {}
    for one in shown:
        by_day.setdefault(one.on, []).append(_did(visit, one))
    return tuple(Day(visit.say.day(on), tuple(by_day[on])) for on in sorted(by_day, reverse=True))


def _did(visit: Visit, one: Shown) -> Did:
    say, e = visit.say, one.entry
    done = say(f"diary.done_{e.done}")
    if e.done == "part" and e.sets:
        done += f" ({say('diary.sets', n=e.sets)})"
    if e.why_not:
        done += f": {say.name('why_not', e.why_not)}"
    marks = [
        say("diary.sharp") if e.sharp else "",
        say("diary.sign") if e.warning else "",
        say("diary.outside") if one.outside else "",
        say("diary.times" if one.alike else "diary.differs", n=one.times) if one.times > 1 else "",
    ]
    before, during, morning = (
        "–" if p is None else str(p) for p in (e.before, e.during, e.morning)
    )
    what = exercise_words(say, one.line.family, one.line.side, one.line.both)
    told_marks = tuple(filter(None, marks))
    alarms = e.sharp or e.warning or not one.alike
    return Did(what, done, before, during, morning, told_marks, alarms)


# ------------------------------------------------------------------ the paper form


def _sheet_of(way: OnTheWay, asked: str) -> tuple[HomePlan | None, date]:
    """The sheet that is asked for, or the one to be typed next: version and its first day."""
    if not way.homes:
        return None, date.min
    version, _, first = asked.partition(":")
    for home in way.homes:
        if str(home.version) == version:
            for start in _starts(home):
                if start.isoformat() == first:
                    return home, start
    home = way.homes[0]
    heard = max((one.on for one in way.shown), default=home.starts)
    begun = [start for start in _starts(home) if start <= heard + timedelta(days=1)]
    return home, begun[-1] if begun else home.starts


def _starts(home: HomePlan) -> list[date]:
    days = (home.ends - home.starts).days + 1
    return [home.starts + timedelta(days=back) for back in range(0, days, TWO_WEEKS)]


def _spans(visit: Visit, way: OnTheWay, home: HomePlan | None, first: date) -> list[Span]:
    found = []
    for one in way.homes:
        for start in _starts(one):
            last = min(start + timedelta(days=TWO_WEEKS - 1), one.ends)
            name = visit.say(
                "diary.span", n=one.version, first=visit.say.day(start), last=visit.say.day(last)
            )
            found.append(Span(f"{one.version}:{start}", name, one is home and start == first))
    return found


def _weeks(
    visit: Visit, home: HomePlan, first: date, today: date, typed: Mapping[str, Sequence[str]]
) -> tuple[SheetWeek, ...]:
    say, weeks = visit.say, []
    feet = [s for s in SIDES if any(x.both or x.side == s for x in home.lines)]
    for back in range(0, TWO_WEEKS, WEEK):
        begins = first + timedelta(days=back)
        days = [begins + timedelta(days=i) for i in range(WEEK)]
        days = [day for day in days if day <= home.ends]
        if not days:
            continue
        rows = [
            (str(n), f"{n}. {exercise_words(say, x.family, x.side, x.both)}")
            for n, x in enumerate(home.lines, 1)
        ]
        rows += [(side, say("diary.morning_row", foot=say(f"of.{side}"))) for side in feet]
        ticks = [("sharp", say("diary.sharp")), ("sign", say("diary.sign"))]

        def cells(key: str, name: str, days: Sequence[date] = tuple(days)) -> tuple[Cell, ...]:
            return tuple(
                Cell(
                    f"{key}.{day}",
                    f"{name}, {_weekday(visit, day)} {say.day(day)}",
                    typed.get(f"{key}.{day}", ("",))[-1],
                    day <= today,
                )
                for day in days
            )

        number = (begins - home.starts).days // WEEK + 1
        heading = say("diary.week", n=number, first=say.day(days[0]), last=say.day(days[-1]))
        weeks.append(
            SheetWeek(
                heading,
                tuple(f"{_weekday(visit, day)} {day.day}" for day in days),
                (
                    *(SheetRow(name, cells(key, name)) for key, name in rows),
                    *(SheetRow(name, cells(key, name), ticks=True) for key, name in ticks),
                ),
            )
        )
    return tuple(weeks)


def _weekday(visit: Visit, day: date) -> str:
    return visit.say(f"weekday.{day.weekday()}")


CODE, PAPER = "/people/{person}/diary#code", "/people/{person}/diary?sheet={sheet}#paper"
ROUTES = (
    At("/people/{person}/diary", diary),
    At("/people/{person}/diary/code", take_code, "POST", "handover", CODE, UPLOAD_MAX),
    At("/people/{person}/diary/paper", take_paper, "POST", "handover", PAPER),
)
