"""All that a patient or a member of a class reads: easy as a whole, and in words of every day.

The word files are gated line by line in ``test_words.py``; here the papers and pages are gated as
they are put together for invented people, and every word of both is looked at.

Sources
-------
Flesch-Kincaid grade 6 and SMOG 8 for English: clin_s40, clin_s40b. For Spanish, sentences of at
most 20 words; the formulas were made for English.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Iterator
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from rungwise.book import load_book
from rungwise.captions import cues_of
from rungwise.clinic import class_ways, demo_exams, group_class, make_plan, read_exam
from rungwise.core.reading import count_syllables, score, split_sentences, split_words
from rungwise.core.terms import Plan
from rungwise.handout import build_handout, build_notice
from rungwise.handout.group import build_class_sheet, to_class_text
from rungwise.handout.text import running_text
from rungwise.phone import page_data
from rungwise.phone.room import room_page
from rungwise.plan_code import home_plan, write_plan_code
from rungwise.words import Words, languages, load_syllables, load_words
from tests.factory import DAY, ITEMS, make_exam

GRADE, SMOG, LONGEST_ES = 6.0, 8.0, 20
LONG_EN, LONG_ES = 3, 11  # syllables, letters
BOOK = load_book()
SYLLABLES = load_syllables()
LISTS = tomllib.loads(
    (Path(__file__).parents[1] / "data" / "patient_words.toml").read_text("utf-8")
)
TRADE = {
    code: re.compile(rf"\b(?:{'|'.join(map(re.escape, stems))})", re.IGNORECASE)
    for code, stems in LISTS["trade"].items()
}
#: What on the phone page is a code, a drawing or the person's and the clinic's own.
NOT_OURS = set("code figure plan goals contact head identity calls dial family side".split())
CLASSES = {
    "full": ("heel_raise:seated_weight/half=2", "heel_raise:hands_60/half=3"),
    "standing": ("toe_press:half/firm/standing", "balance:hand/tandem/firm"),
    "calm": ("toe_bend:half", "calf_stretch:seated_cloth=2", "arch_lift:seated"),
}


# ------------------------------------------------------------------ what there is to read


@cache
def plans() -> dict[str, Plan]:
    """The plans of the invented people, of a harmless one and of one with each finding."""
    exams = {name: read_exam(text, BOOK) for name, text in demo_exams().items()}
    found = {name: make_plan(exam, BOOK, exam.on) for name, exam in exams.items()}
    found["harmless"] = make_plan(make_exam(), BOOK, DAY)
    for item in ITEMS:
        found[item] = make_plan(make_exam(answers={item: "right"}), BOOK, DAY)
    return found


def strings(value: Any) -> Iterator[str]:
    """Every text in plain data, what is not ours left out."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, entry in value.items():
            if key not in NOT_OURS:
                yield from strings(entry)
    elif isinstance(value, (list, tuple)):
        for entry in value:
            yield from strings(entry)


class Seen(HTMLParser):
    """What a page shows, and what its script may show."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.lines: list[str] = []
        self.inside = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "style"):
            self.inside = "data" if ("id", "data") in attrs else tag

    def handle_endtag(self, tag: str) -> None:
        if tag in ("script", "style"):
            self.inside = ""

    def handle_data(self, data: str) -> None:
        if self.inside == "data":
            self.lines += strings(json.loads(data))
        elif not self.inside and data.strip():
            self.lines.append(" ".join(data.split()))


def phone_lines(plan: Plan, words: Words) -> list[str]:
    """What the phone page of a plan says."""
    home = home_plan(plan, BOOK, bytes(8), bytes(16))
    sheet = build_handout(plan, BOOK, words)
    data = page_data(sheet, plan, home, write_plan_code(home), BOOK, words)
    return [re.sub(r"\{\w+\}", "5", line) for line in strings(data)]


def papers(words: Words) -> Iterator[tuple[str, list[str]]]:
    """Each paper and page, by name, as its lines."""
    for name, plan in plans().items():
        if plan.exercises:
            yield f"sheet of {name}", [*running_text(build_handout(plan, BOOK, words))]
            yield f"phone page of {name}", phone_lines(plan, words)
        else:
            yield f"notice of {name}", [*running_text(build_notice(plan, BOOK, words))]
    for name, choices in CLASSES.items():
        group = group_class(choices, BOOK, 8)
        sheet = to_class_text(build_class_sheet(group, BOOK, words))
        yield f"sheet of the {name} class", sheet.splitlines()
        yield f"captions of the {name} class", [c.text for c in cues_of(group, BOOK, words)]
        yield f"room page of the {name} class", Seen(room_page(group, BOOK, words)).lines


def sentences(lines: Iterable[str]) -> str:
    """The lines that are read as sentences, each once."""
    return "\n".join(dict.fromkeys(s for s in lines if s.endswith((".", "!", "?"))))


def words_file(words: Words) -> Iterator[tuple[str, str]]:
    """Every line of the language with its key, marks and values left out."""
    for key, text in words.texts.items():
        for line in (text,) if isinstance(text, str) else text:
            if line and line[0] not in "@=":
                yield key, re.sub(r"\{\w+\}", " ", line)


# ------------------------------------------------------------------ as a whole


def test_there_is_something_of_every_kind() -> None:
    kinds = {name.split(" of ")[0] for name, _ in papers(load_words("en"))}
    assert kinds == {"sheet", "phone page", "notice", "captions", "room page"}
    assert sum(not plan.exercises for plan in plans().values()) > 3
    assert len(class_ways(BOOK)) > len(CLASSES)


def test_every_english_paper_and_page_is_easy() -> None:
    hard = {}
    for name, lines in papers(load_words("en")):
        found = score(sentences(lines), SYLLABLES)
        assert found.sentences > 5, name
        if found.flesch_kincaid > GRADE or found.smog > SMOG:
            hard[name] = (round(found.flesch_kincaid, 1), round(found.smog, 1))
    assert hard == {}


def test_every_spanish_paper_and_page_has_short_sentences() -> None:
    for name, lines in papers(load_words("es")):
        told = sentences(lines)
        assert told, name
        long = [s for s in split_sentences(told) if len(s.split()) > LONGEST_ES]
        assert long == [], name


# ------------------------------------------------------------------ word by word


@pytest.mark.parametrize("code", languages())
def test_no_text_needs_a_therapists_words(code: str) -> None:
    words = load_words(code)
    found = {key: line for key, line in words_file(words) if TRADE[code].search(line)}
    assert found == {}


@pytest.mark.parametrize("code", languages())
def test_no_paper_or_page_needs_a_therapists_words(code: str) -> None:
    for name, lines in papers(load_words(code)):
        assert [line for line in lines if TRADE[code].search(line)] == [], name


@pytest.mark.parametrize(
    ("code", "line"),
    [
        ("en", "Do 3 reps."),
        ("en", "Press to 20 degrees of dorsiflexion at the first MTP joint."),
        ("en", "Stand in tandem."),
        ("es", "Haga 10 repeticiones."),
        ("es", "Dorsiflexión del primer metatarsiano."),
        ("es", "Su examen."),
    ],
)
def test_a_therapists_word_is_found(code: str, line: str) -> None:
    assert TRADE[code].search(line)


def test_every_long_english_word_is_one_that_patients_know() -> None:
    met = {
        word
        for _, line in words_file(load_words("en"))
        for word in split_words(line)
        if count_syllables(word, SYLLABLES) >= LONG_EN
    }
    assert met - set(LISTS["long"]["en"]) == set()


def test_every_long_spanish_word_is_one_that_patients_know() -> None:
    met = {
        word
        for _, line in words_file(load_words("es"))
        for word in re.findall(r"[^\W\d_]+", line.lower())
        if len(word) >= LONG_ES
    }
    assert met - set(LISTS["long"]["es"]) == set()


def test_spanish_says_usted() -> None:
    # no form of "tú": its pronouns, its verbs, and commands that only it has
    informal = re.compile(
        r"\b(tú|tus?|te|ti|contigo|haz|pon|ponte|ten|siéntate|agárrate|eres|estás|puedes|tienes|"
        r"debes|quieres|sientes|haces|\w+[ai]ste)\b",
        re.IGNORECASE,
    )
    assert [line for _, line in words_file(load_words("es")) if informal.search(line)] == []
