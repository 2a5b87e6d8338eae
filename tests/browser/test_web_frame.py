"""The clinic's pages in the system's browser: first start to printed programme, by keyboard alone.

Standards: WCAG 2.2 (std §3.1): 1.4.3, 1.4.4, 1.4.10, 2.1.1, 2.4.3, 2.4.7, 4.1.3; axe-core's rules.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytest.importorskip("axe_playwright_python", reason="axe is not installed")
import uvicorn  # noqa: E402
from playwright.sync_api import Page, expect, sync_playwright  # noqa: E402

from rungwise.casebook import Casebook  # noqa: E402
from rungwise.web.access import Settings  # noqa: E402
from rungwise.web.app import create_app  # noqa: E402
from rungwise.web.exam_text import values_of  # noqa: E402
from tests.web.kit import EXAMS, PASSPHRASE, Clock  # noqa: E402

AXE = (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")
from tests.browser.chromium import CHROMIUM, FLAGS  # noqa: E402

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
#: What a hurried therapist fills in: what a plan needs, and no more.
NEEDED: tuple[str, ...] = (
    "therapist",
    "worse_side",
    "person.birth_year",
    "person.minutes_per_day",
    "person.days_per_week",
    "person.equipment",
    *(f"{side}.mtp_dorsiflexion_deg.1.v1" for side in ("right", "left")),
    *(f"right.mtp_dorsiflexion_deg.1.{way}" for way in ("method", "instrument", "zero")),
    *(
        f"{side}.{what}"
        for side in ("right", "left")
        for what in ("pain_rest_nprs", "pain_usual_nprs", "sensation", "pulses", "skin")
    ),
)


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """Serve new records on this computer until the test is over."""
    casebook = Casebook(tmp_path / "data" / "records.db", n=2**4, clock=Clock())
    bound = socket.create_server(("127.0.0.1", 0))
    config = uvicorn.Config(create_app(casebook, Settings()), log_level="error", access_log=False)
    server = uvicorn.Server(config)
    thread = Thread(target=server.run, kwargs={"sockets": [bound]}, daemon=True)
    thread.start()
    yield f"http://localhost:{bound.getsockname()[1]}"
    server.should_exit = True
    thread.join(10)


@pytest.fixture
def page() -> Iterator[Page]:
    """A page whose console must stay silent."""
    said: list[str] = []
    with sync_playwright() as kit:
        browser = kit.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        page = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()
        page.set_default_timeout(15_000)
        page.on(
            "console", lambda m: said.append(m.text) if m.type in ("error", "warning") else None
        )
        page.on("pageerror", lambda error: said.append(str(error)))
        yield page
        browser.close()
    assert not [text for text in said if "422" not in text], said


def clean(page: Page, where: str) -> None:
    """No fault by the rules of axe, light and dark; nothing runs out of 390 px or 200 % of 1280."""
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        page.evaluate(AXE)
        found = page.evaluate("axe.run(document)")["violations"]
        told = [(one["id"], one["help"], [n["html"] for n in one["nodes"]][:3]) for one in found]
        assert not told, f"{where}, {scheme}: {told}"
    page.emulate_media(color_scheme="light")
    for width in (390, 640):
        page.set_viewport_size({"width": width, "height": 800})
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= width, f"{where}: {wide} at {width}"
    page.set_viewport_size({"width": 1440, "height": 900})


def press(page: Page, name: str, key: str = "Enter") -> None:
    """Move on by the tabulator until something of this name has the focus, and press a key."""
    for _ in range(400):
        page.keyboard.press("Tab")
        here = page.evaluate(
            "(() => { const e = document.activeElement;"
            " return (e.innerText || '').trim() || e.name || e.id; })()"
        )
        if here == name:
            page.keyboard.press(key)
            return
    raise AssertionError(f"the keyboard never came to {name}")


def begin(page: Page, address: str) -> None:
    page.goto(address)
    page.locator("#f-passphrase").fill(PASSPHRASE)
    page.locator("#f-again").fill(PASSPHRASE)
    page.locator("main button").click()
    page.locator("input[type=checkbox]").check()
    page.locator("form button.main").click()
    expect(page.locator("h1")).to_have_text("Caseload")


def fill(page: Page, values: dict[str, list[str]], names: Any) -> int:
    """Fill fields in as they come; returns how many were touched [1]."""
    touched = 0
    for name in names:
        value = values[name][0]
        field = page.locator(f'[name="{name}"]').first
        if field.get_attribute("type") in ("radio", "checkbox"):
            for one in values[name]:
                page.locator(f'[name="{name}"][value="{one}"]').check()
        elif field.evaluate("e => e.tagName") == "SELECT":
            field.select_option(value)
        else:
            field.fill(value)
        touched += 1
    return touched


def test_every_page_is_clean(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator("#f-passphrase")).to_be_focused()
    clean(page, "first start")
    page.locator("#f-passphrase").type("too short")
    expect(page.locator("#strength")).to_contain_text("Too short")
    page.locator("#f-passphrase").fill(PASSPHRASE)
    expect(page.locator("#strength")).to_contain_text("Good")
    page.locator("#f-again").fill(PASSPHRASE)
    page.locator("main button").click()
    expect(page.locator("#key")).to_be_visible()
    clean(page, "recovery")
    page.locator("input[type=checkbox]").check()
    page.locator("form button.main").click()
    expect(page.locator("h1")).to_have_text("Caseload")
    clean(page, "empty caseload")
    page.goto(f"{address}/people/new")
    clean(page, "new person")
    page.locator("#f-label").fill("N-102")
    page.locator("main button").click()
    expect(page.locator("#exam")).to_be_visible()
    clean(page, "examination")
    person = page.url.removesuffix("/exam")
    page.goto(f"{person}/programme")
    clean(page, "not examined")
    page.goto(f"{person}/exam")
    page.locator("button.main").click()
    expect(page.locator("#faults")).to_be_focused()
    clean(page, "faults")
    values = values_of(EXAMS["hill-walker-grade-2"])
    fill(page, values, [*NEEDED, *(n for n in values if n.startswith("screen."))])
    expect(page.locator("#beside")).to_contain_text("The programme would hold")
    expect(page.locator("#beside img")).to_be_visible()
    clean(page, "examination with its consequences")
    page.locator("button.main").click()
    expect(page.locator("article").first).to_be_visible()
    for folded in page.locator("details > summary").all():
        if folded.is_visible():
            folded.click()
    clean(page, "draft")
    page.locator("button.main").click()
    expect(page.locator(".qr img")).to_be_visible()
    clean(page, "programme")
    page.goto(person)
    clean(page, "person")
    page.goto(address)
    clean(page, "caseload")
    page.get_by_role("button", name="Lock").click()
    expect(page.locator("h1")).to_have_text("Sign in")
    clean(page, "sign in")
    page.goto(f"{address}/enter/recover")
    clean(page, "recover")


def test_the_keyboard_alone_leads_to_a_programme(page: Page, address: str) -> None:
    begin(page, address)
    press(page, "Add the first person")
    expect(page.locator("#f-label")).to_be_focused()
    page.keyboard.type("N-102")
    page.keyboard.press("Enter")
    expect(page.locator("#exam")).to_be_visible()
    values = values_of(EXAMS["hill-walker-grade-2"])
    wanted = {n: values[n][0] for n in [*NEEDED, *(v for v in values if v.startswith("screen."))]}
    groups = 2
    page.locator("#main").focus()
    for _ in range(300):
        page.keyboard.press("Tab")
        name, kind, here = page.evaluate(
            "(() => { const e = document.activeElement;"
            " return [e.name || '', e.type || '', e.value || '']; })()"
        )
        if name not in wanted:
            continue
        if kind == "checkbox":  # each word of a list is a stop of its own
            if here in values[name]:
                page.keyboard.press("Space")
            if here == values[name][-1]:
                wanted.pop(name)
                groups += 1
            continue
        words = wanted.pop(name)
        groups += 1
        if kind == "radio":
            page.keyboard.press("Space")
            for _ in range(4):
                if page.evaluate("document.activeElement.value") == words:
                    break
                page.keyboard.press("ArrowDown")
            assert page.locator(f'[name="{name}"]:checked').get_attribute("value") == words
        elif kind == "select-one":
            shown = page.locator(f'[name="{name}"] option[value="{words}"]').inner_text()
            page.keyboard.type(shown)
        else:
            page.keyboard.type(words)
        if not wanted:
            break
    assert not wanted
    page.keyboard.press("Control+Enter")
    expect(page.locator("article").first).to_be_visible()
    page.locator("#main").focus()
    press(page, "Keep this programme")
    expect(page.locator(".qr img")).to_be_visible()
    page.locator("#main").focus()
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Print (PDF)")).to_be_focused()
    assert groups + 2 <= 60, groups


def test_pages_work_without_script(address: str) -> None:
    with sync_playwright() as kit:
        browser = kit.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        page = browser.new_context(java_script_enabled=False).new_page()
        page.set_default_timeout(15_000)
        begin(page, address)
        page.goto(f"{address}/people/new")
        page.locator("#f-label").fill("N-102")
        page.locator("main button").click()
        values = values_of(EXAMS["hill-walker-grade-2"])
        for name in (*NEEDED, *(n for n in values if n.startswith("screen."))):
            value = values[name][0]
            if page.locator(f'input[name="{name}"]:is([type=radio], [type=checkbox])').count():
                for one in values[name]:
                    page.locator(f'[name="{name}"][value="{one}"]').check()
            elif page.locator(f'select[name="{name}"]').count():
                page.locator(f'[name="{name}"]').select_option(value)
            else:
                page.locator(f'[name="{name}"]').fill(value)
        page.locator("button.main").click()
        page.locator("button.main").click()
        expect(page.locator(".qr img")).to_be_visible()
        browser.close()


def test_an_idle_page_locks_itself_and_gives_back_what_was_typed(page: Page, address: str) -> None:
    begin(page, address)
    page.goto(f"{address}/people/new")
    page.locator("#f-label").fill("N-102")
    page.clock.install()
    page.locator("main button").click()
    page.locator("#f-therapist").fill("R. Alder, PT")
    page.clock.fast_forward("14:30")
    expect(page.locator("#f-therapist")).to_have_value("R. Alder, PT")
    page.clock.fast_forward("01:00")
    expect(page.locator("h1")).to_have_text("Sign in")
    page.locator("#f-passphrase").fill(PASSPHRASE)
    page.locator("main button").click()
    expect(page.locator("#f-therapist")).to_have_value("R. Alder, PT")


def test_hostile_labels_stay_text(page: Page, address: str) -> None:
    begin(page, address)
    hostile = (
        '<img src=x onerror="document.title=1">',
        "'\"><script>document.title=1</script>",
        "{{ 7*7 }}{% raw %}",
        '#read("x") $x$ \\ <svg onload=alert(1)>',
        "javascript:alert(1)",
    )
    for label in hostile:
        page.goto(f"{address}/people/new")
        page.locator("#f-label").fill(label)
        page.locator("main button").click()
        expect(page.locator(".who .label")).to_have_text(label)
    page.goto(address)
    for label in hostile:
        expect(page.get_by_role("link", name=label, exact=True)).to_be_visible()
    assert page.title() == "Caseload – rungwise"
