"""Timed minutes to units, by both ways of counting.

The table of total time stands in std_35; the wording of the allocation in std_37; counting each
service by itself in std_36. Cases B1 to B14 were worked by hand from these rules.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.core.errors import InputError
from rungwise.core.units import Units, count_units
from tests.factory import real_book

BOOK = real_book()


def by_total(**minutes: int) -> Units:
    return count_units(minutes, "total_time", BOOK)


# case, minutes, total-time units, certain per service, tied services and their units, midpoint
CASES = [
    ("B1", {"A": 7}, 0, {"A": 0}, (), 0, {"A": 0}),
    ("B2", {"A": 16, "B": 7}, 2, {"A": 1, "B": 1}, (), 0, {"A": 1, "B": 0}),
    ("B3", {"A": 8, "B": 8}, 1, {"A": 0, "B": 0}, ("A", "B"), 1, {"A": 1, "B": 1}),
    ("B4", {"A": 7, "B": 7}, 1, {"A": 0, "B": 0}, ("A", "B"), 1, {"A": 0, "B": 0}),
    ("B5", {"A": 25, "B": 12}, 2, {"A": 1, "B": 1}, (), 0, {"A": 2, "B": 1}),
    ("B6", {"A": 28, "B": 10}, 3, {"A": 2, "B": 1}, (), 0, {"A": 2, "B": 1}),
    ("B7", {"A": 23, "B": 23}, 3, {"A": 1, "B": 1}, ("A", "B"), 1, {"A": 2, "B": 2}),
    ("B8", {"A": 45, "B": 7}, 3, {"A": 3, "B": 0}, (), 0, {"A": 3, "B": 0}),
    ("B9", {"A": 30, "B": 8}, 3, {"A": 2, "B": 1}, (), 0, {"A": 2, "B": 1}),
    (
        "B10",
        {"A": 9, "B": 9, "C": 9},
        2,
        {"A": 0, "B": 0, "C": 0},
        ("A", "B", "C"),
        2,
        {"A": 1, "B": 1, "C": 1},
    ),
    (
        "B11",
        {"A": 14, "B": 14, "C": 14},
        3,
        {"A": 1, "B": 1, "C": 1},
        (),
        0,
        {"A": 1, "B": 1, "C": 1},
    ),
    ("B12", {"A": 53}, 4, {"A": 4}, (), 0, {"A": 4}),
    ("B13", {"A": 127}, 8, {"A": 8}, (), 0, {"A": 8}),
    ("B13 more", {"A": 128}, 9, {"A": 9}, (), 0, {"A": 9}),
    ("B14", {"A": 12, "B": 12}, 2, {"A": 1, "B": 1}, (), 0, {"A": 1, "B": 1}),
    # O13 of the clinical notes: one each, 5 minutes of the first make nothing
    ("O13", {"A": 20, "B": 15, "C": 15}, 3, {"A": 1, "B": 1, "C": 1}, (), 0, None),
]


@pytest.mark.parametrize(
    ("minutes", "total", "each", "tied", "tied_units", "midpoint"),
    [case[1:] for case in CASES],
    ids=[case[0] for case in CASES],
)
def test_worked_cases(
    minutes: dict[str, int],
    total: int,
    each: dict[str, int],
    tied: tuple[str, ...],
    tied_units: int,
    midpoint: dict[str, int] | None,
) -> None:
    found = count_units(minutes, "total_time", BOOK)
    assert (found.total, found.each, found.tied, found.tied_units) == (
        total,
        each,
        tied,
        tied_units,
    )
    assert ("units.tie" in [reason.rule for reason in found.reasons]) is bool(tied)
    if midpoint is not None:
        alone = count_units(minutes, "midpoint", BOOK)
        assert (alone.total, alone.each, alone.tied) == (sum(midpoint.values()), midpoint, ())


def test_o13_says_what_is_left_over() -> None:
    found = by_total(strength=20, hands_on=15, balance=15)
    assert found.left_over == {"strength": 5}
    assert "strength 5 min" in " ".join(reason.says for reason in found.reasons)


@pytest.mark.parametrize(("minutes", "units"), [(37, 2), (38, 3), (41, 3)])
def test_o14_total_minutes(minutes: int, units: int) -> None:
    """Clinical notes O14; the table of std_35."""
    assert by_total(strength=minutes).total == units


# The table as printed: std_35, first six rows also clin_s42.
TABLE = [(8, 22), (23, 37), (38, 52), (53, 67), (68, 82), (83, 97), (98, 112), (113, 127)]


def test_the_whole_table() -> None:
    assert [by_total(strength=m).total for m in range(8)] == [0] * 8
    for units, (first, last) in enumerate(TABLE, 1):
        for minutes in range(first, last + 1):
            assert by_total(strength=minutes).total == units


def test_b14_untimed_counts_once_and_its_minutes_nowhere() -> None:
    found = count_units({"A": 12, "B": 12}, "total_time", BOOK, untimed=("evaluation",))
    assert (found.total, found.untimed) == (2, ("evaluation",))
    assert any("evaluation" in reason.says for reason in found.reasons)


def test_a_partly_given_remainder_ties_only_among_equals() -> None:
    """10 + 6 + 6 = 22 is one unit, for the most minutes; 12 + 6 + 6 = 24 is two, 6 and 6 tie."""
    assert by_total(A=10, B=6, C=6).each == {"A": 1, "B": 0, "C": 0}
    found = by_total(A=12, B=6, C=6)
    assert (found.each, found.tied, found.tied_units) == ({"A": 1, "B": 0, "C": 0}, ("B", "C"), 1)


@given(st.dictionaries(st.sampled_from("ABCDEFG"), st.integers(0, 90)))
def test_no_unit_is_lost_or_made(minutes: dict[str, int]) -> None:
    found = count_units(minutes, "total_time", BOOK)
    assert found.total == sum(found.each.values()) + found.tied_units
    assert 0 <= found.tied_units < max(len(found.tied), 1)
    assert all(m // 15 <= found.each[name] <= m // 15 + 1 for name, m in minutes.items())
    assert "not billing advice" in found.reasons[-1].says
    for name, spent in found.left_over.items():
        assert name not in found.tied
        assert spent == minutes[name] - 15 * found.each[name] > 0


def test_every_fault_is_named_at_once() -> None:
    with pytest.raises(InputError) as caught:
        count_units({"A": -1, "B": True, "C": 3}, "total_time", BOOK, untimed=("C",))
    assert [fault.field for fault in caught.value.faults] == ["A", "B", "C"]
    assert count_units({}, "midpoint", BOOK).total == 0
