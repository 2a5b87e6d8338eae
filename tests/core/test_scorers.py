"""Questionnaires from item numbers only."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.core.errors import InputError
from rungwise.core.scorers import (
    ENTERED,
    QUESTIONNAIRES,
    entered_score,
    form_facts,
    overall_change,
    score_activities,
    score_form,
)
from tests.factory import real_book

BOOK = real_book()
FAOS = ("pain", "symptoms", "adl", "sport", "qol")


def items_with_sum(total: int, count: int, most: int) -> list[int | None]:
    """Whole numbers up to ``most`` that add up to ``total``."""
    found = [total // count + (n < total % count) for n in range(count)]
    assert sum(found) == total
    assert max(found) <= most
    return list(found)


def test_o12_one_item_left_out() -> None:
    """20 answered, sum 58: 58 / 80 = 72.5 %: clinical notes O12, rule of clin_s19."""
    found = score_form("faam.adl", [*items_with_sum(58, 20, 4), None], BOOK)
    assert (found.total, found.answered) == (58, 20)
    assert found.value == pytest.approx(72.5, abs=1e-12)
    assert "72.5 %" in found.reason.says


def test_o16_the_whole_foot_function_index() -> None:
    """Sum 92 of 230 = 40.0 %: clinical notes O16, rule of clin_s16b."""
    found = score_form("ffi.total", items_with_sum(92, 23, 10), BOOK)
    assert found.value == pytest.approx(40.0, abs=1e-12)


def test_lower_extremity_scale_is_brought_to_eighty() -> None:
    """18 of 20 answered, sum 54: 54 x 20 / 18 = 60 of 80; prorating is practice (clin_s18)."""
    found = score_form("lefs", [*items_with_sum(54, 18, 4), None, None], BOOK)
    assert (found.value, found.unit, found.better) == (60.0, "1", 1)
    whole = score_form("lefs", items_with_sum(57, 20, 4), BOOK)
    assert whole.value == pytest.approx(57.0)
    assert "60;" in found.reason.says


def test_trouble_is_turned_round() -> None:
    """100 - 100 x mean / 4: nine items of 1 are 75 (clin_s16c); none is 100, all extreme is 0."""
    assert score_form("faos.pain", [1] * 9, BOOK).value == pytest.approx(75.0)
    assert score_form("faos.qol", [0] * 4, BOOK).value == 100.0
    assert score_form("faos.adl", [4] * 17, BOOK).value == 0.0


def test_parts_of_the_foot_function_index() -> None:
    """Sum over the most of the applicable items: 36 of 80 with one of nine left out (clin_s16b)."""
    found = score_form("ffi.pain", [*items_with_sum(36, 8, 10), None], BOOK)
    assert found.value == pytest.approx(45.0)
    assert found.better == -1


# At least 19 of 21 and 7 of 8: from memory, so it may only withhold a score. FFI: no rule read.
# LEFS and parts of the FFI: practice. FAOS: the stricter of two guides, from memory.
@pytest.mark.parametrize(
    ("form", "count", "most", "least"),
    [
        ("faam.adl", 21, 4, 19),
        ("faam.sport", 8, 4, 7),
        ("lefs", 20, 4, 18),
        ("ffi.total", 23, 10, 23),
        ("ffi.pain", 9, 10, 5),
        ("ffi.disability", 9, 10, 5),
        ("ffi.activity", 5, 10, 3),
        ("faos.pain", 9, 4, 7),
        ("faos.symptoms", 7, 4, 5),
        ("faos.adl", 17, 4, 15),
        ("faos.sport", 5, 4, 3),
        ("faos.qol", 4, 4, 2),
    ],
)
def test_too_few_answers_give_no_score(form: str, count: int, most: int, least: int) -> None:
    enough: list[int | None] = [most] * least + [None] * (count - least)
    best = {"lefs": 80.0}.get(form, 0.0 if form.startswith("faos") else 100.0)
    assert score_form(form, enough, BOOK).value == best
    enough[0] = None
    found = score_form(form, enough, BOOK)
    assert found.value is None
    assert "no score" in found.reason.says
    assert ("memory" in found.reason.sources) is form.startswith(("faam", "faos"))


@given(st.lists(st.one_of(st.none(), st.integers(0, 4)), min_size=21, max_size=21))
def test_a_score_lies_between_its_ends_and_ignores_the_order(items: list[int | None]) -> None:
    found = score_form("faam.adl", items, BOOK)
    assert (found.value is None) is (items.count(None) > 2)
    if found.value is not None:
        assert 0 <= found.value <= 100
        answered = [item for item in items if item is not None]
        mean = sum(answered) / len(answered)
        assert found.value == pytest.approx(mean / 4 * 100)  # second way: the mean item
    assert score_form("faam.adl", items[::-1], BOOK) == found


def test_every_fault_is_named_at_once() -> None:
    with pytest.raises(InputError) as caught:
        score_form("faam.sport", [1, 5, -1, True, 2, None, 3], BOOK)
    assert [f.field for f in caught.value.faults] == ["items", "item 2", "item 3", "item 4"]
    with pytest.raises(InputError, match=QUESTIONNAIRES[0]):
        score_form("faam", [1], BOOK)


def test_a_form_with_a_licence_is_entered_and_never_scored() -> None:
    found = entered_score("moxfq.pain", 55.0, BOOK)
    assert (found.value, found.total, found.better) == (55.0, None, -1)
    assert "No scoring rule of this form was applied here" in found.reason.says
    assert entered_score("fhsq.pain", 55.0, BOOK).better == 1
    assert entered_score("lefs", 80.0, BOOK).unit == "1"
    for form in ENTERED:
        assert f"{form}.items" not in BOOK.rows
        with pytest.raises(InputError, match="enter the score"):
            score_form(form, [1], BOOK)
    with pytest.raises(InputError) as caught:
        entered_score("lefs", 80.5, BOOK)
    assert "0 to 80" in str(caught.value)
    with pytest.raises(InputError) as caught:
        entered_score("nothing", float("nan"), BOOK)
    assert [fault.field for fault in caught.value.faults] == ["form", "score"]


# Sizes as printed: clin_s17, clin_s16, clin_s16c, clin_s18, clin_s19, clin_s15; FFI from memory.
@pytest.mark.parametrize(
    ("form", "better", "mdc90", "sizes"),
    [
        ("moxfq.walking", -1, None, {"minimal": -16.0}),
        ("moxfq.pain", -1, None, {"minimal": -12.0}),
        ("moxfq.social", -1, None, {"minimal": -24.0}),
        ("fhsq.pain", 1, None, {"minimal": 13.0}),
        ("fhsq.function", 1, None, {"minimal": 7.0}),
        *((f"faos.{part}", 1, None, {"minimal": 10.0}) for part in FAOS),
        ("lefs", 1, 9.0, {"minimal": 9.0}),
        ("faam.adl", 1, 4.79, {"minimal": 8.0}),
        ("faam.sport", 1, 10.33, {"minimal": 9.0}),
        ("psfs", 1, 2.0, {"small": 1.3, "medium": 2.3, "large": 2.7}),
        ("psfs.activity", 1, 3.0, {}),
        ("ffi.total", -1, None, {"minimal": -7.0}),
        ("ffi.pain", -1, None, {}),
    ],
)
def test_what_is_known_of_a_form_s_change(
    form: str, better: int, mdc90: float | None, sizes: dict[str, float]
) -> None:
    facts = form_facts(form, BOOK)
    assert facts.better == better
    assert facts.sizes == sizes
    if mdc90 is None:
        assert (facts.mdc90, facts.mdc95) == (None, None)
    else:
        assert facts.mdc90 == pytest.approx(mdc90, abs=0.01)
        assert facts.mdc95 == pytest.approx(mdc90 * 1.959964 / 1.644854, abs=0.01)


def test_only_activities_rated_at_both_times_count() -> None:
    """Rule of clin_s15: mean of those rated twice; a new one starts a new series."""
    before = {"walk": 3, "stairs": 4, "stand": 5, "run": 0}
    after = {"walk": 6, "stairs": 7, "stand": 5, "dance": 9}
    found = score_activities(before, after, BOOK)
    assert (found.before, found.after) == (4.0, 6.0)
    assert (found.kept, found.left_out, found.new) == (
        ("walk", "stairs", "stand"),
        ("run",),
        ("dance",),
    )
    few = score_activities(before, {"walk": 6, "stairs": 7}, BOOK)
    assert (few.before, few.after) == (None, None)
    assert "no score" in few.reason.says


def test_faulty_activities_are_all_named() -> None:
    many = {str(n): 5 for n in range(6)}
    with pytest.raises(InputError) as caught:
        score_activities(many, {"walk": 11, "stairs": True}, BOOK)
    assert [f.field for f in caught.value.faults] == ["before", "after: walk", "after: stairs"]


@pytest.mark.parametrize(
    ("value", "says"),
    [
        (7, "+7, a moderate change for the better"),
        (5, "+5, a moderate change for the better"),
        (4, "+4, a small change for the better"),
        (3, "+3, a small change for the better"),
        (2, "+2, no clear change"),
        (0, "0, no clear change"),
        (-3, "-3, a small change for the worse"),
        (-5, "-5, a moderate change for the worse"),
    ],
)
def test_overall_change_only_describes(value: int, says: str) -> None:
    """3 and 5 of 15 steps: from memory, so they decide nothing."""
    told = overall_change(value, BOOK)
    assert says in told.says
    assert told.basis == "memory"
    assert all(BOOK.row(f"groc.{size}").use == "describe" for size in ("small", "moderate"))


def test_an_overall_change_off_the_scale_is_refused() -> None:
    with pytest.raises(InputError, match="-7 to 7"):
        overall_change(8, BOOK)
