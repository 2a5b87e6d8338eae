"""Notes for the record: every sentence from a stored value, a blank for what is not known.

What a note is expected to hold is common practice of the trade (clin §9, there marked as memory):
referral, onset, level before, history, findings of both feet with their method, assessment, plan
with goals and dates; SOAP order of a visit; progress towards each goal; reason of discharge.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.clinic import demo_exams, make_plan, read_exam
from rungwise.core.errors import InputError
from rungwise.core.followed import Entry, read_entries
from rungwise.core.note import KINDS, Line, Note, Table, flat, visible, write_note
from rungwise.core.note_case import Case, Timed, advised_by, compare_exams
from rungwise.core.progress import Decision, decide
from rungwise.core.renew import Answer, renew
from rungwise.core.scorers import entered_score
from rungwise.core.terms import SIDES, Exam, Plan, Side
from rungwise.course import feet_now
from rungwise.notes.texts import load_lexicon, to_plain
from tests.factory import DAY, make_exam, mirrored, real_book

BOOK = real_book()
WORDS = load_lexicon()
BLANK = WORDS.at("blank")
MEASURES = tuple(WORDS.at("compare.measures"))
LATER = DAY + timedelta(days=14)


def first_case(exam: Exam, **changes: object) -> Case:
    plan = make_plan(exam, BOOK, exam.on)
    return replace(Case(exam.on, plan, (exam,), by="R. Alder, PT"), **changes)  # type: ignore[arg-type]


def entries_of(plan: Plan, sharp: bool = False) -> list[Entry]:
    """All done, with pain 2 during and 1 next morning."""
    return [
        Entry(
            plan.starts + timedelta(days=day),
            e.family,
            e.side,
            e.both,
            "all",
            sets=e.dose.sets,
            reps=e.dose.reps,
            before=1,
            during=2,
            morning=1,
            sharp=sharp and day == 2,
        )
        for day in range(14)
        for e in plan.exercises
        if day * e.dose.days_per_week // 7 != (day + 1) * e.dose.days_per_week // 7
    ]


@cache
def later_case(sharp: bool = False) -> Case:
    """Two weeks on: measured again, decided, answered, and renewed."""
    exam = EXAM
    plan = make_plan(exam, BOOK, exam.on)
    on = exam.on + timedelta(days=14)
    again = replace(
        exam,
        on=on,
        measured=tuple(replace(one, on=on) for one in exam.measured),
        activities=tuple(replace(a, rating=a.rating + 1) for a in exam.activities),
    )
    feet = feet_now(again, BOOK)
    course = read_entries(entries_of(plan, sharp), BOOK, plan.starts, plan.ends, on)
    decision = decide(plan, course, feet, BOOK, on)
    answers = {
        (line.exercise.family, line.exercise.side): Answer("accept", "R. Alder")
        for line in decision.lines
    }
    return Case(
        on,
        renew(plan, decision, answers, feet, BOOK),
        (exam, again),
        plan.starts,
        plan.starts,
        course.entries,
        decision,
        advised_by(decision, answers),
        by="R. Alder, PT",
        version=2,
        compared=compare_exams(exam, again, MEASURES, BOOK),
    )


def noted(kind: str, case: Case) -> Note:
    return write_note(kind, case, WORDS, BOOK)


def texts(note: Note) -> list[str]:
    return [*flat(note.sections), *note.reasons]


def lines(note: Note, key: str) -> list[Line]:
    parts = (part for section in note.sections for part in section.parts)
    return [part for part in parts if isinstance(part, Line) and part.key == key]


def tables(note: Note, key: str) -> list[Table]:
    parts = (part for section in note.sections for part in section.parts)
    return [part for part in parts if isinstance(part, Table) and part.key == key]


def every_line(note: Note) -> Iterator[Line]:
    for section in note.sections:
        yield from (part for part in section.parts if isinstance(part, Line))


EXAM = make_exam()
DEMO = {name: read_exam(text, BOOK) for name, text in demo_exams().items()}


# ------------------------------------------------------------------ what is expected is there


@pytest.mark.parametrize("name", DEMO)
@pytest.mark.parametrize("kind", KINDS)
def test_every_expected_line_of_every_kind_is_there(kind: str, name: str) -> None:
    note = noted(kind, first_case(DEMO[name]))
    seen = {part.key for section in note.sections for part in section.parts}
    for section in WORDS.at(f"kind.{kind}.sections"):
        for key in section["lines"]:
            if WORDS.has(f"line.{key}.blank"):
                assert key in seen, key  # known, or a blank: never left out


@pytest.mark.parametrize("kind", KINDS)
def test_findings_expected_and_not_examined_are_told_so(kind: str) -> None:
    expected = WORDS.at(f"kind.{kind}.expect")
    empty = replace(EXAM, measured=())
    found = tables(noted(kind, first_case(empty)), "findings")
    cells = {row.cells[0]: row.cells[1:] for table in found for row in table.rows}
    for key in expected:
        named = WORDS.at(f"measure.{key}")
        feet = BOOK.measures[key].per == "foot"
        assert cells[named][: 2 if feet else 1] == ("not examined",) * (2 if feet else 1)


def test_a_visit_is_in_soap_order() -> None:
    headings = [section.heading for section in noted("visit", later_case()).sections]
    assert headings[1:5] == ["Subjective", "Objective", "Assessment", "Plan"]


def test_every_name_of_the_wording_is_used() -> None:
    asked = {
        key for kind in KINDS for part in WORDS.at(f"kind.{kind}.sections") for key in part["lines"]
    }
    assert asked == set(WORDS.at("line"))
    assert set(WORDS.at("measure")) >= set(MEASURES)
    of_body = {key for key, one in BOOK.measures.items() if one.per in ("foot", "person")}
    assert set(WORDS.at("measure")) == of_body


# ------------------------------------------------------------------ nothing but stored values


@pytest.mark.parametrize("kind", KINDS)
def test_every_line_is_a_template_and_stored_values(kind: str) -> None:
    for case in (first_case(EXAM), later_case()):
        for line in every_line(noted(kind, case)):
            forms = WORDS.at(f"line.{line.key}")
            rest = line.text
            for _, value in line.seen:
                assert value in line.text
            made = [
                WORDS.say(f"line.{line.key}.{form}", **dict(line.seen))
                for form, text in forms.items()
                if isinstance(text, str)
                and set(re.findall(r"\{(\w+)\}", text)) <= {*dict(line.seen)}
            ]
            assert rest in made
            assert line.blank == (BLANK in rest)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize(
    ("measure", "changed", "shown"),
    [
        ("pain_rest_nprs", 3.0, "3"),
        ("heel_raise_count", 11.0, "11"),
        ("one_leg_s", 17.5, "17.5 s"),
        ("pulses", "absent", "absent"),
        ("skin", "broken", "broken"),
        ("morning_stiffness_min", 25.0, "25 min"),
        ("press_n", 44.0, "44 N"),
    ],
)
def test_a_changed_finding_changes_its_cell_and_no_other_foot(
    measure: str, changed: float | str, shown: str, side: Side
) -> None:
    def cells(value: object) -> tuple[str, ...]:
        found: dict[str, Any] = {side: {measure: value}}
        exam = make_exam(**found)
        (table, *_) = tables(noted("evaluation", first_case(exam)), "findings")
        named = WORDS.at(f"measure.{measure}")
        (row,) = [row for row in table.rows if row.cells[0] == named]
        return row.cells

    place = 1 + SIDES.index(side)
    usual = tables(noted("evaluation", first_case(EXAM)), "findings")[0]
    before = next(r.cells for r in usual.rows if r.cells[0] == WORDS.at(f"measure.{measure}"))
    now, gone = cells(changed), cells(None)
    assert now[place] == shown != before[place]
    assert gone[place] == "not examined"
    assert now[3 - place] == gone[3 - place] == before[3 - place]


def test_what_was_told_changes_its_line_and_what_was_not_told_is_blank() -> None:
    told = noted("evaluation", first_case(EXAM))
    (wish,) = lines(told, "wishes")
    (goal,) = lines(told, "goals")
    assert wish.text == "Wants to do again: walk 3 km on the flat; now 5 of 10."
    assert goal.text.endswith("from 5 to 8 of 10 by 2026-06-01.")
    (one,) = EXAM.activities
    other = first_case(replace(EXAM, activities=(replace(one, rating=2.0, by=None),)))
    assert "now 2 of 10" in lines(noted("evaluation", other), "wishes")[0].text
    assert lines(noted("evaluation", other), "goals")[0].text.endswith(f"by {BLANK}")
    none = noted("evaluation", first_case(replace(EXAM, activities=())))
    assert [line.blank for key in ("wishes", "goals") for line in lines(none, key)] == [True, True]


def test_what_the_software_cannot_know_is_always_blank() -> None:
    note = noted("evaluation", first_case(EXAM))
    for key in ("referral", "diagnosis", "onset", "prior_level", "history", "medication", "gait"):
        (line,) = lines(note, key)
        assert line.blank
        assert BLANK in line.text
    assert noted("evaluation", first_case(EXAM, by="")).sections[-1].parts[0] == Line(
        "signature", f"Name, licence, signature and date: {BLANK}", True
    )


def test_items_not_asked_are_never_told_as_no() -> None:
    exam = make_exam(answers={"falls": None, "numb_foot": "left"})
    note = noted("evaluation", first_case(exam))
    (no,), (not_asked,) = lines(note, "answered_no"), lines(note, "not_asked")
    assert "falls" not in no.text
    assert "numb foot," not in no.text.replace("warm swollen numb foot", "")
    assert not_asked.text == "Not asked: falls."
    (flag,) = [line for line in lines(note, "flags") if "numb foot" in line.text]
    assert "left foot" in flag.text
    assert "right" not in flag.text


def test_pain_of_another_day_is_not_told_as_todays() -> None:
    case = first_case(EXAM, on=LATER)
    shown = [line.text for line in lines(noted("visit", case), "pain_now")]
    assert shown == [
        f"Pain at rest, right foot: {BLANK} (it was 1 of 10 on 2026-03-02)",
        f"Pain at rest, left foot: {BLANK} (it was 0 of 10 on 2026-03-02)",
    ]


def test_old_findings_say_their_day() -> None:
    last = int(BOOK.value("note.stale_days"))
    for days, told in ((last, 0), (last + 1, 1)):
        case = first_case(EXAM, on=DAY + timedelta(days=days))
        for kind in KINDS:
            found = lines(noted(kind, case), "stale")
            assert len(found) == told
            assert all(f"{DAY} are {days} days old" in line.text for line in found)


# ------------------------------------------------------------------ sides


def swapped(text: str) -> str:
    swap = {"right": "left", "left": "right", "Right": "Left", "Left": "Right"}
    return re.sub(r"\b[Rr]ight\b|\b[Ll]eft\b(?! out)", lambda m: swap[m[0]], text)


def told(note: Note, mirror: bool = False) -> list[str]:
    """Every line and row with its foot; the columns of a mirrored note are put back."""
    found = []
    for section in note.sections:
        for part in section.parts:
            if isinstance(part, Line):
                fixed = part.blank and not part.seen  # room for both feet, right first
                found.append(swapped(part.text) if mirror and not fixed else part.text)
                continue
            for row in part.rows:
                cells = [swapped(cell) for cell in row.cells] if mirror else [*row.cells]
                if mirror and part.key in ("findings", "retests") and "Left foot" in part.head:
                    cells[1], cells[2] = cells[2], cells[1]
                found.append(" | ".join([part.key, *cells]))
    # the dose of both feet at once is told of one of them
    reasons = [r.partition(". ")[2] for r in note.reasons if "plan.dose" not in r]
    found += map(swapped, reasons) if mirror else reasons
    return sorted(found)


@pytest.mark.parametrize("kind", KINDS)
def test_left_and_right_are_never_swapped(kind: str) -> None:
    exams = [EXAM, make_exam(answers={"hot_swollen_joint": "left"}, right={"pulses": "absent"})]
    for exam in exams:
        straight, other = noted(kind, first_case(exam)), noted(kind, first_case(mirrored(exam)))
        assert texts(straight) != texts(other)
        assert told(straight) == told(other, mirror=True)


def test_a_side_is_always_a_word() -> None:
    for kind in KINDS:
        for text in texts(noted(kind, later_case())):
            assert not re.search(r"\b[RLB]\b(?!\.)|\b(rt|lt|bilat)\b", text, re.IGNORECASE), text


# ------------------------------------------------------------------ programme, advice, change


def test_the_grade_of_each_foot_says_its_day_and_bend() -> None:
    shown = [line.text for line in lines(noted("progress", first_case(EXAM)), "grade")]
    feet = ("right foot: 2, from 25°", "left foot: 0, from 60°")
    assert shown == [
        f"Clinical grade of 2026-03-02, {foot} of dorsiflexion (standard error 5°)."
        for foot in feet
    ]
    fused = make_exam(answers={"foot_operation": "left"}, details={"surgery": {"kind": "fusion"}})
    told_so = [line.text for line in lines(noted("progress", first_case(fused)), "grade")]
    assert told_so[1] == "Clinical grade of 2026-03-02, left foot: not graded."
    assert "fused" in told_so[2]


def test_the_programme_is_the_plans() -> None:
    case = first_case(EXAM)
    (table,) = tables(noted("evaluation", case), "exercises")
    assert len(table.rows) == len(case.plan.exercises) > 0
    for row, e in zip(table.rows, case.plan.exercises, strict=True):
        assert row.cells[0] == e.family.replace("_", " ").capitalize()
        assert row.cells[1] == ("both feet" if e.both else f"{e.side} foot")
        assert f"{e.dose.sets} × {e.dose.reps}" in row.cells[3]
        assert f"{e.dose.days_per_week} days a week" in row.cells[3]
        for _, notch in e.fitted.rung.notches:
            assert notch.replace("_", " ") in row.cells[2]


def test_every_recommendation_shows_its_basis() -> None:
    case = later_case()
    for kind in KINDS:
        note = noted(kind, case)
        for table in (*tables(note, "exercises"), *tables(note, "changes")):
            assert all(row.marks for row in table.rows)
        marks = {
            mark
            for section in note.sections
            for part in section.parts
            for one in (part.rows if isinstance(part, Table) else (part,))
            for mark in one.marks
        }
        assert marks == set(range(1, len(note.reasons) + 1))
        for reason in note.reasons:
            assert re.search(
                r"\([\w.]+ v\d+; (confirmed|secondary|derived|practice|memory); .+\)$", reason
            )


def test_reasons_are_quoted_word_for_word() -> None:
    case = first_case(EXAM)
    note = noted("evaluation", case)
    quoted = "\n".join(texts(note))
    for e in case.plan.exercises:
        for reason in (*e.reasons, *(no.reason for no in e.refused)):
            assert visible(reason.says) in quoted
    for side in SIDES:
        assert all(visible(r.says) in quoted for r in case.plan.grades[side].reasons)


def test_a_foot_without_a_programme_says_why() -> None:
    hot = noted("evaluation", first_case(make_exam(answers={"hot_swollen_joint": "right"})))
    assert tables(hot, "exercises") == []
    shown = [line.text for line in lines(hot, "no_programme")]
    assert [SIDES[n] + " foot" in text for n, text in enumerate(shown)] == [True, True]
    letter = noted("letter", first_case(make_exam(answers={"hot_swollen_joint": "right"})))
    asked = lines(letter, "request")
    assert asked[0].text.startswith("Emergency, right foot: hot swollen joint.")
    assert asked[-1].blank


def test_advice_and_answers_are_told() -> None:
    case = later_case()
    note = noted("visit", case)
    (table,) = tables(note, "advice")
    assert table.head[0] == f"Advice of {LATER}"
    assert [row.cells[2] for row in table.rows] == [one.outcome for one in case.advice]
    assert {row.cells[3] for row in table.rows} == {"accept, R. Alder"}
    assert case.decision is not None
    waiting = replace(case, advice=advised_by(case.decision))
    (table,) = tables(noted("visit", waiting), "advice")
    assert {row.cells[3] for row in table.rows} == {BLANK}


def test_a_stopped_exercise_and_its_sign_are_told() -> None:
    case = later_case(sharp=True)
    note = noted("visit", case)
    assert all("Sharp pain or locking entered" in line.text for line in lines(note, "signs"))
    assert len(lines(note, "stopped")) > 0
    assert all("Stop and call" in line.text for line in lines(note, "calls"))
    calm = noted("visit", later_case())
    assert [line.text for line in lines(calm, "signs")] == [WORDS.at("line.signs.none")]
    assert lines(noted("visit", first_case(EXAM)), "signs")[0].blank  # no entry is no "none"


def test_the_diary_is_counted_from_its_entries() -> None:
    case = later_case()
    (table,) = tables(noted("visit", case), "diary")
    for row in table.rows:
        same = [
            e
            for e in case.entries
            if row.cells[:2]
            == (
                e.family.replace("_", " ").capitalize(),
                "both feet" if e.both else f"{e.side} foot",
            )
        ]
        assert row.cells[2] == f"{len(same)} / 0 / 0"
        assert row.cells[4:] == ("2 / 2", "1 / 1")
    empty = lines(noted("visit", replace(case, entries=())), "diary")
    assert [line.blank for line in empty] == [True]


def test_pain_of_the_week_is_told_of_each_foot_only_when_it_was_rated() -> None:
    case = later_case()
    shown = [line.text for line in lines(noted("visit", case), "pain_weeks")]
    assert [("right foot: 1.0" in shown[0]), ("left foot: 1.0" in shown[1])] == [True, True]
    assert all(text.endswith("flares: 0.") for text in shown)
    assert case.decision is not None
    unrated = replace(
        case.decision,
        lines=tuple(
            replace(line, days=replace(line.days, this_week=None)) for line in case.decision.lines
        ),
    )
    (blank,) = lines(noted("visit", replace(case, decision=unrated)), "pain_weeks")
    assert blank.blank


def test_change_is_told_by_the_verdict_and_both_days() -> None:
    (table,) = tables(noted("progress", later_case()), "changes")
    bend = [row.cells for row in table.rows if row.cells[0].startswith("Dorsiflexion")]
    assert bend[0][1:] == (
        "right foot",
        f"25° ({DAY})",
        f"25° ({LATER})",
        "0°, -14.8° to +14.8°",  # O7 in clin §10: MDC95 14.8° at SEM 5.3°
        "within error",
    )


def test_readings_of_two_ways_are_not_compared() -> None:
    case = later_case()
    first, last = case.exams
    other = tuple(
        replace(one, instrument="phone_goniometer") if one.method else one for one in last.measured
    )
    found = compare_exams(first, replace(last, measured=other), MEASURES[:1], BOOK)
    assert [one.change for one in found] == [None, None]
    told_so = noted("progress", replace(case, compared=found))
    (table,) = tables(told_so, "changes")
    for row in table.rows:
        assert row.cells[4] == BLANK
        assert row.cells[5].startswith("not compared: instrument")


def test_a_finding_carried_over_is_no_change() -> None:
    first = EXAM
    assert compare_exams(first, replace(first, on=LATER), MEASURES, BOOK) == ()


def test_goals_show_both_ratings_and_whether_they_were_reached() -> None:
    (table,) = tables(noted("discharge", later_case()), "goals_status")
    assert [row.cells for row in table.rows] == [
        ("walk 3 km on the flat", f"5 ({DAY})", f"6 ({LATER})", "8", "2026-06-01", "no")
    ]
    (once,) = tables(noted("discharge", first_case(EXAM)), "goals_status")
    assert once.rows[0].cells[2] == once.rows[0].cells[5] == BLANK


def test_a_questionnaire_is_told_with_how_it_was_scored() -> None:
    score = entered_score("moxfq.pain", 45, BOOK)
    (line,) = lines(noted("progress", first_case(EXAM, scores=(score,))), "forms")
    assert "moxfq.pain" in line.text
    assert score.reason.says in line.text


# ------------------------------------------------------------------ minutes


def minutes_table(timed: Timed) -> tuple[Note, Table]:
    note = noted("visit", first_case(EXAM, timed=timed))
    (table,) = tables(note, "minutes")
    return note, table


def test_units_by_both_ways() -> None:
    # O13 in clin §10: 20 + 15 + 15 = 50 min make 3 units, one each.
    note, table = minutes_table(Timed({"bench": 20, "hands": 15, "balance": 15}, ("first visit",)))
    assert [row.cells[1:] for row in table.rows] == [
        ("20 min", "1", "1"),
        ("15 min", "1", "1"),
        ("15 min", "1", "1"),
        ("50 min", "3", "3"),
        ("not counted", "1", "1"),
        (BLANK, "", ""),
    ]
    why = " ".join(line.text for line in lines(note, "units_why"))
    assert "bench 5 min" in why
    assert "not billing advice" in why
    assert "(US)" in why


def test_the_two_ways_may_differ_and_ties_are_left_open() -> None:
    # clin §9: three services of 8 min are 2 units by total time, 3 by midpoint.
    note, table = minutes_table(Timed({"a": 8, "b": 8, "c": 8}, whole_min=30))
    assert table.rows[3].cells[2:] == ("2", "3")
    assert {row.cells[2] for row in table.rows[:3]} == {"0, or one more (tie)"}
    assert any("Decide which" in line.text for line in lines(note, "units_why"))
    assert table.rows[-1].cells[1] == "30 min"


def test_minutes_not_given_are_blank_and_cannot_exceed_the_visit() -> None:
    assert lines(noted("visit", first_case(EXAM)), "minutes")[0].blank
    with pytest.raises(InputError, match="whole_min"):
        noted("visit", first_case(EXAM, timed=Timed({"a": 40}, whole_min=30)))


# ------------------------------------------------------------------ hostile text, identity


def test_nothing_hidden_in_a_free_text_stays_hidden() -> None:
    shown = visible("a\u202eb\x00c\u2066d\ufefff\u00adg\ud800h\ufffei\r\nj\tk\u2028l")
    assert shown == ("a[U+202E]b[U+0000]c[U+2066]d[U+FEFF]f[U+00AD]g[U+D800]h[U+FFFE]i j k l")
    assert visible("سلام\u200cها é 漢") == "سلام\u200cها é 漢"


@given(st.text())
def test_a_visible_text_has_one_line_and_no_shapeless_sign(text: str) -> None:
    shown = visible(text)
    assert shown == " ".join(shown.split())
    assert {unicodedata.category(c)[0] for c in shown} - {"C", "Z"} == {
        unicodedata.category(c)[0] for c in shown if c not in " \u200c\u200d"
    }
    assert visible(shown) == shown


def test_braces_and_blanks_in_a_free_text_are_only_text() -> None:
    exam = replace(EXAM, person=replace(EXAM.person, label="{birth_year} ________"))
    (line,) = lines(noted("visit", first_case(exam)), "patient")
    assert line.text == "Patient {birth_year} ________, born 1964."
    assert not line.blank


def test_the_digest_is_of_all_that_is_said() -> None:
    case = first_case(EXAM)
    note = noted("evaluation", case)
    assert note == noted("evaluation", case)
    other = noted("evaluation", first_case(make_exam(left={"one_leg_s": 19.0})))
    assert note.digest != other.digest
    assert note.digest[:10] in note.foot[1]
    assert case.plan.edition in note.foot[1]
    assert "Not cleared or approved" in note.foot[0]
    assert to_plain(note).endswith(f"{note.foot[1]}\n")


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(InputError, match="evaluation, visit"):
        noted("invoice", first_case(EXAM))


def test_advice_without_an_answer_is_open() -> None:
    decision = later_case().decision
    assert isinstance(decision, Decision)
    assert {one.answer for one in advised_by(decision)} == {None}
    assert {one.on for one in advised_by(decision)} == {date(2026, 3, 16)}
