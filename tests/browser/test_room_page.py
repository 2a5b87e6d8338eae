"""The led page for a room in the system's browser: a class under a fake clock, on a big screen.

Standards: WCAG 2.2 (std §3.1): 1.4.3, 1.4.10, 2.1.1, 2.1.4, 2.4.3, 2.5.8, 4.1.3.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright  # noqa: E402

from rungwise.book import load_book  # noqa: E402
from rungwise.captions import cues_of  # noqa: E402
from rungwise.clinic import group_class  # noqa: E402
from rungwise.core.group import GroupClass  # noqa: E402
from rungwise.handout.group import build_class_sheet  # noqa: E402
from rungwise.phone.room import room_page  # noqa: E402
from rungwise.words import Words, load_words, pseudo_right_to_left  # noqa: E402
from tests.browser.chromium import CHROMIUM, FLAGS  # noqa: E402

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
BOOK = load_book()
NINE = datetime(2026, 3, 3, 9, 0)
SCREEN = {"width": 1280, "height": 720}
FULL = (
    "heel_raise:seated_weight/half=2",
    "heel_raise:hands_60/half=3",
    "toe_press:half/firm/standing",
    "balance:hand/tandem/firm",
)


@cache
def group() -> GroupClass:
    return group_class(FULL, BOOK, 8)


def words_of(which: str) -> Words:
    return pseudo_right_to_left(load_words("en")) if which == "rtl" else load_words(which)


@cache
def page_text(which: str = "en") -> str:
    return room_page(group(), BOOK, words_of(which))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as player:
        found = player.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield found
        found.close()


class Room:
    """The page opened from a file, with its clock in our hands."""

    def __init__(self, context: BrowserContext, path: Path, at: datetime | None) -> None:
        self.context = context
        self.errors: list[str] = []
        self.requests: list[str] = []
        self.page: Page = context.new_page()
        self.page.set_default_timeout(5000)
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("console", lambda m: self.errors.append(m.text) if m.type == "error" else None)
        self.page.on("request", lambda r: self.requests.append(r.url))
        if at is not None:
            self.page.clock.install(time=at)
        self.page.goto(path.as_uri())
        if at is not None:  # from here on only run() lets time pass, however slow the machine is
            self.page.clock.pause_at(at + timedelta(minutes=1))

    def run(self, seconds: float) -> None:
        self.page.clock.run_for(round(1000 * seconds))

    def act(self, name: str) -> None:
        self.page.locator(f"section.here [data-act={name}]").click()

    def key(self, name: str) -> None:
        self.page.keyboard.press(name)

    def begin(self) -> None:
        for _ in range(3):
            self.act("onward")

    def text(self, where: str) -> str:
        return self.page.locator(where).inner_text()

    @property
    def screen(self) -> str:
        return str(self.page.evaluate("document.querySelector('section.here').id"))

    @property
    def caption(self) -> str:
        return self.text("#caption")

    @property
    def kept(self) -> Any:
        return json.loads(self.page.evaluate("localStorage.getItem('rungwise-room')") or "null")

    def hide(self, hidden: bool) -> None:
        self.page.evaluate(
            """hidden => {
            Object.defineProperty(document, 'hidden', { configurable: true, get: () => hidden });
            Object.defineProperty(document, 'visibilityState',
                { configurable: true, get: () => (hidden ? 'hidden' : 'visible') });
            document.dispatchEvent(new Event('visibilitychange'));
            }""",
            hidden,
        )


@pytest.fixture
def room(browser: Browser, tmp_path: Path) -> Iterator[Callable[..., Room]]:
    opened: list[Room] = []

    def make(which: str = "en", at: datetime | None = NINE, init: str = "", **options: Any) -> Room:
        path = tmp_path / "room.html"
        path.write_text(page_text(which), "utf-8")
        context = browser.new_context(**{"viewport": SCREEN, **options})
        if init:
            context.add_init_script(init)
        opened.append(Room(context, path, at))
        return opened[-1]

    yield make
    for one in opened:
        one.context.close()
        assert one.errors == []
        assert [url for url in one.requests if not url.startswith(("file:", "about:"))] == []


def start_of(kind: str, **wanted: object) -> float:
    """When the first such moment starts, counted from the start of the running order [s]."""
    return next(
        m.start_s - group().opening_s
        for m in group().moments
        if m.kind == kind and all(getattr(m, k) == v for k, v in wanted.items())
    )


SET_S = start_of("do")  # the first set
PRESS_S = start_of("do", family="toe_press", side="right")


# ------------------------------------------------------------------ a whole class


@pytest.mark.parametrize("which", ["en", "es"])
def test_a_whole_class_says_each_caption_at_its_time(room: Callable[..., Room], which: str) -> None:
    one = room(which)
    words = words_of(which)
    sheet = build_class_sheet(group(), BOOK, words)
    for heading in (sheet.not_yet.heading, sheet.stop.heading, sheet.cautions.heading):
        assert one.text("section.here h1") == heading
        assert one.page.locator("#led").is_hidden()  # nothing starts before all was shown
        one.act("onward")
    # every change of the caption, with its time on the page's clock
    one.page.evaluate(
        """() => {
        const caption = document.getElementById('caption');
        window.start = Date.now();
        window.seen = [[0, caption.textContent]];
        new MutationObserver(() => window.seen.push([Date.now() - start, caption.textContent]))
            .observe(caption, { childList: true, characterData: true, subtree: true });
        }"""
    )
    for _ in range(80):
        one.run(9.7)
    assert one.screen == "end"
    seen = one.page.evaluate("window.seen")
    expected: list[tuple[float, str]] = []
    for cue in cues_of(group(), BOOK, words):
        at_ms = 1000 * (cue.start_s - group().opening_s)
        if at_ms >= 0 and (not expected or expected[-1][1] != cue.text):
            expected.append((at_ms, cue.text))
    assert [text for _, text in seen] == [text for _, text in expected]
    late = [ms - due for (ms, _), (due, _) in zip(seen, expected, strict=True)]
    assert max(late) <= 260  # captions in a gap are looked for four times a second
    assert min(late) >= -2
    parts = {m.start_s - group().opening_s for m in group().moments}
    sharp = [x for x, (due, _) in zip(late, expected, strict=True) if due / 1000 in parts]
    assert len(sharp) == len(parts)
    assert max(map(abs, sharp)) <= 50
    assert words.lines("class.cue.closing")[2] in one.text("#end")
    assert one.kept["led"] is None
    one.act("anew")
    assert one.screen == "open-0"


def test_the_screen_says_which_foot_what_next_and_both_sides_done(
    room: Callable[..., Room],
) -> None:
    one = room()
    one.begin()

    def feet() -> list[str]:
        return one.page.locator("#sides li").all_inner_texts()

    assert feet() == ["Both feet at the same time"]
    assert one.caption == "Sit down on your chair."
    one.run(3)
    assert one.caption == "Lay out the books, the cloth and the weight."
    assert one.text("#next") == "Then: Both feet at the same time"  # it is on
    one.run(PRESS_S - 3 - 1)
    assert one.text("#what") == "Toe press"
    assert feet() == ["Right foot: first", "Left foot: then"]
    one.run(1.1)
    assert feet() == ["Right foot: now", "Left foot: then"]
    assert one.text("#next") == "Then: Change feet. Now the left foot."
    one.run(40)
    assert feet() == ["✓ Right foot: done", "Left foot: next"]
    one.run(10)
    assert feet() == ["✓ Right foot: done", "Left foot: now"]
    one.run(40)
    assert one.text("#where") == "Toe press: Both feet are done."
    assert one.text("#what") == "Balance"
    assert one.page.locator("#led figure svg").is_visible()
    assert one.page.locator(".stopline").is_visible()


def test_the_running_order_marks_where_the_class_is(room: Callable[..., Room]) -> None:
    one = room()
    one.begin()
    one.run(PRESS_S + 5)
    one.page.locator("#led button", has_text="What when").click()
    rows = one.page.locator("#order tbody tr")
    assert rows.count() == len(build_class_sheet(group(), BOOK, load_words("en")).order)
    assert one.text("#order [aria-current=step]").split("\t")[0] == "8:50"
    one.run(100)  # the class goes on meanwhile
    assert "Put away the cloth" in one.text("#order [aria-current=step]")
    one.act("led")
    assert one.text("#what") == "Balance"


# ------------------------------------------------------------------ keys


def test_the_keyboard_alone_leads_a_class(room: Callable[..., Room]) -> None:
    one = room()
    for _ in range(3):
        for _ in range(10):
            one.key("Tab")
            if one.page.evaluate("document.activeElement.dataset.act") == "onward":
                break
        one.key("Enter")
    assert one.screen == "led"
    assert one.page.evaluate("document.activeElement.id") == "what"
    one.key("ArrowRight")  # into the first set, with time to get ready
    assert one.caption == "Get ready."
    one.run(4.9)
    assert one.caption == "Get ready."
    one.run(0.2)
    assert one.caption == "Both feet at the same time. 1: Heels up."
    one.run(6)
    assert one.text("#times") == "2 of 10"
    one.key(" ")
    assert one.text("#phase") == "Paused"
    one.run(600)
    assert one.text("#times") == "2 of 10"
    one.key(" ")
    one.run(6)
    assert one.text("#times") == "3 of 10"
    one.key("ArrowUp")  # this set again
    assert one.text("#times") == "1 of 10"
    one.key("ArrowLeft")
    assert one.caption == "Sit down on your chair."
    one.key(" ")  # a jump keeps the pause
    one.key("ArrowRight")
    one.run(60)
    assert one.text("#phase") == "Paused"
    assert one.text("#times") == "1 of 10"
    for name in ("Space", "ArrowLeft", "ArrowUp", "ArrowRight"):
        assert one.page.locator(f'[aria-keyshortcuts="{name}"] kbd').is_visible()


def test_arrows_follow_the_direction_of_reading(room: Callable[..., Room]) -> None:
    one = room("rtl")
    one.begin()
    before = one.caption
    one.key("ArrowLeft")
    one.run(6)
    assert one.text("#times")
    one.key("ArrowRight")
    assert one.caption == before
    svg = one.page.locator("#led svg.pic")
    assert svg.evaluate("n => n.getScreenCTM().a") > 0
    assert svg.evaluate("n => getComputedStyle(n).direction") == "ltr"


def test_after_a_tap_the_space_key_pauses(room: Callable[..., Room]) -> None:
    one = room()
    one.begin()
    one.page.locator("#led button", has_text="Skip").click()
    one.key(" ")
    assert one.text("#phase") == "Paused"
    assert one.text("#what") == "Heel raise"


# ------------------------------------------------------------------ time and what may go wrong


def test_a_reload_in_mid_hold_goes_on_where_the_clock_is(room: Callable[..., Room]) -> None:
    one = room()
    one.begin()
    one.run(PRESS_S + 8 + 1 + 2)  # second time: 1 s into it, 2 s of five held
    assert (one.text("#times"), one.caption) == ("2 of 5", "Hold 5 seconds.")
    one.page.reload()
    assert (one.screen, one.text("#times"), one.caption) == ("led", "2 of 5", "Hold 5 seconds.")
    left = int(one.text("#count"))
    assert left in (2, 3)
    one.run(left + 0.1)
    assert one.caption == "Let go slowly."


def test_a_reload_keeps_a_pause_and_the_opening_screen(room: Callable[..., Room]) -> None:
    one = room()
    one.act("onward")
    one.page.reload()
    assert one.screen == "open-1"
    one.act("onward")
    one.act("onward")
    one.run(SET_S + 7)
    one.key(" ")
    one.page.reload()
    assert one.text("#phase") == "Paused"
    assert one.text("#times") == "2 of 10"


def test_an_hour_later_the_opening_is_shown_again(room: Callable[..., Room]) -> None:
    one = room()
    one.begin()
    one.run(60)
    one.key(" ")
    address = one.page.url
    one.page.goto("about:blank")
    one.page.clock.set_system_time(NINE + timedelta(hours=2))
    one.page.goto(address)
    assert one.screen == "open-0"  # other people may be in the room


def test_a_short_time_in_the_background_is_counted(room: Callable[..., Room]) -> None:
    one = room()
    one.begin()
    one.run(SET_S - 10)
    one.hide(True)
    one.page.clock.fast_forward(10_000 + 3 * 6_000 + 500)  # timers stand still, then fire once
    one.hide(False)
    assert one.caption == "4: Heels up."


@pytest.mark.parametrize("at_s", [5.0, 40.0, 545.0])  # in a gap, in a set, before the closing
def test_five_minutes_in_the_background_pause_the_class(
    room: Callable[..., Room], at_s: float
) -> None:
    one = room()
    one.begin()
    one.run(at_s)
    one.hide(True)
    one.page.clock.fast_forward(300_000)
    one.hide(False)
    assert one.text("#phase") == "Paused"
    assert "slept for 5 minutes" in one.text("#told")
    gone = group().seconds - group().opening_s - at_s  # nobody was led while it slept
    minutes, seconds = map(int, re.findall(r"\d+", one.text("#whole")))
    assert abs(60 * minutes + seconds - gone) <= 1
    one.key(" ")
    assert one.page.locator("#told").is_hidden()
    one.run(5)
    minutes, seconds = map(int, re.findall(r"\d+", one.text("#whole")))
    assert abs(60 * minutes + seconds - gone + 5) <= 1


def test_without_storage_the_class_is_led_and_the_page_says_so(room: Callable[..., Room]) -> None:
    one = room(
        init="Object.defineProperty(window, 'localStorage', "
        "{ get() { throw new DOMException('denied', 'SecurityError'); } });"
    )
    assert "does not keep its place" in one.text("#keeps")
    one.begin()
    one.run(SET_S + 0.5)
    assert one.caption == "Both feet at the same time. 1: Heels up."


def test_damaged_storage_is_no_failure(room: Callable[..., Room]) -> None:
    one = room(init="try { localStorage.setItem('rungwise-room', '{broken'); } catch {}")
    assert one.screen == "open-0"


def test_voice_sound_and_screen_lock_are_used_where_there_are_any(
    room: Callable[..., Room],
) -> None:
    one = room(
        init="""
        window.told = []; window.locks = 0; window.beeps = 0;
        window.SpeechSynthesisUtterance = class { constructor(text) { this.text = text; } };
        Object.defineProperty(window, 'speechSynthesis', { value: { cancel() {},
            getVoices: () => [{}], speak: words => window.told.push([words.lang, words.text]) } });
        Object.defineProperty(navigator, 'wakeLock', { value: { request: async () => {
            window.locks += 1; return { addEventListener() {}, release: async () => {} }; } } });
        const own = AudioContext.prototype.createOscillator;
        AudioContext.prototype.createOscillator = function () {
            window.beeps += 1; return own.call(this); };"""
    )
    one.act("read")
    first = one.page.evaluate("window.told")[0]
    assert first[0] == "en"
    assert "You cannot tell when it hurts or when to stop." in first[1]
    one.begin()
    one.run(SET_S + 4)
    said = [text for _, text in one.page.evaluate("window.told")[1:]]
    assert said[0] == "Sit down on your chair."
    assert said[-2:] == ["Hold 1 second.", "Come down slowly."]
    assert one.page.evaluate("window.locks") == 1
    beeps = one.page.evaluate("window.beeps")
    assert beeps > 4
    for name in ("Sound", "Voice"):
        button = one.page.locator("#led").get_by_role("button", name=name)
        button.click()
        assert button.get_attribute("aria-pressed") == "false"
    one.run(30)
    assert [text for _, text in one.page.evaluate("window.told")[1:]] == said
    assert one.page.evaluate("window.beeps") == beeps


def test_full_screen_is_offered_and_taken(room: Callable[..., Room]) -> None:
    one = room()
    one.begin()
    one.page.locator("#led button", has_text="Full screen").click()
    one.run(1)
    assert one.page.evaluate("!!document.fullscreenElement")
    one.page.locator("#led button", has_text="Leave full screen").click()
    one.run(1)
    assert not one.page.evaluate("!!document.fullscreenElement")


def test_without_script_all_can_be_read(room: Callable[..., Room]) -> None:
    one = room(at=None, java_script_enabled=False)
    text = one.text("body")
    sheet = build_class_sheet(group(), BOOK, load_words("en"))
    for part in (sheet.not_yet, sheet.stop, sheet.help, sheet.cautions, sheet.kit):
        assert all(line in text for line in part.lines), part.kind
    for panel in sheet.panels:
        assert all(line in text for line in panel.lines)
        assert one.page.locator(f"#ex-{panel.number - 1} svg").is_visible()
    assert all(step.what in text for step in sheet.order)
    assert "The timer is off here." in text
    assert one.page.locator("button:visible").count() == 0


# ------------------------------------------------------------------ seen from the back of the room


def every_screen(one: Room, look: Callable[[str], None]) -> None:
    for number in range(3):
        look(f"opening {number}")
        one.act("onward")
    clock = 0.0
    for number, moment in enumerate(group().moments):
        at = moment.start_s - group().opening_s + 1.5
        one.run(at - clock)
        clock = at
        look(f"{number} {moment.kind}")
    one.key(" ")
    look("paused")
    one.key(" ")
    one.hide(True)
    one.page.clock.fast_forward(65_000)
    one.hide(False)
    look("closing or slept")
    one.page.locator("#led .slight").first.click()
    look("order")
    one.act("led")
    one.key(" ")
    one.run(200)
    assert one.screen == "end"
    look("end")


HIDDEN = """() => {
    const bar = document.querySelector('footer').getBoundingClientRect();
    return [...document.querySelectorAll('section.here *')].filter(n => {
        const r = n.getBoundingClientRect();
        return r.width && !n.closest('svg') && (r.right > innerWidth + 1 || r.left < -1
            || r.bottom > bar.top + 1);
    }).map(n => n.tagName + ' ' + n.textContent.slice(0, 40)); }"""
SMALLEST = """() => Math.min(...[...document.querySelectorAll(
    '#caption, #next, #how li, #sides li, #what, .stopline strong, .open .inside li')]
    .filter(n => n.offsetParent).map(n => parseFloat(getComputedStyle(n).fontSize)))"""


@pytest.mark.parametrize("which", ["en", "es", "rtl"])
@pytest.mark.parametrize("size", [(1280, 720), (1920, 1080)])
def test_a_big_screen_shows_all_at_once_in_large_letters(
    room: Callable[..., Room], which: str, size: tuple[int, int]
) -> None:
    one = room(which, viewport={"width": size[0], "height": size[1]})

    def look(name: str) -> None:
        assert one.page.evaluate(HIDDEN) == [], name
        assert one.page.evaluate("document.documentElement.scrollHeight") <= size[1] + 1, name
        # at least 1.25 % of the width of the screen: 15 mm on one that is 1.2 m wide
        assert one.page.evaluate(SMALLEST) >= 0.0125 * size[0], name

    every_screen(one, look)


SMALL = """() => [...document.querySelectorAll('section.here button')].filter(n => n.offsetParent)
    .map(n => [n.textContent, n.getBoundingClientRect()])
    .filter(([, r]) => r.height < 47.5 || r.width < 47.5).map(([text]) => text)"""


@pytest.mark.parametrize("which", ["en", "es", "rtl"])
@pytest.mark.parametrize("width", [320, 390])
def test_a_phone_needs_no_sideways_scroll_and_has_wide_targets(
    room: Callable[..., Room], which: str, width: int
) -> None:
    one = room(which, viewport={"width": width, "height": 780})

    def look(name: str) -> None:
        assert one.page.evaluate("document.documentElement.scrollWidth") <= width, name
        assert one.page.evaluate(SMALL) == [], name
        box = one.page.locator(".stopline").bounding_box()
        assert box is not None
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= 781, name  # the stop rule is always in sight

    every_screen(one, look)


def test_each_screen_has_one_heading_that_names_it(room: Callable[..., Room]) -> None:
    one = room()

    def look(name: str) -> None:
        assert one.page.locator("h1:visible").count() == 1, name
        assert one.page.title() == one.page.locator("h1:visible").inner_text(), name

    every_screen(one, look)


def test_states_are_said_but_not_each_second(room: Callable[..., Room]) -> None:
    one = room()
    one.begin()
    one.run(PRESS_S - 0.5)
    one.page.evaluate(
        """() => { window.told = []; new MutationObserver(() => window.told.push(
            document.getElementById('said').textContent)).observe(
            document.getElementById('said'), { childList: true, characterData: true }); }"""
    )
    one.run(0.5 + 3 * 8)
    told = one.page.evaluate("window.told")
    assert told[0] == "Right foot. 1: Press."
    assert "Hold 5 seconds." in told
    assert len(told) <= 8


@pytest.mark.parametrize(
    ("which", "scheme", "width"),
    [("en", "light", 1280), ("en", "dark", 1280), ("es", "light", 390), ("rtl", "dark", 1280)],
)
def test_axe_finds_nothing_on_any_screen(
    room: Callable[..., Room], which: str, scheme: str, width: int
) -> None:
    pytest.importorskip("axe_playwright_python", reason="axe is not installed")
    axe = (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")
    one = room(
        which,
        color_scheme=scheme,
        reduced_motion="reduce",
        viewport={"width": width, "height": 720},
    )
    one.page.evaluate(axe)
    seen: list[str] = []

    def look(name: str) -> None:
        kind = name.split()[-1]
        if kind in seen:
            return
        one.page.evaluate(
            "() => { window.found = null; axe.run(document).then(r => { window.found = r; }); }"
        )
        found = None
        for _ in range(200):
            one.page.clock.run_for(1)
            found = one.page.evaluate(
                "found && [found.passes.length, found.violations.map(v => [v.id, v.nodes[0].html])]"
            )
            if found is not None:
                break
        assert found is not None, name
        assert found[0] > 15, name
        assert found[1] == [], name
        seen.append(kind)

    every_screen(one, look)
    assert len(seen) == 11
