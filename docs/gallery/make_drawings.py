"""Draw every exercise family of the book, as SVG files, for one invented foot.

Run it as ``python docs/gallery/make_drawings.py [folder]``; without a folder the files go to
``docs/gallery/drawings``. Each dial is shown at each of its notches, the other dials at their
first; right and left take turns.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

from rungwise.book import load_book
from rungwise.core import first_mtp
from rungwise.core.evidence import Evidence, Family
from rungwise.core.ladder import Ladder, rung_at
from rungwise.core.terms import SIDES, Body, Rung
from rungwise.draw import Drawing, draw_pose
from rungwise.words import load_words

FOOT = Body(
    foot_length_mm=246.0,
    heel_to_mtp_mm=180.0,
    hallux_mm=66.0,
    mtp_height_mm=21.0,
    foot_width_mm=93.0,
    ankle_height_mm=66.0,
    leg_mm=420.0,
    thigh_mm=415.0,
    mass_kg=70.0,
    bend_available_deg=24.0,
    press_max_n=60.0,
)


def rungs_to_show(family: Family) -> Iterator[Rung]:
    """The first rung, and each notch of each dial by itself."""
    first = [0] * len(family.dials)
    yield rung_at(family, tuple(first))
    for i, dial in enumerate(family.dials):
        for place in range(1, len(dial.notches)):
            yield rung_at(family, (*first[:i], place, *first[i + 1 :]))


def drawings(book: Evidence, language: str = "en") -> Iterator[tuple[str, Drawing]]:
    """Name and drawing of each rung that is shown."""
    words = load_words(language)
    for family in book.families.values():
        title = {f"title.{family.key}": words.say(f"exercise.{family.key}.title")}
        labels = {**words.under("drawing"), **title}
        for i, rung in enumerate(rungs_to_show(family)):
            fitted = Ladder(first_mtp, FOOT, SIDES[i % 2], book).fit(rung)
            name = rung.name.replace(":", "-").replace("/", "-")
            yield f"{name}-{fitted.side}", draw_pose(fitted, FOOT, labels)


def main(folder: Path) -> None:
    """Write the gallery."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, drawing in drawings(load_book()):
        (folder / f"{name}.svg").write_text(drawing.svg, encoding="utf-8")


if __name__ == "__main__":
    here = Path(__file__).parent / "drawings"
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else here)
