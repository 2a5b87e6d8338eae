"""The patient's sheet: what it says, that it is laid out safely, and that others can read it."""

from __future__ import annotations

import io
import json
import re
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import asdict, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pikepdf
import pypdf
import pytest

from rungwise import clinic
from rungwise.book import load_book
from rungwise.core.errors import EvidenceError, InputError
from rungwise.core.ladder import rungs_of
from rungwise.core.reading import score, split_sentences
from rungwise.core.terms import SIDES, Body, Exam, Fitted, Plan, Side
from rungwise.draw import Drawing, draw_pose
from rungwise.handout import Handout, Panel, build, build_handout, reading_of, to_pdf, to_text
from rungwise.handout import page as layout
from rungwise.handout.fit import fit_panel, form_of
from rungwise.handout.text import running_text
from rungwise.reminders import WEEKDAYS, exercise_weekdays
from rungwise.words import load_syllables, load_words, pseudo_right_to_left
from tests.edges.sample_plan import DOSES, STANDARD, clinic_exam, make_plan
from tests.factory import DAY, make_exam

BOOK = load_book()
ENGLISH = load_words("en")
SPANISH = load_words("es")
POINTS = {"a4": (595.28, 841.89), "us-letter": (612.0, 792.0)}  # ISO 216; 8.5 in x 11 in


def placeholder(fitted: Fitted, body: Body, labels: Mapping[str, str]) -> Drawing:
    """A small picture with its side as a word, so that these tests do not hang on the real one."""
    side = labels[f"{fitted.side}_foot"]
    svg = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1050 700">'
        f'<path d="M100 500L900 500" stroke="#111"/><text x="50" y="90" font-size="46" '
        f'font-family="Noto Sans">{side}</text></svg>'
    )
    return Drawing(svg, f"{side}, bent {fitted.pose.bend_deg:.0f} degrees.", 105.0, 70.0)


@pytest.fixture(autouse=True)
def simple_drawings(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build, "draw_pose", placeholder)


@pytest.fixture
def plan() -> Plan:
    return make_plan(BOOK, exam=clinic_exam())


@pytest.fixture
def sheet(plan: Plan) -> Handout:
    return build_handout(plan, BOOK, ENGLISH)


def extracted(pdf: bytes) -> str:
    pages = (page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)
    return re.sub(r"\s+", " ", " ".join(pages).replace("\u200b", ""))


def in_tree(pdf: pikepdf.Pdf, kind: str) -> list[Any]:
    """Every element of a kind in the tree that a screen reader follows."""
    found: list[Any] = []
    waiting: list[Any] = [pdf.Root.StructTreeRoot]
    while waiting:
        node = waiting.pop()
        if isinstance(node, pikepdf.Dictionary):
            if node.get("/S") == f"/{kind}":
                found.append(node)
            children: Any = node.get("/K", [])
            waiting.extend(children if isinstance(children, pikepdf.Array) else [children])
    return found


# ------------------------------------------------------------------ what it says


def test_numbers_come_first_and_side_is_a_word(sheet: Handout) -> None:
    toe_press = next(p for p in sheet.panels if p.family == "toe_press")
    assert [foot.heading for foot in toe_press.feet] == ["Right foot", "Left foot"]
    for foot in toe_press.feet:
        assert foot.dose == ("5 times. Hold 5 seconds.", "5 days a week.")
        assert all(re.match(r"\d", size) for size in foot.sizes)
    assert toe_press.feet[0].sizes != toe_press.feet[1].sizes
    for figure, side in zip(toe_press.figures, ("Right foot", "Left foot"), strict=True):
        assert f">{side}</text>" in figure.svg  # so it needs no caption
        assert figure.caption == ""


def test_equal_feet_share_one_line_that_names_both(sheet: Handout) -> None:
    arch_lift = next(p for p in sheet.panels if p.family == "arch_lift")
    assert [foot.heading for foot in arch_lift.feet] == ["Right foot and left foot"]
    assert arch_lift.feet[0].dose[0] == "10 times with each foot. Hold 5 seconds."
    assert len(arch_lift.figures) == 2


def test_both_feet_at_once(sheet: Handout) -> None:
    raise_ = next(p for p in sheet.panels if p.family == "heel_raise")
    assert [foot.heading for foot in raise_.feet] == ["Both feet at the same time"]
    assert raise_.feet[0].dose == (
        "2 sets of 10. Hold 1 second.",
        "Up in 2 seconds. Down in 3 seconds.",
        "Rest 1 minute between sets.",
        "3 days a week. Rest a day in between.",
    )
    assert [f.caption for f in raise_.figures] == ["Both feet at the same time"]
    steps = next(part for part in raise_.parts if part.kind == "steps")
    assert "Lift both heels." in steps.lines


def test_different_rungs_get_a_panel_each() -> None:
    lines = [
        ("balance", "right", {"stance": "tandem"}),
        ("balance", "left", {"stance": "semi_tandem"}),
    ]
    found = build_handout(make_plan(BOOK, lines), BOOK, ENGLISH)
    assert [p.title for p in found.panels] == ["Balance: right foot", "Balance: left foot"]
    assert [p.number for p in found.panels] == [1, 1]
    assert found.panels[0].parts != found.panels[1].parts


def test_sizes_are_those_of_the_pose(plan: Plan, sheet: Handout) -> None:
    stop = next(e for e in plan.exercises if e.family == "heel_raise").fitted.pose.sizes_mm
    raise_ = next(p for p in sheet.panels if p.family == "heel_raise")
    assert raise_.feet[0].sizes[0].startswith(ENGLISH.length(stop["heel_height_mm"]))
    press = next(e for e in plan.exercises if e.family == "toe_press")
    toe_press = next(p for p in sheet.panels if p.family == "toe_press")
    thick, place = (press.fitted.pose.sizes_mm[k] for k in ("cloth_thickness_mm", "place_mm"))
    assert toe_press.feet[0].sizes[0].startswith(ENGLISH.length(thick))
    assert toe_press.feet[0].sizes[1].startswith(ENGLISH.length(place, up=True))


def test_scale_weight_only_when_hands_help_and_a_scale_is_there(plan: Plan) -> None:
    lines = [("heel_raise", "right", {"load": "hands_60", "height": "half"})]

    def sizes(exam: Exam) -> str:
        return " ".join(
            build_handout(make_plan(BOOK, lines, exam=exam), BOOK, ENGLISH).panels[0].feet[0].sizes
        )

    # 72 kg, hands take 60 %, two feet: 14.4 kg each, rounded down
    assert "14 kg (31 lb) at most" in sizes(plan.exam)
    bare = replace(plan.exam, person=replace(plan.exam.person, equipment=frozenset({"chair"})))
    assert "scale" not in sizes(bare)


def test_pain_rule_is_the_rows_of_the_book(plan: Plan) -> None:
    rows = {
        **BOOK.rows,
        "pain.safe_max": replace(BOOK.rows["pain.safe_max"], value=1.0),
        "pain.acceptable_max": replace(BOOK.rows["pain.acceptable_max"], value=4.0),
    }
    found = build_handout(plan, replace(BOOK, rows=rows), ENGLISH)
    assert [zone for zone, _ in found.pain] == ["0 to 1", "2 to 4", "5 or more"]
    assert "Pain of 5 or more." in found.stop.lines
    assert "pain 5 or more" in found.footer[0]


def test_head_of_the_sheet(plan: Plan, sheet: Handout) -> None:
    text = to_text(sheet)
    assert sheet.clinic == "Example Foot Clinic"
    assert sheet.identity == "For invented-1, born in 1964"  # two identifiers on every page
    assert "Made on 2 March 2026 by invented therapist" in text
    assert "Use it from 2 March 2026 to 29 March 2026." in text
    assert "Next visit: 16 March 2026." in text
    assert "Do not use this sheet after 29 March 2026." in text
    assert "walk 3 km on the flat (by 1 June 2026)" in text
    assert "Delete its reminders from your phone." in text
    assert f"Rules {plan.edition}" in text
    assert sheet.stop.lines[-1] == "Stop at once. Call 555\u00a00100."


def test_stop_box_and_footer_name_every_reason(sheet: Handout) -> None:
    box = " ".join((*sheet.stop.lines, *sheet.help.lines)).lower()
    for word in ("sharp", "6 or more", "locks", "numb", "sore", "hot", "fever", "calf", "chest"):
        assert word in box
    foot = " ".join(sheet.footer).lower()
    for word in ("sharp", "6 or more", "lock", "numb", "wound", "hot", "fever", "calf", "chest"):
        assert word in foot


def test_emergency_number_of_the_clinic(plan: Plan) -> None:
    exam = replace(plan.exam, clinic={"emergency": "112"})
    found = build_handout(replace(plan, exam=exam), BOOK, ENGLISH)
    assert found.help.lines[-1] == "Do not wait. Call 112 or go to an emergency room."
    assert found.stop.lines[-1] == "Stop at once. Call your therapist."
    assert found.clinic == ""


def test_what_the_sheet_is_not(sheet: Handout) -> None:
    small = " ".join(sheet.small.lines)
    assert "No authority has cleared or approved the software" in small
    assert "licensed therapist" in small
    assert "No trial has tested" in small
    assert "Do not use it in an emergency." in small
    assert "medical device" not in to_text(sheet).lower()


def test_unreviewed_translation_says_so(plan: Plan) -> None:
    found = build_handout(plan, BOOK, SPANISH)
    assert found.small.lines[-1] == SPANISH.say("caution.not_reviewed")


def test_a_foot_that_does_not_feel_gets_its_own_box() -> None:
    numb = make_plan(BOOK, exam=clinic_exam(), forbids={"left": frozenset({"pain_guided"})})
    found = build_handout(numb, BOOK, ENGLISH)
    assert len(found.cautions) == 1
    assert "Your left foot does not feel" in found.cautions[0].lines[0]
    assert "Pain cannot guide you there." in found.cautions[0].lines


@pytest.mark.parametrize("code", ["en", "es"])
def test_who_is_unsteady_or_bleeds_easily_gets_boxes_of_their_own(code: str) -> None:
    words = load_words(code)
    plan = clinic.make_plan(make_exam(answers={"blood_thinner": "yes"}), BOOK, DAY)
    boxes = build_handout(plan, BOOK, words).cautions
    assert [box.kind for box in boxes] == ["unsteady", "bruise"]
    for box in boxes:
        assert box.heading == words.say(f"care.{box.kind}.title")
        assert box.lines == words.lines(f"care.{box.kind}.lines")
    if code == "en":
        assert "When you stand, keep a hand on the counter." in boxes[0].lines
        assert "Look for new bruises on your feet each day." in boxes[1].lines
    text = to_text(build_handout(plan, BOOK, words))
    assert all(line in text for box in boxes for line in box.lines)


def test_running_order_has_minutes_of_the_session(plan: Plan, sheet: Handout) -> None:
    assert plan.session is not None
    assert [s.what for s in sheet.order] == [
        ENGLISH.say(f"exercise.{family}.title") for family in plan.session.order
    ]
    assert sheet.order_total == f"In all: about {ENGLISH.minutes(plan.session.seconds)}."
    steps = [int(re.findall(r"\d+", step.time)[0]) for step in sheet.order]
    assert f"about {sum(steps)} minutes" in sheet.order_total
    assert sheet.order_first == "Start with your right foot."
    assert sheet.fetch is not None
    assert {"A ruler", "A firm chair with no wheels", "A phone, close by"} <= set(sheet.fetch.lines)
    assert len(sheet.fetch.lines) == len(set(sheet.fetch.lines))


def test_walking_stands_apart() -> None:
    found = build_handout(
        make_plan(BOOK, [*STANDARD[:2], ("walking", "right", {"minutes": "ten"})], clinic_exam()),
        BOOK,
        ENGLISH,
    )
    walking = found.panels[-1]
    assert walking.feet[0].heading == "Both feet"
    assert walking.feet[0].dose == ("10 minutes.", "3 days a week.")
    assert "Walking" not in [step.what for step in found.order]
    assert found.order_apart == ("At another time: Walking, about 10 minutes.",)
    text = to_text(found)
    assert text.index(found.order_total) < text.index(found.order_apart[0])


def test_diary_has_a_box_on_the_days_of_the_reminders_only(sheet: Handout, plan: Plan) -> None:
    names = dict(zip(WEEKDAYS, ENGLISH.lines("date.days_short"), strict=True))
    assert plan.session is not None
    rates = [
        e.dose.days_per_week
        for family in plan.session.order
        for e in plan.exercises
        if e.family == family
    ]
    for week in sheet.diary.weeks:
        assert len(week.due) == len(sheet.diary.rows)
        boxes = [{d for (d, _), on in zip(week.days, due, strict=True) if on} for due in week.due]
        assert boxes == [{names[day] for day in exercise_weekdays(rate)} for rate in rates]
    assert any("day off" in line for line in sheet.diary.lines)


def test_minutes_add_up() -> None:
    # by hand: 61 s of 10 s and 51 s is 2 min, one each; 600 s of 100, 200, 300 s is 10 min
    assert build._shared([10.0, 51.0], 61.0) == [1, 1]
    assert build._shared([100.0, 200.0, 300.0], 600.0) == [2, 3, 5]
    assert build._shared([1.0, 1.0, 1.0], 3.0) == [1, 1, 1]
    assert build._shared([], 0.0) == []


def test_the_foot_that_goes_first_stands_first(plan: Plan) -> None:
    text = to_text(build_handout(plan, BOOK, ENGLISH))
    assert "Start with your right foot." in text
    assert "Left foot and right foot" not in text
    assert "Train the right foot first. Then swap." in text


def test_an_address_breaks_after_its_punctuation_only() -> None:
    told = layout._plain("ana.maria.fernandez@a-very-long-name.example.org")
    assert set(told.split("\u200b")) == {
        "ana.",
        "maria.",
        "fernandez@",
        "a-",
        "very-",
        "long-",
        "name.",
        "example.",
        "org",
    }
    assert layout._plain("x" * 30) == "\u200b".join("x" * 30)


def test_diary_has_every_day_exercise_foot_and_next_morning(plan: Plan, sheet: Handout) -> None:
    diary = sheet.diary
    assert [len(week.days) for week in diary.weeks] == [7, 7, 7, 7]
    assert diary.weeks[0].days[0] == ("Mon", "2")
    assert diary.weeks[-1].days[-1] == ("Sun", "29")
    assert diary.rows[0] == "1. Heel raise, both feet"
    assert {"2. Toe press, left foot", "3. Toe press, right foot"} <= set(diary.rows)
    assert diary.mornings == ("Pain next morning, right foot", "Pain next morning, left foot")
    assert (diary.low, diary.high) == ("0 = no pain", "10 = worst pain")
    short = build_handout(replace(plan, ends=date(2026, 3, 10)), BOOK, ENGLISH)
    assert [len(week.days) for week in short.diary.weeks] == [7, 2]


@pytest.mark.parametrize("family", sorted(BOOK.families))
def test_every_rung_of_the_book_makes_a_panel(family: str) -> None:
    base = make_plan(BOOK, exam=clinic_exam())
    for rung in rungs_of(BOOK.families[family]):
        line = (family, "left", dict(rung.notches))
        made = make_plan(BOOK, [line], exam=base.exam)
        if made.exercises[0].fitted.problems:
            continue
        panel = build_handout(made, BOOK, ENGLISH).panels[0]
        kinds = [part.kind for part in panel.parts]
        assert {"set_up", "steps", "feel", "slips"} <= set(kinds)
        assert panel.feet[0].heading in ("Left foot", "Both feet at the same time", "Both feet")
        said = [panel.setting, *(x for part in panel.parts for x in part.lines)]
        said += [x for foot in panel.feet for x in (*foot.dose, *foot.sizes)]
        assert all(said)
        assert not re.search(r"[{}]|(?<!\w)[@=]\w", " ".join(said))


# ------------------------------------------------------------------ reading grade


def test_whole_sheet_is_easy_to_read(sheet: Handout) -> None:
    found = reading_of(sheet)
    assert found is not None
    assert found.flesch_kincaid <= 6.0
    assert found.smog <= 8.0
    assert found.longest_sentence <= 15
    assert not found.short


def test_plain_text_is_as_easy(sheet: Handout) -> None:
    text = "\n".join(line for line in to_text(sheet).splitlines() if "__" not in line)
    found = score(text, load_syllables())
    assert found.flesch_kincaid <= 6.0
    assert found.smog <= 8.0


def test_no_english_grade_for_another_language(plan: Plan) -> None:
    found = build_handout(plan, BOOK, SPANISH)
    assert reading_of(found) is None
    assert max(len(s.split()) for line in running_text(found) for s in split_sentences(line)) <= 20


# ------------------------------------------------------------------ what is refused


def with_text(plan: Plan, text: str) -> Plan:
    person = replace(plan.exam.person, label=text[:60])
    activity = replace(plan.exam.activities[0], name=text)
    clinic = {**plan.exam.clinic, "name": text, "phone": text, "address": text}
    exam = replace(plan.exam, person=person, activities=(activity,), clinic=clinic)
    return replace(plan, exam=exam)


HOSTILE = [
    '#read("/etc/passwd") #include "x.typ" #sys.inputs',
    "<b>bold</b> <script>alert(1)</script> &amp; <label>",
    "$x^2$ *strong* _emph_ `raw` @ref [content] // gone /* gone */",
    '" \\ \\" } { ${x} {0} {value} \\u{41} ~ -- --- ... = # -',
    "naïve Ærøskøbing Łódź Ελλάδα Привет ½ € № ~",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_markup_in_our_fields_is_printed_as_it_is(plan: Plan, text: str) -> None:
    made = to_pdf(build_handout(with_text(plan, text), BOOK, ENGLISH))
    assert re.sub(r"\s+", " ", text) in extracted(made)


@pytest.mark.parametrize(
    ("text", "character"),
    [
        ("a\x00b", "U+0000"),
        ("a\nb", "U+000A"),
        ("\x1b[31m", "U+001B"),
        ("a\u202eb", "U+202E"),
        ("a\u2028b", "U+2028"),
        ("\ufdd0", "U+FDD0"),
        ("\ud800", "U+D800"),
        ("a\u2066b", "U+2066"),
    ],
)
def test_control_characters_are_refused_with_their_field(
    plan: Plan, text: str, character: str
) -> None:
    with pytest.raises(InputError) as caught:
        build_handout(with_text(plan, text), BOOK, ENGLISH)
    fields = [fault.field for fault in caught.value.faults]
    assert fields == [
        "person.label",
        "clinic.name",
        "clinic.address",
        "clinic.phone",
        "activity[0].name",
    ]
    assert all(character in fault.given for fault in caught.value.faults)


@pytest.mark.parametrize(
    ("text", "names"),
    [("用", ["U+7528"]), ("good 😀 day", ["U+1F600"]), ("用 and 語", ["U+7528", "U+8A9E"])],
)
def test_letters_that_the_fonts_lack_are_refused_with_their_field(
    plan: Plan, text: str, names: list[str]
) -> None:
    activity = replace(plan.exam.activities[0], name=text)
    made = build_handout(
        replace(plan, exam=replace(plan.exam, activities=(activity,))), BOOK, ENGLISH
    )
    with pytest.raises(InputError) as caught:
        to_pdf(made)
    assert [f.field for f in caught.value.faults] == ["activity[0].name"] * len(names)
    assert all(name in f.given for name, f in zip(names, caught.value.faults, strict=True))


def test_our_own_missing_letter_is_no_fault_of_the_input(sheet: Handout) -> None:
    with pytest.raises(EvidenceError, match="could not be displayed"):
        to_pdf(replace(sheet, title="用"))


def test_arabic_name_on_an_english_sheet(plan: Plan) -> None:
    made = to_pdf(build_handout(with_text(plan, "عيادة القدم"), BOOK, ENGLISH))
    assert "NotoSansArabic" in fonts_of(made)


def test_long_texts(plan: Plan) -> None:
    endless = "x" * 400
    made = to_pdf(build_handout(with_text(plan, endless), BOOK, ENGLISH))
    assert extracted(made).replace(" ", "").count("x" * 400) >= 3
    with pytest.raises(InputError) as caught:
        build_handout(with_text(plan, "y" * 501), BOOK, ENGLISH)
    assert {f.given for f in caught.value.faults} == {"501 characters"}


def test_what_does_not_agree_is_refused_all_at_once(plan: Plan) -> None:
    first, *rest = plan.exercises
    wrong = replace(first, side="left" if first.side == "right" else "right")
    with pytest.raises(InputError) as caught:
        build_handout(replace(plan, exercises=(wrong, *rest), edition="old"), BOOK, ENGLISH)
    assert [f.field for f in caught.value.faults] == ["edition", "exercises[0].side"]


def test_no_programme_no_sheet(plan: Plan) -> None:
    with pytest.raises(InputError, match="at least one"):
        build_handout(replace(plan, exercises=()), BOOK, ENGLISH)


@pytest.mark.parametrize("outcome", ["refer", "hold"])
def test_a_foot_that_the_screen_stops_gets_no_sheet(outcome: str) -> None:
    with pytest.raises(InputError, match=outcome):
        build_handout(make_plan(BOOK, outcome=outcome), BOOK, ENGLISH)


def test_an_impossible_rung_gets_no_sheet(plan: Plan) -> None:
    first, *rest = plan.exercises
    broken = replace(first, fitted=replace(first.fitted, problems=("press.thin_cloth",)))
    with pytest.raises(InputError, match=r"exercises\[0\].rung"):
        build_handout(replace(plan, exercises=(broken, *rest)), BOOK, ENGLISH)


def test_unknown_paper(sheet: Handout) -> None:
    with pytest.raises(InputError, match="us-letter"):
        to_pdf(sheet, "a5")


# ------------------------------------------------------------------ the PDF


def fonts_of(pdf: bytes) -> str:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        return " ".join(
            str(obj["/BaseFont"])
            for obj in opened.objects
            if isinstance(obj, pikepdf.Dictionary) and "/BaseFont" in obj
        )


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
@pytest.mark.parametrize("large", [False, True])
def test_pdf_is_tagged_for_screen_readers(sheet: Handout, paper: str, large: bool) -> None:
    with pikepdf.open(io.BytesIO(to_pdf(sheet, paper, large))) as pdf:
        assert pdf.open_metadata()["pdfuaid:part"] == "1"
        assert pdf.Root.Lang == "en"
        assert pdf.Root.MarkInfo.Marked
        assert pdf.Root.ViewerPreferences.DisplayDocTitle
        assert str(pdf.docinfo["/Title"]) == sheet.title
        for page in pdf.pages:
            size = [float(x) for x in page.MediaBox[2:]]
            assert size == pytest.approx(POINTS[paper], abs=0.5)
        figures = in_tree(pdf, "Figure")
        alts = [str(figure.Alt) for figure in figures]
        assert sorted(alts) == sorted(f.alt for p in sheet.panels for f in p.figures)
        assert len(in_tree(pdf, "H1")) == 1
        weeks, tables = len(sheet.diary.weeks), len(in_tree(pdf, "Table"))
        assert tables == (weeks if large else weeks // 2)  # two weeks side by side
        assert len(in_tree(pdf, "TH")) == 8 * weeks + tables
        cells = 7 * weeks * (len(sheet.diary.rows) + len(sheet.diary.mornings))
        assert len(in_tree(pdf, "TD")) == cells + tables * len(
            sheet.diary.rows + sheet.diary.mornings
        )


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
@pytest.mark.parametrize("large", [False, True])
@pytest.mark.parametrize("code", ["en", "es"])
def test_nothing_is_lost_on_paper(plan: Plan, paper: str, large: bool, code: str) -> None:
    made = build_handout(plan, BOOK, load_words(code))
    text = extracted(to_pdf(made, paper, large)).replace(" ", "")
    for line in running_text(made):
        assert re.sub(r"\s+", "", line.split(": ")[0]) in text
    for panel in made.panels:
        assert panel.title.replace(" ", "") in text
        for foot in panel.feet:
            assert re.sub(r"\s", "", foot.heading) in text
    for row in (*made.diary.rows, *made.diary.mornings):
        tables = len(made.diary.weeks) if large else len(made.diary.weeks) // 2
        assert text.count(row.replace(" ", "")) >= tables


def test_every_page_has_stop_lines_identity_number_and_edition(plan: Plan, sheet: Handout) -> None:
    reader = pypdf.PdfReader(io.BytesIO(to_pdf(sheet)))
    pages = [re.sub(r"\s+", " ", page.extract_text()) for page in reader.pages]
    for number, page in enumerate(pages, 1):
        assert sheet.footer[0] in page
        assert sheet.footer[1] in page
        assert sheet.identity in page
        assert f"Page {number} of {len(pages)}" in page
        assert plan.edition in page
    assert "Stop and call us" in pages[0]
    assert "Get help now" in pages[0]


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
@pytest.mark.parametrize("large", [False, True])
def test_no_line_runs_off_the_page(paper: str, large: bool) -> None:
    # the longest sheet: both feet, the wordiest rungs, every warning
    lines = [
        ("toe_press", "right", {"cloth": "half", "position": "standing"}),
        ("toe_press", "left", {"cloth": "half", "position": "standing"}),
        ("heel_raise", "right", {"load": "hands_60", "height": "half"}),
        ("balance", "right", {"stance": "tandem", "surface": "soft"}),
        ("balance", "left", {"stance": "tandem", "surface": "soft"}),
    ]
    numb: dict[Side, frozenset[str]] = dict.fromkeys(SIDES, frozenset({"pain_guided"}))
    for words in (ENGLISH, SPANISH):
        made = build_handout(
            make_plan(BOOK, lines, exam=clinic_exam(), forbids=numb),
            BOOK,
            words,
        )
        footer, bottom = 12.0 if large else 10.0, form_of(paper, large).bottom  # [pt], [mm]
        for page in pypdf.PdfReader(io.BytesIO(to_pdf(made, paper, large))).pages:
            places = lines_of(page)
            assert len(places) > 5
            body = [y for y, size in places if size > footer]
            assert min(body) >= bottom * 72 / 25.4
            assert max(body) <= POINTS[paper][1]


def lines_of(page: pypdf.PageObject) -> list[tuple[float, float]]:
    """Height above the lower edge [pt] and size [pt] of each piece of text."""
    found: list[tuple[float, float]] = []

    def note(text: str, cm: list[float], tm: list[float], _: object, size: float) -> None:
        if text.strip():
            found.append((tm[4] * cm[1] + tm[5] * cm[3] + cm[5], size))

    page.extract_text(visitor_text=note)
    return found


@pytest.mark.parametrize("code", ["en", "es"])
@pytest.mark.parametrize("family", sorted(BOOK.families))
@pytest.mark.parametrize("large", [False, True])
def test_no_panel_is_taller_than_thought(
    family: str, code: str, large: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The estimate is the guard: a panel kept whole surely fits its page, so nothing is cut off.
    monkeypatch.setattr(build, "draw_pose", draw_pose)
    base, words = clinic_exam(), load_words(code)
    panels: list[Panel] = []
    last = build_handout(make_plan(BOOK, exam=base), BOOK, words)
    for sides in (SIDES, SIDES[:1]):
        for rung in rungs_of(BOOK.families[family]):
            made = make_plan(BOOK, [(family, s, dict(rung.notches)) for s in sides], exam=base)
            if not any(e.fitted.problems for e in made.exercises):
                panels += build_handout(made, BOOK, words).panels
    named = []
    for number, panel in enumerate(dict.fromkeys(panels)):
        figures = tuple(replace(f, name=f"{number}_{f.name}") for f in panel.figures)
        named.append(replace(panel, number=number, title=f"Panel{number}z", figures=figures))
    form = form_of("us-letter", large)
    many = to_pdf(replace(last, panels=tuple(named)), form.paper, large)
    reader = pypdf.PdfReader(io.BytesIO(many))
    seen = {}
    for page in reader.pages:
        text = re.sub(r"\s+", "", page.extract_text())
        foot = 14.5 if large else 10.0
        lines = [y for y, size in lines_of(page) if size > foot]
        for number in map(int, re.findall(r"Panel(\d+)z", text)):
            alone = text.count("Panel") == 1 and text.startswith(f"{number}.Panel")
            seen[number] = (text, (max(lines) - min(lines)) * 25.4 / 72 if alone else None)
    assert any(height is not None for _, height in seen.values())
    for panel in named:
        fit = fit_panel(panel, form)
        text, height = seen[panel.number]
        assert height is None or height <= fit.height
        if not fit.breaks:
            assert fit.height <= form.height
            for part in panel.parts:
                assert all(re.sub(r"\s", "", line) in text for line in part.lines)


def test_a_panel_taller_than_a_page_breaks_and_loses_nothing(sheet: Handout) -> None:
    panel = sheet.panels[0]
    many = tuple(f"Line {n} of a very long list of steps." for n in range(60))
    long = replace(
        panel,
        parts=(
            replace(panel.parts[0], lines=many[:9]),
            *(replace(panel.parts[0], lines=many[n : n + 9]) for n in range(9, 60, 9)),
        ),
    )
    assert fit_panel(long, form_of("a4", False)).breaks
    text = extracted(to_pdf(replace(sheet, panels=(long, *sheet.panels[1:]))))
    for line in many:
        assert line in text


def test_each_exercise_begins_a_page_in_large_print(sheet: Handout) -> None:
    reader = pypdf.PdfReader(io.BytesIO(to_pdf(sheet, large=True)))
    pages = [page.extract_text() for page in reader.pages]
    for panel in sheet.panels:
        title = f"{panel.number}. {panel.title}"
        assert sum(page.lstrip().startswith(title) for page in pages) == 1


def test_body_size_is_14_points_and_18_in_large_print(sheet: Handout) -> None:
    for large, size in ((False, 14.0), (True, 18.0)):
        page = pypdf.PdfReader(io.BytesIO(to_pdf(sheet, large=large))).pages[0]
        sizes = [round(points, 1) for _, points in lines_of(page)]
        assert max(sizes, key=sizes.count) == size


def test_same_sheet_and_stamp_give_the_same_bytes(sheet: Handout) -> None:
    stamp = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
    assert to_pdf(sheet, stamp=stamp) == to_pdf(sheet, stamp=stamp)
    assert to_pdf(sheet) == to_pdf(sheet)
    assert to_pdf(sheet, stamp=stamp) != to_pdf(sheet)


def test_only_our_fonts(sheet: Handout, plan: Plan) -> None:
    found = fonts_of(to_pdf(sheet))
    assert set(re.findall(r"\+(\w+)", found)) == {"NotoSans"}
    spanish = fonts_of(to_pdf(build_handout(plan, BOOK, SPANISH)))
    assert set(re.findall(r"\+(\w+)", spanish)) == {"NotoSans"}


def test_language_of_the_page(plan: Plan) -> None:
    with pikepdf.open(io.BytesIO(to_pdf(build_handout(plan, BOOK, SPANISH)))) as pdf:
        assert pdf.Root.Lang == "es"


def test_right_to_left_sheet(plan: Plan) -> None:
    made = build_handout(plan, BOOK, pseudo_right_to_left(ENGLISH))
    pdf = to_pdf(made)
    assert "NotoSansArabic" in fonts_of(pdf)
    assert "\u2068555" in made.stop.lines[-1]
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert opened.Root.Lang == "ar"
    # the drawings are those of the left-to-right sheet, never mirrored
    assert made.drawings() == build_handout(plan, BOOK, ENGLISH).drawings()


def test_with_the_real_drawings(plan: Plan, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build, "draw_pose", draw_pose)
    for words in (ENGLISH, SPANISH):
        made = build_handout(plan, BOOK, words)
        assert len(made.drawings()) == len(plan.exercises)
        assert len({name for name, _ in made.drawings()}) == len(plan.exercises)
        with pikepdf.open(io.BytesIO(to_pdf(made))) as pdf:
            assert len(in_tree(pdf, "Figure")) == len(plan.exercises)
        keys = ("both_feet" if e.both else f"{e.side}_foot" for e in plan.exercises)
        sides = [words.say(f"drawing.{key}") for key in keys]
        for panel_alt in (f.alt for p in made.panels for f in p.figures):
            assert any(side in panel_alt for side in sides)


def test_text_is_data_all_the_way(sheet: Handout) -> None:
    for name in ("handout", "not_now"):
        template = " ".join(text.decode() for text in layout._templates(name).values())
        assert "eval(" not in template
        assert "sys." not in template
        assert sorted(re.findall(r'(?:json|read|include|import) ?\(?("[^"]*")', template)) == [
            '"data.json"',
            '"foot.json"',
            '"sheet.typ"',
        ]
    assert json.loads(json.dumps(asdict(replace(sheet, made_on=None))))["title"]  # type: ignore[arg-type]


def test_typst_is_loaded_only_when_a_page_is_made() -> None:
    code = (
        "import sys, rungwise.handout, rungwise.reminders\n"
        "print('typst' in sys.modules, 'icalendar' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(str(layout.__file__)).parents[2],
    )
    assert done.stdout.split() == ["False", "False"]


def test_doses_of_the_samples_are_plausible() -> None:
    assert all(dose.reps >= 1 and dose.sets >= 1 for dose in DOSES.values())
