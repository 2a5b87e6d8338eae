"""The clinic's own pages in the system's browser: axe-core clean, light and dark, wide and narrow.

Standards: WCAG 2.2 (std §3.1): 1.4.3, 1.4.10, 2.1.1, 3.3.1, 4.1.3; axe-core's rules.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytest.importorskip("axe_playwright_python", reason="axe is not installed")
from playwright.sync_api import FilePayload, Page, expect  # noqa: E402

from tests.browser.test_web_frame import address, begin, clean, page, pytestmark  # noqa: E402
from tests.web.kit import EXAMS  # noqa: E402

__all__ = ["address", "page", "pytestmark"]

ROW = "rom.sem.nonweightbearing_passive.goniometer.same_rater"
SHOTS = os.environ.get("RUNGWISE_SHOTS", "")


def looked_at(page: Page, name: str) -> None:
    """Check a page; keep pictures of it where that is wished."""
    clean(page, name)
    if SHOTS:
        for width in (390, 1440):
            page.set_viewport_size({"width": width, "height": 900})
            page.screenshot(path=f"{SHOTS}/{name}-{width}.png", full_page=True)


def over(page: Page) -> None:
    """Wait for long work to be over, as the page shows by itself."""
    expect(page.locator("#work progress")).to_have_count(0, timeout=20_000)


def test_class_and_book(page: Page, address: str) -> None:
    begin(page, address)
    page.goto(f"{address}/class")
    looked_at(page, "class")
    boxes = page.locator("input[name=rung]")
    boxes.nth(0).check()
    page.locator("fieldset").nth(1).locator("input").first.check()
    page.locator("button.main").click()
    expect(page.locator("#made")).to_be_visible()
    looked_at(page, "class-made")
    with page.expect_download() as got:
        page.locator('button[value="class.pdf"]').click()
    assert Path(got.value.path()).read_bytes().startswith(b"%PDF")
    page.goto(f"{address}/book")
    looked_at(page, "book")
    page.locator("#search").fill("rom.sem")
    page.keyboard.press("Enter")
    page.locator(f'a[href="/book/row/{ROW}"]').click()
    page.locator("#f-value").fill("999")
    page.locator("#f-why").fill("our own study")
    page.locator("#f-by").fill("R. Alder")
    page.locator("button[value=set]").click()
    expect(page.locator("#faults")).to_be_focused()
    assert page.locator("#f-value").input_value() == "999"
    looked_at(page, "number")
    page.goto(f"{address}/book/own-error")
    looked_at(page, "own-error")


def test_settings_and_audit(page: Page, address: str) -> None:
    begin(page, address)
    page.goto(f"{address}/settings")
    page.locator("form[action='/settings/backup'] button").click()
    over(page)
    expect(page.locator("#work .box")).to_contain_text("Made and verified")
    looked_at(page, "work-done")
    page.goto(f"{address}/settings")
    page.locator("details summary").click()
    looked_at(page, "settings")
    page.goto(f"{address}/audit")
    looked_at(page, "audit")
    page.locator("form[action='/audit/check'] button").click()
    over(page)
    expect(page.locator("#work .box")).to_contain_text("The chain is whole")
    page.goto(f"{address}/settings")
    page.locator("#a-name").fill("Bo")
    page.locator("#a-passphrase").fill("plain words that are long")
    page.locator("form[action='/settings/accounts'] button").click()
    looked_at(page, "accounts")
    page.locator("header form[action='/lock'] button").click()
    page.locator("input[name=name]").fill("Bo")
    page.locator("input[name=passphrase]").fill("plain words that are long")
    page.keyboard.press("Enter")
    page.wait_for_url("**/settings")  # an administrator sees no person's record
    page.locator("#s-old").fill("plain words that are long")
    page.locator("form[action='/settings/second-factor'] button").click()
    expect(page.locator(".qr img")).to_be_visible()
    looked_at(page, "second-factor")


def test_files(page: Page, address: str) -> None:
    begin(page, address)
    page.goto(f"{address}/files")
    looked_at(page, "files")
    exam: FilePayload = {"name": "a.toml", "mimeType": "text/plain", "buffer": b"a = "}
    page.locator("#exam").set_input_files(exam)
    page.locator("form[action='/files/exam'] button").click()
    expect(page.locator("#faults")).to_be_focused()
    looked_at(page, "files-faults")
    exam["buffer"] = EXAMS["hill-walker-grade-2"].encode()
    page.locator("#exam").set_input_files(exam)
    page.locator("form[action='/files/exam'] button").click()
    looked_at(page, "exam-in")
    page.locator("input[value=new]").check()
    page.locator("button.main").click()
    person = re.search(r"/people/(\w{32})", page.url)
    assert person
    page.goto(f"{address}/people/{person[1]}/programme")
    page.locator("button[value=keep]").click()
    page.goto(f"{address}/people/{person[1]}")
    looked_at(page, "person-out")
    rows = b"label\r\nA-1\r\nA-2\r\n"
    people: FilePayload = {"name": "a.csv", "mimeType": "text/csv", "buffer": rows}
    page.goto(f"{address}/files")
    page.locator("#people").set_input_files(people)
    page.locator("form[action='/files/people'] button").click()
    looked_at(page, "people-in")
    page.locator("button.main").click()
    over(page)
    page.goto(f"{address}/files/print")
    looked_at(page, "printing")
    page.locator("input[name=person]").check()
    page.locator("button.main").click()
    over(page)
    with page.expect_download() as got:
        page.locator("a[download]").click()
    assert Path(got.value.path()).read_bytes().startswith(b"PK")
    page.goto(f"{address}/people/{person[1]}/erase")
    looked_at(page, "erase")


def test_files_and_long_work_without_script(page: Page, address: str) -> None:
    begin(page, address)
    context = page.context.browser.new_context(java_script_enabled=False)  # type: ignore[union-attr]
    context.add_cookies(page.context.cookies())  # type: ignore[arg-type]
    plain = context.new_page()
    plain.goto(f"{address}/files")
    plain.locator("form[action='/files/everything'] button").click()
    for _ in range(50):
        if plain.locator("progress").count() == 0:
            break
        plain.locator("a.button").click()
    with plain.expect_download() as got:
        plain.locator("a[download]").click()
    assert Path(got.value.path()).read_bytes().startswith(b"PK")
    context.close()
