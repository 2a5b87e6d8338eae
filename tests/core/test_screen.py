"""The screen: every item at every answer, every level, and that nothing unknown passes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.core.errors import InputError
from rungwise.core.flags import AT_RISK, BENDING, HOME, LOADED, UNFELT, UNSTEADY
from rungwise.core.scores import score
from rungwise.core.screen import NEEDED, STOPS, screen
from rungwise.core.terms import SIDES, Exam, Flag, Measured, Side, SideScreen, Value
from tests.factory import DAY, ITEMS, LEFT, RIGHT, WHOLE, make_exam, mirrored, real_book

BOOK = real_book()
OTHER: Mapping[Side, Side] = {"right": "left", "left": "right"}
TAGS = frozenset().union(*(item.forbids for item in BOOK.items.values()))
FOOT = [key for key in ITEMS if BOOK.items[key].per == "foot"]
PERSON = [key for key in ITEMS if BOOK.items[key].per == "person"]
CLOT = "clot_signs"  # asked of a foot, but the whole person's matter
#: How little an outcome allows; refer and hold both mean no programme.
RANK = {"go": 0, "careful": 1, "review": 2, "hold": 3, "refer": 3}


def flag_of(part: SideScreen, item: str) -> Flag | None:
    """The flag of an item on one foot."""
    return next((flag for flag in part.flags if flag.item == item), None)


def no_less(after: SideScreen, before: SideScreen) -> bool:
    """Whether a foot may do no more than before."""
    return RANK[after.outcome] >= RANK[before.outcome] and after.forbids >= before.forbids


# ------------------------------------------------------------------ the items


def test_the_items_are_the_twenty_five_in_order() -> None:
    assert tuple(BOOK.items) == ITEMS
    assert [item.code for item in BOOK.items.values()] == [f"R{n}" for n in range(1, 26)]


def test_tags_are_those_of_the_exercises() -> None:
    known = {"home", "progress"}
    for family in BOOK.families.values():
        known |= family.tags.union(*(n.tags for dial in family.dials for n in dial.notches))
    assert known >= TAGS
    assert known <= TAGS  # so that a refusal rules out each of them by name, too


@pytest.mark.parametrize("key", ITEMS)
def test_each_item_says_what_to_ask_and_what_to_do(key: str) -> None:
    item = BOOK.items[key]
    for text in (item.ask, item.positive, item.do):
        assert text[0].isupper()
        assert text[-1] in ".?"
    assert item.level not in STOPS or item.forbids >= HOME


def test_harmless_examination_goes() -> None:
    found = screen(make_exam(), BOOK, DAY)
    assert (found.right.outcome, found.left.outcome) == ("go", "go")
    assert not found.right.forbids | found.left.forbids
    assert found.not_asked == ()
    assert found.scores == ()
    assert found.on == DAY


def expected(level: str, forbids: frozenset[str]) -> str:
    """The outcome of one flag of this level."""
    if level in STOPS:
        return "refer"
    if level == "review":
        return "review"
    return "hold" if forbids & HOME else "careful"


@pytest.mark.parametrize("key", FOOT)
@pytest.mark.parametrize("answer", ["right", "left", "both", "yes"])
def test_foot_item_answered_yes(key: str, answer: str) -> None:
    """Without details an item stands at its gravest, the level of its row."""
    found = screen(make_exam(answers={key: answer}), BOOK)
    item = BOOK.items[key]
    for side in SIDES:
        part = found.of(side)
        flag = flag_of(part, key)
        if answer == OTHER[side] and key != CLOT:
            assert flag is None
            assert part.outcome == "go"
            assert not part.forbids
            continue
        assert flag is not None
        assert flag.level == item.level
        assert flag.side == (None if key == CLOT else side)
        assert flag.do == item.do
        assert flag.forbids >= item.forbids
        assert part.outcome == expected(item.level, item.forbids)
        assert part.forbids >= flag.forbids
        if flag.forbids & HOME:
            assert part.forbids == TAGS


@pytest.mark.parametrize("key", PERSON)
@pytest.mark.parametrize("answer", ["yes", "both", "right"])
def test_person_item_answered_yes_hits_both_feet(key: str, answer: str) -> None:
    found = screen(make_exam(answers={key: answer}), BOOK)
    item = BOOK.items[key]
    for side in SIDES:
        flag = flag_of(found.of(side), key)
        assert flag is not None
        assert (flag.level, flag.side) == (item.level, None)
        assert found.of(side).outcome == expected(item.level, item.forbids)


@pytest.mark.parametrize("key", ITEMS)
def test_item_answered_no_raises_nothing(key: str) -> None:
    found = screen(make_exam(answers={key: "no"}), BOOK)
    assert all(flag_of(found.of(side), key) is None for side in SIDES)


@pytest.mark.parametrize("key", ITEMS)
def test_item_not_asked_holds_both_feet(key: str) -> None:
    found = screen(make_exam(answers={key: None}), BOOK)
    assert found.not_asked == (key,)
    for side in SIDES:
        assert found.of(side).outcome == "hold"
        assert found.of(side).forbids == TAGS
        assert "screen.not_asked" in {reason.rule for reason in found.of(side).reasons}


def test_refer_is_graver_than_not_asked() -> None:
    found = screen(make_exam(answers={"broken_skin": "left", "falls": None}), BOOK)
    assert (found.right.outcome, found.left.outcome) == ("hold", "refer")
    assert "screen.not_asked" in {reason.rule for reason in found.left.reasons}


def test_unknown_words_and_items_are_refused_together() -> None:
    exam = make_exam(answers={"falls": "maybe", "flat_tyre": "no"})
    with pytest.raises(InputError) as caught:
        screen(exam, BOOK)
    assert [fault.field for fault in caught.value.faults] == ["screen.falls", "screen.flat_tyre"]


def test_flags_stand_gravest_first() -> None:
    answers = {"blood_thinner": "yes", "nerve_pain": "right", "recent_injury": "right"}
    answers["hot_swollen_joint"] = "right"
    found = screen(make_exam(answers=answers), BOOK).right
    assert [flag.level for flag in found.flags] == ["emergency", "urgent", "review", "caution"]


# ------------------------------------------------------------------ details make it milder

Details = Mapping[str, Mapping[str, Value]]
NO_GOUT = dict.fromkeys(("previous_attack", "onset_within_day", "redness"), False)
NO_GOUT |= dict.fromkeys(("mtp1_involved", "hypertension_or_heart_disease"), False)
NO_CLOT = {
    item.key.partition(".")[2]: False
    for item in BOOK.score_items
    if item.score == "clot" and item.key != "clot.calf_larger_cm"
}
LOW_CLOT: Mapping[str, Value] = {
    **NO_CLOT,
    "calf_larger_cm": 0.0,
    "breathless_or_chest_pain": False,
}
OLD = {"weeks_ago": 20.0, "cleared": True}

VARIANTS: list[tuple[str, Details, str, frozenset[str], frozenset[str]]] = [
    # item, details, level, tags that must be ruled out, tags that must not
    # a low gout score makes another cause likelier, an infected joint first: never below urgent
    ("gout_attack", {"gout": {**NO_GOUT, "urate_mg_dl": 5.0}}, "urgent", HOME, frozenset()),
    ("gout_attack", {"gout": NO_GOUT}, "urgent", HOME, frozenset()),
    ("gout_attack", {"gout": {**NO_GOUT, "redness": True}}, "urgent", HOME, frozenset()),
    ("inflammatory_signs", {"inflammation": {"joint_swelling": False}}, "review", LOADED, HOME),
    ("inflammatory_signs", {"inflammation": {"joint_swelling": True}}, "urgent", HOME, frozenset()),
    (
        "poor_circulation",
        {"circulation": {"rest_pain_or_tissue_loss": False}},
        "review",
        LOADED | {"barefoot", "heel_raise"},
        HOME,
    ),
    (
        "poor_circulation",
        {"circulation": {"rest_pain_or_tissue_loss": False, "ankle_brachial_index": 0.5}},
        "emergency",
        HOME,
        frozenset(),
    ),
    (
        "poor_circulation",
        {"circulation": {"rest_pain_or_tissue_loss": False, "ankle_brachial_index": 0.51}},
        "review",
        LOADED,
        HOME,
    ),
    # two-level score of 2003, symptoms with a low score still urgent: clin_s7
    ("clot_signs", {"clot": LOW_CLOT}, "urgent", HOME, frozenset()),
    (
        "clot_signs",
        {"clot": {**LOW_CLOT, "breathless_or_chest_pain": True}},
        "emergency",
        HOME,
        frozenset(),
    ),
    ("clot_signs", {"clot": {**LOW_CLOT, "calf_larger_cm": 3.0}}, "urgent", HOME, frozenset()),
    # breath and chest not asked
    ("clot_signs", {"clot": {**NO_CLOT, "calf_larger_cm": 0.0}}, "emergency", HOME, frozenset()),
    (
        "clot_signs",
        {"clot": {**LOW_CLOT, "calf_larger_cm": 3.0, "previous_clot": True}},
        "emergency",
        HOME,
        frozenset(),
    ),
    ("foot_operation", {"surgery": {"kind": "cheilectomy", **OLD}}, "caution", frozenset(), TAGS),
    ("foot_operation", {"surgery": {"kind": "implant", **OLD}}, "caution", frozenset(), TAGS),
    ("foot_operation", {"surgery": {"kind": "fusion", **OLD}}, "caution", BENDING, HOME | LOADED),
    ("foot_operation", {"surgery": OLD}, "caution", BENDING, HOME | LOADED),
    (
        "foot_operation",
        {"surgery": {"kind": "osteotomy", "weeks_ago": 11.9, "cleared": True}},
        "review",
        HOME,
        frozenset(),
    ),
    (
        "foot_operation",
        {"surgery": {"kind": "osteotomy", "weeks_ago": 12.0, "cleared": True}},
        "caution",
        frozenset(),
        TAGS,
    ),
    (
        "foot_operation",
        {"surgery": {"kind": "osteotomy", "weeks_ago": 20.0, "cleared": False}},
        "review",
        HOME,
        frozenset(),
    ),
    ("toe_injection", {"injection": {"weeks_ago": 1.9}}, "caution", frozenset({"progress"}), HOME),
    ("toe_injection", {"injection": {"weeks_ago": 2.0}}, "caution", frozenset(), TAGS),
    ("falls", {"falls": {"last_year": 1, "injury": False}}, "caution", UNSTEADY, HOME),
    ("falls", {"falls": {"last_year": 0}}, "caution", UNSTEADY, HOME),
    ("falls", {"falls": {"last_year": 1}}, "review", LOADED, HOME),
    ("falls", {"falls": {"last_year": 1, "injury": True}}, "review", LOADED, HOME),
    ("falls", {"falls": {"last_year": 2, "injury": False}}, "review", LOADED, HOME),
    ("dizziness", {"dizziness": {"acute_sign": False}}, "review", LOADED, HOME),
    ("dizziness", {"dizziness": {"acute_sign": True}}, "emergency", HOME, frozenset()),
    (
        "cannot_self_monitor",
        {"self_monitoring": {"carer_present": True}},
        "caution",
        frozenset({"progress", "hands_free"}),
        HOME,
    ),
    (
        "cannot_self_monitor",
        {"self_monitoring": {"carer_present": False}},
        "caution",
        HOME,
        HOME - HOME,
    ),
]


@pytest.mark.parametrize(("key", "details", "level", "bans", "frees"), VARIANTS)
def test_details_decide_the_level(
    key: str, details: Details, level: str, bans: frozenset[str], frees: frozenset[str]
) -> None:
    answer = "right" if key in FOOT else "yes"
    part = screen(make_exam(answers={key: answer}, details=details), BOOK).right
    flag = flag_of(part, key)
    assert flag is not None
    assert flag.level == level
    assert flag.forbids >= bans
    assert not flag.forbids & frees
    assert part.outcome == expected(level, flag.forbids)
    assert flag.do[-1] == "."
    assert flag.reason in part.reasons


@pytest.mark.parametrize("details", [None, "low", "high"])
def test_no_gout_score_clears_a_hot_joint(details: str | None) -> None:
    """A hot swollen joint is an infection until shown otherwise: clin_s3."""
    gout: Mapping[str, Value] = {}
    if details is not None:
        gout = {**dict.fromkeys(NO_GOUT, details == "high"), "urate_mg_dl": 9.0}
    answers = {"hot_swollen_joint": "right", "gout_attack": "right"}
    found = screen(make_exam(answers=answers, details={"gout": gout}), BOOK)
    flag = found.right.flags[0]
    assert (flag.item, flag.level) == ("hot_swollen_joint", "emergency")
    assert found.right.outcome == "refer"
    assert [one.name for one in found.scores] == ["gout"]


def test_red_within_a_day_is_a_hot_joint_even_if_answered_no() -> None:
    details = {"gout": {"redness": True, "onset_within_day": True}}
    part = screen(make_exam(answers={"gout_attack": "left"}, details=details), BOOK)
    assert flag_of(part.right, "hot_swollen_joint") is None
    flag = flag_of(part.left, "hot_swollen_joint")
    assert flag is not None
    assert flag.level == "emergency"
    assert "screen.contradiction" in {reason.rule for reason in part.left.reasons}


@pytest.mark.parametrize("red", [None, False, True])
@pytest.mark.parametrize("sudden", [None, False, True])
def test_an_attack_is_a_hot_joint_unless_red_and_sudden_are_denied(
    red: bool | None, sudden: bool | None
) -> None:
    """A hot joint is infected until shown otherwise: clin_s3; what was not asked is no denial."""
    gout = {"redness": red, "onset_within_day": sudden}
    known = {name: value for name, value in gout.items() if value is not None}
    found = screen(make_exam(answers={"gout_attack": "right"}, details={"gout": known}), BOOK)
    hot = flag_of(found.right, "hot_swollen_joint")
    assert (hot is None) is (red is False and sudden is False)
    assert hot is None or hot.level == "emergency"
    attack = flag_of(found.right, "gout_attack")
    assert attack is not None
    assert attack.level == "urgent"
    assert found.right.outcome == "refer"
    assert found.left.outcome == "go"


@pytest.mark.parametrize("answer", ["no", None])
@pytest.mark.parametrize(
    ("item", "details", "level"),
    [
        # an earlier ulcer or kidney failure, feeling found normal: class 3 at the high end
        ("numb_foot", {"foot_risk": {"ulcer_or_amputation": True}}, "review"),
        ("numb_foot", {"foot_risk": {"kidney_failure": True, "deformity": False}}, "review"),
        # risk items alone: 2 points are likely: clin_s7
        ("clot_signs", {"clot": {"active_cancer": True, "previous_clot": True}}, "emergency"),
        (
            "clot_signs",
            {
                "clot": {
                    **dict.fromkeys(("active_cancer", "paralysis_or_plaster"), True),
                    **dict.fromkeys(("bed_rest_or_surgery", "collateral_veins"), True),
                    "previous_clot": True,
                }
            },
            "emergency",
        ),
        ("clot_signs", {"clot": {**LOW_CLOT, "collateral_veins": True}}, "urgent"),
        ("foot_operation", {"surgery": {"weeks_ago": 2.0, "cleared": False}}, "review"),
        ("foot_operation", {"surgery": {"cleared": True}}, "review"),
        (
            "gout_attack",
            {"gout": {"redness": True, "previous_attack": True, "urate_mg_dl": 9.0}},
            "urgent",
        ),
        ("gout_attack", {"gout": {"redness": True}}, "urgent"),
        # 2 + 3.5 = 5.5, over 4: clin_s4
        ("gout_attack", {"gout": {"previous_attack": True, "urate_mg_dl": 9.0}}, "urgent"),
    ],
)
def test_what_is_on_record_outweighs_a_no_on_both_feet(
    item: str, details: Details, level: str, answer: str | None
) -> None:
    found = screen(make_exam(answers={item: answer}, details=details), BOOK)
    for side in SIDES:
        flag = flag_of(found.of(side), item)
        assert flag is not None
        assert flag.level == level
        if answer == "no":
            assert found.of(side).outcome == expected(level, flag.forbids)
            rules = {reason.rule for reason in found.of(side).reasons}
            assert "screen.contradiction" in rules


@pytest.mark.parametrize(
    ("item", "details"),
    [
        ("gout_attack", {"gout": {"hypertension_or_heart_disease": True, "urate_mg_dl": 5.0}}),
        ("gout_attack", {"gout": {"previous_attack": True, "hypertension_or_heart_disease": True}}),
        ("clot_signs", {"clot": {"previous_clot": True}}),
        (
            "clot_signs",
            {
                "clot": {
                    "previous_clot": True,
                    "active_cancer": True,
                    "other_cause_as_likely": True,
                }
            },
        ),
        ("numb_foot", {"foot_risk": {**dict.fromkeys(("deformity",), True)}}),
    ],
)
def test_a_score_below_its_limit_leaves_a_no_alone(item: str, details: Details) -> None:
    found = screen(make_exam(details=details, person={"sex": "female"}), BOOK)
    assert flag_of(found.right, item) is None
    assert found.right.outcome == "go"


@pytest.mark.parametrize(("minutes", "raised"), [(30.0, False), (31.0, True), (240.0, True)])
def test_long_morning_stiffness_on_one_foot_concerns_the_person(
    minutes: float, raised: bool
) -> None:
    found = screen(make_exam(left={"morning_stiffness_min": minutes}), BOOK)
    for side in SIDES:
        assert (flag_of(found.of(side), "inflammatory_signs") is not None) is raised
        assert found.of(side).outcome == ("refer" if raised else "go")


def test_an_earlier_ulcer_leaves_open_whether_feeling_is_lost() -> None:
    details = {"foot_risk": {"ulcer_or_amputation": True, "kidney_failure": False}}
    risk = screen(make_exam(details=details), BOOK).scores[0]
    assert (risk.low, risk.high, risk.unknown) == (0, 3, ("lost feeling",))


def test_an_operation_of_unknown_kind_is_not_called_a_fusion() -> None:
    exam = make_exam(answers={"foot_operation": "right"}, details={"surgery": OLD})
    flag = flag_of(screen(exam, BOOK).right, "foot_operation")
    assert flag is not None
    assert flag.reason.rule == "screen.operation_maybe_fused"
    assert "was fused" not in flag.reason.says
    assert flag.do.startswith("Find out what was done.")


def test_cut_offs_of_the_screen_have_no_range_to_be_set_in() -> None:
    cuts = [row for key, row in BOOK.rows.items() if key.startswith("screen.")]
    assert cuts
    assert all(row.low is None and row.high is None for row in cuts)


def test_marks_of_what_rests_on_memory() -> None:
    assert BOOK.items["inflammatory_signs"].basis == "memory"
    assert BOOK.row("screen.morning_stiff_over_min").basis == "memory"
    assert BOOK.items["numb_foot"].basis == BOOK.measures["sensation"].basis == "practice"


@pytest.mark.parametrize("weeks", [None, 1.0, 12.0, 500.0])
@pytest.mark.parametrize("cleared", [None, False, True])
def test_fused_joint_is_never_bent(weeks: float | None, cleared: bool | None) -> None:
    surgery = {"kind": "fusion", "weeks_ago": weeks, "cleared": cleared}
    known = {name: value for name, value in surgery.items() if value is not None}
    for answer in ("right", "no"):  # on record is enough, whatever the answer
        exam = make_exam(answers={"foot_operation": answer}, details={"surgery": known})
        part = screen(exam, BOOK).right
        assert part.forbids >= BENDING
        allowed = cleared is True and weeks is not None and weeks >= 12
        assert part.outcome == ("careful" if allowed else "review")
        assert bool(part.forbids & HOME) is not allowed


# ------------------------------------------------------------------ findings speak for themselves

FINDINGS: list[tuple[str, Value, str, str]] = [
    # measure of the right foot, value, item that it raises, level
    ("sensation", "lost", "numb_foot", "review"),
    ("skin", "broken", "broken_skin", "urgent"),
    ("pulses", "absent", "poor_circulation", "emergency"),
    ("pain_rest_nprs", 8.0, "severe_pain", "urgent"),
    ("tandem_behind_s", 9.9, "falls", "caution"),  # clin_s21
    ("one_leg_s", 4.9, "falls", "caution"),  # clin_s20b
]


@pytest.mark.parametrize(("measure", "value", "item", "level"), FINDINGS)
def test_finding_outweighs_a_no(measure: str, value: Value, item: str, level: str) -> None:
    found = screen(make_exam(right={measure: value}), BOOK)
    flag = flag_of(found.right, item)
    assert flag is not None
    assert flag.level == level
    rules = {reason.rule for reason in found.right.reasons}
    assert rules & {"screen.found", "screen.found_beyond"}
    assert "screen.contradiction" in rules
    if item == "falls":
        assert flag_of(found.left, item) == flag
        assert flag.forbids == UNSTEADY
    else:
        assert found.left.outcome == "go"


@pytest.mark.parametrize(
    ("measure", "value"),
    [("pain_rest_nprs", 7.0), ("tandem_behind_s", 10.0), ("one_leg_s", 5.0)],
)
def test_edges_that_still_pass(measure: str, value: float) -> None:
    assert screen(make_exam(right={measure: value}), BOOK).right.outcome == "go"


@pytest.mark.parametrize(("seconds", "outcome"), [(11.9, "go"), (12.0, "careful")])
def test_timed_up_and_go_edge(seconds: float, outcome: str) -> None:
    """Twelve seconds count as risk: clin_s21f."""
    found = screen(make_exam(whole={"timed_up_and_go_s": seconds}), BOOK)
    assert (found.right.outcome, found.left.outcome) == (outcome, outcome)


@pytest.mark.parametrize(
    ("index", "raised"), [(0.90, True), (0.91, False), (1.40, False), (1.41, True)]
)
def test_ankle_brachial_edges(index: float, raised: bool) -> None:
    details = {"circulation": {"ankle_brachial_index": index, "rest_pain_or_tissue_loss": False}}
    part = screen(make_exam(details=details), BOOK).right
    assert (flag_of(part, "poor_circulation") is not None) is raised


@pytest.mark.parametrize(
    ("group", "name", "value", "item"),
    [
        ("circulation", "rest_pain_or_tissue_loss", True, "poor_circulation"),
        ("inflammation", "joint_swelling", True, "inflammatory_signs"),
        ("clot", "pitting_oedema", True, "clot_signs"),
        ("clot", "calf_larger_cm", 3.0, "clot_signs"),
        ("clot", "breathless_or_chest_pain", True, "clot_signs"),
        ("injection", "weeks_ago", 5.9, "toe_injection"),
        ("falls", "last_year", 1, "falls"),
        ("falls", "injury", True, "falls"),
        ("dizziness", "acute_sign", True, "dizziness"),
        ("surgery", "kind", "implant", "foot_operation"),
    ],
)
@pytest.mark.parametrize("answer", ["no", None])
def test_detail_outweighs_a_no_or_silence_on_both_feet(
    group: str, name: str, value: Value, item: str, answer: str | None
) -> None:
    found = screen(make_exam(answers={item: answer}, details={group: {name: value}}), BOOK)
    assert flag_of(found.right, item) is not None
    assert flag_of(found.left, item) is not None


@pytest.mark.parametrize("measure", NEEDED)
@pytest.mark.parametrize("side", SIDES)
def test_not_examined_holds_that_foot(measure: str, side: Side) -> None:
    exam = make_exam(right={measure: None}) if side == "right" else make_exam(left={measure: None})
    found = screen(exam, BOOK)
    assert found.of(side).outcome == "hold"
    assert found.of(side).forbids == TAGS
    assert "screen.not_examined" in {reason.rule for reason in found.of(side).reasons}
    assert found.of(OTHER[side]).outcome == "go"


@pytest.mark.parametrize("measure", ["timed_up_and_go_s", "tandem_behind_s", "one_leg_s"])
def test_balance_not_tested_keeps_a_hand_on_the_support(measure: str) -> None:
    exam = make_exam()
    exam = replace(exam, measured=tuple(m for m in exam.measured if m.measure != measure))
    for side in SIDES:
        part = screen(exam, BOOK).of(side)
        assert part.outcome == "careful"
        assert part.forbids == UNSTEADY


def test_findings_older_than_the_screen_holds_are_not_examined() -> None:
    fresh, stale = DAY - timedelta(days=14), DAY - timedelta(days=15)
    for on, outcome in ((fresh, "go"), (stale, "hold")):
        exam = make_exam(
            right={"sensation": None}, readings=[Measured("sensation", "normal", on, "right")]
        )
        assert screen(exam, BOOK).right.outcome == outcome


def test_the_latest_finding_counts_whatever_the_order() -> None:
    lost = Measured("sensation", "lost", DAY, "right")
    before = Measured("sensation", "normal", DAY - timedelta(days=1), "right")
    for readings in ([lost, before], [before, lost]):
        exam = make_exam(right={"sensation": None}, readings=readings)
        assert flag_of(screen(exam, BOOK).right, "numb_foot") is not None


@pytest.mark.parametrize(("days", "outcome"), [(0, "go"), (14, "go"), (15, "hold"), (-1, "hold")])
def test_screen_holds_for_fourteen_days(days: int, outcome: str) -> None:
    found = screen(make_exam(), BOOK, DAY + timedelta(days=days))
    assert (found.right.outcome, found.left.outcome) == (outcome, outcome)


# ------------------------------------------------------------------ foot risk

SAFE: Mapping[str, Value] = {"ulcer_or_amputation": False, "kidney_failure": False}


@pytest.mark.parametrize(
    ("right", "answers", "risk", "low", "high"),
    [
        # the classes: clin_s5, Table 1; a stiff big toe counts as a deformity
        ({}, {"numb_foot": "right"}, {**SAFE}, 2, 2),
        (
            {"mtp_dorsiflexion_deg": 41.0},
            {"numb_foot": "right"},
            {**SAFE, "deformity": False},
            1,
            1,
        ),
        (
            {"mtp_dorsiflexion_deg": 40.0},
            {"numb_foot": "right"},
            {**SAFE, "deformity": False},
            2,
            2,
        ),
        ({"mtp_dorsiflexion_deg": 41.0}, {"numb_foot": "right"}, {**SAFE}, 1, 2),
        ({"mtp_dorsiflexion_deg": 41.0}, {"numb_foot": "right"}, {**SAFE, "deformity": True}, 2, 2),
        (
            {"mtp_dorsiflexion_deg": None},
            {"numb_foot": "right"},
            {**SAFE, "deformity": False},
            2,
            2,
        ),
        ({}, {"numb_foot": "right"}, {}, 2, 3),
        ({}, {"numb_foot": "right"}, {**SAFE, "kidney_failure": True}, 3, 3),
        ({}, {"numb_foot": "right"}, {"ulcer_or_amputation": True}, 3, 3),
        ({"pulses": "absent"}, {}, {**SAFE}, 2, 2),
        (
            {"mtp_dorsiflexion_deg": 41.0},
            {"numb_foot": "right"},
            {"ulcer_or_amputation": True, "deformity": False},
            3,
            3,
        ),
        (
            {"mtp_dorsiflexion_deg": 41.0, "pulses": "absent"},
            {"numb_foot": None},
            {**SAFE, "deformity": False},
            1,
            2,
        ),
        (
            {"mtp_dorsiflexion_deg": 41.0, "pulses": "absent"},
            {"numb_foot": "right"},
            {**SAFE, "deformity": False},
            2,
            2,
        ),
        (
            {"mtp_dorsiflexion_deg": 41.0, "pulses": "absent", "sensation": None},
            {},
            {**SAFE, "deformity": False},
            1,
            2,
        ),
    ],
)
def test_foot_risk_class(
    right: dict[str, Value | None],
    answers: dict[str, str | None],
    risk: dict[str, Value],
    low: int,
    high: int,
) -> None:
    found = screen(make_exam(right=right, answers=answers, details={"foot_risk": risk}), BOOK)
    risks = {one.name: one for one in found.scores}
    assert set(risks) == {"foot_risk.right"}
    assert (risks["foot_risk.right"].low, risks["foot_risk.right"].high) == (low, high)
    flag = flag_of(found.right, "numb_foot")
    if flag is not None:
        assert flag.forbids >= UNFELT
        assert flag.level == ("caution" if high == 1 else "review")
        assert bool(flag.forbids & HOME) is (high > 1)


# ------------------------------------------------------------------ scores


def test_scores_with_nothing_known_span_all_their_points() -> None:
    """Gout 0 to 13, two of them for men: clin_s4. Clot -2 to 9: clin_s7."""
    unknown_sex = make_exam(person={"sex": None})
    gout, clot = score("gout", unknown_sex, BOOK), score("clot", unknown_sex, BOOK)
    assert (gout.low, gout.high) == (0.0, 13.0)
    assert (clot.low, clot.high) == (-2.0, 9.0)


@given(st.data())
def test_score_range_holds_every_completion(data: st.DataObject) -> None:
    """Second way: fill the unknown items in at random and add the points up."""
    name = data.draw(st.sampled_from(["gout", "clot"]))
    items = [item for item in BOOK.score_items if item.score == name]
    known: dict[str, Value] = {}
    total, sex = 0.0, None
    for item in items:
        present = data.draw(st.booleans())
        total += item.points * present
        if item.key != "person.male" and data.draw(st.booleans()):
            numeric = BOOK.measures[item.key].kind == "number"
            known[item.key.partition(".")[2]] = (20.0 if present else 1.0) if numeric else present
        elif item.key == "person.male":
            sex = "male" if present else "female"
    person: dict[str, Any] = {"sex": sex} if name == "gout" else {}
    found = score(name, make_exam(details={name: known}, person=person), BOOK)
    assert found.low <= total <= found.high
    assert len(found.unknown) == len(items) - len(known) - (name == "gout")
    assert not found.unknown or found.low < found.high


# ------------------------------------------------------------------ properties


def few(options: Mapping[str, st.SearchStrategy[Any]], most: int) -> st.SearchStrategy[Any]:
    """Draw values for at most so many of the keys; with more, hardly any foot would go."""
    chosen = st.lists(st.sampled_from(sorted(options)), max_size=most, unique=True)
    return chosen.flatmap(lambda keys: st.fixed_dictionaries({key: options[key] for key in keys}))


FEET = few(
    {
        "sensation": st.sampled_from(["normal", "lost", None]),
        "pulses": st.sampled_from(["present", "absent", None]),
        "skin": st.sampled_from(["intact", "broken", None]),
        "pain_rest_nprs": st.sampled_from([0.0, 3.0, 7.0, 8.0, None]),
        "tandem_behind_s": st.sampled_from([0.0, 9.9, 10.0, 30.0, None]),
        "one_leg_s": st.sampled_from([0.0, 4.9, 5.0, 20.0, None]),
        "mtp_dorsiflexion_deg": st.sampled_from([5.0, 40.0, 41.0, 65.0, None]),
    },
    2,
)
ANSWERS = few(
    {
        **{key: st.sampled_from(["right", "left", "both", "no", None]) for key in FOOT},
        **{key: st.sampled_from(["yes", "no", None]) for key in PERSON},
    },
    2,
)
DETAILS = few(
    {
        "gout": few({key: st.booleans() for key in NO_GOUT}, 5),
        "foot_risk": few({key: st.booleans() for key in (*SAFE, "deformity")}, 3),
        "circulation": few(
            {
                "ankle_brachial_index": st.sampled_from([0.3, 0.5, 0.9, 1.0, 1.5]),
                "rest_pain_or_tissue_loss": st.booleans(),
            },
            2,
        ),
        "falls": few({"last_year": st.integers(0, 3), "injury": st.booleans()}, 2),
        "dizziness": few({"acute_sign": st.booleans()}, 1),
        "inflammation": few({"joint_swelling": st.booleans()}, 1),
        "injection": few({"weeks_ago": st.sampled_from([1.0, 4.0, 6.0])}, 1),
        "self_monitoring": few({"carer_present": st.booleans()}, 1),
        "surgery": few(
            {
                "kind": st.sampled_from(["fusion", "osteotomy"]),
                "weeks_ago": st.sampled_from([5.0, 12.0]),
                "cleared": st.booleans(),
            },
            3,
        ),
        "clot": st.just(LOW_CLOT)
        | st.just({"pitting_oedema": True})
        | st.just({"active_cancer": True, "previous_clot": True}),
    },
    3,
)
EXAMS = st.builds(
    lambda answers, details, right, left, tug: make_exam(
        answers=answers,
        details=details,
        right=right,
        left=left,
        whole={"timed_up_and_go_s": tug},
    ),
    ANSWERS,
    DETAILS,
    FEET,
    FEET,
    st.sampled_from([8.0, 12.0, None]),
)


@given(EXAMS, st.sampled_from(ITEMS), st.sampled_from(["yes", "gone"]))
def test_a_worse_answer_never_allows_more(exam: Exam, key: str, change: str) -> None:
    """From no to yes, or to not asked: for that item on both feet."""
    no = replace(exam, answers={**exam.answers, key: "no"})
    answers = {item: answer for item, answer in no.answers.items() if item != key}
    if change == "yes":
        answers[key] = "both" if key in FOOT else "yes"
    before, after = screen(no, BOOK), screen(replace(no, answers=answers), BOOK)
    for side in SIDES:
        assert no_less(after.of(side), before.of(side))


@given(EXAMS, st.data())
def test_a_finding_taken_out_never_allows_more(exam: Exam, data: st.DataObject) -> None:
    out = data.draw(st.sampled_from(exam.measured))
    fewer = replace(exam, measured=tuple(one for one in exam.measured if one is not out))
    before, after = screen(exam, BOOK), screen(fewer, BOOK)
    for side in SIDES:
        assert no_less(after.of(side), before.of(side))


@given(EXAMS)
def test_right_and_left_mirror(exam: Exam) -> None:
    here, there = screen(exam, BOOK), screen(mirrored(exam), BOOK)
    for side in SIDES:
        one, other = here.of(side), there.of(OTHER[side])
        assert (one.outcome, one.forbids) == (other.outcome, other.forbids)
        assert {(f.item, f.level) for f in one.flags} == {(f.item, f.level) for f in other.flags}


@given(EXAMS)
def test_every_result_can_be_traced(exam: Exam) -> None:
    found = screen(exam, BOOK, DAY)
    reasons = [r for side in SIDES for r in found.of(side).reasons]
    for reason in (*reasons, *(one.reason for one in found.scores)):
        assert reason.rule in BOOK.rules
        assert "{" not in reason.says
        assert set(reason.sources) <= set(BOOK.sources)
        assert set(reason.keys) <= set(BOOK.rows)
    for side in SIDES:
        part = found.of(side)
        assert part.reasons[0].rule == f"screen.{part.outcome}"
        assert part.outcome not in ("refer", "hold") or part.forbids == TAGS
        assert part.forbids >= frozenset().union(*(flag.forbids for flag in part.flags))
        assert all(flag.forbids >= LOADED for flag in part.flags if flag.level == "review")


def test_rows_of_memory_in_the_screen_only_restrict() -> None:
    for key, row in BOOK.rows.items():
        if key.startswith(("screen.", "score.", "foot_risk.")):
            assert row.use in {"restrict", "describe"}


def test_measures_named_in_code_are_in_the_book() -> None:
    assert set(NEEDED) | set(AT_RISK.values()) <= set(BOOK.measures)
    assert set(BOOK.measures) >= set(RIGHT) | set(LEFT) | set(WHOLE)


@pytest.mark.parametrize(
    "item", ["numb_foot", "inflammatory_signs", "nerve_pain", "falls", "dizziness"]
)
def test_a_review_that_was_cleared_keeps_what_the_finding_rules_out(item: str) -> None:
    """Items R7, R8, R17-R19: review by a physician or podiatrist; what then is practice."""
    answers = {item: "yes"}
    details: dict[str, dict[str, Value]] = {
        "falls": {"last_year": 3},
        "dizziness": {"acute_sign": False},
        "inflammation": {"joint_swelling": False},
    }
    if item == "numb_foot":  # an earlier ulcer raises it by itself
        details["foot_risk"] = {"ulcer_or_amputation": True}
    if item != "falls":
        del details["falls"]
    before = screen(make_exam(answers=answers, details=details), BOOK).right
    cleared: dict[str, dict[str, Value]] = {**details, "review": {item: True}}
    after = screen(make_exam(answers=answers, details=cleared), BOOK).right
    refused: dict[str, dict[str, Value]] = {**details, "review": {item: False}}
    assert before.outcome == "review"
    assert screen(make_exam(answers=answers, details=refused), BOOK).right == before
    assert after.outcome == "careful"
    stays = {"falls": {"hands_free"}, "dizziness": {"hands_free", "soft"}}
    stays["numb_foot"] = {"pain_guided", "barefoot", "toe_pressure"}
    assert after.forbids >= stays.get(item, set())


@pytest.mark.parametrize("item", ["hot_swollen_joint", "severe_pain", "clot_signs"])
def test_no_review_clears_what_is_urgent(item: str) -> None:
    plain = screen(make_exam(answers={item: "yes"}), BOOK)
    asked = make_exam(answers={item: "yes"}, details={"review": {item: True}})
    assert screen(asked, BOOK).right.outcome == plain.right.outcome == "refer"


def test_known_gout_without_an_attack_is_no_attack() -> None:
    """clin_s4, R3: urgent from 4.5 points with an active attack; 2 + 2.5 + 1.5 = 6 points."""
    past: dict[str, Value] = {
        "previous_attack": True,
        "mtp1_involved": True,
        "hypertension_or_heart_disease": True,
        "redness": False,
        "onset_within_day": False,
    }
    gout = past
    calm = screen(make_exam(answers={"gout_attack": "no"}, details={"gout": gout}), BOOK)
    assert not [f for f in calm.right.flags if f.item == "gout_attack"]
    for sign in ("redness", "onset_within_day"):
        unsure = {key: value for key, value in gout.items() if key != sign}
        found = screen(make_exam(answers={"gout_attack": "no"}, details={"gout": unsure}), BOOK)
        assert [f for f in found.right.flags if f.item == "gout_attack"]


def test_a_gout_score_of_four_is_still_unlikely() -> None:
    """clin_s4: up to 4 unlikely; onset 0.5, redness 1, first toe 2.5 in a woman make 4.0 (O10)."""
    gout: dict[str, Value] = {
        "previous_attack": False,
        "onset_within_day": True,
        "redness": True,
        "mtp1_involved": True,
        "hypertension_or_heart_disease": False,
        "urate_mg_dl": 5.0,
    }
    found = screen(make_exam(answers={"gout_attack": "right"}, details={"gout": gout}), BOOK)
    (flag,) = [f for f in found.right.flags if f.item == "gout_attack"]
    assert flag.reason.rule == "screen.gout_unlikely"
    assert flag.level == "urgent"  # it never clears a hot joint
