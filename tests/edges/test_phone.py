"""The phone page as a file: small, closed, readable without script, and nobody's text is markup."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from html import unescape
from html.parser import HTMLParser
from typing import Any

import pytest

from rungwise.book import load_book
from rungwise.clinic import demo_exams, make_plan, read_exam
from rungwise.core.errors import InputError
from rungwise.core.terms import Plan
from rungwise.handout import build_handout
from rungwise.phone import page_data, single_file
from rungwise.phone.slim import slim_drawings
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


PLANS = demo_plans() | {"harmless": make_plan(make_exam(), BOOK, DAY)}
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
    outlines = dict(re.findall(r'<path id="(o\d+)" d="([^"]*)"', store))
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
