"""The whole loop in the system's browser: new person to note, with the phone in a second context.

Standards: WCAG 2.2 (std §3.1): 1.4.3, 1.4.4, 1.4.10, 2.1.1, 2.4.3, 4.1.3; axe-core's rules.
"""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from threading import Thread

import pytest

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytest.importorskip("axe_playwright_python", reason="axe is not installed")
import uvicorn
from playwright.sync_api import Page, expect

from rungwise.casebook import LOCAL, Casebook
from rungwise.core.terms import SIDES
from rungwise.home import HomePlan
from rungwise.log_code import write_log_code
from rungwise.web.access import Settings
from rungwise.web.app import create_app
from rungwise.web.exam_text import values_of
from tests.browser.chromium import CHROMIUM
from tests.browser.test_phone_page import PHONE, Phone
from tests.browser.test_web_frame import (
    NEEDED,
    begin,
    clean,
    fill,
    press,
)
from tests.browser.test_web_frame import page as page
from tests.web.kit import EXAMS, PASSPHRASE, Clock
from tests.web.test_web_course import log_of

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
WALKER = values_of(EXAMS["hill-walker-grade-2"])
USUAL = [f"{side}.{what}" for side in SIDES for what in ("pain_usual_nprs", "pain_worst_nprs")]
ASKED = [*NEEDED, *USUAL, *(name for name in WALKER if name.startswith("screen."))]


class Clinic:
    """The pages of one clinic, its clock in our hands."""

    def __init__(self, address: str, casebook: Casebook, clock: Clock) -> None:
        self.address, self.casebook, self.clock = address, casebook, clock

    def later(self, page: Page, **span: float) -> None:
        """Let days pass; the records lock meanwhile and are opened again."""
        back = page.url
        self.clock.on(**span)
        page.goto(self.address)
        if page.locator("#f-passphrase").count():
            page.locator("#f-passphrase").fill(PASSPHRASE)
            page.locator("main button").first.click()
            expect(page.locator("h1")).to_have_text("Caseload")
        page.goto(back)

    def home(self, url: str) -> HomePlan:
        person = re.search(r"/people/(\w+)", url)
        assert person
        return self.casebook.way(LOCAL, person[1]).homes[0]


@pytest.fixture
def clinic(tmp_path: Path) -> Iterator[Clinic]:
    """Serve new records on this computer until the test is over."""
    clock = Clock()
    casebook = Casebook(tmp_path / "data" / "records.db", n=2**4, clock=clock)
    bound = socket.create_server(("127.0.0.1", 0))
    config = uvicorn.Config(create_app(casebook, Settings()), log_level="error", access_log=False)
    server = uvicorn.Server(config)
    thread = Thread(target=server.run, kwargs={"sockets": [bound]}, daemon=True)
    thread.start()
    yield Clinic(f"http://localhost:{bound.getsockname()[1]}", casebook, clock)
    server.should_exit = True
    thread.join(10)


def with_programme(page: Page, clinic: Clinic) -> str:
    """From first start to a kept programme; returns the person's address."""
    begin(page, clinic.address)
    page.goto(f"{clinic.address}/people/new")
    page.locator("#f-label").fill("N-102")
    page.locator("main button").click()
    expect(page.locator("#exam")).to_be_visible()
    url = page.url.removesuffix("/exam")
    fill(page, WALKER, ASKED)
    page.locator("#exam button.main").click()
    expect(page.locator("article").first).to_be_visible()
    page.get_by_role("button", name="Keep this programme").click()
    expect(page.locator(".qr img")).to_be_visible()
    return url


def lead(phone: Phone, home: HomePlan, pain: int) -> None:
    """Lead a day's session to its end, as the page asks for it."""
    phone.begin(pain=pain)
    for _ in range(400):
        if phone.page.locator("section.here [data-pain]").count():
            phone.answer(pain)
            if phone.title == "Done":
                return
            continue
        for name in ("Start the next one", "Start"):
            button = phone.page.locator("section.here").get_by_role("button", name=name, exact=True)
            if button.count() and button.first.is_visible():
                phone.tap(name)
                break
        phone.run(20)
        if phone.title == "Done":
            return
    raise AssertionError(phone.title)


def test_the_whole_loop(page: Page, clinic: Clinic, tmp_path: Path) -> None:
    url = with_programme(page, clinic)
    home = clinic.home(url)

    # at home: the file for the phone, led in a context of its own
    file = tmp_path / "programme.html"
    file.write_bytes(page.context.request.get(f"{url}/programme/1/phone.html").body())
    browser = page.context.browser
    assert browser is not None
    at = datetime.combine(home.starts, datetime.min.time()) + timedelta(hours=9)
    context = browser.new_context(viewport={"width": PHONE["width"], "height": PHONE["height"]})
    phone = Phone(context, file, at)
    lead(phone, home, pain=1)
    code = phone.code
    assert phone.errors == []
    assert not [one for one in phone.requests if not one.startswith(("file:", "blob:"))]
    context.close()

    # back: the log code pasted, then what the same page told later, in its own code
    clinic.later(page, days=1)
    page.goto(f"{url}/diary")
    clean(page, "empty diary")
    page.locator("#log").fill(code)
    page.get_by_role("button", name="Take the code in").click()
    expect(page.locator("[role=status]")).to_contain_text("Taken in: 1 days.")
    expect(page.locator("table.diary")).to_contain_text("all")
    clinic.later(page, days=11)
    page.goto(f"{url}/diary")
    page.locator("#log").fill(write_log_code(log_of(home, 12, part=2), home))
    page.get_by_role("button", name="Take the code in").click()
    expect(page.locator("[role=status]")).to_contain_text("Taken in")
    clean(page, "diary")

    # the advice, answered line by line
    page.goto(f"{url}/advice")
    assert page.locator("input:checked").count() == 0
    expect(page.locator(".advised.up").first).to_have_text("Up")
    page.locator("#advice button.main").click()
    expect(page.locator("#faults")).to_be_focused()
    clean(page, "advice with faults")
    for folded in page.locator("details > summary").all():
        if folded.is_visible():
            folded.click()
    clean(page, "advice")
    for choice in page.locator("input[value=accept]").all():
        choice.check()
    page.locator("#advice button.main").click()
    expect(page.locator("[role=status]")).to_contain_text("programme 2")
    clean(page, "decided")
    sheet = page.context.request.get(f"{url}/programme/2/sheet.pdf").body()
    assert sheet.startswith(b"%PDF-")

    # examined again, and what has changed
    clinic.later(page, days=2)
    page.goto(f"{url}/exam")
    fill(page, WALKER, [name for name in ASKED if not name.startswith("person.")])
    page.locator('[name="right.mtp_dorsiflexion_deg.1.v1"]').fill("60")
    page.locator("#exam button.main").click()
    expect(page.locator("h1")).to_have_text("Programme")
    page.goto(f"{url}/change")
    moved = page.locator("article", has_text="Upward bend of the big toe, right foot")
    expect(moved.locator(".verdict")).to_contain_text("rror")
    expect(moved.locator("img.chart")).to_be_visible()
    for folded in page.locator("details > summary").all():
        folded.click()
    clean(page, "change")

    # the note, edited and kept
    page.goto(f"{url}/notes?kind=progress")
    expect(page.locator("#preview")).to_contain_text("N-102")
    for folded in page.locator("details > summary").all():
        folded.click()
    clean(page, "note")
    page.locator("#f-text").fill("She climbs stairs again.")
    page.get_by_role("button", name="Keep this text").click()
    expect(page.locator("details", has_text="Text 1,")).to_be_visible()
    with page.expect_download() as got:
        page.get_by_role("button", name="PDF").click()
    assert got.value.suggested_filename == "progress.pdf"
    page.goto(url)
    expect(page.locator(".timeline")).to_contain_text("Decision 1")
    page.goto(clinic.address)
    clean(page, "caseload")


def test_the_keyboard_alone_answers_the_advice(page: Page, clinic: Clinic) -> None:
    url = with_programme(page, clinic)
    home = clinic.home(url)
    clinic.later(page, days=13)
    page.goto(f"{url}/diary")
    page.locator("#log").focus()
    page.keyboard.insert_text(write_log_code(log_of(home, 13), home))
    press(page, "Take the code in")
    expect(page.locator("[role=status]")).to_contain_text("Taken in")
    press(page, "See the advice")
    expect(page.locator("h1")).to_have_text("Advice")
    lines = page.locator("#advice article").count()
    page.locator("#main").focus()
    for n in range(lines):
        for _ in range(60):
            page.keyboard.press("Tab")
            kind = page.evaluate("document.activeElement.type")
            if kind == "radio":
                break
        page.keyboard.press("Space")
        if n == 0:  # the last of the three, with a reason
            page.keyboard.press("ArrowUp")
            page.keyboard.press("Tab")
            page.keyboard.type("she wants to stay")
    assert page.locator("input:checked").count() == lines
    press(page, "Keep the decision and the next programme")
    expect(page.locator("[role=status]")).to_contain_text("programme 2")
    made = clinic.casebook.way(LOCAL, url.rpartition("/")[2]).opened
    assert made is not None
    kinds = [answer.kind for _, _, answer in made.decided[0].answers]
    assert (kinds[0], kinds.count("accept")) == ("keep", lines - 1)


def test_two_weeks_of_paper_are_typed_in_a_minute(page: Page, clinic: Clinic) -> None:
    url = with_programme(page, clinic)
    clinic.later(page, days=13)
    page.goto(f"{url}/diary")
    boxes = page.locator(".tick:enabled")
    rows = page.locator(".week").first.locator("tr:has(.tick)").count()
    boxes.first.focus()
    strokes = 0
    for _ in range(boxes.count()):  # every box ticked with a pain: more than any sheet holds
        page.keyboard.type("2")
        strokes += 1
    assert strokes == 14 * rows
    assert strokes <= 4 * 60  # at four keys a second
    assert all(page.evaluate("[...document.querySelectorAll('.tick:enabled')].map(b => b.value)"))
    page.keyboard.press("Control+Enter")
    expect(page.locator("[role=status]")).to_contain_text("Taken in: 14 days.")
    clean(page, "diary from paper")


def test_arrow_keys_move_within_the_sheet(page: Page, clinic: Clinic) -> None:
    url = with_programme(page, clinic)
    clinic.later(page, days=3)
    page.goto(f"{url}/diary")
    start = clinic.home(url).starts
    page.locator(".tick:enabled").first.focus()
    for key, want in (("ArrowRight", f"1.{start + timedelta(days=1)}"), ("ArrowDown", "2."),
                      ("ArrowLeft", f"2.{start}"), ("ArrowUp", f"1.{start}")):  # fmt: skip
        page.keyboard.press(key)
        assert page.evaluate("document.activeElement.name").startswith(want)
    page.keyboard.type("p6")
    assert page.evaluate("document.activeElement.name") == f"1.{start + timedelta(days=1)}"
