"""What was typed into any form comes back into it after the lock, in the system's browser."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytest.importorskip("axe_playwright_python", reason="axe is not installed")
from playwright.sync_api import Page, expect, sync_playwright

from tests.browser.casebook_kit import RichCasebook, served
from tests.browser.chromium import CHROMIUM, FLAGS
from tests.web.kit import PASSPHRASE

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
TYPED = "half a thought <of> hers"


@pytest.fixture(scope="module")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[RichCasebook, str]]:
    found = RichCasebook(tmp_path_factory.mktemp("kept"), accounts=False)
    with served(found) as address:
        yield found, address


@pytest.fixture(scope="module")
def page(clinic: tuple[RichCasebook, str]) -> Iterator[Page]:
    with sync_playwright() as kit:
        browser = kit.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        page = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()
        page.set_default_timeout(10_000)
        name, value = clinic[0].cookie
        page.context.add_cookies([{"name": name, "value": value, "url": clinic[1]}])
        page.clock.install()
        yield page
        browser.close()


def lock_and_come_back(page: Page) -> None:
    page.clock.fast_forward("15:30")
    expect(page.locator("h1")).to_have_text("Sign in")
    assert "half a thought" not in page.content()
    page.locator("#f-passphrase").fill(PASSPHRASE)
    page.locator("main button").first.click()
    expect(
        page.locator(".box.care", has_text="typed before the records were locked")
    ).to_be_visible()


def unfold(page: Page) -> None:
    page.evaluate("for (const one of document.querySelectorAll('main details')) one.open = true")


def test_every_field_of_every_form_comes_back(page: Page, clinic: tuple[RichCasebook, str]) -> None:
    kit, address = clinic
    tried: set[str] = set()
    for name, url in kit.pages().items():
        if name.endswith((".refused", ".planned", ".new")) or "exam" in name:
            continue  # alike; the examination puts its fields back by itself
        page.goto(address + url)
        forms = page.locator("form[data-keep]:not([action$='/programme'])")
        for n in range(forms.count()):
            form = forms.nth(n)
            action = form.get_attribute("action") or ""
            unfold(page)
            field = form.locator(
                "input:enabled:is(:not([type]), [type=text]), textarea:enabled"
            ).first
            field.fill(TYPED[: int(field.get_attribute("maxlength") or 99)])
            typed = field.input_value()
            assert typed
            at = field.get_attribute("name")
            hidden = form.locator("input[type=hidden]:not([name=token])")
            before = [(one.get_attribute("name"), one.input_value()) for one in hidden.all()]
            lock_and_come_back(page)
            again = page.locator(f"form[data-keep][action='{action}']").first
            expect(again.locator(f"[name='{at}']").first).to_have_value(typed)
            expect(again.locator(f"[name='{at}']").first).to_be_visible()
            # what the form stood on came back with it, so that a change meanwhile is told
            now = again.locator("input[type=hidden]:not([name=token])")
            assert before == [(one.get_attribute("name"), one.input_value()) for one in now.all()]
            expect(page.locator("#kept [data-name]:visible")).to_have_count(0)
            tried.add(action.partition("?")[0].replace(kit.whole, "PERSON"))
            page.goto(address + url)
            forms = page.locator("form[data-keep]:not([action$='/programme'])")
    assert tried == {
        "/people/new",
        "PERSON/diary/code",
        "PERSON/diary/paper",
        "PERSON/advice",
        "PERSON/change",
        "PERSON/notes",
        "PERSON/export",
        "/class",
        "/book/row/rom.sem.nonweightbearing_passive.goniometer.same_rater",
        "/book/own-error",
        "/files/look",
        "/settings/clinic",
        "/settings/desk",
    }


def test_answers_to_the_advice_come_back_twice_and_can_be_kept(
    page: Page, clinic: tuple[RichCasebook, str]
) -> None:
    kit, address = clinic
    page.goto(f"{address}{kit.whole}/advice")
    unfold(page)
    lines = page.locator("fieldset.answers")
    for n in range(lines.count()):
        lines.nth(n).locator("input[value=keep]").check()
        lines.nth(n).locator("input[name$='.why']").fill(f"{TYPED} {n}")
    page.locator("#f-by").fill("R. Alder")
    for _ in range(2):  # a form that came back is kept again
        lock_and_come_back(page)
        for n in range(lines.count()):
            expect(lines.nth(n).locator("input[value=keep]")).to_be_checked()
            expect(lines.nth(n).locator("input[name$='.why']")).to_have_value(f"{TYPED} {n}")
    page.locator("#advice button.main").click()
    expect(page.locator("section[role=status] h2")).to_contain_text("programme 3")


def test_a_text_that_is_not_signed_for_again_reaches_nobody(
    page: Page, clinic: tuple[RichCasebook, str]
) -> None:
    kit, address = clinic
    page.goto(f"{address}{kit.whole}/notes?kind=letter&lang=en")
    page.locator("#f-text").fill("a letter half written")
    page.clock.fast_forward("15:30")
    expect(page.locator("h1")).to_have_text("Sign in")
    assert page.context.browser
    stranger = page.context.browser.new_context().new_page()
    stranger.goto(address)
    stranger.locator("#f-passphrase").fill(PASSPHRASE)
    stranger.locator("main button").first.click()
    expect(stranger.locator("h1")).to_have_text("Caseload")
    stranger.goto(f"{address}{kit.whole}/notes?kind=letter&lang=en")
    assert "half written" not in stranger.content()
    stranger.context.close()
