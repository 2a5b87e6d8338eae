"""Invented examinations for the tests: one complete, harmless examination, and changes to it.

The person does not exist. Right foot: 25° of bend, pain at the end of the movement, grade 2.
Left foot: 60°, no pain, grade 0. All 25 screening items are answered "no".
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date
from functools import cache
from typing import Any

from rungwise.book import load_book
from rungwise.core.evidence import Evidence
from rungwise.core.terms import Activity, Exam, Measured, Person, Side, Value

DAY = date(2026, 3, 2)

ITEMS = (
    "hot_swollen_joint",
    "implant_infection",
    "gout_attack",
    "recent_injury",
    "sesamoid_or_stress_pain",
    "overbend_injury",
    "inflammatory_signs",
    "numb_foot",
    "warm_swollen_numb_foot",
    "broken_skin",
    "poor_circulation",
    "clot_signs",
    "foot_operation",
    "toe_injection",
    "night_pain_or_lump",
    "colour_or_sweat_change",
    "nerve_pain",
    "falls",
    "dizziness",
    "blackouts_or_heart",
    "fragility_fracture",
    "blood_thinner",
    "late_pregnancy",
    "severe_pain",
    "cannot_self_monitor",
)

PERSON = Person(
    label="invented-1",
    birth_year=1964,
    height_cm=168.0,
    mass_kg=72.0,
    sex="female",
    language="en",
    equipment=frozenset(
        {"chair", "cloth", "cushion", "scale", "counter", "books", "ball", "shoes", "weight"}
    ),
    minutes_per_day=20.0,
    days_per_week=5,
)

RIGHT: Mapping[str, Value] = {
    "foot_length_mm": 246.0,
    "heel_to_mtp_mm": 178.0,
    "mtp_dorsiflexion_deg": 25.0,
    "flat_standing_deg": 10.0,
    "pain_rest_nprs": 1.0,
    "pain_worst_nprs": 5.0,
    "pain_usual_nprs": 2.0,
    "morning_stiffness_min": 10.0,
    "pain_at": "end_range",
    "press_n": 60.0,
    "press_bend_deg": 0.0,
    "paper_grip": "holds",
    "heel_raise_count": 15.0,
    "heel_raise_stopped_by": "pain",
    "tandem_behind_s": 30.0,
    "one_leg_s": 20.0,
    "stance_pain_nprs": 1.0,
    "arch_lift_toes_long": True,
    "sensation": "normal",
    "pulses": "present",
    "skin": "intact",
}
LEFT: Mapping[str, Value] = {
    **RIGHT,
    "mtp_dorsiflexion_deg": 60.0,
    "flat_standing_deg": 15.0,
    "pain_rest_nprs": 0.0,
    "pain_worst_nprs": 0.0,
    "pain_usual_nprs": 0.0,
    "morning_stiffness_min": 0.0,
    "pain_at": "none",
    "heel_raise_count": 20.0,
    "heel_raise_stopped_by": "strength",
    "stance_pain_nprs": 0.0,
}
WHOLE: Mapping[str, Value] = {
    "feet_together_s": 60.0,
    "semi_tandem_s": 60.0,
    "timed_up_and_go_s": 8.0,
    "chair_stand_count": 15.0,
}


@cache
def real_book() -> Evidence:
    """Load the book inside the package, once."""
    return load_book()


def reading(
    value: float,
    side: Side = "right",
    *,
    measure: str = "mtp_dorsiflexion_deg",
    on: date = DAY,
    method: str | None = "nonweightbearing_passive",
    instrument: str | None = "goniometer",
    zero: str | None = "metatarsal_shaft",
) -> Measured:
    """Make one reading of the joint's bend."""
    return Measured(measure, value, on, side, method, instrument, zero)


def make_exam(
    *,
    answers: Mapping[str, str | None] | None = None,
    details: Mapping[str, Mapping[str, Value]] | None = None,
    right: Mapping[str, Value | None] | None = None,
    left: Mapping[str, Value | None] | None = None,
    whole: Mapping[str, Value | None] | None = None,
    person: Mapping[str, Any] | None = None,
    readings: Iterable[Measured] = (),
    on: date = DAY,
    **changes: Any,
) -> Exam:
    """Make the harmless examination with changes.

    Parameters
    ----------
    answers : mapping, optional
        Item -> answer, laid over "no" for all; None takes the item out (not asked).
    details : mapping, optional
        Facts for scores and classes, as in ``Exam.details``.
    right, left, whole : mapping, optional
        Measure -> value, laid over the harmless ones; None takes it out (not examined).
    person : mapping, optional
        Changed fields of the person.
    readings : iterable of Measured
        Added at the end, as given.
    on : date
        Day of the examination and of every measure above.
    **changes
        Other fields of ``Exam``, as they are.
    """
    measured: list[Measured] = []
    parts: tuple[tuple[Side | None, Mapping[str, Value], Mapping[str, Value | None] | None], ...]
    parts = (("right", RIGHT, right), ("left", LEFT, left), (None, WHOLE, whole))
    for side, harmless, changed in parts:
        for measure, value in {**harmless, **(changed or {})}.items():
            if value is None:
                continue
            if side is not None and measure == "mtp_dorsiflexion_deg":
                measured.append(reading(float(value), side, on=on))
            else:
                measured.append(Measured(measure, value, on, side))
    asked = {**dict.fromkeys(ITEMS, "no"), **(answers or {})}
    exam = Exam(
        on=on,
        therapist="invented therapist",
        person=replace(PERSON, **(person or {})),
        answers={item: answer for item, answer in asked.items() if answer is not None},
        details=details or {},
        measured=(*measured, *readings),
        activities=(Activity("walk 3 km on the flat", 5.0, 8.0, date(2026, 6, 1)),),
        clinic={"phone": "555 0100", "hours": "Monday to Friday, 8 to 17"},
    )
    return replace(exam, **changes)


def mirrored(exam: Exam) -> Exam:
    """Swap right and left in every answer and every reading."""
    swap = {"right": "left", "left": "right"}
    other: dict[Side | None, Side | None] = {"right": "left", "left": "right", None: None}
    return replace(
        exam,
        answers={item: swap.get(answer, answer) for item, answer in exam.answers.items()},
        measured=tuple(replace(one, side=other[one.side]) for one in exam.measured),
    )
