"""From one examination to a programme: rung and dose of each exercise, with every reason.

For each foot and family the start is found dial by dial: from the easiest notch upward, as long as
the next notch is allowed for this foot, can be set up at home, and its starting conditions are
known and met. What is not known stops the climb. So more pain, a worse grade, less motion, poorer
balance or a missing finding can only lower the start, never raise it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Band, Condition, Evidence, Family, Notch, printed, shown_value
from rungwise.core.ladder import Ladder, rung_at
from rungwise.core.session import running_order, share_minutes
from rungwise.core.terms import (
    SIDES,
    Dose,
    Exam,
    Exercise,
    Fitted,
    Grade,
    Pin,
    Plan,
    Reason,
    Refusal,
    Rung,
    Screening,
    Session,
    Side,
)

__all__ = ["less_painful", "met", "other", "prescribe"]

STOPPED = ("refer", "hold")


def other(side: Side) -> Side:
    """The other side."""
    return "left" if side == "right" else "right"


def less_painful(exam: Exam, grades: Mapping[Side, Grade]) -> Side | None:
    """The less painful foot: lower worst pain, then larger bend; None when it must be asked.

    The bends are compared as they were graded, from the same zero.
    """
    right, left = (exam.number("pain_worst_nprs", side) for side in SIDES)
    if right is None or left is None:
        return None
    if right != left:
        return "right" if right < left else "left"
    bends = [grades[side].bend_deg for side in SIDES]
    if bends[0] is None or bends[1] is None or bends[0] == bends[1]:
        return None
    return "right" if bends[0] > bends[1] else "left"


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
class _Foot:
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


def prescribe(
    exam: Exam,
    screening: Screening,
    grades: Mapping[Side, Grade],
    ladders: Mapping[Side, Ladder],
    book: Evidence,
    today: date,
    pins: Sequence[Pin] = (),
    insist: bool = False,
) -> Plan:
    """Make the programme: for each foot and family a rung, a dose and the reasons.

    Parameters
    ----------
    exam : Exam
        The examination.
    screening : Screening
        Its screen; a foot that is not cleared gets nothing.
    grades : mapping of Side to Grade
        Grade of each foot.
    ladders : mapping of Side to Ladder
        Ladder of each foot.
    book : Evidence
        The evidence book.
    today : date
        Day the plan is made and starts.
    pins : sequence of Pin
        The therapist's own choices; warnings stay visible beside them.
    insist : bool
        Whether more families than the sheet should hold are kept.

    Returns
    -------
    Plan
        Without exercises when the screen stops both feet; the reasons say why.

    Raises
    ------
    InputError
        A pin that names no family, dial, notch or dose, or that the screen rules out.
    """
    _check_pins(pins, book)
    cleared, refused = _cleared(screening, book)
    if pins and not cleared:
        _refuse_pin(pins[0], refused[0].reason.says)
    feet = {
        side: _Foot(
            exam,
            side,
            screening,
            grades[side],
            ladders[side],
            book,
            "" if _bears_weight(other(side), cleared, screening) else "screen",
        )
        for side in SIDES
    }
    ranks = _ranks(screening, book)
    wanted = _wanted(ranks, exam, pins, book, insist)
    given = exam.person.minutes_per_day
    steps = {pin.family: pin.dose_step for pin in pins if pin.dose_step is not None}
    named = [name for name in ranks if isinstance(wanted[name], Family)]
    caps, cuts = share_minutes(named, book, given, steps)
    gone = {dict(cut.inputs)["what"].replace(" ", "_"): cut for cut in cuts}
    lines: list[Exercise] = []
    for name in ranks if cleared else ():
        spec = wanted[name]
        why = gone.get(name) if isinstance(spec, Family) and name not in caps else spec
        if isinstance(why, Reason):
            for pin in (p for p in pins if p.family == name):
                _refuse_pin(pin, why.says)
            refused.extend(Refusal(name, side, why) for side in cleared)
            continue
        chosen, nos = _choose(book.families[name], feet, cleared, pins, caps[name])
        refused.extend(nos)
        lines.extend(chosen)
    first = less_painful(exam, grades)
    session = running_order(lines, book, first)
    return Plan(
        on=today,
        starts=today,
        review=today + timedelta(days=book.value("plan.review_days")),
        ends=today + timedelta(days=book.value("plan.length_days") - 1),
        exam=exam,
        screening=screening,
        grades=dict(grades),
        bodies={side: ladders[side].body for side in SIDES},
        exercises=tuple(lines),
        refused=tuple(refused),
        session=replace(session, dropped=tuple(cuts)) if lines else None,
        notes=tuple(_notes(exam, screening, ranks, first, session, book)) if lines else (),
        edition=book.edition,
    )


def _cleared(screening: Screening, book: Evidence) -> tuple[list[Side], list[Refusal]]:
    """The feet that may have a programme; an emergency on one foot stops both."""
    emergency = any(f.level == "emergency" for s in SIDES for f in screening.of(s).flags)
    cleared: list[Side] = []
    refused: list[Refusal] = []
    for side in SIDES:
        outcome = screening.of(side).outcome
        if outcome not in STOPPED and not emergency:
            cleared.append(side)
            continue
        rule = "plan.screen_stops" if outcome in STOPPED else "plan.emergency_first"
        reason = book.reason(rule, side=side, outcome=outcome)
        refused.append(Refusal("programme", side, reason))
    return cleared, refused


def _bears_weight(side: Side, cleared: Sequence[Side], screening: Screening) -> bool:
    """Whether the screen lets a foot take weight while the other works."""
    return side in cleared and not screening.of(side).forbids & {"standing", "home"}


def _ranks(screening: Screening, book: Evidence) -> tuple[str, ...]:
    """Families from the one that matters most; balance comes first at a raised risk of falling."""
    falls = any(f.item == "falls" for side in SIDES for f in screening.of(side).flags)
    first = tuple(f for f in book.priority if falls and "balance" in book.families[f].tags)
    return first + tuple(f for f in book.priority if f not in first)


def _wanted(
    ranks: Sequence[str], exam: Exam, pins: Sequence[Pin], book: Evidence, insist: bool
) -> dict[str, Family | Reason]:
    """The families of the sheet, chosen before anything is refused, or why one is not on it.

    What is refused later leaves its place empty, so that a worse finding never brings in more.
    """
    found: dict[str, Family | Reason] = {}
    pinned = {pin.family for pin in pins}
    for name in ranks:
        family = book.families[name]
        if name in exam.avoid:
            found[name] = book.reason("plan.left_out", what=name)
        elif family.optional and name not in exam.wanted and name not in pinned:
            found[name] = book.reason("plan.not_wanted", what=name)
        else:
            found[name] = family
    named = [name for name in ranks if isinstance(found[name], Family)]
    asked = sorted(named, key=lambda n: (n not in exam.wanted and n not in pinned, ranks.index(n)))
    room = len(asked) if insist else int(book.value("plan.families_max"))
    for name in asked[room:]:
        found[name] = book.reason("plan.too_many", what=name)
    return found


def _choose(
    family: Family,
    feet: Mapping[Side, _Foot],
    cleared: Sequence[Side],
    pins: Sequence[Pin],
    cap: int,
) -> tuple[list[Exercise], list[Refusal]]:
    """Choose a family's rung for each cleared foot; alone when the other foot has none."""
    pinned = {pin.side: pin for pin in pins if pin.family == family.key}
    chosen: dict[Side, Exercise] = {}
    nos: dict[Side, list[Refusal]] = {}
    acting = dict(feet)
    for side in cleared:
        found = _start(family, feet[side], cap)
        if isinstance(found, Exercise):
            chosen[side] = found
        else:
            nos[side] = found
    if len(chosen) == 1:
        (side,) = chosen
        acting[side] = replace(feet[side], alone=feet[side].alone or "family")
        found = _start(family, acting[side], cap)
        chosen.clear()
        if isinstance(found, Exercise):
            chosen[side] = replace(found, fitted=_alone(found.fitted, acting[side]))
        else:
            nos[side] = found
    for side, pin in _spread(pinned, chosen, acting).items():
        if side in chosen:
            chosen[side] = _pinned(chosen[side], pin, acting[side], len(chosen) == 1)
        elif side in cleared:
            _refuse_pin(pin, nos[side][0].reason.says)
        else:
            _refuse_pin(pin, f"the screen stops the {side} foot")
    return _joined(chosen, acting), [no for side in nos for no in nos[side]]


def _start(family: Family, foot: _Foot, cap: int) -> Exercise | list[Refusal]:
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
                or (_not_first(notch, foot, what) if tried else None)
                or (foot.book.reason("plan.alone", what=what) if tried and foot.alone else None)
                or _over_band(rung, foot, what)
                or _over_minutes(rung, foot, what)
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
    step, dose_reason = _dose_step(family, fitted, foot, cap)
    dose, reasons = _dose(family, step, foot)
    return Exercise(
        family.key,
        foot.side,
        fitted,
        dose,
        step,
        (*_rung_reasons(fitted, foot), dose_reason, *reasons),
        tuple(refused),
    )


def _family_barred(family: Family, foot: _Foot) -> Reason | None:
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


def _not_first(notch: Notch, foot: _Foot, what: str) -> Reason | None:
    if not notch.start_if:
        return foot.book.reason("plan.not_first", what=what)
    return foot.unmet(notch.start_if, what)


def _over_band(rung: Rung, foot: _Foot, what: str) -> Reason | None:
    """Whether a rung goes over what the foot's grade starts with."""
    grade, band = foot.grade.value, foot.band
    if rung.settings.get("apart"):  # walking is what the other loads are measured by
        return None
    share = float(rung.settings.get("bend_share", 0.0))
    if share > band.bend_share_max:
        return foot.book.reason(
            "plan.bend_ceiling",
            what=what,
            share=round(100 * share),
            grade=grade,
            ceiling=round(100 * band.bend_share_max),
        )
    tier = foot.ladder.at(rung.family, rung.places).loads.tier
    if tier > band.tier_max:
        return foot.book.reason(
            "plan.tier_ceiling", what=what, tier=tier, grade=grade, ceiling=band.tier_max
        )
    return None


def _possible(
    family: Family, places: list[int], foot: _Foot, refused: list[Refusal]
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
            over = _over_band(fitted.rung, foot, what)
            if over is None:
                return fitted
            why, turned = over, "load"
        refused.append(Refusal(what, foot.side, why))
        lower = [i for i, dial in enumerate(family.dials) if dial.raises == turned and places[i]]
        if not lower:
            return None
        for index in lower:
            places[index] -= 1


def _over_minutes(rung: Rung, foot: _Foot, what: str) -> Reason | None:
    """Whether a walk is longer than the minutes given."""
    needed, given = float(rung.settings.get("minutes", 0.0)), foot.exam.person.minutes_per_day
    if needed <= given:
        return None
    return foot.book.reason("plan.walk_minutes", what=what, needed=needed, minutes=given)


def _dose_step(family: Family, fitted: Fitted, foot: _Foot, cap: int) -> tuple[int, Reason]:
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
    first = _dose_words(family.doses[0].dose)
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
    words = _dose_words(dose)
    return 2, book.reason("plan.dose_second", dose=words, usual=usual, worst=worst)


def _dose(family: Family, step: int, foot: _Foot) -> tuple[Dose, list[Reason]]:
    dose = family.doses[step - 1].dose
    given = foot.exam.person.days_per_week
    if given >= dose.days_per_week:
        return dose, []
    return replace(dose, days_per_week=given), [
        foot.book.reason("plan.days", days=given, given=given)
    ]


def _dose_words(dose: Dose) -> str:
    return f"{dose.sets} x {dose.reps}, hold {dose.hold_s:g} s, {dose.days_per_week} days a week"


def _rung_reasons(fitted: Fitted, foot: _Foot) -> list[Reason]:
    book, demand, loads = foot.book, fitted.demand, fitted.loads
    reasons = [book.reason("plan.start", what=fitted.rung.name)]
    if fitted.rung.settings.get("apart"):
        return [*reasons, book.reason("plan.load_walking")]
    if demand.bend_deg > 0:
        reasons.append(
            book.reason(
                "plan.bend",
                bend=f"{demand.bend_deg:.1f}°",
                available=f"{foot.ladder.body.bend_available_deg:.1f}",
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


def _alone(fitted: Fitted, foot: _Foot) -> Fitted:
    """A rung made for both feet, done with one: nothing is squeezed between the ankles."""
    if not fitted.rung.settings.get("both"):
        return fitted
    settings = {**fitted.rung.settings, "both": False, "squeeze": False}
    return foot.ladder.fit(replace(fitted.rung, settings=settings))


def _joined(chosen: Mapping[Side, Exercise], feet: Mapping[Side, _Foot]) -> list[Exercise]:
    """Join two lines into one where both feet work at once; the easier foot sets the rung."""
    lines = list(chosen.values())
    shared = [bool(e.fitted.rung.settings.get("both")) for e in lines]
    own_way = any(e.pin and not both for e, both in zip(lines, shared, strict=True))
    if len(lines) < len(SIDES) or not any(shared) or own_way:
        return [replace(e, both=both) for e, both in zip(lines, shared, strict=True)]
    pairs = zip(*(e.fitted.rung.places for e in lines), strict=True)
    places = tuple(min(pair) for pair in pairs)
    family = lines[0].family
    step = min(e.dose_step for e in lines)
    fits = {e.side: feet[e.side].ladder.at(family, places) for e in lines}
    if not next(iter(fits.values())).rung.settings.get("both"):
        return lines
    limits = {s: _limit(fits[s]) for s in fits}
    side: Side = min(limits, key=lambda s: limits[s])
    alike = len(set(limits.values())) == 1
    shared_limit = "plan.both_alike" if alike else "plan.both_limits"
    limiting = next(e for e in lines if e.side == side)
    foot = feet[side]
    spec = foot.book.families[family]
    dose, extra = _dose(spec, step, foot)
    own = min(lines, key=lambda e: e.dose_step)
    dosed = [r for r in own.reasons if r.rule.startswith("plan.dose")]
    pin = limiting.pin or next((e.pin for e in lines if e.pin), None)
    return [
        replace(
            limiting,
            fitted=fits[side],
            dose=dose,
            dose_step=step,
            reasons=(
                *_rung_reasons(fits[side], foot),
                foot.book.reason(shared_limit, **({} if alike else {"side": side})),
                *dosed,
                *extra,
                *(r for e in lines for r in e.reasons if r.rule == "plan.pinned"),
            ),
            refused=_once(no for e in lines for no in e.refused),
            warnings=tuple(w for e in lines for w in e.warnings),
            pin=pin,
            both=True,
        )
    ]


def _limit(fitted: Fitted) -> tuple[float, float]:
    """What two feet that work at once must not exceed: the lower heel stop, the smaller bend."""
    stop = fitted.pose.sizes_mm.get("heel_height_mm", 0.0)
    return stop, fitted.demand.bend_deg


def _once(refusals: Iterable[Refusal]) -> tuple[Refusal, ...]:
    """Each refused setting once, though both feet refused it for the same reason."""
    return tuple({(no.what, no.reason.says): no for no in refusals}.values())


# ------------------------------------------------------------------ pins


def _check_pins(pins: Sequence[Pin], book: Evidence) -> None:
    faults: list[Fault] = []
    for number, pin in enumerate(pins, 1):
        field = f"pin {number}"
        family = book.families.get(pin.family)
        if family is None:
            allowed = ", ".join(book.families)
            faults.append(Fault(f"{field}.family", pin.family, allowed, "Name a family."))
            continue
        dials = {dial.key: [notch.key for notch in dial.notches] for dial in family.dials}
        for dial, notch in pin.notches.items():
            if notch not in dials.get(dial, ()):
                allowed = "; ".join(f"{d} = {' | '.join(n)}" for d, n in dials.items())
                faults.append(
                    Fault(f"{field}.{dial}", notch, allowed, "Name a dial and one of its notches.")
                )
        if pin.dose_step is not None and not 1 <= pin.dose_step <= len(family.doses):
            faults.append(
                Fault(
                    f"{field}.dose_step",
                    str(pin.dose_step),
                    f"1 to {len(family.doses)}",
                    "Name a step of the family's dose list.",
                )
            )
        for word, text in (("why", pin.why), ("by", pin.by)):
            if not text.strip():
                faults.append(Fault(f"{field}.{word}", "nothing", "a few words", "Say it."))
    if faults:
        raise InputError("pins", tuple(faults))


def _refuse_pin(pin: Pin, says: str) -> None:
    fault = Fault(
        f"pin {pin.family}.{pin.side}",
        "a pinned rung",
        "nothing, because " + says,
        "A pin cannot set aside the screen or a missing condition; examine again first.",
    )
    raise InputError("pins", (fault,))


def _pin_places(exercise: Exercise, pin: Pin, family: Family) -> tuple[int, ...]:
    places = list(exercise.fitted.rung.places)
    for index, dial in enumerate(family.dials):
        if dial.key in pin.notches:
            keys = [notch.key for notch in dial.notches]
            places[index] = keys.index(pin.notches[dial.key])
    return tuple(places)


def _spread(
    pinned: Mapping[Side, Pin], chosen: Mapping[Side, Exercise], feet: Mapping[Side, _Foot]
) -> dict[Side, Pin]:
    """A pin on a rung at which both feet work at once holds for both."""
    spread = dict(pinned)
    for side, pin in pinned.items():
        if side in chosen and other(side) in chosen and other(side) not in pinned:
            family = feet[side].book.families[pin.family]
            rung = rung_at(family, _pin_places(chosen[side], pin, family))
            if rung.settings.get("both"):
                spread[other(side)] = replace(pin, side=other(side))
    return spread


def _pinned(exercise: Exercise, pin: Pin, foot: _Foot, single: bool) -> Exercise:
    """Put the therapist's choice in place of the computed one; what it goes beyond stays said."""
    book = foot.book
    family = book.families[exercise.family]
    places = _pin_places(exercise, pin, family)
    fitted = foot.ladder.at(family.key, places)
    barred = foot.forbidden(fitted.rung.tags, fitted.rung.name)
    if barred is not None and barred.rule != "plan.grade_forbids":
        _refuse_pin(pin, barred.says)
    if fitted.problems:
        _refuse_pin(pin, book.reason(fitted.problems[0]).says)
    if single:
        fitted = _alone(fitted, foot)
    warnings = [] if barred is None else [book.reason("plan.pin_warning", why=barred.says)]
    warnings += [
        book.reason("plan.pin_warning", why=why.says)
        for why in _pin_objections(family, places, exercise.fitted.rung.places, fitted, foot)
    ]
    step = pin.dose_step or exercise.dose_step
    if step > exercise.dose_step:
        computed = _dose_words(exercise.dose)
        warnings.append(book.reason("plan.pin_warning", why=f"the computed dose is {computed}"))
    dose, extra = _dose(family, step, foot)
    computed = f"{exercise.fitted.rung.name}, dose step {exercise.dose_step}"
    return replace(
        exercise,
        fitted=fitted,
        dose=dose,
        dose_step=step,
        reasons=(
            book.reason("plan.pinned", by=pin.by, why=pin.why, computed=computed),
            *_rung_reasons(fitted, foot)[1:],
            *(
                r
                for r in exercise.reasons
                if r.rule.startswith("plan.dose") and step == exercise.dose_step
            ),
            *extra,
        ),
        warnings=tuple(warnings),
        pin=pin,
    )


def _pin_objections(
    family: Family,
    places: tuple[int, ...],
    start: tuple[int, ...],
    fitted: Fitted,
    foot: _Foot,
) -> Iterator[Reason]:
    for index, dial in enumerate(family.dials):
        for place in range(start[index] + 1, places[index] + 1):
            notch = dial.notches[place]
            what = f"{family.key} {dial.key} {notch.key}"
            for why in (
                foot.lacks(notch.needs, what),
                foot.unmet(notch.allow_if, what),
                _not_first(notch, foot, what),
            ):
                if why is not None:
                    yield why
    over = _over_band(fitted.rung, foot, fitted.rung.name)
    if over is not None:
        yield over


def _notes(
    exam: Exam,
    screening: Screening,
    ranks: tuple[str, ...],
    first: Side | None,
    session: Session,
    book: Evidence,
) -> Iterator[Reason]:
    if first is None:
        yield book.reason("plan.ask_first_foot")
    if ranks != book.priority:
        yield book.reason("plan.balance_first")
    if session.seconds > exam.person.minutes_per_day * 60:
        needed = -(-session.seconds // 60)
        minutes = exam.person.minutes_per_day
        yield book.reason("plan.pinned_long", needed=needed, minutes=minutes)
    for side in SIDES:
        if screening.of(side).outcome == "review":
            home = "home" in screening.of(side).forbids
            yield book.reason("plan.nothing_home" if home else "plan.screen_review", side=side)
    for activity in exam.activities:
        yield book.reason(
            "plan.activity",
            name=activity.name,
            rating=activity.rating,
            target=activity.target,
            by=activity.by or "no date",
        )
    yield book.reason("plan.shoes")
    yield book.reason("plan.no_trial")
    yield book.reason("plan.honest_size")
