"""A class for a group: which rungs people may do whom nobody has examined, and what when.

There is no patient here. What could harm a person who was not examined is ruled out by the rules of
the book, with the reason; poses are those of a body of middle lengths that belongs to nobody, for
the pictures alone. A size that needs a person's own measure is never told.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Condition, Dial, Evidence, Notch
from rungwise.core.ladder import Joint, Ladder, rungs_of
from rungwise.core.session import MINUTE, kit_of, place_of, running_order
from rungwise.core.terms import SIDES, Body, Exercise, Fitted, Moment, Reason, Rung, Session

__all__ = [
    "Choice",
    "GroupClass",
    "LeftOut",
    "barred",
    "class_rungs",
    "make_class",
    "read_choices",
    "reference_body",
]

#: A rule of this name rules out the tag that follows it.
NOT = "class.not."


@dataclass(frozen=True)
class Choice:
    """A rung chosen for a class, and the step of its dose list, 1 = first [1]."""

    rung: Rung
    dose_step: int


@dataclass(frozen=True)
class LeftOut:
    """A rung that may not be done by people who were not examined, and every reason why."""

    what: str
    reasons: tuple[Reason, ...]


@dataclass(frozen=True)
class GroupClass:
    """A class without any patient: what is done, when, with what, and what is left out.

    Parameters
    ----------
    exercises : tuple of Exercise
        A line for each rung and foot, in the running order; one line where both feet work at once.
    body : Body
        The body of the pictures; it belongs to nobody.
    session : Session
        The running order between opening and closing, in its own time.
    opening_s, closing_s : float
        Time before and after it [s].
    minutes : float or None
        Time given [min]; None when no limit was given.
    people : int
        How many people take part [1].
    kit : tuple of (str, int)
        What is needed and how many of each, in the order of use [1].
    left_out : tuple of LeftOut
        Rungs that were asked for and may not be done.
    notes : tuple of Reason
        What the therapist looks at before.
    edition : str
        Edition of the evidence book.
    """

    exercises: tuple[Exercise, ...]
    body: Body
    session: Session
    opening_s: float
    closing_s: float
    minutes: float | None
    people: int
    kit: tuple[tuple[str, int], ...]
    left_out: tuple[LeftOut, ...]
    notes: tuple[Reason, ...]
    edition: str

    @property
    def seconds(self) -> float:
        """The whole class [s]."""
        return self.opening_s + self.session.seconds + self.closing_s

    @property
    def moments(self) -> tuple[Moment, ...]:
        """The running order in the time of the class: it starts when the opening ends."""
        return tuple(
            replace(moment, start_s=self.opening_s + moment.start_s)
            for moment in self.session.moments
        )

    def lines(self, family: str, place: str) -> tuple[Exercise, ...]:
        """The lines of one exercise: one, or one a foot in the order in which the feet work."""
        return tuple(e for e in self.exercises if (e.family, place_of(e)) == (family, place))

    @property
    def blocks(self) -> tuple[tuple[str, str], ...]:
        """Family and place of each exercise, in the running order."""
        return tuple(dict.fromkeys((e.family, place_of(e)) for e in self.exercises))


# ------------------------------------------------------------------ what was asked for


def read_choices(texts: Sequence[str], book: Evidence) -> tuple[Choice, ...]:
    """Read rungs and doses, each written ``family:notch/notch`` or ``family:notch/notch=2``.

    Parameters
    ----------
    texts : sequence of str
        What was asked for; without a dose it is the first step.
    book : Evidence
        The evidence book.

    Raises
    ------
    InputError
        Names every fault: an unknown rung with the nearest names, a dose step that is not there, a
        family twice in the same place, too many exercises.
    """
    rungs = {
        rung.name: rung for family in book.priority for rung in rungs_of(book.families[family])
    }
    faults: list[Fault] = []
    choices: list[Choice] = []
    for text in texts:
        name, equals, step = text.strip().partition("=")
        rung = rungs.get(name.strip())
        if rung is None:
            faults.append(_unknown(name.strip(), tuple(rungs), book))
            continue
        steps = len(book.families[rung.family].doses)
        if equals and not (step.isascii() and step.isdigit() and 1 <= int(step) <= steps):
            allowed = f"1 to {steps}, a step of the dose list of {rung.family}"
            faults.append(Fault(f"dose of {rung.name}", step or "nothing", allowed, "Change it."))
            continue
        choices.append(Choice(rung, int(step) if equals else 1))
    faults += _clashes(choices)
    most = int(book.value("class.exercises_max"))
    if len(choices) > most:
        given = f"{len(choices)} exercises"
        faults.append(Fault("class", given, f"at most {most}", "Leave some out."))
    if faults:
        raise InputError("class", tuple(faults))
    return tuple(choices)


def _unknown(name: str, names: Sequence[str], book: Evidence) -> Fault:
    family = name.partition(":")[0]
    if family in book.families:
        own = [known for known in names if known.partition(":")[0] == family]
        near = get_close_matches(name, own, cutoff=0)
    else:
        near = get_close_matches(name, names, cutoff=0.5)
    allowed = f"family:notch/notch of {', '.join(book.priority)}"
    if not near:
        return Fault(
            "rung", name or "nothing", allowed, "List them: rungwise class, without a rung."
        )
    return Fault("rung", name, allowed, f"Did you mean {' or '.join(near)}?")


def _clashes(choices: Sequence[Choice]) -> Iterator[Fault]:
    seen: dict[tuple[str, bool], str] = {}
    for choice in choices:
        rung = choice.rung
        key = (rung.family, "standing" in rung.tags)
        if key in seen:
            given = f"{seen[key]} and {rung.name}"
            allowed = "one rung of a family sitting, and one standing"
            yield Fault("rung", given, allowed, "Leave one of them out.")
        seen.setdefault(key, rung.name)


# ------------------------------------------------------------------ who may do what


def reference_body(book: Evidence) -> Body:
    """A body of middle lengths that belongs to nobody, so that poses and pictures exist.

    Parameters
    ----------
    book : Evidence
        Body proportions, and the height and bend of the pictures.

    Returns
    -------
    Body
        Its mass is not known, so that a weight on the knees counts as on a light body.

    Sources
    -------
    santos_2016 (foot length / height); the other shares as their rows say.
    """
    height_mm = book.value("class.body_height_mm")
    foot_mm = book.value("body.foot_length_per_height.unknown") * height_mm
    return Body(
        foot_length_mm=foot_mm,
        heel_to_mtp_mm=book.value("body.heel_to_mtp_per_foot_length") * foot_mm,
        hallux_mm=book.value("body.hallux_per_foot_length") * foot_mm,
        mtp_height_mm=book.value("body.mtp_height_per_foot_length") * foot_mm,
        foot_width_mm=book.value("body.foot_width_per_foot_length") * foot_mm,
        ankle_height_mm=book.value("body.ankle_height_per_height") * height_mm,
        leg_mm=book.value("body.leg_per_height") * height_mm,
        thigh_mm=book.value("body.thigh_per_height") * height_mm,
        mass_kg=None,
        bend_available_deg=book.value("class.bend_available_deg"),
    )


def barred(fitted: Fitted, book: Evidence) -> tuple[Reason, ...]:
    """Every reason why people who were not examined may not do a rung; none when they may.

    Parameters
    ----------
    fitted : Fitted
        The rung, in the pose of the reference body.
    book : Evidence
        The rules of a class.
    """
    return tuple(_barred(fitted, book))


def _barred(fitted: Fitted, book: Evidence) -> Iterator[Reason]:
    rung = fitted.rung
    set_to = rung.settings.get("bend_share", 0.0)
    share = max(float(set_to), fitted.demand.bend_share)
    if share > book.value("class.bend_share_max"):
        yield book.reason("class.bend", what=rung.name, share=share)
    if fitted.loads.tier > book.value("class.tier_max"):
        yield book.reason("class.tier", what=rung.name, tier=fitted.loads.tier)
    for rule in book.rules:
        if rule.startswith(NOT) and rule.removeprefix(NOT) in rung.tags:
            yield book.reason(rule, what=rung.name)
    if "standing" in rung.tags and not _holds_on(fitted, book):
        yield book.reason("class.no_hold", what=rung.name)
    for problem in fitted.problems:
        yield book.reason(problem)


def _holds_on(fitted: Fitted, book: Evidence) -> bool:
    """Whether the rung needs a counter, and the pose has a hand on it."""
    hand = fitted.pose.points.get("hand")
    tops = [max(y for _, y in prop.points) for prop in fitted.pose.props if prop.kind == "counter"]
    needed = any("counter" in notch.needs for _, notch in _notches(fitted.rung, book))
    needed = needed or "counter" in book.families[fitted.rung.family].needs
    return needed and hand is not None and hand[1] in tops


def class_rungs(joint: Joint, book: Evidence) -> tuple[tuple[str, tuple[Reason, ...]], ...]:
    """Every rung of the book by name, and why it may not be done in a class, if so.

    Parameters
    ----------
    joint : Joint
        The joint's module.
    book : Evidence
        The evidence book.
    """
    ladder = _ladder(joint, book)
    return tuple(
        (rung.name, barred(ladder.at(family, rung.places), book))
        for family in book.priority
        for rung in ladder.rungs(family)
    )


def _ladder(joint: Joint, book: Evidence) -> Ladder:
    return Ladder(joint, reference_body(book), SIDES[0], book)


def _notches(rung: Rung, book: Evidence) -> Iterator[tuple[Dial, Notch]]:
    for dial, place in zip(book.families[rung.family].dials, rung.places, strict=True):
        yield dial, dial.notches[place]


def _notes(rung: Rung, fitted: Fitted, book: Evidence) -> Iterator[Reason]:
    """What an examination would have found out, and the class does not know."""
    notches = [notch for _, notch in _notches(rung, book)]
    gates = [*book.families[rung.family].allow_if]
    for notch in notches:
        gates += (*notch.allow_if, *notch.start_if)
    unknown = tuple(dict.fromkeys(m.replace("_", " ") for c in gates for m in _measures(c)))
    if unknown:
        yield book.reason("class.look_first", what=rung.name, unknown=unknown)
    later = [
        f"{dial.key} {notch.key}"
        for dial, notch in _notches(rung, book)
        if notch is not dial.notches[0] and not notch.start_if
    ]
    if later:
        yield book.reason("class.not_first", what=rung.name, which=later)
    if fitted.demand.bend_share > 0:
        yield book.reason("class.own_size", what=rung.name)


def _measures(condition: Condition) -> Iterator[str]:
    yield condition.measure
    if condition.instead is not None:
        yield from _measures(condition.instead)


# ------------------------------------------------------------------ the class


def make_class(
    choices: Sequence[Choice],
    joint: Joint,
    book: Evidence,
    people: int,
    minutes: float | None = None,
) -> GroupClass:
    """Leave out what people not examined may not do, and order the rest to the second.

    Parameters
    ----------
    choices : sequence of Choice
        Rungs and doses (see :func:`read_choices`).
    joint : Joint
        The joint's module.
    book : Evidence
        The evidence book.
    people : int
        How many people take part [1].
    minutes : float, optional
        Time given [min].

    Returns
    -------
    GroupClass
        Seated first, standing last, both feet; without exercises when every rung is left out.

    Raises
    ------
    InputError
        Too many people or nobody; less time than the class takes.
    """
    ladder = _ladder(joint, book)
    exercises: list[Exercise] = []
    left_out: list[LeftOut] = []
    notes: list[Reason] = []
    for choice in choices:
        rung = choice.rung
        fitted = ladder.at(rung.family, rung.places)
        why = barred(fitted, book)
        if why:
            left_out.append(LeftOut(rung.name, why))
            continue
        notes += _notes(rung, fitted, book)
        exercises += _lines(choice, ladder, book)
    session = running_order(exercises, book)
    order = list(dict.fromkeys((m.family, m.place) for m in session.moments if m.kind == "do"))
    exercises.sort(key=lambda e: order.index((e.family, place_of(e))))
    made = GroupClass(
        exercises=tuple(exercises),
        body=ladder.body,
        session=session,
        opening_s=book.value("class.opening_s"),
        closing_s=book.value("class.closing_s"),
        minutes=minutes,
        people=people,
        kit=tuple((thing, people) for thing in _kit(exercises, book)),
        left_out=tuple(left_out),
        notes=tuple(notes),
        edition=book.edition,
    )
    faults = tuple(_misfits(made, book))
    if faults:
        raise InputError("class", faults)
    return made


def _lines(choice: Choice, ladder: Ladder, book: Evidence) -> Iterator[Exercise]:
    """One line, or one a foot."""
    rung = choice.rung
    dose = book.families[rung.family].doses[choice.dose_step - 1].dose
    both = bool(rung.settings.get("both"))
    for side in SIDES[:1] if both else SIDES:
        fitted = replace(ladder.at(rung.family, rung.places), side=side)
        yield Exercise(rung.family, side, fitted, dose, choice.dose_step, (), (), both=both)


def _kit(exercises: Sequence[Exercise], book: Evidence) -> tuple[str, ...]:
    things = (
        thing for exercise in exercises for thing in sorted(kit_of(exercise.fitted.rung, book))
    )
    return tuple(dict.fromkeys(things))


def _misfits(made: GroupClass, book: Evidence) -> Iterator[Fault]:
    most = int(book.value("class.people_max"))
    if not 1 <= made.people <= most:
        yield Fault("people", str(made.people), f"1 to {most}", "Make two classes of them.")
    given = made.minutes
    if given is None or not made.exercises:
        return
    needed = math.ceil(made.seconds / MINUTE)
    if not given * MINUTE >= made.seconds:
        allowed = f"at least {needed} min for these rungs and doses"
        yield Fault("minutes", f"{given:g}", allowed, "Give more time, fewer rungs or lower doses.")
