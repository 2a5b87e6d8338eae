"""Values beside the norm of their age: tables as printed, and what they do not allow to say."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.core.errors import InputError
from rungwise.core.evidence import BASES
from rungwise.core.norms import beside_norm
from tests.factory import real_book

BOOK = real_book()

# Springer and others 2007 (clin_s20), means of three trials, women and men together, as printed on
# clin_s20b and clin_s20c; standard deviations from memory. Ages 18, 40, 50, 60, 70, 80.
OPEN = [(43.3, 5.1), (40.3, 10.8), (37.0, 12.6), (26.9, 16.6), (15.0, 13.9), (6.2, 9.3)]
CLOSED = [(9.4, 9.4), (7.3, 7.4), (4.8, 4.8), (2.8, 2.2), (2.0, 1.6), (1.3, 0.6)]
AGES = [(18, 39), (40, 49), (50, 59), (60, 69), (70, 79), (80, 99)]
# clin_s21b: scores below these are below average, men and women by five years from 60.
CHAIR = {
    "male": [14, 12, 12, 11, 10, 8, 7],
    "female": [12, 11, 10, 10, 9, 8, 4],
}
# clin_s33c: mean of Hébert-Losier and others 2017, men and women by decade from 20.
HEEL = {"male": [37, 32, 28, 23, 19, 14], "female": [30, 27, 24, 21, 19, 16]}


@pytest.mark.parametrize(("condition", "table"), [("eyes_open", OPEN), ("eyes_closed", CLOSED)])
def test_standing_on_one_leg_is_as_printed(
    condition: str, table: list[tuple[float, float]]
) -> None:
    for (young, old), (mean, sd) in zip(AGES, table, strict=True):
        for age in (young, old):
            for value, where in ((mean - 0.1, "below"), (mean, "at"), (mean + 0.1, "above")):
                found = beside_norm("one_leg_s", value, age, BOOK, condition=condition)
                assert found.norm is not None
                assert (found.norm.mean, found.norm.sd, found.where) == (mean, sd, where)
                counted = condition == "eyes_open" and age < 70
                assert (found.sds is not None) is counted
                if found.sds is not None:
                    assert found.sds == pytest.approx((value - mean) / sd)
    assert beside_norm("one_leg_s", 9.0, 17, BOOK, condition=condition).where == "not compared"


def test_every_table_row_is_looked_up_in_a_test_above_or_below() -> None:
    counts = {m: sum(n.measure == m for n in BOOK.norms) for m in {n.measure for n in BOOK.norms}}
    assert counts == {"one_leg_s": 12, "chair_stand_count": 14, "heel_raise_count": 12}
    for norm in BOOK.norms:
        assert norm.basis in BASES
        assert norm.sd_basis in ("", "memory")


def test_the_sentence_says_what_kind_of_number_it_is() -> None:
    found = beside_norm("one_leg_s", 60.0, 62, BOOK, condition="eyes_open")
    assert found.sds == pytest.approx((45 - 26.9) / 16.6)  # stopped at 45 s
    says = found.reason.says
    assert says.startswith("45 s at 62 years, eyes open: above the mean of that age, 26.9 s (+1.1")
    assert "no percentile" in says
    assert found.reason.basis == "memory"
    assert {"clin_s20", "clin_s20b"} <= set(found.reason.sources)
    closed = beside_norm("one_leg_s", 3.0, 62, BOOK, condition="eyes_closed").reason
    assert closed.basis == "secondary"
    assert "standard deviations" not in closed.says


@given(st.floats(0, 120), st.integers(18, 99), st.sampled_from(["eyes_open", "eyes_closed"]))
def test_a_spread_wider_than_its_mean_is_never_counted_in(
    value: float, age: int, condition: str
) -> None:
    found = beside_norm("one_leg_s", value, age, BOOK, condition=condition)
    assert found.norm is not None
    if found.sds is not None:
        assert found.norm.sd is not None
        assert found.norm.mean is not None
        assert found.norm.sd < found.norm.mean
        assert condition == "eyes_open"
        assert age < 70


@pytest.mark.parametrize("sex", ["male", "female"])
def test_chair_stand_is_as_printed(sex: str) -> None:
    for place, cut in enumerate(CHAIR[sex]):
        for age in (60 + 5 * place, 64 + 5 * place):
            assert beside_norm("chair_stand_count", cut - 1, age, BOOK, sex).where == "below"
            assert beside_norm("chair_stand_count", cut, age, BOOK, sex).where != "below"
    # average range, 60 to 64: men 14 to 19, women 12 to 17; 65 to 69: 12 to 18, 11 to 16
    for age, top in ((60, {"male": 19, "female": 17}[sex]), (65, {"male": 18, "female": 16}[sex])):
        assert beside_norm("chair_stand_count", top, age, BOOK, sex).where == "within"
        assert beside_norm("chair_stand_count", top + 1, age, BOOK, sex).where == "above"
    assert beside_norm("chair_stand_count", 20, 80, BOOK, sex).where == "at least"
    assert beside_norm("chair_stand_count", 20, 59, BOOK, sex).where == "not compared"


@pytest.mark.parametrize("sex", ["male", "female"])
def test_heel_raises_are_as_printed(sex: str) -> None:
    for place, mean in enumerate(HEEL[sex]):
        for age in (20 + 10 * place, 29 + 10 * place):
            found = beside_norm("heel_raise_count", mean, age, BOOK, sex)
            assert (found.where, found.sds) == ("at", None)
            assert found.norm is not None
            assert found.norm.basis == "secondary"
            assert "clin_s33c" in found.reason.sources
            assert "see what stopped it" in found.reason.says


def test_up_and_go_has_a_cut_only() -> None:
    """12 s and more: clin_s21f."""
    assert beside_norm("timed_up_and_go_s", 11.9, 70, BOOK).where == "below"
    found = beside_norm("timed_up_and_go_s", 12.0, 70, BOOK)
    assert found.where == "above"
    assert "not below 12 s" in found.reason.says


def test_nothing_is_compared_where_nothing_is_known() -> None:
    found = beside_norm("chair_stand_count", 12, 70, BOOK)
    assert found.where == "not compared"
    assert "sex not known" in found.reason.says
    assert beside_norm("mtp_dorsiflexion_deg", 40.0, 60, BOOK).norm is None


def test_every_fault_is_named_at_once() -> None:
    with pytest.raises(InputError) as caught:
        beside_norm("one_leg_s", math.nan, 60, BOOK)
    assert [fault.field for fault in caught.value.faults] == ["one_leg_s", "condition"]
    assert "got none; allowed: eyes_closed, eyes_open" in str(caught.value)
    with pytest.raises(InputError, match="got eyes_open; allowed: none"):
        beside_norm("chair_stand_count", 12, 70, BOOK, "male", "eyes_open")
