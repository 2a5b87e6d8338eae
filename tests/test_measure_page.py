"""The page on measuring aids: its picture is drawn by the code, its numbers are the book's."""

from __future__ import annotations

import re
import runpy
import tomllib
from pathlib import Path

from rungwise.book import load_book
from rungwise.cli.parser import build_parser
from rungwise.clinic import demo_exams
from rungwise.exam_file import read_exam

DOCS = Path(__file__).resolve().parents[1] / "docs"
BOOK = load_book()
TEXT = (DOCS / "measure.md").read_text("utf-8")


def test_the_picture_is_what_the_code_draws() -> None:
    made = runpy.run_path(str(DOCS / "measure_picture.py"))["picture"](BOOK)
    assert (DOCS / "measure.svg").read_text("utf-8") == made, "run: docs/measure_picture.py"
    card = re.search(r'width="([0-9.]+)" height="([0-9.]+)" rx="3.2"', made)
    assert card is not None  # ISO/IEC 7810 ID-1: 85.60 x 53.98 mm, at one unit a millimetre
    assert tuple(map(float, card.groups())) == (85.6, 53.98)
    assert made.count("<circle") == 5


def test_its_numbers_are_the_books() -> None:
    assert f"assumes {BOOK.value('rom.position.photograph'):g}°" in TEXT
    assert f"dots of {BOOK.value('photo.dot.across_mm'):g} mm" in TEXT
    ratios = {
        name: [
            BOOK.value(f"stance.mdc_ratio.{name}.{ground}.{eyes}")
            for ground in ("firm", "foam")
            for eyes in ("open", "closed")
        ]
        for name in ("mean_speed", "ellipse_area")
    }
    for found in ratios.values():
        assert f"({min(found):.1f} to {max(found):.1f}" in TEXT


def test_the_part_that_is_known_covers_what_drawn_scenes_gave() -> None:
    """A standard error is the 95th percentile of a normal error over 1.96."""
    page = (DOCS / "photo.md").read_text("utf-8")
    row = next(line for line in page.splitlines() if line.startswith("| as told |"))
    percentile = float(row.split("|")[5].strip().rstrip("°"))
    known = BOOK.value("detect.photograph.own_sem")
    assert known - 0.1 <= percentile / 1.96 <= known


def test_its_commands_are_commands() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", TEXT, re.DOTALL)
    lines = "\n".join(blocks).replace("\\\n", " ").splitlines()
    commands = [re.sub(r"\s+#.*", "", line).split() for line in lines if line]
    assert len(commands) == 7
    for words in commands:
        assert words[0] == "rungwise"
        build_parser().parse_args([word.strip('"') for word in words[1:] if word != 'Alder"'])


def test_its_readings_are_taken_by_an_examination() -> None:
    blocks = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)
    reading, counts = blocks
    walker = demo_exams()["hill-walker-grade-2"]
    exam = read_exam(f"{walker}\n{reading}", BOOK)
    assert [m.sem for m in exam.measured if m.instrument == "photograph"] == [0.8]
    for key, value in tomllib.loads(counts).items():
        line = next(line for line in counts.splitlines() if line.startswith(key))
        old = next(one for one in walker.splitlines() if one.startswith(f"{key} = "))
        taken = read_exam(walker.replace(old, line, 1), BOOK)
        found = [m.value for m in taken.measured if m.instrument == "phone"]
        assert found == [value["value"]]
