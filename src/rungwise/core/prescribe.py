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
from rungwise.core.session import fit_minutes
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
    Side,
)

__all__ = ["less_painful", "met", "other", "prescribe"]

STOPPED = ("refer", "hold")


def other(side: Side) -> Side:
    """The other side."""
    return "left" if side == "right" else "right"


def less_painful(exam: Exam) -> Side | None:
    """The less painful foot: lower worst pain, then larger bend; None when it must be asked."""
    for measure, sign in (("pain_worst_nprs", 1), ("mtp_dorsiflexion_deg", -1)):
        right, left = (exam.number(measure, side) for side in SIDES)
        if right is None or left is None:
            continue
        if right != left:
            return "right" if sign * right < sign * left else "left"
    return None


def met(condition: Condition, exam: Exam, side: Side, grade: Grade, book: Evidence) -> bool:
    """Whether a condition is known and true; what was not examined is not met."""
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
    alone: bool = False

    def forbidden(self, tags: frozenset[str], what: str) -> Reason | None:
        """Why these tags are ruled out for this foot, or None."""
        screen = self.screening.of(self.side)
        if tags & screen.forbids or "home" in screen.forbids:
            flags = sorted({f.item for f in screen.flags if f.forbids & (tags | {"home"})})
            return self.book.reason("plan.forbidden", what=what, flags=flags or screen.outcome)
        if self.alone and "standing" in tags:
            return self.book.reason("plan.other_foot", side=self.side)
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
    feet = {side: _Foot(exam, side, screening, grades[side], ladders[side], book) for side in SIDES}
    refused: list[Refusal] = []
    cleared = [side for side in SIDES if screening.of(side).outcome not in STOPPED]
    emergency = any(f.level == "emergency" for s in SIDES for f in screening.of(s).flags)
    if emergency:
        cleared = []
    for side in SIDES:
        if side not in cleared:
            outcome = screening.of(side).outcome
            rule = "plan.screen_stops" if outcome in STOPPED else "plan.emergency_first"
            reason = book.reason(rule, side=side, outcome=outcome)
            refused.append(Refusal("programme", side, reason))
    _check_pins(pins, book)
    lines: list[Exercise] = []
    kept: list[str] = []
    if pins and not cleared:
        _refuse_pin(pins[0], refused[0].reason.says)
    ranks = _ranks(screening, book)
    for name in ranks if cleared else ():
        family = book.families[name]
        why = _unwanted(family, exam, pins, book)
        if why is None and len(kept) >= book.value("plan.families_max") and not insist:
            why = book.reason("plan.too_many", what=name)
        if why is not None:
            for pin in (p for p in pins if p.family == name):
                _refuse_pin(pin, why.says)
            refused.extend(Refusal(name, side, why) for side in cleared)
            continue
        chosen, nos = _choose(family, feet, cleared, pins)
        refused.extend(nos)
        if chosen:
            kept.append(name)
            lines.extend(chosen)
    first = less_painful(exam)
    fitted, session = fit_minutes(lines, book, exam.person.minutes_per_day, first, ranks)
    for reason in session.dropped:
        if reason.rule == "session.dropped":
            gone = dict(reason.inputs)["what"].replace(" ", "_")
            refused.extend(Refusal(gone, side, reason) for side in cleared)
    return Plan(
        on=today,
        starts=today,
        review=today + timedelta(days=book.value("plan.review_days")),
        ends=today + timedelta(days=book.value("plan.length_days") - 1),
        exam=exam,
        screening=screening,
        grades=dict(grades),
        bodies={side: ladders[side].body for side in SIDES},
        exercises=fitted,
        refused=tuple(refused),
        session=session if fitted else None,
        notes=tuple(_notes(exam, screening, ranks, book)) if fitted else (),
        edition=book.edition,
    )


def _ranks(screening: Screening, book: Evidence) -> tuple[str, ...]:
    """Families from the one that matters most; balance comes first at a raised risk of falling."""
    falls = any(f.item == "falls" for side in SIDES for f in screening.of(side).flags)
    first = tuple(f for f in book.priority if falls and "balance" in book.families[f].tags)
    return first + tuple(f for f in book.priority if f not in first)


def _unwanted(family: Family, exam: Exam, pins: Sequence[Pin], book: Evidence) -> Reason | None:
    if family.key in exam.avoid:
        return book.reason("plan.left_out", what=family.key)
    pinned = any(pin.family == family.key for pin in pins)
    if family.optional and family.key not in exam.wanted and not pinned:
        return book.reason("plan.not_wanted", what=family.key)
    return None


def _choose(
    family: Family, feet: Mapping[Side, _Foot], cleared: Sequence[Side], pins: Sequence[Pin]
) -> tuple[list[Exercise], list[Refusal]]:
    """Choose a family's rung for each cleared foot; alone when the other foot has none."""
    pinned = {pin.side: pin for pin in pins if pin.family == family.key}
    chosen: dict[Side, Exercise] = {}
    nos: dict[Side, list[Refusal]] = {}
    for side in cleared:
        found = _start(family, feet[side])
        if isinstance(found, Exercise):
            chosen[side] = found
        else:
            nos[side] = found
    if len(chosen) == 1:
        (side,) = chosen
        found = _start(family, replace(feet[side], alone=True))
        chosen.clear()
        if isinstance(found, Exercise):
            chosen[side] = _alone(found, feet[side])
        else:
            nos[side] = found
    for side, pin in _spread(pinned, chosen, feet).items():
        if side in chosen:
            chosen[side] = _pinned(chosen[side], pin, feet[side])
        elif side in cleared:
            _refuse_pin(pin, nos[side][0].reason.says)
        else:
            _refuse_pin(pin, f"the screen stops the {side} foot")
    return _joined(chosen, feet), [no for side in nos for no in nos[side]]


def _start(family: Family, foot: _Foot) -> Exercise | list[Refusal]:
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
    step, dose_reason = _dose_step(family, foot)
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
    if why is None and "pain_guided" in family.tags:
        usual = foot.exam.number("pain_usual_nprs", foot.side)
        if usual is None:
            why = foot.book.reason("plan.pain_unknown", what=family.key)
        elif usual > foot.book.value("plan.pain_usual_max"):
            why = foot.book.reason("plan.pain_too_high", what=family.key, found=usual)
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


def _dose_step(family: Family, foot: _Foot) -> tuple[int, Reason]:
    """First or second step of the dose list, by pain; what is not known keeps the first."""
    book = foot.book
    usual = foot.exam.number("pain_usual_nprs", foot.side)
    worst = foot.exam.number("pain_worst_nprs", foot.side)
    calm = (
        usual is not None
        and worst is not None
        and usual <= book.value("pain.safe_max")
        and worst <= book.value("pain.acceptable_max")
    )
    steady = "progress" not in foot.screening.of(foot.side).forbids
    if calm and steady and not foot.alone and len(family.doses) > 1:
        words = _dose_words(family.doses[1].dose)
        return 2, book.reason("plan.dose_second", dose=words, usual=usual, worst=worst)
    return 1, book.reason("plan.dose_first", dose=_dose_words(family.doses[0].dose))


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


def _alone(exercise: Exercise, foot: _Foot) -> Exercise:
    """A rung made for both feet, done with one: nothing is squeezed between the ankles."""
    rung = exercise.fitted.rung
    if not rung.settings.get("both"):
        return exercise
    settings = {**rung.settings, "both": False, "squeeze": False}
    fitted = foot.ladder.fit(replace(rung, settings=settings))
    return replace(exercise, fitted=fitted)


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
    side: Side = min(fits, key=lambda s: (fits[s].demand.bend_deg, -fits[s].loads.tier))
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
                foot.book.reason("plan.both_limits", side=side),
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


def _pinned(exercise: Exercise, pin: Pin, foot: _Foot) -> Exercise:
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
    exam: Exam, screening: Screening, ranks: tuple[str, ...], book: Evidence
) -> Iterator[Reason]:
    if ranks != book.priority:
        yield book.reason("plan.balance_first")
    for side in SIDES:
        if screening.of(side).outcome == "review":
            yield book.reason("plan.screen_review", side=side)
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
