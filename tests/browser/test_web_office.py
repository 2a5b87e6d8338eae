"""The clinic's own pages in the system's browser: axe-core clean, light and dark, wide and narrow.

Standards: WCAG 2.2 (std §3.1): 1.4.3, 1.4.10, 2.1.1, 3.3.1, 4.1.3; axe-core's rules.
"""

from __future__ import annotations

import base64
import io
import os
import re
from pathlib import Path

import pytest
import segno

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytest.importorskip("axe_playwright_python", reason="axe is not installed")
from playwright.sync_api import FilePayload, Page, expect  # noqa: E402

from rungwise.home import HomeEntry, HomeLog, HomeSession  # noqa: E402
from rungwise.log_code import write_log_code  # noqa: E402
from rungwise.plan_code import read_plan_code  # noqa: E402
from rungwise.records.passwords import totp  # noqa: E402
from tests.browser.test_web_frame import address, begin, clean, page, pytestmark  # noqa: E402
from tests.web.kit import DAY, EXAMS  # noqa: E402

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
    looked_at(page, "settings-own")
    page.locator("a[href='/settings/second-factor']").click()
    page.locator("#f-old").fill("plain words that are long")
    page.keyboard.press("Enter")
    expect(page.locator(".qr img")).to_be_visible()
    looked_at(page, "second-factor")
    secret = base64.b32decode(page.locator("p.key").inner_text().replace(" ", ""))
    page.locator("#f-code").fill("000000")
    page.keyboard.press("Enter")
    expect(page.locator("#faults")).to_be_visible()
    page.locator("#f-code").fill(totp(secret, int(DAY.timestamp())))
    page.keyboard.press("Enter")
    expect(page.locator("ul.key li")).to_have_count(10)
    looked_at(page, "recovery-codes")


def dropped(page: Page, on: str, name: str, data: bytes, how: str = "drop") -> None:
    """Drop a file on a place of the page, or paste it there, as the browser would tell of it."""
    held = page.evaluate_handle(
        """([name, text]) => {
            const bytes = Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0));
            const held = new DataTransfer();
            held.items.add(new File([bytes], name));
            return held;
        }""",
        [name, base64.b64encode(data).decode()],
    )
    if how == "drop":
        page.dispatch_event(on, "dragover", {"dataTransfer": held})
        expect(page.locator("form.drop.over")).to_have_count(1)
        page.dispatch_event(on, "drop", {"dataTransfer": held})
    else:
        page.locator(on).evaluate(
            """(place, held) => place.dispatchEvent(
                new ClipboardEvent("paste", {bubbles: true, clipboardData: held}))""",
            held,
        )
    expect(page.locator("[data-dropped]")).to_contain_text(name)


def test_files(page: Page, address: str) -> None:
    begin(page, address)
    page.goto(f"{address}/files")
    looked_at(page, "files")
    look = page.locator("form[action='/files/look'] button")
    exam: FilePayload = {"name": "a.toml", "mimeType": "text/plain", "buffer": b"a = "}
    page.locator("#file").set_input_files(exam)
    look.click()
    expect(page.locator("#faults")).to_be_focused()
    looked_at(page, "files-faults")
    dropped(page, "h1", "exam.toml", EXAMS["hill-walker-grade-2"].encode())
    expect(look).to_be_focused()
    looked_at(page, "files-dropped")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    looked_at(page, "exam-in")
    page.locator("input[value=new]").check()
    page.locator("button.main").click()
    person = re.search(r"/people/(\w{32})", page.url)
    assert person
    page.goto(f"{address}/people/{person[1]}/programme")
    page.locator("button[value=keep]").click()
    page.goto(f"{address}/people/{person[1]}")
    looked_at(page, "person-out")
    page.goto(f"{address}/files")
    dropped(page, "#file", "a.txt", b"label\r\nA-1\r\nA-2\r\n", "paste")
    look.click()
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


def test_a_screenshot_dropped_on_the_diary_and_a_file_on_the_examination(
    page: Page, address: str
) -> None:
    """Anywhere on the page, also where the field is folded away."""
    begin(page, address)
    page.goto(f"{address}/files")
    dropped(page, "main", "exam.toml", EXAMS["hill-walker-grade-2"].encode())
    with page.expect_navigation():
        page.keyboard.press("Enter")
    page.locator("input[value=new]").check()
    page.locator("button.main").click()
    found = re.search(r"/people/(\w{32})", page.url)
    assert found
    person = f"{address}/people/{found[1]}"
    page.goto(f"{person}/exam")
    dropped(page, "h1", "again.toml", EXAMS["hill-walker-grade-2"].encode())
    expect(page.locator("#exam-file")).to_be_visible()
    looked_at(page, "exam-dropped")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    expect(page.locator("input[name=whose]")).to_have_count(1)
    looked_at(page, "exam-of-one")
    page.goto(f"{person}/programme")
    with page.expect_navigation():
        page.locator("button[value=keep]").click()
    text = page.locator("p.code").text_content() or ""
    home = read_plan_code("".join(text.split()))
    entry = HomeEntry(0, "all", "", 2, 10, 2, 3, 1)
    log = HomeLog(home.number, home.version, 0, (HomeSession(home.starts, (entry,)),))
    drawn = io.BytesIO()
    segno.make_qr(write_log_code(log, home), error="m").save(drawn, kind="png", scale=6)
    page.goto(f"{person}/diary")
    looked_at(page, "diary-in")
    dropped(page, "#log", "screen.png", drawn.getvalue(), "paste")
    looked_at(page, "diary-dropped")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    expect(page.locator("[role=status]").first).to_contain_text("1")
    looked_at(page, "diary-taken")


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
