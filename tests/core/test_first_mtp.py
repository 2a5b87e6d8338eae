"""The first big-toe joint: body, poses that touch exactly, loads against their table."""

from __future__ import annotations

import csv
import dataclasses
import itertools
import math
import os
import statistics
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.book import load_book
from rungwise.core import first_mtp, push_off
from rungwise.core.bend import bend_available
from rungwise.core.errors import EvidenceError
from rungwise.core.evidence import Evidence
from rungwise.core.first_mtp import base_of_support, body_of, loads, pose
from rungwise.core.planar import Pose, bend_from_cloth, bend_from_heel_height, bend_from_roll_at
from rungwise.core.push_off import INPUTS, Task, assumed_in, joint_load
from rungwise.core.terms import Body, Rung, Value
from tests.factory import make_exam

BOOK = load_book()
#: The reference person of the printed tables: 70 kg, foot 258 mm.
BODY = Body(
    foot_length_mm=258.0,
    heel_to_mtp_mm=189.0,
    hallux_mm=70.0,
    mtp_height_mm=22.0,
    foot_width_mm=98.0,
    ankle_height_mm=66.0,
    leg_mm=418.0,
    thigh_mm=416.0,
    mass_kg=70.0,
    bend_available_deg=25.0,
)


def rung(family: str, **settings: Value) -> Rung:
    return Rung(family, (), (), settings, frozenset())


def press(**changes: Value) -> Rung:
    settings: dict[str, Value] = {
        "bend_share": 1.0,
        "ball_on_cloth": False,
        "press_share": 0.25,
        "touch_share": 0.64,
        "position": "seated",
    }
    return rung("toe_press", **{**settings, **changes})


def heel(**changes: Value) -> Rung:
    settings: dict[str, Value] = {
        "bend_share": 1.0,
        "position": "seated",
        "legs": 2,
        "hands_share": 0.0,
        "knees_kg": 0.0,
        "squeeze": True,
    }
    return rung("heel_raise", **{**settings, **changes})


def arch(**changes: Value) -> Rung:
    settings: dict[str, Value] = {"position": "seated", "legs": 2, "hands_share": 0.0}
    return rung("arch_lift", **{**settings, **changes})


def stand(stance: str, hands: str = "near", surface: str = "firm") -> Rung:
    return rung("balance", stance=stance, hands=hands, surface=surface)


STANDING: Mapping[str, Value] = {"position": "standing"}
STANCES = ("feet_together", "semi_tandem", "tandem", "one_leg")


def every_rung() -> Iterator[Rung]:
    """One rung of each shape that the figure can take."""
    for position, share, on in itertools.product(
        ("seated", "standing"), (0.0, 0.5, 1.0), (False, True)
    ):
        yield press(position=position, bend_share=0.0 if on else share, ball_on_cloth=on)
    for share, legs, hands in itertools.product((0.5, 1.0), (1, 2), (0.0, 0.3)):
        yield heel(position="standing", bend_share=share, legs=legs, hands_share=hands)
        yield arch(position="standing", legs=legs, hands_share=hands)
    yield heel(bend_share=0.5)
    yield heel(bend_share=1.0)
    yield arch()
    for stance, hold, surface in itertools.product(
        STANCES, ("hand", "fingertips", "near"), ("firm", "soft")
    ):
        yield stand(stance, hold, surface)
    yield rung("toe_bend", bend_share=1.0, position="seated")
    yield rung("calf_stretch", position="seated")
    yield rung("calf_stretch", position="standing")
    yield rung("walking", minutes=10, terrain="flat")


# ------------------------------------------------------------------ the body


def stance_data() -> list[dict[str, str]]:
    """One row a person of the open stance data, from beside the repository or where told."""
    beside = Path(__file__).resolve().parents[3] / "shared" / "data"
    folder = Path(os.environ.get("RUNGWISE_DATA", str(beside)))
    file = folder / "stance" / "all_subjects_metrics.csv"
    if not file.exists():
        pytest.skip("the open stance data is not here; set RUNGWISE_DATA to its folder")
    with file.open(encoding="utf-8", newline="") as text:
        people = {row["Subject"]: row for row in csv.DictReader(text)}
    return [p for p in people.values() if p["FootLen"] and p["Height"]]


@pytest.mark.parametrize(("word", "letter", "n"), [("female", "F", 114), ("male", "M", 47)])
def test_foot_length_rows_are_the_open_data(word: str, letter: str, n: int) -> None:
    """santos_2016: mean and mean -/+ 2 SD of foot length ÷ height, recomputed from the file."""
    people = [p for p in stance_data() if p["Gender"] == letter]
    ratios = [float(p["FootLen"]) / float(p["Height"]) for p in people]
    mean, sd = statistics.mean(ratios), statistics.stdev(ratios)
    row = BOOK.row(f"body.foot_length_per_height.{word}")
    assert len(ratios) == n
    assert f"n = {n}" in row.note
    assert f"SD {sd:.4f}" in row.note
    assert row.value == pytest.approx(mean, abs=5e-5)
    assert row.low == pytest.approx(mean - 2 * sd, abs=5.1e-5)
    assert row.high == pytest.approx(mean + 2 * sd, abs=5.1e-5)
    # printed in the mechanics of the toe, §1: 0.141 H women, 0.1425 H men, SD 0.006
    assert round(mean, 4) == pytest.approx({"female": 0.141, "male": 0.1425}[word], abs=3e-4)
    assert sd == pytest.approx(0.006, abs=6e-4)


def test_shortest_default_foot_is_the_open_data() -> None:
    lengths = [10 * float(p["FootLen"]) for p in stance_data() if p["Gender"] == "F"]
    low = statistics.mean(lengths) - 2 * statistics.stdev(lengths)
    assert BOOK.value("body.foot_length_unknown") == pytest.approx(low, abs=0.1)


def test_unknown_sex_is_the_smaller_row() -> None:
    unknown, *others = (
        BOOK.row(f"body.foot_length_per_height.{word}") for word in ("unknown", "female", "male")
    )
    assert (unknown.value, unknown.low) == min((o.value, o.low) for o in others)


def test_measured_lengths_are_taken_as_they_are() -> None:
    exam = make_exam(
        right={"foot_length_mm": 250.0, "heel_to_mtp_mm": 181.0, "foot_width_mm": 97.0}
    )
    body = body_of(exam, "right", BOOK)
    assert (body.foot_length_mm, body.heel_to_mtp_mm, body.foot_width_mm) == (250.0, 181.0, 97.0)
    assert body.hallux_mm == pytest.approx(69.0)
    assert [note.rule for note in body.notes[:3]] == ["body.measured"] * 3
    assert body.mass_kg == exam.person.mass_kg


def test_defaults_are_the_low_end_and_say_so() -> None:
    nothing = {"foot_length_mm": None, "heel_to_mtp_mm": None, "foot_width_mm": None}
    exam = make_exam(right=nothing, person={"height_cm": 170.0, "sex": "female"})
    body = body_of(exam, "right", BOOK)
    assert body.foot_length_mm == pytest.approx(0.1292 * 1700)
    assert body.heel_to_mtp_mm == pytest.approx(0.70 * body.foot_length_mm)
    assert body.hallux_mm == pytest.approx(0.24 * body.foot_length_mm)
    notes = {note.rule: note for note in body.notes}
    assert "258 mm" in notes["body.foot_from_height"].says  # the handbook's 0.152 of 170 cm
    assert "0.152" in notes["body.foot_from_height"].says
    assert "body.part_from_foot" in notes
    assert all("measured:" not in n.says.replace("not measured:", "") for n in body.notes[:3])


def test_every_unknown_cuts_to_the_cautious_side() -> None:
    """Less known: never a higher heel stop and never a thicker cloth."""
    lengths = {"foot_length_mm": 243.0, "heel_to_mtp_mm": 177.0}
    known = make_exam(right={**lengths, "mtp_dorsiflexion_deg": 45.0})
    ladder = [
        known,
        make_exam(right={**lengths, "heel_to_mtp_mm": None, "mtp_dorsiflexion_deg": 45.0}),
        make_exam(right={**dict.fromkeys(lengths), "mtp_dorsiflexion_deg": 45.0}),
        make_exam(
            right={**dict.fromkeys(lengths), "mtp_dorsiflexion_deg": 45.0}, person={"sex": None}
        ),
        make_exam(
            right={**dict.fromkeys(lengths), "mtp_dorsiflexion_deg": 45.0},
            person={"height_cm": None},
        ),
    ]
    poses = [
        (
            pose(heel(), body_of(e, "right", BOOK), BOOK),
            pose(press(), body_of(e, "right", BOOK), BOOK),
        )
        for e in ladder
    ]
    stops = [raised.sizes_mm["heel_height_mm"] for raised, _ in poses]
    cloths = [pressed.sizes_mm["cloth_thickness_mm"] for _, pressed in poses]
    assert stops == sorted(stops, reverse=True)
    assert cloths == sorted(cloths, reverse=True)
    assert stops[0] > stops[-1] > 0


def test_foot_length_from_the_joint_length_alone() -> None:
    body = body_of(
        make_exam(right={"foot_length_mm": None, "heel_to_mtp_mm": 190.0}), "right", BOOK
    )
    assert body.heel_to_mtp_mm == 190.0
    assert body.foot_length_mm == pytest.approx(190.0 / 0.76)
    assert "body.foot_from_joint" in {note.rule for note in body.notes}


def test_bend_is_the_cautious_one_with_its_reasons() -> None:
    exam = make_exam(right={"mtp_dorsiflexion_deg": 45.0, "flat_standing_deg": None})
    body = body_of(exam, "right", BOOK)
    bend, why = bend_available(exam, BOOK, "right")
    assert body.bend_available_deg == bend < 45.0 - BOOK.high("bend.shaft_offset_deg")
    assert body.notes[-len(why) :] == why
    nothing = body_of(make_exam(right={"mtp_dorsiflexion_deg": None}), "right", BOOK)
    assert nothing.bend_available_deg == 0.0


def test_a_side_is_its_own_and_otherwise_alike() -> None:
    same = {"mtp_dorsiflexion_deg": 50.0, "flat_standing_deg": 15.0, "foot_length_mm": 251.0}
    exam = make_exam(right=same, left=same)
    right, left = body_of(exam, "right", BOOK), body_of(exam, "left", BOOK)
    assert dataclasses.replace(right, notes=()) == dataclasses.replace(left, notes=())
    assert [n.rule for n in right.notes] == [n.rule for n in left.notes]


def test_base_of_support_as_printed() -> None:
    """§5.1, foot 258 x 98 mm: width and length of the four stances, area of three."""
    found = {stance: base_of_support(stance, BODY) for stance in STANCES}
    assert found == {
        "feet_together": (196.0, 258.0),
        "semi_tandem": (196.0, 387.0),
        "tandem": (98.0, 516.0),
        "one_leg": (98.0, 258.0),
    }
    # as rectangles these bound the printed areas (feet are rounded): 455, 430, 182 cm2
    areas = {stance: w * d / 100 for stance, (w, d) in found.items()}
    assert areas["feet_together"] > 455
    assert areas["tandem"] > 430
    assert areas["one_leg"] > 182
    with pytest.raises(EvidenceError, match="headstand"):
        base_of_support("headstand", BODY)


# ------------------------------------------------------------------ poses


@pytest.mark.parametrize("one", list(every_rung()), ids=lambda r: f"{r.family}{dict(r.settings)}")
def test_every_pose_stands_on_the_floor_with_whole_links(one: Rung) -> None:
    found = pose(one, BODY, BOOK)
    p = found.points
    assert found.problems == ()
    for name in (
        "hip knee ankle heel_bottom heel_back arch sole ball mtp_axis toe_root toe_pad toe_tip "
        "shoulder head hand"
    ).split():
        assert all(math.isfinite(x) for x in p[name]), name
    assert all(math.isfinite(x) for q in p.values() for x in q)
    assert min(y for _, y in p.values()) >= -1e-12
    assert all(y >= -1e-12 for prop in found.props for _, y in prop.points)
    assert {"thigh": math.dist(p["hip"], p["knee"]), "leg": math.dist(p["knee"], p["ankle"])} == (
        pytest.approx({"thigh": 0.416, "leg": 0.418})
    )
    if "other_knee" in p:
        assert math.dist(p["hip"], p["other_knee"]) == pytest.approx(0.416)
        assert math.dist(p["other_knee"], p["other_ankle"]) == pytest.approx(0.418)
    # the foot is one piece, the toe another
    assert math.dist(p["heel_bottom"], p["mtp_axis"]) == pytest.approx(math.hypot(0.189, 0.022))
    assert math.dist(p["ankle"], p["heel_bottom"]) == pytest.approx(math.hypot(0.0645, 0.066))
    assert math.dist(p["toe_tip"], p["mtp_axis"]) == pytest.approx(math.hypot(0.070, 0.022))
    assert math.dist(p["ball"], p["mtp_axis"]) == pytest.approx(0.022)
    # the bend is the angle between sole and toe
    assert angle_between(p, ("heel_bottom", "sole"), ("toe_root", "toe_tip")) == pytest.approx(
        found.bend_deg, abs=1e-9
    )
    assert {end for link in found.links for end in link} <= set(p)


def angle_between(
    p: Mapping[str, tuple[float, float]], one: tuple[str, str], two: tuple[str, str]
) -> float:
    """Angle from the first line to the second, counter-clockwise [deg]."""
    first, second = (math.atan2(p[b][1] - p[a][1], p[b][0] - p[a][0]) for a, b in (one, two))
    return math.degrees(second - first)


def the(found: Pose, kind: str) -> tuple[tuple[tuple[float, float], ...], float]:
    (prop,) = [prop for prop in found.props if prop.kind == kind]
    return prop.points, prop.radius_m


@given(st.floats(16.0, 70.0), st.floats(0.4, 0.95), st.floats(10.0, 30.0))
def test_roll_touches_floor_and_toe(available: float, touch: float, head: float) -> None:
    body = dataclasses.replace(BODY, bend_available_deg=available, mtp_height_mm=head)
    found = pose(press(touch_share=touch), body, BOOK)
    (centre,), radius = the(found, "roll")
    assert centre[1] == radius
    assert math.dist(centre, found.points["toe_pad"]) == pytest.approx(radius)
    root, tip = found.points["toe_root"], found.points["toe_tip"]
    along = (tip[0] - root[0], tip[1] - root[1])
    across = along[0] * (centre[1] - root[1]) - along[1] * (centre[0] - root[0])
    assert across / math.hypot(*along) == pytest.approx(-radius)  # tangent, from below
    assert math.dist(root, found.points["toe_pad"]) == pytest.approx(touch * 0.070)
    assert 2000 * radius == pytest.approx(found.sizes_mm["cloth_thickness_mm"])
    assert bend_from_roll_at(2000 * radius, 1000 * centre[0], head) == pytest.approx(found.bend_deg)
    assert found.bend_deg <= available


@given(st.floats(11.0, 14.9), st.floats(0.5, 0.9))
def test_cloth_carries_the_toe_on_its_edge(available: float, touch: float) -> None:
    body = dataclasses.replace(BODY, bend_available_deg=available)
    found = pose(press(touch_share=touch), body, BOOK)
    corners, _ = the(found, "cloth")
    edge = corners[3]
    assert found.points["toe_pad"] == pytest.approx(edge)
    assert edge[0] == pytest.approx(touch * 0.070)
    assert 1000 * edge[1] == pytest.approx(found.sizes_mm["cloth_thickness_mm"])
    assert bend_from_cloth(1000 * edge[1], 1000 * edge[0], 22.0) == pytest.approx(found.bend_deg)
    assert found.bend_deg <= available
    assert corners[1][0] > found.points["toe_tip"][0]


def test_thickness_is_whole_millimetres_rounded_down() -> None:
    """20 deg at 45 mm: Ø 17.2 mm -> 17; 10 deg: 7.6 mm of cloth -> 7.

    Here without the error of the place, which makes both thinner.
    """
    touch, book = 45.0 / 70.0, with_values(BOOK, {"press.place_error_mm": 0.0})
    for target, kind, size in ((20.0, "roll", 17.0), (10.0, "cloth", 7.0)):
        body = dataclasses.replace(BODY, bend_available_deg=target)
        found = pose(press(touch_share=touch), body, book)
        assert {prop.kind for prop in found.props} == {kind, "chair_seat"}
        assert found.sizes_mm["cloth_thickness_mm"] == size
        assert target - 1.4 < found.bend_deg <= found.bend_high_deg <= target
        careful = pose(press(touch_share=touch), body, BOOK)
        assert careful.sizes_mm["cloth_thickness_mm"] < size
        assert careful.bend_deg < careful.bend_high_deg <= target
    exactly = BOOK.value("press.cloth_below_deg")
    body = dataclasses.replace(BODY, bend_available_deg=exactly)
    assert "roll" in {prop.kind for prop in pose(press(), body, BOOK).props}  # the edge is a roll's


@given(st.floats(16.0, 45.0), st.floats(0.5, 0.8), st.floats(180.0, 320.0))
def test_a_roll_told_by_its_place_keeps_the_limit_too(
    available: float, touch: float, foot: float
) -> None:
    """The sheet tells the floor place of the roll; 5 mm nearer and a high axis stay within."""
    key = "body.mtp_height_per_foot_length"
    low, high = foot * BOOK.low(key), foot * BOOK.high(key)
    body = dataclasses.replace(
        BODY,
        bend_available_deg=available,
        hallux_mm=0.27 * foot,
        mtp_height_mm=0.085 * foot,
        mtp_height_range_mm=(low, high),
    )
    found = pose(press(touch_share=touch), body, BOOK)
    if found.problems:
        return
    sizes = found.sizes_mm
    place = sizes["place_mm"] - BOOK.value("press.place_error_mm")
    for head in (low, 0.085 * foot, high):
        assert bend_from_roll_at(sizes["cloth_thickness_mm"], place, head) <= available + 1e-9


def test_ball_on_the_cloth_does_not_bend_the_joint() -> None:
    found = pose(press(bend_share=0.0, ball_on_cloth=True), BODY, BOOK)
    corners, _ = the(found, "cloth")
    thickness = found.sizes_mm["cloth_thickness_mm"]
    assert found.points["ball"] == pytest.approx((0.0, thickness / 1000))
    assert found.points["heel_bottom"][1] == pytest.approx(0.0, abs=1e-12)
    assert found.points["toe_pad"][1] == pytest.approx(thickness / 1000)
    assert corners[0][0] < 0.0
    assert -3.0 < found.bend_deg <= 0.0


def test_cloth_on_the_floor_leaves_the_toe_flat() -> None:
    found = pose(press(bend_share=0.0), BODY, BOOK)
    assert found.bend_deg == 0.0
    assert {prop.kind for prop in found.props} == {"chair_seat"}


@pytest.mark.parametrize(
    ("one", "available", "problem"),
    [
        (press(), 0.0, "press.no_bend"),
        (press(), 2.0, "press.thin_cloth"),
        (press(touch_share=1.0), 20.0, "press.beyond_tip"),
        (press(touch_share=0.05), 14.0, "press.under_ball"),
        (heel(), 0.0, "raise.low_stop"),
        (heel(bend_share=0.5), 5.0, "raise.low_stop"),
        (heel(), 60.0, "raise.too_high"),
        (rung("toe_bend", bend_share=1.0, position="seated"), 2.0, "toe_bend.no_bend"),
    ],
)
def test_impossible_requests_are_flagged_with_a_rule(
    one: Rung, available: float, problem: str
) -> None:
    found = pose(one, dataclasses.replace(BODY, bend_available_deg=available), BOOK)
    assert found.problems == (problem,)
    assert found.bend_deg <= available
    assert BOOK.reason(problem).says


@given(st.floats(5.0, 45.0), st.sampled_from([0.5, 0.75, 1.0]), st.floats(150.0, 230.0))
def test_heel_stop_is_given_as_drawn(available: float, share: float, lever: float) -> None:
    body = dataclasses.replace(BODY, bend_available_deg=available, heel_to_mtp_mm=lever)
    found = pose(heel(bend_share=share), body, BOOK)
    height = found.sizes_mm["heel_height_mm"]
    assert height % 5.0 == 0.0
    if found.problems:
        assert height == 0.0
        return
    assert 1000 * found.points["heel_bottom"][1] == pytest.approx(height)
    assert found.bend_deg <= share * available
    assert bend_from_heel_height(height + 5.0, lever, 22.0) > share * available
    assert found.bend_deg == bend_from_heel_height(height, lever, 22.0)
    corners, _ = the(found, "block")
    assert corners[2] == pytest.approx(found.points["heel_bottom"])
    assert found.points["ball"][1] == pytest.approx(0.0, abs=1e-12)
    assert found.points["toe_tip"][1] == pytest.approx(0.0, abs=1e-12)


def test_heel_stop_with_twenty_degrees_less_a_margin_of_five() -> None:
    """§2: with 20 deg available use 15 -> 50 mm, not 66; 49.7 mm is rounded down to 45."""
    body = dataclasses.replace(BODY, bend_available_deg=15.0)
    assert pose(heel(), body, BOOK).sizes_mm["heel_height_mm"] == 45.0


def test_something_between_the_ankles_when_asked() -> None:
    centre, radius = the(pose(heel(), BODY, BOOK), "ball")
    assert centre[0] == pose(heel(), BODY, BOOK).points["ankle"]
    assert radius > 0
    assert "ball" not in {p.kind for p in pose(heel(squeeze=False), BODY, BOOK).props}


def test_hands_and_soft_ground_are_drawn() -> None:
    held = pose(stand("tandem", "hand"), BODY, BOOK)
    counter, _ = the(held, "counter")
    assert held.points["hand"][1] == pytest.approx(counter[2][1])
    near = pose(stand("tandem", "near"), BODY, BOOK)
    assert near.points["hand"][0] < the(near, "counter")[0][0][0]
    soft = pose(stand("tandem", "hand", "soft"), BODY, BOOK)
    mat, _ = the(soft, "mat")
    assert soft.points["ball"][1] == pytest.approx(mat[2][1])
    assert mat[0][0] < soft.points["heel_bottom"][0]
    assert soft.points["other_toe_tip"][0] < mat[1][0]


def test_this_foot_is_behind_in_tandem() -> None:
    p = pose(stand("tandem"), BODY, BOOK).points
    assert p["other_heel_bottom"][0] - p["heel_bottom"][0] == pytest.approx(0.258)
    half = pose(stand("semi_tandem"), BODY, BOOK).points
    assert half["other_heel_bottom"][0] - half["heel_bottom"][0] == pytest.approx(0.129)
    assert "other_ankle" not in pose(stand("feet_together"), BODY, BOOK).points


@given(st.floats(0.5, 2.0))
def test_double_all_lengths_same_bend(factor: float) -> None:
    """Sizes that are not rounded scale; rounding steps are turned off to see it."""
    fine = dict.fromkeys(("press.thickness_step_mm", "raise.height_step_mm"), 1e-06)
    book = with_values(
        BOOK,
        {**fine, "raise.height_max_mm": 1e3, "press.thinnest_mm": 0.0, "press.place_error_mm": 0.0},
    )
    lengths = [
        f.name
        for f in dataclasses.fields(Body)
        if f.name.endswith("_mm") and getattr(BODY, f.name) is not None
    ]
    scaled = dataclasses.replace(BODY, **{n: factor * getattr(BODY, n) for n in lengths})
    for one in (press(), press(bend_share=0.5), heel()):
        small, large = pose(one, BODY, book), pose(one, scaled, book)
        assert large.bend_deg == pytest.approx(small.bend_deg, abs=1e-4)


def with_values(book: Evidence, values: Mapping[str, float]) -> Evidence:
    changed = {k: dataclasses.replace(book.row(k), value=v) for k, v in values.items()}
    return dataclasses.replace(book, rows={**book.rows, **changed})


def test_more_bend_asked_is_never_less_bend() -> None:
    for make in (press, heel):
        bends = [pose(make(bend_share=s), BODY, BOOK).bend_deg for s in (0.5, 0.75, 1.0)]
        assert bends == sorted(bends)
        assert bends[0] < bends[-1] <= BODY.bend_available_deg


def test_wrong_rungs_are_errors_not_guesses() -> None:
    with pytest.raises(EvidenceError, match="no pose"):
        pose(rung("juggling"), BODY, BOOK)
    with pytest.raises(EvidenceError, match="no load"):
        loads(rung("juggling"), BODY, BOOK)
    with pytest.raises(EvidenceError, match="headstand"):
        loads(stand("headstand"), BODY, BOOK)
    with pytest.raises(EvidenceError, match="bend_share"):
        pose(rung("heel_raise", position="seated"), BODY, BOOK)
    with pytest.raises(EvidenceError, match="lying"):
        pose(heel(position="lying"), BODY, BOOK)


# ------------------------------------------------------------------ loads

# Printed load table, mechanics of the toe §3.3: task; joint force ÷ body weight and % of own
# walking, each as median, 5 %, 95 %; P(less than walking).
TABLE: dict[str, tuple[Task, tuple[float, float, float], tuple[int, int, int], float]] = {
    "raise seated": (Task("raise", "seated"), (0.05, 0.02, 0.13), (7, 3, 15), 1.0),
    "tandem front": (Task("stance", "front"), (0.06, 0.02, 0.14), (7, 3, 17), 1.0),
    "feet together": (Task("stance", "two"), (0.07, 0.03, 0.18), (9, 4, 21), 1.0),
    "press 25": (Task("press", "seated", press=0.25), (0.08, 0.04, 0.15), (10, 4, 23), 1.0),
    "tandem back": (Task("stance", "rear"), (0.08, 0.03, 0.21), (10, 4, 24), 1.0),
    "arch seated": (Task("arch", "seated"), (0.10, 0.05, 0.19), (13, 5, 30), 1.0),
    "one leg hand": (Task("stance", "one", hand=True), (0.13, 0.05, 0.32), (16, 7, 37), 1.0),
    "press 50": (Task("press", "seated", press=0.5), (0.17, 0.08, 0.31), (21, 9, 45), 1.0),
    "one leg": (Task("stance", "one"), (0.19, 0.07, 0.48), (24, 10, 57), 1.0),
    "raise hands 30": (Task("raise", "two", 0.7), (0.22, 0.09, 0.53), (28, 12, 62), 1.0),
    "arch two": (Task("arch", "two"), (0.24, 0.13, 0.40), (30, 14, 61), 1.0),
    "one leg foam": (Task("stance", "one", soft=True), (0.27, 0.10, 0.70), (33, 13, 83), 0.98),
    "raise two": (Task("raise", "two"), (0.32, 0.13, 0.75), (40, 18, 88), 0.97),
    "press 100": (Task("press", "seated", press=1.0), (0.33, 0.16, 0.62), (41, 18, 90), 0.97),
    "arch one": (Task("arch", "one"), (0.39, 0.21, 0.64), (48, 24, 95), 0.96),
    "raise one": (Task("raise", "one"), (0.63, 0.26, 1.48), (80, 36, 172), 0.68),
}
# The table lists the standing raises once for two angles; with walking they make 19 variants.
TWICE = {"raise two again": "raise two", "raise one again": "raise one"}
LOW = ("raise seated", "feet together", "tandem front", "tandem back", "arch seated", "press 25")
MIDDLE = (
    "raise hands 30",
    "raise two",
    "raise two again",
    "press 100",
    "arch two",
    "arch one",
    "one leg foam",
)
HIGH = ("raise one", "raise one again", "walking")
BETWEEN = ("press 50", "one leg", "one leg hand")


@pytest.fixture(scope="module")
def drawn() -> dict[str, np.ndarray]:
    """Joint force of each of the 19 variants, task scatter independent, person shared."""
    assumed = assumed_in(BOOK)
    tasks = {name: row[0] for name, row in TABLE.items()}
    tasks |= {name: tasks[twin] for name, twin in TWICE.items()}
    found = {name: joint_load(task, assumed, i) for i, (name, task) in enumerate(tasks.items())}
    return {**found, "walking": joint_load(None, assumed)}


def ordered(drawn: Mapping[str, np.ndarray], lower: str, higher: str) -> float:
    return float(np.mean(drawn[lower] < drawn[higher]))


@pytest.mark.parametrize("name", TABLE)
def test_load_table(name: str, drawn: dict[str, np.ndarray]) -> None:
    """Printed table §3.3. Its script is not available: the free inputs were fitted to it.

    P(less than walking) within 0.01. Medians and shares are met within rounding but for these
    tolerances: force 0.02 or 8 %, share of walking 2 points or 8 % (the widest miss: the 95 % end
    of the heel raises, 0.70 against 0.75 and 168 against 172 %).
    """
    _, force, share, less = TABLE[name]
    found = np.quantile(drawn[name], (0.5, 0.05, 0.95))
    assert found == pytest.approx(force, rel=0.08, abs=0.012)
    percent = 100 * np.quantile(drawn[name] / drawn["walking"], (0.5, 0.05, 0.95))
    assert percent == pytest.approx(share, rel=0.08, abs=1.5)
    assert ordered(drawn, name, "walking") == pytest.approx(less, abs=0.012)


def test_walking_as_printed(drawn: dict[str, np.ndarray]) -> None:
    """0.80 (0.44-1.41) body weights, near mech_1's 0.80; what drives it: .47, -.32, .31."""
    walking = drawn["walking"]
    assert np.quantile(walking, (0.5, 0.05, 0.95)) == pytest.approx((0.80, 0.44, 1.41), abs=0.05)
    assert np.median(walking) == pytest.approx(0.80, rel=0.15)
    assumed = assumed_in(BOOK)
    order = np.argsort(np.argsort(walking))
    drivers = ("habit", "flexor_arm_mm", "toe_lever_mm")
    ranks = [np.argsort(np.argsort(push_off._drawn(assumed, name))) for name in drivers]
    found = [float(np.corrcoef(rank, order)[0, 1]) for rank in ranks]
    # the habit drives a little more here than printed: 0.64 against 0.47
    assert found == pytest.approx([0.47, -0.32, 0.31], abs=0.18)
    assert found[0] > -found[1] > 0.25


def test_three_steps_of_load(drawn: dict[str, np.ndarray]) -> None:
    """§0.6, §3.3: what is ordered in how many draws, group against group."""

    def orders(lower: tuple[str, ...], higher: tuple[str, ...]) -> list[float]:
        return [ordered(drawn, a, b) for a, b in itertools.product(lower, higher)]

    assert min(orders(LOW, MIDDLE)) == pytest.approx(0.88, abs=0.02)
    assert np.median(orders(LOW, MIDDLE)) == pytest.approx(0.995, abs=0.01)
    assert min(orders(LOW, HIGH)) == pytest.approx(0.998, abs=0.02)
    assert min(orders(MIDDLE, HIGH)) == pytest.approx(0.83, abs=0.02)
    assert np.median(orders(MIDDLE, HIGH)) == pytest.approx(0.97, abs=0.02)
    # press 50 % and one leg on firm ground cannot be told from their neighbours: .61-.63 printed
    neighbours = [
        max(ordered(drawn, x, y), ordered(drawn, y, x)) for x in BETWEEN for y in (*LOW, *MIDDLE)
    ]
    assert 0.55 < min(neighbours) < 0.65


def test_kept_pairs_of_all(drawn: dict[str, np.ndarray]) -> None:
    """103 of 171 pairs keep their order in at least 90 % of the draws."""
    pairs = list(itertools.combinations(drawn, 2))
    kept = [max(ordered(drawn, a, b), ordered(drawn, b, a)) >= 0.9 for a, b in pairs]
    assert len(pairs) == 171
    assert abs(sum(kept) - 103) <= 4


@pytest.mark.parametrize(
    ("lower", "higher"),
    [
        ("raise seated", "raise two"),
        ("raise two", "raise one"),
        ("feet together", "one leg"),
        ("feet together", "one leg hand"),
        ("arch seated", "arch two"),
        ("press 25", "press 50"),
        ("press 50", "press 100"),
    ],
)
def test_always_kept(lower: str, higher: str, drawn: dict[str, np.ndarray]) -> None:
    assert ordered(drawn, lower, higher) >= 0.88


def test_hands_matter_more_within_one_person(drawn: dict[str, np.ndarray]) -> None:
    """Drawn apart, 30 % less weight is .73-.84 certain; on the same day it is simply less."""
    assert 0.73 <= ordered(drawn, "raise hands 30", "raise two") <= 0.84
    assumed = assumed_in(BOOK)
    less, more = (joint_load(Task("raise", "two", kept), assumed) for kept in (0.7, 1.0))
    assert np.all(less < more)
    assert less == pytest.approx(0.7 * more)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_another_seed_tells_the_same(seed: int) -> None:
    assumed = assumed_in(BOOK)._replace(seed=seed)
    for task, _, share, less in TABLE.values():
        draws, walking = joint_load(task, assumed), joint_load(None, assumed)
        assert np.mean(draws < walking) == pytest.approx(less, abs=0.02)
        assert 100 * np.median(draws / walking) == pytest.approx(share[0], abs=2.5)


def test_tiers_group_as_printed() -> None:
    """§0.6: Low, Middle, High; press 50 % and one leg on firm fall, cautiously, into Middle."""
    low = [
        heel(),
        stand("feet_together"),
        stand("tandem"),
        arch(),
        press(press_share=0.25),
    ]
    middle = [
        heel(position="standing"),
        press(press_share=1.0),
        arch(position="standing"),
        arch(position="standing", legs=1),
        stand("one_leg", surface="soft"),
        press(press_share=0.5),
        stand("one_leg"),
    ]
    high = [heel(position="standing", legs=1)]
    for tier, group in enumerate((low, middle, high), start=1):
        assert {loads(one, BODY, BOOK).tier for one in group} == {tier}
    walking = loads(rung("walking", minutes=5, terrain="flat"), BODY, BOOK)
    assert (walking.share_low, walking.share_median, walking.share_high) == (1.0, 1.0, 1.0)
    assert walking.tier == 3  # it tops the tiers


def test_weight_under_the_foot_as_printed() -> None:
    """§6, 70 kg: seated about 6, hands taking 60 % 14, 30 % 25, none 35, one leg 70."""
    kg = [
        loads(one, BODY, BOOK).kg_per_foot
        for one in (
            heel(),
            heel(knees_kg=5.0),
            heel(position="standing", hands_share=0.6),
            heel(position="standing", hands_share=0.3),
            heel(position="standing"),
            heel(position="standing", legs=1),
        )
    ]
    assert kg == pytest.approx([6.3, 11.3, 14.0, 24.5, 35.0, 70.0])
    assert loads(heel(), dataclasses.replace(BODY, mass_kg=None), BOOK).kg_per_foot is None
    assert loads(stand("tandem"), BODY, BOOK).kg_per_foot is None


def shares(one: Rung, body: Body = BODY) -> tuple[float, float, float]:
    found = loads(one, body, BOOK)
    assert found.share_low < found.share_median < found.share_high
    return found.share_low, found.share_median, found.share_high


@pytest.mark.parametrize(
    ("less", "more"),
    [
        (heel(), heel(position="standing", hands_share=0.6)),
        (heel(), heel(knees_kg=5.0)),
        (heel(knees_kg=5.0), heel(knees_kg=10.0)),
        (heel(knees_kg=5.0), heel(position="standing", hands_share=0.6)),
        (heel(position="standing"), heel(position="standing", legs=1)),
        (arch(), arch(position="standing")),
        (arch(position="standing"), arch(position="standing", legs=1)),
        (press(), press(position="standing")),
        (press(press_share=0.3), press(press_share=0.5)),
        (press(touch_share=0.6), press(touch_share=0.7)),
        (stand("feet_together"), stand("tandem")),
        (stand("tandem"), stand("one_leg")),
        (stand("one_leg"), stand("one_leg", surface="soft")),
        *((stand(s, "hand"), stand(s, "near")) for s in STANCES),
        (arch(position="standing", hands_share=0.3), arch(position="standing")),
    ],
)
def test_what_is_more_load(less: Rung, more: Rung) -> None:
    """Seated < standing, both feet < one, hands < none, near < far: in median and both ends."""
    assert all(a < b for a, b in zip(shares(less), shares(more), strict=True))


@given(st.floats(0.0, 0.9), st.floats(0.01, 0.1))
def test_more_hands_less_load(hands: float, more: float) -> None:
    one = shares(heel(position="standing", hands_share=hands))
    other = shares(heel(position="standing", hands_share=hands + more))
    assert all(b < a for a, b in zip(one, other, strict=True))
    assert other == pytest.approx([a * (1 - hands - more) / (1 - hands) for a in one])


@given(st.floats(40.0, 130.0))
def test_shares_do_not_depend_on_body_mass(mass: float) -> None:
    other = dataclasses.replace(BODY, mass_kg=mass)
    for one in (heel(), heel(position="standing"), press(), arch(), stand("tandem")):
        assert shares(one, other) == shares(one)


def test_a_measured_press_may_only_count_as_heavier() -> None:
    weak = dataclasses.replace(BODY, press_max_n=20.0)
    assert shares(press(), weak) == shares(press())
    strong = dataclasses.replace(BODY, press_max_n=100.0)
    stronger = dataclasses.replace(BODY, press_max_n=140.0)
    assert shares(press())[2] < shares(press(), strong)[2] < shares(press(), stronger)[2]
    # 68 N is the median that is assumed when it was not measured; measured elsewhere it may be
    # twice as much at this bend, so the high end is above that of the assumed strength
    measured = dataclasses.replace(BODY, press_max_n=68.4)
    assert shares(press(), measured)[2] > shares(press())[2]
    # without a mass the same press is a larger share of a light body
    light = dataclasses.replace(strong, mass_kg=None)
    assert shares(press(), light)[2] > shares(press(), strong)[2]


def test_an_unknown_mass_is_a_light_one() -> None:
    unknown = dataclasses.replace(BODY, mass_kg=None)
    one = heel(knees_kg=5.0)
    assert all(a < b for a, b in zip(shares(one), shares(one, unknown), strict=True))


def test_loads_are_remembered_and_quick() -> None:
    assumed = assumed_in(with_values(BOOK, {"load.seed": 99.0}))
    started = time.perf_counter()
    for task, *_ in TABLE.values():
        joint_load(task, assumed)
    assert time.perf_counter() - started < 1.0  # 0.05 s where this was written
    loads(heel(), BODY, BOOK)
    started = time.perf_counter()
    for _ in range(100):
        loads(heel(), BODY, BOOK)
    assert (time.perf_counter() - started) / 100 < 1e-3  # 15 µs where this was written


def test_the_book_decides() -> None:
    """Another value in the book, another share: nothing is kept from before."""
    before = loads(heel(position="standing"), BODY, BOOK)
    tighter = with_values(BOOK, {"load.tier_low_max": 0.01, "load.tier_middle_max": 0.02})
    assert loads(heel(position="standing"), BODY, tighter).tier == 3
    habit = dataclasses.replace(BOOK.row("load.raise_toe_share"), value=0.30)
    changed = dataclasses.replace(BOOK, rows={**BOOK.rows, habit.key: habit})
    assert loads(heel(position="standing"), BODY, changed).share_median > before.share_median
    assert loads(heel(position="standing"), BODY, BOOK) == before


def test_every_input_of_the_load_is_a_row_with_a_range() -> None:
    for name in INPUTS:
        row = BOOK.row(f"load.{name}")
        assert row.low is not None
        assert row.high is not None
        assert row.low <= row.value <= row.high
        assert row.use != "permit"


def test_names_of_the_verbs() -> None:
    assert set(first_mtp.__all__) == {"base_of_support", "body_of", "loads", "pose"}
