"""From an accepted decision to the next version: what was answered happens, and nothing else.

The therapist decides (house rule); what the screen rules out cannot be kept. Both feet that work at
once have one line and part when one goes on alone (common practice: one leg after both).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta

import pytest

from rungwise.core.errors import InputError
from rungwise.core.followed import Entry
from rungwise.core.progress import Decision
from rungwise.core.renew import Answer, renew
from rungwise.core.terms import Exam, Pin, Plan, Side
from tests.core.followed_case import (
    BOOK,
    DAYS,
    day,
    decided,
    did,
    examined,
    exercise_of,
    feet_of,
    line_of,
    plan_of,
)
from tests.factory import make_exam

PLAN = plan_of()
NOW = examined(PLAN.exam, 10)
Key = tuple[str, Side]


def all_of(made: Decision, kind: str = "accept", **changes: object) -> dict[Key, Answer]:
    """The same answer to every line."""
    why = "" if kind == "accept" else "she knows better"
    one = Answer(kind, "R. Alder", why)  # type: ignore[arg-type]
    return {
        (line.exercise.family, line.exercise.side): replace(one, **changes)  # type: ignore[arg-type]
        for line in made.lines
    }


def next_of(
    plan: Plan, made: Decision, answers: Mapping[Key, Answer], exam: Exam | None = None
) -> Plan:
    """The next version, from an examination of that day."""
    return renew(plan, made, answers, feet_of(exam or examined(plan.exam, 10)), BOOK)


def calm_decision(plan: Plan = PLAN, exam: Exam | None = None) -> Decision:
    """Every exercise done calmly on nine of ten days."""
    return decided(plan, calm_entries(plan), exam=exam)


def calm_entries(plan: Plan) -> list[Entry]:
    """Every exercise as often as asked for."""
    return [
        did(n, e, before=0)
        for e in plan.exercises
        for n in (DAYS if e.dose.days_per_week > 4 else (0, 2, 4, 6, 8, 9))
    ]


def setting(plan: Plan, family: str = "toe_press", side: Side = "right"):  # type: ignore[no-untyped-def]
    """Places, dose step and dose of a line."""
    e = exercise_of(plan, family, side)
    return e.fitted.rung.places, e.dose_step, e.dose


def test_accepted_advice_is_what_stands_in_the_next_version() -> None:
    made = calm_decision()
    plan = next_of(PLAN, made, all_of(made))
    assert {e.family for e in plan.exercises} == {e.family for e in PLAN.exercises}
    risen = 0
    for line in made.lines:
        e = line.exercise
        places, step, dose = setting(plan, e.family, e.side)
        if line.step is None:
            assert (places, step) == (e.fitted.rung.places, e.dose_step)
        else:
            risen += 1
            assert (places, step) == (line.step.places, line.step.dose_step)
        new = exercise_of(plan, e.family, e.side)
        assert new.both == e.both
        assert set(line.reasons) <= set(new.reasons)
        assert new.refused == line.refused
        wanted = BOOK.families[e.family].doses[step - 1].dose
        assert dose == replace(
            wanted, days_per_week=min(wanted.days_per_week, NOW.person.days_per_week)
        )
    assert risen >= 3


def test_the_days_of_the_next_version() -> None:
    made = calm_decision()
    plan = next_of(PLAN, made, all_of(made))
    assert (plan.on, plan.starts) == (day(10), day(10))
    assert plan.review == day(24)  # 14 days: common practice
    assert plan.ends == day(37)  # 28 days with the first
    assert plan.exam == NOW
    assert plan.session is not None
    assert plan.edition == BOOK.edition
    assert plan.grades["right"].value == 2
    assert set(plan.bodies) == {"right", "left"}


def test_without_a_fresh_screen_the_end_stays() -> None:
    entries = [did(n, e) for e in PLAN.exercises for n in range(16)]
    made = decided(PLAN, entries, 16, exam=PLAN.exam)
    assert not made.fresh
    plan = next_of(PLAN, made, all_of(made), PLAN.exam)
    assert plan.ends == PLAN.ends == day(27)
    assert plan.review == day(27)  # 14 days on would be after the end
    early = replace(made, on=day(10))
    assert next_of(PLAN, early, all_of(early), PLAN.exam).review == day(24)


def test_a_plan_that_has_ended_needs_a_fresh_screen() -> None:
    entries = [did(n, e) for e in PLAN.exercises for n in range(28)]
    stale = decided(PLAN, entries, 27, exam=PLAN.exam)
    assert next_of(PLAN, stale, all_of(stale), PLAN.exam).ends == day(27)  # its last day
    over = decided(PLAN, entries, 28, exam=PLAN.exam)
    with pytest.raises(InputError, match="Examine again"):
        next_of(PLAN, over, all_of(over), PLAN.exam)
    anew = examined(PLAN.exam, 28)
    fresh = decided(PLAN, entries, 28, exam=anew)
    assert fresh.fresh
    assert next_of(PLAN, fresh, all_of(fresh), anew).ends == day(55)


def test_a_later_version_is_no_start() -> None:
    made = calm_decision()
    said = {r.rule for e in next_of(PLAN, made, all_of(made)).exercises for r in e.reasons}
    assert "plan.start" not in said
    assert "plan.load" in said


def test_kept_lines_stay_and_what_was_advised_stays_said() -> None:
    entries = [did(n, e, before=0) for e in PLAN.exercises for n in DAYS]
    entries[-1] = replace(entries[-1], during=7)
    made = decided(PLAN, entries)
    last = made.lines[-1]
    assert last.outcome == "down"
    plan = next_of(PLAN, made, all_of(made, "keep"))
    for line in made.lines:
        e = line.exercise
        new = exercise_of(plan, e.family, e.side)
        assert (new.fitted.rung.places, new.dose_step) == (e.fitted.rung.places, e.dose_step)
        kept = next(r for r in new.reasons if r.rule == "progress.kept")
        assert "R. Alder" in kept.says
        assert "she knows better" in kept.says
        assert line.outcome in kept.says
        against = line.reasons if line.outcome in ("down", "stop and call") else ()
        assert new.warnings == against


def test_her_own_choice_is_a_pin_of_the_next_version() -> None:
    made = calm_decision()
    answers = all_of(made)
    own = Answer("change", "R. Alder", "grip is weak", {"force": "moderate"}, 2)
    answers["toe_press", "right"] = own
    plan = next_of(PLAN, made, answers)
    press = exercise_of(plan)
    assert dict(press.fitted.rung.notches)["force"] == "moderate"
    assert press.dose_step == 2
    assert press.pin == Pin("toe_press", "right", {"force": "moderate"}, 2, "grip is weak",
                            "R. Alder")  # fmt: skip
    assert press.warnings  # it goes beyond where it stood
    answers["toe_press", "right"] = replace(own, notches={}, dose_step=1)
    press = exercise_of(next_of(PLAN, made, answers))
    assert press.fitted.rung.places == exercise_of(PLAN).fitted.rung.places
    assert press.dose_step == 1


def test_a_line_that_is_stopped_leaves_the_plan_with_its_reason() -> None:
    entries = [did(n, e, before=0) for e in PLAN.exercises for n in DAYS]
    press = exercise_of(PLAN)
    entries = [replace(e, sharp=True) if e == did(9, press, before=0) else e for e in entries]
    made = decided(PLAN, entries)
    assert line_of(made).outcome == "stop and call"
    plan = next_of(PLAN, made, all_of(made))
    assert not [e for e in plan.exercises if e.family == "toe_press" and e.side == "right"]
    left = exercise_of(plan, "toe_press", "left")
    assert not left.both
    (no,) = [r for r in plan.refused if r.what == "toe_press"]
    assert no.side == "right"
    assert "sharp" in no.reason.says
    assert plan.session is not None
    kept = all_of(made)
    kept["toe_press", "right"] = Answer("keep", "R. Alder", "it was the other toe")
    again = exercise_of(next_of(PLAN, made, kept))
    assert again.warnings


def test_both_feet_are_stopped_together() -> None:
    raising = exercise_of(PLAN, "heel_raise")
    entries = [did(n, e, before=0) for e in PLAN.exercises for n in DAYS]
    entries.append(did(9, raising, sharp=True))
    made = decided(PLAN, entries)
    plan = next_of(PLAN, made, all_of(made))
    assert not [e for e in plan.exercises if e.family == "heel_raise"]
    assert {r.side for r in plan.refused if r.what == "heel_raise"} == {"right", "left"}


def test_when_everything_is_stopped_there_is_no_session() -> None:
    infected = examined(make_exam(answers={"hot_swollen_joint": "right"}), 10)
    made = calm_decision(exam=infected)
    assert {line.outcome for line in made.lines} == {"stop and call"}
    plan = next_of(PLAN, made, all_of(made), infected)
    assert plan.exercises == ()
    assert plan.session is None
    for kind in ("keep", "change"):
        with pytest.raises(InputError, match="Examine again"):
            next_of(PLAN, made, all_of(made, kind, dose_step=1), infected)


# ------------------------------------------------------------------ both feet part and join


def on_both_legs(**pins: str) -> Plan:
    """A plan with heel raises on both legs, hands off, at its last dose."""
    pin = Pin("heel_raise", "right", {"load": "hands_0", **pins}, 5, "strong", "R. Alder")
    strong = make_exam(
        right={"mtp_dorsiflexion_deg": 60.0, "pain_at": "none", "pain_worst_nprs": 0.0,
               "pain_usual_nprs": 0.0, "pain_rest_nprs": 0.0, "flat_standing_deg": 15.0},
    )  # fmt: skip
    return plan_of(strong, (pin,))


def test_both_feet_part_where_each_raises_by_itself() -> None:
    plan = on_both_legs()
    raising = exercise_of(plan, "heel_raise")
    assert raising.both
    made = calm_decision(plan)
    line = line_of(made, "heel_raise")
    assert line.outcome == "up"
    assert line.step is not None
    assert line.step.turned == "load"
    new = next_of(plan, made, all_of(made))
    parted = [e for e in new.exercises if e.family == "heel_raise"]
    assert [(e.side, e.both, e.dose_step) for e in parted] == [
        ("right", False, 2),
        ("left", False, 2),
    ]
    for e in parted:
        assert dict(e.fitted.rung.notches)["load"] == "one_leg"
        assert e.fitted.side == e.side
        assert e.pin is None


def parted_plan() -> Plan:
    """The next version of it, on one leg each."""
    plan = on_both_legs()
    made = calm_decision(plan)
    return next_of(plan, made, all_of(made))


def test_one_foot_back_to_both_legs_takes_the_other_with_it() -> None:
    plan = replace(parted_plan(), starts=day(0), on=day(0))
    entries = calm_entries(plan)
    right = exercise_of(plan, "heel_raise", "right")
    entries.append(did(9, right, during=7))
    made = decided(plan, entries)
    assert line_of(made, "heel_raise", "right").outcome == "down"
    assert line_of(made, "heel_raise", "left").outcome == "up"
    new = next_of(plan, made, all_of(made))
    (joined,) = [e for e in new.exercises if e.family == "heel_raise"]
    assert joined.both
    assert dict(joined.fitted.rung.notches)["load"] == "hands_0"
    assert joined.dose_step == min(
        line.step.dose_step for line in made.lines
        if line.exercise.family == "heel_raise" and line.step is not None
    )  # fmt: skip
    said = {r.rule for r in joined.reasons}
    assert {"progress.high", "progress.calm"} <= said


def test_both_feet_kept_and_both_feet_changed_stay_one_line() -> None:
    made = calm_decision()
    kept = [e for e in next_of(PLAN, made, all_of(made, "keep")).exercises if e.both]
    assert [e.family for e in kept] == ["heel_raise"]
    answers = all_of(made)
    (key,) = [k for k in answers if k[0] == "heel_raise"]
    answers[key] = Answer("change", "R. Alder", "no weight at home", {"load": "seated"})
    (changed,) = [e for e in next_of(PLAN, made, answers).exercises if e.family == "heel_raise"]
    assert changed.both
    assert dict(changed.fitted.rung.notches)["load"] == "seated"
    assert changed.pin is not None


def test_what_was_refused_before_is_carried_on_once() -> None:
    made = calm_decision()
    plan = next_of(PLAN, made, all_of(made))
    assert plan.refused == PLAN.refused
    assert PLAN.refused


# ------------------------------------------------------------------ faulty answers


def test_every_fault_of_the_answers_is_named_at_once() -> None:
    made = calm_decision()
    answers = all_of(made)
    del answers["toe_press", "right"]
    answers["toe_press", "left"] = Answer("keep", "R. Alder", " ")
    answers["arch_lift", "right"] = Answer("accept", " ")
    answers["arch_lift", "left"] = Answer("change", "R. Alder", "so", {}, None)
    answers["juggling", "left"] = Answer("accept", "R. Alder")
    with pytest.raises(InputError) as caught:
        next_of(PLAN, made, answers)
    assert {(f.field, f.given) for f in caught.value.faults} == {
        ("juggling.left", "an answer"),
        ("toe_press.right", "no answer"),
        ("toe_press.left.why", "nothing"),
        ("arch_lift.right.by", "nothing"),
        ("arch_lift.left", "a change to nothing"),
    }


@pytest.mark.parametrize(
    "own", [{"notches": {"force": "heroic"}}, {"dose_step": 99}, {"notches": {"colour": "red"}}]
)
def test_a_change_to_what_is_not_there_is_refused(own: dict[str, object]) -> None:
    made = calm_decision()
    answers = all_of(made)
    answers["toe_press", "right"] = replace(Answer("change", "R. Alder", "so"), **own)  # type: ignore[arg-type]
    with pytest.raises(InputError):
        next_of(PLAN, made, answers)


def test_a_change_cannot_set_aside_the_screen() -> None:
    falls = examined(
        make_exam(answers={"falls": "yes"}, details={"falls": {"last_year": 1.0, "injury": False}}),
        10,
    )
    made = calm_decision(exam=falls)
    answers = all_of(made)
    (key,) = [k for k in answers if k[0] == "heel_raise"]
    answers[key] = Answer("change", "R. Alder", "strong", {"load": "hands_0"})
    with pytest.raises(InputError, match="screen"):
        next_of(PLAN, made, answers, falls)


def test_fewer_days_given_at_the_examination_anew_hold_for_the_next_version() -> None:
    fewer = examined(make_exam(person={"days_per_week": 2}), 10)
    made = calm_decision(exam=fewer)
    plan = next_of(PLAN, made, all_of(made), fewer)
    assert {e.dose.days_per_week for e in plan.exercises} == {2}
    assert plan.ends - plan.starts == timedelta(days=27)


# ------------------------------------------------------------------ what an examination anew opens


def arch_lines(plan: Plan) -> set[Side]:
    """The feet that do the arch lift."""
    return {e.side for e in plan.exercises if e.family == "arch_lift"}


@pytest.mark.parametrize("minutes", [60.0, 1.0])
def test_a_foot_starts_what_a_newer_examination_lets_it_start(minutes: float) -> None:
    # The form gates the arch lift (clin_s35d); it is looked at anew.
    time = {"minutes_per_day": minutes}
    before = plan_of(
        make_exam(right={"arch_lift_toes_long": False}, person={"minutes_per_day": 60.0})
    )
    assert arch_lines(before) == {"left"}
    anew = examined(make_exam(person=time), 10)
    made = calm_decision(before, exam=anew)
    plan = next_of(before, made, all_of(made), anew)
    opened = minutes > 1
    assert (arch_lines(plan) == {"left", "right"}) is opened
    if opened:
        right = exercise_of(plan, "arch_lift", "right")
        assert right.fitted.rung.places == (0,)
        assert any(r.rule == "progress.started" for r in right.reasons)
    same = calm_decision(before)
    assert arch_lines(next_of(before, same, all_of(same), examined(before.exam, 10))) == {"left"}
    stale = replace(made, fresh=False)
    assert arch_lines(next_of(before, stale, all_of(stale), anew)) == {"left"}


def test_a_foot_that_was_kept_out_joins_the_one_that_works_already() -> None:
    before = plan_of(make_exam(answers={"broken_skin": "left"}))
    assert {e.side for e in before.exercises} == {"right"}
    anew = examined(make_exam(), 10)
    made = calm_decision(before, exam=anew)
    plan = next_of(before, made, all_of(made), anew)
    assert [e.both for e in plan.exercises if e.family == "heel_raise"] == [True]
    assert {e.side for e in plan.exercises if e.family == "toe_press"} == {"right", "left"}


def test_a_full_sheet_starts_nothing_new() -> None:
    optional = ("walking", "calf_stretch", "toe_bend")
    named = {"heel_raise", "arch_lift", "balance"}
    full = make_exam(wanted=optional, avoid=tuple(named), person={"minutes_per_day": 90.0})
    before = plan_of(full)
    families = {e.family for e in before.exercises}
    assert len(families) == BOOK.value("plan.families_max")
    anew = examined(make_exam(person={"minutes_per_day": 90.0}), 10)
    made = calm_decision(before, exam=anew)
    plan = next_of(before, made, all_of(made), anew)
    assert not {e.family for e in plan.exercises} & named


# ------------------------------------------------------------------ what was stopped stays stopped


def sharp_at(plan: Plan, n: int, family: str, side: Side) -> list[Entry]:
    """Everything done calmly on days of the plan, with a sharp pain in one exercise on a day."""
    hurt = exercise_of(plan, family, side)
    first = (plan.starts - day(0)).days
    entries = [did(first + k, e, before=0) for e in plan.exercises for k in DAYS]
    entries = [e for e in entries if (e.on, e.family, e.side) != (day(n), family, hurt.side)]
    return [*entries, did(n, hurt, before=0, sharp=True)]


@pytest.mark.parametrize(("first", "second"), [("left", "right"), ("right", "left")])
def test_a_foot_that_was_stopped_never_comes_back_by_itself(first: Side, second: Side) -> None:
    # One foot is stopped, then the other: the first must not be forgotten by it.
    plan = PLAN
    for on, side in ((10, first), (20, second)):
        made = decided(plan, sharp_at(plan, on - 1, "arch_lift", side), on)
        assert line_of(made, "arch_lift", side).outcome == "stop and call"
        plan = next_of(plan, made, all_of(made), examined(plan.exam, on))
        assert side not in arch_lines(plan)
    assert not arch_lines(plan)
    stopped = {(r.what, r.side) for r in plan.refused if r.reason.rule == "progress.stopped_line"}
    assert stopped == {("arch_lift", "right"), ("arch_lift", "left")}
    for on in (30, 40):
        anew = examined(make_exam(person={"minutes_per_day": 60.0}), on)
        entries = [did(on - 10 + n, e, before=0) for e in plan.exercises for n in DAYS]
        made = decided(plan, entries, on, exam=anew)
        assert made.fresh
        plan = next_of(plan, made, all_of(made), anew)
        assert not arch_lines(plan)
        assert {(r.what, r.side) for r in plan.refused} >= stopped


def test_a_warning_sign_cannot_be_kept_or_changed_away() -> None:
    entries = [*calm_entries(PLAN), did(9, exercise_of(PLAN), before=0, warning=True)]
    made = decided(PLAN, entries, exam=PLAN.exam)
    assert {line.outcome for line in made.lines} == {"stop and call"}
    assert not made.fresh
    for kind in ("keep", "change"):
        with pytest.raises(InputError, match="Examine again") as caught:
            next_of(PLAN, made, all_of(made, kind, dose_step=1), PLAN.exam)
        assert len(caught.value.faults) == len(made.lines)
    assert next_of(PLAN, made, all_of(made), PLAN.exam).exercises == ()


@pytest.mark.parametrize(
    ("own", "harder"),
    [
        ({"dose_step": 1}, False),
        ({"dose_step": 2}, False),
        ({"dose_step": 3}, True),
        ({"notches": {"force": "light"}}, False),
        ({"notches": {"force": "moderate"}}, True),
        ({"notches": {"force": "moderate"}, "dose_step": 1}, True),
    ],
)
def test_a_stopped_line_may_not_be_made_harder(own: dict[str, object], harder: bool) -> None:
    press = exercise_of(PLAN)
    assert press.dose_step == 2
    made = decided(PLAN, [*calm_entries(PLAN), did(9, press, sharp=True)])
    line = line_of(made)
    assert line.outcome == "stop and call"
    answers = all_of(made)
    answers["toe_press", "right"] = replace(Answer("change", "R. Alder", "it was the other toe"),
                                            **own)  # type: ignore[arg-type]  # fmt: skip
    if harder:
        with pytest.raises(InputError, match="nothing harder than now"):
            next_of(PLAN, made, answers)
        return
    new = exercise_of(next_of(PLAN, made, answers))
    assert set(line.reasons) <= set(new.reasons)
    assert set(line.reasons) <= set(new.warnings)  # what she goes against stays said


def test_a_changed_line_carries_why_it_was_advised() -> None:
    for changes, outcome in (({"during": 7}, "down"), ({}, "up")):
        told = [*calm_entries(PLAN), did(3, exercise_of(PLAN), before=0, **changes)]
        made = decided(PLAN, told)
        line = line_of(made)
        assert line.outcome == outcome
        answers = all_of(made)
        answers["toe_press", "right"] = Answer("change", "R. Alder", "so", {}, 1)
        new = exercise_of(next_of(PLAN, made, answers))
        assert set(line.reasons) <= set(new.reasons)
        assert (set(line.reasons) <= set(new.warnings)) is (outcome == "down")
