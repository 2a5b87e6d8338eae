"""Tell the twelve weeks of each invented person as a story, with charts.

Run it as ``python docs/gallery/stories.py``; a test checks that the files are what it writes. What
was done and answered is scripted in ``stories.toml``; what was advised is what the code advises.
"""

from __future__ import annotations

import runpy
import tempfile
import tomllib
from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from functools import cache
from html import escape
from itertools import pairwise
from pathlib import Path
from statistics import fmean
from textwrap import wrap
from typing import Any

from rungwise.clinic import open_book
from rungwise.core.change import Change, known_error
from rungwise.core.errors import InputError
from rungwise.core.evidence import Evidence, printed
from rungwise.core.forecast import Forecast, forecast
from rungwise.core.progress import Line
from rungwise.core.series import judge_pain_weeks, judge_series, one_series, week_of
from rungwise.core.terms import Exercise, Measured, Plan, Reason
from rungwise.words import load_words

HERE = Path(__file__).parent
FOLDER = HERE / "stories"
_gallery: dict[str, Any] = runpy.run_path(str(HERE / "make_gallery.py"))
_courses: dict[str, Any] = runpy.run_path(str(HERE / "courses.py"))
Chart, root = _gallery["Chart"], _gallery["root"]
INK, GREY, PALE = _gallery["INK"], _gallery["GREY"], _gallery["PALE"]
BLUE, BROWN = "#0072b2", "#9a5b00"
DAYS, WEEK = _courses["DAYS"], 7
Story = Any  # of courses.py
BEND = "mtp_dorsiflexion_deg"
WEEKS_AHEAD = 4
INVENTED = """**Invented.** No such person, no such diary; it shows what the program advises. The
diary, what was found and what the therapist answered are scripted in
[stories.toml](../stories.toml); everything quoted is what the code says.
"""


@cache
def stories() -> tuple[Story, ...]:
    """Every story, followed through."""
    book = open_book()
    scripts = tomllib.loads((HERE / "stories.toml").read_text("utf-8"))
    with tempfile.TemporaryDirectory() as folder:
        follow = _courses["follow"]
        return tuple(follow(name, told, book, Path(folder)) for name, told in scripts.items())


# ------------------------------------------------------------------ chart: pain day by day

#: When pain is rated -> edge, filling, shape.
MARKS = {
    "before": (INK, "#ffffff", "m-3 0a3 3 0 1 0 6 0a3 3 0 1 0-6 0"),
    "during": (BLUE, BLUE, "m-3-3h6v6h-6z"),
    "morning": (BROWN, BROWN, "m-3.5 3h7l-3.5-6.5z"),
}


def pain_chart(story: Story, book: Evidence) -> str:
    """Pain before, during and next morning, day by day, with the limits of the rule."""
    safe, most = book.value("pain.safe_max"), book.value("pain.acceptable_max")
    paper = story.script["from"] == "paper"
    before = "The paper diary does not ask for pain before." if paper else "Ring: before."
    chart = Chart(
        f"Pain of the {story.side} foot, day by day",
        "week (each line: a visit)",
        "pain 0 to 10",
        (
            f"Square: during, the highest of the day. Triangle: next morning. {before}",
            "A gap is days without an entry; nothing is filled in. Invented diary.",
        ),
        (0, DAYS),
        (0, 10),
        (),
        range(11),
        left=52,
        width=672,
        height=270,
        top=84,
    )
    for week in range(DAYS // WEEK):
        a, b = chart.at(WEEK * week + WEEK / 2, 0)
        chart.text(a, b + 18, str(week + 1), 12, "middle", GREY)
    for visit in story.visits:
        a, b = chart.at(visit.day, 10)
        chart.stroke([(a, b - 4), chart.at(visit.day, 0)], GREY, 0.8, "2 3")
        chart.text(min(a, chart.left + chart.width - 4), b - 8, f"d{visit.day}", 11, "middle", GREY)
    for limit, words, dashes in (
        (safe, f"to {safe:g}: fine", "8 4"),
        (most, f"over {most:g}: too much", ""),
    ):
        chart.stroke([chart.at(0, limit), chart.at(DAYS, limit)], INK, 1.5, dashes)
        a, b = chart.at(DAYS, limit)
        chart.text(a + 8, b + 4, words, 12)
    a, b = chart.at(DAYS, (safe + most) / 2)
    chart.text(a + 8, b - 2, "between: more", 12, ink=GREY)
    chart.text(a + 8, b + 13, "of it, not harder", 12, ink=GREY)
    for x, kind, words in (
        (150, "before", "before"),
        (220, "during", "during"),
        (294, "morning", "next morning"),
    ):
        if paper and kind == "before":
            continue
        ink, fill, path = MARKS[kind]
        chart.marks.append(f'<path d="M{x} 54{path}" fill="{fill}" stroke="{ink}"/>')
        chart.text(x + 8, 58, words, 12)
    marks: dict[str, list[str]] = {"before": [], "during": [], "morning": []}
    for day, pain in story.pains.items():
        for kind, later in (("before", 0.15), ("during", 0.5), ("morning", 0.9)):
            value = getattr(pain, kind)
            if value is not None:
                x, y = chart.at(day + later, value)
                marks[kind].append(f"M{x:.0f} {y:.0f}{MARKS[kind][2]}")
    for kind, (ink, fill, _) in MARKS.items():
        if marks[kind]:
            chart.marks.append(f'<path d="{"".join(marks[kind])}" fill="{fill}" stroke="{ink}"/>')
    return str(chart.svg(130))


# ------------------------------------------------------------------ chart: the steps

LANE, NAME, WIDTH = 80, 116, 714
SHAPES = {
    "up": "m-5 4h10l-5-9z",
    "down": "m-5-4h10l-5 9z",
    "same": "m-5-3h10v2h-10zm0 5h10v2h-10z",
    "stop": "m-5-5h10v10h-10z",
    "anew": "m0-6 6 6-6 6-6-6z",
    "wait": "m-5-1h4v2h-4zm6 0h4v2h-4z",
}
Key = tuple[str, str]
#: Reasons for a step that was taken back afterwards.
RAISING = ("progress.calm", "progress.sore_but_usual")
#: After these nothing more is drawn of a line.
OVER = ("stop", "joined", "end")
#: Dials whose notches are parts of the bend that is there, and what they are parts of.
SHARES = {"cloth": "bend on cloth", "height": "height", "reach": "bend"}
PARTS = ("half", "three quarters", "full")


def key_of(e: Exercise) -> Key:
    """Family and foot of a line."""
    return e.family, "both" if e.both else e.side


def where(key: Key) -> str:
    """Foot in words."""
    return "both feet" if key[1] == "both" else f"{key[1]} foot"


def title_of(family: str) -> str:
    """Name of a family as the patient reads it."""
    return load_words("en").say(f"exercise.{family}.title")


def short_dose(e: Exercise) -> str:
    """A dose in few signs."""
    dose = e.dose
    if e.family == "walking":
        return f"{dose.days_per_week} days a week"
    return f"{dose.sets} × {dose.reps}, {dose.hold_s:g} s"


def notches(e: Exercise) -> list[str]:
    """Notches of an exercise as words."""
    return [_notch(dial, notch.replace("_", " ")) for dial, notch in e.fitted.rung.notches]


def _notch(dial: str, notch: str) -> str:
    if dial == "minutes":
        return f"{notch} minutes"
    return f"{notch} {SHARES[dial]}" if dial in SHARES and notch in PARTS else notch


def weight(e: Exercise) -> tuple[int, int]:
    """How far an exercise has come: the notches first, then the dose."""
    return sum(e.fitted.rung.places), e.dose_step


def moves(story: Story) -> dict[Key, list[tuple[int, str, list[str]]]]:
    """For each line of the plan: day, what became of it, and what to write there."""
    found: dict[Key, list[tuple[int, str, list[str]]]] = {}
    now: dict[Key, Exercise] = {}
    for visit in story.visits:
        if visit.then == "wait":
            for line in visit.decision.lines:
                found[key_of(line.exercise)].append((visit.day, "wait", [line.outcome]))
            continue
        new = now if visit.then == "end" else {key_of(e): e for e in visit.plan.exercises}
        for key in {**now, **new}:
            old, after = now.get(key), new.get(key)
            lane = found.setdefault(key, [])
            if visit.then == "end":
                lane.append((visit.day, "end", []))
            elif old is None and after is not None:
                lane.append((visit.day, "anew", _all_of(after)))
            elif after is None:
                goes_on = [where(one) for one in new if one[0] == key[0] and one not in now]
                told = ["from here on", f"with {goes_on[0]}"] if goes_on else ["stopped"]
                lane.append((visit.day, "joined" if goes_on else "stop", told))
            elif old is not None and visit.then == "anew":
                lane.append((visit.day, "anew", _all_of(after)))
            elif old is not None:
                lane.append((visit.day, *_move(old, after)))
        now = new
    return found


def _all_of(e: Exercise) -> list[str]:
    """A setting in lines that are short enough to stand between two visits."""
    return [*wrap(", ".join(notches(e)), 18), short_dose(e)]


def _move(old: Exercise, new: Exercise) -> tuple[str, list[str]]:
    """What became of a line from one version to the next."""
    turned = [b for a, b in zip(notches(old), notches(new), strict=True) if a != b]
    if not turned and old.dose_step == new.dose_step:
        return "same", []
    told = [*turned, short_dose(new)] if turned else [short_dose(new)]
    return ("up" if weight(new) > weight(old) else "down"), told


def steps_chart(story: Story) -> str:
    """Rung and dose of each line over the weeks: up, same, down, stop by shape and word."""
    lanes = moves(story)
    high = 84 + LANE * len(lanes) + 66
    wide = NAME + WIDTH + 30
    title = "The steps of each exercise over the weeks"
    caption = (
        "The line goes up with each step harder and down with each step easier; only what "
        "changed is written. Where it ends, the exercise was stopped or the story ends."
    )
    out = [
        root(wide, high, f'role="img" width="{wide}" height="{high}"'),
        f"<title>{title}</title>",
        f"<desc>{escape(caption)}</desc>",
        f'<rect width="{wide}" height="{high}" fill="#ffffff"/>',
        _text(20, 30, title, 17),
    ]
    x = 20.0
    for kind, word in (
        ("anew", "set anew"), ("up", "up"), ("same", "same"), ("down", "down"), ("stop", "stop"),
        ("wait", "advised only"),
    ):  # fmt: skip
        out += [_shape(kind, x + 6, 50), _text(x + 17, 54, word, 12)]
        x += 40 + 8 * len(word)
    for visit in story.visits:
        a = NAME + WIDTH * visit.day / DAYS
        end = 84 + LANE * len(lanes)
        out.append(f'<path d="M{a:.0f} 78V{end}" stroke="{PALE}"/>')
        out.append(_text(a, 74, f"d{visit.day}", 11, GREY, "middle"))
    for row, (key, lane) in enumerate(lanes.items()):
        top = 84 + LANE * row
        if row % 2 == 0:
            band = f'<rect x="12" y="{top}" width="{wide - 24}" height="{LANE}" fill="#f3f3f3"/>'
            out.insert(5, band)
        out += [
            _text(20, top + 34, title_of(key[0]), 13),
            _text(20, top + 50, where(key), 12, GREY),
        ]
        out += _lane(lane, top)
    foot = 84 + LANE * len(lanes)
    out += [
        _text(NAME + WIDTH / 2, foot + 20, "day of the visit", 13, INK, "middle"),
        _text(20, foot + 42, caption.partition("; ")[0] + ".", 12, GREY),
        _text(20, foot + 58, "O" + caption.partition("; ")[2][1:], 12, GREY),
        "</svg>\n",
    ]
    return "\n".join(out)


def _lane(lane: Sequence[tuple[int, str, list[str]]], top: float) -> Iterator[str]:
    """One line of the plan: its steps, shapes, and what changed."""
    level, levels = 0, []
    for _, kind, _ in lane:
        level = 0 if kind == "anew" else level + {"up": 1, "down": -1}.get(kind, 0)
        levels.append(level)
    low, high = min(levels), max(levels)
    unit = min(9.0, 26 / max(high - low, 1))
    ys = [top + LANE - 14 - unit * (one - low) for one in levels]
    xs = [NAME + WIDTH * day / DAYS for day, *_ in lane]
    for (before, after), (x, to), (y, then) in zip(
        pairwise(kind for _, kind, _ in lane), pairwise(xs), pairwise(ys), strict=True
    ):
        if before in OVER:
            continue
        dashed = ' stroke-dasharray="3 4"' if before == "wait" else ""
        rise = f"V{then:.1f}" if after in ("up", "down") else ""
        path = f'd="M{x:.0f} {y:.1f}H{to:.0f}{rise}" fill="none"'
        yield f'<path {path} stroke="{BLUE}" stroke-width="2.2"{dashed}/>'
    for (_, kind, told), x, y in zip(lane, xs, ys, strict=True):
        if kind in SHAPES:
            yield _shape(kind, x, y)
        lines = told
        if kind == "wait":
            lines = [f"advised: {told[0]},", "nobody answers"]
        elif kind in ("up", "down", "same"):
            lines = [f"{kind}: {told[0]}" if told else kind, *told[1:]]
        low = 12 if kind in OVER else 0
        for line, words in enumerate(lines):
            yield _text(x + 9, y + low - 8 - 12 * (len(lines) - 1 - line), words, 10.5)


def _shape(kind: str, x: float, y: float) -> str:
    return f'<path d="M{x:.0f} {y:.1f}{SHAPES[kind]}" fill="{INK}"/>'


def _text(
    x: float, y: float, words: str, size: float = 13, ink: str = INK, anchor: str = "start"
) -> str:
    place = f'x="{x:.0f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}"'
    return f'<text {place} fill="{ink}">{escape(words)}</text>'


# ------------------------------------------------------------------ chart: the bend and its trend


def readings(story: Story) -> list[Measured]:
    """The mean bend of each day that was measured; none from before a first programme."""
    begun = next(visit.day for visit in story.visits if visit.plan.exercises)
    first = story.first + timedelta(days=begun)
    return [
        Measured(
            BEND,
            fmean(float(one.found.value) for one in group),
            group[0].found.on,
            story.side,
            group[0].found.method,
            group[0].found.instrument,
            group[0].found.zero,
        )
        for group in story.bends
        if group and group[0].found.on >= first
    ]


def looked_ahead(story: Story, book: Evidence) -> list[tuple[Measured, Forecast]]:
    """What was known on each day with a reading, from the first day that allows it."""
    found = readings(story) if any(v.plan.exercises for v in story.visits) else []
    least = int(book.value("trend.readings_min"))
    known = []
    for count in range(least, len(found) + 1):
        last = found[count - 1]
        error = known_error(BEND, book, last.method, last.instrument)
        ahead = [last.on + timedelta(days=WEEK * (week + 1)) for week in range(WEEKS_AHEAD)]
        if error is not None:
            told = forecast(found[:count], error.sem, book, "higher", dates=ahead)
            if isinstance(told, Forecast):
                known.append((last, told))
    return known


def trend_chart(story: Story, book: Evidence) -> str:
    """Readings of the bend, what they told on each day, and what they let one expect."""
    known = looked_ahead(story, book)
    found, (_, last) = readings(story), known[-1]
    wide = last.fan.bands[-1]
    spread = [
        (story.first, told.fan.bands[-1].low[0], told.fan.bands[-1].high[0]) for _, told in known
    ]
    values = [float(one.value) for one in found]
    low = min(*values, *wide.low, *(one[1] for one in spread))
    high = max(*values, *wide.high, *(one[2] for one in spread))
    sure = wide.probability_pct
    error = printed(round(_sem(found[0], book), 1), "deg")
    low, high = 5 * (int(low) // 5), 5 * (int(high) // 5 + 1)
    chart = Chart(
        f"Bend of the {story.side} big toe, as measured and as far as it is known",
        "days since the first visit",
        "bend, passive, not bearing weight [°]",
        (
            f"Ring: mean of a day's readings. Bar: where the true bend lay ({sure:g} %) that day,",
            "told from the readings so far; none before the fourth. Fan: what they let one expect,",
            f"50, 80 and 95 %. One reading errs by {error} (standard error).",
        ),
        (0, DAYS + WEEK * WEEKS_AHEAD),
        (low, high),
        range(0, DAYS + WEEK * WEEKS_AHEAD + 1, 14),
        range(low, high + 1, 5 if high - low < 45 else 10),
        left=52,
        width=672,
        height=270,
        top=84,
    )

    def place(on: date, value: float) -> tuple[float, float]:
        point: tuple[float, float] = chart.at((on - story.first).days, value)
        return point

    for shade, band in zip(
        ("#e6eef4", "#cbdfec", "#a9cbe0"), reversed(last.fan.bands), strict=True
    ):
        edge = [place(d, v) for d, v in zip(last.fan.dates, band.high, strict=True)]
        edge += [place(d, v) for d, v in reversed(list(zip(last.fan.dates, band.low, strict=True)))]
        path = "L".join(f"{x:.0f} {y:.1f}" for x, y in edge)
        chart.marks.append(f'<path d="M{path}z" fill="{shade}" stroke="none"/>')
        x, y = edge[WEEKS_AHEAD]
        chart.text(x + 6, y + 8, f"{band.probability_pct:g} %", 11, ink=GREY)
    middle = [place(d, v) for d, v in zip(last.fan.dates, last.fan.median, strict=True)]
    chart.stroke(middle, INK, 1.6, "6 4")
    for one, told in known:
        band = told.fan.bands[-1]
        ends = [place(one.on, band.low[0]), place(one.on, band.high[0])]
        chart.stroke(ends, BLUE, 2.0)
        for x, y in ends:
            chart.stroke([(x - 6, y), (x + 6, y)], BLUE, 2.0)
        x, y = place(one.on, told.value)
        chart.stroke([(x - 6, y), (x + 6, y)], BLUE, 3.0)
    for one in found:
        chart.dot((one.on - story.first).days, float(one.value))
    return str(chart.svg(60))


def _sem(one: Measured, book: Evidence) -> float:
    error = known_error(BEND, book, one.method, one.instrument)
    return 0.0 if error is None else error.sem.value


# ------------------------------------------------------------------ the outcome


def changes(story: Story, book: Evidence) -> list[tuple[str, str, Change]]:
    """What changed from the first readings to the last: what, how it was read, and the verdict."""
    found: list[tuple[str, str, Change]] = []
    days = (
        {one.on for one in readings(story)} if any(v.plan.exercises for v in story.visits) else ()
    )
    groups = [
        one_series(group, book) for group in story.bends if group and group[0].found.on in days
    ]
    if len(groups) > 1:
        what = f"bend of the {story.side} big toe"
        found.append((what, "one day of readings each", judge_series(groups[0], groups[-1], book)))
    rated = {
        story.first + timedelta(days=day): float(pain.during)
        for day, pain in story.pains.items()
        if pain.during is not None
    }
    if rated:
        try:
            weeks = [
                week_of(rated, end, book) for end in (min(rated) + timedelta(days=6), max(rated))
            ]
        except InputError:
            return found
        told = f"mean of {weeks[0].days} and {weeks[1].days} rated days"
        what = f"pain during exercise, {story.side} foot, first and last week"
        found.append((what, told, judge_pain_weeks(weeks[0], weeks[1], book)))
    return found


def outcomes(story: Story) -> list[str]:
    """Every outcome that was advised, in order."""
    return [
        line.outcome for visit in story.visits if visit.decision for line in visit.decision.lines
    ]


# ------------------------------------------------------------------ the page


def page(story: Story, book: Evidence) -> str:
    """The story as Markdown."""
    script, name = story.script, story.name
    told = [
        "<!-- written by docs/gallery/stories.py; do not edit -->\n",
        f"# {script['title']}\n",
        INVENTED,
        f"{script['about']}\n",
    ]
    if story.pains:
        alt = (
            f"Pain of the {story.side} foot before, during and the morning after, over twelve weeks"
        )
        told.append(f"![{alt}]({name}-pain.svg)\n")
        told.append(f"![Steps of each exercise over twelve weeks]({name}-steps.svg)\n")
    for before, visit in pairwise((None, *story.visits)):
        if before is not None and before.day < visit.day:
            told += _between(story, before.day, visit.day)
        told += _visit(story, visit)
    told += _end(story, book)
    return "\n".join(told)


def _between(story: Story, start: int, end: int) -> Iterator[str]:
    """What the diary says of the days between two visits."""
    weeks = f"Days {start} to {end - 1}" if end > start + 1 else f"Day {start}"
    rated = [pain for day, pain in story.pains.items() if start <= day < end]
    if not rated:
        yield f"*{weeks}: nothing in the diary.*\n"
        return
    during = [pain.during for pain in rated if pain.during is not None]
    morning = [pain.morning for pain in rated if pain.morning is not None]
    yield (
        f"*{weeks}: {len(rated)} days with exercise; pain of the {story.side} foot during "
        f"{_range(during)}, next morning {_range(morning)}.*\n"
    )


def _range(values: Sequence[int]) -> str:
    if not values:
        return "not rated"
    low, high = min(values), max(values)
    return str(low) if low == high else f"{low} to {high}"


def _visit(story: Story, visit: Any) -> Iterator[str]:
    on = (story.first + timedelta(days=visit.day)).isoformat()
    yield f"## Day {visit.day} ({on})\n"
    if visit.day:
        yield f"{visit.says}\n"
    if visit.decision is None:
        yield from _start(visit.plan)
    else:
        yield from _advice(visit)
    if visit.then == "wait":
        yield "Nothing goes home.\n"
    elif visit.then == "anew" and visit.decision is not None:
        yield from _start(visit.plan)
    if visit.patient:
        yield "What the patient reads:\n"
        yield "\n".join(f"> {line}  " for line in visit.patient) + "\n"


def _start(plan: Plan) -> Iterator[str]:
    """A plan made from an examination: what is on it, or why nothing is."""
    if plan.exercises:
        yield "Examined, screened, and a plan is made:\n"
        for e in plan.exercises:
            what = f"{title_of(e.family)}, {where(key_of(e))}"
            yield f"- {what}: {', '.join(notches(e))}; {short_dose(e)}"
        yield ""
        yield from _waits(plan)
        return
    yield "Examined and screened: **no exercises at home.** Why:\n"
    flags = [flag for side in ("right", "left") for flag in plan.screening.of(side).flags]
    said = [f"{flag.reason.says} {flag.do}" for flag in flags if flag.level != "caution"]
    said += [no.reason.says for no in plan.refused if no.what == "programme"]
    for one in dict.fromkeys(said):
        yield f"- “{one}”"
    yield ""


def _waits(plan: Plan) -> Iterator[str]:
    """Which foot has none of it, and why."""
    said = [no.reason.says for no in plan.refused if no.what == "programme"]
    if said:
        flags = [flag for side in ("right", "left") for flag in plan.screening.of(side).flags]
        said += [f"{f.reason.says} {f.do}" for f in flags if f.level != "caution"]
        yield "\n".join(f"- “{one}”" for one in dict.fromkeys(said)) + "\n"


def _advice(visit: Any) -> Iterator[str]:
    """What was advised, why, and what the therapist said."""
    decision = visit.decision
    yield "| Exercise | Foot | Now | Advice | The therapist |"
    yield "|---|---|---|---|---|"
    for line in decision.lines:
        key = key_of(line.exercise)
        said = visit.answers.get(".".join(key), "accept")
        if visit.then in ("wait", "end"):
            said = "–"
        elif visit.then == "anew":
            said = "plan made anew"
        now = f"{', '.join(notches(line.exercise))}; {short_dose(line.exercise)}"
        yield f"| {title_of(key[0])} | {where(key)} | {now} | **{line.outcome}** | {said} |"
    yield "\nWhy, in the program's words:\n"
    groups: dict[tuple[str, ...], list[Line]] = {}
    for line in decision.lines:
        groups.setdefault(tuple(_why(line)), []).append(line)
    for why, lines in groups.items():
        names = "; ".join(
            f"{title_of(line.exercise.family)}, {where(key_of(line.exercise))}" for line in lines
        )
        yield f"- {names}: " + " ".join(f"“{says}”" for says in why)
    yield ""
    if decision.calls:
        yield "Whom to call:\n"
        yield from (f"- “{says}”" for says in _once(decision.calls))
        yield ""
    if decision.notes:
        yield from (f"- How an entry was read: “{says}”" for says in _once(decision.notes))
        yield ""


def _why(line: Line) -> list[str]:
    """The first reason, and what changes; where nothing does, the second reason."""
    rest = line.reasons[1:]
    if line.step:
        more = [one for one in rest if one.rule.startswith("progress.step_")]
    else:
        more = [one for one in rest if one.rule not in RAISING and "step_" not in one.rule]
    first = line.reasons[0].says
    return [first, *(one.says for one in more[:1] if one.says not in first)]


def _once(reasons: Sequence[Reason]) -> list[str]:
    return list(dict.fromkeys(reason.says for reason in reasons))


def _end(story: Story, book: Evidence) -> Iterator[str]:
    """How it ended, in numbers with their error."""
    yield "## After twelve weeks\n"
    first, last = story.exams[0], story.exams[-1]
    if "ends" in story.script:
        yield f"{story.script['ends']}\n"
    for before, after in zip(first.activities, last.activities, strict=True):
        reached = "reached" if after.rating >= after.target else "not reached yet"
        by = f" by {after.by}" if after.by else ""
        yield (
            f"- “{after.name}”: {before.rating:g} at first, {after.rating:g} now; the goal of "
            f"{after.target:g}{by} is **{reached}**."
        )
    for what, how, change in changes(story, book):
        verdict = change.verdict
        yield f"- {what[0].upper()}{what[1:]} ({how}): **{verdict}**."
        yield from (f"  - “{reason.says}”" for reason in change.reasons)
    counted = outcomes(story)
    if counted:
        told = ", ".join(
            f"{word} {counted.count(word)}" for word in ("up", "same", "down", "stop and call")
        )
        yield f"- Lines advised over all visits: {told}."
    known = looked_ahead(story, book)
    yield ""
    if known:
        yield f"![Bend with what is known of it and what to expect]({story.name}-bend.svg)\n"
        for reason in known[-1][1].reasons:
            yield f"- “{reason.says}”"
        yield ""


# ------------------------------------------------------------------ all of it


def files() -> dict[str, str]:
    """Every file of the stories: name -> text."""
    book = open_book()
    made: dict[str, str] = {}
    for story in stories():
        made[f"{story.name}.md"] = page(story, book)
        if story.pains:
            made[f"{story.name}-pain.svg"] = pain_chart(story, book)
            made[f"{story.name}-steps.svg"] = steps_chart(story)
        if looked_ahead(story, book):
            made[f"{story.name}-bend.svg"] = trend_chart(story, book)
    made["README.md"] = index()
    return made


def index() -> str:
    """The page that leads to each story."""
    lines = [
        "<!-- written by docs/gallery/stories.py; do not edit -->\n",
        "# Twelve weeks of seven invented people\n",
        "Made by the code as it is: `python docs/gallery/stories.py`. A test checks that the files",
        "are what it writes.\n",
    ]
    lines += [f"- [{story.script['title']}]({story.name}.md)" for story in stories()]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the stories."""
    FOLDER.mkdir(exist_ok=True)
    for name, text in files().items():
        (FOLDER / name).write_text(text, "utf-8")


if __name__ == "__main__":
    main()
