"""Drawn photographs, a small sample: the study over hundreds is docs/photo.py."""

from __future__ import annotations

import numpy as np
import pytest

from rungwise.book import load_book
from rungwise.core.errors import RecordingError
from rungwise.core.photo import Card, PhotoReading, Refused
from rungwise.photo import find_card, find_dots
from tests.measure.scenes import BAD, Scene, draw_scene, render
from tests.measure.trial import read

BOOK = load_book()


def first(kind: str, *, dots: bool) -> Scene:
    return next(s for s in (draw_scene(i, kind) for i in range(50)) if s.dots == dots)


@pytest.mark.parametrize("seed", range(6))
def test_a_photograph_taken_as_told_reads_the_truth(seed: int) -> None:
    scene = draw_scene(seed, "told")
    found = read(scene, render(scene), BOOK, "told")
    assert isinstance(found, PhotoReading), found
    assert abs(found.bend_deg - scene.bend_deg) < 3.5 * found.sd_deg
    assert found.sd_deg < 1.2
    for one in found.lengths:
        assert abs(one.mm - scene.length("heel", "joint")) < 3.5 * one.sd_mm


def test_corners_and_dots_are_found_to_a_fraction_of_a_pixel() -> None:
    """The renderer's camera is OpenCV's; polygon corners would be 1 mm and more inside."""
    scene = first("told", dots=True)
    image = render(scene)
    card = find_card(image, BOOK, focal_35mm_mm=scene.noted_35mm)
    assert isinstance(card, Card)
    off = np.linalg.norm(card.corners_px[:, None] - scene.corners()[None], axis=-1).min(axis=1)
    assert off.max() < 0.6
    dots = find_dots(image, card, BOOK)
    assert isinstance(dots, dict)
    true = scene.marks_px()
    assert set(dots) == set(true)
    assert max(np.hypot(*(np.array(d.at_px) - true[n])) for n, d in dots.items()) < 0.3


@pytest.mark.parametrize("kind", BAD)
def test_a_bad_view_is_refused_with_a_reason(kind: str) -> None:
    scene = draw_scene(1, kind)
    found = read(scene, render(scene), BOOK, kind)
    assert isinstance(found, Refused)
    assert found.reason.says


@pytest.mark.parametrize(
    "image",
    [
        np.zeros((0, 0, 3), np.uint8),
        np.zeros((300, 400), np.uint8),
        np.zeros((300, 400, 4), np.uint8),
        np.zeros((300, 400, 3), np.float64),
        np.zeros((10, 4000, 3), np.uint8),
    ],
)
def test_what_is_no_picture_is_a_recording_error(image: np.ndarray) -> None:
    with pytest.raises(RecordingError):
        find_card(image, BOOK)


@pytest.mark.parametrize("kind", ["black", "white", "noise", "stripes", "one_pixel"])
def test_pictures_of_nothing_are_refused(kind: str) -> None:
    rng = np.random.default_rng(4)
    image = np.zeros((480, 640, 3), np.uint8)
    if kind == "white":
        image[:] = 255
    elif kind == "noise":
        image = rng.integers(0, 256, image.shape).astype(np.uint8)
    elif kind == "stripes":
        image[:, ::16] = 255
        image[::16] = 255
    elif kind == "one_pixel":
        image[100, 100] = 255
    assert isinstance(find_card(image, BOOK), Refused)
