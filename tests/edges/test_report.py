"""What the therapist reads of a plan code: every field of it, plainly."""

from __future__ import annotations

from dataclasses import replace

from rungwise.book import load_book
from rungwise.clinic import make_plan
from rungwise.plan_code import HomeCaution, HomeFinding, HomePlan, home_plan
from rungwise.report import home_report
from tests.factory import DAY, make_exam

BOOK = load_book()


def home() -> HomePlan:
    """What goes home of the harmless examination."""
    return home_plan(make_plan(make_exam(), BOOK, DAY), BOOK, bytes(8), bytes(16))


def tail(plan: HomePlan) -> list[str]:
    """The lines below the table of exercises."""
    lines = home_report(plan).splitlines()
    return [line.strip() for line in lines[3 + len(plan.lines) :]]


def test_each_line_has_its_number_in_the_diary() -> None:
    lines = home_report(home()).splitlines()[3:]
    for number, line in enumerate(home().lines, 1):
        assert lines[number - 1].startswith(f"{number} ")
        assert line.family.replace("_", " ") in lines[number - 1]


def test_what_to_mind_what_stops_a_foot_and_whom_to_call_are_told() -> None:
    told = replace(
        home(),
        first="left",
        cautions=(HomeCaution("numb", "left"), HomeCaution("bruise", None)),
        findings=(
            HomeFinding("broken_skin", "urgent", "right"),
            HomeFinding("falls", "review", None),
        ),
        unfinished=("right",),
        phone="+15550100",
        emergency="112",
    )
    assert tail(told) == [
        "pain: go on up to 2, stop above 5; first foot: left",
        "to mind: numb, left foot",
        "to mind: bruise, the person",
        "found: URGENT broken skin, right foot",
        "found: REVIEW falls, the person",
        "not examined, no programme yet: right foot",
        "telephone: +15550100; emergency: 112",
    ]


def test_where_there_is_nothing_to_tell_only_pain_and_numbers_are_told() -> None:
    assert tail(replace(home(), first=None, phone="", emergency="")) == [
        "pain: go on up to 2, stop above 5; first foot: not known",
        "telephone: none; emergency: none",
    ]
