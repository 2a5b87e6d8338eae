"""The gallery is what the code draws now, and its dots are what the sources print."""

from __future__ import annotations

import re
import runpy
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from tests.core.test_first_mtp import TABLE
from tests.core.test_planar import PRINTED

FOLDER = Path(__file__).resolve().parents[1] / "docs" / "gallery"
FIGURES = ("heel_height", "roll_and_cloth", "share_of_walking")


@cache
def script() -> dict[str, Any]:
    """The script that draws it."""
    return runpy.run_path(str(FOLDER / "make_gallery.py"))


@cache
def made() -> dict[str, str]:
    """Every file of the gallery as the code writes it now."""
    files: dict[str, str] = script()["gallery"]()
    return files


def test_the_gallery_is_up_to_date() -> None:
    written = {p.name: p.read_text("utf-8") for p in FOLDER.glob("*.svg")}
    written["README.md"] = (FOLDER / "README.md").read_text("utf-8")
    assert sorted(written) == sorted(made())
    stale = [name for name, text in made().items() if written[name] != text]
    assert not stale, f"run: python docs/gallery/make_gallery.py ({', '.join(stale)})"


def test_the_dots_are_the_printed_tables() -> None:
    sizes = {row[0]: tuple(row[1:]) for row in PRINTED}
    assert script()["PRINTED_SIZES"] == sizes
    shares = {name: (task, share) for name, (task, _, share, _) in TABLE.items()}
    shown = {name: row[1:] for name, row in script()["PRINTED_SHARES"].items()}
    assert shown == shares


@pytest.mark.parametrize("name", FIGURES)
def test_a_figure_says_what_it_shows(name: str) -> None:
    """Title, axes with their units, and a caption that names the source."""
    tree = ET.fromstring(made()[f"{name}.svg"])
    said = [text for node in tree.iter() if (text := (node.text or "").strip())]
    caption = " ".join(said)
    assert re.search(r"\[(°|%)\]", caption)
    assert "[mm]" in caption or name == "share_of_walking"
    assert "mechanics of the toe, §" in caption
    assert "ource: own derivation" in caption or "mech_1" in caption


def test_every_picture_is_on_the_page_and_stands_alone() -> None:
    page = made()["README.md"]
    pictures = [name for name in made() if name.endswith(".svg")]
    assert sorted(re.findall(r"\((\w+\.svg)\)", page)) == sorted(pictures)
    for name in pictures:
        tree = ET.fromstring(made()[name])
        kinds = {node.tag.rpartition("}")[2] for node in tree.iter()}
        assert not kinds & {"script", "style", "image", "use", "foreignObject"}, name
