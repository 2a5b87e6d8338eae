"""A person or foot without exercises: every stop of the screen is told, plainly and in order."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from itertools import product

import pikepdf
import pypdf
import pytest

from rungwise import clinic
from rungwise.book import load_book
from rungwise.core.errors import InputError
from rungwise.core.flags import raise_flags
from rungwise.core.terms import SIDES, Exam, Plan, Value
from rungwise.handout import NotNow, build_handout, build_notice, reading_of, to_pdf, to_text
from rungwise.handout.notice import stopped_of
from rungwise.handout.text import running_text
from rungwise.words import languages, load_words, pseudo_right_to_left
from tests.edges.sample_plan import clinic_exam, make_plan
from tests.factory import DAY, ITEMS, make_exam

BOOK = load_book()
ENGLISH = load_words("en")
DAY_TIME = datetime(2026, 3, 2, 9, tzinfo=UTC)
WORDS = {code: load_words(code) for code in languages()}
#: The order on the sheet: levels of the screen, the gravest first, then what is not finished.
ORDER = ("emergency", "urgent", "review", "caution", "unfinished", "none")


def plan_of(exam: Exam) -> Plan:
    """The plan of an examination on its own day."""
    return clinic.make_plan(exam, BOOK, DAY)


def answered(**answers: str | None) -> Plan:
    """The plan of the harmless examination with other answers."""
    return plan_of(make_exam(answers=answers))


def notice_of(plan: Plan, code: str = "en") -> NotNow:
    """The sheet of a plan without exercises."""
    assert not plan.exercises
    return build_notice(plan, BOOK, WORDS[code])


def lines_of(pdf: bytes) -> str:
    """All text of a PDF without white space."""
    pages = (page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)
    return re.sub(r"\s+", "", " ".join(pages))


def details_of_every_kind() -> Iterator[Mapping[str, Mapping[str, Value]]]:
    """Details not known; each group, and all at once, denied or affirmed, numbers low or high."""
    groups: dict[str, list[str]] = {}
    for key, measure in BOOK.measures.items():
        if measure.per == "detail":
            groups.setdefault(key.partition(".")[0], []).append(key)
    yield {}
    for yes, most in product((False, True), repeat=2):
        whole = {}
        for group, keys in groups.items():
            facts: dict[str, Value] = {}
            for key in keys:
                measure = BOOK.measures[key]
                name = key.partition(".")[2]
                if measure.kind == "yesno":
                    facts[name] = yes
                elif measure.kind == "choice":
                    facts[name] = measure.choices[-1 if most else 0]
                else:
                    facts[name] = float((measure.high if most else measure.low) or 0.0)
            whole[group] = facts
            yield {group: facts}
        yield whole


@cache
def levels_of(item: str) -> frozenset[str]:
    """Every level that an item answered yes can have."""
    found = set()
    for details in details_of_every_kind():
        for answer in ("right", "yes"):
            exam = make_exam(answers={item: answer}, details=details)
            found |= {one.flag.level for one in raise_flags(exam, BOOK, item)}
    return frozenset(found)


# ------------------------------------------------------------------ the words


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("item", ITEMS)
def test_every_item_has_its_words_at_every_level(item: str, code: str) -> None:
    words = WORDS[code]
    place = f"notice.{item}"
    assert words.say(f"{place}.name")
    assert words.say(f"{place}.why")
    levels = levels_of(item)
    assert BOOK.items[item].level in levels
    own = {k.rpartition(".")[2] for k in words.texts if k.startswith(f"{place}.do.")}
    assert own <= levels, "words that no examination can call for"
    stops = "home" in BOOK.items[item].forbids
    if levels - {"caution"} or stops:
        assert words.lines(f"{place}.until")


def test_no_diagnosis_is_claimed() -> None:
    ill = ("infection", "gout", "broken", "crack", "torn", "clot", "heart", "illness", "nerve")
    for item in ITEMS:
        why = ENGLISH.say(f"notice.{item}.why")
        for word in ill:
            assert word not in why or "may" in why, (item, why)


# ------------------------------------------------------------------ what the sheet says


def test_emergency_comes_first_with_foot_act_and_time() -> None:
    sheet = notice_of(answered(hot_swollen_joint="right", severe_pain="right", numb_foot="both"))
    assert sheet.stopped.heading == "Both feet: no exercises for now"
    first, second = sheet.stopped.notices
    assert [n.kind for n in sheet.stopped.notices] == ["emergency", "review"]
    assert first.heading == "Go to a hospital today"
    assert first.findings[0].what == "Right foot: a hot, swollen and very sore toe joint"
    assert first.findings[0].why == "It may be an infection. A doctor must rule that out."
    assert first.findings[0].do == "Go today, even if you have no fever."
    # what else the right foot has stands there too, without a time of its own
    numb = "you do not feel all that touches the foot"
    assert [(f.what, f.do) for f in first.findings[1:]] == [
        ("Right foot: " + ENGLISH.say("notice.severe_pain.name"), ""),
        ("Right foot: " + numb, ""),
    ]
    assert second.heading == "A doctor or foot specialist must look first"
    assert [f.what for f in second.findings] == [f"Left foot: {numb}"]
    assert second.findings[0].do
    assert "within days" not in to_text(sheet)
    until = {group.heading: group.lines for group in sheet.stopped.until}
    assert until["Until then: right foot"] == (
        "Do not bend, press or rub the toe.",
        "Walk as little as you can.",
    )
    assert "Do not walk barefoot, not even at home." in until["Until then: both feet"]
    assert "Take this sheet to the doctor." in sheet.then
    assert "Made on 2 March 2026 by invented therapist" in to_text(sheet)


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("item", ITEMS)
@pytest.mark.parametrize("answer", ["right", "both"])
def test_every_stop_is_told_and_nothing_else(item: str, answer: str, code: str) -> None:
    plan = answered(**{item: answer})
    words = WORDS[code]
    sheet = (build_handout if plan.exercises else build_notice)(plan, BOOK, words)
    told = [f for n in sheet.stopped.notices for f in n.findings] if sheet.stopped else []
    stops = {
        (f.item, f.level)
        for side in SIDES
        for f in plan.screening.of(side).flags
        if f.level != "caution" or "home" in f.forbids
    }
    assert len(told) == len(stops)
    for stop, _ in stops:
        name = words.say(f"notice.{stop}.name")
        assert any(name[1:] in finding.what for finding in told)
    text = to_text(sheet)
    for finding in told:
        for line in (finding.what, finding.why, finding.do):
            assert line in text
    kinds = [n.kind for n in sheet.stopped.notices] if sheet.stopped else []
    assert kinds == sorted(kinds, key=ORDER.index)
    if not plan.exercises:
        assert "programme.pdf" not in clinic.sheets(plan, BOOK, DAY_TIME, code)


def test_a_number_of_the_clinic_stands_where_an_ambulance_is_called() -> None:
    exam = make_exam(answers={"dizziness": "yes"})
    sheet = notice_of(plan_of(replace(exam, clinic={"emergency": "112"})))
    assert sheet.stopped.notices[0].findings[0].do == "Did it come all at once? Call 112 now."
    assert sheet.call.heading == "Call 112 at once if"
    bare = notice_of(plan_of(exam))
    assert bare.call.heading == "Call an ambulance at once if"


@pytest.mark.parametrize(
    "exam",
    [
        make_exam(answers={"falls": None}),
        make_exam(right={"sensation": None}, left={"sensation": None}),
    ],
)
def test_an_unfinished_screen_says_only_that(exam: Exam) -> None:
    sheet = notice_of(plan_of(exam))
    (only,) = sheet.stopped.notices
    assert only.kind == "unfinished"
    assert "Your therapist must finish it first." in only.lines
    assert not only.findings
    assert sheet.stopped.until == ()
    assert sheet.then == ("Your therapist decides what comes next.",)


def test_a_screen_that_is_too_old_says_only_that() -> None:
    old = clinic.make_plan(make_exam(), BOOK, DAY.replace(month=6))
    assert [n.kind for n in notice_of(old).stopped.notices] == ["unfinished"]


def test_nothing_that_fits_is_told_too() -> None:
    plan = plan_of(make_exam(avoid=tuple(BOOK.families)))
    (only,) = notice_of(plan).stopped.notices
    assert only.kind == "none"


def test_what_the_doctor_should_know_too() -> None:
    sheet = notice_of(answered(severe_pain="both", blood_thinner="yes"))
    assert sheet.also is not None
    assert sheet.also.lines == ("You take a blood thinner",)
    # balance not tested raises the item of falls, but nobody said that she fell
    untested = make_exam(answers={"severe_pain": "both"}, whole={"timed_up_and_go_s": None})
    assert notice_of(plan_of(untested)).also is None


# ------------------------------------------------------------------ one foot only


def test_a_mixed_programme_names_the_foot_without_exercises() -> None:
    plan = answered(broken_skin="left")
    assert {e.side for e in plan.exercises} == {"right"}
    sheet = build_handout(plan, BOOK, ENGLISH)
    assert sheet.stopped is not None
    assert sheet.stopped.heading == "Left foot: no exercises for now"
    (notice,) = sheet.stopped.notices
    assert notice.kind == "urgent"
    assert notice.findings[0].what == "Left foot: a wound, a sore or broken skin"
    assert "Keep it clean and covered." in sheet.stopped.until[0].lines
    # its skin check is for a foot that works, and this one does not
    assert sheet.cautions == ()
    first = lines_of(to_pdf(sheet)).partition("Page1of")[0]
    assert "Leftfoot:noexercisesfornow" in first
    assert "Letanurseordoctortreatitwithindays." in first


def test_a_review_beside_a_programme_is_told() -> None:
    plan = answered(nerve_pain="right")
    assert {"right", "left"} <= {e.side for e in plan.exercises} | {"right"}
    sheet = build_handout(plan, BOOK, ENGLISH)
    assert sheet.stopped is not None
    assert sheet.stopped.notices[0].kind == "review"
    assert sheet.stopped.notices[0].lines[-1] == "Until then, do only what is on this sheet."


def test_a_plain_programme_has_no_such_box() -> None:
    assert stopped_of(make_plan(BOOK), ENGLISH) is None


# ------------------------------------------------------------------ reading and paper


@pytest.mark.parametrize("item", ITEMS)
def test_the_sheet_is_easy_to_read(item: str) -> None:
    plan = answered(**{item: "both"})
    if plan.exercises:
        return
    found = reading_of(notice_of(plan))
    assert found is not None
    assert found.flesch_kincaid <= 6.0
    assert found.smog <= 8.0
    assert found.longest_sentence <= 15


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("item", ITEMS)
def test_one_stop_is_one_page(item: str, code: str) -> None:
    plan = answered(**{item: "right"})
    if plan.exercises:
        return
    for paper in ("a4", "us-letter"):
        with pikepdf.open(io.BytesIO(to_pdf(notice_of(plan, code), paper))) as pdf:
            assert len(pdf.pages) == 1
            assert pdf.open_metadata()["pdfuaid:part"] == "1"
            assert pdf.Root.Lang == code


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
@pytest.mark.parametrize("large", [False, True])
@pytest.mark.parametrize("code", languages())
def test_nothing_is_lost_when_all_is_positive(paper: str, large: bool, code: str) -> None:
    exam = replace(clinic_exam(), answers=dict.fromkeys(ITEMS, "both"))
    sheet = notice_of(plan_of(exam), code)
    text = lines_of(to_pdf(sheet, paper, large))
    for line in (*running_text(sheet), sheet.for_whom, sheet.made, sheet.call.heading):
        assert re.sub(r"\s+", "", line) in text


def test_right_to_left() -> None:
    plan = answered(hot_swollen_joint="right")
    made = to_pdf(build_notice(plan, BOOK, pseudo_right_to_left(ENGLISH)))
    with pikepdf.open(io.BytesIO(made)) as pdf:
        assert pdf.Root.Lang == "ar"


def test_texts_and_edition_are_checked_here_too() -> None:
    plan = answered(hot_swollen_joint="right")
    person = replace(plan.exam.person, label="a\x07b")
    wrong = replace(plan, exam=replace(plan.exam, person=person), edition="old")
    with pytest.raises(InputError) as caught:
        build_notice(wrong, BOOK, ENGLISH)
    assert [fault.field for fault in caught.value.faults] == ["edition", "person.label"]
