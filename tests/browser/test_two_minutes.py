"""From "New person" to the printed programme: counted, timed by the model, and what was printed.

The keystroke-level model is that of Card, Moran and Newell (1980), doi 10.1145/358886.358895; its
times were read second hand. ``benchmarks/two_minutes.py`` goes the same way in real time.
"""

from __future__ import annotations

import io

import pypdf
import pytest

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
from playwright.sync_api import Page, expect

from benchmarks.two_minutes import (
    FINDINGS,
    KEY_S,
    MOST_FIELDS,
    MOST_GROUPS,
    MOST_S,
    REMEMBERED,
    THINK_S,
    lead,
)
from rungwise.casebook import LOCAL
from rungwise.core.terms import SIDES
from tests.browser.chromium import CHROMIUM
from tests.browser.test_web_frame import begin
from tests.browser.test_web_frame import page as page
from tests.browser.test_web_loop import Clinic
from tests.browser.test_web_loop import clinic as clinic

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")


def text_of(pdf: bytes) -> str:
    return " ".join(one.extract_text() for one in pypdf.PdfReader(io.BytesIO(pdf)).pages)


def test_a_first_user_prints_a_programme_in_two_minutes(page: Page, clinic: Clinic) -> None:
    assert MOST_S <= 120
    assert MOST_FIELDS <= 45
    assert MOST_GROUPS <= 60
    begin(page, clinic.address)
    with page.context.expect_page() as printed:
        count, sheet = lead(page, "N-102", FINDINGS)
    assert printed.value.url == sheet or printed.value.url in ("", "about:blank", ":")

    assert len(count.fields) == len(set(count.fields)) == len(FINDINGS) + 1
    assert len(count.fields) <= MOST_FIELDS
    assert len(count.groups) <= MOST_GROUPS
    assert count.whole_s <= MOST_S, count
    least = count.keys * KEY_S + count.thoughts * THINK_S  # nothing was left out of the sum
    assert count.thoughts >= len(count.fields)
    assert count.hands_s >= least
    assert len(count.waited_s) == 5

    # what was examined is what was typed, and both feet have a grade
    found = clinic.casebook.person(LOCAL, sheet.partition("/people/")[2].partition("/")[0])
    assert found.exam is not None
    assert found.plan is not None
    assert [found.plan.grades[side].value for side in SIDES] == [2, 0]
    assert set(found.exam.answers.values()) == {"no"}
    assert len(found.exam.answers) == 25
    assert [r.value for r in found.exam.readings("mtp_dorsiflexion_deg", "right")] == [27, 28, 29]

    # the sheet that was printed holds every exercise of the programme, and so does the page
    families = {exercise.family for exercise in found.plan.exercises}
    assert families == {"toe_press", "heel_raise", "arch_lift"}
    body = page.context.request.get(sheet).body()
    assert body.startswith(b"%PDF-")
    page.emulate_media(media="print")
    expect(page.locator("article.exercise")).to_have_count(len(found.plan.exercises))
    expect(page.locator("article.exercise").last).to_be_visible()
    assert all(
        name.split(",")[0].casefold() in text_of(body).casefold()
        for name in page.locator("article.exercise h2").all_inner_texts()
    )


def test_what_belongs_to_the_clinic_is_remembered_and_nothing_of_a_person(
    page: Page, clinic: Clinic
) -> None:
    begin(page, clinic.address)
    lead(page, "N-102", FINDINGS)
    page.goto(f"{clinic.address}/people/new")
    page.locator("#f-label").fill("N-103")
    page.keyboard.press("Enter")
    expect(page.locator("#exam")).to_be_visible()
    filled = page.evaluate(
        "[...document.querySelectorAll('#exam :is(input:not([type=hidden]), select)')]"
        ".filter(e => e.matches('input[type=radio], input[type=checkbox]') ? e.checked : e.value)"
        ".map(e => e.name)"
    )
    assert set(filled) == {"date", "person.language", *REMEMBERED}


def test_one_act_answers_a_group_says_so_and_is_taken_back(page: Page, clinic: Clinic) -> None:
    begin(page, clinic.address)
    page.goto(f"{clinic.address}/people/new")
    page.locator("#f-label").fill("N-102")
    page.keyboard.press("Enter")
    part = page.locator("#part-screen_emergency")
    button, told = part.locator(".none button"), part.locator("[role=status]")
    expect(told).to_contain_text("that the answer is no: R1 hot swollen joint, R2")
    assert page.locator("[name^='screen.']:checked").count() == 0

    # an answer that stands is left as it is, and so is what was said not to be asked
    page.locator("[name='screen.poor_circulation'][value=left]").check()
    page.locator("[name='screen.clot_signs'][value='']").check()
    button.click()
    assert part.locator("input[value=no]:checked").count() == 3
    expect(told).to_have_text(
        "Asked, and the answer is no: R1 hot swollen joint, R2 implant infection,"
        " R9 warm swollen numb foot."
    )
    expect(button).to_have_text("Take it back")
    expect(page.locator("#part-detail details").first).to_have_attribute("open", "")
    assert page.locator("#part-screen_urgent input:checked").count() == 0

    # what was answered singly since then stays when the act is undone
    page.locator("[name='screen.implant_infection'][value=right]").check()
    button.click()
    assert page.locator("[name^='screen.']:checked").evaluate_all(
        "all => all.map(e => [e.name, e.value])"
    ) == [
        ["screen.implant_infection", "right"],
        ["screen.poor_circulation", "left"],
        ["screen.clot_signs", ""],
    ]
    expect(button).to_have_text("None of these")


def test_numbers_and_first_letters_choose_and_enter_goes_on(page: Page, clinic: Clinic) -> None:
    begin(page, clinic.address)
    page.goto(f"{clinic.address}/people/new")
    page.keyboard.type("N-102")
    page.keyboard.press("Enter")
    expect(page.locator("#f-therapist")).to_be_focused()
    page.keyboard.press("Enter")
    checked = page.locator("[name=worse_side]:checked")
    for key, word in (
        ("l", "left"),
        ("3", "alike"),
        ("b", "alike"),
        ("1", "right"),
        ("x", "right"),
    ):
        page.keyboard.press(key)
        expect(checked).to_have_value(word)
    page.keyboard.press("Enter")
    expect(page.locator("#f-person-birth_year")).to_be_focused()
    page.locator("[name='person.equipment']").first.focus()
    page.keyboard.type("132")
    page.keyboard.press("3")  # twice is not at all
    words = page.locator("[name='person.equipment']")
    assert [one.is_checked() for one in words.all()][:4] == [True, True, False, False]
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.name") == "screen.hot_swollen_joint"
    page.keyboard.press("r")
    expect(page.locator("[name='screen.hot_swollen_joint']:checked")).to_have_value("right")
    page.keyboard.press("Backspace")
    expect(page.locator("[name='screen.hot_swollen_joint']:checked")).to_have_value("")


def test_every_fault_says_what_to_do_and_leads_to_its_field(page: Page, clinic: Clinic) -> None:
    begin(page, clinic.address)
    page.goto(f"{clinic.address}/people/new")
    page.keyboard.type("N-102")
    page.keyboard.press("Enter")
    page.locator("#f-therapist").fill("R. Alder, PT")
    page.locator("#part-measures summary").first.click()
    page.locator("#f-right-foot_length_mm").fill("24")
    page.keyboard.press("Control+Enter")
    expect(page.locator("#faults")).to_be_focused()
    for line in page.locator("#faults li").all():
        told = line.inner_text().split("allowed:")[1]
        assert len(told.split(". ")) > 1, told  # what is allowed, then what to do
    expect(page.locator("#f-right-foot_length_mm")).to_be_visible()
    page.keyboard.press("Enter")  # on to the first of them
    first = page.locator("#faults a").first.get_attribute("href")
    assert first
    here = page.evaluate("document.activeElement.closest('[id]:is(input, select, fieldset)').id")
    assert f"#{here}" == first


def test_enter_answers_nothing_where_there_is_no_script(page: Page, clinic: Clinic) -> None:
    begin(page, clinic.address)
    assert page.context.browser
    plain = page.context.browser.new_context(
        java_script_enabled=False, storage_state=page.context.storage_state()
    ).new_page()
    plain.goto(f"{clinic.address}/people/new")
    plain.locator("#f-label").fill("N-102")
    plain.locator("main button").click()
    plain.locator("#f-therapist").fill("R. Alder")
    plain.keyboard.press("Enter")  # a browser presses the form's first button then
    expect(plain.locator("#f-therapist")).to_have_value("R. Alder")
    expect(plain.locator("#exam [name^='screen.']:checked")).to_have_count(0)
    plain.locator("#part-screen_care .none button").click()
    expect(plain.locator("#part-screen_care input[value=no]:checked")).to_have_count(4)
    expect(plain.locator("#f-therapist")).to_have_value("R. Alder")
