"""What was read lately is kept: by record, bounded, and never after a lock or an erasure."""

from __future__ import annotations

import json
from datetime import date

import pytest

from rungwise.casebook_read import Reading
from rungwise.clinic import demo_exams, make_plan, read_exam
from rungwise.core.errors import InputError
from rungwise.core.terms import Plan
from rungwise.course import Head, head_in, head_of
from rungwise.kept import read_plan
from rungwise.plain import to_json
from rungwise.records import Record
from tests.factory import real_book

BOOK = real_book()
EXAM = read_exam(demo_exams()["hill-walker-grade-2"], BOOK)
PLAN = make_plan(EXAM, BOOK, EXAM.on)
TEXT = to_json(PLAN)


def record(person: str = "a" * 32, version: int = 1, text: str = TEXT) -> Record:
    return Record("plan", person, version, version, "2026-11-20T09:00:00Z", "local", None, text, {})


def test_a_record_is_read_once() -> None:
    reading = Reading()
    first = reading.plan(record())
    assert first == PLAN
    assert reading.plan(record()) is first
    assert reading.plan(record(version=2)) is not first
    assert reading.plan(record(person="b" * 32)) is not first


@pytest.mark.parametrize("how", ["clear", "forget"])
def test_nothing_is_kept_after_a_lock_or_of_an_erased_person(how: str) -> None:
    reading = Reading()
    first, other = reading.plan(record()), reading.plan(record(person="b" * 32))
    if how == "clear":
        reading.clear()
    else:
        reading.forget("a" * 32)
    assert reading.plan(record()) is not first
    assert (reading.plan(record(person="b" * 32)) is other) == (how == "forget")


def test_what_is_being_read_during_a_lock_is_not_kept() -> None:
    reading = Reading()

    def read(text: str) -> Plan:
        reading.clear()
        return read_plan(text)

    first = reading._once("plan", record(), read)
    assert reading.plan(record()) is not first


def test_only_so_much_is_kept() -> None:
    reading = Reading(most=2 * len(TEXT))
    plans = [reading.plan(record(version=n)) for n in range(1, 4)]
    assert reading.plan(record(version=3)) is plans[2]
    assert reading.plan(record(version=2)) is plans[1]
    assert reading.plan(record(version=1)) is not plans[0]
    assert reading._size == 2 * len(TEXT)


def test_a_plan_in_short_says_what_the_whole_says() -> None:
    head = head_in(TEXT)
    assert head == head_of(PLAN)
    assert head == Head(PLAN.starts, EXAM.on, head.settings)
    assert {(family, side) for family, side, *_ in head.settings} == {
        (e.family, e.side) for e in PLAN.exercises
    }
    assert isinstance(head.starts, date)


def test_a_torn_plan_is_refused_in_short_too() -> None:
    told = json.loads(TEXT)
    del told["exercises"][0]["fitted"]["rung"]["places"]
    with pytest.raises(InputError, match="plan"):
        head_in(json.dumps(told))
    with pytest.raises(InputError, match="no JSON"):
        head_in(TEXT[:-9])
