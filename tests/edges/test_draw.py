"""The drawings, read back from their SVG: what is drawn is what was computed and what is told."""

from __future__ import annotations

import math
import re
import runpy
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import cache
from importlib import import_module
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import typst

from rungwise.core import first_mtp
from rungwise.core.contrast import rgb, stands_out
from rungwise.core.errors import InputError
from rungwise.core.ladder import rungs_of
from rungwise.core.terms import Body, Demand, Fitted, Loads, Rung, Side, Value
from rungwise.draw import LABELS, Drawing, draw_pose
from rungwise.draw.curves import circle, hatching, limb, smooth
from rungwise.draw.lettering import text_width
from rungwise.draw.sheet import ACCENT, DARK, GREY, PAPER, TINT, Box, Sheet, crosses
from rungwise.words import load_words
from tests.factory import real_book

FONTS = Path(next(iter(import_module("fontpkg_noto_sans").__path__)))
SVG = "{http://www.w3.org/2000/svg}"
FEET_MM = (180.0, 258.0, 330.0)
BENDS_DEG = (4.0, 12.0, 20.0, 32.0, 45.0, 60.0)
SIDES: tuple[Side, Side] = ("right", "left")

PRESS: Mapping[str, Value] = {
    "bend_share": 1.0,
    "ball_on_cloth": False,
    "press_share": 0.3,
    "touch_share": 0.64,
    "position": "seated",
}
RAISE: Mapping[str, Value] = {
    "bend_share": 1.0,
    "position": "seated",
    "legs": 2.0,
    "hands_share": 0.0,
    "knees_kg": 0.0,
    "squeeze": True,
}
ARCH: Mapping[str, Value] = {"position": "seated", "legs": 2.0, "hands_share": 0.0}


@cache
def labels(language: str = "en") -> Mapping[str, str]:
    words = load_words(language)
    titles = {
        f"title.{family}": words.say(f"exercise.{family}.title") for family in real_book().families
    }
    return {**words.under("drawing"), **titles}


def body(foot_mm: float = 258.0, bend_deg: float = 25.0) -> Body:
    """A body of the proportions of the reference person, by its foot length."""
    height = foot_mm / 0.1425
    return Body(
        foot_length_mm=foot_mm,
        heel_to_mtp_mm=0.73 * foot_mm,
        hallux_mm=0.27 * foot_mm,
        mtp_height_mm=0.085 * foot_mm,
        foot_width_mm=0.38 * foot_mm,
        ankle_height_mm=0.039 * height,
        leg_mm=0.246 * height,
        thigh_mm=0.245 * height,
        mass_kg=70.0,
        bend_available_deg=bend_deg,
    )


def fit(
    family: str, settings: Mapping[str, Value], who: Body | None = None, side: Side = "right"
) -> Fitted:
    rung = Rung(family, (), (), settings, frozenset())
    pose = first_mtp.pose(rung, who or body(), real_book())
    demand = Demand(0.0, pose.bend_deg, 1, None, "firm", "seat")
    return Fitted(rung, side, pose, Loads(0.1, 0.1, 0.1, 1), demand, pose.problems)


def drawn(
    family: str, settings: Mapping[str, Value], who: Body | None = None, side: Side = "right"
) -> Drawing:
    return draw_pose(fit(family, settings, who, side), who or body(), labels())


def possible(family: str, settings: Mapping[str, Value]) -> Iterator[tuple[Fitted, Body]]:
    """The rung on feet of every size and joints of every reach, where it can be done."""
    for foot_mm in FEET_MM:
        for bend_deg in BENDS_DEG:
            who = body(foot_mm, bend_deg)
            for side in SIDES:
                fitted = fit(family, settings, who, side)
                if not fitted.problems:
                    yield fitted, who


# ------------------------------------------------------------------ reading a drawing back

Chain = list[tuple[float, float]]


def tree(drawing: Drawing) -> ET.Element:
    return ET.fromstring(drawing.svg)


def chains(element: ET.Element, parts: int = 6) -> list[Chain]:
    """The paths of an element as chains of points, read from its data alone."""
    found: list[Chain] = []
    for letter, numbers in re.findall(r"([MLCZ])([^MLCZ]*)", element.attrib["d"]):
        values = [float(n) for n in numbers.split()]
        points = list(zip(values[::2], values[1::2], strict=True))
        if letter == "M":
            found.append(points)
        elif letter == "L":
            found[-1] += points
        elif letter == "Z":
            found[-1].append(found[-1][0])
        else:
            p0, (p1, p2, p3) = found[-1][-1], points
            for i in range(1, parts + 1):
                t, s = i / parts, 1.0 - i / parts
                weights = (s**3, 3 * s * s * t, 3 * s * t * t, t**3)
                quad = (p0, p1, p2, p3)
                found[-1].append(
                    (
                        sum(w * p[0] for w, p in zip(weights, quad, strict=True)),
                        sum(w * p[1] for w, p in zip(weights, quad, strict=True)),
                    )
                )
    return found


def part(drawing: Drawing, name: str) -> Chain:
    """The points of the parts of that name, in one list."""
    found = [e for e in tree(drawing).iter(SVG + "path") if e.get("data-part") == name]
    assert found, f"nothing is drawn as {name}"
    return [point for element in found for chain in chains(element) for point in chain]


def middle(chain: Chain) -> tuple[float, float]:
    xs, ys = [x for x, _ in chain], [y for _, y in chain]
    return (min(xs) + max(xs)) / 2.0, (min(ys) + max(ys)) / 2.0


def height_of(chain: Chain) -> float:
    return max(y for _, y in chain) - min(y for _, y in chain)


def width_of(chain: Chain) -> float:
    return max(x for x, _ in chain) - min(x for x, _ in chain)


def scale_of(drawing: Drawing, who: Body) -> float:
    """Sheet units to one mm, from the drawn height of the joint over the drawn floor."""
    return (part(drawing, "floor")[0][1] - middle(part(drawing, "joint"))[1]) / who.mtp_height_mm


def said(drawing: Drawing, name: str) -> str:
    texts = [e.text or "" for e in tree(drawing).iter(SVG + "text") if e.get("data-part") == name]
    return " ".join(texts)


# ------------------------------------------------------------------ drawn = computed


@pytest.mark.parametrize(("family", "settings"), [("toe_press", PRESS), ("heel_raise", RAISE)])
def test_the_drawn_lines_meet_at_the_bend_of_the_pose(
    family: str, settings: Mapping[str, Value]
) -> None:
    count = 0
    for fitted, who in possible(family, settings):
        drawing = draw_pose(fitted, who, labels())
        (x0, y0), (x1, y1) = part(drawing, "line.foot")
        (u0, v0), (u1, v1) = part(drawing, "line.toe")
        back, toe = math.atan2(y1 - y0, x1 - x0), math.atan2(v1 - v0, u1 - u0)
        between = abs(math.degrees(toe - back)) % 360.0
        bend = 180.0 - min(between, 360.0 - between)
        assert bend == pytest.approx(fitted.pose.bend_deg, abs=0.1)
        assert said(drawing, "bend.label") == f"{fitted.pose.bend_deg:.0f}°"
        count += 1
    assert count >= 20


def millimetres(said: str) -> int:
    """A printed length [mm]."""
    number, unit = said.split()
    return round(float(number) * {"mm": 1, "cm": 10}[unit])


def test_cloth_and_roll_are_as_thick_and_lie_where_the_pose_says() -> None:
    kinds = set()
    for fitted, who in possible("toe_press", PRESS):
        drawing = draw_pose(fitted, who, labels())
        scale, sizes = scale_of(drawing, who), fitted.pose.sizes_mm
        kind = next(p.kind for p in fitted.pose.props if p.kind in ("roll", "cloth"))
        kinds.add(kind)
        thick = sizes["cloth_thickness_mm"]
        assert height_of(part(drawing, kind)) / scale == pytest.approx(thick, rel=5e-3)
        assert height_of(part(drawing, "thickness")) / scale == pytest.approx(thick, rel=5e-3)
        place = sizes["place_mm"]
        assert width_of(part(drawing, "place")) / scale == pytest.approx(place, rel=5e-3)
        # the thickness is rounded down, the place up: further forward bends less
        assert 0.0 <= thick - millimetres(said(drawing, "thickness.label")) + 1e-6 < 1.0
        assert 0.0 <= millimetres(said(drawing, "place.label")) - place + 1e-6 < 1.0
        for label, up in (("thickness", False), ("place", True)):  # as the sheet says it
            size = place if up else thick
            assert load_words().length(size, up).split(" (")[0] == said(drawing, f"{label}.label")
    assert kinds == {"roll", "cloth"}


def test_the_toe_lies_on_the_roll() -> None:
    # The underside runs the joint's height below the toe's line: the roll must just meet it.
    count = 0
    for fitted, who in possible("toe_press", PRESS):
        if fitted.pose.props[-1].kind != "roll":
            continue
        drawing = draw_pose(fitted, who, labels())
        scale = scale_of(drawing, who)
        (x0, y0), (x1, y1) = part(drawing, "line.toe")
        roll = part(drawing, "roll")
        cx, cy = middle(roll)
        off = abs((x1 - x0) * (cy - y0) - (y1 - y0) * (cx - x0)) / math.dist((x0, y0), (x1, y1))
        meets = who.mtp_height_mm * scale + height_of(roll) / 2.0
        assert off == pytest.approx(meets, abs=0.6)
        count += 1
    assert count >= 12


def test_the_heel_is_level_with_the_top_of_its_stop() -> None:
    count = 0
    for fitted, who in possible("heel_raise", RAISE):
        drawing = draw_pose(fitted, who, labels())
        scale, given = scale_of(drawing, who), fitted.pose.sizes_mm["heel_height_mm"]
        assert height_of(part(drawing, "stop")) / scale == pytest.approx(given, rel=5e-3)
        assert height_of(part(drawing, "height")) / scale == pytest.approx(given, rel=5e-3)
        floor = part(drawing, "floor")[0][1]
        heel = (floor - middle(part(drawing, "heel"))[1]) / scale
        assert heel == pytest.approx(given, rel=5e-3, abs=0.1)
        assert 0.0 <= given - millimetres(said(drawing, "height.label")) + 1e-6 < 1.0
        count += 1
    assert count >= 16


@pytest.mark.parametrize("stance", ["feet_together", "semi_tandem", "tandem", "one_leg"])
@pytest.mark.parametrize("side", SIDES)
def test_the_footprints_stand_on_the_base_of_the_pose(stance: str, side: Side) -> None:
    who = body(246.0)
    settings: Mapping[str, Value] = {"stance": stance, "hands": "hand", "surface": "firm"}
    drawing = drawn("balance", settings, who, side)
    one = part(drawing, f"print.{side}")
    scale = height_of(one) / who.foot_length_mm
    assert width_of(one) / scale == pytest.approx(who.foot_width_mm, rel=0.02)
    prints = list(one)
    if stance != "one_leg":
        prints += part(drawing, "print.left" if side == "right" else "print.right")
    width, length = first_mtp.base_of_support(stance, who)
    assert width_of(prints) / scale == pytest.approx(width, rel=0.02)
    assert height_of(prints) / scale == pytest.approx(length, rel=0.02)


# ------------------------------------------------------------------ left and right


def test_a_right_foot_points_left_and_a_left_foot_right() -> None:
    for family, settings in (("toe_press", PRESS), ("heel_raise", RAISE), ("arch_lift", ARCH)):
        for side in SIDES:
            foot = part(drawn(family, settings, side=side), "foot")
            leg, _ = min(foot, key=lambda p: p[1])
            low = [x for x, y in foot if y > 560.0]
            toes = min(low) if side == "right" else max(low)
            assert (toes < leg) is (side == "right")
            assert abs(toes - leg) > 150.0


def test_left_is_the_exact_mirror_of_right_and_text_is_not_mirrored() -> None:
    right, left = drawn("toe_press", PRESS), drawn("toe_press", PRESS, side="left")
    for name in ("foot", "roll", "line.toe", "line.foot"):
        a, b = part(right, name), part(left, name)
        assert len(a) == len(b)
        for (x, y), (u, v) in zip(a, b, strict=True):
            assert (1050.0 - x, y) == pytest.approx((u, v), abs=0.02)
    assert "transform" not in right.svg + left.svg
    assert said(right, "right_foot") == "Right foot"
    assert said(left, "left_foot") == "Left foot"


def test_the_big_toes_lie_on_the_inner_sides() -> None:
    settings: Mapping[str, Value] = {
        "stance": "feet_together", "hands": "hand", "surface": "firm", "both": True,
    }  # fmt: skip
    for side in SIDES:
        root = tree(drawn("balance", settings, side=side))
        inner = {}
        for name in ("print.right", "print.left"):
            sole, *toes = [e for e in root.iter(SVG + "path") if e.get("data-part") == name]
            assert len(toes) == 5
            big = max(toes, key=lambda e: width_of(chains(e)[0]))
            inner[name] = (middle(chains(big)[0])[0], middle(chains(sole)[0])[0])
        assert inner["print.right"][0] < inner["print.right"][1]
        assert inner["print.left"][0] > inner["print.left"][1]
        assert inner["print.left"][1] < inner["print.right"][1]  # right foot on the right


def test_a_language_that_runs_from_the_right_moves_no_line_of_the_foot() -> None:
    arabic = dict.fromkeys(labels(), "\u0627\u0644\u0642\u062f\u0645 {deg} {mm}")
    fitted = fit("heel_raise", RAISE)
    there, here = draw_pose(fitted, body(), arabic), drawn("heel_raise", RAISE)
    for name in ("foot", "line.foot", "stop", "heel"):
        assert part(there, name) == part(here, name)


# ------------------------------------------------------------------ labels


def text_boxes(drawing: Drawing) -> Iterator[tuple[str, Box]]:
    """What each line of text covers: from the top of a capital to just under the line."""
    for e in tree(drawing).iter(SVG + "text"):
        x, y, size = (float(e.attrib[k]) for k in ("x", "y", "font-size"))
        half = text_width(e.text or "", size, e.get("font-weight") == "bold") / 2.0
        yield e.attrib["data-part"], Box(x - half, y - 0.72 * size, x + half, y + 0.04 * size)


def colliding(drawing: Drawing) -> list[str]:
    """Each label that lies on a line, on another label or off the sheet."""
    boxes, faults = list(text_boxes(drawing)), []
    lines = [
        (e.get("data-part", e.attrib["d"][:30]), float(e.get("stroke-width", "0")) / 2.0, chain)
        for e in tree(drawing).iter(SVG + "path")
        if e.get("fill") != TINT or e.get("stroke") is not None  # panels lie under the text
        for chain in chains(e)
    ]
    for i, (name, box) in enumerate(boxes):
        inside = box.left >= 0.0 and box.top >= 0.0 and box.right <= 1050.0 and box.bottom <= 700.0
        if not inside:
            faults.append(f"{name} off the sheet")
        if any(box.meets(other) for _, other in boxes[i + 1 :]):
            faults.append(f"{name} on another label")
        if name == "load.label":  # stands on the bag
            continue
        for what, margin, chain in lines:
            if any(crosses(box.grown(margin), a, b) for a, b in pairwise(chain)):
                faults.append(f"{name} on {what}")
    return faults


@pytest.mark.parametrize(
    ("family", "settings"),
    [
        ("toe_press", PRESS),
        ("toe_press", {**PRESS, "ball_on_cloth": True, "bend_share": 0.0}),
        ("heel_raise", RAISE),
        ("heel_raise", {**RAISE, "position": "standing", "hands_share": 0.6}),
        ("toe_bend", {"bend_share": 1.0, "position": "seated"}),
    ],
)
def test_no_label_lies_on_the_drawing(family: str, settings: Mapping[str, Value]) -> None:
    count = 0
    for fitted, who in possible(family, settings):
        faults = colliding(draw_pose(fitted, who, labels()))
        assert not faults, (who.foot_length_mm, who.bend_available_deg, fitted.side, faults)
        count += 1
    assert count >= 12


@pytest.mark.parametrize("language", ["en", "es"])
def test_no_label_of_any_rung_lies_on_its_drawing(language: str) -> None:
    for i, (family, settings) in enumerate(everything()):
        fitted = fit(family, settings, side=SIDES[i % 2])
        drawing = draw_pose(fitted, body(), labels(language))
        assert not colliding(drawing), (family, settings, fitted.side)


def test_the_collision_check_can_fail() -> None:
    sheet = Sheet(1050.0, 700.0)
    sheet.draw(circle((300.0, 300.0), 50.0))
    sheet.say("on the rim", "bad", [(300.0, 250.0)])
    sheet.say("off", "worse", [(2.0, 690.0)])
    assert len(colliding(Drawing(sheet.svg("", ""), "", 105.0, 70.0))) == 2


def test_the_width_of_text_is_not_underrated() -> None:
    """Against the font itself, as the imaging library measures it."""
    image_font = pytest.importorskip("PIL.ImageFont")
    path = next(p for p in FONTS.rglob("*.ttf") if p.name.startswith("NotoSans["))
    font = image_font.truetype(str(path), 1000)
    for weight, bold in ((400, False), (700, True)):
        font.set_variation_by_axes([weight, 100])
        for text in (*labels().values(), "Właśnie «Größe» Ñandú 0123456789", "WWW mmm", "iiil.,"):
            real = font.getlength(text)
            told = text_width(text, 1000.0, bold)
            assert real <= told + 1.0, (text, bold)
            assert told <= 1.35 * real + 100.0, (text, bold)


HOSTILE = (
    "<b>bold</b>",
    "]]><script>alert(1)</script>",
    "\"' onload='x' &amp; &lt; <",
    "a\x00b\x1bc\x85\u2028d\ud800e\ufffef",
    "\u202eabc\u202c",
    "\u0627\u0644\u0642\u062f\u0645 \u0627\u0644\u064a\u0645\u0646\u0649",
    "-->{side}{deg}{mm}{0.__class__}%s",
    "x" * 200,
    "word " * 40,
    "字" * 60,
    "   ",
    "",
)
TAGS = {SVG + name for name in ("svg", "title", "desc", "path", "text")}
ATTRIBUTES = set(
    "role aria-label width height viewBox stroke-linecap stroke-linejoin d fill stroke "
    "stroke-width stroke-dasharray data-part x y font-family font-size font-weight "
    "text-anchor".split()
)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_adds_nothing_but_text(text: str) -> None:
    clean = "".join(c for c in text if c.isprintable())
    for family, settings in (("toe_press", PRESS), ("heel_raise", {**RAISE, "knees_kg": 5.0})):
        drawing = draw_pose(fit(family, settings), body(), dict.fromkeys(labels(), text))
        root = ET.fromstring(drawing.svg.encode())
        paths = [e for e in root if e.tag == SVG + "path"]
        plain = [e for e in tree(drawn(family, {**settings})) if e.tag == SVG + "path"]
        assert abs(len(paths) - len(plain)) == 0
        assert {e.tag for e in root.iter()} <= TAGS
        assert {name for e in root.iter() for name in e.attrib} <= ATTRIBUTES
        shown = "".join(e.text or "" for e in root.iter(SVG + "text"))
        if "<" in text:
            assert "<" in shown  # printed as it is, not swallowed
        assert all(c.isprintable() for c in shown)
        if not clean.strip():
            assert shown == ""
        for _, box in text_boxes(drawing):
            assert box.left >= -1.0
            assert box.right <= 1051.0


def test_nothing_is_fetched_run_or_styled() -> None:
    for family, settings in everything():
        svg = drawn(family, settings).svg
        root = ET.fromstring(svg)
        assert {e.tag for e in root.iter()} <= TAGS
        assert {name for e in root.iter() for name in e.attrib} <= ATTRIBUTES
        assert svg.count("http") == 1  # the name of the SVG vocabulary
        assert "url(" not in svg
        assert len(svg) < 40_000


# ------------------------------------------------------------------ words


def everything() -> Iterator[tuple[str, Mapping[str, Value]]]:
    """Every rung of every family of the book."""
    for family in real_book().families.values():
        for rung in rungs_of(family):
            yield rung.family, rung.settings


def test_every_rung_of_the_book_has_a_drawing_and_words() -> None:
    seen = set()
    for family, settings in everything():
        for side in SIDES:
            fitted = fit(family, settings, side=side)
            assert not fitted.problems, (family, settings)
            drawing = draw_pose(fitted, body(), labels())
            root = tree(drawing)
            assert root.attrib["role"] == "img"
            assert root.attrib["aria-label"] == drawing.alt
            title, told = root[0], root[1]
            assert (title.tag, told.tag) == (SVG + "title", SVG + "desc")
            assert told.text == drawing.alt
            assert "{" not in drawing.alt + drawing.svg
            alike = family == "walking" or settings.get("stance") == "feet_together"
            both = alike or settings.get("both") is True
            word = "Both feet" if both else f"{side.capitalize()} foot"
            assert (title.text or "").startswith(f"{word}: ")
            assert word in "".join(e.text or "" for e in root.iter(SVG + "text"))
            if both and not alike:
                assert said(drawing, f"{side}_shown") == f"{side} foot shown"
                assert f"The {side} foot is shown" in drawing.alt
            if not both:
                assert word in drawing.alt
                assert ("Left foot" if side == "right" else "Right foot") not in drawing.svg
            seen.add(family)
    assert seen == set(real_book().families)


def test_the_words_tell_the_numbers_that_are_drawn() -> None:
    for fitted, who in [*possible("toe_press", PRESS), *possible("heel_raise", RAISE)]:
        drawing = draw_pose(fitted, who, labels())
        numbers = set(re.findall(r"\d+(?:\.\d)?", drawing.alt))
        for name in ("thickness.label", "place.label", "height.label", "bend.label"):
            shown = re.findall(r"\d+(?:\.\d)?", said(drawing, name))
            assert set(shown) <= numbers
        assert f"{fitted.pose.bend_deg:.0f}" in numbers
        assert not re.search(r"\d\.\d(?! cm)", drawing.alt)  # whole degrees and millimetres


def test_positions_hands_and_kit_are_told() -> None:
    cases: tuple[tuple[str, Mapping[str, Value], str], ...] = (
        ("toe_press", PRESS, "alt.seated"),
        ("toe_press", {**PRESS, "position": "standing"}, "alt.standing"),
        ("heel_raise", RAISE, "alt.squeeze"),
        ("heel_raise", {**RAISE, "position": "standing", "legs": 1.0}, "alt.one_leg"),
        ("heel_raise", {**RAISE, "position": "standing", "hands_share": 0.3}, "alt.hands_bear"),
    )
    for family, settings, key in cases:
        assert labels()[key] in drawn(family, settings).alt
    load = drawn("heel_raise", {**RAISE, "knees_kg": 5.0})
    assert "5 kg" in load.alt
    assert said(load, "load.label") == "5 kg"
    soft: Mapping[str, Value] = {"stance": "one_leg", "hands": "near", "surface": "soft"}
    assert labels()["alt.soft"] in drawn("balance", soft).alt
    assert said(drawn("balance", soft), "hands_near") == labels()["hands_near"]


def test_every_language_has_every_label_with_its_values() -> None:
    folder = Path(__file__).parents[2] / "src" / "rungwise" / "data" / "words"
    found = 0
    for path in sorted(folder.glob("??.toml")):
        table = tomllib.loads(path.read_text("utf-8"))
        texts: dict[str, str] = {}

        def flatten(
            tables: Mapping[str, object], before: str = "", texts: dict[str, str] = texts
        ) -> None:
            for key, value in tables.items():
                if isinstance(value, dict):
                    flatten(value, f"{before}{key}.")
                else:
                    texts[before + key] = str(value)

        flatten(table["drawing"])
        assert set(texts) == set(LABELS), path.name
        for key, values in LABELS.items():
            assert set(re.findall(r"\{(\w+)\}", texts[key])) <= set(values), (path.name, key)
            if key in ("bend", "load", "minutes"):
                assert re.findall(r"\{(\w+)\}", texts[key]) == list(values), (path.name, key)
        found += 1
    assert found >= 1


# ------------------------------------------------------------------ refusals


def test_what_cannot_be_done_is_not_drawn() -> None:
    stiff = body(bend_deg=0.0)
    fitted = fit("toe_press", PRESS, stiff)
    assert fitted.problems
    with pytest.raises(InputError, match=re.escape("press.no_bend")):
        draw_pose(fitted, stiff, labels())


def test_an_unknown_family_and_a_missing_word_are_refused() -> None:
    fitted = fit("arch_lift", ARCH)
    other = replace(fitted, rung=replace(fitted.rung, family="hop"))
    with pytest.raises(InputError, match="hop"):
        draw_pose(other, body(), labels())
    short = {key: text for key, text in labels().items() if key != "alt.arch_lift"}
    with pytest.raises(InputError, match=re.escape("alt.arch_lift")):
        draw_pose(fitted, body(), short)


def test_the_same_arguments_give_the_same_bytes() -> None:
    for family, settings in (("toe_press", PRESS), ("heel_raise", RAISE)):
        assert drawn(family, settings) == drawn(family, settings)


# ------------------------------------------------------------------ the look


def test_lines_and_letters_stand_out_on_paper_and_panel() -> None:
    """WCAG 2.2, 1.4.3; the formula itself is checked in tests/core/test_contrast.py."""
    for colour in (DARK, GREY, ACCENT):
        for ground in (PAPER, TINT):
            assert stands_out(rgb(colour), rgb(ground), "text"), (colour, ground)


def test_the_foot_stands_on_the_floor_and_never_crosses_itself() -> None:
    for family, settings in (("toe_press", PRESS), ("heel_raise", RAISE)):
        for fitted, who in possible(family, settings):
            if fitted.side == "left":
                continue
            drawing = draw_pose(fitted, who, labels())
            foot, floor = part(drawing, "foot"), part(drawing, "floor")[0][1]
            assert max(y for _, y in foot) == pytest.approx(floor, abs=1.2)
            assert all(math.isfinite(x) and y > 0.0 for x, y in foot)
            pieces = list(pairwise(foot))
            for i, (a, b) in enumerate(pieces):
                for c, d in pieces[i + 2 :]:
                    assert not meet(a, b, c, d), (who.foot_length_mm, fitted.pose.bend_deg)


def meet(a: tuple[float, float], b: tuple[float, float],
         c: tuple[float, float], d: tuple[float, float]) -> bool:  # fmt: skip
    def turn(p: tuple[float, float], q: tuple[float, float], r: tuple[float, float]) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    if min(a[0], b[0]) > max(c[0], d[0]) or max(a[0], b[0]) < min(c[0], d[0]):
        return False
    return turn(a, b, c) * turn(a, b, d) < 0.0 and turn(c, d, a) * turn(c, d, b) < 0.0


def test_curves_are_what_they_say() -> None:
    # A smooth curve through four points of a circle is the circle: to 0.03 % of its radius.
    quarter = [(math.cos(a), math.sin(a), math.degrees(a) + 90.0) for a in (0.0, math.pi / 2.0)]
    for x, y in smooth(quarter).flat(16):
        assert math.hypot(x, y) == pytest.approx(1.0, abs=3e-4)
    for x, y in circle((2.0, 1.0), 3.0).flat(16):
        assert math.hypot(x - 2.0, y - 1.0) == pytest.approx(3.0, abs=1e-3)
    # A limb is the hull of its two round ends: each point is on one of them or on a tangent.
    for x, y in limb((0.0, 0.0), (10.0, 0.0), 3.0, 1.0).flat(8):
        assert min(math.hypot(x, y) - 3.0, math.hypot(x - 10.0, y) - 1.0) > -1e-2
    for (x0, y0), (x1, y1) in hatching(circle((0.0, 0.0), 10.0), 2.0):
        assert y1 - y0 == pytest.approx(x1 - x0)
        assert math.hypot(x0, y0) == pytest.approx(10.0, rel=0.03)


def test_the_pdf_compiler_takes_every_drawing_without_a_warning() -> None:
    fonts = typst.Fonts(
        include_system_fonts=False,
        include_embedded_fonts=False,
        font_paths=[FONTS],
    )
    chosen: dict[str, Drawing] = {}
    for family, settings in everything():
        chosen.setdefault(family, drawn(family, settings))
    source = '#set document(title: "drawings")\n#set text(font: "Noto Sans", lang: "en")\n'
    source += "".join(
        f'#figure(image(bytes({typst_text(d.svg)}), format: "svg", alt: {typst_text(d.alt)}))\n'
        for d in chosen.values()
    )
    pdf, warnings = typst.compile_with_warnings(
        source.encode(), font_paths=fonts, pdf_standards="ua-1", timestamp=0
    )
    assert pdf is not None
    assert pdf[:5] == b"%PDF-"
    assert not warnings


def typst_text(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def test_the_gallery_shows_every_notch_of_every_dial() -> None:
    path = Path(__file__).parents[2] / "docs" / "gallery" / "make_drawings.py"
    gallery = runpy.run_path(str(path))
    made = dict(gallery["drawings"](real_book()))
    families = real_book().families.values()
    assert len(made) == sum(1 + sum(len(d.notches) - 1 for d in f.dials) for f in families)
    for drawing in made.values():
        assert tree(drawing).attrib["role"] == "img"
