"""The cautious start of one exercise family for one foot: which rung, which dose, and why.

Found dial by dial, from the easiest notch upward, as long as the next notch is allowed for this
foot, can be set up at home, and its starting conditions are known and met. What is not known stops
the climb.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rungwise.core.evidence import Band, Condition, Evidence, Family, Notch, printed, shown_value
from rungwise.core.ladder import Ladder, alone, rung_at
from rungwise.core.terms import (
    Dose,
    Exam,
    Exercise,
    Fitted,
    Grade,
    Reason,
    Refusal,
    Rung,
    Screening,
    Side,
)

__all__ = [
    "Foot",
    "alone_of",
    "dose_of",
    "dose_words",
    "met",
    "not_first",
    "over_band",
    "over_minutes",
    "rung_reasons",
    "start_of",
]


def met(condition: Condition, exam: Exam, side: Side, grade: Grade, book: Evidence) -> bool:
    """Whether a condition, or the one it may be met by instead, is known and true."""
    if condition.instead is not None and met(condition.instead, exam, side, grade, book):
        return True
    if condition.measure == "grade":
        found = None if grade.value is None else float(grade.value)
    else:
        value = exam.found(condition.measure, None if condition.person else side)
        if condition.equals is not None:
            return value is not None and value == condition.equals
        found = None if value is None or isinstance(value, str) else float(value)
    if found is None:
        return False
    if condition.at_least is not None and found < book.value(condition.at_least):
        return False
    return condition.at_most is None or found <= book.value(condition.at_most)


@dataclass(frozen=True)
class Foot:
    """All that choosing for one foot looks at."""

    exam: Exam
    side: Side
    screening: Screening
    grade: Grade
    ladder: Ladder
    book: Evidence
    alone: str = ""  #: why the foot works without the other: "screen", "family", or not at all

    def forbidden(self, tags: frozenset[str], what: str) -> Reason | None:
        """Why these tags are ruled out for this foot, or None."""
        screen = self.screening.of(self.side)
        if tags & screen.forbids or "home" in screen.forbids:
            flags = sorted({f.item for f in screen.flags if f.forbids & (tags | {"home"})})
            return self.book.reason("plan.forbidden", what=what, flags=flags or screen.outcome)
        if self.alone and "standing" in tags:
            if self.alone == "screen":
                return self.book.reason("plan.other_foot", side=self.side)
            family = what.partition(":")[0].partition(" ")[0]
            return self.book.reason("plan.works_alone", what=what, family=family, side=self.side)
        if "joint_motion" in tags and self.grade.value is None:
            return self.book.reason("plan.not_graded", what=what)
        if tags & self.band.forbids:
            return self.book.reason("plan.grade_forbids", what=what, grade=self.grade.value)
        return None

    @property
    def band(self) -> Band:
        """The ceilings of this foot's grade; those of the worst grade when it is not graded."""
        return self.book.bands[-1 if self.grade.value is None else self.grade.value]

    def unmet(self, conditions: Sequence[Condition], what: str) -> Reason | None:
        """The first condition that is not known and met, as a reason."""
        for condition in conditions:
            if not met(condition, self.exam, self.side, self.grade, self.book):
                return self._gate(condition, what)
        return None

    def _gate(self, condition: Condition, what: str) -> Reason:
        if condition.measure == "grade":
            found: object = self.grade.value
        else:
            found = self.exam.found(condition.measure, None if condition.person else self.side)
        needed = []
        for word, key in (("at least", condition.at_least), ("at most", condition.at_most)):
            if key is not None:
                row = self.book.row(key)
                needed.append(f"{word} {printed(row.value, row.unit)}")
        if condition.equals is not None:
            needed.append(shown_value(condition.equals))
        return self.book.reason(
            "plan.gate", what=what, measure=condition.measure, found=found, needed=" ".join(needed)
        )

    def lacks(self, needs: frozenset[str], what: str) -> Reason | None:
        """What is missing at home, as a reason."""
        missing = needs - self.exam.person.equipment
        return self.book.reason("plan.no_kit", what=what, missing=missing) if missing else None

    def barred(self, notch: Notch, what: str, tags: frozenset[str]) -> Reason | None:
        """Why a notch may not be used at all for this foot, or None."""
        return (
            self.forbidden(tags, what)
            or self.lacks(notch.needs, what)
            or self.unmet(notch.allow_if, what)
        )


def start_of(family: Family, foot: Foot, cap: int) -> Exercise | list[Refusal]:
    """The cautious start of one family for one foot, or why there is none."""
    why = _family_barred(family, foot)
    if why is not None:
        return [Refusal(family.key, foot.side, why)]
    places: list[int] = []
    refused: list[Refusal] = []
    for index, dial in enumerate(family.dials):
        place = -1
        for tried, notch in enumerate(dial.notches):
            what = f"{family.key} {dial.key} {notch.key}"
            rung = rung_at(family, (*(0,) * index, tried, *(0,) * (len(family.dials) - index - 1)))
            why = (
                foot.barred(notch, what, rung.tags)
                or (not_first(notch, foot, what) if tried else None)
                or (foot.book.reason("plan.alone", what=what) if tried and foot.alone else None)
                or over_band(rung, foot, what)
                or over_minutes(rung, foot, what)
            )
            if why is not None:
                refused.append(Refusal(f"{dial.key}:{notch.key}", foot.side, why))
                break
            place = tried
        if place < 0:
            return [Refusal(family.key, foot.side, refused[-1].reason)]
        places.append(place)
    fitted = _possible(family, places, foot, refused)
    if fitted is None:
        return [Refusal(family.key, foot.side, refused[-1].reason)]
    step, dose_reason = dose_step_of(family, fitted, foot, cap)
    dose, reasons = dose_of(family, step, foot)
    return Exercise(
        family.key,
        foot.side,
        fitted,
        dose,
        step,
        (*rung_reasons(fitted, foot), dose_reason, *reasons),
        tuple(refused),
    )


def _family_barred(family: Family, foot: Foot) -> Reason | None:
    base = rung_at(family, (0,) * len(family.dials))
    why = foot.forbidden(base.tags, family.key) or foot.lacks(family.needs, family.key)
    if why is None and base.tags & {"pain_guided", "standing"}:
        for which in ("usual", "rest"):
            found = foot.exam.number(f"pain_{which}_nprs", foot.side)
            if found is None:
                return foot.book.reason("plan.pain_unknown", what=family.key, which=which)
            if found > foot.book.value("plan.pain_usual_max"):
                return foot.book.reason(
                    "plan.pain_too_high", what=family.key, which=which, found=found
                )
    return why or foot.unmet(family.allow_if, family.key)


def not_first(notch: Notch, foot: Foot, what: str) -> Reason | None:
    """Why a first programme does not start on a notch, or None."""
    if not notch.start_if:
        return foot.book.reason("plan.not_first", what=what)
    return foot.unmet(notch.start_if, what)


def over_band(rung: Rung, foot: Foot, what: str, top: bool = False) -> Reason | None:
    """Whether a rung goes over what the foot's grade starts with, or may ever reach (``top``)."""
    grade, band = foot.grade.value, foot.band
    if rung.settings.get("apart"):  # walking is what the other loads are measured by
        return None
    share_max, tier_max, rules = band.bend_share_max, band.tier_max, ("plan.bend", "plan.tier")
    if top:
        share_max, tier_max = band.bend_share_top, band.tier_top
        rules = ("progress.bend", "progress.tier")
    suffix = "_top" if top else "_ceiling"
    share = float(rung.settings.get("bend_share", 0.0))
    if share > share_max:
        return foot.book.reason(
            rules[0] + suffix,
            what=what,
            share=round(100 * share),
            grade=grade,
            ceiling=round(100 * share_max),
        )
    tier = foot.ladder.tier(rung)
    if tier > tier_max:
        return foot.book.reason(
            rules[1] + suffix, what=what, tier=tier, grade=grade, ceiling=tier_max
        )
    return None


def _possible(
    family: Family, places: list[int], foot: Foot, refused: list[Refusal]
) -> Fitted | None:
    """The rung at these places, or the next easier one that can be set up and is within limits."""
    while True:
        fitted = foot.ladder.at(family.key, tuple(places))
        what = fitted.rung.name
        if fitted.problems:
            why = foot.book.reason(
                "plan.not_possible", what=what, why=foot.book.reason(fitted.problems[0]).says
            )
            turned = "bend"
        else:
            over = over_band(fitted.rung, foot, what)
            if over is None:
                return fitted
            why, turned = over, "load"
        refused.append(Refusal(what, foot.side, why))
        lower = [i for i, dial in enumerate(family.dials) if dial.raises == turned and places[i]]
        if not lower:
            return None
        for index in lower:
            places[index] -= 1


def over_minutes(rung: Rung, foot: Foot, what: str) -> Reason | None:
    """Whether a walk is longer than the minutes given."""
    needed, given = float(rung.settings.get("minutes", 0.0)), foot.exam.person.minutes_per_day
    if needed <= given:
        return None
    return foot.book.reason("plan.walk_minutes", what=what, needed=needed, minutes=given)


def dose_step_of(family: Family, fitted: Fitted, foot: Foot, cap: int) -> tuple[int, Reason]:
    """First or second step of the dose list; what is not known keeps the first.

    The second needs calm pain, a foot that does not work alone, the minutes, and for a stance that
    it was held at the visit as long as the dose holds it.
    """
    book = foot.book
    forbids = foot.screening.of(foot.side).forbids
    usual = foot.exam.number("pain_usual_nprs", foot.side)
    worst = foot.exam.number("pain_worst_nprs", foot.side)
    calm = (
        usual is not None
        and worst is not None
        and usual <= book.value("pain.safe_max")
        and worst <= book.value("pain.acceptable_max")
    )
    steady = not forbids & ({"progress"} | ({"hands_free"} if "balance" in family.tags else set()))
    first = dose_words(family.doses[0].dose)
    if not calm or not steady or foot.alone or len(family.doses) == 1:
        return 1, book.reason("plan.dose_first", dose=first)
    if cap == 1:
        return 1, book.reason("plan.dose_minutes", dose=first)
    dose = family.doses[1].dose
    held = fitted.rung.settings.get("held")
    if held is not None:
        whole = fitted.rung.settings.get("held_by") == "person"
        found = foot.exam.number(str(held), None if whole else foot.side)
        if found is None or found < dose.hold_s:
            told = {"dose": first, "found": found, "needed": dose.hold_s}
            return 1, book.reason("plan.dose_held", **told)
    words = dose_words(dose)
    return 2, book.reason("plan.dose_second", dose=words, usual=usual, worst=worst)


def dose_of(family: Family, step: int, foot: Foot) -> tuple[Dose, list[Reason]]:
    """A step of the family's dose list [1], on no more days than the person gives, and why."""
    dose = family.doses[step - 1].dose
    given = foot.exam.person.days_per_week
    if given >= dose.days_per_week:
        return dose, []
    return replace(dose, days_per_week=given), [
        foot.book.reason("plan.days", days=given, given=given)
    ]


def dose_words(dose: Dose) -> str:
    """A dose in a few words; days only where nothing else is counted."""
    days = f"{dose.days_per_week} days a week"
    return f"{dose.sets} x {dose.reps}, hold {dose.hold_s:g} s, {days}" if dose.seconds else days


def rung_reasons(fitted: Fitted, foot: Foot) -> list[Reason]:
    """Why a rung: that it is the start, the bend it uses, the load it puts on the joint."""
    book, demand, loads = foot.book, fitted.demand, fitted.loads
    reasons = [book.reason("plan.start", what=fitted.rung.name)]
    if fitted.rung.settings.get("apart"):
        return [*reasons, book.reason("plan.load_walking")]
    if demand.bend_deg > 0:
        reasons.append(
            book.reason(
                "plan.bend",
                bend=f"{demand.bend_deg:.0f}°",
                available=f"{foot.ladder.body.bend_available_deg:.0f}",
                share=round(100 * demand.bend_share),
            )
        )
    else:
        reasons.append(book.reason("plan.no_bend"))
    reasons.append(
        book.reason(
            "plan.load",
            tier=loads.tier,
            share=round(100 * loads.share_median),
            low=round(100 * loads.share_low),
            high=round(100 * loads.share_high),
        )
    )
    return reasons


def alone_of(fitted: Fitted, foot: Foot) -> Fitted:
    """A fitted rung as one foot does it by itself."""
    by_itself = alone(fitted.rung)
    return fitted if by_itself is fitted.rung else foot.ladder.fit(by_itself)
