"""The sheet that a patient takes home: built as data, then laid out as PDF or plain text.

`build_handout` takes every number from the plan and every word from the language file; nothing is
worked out again here. Text that is not ours (label, clinic's lines, the patient's own activities)
reaches the page only as data: it is never read as markup.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from rungwise.core.errors import EvidenceError, Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.reading import ReadingScore, score
from rungwise.core.terms import SIDES, Exercise, Plan, Side
from rungwise.draw import draw_pose
from rungwise.words import Words, load_syllables

if TYPE_CHECKING:
    import typst

__all__ = [
    "Diary",
    "Figure",
    "Foot",
    "Handout",
    "Lines",
    "Panel",
    "Step",
    "Week",
    "build_handout",
    "reading_of",
    "to_pdf",
    "to_text",
]

PAPERS = ("a4", "us-letter")
SECTIONS = ("set_up", "safety", "steps", "feel", "slips")
#: Longest text of our own fields that the sheet has room for.
TEXT_MAX = 500
LABEL_MAX = 60
#: Characters that reorder a line or are not characters at all.
_REFUSED = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_ENDLESS = re.compile(r"\S{25,}")
_REFUSED_KINDS = frozenset({"Cc", "Cs", "Co", "Cn", "Zl", "Zp"})


@dataclass(frozen=True)
class Figure:
    """A drawing of the pose from which the numbers came.

    Parameters
    ----------
    name : str
        File name without its ending (``toe_press_right``).
    svg, alt : str
        The drawing, and what it shows in words.
    width_mm, height_mm : float
        Its size [mm].
    caption : str
        The foot, as a word.
    """

    name: str
    svg: str
    alt: str
    width_mm: float
    height_mm: float
    caption: str


@dataclass(frozen=True)
class Foot:
    """Numbers of one panel for one foot, or for both when they are equal.

    Parameters
    ----------
    heading : str
        Which foot, as a word.
    dose, sizes : tuple of str
        How much, and the sizes to set, numbers first.
    """

    heading: str
    dose: tuple[str, ...]
    sizes: tuple[str, ...]


@dataclass(frozen=True)
class Lines:
    """A heading and its lines.

    Parameters
    ----------
    kind : str
        What it is (``set_up``, ``steps``, ``feel``, ``slips``, ``safety``).
    heading : str
        Printed above it.
    lines : tuple of str
        One instruction each.
    """

    kind: str
    heading: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Panel:
    """One exercise.

    Parameters
    ----------
    family : str
        Which family.
    title, setting : str
        Its name, and the rung in words.
    feet : tuple of Foot
        Numbers of each foot.
    figures : tuple of Figure
        Drawings, one a foot.
    parts : tuple of Lines
        What to do, feel and avoid.
    """

    family: str
    title: str
    setting: str
    feet: tuple[Foot, ...]
    figures: tuple[Figure, ...]
    parts: tuple[Lines, ...]


@dataclass(frozen=True)
class Step:
    """One line of the running order: what, and about how long."""

    what: str
    time: str


@dataclass(frozen=True)
class Week:
    """One week of the diary: its heading and its days as weekday and date."""

    heading: str
    days: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Diary:
    """A grid to tick: weeks of days, a row for each exercise and foot, rows for the next morning.

    Parameters
    ----------
    title, low, high, what : str
        Heading; words at both ends of the pain scale; heading of the first column.
    lines : tuple of str
        How to fill it in.
    rows, mornings : tuple of str
        Exercise and foot; pain next morning of each foot.
    weeks : tuple of Week
        The weeks of the plan.
    """

    title: str
    low: str
    high: str
    what: str
    lines: tuple[str, ...]
    rows: tuple[str, ...]
    mornings: tuple[str, ...]
    weeks: tuple[Week, ...]


@dataclass(frozen=True)
class Handout:
    """Everything on the sheet, in its order.

    Parameters
    ----------
    language, direction : str
        For the page and for screen readers.
    made_on : date
        Day of the plan.
    title, clinic, for_whom, made : str
        Head of the first page.
    span : tuple of str
        From when to when, next look, and that it then ends.
    stop, help : Lines
        When to stop and call; when to get help now. The last line says what to do.
    pain_title : str
        Heading of the pain rule.
    pain : tuple of (str, str)
        Range of pain, and what to do.
    pain_lines : tuple of str
        The scale in words; the next morning.
    cautions : tuple of Lines
        What holds for a foot (skin that does not feel).
    goals, fetch, contact : Lines or None
        The patient's own activities; things to fetch; whom to call.
    order : tuple of Step
        One day, with times.
    order_title, order_first, order_total : str
        Its heading, the foot that goes first, and its sum.
    old_reminders, phone_page : str
        To delete what is old; label of the empty box for a code.
    panels : tuple of Panel
        The exercises.
    diary : Diary
        The grid.
    small : Lines
        What the sheet is and is not.
    footer : tuple of str
        Stop lines on every page.
    identity, page, edition : str
        On every page: for whom; page number; edition of the book.
    inputs : tuple of (str, str)
        Texts that are not ours, by the field in which they were given.
    """

    language: str
    direction: str
    made_on: date
    title: str
    clinic: str
    for_whom: str
    made: str
    span: tuple[str, ...]
    stop: Lines
    help: Lines
    pain_title: str
    pain: tuple[tuple[str, str], ...]
    pain_lines: tuple[str, ...]
    cautions: tuple[Lines, ...]
    goals: Lines | None
    fetch: Lines | None
    contact: Lines | None
    order: tuple[Step, ...]
    order_title: str
    order_first: str
    order_total: str
    old_reminders: str
    phone_page: str
    panels: tuple[Panel, ...]
    diary: Diary
    small: Lines
    footer: tuple[str, ...]
    identity: str
    page: str
    edition: str
    inputs: tuple[tuple[str, str], ...]

    def drawings(self) -> tuple[tuple[str, str], ...]:
        """Name and SVG of each drawing."""
        return tuple((f.name, f.svg) for panel in self.panels for f in panel.figures)


# ------------------------------------------------------------------ building


def build_handout(plan: Plan, book: Evidence, words: Words) -> Handout:
    """Everything on the patient's sheet, as data.

    Parameters
    ----------
    plan : Plan
        A programme with at least one exercise.
    book : Evidence
        The book that the plan was made with.
    words : Words
        The patient's language.

    Raises
    ------
    InputError
        No exercise; an exercise whose side, drawing or screen disagree; another edition of the
        book; text with control characters or too long for its place. All faults at once.
    EvidenceError
        When a text or a row is missing.
    """
    inputs = tuple(_inputs(plan))
    faults = [*_plan_faults(plan, book), *(f for field, text in inputs for f in _text(field, text))]
    if faults:
        raise InputError("handout", tuple(faults))
    return _Builder(plan, book, words).handout(inputs)


def _plan_faults(plan: Plan, book: Evidence) -> Iterator[Fault]:
    if not plan.exercises:
        yield Fault("exercises", "none", "at least one", "There is no programme; read its reasons.")
    if plan.edition != book.edition:
        yield Fault("edition", plan.edition, book.edition, "Use the book the plan was made with.")
    for number, exercise in enumerate(plan.exercises):
        field = f"exercises[{number}]"
        fitted = exercise.fitted
        if exercise.side != fitted.side:
            remedy = "Make the plan again; never correct a side by hand."
            yield Fault(f"{field}.side", exercise.side, fitted.side, remedy)
        if exercise.family != fitted.rung.family:
            yield Fault(f"{field}.family", exercise.family, fitted.rung.family, "Make it again.")
        for problem in fitted.problems:
            yield Fault(f"{field}.rung", problem, "a rung that this foot can do", "Choose another.")
        sides = SIDES if exercise.both else (exercise.side,)
        for side in sides:
            outcome = plan.screening.of(side).outcome
            if outcome in ("refer", "hold"):
                remedy = "Do what the screen says first."
                yield Fault(f"{field}.side", f"{side}: {outcome}", "a foot that may go", remedy)


def _inputs(plan: Plan) -> Iterator[tuple[str, str]]:
    yield "person.label", plan.exam.person.label
    yield "therapist", plan.exam.therapist
    for key, value in plan.exam.clinic.items():
        yield f"clinic.{key}", value
    for number, activity in enumerate(plan.exam.activities):
        yield f"activity[{number}].name", activity.name


def _text(field: str, text: str) -> Iterator[Fault]:
    longest = LABEL_MAX if field in ("person.label", "therapist") else TEXT_MAX
    if len(text) > longest:
        yield Fault(field, f"{len(text)} characters", f"at most {longest}", "Shorten it.")
    bad = {c for c in text if c in _REFUSED or unicodedata.category(c) in _REFUSED_KINDS}
    for character in sorted(bad):
        given = f"the control character U+{ord(character):04X}"
        yield Fault(field, given, "letters, figures and signs", "Remove it; use one line.")


class _Builder:
    """Says a plan in the words of one language."""

    def __init__(self, plan: Plan, book: Evidence, words: Words) -> None:
        self.plan = plan
        self.book = book
        self.words = words
        safe = int(book.value("pain.safe_max"))
        most = int(book.value("pain.acceptable_max"))
        self.pain = {
            "safe_max": safe,
            "care_from": safe + 1,
            "care_max": most,
            "stop_from": most + 1,
        }
        clinic = plan.exam.clinic
        self.clinic = {key: words.own(value) for key, value in clinic.items() if value.strip()}
        self.panels = tuple(self._panels())

    def handout(self, inputs: tuple[tuple[str, str], ...]) -> Handout:
        words, plan = self.words, self.plan
        person = plan.exam.person
        label = words.own(person.label)
        dates = {
            "starts": words.day(plan.starts),
            "ends": words.day(plan.ends),
            "review": words.day(plan.review),
        }
        for_whom = words.say("sheet.for_whom", label=label, birth_year=person.birth_year)
        therapist = words.own(plan.exam.therapist)
        contact = tuple(
            words.say(f"clinic.{key}", value=value)
            for key, value in self.clinic.items()
            if key != "name"
        )
        small = words.lines("caution.lines")
        if not words.reviewed:
            small += (words.say("caution.not_reviewed"),)
        order, first, total = self._order()
        return Handout(
            language=words.language,
            direction=words.direction,
            made_on=plan.on,
            title=words.say("sheet.title"),
            clinic=self.clinic.get("name", ""),
            for_whom=for_whom,
            made=words.say("sheet.made", on=words.day(plan.on), therapist=therapist),
            span=(
                words.say("sheet.span", **dates),
                words.say("sheet.review", **dates),
                words.say("sheet.expired", **dates),
            ),
            stop=self._box("stop", "title", "lines", "call", self.clinic.get("phone")),
            help=self._box("help", "help_title", "help_lines", "help", self.clinic.get("emergency")),
            pain_title=words.say("pain.title"),
            pain=tuple(
                (words.say(f"pain.{zone}", **self.pain), words.say(f"pain.{zone}_do"))
                for zone in ("safe", "care", "stop")
            ),
            pain_lines=tuple(words.say(f"pain.{k}") for k in ("scale", "morning", "morning_worse")),
            cautions=tuple(self._cautions()),
            goals=self._part("goals", "sheet.goal_title", self._goals()),
            fetch=self._part("fetch", "sheet.fetch_title", self._fetch()),
            contact=self._part("contact", "sheet.contact_title", contact),
            order=order,
            order_title=words.say("sheet.order_title") if order else "",
            order_first=first,
            order_total=total,
            old_reminders=words.say("sheet.old_reminders"),
            phone_page=words.say("sheet.phone_page"),
            panels=self.panels,
            diary=self._diary(),
            small=Lines("small", words.say("sheet.caution_title"), small),
            footer=(words.say("stop.footer", **self.pain), words.say("stop.footer_help")),
            identity=for_whom,
            page=words.say("sheet.page", page="⟨page⟩", pages="⟨pages⟩"),
            edition=words.say("sheet.edition", edition=words.own(plan.edition)),
            inputs=inputs,
        )

    def _part(self, kind: str, heading: str, lines: Sequence[str]) -> Lines | None:
        return Lines(kind, self.words.say(heading), tuple(lines)) if lines else None

    def _box(self, kind: str, title: str, lines: str, do: str, number: str | None) -> Lines:
        words = self.words
        name = "emergency" if kind == "help" else "phone"
        if number:
            unbroken = number.replace(" ", "\u00a0")
            last = words.say(f"stop.{do}", **{name: unbroken})
        else:
            last = words.say(f"stop.{do}_plain")
        said = words.lines(f"stop.{lines}", **self.pain)
        return Lines(kind, words.say(f"stop.{title}"), (*said, last))

    def _cautions(self) -> Iterator[Lines]:
        for side in SIDES:
            if "pain_guided" in self.plan.screening.of(side).forbids:
                foot = self.words.say(f"foot.{side}")
                lines = self.words.lines("numb.lines", foot=foot)
                yield Lines("numb", self.words.say("numb.title"), lines)

    def _goals(self) -> tuple[str, ...]:
        words = self.words
        return tuple(
            words.say("sheet.goal", name=words.own(a.name))
            if a.by is None
            else words.say("sheet.goal_by", name=words.own(a.name), by=words.day(a.by))
            for a in self.plan.exam.activities
        )

    def _fetch(self) -> tuple[str, ...]:
        words = self.words
        kit = self.plan.session.kit if self.plan.session else ()
        found = [words.say(f"kit.{name}") for name in kit]
        for panel in self.panels:
            key = f"exercise.{panel.family}.also"
            found += words.lines(key) if words.has(key) else ()
        return tuple(dict.fromkeys(found))

    def _order(self) -> tuple[tuple[Step, ...], str, str]:
        """Steps of a day with their times, the foot that goes first, the sum."""
        words, session = self.words, self.plan.session
        if session is None:
            return (), "", ""
        steps = []
        for family, lines in self._families():
            what = words.say(f"exercise.{family}.title")
            if lines[0].fitted.rung.settings.get("apart"):
                seconds = sum(e.dose.seconds for e in lines) or 60 * self._minutes(lines[0])
                what = words.say("sheet.order_apart", exercise=what)
            else:
                seconds = sum(m.seconds for m in session.moments if m.family == family)
            steps.append(Step(what, words.say("sheet.order_time", minutes=words.minutes(seconds))))
        side = next((m.side for m in session.moments if m.side is not None), None)
        foot = words.say(f"foot.{side}") if side else ""
        first = words.say("sheet.order_first", foot=foot) if foot else ""
        total = words.say("sheet.order_total", minutes=words.minutes(session.seconds))
        return tuple(steps), first, total

    def _feet_word(self, exercise: Exercise) -> str:
        return self.words.say("feet.both" if exercise.both else f"feet.{exercise.side}")

    # -------------------------------------------------------------- panels

    def _families(self) -> list[tuple[str, list[Exercise]]]:
        """Families in the order of the day, those at another time last; feet in their order."""
        session = self.plan.session
        order = list(session.order) if session else []
        order += [e.family for e in self.plan.exercises if e.family not in order]
        sides = {(m.family, m.side): i for i, m in reversed([*enumerate(session.moments)])} if session else {}

        def first(exercise: Exercise) -> tuple[int, int]:
            place = sides.get((exercise.family, exercise.side), 0)
            return place, SIDES.index(exercise.side)

        return [
            (family, sorted((e for e in self.plan.exercises if e.family == family), key=first))
            for family in dict.fromkeys(order)
        ]

    def _panels(self) -> Iterator[Panel]:
        """One panel an exercise; a panel a foot where the two feet do different things."""
        for family, lines in self._families():
            told = {(self._setting(e), self._parts(e)) for e in lines}
            if len(told) == 1:
                yield self._panel(lines)
            else:
                for exercise in lines:
                    yield self._panel([exercise], self._feet_word(exercise))

    def _panel(self, lines: Sequence[Exercise], which: str = "") -> Panel:
        first = lines[0]
        title = self.words.say(f"exercise.{first.family}.title")
        return Panel(
            family=first.family,
            title=f"{title}: {which.lower()}" if which else title,
            setting=self._setting(first),
            feet=self._feet(first.family, lines),
            figures=tuple(self._figure(e) for e in lines),
            parts=self._parts(first),
        )

    def _setting(self, exercise: Exercise) -> str:
        return self.words.say("join.comma").join(self._section("names", exercise, "name"))

    def _parts(self, exercise: Exercise) -> tuple[Lines, ...]:
        said = {part: tuple(dict.fromkeys(self._section(part, exercise))) for part in SECTIONS}
        return tuple(
            Lines(part, self.words.say(f"heading.{part}"), lines)
            for part, lines in said.items()
            if lines
        )

    def _feet(self, family: str, lines: Sequence[Exercise]) -> tuple[Foot, ...]:
        each = len(lines) > 1
        numbers = [(self._dose(e, each), self._sizes(family, e)) for e in lines]
        if each and all(number == numbers[0] for number in numbers):
            return (Foot(self.words.say("feet.each"), *numbers[0]),)
        numbers = [(self._dose(e, False), self._sizes(family, e)) for e in lines]
        return tuple(
            Foot(self._feet_word(e), *number) for e, number in zip(lines, numbers, strict=True)
        )

    def _section(self, section: str, exercise: Exercise, key: str = "") -> Iterator[str]:
        for line in self.words.lines(f"exercise.{exercise.family}.{section}"):
            yield from self._referred(line, key or section, exercise)

    def _referred(self, line: str, section: str, exercise: Exercise) -> Iterator[str]:
        """The line itself, or the lines of the notch, setting or thing that it stands for."""
        words, mark, name = self.words, line[:1], line[1:]
        rung = exercise.fitted.rung
        place = f"exercise.{exercise.family}.{name}"
        if mark == "@":
            key = f"{place}.{dict(rung.notches).get(name)}"
            if not words.has_any(key):
                raise EvidenceError(f"words: {words.language!r} has no {key!r}")
            yield from words.all_of(f"{key}.{section}")
        elif mark == "=":
            value = {**rung.settings, "both": exercise.both}.get(name)
            yield from words.all_of(f"{place}.{str(value).lower()}.{section}")
        else:
            yield line

    def _minutes(self, exercise: Exercise) -> float:
        return float(exercise.fitted.rung.settings.get("minutes", 0.0))

    def _dose(self, exercise: Exercise, each: bool) -> tuple[str, ...]:
        words, dose = self.words, exercise.dose
        tail = "_each" if each else ""
        if dose.sets > 1:
            times = words.say(f"dose.sets{tail}", sets=dose.sets, reps=dose.reps)
        else:
            times = words.count(f"dose.times{tail}", dose.reps)
        week = timedelta(weeks=1).days
        held = words.seconds(dose.hold_s)
        up, down = words.seconds(dose.lift_s), words.seconds(dose.lower_s)
        minutes = round(self._minutes(exercise))
        values: Mapping[str, str] = {
            "times": times,
            "hold": words.say("dose.hold", seconds=held) if dose.hold_s else "",
            "stand": words.say("dose.stand", seconds=held) if dose.hold_s else "",
            "up_down": words.say("dose.up_down", up=up, down=down) if dose.lower_s else "",
            "rest": words.say("dose.rest", time=words.seconds(dose.rest_s))
            if dose.sets > 1 and dose.rest_s
            else "",
            "days": words.say("dose.every_day")
            if dose.days_per_week >= week
            else words.count("dose.days", dose.days_per_week),
            "gap": words.say("dose.gap") if 2 * dose.days_per_week <= week else "",
            "minutes": words.count("dose.minutes", minutes) if minutes else "",
        }
        lines = words.lines(f"exercise.{exercise.family}.dose", **values)
        return tuple(line.strip() for line in lines if line.strip())

    def _sizes(self, family: str, exercise: Exercise) -> tuple[str, ...]:
        """Sizes of the pose for which the language has a line, rounded to the cautious side."""
        words, fitted = self.words, exercise.fitted
        settings = fitted.rung.settings
        found = dict(fitted.pose.sizes_mm)
        found["knees_kg"] = float(settings.get("knees_kg", 0.0))
        if fitted.loads.kg_per_foot and settings.get("hands_share"):
            if "scale" in self.plan.exam.person.equipment:
                found["kg_per_foot"] = fitted.loads.kg_per_foot
        kinds = [prop.kind for prop in fitted.pose.props]
        lines = []
        for size in words.under(f"exercise.{family}.sizes"):
            value = found.get(size, 0.0)
            if value <= 0.0:
                continue
            keys = (f"exercise.{family}.sizes.{kind}.{size}" for kind in kinds)
            key = next(filter(words.has, keys), f"exercise.{family}.sizes.{size}")
            if size.endswith("_kg") or size.startswith("kg_"):
                lines.append(words.say(key, mass=words.mass(value)))
            else:
                shown = {"length": words.length(value), "length_up": words.length(value, up=True)}
                lines.append(words.say(key, **shown))
        return tuple(lines)

    def _figure(self, exercise: Exercise) -> Figure:
        side: Side = exercise.side
        body = self.plan.bodies[side]
        title = self.words.say(f"exercise.{exercise.family}.title")
        labels = {**self.words.under("drawing"), f"title.{exercise.family}": title}
        drawing = draw_pose(exercise.fitted, body, labels)
        return Figure(
            name=f"{exercise.family}_{side}",
            svg=drawing.svg,
            alt=drawing.alt,
            width_mm=drawing.width_mm,
            height_mm=drawing.height_mm,
            caption=self._feet_word(exercise),
        )

    # -------------------------------------------------------------- diary

    def _diary(self) -> Diary:
        words, plan = self.words, self.plan
        rows: list[str] = []
        for family, lines in self._families():
            title = words.say(f"exercise.{family}.title")
            for exercise in lines:
                foot = words.say(f"foot.{exercise.side}")
                if exercise.both:
                    rows.append(words.say("diary.row_both", exercise=title))
                else:
                    rows.append(words.say("diary.row", exercise=title, foot=foot))
        weeks = []
        first, one_day = plan.starts, timedelta(days=1)
        while first <= plan.ends:
            last = min(first + 6 * one_day, plan.ends)
            days = [first + i * one_day for i in range((last - first).days + 1)]
            heading = words.say(
                "diary.week",
                n=len(weeks) + 1,
                first=words.day(first, "short"),
                last=words.day(last, "short"),
            )
            weeks.append(
                Week(heading, tuple((words.weekday(d), str(d.day)) for d in days))
            )
            first = last + one_day
        return Diary(
            title=words.say("diary.title"),
            low=words.say("diary.low"),
            high=words.say("diary.high"),
            what=words.say("diary.what"),
            lines=words.lines("diary.lines"),
            rows=tuple(rows),
            mornings=tuple(words.say("diary.morning", foot=words.say(f"foot.{s}")) for s in SIDES),
            weeks=tuple(weeks),
        )


# ------------------------------------------------------------------ text


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
        part(panel.title, (panel.setting,), "")
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
    return score("\n".join(running_text(handout)), load_syllables()) if handout.language == "en" else None


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


# ------------------------------------------------------------------ PDF


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

    parts = asdict(handout)
    del parts["made_on"], parts["inputs"]
    data = {name: part if name == "panels" else _breakable(part) for name, part in parts.items()}
    data["arabic"] = "Noto Sans Arabic" in _fonts().families()
    made = stamp or datetime.combine(handout.made_on, time(), UTC)
    sheet = {"data": json.dumps({**data, "paper": paper, "large": large})}
    try:
        made_bytes = typst.compile(
            _template(),
            font_paths=_fonts(),
            sys_inputs=sheet,
            format="pdf",
            pdf_standards="ua-1",
            timestamp=made,
        )
    except typst.TypstError as error:
        raise _lacking(handout, error.diagnostic) from None
    return bytes(made_bytes)


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
    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=folders
    )
