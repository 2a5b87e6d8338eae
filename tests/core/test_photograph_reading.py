"""A bend read from a photograph: its error, what it permits, what it proves, and its zero."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.core.bend import bend_available, bends_of, photograph_error, reading_error
from rungwise.core.change import known_error
from rungwise.core.detect import advise, error_of_kind
from rungwise.core.errors import InputError
from rungwise.core.grade import grade
from rungwise.core.series import Series, Taken, judge_series, one_series
from rungwise.core.terms import Exam, Measured
from tests.factory import DAY, make_exam, reading, real_book

BOOK = real_book()
PASSIVE = "nonweightbearing_passive"
POSITION = 5.0  # rom.position.photograph, an assumption
ZEROS = ("metatarsal_shaft", "flat_standing")
OWN = st.none() | st.floats(0.1, 8)


def photo(
    value: float,
    sem: float | None,
    days: int = 0,
    zero: str = "metatarsal_shaft",
    method: str = PASSIVE,
) -> Measured:
    made = reading(
        value,
        on=DAY + timedelta(days=days),
        instrument="photograph",
        zero=zero,
        method=method,
    )
    return replace(made, sem=sem)


def only(*readings: Measured) -> Exam:
    """The harmless examination with these readings of the right foot alone."""
    return make_exam(right={"mtp_dorsiflexion_deg": None}, readings=readings)


def series(*readings: Measured, rater: str | None = "ann") -> Series:
    return one_series([Taken(one, rater) for one in readings], BOOK)


# ------------------------------------------------------------------ what it permits


@given(st.sampled_from(ZEROS), st.integers(0, 80), OWN, st.none() | st.floats(0, 30))
def test_a_photograph_permits_no_more_than_a_goniometer_would(
    zero: str, value: int, own: float | None, flat: float | None
) -> None:
    """The same angle, foot and zero: never a larger bend, never a milder or surer grade."""

    def exam(one: Measured) -> Exam:
        right = {"mtp_dorsiflexion_deg": None, "flat_standing_deg": flat}
        other = replace(one, side="left", value=60.0)
        return make_exam(right=right, left={"mtp_dorsiflexion_deg": None}, readings=[one, other])

    seen, read = exam(photo(value, own, zero=zero)), exam(reading(float(value), zero=zero))
    assert bend_available(seen, BOOK, "right")[0] <= bend_available(read, BOOK, "right")[0]
    by_photo, by_hand = grade(seen, BOOK, "right"), grade(read, BOOK, "right")
    assert by_photo.value == by_hand.value
    assert by_photo.sem_deg is not None
    assert by_hand.sem_deg is not None
    assert by_photo.sem_deg >= by_hand.sem_deg


@given(st.sampled_from(ZEROS), st.integers(0, 80), st.integers(0, 80), OWN)
def test_a_photograph_beside_a_goniometer_never_frees_more(
    zero: str, read: int, seen: int, own: float | None
) -> None:
    """The goniometer's reading stays the one that is graded, and the smaller bend is used."""
    before = only(reading(float(read)))
    after = only(reading(float(read)), photo(seen, own, zero=zero))
    assert bend_available(after, BOOK, "right")[0] <= bend_available(before, BOOK, "right")[0]
    assert grade(after, BOOK, "right").value == grade(before, BOOK, "right").value


@given(st.floats(0.1, 8), st.floats(0.1, 8))
def test_a_larger_error_of_its_own_never_frees_more(one: float, other: float) -> None:
    small, large = sorted((one, other))
    freed = [bend_available(only(photo(60, sem)), BOOK, "right")[0] for sem in (small, large)]
    assert freed[0] >= freed[1]
    assert bend_available(only(photo(60, None)), BOOK, "right")[0] <= 60 - math.hypot(5, 2.5)


def test_the_error_that_is_taken_off_is_the_largest_of_three() -> None:
    """5.33 is the goniometer's; √(5² + 1²) = 5.10 is below it, √(5² + 3²) = 5.83 above."""
    assert reading_error(BOOK, PASSIVE, "photograph", own_sem_deg=1).value == 5.33
    assert reading_error(BOOK, PASSIVE, "photograph", own_sem_deg=3).value == pytest.approx(
        5.831, abs=5e-4
    )
    key = f"rom.sem.{PASSIVE}.photograph.same_rater"
    own = replace(BOOK, rows={**BOOK.rows, key: replace(BOOK.row(key), value=9.0)})
    assert reading_error(own, PASSIVE, "photograph", own_sem_deg=1).value == 9.0
    # a way of which nothing is known gets the largest error in the book, as before
    for method in ("weightbearing_active", None):
        assert reading_error(BOOK, method, "photograph", own_sem_deg=1).value == 6.76
        assert reading_error(BOOK, method, "photograph", own_sem_deg=8).value > 6.76


def test_a_clinics_smaller_error_of_the_photograph_alone_frees_nothing() -> None:
    rows = dict(BOOK.rows)
    for key in (f"rom.sem.{PASSIVE}.photograph.same_rater", "rom.position.photograph"):
        rows[key] = replace(rows[key], value=3.0)
    own = replace(BOOK, rows=rows)
    assert reading_error(own, PASSIVE, "photograph", own_sem_deg=0.5).value == 5.33


def test_a_photograph_beside_a_goniometer_is_a_way_of_its_own() -> None:
    """Their mean is never taken, and the smaller of the two counts."""
    exam = only(photo(60, 1), reading(40.0), reading(42.0))
    assert {bend.instrument: bend.value_deg for bend in bends_of(exam, "right", BOOK)} == {
        "photograph": 60.0,
        "goniometer": 41.0,
    }
    alone = bend_available(only(reading(40.0), reading(42.0)), BOOK, "right")[0]
    assert bend_available(exam, BOOK, "right")[0] == alone


def test_the_zero_of_a_photograph_is_kept() -> None:
    """60° from the shaft, less 25 without an own offset, is 35 from flat standing; the other 60."""
    shaft = bend_available(
        make_exam(
            right={"mtp_dorsiflexion_deg": None, "flat_standing_deg": None}, readings=[photo(60, 1)]
        ),
        BOOK,
        "right",
    )[0]
    flat = bend_available(only(photo(60, 1, zero="flat_standing")), BOOK, "right")[0]
    assert shaft == pytest.approx(60 - 25 - 5.33)
    assert flat == pytest.approx(60 - 5.33)


def test_a_downward_bend_is_no_upward_one() -> None:
    """The sign is the angle's: minus 12 of upward bend frees nothing."""
    assert bend_available(only(photo(-12, 1, zero="flat_standing")), BOOK, "right")[0] == 0


# ------------------------------------------------------------------ what it proves


def test_the_error_of_a_change_is_the_root_of_both_squares() -> None:
    """se² = 5² + own² for each day; 1.960 √(se1² + se2²), against the closed form."""
    found = judge_series(series(photo(30, 1.0)), series(photo(46, 2.0, 30)), BOOK)
    both = math.sqrt(POSITION**2 + 1.0 + POSITION**2 + 4.0)
    assert found.mdc95 == pytest.approx(1.959964 * both, rel=1e-6)
    assert found.z == pytest.approx(16 / both)
    assert found.verdict == "beyond error"
    assert "5.1° and 5.39°" in found.reasons[0].says
    assert "rom.position.photograph" in found.reasons[0].keys


def test_days_of_photographs_are_averaged_by_their_squares() -> None:
    """Two days before and three after: √(Σ se²) / days of each side."""
    owns = (1.0, 2.0), (0.5, 1.0, 2.5)
    before = series(*(photo(30, sem, n) for n, sem in enumerate(owns[0])))
    after = series(*(photo(40, sem, 30 + n) for n, sem in enumerate(owns[1])))
    means = [math.sqrt(sum(POSITION**2 + o**2 for o in own)) / len(own) for own in owns]
    found = judge_series(before, after, BOOK)
    assert found.mdc95 == pytest.approx(1.959964 * math.hypot(*means), rel=1e-6)


@given(st.lists(st.floats(0.1, 8), min_size=1, max_size=4))
def test_no_number_of_photographs_of_one_day_makes_its_error_smaller(owns: list[float]) -> None:
    """They share position, lens and card: their mean square counts, and never less than 5°."""
    (own,) = series(*(photo(30, sem) for sem in owns)).owns
    assert own is not None
    assert own == pytest.approx(math.sqrt(sum(o**2 for o in owns) / len(owns)))
    known = known_error("mtp_dorsiflexion_deg", BOOK, PASSIVE, "photograph", owns=(own,))
    assert known is not None
    assert known.day == pytest.approx(math.hypot(POSITION, own))


def test_without_its_own_error_a_photograph_counts_as_the_worst_that_is_given() -> None:
    """√(5² + 2.5²) = 5.59: 2.5 is the largest error of a single photograph."""
    (own,) = series(photo(30, 1.0), photo(32, None)).owns
    assert own is None
    for owns in ((), (None,)):
        known = known_error("mtp_dorsiflexion_deg", BOOK, PASSIVE, "photograph", owns=owns)
        assert known is not None
        assert known.day == pytest.approx(5.59, abs=0.005)


def test_two_people_are_no_better_than_two_with_a_goniometer() -> None:
    before, after = series(photo(30, 1.0)), series(photo(46, 1.0, 30), rater="bob")
    assert judge_series(before, after, BOOK).mdc95 == pytest.approx(18.74, abs=0.005)


def test_of_a_way_that_nobody_has_assumed_anything_nothing_is_claimed() -> None:
    way = "weightbearing_active"
    found = judge_series(
        series(photo(30, 1.0, method=way)), series(photo(60, 1.0, 30, method=way)), BOOK
    )
    assert found.verdict == "error not known"


def test_photographs_and_goniometer_are_never_one_series() -> None:
    """Nor two zeros; each mix is named."""
    with pytest.raises(InputError) as caught:
        series(photo(30, 1.0), reading(30.0, on=DAY + timedelta(days=1)))
    assert [fault.field for fault in caught.value.faults] == ["instrument"]
    with pytest.raises(InputError) as caught:
        judge_series(series(photo(30, 1.0)), series(photo(40, 1.0, 30, "flat_standing")), BOOK)
    assert [fault.field for fault in caught.value.faults] == ["zero"]


# ------------------------------------------------------------------ advice


def test_advice_keeps_what_is_known_apart_from_what_is_assumed() -> None:
    """√(5² + 0.6²) = 5.036: all but a fiftieth of the variance is assumed."""
    error = error_of_kind("photograph", BOOK)
    assert error.day == pytest.approx(5.036, abs=5e-4)
    told = advise("photograph", BOOK)
    assert "0.6°; what lies between days, 5°, is assumed" in told.says
    assert {"detect.photograph.own_sem", "rom.position.photograph"} <= set(told.keys)
    assert "assumed" not in advise("goniometer", BOOK).says


def test_the_assumed_part_lies_above_what_bending_anew_adds_to_a_goniometer() -> None:
    """√(sem² - sem of a held position²) from clin_s6: 3.1 and 4.6 (goniometer), 3.8 (phone)."""
    parts = [
        math.sqrt(
            BOOK.value(f"rom.sem.{PASSIVE}.{way}") ** 2
            - BOOK.value(f"rom.sem.fixed_position.{way}") ** 2
        )
        for way in (
            "goniometer.same_rater",
            "phone_goniometer.same_rater",
            "goniometer.other_rater",
        )
    ]
    assert [round(part, 1) for part in parts] == [3.1, 3.8, 4.6]
    assert max(parts) < BOOK.value("rom.position.photograph") == POSITION
    assert photograph_error(0.6, BOOK).value == pytest.approx(math.hypot(POSITION, 0.6))
