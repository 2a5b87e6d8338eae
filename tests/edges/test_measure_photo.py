"""Photographs from the command line: the answer, refusals with what to do, the picture to check."""

from __future__ import annotations

import json
import math
import tomllib
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from rungwise.cli import main
from rungwise.clinic import Clicked, demo_exams, photo_now
from rungwise.clinic.measure import AID
from rungwise.core.errors import InputError
from rungwise.exam_file import read_exam
from tests.factory import real_book
from tests.measure.scenes import Scene, draw_scene, render, shown_at

BOOK = real_book()
SECRET = "Elm Street 7, 60.39 N"
Capture = pytest.CaptureFixture[str]


@cache
def scene(dots: bool = True) -> Scene:
    """The first drawn photograph, taken as told, whose marks are dots or are to be clicked."""
    small = (s for s in map(draw_scene, range(2, 99)) if s.size == (2016, 1512))
    return next(s for s in small if s.dots is dots and 20 < s.bend_deg < 60)


@cache
def jpeg(dots: bool = True, quality: int = 95) -> bytes:
    """A drawn photograph with words beside it, as a camera would write it."""
    held, beside = BytesIO(), Image.Exif()
    beside[0x010E] = SECRET
    Image.fromarray(render(scene(dots))).save(held, "JPEG", quality=quality, exif=beside)
    assert SECRET.encode() in held.getvalue()
    return held.getvalue()


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "foot.jpg"
    path.write_bytes(jpeg())
    return path


def options(dots: bool = True) -> list[str]:
    return ["--side", scene(dots).side, "--focal", str(scene(dots).noted_35mm or 26)]


def run(capsys: Capture, *args: object) -> tuple[int, str, str]:
    code = main(["measure", "photo", *map(str, args)])
    out, err = capsys.readouterr()
    return code, out, err


def measured(clicked: Clicked | None = None) -> tuple[dict[str, Any], bytes]:
    """Facts and the picture of the drawn photograph."""
    focal = scene().noted_35mm
    facts, _, (png,) = photo_now([("a", jpeg())], scene().side, BOOK, clicked, focal_35mm_mm=focal)
    return facts, png


def clicks(which: Scene) -> list[str]:
    places = {name: shown_at(which, at[None])[0] for name, at in which.marks_px().items()}
    return [
        part for name, (x, y) in places.items() for part in ("--mark", f"{name}={x:.1f},{y:.1f}")
    ]


# ------------------------------------------------------------------ the answer


def test_the_bend_is_told_with_its_zero_interval_and_what_is_only_assumed(
    capsys: Capture, file: Path
) -> None:
    code, out, _ = run(capsys, file, *options())
    assert code == 0
    head = out.splitlines()
    assert head[0].startswith(f"Bend of the big toe, {scene().side} foot: ")
    assert head[0].endswith(" up, counted from the metatarsal's shaft")
    assert head[1].startswith("Interval ")
    assert head[2] == AID
    assert "heel to mtp" in out
    assert "Assumed beside that, from one day to another: 5°; together 5" in out
    made = json.loads(run(capsys, file, *options(), "--json")[1])
    found = made["together"]
    assert abs(found["bend_deg"] - scene().bend_deg) < 2
    assert found["low_deg"] <= scene().bend_deg <= found["high_deg"]
    assert found["zero"] == "metatarsal_shaft"


def test_its_lines_enter_an_examination_once_they_are_completed(
    capsys: Capture, file: Path
) -> None:
    """As printed they are refused: how the toe was held and the word are the therapist's."""
    out = run(capsys, file, *options())[1]
    lines = out[out.index("[[") :]
    walker = demo_exams()["hill-walker-grade-2"]
    with pytest.raises(InputError) as caught:
        read_exam(f"{walker}\n{lines}", BOOK)
    assert {fault.field.rpartition(".")[2] for fault in caught.value.faults} == {"method", "aid"}
    filled = lines.replace('method = "?"', 'method = "nonweightbearing_passive"')
    filled = filled.replace('aid = "?"', 'aid = "confirmed"')
    exam = read_exam(f"{walker}\n{filled}", BOOK)
    entered = [one for one in exam.measured if one.instrument == "photograph"]
    assert [one.side for one in entered] == [scene().side]
    assert abs(float(entered[0].value) - scene().bend_deg) < 2.5
    assert entered[0].sem is not None


def test_marks_may_be_clicked(capsys: Capture, tmp_path: Path) -> None:
    path = tmp_path / "plain.jpg"
    path.write_bytes(jpeg(dots=False))
    code, out, _ = run(capsys, path, *options(False), *clicks(scene(False)), "--json")
    assert code == 0
    assert abs(json.loads(out)["together"]["bend_deg"] - scene(False).bend_deg) < 2.5


def test_corners_may_be_clicked_and_count_for_less(capsys: Capture, file: Path) -> None:
    found = json.loads(run(capsys, file, *options(), "--json")[1])["together"]
    # the card's corners in its own frame: 85.60 x 53.98 mm around the middle (ISO/IEC 7810)
    import numpy as np

    from rungwise.photo.card import find_card
    from rungwise.pictures import decode

    card: Any = find_card(decode(jpeg()).pixels, BOOK, focal_35mm_mm=scene().noted_35mm)
    corners = [f"{x:.1f},{y:.1f}" for x, y in np.asarray(card.corners_px)]
    out = run(capsys, file, *options(), "--corners", *corners, "--json")[1]
    clicked = json.loads(out)["together"]
    assert clicked["bend_deg"] == pytest.approx(found["bend_deg"], abs=1)
    assert clicked["parts_deg"]["corners"] > found["parts_deg"]["corners"]


def test_several_photographs_are_one_reading(capsys: Capture, tmp_path: Path, file: Path) -> None:
    again = tmp_path / "again.jpg"
    again.write_bytes(jpeg(quality=85))
    code, out, _ = run(capsys, file, again, *options(), "--json", "--overlay", tmp_path / "o.png")
    assert code == 0
    made = json.loads(out)
    assert made["together"]["photographs"] == 2
    bends = [one["found"]["bend_deg"] for one in made["photographs"]]
    assert min(bends) <= made["together"]["bend_deg"] <= max(bends)
    assert {path.name for path in tmp_path.glob("*.png")} == {"o-1.png", "o-2.png"}


def test_flat_standing_is_taken_off_with_its_error(
    capsys: Capture, tmp_path: Path, file: Path
) -> None:
    """The same photograph against itself: no bend, and √2 times its error; two: the flat's once."""
    alone = json.loads(run(capsys, file, *options(), "--json")[1])["together"]
    found = json.loads(run(capsys, file, *options(), "--flat", file, "--json")[1])
    assert found["together"]["zero"] == "flat_standing"
    assert found["together"]["bend_deg"] == pytest.approx(0)
    assert found["together"]["sd_deg"] == pytest.approx(math.sqrt(2) * alone["sd_deg"])
    assert 'zero = "flat_standing"' in found["exam"]
    again = tmp_path / "again.jpg"
    again.write_bytes(jpeg(quality=85))
    plain = json.loads(run(capsys, file, again, *options(), "--json")[1])["together"]
    two = json.loads(run(capsys, file, again, *options(), "--flat", file, "--json")[1])["together"]
    assert two["bend_deg"] == pytest.approx(plain["bend_deg"] - alone["bend_deg"])
    assert two["sd_deg"] == pytest.approx(math.hypot(plain["sd_deg"], alone["sd_deg"]))
    assert two["high_deg"] - two["low_deg"] > plain["high_deg"] - plain["low_deg"]


# ------------------------------------------------------------------ refusals


def test_the_other_foot_is_refused_with_what_to_do(
    capsys: Capture, tmp_path: Path, file: Path
) -> None:
    other = "left" if scene().side == "right" else "right"
    code, out, _ = run(
        capsys, file, "--side", other, *options()[2:], "--overlay", tmp_path / "o.png"
    )
    assert code == 11
    assert "not measured. Seen from its inner side" in out
    assert "[[" not in out
    assert (tmp_path / "o.png").exists()  # to see what was taken for what


def test_one_bad_photograph_of_two_is_told(capsys: Capture, tmp_path: Path, file: Path) -> None:
    blank = tmp_path / "blank.png"
    Image.new("RGB", (800, 600), (200, 200, 200)).save(blank)
    code, out, _ = run(capsys, file, blank, *options())
    assert code == 10
    assert "blank.png: not measured. No card" in out
    assert run(capsys, blank, *options())[0] == 11


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["--mark", "joint"], "write a mark such as"),
        (["--mark", "joint=1"], "write a place in pixels"),
        (["--mark", "joint=nan,1"], "a place in pixels"),
        (["--mark", "joint=1e9,1"], "a place in pixels"),
        (["--corners", "1,1", "2,2"], "expected 4 arguments"),
        (["--focal", "0"], "above 0"),
        (["--focal", "inf"], "above 0"),
    ],
)
def test_what_is_no_place_is_refused(
    capsys: Capture, file: Path, given: list[str], said: str
) -> None:
    with pytest.raises(SystemExit) as caught:
        run(capsys, file, *options(), *given)
    assert caught.value.code == 2
    assert said in capsys.readouterr().err


def test_marks_that_nobody_knows_and_marks_for_two_are_refused(
    capsys: Capture, tmp_path: Path, file: Path
) -> None:
    code, out, _ = run(capsys, file, *options(), "--mark", "nose=10,10")
    assert code == 11
    assert "Marks missing or unknown: shaft back, joint, phalanx, nose" in out
    code, _, err = run(capsys, file, file, *options(), "--mark", "joint=10,10")
    assert code == 3
    assert "Measure each alone" in err


@pytest.mark.parametrize("data", [b"", b"not a picture", b"\xff\xd8\xff\xe0" + b"\0" * 200])
def test_what_is_no_picture_is_refused(capsys: Capture, tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "x.jpg"
    path.write_bytes(data)
    code, _, err = run(capsys, path, "--side", "left")
    assert code == 3
    assert "picture" in err


def test_a_picture_smaller_than_a_thumbnail_is_refused(capsys: Capture, tmp_path: Path) -> None:
    path = tmp_path / "small.png"
    Image.new("RGB", (40, 30)).save(path)
    code, _, err = run(capsys, path, "--side", "left")
    assert code == 3
    assert "64" in err


# ------------------------------------------------------------------ the picture


def test_the_picture_to_check_holds_nothing_but_pixels(
    capsys: Capture, tmp_path: Path, file: Path
) -> None:
    """PNG chunks (W3C PNG, 5.3): header, pixels, end. No words of the camera, no second file."""
    out = tmp_path / "seen.png"
    assert run(capsys, file, *options(), "--overlay", out)[0] == 0
    data = out.read_bytes()
    kinds, at = [], 8
    while at < len(data):
        long = int.from_bytes(data[at : at + 4], "big")
        kinds.append(data[at + 4 : at + 8])
        at += 12 + long
    assert set(kinds) == {b"IHDR", b"IDAT", b"IEND"}
    assert SECRET.encode() not in data
    assert sorted(path.name for path in tmp_path.iterdir()) == ["foot.jpg", "seen.png"]
    with Image.open(out) as seen:
        assert max(seen.size) == 1600
    code, _, err = run(capsys, file, *options(), "--overlay", out)  # never over a file
    assert code == 3
    assert "seen.png" in err
    assert out.read_bytes() == data


def test_without_being_asked_nothing_is_written(
    capsys: Capture, tmp_path: Path, file: Path
) -> None:
    assert run(capsys, file, *options())[0] == 0
    assert [path.name for path in tmp_path.iterdir()] == ["foot.jpg"]


def test_the_marks_stand_where_they_were_found() -> None:
    """A ring of the shaft's colour around each dot, at its place on the smaller picture."""
    _, png = measured()
    with Image.open(BytesIO(png)) as seen:
        shrink = seen.width / scene().size[0]
        near = seen.convert("RGB")
        x, y = shown_at(scene(), scene().marks_px()["joint"][None])[0] * shrink
        around = {
            near.getpixel((round(x + 16 * math.cos(a)), round(y + 16 * math.sin(a))))
            for a in (k * math.pi / 24 for k in range(48))
        }
    assert (255, 214, 64) in around


def test_the_same_photograph_gives_the_same_numbers() -> None:
    assert repr(measured()[0]["photographs"]) == repr(measured()[0]["photographs"])


def test_a_click_is_worth_less_than_a_dot() -> None:
    marks = {}
    for name, at in scene().marks_px().items():
        x, y = shown_at(scene(), at[None])[0]
        marks[name] = (float(x), float(y))
    dots = measured()[0]
    assert measured(Clicked(marks))[0]["together"].sd_deg > dots["together"].sd_deg
    lines = tomllib.loads(dots["exam"])
    assert lines[scene().side]["mtp_dorsiflexion_deg"][0]["instrument"] == "photograph"
