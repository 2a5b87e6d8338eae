"""The sheet and the captions of a class: one page, nobody's sizes, times to the second."""

from __future__ import annotations

import io
import json
import re
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pikepdf
import pypdf
import pytest

from rungwise.book import load_book
from rungwise.captions import Cue, cues_of, to_vtt
from rungwise.cli import main
from rungwise.clinic import class_sheets, class_ways, group_class
from rungwise.core.errors import InputError
from rungwise.core.group import GroupClass
from rungwise.core.reading import score
from rungwise.handout.group import ClassWords, build_class_sheet, to_class_pdf, to_class_text
from rungwise.phone.room import room_data, room_page
from rungwise.words import languages, load_syllables, load_words

BOOK = load_book()
STAMP = datetime(2026, 11, 25, tzinfo=UTC)
FULL = (
    "heel_raise:seated_weight/half=2",
    "heel_raise:hands_60/half=3",
    "toe_press:half/firm/standing",
    "balance:hand/tandem/firm",
)
CALM = ("toe_bend:half", "calf_stretch:seated_cloth=2", "arch_lift:seated")


def group(*choices: str) -> GroupClass:
    return group_class(choices, BOOK, 8)


MAY = [name for name, why in class_ways(BOOK) if not why]


# ------------------------------------------------------------------ captions


def read_vtt(text: str) -> list[tuple[str, int, int, str]]:
    """Read a file by the grammar of W3C WebVTT, section 4.1, and nothing wider than it.

    Returns identifier, start [ms], end [ms] and plain text of each cue.
    """
    assert "\0" not in text
    lines = re.split(r"\r\n|\n|\r", text.removeprefix("\ufeff"))
    assert re.fullmatch(r"WEBVTT(?:[ \t](?!.*-->).*)?", lines[0])
    assert lines[1] == ""  # two line ends after the first line
    cues = []
    blocks = [b for b in re.split(r"\n{2,}", "\n".join(lines[1:]).strip("\n")) if b]
    time = r"(?:(\d{2,}):)?([0-5]\d):([0-5]\d)\.(\d{3})"
    for block in blocks:
        parts = block.split("\n")
        if re.match(r"NOTE(?:[ \t]|$)", parts[0]):
            assert "-->" not in block
            continue
        name = parts.pop(0) if "-->" not in parts[0] else ""
        timing = re.fullmatch(rf"{time}[ \t]+-->[ \t]+{time}", parts.pop(0))
        assert timing, block
        start, end = (
            ((int(h or 0) * 60 + int(m)) * 60 + int(s)) * 1000 + int(ms)
            for h, m, s, ms in (timing.groups()[:4], timing.groups()[4:])
        )
        payload = "\n".join(parts)
        assert payload
        assert "-->" not in payload
        assert not re.search(r"[<>]|&(?!amp;|lt;|gt;|lrm;|rlm;|nbsp;)", payload)
        for letter, entity in (("<", "&lt;"), (">", "&gt;"), ("&", "&amp;")):
            payload = payload.replace(entity, letter)
        cues.append((name, start, end, payload))
    names = [name for name, *_ in cues if name]
    assert len(set(names)) == len(names)
    assert all(start < end for _, start, end, _ in cues)
    assert all(b[1] >= a[1] for a, b in pairwise(cues))
    return cues


@pytest.mark.parametrize(
    "bad",
    [
        "WEBVTTX\n\n00:00.000 --> 00:01.000\na\n",
        "WEBVTT\n00:00.000 --> 00:01.000\na\n",
        "WEBVTT\n\n00:00.00 --> 00:01.000\na\n",
        "WEBVTT\n\n00:00.000-->00:01.000\na\n",
        "WEBVTT\n\n00:01.000 --> 00:01.000\na\n",
        "WEBVTT\n\n00:00.000 --> 00:61.000\na\n",
        "WEBVTT\n\n00:00.000 --> 00:01.000\na < b\n",
        "WEBVTT\n\n00:00.000 --> 00:01.000\na & b\n",
        "WEBVTT\n\n00:05.000 --> 00:06.000\na\n\n00:01.000 --> 00:02.000\nb\n",
    ],
)
def test_the_reader_refuses_what_the_grammar_refuses(bad: str) -> None:
    with pytest.raises(AssertionError):
        read_vtt(bad)


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("choices", [FULL, CALM], ids=["full", "calm"])
def test_captions_follow_the_running_order(code: str, choices: tuple[str, ...]) -> None:
    made, words = group(*choices), load_words(code)
    cues = read_vtt(to_vtt(cues_of(made, BOOK, words), words.say("class.title")))
    assert cues[0][1] == 0
    assert cues[-1][2] == round(made.seconds * 1000)
    for before, after in pairwise(cues):
        assert after[1] == before[2]  # no gap, no overlap
    starts = {start: text for _, start, _, text in cues}
    for moment in made.moments:
        assert round(moment.start_s * 1000) in starts
        if moment.kind != "do":
            continue
        line = next(
            e
            for e in made.lines(str(moment.family), moment.place)
            if e.both or e.side == moment.side
        )
        foot = words.say("feet.both" if line.both else f"feet.{moment.side}")
        assert starts[round(moment.start_s * 1000)].startswith(f"{foot}. 1: ")
        dose = line.dose
        rep = dose.lift_s + dose.hold_s + dose.lower_s
        for number in range(dose.reps):
            at = moment.start_s + number * rep
            assert f"{number + 1}: " in starts[round(at * 1000)]
            held = starts[round((at + dose.lift_s) * 1000)]
            assert held == words.say(
                f"class.cue.{line.family}.hold", seconds=words.seconds(dose.hold_s)
            )
            assert round((at + dose.lift_s + dose.hold_s) * 1000) in starts


def test_each_exercise_is_explained_before_it_begins() -> None:
    made, words = group(*FULL), load_words("en")
    told = ClassWords(made, words, BOOK)
    cues = cues_of(made, BOOK, words)
    for block in made.blocks:
        first = next(
            m for m in made.moments if m.kind == "do" and (m.family, m.place) == block
        ).start_s
        said = [c.text for c in cues if c.end_s <= first]
        assert said[-len(told.lines(block)) :] == list(told.lines(block))
        assert told.next(block) in said
    stand = next(m.start_s for m in made.moments if m.kind == "change")
    assert next(c for c in cues if c.start_s == stand).text == words.say("class.gap.stand")


@pytest.mark.parametrize("code", languages())
def test_the_weight_is_put_down_before_anyone_stands_up(code: str) -> None:
    made, words = group(*FULL), load_words(code)
    away = words.say("class.gap.away", things=words.say("class.thing.weight"))
    said = [cue.text for cue in cues_of(made, BOOK, words)]
    assert said.index(away) < said.index(words.say("class.gap.stand"))
    rows = [step.what for step in build_class_sheet(made, BOOK, words).order]
    row = next(row for row in rows if away in row)
    assert row.index(away) < row.index(words.say("class.gap.stand"))


def test_any_text_is_made_harmless() -> None:
    nasty = ["<b>a</b> & --> b", "two\n\nlines", "NOTE\r\nx", "a\u2028b\0"]
    cues = [Cue(i, i + 1, text) for i, text in enumerate(nasty)]
    found = [text for *_, text in read_vtt(to_vtt(cues, "x --> y\n\nz"))]
    assert found == ["<b>a</b> & → b", "two lines", "NOTE x", "a b\ufffd"]


def test_long_times_and_whole_milliseconds() -> None:
    assert "\n01:01:01.001 --> 100:00:00.000\n" in to_vtt([Cue(3661.0009, 360000, "a")])


@pytest.mark.parametrize(
    "cues",
    [
        [Cue(0, 0, "a")],
        [Cue(-1, 1, "a")],
        [Cue(0, 1, " \n ")],
        [Cue(0, 2, "a"), Cue(1, 3, "b")],
        [Cue(5, 6, "a"), Cue(1, 2, "b")],
    ],
)
def test_cues_that_cannot_be_shown_are_refused(cues: list[Cue]) -> None:
    with pytest.raises(InputError):
        to_vtt(cues)


# ------------------------------------------------------------------ the sheet


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("paper", ["a4", "us-letter"])
@pytest.mark.parametrize("choices", [FULL, CALM, CALM[:1]], ids=["full", "calm", "one"])
def test_one_accessible_page(code: str, paper: str, choices: tuple[str, ...]) -> None:
    made = group(*choices)
    sheet = build_class_sheet(made, BOOK, load_words(code))
    raw = to_class_pdf(sheet, paper, STAMP)
    assert raw == to_class_pdf(sheet, paper, STAMP)
    reader = pypdf.PdfReader(io.BytesIO(raw))
    assert len(reader.pages) == 1
    size = {"a4": (595, 842), "us-letter": (612, 792)}[paper]
    assert [round(float(x)) for x in reader.pages[0].mediabox[2:]] == list(size)
    text = " ".join(reader.pages[0].extract_text().split())
    for said in (sheet.title, sheet.stop.heading, sheet.not_yet.heading, sheet.edition):
        assert said in text
    assert all(line in text for panel in sheet.panels for line in panel.lines[-1:])
    with pikepdf.open(io.BytesIO(raw)) as pdf:
        assert str(pdf.Root.Lang) == code
        assert bool(pdf.Root.MarkInfo.Marked)
        assert "<pdfuaid:part>1</pdfuaid:part>" in pdf.Root.Metadata.read_bytes().decode()


def test_every_screening_item_is_asked_for() -> None:
    asked = {
        "hot": "hot_swollen_joint implant_infection gout_attack warm_swollen_numb_foot",
        "sore": "recent_injury sesamoid_or_stress_pain overbend_injury",
        "skin": "numb_foot broken_skin",
        "blood": "poor_circulation clot_signs",
        "operated": "foot_operation toe_injection implant_infection",
        "nerve": "nerve_pain colour_or_sweat_change",
        "strong": "severe_pain night_pain_or_lump",
        "joints": "inflammatory_signs",
        "falls": "falls",
        "dizzy": "dizziness blackouts_or_heart",
        "fragile": "fragility_fracture blood_thinner late_pregnancy",
        "alone": "cannot_self_monitor",
    }
    assert list(load_words("en").under("class.not_yet")) == list(asked)
    assert {item for items in asked.values() for item in items.split()} == set(BOOK.items)


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("name", MAY)
def test_every_rung_that_may_join_has_its_words(code: str, name: str) -> None:
    made, words = group(name), load_words(code)
    panel = build_class_sheet(made, BOOK, words).panels[0]
    assert 3 <= len(panel.lines) <= 4
    assert panel.dose
    assert panel.setting
    assert cues_of(made, BOOK, words)
    assert not re.search(r"\{|@|\[en\]", " ".join((*panel.lines, panel.dose, panel.alt)))


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("name", MAY)
def test_no_size_of_a_body_is_told(code: str, name: str) -> None:
    sheet = build_class_sheet(group(name), BOOK, load_words(code))
    text = to_class_text(sheet) + " ".join(panel.alt for panel in sheet.panels)
    assert not re.search(r"\d+([.,]\d+)? ?(mm|cm|°|deg|inch|pulgada|grad)", text)
    assert all("<text" not in panel.svg for panel in sheet.panels)


def test_a_bending_rung_names_the_own_mark_or_cloth() -> None:
    for name in MAY:
        made = group(name)
        if made.exercises[0].fitted.demand.bend_share and not name.startswith("toe_bend"):
            lines = " ".join(build_class_sheet(made, BOOK, load_words("en")).panels[0].lines)
            assert re.search(
                r"your own (cloth|mark)\. None yet\?|Your own cloth|your own cloth", lines
            )


def test_the_sheet_is_easy_to_read() -> None:
    # the gates of the handout: Flesch-Kincaid 6, SMOG 8 (clin_s40, clin_s40b)
    for choices in (FULL, CALM):
        text = to_class_text(build_class_sheet(group(*choices), BOOK, load_words("en")))
        lines = [line for line in text.splitlines() if line.endswith((".", "?"))]
        found = score("\n".join(lines), load_syllables())
        assert found.flesch_kincaid <= 6
        assert found.smog <= 8


def test_a_class_of_nothing_has_no_sheet() -> None:
    empty = group("balance:near/one_leg/soft")
    with pytest.raises(InputError, match="no exercise"):
        build_class_sheet(empty, BOOK, load_words("en"))


# ------------------------------------------------------------------ the command


def test_the_command_writes_all_or_says_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "made"
    day = ("--today", "2026-11-25")
    code = main(["class", *FULL, "walking:five/flat", "--out", str(out), *day])
    said = capsys.readouterr()
    assert code == 3  # five exercises
    assert not out.exists()
    assert "at most 4" in said.err
    code = main(["class", *FULL[:2], "walking:five/flat", "--out", str(out), *day])
    said = capsys.readouterr()
    assert code == 10
    assert "Left out: walking:five/flat" in said.out
    assert "without a hand" in said.out
    assert sorted(p.name for p in out.iterdir()) == [
        "class.json",
        "class.pdf",
        "class.txt",
        "class.vtt",
        "room.html",
    ]
    read_vtt((out / "class.vtt").read_text("utf-8"))
    assert json.loads((out / "class.json").read_text("utf-8"))["people"] == 8
    assert main(["class", "walking:five/flat", "--out", str(tmp_path / "no"), *day]) == 11
    assert not (tmp_path / "no").exists()
    capsys.readouterr()
    assert main(["class", "heel_rise:seated/half", "--out", str(tmp_path / "no")]) == 3
    assert "Did you mean heel_raise:seated/half" in capsys.readouterr().err


def test_the_command_lists_rungs_and_has_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["class"]) == 0
    listed = capsys.readouterr().out
    assert re.search(r"^walking:five/flat +class\.tier; class\.no_hold$", listed, re.MULTILINE)
    assert main(["class", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert [row["rung"] for row in rows if not row["barred"]] == MAY
    out = str(tmp_path / "c")
    assert main(["class", *CALM, "--json", "--lang", "es", "--out", out, "--minutes", "30"]) == 0
    assert json.loads(capsys.readouterr().out)["minutes"] == 30


def test_an_earlier_class_is_replaced_only_when_asked_and_nothing_else_ever(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, day = tmp_path / "made", ("--today", "2026-11-25")
    assert main(["class", CALM[0], "--out", str(out), *day]) == 0
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    capsys.readouterr()
    assert main(["class", CALM[1], "--out", str(out), *day]) == 3
    assert "add --replace" in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before
    # a class of nothing is no class: what was there stays
    assert main(["class", "walking:five/flat", "--out", str(out), "--replace", *day]) == 11
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before
    # bad input, too
    assert main(["class", CALM[1], "--people", "99", "--out", str(out), "--replace", *day]) == 3
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before
    given = ["class", CALM[1], "walking:five/flat", "--lang", "es", "--replace", *day]
    assert main([*given, "--out", str(out)]) == 10
    after = {p.name: p.read_bytes() for p in out.iterdir()}
    assert after.keys() == before.keys()
    assert after["class.json"] != before["class.json"]
    assert [p.name for p in tmp_path.iterdir()] == ["made"]
    # the folder of a plan, and a folder of other files, are never a class
    for name in ("plan.json", "plans.json", "index.html", "notes.txt"):
        other = tmp_path / name.partition(".")[0]
        other.mkdir(exist_ok=True)
        (other / name).write_text("mine", "utf-8")
        capsys.readouterr()
        assert main(["class", CALM[0], "--out", str(other), "--replace", *day]) == 3
        assert "it holds other files" in capsys.readouterr().err
        assert [p.name for p in other.iterdir()] == [name]


def test_every_file_of_a_class_is_in_its_language(tmp_path: Path) -> None:
    out = tmp_path / "clase"
    assert main(["class", *CALM, "--lang", "es", "--out", str(out), "--today", "2026-11-25"]) == 0
    words = load_words("es")
    text = {p.name: p.read_text("utf-8") for p in out.iterdir() if p.suffix != ".pdf"}
    for name in ("class.txt", "class.vtt", "room.html"):
        assert words.say("class.title") in text[name]
        assert "[en]" not in text[name]
        assert all(line in text[name] for line in words.lines("stop.lines", stop_from=6)), name
    assert '<html lang="es" dir="ltr">' in text["room.html"]


@pytest.mark.parametrize("code", languages())
def test_the_page_for_a_room_may_reach_nothing_and_says_all_words(code: str) -> None:
    page = room_page(group(*FULL), BOOK, load_words(code))
    assert "default-src 'none'" in page
    assert "connect-src 'none'" in page
    assert not re.search(r"https?://(?!www\.w3\.org/)|<link|<script src|@import|url\(", page)
    assert len(page) < 150_000
    data = room_data(group(*FULL), BOOK, load_words(code))
    said = [*(t for part in data["opening"] for t in part)]
    said += [t for stage in data["stages"] for _, t in stage["cues"]]
    assert said == [cue.text for cue in cues_of(group(*FULL), BOOK, load_words(code))]
    lasts = sum(stage["seconds"] for stage in data["stages"])
    assert lasts == group(*FULL).seconds - group(*FULL).opening_s


@pytest.mark.parametrize("name", MAY)
def test_every_rung_that_may_join_can_be_led_in_a_room(name: str) -> None:
    data = room_data(group(name), BOOK, load_words("en"))
    for stage in data["stages"]:
        dose = stage["dose"]
        parts = [dose[part] for part in ("lift", "hold", "lower") if dose[part] > 0]
        assert dose["reps"] * sum(parts) == stage["seconds"]
        if stage["kind"] == "do":  # a caption for each part of each time, as the page counts them
            assert len(stage["cues"]) == dose["reps"] * len(parts)


def test_sheets_are_the_same_to_the_byte() -> None:
    made = group(*CALM)
    assert class_sheets(made, BOOK, STAMP, "es", "us-letter") == class_sheets(
        made, BOOK, STAMP, "es", "us-letter"
    )
