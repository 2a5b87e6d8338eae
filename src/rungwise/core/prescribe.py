"""From one examination to a programme: rung and dose of each exercise, with every reason.

More pain, a worse grade, less motion, poorer balance or a missing finding can only lower the start
of the foot concerned, never raise it: see :mod:`rungwise.core.start`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

from rungwise.core.evidence import Evidence, Family
from rungwise.core.ladder import Ladder
from rungwise.core.pins import check_pins, follow_pin, refuse_pin, spread_pins
from rungwise.core.session import MINUTE, running_order, share_minutes
from rungwise.core.start import Foot, alone_of, dose_of, rung_reasons, start_of
from rungwise.core.terms import (
    SIDES,
    Exam,
    Exercise,
    Fitted,
    Grade,
    Pin,
    Plan,
    Reason,
    Refusal,
    Screening,
    Session,
    Side,
    other,
)

__all__ = ["cleared_feet", "feet_of", "join_feet", "less_painful", "prescribe"]

STOPPED = ("refer", "hold")


def less_painful(exam: Exam, grades: Mapping[Side, Grade]) -> Side | None:
    """The less painful foot: lower worst pain, then larger bend, then as the patient says.

    None when it must be asked. The bends are compared as they were graded, from the same zero.
    """
    right, left = (exam.number("pain_worst_nprs", side) for side in SIDES)
    if right is None or left is None:
        return None
    if right != left:
        return "right" if right < left else "left"
    bends = [grades[side].bend_deg for side in SIDES]
    if bends[0] is None or bends[1] is None or bends[0] == bends[1]:
        return None if exam.worse_side == "alike" else other(exam.worse_side)
    return "right" if bends[0] > bends[1] else "left"


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
    check_pins(pins, book)
    cleared, refused = cleared_feet(screening, book)
    if pins and not cleared:
        refuse_pin(pins[0], refused[0].reason.says)
    feet = feet_of(exam, screening, grades, ladders, book)
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
                refuse_pin(pin, why.says)
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


def feet_of(
    exam: Exam,
    screening: Screening,
    grades: Mapping[Side, Grade],
    ladders: Mapping[Side, Ladder],
    book: Evidence,
) -> dict[Side, Foot]:
    """All that choosing for each foot looks at.

    Parameters
    ----------
    exam, screening, grades, ladders, book
        As for :func:`prescribe`.
    """
    cleared, _ = cleared_feet(screening, book)
    return {
        side: Foot(
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


def cleared_feet(screening: Screening, book: Evidence) -> tuple[list[Side], list[Refusal]]:
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
    feet: Mapping[Side, Foot],
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
        found = start_of(family, feet[side], cap)
        if isinstance(found, Exercise):
            chosen[side] = found
        else:
            nos[side] = found
    if len(chosen) == 1:
        (side,) = chosen
        acting[side] = replace(feet[side], alone=feet[side].alone or "family")
        found = start_of(family, acting[side], cap)
        chosen.clear()
        if isinstance(found, Exercise):
            chosen[side] = replace(found, fitted=alone_of(found.fitted, acting[side]))
        else:
            nos[side] = found
    for side, pin in spread_pins(pinned, chosen, acting).items():
        if side in chosen:
            chosen[side] = follow_pin(chosen[side], pin, acting[side], len(chosen) == 1)
        elif side in cleared:
            refuse_pin(pin, nos[side][0].reason.says)
        else:
            refuse_pin(pin, f"the screen stops the {side} foot")
    return join_feet(chosen, acting), [no for side in nos for no in nos[side]]


def join_feet(chosen: Mapping[Side, Exercise], feet: Mapping[Side, Foot]) -> list[Exercise]:
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
    dose, extra = dose_of(spec, step, foot)
    own = min(lines, key=lambda e: (e.dose_step, e.side != side))
    dosed = [r for r in own.reasons if r.rule.startswith("plan.dose")]
    pin = limiting.pin or next((e.pin for e in lines if e.pin), None)
    decided = dict.fromkeys(r for e in lines for r in e.reasons if r.rule.startswith("progress."))
    return [
        replace(
            limiting,
            fitted=fits[side],
            dose=dose,
            dose_step=step,
            reasons=(
                *decided,
                *(
                    r
                    for r in rung_reasons(fits[side], foot)
                    if not (pin or decided) or r.rule != "plan.start"
                ),
                foot.book.reason(shared_limit, **({} if alike else {"side": side})),
                *dosed,
                *extra,
                *dict.fromkeys(r for e in lines for r in e.reasons if r.rule == "plan.pinned"),
            ),
            refused=_once(no for e in lines for no in e.refused),
            warnings=tuple(dict.fromkeys(w for e in lines for w in e.warnings)),
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
    if session.seconds > exam.person.minutes_per_day * MINUTE:
        needed = -(-session.seconds // MINUTE)
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
