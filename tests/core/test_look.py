"""What each rule says in words, and the facts that only an examination anew can change.

The sentences are the house's own; the facts are those of the hand-worked courses beside them.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from rungwise.core.followed import Entry
from rungwise.core.terms import Exam, Pin, Plan
from tests.core.followed_case import (
    BOOK,
    DAYS,
    day,
    decided,
    did,
    examined,
    exercise_of,
    line_of,
    plan_of,
    rules,
)
from tests.factory import make_exam

PLAN = plan_of()
PRESS = exercise_of(PLAN)
RAISE = exercise_of(PLAN, "heel_raise")
LEFT = exercise_of(PLAN, "toe_press", "left")


def calm(**last: object) -> list[Entry]:
    """Nine calm sessions; the last three changed by lists of three values."""
    made = [did(n, PRESS) for n in DAYS]
    for name, values in last.items():
        for i, value in enumerate(values):  # type: ignore[arg-type, var-annotated]
            made[i - 3] = replace(made[i - 3], **{name: value})
    return made


def said(entries: list[Entry], rule: str, exam: Exam | None = None, today: int = 10) -> str:
    """The sentence of one rule for the right toe press."""
    line = line_of(decided(PLAN, entries, today, exam=exam))
    return next(r.says for r in line.reasons if r.rule == f"progress.{rule}")


def test_up_names_the_highest_pain_of_the_last_three_sessions_only() -> None:
    entries = calm(during=[0, 2, 1])
    entries[4] = replace(entries[4], during=5)
    assert "pain during at most 2," in said(entries, "calm")
    sore = calm(during=[3, 4, 2])
    sore[3] = replace(sore[3], during=5)
    assert "pain during was at most 4 " in said(sore, "sore_but_usual")


def test_pains_are_listed_in_order_with_a_dash_for_what_is_missing() -> None:
    assert "was 0, 4, 5 after" in said(calm(morning=[0, 4, 5]), "mornings")
    assert "as usual is 2" in said(calm(morning=[0, 4, 5]), "mornings")
    assert "was 3, –, 1 in" in said(calm(morning=[3, None, 1]), "morning_not_usual")
    assert "was 3, 2, 5 in" in said(calm(during=[3, 2, 5]), "not_calm")
    assert "was not rated in" in said([], "morning_not_usual")


def test_pain_above_the_limit_names_the_highest_and_its_days_only() -> None:
    entries = calm(during=[5, 8, 6])
    assert "was 8 on 2026-03-10, 2026-03-11;" in said(entries, "high")
    twice = [*entries, did(9, RAISE, during=9)]
    assert "was 8 on 2026-03-10, 2026-03-11;" in said(twice, "high")


def test_what_was_not_rated_is_named() -> None:
    assert "pain morning is missing" in said(calm(morning=[None, 0, 0]), "not_rated")
    assert "pain during is missing" in said(calm(during=[1, 1, None]), "not_rated")
    both = calm(during=[1, 1, None], morning=[0, None, 0])
    assert "pain during and morning is missing" in said(both, "not_rated")
    assert "pain of some is missing" in said([did(9, PRESS)], "not_rated")


def test_why_not_all_was_done_is_said_once_each() -> None:
    part = calm(done=["part", "part", "all"], why_not=["no_time", "no_time", ""])
    assert said(part, "not_all").endswith("sessions (no time).")
    assert said(calm(done=["part", "all", "all"]), "not_all").endswith("sessions.")


def test_counts_and_shares_are_filled_in() -> None:
    few = [did(n, PRESS) for n in (5, 9)]
    assert "2 of the 3 sessions" in said(few, "too_few")
    assert "9 days at this setting" in said(calm(), "calm") or said(calm(), "calm")
    assert "28 % of the sessions" in said(few, "adherence")  # two of 50 / 7
    assert "not known % of" in said([], "adherence")
    assert "1 sessions in the last seven days" in said([did(9, PRESS)], "too_seldom")
    assert "0 days at this setting" in said([], "too_soon")
    sharp = calm(sharp=[True, False, True])
    assert "locking on 2026-03-09, 2026-03-11." in said(sharp, "sharp")
    warned = [*calm(), did(6, LEFT, warning=True)]
    assert "was marked on 2026-03-08." in said(warned, "warning", examined(PLAN.exam, 0))
    alarmed = [*calm(), did(6, RAISE, during=6)]
    assert "pain above 5, on 2026-03-08." in said(alarmed, "foot_alarm")
    stiff = examined(make_exam(right={"mtp_dorsiflexion_deg": 10.0}), 10)
    assert "a worse grade (right foot)" in said(calm(), "worse_joint", stiff)
    assert "10 days without" in said([], "gap")


def test_weeks_are_told_with_one_decimal() -> None:
    first = [did(n, PRESS, morning=0) for n in (0, 1, 2, 3, 4)]
    second = [did(n, PRESS, morning=m) for n, m in ((7, 2), (8, 2), (9, 1), (10, 2), (11, 2))]
    assert "rose from 0.0 to 1.8;" in said([*first, *second], "week_rise", today=12)


def test_a_usual_pain_above_five_at_the_examination_anew() -> None:
    sore = examined(make_exam(right={"pain_usual_nprs": 5.5}), 10)
    assert "pain as usual is 5.5; above 5" in said(calm(), "usual_high", sore)
    five = examined(make_exam(right={"pain_usual_nprs": 5.0}), 10)
    assert "usual_high" not in rules(line_of(decided(PLAN, calm(), exam=five)))
    none = examined(make_exam(right={"pain_usual_nprs": None}), 10)
    assert "pain as usual is not known" in said(calm(), "usual_high", none)


INJECTED = {
    "answers": {"toe_injection": "right"},
    "details": {"injection": {"weeks_ago": 1.0}},
}


def test_what_holds_back_is_named_for_the_foot_that_it_holds_back() -> None:
    exam = examined(make_exam(**INJECTED), 10)  # type: ignore[arg-type]
    made = decided(PLAN, calm(), exam=exam)
    assert (line_of(made).outcome, rules(line_of(made))) == ("same", ["held_back"])
    assert "toe_injection" in line_of(made).reasons[0].says
    left = decided(PLAN, [did(n, LEFT) for n in DAYS], exam=exam)
    assert "held_back" not in rules(line_of(left, side="left"))
    both = decided(PLAN, [did(n, RAISE) for n in DAYS], exam=exam)
    assert "held_back" in rules(line_of(both, "heel_raise"))


@pytest.mark.parametrize("side", ["right", "left"])
def test_both_feet_must_feel(side: str) -> None:
    exam = make_exam(**{side: {"sensation": "reduced"}})  # type: ignore[arg-type]
    made = decided(PLAN, [did(n, RAISE) for n in DAYS], exam=examined(exam, 10))
    line = line_of(made, "heel_raise")
    assert line.outcome in ("same", "down", "stop and call")
    assert line.outcome != "same" or "no_feeling" in rules(line)


def test_one_reading_of_lost_feeling_is_enough() -> None:
    from rungwise.core.terms import Measured

    for values, feels in ((("normal", "normal"), True), (("reduced", "normal"), False)):
        readings = [Measured("sensation", v, day(10), "right") for v in values]
        exam = examined(make_exam(right={"sensation": None}, readings=readings), 10)
        line = line_of(decided(PLAN, calm(), exam=exam))
        assert (line.outcome == "up") is feels


def test_a_flag_of_a_numb_foot_is_enough() -> None:
    exam = examined(make_exam(answers={"numb_foot": "right"}), 10)
    line = line_of(decided(PLAN, calm(), exam=exam))
    assert line.outcome != "up"


# ------------------------------------------------------------------ bans, ceilings and pins


def unpinned(plan: Plan) -> Plan:
    """The same plan as if it had been reached step by step."""
    return replace(plan, exercises=tuple(replace(e, pin=None) for e in plan.exercises))


def test_over_the_ceiling_of_the_new_grade_goes_down_unless_it_is_pinned() -> None:
    pin = Pin("toe_press", "right", {"cloth": "full"}, 4, "did this before", "R. Alder")
    pinned = plan_of(pins=(pin,))  # grade 2: up to three quarters
    press = exercise_of(pinned)
    entries = [did(n, press) for n in DAYS]
    line = line_of(decided(unpinned(pinned), entries))
    assert (line.outcome, rules(line)[0]) == ("down", "no_fit")
    assert "100 %" in line.reasons[0].says
    assert line.step is not None
    assert line.step.turned == "cloth"
    assert "no_fit" not in rules(line_of(decided(pinned, entries)))


def test_what_the_grade_forbids_goes_unless_it_is_pinned() -> None:
    exam = make_exam(right={"mtp_dorsiflexion_deg": 25.0, "flat_standing_deg": 5.0},
                     wanted=("toe_bend",), avoid=("balance",))  # fmt: skip
    plan = plan_of(exam)
    bend = exercise_of(plan, "toe_bend")
    entries = [did(n, bend) for n in DAYS]
    stiffer = examined(
        make_exam(right={"mtp_dorsiflexion_deg": 10.0, "flat_standing_deg": 0.0}), 10
    )
    line = line_of(decided(plan, entries, exam=stiffer), "toe_bend")
    assert "no_fit" in rules(line)
    assert line.outcome in ("down", "stop and call")
    held = Pin("toe_bend", "right", {}, None, "helps her", "R. Alder")
    kept = replace(plan, exercises=tuple(replace(e, pin=held) for e in plan.exercises))
    line = line_of(decided(kept, entries, exam=stiffer), "toe_bend")
    assert not {"no_fit", "ruled_out"} & set(rules(line))


def test_one_foot_on_hold_hides_no_ban_of_the_other() -> None:
    exam = make_exam(answers={"hot_swollen_joint": "left", "night_pain_or_lump": None})
    made = decided(PLAN, [did(n, RAISE) for n in DAYS], exam=examined(exam, 10))
    assert line_of(made, "heel_raise").outcome == "stop and call"


def test_start_again_is_never_harder_than_now_and_not_open_without_an_answer() -> None:
    entries = [did(n, PRESS) for n in (0, 1, 2, 17, 18)]
    line = line_of(decided(PLAN, entries, 19))
    assert (line.outcome, rules(line)[:2]) == ("down", ["gap_long", "step_start"])
    assert line.step is not None
    assert (line.step.places, line.step.dose_step) == (PRESS.fitted.rung.places, 1)
    first = replace(PLAN, exercises=(replace(PRESS, dose_step=1),))
    line = line_of(decided(first, entries, 19))
    assert (line.outcome, line.step) == ("same", None)
    assert rules(line)[:2] == ["again_here", "gap_long"]
    assert "{" not in line.reasons[0].says
    open_question = examined(make_exam(answers={"numb_foot": None}), 19)
    line = line_of(decided(PLAN, entries, 19, exam=open_question))
    assert line.outcome != "up"
    assert BOOK.rules
