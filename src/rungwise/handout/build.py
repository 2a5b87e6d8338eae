"""Build the sheet from a plan: every number from the plan, every word from the language file."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from itertools import chain

from rungwise.core.errors import InputError
from rungwise.core.evidence import Evidence
from rungwise.core.findings import cautions
from rungwise.core.prescribe import less_painful
from rungwise.core.terms import SIDES, Exercise, Plan, Side
from rungwise.draw import draw_pose
from rungwise.handout.checks import faults_of
from rungwise.handout.notice import common, stopped_of
from rungwise.handout.sheet import Diary, Figure, Foot, Handout, Lines, Panel, Step, Week
from rungwise.home import lines_of, page_link
from rungwise.reminders import WEEKDAYS, exercise_weekdays
from rungwise.words import Words

__all__ = ["build_handout"]

MINUTE = 60
SECTIONS = ("set_up", "safety", "steps", "feel", "slips")


def build_handout(
    plan: Plan, book: Evidence, words: Words, code: str = "", changed: Sequence[str] = ()
) -> Handout:
    """Everything on the patient's sheet, as data.

    Parameters
    ----------
    plan : Plan
        A programme with at least one exercise.
    book : Evidence
        The book that the plan was made with.
    words : Words
        The patient's language.
    code : str
        The plan code, printed as a QR code; empty leaves its box empty.
    changed : sequence of str
        What is new since the sheet before, and why (:func:`changed_lines`).

    Raises
    ------
    InputError
        No exercise; an exercise whose side, drawing or screen disagree; another edition of the
        book; text with control characters or too long for its place. All faults at once.
    EvidenceError
        When a text or a row is missing.
    """
    faults = tuple(faults_of(plan, book))
    if faults:
        raise InputError("handout", faults)
    return _Builder(plan, book, words, code, changed).handout()


class _Builder:
    """Says a plan in the words of one language."""

    def __init__(
        self, plan: Plan, book: Evidence, words: Words, code: str, changed: Sequence[str]
    ) -> None:
        self.changed = changed
        self.code = code
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

    def handout(self) -> Handout:
        words, plan = self.words, self.plan
        dates = {
            "starts": words.day(plan.starts),
            "ends": words.day(plan.ends),
            "review": words.day(plan.review),
        }
        order, first, total, apart = self._order()
        return Handout(
            **common(plan, words, "caution.lines"),
            title=words.say("sheet.title"),
            stopped=stopped_of(plan, words),
            span=(
                words.say("sheet.span", **dates),
                words.say("sheet.review", **dates),
                words.say("sheet.expired", **dates),
            ),
            stop=self._box("stop", "title", "lines", "call", self.clinic.get("phone")),
            help=self._box(
                "help", "help_title", "help_lines", "help", self.clinic.get("emergency")
            ),
            pain_title=words.say("pain.title"),
            pain=tuple(
                (words.say(f"pain.{zone}", **self.pain), words.say(f"pain.{zone}_do"))
                for zone in ("safe", "care", "stop")
            ),
            pain_lines=tuple(words.say(f"pain.{k}") for k in ("scale", "morning", "morning_worse")),
            cautions=tuple(self._cautions()),
            changed=self._part("changed", "changed.title", self.changed),
            goals=self._part("goals", "sheet.goal_title", self._goals()),
            fetch=self._part("fetch", "sheet.fetch_title", self._fetch()),
            order=order,
            order_title=words.say("sheet.order_title") if order else "",
            order_first=first,
            order_total=total,
            order_apart=apart,
            phone_page=self._scanned(),
            code=page_link(plan.exam, self.code),
            panels=self.panels,
            diary=self._diary(),
            footer=(words.say("stop.footer", **self.pain), words.say("stop.footer_help")),
        )

    def _scanned(self) -> str:
        """What the box of the code is for."""
        if not self.code:
            return self.words.say("sheet.phone_page")
        linked = "page_address" in self.clinic
        return self.words.say("sheet.plan_page" if linked else "sheet.plan_code")

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
        for kind, side in cautions(self.plan):
            foot = self.words.say(f"foot.{side}") if side else ""
            yield Lines(
                kind,
                self.words.say(f"care.{kind}.title"),
                self.words.lines(f"care.{kind}.lines", foot=foot),
            )

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

    def _order(self) -> tuple[tuple[Step, ...], str, str, tuple[str, ...]]:
        """Steps of a day with their times, the foot that goes first, the sum, what is apart."""
        words, session = self.words, self.plan.session
        if session is None:
            return (), "", "", ()
        here: dict[str, float] = {}
        apart = []
        for family, lines in self._families():
            what = words.say(f"exercise.{family}.title")
            if lines[0].fitted.rung.settings.get("apart"):
                seconds = sum(e.dose.seconds for e in lines) or MINUTE * self._minutes(lines[0])
                time = words.say("sheet.order_time", minutes=words.minutes(seconds))
                apart.append(words.say("sheet.order_apart", exercise=what, time=time))
            else:
                here[what] = sum(m.seconds for m in session.moments if m.family == family)
        shares = _shared(list(here.values()), session.seconds)
        steps = tuple(
            Step(what, words.say("sheet.order_time", minutes=words.minutes(MINUTE * minutes)))
            for what, minutes in zip(here, shares, strict=True)
        )
        turns = (lines[0].side for _, lines in self._families() if len(lines) > 1)
        alone = (m.side for m in session.moments if m.side is not None)
        side = next(chain(turns, alone), None)
        foot = words.say(f"foot.{side}") if side else ""
        first = words.say("sheet.order_first", foot=foot) if foot else ""
        minutes = words.minutes(MINUTE * sum(shares))
        total = words.say("sheet.order_total", minutes=minutes) if steps else ""
        return steps, first, total, tuple(apart)

    def _feet_word(self, exercise: Exercise) -> str:
        """Which foot, as a word; a family in which feet take turns by itself has its own."""
        own = f"exercise.{exercise.family}.feet"
        if self.words.has(own):
            return self.words.say(own)
        return self.words.say("feet.both" if exercise.both else f"feet.{exercise.side}")

    # -------------------------------------------------------------- panels

    def _families(self) -> list[tuple[str, list[Exercise]]]:
        """Families in the order of the day, those at another time last; feet in their order."""
        session = self.plan.session
        order = list(session.order) if session else []
        order += [e.family for e in self.plan.exercises if e.family not in order]
        sides = (
            {(m.family, m.side): i for i, m in reversed([*enumerate(session.moments)])}
            if session
            else {}
        )

        def first(exercise: Exercise) -> tuple[int, int]:
            place = sides.get((exercise.family, exercise.side), 0)
            return place, SIDES.index(exercise.side)

        return [
            (family, sorted((e for e in self.plan.exercises if e.family == family), key=first))
            for family in dict.fromkeys(order)
        ]

    def _panels(self) -> Iterator[Panel]:
        """One panel an exercise; a panel a foot where the two feet do different things."""
        for number, (_, lines) in enumerate(self._families(), 1):
            told = {(self._setting(e), self._parts(e)) for e in lines}
            if len(told) == 1:
                yield self._panel(number, lines)
            else:
                for exercise in lines:
                    yield self._panel(number, [exercise], self._feet_word(exercise))

    def _panel(self, number: int, lines: Sequence[Exercise], which: str = "") -> Panel:
        first = lines[0]
        title = self.words.say(f"exercise.{first.family}.title")
        return Panel(
            number=number,
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
            return (Foot(self._each(lines), *numbers[0]),)
        numbers = [(self._dose(e, False), self._sizes(family, e)) for e in lines]
        return tuple(
            Foot(self._feet_word(e), *number) for e, number in zip(lines, numbers, strict=True)
        )

    def _each(self, lines: Sequence[Exercise]) -> str:
        """Both feet as words, the one that goes first in front."""
        first, last = (e.side for e in lines)
        said = {"first": self.words.say(f"feet.{first}"), "last": self.words.say(f"foot.{last}")}
        return self.words.say("join.two", **said)

    def _first_of(self, family: str) -> str:
        """The foot that goes first in a family that both feet do in turn."""
        lines = next(lines for name, lines in self._families() if name == family)
        return lines[0].side if len(lines) > 1 else ""

    def _section(self, section: str, exercise: Exercise, entry: str = "") -> Iterator[str]:
        first = self._first_of(exercise.family)
        rung = exercise.fitted.rung
        return self.words.of_rung(rung, section, entry, both=exercise.both, first=first)

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
        has_scale = "scale" in self.plan.exam.person.equipment
        if fitted.loads.kg_per_foot and settings.get("hands_share") and has_scale:
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
        foot = self._feet_word(exercise)
        told = (foot, labels["both_feet"]) if exercise.both else (foot,)
        return Figure(
            name=f"{exercise.family}_{side}",
            svg=drawing.svg,
            alt=drawing.alt,
            width_mm=drawing.width_mm,
            height_mm=drawing.height_mm,
            caption="" if any(f">{said}</text>" in drawing.svg for said in told) else foot,
        )

    # -------------------------------------------------------------- diary

    def _diary(self) -> Diary:
        words, plan = self.words, self.plan
        numbered = lines_of(plan, less_painful(plan.exam, plan.grades))
        rows: list[str] = []
        planned: list[tuple[str, ...]] = []
        for family, lines in self._families():
            title = words.say(f"exercise.{family}.title")
            for exercise in lines:
                foot = words.say(f"foot.{exercise.side}")
                planned.append(exercise_weekdays(exercise.dose.days_per_week))
                told = {"n": numbered.index(exercise) + 1, "exercise": title}
                if exercise.both:
                    rows.append(words.say("diary.row_both", **told))
                else:
                    rows.append(words.say("diary.row", **told, foot=foot))
        weeks: list[Week] = []
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
            due = tuple(tuple(WEEKDAYS[d.weekday()] in on for d in days) for on in planned)
            weeks.append(Week(heading, tuple((words.weekday(d), str(d.day)) for d in days), due))
            first = last + one_day
        rests = any(len(on) < len(WEEKDAYS) for on in planned)
        pain = str(self.pain["safe_max"])
        return Diary(
            title=words.say("diary.title"),
            low=words.say("diary.low"),
            high=words.say("diary.high"),
            what=words.say("diary.what"),
            lines=words.lines("diary.lines") + (words.lines("diary.rest") if rests else ()),
            example=words.say("diary.example", pain=pain),
            example_pain=pain,
            rows=tuple(rows),
            mornings=tuple(words.say("diary.morning", foot=words.say(f"foot.{s}")) for s in SIDES),
            weeks=tuple(weeks),
        )


def _shared(seconds: Sequence[float], total_s: float) -> list[int]:
    """Whole minutes for each step, at least 1, whose sum is the whole session rounded up [min].

    Time between the steps is shared among them; what rounding leaves goes to the steps that lost
    most by it.
    """
    if not seconds:
        return []
    whole = max(math.ceil(total_s / MINUTE - 1e-9), len(seconds))
    exact = [whole * s / sum(seconds) for s in seconds]
    minutes = [max(math.floor(e + 1e-9), 1) for e in exact]
    while sum(minutes) != whole:
        step = 1 if sum(minutes) < whole else -1
        able = [i for i, m in enumerate(minutes) if m + step >= 1]
        i = max(able, key=lambda i: step * (exact[i] - minutes[i]))
        minutes[i] += step
    return minutes
