"""The Spanish pages are Spanish: every page of a person is read, and no English may be left.

A word is taken as English when the English tables hold it and no Spanish one does. What may stay
English is named in ``STAYS``, each with its reason.
"""

from __future__ import annotations

import base64
import re
import tomllib
from collections.abc import Iterator
from datetime import timedelta
from functools import cache
from html import unescape
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from rungwise.book import load_book
from rungwise.casebook import LOCAL
from rungwise.home import HomeEntry, HomeLog, HomePlan, HomeSession
from rungwise.log_code import write_log_code
from rungwise.web.exam_text import values_of
from rungwise.web.words import say_in
from tests.web.kit import EXAMS, Visitor


def said(exam: str) -> list[dict[str, str]]:
    """The activities of an examination."""
    found: list[dict[str, str]] = tomllib.loads(exam).get("activity", [])
    return found


pytestmark = pytest.mark.on_file  # what is said does not hang on where the records are
WORDS = files("rungwise") / "data" / "words"
WORD = re.compile(r"(?<!\w)[^\W\d_]{2,}(?!\w)")
BOOK = load_book()
#: What stays as it is on a Spanish page, and why.
STAYS = {
    r"python -m rungwise\.records restore|\"?/[\w/.-]+\"?": "a command to type, and a path",
    r"[a-z]+(?:\.[a-z_0-9]+)+": "keys of rules and rows: the same in every language",
    r"(?:label|look_on|look_why|foot,first,second,days_apart)": "names of columns in a file",
    r"English": "a language is named in itself",
    r"Markdown|DOCX|PDF|TOML|CSV|JSON|VTT|QR|rungwise": "names of formats, and our own",
    r"ICC|LEFS|FAAM|FAOS|FFI|PSFS|MOXFQ": "names of published instruments",
    r"R\. Alder(?:, PT)?|R\. A\.": "a therapist's name",
    r"(?:document|exam|label|look|note|plan|setting|state)(?: \w+)? \d+": "what the audit keeps",
    r"[a-z]+_[a-z_0-9]+": "keys of sources",
    "|".join(re.escape(one["name"]) for exam in EXAMS.values() for one in said(exam)): "the "
    "patient's own words",
}
SOURCES = sorted(
    {
        t
        for s in BOOK.sources.values()
        for t in (s.title, s.authors, s.identifier)
        if len(t) > 4 and t != "rungwise"
    },
    key=len,
    reverse=True,
)
#: Attributes that are read aloud or seen.
SEEN = ("alt", "title", "aria-label", "placeholder")
SKIPPED = {"script", "style"}


class Reader(HTMLParser):
    """Collects what is seen or read aloud of a page; what is said to be English apart."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.english: list[str] = []
        self.open: list[tuple[str, str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {key: value or "" for key, value in attrs}
        for name in SEEN:
            if given.get(name):
                self.texts.append(given[name])
        if tag == "img" and given.get("src", "").startswith("data:image/svg+xml;base64,"):
            self.texts += drawn(base64.b64decode(given["src"].partition(",")[2]).decode())
        if tag == "input" and given.get("type") in ("submit", "button"):
            self.texts.append(given.get("value", ""))
        if tag not in ("input", "img", "meta", "link", "br", "hr"):
            self.open.append((tag, given.get("lang", "")))

    def handle_endtag(self, tag: str) -> None:
        while self.open and self.open.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        text = " ".join(data.split())
        if not text or any(tag in SKIPPED for tag, _ in self.open):
            return
        tongue = next((lang for _, lang in reversed(self.open) if lang), "")
        (self.english if tongue == "en" else self.texts).append(text)


def drawn(svg: str) -> list[str]:
    """The texts of a drawing."""
    return re.findall(r"<(?:text|title|desc)[^>]*>([^<]+)</", svg)


def words_of(texts: Iterator[str]) -> set[str]:
    return {word.casefold() for text in texts for word in WORD.findall(text)}


def flat(table: dict[str, Any]) -> Iterator[str]:
    for value in table.values():
        if isinstance(value, dict):
            yield from flat(value)
        elif isinstance(value, list):
            yield from (str(one) for one in value if not isinstance(one, dict))
            yield from (text for one in value if isinstance(one, dict) for text in flat(one))
        else:
            yield str(value)


@cache
def english_words() -> frozenset[str]:
    """Words of the English tables that stand in no Spanish one."""

    def read(name: str) -> dict[str, Any]:
        return tomllib.loads((WORDS / name).read_text("utf-8"))

    core = read("core_es.toml")
    english = words_of(iter(core["said"])) | words_of(flat(read("web_en.toml")))
    english |= words_of(flat(read("en.toml"))) | words_of(flat(read("notes_en.toml")))
    spanish = words_of(flat(core)) | words_of(flat(read("web_es.toml")))
    spanish |= words_of(flat(read("es.toml"))) | words_of(flat(read("notes_es.toml")))
    return frozenset(english - spanish)


def near(text: str, word: str) -> str:
    """A text around a word."""
    at = max(text.casefold().find(word) - 150, 0)
    return text[at : at + 300]


def english_in(page: str) -> list[str]:
    """Texts of a page in which English is left, and those that say that they are English."""
    reader = Reader()
    reader.feed(page)
    found = []
    for text in reader.texts:
        plain = text
        for source in SOURCES:
            plain = plain.replace(source, " ")
        for stays in STAYS:
            plain = re.sub(rf"(?<!\w)(?:{stays})(?!\w)", " ", plain)
        if left := sorted(words_of(iter([plain])) & english_words()):
            found.append(f"{near(text, left[0])}  [{', '.join(left)}]")
    cited = [text for text in reader.english if not any(s in text for s in SOURCES)]
    return found + [f"lang=en: {text}" for text in cited if text != "English"]


@pytest.fixture
def inside(tmp_path: Path) -> Visitor:
    visitor = Visitor(tmp_path).start()
    visitor.send("/language", language="es")
    return visitor


def planned(inside: Visitor, name: str) -> str:
    url = inside.examined(name)
    inside.send(f"{url}/programme", action="keep", expected="0", once="a")
    return url


def later(inside: Visitor, days: int) -> None:
    inside.clock.on(days=days)
    inside.get("/")
    if 'action="/enter/' in inside.page:
        inside.come_back()


def led(inside: Visitor, url: str, days: int, **more: Any) -> str:
    """A diary in which all was done on some days."""
    home: HomePlan = inside.casebook.way(LOCAL, url.rpartition("/")[2]).homes[0]
    told = {"before": 1, "during": 1, "morning": 1, **more}
    sessions = tuple(
        HomeSession(
            home.starts + timedelta(days=i),
            tuple(
                HomeEntry(n, "all", "", x.dose.sets, x.dose.reps, **told)
                for n, x in enumerate(home.lines)
                if i * x.dose.days_per_week % 7 < x.dose.days_per_week
            ),
        )
        for i in range(days)
    )
    done = tuple(session for session in sessions if session.entries)
    return write_log_code(HomeLog(home.number, home.version, 1, done), home)


def check(inside: Visitor, url: str) -> list[str]:
    """What is left English on a page, which must be there and be about what was asked."""
    found = inside.client.get(url)
    assert found.status_code == 200, url
    assert '<html lang="es">' in found.text
    assert 'action="/enter/sign-in"' not in found.text
    if url.endswith("/programme"):
        assert say_in("es")("why.why") in unescape(found.text)
    if "/notes" in url:
        assert 'id="preview" lang="es"' in found.text
    if url.endswith("/change"):
        assert 'class="chart"' in found.text
    return [f"{url.rpartition('/')[2]}: {text}" for text in english_in(found.text)]


ROW = "rom.sem.nonweightbearing_passive.goniometer.same_rater"
STEPS = ("", "/exam", "/programme", "/diary", "/advice", "/change")
KINDS = ("evaluation", "visit", "progress", "discharge", "letter")


@pytest.mark.parametrize("name", EXAMS)
def test_no_english_is_left_on_the_pages_of_a_new_person(inside: Visitor, name: str) -> None:
    url = inside.examined(name)
    left = [text for step in STEPS[:3] for text in check(inside, url + step)]
    assert not left, "\n".join(left)


@pytest.mark.parametrize("pain", [1, 4, 7])
def test_no_english_is_left_on_the_way_back(inside: Visitor, pain: int) -> None:
    url = planned(inside, "hill-walker-grade-2")
    later(inside, 14)
    inside.get(f"{url}/diary")
    code = led(inside, url, 14, during=pain, morning=pain)
    inside.send(f"{url}/diary/code", code=code)
    fields = {**values_of(EXAMS["hill-walker-grade-2"]), "date": str(inside.casebook.today())}
    fields["right.mtp_dorsiflexion_deg.1.v1"] = "58"
    inside.get(f"{url}/exam")
    inside.send(f"{url}/exam", fields={**fields, "expected": "1", "once": "two"})
    left = [text for step in STEPS for text in check(inside, url + step)]
    left += [text for kind in KINDS for text in check(inside, f"{url}/notes?kind={kind}")]
    left += check(inside, "/")
    assert not left, "\n".join(left)


def test_no_english_is_left_on_the_pages_of_the_clinic(inside: Visitor) -> None:
    planned(inside, "hill-walker-grade-2")
    left = [text for url in ("/", "/class", "/files", "/settings", "/audit", "/book/own-error")
            for text in check(inside, url)]  # fmt: skip
    assert not left, "\n".join(left)


def test_faults_are_told_in_spanish(inside: Visitor) -> None:
    url = inside.person()
    inside.get(f"{url}/exam")
    page = inside.send(
        f"{url}/exam",
        422,
        fields={
            "person.birth_year": "x",
            "person.height_cm": "24",
            "right.mtp_dorsiflexion_deg.1.v1": "300",
            "date": "2031-01-01",
            "expected": "0",
            "once": "a",
        },
    )
    assert not english_in(page), "\n".join(english_in(page))
    assert say_in("es")("faults.title", n=1)[:3] in page


def test_the_clinics_own_error_is_told_in_spanish(inside: Visitor) -> None:
    feet = "\n".join(f"{n},{40 + n},{41 + n + n % 3},7" for n in range(12))
    text = f"foot,first,second,days_apart\n{feet}"
    inside.get("/book/own-error")
    fields = {"text": text, "by": "R. A.", "action": "look", "expected": "0", "row": ROW}
    page = inside.send("/book/own-error", 200, fields=fields)
    assert "Error estándar de una medida" in page
    assert not english_in(page), "\n".join(english_in(page))


def test_what_the_book_tells_in_english_says_so(inside: Visitor) -> None:
    page = inside.client.get(f"/book/row/{ROW}").text
    reader = Reader()
    reader.feed(page)
    row = BOOK.row(ROW)
    for text in (row.note, row.where, BOOK.sources[row.source].read_how):
        assert not text or text in reader.english


def test_a_note_can_be_in_another_language_than_the_pages(inside: Visitor) -> None:
    url = planned(inside, "hill-walker-grade-2")
    assert "Evaluación inicial" in inside.get(f"{url}/notes?kind=evaluation")
    page = inside.get(f"{url}/notes?kind=evaluation&lang=en")
    assert 'id="preview" lang="en"' in page
    assert "Initial evaluation" in page
    inside.send(f"{url}/notes?kind=evaluation&lang=en", 200, action="text", kind="evaluation")
    assert inside.page.startswith("Initial evaluation")
    inside.get(f"{url}/notes")
    inside.send(f"{url}/notes?kind=evaluation&lang=xx", 200, action="text", kind="evaluation")
    assert inside.page.startswith("Evaluación inicial")


def test_a_class_is_told_in_spanish(inside: Visitor) -> None:
    inside.get("/class")
    rungs = re.findall(r'name="rung" value="([^"]+)"', inside.page)
    assert rungs
    fields = {"people": "4", "minutes": "", "rung": rungs[:2]}
    page = inside.send("/class", 200, fields=fields)
    assert not english_in(page), "\n".join(english_in(page))
