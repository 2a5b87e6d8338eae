"""What the program says of its own accord, in Spanish: whole, with every number as it was."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import rungwise
from rungwise.book import load_book
from rungwise.clinic import demo_exams, make_plan, read_exam
from rungwise.core.errors import Fault
from rungwise.core.evidence import Rule
from rungwise.core.terms import SIDES, Reason
from rungwise.notes.texts import load_lexicon
from rungwise.tongue import PLACE, Told, tongue

BOOK = load_book()
ES = tongue("es")
DIGITS = re.compile(r"\d+")
#: Notches with a number in their key that their Spanish name does not repeat.
SPOKEN = re.compile(r"hands[ _]0")
WORDS = re.compile(r"[a-z]{4}")


def numbers(text: str) -> list[str]:
    return sorted(DIGITS.findall(SPOKEN.sub("", text)))


def flat(tree: Any, path: str = "") -> dict[str, str]:
    """Every text of nested tables and lists, by its place."""
    if isinstance(tree, dict):
        parts = tree.items()
    elif isinstance(tree, list):
        parts = enumerate(tree)  # type: ignore[assignment]
    else:
        return {path: str(tree)}
    return {key: text for name, part in parts for key, text in flat(part, f"{path}.{name}").items()}


def filled(rule: Rule) -> Reason:
    """A reason with a number of its own in every place."""
    names = list(dict.fromkeys(PLACE.findall(rule.says)))
    values = {name: f"{11 + 2 * n}.5" for n, name in enumerate(names)}
    values |= {name: "right" for name in ("side", "other") if name in values}
    says = PLACE.sub(lambda found: values[found[1]], rule.says)
    seen = {name: value for name, value in values.items() if not re.fullmatch(r"k\d", name)}
    return Reason(rule.key, rule.version, says, tuple(seen.items()))


@pytest.mark.parametrize("rule", BOOK.rules.values(), ids=lambda rule: rule.key)
def test_every_rule_is_said_in_spanish_with_the_same_values(rule: Rule) -> None:
    assert rule.says in ES.said
    assert set(PLACE.findall(ES.said[rule.says])) == set(PLACE.findall(rule.says))
    reason = filled(rule)
    told = ES.reason(reason)
    assert told.language == "es"
    assert not told.left
    assert set(numbers(reason.says)) == set(numbers(told.text))
    assert "{" not in told.text


def test_everything_that_the_book_asks_is_said_in_spanish() -> None:
    texts = [measure.help for measure in BOOK.measures.values()]
    texts += [text for one in BOOK.items.values() for text in (one.ask, one.positive, one.do)]
    texts += [item.words for item in BOOK.score_items]
    assert not [text for text in texts if text and text not in ES.said]


@pytest.mark.parametrize("name", demo_exams())
def test_every_reason_of_a_plan_is_whole_and_keeps_its_numbers(name: str) -> None:
    exam = read_exam(demo_exams()[name], BOOK)
    plan = make_plan(exam, BOOK, exam.on)
    reasons = [*plan.notes, *(no.reason for no in plan.refused)]
    for side in SIDES:
        screen, grade = plan.screening.of(side), plan.grades[side]
        reasons += [*screen.reasons, *grade.reasons, *grade.notes]
        reasons += [flag.reason for flag in screen.flags]
    for one in plan.exercises:
        reasons += [*one.reasons, *one.warnings, *(no.reason for no in one.refused)]
    assert len(reasons) > 5
    for reason in reasons:
        told = ES.reason(reason)
        assert told.language == "es", reason.says
        assert not told.left, (reason.says, told.left)
        assert numbers(told.text) == numbers(reason.says)


def test_a_reason_is_read_by_its_sentence_whatever_its_rule_is_called_now() -> None:
    reason = BOOK.reason("plan.other_foot", side="left")
    old = replace(reason, rule="plan.as_it_was", version=1)
    assert ES.reason(old) == ES.reason(reason) == Told(
        "Solo trabajo sentado para el pie izquierdo: el cribado deja sin peso el otro pie.", "es"
    )  # fmt: skip


def test_the_words_of_a_person_stay_as_they_were_written() -> None:
    reason = BOOK.reason("progress.kept", by="balance", why="pain, not known", advised="down")
    told = ES.reason(reason)
    assert told.text == (
        "El terapeuta lo deja como está («balance»): «pain, not known». Aconsejado: bajar."
    )
    assert dict(ES.seen(reason))["por qué"] == "pain, not known"


def test_what_is_not_known_stays_english_and_says_so() -> None:
    assert ES.text("Nobody has said this before.") == Told(
        "Nobody has said this before.", "en", ("Nobody has said this before.",)
    )
    reason = Reason("x.y", 1, "Nobody has said {this} before.", (("this", "7"),))
    assert ES.reason(reason).language == "en"


@pytest.mark.parametrize(
    ("english", "spanish"),
    [
        ("3 to 5 days", "3 a 5 días"),
        ("15 s", "15 s"),
        ("-0.5 to 2°", "-0.5 a 2°"),
        ("hot swollen joint, falls", "articulación caliente e hinchada, caídas"),
        ("2 x 10, hold 5 s, 3 days a week", "2 × 10, mantener 5 s, 3 días por semana"),
        ("2026-11-20", "2026-11-20"),
        ("", ""),
    ],
)
def test_values_are_said(english: str, spanish: str) -> None:
    assert ES.text(english) == Told(spanish, "es")


def test_a_fault_keeps_what_was_given() -> None:
    fault = Fault("height_cm", "2 m", "a number from 120 to 220 cm", "Write a whole number.")
    assert ES.fault(fault) == replace(
        fault, allowed="un número de 120 a 220 cm", remedy="Escriba un número entero."
    )


def test_english_is_left_alone() -> None:
    english = tongue("en")
    reason = BOOK.reason("plan.other_foot", side="left")
    assert english.reason(reason) == Told(reason.says, "en")
    assert english.seen(reason) == reason.inputs
    assert tongue("xx").text("x") == Told("x", "en")


def test_both_sides_of_a_pair_have_the_same_places() -> None:
    for english, spanish in ES.said.items():
        assert set(PLACE.findall(english)) == set(PLACE.findall(spanish)), english
        assert spanish.strip(), english
        plain = numbers(PLACE.sub(" ", english)), numbers(PLACE.sub(" ", spanish))
        assert set(plain[0]) == set(plain[1]), english


def test_notes_are_alike_in_both_languages() -> None:
    english, spanish = (flat(load_lexicon(code).tree) for code in ("en", "es"))
    assert english.keys() == spanish.keys()
    for key, text in english.items():
        assert set(PLACE.findall(text)) == set(PLACE.findall(spanish[key])), key
        assert text.count("________") == spanish[key].count("________"), key
    same = {text for key, text in english.items() if text == spanish[key] and " " in text}
    assert not [text for text in same if WORDS.search(PLACE.sub(" ", text))]


#: What a page of the clinic can run into, and so every fault that it can show.
BEHIND_PAGES = (
    *"web/pages web/access.py web/exam_text.py records notes/write.py notes/pdf.py".split(),
    *"casebook.py casebook_course.py casebook_book.py casebook_office.py".split(),
    *"core/pins.py core/screen.py core/renew.py core/own_error.py core/group.py".split(),
    *"core/units.py core/note.py core/note_course.py core/series.py paper.py tables.py".split(),
    *"casebook_measure.py web/shelf.py clinic/measure.py pictures.py recordings.py".split(),
    *"core/signals.py core/stance.py core/sway.py core/reps.py".split(),
    *"core/camera.py core/photo.py core/photo_many.py".split(),
)
SYNTAX = re.compile(r"Such as \S+=")  # how a file is written: the same in every language


def texts_of_faults() -> Iterator[str]:
    """What is allowed and what to do in each fault; 7 for a value."""
    root = Path(rungwise.__file__).parent
    below = [root / name for name in BEHIND_PAGES]
    files = [f for one in below for f in (sorted(one.rglob("*.py")) if one.is_dir() else [one])]
    for file in files:
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if not isinstance(node, ast.Call) or len(node.args) != 4:
                continue
            if isinstance(node.func, ast.Name) and node.func.id == "Fault":
                yield from filter(None, map(text_of, node.args[2:]))


def text_of(node: ast.expr) -> str:
    """A text that stands in the code; empty for one that is made elsewhere."""
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(str(p.value) if isinstance(p, ast.Constant) else "7" for p in node.values)
    return ""


def test_every_fault_that_a_page_can_show_is_said_in_spanish() -> None:
    texts = [text for text in dict.fromkeys(texts_of_faults()) if not SYNTAX.match(text)]
    assert len(texts) > 80
    told = {text: ES.text(text) for text in texts}
    assert not [text for text, one in told.items() if one.language != "es" or one.left]
