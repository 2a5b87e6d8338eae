"""Questionnaires from item numbers only."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.core.errors import InputError
from rungwise.core.scorers import QUESTIONNAIRES, score_form
from tests.factory import real_book

BOOK = real_book()


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
    assert found.value_pct == pytest.approx(72.5, abs=1e-12)
    assert "72.5 %" in found.reason.says


def test_o16_the_whole_foot_function_index() -> None:
    """Sum 92 of 230 = 40.0 %: clinical notes O16, rule of clin_s16b."""
    found = score_form("ffi.total", items_with_sum(92, 23, 10), BOOK)
    assert found.value_pct == pytest.approx(40.0, abs=1e-12)


# At least 19 of 21 and 7 of 8: from memory, so it may only withhold a score. FFI: no rule read.
@pytest.mark.parametrize(
    ("form", "count", "most", "least"),
    [("faam.adl", 21, 4, 19), ("faam.sport", 8, 4, 7), ("ffi.total", 23, 10, 23)],
)
def test_too_few_answers_give_no_score(form: str, count: int, most: int, least: int) -> None:
    enough: list[int | None] = [most] * least + [None] * (count - least)
    assert score_form(form, enough, BOOK).value_pct == 100.0
    enough[0] = None
    found = score_form(form, enough, BOOK)
    assert found.value_pct is None
    assert "no score" in found.reason.says
    assert "memory" in found.reason.sources or form == "ffi.total"


@given(st.lists(st.one_of(st.none(), st.integers(0, 4)), min_size=21, max_size=21))
def test_a_score_lies_between_its_ends_and_ignores_the_order(items: list[int | None]) -> None:
    found = score_form("faam.adl", items, BOOK)
    assert (found.value_pct is None) is (items.count(None) > 2)
    if found.value_pct is not None:
        assert 0 <= found.value_pct <= 100
        answered = [item for item in items if item is not None]
        mean = sum(answered) / len(answered)
        assert found.value_pct == pytest.approx(mean / 4 * 100)  # second way: the mean item
    assert score_form("faam.adl", items[::-1], BOOK) == found


def test_every_fault_is_named_at_once() -> None:
    with pytest.raises(InputError) as caught:
        score_form("faam.sport", [1, 5, -1, True, 2, None, 3], BOOK)
    assert [f.field for f in caught.value.faults] == ["items", "item 2", "item 3", "item 4"]
    with pytest.raises(InputError, match=QUESTIONNAIRES[0]):
        score_form("faam", [1], BOOK)
