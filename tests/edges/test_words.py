"""The patient's words: complete, plain, easy to read, and safe in every language."""

from __future__ import annotations

import ast
import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date
from functools import cache
from importlib.resources import files
from pathlib import Path

import pytest

from rungwise.book import load_book
from rungwise.core.errors import EvidenceError, InputError
from rungwise.core.ladder import rungs_of
from rungwise.core.reading import score, split_sentences
from rungwise.core.terms import SIDES
from rungwise.draw import LABELS
from rungwise.words import Words, languages, load_syllables, load_words, pseudo_right_to_left

# Gates: Flesch-Kincaid grade, SMOG, words in a sentence (clin_s40, clin_s40b; std §3.3, §3.4).
GRADE, SMOG, LONGEST, LONGEST_ES = 6.0, 8.0, 15, 20
BOOK = load_book()
KIT = (*BOOK.equipment, "phone")
SOURCE = Path(str(files("rungwise")))
ENGLISH = load_words("en")
SYLLABLES = load_syllables()


def spoken(words: Words, prefix: str = "") -> Iterator[tuple[str, str]]:
    """Every line with an example in place of its values."""
    for key, text in words.texts.items():
        for line in (text,) if isinstance(text, str) else text:
            if line and line[0] not in "@=" and key.startswith(prefix):
                yield key, re.sub(r"\{\w+\}", "5", line)


def test_languages() -> None:
    assert languages() == ("en", "es")
    assert [load_words(code).name for code in languages()] == ["English", "español"]


def test_unknown_language_names_the_known_ones() -> None:
    with pytest.raises(InputError, match="en, es"):
        load_words("tlh")


@pytest.mark.parametrize(("key", "line"), [*spoken(ENGLISH)])
def test_english_line_is_easy(key: str, line: str) -> None:
    found = score(line, SYLLABLES)
    assert found.longest_sentence <= LONGEST
    if line.endswith((".", "!", "?")):  # a name or a heading is no sentence
        assert found.flesch_kincaid <= GRADE, (key, found)


@pytest.mark.parametrize("family", sorted(BOOK.families))
def test_english_of_a_family_is_easy(family: str) -> None:
    lines = [line for _, line in spoken(ENGLISH, f"exercise.{family}.") if line.endswith(".")]
    found = score("\n".join(lines), SYLLABLES)
    assert found.flesch_kincaid <= GRADE
    assert found.smog <= SMOG
    assert not found.short


@pytest.mark.parametrize(("key", "line"), [*spoken(load_words("es"))])
def test_spanish_sentences_are_short(key: str, line: str) -> None:
    # no grade: the formulas were made for English
    assert all(len(s.split()) <= LONGEST_ES for s in split_sentences(line)), key


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("family", sorted(BOOK.families))
def test_every_rung_of_the_book_has_its_words(code: str, family: str) -> None:
    words = load_words(code)
    place = f"exercise.{family}"
    assert words.say(f"{place}.title")
    assert words.has(f"{place}.dose")
    sections = ("names", "set_up", "steps", "feel", "slips", "safety")
    lines = [line for section in sections for line in words.lines(f"{place}.{section}")]
    dials = {line[1:] for line in lines if line.startswith("@")}
    settings = {line[1:] for line in lines if line.startswith("=")}
    assert dials <= {dial.key for dial in BOOK.families[family].dials}
    for rung in rungs_of(BOOK.families[family]):
        for dial, notch in rung.notches:
            if dial in dials:
                assert words.say(f"{place}.{dial}.{notch}.name")
        for name in settings:
            if name == "first":  # the foot that begins is the plan's, not the rung's
                assert all(words.has_any(f"{place}.first.{side}") for side in SIDES)
                continue
            text = str(rung.settings[name]).lower()
            assert words.has_any(f"{place}.{name}.{text}") or text == "false"


@pytest.mark.parametrize("code", languages())
def test_every_thing_to_fetch_has_its_words(code: str) -> None:
    words = load_words(code)
    assert all(words.say(f"kit.{thing}") for thing in BOOK.equipment)


@pytest.mark.parametrize("code", languages())
def test_every_label_of_a_drawing_has_its_words(code: str) -> None:
    labels = load_words(code).under("drawing")
    assert labels.keys() == LABELS.keys()
    for key, names in LABELS.items():
        assert set(re.findall(r"\{(\w+)\}", labels[key])) == set(names), key


@pytest.mark.parametrize("code", languages())
def test_every_language_has_every_key_with_the_same_values_and_lines(code: str) -> None:
    words = load_words(code)
    assert words.borrowed == frozenset()
    assert [*words.texts] == [*ENGLISH.texts]

    def shape(text: str | tuple[str, ...]) -> tuple[int, list[str]]:
        lines = (text,) if isinstance(text, str) else text
        return len(lines), sorted(name for s in lines for name in re.findall(r"\{(\w+)\}", s))

    assert {k: shape(t) for k, t in words.texts.items()} == {
        k: shape(t) for k, t in ENGLISH.texts.items()
    }


# Who reads a key: a rung of the book, or code that names it. What code builds a key from (an
# f-string, a template) stands for any name in its place.


def keys_of_rungs() -> Iterator[str]:
    """Each key that a family of the book, a notch or a setting of a rung can ask for."""
    parts = ("names", "set_up", "steps", "feel", "slips", "safety", "dose", "title", "feet", "also")
    for family, spec in BOOK.families.items():
        place = f"exercise.{family}"
        yield from (f"{place}.{part}" for part in parts)
        refers = {line for part in parts[:6] for line in ENGLISH.texts[f"{place}.{part}"]}
        values = {(dial.key, notch.key) for dial in spec.dials for notch in dial.notches}
        for rung in rungs_of(spec):
            values |= {(name, str(value).lower()) for name, value in rung.settings.items()}
        values |= {("first", side) for side in SIDES} | {("both", "true"), ("both", "false")}
        for name, value in values:
            if {f"@{name}", f"={name}"} & refers:
                yield from (f"{place}.{name}.{value}.{part}" for part in ("name", *parts[1:6]))
            yield f"class.{place}.{name}.{value}"
        yield f"class.{place}.lines"
        yield from (f"phone.move.{family}.{part}" for part in ("lift", "hold", "lower"))
        yield from (f"class.cue.{family}.{part}" for part in ("lift", "hold", "lower"))


@cache
def keys_in_code() -> re.Pattern[str]:
    """Every text in the code that may be a key or its last part, as one pattern."""
    found: set[str] = set()
    for path in sorted(SOURCE.rglob("*.py")):
        tree = ast.parse(path.read_text("utf-8"))
        remarks = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                if id(node) not in remarks and re.fullmatch("[a-z_0-9. ]+", node.value):
                    found.update(map(re.escape, node.value.split()))
            elif isinstance(node, ast.JoinedStr):
                parts = [p.value if isinstance(p, ast.Constant) else None for p in node.values]
                if parts[0]:
                    found.add("".join(r"\w+" if p is None else re.escape(str(p)) for p in parts))
    for path in sorted(SOURCE.rglob("*.js")):
        text = path.read_text("utf-8")
        found.update(map(re.escape, re.findall(r"\.([a-z_]+)\b", text)))
        found.update(map(re.escape, re.findall(r"'([a-z_.]+)'", text)))
        for parts in re.findall(r"`((?:[a-z_.]|\$\{[^{}]+\})+)`", text):
            names = re.split(r"\$\{[^{}]+\}", parts)
            if any(len(name) > 3 for name in names):
                found.add(r"\w+".join(map(re.escape, names)))
    return re.compile("|".join(sorted(filter(None, found))))


def unread(keys: Iterable[str]) -> list[str]:
    """Keys that no rung and no code reads."""
    known, named = set(keys_of_rungs()), keys_in_code()
    known |= {f"{place}.{thing}" for place in ("kit", "class.kit", "class.thing") for thing in KIT}
    families = "|".join(BOOK.families)
    sizes = re.compile(rf"exercise\.({families})\.sizes\.((roll|cloth)\.)?\w+_(mm|kg|foot)")
    of_book = ("exercise.", "class.exercise.", "kit.", "class.kit.", "class.thing.")
    whole = ("drawing.", "class.drawing.", "class.not_yet.")  # tested apart, or told whole

    def is_read(key: str) -> bool:
        if key.startswith(of_book):
            return key in known or bool(sizes.fullmatch(key))
        named_in_code = any(named.fullmatch(key.split(".", n)[-1]) for n in range(3))
        return key in known or key.startswith(whole) or named_in_code

    return [key for key in keys if not is_read(key)]


def test_every_key_is_read_by_a_rung_or_by_code() -> None:
    assert unread(ENGLISH.texts) == []


@pytest.mark.parametrize(
    "key",
    [
        "exercise.calf_stretch.position.wall_bent.name",
        "exercise.no_family.title",
        "class.exercise.toe_press.cloth.no_notch",
        "kit.no_thing",
        "phone.no_such_text",
        "notice.no_such_text",
        "sheet.no_such_text",
    ],
)
def test_a_key_that_nobody_reads_is_found(key: str) -> None:
    assert unread([key]) == [key]


def test_hazards_that_words_control() -> None:
    # std §5.5: Z3, Z10 (support, surface, phone in reach, not alone after a fall), Z11 (both ends
    # of the scale in words), Z17 (cloth fixed, chair against the wall)
    balance = " ".join(ENGLISH.lines("exercise.balance.safety"))
    assert "counter" in balance
    assert "phone in reach" in balance
    assert "Did you fall? Stop. Do not do it again until you have talked to us." in balance
    assert ENGLISH.lines("exercise.balance.surface.firm.safety") == ("No rug. No cushion.",)
    assert (ENGLISH.say("diary.low"), ENGLISH.say("diary.high")) == (
        "0 = no pain",
        "10 = worst pain",
    )
    assert any("Tape it" in line for line in ENGLISH.lines("exercise.toe_press.set_up"))
    seats = [key for key in ENGLISH.texts if key.endswith(".position.seated.set_up")]
    seats.append("exercise.heel_raise.load.seated.set_up")
    assert len(seats) == 3
    assert all("chair against a wall" in " ".join(ENGLISH.lines(key)) for key in seats)


def test_unreviewed_language_says_so() -> None:
    spanish = load_words("es")
    assert not spanish.reviewed
    assert spanish.say("caution.not_reviewed")
    assert ENGLISH.reviewed


def test_pain_words_name_no_number_of_their_own() -> None:
    for code in languages():
        words = load_words(code)
        zones = [words.texts[f"pain.{zone}"] for zone in ("safe", "care", "stop")]
        assert not any(re.search("[1-9]", str(zone)) for zone in zones)
        assert not any(re.search("[1-9]", line) for line in words.texts["stop.lines"])


# ------------------------------------------------------------------ the file


def copied(folder: Path, code: str, old: str, new: str) -> Path:
    for name in ("en", "es"):
        text = (files("rungwise") / "data" / "words" / f"{name}.toml").read_text("utf-8")
        if name == code:
            assert old in text
            text = text.replace(old, new, 1)
        (folder / f"{name}.toml").write_text(text, "utf-8")
    return folder


def test_a_missing_text_is_english_with_a_mark(tmp_path: Path) -> None:
    folder = copied(tmp_path, "es", 'scale = "Una báscula de baño"\n', "")
    words = load_words("es", folder)
    assert words.borrowed == {"kit.scale"}
    assert words.say("kit.scale") == "[en] A bathroom scale"
    assert words.say("kit.chair") == "Una silla firme sin ruedas"


@pytest.mark.parametrize(
    "line",
    [
        'title = "Pare y llámenos"\n',
        'safe_do = "Bien. Siga."\n',
        'slips = ["No rebote.", "No levante el talón.", "No deje caer el arco."]\n',
        'stopped_saved = "Queda escrito en su diario."\n',
        'needs_script = "Esta página necesita JavaScript. Actívelo, o use su hoja."\n',
    ],
)
def test_a_safety_text_is_never_borrowed(tmp_path: Path, line: str) -> None:
    with pytest.raises(EvidenceError, match="safety text"):
        load_words("es", copied(tmp_path, "es", line, ""))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('safe = "0 a {safe_max}"', 'safe = "0 a 2"', "other values"),
        ('[foot]\nright = "pie', '[foot]\nup = "x"\nright = "pie', "English has no"),
        ('rail = "Una', 'rail = "{ Una', "not plain text"),
    ],
)
def test_a_wrong_language_file_is_refused(tmp_path: Path, old: str, new: str, says: str) -> None:
    with pytest.raises(EvidenceError, match=says):
        load_words("es", copied(tmp_path, "es", old, new))


def test_missing_key_and_value_are_named() -> None:
    with pytest.raises(EvidenceError, match="no_such"):
        ENGLISH.say("no_such")
    with pytest.raises(EvidenceError, match="stop_from"):
        ENGLISH.lines("stop.lines")
    with pytest.raises(EvidenceError, match="holds lines"):
        ENGLISH.say("stop.lines")
    with pytest.raises(EvidenceError, match="holds one text"):
        ENGLISH.lines("stop.title")


def test_a_value_is_never_read_as_a_pattern() -> None:
    assert ENGLISH.say("clinic.phone", value="{value} {0} {x.__class__}") == (
        "Phone: {value} {0} {x.__class__}"
    )


# ------------------------------------------------------------------ numbers and days


# By hand: 35 mm = 1.378 in, 8 mm = 0.315 in, 25.4 mm = 1 in; 1 kg = 2.2046 lb.
@pytest.mark.parametrize(
    ("mm", "down", "up"),
    [
        (35.0, "3.5 cm (1 3/8 inches)", "3.5 cm (1 1/2 inches)"),
        (30.0, "3 cm (1 1/8 inches)", "3 cm (1 1/4 inches)"),
        (25.4, "2.5 cm (1 inch)", "2.6 cm (1 inch)"),
        (8.0, "8 mm", "8 mm"),
        (43.52, "4.3 cm (1 5/8 inches)", "4.4 cm (1 3/4 inches)"),
        (9.99, "9 mm", "1 cm (1/2 inch)"),
        (46.0000001, "4.6 cm (1 3/4 inches)", "4.6 cm (1 7/8 inches)"),
    ],
)
def test_lengths_are_rounded_to_the_side_that_is_asked(mm: float, down: str, up: str) -> None:
    assert ENGLISH.length(mm) == down
    assert ENGLISH.length(mm, up=True) == up


def test_numbers_in_each_language() -> None:
    spanish = load_words("es")
    assert spanish.length(35.0) == "3,5 cm (1 3/8 pulgadas)"
    assert ENGLISH.mass(11.48) == "11 kg (25 lb)"
    assert spanish.day(date(2026, 3, 2)) == "2 de marzo de 2026"
    assert ENGLISH.day(date(2026, 3, 2)) == "2 March 2026"
    assert ENGLISH.weekday(date(2026, 3, 2)) == "Mon"
    assert [ENGLISH.seconds(s) for s in (1, 5, 60, 90, 120)] == [
        "1 second",
        "5 seconds",
        "1 minute",
        "90 seconds",
        "2 minutes",
    ]
    assert [ENGLISH.minutes(s) for s in (1, 60, 61)] == ["1 minute", "1 minute", "2 minutes"]
    assert ENGLISH.listed(["a", "b", "c"]) == "a, b and c"
    assert (ENGLISH.listed(["a"]), ENGLISH.listed([])) == ("a", "")


# ------------------------------------------------------------------ right to left


def test_pseudo_language_is_arabic_letters_and_the_same_values() -> None:
    pseudo = pseudo_right_to_left(ENGLISH)
    assert pseudo.direction == "rtl"
    assert pseudo.texts.keys() == ENGLISH.texts.keys()
    said = pseudo.say("pain.safe", safe_max=2)
    assert said.endswith("2")
    title = pseudo.say("sheet.title")
    letters = [c for c in title if c.isalpha()]
    assert len(letters) == sum(c.isalpha() for c in ENGLISH.say("sheet.title"))
    assert all(unicodedata.bidirectional(c) == "AL" for c in letters)
    assert "@load" in pseudo.lines("exercise.heel_raise.set_up")


def test_foreign_text_is_isolated_in_a_right_to_left_line() -> None:
    assert ENGLISH.own("555 0100") == "555 0100"
    assert replace(ENGLISH, direction="rtl").own("555 0100") == "\u2068555 0100\u2069"
