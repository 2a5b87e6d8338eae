"""One step harder or easier: which single demand changes, worked by hand on the real ladders.

Common practice (common_practice): one variable at a time, in the order form, repetitions and time,
force and support, bend and standing, surface; firm before soft; one leg only after its gates.
An Achilles schedule (clin_s30b) has 3 x 15 on both legs before single-leg raises.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from rungwise.core.ladder import rung_at
from rungwise.core.start import Foot
from rungwise.core.steps import Step, barred_now, easier, harder
from rungwise.core.terms import Refusal, Side, Value
from tests.core.followed_case import BOOK, feet_of
from tests.factory import make_exam

KIT = frozenset(BOOK.equipment)


def foot(side: Side = "left", **changes: Any) -> Foot:
    """The left foot (grade 0, no pain) unless said otherwise."""
    return feet_of(make_exam(**changes))[side]


LEFT = foot()
RIGHT = foot("right")


def places_of(family: str, **notches: str) -> tuple[int, ...]:
    """Places by the names of notches; the first where not named."""
    return tuple(
        [n.key for n in d.notches].index(notches.get(d.key, d.notches[0].key))
        for d in BOOK.families[family].dials
    )


def up(family: str, dose: int, feet: Any = None, only: bool = False, **notches: Any) -> Any:
    """The step up, as (dial, notches that it leads to, dose step), and what was refused."""
    acting = feet or (LEFT,)
    step, no = harder(BOOK.families[family], places_of(family, **notches), dose, acting, only)
    return _told(family, step), _whats(no)


def down(family: str, dose: int, feet: object = None, **notches: str):  # type: ignore[no-untyped-def]
    """The step down."""
    acting = feet or (LEFT,)
    return _told(family, easier(BOOK.families[family], places_of(family, **notches), dose, acting))  # type: ignore[arg-type]


def _told(family: str, step: Step | None):  # type: ignore[no-untyped-def]
    if step is None:
        return None
    name = rung_at(BOOK.families[family], step.places).name.partition(":")[2]
    return step.turned, name, step.dose_step


def _whats(no: tuple[Refusal, ...]) -> list[tuple[str, str]]:
    return [(one.what, one.reason.rule) for one in no]


# ------------------------------------------------------------------ harder


def test_the_dose_rises_before_any_dial() -> None:
    for dose in (1, 2, 3):
        told, no = up("toe_press", dose)
        assert told == ("dose", "ball_on_cloth/light/seated", dose + 1)
        assert no == []
    told, no = up("toe_press", 4)
    assert told == ("force", "ball_on_cloth/moderate/seated", 3)
    assert no == []


def test_then_the_force_then_the_cloth_then_standing() -> None:
    assert up("toe_press", 4, force="moderate")[0] == ("force", "ball_on_cloth/firm/seated", 3)
    assert up("toe_press", 4, force="firm")[0] == ("cloth", "half/firm/seated", 3)
    for cloth, after in (("half", "three_quarters"), ("three_quarters", "full")):
        told = ("cloth", f"{after}/firm/seated", 3)
        assert up("toe_press", 4, force="firm", cloth=cloth)[0] == told
    told, _ = up("toe_press", 4, force="firm", cloth="full")
    assert told == ("position", "full/firm/standing", 3)
    told, _ = up("toe_press", 4, force="firm", cloth="full", position="standing")
    assert told == ("dose", "full/firm/standing", 5)  # the rest of the dose list comes last
    top: dict[str, Any] = {"force": "firm", "cloth": "full", "position": "standing"}
    assert up("toe_press", 5, **top) == (None, [])


def test_the_words_name_what_changes() -> None:
    step, _ = harder(BOOK.families["toe_press"], (0, 0, 0), 4, (LEFT,), False)
    assert step is not None
    assert step.says.rule == "progress.step_dial"
    assert "from light to moderate" in step.says.says
    assert "it raises load. The dose" in step.says.says
    assert "1 x 5, hold 10 s" in step.says.says
    step, _ = harder(BOOK.families["toe_press"], (0, 0, 0), 1, (LEFT,), False)
    assert step is not None
    assert "from 1 x 5, hold 5 s, 5 days a week to 1 x 10, hold 5 s" in step.says.says
    _, no = harder(BOOK.families["heel_raise"], places_of("heel_raise", load="hands_0"), 4,
                   (LEFT,), False)  # fmt: skip
    assert "first the dose of 3 x 15" in no[0].reason.says
    back = easier(BOOK.families["toe_press"], (0, 1, 0), 4, (LEFT,))
    assert back is not None
    assert back.says.rule == "progress.step_back"
    assert "from moderate back to light. The dose is 1 x 10, hold 10 s" in back.says.says
    back = easier(BOOK.families["toe_press"], (0, 0, 0), 2, (LEFT,))
    assert back is not None
    assert "the dose, from 1 x 10, hold 5 s, 5 days a week back to 1 x 5" in back.says.says


def test_sore_means_repetitions_or_seconds_only() -> None:
    assert up("toe_press", 3, only=True)[0] == ("dose", "ball_on_cloth/light/seated", 4)
    assert up("toe_press", 4, only=True) == (None, [])


def test_grade_two_stops_at_three_quarters_of_the_bend() -> None:
    # The right foot is grade 2; its ceilings in the course are the grade table's own assumption.
    told, _ = up("toe_press", 4, (RIGHT,), force="firm", cloth="half")
    assert told == ("cloth", "three_quarters/firm/seated", 3)
    told, no = up("toe_press", 4, (RIGHT,), force="firm", cloth="three_quarters")
    assert ("cloth:full", "progress.bend_top") in no
    assert told is not None
    assert told[0] != "cloth"


def test_grade_three_has_no_bend_by_hand_and_half_at_most_elsewhere() -> None:
    worse = foot("right", right={"mtp_dorsiflexion_deg": 10.0})
    assert worse.grade.value == 3
    assert barred_now(rung_at(BOOK.families["toe_bend"], (0,)), (worse,), BOOK) is not None
    _, no = up("toe_press", 4, (worse,), force="firm", cloth="half")
    assert ("cloth:three_quarters", "progress.bend_top") in no


def test_a_foot_that_is_not_graded_never_bends() -> None:
    none = foot("right", right={"mtp_dorsiflexion_deg": None})
    assert none.grade.value is None
    _, no = up("toe_press", 4, (none,), force="firm")
    assert ("cloth:half", "plan.not_graded") in no


def test_one_leg_waits_for_its_dose_and_its_gates() -> None:
    told, no = up("heel_raise", 4, load="hands_0")
    assert ("load:one_leg", "progress.dose_first") in no  # 3 x 15 first: clin_s30b
    assert told == ("dose", "hands_0/half", 5)
    told, no = up("heel_raise", 5, load="hands_0")
    assert told == ("load", "one_leg/half", 2)
    for measure, too_little, enough in (
        ("heel_raise_count", 9.0, 10.0),
        ("one_leg_s", 9.0, 10.0),
        ("stance_pain_nprs", 3.0, 2.0),
    ):
        for value, opened in ((enough, True), (too_little, False), (None, False)):
            one = foot(left={measure: value})
            told, no = up("heel_raise", 5, (one,), load="hands_0")
            assert (told == ("load", "one_leg/half", 2)) is opened, (measure, value)
            assert opened or no[0][0] == "load:one_leg"


def test_both_feet_need_what_each_needs() -> None:
    poor = foot("right", right={"one_leg_s": 4.0, "mtp_dorsiflexion_deg": 60.0})
    for feet in ((LEFT, poor), (poor, LEFT)):
        told, no = up("heel_raise", 5, feet, load="hands_0")
        assert no[0][0] == "load:one_leg"
        assert told is None or told[1].startswith("hands_0")


def test_kit_that_is_not_at_home_is_passed_over_but_a_gate_is_not() -> None:
    bare = foot(person={"equipment": KIT - {"weight"}})
    told, no = up("heel_raise", 4, (bare,), load="seated")
    assert told == ("load", "hands_60/half", 2)
    assert no == [("load:seated_weight", "plan.no_kit")]
    flat = foot(person={"equipment": KIT - {"weight", "counter"}})
    told, no = up("heel_raise", 4, (flat,), load="seated")
    assert told == ("height", "seated/three_quarters", 2)  # standing is gated: never passed over
    waits = [("load:seated_weight", "plan.no_kit"), ("load:hands_60", "plan.no_kit")]
    assert no == waits
    told, no = up("heel_raise", 5, (flat,), load="seated")
    assert no == waits
    assert told == ("height", "seated/three_quarters", 2)


def test_never_two_tiers_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    # No ladder of the book offers it; where one did, from tier 1 to tier 3 would be refused.
    flat = foot(person={"equipment": KIT - {"counter"}})
    family = BOOK.families["toe_press"]
    at = places_of("toe_press", force="firm", cloth="full")
    assert harder(family, at, 4, (LEFT,), False)[0] is not None
    tiers = {"seated": 1, "standing": 3}
    monkeypatch.setattr(
        type(flat.ladder), "tier", lambda self, rung: tiers[dict(rung.notches)["position"]]
    )
    step, no = harder(family, at, 4, (LEFT,), False)
    assert step is None or step.turned == "dose"
    assert ("position:standing", "progress.two_tiers") in _whats(no)


@pytest.mark.parametrize(
    ("family", "dose", "notches", "what", "opened"),
    [
        ("heel_raise", 4, {"load": "seated_weight"}, "load:hands_60", "load"),
        ("heel_raise", 4, {"load": "hands_60"}, "load:hands_30", "load"),
        ("heel_raise", 4, {"load": "hands_30"}, "load:hands_0", "load"),
        ("toe_press", 4, {"force": "firm", "cloth": "full"}, "position:standing", "position"),
        ("arch_lift", 9, {}, "position:standing", "position"),
    ],
)
def test_standing_waits_for_feet_together(
    family: str, dose: int, notches: dict[str, str], what: str, opened: str
) -> None:
    needed = BOOK.value("gate.feet_together_s")
    dose = min(dose, BOOK.families[family].rise.dose_to)
    for value, opens in ((needed, True), (needed - 1, False), (None, False)):
        one = foot(whole={"feet_together_s": value})
        step, no = harder(BOOK.families[family], places_of(family, **notches), dose, (one,), False)
        turned = None if step is None else step.turned
        after = what.partition(":")[2]
        reached = step is not None and after in rung_at(BOOK.families[family], step.places).name
        assert (turned == opened and reached) is opens, (value, turned, no)
        assert opens or what in [w for w, _ in _whats(no)]


def test_the_words_say_when_it_is_now_done_standing_or_on_one_leg() -> None:
    top = places_of("toe_press", force="firm", cloth="full")
    step, _ = harder(BOOK.families["toe_press"], top, 4, (LEFT,), False)
    assert step is not None
    assert "raises load, and it is now done standing." in step.says.says
    alone, _ = harder(
        BOOK.families["heel_raise"], places_of("heel_raise", load="hands_0"), 5, (LEFT,), False
    )
    assert alone is not None
    assert "and it is now done on one leg." in alone.says.says


def test_never_over_the_load_of_the_grade() -> None:
    four = foot("right", right={"mtp_dorsiflexion_deg": 10.0, "pain_at": "mid_range"})
    assert four.grade.value == 4
    for load in ("seated", "seated_weight"):
        told, no = up("heel_raise", 4, (four,), load=load)
        assert told is None or told[0] == "dose"
        assert any(rule.startswith("progress.tier") or "not_possible" in rule or "bend" in rule
                   for _, rule in no)  # fmt: skip


def test_the_screen_s_bans_hold_for_every_step() -> None:
    falls: dict[str, Any] = {
        "answers": {"falls": "yes"},
        "details": {"falls": {"last_year": 1.0, "injury": False}},
    }
    careful = foot(**falls)
    _, no = up("heel_raise", 5, (careful,), load="hands_30")
    assert ("load:hands_0", "plan.forbidden") in no
    told, no = up("balance", 3, (careful,), stance="tandem")
    assert told is None or "one_leg" not in told[1]


def test_a_walk_is_never_longer_than_the_minutes_given() -> None:
    short = foot(person={"minutes_per_day": 10.0})
    told, no = up("walking", 3, (short,), minutes="ten")
    assert told == ("ground", "ten/hills", 2)
    assert no == [("minutes:fifteen", "plan.walk_minutes")]


def test_the_surface_is_soft_last() -> None:
    # Common practice: firm before soft.
    top: dict[str, Any] = {"hands": "near", "stance": "one_leg"}
    assert up("balance", 3, **top)[0] == ("surface", "near/one_leg/soft", 1)
    for stance in ("feet_together", "semi_tandem", "tandem"):
        told, _ = up("balance", 3, stance=stance)
        assert told is not None
        assert told[0] == "stance"


# ------------------------------------------------------------------ easier


def test_easier_turns_back_the_last_dial_then_the_dose() -> None:
    all_up: dict[str, Any] = {"force": "moderate", "cloth": "half", "position": "standing"}
    assert down("toe_press", 4, **all_up) == ("position", "half/moderate/seated", 4)
    assert down("toe_press", 4, force="moderate", cloth="half") == (
        "cloth",
        "ball_on_cloth/moderate/seated",
        4,
    )
    assert down("toe_press", 4, force="moderate") == ("force", "ball_on_cloth/light/seated", 4)
    assert down("toe_press", 2) == ("dose", "ball_on_cloth/light/seated", 1)
    assert down("toe_press", 1) is None


def test_easier_passes_over_what_cannot_be_set_up() -> None:
    bare = foot(person={"equipment": KIT - {"weight"}})
    assert down("heel_raise", 2, (bare,), load="hands_60") == ("load", "seated/half", 2)
    seatless = foot(person={"equipment": KIT - {"weight", "chair"}})
    assert down("heel_raise", 2, (seatless,), load="hands_60") == ("dose", "hands_60/half", 1)


def test_easier_never_leads_to_what_is_barred() -> None:
    none = foot("right", right={"mtp_dorsiflexion_deg": None})
    assert down("toe_press", 2, (none,), cloth="three_quarters") == (
        "cloth",
        "ball_on_cloth/light/seated",
        2,
    )


@pytest.mark.parametrize(
    ("right", "barred"),
    [
        ({}, None),
        ({"stance_pain_nprs": 3.0}, "plan.gate"),
        ({"one_leg_s": 5.0}, None),
        ({"one_leg_s": 4.9}, "plan.forbidden"),  # a raised risk of a fall with injury (clin_s20b)
        ({"one_leg_s": None}, "plan.forbidden"),
        ({"arch_lift_toes_long": False}, "plan.gate"),
    ],
)
def test_what_is_barred_now(right: Mapping[str, Value | None], barred: str | None) -> None:
    family = BOOK.families["arch_lift"]
    rung = rung_at(family, places_of("arch_lift", position="one_leg"))
    why = barred_now(rung, (foot("right", right=right),), BOOK)
    assert (why.rule if why else None) == barred
    both = barred_now(rung, (LEFT, foot("right", right=right)), BOOK)
    assert (both.rule if both else None) == barred


def test_nothing_fits_a_joint_without_bend() -> None:
    stiff = foot("right", right={"flat_standing_deg": 24.0})
    assert stiff.ladder.body.bend_available_deg == 0
    rung = rung_at(BOOK.families["heel_raise"], (0, 0))
    why = barred_now(rung, (stiff,), BOOK)
    assert why is not None
    assert why.rule == "plan.not_possible"


# ------------------------------------------------------------------ a hand that comes back


def test_one_leg_takes_a_hand_and_lets_go_of_it_notch_by_notch() -> None:
    # The first one-leg stance takes a hand again, wherever the hands stood before.
    book = BOOK.families["balance"]
    near = places_of("balance", hands="near", stance="tandem")
    step, _ = harder(book, near, 3, (LEFT,), False)
    assert step is not None
    assert rung_at(book, step.places).settings["hands"] == "hand"
    step, _ = harder(book, step.places, 3, (LEFT,), False)
    assert step is not None
    rung = rung_at(book, step.places)
    assert (rung.settings["stance"], rung.settings["hands"]) == ("one_leg", "fingertips")


def test_back_from_one_leg_the_hand_stays() -> None:
    book = BOOK.families["balance"]
    held = places_of("balance", hands="near", stance="one_leg_held")
    back = easier(book, held, 2, (LEFT,))
    assert back is not None
    rung = rung_at(book, back.places)
    assert back.turned == "stance"
    assert (rung.settings["stance"], rung.settings["hands"]) == ("tandem", "hand")
