"""Every rung of every family, every dose, every kind of foot: one step harder, one step easier.

The production ``harder`` and ``easier`` are called on all of them; what they answer is checked here
by other means: the gates, bans, ceilings and kit are read from the book once more.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cache
from itertools import combinations, product
from unittest.mock import patch

from proof.rules import Found
from rungwise.book import joint_of
from rungwise.clinic import examine
from rungwise.core import steps
from rungwise.core.evidence import Condition, Evidence, Family
from rungwise.core.ladder import Ladder, rung_at, rungs_of
from rungwise.core.look import SCREEN_RULES
from rungwise.core.start import Foot
from rungwise.core.steps import Step, barred_now, easier, harder
from rungwise.core.terms import (
    Body,
    Exam,
    Fitted,
    Measured,
    Reason,
    Rung,
    Screening,
    SideScreen,
    Value,
)

__all__ = ["Count", "feet_kinds", "prove_steps"]

HANDS = ("seat", "hand", "fingertips", "near")
SURFACES = ("seat", "firm", "soft")
GROUNDS = ("", "flat", "hills", "stairs")
ROUNDING_DEG = 1e-6
#: Grades from the best to the worst; a foot that is not graded counts as the worst.
GRADES: tuple[int | None, ...] = (0, 1, 2, 3, 4, None)


class Terse(Evidence):
    """The evidence book whose reasons carry their rule and no sentence: they cost little."""

    def reason(self, rule: str, **told: object) -> Reason:
        """The rule's name alone."""
        del told
        return _bare(rule)


@cache
def _bare(rule: str) -> Reason:
    return Reason(rule, 1, rule)


def terse(book: Evidence) -> Evidence:
    """The same book without sentences.

    Parameters
    ----------
    book : Evidence
        The evidence book.
    """
    return Terse(**{f.name: getattr(book, f.name) for f in fields(Evidence)})


class Count:
    """How often each property was looked at, and how often it broke."""

    def __init__(self) -> None:
        self.found: dict[str, list[int]] = {}
        self.examples: dict[str, str] = {}
        self.states = 0

    def hold(self, says: str, true: bool, *example: object) -> None:
        """Note one look at a property; the first that breaks it is kept as an example."""
        row = self.found.setdefault(says, [0, 0])
        row[0] += 1
        if not true:
            row[1] += 1
            self.examples.setdefault(says, " ".join(map(str, example)))

    def add(self, other: Count) -> None:
        """Take in what another one counted."""
        self.states += other.states
        for says, (looks, bad) in other.found.items():
            row = self.found.setdefault(says, [0, 0])
            row[0] += looks
            row[1] += bad
        self.examples = {**other.examples, **self.examples}

    def results(self, how: str) -> list[Found]:
        """What each property came to."""
        return [Found(says, how, n, bad) for says, (n, bad) in self.found.items()]


@dataclass(frozen=True)
class Kind:
    """A kind of foot, and the words for it."""

    foot: Foot
    grade: int | None
    bans: frozenset[str]
    gates: tuple[str, ...]
    kit: frozenset[str]
    body: str

    def __str__(self) -> str:
        lacks = set(self.foot.book.equipment) - self.kit
        return f"grade {self.grade}, bans {set(self.bans)}, {self.gates}, {self.body}, no {lacks}"


# ------------------------------------------------------------------ the feet


def bodies(exam: Exam, book: Evidence) -> dict[str, Body]:
    """A tiny, a middling and a huge leg, one with hardly any bend left, and one with none.

    Parameters
    ----------
    exam : Exam
        Whose body is the middling one.
    book : Evidence
        The evidence book.
    """
    mid = joint_of(book).body_of(exam, "right", book)

    def scaled(by: float, bend_deg: float) -> Body:
        lengths = {
            f.name: getattr(mid, f.name) * by for f in fields(Body) if f.name.endswith("_mm")
            and f.name != "mtp_height_range_mm"
        }  # fmt: skip
        return replace(
            mid, **lengths, bend_available_deg=bend_deg, mtp_height_range_mm=None,
            mass_kg=None if mid.mass_kg is None else mid.mass_kg * by**3,
        )  # fmt: skip

    return {
        "tiny": scaled(0.75, 60.0),
        "middling": scaled(1.0, 40.0),
        "huge": scaled(1.3, 60.0),
        "low bend": scaled(1.0, 4.0),
        "no bend": scaled(1.0, 0.0),
    }


def _conditions(family: Family) -> list[Condition]:
    found = list(family.allow_if)
    for dial in family.dials:
        for notch in dial.notches:
            found += notch.allow_if
    return found + [c.instead for c in found if c.instead is not None]


def _levels(book: Evidence, family: Family) -> dict[tuple[str, bool], list[Value | None]]:
    """Measure -> the values at each of its gates, beyond them, and not known."""
    found: dict[tuple[str, bool], list[Value | None]] = {}
    for c in _conditions(family):
        if c.measure == "grade":
            continue
        values = found.setdefault((c.measure, c.person), [])
        if c.equals is not None:
            values += [c.equals, None]
        for key, beyond in ((c.at_least, -1.0), (c.at_most, 1.0)):
            if key is not None:
                values += [book.value(key), book.value(key) + beyond, None]
    return {key: list(dict.fromkeys(values)) for key, values in found.items()}


def feet_kinds(exam: Exam, book: Evidence, family: Family, reduced: bool) -> Iterator[Kind]:
    """Every kind of foot that matters to a family.

    Parameters
    ----------
    exam : Exam
        A harmless one, on which everything is known.
    book : Evidence
        The evidence book, terse.
    family : Family
        Which family.
    reduced : bool
        Bans one at a time, gates met or one unmet, two bodies.
    """
    levels = _levels(book, family)
    every = list(product(*levels.values()))
    fine = tuple(values[0] for values in levels.values())
    one_off = [
        (*fine[:i], value, *fine[i + 1 :])
        for i, values in enumerate(levels.values())
        for value in values
    ]
    single = list(dict.fromkeys([fine, *one_off, tuple(v[-1] for v in levels.values())]))
    tags = sorted(frozenset().union(*(r.tags for r in rungs_of(family))))
    ones = [frozenset(), frozenset({"home"}), *(frozenset({tag}) for tag in tags)]
    twos = [*ones, *(frozenset(pair) for pair in combinations(tags, 2))]
    needs = sorted(family.needs.union(*(n.needs for d in family.dials for n in d.notches)))
    whole = frozenset(book.equipment)
    kits = [whole, *(whole - {thing} for thing in needs), frozenset[str]()]
    legs = bodies(exam, book)
    two_legs = ("middling", "low bend")
    if reduced:
        yield from _kinds(exam, book, levels, ("middling",), [whole], single, ones)
        yield from _kinds(exam, book, levels, two_legs[1:], kits[-2:], [fine], ones[:1])
        return
    yield from _kinds(exam, book, levels, legs, [whole], single, twos)
    gates = every if len(every) <= MOST_GATES else single
    yield from _kinds(exam, book, levels, two_legs, kits, gates, ones)


def _kinds(
    exam: Exam,
    book: Evidence,
    levels: Mapping[tuple[str, bool], object],
    legs: Iterable[str],
    kits: Sequence[frozenset[str]],
    gates: Sequence[tuple[Value | None, ...]],
    bans: Sequence[frozenset[str]],
) -> Iterator[Kind]:
    """The product of bodies, kit, findings, bans and grades; the grades go round innermost."""
    screening, graded = examine(exam, book, exam.on)
    joint, every = joint_of(book), bodies(exam, book)
    for name in legs:
        ladder = Ladder(joint, every[name], "right", book)
        for kit, values in product(kits, gates):
            seen = _exam(exam, levels, values, kit)
            told = tuple(f"{m}={v}" for (m, _), v in zip(levels, values, strict=True))
            for ban, value in product(bans, GRADES):
                grade = replace(graded["right"], value=value)
                foot = Foot(seen, "right", _screen(screening, ban), grade, ladder, book)
                yield Kind(foot, value, ban, told, kit, name)


MOST_GATES = 100


def _exam(
    exam: Exam,
    levels: Mapping[tuple[str, bool], object],
    values: Sequence[Value | None],
    kit: frozenset[str],
) -> Exam:
    """The examination with these findings and this kit at home."""
    gone = {measure for measure, _ in levels}
    kept = [m for m in exam.measured if m.measure not in gone]
    for (measure, person), value in zip(levels, values, strict=True):
        if value is not None:
            kept.append(Measured(measure, value, exam.on, None if person else "right"))
    whose = replace(exam.person, equipment=kit, minutes_per_day=20.0)
    return replace(exam, measured=tuple(kept), person=whose)


def _screen(screening: Screening, bans: frozenset[str]) -> Screening:
    side: SideScreen = replace(screening.right, forbids=bans, flags=())
    return replace(screening, right=side)


# ------------------------------------------------------------------ checks by other means


def _open(condition: Condition, kind: Kind, book: Evidence) -> bool:
    """Whether a gate is known and met, read once more from the findings."""
    if condition.instead is not None and _open(condition.instead, kind, book):
        return True
    side = None if condition.person else "right"
    found = [m.value for m in kind.foot.exam.measured if m.measure == condition.measure
             and m.side == side]  # fmt: skip
    if condition.measure == "grade":
        found = [] if kind.grade is None else [float(kind.grade)]
    if not found:
        return False
    if condition.equals is not None:
        return found[-1] == condition.equals
    value = float(found[-1])
    least = -1.0 if condition.at_least is None else book.rows[condition.at_least].value
    most = 1e9 if condition.at_most is None else book.rows[condition.at_most].value
    return least <= value <= most


def _gates_open(family: Family, rung: Rung, kind: Kind, book: Evidence) -> bool:
    gates = list(family.allow_if)
    for dial, place in zip(family.dials, rung.places, strict=True):
        gates += dial.notches[place].allow_if
    return all(_open(gate, kind, book) for gate in gates)


def _needs(family: Family, rung: Rung) -> frozenset[str]:
    pairs = zip(family.dials, rung.places, strict=True)
    return family.needs.union(*(dial.notches[place].needs for dial, place in pairs))


def _within_grade(fitted: Fitted, kind: Kind, book: Evidence) -> bool:
    """Whether bend, load and tags keep the ceilings of the grade."""
    worst = book.bands[-1]
    band = worst if kind.grade is None else book.bands[kind.grade]
    rung = fitted.rung
    if rung.tags & band.forbids or (kind.grade is None and "joint_motion" in rung.tags):
        return False
    if rung.settings.get("apart"):
        return True
    share = float(rung.settings.get("bend_share", 0.0))
    return share <= band.bend_share_top and fitted.demand.tier <= band.tier_top


def _demands(fitted: Fitted) -> dict[str, float]:
    """What a rung asks for, each higher when it is harder; 0 is a seat."""
    demand, settings = fitted.demand, fitted.rung.settings
    width = demand.base_width_mm
    return {
        "bend": demand.bend_deg,
        "load": float(demand.tier) + float(fitted.loads.share_high) / 100,
        "base": -1e9 if width is None else -width,
        "hands": float(HANDS.index(demand.hands)),
        "surface": float(SURFACES.index(demand.surface)),
        "minutes": float(settings.get("minutes", 0.0)),
        "ground": float(GROUNDS.index(str(settings.get("terrain", "")))),
    }


@dataclass(frozen=True)
class _Spot:
    """Where a foot stands: family, rung, dose step."""

    family: Family
    rung: Rung
    dose_step: int

    def __str__(self) -> str:
        return f"{self.rung.name} dose {self.dose_step}"


def _check_up(spot: _Spot, step: Step, kind: Kind, only: bool, count: Count) -> None:
    """What must hold of a step harder."""
    family, places, book = spot.family, spot.rung.places, kind.foot.book
    told = (spot, step.turned, step.places, step.dose_step, kind)
    if step.turned == "dose":
        count.hold(ONE, step.places == places and step.dose_step == spot.dose_step + 1, *told)
        return
    index = [dial.key for dial in family.dials].index(step.turned)
    rest = [i for i in range(len(places)) if i != index]
    one_up = step.places[index] > places[index] and step.dose_step <= spot.dose_step
    count.hold(ONE, one_up and all(step.places[i] <= places[i] for i in rest), *told)
    count.hold(SORE, not only, *told)
    rung, ladder = rung_at(family, step.places), kind.foot.ladder
    before, fitted = ladder.at(family.key, places), ladder.at(family.key, step.places)
    notches = family.dials[index].notches
    passed = [
        not notches[p].allow_if
        and (
            not notches[p].needs <= kind.kit
            or ladder.at(family.key, (*places[:index], p, *places[index + 1 :])).problems
        )
        for p in range(places[index] + 1, step.places[index])
    ]
    count.hold(PASSED, all(passed), *told)
    gates = _gates_open(family, rung, kind, book)
    count.hold(GATE, gates, *told)
    if "one_leg" in rung.tags:
        count.hold(LEG, gates, *told)
    limit = ladder.body.bend_available_deg + ROUNDING_DEG
    count.hold(BEND, fitted.demand.bend_deg <= limit and _within_grade(fitted, kind, book), *told)
    count.hold(TIER, fitted.demand.tier <= before.demand.tier + 1, *told)
    hands = HANDS.index(fitted.demand.hands) - max(HANDS.index(before.demand.hands), 1)
    count.hold(HAND, hands <= 1, *told)
    count.hold(SCREEN, not (rung.tags & kind.bans) and "home" not in kind.bans, *told)
    kit = notches[step.places[index]].needs <= kind.kit
    count.hold(KIT, kit and not fitted.problems, *told)
    minutes = float(rung.settings.get("minutes", 0.0))
    count.hold(WALK, minutes <= kind.foot.exam.person.minutes_per_day, *told)


ONE = "One demand by one step: one dial up and the dose not, or the dose and no dial"
LEG = "Never one leg before its gates"
SORE = "Where only repetitions or seconds may rise, no dial turns"
PASSED = "No notch is passed over but for missing kit or a joint it does not fit; a gate never is"
GATE = "No step up through a gate that is not known and met"
TIER = "A step up raises the load by one tier at most"
HAND = "A step up takes away one kind of support of the hands at most"
SCREEN = (
    "No step up to what the screen forbids: a fused joint is never moved, an infected foot gets "
    "nothing"
)
KIT = "No step up to what cannot be set up at home"
WALK = "A walk is never longer than the minutes given"
BEND = "Never a bend above the cautious limit, nor bend, load or kind above the grade's top"


def _check_down(spot: _Spot, step: Step, kind: Kind, count: Count) -> None:
    """What must hold of a step easier."""
    family, places = spot.family, spot.rung.places
    told = (spot, step.turned, step.places, step.dose_step, kind)
    before = _demands(kind.foot.ladder.at(family.key, places))
    fitted = kind.foot.ladder.at(family.key, step.places)
    after = _demands(fitted)
    raised = [name for name in before if after[name] > before[name] + ROUNDING_DEG]
    lower = step.dose_step < spot.dose_step or after != before
    if kind.foot.ladder.at(family.key, places).problems:  # it could not be set up at all
        raised, lower = [name for name in raised if name != "bend"], True
    falls = not raised and step.dose_step <= spot.dose_step
    count.hold("A step down raises no demand", falls, *told, raised)
    count.hold("A step down lowers something", lower, *told)
    if step.turned != "dose":
        fine = (
            _gates_open(family, fitted.rung, kind, kind.foot.book)
            and not fitted.problems
            and not fitted.rung.tags & kind.bans
            and "home" not in kind.bans
            and _needs(family, fitted.rung) <= kind.kit
        )
        count.hold("A step down leads only to what is allowed and at home", fine, *told)


def prove_steps(exam: Exam, book: Evidence, reduced: bool, families: Iterable[str]) -> Count:
    """Go through every rung, dose and kind of foot of some families.

    Parameters
    ----------
    exam : Exam
        A harmless one, on which everything is known.
    book : Evidence
        The evidence book.
    reduced : bool
        Whether fewer kinds of feet are enough.
    families : iterable of str
        Which.
    """
    count, bare = Count(), terse(book)
    made: dict[tuple[str, Places], Rung] = {}

    def remembered(family: Family, places: Places) -> Rung:
        """The rung as the program makes it, made once."""
        if (family.key, places) not in made:
            made[family.key, places] = rung_at(family, places)
        return made[family.key, places]

    with patch.object(steps, "rung_at", remembered):
        for name in families:
            _prove_family(bare.families[name], exam, bare, reduced, count)
    return count


def _prove_family(family: Family, exam: Exam, book: Evidence, reduced: bool, count: Count) -> None:
    rungs, last = rungs_of(family), len(family.doses)
    rise = family.rise.dose_to
    doses = sorted({1, rise, last} if reduced else {1, max(1, rise - 1), rise, last})
    better: dict[tuple[Places, int], tuple[Step | None, Kind]] = {}
    for kind in feet_kinds(exam, book, family, reduced):
        if kind.grade == GRADES[0]:
            better.clear()
        for rung, dose_step in product(rungs, doses):
            spot, feet = _Spot(family, rung, dose_step), (kind.foot,)
            count.states += 1
            for only, dose_to in ((False, None), (False, family.rise.dose_least), (True, None)):
                step, _ = harder(family, rung.places, dose_step, feet, only, dose_to)
                if step is not None:
                    _check_up(spot, step, kind, only, count)
                if not only and dose_to is None:
                    _check_grade(spot, step, kind, better, count)
            back = easier(family, rung.places, dose_step, feet)
            if back is not None:
                _check_down(spot, back, kind, count)


Places = tuple[int, ...]


def _check_grade(
    spot: _Spot,
    step: Step | None,
    kind: Kind,
    better: dict[tuple[Places, int], tuple[Step | None, Kind]],
    count: Count,
) -> None:
    """What a worse grade opens, the grade before would allow, too."""
    key = spot.rung.places, spot.dose_step
    known = better.get(key)
    if known is not None and step is not None and step.turned != "dose":
        other = known[1]
        rung = rung_at(spot.family, step.places)
        fitted = other.foot.ladder.at(spot.family.key, step.places)
        fine = _within_grade(fitted, other, kind.foot.book)
        why = barred_now(rung, (other.foot,), kind.foot.book)
        fine = fine and (why is None or why.rule not in (*SCREEN_RULES, "plan.grade_forbids"))
        count.hold("A worse grade opens nothing that a better one would not",
                   fine, f"{spot} {kind.grade}")  # fmt: skip
    better[key] = (step, kind)
