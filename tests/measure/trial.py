"""One drawn photograph put through everything, as a clinic would: card, dots or clicks, bend."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rungwise.core.evidence import Evidence
from rungwise.core.photo import PhotoReading, Refused, Spot, measure
from rungwise.photo.card import find_card
from rungwise.photo.dots import find_dots
from tests.measure.scenes import Image, Scene, draw_scene, render, shown_at

CLICK_SD_PX = 1.0


@dataclass(frozen=True)
class Trial:
    """What came of one scene: why it was refused, or errors, standard errors and coverage."""

    kind: str
    seed: int
    dots: bool
    why: str = ""
    error_deg: float = 0
    sd_deg: float = 0
    covered: bool = False
    drawn_over_first: float = 1
    length_errors_mm: tuple[float, ...] = ()
    lengths_covered: tuple[bool, ...] = ()


def clicks(scene: Scene, rng: np.random.Generator) -> dict[str, tuple[float, float] | Spot]:
    """The marks of a scene as a person would click them."""
    found: dict[str, tuple[float, float] | Spot] = {}
    for name, at in scene.marks_px().items():
        x, y = shown_at(scene, at[None])[0] + rng.normal(0, CLICK_SD_PX, 2)
        found[name] = (float(x), float(y))
    return found


def read(scene: Scene, image: Image, book: Evidence, kind: str) -> PhotoReading | Refused:
    """The reading of a drawn photograph, or why it is refused."""
    rng = np.random.default_rng([scene.seed, 5])
    card = find_card(image, book, focal_35mm_mm=scene.noted_35mm)
    if isinstance(card, Refused):
        return card
    marks: dict[str, tuple[float, float] | Spot] | Refused = clicks(scene, rng)
    if scene.dots:
        dots = find_dots(image, card, book)
        marks = dots if isinstance(dots, Refused) else dict(dots)
    if isinstance(marks, Refused):
        return marks
    known = None
    if kind == "out_of_plane":  # as an examination would have it
        known = scene.length("heel", "joint") + float(rng.normal(0, 2))
    return measure(card, marks, book, side=scene.side, rng=rng, heel_to_mtp_mm=known)


def trial(seed: int, kind: str, book: Evidence) -> Trial:
    """Draw a scene, measure it, compare with the truth."""
    scene = draw_scene(seed, kind)
    found = read(scene, render(scene), book, kind)
    if isinstance(found, Refused):
        return Trial(kind, seed, scene.dots, found.why)
    lengths = [(found_mm, scene.length("heel", "joint")) for found_mm in found.lengths]
    return Trial(
        kind,
        seed,
        scene.dots,
        "",
        found.bend_deg - scene.bend_deg,
        found.sd_deg,
        found.low_deg <= scene.bend_deg <= found.high_deg,
        found.sd_drawn_deg / found.sd_first_deg,
        tuple(one.mm - true for one, true in lengths),
        tuple(one.low_mm <= true <= one.high_mm for one, true in lengths),
    )
