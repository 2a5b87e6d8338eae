"""Readings of measuring aids in an examination: refused until the therapist says they agree."""

from __future__ import annotations

import json
import math
import tomllib
from datetime import date
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from rungwise.book import load_book
from rungwise.clinic import demo_exams, open_book, own_error_now
from rungwise.clinic.programme import make_plan
from rungwise.core.bend import reading_error
from rungwise.core.change import known_error
from rungwise.core.errors import InputError
from rungwise.core.terms import Exam
from rungwise.exam_file import blank_exam, exam_schema, read_exam
from rungwise.kept import read_plan
from rungwise.measures import follow
from rungwise.plain import to_json
from rungwise.web.exam_form import sections_of
from rungwise.web.exam_text import again_from, to_toml, values_of
from rungwise.web.pages.exam_conflict import _held, _values
from rungwise.web.words import say_in

BOOK = load_book()
WALKER = demo_exams()["hill-walker-grade-2"]
SCHEMA = Draft202012Validator(exam_schema(BOOK))
READING = """
[[right.mtp_dorsiflexion_deg]]
value = 31
method = "nonweightbearing_passive"
instrument = "photograph"
zero = "metatarsal_shaft"
"""
HERE = "right.mtp_dorsiflexion_deg[4]"


def with_reading(*lines: str, instrument: str = "photograph") -> str:
    made = READING.replace("photograph", instrument) + "\n".join(lines) + "\n"
    return WALKER + made


def faults(text: str) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        read_exam(text, BOOK)
    return {fault.field: str(fault) for fault in caught.value.faults}


def fits_schema(text: str) -> bool:
    return SCHEMA.is_valid(json.loads(to_json(tomllib.loads(text))))


def photographs(exam: Exam) -> list[tuple[float, float | None]]:
    return [
        (float(m.value), m.sem)
        for m in exam.readings("mtp_dorsiflexion_deg", "right")
        if m.instrument == "photograph"
    ]


# ------------------------------------------------------------------ the file


def test_a_photograph_that_was_checked_enters_with_its_own_error() -> None:
    text = with_reading("sem = 0.8", 'aid = "confirmed"')
    assert photographs(read_exam(text, BOOK)) == [(31.0, 0.8)]
    assert fits_schema(text)
    bare = with_reading('aid = "confirmed"')
    assert photographs(read_exam(bare, BOOK)) == [(31.0, None)]
    assert fits_schema(bare)


@pytest.mark.parametrize("aid", ["", 'aid = "?"', "aid = true", 'aid = "typed"'])
def test_a_photograph_that_was_not_checked_is_refused_with_what_to_do(aid: str) -> None:
    found = faults(with_reading("sem = 0.8", aid))
    assert list(found) == [f"{HERE}.aid"]
    assert "check with a goniometer" in found[f"{HERE}.aid"]
    assert 'aid = "confirmed"' in found[f"{HERE}.aid"]
    assert not fits_schema(with_reading("sem = 0.8", aid))


@pytest.mark.parametrize("sem", ["0.05", "9", "-1", "nan", "inf", '"0.8"', "true", "[1]"])
def test_an_error_that_no_photograph_has_is_one_clear_fault(sem: str) -> None:
    found = faults(with_reading(f"sem = {sem}", 'aid = "confirmed"'))
    assert list(found) == [f"{HERE}.sem"]
    assert "0.1 to 8°" in found[f"{HERE}.sem"]


@pytest.mark.parametrize("instrument", ["goniometer", "phone_goniometer"])
def test_only_a_photograph_has_an_error_of_its_own(instrument: str) -> None:
    text = with_reading("sem = 0.8", 'aid = "confirmed"', instrument=instrument)
    found = faults(text)
    assert sorted(found) == [f"{HERE}.aid", f"{HERE}.sem"]
    assert "only with instrument" in found[f"{HERE}.sem"]
    assert not fits_schema(text)
    assert fits_schema(with_reading(instrument=instrument))


def test_photographs_and_goniometer_stay_apart_in_the_plan_and_in_what_changed() -> None:
    exam = read_exam(with_reading("sem = 0.8", 'aid = "confirmed"'), BOOK)
    found = [one for one in follow([exam], BOOK).measures if one.measure == "mtp_dorsiflexion_deg"]
    ways = {(one.side, one.instrument): [value for _, value in one.days] for one in found}
    assert ways["right", "goniometer"] == [28.0]
    assert ways["right", "photograph"] == [31.0]
    sem = next(one.sem for one in found if one.instrument == "photograph")
    assert sem == pytest.approx(math.hypot(5, 0.8))


def one_leg(value: str) -> str:
    assert "one_leg_s = " in WALKER
    lines = [
        f"one_leg_s = {value}" if line.startswith("one_leg_s = ") else line
        for line in WALKER.splitlines()
    ]
    return "\n".join(lines) + "\n"


def test_seconds_and_counts_by_phone_enter_when_they_were_checked() -> None:
    text = one_leg('{value = 21, instrument = "phone", aid = "confirmed"}')
    exam = read_exam(text, BOOK)
    (found,) = exam.readings("one_leg_s", "right")
    assert (found.value, found.instrument) == (21, "phone")
    assert exam.number("one_leg_s", "right") == 21
    assert fits_schema(text)


@pytest.mark.parametrize(
    ("value", "field"),
    [
        ('{value = 21, instrument = "phone"}', "aid"),
        ('{value = 21, instrument = "watch", aid = "confirmed"}', "instrument"),
        ('{value = 500, instrument = "phone", aid = "confirmed"}', "value"),
        ('{value = 21, aid = "confirmed"}', "instrument"),
        ('{value = 21, instrument = "phone", aid = "confirmed", sem = 1}', "sem"),
    ],
)
def test_seconds_by_phone_that_are_not_right_are_refused(value: str, field: str) -> None:
    found = faults(one_leg(value))
    assert {name.rpartition(".")[2] for name in found} == {field}
    assert not fits_schema(one_leg(value))


def test_a_blank_says_what_an_aid_needs() -> None:
    blank = blank_exam(BOOK, date(2026, 11, 25))
    assert "rungwise measure photo" in blank
    assert '#sem = "?"  # 0.1 to 8°' in blank
    assert 'instrument = "phone", aid = "confirmed"' in blank


# ------------------------------------------------------------------ what is kept


def test_a_plan_keeps_the_error_and_an_older_plan_reads_back_as_it_was() -> None:
    """Plans from before the field hold no trace of it, and read back to the same text."""
    plan = make_plan(read_exam(WALKER, BOOK), BOOK, date(2026, 11, 20))
    old = to_json(plan)
    assert '"sem":' not in old.replace('"sem_deg":', "")
    assert read_plan(old) == plan
    assert to_json(read_plan(old)) == old
    seen = make_plan(
        read_exam(with_reading("sem = 0.8", 'aid = "confirmed"'), BOOK), BOOK, date(2026, 11, 20)
    )
    again = read_plan(to_json(seen))
    assert photographs(again.exam) == [(31.0, 0.8)]
    assert again == seen


@pytest.mark.parametrize("sem", ["null", '"0.8"', "true"])
def test_a_plan_with_another_error_than_we_write_is_refused(sem: str) -> None:
    exam = read_exam(with_reading("sem = 0.8", 'aid = "confirmed"'), BOOK)
    text = to_json(make_plan(exam, BOOK, date(2026, 11, 20)))
    assert text.count('"sem": 0.8') == 1
    with pytest.raises(InputError):
        read_plan(text.replace('"sem": 0.8', f'"sem": {sem}'))


# ------------------------------------------------------------------ the form


def test_the_form_writes_what_the_file_holds() -> None:
    text = with_reading("sem = 0.8", 'aid = "confirmed"').replace(
        "one_leg_s = ", 'one_leg_s = {instrument = "phone", aid = "confirmed", value = ', 1
    )
    text = "\n".join(
        line + "}" if line.startswith("one_leg_s = {") else line for line in text.splitlines()
    )
    exam = read_exam(text, BOOK)
    values = values_of(text)
    assert values["right.mtp_dorsiflexion_deg.2.sem"] == ["0.8"]
    assert values["right.mtp_dorsiflexion_deg.2.aid"] == ["confirmed"]
    assert values["right.one_leg_s.aid"] == ["confirmed"]
    again = read_exam(to_toml(values, BOOK)[0], BOOK)
    assert sorted(map(str, again.measured)) == sorted(map(str, exam.measured))


def test_the_next_examination_must_be_confirmed_anew() -> None:
    values = values_of(with_reading("sem = 0.8", 'aid = "confirmed"'))
    kept = again_from(values, date(2026, 12, 20))
    assert kept["right.mtp_dorsiflexion_deg.2.instrument"] == ["photograph"]
    assert not [name for name in kept if name.endswith((".sem", ".aid"))]


def test_one_foots_word_is_not_the_others() -> None:
    """The left foot is read as the right one was, but what was checked is said of each foot."""
    values: dict[str, Any] = values_of(WALKER)
    values = {k: v for k, v in values.items() if not k.startswith("left.mtp_dorsiflexion")}
    place = "right.mtp_dorsiflexion_deg.1"
    values |= {f"{place}.instrument": ["photograph"], f"{place}.aid": ["confirmed"]}
    values["left.mtp_dorsiflexion_deg.1.v1"] = ["50"]
    text, places = to_toml(values, BOOK)
    found = faults(text)
    assert list(found) == ["left.mtp_dorsiflexion_deg[1].aid"]
    assert places["left.mtp_dorsiflexion_deg.1.aid"] == "left.mtp_dorsiflexion_deg.1.aid"
    rows = [
        row
        for section in sections_of(BOOK, say_in("en"), values)
        for row in section.rows
        if "left.mtp_dorsiflexion_deg.1.aid" in row.ids
    ]
    assert [row.folded for row in rows] == [False]


@pytest.mark.parametrize("aid_first", [False, True])
def test_what_was_merged_keeps_the_aid_with_its_value(aid_first: bool) -> None:
    """However the fields of a form are ordered, a phone's seconds do not turn into typed ones."""
    fields = {"right.one_leg_s": ["21"], "right.one_leg_s.aid": ["confirmed"]}
    values = dict(sorted(fields.items(), reverse=aid_first))
    text = to_toml(_values(_held(values)), BOOK)[0]
    assert 'one_leg_s = {value = 21, instrument = "phone", aid = "confirmed"}' in text


def test_a_clinics_own_study_of_photographs_counts_in_what_changed() -> None:
    """Ten feet photographed twice (differences as in the goniometer's study): high end 5.37°."""
    first = (30, 41, 25, 52, 38, 60, 33, 45, 28, 49)
    second = (34, 37, 29, 50, 43, 55, 30, 50, 24, 51)
    rows = [f"f{n},{a},{b},7" for n, (a, b) in enumerate(zip(first, second, strict=True))]
    text = "\n".join(["foot,first,second,days_apart", *rows]) + "\n"
    way = ("nonweightbearing_passive", "photograph")
    key = f"rom.sem.{'.'.join(way)}.same_rater"
    facts, told = own_error_now(text, key, BOOK, date(2026, 11, 25), "R. Alder")
    assert "the book has 5°" in told
    own = open_book(str(facts["overrides"]))
    assert own.value(key) == 5.37
    known = [known_error("mtp_dorsiflexion_deg", b, *way, owns=(0.6,)) for b in (BOOK, own)]
    assert [round(one.day, 2) for one in known if one] == [5.04, 5.37]
    assert reading_error(own, *way, own_sem_deg=0.6).value == 5.37
