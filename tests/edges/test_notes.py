"""Notes as files: text and Markdown to paste, DOCX, PDF, and the versions that are kept."""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import docx
import pikepdf
import pypdf
import pytest

from rungwise.clinic import (
    add_paper,
    decide_now,
    demo_exams,
    hand_over,
    make_plan,
    open_plan,
    read_entries,
    read_exam,
    renew_plan,
)
from rungwise.core.errors import InputError
from rungwise.core.note import KINDS, Line, Note, Table
from rungwise.core.note import write_note as write_core
from rungwise.core.note_case import Case
from rungwise.core.terms import Activity, Exam, Plan
from rungwise.course import blank_answers
from rungwise.notes import (
    FORMATS,
    case_of,
    keep_note,
    kept_notes,
    load_lexicon,
    open_case,
    read_minutes,
    to_markdown,
    to_plain,
    write_note,
)
from rungwise.notes.kept import NOTES
from tests.factory import DAY, make_exam, real_book

BOOK = real_book()
WORDS = load_lexicon()
DEMO = {name: read_exam(text, BOOK) for name, text in demo_exams().items()}
HOSTILE = (
    "# heading", "1. list", "- item", "*bold* _it_ `code` ~~gone~~", "| cell | cell |",
    "<script>alert(1)</script>", "&amp; &#x202e;", "[link](https://example.org)",
    "https://example.org www.example.org a@example.org", "#eval(read(\"/etc/passwd\"))",
    "$x^2$ @label \\ \\n", "]]><w:p/>", "\u202eright foot\u202c", "\x00\x0b\x1b[31m",
    "{label} ________", "=1+1", "w" * 500, "!![x](y)", "---", "> quote", "\n\n## Plan\n\n- forged",
)  # fmt: skip


@cache
def plan_of(name: str) -> Plan:
    return make_plan(DEMO[name], BOOK, DEMO[name].on)


def case(exam: Exam, plan: Plan | None = None, **changes: object) -> Case:
    plan = plan or make_plan(exam, BOOK, exam.on)
    made = case_of(plan, BOOK, exam.on, by="R. Alder, PT")
    return replace(made, **changes)  # type: ignore[arg-type]


def hostile(text: str) -> Case:
    exam = make_exam(
        therapist=text,
        activities=(Activity(text, 2.0, 5.0, DAY),),
        clinic={"phone": text},
    )
    exam = replace(exam, person=replace(exam.person, label=text))
    return case(exam, by=text)


@cache
def evaluation() -> Note:
    return write_core("evaluation", case(make_exam()), WORDS, BOOK)


def shown(note: Note) -> list[str]:
    """Every line and cell, without the marks."""
    found = [note.title]
    for section in note.sections:
        for part in section.parts:
            if isinstance(part, Line):
                found.append(part.text)
            else:
                found += [*part.head, *(cell for row in part.rows for cell in row.cells)]
    return [*found, *note.reasons, *note.sources]


# ------------------------------------------------------------------ text and Markdown


@pytest.mark.parametrize("name", DEMO)
@pytest.mark.parametrize("kind", KINDS)
def test_plain_text_holds_all_of_the_note(kind: str, name: str) -> None:
    note = write_core(kind, case(DEMO[name], plan_of(name)), WORDS, BOOK)
    text = to_plain(note)
    for one in shown(note):
        assert one in text or one in ("Finding", "Home exercise", *(t.head[0] for t in heads(note)))
    assert text.splitlines()[-1] == note.foot[-1]
    assert not re.search(r"[^\S\n ]|  |\t", text)


def heads(note: Note) -> list[Table]:
    return [p for s in note.sections for p in s.parts if isinstance(p, Table)]


@pytest.mark.parametrize("text", HOSTILE)
def test_no_text_is_taken_for_markdown(text: str) -> None:
    note = write_core("evaluation", hostile(text), WORDS, BOOK)
    made = to_markdown(note)
    headings = [line for line in made.splitlines() if re.match(r" {0,3}#", line)]
    assert len(headings) == 1 + len(note.sections) + 2
    for line in made.splitlines():
        bare = re.sub(r"\\.", "", line)
        if line.startswith("|"):
            table = next(t for t in heads(note) if bare.count("|") == len(t.head) + 1)
            assert bare.count("|") == len(table.head) + 1
            bare = bare.replace("|", "")
        bare = re.sub(r"^(#{1,2}|-|---)( |$)", "", bare)
        assert not re.search(r"[*`<>\[\]#~&|$!@]", bare), line
        assert not re.match(r"\s*([-+=] |\d+[.)] )", bare), line
        assert not re.search(r"(?i)\b(https?|www|ftp)[:.]", bare), line
        assert not re.search(r"(?<=[^\s_])_|_(?=[^\s_])", bare), line


def test_markdown_says_the_same_as_plain_text() -> None:
    made = re.sub(r"\\(.)", r"\1", to_markdown(evaluation()))
    assert all(one in made for one in shown(evaluation()))


# ------------------------------------------------------------------ DOCX


def test_a_docx_has_headings_lists_and_tables() -> None:
    note = evaluation()
    made = docx.Document(io.BytesIO(write_note(case(make_exam()), "evaluation", BOOK, "docx")))
    by_style: dict[str, list[str]] = {}
    for paragraph in made.paragraphs:
        assert paragraph.style is not None
        by_style.setdefault(str(paragraph.style.name), []).append(paragraph.text)
    assert by_style["Heading 1"] == ["Initial evaluation"]
    assert by_style["Heading 2"] == [s.heading for s in note.sections] + [*note.headings]
    bullets = [p for s in note.sections for p in s.parts if isinstance(p, Line)]
    assert len(by_style["List Bullet"]) == len(bullets)
    assert all(b.startswith(p.text) for b, p in zip(by_style["List Bullet"], bullets, strict=True))
    tables = heads(note)
    assert len(made.tables) == len(tables)
    for grid, table in zip(made.tables, tables, strict=True):
        assert tuple(cell.text for cell in grid.rows[0].cells) == table.head
        assert len(grid.rows) == 1 + len(table.rows)
        assert grid.rows[0]._tr.xpath("w:trPr/w:tblHeader")
        assert grid.rows[1].cells[0].text == table.rows[0].cells[0]
    footer = made.sections[0].footer.paragraphs[0].text
    assert note.foot[0] in footer
    assert note.digest[:10] in footer
    assert made.core_properties.title == "Initial evaluation"
    assert made.core_properties.language == "en-US"


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_stays_text_in_a_docx(text: str) -> None:
    given = hostile(text)
    made = write_note(given, "letter", BOOK, "docx")
    with zipfile.ZipFile(io.BytesIO(made)) as parts:
        for name in parts.namelist():
            if name.endswith((".xml", ".rels")):
                ET.fromstring(parts.read(name))  # ours, hence no entity attack
        links = parts.read("word/_rels/document.xml.rels").decode()
    assert "example.org" not in links
    note = write_core("letter", given, WORDS, BOOK)
    opened = docx.Document(io.BytesIO(made))
    said = [p.text for p in opened.paragraphs]
    assert len([p for p in opened.paragraphs if p.style and p.style.name == "Heading 2"]) == len(
        note.sections
    ) + len(note.headings)
    label = next(
        p.text for s in note.sections for p in s.parts if isinstance(p, Line) and p.key == "patient"
    )
    assert any(one.startswith(label) for one in said)


# ------------------------------------------------------------------ PDF


@pytest.mark.parametrize("kind", KINDS)
def test_a_pdf_is_tagged_and_holds_all_words(kind: str) -> None:
    given = case(DEMO["hill-walker-grade-2"])
    note = write_core(kind, given, WORDS, BOOK)
    made = write_note(given, kind, BOOK, "pdf", paper="us-letter")
    with pikepdf.open(io.BytesIO(made)) as pdf:
        assert pdf.Root.MarkInfo.Marked
        assert str(pdf.Root.Lang) == "en"
        with pdf.open_metadata() as told:
            assert str(told["pdfuaid:part"]) == "1"
            assert told["dc:title"] == note.title
        kinds = {str(node.S) for node in nodes(pdf.Root.StructTreeRoot)}
    assert {"/H1", "/H2", "/L", "/LI", "/Table", "/TH", "/TD"} <= kinds
    reader = pypdf.PdfReader(io.BytesIO(made))
    text = squeezed(" ".join(page.extract_text() for page in reader.pages))
    for one in shown(note):
        for word in re.findall(r"\w{3,}", one):
            assert squeezed(word) in text, word
    assert all(note.digest[:10] in page.extract_text() for page in reader.pages)
    assert reader.metadata is not None
    assert reader.metadata.title == note.title


def squeezed(text: str) -> str:
    return re.sub(r"[\s\u200b_]", "", text)


def nodes(node: Any) -> list[Any]:
    found: list[Any] = []
    below = node.get("/K")
    for one in below if isinstance(below, pikepdf.Array) else [below]:
        if isinstance(one, pikepdf.Dictionary) and "/S" in one:
            found += [one, *nodes(one)]
    return found


def test_hostile_text_stays_text_in_a_pdf() -> None:
    given = hostile(" ".join(HOSTILE))
    note = write_core("letter", given, WORDS, BOOK)
    reader = pypdf.PdfReader(io.BytesIO(write_note(given, "letter", BOOK, "pdf")))
    said = squeezed("".join(page.extract_text() for page in reader.pages))
    parts = (part for section in note.sections for part in section.parts)
    label = next(part for part in parts if part.key == "patient")
    assert isinstance(label, Line)
    assert squeezed(label.text) in said
    assert not any("/Annots" in page for page in reader.pages)


def test_a_letter_that_the_fonts_lack_is_named() -> None:
    with pytest.raises(InputError, match=r"U\+6F22"):
        write_note(hostile("漢"), "letter", BOOK, "pdf")
    assert "漢" in write_note(hostile("漢"), "letter", BOOK, "text").decode()


def test_the_same_note_gives_the_same_bytes() -> None:
    stamp = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
    for form in FORMATS:
        twice = [write_note(case(make_exam()), "visit", BOOK, form, stamp=stamp) for _ in range(2)]
        assert twice[0] == twice[1], form


def test_an_unknown_format_is_refused() -> None:
    with pytest.raises(InputError, match="text, markdown, docx, pdf"):
        write_note(case(make_exam()), "visit", BOOK, "rtf")


# ------------------------------------------------------------------ versions


def test_versions_point_at_the_one_before_and_none_is_overwritten(tmp_path: Path) -> None:
    given = case(make_exam())
    write_note(given, "visit", BOOK, folder=tmp_path)
    first = (tmp_path / NOTES).read_bytes()
    write_note(given, "visit", BOOK, folder=tmp_path)  # the same text is there already
    assert (tmp_path / NOTES).read_bytes() == first
    edited = keep_note(tmp_path, "visit", DAY, "Mine.\r\nSecond line.", "R. Alder", DAY)
    third = keep_note(tmp_path, "visit", DAY, "Mine, mended.", "R. Alder", DAY + timedelta(days=1))
    assert (tmp_path / NOTES).read_bytes().startswith(first)
    kept = kept_notes(tmp_path)
    assert [one.version for one in kept] == [1, 2, 3]
    note = write_core("visit", given, WORDS, BOOK)
    assert kept[0].text == to_plain(note)
    assert kept[0].based_on == note.digest
    assert (edited.based_on, third.based_on) == (kept[0].digest, edited.digest)
    assert edited.text == "Mine.\nSecond line."
    other = keep_note(tmp_path, "letter", DAY, "Dear", "R. Alder", DAY)
    assert other.version == 1
    assert kept_notes(tmp_path, "letter") == (other,)


def test_a_line_left_without_its_end_is_cut_off(tmp_path: Path) -> None:
    keep_note(tmp_path, "visit", DAY, "one", "a", DAY)
    whole = (tmp_path / NOTES).read_bytes()
    (tmp_path / NOTES).write_bytes(whole + b'{"kind": "visit", "te')
    assert [one.text for one in kept_notes(tmp_path)] == ["one"]
    keep_note(tmp_path, "visit", DAY, "two", "a", DAY)
    assert [one.text for one in kept_notes(tmp_path)] == ["one", "two"]
    assert (tmp_path / NOTES).read_bytes().startswith(whole)


@pytest.mark.parametrize(
    "damage",
    [
        lambda line: line.replace("one", "won"),
        lambda line: line[:20],
        lambda line: "[]",
        lambda line: "{}",
        lambda line: line.replace('"version"', '"number"'),
    ],
)
def test_a_changed_line_is_refused(tmp_path: Path, damage: object) -> None:
    keep_note(tmp_path, "visit", DAY, "one", "a", DAY)
    line = (tmp_path / NOTES).read_text("utf-8").strip()
    changed = damage(line)  # type: ignore[operator]
    assert changed != line
    (tmp_path / NOTES).write_text(changed + "\n", "utf-8")
    with pytest.raises(InputError, match="line 1"):
        kept_notes(tmp_path)
    with pytest.raises(InputError, match="line 1"):
        keep_note(tmp_path, "visit", DAY, "two", "a", DAY)


@pytest.mark.parametrize("text", HOSTILE)
def test_any_text_is_kept_on_one_line(tmp_path: Path, text: str) -> None:
    kept = keep_note(tmp_path, "visit", DAY, text + "\ud800", text, DAY)
    assert (tmp_path / NOTES).read_bytes().count(b"\n") == 1
    assert kept_notes(tmp_path)[-1] == kept


def test_what_cannot_be_kept_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError) as refused:
        keep_note(tmp_path, "bill", DAY, " ", "a", DAY)
    assert [fault.field for fault in refused.value.faults] == ["kind", "text"]
    with pytest.raises(InputError, match="notes"):
        keep_note(tmp_path / "not there", "visit", DAY, "one", "a", DAY)


# ------------------------------------------------------------------ minutes and advice


def test_minutes_are_read() -> None:
    timed = read_minutes('untimed = ["first visit"]\nwhole_min = 50\n[timed]\n"work A" = 23\n')
    assert dict(timed.minutes) == {"work A": 23}
    assert timed.untimed == ("first visit",)
    assert timed.whole_min == 50


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ("timed = 3", "timed"),
        ("[timed]\na = 2.5", "timed.a"),
        ("[timed]\na = -1", "timed.a"),
        ("[timed]\na = true", "timed.a"),
        ("untimed = 3\n[timed]\n", "untimed"),
        ("whole_min = -3\n[timed]\n", "whole_min"),
        ("[service]\na = 3\n[timed]\n", "service"),
        ("a =", "file"),
    ],
)
def test_each_fault_of_the_minutes_is_named(text: str, field: str) -> None:
    with pytest.raises(InputError) as refused:
        read_minutes(text)
    assert [fault.field for fault in refused.value.faults] == [field]


# ------------------------------------------------------------------ a plan's folder


def followed(folder: Path) -> None:
    """Two weeks of a plan, all done, kept in its diary."""
    home = open_plan(folder)[0]
    days = [home.starts + timedelta(days=day) for day in (0, 2, 4, 7, 9, 11)]
    for day in days:
        lines = [f"{n}=all/1/0" for n in range(1, len(home.lines) + 1)]
        add_paper(folder, [read_entries(lines, day, home)], day)


def accept_all(text: str) -> str:
    return text.replace('by = ""', 'by = "R. Alder"').replace('answer = ""', 'answer = "accept"')


def test_a_folder_gives_each_note_what_it_may_say(tmp_path: Path) -> None:
    folder, stamp = tmp_path / "plan", datetime(2026, 3, 2, 9, tzinfo=UTC)
    exam = make_exam()
    hand_over(make_plan(exam, BOOK, DAY), BOOK, folder, stamp)
    first = open_case(folder, "evaluation", BOOK, DAY, by="R. Alder, PT")
    assert (first.version, first.entries, first.decision) == (1, (), None)
    assert first.number == open_plan(folder)[0].number.hex()
    followed(folder)
    day = DAY + timedelta(days=14)
    waiting = open_case(folder, "visit", BOOK, day)
    assert {one.answer for one in waiting.advice} == {None}
    assert len(waiting.entries) > 0
    again = replace(exam, on=day, measured=tuple(replace(m, on=day) for m in exam.measured))
    _, _, decision = decide_now(folder, BOOK, day, again)
    renew_plan(folder, BOOK, day, accept_all(blank_answers(decision)), stamp, again)
    for kind in ("visit", "progress", "discharge", "letter"):
        given = open_case(folder, kind, BOOK, day)
        assert [one.on for one in given.exams] == [DAY, day]
        assert (given.version, given.starts, given.since) == (2, DAY, DAY)
        assert {one.answer.by for one in given.advice if one.answer} == {"R. Alder"}
        assert len(given.advice) == len(decision.lines)
        assert len(given.compared) > 0
        note = write_core(kind, given, WORDS, BOOK)
        assert "Programme " + given.number in to_plain(note)
    later = day + timedelta(days=7)
    assert open_case(folder, "visit", BOOK, later).since == day
    assert open_case(folder, "progress", BOOK, later).since == DAY
    with pytest.raises(InputError, match="or later"):
        open_case(folder, "visit", BOOK, DAY)


def test_a_folder_without_a_programme_has_its_notes_too(tmp_path: Path) -> None:
    exam = make_exam(answers={"hot_swollen_joint": "right"})
    folder, stamp = tmp_path / "plan", datetime(2026, 3, 2, 9, tzinfo=UTC)
    hand_over(make_plan(exam, BOOK, DAY), BOOK, folder, stamp)
    for kind in KINDS:
        text = write_note(open_case(folder, kind, BOOK, DAY), kind, BOOK).decode()
        if kind in ("evaluation", "letter"):
            assert "Emergency, right foot: hot swollen joint" in text
    with pytest.raises(InputError, match="rungwise plan"):
        open_case(tmp_path / "none", "visit", BOOK, DAY)
