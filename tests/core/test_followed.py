"""How entries are read, and what they say of pain and of work: counted by hand.

The rules are the house's own: of two entries that differ the higher pain and the smaller amount
count; what is late or outside the plan never helps to raise. A flare is here a rise of 2 or more
above pain as usual on two days running; a review of 69 papers found no agreed definition.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.core.followed import Entry, FootDays, foot_days, of_foot, read_entries, work_of
from tests.core.followed_case import BOOK, DAYS, day, did, exercise_of, plan_of
from tests.factory import make_exam

PLAN = plan_of()
PRESS = exercise_of(PLAN)
START, END = PLAN.starts, PLAN.ends


def read(*entries: Entry, today: int = 10, **told: object):  # type: ignore[no-untyped-def]
    """The course of some entries."""
    return read_entries(entries, BOOK, START, END, day(today), **told)  # type: ignore[arg-type]


def notes(course: object) -> list[str]:
    return [reason.rule for reason in course.notes]  # type: ignore[attr-defined]


# ------------------------------------------------------------------ reading


def test_order_of_entry_does_not_matter() -> None:
    entries = [did(n, PRESS, during=n) for n in (0, 1, 2)]
    assert read(*entries) == read(*reversed(entries))
    assert [e.on for e in read(*reversed(entries)).entries] == [day(0), day(1), day(2)]


def test_twice_alike_counts_once_and_is_said() -> None:
    course = read(did(0, PRESS), did(0, PRESS))
    assert course.entries == (did(0, PRESS),)
    assert notes(course) == ["entry.twice"]
    assert "2 times" in course.notes[0].says


def test_of_two_that_differ_the_higher_pain_and_the_smaller_amount_count() -> None:
    one = did(0, PRESS, before=1, during=2, morning=None)
    two = did(0, PRESS, done="part", sets=0, reps=4, before=0, during=6, morning=3, why_not="pain")
    for pair in ((one, two), (two, one)):
        course = read(*pair)
        (merged,) = course.entries
        assert (merged.before, merged.during, merged.morning) == (1, 6, 3)
        assert (merged.done, merged.sets, merged.reps, merged.why_not) == ("part", 0, 4, "pain")
        assert notes(course) == ["entry.contradicts"]
    less = did(0, PRESS, sets=1, reps=5)
    assert read(did(0, PRESS), less).entries[0].reps == 5
    assert read(did(0, PRESS, sets=2, reps=1), less).entries[0].sets == 1


@pytest.mark.parametrize("sign", ["sharp", "warning"])
def test_a_sign_in_either_of_two_entries_stays(sign: str) -> None:
    marked = did(0, PRESS, **{sign: True})
    for pair in ((did(0, PRESS), marked), (marked, did(0, PRESS))):
        assert getattr(read(*pair).entries[0], sign)


@pytest.mark.parametrize(
    ("a", "b", "merged"),
    [
        (True, False, False),
        (False, True, False),
        (None, True, True),
        (True, None, True),
        (None, None, None),
        (None, False, False),
    ],
)
def test_a_faulty_form_in_either_of_two_entries_stays(
    a: bool | None, b: bool | None, merged: bool | None
) -> None:
    assert read(did(0, PRESS, form=a), did(0, PRESS, form=b)).entries[0].form is merged


@pytest.mark.parametrize(
    ("on", "outside"), [(-1, True), (0, False), (10, False), (11, True), (27, True), (28, True)]
)
def test_outside_the_plan_or_to_come_helps_nothing_up(on: int, outside: bool) -> None:
    course = read(did(on, PRESS))
    assert course.entries[0].counts_up is not outside
    assert notes(course) == (["entry.outside"] if outside else [])
    assert read(did(27, PRESS), today=40).entries[0].counts_up  # the plan's last day
    assert not read(did(28, PRESS), today=40).entries[0].counts_up


def test_the_note_says_within_which_days() -> None:
    (note,) = read(did(12, PRESS)).notes
    assert f"outside {day(0)} to {day(10)}" in note.says
    (note,) = read(did(30, PRESS), today=40).notes
    assert f"outside {day(0)} to {day(27)}" in note.says


def test_an_entry_without_numbers_has_none() -> None:
    bare = Entry(day(0), "toe_press", "right", False, "none")
    assert (bare.sets, bare.reps, bare.during, bare.form) == (0, 0, None, None)
    assert bare.counts_up
    assert not bare.sharp
    assert not bare.warning


def test_late_means_of_a_day_before_the_last_decision_and_come_after_it() -> None:
    kept = read(did(0, PRESS), decided=day(5), new=[did(4, PRESS), did(5, PRESS)])
    assert [e.counts_up for e in kept.entries] == [True, False, True]
    assert notes(kept) == ["entry.late"]
    assert "toe press right foot" in kept.notes[0].says
    assert all(e.counts_up for e in read(new=[did(4, PRESS)]).entries)
    both = exercise_of(PLAN, "heel_raise")
    assert "both feet" in read(new=[did(4, both)], decided=day(5)).notes[0].says


def test_a_late_entry_of_a_day_taints_what_was_known_of_it() -> None:
    course = read(did(4, PRESS), decided=day(5), new=[did(4, PRESS)])
    assert not course.entries[0].counts_up
    assert notes(course) == ["entry.late", "entry.twice"]


def test_feet_and_families_are_kept_apart() -> None:
    left = exercise_of(PLAN, "toe_press", "left")
    arch = exercise_of(PLAN, "arch_lift")
    course = read(did(0, PRESS), did(0, left), did(0, arch))
    assert len(course.entries) == 3
    assert not course.notes


# ------------------------------------------------------------------ pain of a foot


def days_of(
    *entries: Entry,
    usual: float | None = 2.0,
    starts: int = 0,
    today: int | None = None,
    version: int | None = None,
) -> FootDays:
    """Pain of the right foot; today is the day of the last entry unless said otherwise."""
    ordered = sorted(entries, key=lambda e: e.on)
    latest = max((e.on for e in entries), default=day(0))
    now = latest if today is None else day(today)
    since = None if version is None else day(version)
    return foot_days(ordered, "right", usual, day(starts), now, BOOK, since)


def before(n: int, pain: int | None) -> Entry:
    """A session with a rating before it only."""
    return did(n, PRESS, before=pain, during=None, morning=None)


def test_usual_is_the_lower_of_the_examination_and_the_week_s_median() -> None:
    # The clinical rule takes the median of seven days; the examination's rating caps it here.
    assert days_of(before(0, 0), before(1, 1), before(2, 1)).usual == 1
    assert days_of(before(0, 0), before(1, 1)).usual == 2  # too few
    assert days_of(before(0, 8), before(1, 8), before(2, 8)).usual == 2
    assert days_of(before(0, 0), before(1, 0), before(2, 1), before(3, 1)).usual == 0.5
    assert days_of(before(0, 0), before(1, 0), before(8, 0)).usual == 2  # within seven days only
    assert days_of(before(1, 0), before(2, 0), before(7, 0)).usual == 0
    assert days_of(before(0, 0), before(1, 0), before(7, 0)).usual == 2
    assert days_of(usual=None).usual is None


@given(
    st.lists(st.none() | st.integers(0, 10), min_size=1, max_size=9),
    st.none() | st.integers(0, 8),
    st.data(),
)
def test_no_rating_before_lifts_usual_above_the_examination(
    pains: list[int | None], usual: int | None, data: st.DataObject
) -> None:
    found = days_of(*(before(n, p) for n, p in enumerate(pains)), usual=usual).usual
    if usual is None:
        assert found is None  # what was not examined is not made up for by the diary
    else:
        assert found is not None
        assert found <= usual
    raised = [None if p is None else data.draw(st.integers(p, 10)) for p in pains]
    more = days_of(*(before(n, p) for n, p in enumerate(raised)), usual=usual).usual
    assert more is None or found is None or found <= more <= (usual or 0)


def test_the_mean_of_a_week_needs_three_days() -> None:
    two = days_of(before(0, 4), before(1, 4), starts=-20)
    assert (two.this_week, two.last_week) == (None, None)
    three = days_of(before(0, 4), before(1, 4), before(2, 1), starts=-20)
    assert three.this_week == 3.0
    weeks = days_of(*(before(n, 1) for n in (0, 1, 2)), *(before(n, 3) for n in (7, 8, 9)))
    assert (weeks.this_week, weeks.last_week) == (3.0, 1.0)
    # the day seven days back belongs to the week before
    edge = days_of(before(2, 9), *(before(n, 3) for n in (7, 8, 9)), starts=-20)
    assert edge.this_week == 3.0


def test_a_morning_is_a_rating_of_the_next_day_and_the_higher_counts() -> None:
    first = did(0, PRESS, morning=5)
    assert days_of(first, before(1, 2), before(2, 0), before(3, 4)).this_week == (5 + 0 + 4) / 3


def test_in_the_first_week_the_examination_stands_for_the_week_before() -> None:
    week = [before(n, 3) for n in (0, 1, 2)]
    assert days_of(*week).last_week == 2.0
    assert days_of(*week, before(7, 3)).last_week == 2.0
    assert days_of(*(before(n, 1) for n in (0, 1, 2))).last_week == 1.0  # as usual is 1 now
    assert days_of(before(5, 1), before(6, 1), before(8, 1)).last_week is None
    assert days_of(*week, usual=None).last_week is None


def test_the_other_foot_s_entries_are_not_this_foot_s_and_both_are() -> None:
    left = exercise_of(PLAN, "toe_press", "left")
    both = exercise_of(PLAN, "heel_raise")
    assert days_of(*(did(n, left, before=4) for n in (0, 1, 2))).this_week is None
    assert days_of(*(did(n, both, before=4, morning=None) for n in (0, 1, 2))).this_week == 4.0


def flares(*pains: int, usual: float | None = 2.0) -> int:
    """Flares when every day has one rating."""
    return int(days_of(*(before(n, p) for n, p in enumerate(pains)), usual=usual).flares)


def test_a_flare_is_two_days_running_two_above_usual() -> None:
    high = [9] * 3  # keeps the median high, so that the examination's 2 is as usual
    assert flares(4, 4, 2) == 1
    assert flares(3, 3, 2) == 0
    assert flares(4, 2, 4, 2) == 0
    assert flares(4, 4, 4, 4) == 1  # one long one
    assert flares(4, 4, 2, 4, 4) == 2
    assert flares(*high, usual=None) == 0
    assert flares() == 0


def test_flares_older_than_four_weeks_are_past() -> None:
    def with_one_at(n: int) -> int:
        now = [before(d, 5) for d in (n, n + 1)] + [before(d, 2) for d in (28, 29)]
        return int(days_of(*now).flares)

    assert with_one_at(2) == 1
    assert with_one_at(1) == 0  # its first day lies 28 days back
    assert with_one_at(0) == 0


def test_weeks_are_counted_back_from_today_not_from_the_last_rating() -> None:
    week = [before(n, 4) for n in (0, 1, 2)]
    assert days_of(*week, today=6).this_week == 4.0
    gone = days_of(*week, today=9)
    assert (gone.this_week, gone.last_week) == (None, 2.0)  # 4, but as usual at most
    assert days_of(*week, today=8).this_week is None  # only the ratings of days 2 to 8
    assert days_of(*week, today=17).last_week is None
    calm = [before(n, 0) for n in (0, 1, 2)]
    assert days_of(*calm, today=6).usual == 0
    assert days_of(*calm, today=9).usual == 2  # old ratings lower nothing
    assert days_of(*calm, before(5, None), today=5).this_week == 0.0


@given(
    st.lists(st.integers(-3, 13), unique=True, max_size=8),
    st.lists(st.integers(-9, 20), unique=True, max_size=6),
    st.data(),
)
def test_what_may_not_help_makes_a_rise_only_steeper(
    days: list[int], wrong: list[int], data: st.DataObject
) -> None:
    pain = st.integers(0, 10)
    told = [did(n, PRESS, before=data.draw(pain), morning=data.draw(pain)) for n in days]
    late = [
        did(n, PRESS, before=data.draw(pain), morning=data.draw(pain), counts_up=False)
        for n in wrong
    ]
    alone, found = days_of(*told, today=13), days_of(*told, *late, today=13)
    assert found.usual == alone.usual
    assert (found.this_week is None) is (alone.this_week is None)
    assert (found.last_week is None) is (alone.last_week is None)
    if alone.this_week is not None and found.this_week is not None:
        assert found.this_week >= alone.this_week
    if alone.last_week is not None and found.last_week is not None:
        assert found.last_week <= alone.last_week


def test_a_late_rating_counts_where_it_makes_a_week_worse() -> None:
    week = [before(n, 3) for n in (7, 8, 9)]
    late = [replace(before(n, p), counts_up=False) for n, p in ((10, 7), (11, 0), (12, 9))]
    assert days_of(*week, *late, today=12, usual=9.0).this_week == (9 + 9 + 7) / 5
    first = [before(n, 3) for n in (0, 1, 2)]
    old = [replace(before(n, p), counts_up=False) for n, p in ((3, 7), (4, 0), (5, 1))]
    assert days_of(*first, *old, today=12, usual=9.0).last_week == (9 + 0 + 1) / 5
    assert days_of(*first[:2], *old, today=12, usual=9.0).last_week is None


@given(
    st.lists(st.integers(0, 10), min_size=5, max_size=5),
    st.lists(st.integers(0, 10), min_size=5, max_size=5),
    st.integers(0, 10),
)
def test_a_painful_week_before_counts_as_usual_at_most(
    first: list[int], second: list[int], usual: int
) -> None:
    def mornings(pains: list[int], start: int) -> list[Entry]:
        return [did(start + n, PRESS, morning=p) for n, p in enumerate(pains)]

    found = days_of(*mornings(first, 0), *mornings(second, 7), usual=float(usual), today=13)
    assert found.usual == usual  # never rated before the exercise
    assert found.last_week == min(sum(first) / 5, usual)
    assert found.this_week == sum(second) / 5


def test_ratings_before_the_present_version_do_not_lower_this_week_again() -> None:
    entries = [before(n, 6) for n in (7, 8, 9)] + [before(n, 1) for n in (10, 11, 12)]
    assert days_of(*entries, today=12).this_week == 3.5
    new = days_of(*entries, today=12, version=10)
    assert new.this_week == 1.0
    assert days_of(*entries[:5], today=12, version=10).this_week is None  # two days are too few
    old = [before(n, 1) for n in (0, 1, 2)]
    assert days_of(*old, *entries, today=12, version=10).last_week == 1.0


def test_flares_count_only_when_the_latest_reaches_into_the_present_version() -> None:
    pains = (4, 4, 2, 4, 4, 2, 2, 2)
    entries = [before(n, p) for n, p in enumerate(pains)]
    assert days_of(*entries).flares == 2
    assert days_of(*entries, version=4).flares == 2  # its last day is in it
    assert days_of(*entries, version=5).flares == 0  # judged before
    one = [*entries, before(8, 4), before(9, 4)]
    assert days_of(*one, version=8).flares == 3  # the earlier ones stand beside a new one


def test_a_rating_of_both_feet_is_that_of_the_sorer_one_or_of_both() -> None:
    both = did(0, exercise_of(PLAN, "heel_raise"))
    left = did(0, exercise_of(PLAN, "toe_press", "left"))
    entries = [both, left, did(0, PRESS)]
    assert of_foot(entries, "right", PLAN.exam) == [both, did(0, PRESS)]
    assert of_foot(entries, "left", PLAN.exam) == [left]  # as usual 0, on the right 2
    for exam in (
        make_exam(left={"pain_usual_nprs": 2.0}),
        make_exam(left={"pain_usual_nprs": None}),
        make_exam(right={"pain_usual_nprs": None}),
    ):
        assert of_foot(entries, "left", exam) == [both, left]
        assert of_foot(entries, "right", exam) == [both, did(0, PRESS)]


# ------------------------------------------------------------------ work


def work(*entries: Entry, since: int = 0, starts: int = 0, today: int = 10):  # type: ignore[no-untyped-def]
    """Work at the present setting: five days a week, one set of ten."""
    return work_of(entries, PRESS.dose, day(since), day(starts), day(today), BOOK)


def test_work_is_counted_by_hand() -> None:
    found = work(*(did(n, PRESS) for n in DAYS))
    assert len(found.sessions) == 9
    assert found.days == 9
    assert found.last_week == 6  # days 4 to 9
    assert found.adherence_pct == 100.0  # nine of 5 x 10 / 7
    assert found.volume_pct == 120.0  # six of five
    assert found.week_pct == (100.0,)
    assert (found.gap_days, found.silent_days) == (1, 1)


def test_the_share_of_sessions_done() -> None:
    assert work(did(0, PRESS), did(1, PRESS)).adherence_pct == pytest.approx(100 * 2 / (50 / 7))
    assert work().adherence_pct is None
    assert work(did(0, PRESS), today=0).adherence_pct is None  # nothing was asked for yet
    # today's session is not yet one of those asked for
    assert work(did(0, PRESS), did(7, PRESS), today=7).adherence_pct == 20.0
    none = did(3, PRESS, done="none", sets=0, reps=0)
    assert work(none).adherence_pct == 0.0
    assert len(work(none).sessions) == 0


def test_a_session_of_today_counts_but_is_not_yet_due() -> None:
    found = work(did(10, PRESS))
    assert len(found.sessions) == 1
    assert found.silent_days == 0
    assert found.adherence_pct == 0.0
    assert work(did(0, PRESS), today=1).adherence_pct == 100.0  # one of five sevenths


def test_a_session_of_today_that_has_no_morning_yet_helps_nothing_up() -> None:
    days = [did(n, PRESS) for n in (7, 8, 9)]
    found = work(*days, did(10, PRESS, morning=None))
    assert [e.on for e in found.sessions] == [day(7), day(8), day(9)]
    assert found.days == 9
    assert len(work(*days, did(9, PRESS, both=True, morning=None)).sessions) == 4  # yesterday's


def test_what_may_not_count_up_fills_no_gap_and_the_last_decision_begins_it_anew() -> None:
    def version_of(n: int, *entries: Entry, today: int) -> int:
        made = work_of(entries, PRESS.dose, day(0), day(0), day(today), BOOK, day(n))
        return int(made.gap_days)

    ahead = [did(n, PRESS, counts_up=False) for n in (5, 10, 15)]
    assert work(did(0, PRESS), *ahead, today=16).gap_days == 16
    assert work(*ahead, today=16).gap_days == 16
    entries = [did(n, PRESS) for n in (0, 14, 15)]
    assert work(*entries, today=16).gap_days == 14
    assert version_of(13, *entries, today=16) == 1  # the pause was judged then
    assert version_of(13, today=16) == 3


def test_only_the_present_setting_counts_for_a_rise_but_every_session_fills_a_gap() -> None:
    found = work(*(did(n, PRESS) for n in DAYS), since=7)
    assert [e.on for e in found.sessions] == [day(7), day(8), day(9)]
    assert (found.days, found.last_week, found.volume_pct) == (2, 3, 60.0)
    assert found.gap_days == 1
    late = [did(n, PRESS, counts_up=False) for n in DAYS]
    found = work(*late)
    assert not found.sessions
    assert found.last_week == 0
    assert found.volume_pct == 120.0


def test_a_second_set_is_more_work() -> None:
    assert work(did(9, PRESS, sets=2)).volume_pct == 40.0
    assert work(did(9, PRESS, sets=1, reps=5)).volume_pct == 10.0
    assert work(did(9, PRESS, done="part", sets=0, reps=0)).volume_pct == 0.0
    assert work(did(9, PRESS, sets=2, reps=5)).volume_pct == 30.0
    assert work(did(2, PRESS)).volume_pct == 0.0  # eight days back
    assert work(did(3, PRESS)).volume_pct == 20.0
    assert work(did(10, PRESS)).volume_pct == 0.0  # today is not over yet


@pytest.mark.parametrize(
    ("days", "today", "gap"),
    [
        ((), 6, 6),
        ((), 7, 7),
        ((0, 1, 2), 9, 7),  # since the last session
        ((7, 8, 9), 10, 7),  # before the first
        ((0, 6, 7), 8, 6),  # within
        ((0, 7, 8), 9, 7),
        ((0, 13, 14), 15, 13),
        ((0, 14, 15), 16, 14),
        ((0, 9, 10, 11), 12, 1),  # before the last three: it was answered by then
        ((0, 1, 10, 11), 12, 9),
    ],
)
def test_the_longest_gap_around_the_last_three_sessions(
    days: tuple[int, ...], today: int, gap: int
) -> None:
    assert work(*(did(n, PRESS) for n in days), today=today).gap_days == gap


def test_days_in_silence_count_from_any_entry() -> None:
    none = did(3, PRESS, done="none", sets=0, reps=0)
    assert work(none).silent_days == 7
    assert work().silent_days == 10
    assert work(none, did(12, PRESS)).silent_days == 7  # a day to come says nothing


def test_the_share_week_by_week() -> None:
    entries = [did(n, PRESS) for n in (0, 1, 2, 3, 4, 7, 8, 9, 14, 15)]
    assert work(*entries, today=21).week_pct == (100.0, 60.0, 40.0)
    assert work(*entries, today=20).week_pct == (100.0, 60.0)
    assert work(*entries, today=6).week_pct == ()
    assert work(*entries, did(0, PRESS, during=3), today=7).week_pct == (100.0,)


def test_twice_a_day_is_one_session() -> None:
    twice = [did(0, PRESS), replace(did(0, PRESS), both=True)]
    assert work(*twice, today=7).adherence_pct == 20.0
    assert work(*twice, today=7).week_pct == (20.0,)
