"""The bend from marks and a card: closed forms, an outside homography, invariances, refusals.

References: OpenCV's ``projectPoints`` and ``findHomography`` (another implementation of pinhole,
distortion and homography); statsmodels' ``combine_effects`` for the mean of several photographs.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rungwise.book import load_book
from rungwise.core.camera import back_project, fit_card, homography, project, refit, rotation
from rungwise.core.errors import InputError
from rungwise.core.photo import (
    Card,
    PhotoReading,
    Refused,
    Spot,
    bend_of,
    card_from_clicks,
    card_of,
    lens_of,
    measure,
    measure_length,
)
from rungwise.core.photo_checks import WHY
from rungwise.core.photo_many import combine, from_flat

BOOK = load_book()
SIZE = (4032, 3024)
CARD = np.array([[-85.6, -53.98, 0], [85.6, -53.98, 0], [85.6, 53.98, 0], [-85.6, 53.98, 0]]) / 2
LENS = lens_of(SIZE, BOOK, 26)
#: A left foot, toes to the right, in the card's frame: 25 degrees of bend by its own closed form.
FOOT = {
    "heel": (-200.0, 75.0),
    "shaft_back": (-62.0, 62.0),
    "joint": (-20.0, 76.0),
    "phalanx": (-20 + 32 * np.cos(np.arctan2(14, 42) - np.radians(25)),
                76 + 32 * np.sin(np.arctan2(14, 42) - np.radians(25))),
}  # fmt: skip


def camera(turn: tuple[float, float, float] = (0.06, -0.08, 0.1), far: float = 600) -> Any:
    return np.array([[0, *LENS.centre_px, 0, 0, *turn, -40, 20, far]])


def seen(p: Any, foot: dict[str, tuple[float, float]] = FOOT, towards: float = 0) -> Any:
    points = np.array([[x, y, -towards] for x, y in foot.values()])
    pixels = project(p, points, LENS)[0]
    return {name: (float(x), float(y)) for name, (x, y) in zip(foot, pixels, strict=True)}


def card_at(p: Any, sd_px: float = 0.3) -> Card:
    card = card_of(project(p, CARD, LENS)[0], np.eye(8) * sd_px**2, SIZE, BOOK, focal_35mm_mm=26)
    assert isinstance(card, Card), card
    return card


def reading(marks: Any, card: Card, **asked: Any) -> PhotoReading:
    given: dict[str, Any] = {"side": "left", "rng": np.random.default_rng(1)} | asked
    found = measure(card, marks, BOOK, **given)
    assert isinstance(found, PhotoReading), found
    return found


def why(marks: Any, card: Card, **asked: Any) -> str:
    given: dict[str, Any] = {"side": "left", "rng": np.random.default_rng(1)} | asked
    found = measure(card, marks, BOOK, **given)
    assert isinstance(found, Refused), found
    assert found.reason.says
    return found.why


# ------------------------------------------------------------------ the camera

turns = st.tuples(*[st.floats(-0.6, 0.6)] * 3)


@settings(max_examples=40, deadline=None)
@given(turns, st.floats(-0.05, 0.05), st.floats(-0.02, 0.02))
def test_a_point_is_seen_where_opencv_sees_it(
    turn: tuple[float, float, float], k1: float, k2: float
) -> None:
    p = camera(turn)
    p[0, 3:5] = k1, k2
    points = np.array([[0.0, 0, 0], [42, 27, 0], [-150, 60, 5], [90, -80, -12]])
    f, (cx, cy) = LENS.focal_px, LENS.centre_px
    matrix = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1]])
    theirs, _ = cv2.projectPoints(points, p[0, 5:8], p[0, 8:], matrix, np.array([k1, k2, 0, 0]))
    mine = project(p, points, LENS)
    np.testing.assert_allclose(mine[0], theirs[:, 0], atol=1e-8)
    back = back_project(p, mine, -points[None, :, 2], LENS)
    np.testing.assert_allclose(back[0], points[:, :2], atol=1e-4)
    np.testing.assert_allclose(
        rotation(np.array([turn]))[0], cv2.Rodrigues(np.array(turn))[0], atol=1e-12
    )


def test_the_homography_of_a_known_camera_is_its_closed_form_and_opencvs() -> None:
    """Without distortion H = K [r1 r2 t], scaled to end in 1."""
    p = camera()
    f, (cx, cy) = LENS.focal_px, LENS.centre_px
    R = rotation(p[:, 5:8])[0]
    H = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1]]) @ np.column_stack([R[:, :2], p[0, 8:]])
    pixels = project(p, CARD, LENS)[0]
    mine = homography(CARD[:, :2], pixels)
    np.testing.assert_allclose(mine, H / H[-1, -1], rtol=1e-9, atol=1e-12)
    theirs, _ = cv2.findHomography(CARD[:, :2], pixels)
    np.testing.assert_allclose(mine, theirs, rtol=1e-4)  # single precision


@settings(max_examples=20, deadline=None)
@given(turns, st.floats(400, 1200))
def test_a_card_without_noise_gives_back_its_camera(
    turn: tuple[float, float, float], far: float
) -> None:
    p = camera(turn, far)
    fit = fit_card(project(p, CARD, LENS)[0], np.eye(8) * 0.01, CARD, LENS)
    assert fit.misfit < 1e-4
    np.testing.assert_allclose(
        back_project(fit.parameters[None], project(p, CARD, LENS), np.zeros((1, 4)), LENS)[0],
        CARD[:, :2],
        atol=1e-2,
    )


def test_the_covariance_of_the_camera_is_the_spread_of_fits_of_noisy_corners() -> None:
    p = camera()
    cov = np.eye(8) * 0.3**2
    at = project(p, CARD, LENS)[0]
    fit = fit_card(at, cov, CARD, LENS)
    rng = np.random.default_rng(3)
    noisy = at + rng.normal(0, 0.3, (600, 4, 2))
    priors = LENS.prior + rng.standard_normal((600, 5)) * LENS.sds
    spread = refit(fit, noisy, priors, cov, CARD, LENS).std(axis=0)
    np.testing.assert_allclose(spread, np.sqrt(np.diag(fit.covariance)), rtol=0.15)


# ------------------------------------------------------------------ the bend


def test_a_known_foot_reads_its_bend_and_lengths() -> None:
    p = camera()
    foot = FOOT | {"tip": (30.0, 60.0)}
    found = reading(seen(p, foot), card_at(p))
    assert found.bend_deg == pytest.approx(25, abs=1e-3)
    assert found.low_deg < 25 < found.high_deg
    assert found.zero == "metatarsal_shaft"
    by_name = {one.name: one for one in found.lengths}
    assert by_name["heel_to_mtp"].mm == pytest.approx(np.hypot(180, 1), abs=0.02)
    assert by_name["foot_length"].mm == pytest.approx(np.hypot(230, 15), abs=0.02)


@pytest.mark.parametrize("turn", [(0, 0, 0), (0.1, 0.1, 0.2), (-0.2, 0.1, -0.3), (0.2, -0.2, 0.1)])
@pytest.mark.parametrize("far", [450.0, 700.0])
def test_the_bend_does_not_depend_on_where_the_camera_stood(turn: Any, far: float) -> None:
    p = camera(turn, far)
    assert reading(seen(p), card_at(p)).bend_deg == pytest.approx(25, abs=5e-3)


@settings(max_examples=50, deadline=None)
@given(st.floats(-180, 180), st.floats(0.2, 5), st.floats(-300, 300))
def test_the_bend_is_the_same_turned_scaled_and_shifted(
    turn: float, size: float, off: float
) -> None:
    names = ("shaft_back", "joint", "phalanx")
    at = np.array([FOOT[name] for name in names])
    a = np.radians(turn)
    R = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    moved = size * at @ R.T + off
    assert bend_of(names, "left")(moved[None])[0] == pytest.approx(25)
    mirrored = moved * [-1, 1]
    assert bend_of(names, "left")(mirrored[None])[0] == pytest.approx(-25)
    assert bend_of(names, "right")(mirrored[None])[0] == pytest.approx(25)


def test_the_shaft_is_the_line_of_its_two_marks_when_both_are_given() -> None:
    foot = FOOT | {"shaft_front": (-34.0, 62.0)}  # level: another line than to the joint
    p = camera()
    level = np.degrees(np.arctan2(14, 42)) - 25
    assert reading(seen(p, foot), card_at(p)).bend_deg == pytest.approx(-level, abs=1e-3)


def test_first_order_and_random_draws_agree_and_parts_add_up() -> None:
    p = camera()
    found = reading(seen(p), card_at(p))
    assert found.sd_drawn_deg == pytest.approx(found.sd_first_deg, rel=0.12)
    assert np.sqrt(sum(v**2 for v in found.parts_deg.values())) == pytest.approx(found.sd_first_deg)
    assert set(found.parts_deg) == {"marks", "corners", "plane", "lens"}


def test_more_noise_is_a_wider_interval_and_dots_are_narrower_than_clicks() -> None:
    p = camera()
    marks, card = seen(p), card_at(p)
    sds = [reading(marks, card, click_sd_px=sd).sd_deg for sd in (0.5, 1, 2)]
    assert sds == sorted(sds)
    across = 8 * LENS.focal_px / 600
    dots = {name: Spot(at, across) for name, at in marks.items()}
    assert reading(dots, card).sd_deg < sds[0]


def test_marks_out_of_the_plane_shift_a_length_by_depth_over_distance() -> None:
    """Closed form: square to the camera, d towards it at distance Z scales by Z / (Z - d)."""
    p = camera((0, 0, 0))
    marks = seen(p, towards=6)
    length = measure_length(card_at(p), marks["heel"], marks["joint"], BOOK, name="heel_to_mtp")
    assert length.mm == pytest.approx(np.hypot(180, 1) * 600 / 594, rel=1e-5)
    assert length.low_mm < length.mm < length.high_mm


def test_a_cloth_is_measured_between_two_points() -> None:
    p = camera()
    ends = project(p, np.array([[60.0, 80, 0], [60, 94, 0]]), LENS)[0]
    cloth = measure_length(card_at(p), tuple(ends[0]), tuple(ends[1]), BOOK, name="cloth")
    assert cloth.mm == pytest.approx(14, abs=1e-3)
    assert cloth.high_mm - cloth.mm < 1.5


def test_coverage_of_the_interval_over_drawn_marks_and_cameras() -> None:
    """Everything drawn from the book's own error model: 95 % must cover 93 to 97 % and a bit."""
    rng = np.random.default_rng(12)
    hits = []
    for _ in range(100):
        p = camera(tuple(rng.normal(0, 0.08, 3)), rng.uniform(500, 700))
        p[0, :5] = LENS.prior + rng.standard_normal(5) * LENS.sds
        corners = project(p, CARD, LENS)[0] + rng.normal(0, 0.3, (4, 2))
        depth = rng.normal(0, 2) + rng.normal(0, 1.5, len(FOOT))
        points = np.column_stack([list(FOOT.values()), -depth])
        pixels = project(p, points, LENS)[0] + rng.normal(0, 1, (len(FOOT), 2))
        card = card_of(corners, np.eye(8) * 0.09, SIZE, BOOK, focal_35mm_mm=26)
        if isinstance(card, Card):
            marks = {n: (float(x), float(y)) for n, (x, y) in zip(FOOT, pixels, strict=True)}
            found = measure(card, marks, BOOK, side="left", rng=rng)
            if isinstance(found, PhotoReading):
                hits.append(found.low_deg <= 25 <= found.high_deg)
    assert len(hits) > 90
    assert np.mean(hits) >= 0.89


# ------------------------------------------------------------------ refusals


def test_marks_that_cannot_be_are_refused() -> None:
    p = camera()
    card, marks = card_at(p), seen(p)
    assert why({k: v for k, v in marks.items() if k != "phalanx"}, card) == "marks_missing"
    assert why(marks | {"ankle": (5.0, 5.0)}, card) == "marks_missing"
    assert why(marks, card, side="right") == "mirrored"
    assert why(marks, card, upright=False) == "turned"
    assert why(seen(p, FOOT | {"phalanx": (42.0, 60.0)}), card) == "whole_toe"
    swapped = marks | {"heel": marks["shaft_back"], "shaft_back": marks["heel"]}
    assert why(swapped, card) == "marks_order"
    assert why(marks | {"heel": (1.0, 900.0)}, card) == "cropped"
    assert why(marks, card, click_sd_px=8) == "uncertain"


def test_a_mirrored_picture_is_refused() -> None:
    p = camera()
    width = SIZE[0] - 1
    corners = project(p, CARD, LENS)[0] * [-1, 1] + [width, 0]
    card = card_of(corners, np.eye(8) * 0.09, SIZE, BOOK, focal_35mm_mm=26)
    assert isinstance(card, Card)
    assert why({k: (width - x, y) for k, (x, y) in seen(p).items()}, card) == "mirrored"


@pytest.mark.parametrize("towards", [-70.0, 70.0])
def test_a_foot_out_of_the_plane_is_refused_by_its_dots_or_its_length(towards: float) -> None:
    p = camera((0.02, 0, 0))
    card, marks = card_at(p), seen(p, towards=towards)
    across = 8 * LENS.focal_px / (600 - towards)
    assert why({k: Spot(at, across) for k, at in marks.items()}, card) == "out_of_plane"
    assert why(marks, card, heel_to_mtp_mm=180) == "out_of_plane"
    blind = reading(marks, card)
    assert not blind.plane_checked
    assert "photo.plane_unchecked" in [r.rule for r in blind.reasons]
    near = seen(p)
    assert reading(near, card, heel_to_mtp_mm=180).plane_checked


def refused_card(corners: Any, **asked: Any) -> str:
    found = card_of(corners, np.eye(8) * 0.09, SIZE, BOOK, focal_35mm_mm=26, **asked)
    assert isinstance(found, Refused), found
    return found.why


def test_bad_views_of_the_card_are_refused() -> None:
    straight = project(camera(), CARD, LENS)[0]
    assert refused_card(straight, blur_px=6) == "blurred"
    assert refused_card(straight - [straight.min(0)[0], 0]) == "cropped"
    assert refused_card(project(camera(far=1500), CARD, LENS)[0]) == "card_small"
    assert refused_card(project(camera((0, 0.8, 0)), CARD, LENS)[0]) == "oblique"
    assert refused_card(project(camera(far=200), CARD, LENS)[0]) == "too_close"
    assert refused_card(project(camera(), CARD * [1, 1.2, 1], LENS)[0]) == "wrong_aspect"


def test_corners_in_any_order_and_clicked_ones_give_one_card() -> None:
    corners = project(camera(), CARD, LENS)[0]
    want = card_at(camera()).fit.parameters
    for order in ([1, 2, 3, 0], [3, 2, 1, 0], [2, 3, 0, 1]):
        card = card_from_clicks(corners[order], SIZE, BOOK, focal_35mm_mm=26)
        assert isinstance(card, Card)
        np.testing.assert_allclose(card.fit.parameters[-1], want[-1], rtol=1e-4)


def test_a_far_card_that_may_lean_either_way_is_refused_or_agrees() -> None:
    p = camera((0, 0.35, 0), 600)
    card = card_at(p, sd_px=7)
    assert card.fit.other_misfit - card.fit.misfit < BOOK.value("photo.card.other_least")
    found = measure(card, seen(p), BOOK, side="left", rng=np.random.default_rng(0))
    assert isinstance(found, Refused) or abs(found.bend_deg - 25) < 3 * found.sd_deg


def test_every_refusal_is_a_rule_of_the_book() -> None:
    rules = {key.removeprefix("photo.refused.") for key in BOOK.rules if "photo.refused" in key}
    assert rules == set(WHY)


@pytest.mark.parametrize(
    "corners", [np.full((4, 2), 500.0), np.arange(100, 900, 100).reshape(4, 2)]
)
def test_corners_without_area_are_refused(corners: Any) -> None:
    found = card_from_clicks(corners, SIZE, BOOK)
    assert isinstance(found, Refused)
    assert found.why == "wrong_aspect"
    with pytest.raises(InputError):
        fit_card(np.full((4, 2), 500.0), np.eye(8), CARD, LENS)


# ------------------------------------------------------------------ several photographs


def some(bends: list[float], sds: list[float]) -> list[PhotoReading]:
    p = camera()
    one = reading(seen(p), card_at(p))
    return [replace(one, bend_deg=b, sd_deg=s) for b, s in zip(bends, sds, strict=True)]


@pytest.mark.parametrize(
    ("bends", "sds"),
    [
        ([30.0, 33, 27, 35], [0.5, 0.8, 0.6, 1]),
        ([30.0, 30.4, 29.8], [0.7, 0.7, 0.9]),
        ([20.0, 26], [1, 0.5]),
    ],
)
def test_the_mean_of_several_is_statsmodels(bends: list[float], sds: list[float]) -> None:
    from statsmodels.stats.meta_analysis import combine_effects

    found = combine(some(bends, sds), BOOK)
    theirs = combine_effects(np.array(bends), np.array(sds) ** 2, method_re="iterated", use_t=True)
    assert found.bend_deg == pytest.approx(theirs.mean_effect_re, abs=1e-4)
    assert found.between_sd_deg**2 == pytest.approx(max(theirs.tau2, 0), abs=1e-3)
    knapp = theirs.sd_eff_w_re_hksj if theirs.tau2 > 0 else theirs.sd_eff_w_fe
    assert found.sd_deg == pytest.approx(max(knapp, theirs.sd_eff_w_re), abs=1e-4)
    assert found.low_deg < found.bend_deg < found.high_deg


def test_more_photographs_narrow_and_their_spread_widens() -> None:
    def half(bends: list[float]) -> float:
        found = combine(some(bends, [0.7] * len(bends)), BOOK)
        return found.high_deg - found.bend_deg

    assert half([30, 31, 30, 31]) < half([30, 31])
    assert half([30, 36, 27]) > half([30, 31, 30])


def test_readings_of_other_feet_zeros_or_marks_never_mix() -> None:
    one, other = some([30, 31], [1, 1])
    with pytest.raises(InputError, match="at least 2"):
        combine([one], BOOK)
    for changed in ({"side": "right"}, {"zero": "flat_standing"}, {"marks": ("joint",)}):
        with pytest.raises(InputError, match="Never mix"):
            combine([one, replace(other, **changed)], BOOK)


def test_from_flat_standing_is_the_difference_with_both_errors() -> None:
    up, flat = some([42, 18], [0.6, 0.8])
    found = from_flat(up, flat, BOOK)
    assert (found.bend_deg, found.zero) == (24, "flat_standing")
    assert found.sd_deg == pytest.approx(1.0)
    with pytest.raises(InputError):
        from_flat(found, found, BOOK)
