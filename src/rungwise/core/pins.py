"""The therapist's own choices: what they may set aside, and what stays said beside them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Family
from rungwise.core.ladder import rung_at
from rungwise.core.start import (
    Foot,
    alone_of,
    dose_of,
    dose_words,
    not_first,
    over_band,
    rung_reasons,
)
from rungwise.core.terms import Exercise, Fitted, Pin, Reason, Side, other

__all__ = ["check_pins", "follow_pin", "refuse_pin", "spread_pins"]


def check_pins(pins: Sequence[Pin], book: Evidence) -> None:
    """Refuse pins that name no family, dial, notch or dose, or give no reason: all at once.

    Raises
    ------
    InputError
        Names every fault of every pin.
    """
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


def refuse_pin(pin: Pin, says: str) -> None:
    """Refuse a pin that the screen or a missing condition rules out.

    Raises
    ------
    InputError
        Always.
    """
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


def spread_pins(
    pinned: Mapping[Side, Pin], chosen: Mapping[Side, Exercise], feet: Mapping[Side, Foot]
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


def follow_pin(exercise: Exercise, pin: Pin, foot: Foot, single: bool) -> Exercise:
    """Put the therapist's choice in place of the computed one; what it goes beyond stays said."""
    book = foot.book
    family = book.families[exercise.family]
    places = _pin_places(exercise, pin, family)
    fitted = foot.ladder.at(family.key, places)
    barred = foot.forbidden(fitted.rung.tags, fitted.rung.name)
    if barred is not None and barred.rule != "plan.grade_forbids":
        refuse_pin(pin, barred.says)
    if fitted.problems:
        refuse_pin(pin, book.reason(fitted.problems[0]).says)
    if single:
        fitted = alone_of(fitted, foot)
    warnings = [] if barred is None else [book.reason("plan.pin_warning", why=barred.says)]
    warnings += [
        book.reason("plan.pin_warning", why=why.says)
        for why in _pin_objections(family, places, exercise.fitted.rung.places, fitted, foot)
    ]
    step = pin.dose_step or exercise.dose_step
    if step > exercise.dose_step:
        computed = dose_words(exercise.dose)
        warnings.append(book.reason("plan.pin_warning", why=f"the computed dose is {computed}"))
    dose, extra = dose_of(family, step, foot)
    computed = f"{exercise.fitted.rung.name}, dose step {exercise.dose_step}"
    return replace(
        exercise,
        fitted=fitted,
        dose=dose,
        dose_step=step,
        reasons=(
            book.reason("plan.pinned", by=pin.by, why=pin.why, computed=computed),
            *(r for r in rung_reasons(fitted, foot) if r.rule != "plan.start"),
            *(
                r
                for r in exercise.reasons
                if r.rule.startswith("plan.dose") and step == exercise.dose_step
            ),
            *extra,
        ),
        refused=tuple(no for no in exercise.refused if not _reached(no.what, family, places)),
        warnings=tuple(warnings),
        pin=pin,
    )


def _reached(what: str, family: Family, places: tuple[int, ...]) -> bool:
    """Whether a refused notch (``dial:notch``) is one that the pin now stands on or above."""
    dial_key, _, notch_key = what.partition(":")
    for dial, place in zip(family.dials, places, strict=True):
        keys = [notch.key for notch in dial.notches]
        if dial.key == dial_key and notch_key in keys:
            return keys.index(notch_key) <= place
    return False


def _pin_objections(
    family: Family,
    places: tuple[int, ...],
    start: tuple[int, ...],
    fitted: Fitted,
    foot: Foot,
) -> Iterator[Reason]:
    for index, dial in enumerate(family.dials):
        for place in range(start[index] + 1, places[index] + 1):
            notch = dial.notches[place]
            what = f"{family.key} {dial.key} {notch.key}"
            for why in (
                foot.lacks(notch.needs, what),
                foot.unmet(notch.allow_if, what),
                not_first(notch, foot, what),
            ):
                if why is not None:
                    yield why
    over = over_band(fitted.rung, foot, fitted.rung.name)
    if over is not None:
        yield over
