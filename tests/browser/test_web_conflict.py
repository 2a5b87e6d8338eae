"""Two browsers edit one person at once: the later one chooses field by field, and nothing is lost.

Standards: WCAG 2.2 (std §3.1): 1.3.1, 1.4.10, 2.1.1, 3.3.1, 4.1.2; axe-core's rules.
"""

from __future__ import annotations

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytest.importorskip("axe_playwright_python", reason="axe is not installed")
from playwright.sync_api import Page, expect  # noqa: E402

from rungwise.casebook import LOCAL  # noqa: E402
from tests.browser.test_web_frame import clean, page, pytestmark  # noqa: E402
from tests.browser.test_web_loop import Clinic, clinic, with_programme  # noqa: E402
from tests.web.kit import PASSPHRASE  # noqa: E402

__all__ = ["clinic", "page", "pytestmark"]


def second_browser(page: Page, address: str) -> Page:
    """Another browser on the same records, signed in by itself."""
    browser = page.context.browser
    assert browser is not None
    other = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()
    other.goto(address)
    other.locator("#f-passphrase").fill(PASSPHRASE)
    other.locator("main button").first.click()
    expect(other.locator("h1")).to_have_text("Caseload")
    return other


def test_two_browsers_correct_one_examination(page: Page, clinic: Clinic) -> None:
    url = with_programme(page, clinic)
    page, other = (second_browser(page, clinic.address) for _ in range(2))
    for one in (page, other):
        one.goto(f"{url}/exam?correct=yes")
    other.locator("#f-therapist").fill("Theirs")
    other.locator("#f-person-minutes_per_day").fill("20")
    other.locator("#exam button.main").click()
    expect(other.locator("article").first).to_be_visible()
    page.locator("#f-therapist").fill("Mine <b>x</b>")
    page.locator("#exam button.main").click()

    expect(page.locator("#conflict")).to_be_visible()
    clean(page, "conflict")
    both = page.locator("fieldset.differs", has_text="Examined by")
    expect(both.locator("input:checked")).to_have_count(0)  # both changed it: nothing is chosen
    expect(both).to_contain_text("Mine <b>x</b>")
    expect(both).to_contain_text("Theirs")
    theirs = page.locator("fieldset.differs", has_text="Minutes")
    expect(theirs.locator("input:checked")).to_have_value("theirs")
    page.locator("button[value=merge]").click()
    expect(page.locator("#conflict")).to_be_visible()  # the browser itself asks for the choice
    both.get_by_label("Mine").focus()
    page.keyboard.press("Space")
    page.locator("button[value=merge]").click()
    expect(page.locator("article").first).to_be_visible()
    found = clinic.casebook.person(LOCAL, url.rpartition("/")[2])
    assert found.exam is not None
    assert found.exam_version == 3
    assert found.exam.therapist == "Mine <b>x</b>"
    assert found.exam.person.minutes_per_day == 20


def test_a_conflict_is_settled_without_script(page: Page, clinic: Clinic) -> None:
    url = with_programme(page, clinic)
    browser = page.context.browser
    assert browser is not None
    plain = browser.new_context(java_script_enabled=False).new_page()
    plain.goto(clinic.address)
    plain.locator("#f-passphrase").fill(PASSPHRASE)
    plain.locator("main button").first.click()
    for one in (page, plain):
        one.goto(f"{url}/notes?kind=visit")
    page.locator("#f-text").fill("Came in.\nTheirs.")
    page.locator("button[value=keep]").click()
    plain.locator("#f-text").fill("Came in.\nMine.")
    plain.locator("button[value=keep]").click()
    stretch = plain.locator("fieldset.differs")
    expect(stretch).to_have_count(1)
    stretch.get_by_label("Both, theirs first").check()
    plain.locator("button[value=merge]").click()
    expect(plain.locator("h1")).to_have_text("Notes")
    notes = [
        one.body
        for one in clinic.casebook.person(LOCAL, url.rpartition("/")[2]).records
        if one.kind == "note"
    ]
    assert notes[-1] == "Came in.\nTheirs.\nMine."
