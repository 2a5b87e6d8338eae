"""One act answers a group of the screen: what it answers, what it leaves, and how it is undone."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.casebook import LOCAL
from rungwise.web.exam_form import sections_of
from rungwise.web.exam_screen import MARKED, marked_no, screen_groups, taken_back
from rungwise.web.exam_text import to_toml, values_of
from rungwise.web.words import say_in
from tests.factory import real_book
from tests.web.kit import EXAMS, Visitor

BOOK = real_book()
GROUPS = screen_groups(BOOK)
WALKER = values_of(EXAMS["hill-walker-grade-2"])
UNASKED = {name: value for name, value in WALKER.items() if not name.startswith("screen.")}
ANSWERS = st.dictionaries(
    st.sampled_from(list(BOOK.items)), st.sampled_from(["no", "yes", "right", "both", ""])
)


@pytest.fixture
def inside(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path).start()


def test_every_item_stands_in_one_group() -> None:
    assert Counter(i for items in GROUPS.values() for i in items) == Counter(list(BOOK.items))
    for group, items in GROUPS.items():
        for item in items:
            assert (BOOK.items[item].per == "person") == (group == "person")


def test_the_most_urgent_items_of_a_foot_are_asked_first() -> None:
    assert list(GROUPS) == ["emergency", "urgent", "care", "person"]
    for group in ("emergency", "urgent"):
        assert {BOOK.items[item].level for item in GROUPS[group]} == {group}


@given(ANSWERS, st.sampled_from(list(GROUPS)))
def test_the_act_leaves_every_answer_and_is_undone_whole(
    answers: dict[str, str], group: str
) -> None:
    before = {f"screen.{item}": [answer] for item, answer in answers.items()}
    after = marked_no(before, GROUPS[group])
    for name, value in before.items():
        assert after[name] == value
    new = after.keys() - before.keys() - {MARKED}
    assert new == {f"screen.{i}" for i in GROUPS[group] if f"screen.{i}" not in before}
    assert all(after[name] == ["no"] for name in new)
    assert {f"screen.{item}" for item in after[MARKED]} == new
    back = taken_back(after, GROUPS[group])
    assert back.pop(MARKED) == []
    assert back == before


def test_what_was_answered_after_the_act_stays_when_it_is_undone() -> None:
    after = marked_no({}, GROUPS["emergency"])
    after["screen.clot_signs"] = ["left"]
    assert taken_back(after, GROUPS["emergency"]) == {"screen.clot_signs": ["left"], MARKED: []}


def test_nothing_of_the_screen_or_of_a_foot_is_answered_in_an_empty_form() -> None:
    for part in sections_of(BOOK, say_in("en"), {}):
        for row in part.rows:
            assert not [field.id for field in row.fields if any(field.value)]


@pytest.mark.parametrize("group", GROUPS)
def test_the_act_says_which_items_it_answers(group: str) -> None:
    item = GROUPS[group][0]
    values = {f"screen.{item}": ["no"]}
    part = next(p for p in sections_of(BOOK, say_in("en"), values) if p.asked == GROUPS[group])
    assert not part.marked
    for other in GROUPS[group]:
        assert (f"{BOOK.items[other].code} " in part.listed) == (other != item)


def test_without_script_the_act_answers_the_group_and_keeps_what_was_typed(inside: Visitor) -> None:
    url = inside.person()
    inside.get(f"{url}/exam")
    fields = {**UNASKED, "screen.poor_circulation": ["left"], "expected": "0", "once": "a"}
    page = inside.send(f"{url}/exam", 200, fields={**fields, "none": "screen_emergency"})
    assert page.count('value="no" checked') == len(GROUPS["emergency"]) - 1
    assert 'name="screen.poor_circulation" value="left" checked' in page
    assert 'value="R. Alder, PT"' in page
    assert "Asked, and the answer is no: R1 hot swollen joint" in page
    assert inside.casebook.person(LOCAL, url.rpartition("/")[2]).exam is None  # nothing is saved

    marked = [i for i in GROUPS["emergency"] if i != "poor_circulation"]
    answered = {f"screen.{item}": ["no"] for item in marked}
    back = {**fields, **answered, "marked": marked, "back": "screen_emergency"}
    page = inside.send(f"{url}/exam", 200, fields=back)
    assert 'value="no" checked' not in page
    assert 'name="screen.poor_circulation" value="left" checked' in page


def test_each_item_is_kept_by_itself(inside: Visitor) -> None:
    url = inside.person()
    values: dict[str, list[str]] = dict(UNASKED)
    for items in GROUPS.values():
        values = marked_no(values, items)
    assert to_toml(values, BOOK)[0] == to_toml(WALKER, BOOK)[0]
    inside.send(f"{url}/exam", fields={**values, "expected": "0", "once": "a"})
    found = inside.casebook.person(LOCAL, url.rpartition("/")[2])
    assert found.exam is not None
    assert dict(found.exam.answers) == dict.fromkeys(BOOK.items, "no")
