"""The phone page as a file: small, closed, readable without script, and nobody's text is markup."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from html import unescape
from html.parser import HTMLParser
from typing import Any

import pytest

from rungwise.book import load_book
from rungwise.clinic import demo_exams, make_plan, read_exam
from rungwise.core.errors import InputError
from rungwise.core.terms import SIDES, Pin, Plan
from rungwise.handout import build_handout
from rungwise.phone import page_data, single_file
from rungwise.phone.lean import lean_script, lean_style
from rungwise.phone.slim import outlines_of, slim_drawings
from rungwise.plan_code import home_plan, write_plan_code
from rungwise.words import Words, languages, load_words, pseudo_right_to_left
from tests.factory import DAY, make_exam

BOOK = load_book()
ENGLISH = load_words("en")
MOST_BYTES = 150_000


def data_of(plan: Plan, words: Words = ENGLISH) -> dict[str, Any]:
    home = home_plan(plan, BOOK, bytes(range(8)), bytes(range(16)))
    return page_data(
        build_handout(plan, BOOK, words), plan, home, write_plan_code(home), BOOK, words
    )


def demo_plans() -> dict[str, Plan]:
    plans = {}
    for name, text in demo_exams().items():
        exam = read_exam(text, BOOK)
        plans[name] = make_plan(exam, BOOK, exam.on)
    return {name: plan for name, plan in plans.items() if plan.exercises}


def largest_plan() -> Plan:
    """Every family that there is, on both feet, two of them insisted on."""
    exam = make_exam(
        person={"minutes_per_day": 120.0},
        wanted=("walking", "calf_stretch"),
        right={"mtp_dorsiflexion_deg": 50.0},
        left={"mtp_dorsiflexion_deg": 52.0},
    )
    pins = [Pin("toe_bend", side, {}, None, "wanted by the patient", "R. Alder") for side in SIDES]
    plan = make_plan(exam, BOOK, DAY, pins, insist=True)
    assert {e.family for e in plan.exercises} == set(BOOK.families)
    assert len(plan.exercises) == 12
    return plan


PLANS = demo_plans() | {
    "harmless": make_plan(make_exam(), BOOK, DAY),
    "the largest": largest_plan(),
}
PAGE = single_file(data_of(PLANS["harmless"]))


class Reader(HTMLParser):
    """What a reader without script sees, and every tag with its attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.inside: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in ("script", "style"):
            self.inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.inside and self.inside[-1] == tag:
            self.inside.pop()

    def handle_data(self, data: str) -> None:
        if not self.inside and data.strip():
            self.texts.append(" ".join(data.split()))


def inner(page: str, tag: str) -> list[str]:
    return re.findall(rf"<{tag}>(.*?)</{tag}>", page, re.DOTALL)


def island(page: str) -> Any:
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', page)
    assert found
    return json.loads(found[1])


# ------------------------------------------------------------------ size and closure


@pytest.mark.parametrize("name", sorted(PLANS))
@pytest.mark.parametrize("language", [*languages(), "rtl"])
def test_one_file_is_small(name: str, language: str) -> None:
    words = pseudo_right_to_left(ENGLISH) if language == "rtl" else load_words(language)
    assert len(single_file(data_of(PLANS[name], words)).encode()) <= MOST_BYTES


def test_policy_allows_its_own_script_and_style_only() -> None:
    policy = next(
        unescape(str(a["content"]))
        for tag, a in Reader(PAGE).tags
        if tag == "meta" and a.get("http-equiv") == "Content-Security-Policy"
    )
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    for kind in ("script", "style"):
        (text,) = inner(PAGE, kind)
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert rules[f"{kind}-src"] == f"'sha256-{digest}'"
    closed = ("default-src", "connect-src", "base-uri", "form-action")
    assert all(rules[name] == "'none'" for name in closed)
    assert "unsafe" not in policy


def test_nothing_is_fetched_from_anywhere() -> None:
    assert "http:" not in PAGE.replace("http://www.w3.org/2000/svg", "")
    assert "https:" not in PAGE
    for tag, attributes in Reader(PAGE).tags:
        assert tag not in {"link", "iframe", "object", "embed", "base", "form", "img"}
        assert not {"style", "srcset", "src"} & attributes.keys(), tag
        assert not any(name.startswith("on") for name in attributes)
        address = str(attributes.get("href", "#"))
        assert address.startswith(("#", "tel:"))


def test_language_and_direction_are_set() -> None:
    pseudo = single_file(data_of(PLANS["harmless"], pseudo_right_to_left(ENGLISH)))
    assert '<html lang="ar" dir="rtl">' in pseudo
    assert '<html lang="en" dir="ltr">' in PAGE


# ------------------------------------------------------------------ readable without script


@pytest.mark.parametrize("name", sorted(PLANS))
def test_every_line_of_the_sheet_can_be_read_without_script(name: str) -> None:
    plan = PLANS[name]
    sheet = build_handout(plan, BOOK, ENGLISH)
    seen = Reader(single_file(data_of(plan)))
    wanted = [*sheet.span, *sheet.stop.lines, *sheet.help.lines, *sheet.pain_lines]
    for panel in sheet.panels:
        wanted += [line for part in panel.parts for line in part.lines]
        wanted += [line for foot in panel.feet for line in (*foot.dose, *foot.sizes)]
    said = set(seen.texts)
    assert [line for line in wanted if " ".join(line.split()) not in said] == []
    told = {str(a.get("aria-label")) for tag, a in seen.tags if tag == "svg"}
    assert {f.alt for panel in sheet.panels for f in panel.figures} <= told


def test_each_line_of_the_plan_has_its_own_foot_numbers_and_drawing() -> None:
    plan = PLANS["runner-grade-1"]
    data = data_of(plan)
    assert [(x["family"], x["side"]) for x in data["lines"]] == [
        (x.family, x.side) for x in home_plan(plan, BOOK, bytes(8), bytes(16)).lines
    ]
    for line in data["lines"]:
        if not line["both"]:
            foot = "Right foot" if line["side"] == "right" else "Left foot"
            assert line["which"] == foot
            assert f">{foot}</text>" in line["figure"]


# ------------------------------------------------------------------ text that is not ours


HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\u2028'\"&amp;{n}"


def test_text_that_is_not_ours_stays_text() -> None:
    exam = make_exam(person={"label": HOSTILE[:60]})
    plan = make_plan(exam, BOOK, DAY)
    page = single_file(data_of(plan))
    assert page.count("<script") == 2
    assert "<img" not in page
    assert any(HOSTILE[:20] in text for text in Reader(page).texts)


def test_island_can_not_be_left() -> None:
    data = data_of(PLANS["harmless"])
    data["words"] = {**data["words"], "today": HOSTILE}
    page = single_file(data)
    assert page.count("<script") == 2
    assert island(page)["words"]["today"] == HOSTILE


def test_another_plan_is_refused() -> None:
    home = home_plan(PLANS["falls-at-82"], BOOK, bytes(8), bytes(16))
    with pytest.raises(InputError, match="Make it from this plan"):
        page_data(
            build_handout(PLANS["harmless"], BOOK, ENGLISH),
            PLANS["harmless"],
            home,
            write_plan_code(home),
            BOOK,
            ENGLISH,
        )


# ------------------------------------------------------------------ drawings


def points(d: str) -> list[tuple[float, float]]:
    """Ends of every line and curve of a path, in its own units."""
    found, x, y, start = [], 0.0, 0.0, (0.0, 0.0)
    for command, numbers in re.findall(r"([A-Za-z])([^A-Za-z]*)", d):
        values = [float(v) for v in re.findall(r"-?\d+\.?\d*", numbers)]
        if command in "Zz":
            x, y = start
        width = 6 if command in "Cc" else 2
        for i in range(0, len(values), width):
            px, py = values[i + width - 2], values[i + width - 1]
            x, y = (x + px, y + py) if command.islower() else (px, py)
            start = (x, y) if command == "M" else start
            found.append((x, y))
    return found


def test_a_slim_drawing_shows_the_same_points() -> None:
    drawings = [svg for _, svg in build_handout(PLANS["harmless"], BOOK, ENGLISH).drawings()]
    store, slim = slim_drawings(drawings)
    outlines = outlines_of(store)
    assert outlines
    for before, after in zip(drawings, slim, strict=True):
        old = [points(d) for d in re.findall(r' d="([^"]*)"', before)]
        new = [
            points(d or outlines[name])
            for d, name in re.findall(r'<(?:path d="([^"]*)"|use href="#(o\d+)")', after)
        ]
        assert len(old) == len(new)
        for a, b in zip(old, new, strict=True):
            # at most half a unit (0.05 mm on paper) in each direction
            assert all(min(math.dist(p, q) for q in b) <= math.sqrt(0.5) + 1e-9 for p in a)
        assert re.findall(r">([^<]+)</text>", before) == re.findall(r">([^<]+)</text>", after)
        assert len(after) < len(before) / 2


Looks = dict[str, str]


def drawn(
    node: ET.Element, by_id: dict[str, ET.Element], look: Looks, turned: bool = False
) -> Iterator[tuple[Any, Looks]]:
    """Every shape in the order of painting: its end points or its text, and how it looks."""
    look = look | {k: v for k, v in node.attrib.items() if k.startswith(("fill", "stroke"))}
    turned ^= "matrix(-1 0 0 1 1050 0)" in node.get("transform", "")
    if node.tag == "use":
        yield from drawn(by_id[node.attrib["href"][1:]], by_id, look, turned)
    elif node.tag == "path":
        ends = points(node.attrib["d"])
        yield ([(1050 - x, y) for x, y in ends] if turned else ends), look
    elif node.tag == "text":
        assert not turned
        yield node.text, look
    for kid in node:
        yield from drawn(kid, by_id, look, turned)


@pytest.mark.parametrize("name", sorted(PLANS))
def test_shared_runs_paint_the_same_shapes_in_the_same_order(name: str) -> None:
    drawings = [svg for _, svg in build_handout(PLANS[name], BOOK, ENGLISH).drawings()]
    plain, lean = slim_drawings(drawings), slim_drawings(drawings, runs=True)
    assert len(lean[0]) + sum(map(len, lean[1])) < len(plain[0]) + sum(map(len, plain[1]))
    told = []
    for store, slim in (plain, lean):
        by_id = {node.attrib["id"]: node for node in ET.fromstring(store).iter() if node.get("id")}
        told.append([[*drawn(ET.fromstring(svg), by_id, {})] for svg in slim])
    assert told[0] == told[1]


def test_the_other_foot_takes_the_same_outlines_in_a_mirror() -> None:
    curve = "M{} 20C{} 30 {} 40 {} 50L{} 60ZM{} 10" + "".join(
        f"L{{}} {y}" for y in range(20, 90, 7)
    )
    right = [100, 110, 125, 150, 180, *range(300, 1000, 64)]
    shapes = [curve.format(*right), curve.format(*(1050 - x for x in right))]
    store, slim = slim_drawings([f'<svg><path d="{d}" fill="#fff"/></svg>' for d in shapes])
    assert store.count("<path") == 1
    assert 'transform="matrix(-1 0 0 1 1050 0)"' in store
    assert [re.findall(r'href="#(o\d)"', one) for one in slim] == [["o0"], ["o1"]]
    for name, d in zip(("o0", "o1"), shapes, strict=True):
        assert points(outlines_of(store)[name]) == points(d)


def test_neighbours_that_look_the_same_say_so_once() -> None:
    ink, paper = 'fill="#1a1a1a" stroke="#1a1a1a"', 'fill="#fff"'
    shape = '<path d="M0 0L{} 9" {}/>'
    looks = [ink, ink, paper, ink]
    svg = "".join(shape.format(i, look) for i, look in enumerate(looks))
    (slim,) = slim_drawings([f"<svg>{svg}</svg>"])[1]
    shapes = [f'<path d="M0 0l{i} 9"' for i in range(4)]
    first = f"<g {ink}>{shapes[0]}/>{shapes[1]}/></g>"
    assert slim == f"<svg>{first}{shapes[2]} {paper}/>{shapes[3]} {ink}/></svg>"


@pytest.mark.parametrize(
    ("text", "lean"),
    [
        ("  const a = b + c; // sum\n\n  /* no\n more */ d ( e );", "const a=b+c;d(e);"),
        ("a = b - -c; d = e + ++f; return x in y;", "a=b- -c;d=e+ ++f;return x in y;"),
        ("t = `a  ${f({ b: `c  ${d}` })}  // e`;  g()", "t=`a  ${f({ b: `c  ${d}` })}  // e`;g()"),
        ("s.replace(/ \\/[/ ] /g, '  // ') / 2 / c", "s.replace(/ \\/[/ ] /g,'  // ')/2/c"),
        ("if (a) return\n  /x  y/.test(b)", "if(a)return\n/x  y/.test(b)"),
        ("f(\n  a,\n  b\n)\n(c)\nconst d = {\n  e\n};\ng", "f(a,b)\n(c)\nconst d={e};g"),
    ],
)
def test_a_lean_script_keeps_every_token(text: str, lean: str) -> None:
    assert lean_script(text).strip() == lean


def test_a_lean_style_keeps_what_means_something() -> None:
    style = (
        '/* x */ .a  .b > p, a:hover { margin: 0 1px; font: 1em "A B"; }\n\n  .c :focus { x: y }'
    )
    assert lean_style(style) == '.a .b > p,a:hover{margin:0 1px;font:1em "A B";}\n.c :focus{x:y}'


def test_an_unknown_drawing_command_is_refused() -> None:
    with pytest.raises(ValueError, match="'A'"):
        slim_drawings(['<svg><path d="M0 0A1 1 0 0 0 2 2"/></svg>'])


def test_constants_of_the_check_sum_are_far_from_a_rounding_edge() -> None:
    # the page works them out from roots of primes in double precision (FIPS 180-4, 4.2.2 and 5.3.3)
    primes = [n for n in range(2, 312) if all(n % k for k in range(2, math.isqrt(n) + 1))]
    assert len(primes) == 64
    for root in [math.cbrt(p) for p in primes] + [math.sqrt(p) for p in primes[:8]]:
        scaled = math.modf(root)[0] * 2**32
        assert 1e-4 < math.modf(scaled)[0] < 1 - 1e-4
