"""The nouns of the treatment room, as frozen values.

Sides are ``"right"`` and ``"left"``, always said. A missing value is ``None`` and means *not
examined*, never *normal*. Angles are degrees of dorsiflexion; lengths are millimetres; a pose
(:mod:`rungwise.core.planar`) is in metres.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time
from functools import cached_property
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from rungwise.core.planar import Pose

__all__ = [
    "AIDS",
    "LATER",
    "LEVELS",
    "PHOTOGRAPH",
    "SIDES",
    "Activity",
    "Body",
    "Demand",
    "Dose",
    "Exam",
    "Exercise",
    "Fitted",
    "Flag",
    "Grade",
    "Loads",
    "Measured",
    "Moment",
    "Person",
    "Pin",
    "Plan",
    "Reason",
    "Refusal",
    "Rung",
    "Score",
    "Screening",
    "Session",
    "Side",
    "SideScreen",
    "Value",
    "other",
]

Side = Literal["right", "left"]
SIDES: tuple[Side, Side] = ("right", "left")


def other(side: Side) -> Side:
    """The other side."""
    return "left" if side == "right" else "right"


Level = Literal["emergency", "urgent", "review", "caution"]
LEVELS: tuple[Level, ...] = ("emergency", "urgent", "review", "caution")
Outcome = Literal["refer", "hold", "review", "careful", "go"]
Value = float | str | bool
#: Instruments whose readings are a measuring aid's: the therapist confirms each before a rule
#: uses it.
PHOTOGRAPH = "photograph"
AIDS = (PHOTOGRAPH, "phone")
#: Marks a field that came later: it is not written while it is empty, so that what was kept before
#: it reads back the same.
LATER = {"later": True}


@dataclass(frozen=True)
class Reason:
    """Why: a rule in a plain sentence, the inputs it saw, the rows of the book it used.

    Parameters
    ----------
    rule : str
        Identifier of the rule in the book.
    version : int
        Version of the rule [1].
    says : str
        The rule as a plain sentence with its values filled in.
    inputs : tuple of (str, str)
        Each input seen and its value as printed.
    keys : tuple of str
        Rows of the book that the rule rests on.
    sources : tuple of str
        Source keys of those rows and of the rule itself.
    basis : str
        The weakest basis among them.
    """

    rule: str
    version: int
    says: str
    inputs: tuple[tuple[str, str], ...] = ()
    keys: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    basis: str = "practice"


# ------------------------------------------------------------------ the examination


@dataclass(frozen=True)
class Measured:
    """One thing found at the examination.

    Parameters
    ----------
    measure : str
        Key of the measure in the book (``mtp_dorsiflexion_deg``); its unit is in the name.
    value : float or str or bool
        What was found.
    on : date
        When.
    side : {"right", "left"} or None
        Which foot; None for the whole person.
    method, instrument, zero : str or None
        How, with what and from which zero, where the measure asks for them.
    sem : float or None
        Standard error that a measuring aid gave with this very reading, in the unit of the measure;
        what lies between occasions is not in it.
    """

    measure: str
    value: Value
    on: date
    side: Side | None = None
    method: str | None = None
    instrument: str | None = None
    zero: str | None = None
    sem: float | None = field(default=None, metadata=LATER)


@dataclass(frozen=True)
class Person:
    """Who is examined, without a name: a local label and what the rules need.

    Parameters
    ----------
    label : str
        The clinic's own label for this person.
    birth_year : int
        Year of birth [a].
    height_cm, mass_kg : float or None
        Body height [cm] and mass [kg].
    sex : {"female", "male"} or None
        Only where a norm or a body proportion needs it.
    language : str
        Language of what the patient reads.
    equipment : frozenset of str
        What is at home.
    minutes_per_day : float
        Time that the person will give on an exercise day [min].
    days_per_week : int
        Days with exercise [1].
    time_zone : str or None
        IANA name, for reminders.
    session_time : time or None
        Wall-clock time of the reminder.
    """

    label: str
    birth_year: int
    height_cm: float | None
    mass_kg: float | None
    sex: Literal["female", "male"] | None
    language: str
    equipment: frozenset[str]
    minutes_per_day: float
    days_per_week: int
    time_zone: str | None = None
    session_time: time | None = None


@dataclass(frozen=True)
class Activity:
    """Something the patient wants to do again, rated 0 (unable) to 10 (as before).

    Parameters
    ----------
    name : str
        In the patient's own words.
    rating, target : float
        Now, and hoped for, 0–10 [1].
    by : date or None
        When it should be reached.
    """

    name: str
    rating: float
    target: float
    by: date | None


@dataclass(frozen=True)
class Exam:
    """One examination: the person, both feet, the screen, the patient's own activities.

    Parameters
    ----------
    on : date
        Day of the examination.
    therapist : str
        Who examined.
    person : Person
        Who was examined.
    answers : mapping of str to str
        Screening item -> ``yes``, ``no``, ``right``, ``left`` or ``both``; absent = not asked.
    details : mapping of str to mapping
        Further facts for the items that have a published score or class.
    measured : tuple of Measured
        All readings.
    activities : tuple of Activity
        The patient's own activities.
    wanted : tuple of str
        Optional exercise families that the therapist asks for.
    avoid : tuple of str
        Families that the therapist leaves out.
    clinic : mapping of str to str
        Contact lines for the handout.
    worse_side : {"right", "left", "alike"}
        The worse foot as the patient says, asked apart from the findings.
    """

    on: date
    therapist: str
    person: Person
    answers: Mapping[str, str]
    details: Mapping[str, Mapping[str, Value]]
    measured: tuple[Measured, ...]
    activities: tuple[Activity, ...] = ()
    wanted: tuple[str, ...] = ()
    avoid: tuple[str, ...] = ()
    clinic: Mapping[str, str] = field(default_factory=dict)
    worse_side: Literal["right", "left", "alike"] = "alike"

    @cached_property
    def _found(self) -> Mapping[tuple[str, Side | None], tuple[Measured, ...]]:
        found: dict[tuple[str, Side | None], tuple[Measured, ...]] = {}
        for m in self.measured:
            found[m.measure, m.side] = (*found.get((m.measure, m.side), ()), m)
        return found

    def readings(self, measure: str, side: Side | None = None) -> tuple[Measured, ...]:
        """All readings of a measure on one side (or of the whole person), in the order given."""
        return self._found.get((measure, side), ())

    def found(self, measure: str, side: Side | None = None) -> Value | None:
        """The last value found, or None when it was not examined."""
        values = self.readings(measure, side)
        return values[-1].value if values else None

    def number(self, measure: str, side: Side | None = None) -> float | None:
        """The last value found as a number, or None when it was not examined."""
        value = self.found(measure, side)
        return None if value is None or isinstance(value, str) else float(value)


# ------------------------------------------------------------------ screen and grade


@dataclass(frozen=True)
class Flag:
    """One screening item that is positive: how grave, for which foot, what to do.

    Parameters
    ----------
    item : str
        Key of the screening item (``hot_swollen_joint``).
    level : {"emergency", "urgent", "review", "caution"}
        How grave.
    side : {"right", "left"} or None
        Which foot; None for the whole person.
    do : str
        What to do now, in a therapist's words.
    forbids : frozenset of str
        Tags of exercises that it rules out.
    reason : Reason
        Why.
    """

    item: str
    level: Level
    side: Side | None
    do: str
    forbids: frozenset[str]
    reason: Reason


@dataclass(frozen=True)
class Score:
    """A published score whose unknown items make it a range.

    Parameters
    ----------
    name : str
        Which score.
    low, high : float
        The score if every unknown item were absent / present [1].
    unknown : tuple of str
        Items not known.
    says : str
        What the range means, in words.
    reason : Reason
        The rule.
    """

    name: str
    low: float
    high: float
    unknown: tuple[str, ...]
    says: str
    reason: Reason


@dataclass(frozen=True)
class SideScreen:
    """What the screen says for one foot.

    Parameters
    ----------
    side : {"right", "left"}
        Which foot.
    outcome : {"refer", "hold", "review", "careful", "go"}
        ``refer``: no programme, see ``flags``; ``hold``: not fully asked or too old, no
        programme; ``review``: unloaded parts only until a physician or podiatrist has looked;
        ``careful``: go, with limits; ``go``.
    flags : tuple of Flag
        Everything positive, gravest first.
    forbids : frozenset of str
        Tags of exercises that are ruled out for this foot.
    reasons : tuple of Reason
        Why this outcome.
    """

    side: Side
    outcome: Outcome
    flags: tuple[Flag, ...]
    forbids: frozenset[str]
    reasons: tuple[Reason, ...]


@dataclass(frozen=True)
class Screening:
    """What the screen says: each foot, what was not asked, the scores.

    Parameters
    ----------
    on : date
        Day of the screen.
    right, left : SideScreen
        Each foot.
    not_asked : tuple of str
        Items without an answer.
    scores : tuple of Score
        Gout and clot scores where they were called for.
    """

    on: date
    right: SideScreen
    left: SideScreen
    not_asked: tuple[str, ...]
    scores: tuple[Score, ...]

    def of(self, side: Side) -> SideScreen:
        """The screen of one foot."""
        return self.right if side == "right" else self.left


@dataclass(frozen=True)
class Grade:
    """Clinical grade of one joint, with both of its components.

    Parameters
    ----------
    side : {"right", "left"}
        Which foot.
    value : int or None
        0–4; None when it cannot be given (see ``reasons``) [1].
    by_degrees, by_loss : int or None
        Grade by degrees left, and by percent lost against the other side [1].
    bend_deg : float or None
        Dorsiflexion used, from the metatarsal shaft [deg].
    sem_deg : float or None
        Standard error of that reading [deg].
    loss_pct : float or None
        Loss against the other side [pct]; None when there is no valid reference.
    probability : tuple of float
        P(grade 0..4) under the reading's error [1]; empty when not graded.
    second_best : int or None
        Next likely grade when its probability is large enough to matter [1].
    radiograph : int or None
        Radiograph grade if known; it may raise, never lower [1].
    notes : tuple of Reason
        Inconsistencies and cautions.
    reasons : tuple of Reason
        How the grade came about.
    """

    side: Side
    value: int | None
    by_degrees: int | None
    by_loss: int | None
    bend_deg: float | None
    sem_deg: float | None
    loss_pct: float | None
    probability: tuple[float, ...]
    second_best: int | None
    radiograph: int | None
    notes: tuple[Reason, ...]
    reasons: tuple[Reason, ...]


# ------------------------------------------------------------------ body, rungs, loads


@dataclass(frozen=True)
class Body:
    """The lengths and capacities of one leg that poses and loads need, on the cautious side.

    Parameters
    ----------
    foot_length_mm, heel_to_mtp_mm, hallux_mm, mtp_height_mm, foot_width_mm : float
        Foot [mm]; ``mtp_height_mm`` is the height of the joint axis above the floor.
    ankle_height_mm, leg_mm, thigh_mm : float
        Leg [mm].
    mass_kg : float or None
        Body mass [kg].
    bend_available_deg : float
        Dorsiflexion that may be used, from flat standing, margin taken off [deg]; 0 if none.
    press_max_n : float or None
        Strongest press found [N].
    notes : tuple of Reason
        Which lengths were measured, which are defaults.
    mtp_height_range_mm : (float, float) or None
        Range of ``mtp_height_mm`` [mm]; sizes are made for its worse end. None if it is exact.
    """

    foot_length_mm: float
    heel_to_mtp_mm: float
    hallux_mm: float
    mtp_height_mm: float
    foot_width_mm: float
    ankle_height_mm: float
    leg_mm: float
    thigh_mm: float
    mass_kg: float | None
    bend_available_deg: float
    press_max_n: float | None = None
    notes: tuple[Reason, ...] = ()
    mtp_height_range_mm: tuple[float, float] | None = None

    @property
    def mtp_heights_mm(self) -> tuple[float, float]:
        """Least and greatest height of the joint axis [mm]; alike where it is exact."""
        return self.mtp_height_range_mm or (self.mtp_height_mm, self.mtp_height_mm)


@dataclass(frozen=True)
class Rung:
    """One setting of every dial of an exercise family.

    Parameters
    ----------
    family : str
        Key of the family (``heel_raise``).
    notches : tuple of (str, str)
        Each dial and the notch it stands on, in the family's order.
    places : tuple of int
        Index of each notch on its dial, 0 = easiest [1].
    settings : mapping of str to value
        What the notches set: position, hands, share of the bend available …
    tags : frozenset of str
        What kind of exercise it is; a screening flag may forbid a tag.
    """

    family: str
    notches: tuple[tuple[str, str], ...]
    places: tuple[int, ...]
    settings: Mapping[str, Value]
    tags: frozenset[str]

    @property
    def name(self) -> str:
        """The rung's name: family and notches."""
        return self.family + ":" + "/".join(notch for _, notch in self.notches)


@dataclass(frozen=True)
class Loads:
    """What a rung asks of the joint, as a share of this person's own walking push-off.

    Parameters
    ----------
    share_median, share_low, share_high : float
        Median and 5–95 % range of the share [1].
    tier : int
        1 low, 2 middle, 3 high, by the high end [1].
    kg_per_foot : float or None
        What a bathroom scale under that foot reads [kg], where it can be checked.
    """

    share_median: float
    share_low: float
    share_high: float
    tier: int
    kg_per_foot: float | None = None


@dataclass(frozen=True)
class Demand:
    """The three demands of a rung for this foot.

    Parameters
    ----------
    bend_share : float
        Bend used ÷ bend available [1]; 0 when the joint does not bend.
    bend_deg : float
        Bend used, from flat standing, at the worse end of what is not known exactly [deg].
    tier : int
        Load tier 1–3 [1].
    base_width_mm : float or None
        Side-to-side width of the base of support [mm]; None when seated.
    surface : {"firm", "soft", "seat"}
        What is stood on.
    hands : {"seat", "hand", "fingertips", "near"}
        What the hands do.
    """

    bend_share: float
    bend_deg: float
    tier: int
    base_width_mm: float | None
    surface: str
    hands: str


@dataclass(frozen=True)
class Fitted:
    """A rung fitted to one foot: its pose, loads and demands.

    Parameters
    ----------
    rung : Rung
        Which rung.
    side : {"right", "left"}
        Which foot.
    pose : Pose
        The pose whose geometry gave the numbers; the same that is drawn.
    loads : Loads
        Load of the joint.
    demand : Demand
        The three demands.
    problems : tuple of str
        Rule ids that make it impossible for this foot.
    """

    rung: Rung
    side: Side
    pose: Pose
    loads: Loads
    demand: Demand
    problems: tuple[str, ...] = ()


# ------------------------------------------------------------------ the plan


@dataclass(frozen=True)
class Dose:
    """How much of it.

    Parameters
    ----------
    sets, reps : int
        Sets of repetitions [1].
    hold_s : float
        Seconds held at each repetition [s].
    lift_s, lower_s : float
        Seconds up and seconds down [s].
    rest_s : float
        Seconds between sets [s].
    days_per_week : int
        Days in a week [1].
    """

    sets: int
    reps: int
    hold_s: float
    lift_s: float
    lower_s: float
    rest_s: float
    days_per_week: int

    @property
    def set_s(self) -> float:
        """Working time of one set [s]."""
        return self.reps * (self.hold_s + self.lift_s + self.lower_s)

    @property
    def seconds(self) -> float:
        """Working time of one side with its rests [s]."""
        return self.sets * self.set_s + max(self.sets - 1, 0) * self.rest_s


@dataclass(frozen=True)
class Refusal:
    """A rung, notch or family that was considered and not chosen, and why."""

    what: str
    side: Side
    reason: Reason


@dataclass(frozen=True)
class Pin:
    """A therapist's own choice in place of the computed one.

    Parameters
    ----------
    family : str
        Which family.
    side : {"right", "left"}
        Which foot.
    notches : mapping of str to str
        Dial -> notch; dials not named stay as computed.
    dose_step : int or None
        Step of the family's dose list, 1 = first [1]; None leaves it as computed.
    why, by : str
        Her reason and name.
    """

    family: str
    side: Side
    notches: Mapping[str, str]
    dose_step: int | None
    why: str
    by: str


@dataclass(frozen=True)
class Exercise:
    """One line of the programme: a rung for one foot with its dose and its reasons.

    Parameters
    ----------
    family : str
        Which family.
    side : {"right", "left"}
        Which foot works.
    fitted : Fitted
        The rung with its pose, loads, demands.
    dose : Dose
        How much.
    dose_step : int
        Step of the family's dose list, 1 = first [1].
    reasons : tuple of Reason
        Why this rung and this dose.
    refused : tuple of Refusal
        The next harder settings, and why not now.
    warnings : tuple of Reason
        What stays visible beside it, above all under a pin.
    pin : Pin or None
        The therapist's own choice, if she made one.
    both : bool
        Both feet work at once; ``side`` is then the foot that sets the limits.
    """

    family: str
    side: Side
    fitted: Fitted
    dose: Dose
    dose_step: int
    reasons: tuple[Reason, ...]
    refused: tuple[Refusal, ...]
    warnings: tuple[Reason, ...] = ()
    pin: Pin | None = None
    both: bool = False


@dataclass(frozen=True)
class Moment:
    """One stretch of a session, to the second.

    Parameters
    ----------
    start_s, seconds : float
        When it starts after the beginning of the session, and how long it lasts [s].
    kind : {"fetch", "change", "do", "rest"}
        What happens.
    family : str or None
        Exercise that it belongs to.
    side : {"right", "left"} or None
        Foot that works.
    set_no : int
        Which set, 1 = first; 0 when none [1].
    place : str
        Where: ``seat`` or ``stand``.
    """

    start_s: float
    seconds: float
    kind: Literal["fetch", "change", "do", "rest"]
    family: str | None
    side: Side | None
    set_no: int = 0
    place: str = ""


@dataclass(frozen=True)
class Session:
    """The running order of one day at home.

    Parameters
    ----------
    moments : tuple of Moment
        What when.
    order : tuple of str
        Families in their order.
    seconds : float
        Total time [s].
    kit : tuple of str
        What to fetch, in the order of use.
    place_changes, kit_changes : int
        How often the place and the kit change [1].
    dropped : tuple of Reason
        What did not fit the minutes given.
    """

    moments: tuple[Moment, ...]
    order: tuple[str, ...]
    seconds: float
    kit: tuple[str, ...]
    place_changes: int
    kit_changes: int
    dropped: tuple[Reason, ...] = ()


@dataclass(frozen=True)
class Plan:
    """A programme, or the reasons why there is none.

    Parameters
    ----------
    on : date
        Day it was made.
    starts, review, ends : date
        First day, day of the next look, last day it may be followed.
    exam : Exam
        What it was made from.
    screening : Screening
        The screen.
    grades : mapping of Side to Grade
        Grade of each foot.
    bodies : mapping of Side to Body
        Lengths and capacities used.
    exercises : tuple of Exercise
        The lines of the programme; empty when there is none.
    refused : tuple of Refusal
        Families that were considered and left out.
    session : Session or None
        Running order of a day.
    notes : tuple of Reason
        What holds for the whole plan: what is not known, shoe advice, walking.
    edition : str
        Edition of the evidence book.
    """

    on: date
    starts: date
    review: date
    ends: date
    exam: Exam
    screening: Screening
    grades: Mapping[Side, Grade]
    bodies: Mapping[Side, Body]
    exercises: tuple[Exercise, ...]
    refused: tuple[Refusal, ...]
    session: Session | None
    notes: tuple[Reason, ...]
    edition: str
