"""Raise the flags of one item of the screen, as grave as answer, findings and details make it.

An item counts when it is answered so *or* when a finding of the examination says so: the graver
of the two. Details that are not known count as the gravest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple, cast

from rungwise.core.bend import is_fresh
from rungwise.core.evidence import Evidence, Item, printed, shown_value
from rungwise.core.reasons import resting_on, with_row
from rungwise.core.scores import detail, foot_risk, reached, score
from rungwise.core.terms import SIDES, Exam, Flag, Level, Reason, Score, Side, Value

__all__ = [
    "AT_RISK",
    "HOME",
    "LOADED",
    "Raised",
    "is_fused",
    "latest",
    "raise_flags",
    "risk_of_foot",
]

#: Tests that, failed or not done, keep a hand on the support.
BALANCE_TESTS = ("timed_up_and_go_s", "tandem_behind_s", "one_leg_s")
#: Tags ruled out while a physician's or podiatrist's review is open: all with weight on the feet.
LOADED = frozenset({"standing", "balance", "walking", "one_leg", "hands_free", "soft"})
#: Tags ruled out for a fused joint, whoever clears it.
BENDING = frozenset({"joint_motion", "toe_pressure", "heel_raise", "mobility"})
#: Tags ruled out at a raised risk of falling.
UNSTEADY = frozenset({"hands_free", "soft", "one_leg"})
#: Tags ruled out where pain is not felt.
UNFELT = frozenset({"pain_guided", "barefoot", "toe_pressure"})
HOME = frozenset({"home"})
#: Items that somebody else may look at and clear, and what stays ruled out then.
REVIEWED = {
    "numb_foot": UNFELT,
    "inflammatory_signs": frozenset[str](),
    "poor_circulation": frozenset({"barefoot", "toe_pressure"}),
    "nerve_pain": frozenset[str](),
    "falls": UNSTEADY,
    "dizziness": UNSTEADY,
    "blackouts_or_heart": frozenset[str](),
}
#: Items that concern the whole person although they are asked of a foot.
WHOLE = frozenset({"clot_signs"})
#: Items that make a foot one at risk, and the finding that answers each.
AT_RISK = {"numb_foot": "sensation", "poor_circulation": "pulses"}
#: Items that a published score raises by itself, once what is known makes it more than unlikely.
SCORED = {"gout_attack": "gout", "clot_signs": "clot"}
#: What tells an attack from a dull ache.
ATTACK = ("gout.redness", "gout.onset_within_day")


class _Sign(NamedTuple):
    """A finding that raises an item by itself.

    ``measure`` with a dot is a detail of the whole person. ``limit`` is a word or a yes/no for
    the test ``is``, and a row of the book for all others.
    """

    item: str
    measure: str
    test: Literal["is", "at least", "over", "at most", "under"]
    limit: str | bool

    def holds(self, value: Value, book: Evidence) -> bool:
        """Whether a value is such a finding."""
        if self.test == "is" or isinstance(value, str):
            return value == self.limit
        limit = book.value(str(self.limit))
        return {
            "at least": value >= limit,
            "over": value > limit,
            "at most": value <= limit,
            "under": value < limit,
        }[self.test]


SIGNS = (
    *(_Sign("gout_attack", sign, "is", True) for sign in ATTACK),
    _Sign("numb_foot", "sensation", "is", "lost"),
    _Sign("broken_skin", "skin", "is", "broken"),
    _Sign("severe_pain", "pain_rest_nprs", "over", "screen.pain_rest_over"),
    _Sign("poor_circulation", "pulses", "is", "absent"),
    _Sign("poor_circulation", "circulation.rest_pain_or_tissue_loss", "is", True),
    _Sign("poor_circulation", "circulation.ankle_brachial_index", "at most", "screen.abi_low_to"),
    _Sign("poor_circulation", "circulation.ankle_brachial_index", "over", "screen.abi_high_over"),
    _Sign("inflammatory_signs", "inflammation.joint_swelling", "is", True),
    _Sign("inflammatory_signs", "morning_stiffness_min", "over", "screen.morning_stiff_over_min"),
    _Sign("clot_signs", "clot.vein_tenderness", "is", True),
    _Sign("clot_signs", "clot.whole_leg_swollen", "is", True),
    _Sign("clot_signs", "clot.pitting_oedema", "is", True),
    _Sign("clot_signs", "clot.collateral_veins", "is", True),
    _Sign("clot_signs", "clot.calf_larger_cm", "at least", "score.clot.calf_larger_cm"),
    _Sign("clot_signs", "clot.breathless_or_chest_pain", "is", True),
    _Sign("toe_injection", "injection.weeks_ago", "under", "screen.injection_weeks_under"),
    _Sign("falls", "falls.last_year", "at least", "screen.falls_from"),
    _Sign("falls", "falls.injury", "is", True),
    _Sign("falls", "timed_up_and_go_s", "at least", "screen.tug_from_s"),
    _Sign("falls", "tandem_behind_s", "under", "screen.tandem_under_s"),
    _Sign("falls", "one_leg_s", "under", "screen.one_leg_under_s"),
    _Sign("dizziness", "dizziness.acute_sign", "is", True),
)
#: What the past of a foot tells against a "no", although feeling was found normal.
HISTORY = (
    _Sign("numb_foot", "foot_risk.ulcer_or_amputation", "is", True),
    _Sign("numb_foot", "foot_risk.kidney_failure", "is", True),
)


@dataclass(frozen=True)
class Raised:
    """A flag, and all reasons that belong to it."""

    flag: Flag
    reasons: tuple[Reason, ...]


def raise_flags(exam: Exam, book: Evidence, key: str) -> Iterator[Raised]:
    """The flags of one item: one for each foot, or one for the person.

    Parameters
    ----------
    exam : Exam
        The examination.
    book : Evidence
        The book.
    key : str
        Key of the item.
    """
    item = book.items[key]
    for side in (None,) if item.per == "person" or key in WHOLE else SIDES:
        yield from _Look(exam, book, item, side).flags()


def latest(exam: Exam, measure: str, side: Side | None, book: Evidence) -> Value | None:
    """The latest finding, unless it is too old for this screen or was never made."""
    fresh = [m for m in exam.readings(measure, side) if is_fresh(m, exam, book)]
    latest = max((m.on for m in fresh), default=None)
    return next((m.value for m in reversed(fresh) if m.on == latest), None)


# ------------------------------------------------------------------ one item


@dataclass(frozen=True)
class _Look:
    """One item of the screen, looked at on one foot or (side None) for the whole person."""

    exam: Exam
    book: Evidence
    item: Item
    side: Side | None

    @property
    def whom(self) -> str:
        return _whom(self.side)

    def answered(self) -> bool:
        """Whether it was answered yes; a yes that names no foot counts for both."""
        answer = self.exam.answers.get(self.item.key)
        if answer is None or answer == "no":
            return False
        return self.side is None or answer in (self.side, "both", "yes")

    def concerns(self) -> bool:
        """Whether the details, which name no foot, are about this one: both, unless answered."""
        answer = self.exam.answers.get(self.item.key)
        return self.answered() or answer in (None, "no")

    def detail(self, key: str) -> Value | None:
        return detail(self.exam, key)

    def flags(self) -> Iterator[Raised]:
        """The flag, if anything raises the item: as grave as the details make it."""
        causes = tuple(self.causes())
        if not causes:
            return
        item = self.item
        verdict = VERDICTS.get(item.key, _as_in_the_book)(self)
        level = verdict.level or cast("Level", item.level)
        forbids = item.forbids if verdict.forbids is None else verdict.forbids
        reason = verdict.reason or causes[0]
        if level == "review" and item.key in REVIEWED and self.detail(f"review.{item.key}") is True:
            level, forbids = "caution", REVIEWED[item.key]
            reason = self.book.reason("screen.reviewed", item=item.key, whom=self.whom)
        if level == "review":
            forbids |= LOADED
        own = self.book.rules.get(f"{reason.rule}.do")
        flag = Flag(item.key, level, self.side, own.says if own else item.do, forbids, reason)
        yield Raised(flag, tuple(dict.fromkeys((*causes, reason))))

    def causes(self) -> Iterator[Reason]:
        """Why the item counts: the answer, then what was found or not tested."""
        item, book = self.item, self.book
        if self.answered():
            told = book.reason(
                "screen.answered", item=item.key, whom=self.whom, positive=item.positive
            )
            yield resting_on(told, item.basis, item.source)
        found = tuple(self.findings())
        yield from found
        if found and item.key in self.exam.answers and not self.answered():
            yield book.reason("screen.contradiction", item=item.key, whom=self.whom)
        if item.key == "falls":
            untested = [
                test.replace("_", " ")
                for test in BALANCE_TESTS
                if any(value is None for _, value in self.values(test))
            ]
            if untested:
                yield book.reason("screen.balance_untested", tests=untested)

    def findings(self) -> Iterator[Reason]:
        """Findings of the examination that raise the item by themselves."""
        yield from self.found(*SIGNS, *HISTORY)
        if self.item.key in SCORED and self.concerns():
            name = SCORED[self.item.key]
            points = reached(name, self.exam, self.book)
            if points is not None and not self.denied_attack():
                yield self.book.reason("screen.score_reached", name=name, points=points)
        if self.item.key == "hot_swollen_joint":
            yield from self.hot_attack()
        surgery = self.exam.details.get("surgery")
        if self.item.key == "foot_operation" and surgery and self.concerns():
            known = [f"{name} {shown_value(value)}" for name, value in surgery.items()]
            yield self.book.reason("screen.operation_known", whom=self.whom, known=known)

    def denied_attack(self) -> bool:
        """Whether there is no attack of gout now: denied, not red, and not come within a day."""
        denied = self.exam.answers.get(self.item.key) == "no"
        signs = [self.detail(sign) for sign in ATTACK]
        return self.item.key == "gout_attack" and denied and all(sign is False for sign in signs)

    def found(self, *signs: _Sign) -> Iterator[Reason]:
        """Those of these signs that hold."""
        for sign in signs:
            if sign.item == self.item.key:
                for where, value in self.values(sign.measure):
                    if value is not None and sign.holds(value, self.book):
                        yield self.finding(sign, where, value)

    def hot_attack(self) -> Iterator[Reason]:
        """Why an attack is a hot joint: red within a day, or answered yes and neither denied."""
        gout = replace(self, item=self.book.items["gout_attack"])
        red, sudden = (self.detail(sign) for sign in ATTACK)
        if gout.concerns() and red is True and sudden is True:
            yield self.book.reason("screen.red_within_a_day", whom=self.whom)
        elif gout.answered() and not (red is False and sudden is False):
            yield self.book.reason("screen.attack", whom=self.whom, red=red, sudden=sudden)

    def finding(self, sign: _Sign, where: Side | None, value: Value) -> Reason:
        """A finding in words, with the limit that it passes."""
        unit = self.book.measures[sign.measure].unit
        name = sign.measure.rpartition(".")[2].removesuffix(f"_{unit}")
        shown = {"measure": name, "value": value, "whom": _whom(where)}
        if sign.test == "is":
            said = self.book.reason("screen.found", **shown)
            return resting_on(said, self.item.basis, self.item.source)
        row = self.book.row(str(sign.limit))
        shown["value"] = printed(float(value), unit)
        said = self.book.reason("screen.found_beyond", **shown, test=sign.test, limit=row)
        return with_row(said, row)

    def values(self, measure: str) -> Iterator[tuple[Side | None, Value | None]]:
        """What was found, and where: a detail, or a measure of the person or of the feet."""
        if "." in measure:
            if self.concerns():
                yield self.side, self.detail(measure)
        elif self.book.measures[measure].per == "person":
            yield None, latest(self.exam, measure, None, self.book)
        else:
            for where in SIDES if self.side is None else (self.side,):
                yield where, latest(self.exam, measure, where, self.book)


def _whom(side: Side | None) -> str:
    return "whole person" if side is None else f"{side} foot"


def risk_of_foot(exam: Exam, book: Evidence, side: Side) -> Score:
    """The risk class of a foot, from the items and findings that make it one at risk.

    An earlier ulcer or kidney failure against a "no" leaves open whether feeling is lost.
    """
    known: list[bool | None] = []
    for key, measure in AT_RISK.items():
        look = _Look(exam, book, book.items[key], side)
        sure = key in exam.answers and latest(exam, measure, side, book) is not None
        denied = sure and not any(look.found(*HISTORY))
        lost = look.answered() or any(look.found(*SIGNS))
        known.append(True if lost else False if denied else None)
    return foot_risk(exam, book, side, *known)


def is_fused(exam: Exam, book: Evidence, side: Side) -> bool | None:
    """Whether the joint was fused; None when there was an operation whose kind is not known."""
    item = book.items.get("foot_operation")
    if item is None or not any(_Look(exam, book, item, side).causes()):
        return False
    kind = detail(exam, "surgery.kind")
    return None if kind is None else kind == "fusion"


# ------------------------------------------------------------------ how grave


class _Verdict(NamedTuple):
    """How grave an item is in the light of its details.

    Where it has no level or tags of its own, those of the book's item hold: its gravest.
    """

    reason: Reason | None = None
    level: Level | None = None
    forbids: frozenset[str] | None = None


def _as_in_the_book(look: _Look) -> _Verdict:  # noqa: ARG001
    return _Verdict()


def _gout(look: _Look) -> _Verdict:
    """Never below the level of the item: a low score makes an infection likelier, not less."""
    found = score("gout", look.exam, look.book)
    if found.high > look.book.value("score.gout.unlikely_to"):
        return _Verdict(found.reason)
    return _Verdict(look.book.reason("screen.gout_unlikely", whom=look.whom, score=found.high))


def _inflamed(look: _Look) -> _Verdict:
    swelling = look.detail("inflammation.joint_swelling")
    if swelling is False:
        return _Verdict(look.book.reason("screen.not_swollen"), "review", LOADED)
    return _Verdict(look.book.reason("screen.swollen", swelling=swelling))


def _numb(look: _Look) -> _Verdict:
    found = risk_of_foot(look.exam, look.book, cast("Side", look.side))
    if found.high > 1:
        return _Verdict(found.reason)
    return _Verdict(look.book.reason("screen.numb_low_risk", whom=look.whom), "caution", UNFELT)


def _circulation(look: _Look) -> _Verdict:
    rest = look.detail("circulation.rest_pain_or_tissue_loss")
    index = look.detail("circulation.ankle_brachial_index")
    shown = {"whom": look.whom, "rest": rest, "index": index}
    low = index is not None and float(index) <= look.book.value("screen.abi_threat_to")
    if rest is not False or low:
        return _Verdict(look.book.reason("screen.limb_in_danger", **shown))
    reason = look.book.reason("screen.limb_safe", **shown)
    return _Verdict(reason, "review", look.item.forbids - HOME)


def _clot(look: _Look) -> _Verdict:
    found = score("clot", look.exam, look.book)
    chest = look.detail("clot.breathless_or_chest_pain")
    if chest is True:
        return _Verdict(look.book.reason("screen.chest"))
    if chest is None or found.high >= look.book.value("score.clot.likely_from"):
        return _Verdict(found.reason)
    return _Verdict(look.book.reason("screen.clot_unlikely", score=found.high), "urgent")


def _operation(look: _Look) -> _Verdict:
    kind = look.detail("surgery.kind")
    weeks = look.detail("surgery.weeks_ago")
    cleared = look.detail("surgery.cleared")
    shown = {"whom": look.whom, "kind": kind, "weeks": weeks, "cleared": cleared}
    bans = BENDING if kind in (None, "fusion") else frozenset[str]()
    done = "maybe_fused" if kind is None else "fused" if bans else "cleared"
    early = weeks is None or float(weeks) < look.book.value("screen.surgery_weeks_from")
    if early or cleared is not True:
        return _Verdict(look.book.reason("screen.operation_open", **shown), "review", HOME | bans)
    return _Verdict(look.book.reason(f"screen.operation_{done}", **shown), "caution", bans)


def _injection(look: _Look) -> _Verdict:
    weeks = look.detail("injection.weeks_ago")
    shown = {"whom": look.whom, "weeks": weeks}
    if weeks is None or float(weeks) < look.book.value("screen.injection_progress_weeks_from"):
        return _Verdict(look.book.reason("screen.injection_fresh", **shown))
    return _Verdict(look.book.reason("screen.injection_past", **shown), "caution", frozenset())


def _falls(look: _Look) -> _Verdict:
    times, injury = look.detail("falls.last_year"), look.detail("falls.injury")
    if look.exam.answers.get("falls") == "no":
        times, injury = times or 0, injury or False
    few = times is not None and float(times) < look.book.value("screen.falls_many_from")
    if few and (injury is False or (times == 0 and injury is None)):
        reason = look.book.reason("screen.falls_few", times=times, injury=injury)
        return _Verdict(reason, "caution", UNSTEADY)
    return _Verdict(look.book.reason("screen.falls_many", times=times, injury=injury))


def _dizziness(look: _Look) -> _Verdict:
    sudden = look.detail("dizziness.acute_sign")
    if sudden is False:
        return _Verdict(look.book.reason("screen.dizzy_not_sudden"), "review", LOADED)
    return _Verdict(look.book.reason("screen.dizzy_sudden", sudden=sudden))


def _alone(look: _Look) -> _Verdict:
    carer = look.detail("self_monitoring.carer_present")
    if carer is True:
        reason = look.book.reason("screen.with_carer")
        return _Verdict(reason, "caution", UNSTEADY | {"progress"})
    return _Verdict(look.book.reason("screen.without_carer", carer=carer))


#: Items whose details decide how grave they are; details not known count as the gravest.
VERDICTS: Mapping[str, Callable[[_Look], _Verdict]] = {
    "gout_attack": _gout,
    "inflammatory_signs": _inflamed,
    "numb_foot": _numb,
    "poor_circulation": _circulation,
    "clot_signs": _clot,
    "foot_operation": _operation,
    "toe_injection": _injection,
    "falls": _falls,
    "dizziness": _dizziness,
    "cannot_self_monitor": _alone,
}
