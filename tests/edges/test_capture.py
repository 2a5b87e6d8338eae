"""The page that measures with a phone: what it is made of, its words, and its command."""

from __future__ import annotations

import json
import re
from importlib.resources import files
from pathlib import Path

import pytest

from rungwise.cli import main
from rungwise.clinic import capture_file, open_book
from rungwise.core.reading import score, split_sentences
from rungwise.phone.capture import KINDS, SCRIPTS, capture_data, capture_page
from rungwise.words import languages, load_syllables, load_words
from tests.edges.test_patient_texts import GRADE, LONGEST_ES, SMOG, TRADE, Seen, sentences

BOOK = open_book()
PAGES = {code: capture_page(BOOK, load_words(code)) for code in languages()}
#: About 50 kB; more would take long over a slow line.
MOST_BYTES = 65_000


def island(page: str) -> dict[str, dict[str, object]]:
    found = re.search(r'id="data">(.*?)</script>', page, re.DOTALL)
    assert found is not None
    read: dict[str, dict[str, object]] = json.loads(found[1])
    return read


def source(name: str) -> str:
    return (files("rungwise.phone") / f"{name}.js").read_text("utf-8")


@pytest.mark.parametrize("code", languages())
def test_it_is_one_file_that_reaches_nothing(code: str) -> None:
    page = PAGES[code]
    assert len(page.encode()) < MOST_BYTES
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)
    assert policy is not None
    assert policy[1].startswith("default-src 'none'; script-src 'sha256-")
    assert "connect-src 'none'" in policy[1]
    assert "form-action 'none'" in policy[1]
    assert "unsafe" not in policy[1]
    assert "://" not in page.replace("http://www.w3.org/2000/svg", "")
    words = r"fetch\(|XMLHttpRequest|WebSocket|sendBeacon|localStorage|indexedDB|document\.cookie"
    assert re.findall(words, page) == []


@pytest.mark.parametrize("code", languages())
def test_it_says_that_it_is_an_aid_what_to_take_care_of_and_what_was_not_tried(code: str) -> None:
    lines, words = Seen(PAGES[code]).lines, load_words(code)
    assert lines.count(words.say("capture.aid")) >= 1
    cautions = (*words.lines("caution.lines"), *words.lines("caution.software"))
    for line in (*cautions, *words.lines("stop.help_lines"), words.say("capture.own_practice")):
        assert line in lines, line
    assert [*lines].count(words.lines("capture.care")[1]) >= len(KINDS)
    for kind in KINDS:
        assert f"capture.tried_{kind}".removeprefix("capture.") in island(PAGES[code])["words"]
    if not words.reviewed:
        assert words.say("caution.not_reviewed") in lines


def test_every_reason_that_the_script_gives_has_its_words() -> None:
    whole = "\n".join(map(source, ("signals", "held", "reps", "capture")))
    codes = set(
        re.findall(r"(?:cannot: |return |most'\] \? |told\(|\(0, 0, 0, )'([a-z_]+)'", whole)
    )
    codes |= set(re.findall(r"likeness, '([a-z_]+)'", whole))
    assert {"few", "short", "several_axes", "no_rhythm", "not_quiet", "nothing_moves"} <= codes
    texts = load_words("en").under("capture")
    assert {f"why_{code}" for code in codes} == {key for key in texts if key.startswith("why_")}
    blocks = set(re.findall(r"blocked\('([a-z_]+)'\)", whole))
    assert blocks == {"need_https", "no_sensor", "refused", "no_data"}
    assert blocks <= texts.keys()


def test_every_row_that_the_script_asks_for_is_given() -> None:
    whole = "\n".join(map(source, ("signals", "held", "reps")))
    asked = set(re.findall(r"book\['([a-z_.]+)'\]", whole))
    given = capture_data(BOOK, load_words("en"))["book"]
    assert len(asked) > 20
    assert asked <= given.keys()
    assert all(given[key] == BOOK.value(key) for key in asked)


def test_no_length_and_no_judgement_is_told() -> None:
    for code in languages():
        texts = " ".join(load_words(code).under("capture").values()).lower()
        assert (
            re.findall(r"\b(cm|mm|inch\w*|centim\w*|milím\w*|normal\w*|score|grado)\b", texts) == []
        )


def test_it_is_easy_to_read() -> None:
    found = score(sentences(Seen(PAGES["en"]).lines), load_syllables())
    assert found.sentences > 40
    assert found.flesch_kincaid <= GRADE
    assert found.smog <= SMOG
    spanish = sentences(Seen(PAGES["es"]).lines)
    assert [s for s in split_sentences(spanish) if len(s.split()) > LONGEST_ES] == []
    for code, page in PAGES.items():
        assert [line for line in Seen(page).lines if TRADE[code].search(line)] == []


def test_the_modules_are_those_of_the_page_and_of_no_plan() -> None:
    assert set(SCRIPTS) & {"app", "diary", "code", "store"} == set()
    assert "heelRaisesIn" in PAGES["en"]
    assert "data-to=" not in PAGES["en"]


def test_the_command_writes_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "measure.html"
    assert main(["measure", "page", "--out", str(path)]) == 0
    assert capsys.readouterr().out == f"Wrote {path}\n"
    assert path.read_bytes() == capture_file(BOOK)
    assert main(["measure", "page", "--out", str(path)]) == 3
    assert main(["measure", "page", "--out", str(path), "--lang", "es", "--replace"]) == 0
    assert 'lang="es"' in path.read_text("utf-8")
    assert main(["measure", "page", "--out", str(path), "--lang", "tlh", "--replace"]) == 3
    assert "en, es" in capsys.readouterr().err
