"""Every page of the clinic, as it is looked at: no page can be left out, for routes make the list.

Each page is asked for the rules of axe in both schemes, and by one probe for its frame, its width,
its texts, its targets and its focus, in both languages, on a phone, on a wide screen and on a wide
screen at 200 %.

Standards: WCAG 2.2 (std §3.1): 1.4.3, 1.4.4, 1.4.10, 1.4.11, 2.1.1, 2.1.2, 2.4.1, 2.4.2, 2.4.3,
2.4.7, 2.5.8, 3.1.1; axe-core's rules.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytest.importorskip("axe_playwright_python", reason="axe is not installed")
from playwright.sync_api import Page, sync_playwright  # noqa: E402

from rungwise.web.words import LANGUAGES  # noqa: E402
from tests.browser.casebook_kit import RichCasebook, served  # noqa: E402
from tests.browser.chromium import CHROMIUM, FLAGS  # noqa: E402
from tests.browser.test_web_frame import AXE  # noqa: E402

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
#: Width and height of the window [CSS px], and how many pixels of the screen one of them is.
WINDOWS = ((1440, 900, 1), (720, 450, 2), (390, 844, 3))
#: What is looked for on a page, as it stands in the browser.
PROBE = """(language) => {
  const faults = [];
  const told = (what, one) => faults.push(`${what}: ${(one && one.outerHTML || "").slice(0, 130)}`);
  const seen = (one) => one.checkVisibility({visibilityProperty: true}) && !one.closest(".unseen");
  const root = document.documentElement;
  if (root.scrollWidth > window.innerWidth) {
    const wide = [...document.querySelectorAll("main *")].filter((one) => {
      return one.getBoundingClientRect().right > window.innerWidth + 1;
    });
    told(`${root.scrollWidth} wide in ${window.innerWidth}`, wide[wide.length - 1]);
  }
  if (document.querySelectorAll("h1").length !== 1) told("not one h1");
  if (!document.querySelector("h1").textContent.trim()) told("an empty h1");
  if (!document.title.endsWith("– rungwise") || document.title.length < 14) told("no title");
  if (root.lang !== language) told(`language ${root.lang}`);
  const skip = document.querySelector("a[href], button, input");
  if (!skip.matches(".skip") || !document.querySelector(skip.hash)) told("no skip link", skip);

  const scrolls = (one) => {
    for (let up = one; up; up = up.parentElement) {
      if (/auto|scroll/.test(getComputedStyle(up).overflowX) && up.scrollWidth > up.clientWidth) {
        return true;
      }
    }
    return false;
  };
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const range = document.createRange();
  while (texts.nextNode()) {
    const text = texts.currentNode, one = text.parentElement;
    if (!text.data.trim() || !seen(one) || one.matches("option, .skip")) continue;
    range.selectNodeContents(text);
    const box = range.getBoundingClientRect();
    if (box.width && (box.right > window.innerWidth + 1 || box.left < -1) && !scrolls(one)) {
      told("text out of sight", one);
    }
    for (let up = one; up !== document.body; up = up.parentElement) {
      const style = getComputedStyle(up);
      if (style.display === "inline" || style.overflowX === "visible") continue;
      if (style.clipPath !== "none") break;  // told to who hears the page alone
      if (/hidden|clip/.test(style.overflowX) && up.scrollWidth > up.clientWidth + 1) {
        told("text clipped", up);
      }
    }
  }
  for (const one of document.querySelectorAll("button, .button, select")) {
    if (seen(one) && one.scrollWidth > one.clientWidth + 1) told("label clipped", one);
  }
  for (const one of document.querySelectorAll("select")) {
    if (!seen(one)) continue;
    const shown = one.options[one.selectedIndex];
    if (shown && !shown.textContent.trim()) told("an empty choice", one);
  }

  const targets = [...document.querySelectorAll(
    "a[href], button, input:not([type=hidden]), select, textarea, summary"
  )].filter((one) => seen(one) && !one.disabled && !one.matches(".skip"));
  const boxes = targets.map((one) => {
    const label = one.matches("[type=radio], [type=checkbox]") && one.closest("label");
    return (label || one).getBoundingClientRect();
  });
  targets.forEach((one, i) => {
    const box = boxes[i];
    if (box.width >= 24 && box.height >= 24) return;
    const around = one.parentElement.cloneNode(true);  // a link in a line of text may be low
    for (const link of around.querySelectorAll("a, form, details, ul, ol")) link.remove();
    const inline = getComputedStyle(one).display === "inline";
    if (one.matches("a") && inline && around.textContent.trim()) return;
    const x = box.left + box.width / 2, y = box.top + box.height / 2;
    const near = boxes.find((other, j) => {
      if (j === i) return false;
      const dx = Math.max(other.left - x, 0, x - other.right);
      const dy = Math.max(other.top - y, 0, y - other.bottom);
      return Math.hypot(dx, dy) < 12;
    });
    if (near) told(`a target of ${box.width.toFixed(0)} x ${box.height.toFixed(0)}`, one);
  });
  return faults;
}"""
#: Notes each stop of the tabulator: the element, and whether its focus can be seen.
WATCH = """() => {
  for (const one of document.querySelectorAll("details")) one.open = true;
  window.stops = [];
  const strokes = (one) => [...one.children].map((part) => {
    const style = getComputedStyle(part);
    return `${style.stroke} ${style.strokeWidth}`;
  }).join();  // a part of a drawing may show its focus by its lines
  const drawn = new Map([...document.querySelectorAll("svg [tabindex='0']")].map((one) => {
    return [one, strokes(one)];
  }));
  document.addEventListener("focusin", ({target}) => {
    const style = getComputedStyle(target);
    const ring = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2
      || drawn.has(target) && drawn.get(target) !== strokes(target);
    const box = target.getBoundingClientRect();
    window.stops.push([target, ring, box.width > 0]);
  });
  window.wanted = [...document.querySelectorAll(
    "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']"
  )].filter((one) => one.checkVisibility({visibilityProperty: true}) && !one.disabled);
  document.body.tabIndex = -1;  // one begins at the top
  document.body.focus();
  document.body.removeAttribute("tabindex");
  window.stops.length = 0;
  const days = document.querySelectorAll("[type=date]").length;  // three stops and a button each
  return window.wanted.length + 3 * days + 1;
}"""
WALKED = """() => {
  const faults = [];
  const told = (what, one) => faults.push(`${what}: ${one.outerHTML.slice(0, 130)}`);
  const again = window.stops.findIndex(([one], i) => i && one === window.stops[0][0]);
  if (again > 0) window.stops.length = again;  // left at the end, and begun anew
  const group = (one) => one.type === "radio" ? `${one.form && one.form.id} ${one.name}` : one;
  const reached = new Set(window.stops.map(([one]) => group(one)));
  for (const one of window.wanted) if (!reached.has(group(one))) told("never reached", one);
  if (again < 0 && window.stops.length > window.wanted.length + 3) told("trapped", document.body);
  let before = null;
  for (const [one, ring, sized] of window.stops) {
    if (!ring) told("no visible focus", one);
    if (!sized) told("focus on nothing", one);
    const after = before && before.compareDocumentPosition(one) & Node.DOCUMENT_POSITION_FOLLOWING;
    if (before && !after && one.type !== "radio") told("out of order", one);
    before = one;
  }
  return faults;
}"""


@pytest.fixture(scope="module")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> RichCasebook:
    return RichCasebook(tmp_path_factory.mktemp("clinic"))


@pytest.fixture(scope="module")
def looked(clinic: RichCasebook) -> Iterator[tuple[Page, str]]:
    """A browser that is signed in, and the address of the pages."""
    with served(clinic) as address, sync_playwright() as kit:
        browser = kit.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        page = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()
        page.set_default_timeout(15_000)
        name, value = clinic.cookie
        page.context.add_cookies([{"name": name, "value": value, "url": address}])
        yield page, address
        browser.close()


def speak(page: Page, address: str, language: str) -> None:
    name = "rungwise-language"
    page.context.add_cookies([{"name": name, "value": language, "url": address}])


def unfold(page: Page) -> None:
    page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")


def told(found: dict[str, list[Any]]) -> str:
    return "\n".join(f"{where}: {what}" for where, all_ in found.items() for what in all_)


def test_axe_finds_nothing_on_any_page(clinic: RichCasebook, looked: tuple[Page, str]) -> None:
    page, address = looked
    found: dict[str, list[Any]] = {}
    for name, url in clinic.pages().items():
        page.goto(address + url)
        unfold(page)
        page.evaluate(AXE)
        # what does not hang on colours is the same in both schemes
        for scheme, more in (("light", {}), ("dark", {"runOnly": ["color-contrast"]})):
            how = {"resultTypes": ["violations"], "preload": False, "selectors": False, **more}
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            faults = page.evaluate("(how) => axe.run(document, how)", how)["violations"]
            found[f"{name} {scheme}"] = [
                (one["id"], [node["html"][:200] for node in one["nodes"]][:3]) for one in faults
            ]
        page.emulate_media(color_scheme="light")
    assert not any(found.values()), told(found)


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_page_fits_its_window(
    clinic: RichCasebook, looked: tuple[Page, str], language: str
) -> None:
    page, address = looked
    speak(page, address, language)
    screen = page.context.new_cdp_session(page)
    found: dict[str, list[Any]] = {}
    for name, url in clinic.pages().items():
        page.goto(address + url)
        unfold(page)
        for width, height, scale in WINDOWS:
            size = {"width": width, "height": height, "deviceScaleFactor": scale, "mobile": False}
            screen.send("Emulation.setDeviceMetricsOverride", size)
            found[f"{name} {width}"] = page.evaluate(PROBE, language)
    screen.send("Emulation.clearDeviceMetricsOverride")
    speak(page, address, "en")
    assert not any(found.values()), told(found)


def test_the_tabulator_comes_to_everything_in_order_and_leaves_again(
    clinic: RichCasebook, looked: tuple[Page, str]
) -> None:
    page, address = looked
    found: dict[str, list[Any]] = {}
    for name, url in clinic.pages().items():
        page.goto(address + url)
        for _ in range(page.evaluate(WATCH)):
            page.keyboard.press("Tab")
        found[name] = page.evaluate(WALKED)
    assert not any(found.values()), told(found)
