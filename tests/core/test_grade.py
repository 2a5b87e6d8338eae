"""The grade and the bend that may be used: band edges, zeros, errors, and the cautious side."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from rungwise.core.bend import METHODS, bends_of, least_change, reading_error
from rungwise.core.errors import EvidenceError
from rungwise.core.grade import bend_available, grade, hallux_ip_bend, is_painless
from rungwise.core.terms import SIDES, Exam, Grade, Measured, Side, Value
from tests.factory import DAY, make_exam, mirrored, reading, real_book

BOOK = real_book()
OTHER: dict[Side, Side] = {"right": "left", "left": "right"}
PAINLESS: dict[str, Value | None] = {
    "pain_at": "none",
    "pain_rest_nprs": 0.0,
    "pain_worst_nprs": 0.0,
    "pain_usual_nprs": 0.0,
}
BILATERAL: dict[str, Value | None] = {"pain_at": "end_range", "pain_worst_nprs": 4.0}


def right_grade(
    deg: float | None,
    other: float | None = None,
    *,
    pain: dict[str, Value | None] | None = None,
    radiograph: float | None = None,
) -> Grade:
    """The grade of a right joint; without ``other`` the left one hurts and is no reference."""
    left: dict[str, Value | None] = {"mtp_dorsiflexion_deg": other} if other else {**BILATERAL}
    right = {**(pain or {}), "mtp_dorsiflexion_deg": deg, "radiograph_grade": radiograph}
    return grade(make_exam(right=right, left=left), BOOK, "right")


def rules_of(found: Grade) -> set[str]:
    """Rules that spoke."""
    return {reason.rule for reason in (*found.reasons, *found.notes)}


# ------------------------------------------------------------------ bands

# Degrees and percent loss of each grade: clin_s1 Table 1 and clin_s2 Table 1; a value on the edge
# goes to the worse grade (the source itself writes "10 degrees or less" for grade 3).


@pytest.mark.parametrize(
    ("deg", "expected"),
    [
        (40.1, 0),
        (40.0, 1),
        (39.9, 1),
        (30.1, 1),
        (30.0, 2),
        (29.9, 2),
        (10.1, 2),
        (10.0, 3),
        (9.9, 3),
        (-20.0, 3),
        (100.0, 0),
    ],
)
def test_edges_of_the_degrees(deg: float, expected: int) -> None:
    found = right_grade(deg, pain=PAINLESS)
    assert (found.value, found.by_degrees) == (expected, expected)
    assert found.by_loss is None
    assert found.loss_pct is None
    assert found.bend_deg == deg


@pytest.mark.parametrize(
    ("deg", "expected"),
    [
        (90.1, None),  # 9.9 %
        (90.0, 0),  # 10 %
        (80.1, 0),  # 19.9 %
        (80.0, 1),  # 20 %
        (50.1, 1),  # 49.9 %
        (50.0, 2),  # 50 %
        (25.1, 2),  # 74.9 %
        (25.0, 3),  # 75 %
        (-5.0, 3),  # 105 %
        (105.0, None),  # a gain
    ],
)
def test_edges_of_the_loss(deg: float, expected: int | None) -> None:
    found = right_grade(deg, 100.0, pain=PAINLESS)
    assert found.by_loss == expected
    assert found.loss_pct == pytest.approx(min(max(100.0 - deg, 0.0), 100.0))
    assert found.value == max(found.by_degrees or 0, expected or 0)
    assert ("grade.differ" in rules_of(found)) is (expected not in (None, found.by_degrees))


def test_arithmetic_that_lands_on_an_edge_stands_on_it() -> None:
    """A computer makes these 40.00000000000001 degrees and 19.999999999999996 percent."""
    three = [reading(deg, zero="flat_standing") for deg in (27.1, 33.6, 29.6)]
    exam = make_exam(right={"mtp_dorsiflexion_deg": None, "flat_standing_deg": 9.9}, readings=three)
    assert sum((27.1, 33.6, 29.6)) / 3 + 9.9 > 40.0
    assert grade(exam, BOOK, "right").by_degrees == 1
    assert 100 * (42.0 - 33.6) / 42.0 < 20.0
    assert right_grade(33.6, 42.0, pain=PAINLESS).by_loss == 1


def test_bands_meet_without_gap_or_overlap() -> None:
    motion = BOOK.bands[:-1]
    assert [band.grade for band in BOOK.bands] == [0, 1, 2, 3, 4]
    for mild, worse in pairwise(motion):
        assert mild.deg_over == worse.deg_to
        assert mild.loss_under == worse.loss_from
        assert mild.tier_max >= worse.tier_max
        assert mild.bend_share_max >= worse.bend_share_max
        assert mild.forbids <= worse.forbids
    assert (motion[0].deg_to, motion[-1].deg_over) == (math.inf, -math.inf)
    assert motion[-1].forbids <= BOOK.bands[-1].forbids


# ------------------------------------------------------------------ pain and radiograph


def test_grade_0_needs_a_joint_known_to_be_free_of_pain() -> None:
    assert right_grade(50.0, pain=PAINLESS).value == 0
    for change in (
        {"pain_at": "end_range"},
        {"pain_worst_nprs": 1.0},
        {"pain_usual_nprs": 1.0},
        {"pain_at": None},
        {"pain_worst_nprs": None},
    ):
        found = right_grade(50.0, pain={**PAINLESS, **change})
        assert found.value == 1
        assert "grade.pain_makes_one" in rules_of(found)


def test_pain_in_mid_range_only_makes_a_stiff_joint_grade_4() -> None:
    mid: dict[str, Value | None] = {"pain_at": "mid_range"}
    assert right_grade(10.0, pain=mid).value == 4
    assert right_grade(10.0, pain={"pain_at": None}).value == 4  # not examined is not "not there"
    assert right_grade(10.0).value == 3
    found = right_grade(25.0, pain=mid)
    assert found.value == 2
    assert "grade.mid_range_odd" in rules_of(found)


@pytest.mark.parametrize(("radiograph", "expected"), [(None, 2), (0, 2), (1, 2), (3, 3), (4, 4)])
def test_radiograph_raises_and_never_lowers(radiograph: float | None, expected: int) -> None:
    found = right_grade(25.0, radiograph=radiograph)
    assert found.value == expected
    assert ("grade.radiograph" in rules_of(found)) is (expected > 2)
    assert found.probability[:expected] == (0.0,) * expected if expected > 2 else True


def test_no_radiograph_is_said() -> None:
    assert "grade.no_radiograph" in rules_of(right_grade(25.0))


def test_more_than_60_degrees_without_pain_is_within_normal() -> None:
    assert "grade.within_normal" in rules_of(right_grade(60.1, pain=PAINLESS))
    assert "grade.within_normal" not in rules_of(right_grade(60.0, pain=PAINLESS))
    assert "grade.within_normal" not in rules_of(right_grade(70.0))


STALE = DAY - timedelta(days=15)


@pytest.mark.parametrize("days", [15, 2200, -15])
def test_a_reading_from_long_before_the_visit_counts_as_not_read(days: int) -> None:
    exam = only(reading(45.0, on=DAY - timedelta(days=days)), flat=10.0)
    assert rules_of(grade(exam, BOOK, "right")) == {"grade.not_read"}
    assert bend_available(exam, BOOK, "right")[0] == 0.0
    edge = only(reading(45.0, on=DAY - timedelta(days=14)), flat=10.0)
    assert grade(edge, BOOK, "right").bend_deg == 45.0
    assert available(edge) == pytest.approx(45 - 10 - SEM)


def test_an_old_reading_by_the_best_way_does_not_outrank_a_fresh_one() -> None:
    exam = only(reading(60.0, on=STALE), reading(20.0, method="weightbearing_passive"), flat=0.0)
    assert grade(exam, BOOK, "right").bend_deg == 20.0


def test_old_flat_standing_and_old_pain_count_as_not_examined() -> None:
    old = Measured("flat_standing_deg", 5.0, STALE, "right")
    value, reasons = bend_available(only(reading(45.0), old), BOOK, "right")
    assert value == pytest.approx(45 - 25 - SEM)
    assert reasons[0].rule == "bend.usual_offset"
    flat = grade(only(reading(20.0, zero="flat_standing"), old), BOOK, "right")
    assert flat.bend_deg == pytest.approx(35.0)
    free = [Measured(m, v, STALE, "right") for m, v in PAINLESS.items() if v is not None]
    exam = make_exam(right={**dict.fromkeys(PAINLESS), "mtp_dorsiflexion_deg": 50.0}, readings=free)
    assert grade(exam, BOOK, "right").value == 1


def test_an_old_radiograph_still_raises() -> None:
    exam = make_exam(readings=[Measured("radiograph_grade", 3, STALE, "right")])
    assert grade(exam, BOOK, "right").value == 3


@pytest.mark.parametrize("answer", ["right", "both", "yes", "no", None])
@pytest.mark.parametrize(
    ("surgery", "rule"),
    [
        ({"kind": "fusion"}, "grade.fused"),
        ({"weeks_ago": 100.0, "cleared": True}, "grade.maybe_fused"),
    ],
)
def test_a_fused_joint_is_not_graded(
    answer: str | None, surgery: dict[str, Value], rule: str
) -> None:
    exam = make_exam(answers={"foot_operation": answer}, details={"surgery": surgery})
    found = grade(exam, BOOK, "right")
    assert found.value is None
    assert found.probability == ()
    assert rules_of(found) == {rule}
    other = grade(exam, BOOK, "left").value
    assert other == (0 if answer == "right" else None)


def test_an_operation_of_another_kind_is_graded() -> None:
    exam = make_exam(
        answers={"foot_operation": "right"}, details={"surgery": {"kind": "osteotomy"}}
    )
    assert grade(exam, BOOK, "right").value == 2


def test_not_read_is_not_graded() -> None:
    found = right_grade(None, radiograph=3)
    assert found.value is None
    assert found.probability == ()
    assert found.radiograph == 3
    assert rules_of(found) == {"grade.not_read"}


# ------------------------------------------------------------------ the other side as a reference


def test_two_painful_joints_give_no_loss_and_say_so() -> None:
    exam = make_exam(left={**BILATERAL})
    for side in SIDES:
        found = grade(exam, BOOK, side)
        assert found.loss_pct is None
        assert "grade.bilateral" in rules_of(found)


@pytest.mark.parametrize(
    "changes",
    [
        {"left": {"mtp_dorsiflexion_deg": 39.9}},
        {"left": {"mtp_dorsiflexion_deg": None}},
        {"left": {"pain_at": None}},
        {"answers": {"foot_operation": "left"}},
        {"answers": {"recent_injury": "both"}},
        {"answers": {"overbend_injury": None}},
        {
            "left": {"mtp_dorsiflexion_deg": None},
            "readings": [reading(60.0, "left", instrument="phone_goniometer")],
        },
        {
            "left": {"mtp_dorsiflexion_deg": None},
            "readings": [reading(60.0, "left", method="weightbearing_passive")],
        },
        {
            "left": {"mtp_dorsiflexion_deg": None},
            "readings": [reading(60.0, "left", on=DAY - timedelta(days=1))],
        },
        {
            "left": {"mtp_dorsiflexion_deg": None},
            "readings": [reading(45.0, "left", zero="flat_standing")],
        },
    ],
)
def test_what_is_no_reference(changes: dict[str, object]) -> None:
    found = grade(make_exam(**changes), BOOK, "right")  # type: ignore[arg-type]
    assert found.loss_pct is None
    assert found.by_loss is None
    assert "grade.no_reference" in rules_of(found)


def test_a_painful_other_side_beside_a_painless_one_is_not_called_both() -> None:
    found = right_grade(50.0, pain=PAINLESS)
    assert found.loss_pct is None
    said = {note.rule: note.says for note in found.notes}
    assert "since it hurts" in said["grade.no_reference"]
    assert "grade.bilateral" not in said
    unknown = grade(make_exam(left={"pain_at": None}), BOOK, "right")
    said = {note.rule: note.says for note in unknown.notes}
    assert "not known to be free of pain" in said["grade.no_reference"]


def test_forty_degrees_may_serve_as_a_reference() -> None:
    found = grade(make_exam(left={"mtp_dorsiflexion_deg": 40.0}), BOOK, "right")
    assert found.loss_pct == pytest.approx(37.5)


def test_an_operation_on_this_side_leaves_the_other_a_reference() -> None:
    exam = make_exam(
        answers={"foot_operation": "right"}, details={"surgery": {"kind": "cheilectomy"}}
    )
    assert grade(exam, BOOK, "right").loss_pct is not None


def test_flat_readings_of_both_sides_are_compared_from_the_shaft() -> None:
    exam = make_exam(
        right={"mtp_dorsiflexion_deg": None, "flat_standing_deg": 20.0},
        left={"mtp_dorsiflexion_deg": None, "flat_standing_deg": 20.0},
        readings=[
            reading(zero="flat_standing", value=5.0),
            reading(40.0, "left", zero="flat_standing"),
        ],
    )
    found = grade(exam, BOOK, "right")
    assert found.loss_pct == pytest.approx(100 * (60 - 25) / 60)
    assert "grade.own_offset" in rules_of(found)


# ------------------------------------------------------------------ how sure the grade is


@pytest.mark.parametrize(
    ("deg", "other", "pain_at", "edges", "grades"),
    [
        # edges worked by hand: degrees 10/30/40, loss 20/50/75 % of the other side, pain
        (25.0, None, "end_range", [10.0, 30.0], [3, 2, 1]),
        (10.0, None, "end_range", [10.0, 30.0], [3, 2, 1]),
        (12.0, None, "mid_range", [10.0, 30.0], [4, 2, 1]),
        (38.0, 60.0, "end_range", [15.0, 30.0], [3, 2, 1]),
        (38.0, 90.0, "end_range", [22.5, 45.0], [3, 2, 1]),
        (41.0, 60.0, "none", [15.0, 30.0, 48.0], [3, 2, 1, 0]),
        (41.0, None, "none", [10.0, 30.0, 40.0], [3, 2, 1, 0]),
    ],
)
def test_probability_is_the_normal_integral_between_the_edges(
    deg: float, other: float | None, pain_at: str, edges: list[float], grades: list[int]
) -> None:
    pain = PAINLESS if pain_at == "none" else {"pain_at": pain_at}
    found = right_grade(deg, other, pain=dict(pain))
    assert found.sem_deg is not None
    below = [0.0, *norm.cdf(edges, loc=deg, scale=found.sem_deg), 1.0]
    expected = [0.0] * 5
    for g, (low, high) in zip(grades, pairwise(below), strict=True):
        expected[g] += high - low
    assert found.probability == pytest.approx(expected, abs=1e-12)


ANGLES = st.integers(-200, 1000).map(lambda tenths: tenths / 10)
PAIN = st.fixed_dictionaries(
    {
        "pain_at": st.sampled_from(["none", "end_range", "mid_range", None]),
        "pain_worst_nprs": st.sampled_from([0.0, 3.0, None]),
    }
).map(lambda pain: {**PAINLESS, **pain})


@given(ANGLES, st.none() | st.floats(40, 90), PAIN, st.none() | st.integers(0, 4))
def test_probability_sums_to_one_and_second_best_is_the_next(
    deg: float, other: float | None, pain: dict[str, Value | None], radiograph: int | None
) -> None:
    found = right_grade(deg, other, pain=pain, radiograph=radiograph)
    assert found.value is not None
    assert sum(found.probability) == pytest.approx(1.0)
    rest = {g: p for g, p in enumerate(found.probability) if g != found.value}
    best = max(rest, key=lambda g: rest[g])
    assert found.second_best == (best if rest[best] >= 0.20 else None)


def test_second_best_on_an_edge_and_far_from_it() -> None:
    assert right_grade(30.0).second_best == 1
    assert right_grade(30.0).probability[1] == pytest.approx(0.5)
    assert right_grade(20.0).second_best is None


# ------------------------------------------------------------------ the bend that may be used

SEM = 5.33  # plastic goniometer, one rater: clin_s6, SD 12.2 x sqrt(1 - 0.809)


def only(*readings: Measured, flat: float | None = None) -> Exam:
    """An examination with these readings of the right joint alone."""
    return make_exam(
        right={"mtp_dorsiflexion_deg": None, "flat_standing_deg": flat}, readings=readings
    )


def available(exam: Exam, side: Side = "right") -> float:
    return bend_available(exam, BOOK, side)[0]


@pytest.mark.parametrize(
    ("exam", "expected", "rules"),
    [
        (only(reading(45.0), flat=18.0), 45 - 18 - SEM, {"bend.own_offset", "bend.available"}),
        # without this foot's own offset the high end, 25 degrees, comes off
        (only(reading(45.0)), 45 - 25 - SEM, {"bend.usual_offset", "bend.available"}),
        (
            only(reading(30.0, zero="flat_standing"), flat=18.0),
            30 - SEM,
            {"bend.flat_zero", "bend.available"},
        ),
        (only(reading(20.0)), 0.0, {"bend.usual_offset", "bend.none"}),
        (only(), 0.0, {"bend.not_read"}),
        # the mean of one day
        (
            only(*(reading(v, zero="flat_standing") for v in (28.0, 30.0, 32.0))),
            30 - SEM,
            {"bend.flat_zero", "bend.available"},
        ),
        # the latest day of the same way
        (
            only(
                reading(40.0, zero="flat_standing"),
                reading(10.0, zero="flat_standing", on=DAY - timedelta(days=40)),
            ),
            40 - SEM,
            {"bend.flat_zero", "bend.available"},
        ),
        # two instruments: never one mean, the smaller after its own error
        (
            only(
                reading(30.0, zero="flat_standing"),
                reading(40.0, zero="flat_standing", instrument="phone_goniometer"),
            ),
            30 - SEM,
            {"bend.flat_zero", "bend.available"},
        ),
        # two zeros: never one mean
        (
            only(reading(40.0), reading(40.0, zero="flat_standing"), flat=10.0),
            40 - 10 - SEM,
            {"bend.own_offset", "bend.available"},
        ),
        (
            only(reading(30.0, zero="flat_standing", instrument="phone_goniometer")),
            30 - 4.94,
            {"bend.flat_zero", "bend.available"},
        ),
        # a way without an error of its own gets the largest in the book
        (
            only(reading(30.0, zero="flat_standing", method="weightbearing_active")),
            30 - 6.76,
            {"bend.flat_zero", "bend.available"},
        ),
        (
            only(reading(30.0, zero="flat_standing", instrument=None)),
            30 - 6.76,
            {"bend.flat_zero", "bend.available"},
        ),
        # a zero that nobody wrote down is taken as the shaft
        (
            only(reading(45.0, zero=None), flat=18.0),
            45 - 18 - SEM,
            {"bend.own_offset", "bend.available"},
        ),
    ],
)
def test_bend_available(exam: Exam, expected: float, rules: set[str]) -> None:
    value, reasons = bend_available(exam, BOOK, "right")
    assert value == pytest.approx(expected)
    assert {reason.rule for reason in reasons} == rules
    for reason in reasons:
        assert "{" not in reason.says
        assert set(reason.sources) <= set(BOOK.sources)


def test_the_usual_offset_rests_on_memory_and_says_so() -> None:
    _, reasons = bend_available(only(reading(45.0)), BOOK, "right")
    said = next(reason for reason in reasons if reason.rule == "bend.usual_offset")
    assert said.basis == "memory"
    assert BOOK.row("bend.shaft_offset_deg").use == "restrict"


WAYS = st.builds(
    reading,
    st.integers(0, 80).map(float),
    method=st.sampled_from(METHODS),
    instrument=st.sampled_from(["goniometer", "phone_goniometer"]),
    zero=st.sampled_from(["metatarsal_shaft", "flat_standing"]),
)


@given(st.lists(WAYS, min_size=1, max_size=5), st.none() | st.floats(0, 30), st.integers(0, 40))
def test_less_bend_never_frees_more_or_grades_milder(
    readings: list[Measured], flat: float | None, less: int
) -> None:
    before = only(*readings, flat=flat)
    stiffer = [replace(one, value=float(one.value) - less) for one in readings]
    after = only(*stiffer, flat=flat)
    assert available(after) <= available(before)
    assert 0 <= available(before) <= max(float(one.value) for one in readings)
    milder, worse = grade(before, BOOK, "right"), grade(after, BOOK, "right")
    assert milder.value is not None
    assert worse.value is not None
    assert worse.value >= milder.value


@given(st.lists(WAYS, min_size=1, max_size=4), st.none() | st.floats(0, 30))
def test_grade_and_bend_stand_on_their_cautious_ends(
    readings: list[Measured], flat: float | None
) -> None:
    """Second way: every reading one by one; none that was used may be milder than a whole way."""
    exam = only(*readings, flat=flat)
    high, low = (25.0, 15.0) if flat is None else (flat, flat)
    means: dict[tuple[str | None, ...], list[float]] = {}
    for one in readings:
        means.setdefault((one.method, one.instrument, one.zero), []).append(float(one.value))
    usable, shafts = [], {}
    for way, values in means.items():
        apart = max(values) - min(values) > 10
        mean = min(values) if apart else sum(values) / len(values)
        is_flat = way[2] == "flat_standing"
        error = reading_error(BOOK, way[0], way[1]).value
        usable.append(max(0.0, mean - (0 if is_flat else high) - error))
        shafts[way] = mean + (low if is_flat else 0)
    assert available(exam) == pytest.approx(min(usable))
    first = next(m for m in METHODS if any(way[0] == m for way in means))
    graded = grade(exam, BOOK, "right")
    assert graded.bend_deg == pytest.approx(min(v for w, v in shafts.items() if w[0] == first))
    assert ("grade.other_method" in rules_of(graded)) is (first != METHODS[0])


@given(ANGLES, st.none() | st.floats(40, 90), PAIN, st.integers(0, 100))
def test_more_pain_or_less_bend_never_a_milder_grade(
    deg: float, other: float | None, pain: dict[str, Value | None], less: int
) -> None:
    worse_at = {"none": "end_range", "end_range": "mid_range"}
    now = right_grade(deg, other, pain=pain).value
    assert now is not None
    at = str(pain["pain_at"])
    for worse in (
        right_grade(deg - less, other, pain=pain),
        right_grade(
            deg, other, pain={**pain, "pain_at": worse_at.get(at, at) if at != "None" else None}
        ),
        right_grade(deg, other, pain={**pain, "pain_worst_nprs": 9.0}),
        right_grade(deg, other, pain={**pain, "pain_at": None}),
        right_grade(deg, other, pain={**pain, "pain_worst_nprs": None}),
        right_grade(deg, other, pain=pain, radiograph=2),
    ):
        assert worse.value is not None
        assert worse.value >= now


@given(st.integers(-10, 80), st.integers(-10, 80), PAIN, PAIN)
def test_right_and_left_mirror(
    right: int, left: int, pain: dict[str, Value | None], other: dict[str, Value | None]
) -> None:
    exam = make_exam(
        right={**pain, "mtp_dorsiflexion_deg": float(right)},
        left={**other, "mtp_dorsiflexion_deg": float(left)},
    )
    for side in SIDES:
        one, two = grade(exam, BOOK, side), grade(mirrored(exam), BOOK, OTHER[side])
        assert replace(one, side="right", notes=(), reasons=()) == replace(
            two, side="right", notes=(), reasons=()
        )
        assert rules_of(one) == rules_of(two)
        assert available(exam, side) == available(mirrored(exam), OTHER[side])


# ------------------------------------------------------------------ notes and errors


def test_scattered_readings_have_no_mean() -> None:
    """20 and 60 degrees on one day: 20 counts, and it is said."""
    far = only(reading(20.0), reading(60.0), flat=0.0)
    assert grade(far, BOOK, "right").bend_deg == 20.0
    assert available(far) == pytest.approx(20 - SEM)
    assert "smallest of 2" in bend_available(far, BOOK, "right")[1][0].says
    near = only(reading(20.3), reading(30.3), flat=0.0)
    assert grade(near, BOOK, "right").bend_deg == pytest.approx(25.3)


def test_readings_far_apart_ask_for_one_more() -> None:
    near = only(reading(20.0), reading(30.0), flat=0.0)
    far = only(reading(20.0), reading(30.1), flat=0.0)
    assert "grade.readings_differ" not in rules_of(grade(near, BOOK, "right"))
    assert "grade.readings_differ" in rules_of(grade(far, BOOK, "right"))


def test_reading_of_another_day_is_said() -> None:
    exam = only(reading(25.0, on=DAY - timedelta(days=3)))
    assert "grade.other_day" in rules_of(grade(exam, BOOK, "right"))


def test_flat_reading_without_own_offset_is_graded_with_the_low_end() -> None:
    found = grade(only(reading(20.0, zero="flat_standing")), BOOK, "right")
    assert found.bend_deg == pytest.approx(35.0)
    assert "grade.usual_offset" in rules_of(found)


def test_is_painless_is_none_when_not_known() -> None:
    assert is_painless(make_exam(), "left") is True
    assert is_painless(make_exam(), "right") is False
    assert is_painless(make_exam(left={"pain_worst_nprs": None}), "left") is None
    assert is_painless(make_exam(left={"pain_at": None}), "left") is None
    assert is_painless(make_exam(left={"pain_rest_nprs": 1.0}), "left") is False


def test_derived_errors_are_recomputed() -> None:
    """SEM = SD x sqrt(1 - ICC); MDC95 = 1.96 x sqrt(2) x SEM, as computed from clin_s6."""
    mdcs = {"goniometer": (14.8, 18.7), "phone_goniometer": (13.7, 16.9)}
    for instrument in ("goniometer", "phone_goniometer"):
        for rater, mdc in zip(("same_rater", "other_rater"), mdcs[instrument], strict=True):
            icc = BOOK.value(f"rom.icc.{instrument}.{rater}")
            sem = BOOK.value(f"rom.sd.{instrument}") * math.sqrt(1 - icc)
            way = f"nonweightbearing_passive.{instrument}.{rater}"
            row = BOOK.row(f"rom.sem.{way}")
            assert row.value == pytest.approx(sem, abs=0.006)
            assert least_change(row, BOOK) == pytest.approx(1.96 * math.sqrt(2) * sem, abs=0.02)
            assert least_change(row, BOOK) == pytest.approx(mdc, abs=0.06)


def test_the_least_change_follows_a_clinics_own_error() -> None:
    row = BOOK.row("rom.sem.nonweightbearing_passive.goniometer.same_rater")
    own = replace(BOOK, rows={**BOOK.rows, row.key: replace(row, value=10.0)})
    said = grade(make_exam(), own, "right").reasons[-1].says
    assert "differ by more than 28°" in said  # 1.96 x 1.4142 x 10 = 27.7


def test_ranges_of_the_rows_that_a_clinic_may_set() -> None:
    errors = [row for key, row in BOOK.rows.items() if key.startswith("rom.sem.")]
    assert {(row.low, row.high) for row in errors} == {(3.0, 15.0)}
    for key, low in (("pain.safe_max", 0.0), ("pain.acceptable_max", 2.0)):
        row = BOOK.row(key)
        assert (row.low, row.high) == (low, row.value)  # only the stricter side


def test_a_book_without_errors_is_refused() -> None:
    rows = {key: row for key, row in BOOK.rows.items() if not key.startswith("rom.sem.")}
    with pytest.raises(EvidenceError):
        reading_error(replace(BOOK, rows=rows), "nonweightbearing_passive", "goniometer")


def test_end_joint_line_is_not_used_beyond_its_zero() -> None:
    assert hallux_ip_bend(71.0, BOOK) == pytest.approx(27.17 - 0.381 * 71)
    assert math.isnan(hallux_ip_bend(72.0, BOOK))


def test_reading_prints_how_it_was_taken() -> None:
    (bend,) = bends_of(only(reading(24.0), reading(26.0)), "right", BOOK)
    text = str(bend)
    for part in ("25°", "nonweightbearing passive", "goniometer", "metatarsal shaft", "n = 2"):
        assert part in text
