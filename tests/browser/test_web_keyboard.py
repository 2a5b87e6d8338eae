"""Whole jobs by the keyboard alone: diary code pasted, advice answered, note kept, person found."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytest.importorskip("axe_playwright_python", reason="axe is not installed")
from playwright.sync_api import Page, expect, sync_playwright

from rungwise.casebook import LOCAL
from tests.browser.casebook_kit import RichCasebook, served
from tests.browser.chromium import CHROMIUM, FLAGS
from tests.browser.test_web_frame import press
from tests.web.test_web_course import later, led, way

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")


@pytest.fixture
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[RichCasebook, str]]:
    found = RichCasebook(tmp_path_factory.mktemp("keys"), accounts=False)
    with served(found) as address:
        yield found, address


@pytest.fixture
def page(clinic: tuple[RichCasebook, str]) -> Iterator[Page]:
    with sync_playwright() as kit:
        browser = kit.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        page = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()
        page.set_default_timeout(15_000)
        yield page
        browser.close()


def test_from_a_pasted_code_to_a_kept_note(page: Page, clinic: tuple[RichCasebook, str]) -> None:
    kit, address = clinic
    later(kit.visitor, days=14)
    code = led(kit.visitor, kit.planned, 14)
    name, value = kit.cookie
    page.context.add_cookies([{"name": name, "value": value, "url": address}])

    # from the caseload to the person, and to the diary as what comes next
    page.goto(address)
    press(page, "N-105")
    expect(page.locator("h1")).to_have_text("N-105")
    page.locator("#main").focus()
    press(page, "Diary")
    expect(page.locator("h1")).to_have_text("Diary")

    # the code is pasted, and what it tells leads on to the advice
    press(page, "code", "Shift")
    page.keyboard.insert_text(code)
    press(page, "Take the code in")
    expect(page.locator("section[role=status]")).to_contain_text("Taken in:")
    page.locator("#main").focus()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_have_text("Advice")

    # each line is answered with a key: the first word of the choice is accept
    lines = page.locator("fieldset.answers").count()
    page.locator("#main").focus()
    answered: set[str] = set()
    for _ in range(400):
        page.keyboard.press("Tab")
        here = page.evaluate("document.activeElement.name || ''")
        if here.endswith(".kind") and here not in answered:
            page.keyboard.press("1")
            answered.add(here)
        if here == "by":
            break
    assert len(answered) == lines > 1
    page.keyboard.press("Control+A")
    page.keyboard.type("R. Alder")
    page.keyboard.press("Control+Enter")
    expect(page.locator("section[role=status] h2")).to_contain_text("programme 2")
    assert way(kit.visitor, kit.planned).found.plan_version == 2

    # the note is written and kept
    page.keyboard.press("Home")
    press(page, "Notes")
    expect(page.locator("h1")).to_have_text("Notes")
    press(page, "Visit")
    expect(page.locator("#note h2").first).to_have_text("Visit")
    press(page, "text", "Control+A")
    page.keyboard.type("Seen today. Goes on.")
    press(page, "Keep this text")
    expect(page.get_by_text("Text 1,")).to_be_visible()
    found = kit.visitor.casebook.person(LOCAL, kit.planned[-32:])
    note = found.latest("note")
    assert note is not None
    assert note.body == "Seen today. Goes on."
