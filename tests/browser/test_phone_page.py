"""The phone page in the system's browser: led sessions under a fake clock, and what may go wrong.

Standards: WCAG 2.2 (std §3.1): 1.4.4, 1.4.10, 1.4.12, 2.1.1, 2.4.3, 2.5.8, 4.1.3.
"""

from __future__ import annotations

import io
import json
import random
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from datetime import date, datetime, timedelta
from functools import cache, partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from pathlib import Path
from threading import Thread
from typing import Any, ClassVar

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright  # noqa: E402

from benchmarks.phone import BEGIN, END, PAGE, bare, written  # noqa: E402
from rungwise.book import load_book  # noqa: E402
from rungwise.clinic import demo_exams, make_plan, read_exam  # noqa: E402
from rungwise.core.terms import Plan  # noqa: E402
from rungwise.handout import build_handout  # noqa: E402
from rungwise.phone import page_data, single_file  # noqa: E402
from rungwise.plan_code import (  # noqa: E402
    WHY_NOT,
    HomeEntry,
    HomeLog,
    HomePlan,
    HomeSession,
    home_plan,
    read_log_code,
    write_log_code,
    write_plan_code,
)
from rungwise.words import Words, load_words, pseudo_right_to_left  # noqa: E402
from tests.browser.chromium import CHROMIUM  # noqa: E402
from tests.browser.chromium import FLAGS as QUIETLY  # noqa: E402
from tests.edges.test_plan_code import random_log, random_plan  # noqa: E402
from tests.factory import DAY, make_exam  # noqa: E402

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
FLAGS = (*QUIETLY, "--host-resolver-rules=MAP plain.example.org 127.0.0.1")
BOOK = load_book()
ENGLISH = load_words("en")
NINE = datetime(2026, 3, 3, 9, 0)
PHONE = {"width": 390, "height": 780}


@cache
def harmless() -> tuple[Plan, HomePlan]:
    plan = make_plan(make_exam(), BOOK, DAY)
    return plan, home_plan(plan, BOOK, bytes(range(8)), bytes(range(16)))


def data_of(home: HomePlan | None = None) -> dict[str, Any]:
    plan, first = harmless()
    home = home or first
    sheet = build_handout(plan, BOOK, ENGLISH)
    return page_data(sheet, plan, home, write_plan_code(home), BOOK, ENGLISH)


@cache
def page_text(which: str = "en") -> str:
    plan, home = harmless()
    words = pseudo_right_to_left(ENGLISH) if which == "rtl" else load_words(which)
    return single_file(
        page_data(build_handout(plan, BOOK, words), plan, home, write_plan_code(home), BOOK, words)
    )


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as player:
        found = player.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield found
        found.close()


class Phone:
    """A page opened from a file, with its clock in our hands."""

    def __init__(self, context: BrowserContext, path: Path, at: datetime) -> None:
        self.context, self.path = context, path
        self.errors: list[str] = []
        self.requests: list[str] = []
        self.open(at)

    def open(self, at: datetime | None = None) -> None:
        self.page: Page = self.context.new_page()
        self.page.set_default_timeout(5000)
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("console", lambda m: self.errors.append(m.text) if m.type == "error" else None)
        self.page.on("request", lambda r: self.requests.append(r.url))
        if at is not None:
            self.page.clock.install(time=at)
        self.page.goto(self.path.as_uri())
        if at is not None:  # from here on only run() lets time pass, however slow the machine is
            self.page.clock.pause_at(at + timedelta(minutes=1))

    def run(self, seconds: float) -> None:
        self.page.clock.run_for(round(1000 * seconds))

    def settle(self) -> None:
        """A new question takes no answer in its first half second."""
        if self.page.locator("body.leading #live.here:not(:has(#phase))").count():
            self.run(0.5)

    def tap(self, name: str) -> None:
        self.settle()
        self.page.locator("section.here").get_by_role("button", name=name, exact=True).first.click()

    def go(self, name: str) -> None:
        self.page.locator("nav").get_by_role("button", name=name, exact=True).click()

    def answer(self, pain: int) -> None:
        if not self.page.locator(".pad").count():  # the clock was set while the page loaded
            self.run(0.3)
        self.settle()
        self.page.locator(f'[data-pain="{pain}"]').click()

    def begin(self, pain: int = 1, button: str = "Start for today") -> None:
        self.tap(button)
        while self.page.locator(".pad").count():
            self.answer(pain)
        self.tap("No, none of these")

    @property
    def title(self) -> str:
        return self.page.locator("section.here h1").inner_text()

    def text(self, where: str) -> str:
        return self.page.locator(where).inner_text()

    @property
    def kept(self) -> Any:
        return json.loads(self.page.evaluate("localStorage.getItem('rungwise')") or "null")

    @property
    def code(self) -> str:
        self.go("Diary")
        return self.page.locator("#log").input_value()


@pytest.fixture
def phone(browser: Browser, tmp_path: Path) -> Iterator[Callable[..., Phone]]:
    opened: list[Phone] = []

    def make(
        which: str = "en", at: datetime = NINE, text: str = "", init: str = "", **options: Any
    ) -> Phone:
        path = tmp_path / "programme.html"
        path.write_text(text or page_text(which), "utf-8")
        context = browser.new_context(**{"viewport": PHONE, **options})
        if init:
            context.add_init_script(init)
        opened.append(Phone(context, path, at))
        return opened[-1]

    yield make
    for one in opened:
        one.context.close()
        assert one.errors == []
        assert [url for url in one.requests if not url.startswith(("file:", "blob:"))] == []


# ------------------------------------------------------------------ a whole session


def lead_line(phone: Phone, index: int, pain: int) -> None:
    line = harmless()[1].lines[index]
    reps, dose = line.dose.reps, line.dose
    one = dose.lift_s + dose.hold_s + dose.lower_s
    phone.tap("Start")
    phone.run(5)
    for rep in range(reps):
        if line.family == "balance" and rep:
            phone.tap("Start the next one")
            phone.run(5)
        phone.run(one)
    assert phone.title == "How did it go?"
    phone.answer(pain)


def test_a_whole_session_is_led_and_read_back(phone: Callable[..., Phone]) -> None:
    one, (_, home) = phone(), harmless()
    one.begin(pain=1)
    for index in range(len(home.lines)):
        lead_line(one, index, pain=2)
    assert one.title == "Done"
    log = read_log_code(one.code, home)
    expected = tuple(
        HomeEntry(i, "all", "", x.dose.sets, x.dose.reps, 1, 2) for i, x in enumerate(home.lines)
    )
    assert log == HomeLog(home.number, 1, 1, (HomeSession(date(2026, 3, 3), expected),))
    one.go("Today")
    assert "All done for today." in one.text("#now")
    assert one.page.get_by_role("button", name="Start for today").count() == 0


def test_next_morning_is_asked_and_a_worse_one_halves_the_day(phone: Callable[..., Phone]) -> None:
    one, (_, home) = phone(), harmless()
    one.begin(pain=1)
    lead_line(one, 0, 1)
    one.tap("End here")
    one.page.clock.set_system_time(NINE + timedelta(days=1))
    one.page.reload()
    assert one.title == "The next morning"
    one.answer(1)
    one.answer(3)
    assert "half as many" in one.text("#now")
    log = read_log_code(one.code, home)
    assert [e.morning for e in log.sessions[0].entries] == [3]
    one.go("Today")
    one.begin(pain=1)
    one.tap("Start")
    one.run(5 + 5 * 8)  # toe press, half of ten times 1 + 5 + 2 s
    assert one.title == "How did it go?"
    one.answer(1)
    one.tap("End here")
    done = read_log_code(one.code, home).sessions[1].entries[0]
    assert (done.done, done.reps) == ("part", 5)


# ------------------------------------------------------------------ time


def test_time_does_not_drift_over_ten_minutes(phone: Callable[..., Phone]) -> None:
    plan, home = harmless()
    data = page_data(
        build_handout(plan, BOOK, ENGLISH), plan, home, write_plan_code(home), BOOK, ENGLISH
    )
    dose = data["lines"][1]["dose"]
    dose["reps"] = reps = 80  # 640 s without a stop
    one = phone(text=single_file(data))
    one.page.locator("#now .row").nth(1).click()
    one.begin(button="Start this one")
    one.tap("Start")
    start_ms = one.page.evaluate("Date.now()")
    one.page.evaluate(
        """() => {
        window.seen = {};
        const text = id => (document.getElementById(id) || {}).textContent;
        new MutationObserver(() => {
            window.seen[`${text('times')} ${text('phase')}`] ??= Date.now();
        }).observe(document.querySelector('#live'),
            { subtree: true, childList: true, characterData: true });
        }"""
    )
    while one.title != "How did it go?":
        one.run(7.3)
    seen, due_s, late_ms = one.page.evaluate("window.seen"), 5.0, []
    parts = {"Press down": dose["lift"], "Keep the press": dose["hold"]}
    for rep in range(1, reps + 1):
        for words, seconds in (*parts.items(), ("Let go slowly", dose["lower"])):
            late_ms.append(seen[f"{rep} of {reps} {words}"] - start_ms - 1000 * due_s)
            due_s += seconds
    assert due_s > 600
    assert max(map(abs, late_ms)) <= 50


def test_ten_minutes_of_walking_take_ten_minutes(phone: Callable[..., Phone]) -> None:
    exam = read_exam(demo_exams()["falls-at-82"], BOOK)
    plan = make_plan(exam, BOOK, exam.on)
    home = home_plan(plan, BOOK, bytes(8), bytes(16))
    text = single_file(
        page_data(
            build_handout(plan, BOOK, ENGLISH), plan, home, write_plan_code(home), BOOK, ENGLISH
        )
    )
    at = datetime.combine(plan.starts, datetime.min.time()) + timedelta(hours=9)
    one = phone(text=text, at=at)
    one.page.locator("#now .row", has_text="Walking").click()
    one.begin(button="Start this one")
    one.tap("Start")
    one.run(5 + 599.95)
    assert one.text("#phase") == "Walk"
    assert one.text("#count") == "0:01"
    one.run(0.1)
    assert one.title == "How did it go?"


def test_reload_in_mid_hold_goes_on_where_the_clock_is(phone: Callable[..., Phone]) -> None:
    one = phone()
    one.begin()
    lead_line(one, 0, 1)
    one.tap("Start")
    one.run(5 + 8 + 1 + 2)  # in the second time: 1 s of pressing down, 2 s of five held
    assert (one.text("#phase"), one.text("#times")) == ("Keep the press", "2 of 10")
    one.page.reload()
    assert (one.text("#phase"), one.text("#times")) == ("Keep the press", "2 of 10")
    left = int(one.text("#count"))
    assert left in (2, 3)
    one.run(left - 0.5)
    assert one.text("#phase") == "Keep the press"
    one.run(0.6)
    assert one.text("#phase") == "Let go slowly"


def hide(one: Phone, hidden: bool) -> None:
    one.page.evaluate(
        """hidden => {
        Object.defineProperty(document, 'hidden', { configurable: true, get: () => hidden });
        Object.defineProperty(document, 'visibilityState',
            { configurable: true, get: () => (hidden ? 'hidden' : 'visible') });
        document.dispatchEvent(new Event('visibilitychange'));
        }""",
        hidden,
    )


def test_a_short_time_in_the_background_is_counted(phone: Callable[..., Phone]) -> None:
    one = phone()
    one.begin()
    lead_line(one, 0, 1)
    one.tap("Start")
    one.run(5)
    hide(one, True)
    one.page.clock.fast_forward(3 * 8 * 1000 + 500)  # timers stand still, then fire once
    hide(one, False)
    assert one.text("#times") == "4 of 10"
    assert one.text("#phase") == "Press down"


def test_five_minutes_in_the_background_pause_and_do_not_count(
    phone: Callable[..., Phone],
) -> None:
    one = phone()
    one.begin()
    lead_line(one, 0, 1)
    one.tap("Start")
    one.run(5 + 2)
    hide(one, True)
    one.page.clock.fast_forward(300_000)
    hide(one, False)
    assert one.text("#phase") == "Paused"
    assert "slept for 5 minutes" in one.text("#told")
    assert one.text("#times") == "1 of 10"  # nobody was led while it slept
    one.tap("Go on")
    one.run(8 - 2 + 9 * 8 - 0.5)
    assert one.text("#times") == "10 of 10"
    one.run(0.6)
    assert one.title == "How did it go?"


def test_a_phone_that_died_overnight_loses_nothing(phone: Callable[..., Phone]) -> None:
    one, (_, home) = phone(), harmless()
    one.begin()
    lead_line(one, 0, 1)
    one.tap("Start")
    one.run(5 + 3 * 8 + 1)
    one.page.clock.set_system_time(NINE + timedelta(days=1))
    one.page.reload()
    assert one.title == "The next morning"
    one.tap("I do not know")
    entries = read_log_code(one.code, home).sessions[0].entries
    assert [(e.done, e.reps) for e in entries] == [("all", 10), ("part", 3)]


def test_pause_again_back_and_skip(phone: Callable[..., Phone]) -> None:
    one, (_, home) = phone(), harmless()
    one.begin()
    lead_line(one, 0, 1)
    one.tap("Start")
    one.run(5 + 2 * 8 + 3)
    one.tap("Pause")
    one.run(120)
    assert (one.text("#phase"), one.text("#times")) == ("Paused", "3 of 10")
    one.tap("Go on")
    one.tap("Back")
    one.run(5)
    assert one.text("#times") == "2 of 10"
    one.tap("Again")
    assert one.text("#phase") == "Starts soon"
    assert one.text("#times") == "2 of 10"
    one.tap("Skip")
    one.tap("No time")
    assert one.title == "How did it go?"
    one.answer(1)
    assert one.title == "Toe press"
    one.tap("End here")
    entry = read_log_code(one.code, home).sessions[0].entries[1]
    assert (entry.done, entry.why_not, entry.reps) == ("part", "no_time", 1)


def test_nothing_goes_on_by_itself_between_exercises(phone: Callable[..., Phone]) -> None:
    one = phone()
    one.begin()
    one.run(600)
    assert one.title == "Heel raise"
    lead_line(one, 0, 1)
    one.run(600)
    assert one.title == "Toe press"


# ------------------------------------------------------------------ pain


@pytest.mark.parametrize("pain", [6, 8, 10])
def test_pain_of_six_or_more_stops_and_locks(phone: Callable[..., Phone], pain: int) -> None:
    one, (_, home) = phone(), harmless()
    one.begin()
    one.tap("Start")
    one.run(20)
    one.tap("It hurts")
    one.answer(pain)
    assert one.title == "Stop now"
    assert "Call 555\u00a00100" in one.text("section.here") or "555" in one.text("section.here")
    first, *rest = read_log_code(one.code, home).sessions[0].entries
    assert (first.done, first.why_not, first.during) == ("part", "pain", pain)
    assert all((e.done, e.why_not) == ("none", "pain") for e in rest)
    one.page.reload()
    assert "You had to stop on 3 March 2026" in one.text("#now")
    assert one.page.get_by_role("button", name="Start for today").count() == 0
    one.page.locator("#now .row").nth(1).click()
    assert one.page.locator("section.here .big").count() == 0
    one.tap("Back to today")
    one.tap("My therapist said I may go on")
    one.tap("Yes, I may go on")
    assert "You had to stop" not in one.text("#now")


def test_pain_before_the_start_stops(phone: Callable[..., Phone]) -> None:
    one = phone()
    one.tap("Start for today")
    one.answer(1)
    one.answer(6)
    assert one.title == "Stop now"


def test_a_warning_sign_stops(phone: Callable[..., Phone]) -> None:
    one, (_, home) = phone(), harmless()
    one.tap("Start for today")
    one.answer(0)
    one.answer(0)
    one.tap("Yes, one of these")
    assert one.title == "Stop now"
    assert read_log_code(one.code, home).sessions[0].entries[0].warning


def test_sharp_pain_or_locking_stops(phone: Callable[..., Phone]) -> None:
    one, (_, home) = phone(), harmless()
    one.begin()
    one.tap("Start")
    one.run(10)
    one.tap("It hurts")
    one.tap("Sharp pain, or it locked")
    assert one.title == "Stop now"
    assert read_log_code(one.code, home).sessions[0].entries[0].sharp


def test_pain_of_three_to_five_holds(phone: Callable[..., Phone]) -> None:
    one = phone()
    one.begin(pain=2)
    one.tap("Start")
    one.run(10)
    one.tap("It hurts")
    one.answer(5)
    assert one.title == "Take care"
    one.tap("Go on gently")
    assert one.text("#phase") == "Paused"


def test_a_new_sign_in_mid_set_stops(phone: Callable[..., Phone]) -> None:
    one, (_, home) = phone(), harmless()
    one.begin()
    one.tap("Start")
    one.run(10)
    one.tap("It hurts")
    one.tap("Another warning sign")
    assert "Chest pain" in one.text("section.here")
    one.tap("No, none of these")
    assert one.text("#phase") == "Paused"
    one.run(0.5)
    one.tap("It hurts")
    one.tap("Another warning sign")
    one.tap("Yes, one of these")
    assert one.title == "Stop now"
    entry = read_log_code(one.code, home).sessions[0].entries[0]
    assert (entry.warning, entry.why_not) == (True, "unwell")
    one.go("Today")
    assert "You had to stop" in one.text("#now")


@pytest.mark.parametrize("link", [True, False])
def test_the_morning_after_a_stop_is_asked_too(phone: Callable[..., Phone], link: bool) -> None:
    one, (_, home) = phone(), harmless()
    one.begin()
    one.tap("Start")
    one.run(20)
    one.tap("It hurts")
    one.answer(7)
    one.page.clock.set_system_time(NINE + timedelta(days=1))
    if link:  # of a calendar's reminder, while the page is still open
        one.page.goto(f"{one.path.as_uri()}#morning")
        one.run(1)
    else:
        one.page.reload()
    assert one.title == "The next morning"
    one.answer(2)
    one.answer(5)
    assert "You had to stop" in one.text("#now")
    first, *rest = read_log_code(one.code, home).sessions[0].entries
    assert first.morning == 5
    assert {e.morning for e in rest} == {5, 2}


@pytest.mark.parametrize("alarm", ["pain", "sharp", "sign"])
def test_a_bad_morning_stops(phone: Callable[..., Phone], alarm: str) -> None:
    one, (_, home) = phone(), harmless()
    one.begin()
    lead_line(one, 0, 1)
    one.tap("End here")
    one.page.clock.set_system_time(NINE + timedelta(days=1))
    one.page.reload()
    if alarm == "pain":
        one.answer(0)
        one.answer(6)
    elif alarm == "sharp":
        one.tap("Sharp pain, or it locked")
    else:
        one.tap("Another warning sign")
        one.tap("Yes, one of these")
    assert one.title == "Stop now"
    entry = read_log_code(one.code, home).sessions[0].entries[0]
    assert (entry.sharp, entry.warning) == (alarm == "sharp", alarm == "sign")
    one.page.reload()
    assert "You had to stop on 4 March 2026" in one.text("#now")


def test_what_could_not_be_done_has_its_reason(phone: Callable[..., Phone]) -> None:
    one, (_, home) = phone(), harmless()
    one.page.locator("#now .row").nth(1).click()
    one.tap("I could not do it")
    assert one.title == "Why not?"
    one.tap("No time")
    assert "To do today" in one.page.locator("#now .row").nth(1).inner_text()
    one.page.locator("#now .row").nth(2).click()
    one.tap("I could not do it")
    one.tap("It hurt")
    one.answer(4)
    one.page.locator("#now .row").nth(3).click()
    one.tap("I could not do it")
    one.tap("I felt ill")
    one.tap("Yes, one of these")
    assert one.title == "Stop now"
    told = read_log_code(one.code, home).sessions[0].entries
    assert told == (
        HomeEntry(1, "none", "no_time", 0, 0),
        HomeEntry(2, "none", "pain", 0, 0, None, 4),
        HomeEntry(3, "none", "unwell", 0, 0, warning=True),
    )


# ------------------------------------------------------------------ never more than the plan


def test_random_taps_never_count_more_than_the_plan(browser: Browser) -> None:
    page = browser.new_page()
    modules = "".join(
        (files("rungwise.phone") / f"{name}.js").read_text("utf-8") for name in ("pain", "led")
    )
    found = page.evaluate(
        f"""() => {{ {modules}
        let seed = 7;
        const random = n => {{ seed = (seed * 48271) % 2147483647; return seed % n; }};
        const worst = [], timed = [];
        for (let trial = 0; trial < 500; trial++) {{
            const dose = {{ sets: 1 + random(3), reps: 1 + random(6), hold: random(4), lift: 1,
                lower: random(3), rest: random(2) * 20, days: 3 }};
            const settle = random(2) === 1;
            const line = {{ side: 'right', both: false, minutes: 0, settle, dose }};
            const plan = {{ number: '1', version: 1, lines: [line] }}, easy = random(2) === 1;
            const s = led.begin(plan, [0], easy, {{ right: 1 }}, '2026-03-03');
            let now = 0, rested = true, restFrom = 0, set = 1;
            led.startSet(s, plan, now, 5);
            for (let k = 0; k < 200 && s.stage !== 'ask'; k++) {{
                const before = s.stage;
                if (s.stage === 'ready') led.startSet(s, plan, now, 5);
                else [
                    () => {{ now += random(20000); led.tick(s, plan, now, 0, random(2) === 1); }},
                    () => led.pause(s, now), () => led.resume(s, now),
                    () => led.repeat(s, plan, now, 5), () => led.back(s, plan, now, 5),
                    () => {{ if (['settle', 'wait'].includes(s.stage))
                        led.startSet(s, plan, now, 5); }},
                ][random(8) > 5 ? 0 : random(6)]();
                const most = led.amount(line, easy), did = s.did || {{ sets: 0, reps: 0 }};
                const sums = (did.sets - 1) * most.reps + did.reps;
                const begun = (s.set - 1) * most.reps + s.rep;
                worst.push([sums - most.sets * most.reps, begun - most.sets * most.reps,
                    did.sets - dose.sets, did.reps - dose.reps]);
                // nobody comes from a rest to the next set but by its end
                if (before === 'rest' && s.stage === 'lead') timed.push(s.rep === 1 && s.set > set);
                set = s.set;
            }}
        }}
        return [worst.length, [0, 1, 2, 3].map(i => Math.max(...worst.map(w => w[i])))];
        }}"""
    )
    page.close()
    assert found[0] > 5000
    assert max(found[1]) <= 0


def two_sets(rest_s: int = 30) -> str:
    data = data_of()
    data["lines"][1]["dose"] |= {"sets": 2, "reps": 2, "rest": rest_s}
    return single_file(data)


def to_the_rest(one: Phone) -> None:
    one.page.locator("#now .row").nth(1).click()
    one.begin(button="Start this one")
    one.tap("Start")
    one.run(5 + 2 * 8 + 1)
    assert one.text("#phase") == "Rest"
    assert one.text("#times") == "Set 2 of 2. 1 of 2"


@pytest.mark.parametrize("button", ["Back", "Again"])
def test_the_way_back_from_a_rest_is_the_time_before_it(
    phone: Callable[..., Phone], button: str
) -> None:
    one, (_, home) = phone(text=two_sets()), harmless()
    to_the_rest(one)
    one.tap(button)
    assert (one.text("#phase"), one.text("#times")) == ("Starts soon", "Set 1 of 2. 2 of 2")
    one.tap("End here")
    one.answer(1)
    entry = read_log_code(one.code, home).sessions[0].entries[0]
    assert (entry.done, entry.sets, entry.reps) == ("part", 1, 1)


@pytest.mark.parametrize("auto", [False, True])
def test_the_next_set_starts_by_itself_only_if_chosen(
    phone: Callable[..., Phone], auto: bool
) -> None:
    one = phone(text=two_sets())
    if auto:
        one.go("Settings")
        one.page.get_by_label("Go on by itself after a rest").check()
        one.go("Today")
    to_the_rest(one)
    one.run(29.5)
    assert one.text("#phase") == (
        "Starts soon" if auto else "Rest is over. Ready for the next set?"
    )
    one.run(60)
    if auto:
        assert one.title == "How did it go?"
    else:
        assert one.text("#phase") == "Rest is over. Ready for the next set?"
        one.tap("Start the next set")
        assert one.text("#phase") == "Starts soon"


def test_no_day_has_more_than_the_plan_says(phone: Callable[..., Phone]) -> None:
    one = phone()
    one.begin()
    lead_line(one, 0, 1)
    one.tap("End here")
    first = one.page.locator("#now .row").first
    assert "Done today" in first.inner_text()
    first.click()
    assert one.page.locator("section.here .big").count() == 0
    one.page.clock.set_system_time(NINE + timedelta(days=1))
    one.page.reload()
    one.answer(1)
    one.answer(1)
    assert "Day off for this one" in one.page.locator("#now .row").first.inner_text()


def test_before_and_after_the_plan_nothing_is_led(phone: Callable[..., Phone]) -> None:
    early = phone(at=datetime(2026, 3, 1, 9))
    assert "starts on 2 March 2026" in early.text("#now")
    assert early.page.get_by_role("button", name="Start for today").count() == 0
    late = phone(at=datetime(2026, 3, 30, 9))
    assert "ended on 29 March 2026. See your therapist" in late.text("#now")
    assert late.page.locator("#now button").count() == 0
    assert "What to fetch" not in late.text("section.here")


# ------------------------------------------------------------------ storage, offline, erase

DENIED = """Object.defineProperty(window, 'localStorage',
    { get() { throw new DOMException('denied', 'SecurityError'); } });"""
FULL = """Storage.prototype.setItem =
    () => { throw new DOMException('full', 'QuotaExceededError'); };"""


@pytest.mark.parametrize("init", [DENIED, FULL])
def test_denied_storage_is_told_and_the_session_still_works(
    phone: Callable[..., Phone], init: str
) -> None:
    one, (_, home) = phone(init=init), harmless()
    assert "does not keep what you write" in one.text("#now")
    one.begin()
    lead_line(one, 0, 2)
    one.tap("End here")
    assert len(read_log_code(one.code, home).sessions[0].entries) == 1


def test_offline_from_a_file_everything_works(phone: Callable[..., Phone]) -> None:
    one = phone(offline=True)
    one.page.reload()
    one.begin()
    lead_line(one, 0, 2)
    assert one.title == "Toe press"


def test_the_diary_is_saved_as_a_file(phone: Callable[..., Phone]) -> None:
    one, (_, home) = phone(), harmless()
    one.begin()
    lead_line(one, 0, 2)
    one.tap("End here")
    one.go("Diary")
    with one.page.expect_download() as found:
        one.page.get_by_role("link", name="Save as a file").click()
    text = Path(found.value.path()).read_text("utf-8")
    assert len(read_log_code(text.strip(), home).sessions) == 1


def test_after_the_hand_over_the_next_text_starts_anew(phone: Callable[..., Phone]) -> None:
    one, (_, home) = phone(), harmless()
    one.begin()
    lead_line(one, 0, 2)
    one.tap("End here")
    one.go("Diary")
    one.tap("My therapist has it")
    assert one.page.locator("#log").count() == 0
    one.go("Today")
    one.begin()
    lead_line(one, 1, 2)
    one.tap("End here")
    log = read_log_code(one.code, home)
    assert (log.part, [e.line for e in log.sessions[0].entries]) == (2, [1])


def test_erase_takes_all_away(phone: Callable[..., Phone]) -> None:
    one = phone()
    one.begin()
    lead_line(one, 0, 2)
    one.tap("End here")
    assert one.kept["plans"]
    one.go("Settings")
    one.tap("Erase all")
    one.tap("Yes, erase all")
    assert [book["sessions"] for book in one.kept["plans"].values()] == [[]]
    one.page.reload()
    assert "You can start again tomorrow." in one.text("#now")  # today's was done, if erased
    assert one.page.get_by_role("button", name="Start for today").count() == 0
    one.go("Diary")
    assert "Nothing is written yet." in one.text("#live")
    one.page.clock.set_system_time(NINE + timedelta(days=1))
    one.page.reload()
    assert "0 of 3 this week" in one.page.locator("#now .row").first.inner_text()
    one.go("Settings")  # nothing was led on this day: nothing stays
    one.tap("Erase all")
    one.tap("Yes, erase all")
    assert one.kept["plans"] == {}


def test_another_tab_loses_nothing(phone: Callable[..., Phone]) -> None:
    one, (_, home) = phone(), harmless()
    first = one.page
    hide(one, True)
    one.open(NINE)
    one.begin()
    lead_line(one, 0, 2)
    one.tap("End here")
    one.page.close()
    one.page = first
    hide(one, False)
    assert "Done today" in one.page.locator("#now .row").first.inner_text()
    one.begin()
    lead_line(one, 1, 2)
    one.tap("End here")
    assert [e.line for e in read_log_code(one.code, home).sessions[0].entries] == [0, 1]


def test_a_new_programme_keeps_the_diary(phone: Callable[..., Phone]) -> None:
    one, (_, home) = phone(), harmless()
    one.begin()
    lead_line(one, 0, 1)
    one.tap("End here")
    newer = replace(home, version=2, starts=date(2026, 3, 4))
    one.path.write_text(single_file(data_of(newer)), "utf-8")
    one.page.clock.set_system_time(NINE + timedelta(days=1))
    one.page.reload()
    assert one.title == "The next morning"
    one.answer(1)
    one.answer(3)
    assert "half as many" in one.text("#now")
    one.go("Diary")
    assert "From your earlier programme" in one.text("#live")
    assert "Heel raise, Both feet at the same time. All of it. Pain: before 1" in one.text("#live")
    entry = read_log_code(one.page.locator("#log").input_value(), home).sessions[0].entries[0]
    assert (entry.done, entry.morning) == ("all", 3)


# ------------------------------------------------------------------ what the phone lends

STUBS = """
window.calls = [];
const note = (...what) => window.calls.push(what);
const give = (on, name, value) => Object.defineProperty(on, name, { configurable: true, value });
give(navigator, 'vibrate', pattern => { note('buzz', pattern); return true; });
give(navigator, 'share', data => { note('share', data.text);
    return window.shares ? Promise.reject(new DOMException('', window.shares))
        : Promise.resolve(); });
give(navigator, 'clipboard', { writeText: text => { note('copy', text);
    return window.refuse ? Promise.reject(new Error('refused')) : Promise.resolve(); } });
give(navigator, 'wakeLock', { request: async () => {
    if (window.refuse) { note('dark'); throw new DOMException('low battery', 'NotAllowedError'); }
    const lock = new EventTarget();
    lock.release = async () => { note('release'); lock.dispatchEvent(new Event('release')); };
    window.lock = lock;
    note('wake');
    return lock; } });
give(window, 'SpeechSynthesisUtterance', function (text) { this.text = text; });
give(window, 'speechSynthesis', { cancel() {}, getVoices: () => [{}],
    speak(w) { note('say', w.text, w.lang); } });
document.execCommand = () => !window.refuse;
"""
BARE = """
for (const [on, name] of [[Navigator.prototype, 'vibrate'], [Navigator.prototype, 'share'],
    [Navigator.prototype, 'clipboard'], [Navigator.prototype, 'wakeLock'],
    [window, 'speechSynthesis'], [window, 'AudioContext'], [window, 'webkitAudioContext']])
    delete on[name];
document.queryCommandSupported = () => false;
"""


def calls(one: Phone, what: str) -> list[Any]:
    return [c[1:] for c in one.page.evaluate("window.calls") if c[0] == what]


def test_voice_and_buzz_lead_a_time(phone: Callable[..., Phone]) -> None:
    one = phone(init=STUBS)
    one.go("Settings")
    assert "What this phone does not do here" not in one.text("#live")
    one.page.get_by_label("Voice").check()
    one.go("Today")
    one.page.locator("#now .row").nth(1).click()
    one.begin(button="Start this one")
    one.tap("Start")
    one.run(5 + 8 + 0.5)
    said = [text for text, _ in calls(one, "say")]
    # the lead-in is counted, then each part is named, the time by its number
    assert said[:6] == ["Starts soon", "3", "2", "1", "1. Press down", "Keep the press"]
    assert "2. Press down" in said
    assert {lang for _, lang in calls(one, "say")} == {"en"}
    assert len(calls(one, "buzz")) == 1 + 3 + 1  # lead-in, three parts, the next time
    one.tap("It hurts")
    one.answer(7)
    assert calls(one, "buzz")[-1] == [[400, 200, 400]]


def test_the_screen_stays_on_while_a_timer_runs(phone: Callable[..., Phone]) -> None:
    one = phone(init=STUBS)
    one.begin()
    assert calls(one, "wake") == []
    one.tap("Start")
    one.run(1)
    assert (len(calls(one, "wake")), len(calls(one, "release"))) == (1, 0)
    hide(one, True)  # the phone takes it away
    one.page.evaluate("window.lock.dispatchEvent(new Event('release'))")
    hide(one, False)
    one.run(1)
    assert len(calls(one, "wake")) == 2
    one.tap("End here")
    one.run(1)
    assert (len(calls(one, "wake")), len(calls(one, "release"))) == (2, 1)


def test_a_refused_wake_lock_is_told(phone: Callable[..., Phone]) -> None:
    one = phone(init=f"{STUBS} window.refuse = true;")
    one.begin()
    one.tap("Start")
    one.run(1)
    assert calls(one, "dark")
    one.tap("End here")
    one.go("Settings")
    assert "The screen may go dark." in one.text("#live")


@pytest.mark.parametrize(
    ("refuse", "told"),
    [(False, "The text is copied."), (True, "Copy did not work. Touch the text,")],
)
def test_the_diary_is_copied_or_it_is_told(
    phone: Callable[..., Phone], refuse: bool, told: str
) -> None:
    one, (_, home) = phone(init=STUBS), harmless()
    one.begin()
    lead_line(one, 0, 2)
    one.tap("End here")
    one.go("Diary")
    one.page.evaluate("refuse => { window.refuse = refuse; }", refuse)
    one.tap("Copy the text")
    one.page.get_by_text(told).first.wait_for()
    assert len(read_log_code(calls(one, "copy")[0][0], home).sessions) == 1
    if refuse:  # all of it is chosen, ready to be copied by hand
        chosen = one.page.evaluate("getSelection().toString() || document.activeElement.value")
        assert chosen == one.page.locator("#log").input_value()


@pytest.mark.parametrize(("error", "copied"), [("", 0), ("AbortError", 0), ("NotAllowedError", 1)])
def test_the_diary_is_shared_or_copied(
    phone: Callable[..., Phone], error: str, copied: int
) -> None:
    one, (_, home) = phone(init=STUBS), harmless()
    one.begin()
    lead_line(one, 0, 2)
    one.tap("End here")
    one.go("Diary")
    one.page.evaluate("error => { window.shares = error; }", error)
    one.tap("Share")
    one.run(1)
    assert len(read_log_code(calls(one, "share")[0][0], home).sessions) == 1
    assert len(calls(one, "copy")) == copied


def test_a_bare_phone_leads_and_says_what_it_lacks(phone: Callable[..., Phone]) -> None:
    one = phone(init=BARE)
    one.go("Settings")
    told = one.text("#live")
    for words in ("no sound", "not speak", "not buzz", "may go dark", "not share", "not copy"):
        assert words in told
    assert one.page.locator("#live input").count() == 1  # what is lacking can not be chosen
    one.go("Today")
    one.begin()
    lead_line(one, 0, 2)
    one.tap("End here")
    one.go("Diary")
    assert one.page.get_by_role("button", name="Share").count() == 0


class Quiet(SimpleHTTPRequestHandler):
    """A web host of one folder that keeps no log."""

    asked: ClassVar[list[str]] = []

    def log_request(self, *_: object) -> None:
        self.asked.append(self.path)


def test_over_plain_http_the_page_says_what_it_lacks(browser: Browser, tmp_path: Path) -> None:
    (tmp_path / "programme.html").write_text(page_text(), "utf-8")
    Quiet.asked.clear()
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=tmp_path))
    Thread(target=server.serve_forever, daemon=True).start()
    context = browser.new_context(viewport={"width": 390, "height": 780})
    page = context.new_page()
    page.clock.install(time=NINE)
    page.goto(f"http://plain.example.org:{server.server_address[1]}/programme.html")
    assert not page.evaluate("isSecureContext")
    page.locator("nav button").nth(3).click()
    told = page.locator("#live").inner_text()
    assert "The screen may go dark." in told
    assert "does not share" in told
    page.locator("nav button").nth(0).click()
    page.locator("#now .row").nth(1).click()
    page.get_by_role("button", name="I could not do it").click()
    page.clock.run_for(500)
    page.get_by_role("button", name="No time").click()
    page.locator("nav button").nth(1).click()
    page.get_by_role("button", name="Copy the text").click()
    page.locator("#live").get_by_text("The text is copied.").wait_for()
    context.close()
    server.shutdown()
    server.server_close()
    assert {*Quiet.asked} <= {"/programme.html", "/favicon.ico"}


def weeks(one: Phone, days: int) -> None:
    """Fill the diary as the page itself does."""
    _, home = harmless()
    every = [
        {
            "line": i, "done": "all", "why": "", "sets": x.dose.sets, "reps": x.dose.reps,
            "before": i % 3, "during": i % 6, "morning": 1, "sharp": False, "warning": False,
        }
        for i, x in enumerate(home.lines)
    ]  # fmt: skip
    sessions = [
        {"on": str(home.starts + timedelta(n)), "entries": every, "asked": True, "given": False}
        for n in range(days)
    ]
    kept = one.kept or {"format": 1, "plans": {}, "settings": {}, "led": None}
    lines = data_of()["lines"]
    plan = {k: data_of()["plan"][k] for k in ("number", "key", "version", "starts")}
    name = f"{plan['number']}.{plan['version']}"
    kept["plans"][name] = {
        "part": 1, "sessions": sessions, "lock": None, "plan": {**plan, "lines": lines},
    }  # fmt: skip
    one.page.evaluate("text => localStorage.setItem('rungwise', text)", json.dumps(kept))
    one.page.clock.set_system_time(NINE + timedelta(days=days + 4))
    one.page.reload()


@pytest.mark.parametrize("days", [2, 20])
def test_the_codes_on_the_screen_are_scanned(phone: Callable[..., Phone], days: int) -> None:
    zxing = pytest.importorskip("zxingcpp", reason="zxing-cpp is not installed")
    image = pytest.importorskip("PIL.Image", reason="Pillow is not installed")
    one, (_, home) = phone(device_scale_factor=2), harmless()
    weeks(one, days)
    one.go("Diary")
    one.tap("Show a QR code")
    codes = one.page.locator(".codes svg")
    count = codes.count()
    assert (count == 1) == (days == 2)
    logs = []
    for i in range(count):
        (found,) = zxing.read_barcodes(image.open(io.BytesIO(codes.nth(i).screenshot())))
        logs.append(read_log_code(found.text, home))
    assert [log.part for log in logs] == [*range(1, count + 1)]
    assert [s.on for log in logs for s in log.sessions] == [
        home.starts + timedelta(n) for n in range(days)
    ]
    one.tap("My therapist has it")
    assert next(iter(one.kept["plans"].values()))["part"] == count + 1


def test_the_charts_say_what_they_draw(phone: Callable[..., Phone]) -> None:
    one = phone()
    weeks(one, 9)
    one.go("Diary")
    charts = one.page.locator("svg.chart")
    assert charts.count() == 3
    first, _, told = (charts.nth(i).get_attribute("aria-label") or "" for i in range(3))
    assert first.startswith("Pain while you did it: Right foot")
    assert told.count(": 7") == 7  # the last seven days, all seven exercises
    assert "10 March: 7" in told
    heights = (
        charts.nth(2).locator("rect").evaluate_all("all => all.map(r => r.height.baseVal.value)")
    )
    assert len(set(heights)) == 1
    pains = (
        charts.nth(0).locator("rect").evaluate_all("all => all.map(r => r.height.baseVal.value)")
    )
    assert pains == [pytest.approx(126 * 5 / 10)] * 7  # the most of the day


# ------------------------------------------------------------------ for everybody


@pytest.mark.parametrize(
    ("motion", "moves"), [("reduce", "none"), ("no-preference", "inline-size")]
)
def test_reduced_motion_moves_nothing(phone: Callable[..., Phone], motion: str, moves: str) -> None:
    one = phone(reduced_motion=motion)
    one.begin()
    one.tap("Start")
    style = one.page.locator("#bar div").evaluate(
        "n => ['Duration', 'Property'].map(what => getComputedStyle(n)['transition' + what])"
    )
    assert (style[0] == "0s") == (motion == "reduce")
    if motion == "no-preference":
        assert moves in style[1] or "width" in style[1]
    assert one.page.evaluate("document.getAnimations().length") <= (motion != "reduce")


def test_in_the_dark_the_page_is_dark(phone: Callable[..., Phone]) -> None:
    shade = "getComputedStyle(document.body).backgroundColor.match(/[0-9]+/g).map(Number)"
    assert max(phone(color_scheme="dark").page.evaluate(shade)) < 60
    assert min(phone(color_scheme="light").page.evaluate(shade)) > 240


def every_screen(one: Phone, look: Callable[[str], None], words: Words = ENGLISH) -> None:
    """Visit each screen once."""

    def say(key: str) -> str:
        return words.say(f"phone.{key}")

    look("today")
    one.page.locator("#now .row").nth(1).click()
    look("exercise")
    one.tap(say("back_to_today"))
    one.tap(say("start_all"))
    look("pain")
    one.answer(1)
    one.answer(1)
    look("signs")
    one.tap(say("signs_none"))
    look("ready")
    one.tap(say("start"))
    one.run(7.4)
    look("hold")
    one.tap(say("skip"))
    look("why")
    one.tap(say("why_back"))
    one.run(0.5)
    one.tap(say("it_hurts"))
    one.answer(4)
    look("care")
    one.tap(say("end_exercise"))
    if one.page.locator("section.here h1").inner_text() == say("care_title"):
        one.tap(say("gently_on"))
    one.tap(say("it_hurts"))
    one.answer(7)
    look("stop")
    one.tap(say("back_to_today"))
    look("locked")
    for name in ("diary", "when_to_stop", "settings"):
        one.go(say(name))
        look(name)


FITS = """() => [document.documentElement.scrollWidth, innerWidth,
    [...document.querySelectorAll('section.here *, nav *')].filter(n => {
        const r = n.getBoundingClientRect();
        return r.width && !n.closest('svg') && (r.right > innerWidth + 1 || r.left < -1);
    }).map(n => n.tagName + ' ' + n.textContent.slice(0, 30))]"""
SMALL = """() => [...document.querySelectorAll('button, a[href], select, input, textarea')]
    .filter(n => n.offsetParent)
    .map(n => [n.textContent, (n.closest('label') || n).getBoundingClientRect()])
    .filter(([, r]) => r.height < 47.5 || r.width < 47.5).map(([text]) => text)"""


@pytest.mark.parametrize("which", ["en", "es", "rtl"])
@pytest.mark.parametrize("letters", [100, 200])
def test_320_px_and_double_letters_need_no_sideways_scroll(
    phone: Callable[..., Phone], which: str, letters: int
) -> None:
    one = phone(which, viewport={"width": 320, "height": 568})
    # text alone is doubled, as a browser's text size does (1.4.4)
    one.page.evaluate(
        "n => { document.documentElement.style.fontSize = `${1.1875 * n}%`; }", letters
    )
    words = pseudo_right_to_left(ENGLISH) if which == "rtl" else load_words(which)

    def look(name: str) -> None:
        wide, inner, outside = one.page.evaluate(FITS)
        assert wide <= inner, (name, wide, outside)
        assert outside == [], name
        assert one.page.evaluate(SMALL) == [], name

    every_screen(one, look, words)


def test_wider_spacing_of_text_loses_nothing(phone: Callable[..., Phone]) -> None:
    one = phone(viewport={"width": 320, "height": 568})
    # 1.4.12: line height 1.5, paragraphs 2, letters 0.12, words 0.16 of the font size
    one.page.evaluate(
        """() => { const sheet = new CSSStyleSheet();
        sheet.replaceSync(`* { line-height: 1.5 !important; letter-spacing: .12em !important;
            word-spacing: .16em !important } p { margin-block-end: 2em !important }`);
        document.adoptedStyleSheets = [sheet]; }"""
    )

    def look(name: str) -> None:
        wide, inner, outside = one.page.evaluate(FITS)
        assert (wide <= inner, outside) == (True, []), name

    every_screen(one, look)


def test_each_screen_has_one_heading_that_holds_the_focus(phone: Callable[..., Phone]) -> None:
    one = phone()

    def look(name: str) -> None:
        assert one.page.locator("h1:visible").count() == 1, name
        assert one.page.evaluate("document.activeElement.tagName") == "H1", name
        assert one.page.title() == one.page.locator("h1:visible").inner_text()

    every_screen(one, look)


def test_a_drawing_is_never_mirrored(phone: Callable[..., Phone]) -> None:
    one = phone("rtl")
    one.page.locator("#now .row").nth(1).click()
    svg = one.page.locator("section.here svg.pic")
    assert svg.evaluate("n => getComputedStyle(n).direction") == "ltr"
    assert svg.evaluate("n => n.getScreenCTM().a") > 0
    assert one.page.evaluate("getComputedStyle(document.body).direction") == "rtl"


def test_keyboard_alone_is_enough(phone: Callable[..., Phone]) -> None:
    one, (_, home) = phone(), harmless()

    def press(name: str) -> None:
        for _ in range(60):
            one.page.keyboard.press("Tab")
            here = one.page.evaluate("document.activeElement.textContent.trim()")
            shown = one.page.evaluate(
                "getComputedStyle(document.activeElement).outlineStyle !== 'none'"
            )
            if here == name:
                assert shown
                one.page.keyboard.press("Enter")
                return
        raise AssertionError(f"{name!r} can not be reached")

    press("Start for today")
    press("1")
    press("1")
    press("No, none of these")
    press("Start")
    one.run(8)
    press("Pause")
    assert one.page.evaluate("document.activeElement.textContent") == "Go on"
    one.page.keyboard.press("Enter")  # the focus stays on the button
    one.run(70)
    press("2")
    press("End here")
    entry = read_log_code(one.code, home).sessions[0].entries[0]
    assert (entry.done, entry.during) == ("all", 2)


def test_states_are_said_but_not_each_second(phone: Callable[..., Phone]) -> None:
    one = phone()
    one.begin()
    lead_line(one, 0, 1)
    one.page.evaluate(
        """() => { window.told = []; new MutationObserver(() => window.told.push(
            document.getElementById('said').textContent)).observe(
            document.getElementById('said'), { childList: true, characterData: true }); }"""
    )
    one.tap("Start")
    one.run(5 + 3 * 8)
    told = one.page.evaluate("window.told")
    assert "2 of 10. Press down" in told
    assert "2 of 10. Keep the press" in told
    assert len(told) <= 9
    assert one.page.locator("#said").get_attribute("aria-live") == "polite"


def test_without_script_all_can_be_read(phone: Callable[..., Phone]) -> None:
    one = phone(java_script_enabled=False)
    text = one.text("body")
    for index, line in enumerate(harmless()[1].lines):
        assert one.page.locator(f"#ex-{index} svg").is_visible(), line.family
    assert "The timers and the diary are off here." in text
    assert "Stop and call us" in text
    assert one.page.locator("nav").is_hidden()


# ------------------------------------------------------------------ codes in the page's own script


@pytest.fixture
def codes(browser: Browser) -> Iterator[Page]:
    page = browser.new_page()
    parts = [files("rungwise.phone") / f"{name}.js" for name in ("code", "decode")]
    text = "\n".join(part.read_text("utf-8") for part in parts)
    page.evaluate(f"() => {{ window.code = (() => {{ {text}\nreturn code; }})(); }}")
    yield page
    page.close()


def tables() -> Any:
    import tomllib

    return tomllib.loads((files("rungwise") / "data/codes/first_mtp.toml").read_text("utf-8"))


def as_page(plan: HomePlan) -> dict[str, Any]:
    names = {"hold": "hold_s", "lift": "lift_s", "lower": "lower_s", "rest": "rest_s"}
    names |= {"sets": "sets", "reps": "reps", "days": "days_per_week"}
    return {
        "number": plan.number.hex(),
        "key": plan.key.hex(),
        "version": plan.version,
        "language": plan.language,
        "edition": plan.edition,
        **{k: getattr(plan, k).isoformat() for k in ("starts", "review", "ends")},
        "safe": plan.pain_safe,
        "most": plan.pain_most,
        "first": plan.first,
        "lines": [
            {
                **{k: getattr(x, k) for k in ("family", "side", "both")},
                "notches": [*x.notches],
                "sizes": dict(x.sizes),
                "dose": {short: getattr(x.dose, long) for short, long in names.items()},
            }
            for x in plan.lines
        ],
        "cautions": [asdict(x) for x in plan.cautions],
        "findings": [asdict(x) for x in plan.findings],
        "unfinished": [*plan.unfinished],
        "phone": plan.phone,
        "emergency": plan.emergency,
    }


def test_plan_codes_are_read_as_in_python(codes: Page) -> None:
    rnd = random.Random(11)
    plans = [harmless()[1], *(random_plan(rnd) for _ in range(200))]
    read = codes.evaluate(
        "([texts, tables]) => texts.map(text => code.readPlan(text, tables))",
        [[write_plan_code(plan) for plan in plans], tables()],
    )
    assert read == [as_page(plan) for plan in plans]


def test_log_codes_are_written_as_in_python(codes: Page) -> None:
    rnd = random.Random(12)
    cases, expected = [], []
    for _ in range(200):
        plan = random_plan(rnd)
        log = random_log(rnd, plan, rnd.randrange(0, 6))
        sessions = [
            {
                "on": s.on.isoformat(),
                "entries": [{**asdict(e), "why": e.why_not} for e in s.entries],
            }
            for s in log.sessions
        ]
        shown = {**as_page(plan), "version": log.version}
        cases.append([shown, log.part, sessions])
        expected.append(write_log_code(log, plan))
    assert codes.evaluate("all => all.map(one => code.writeLog(...one))", cases) == expected
    assert {*WHY_NOT} == {
        *codes.evaluate(
            "() => ['', 'pain', 'no_time', 'forgot', 'unwell', 'no_kit', 'unsure', 'other']"
        )
    }


def test_damaged_foreign_and_newer_codes_are_told_apart(codes: Page) -> None:
    plan = harmless()[1]
    good = write_plan_code(plan)
    log = write_log_code(HomeLog(plan.number, 1, 1, ()), plan)
    flipped = good[:40] + ("A" if good[40] != "A" else "B") + good[41:]
    cases = {
        good: "",
        " \n".join((good[:30], good[30:])): "",
        flipped: "damaged",
        good[:-1]: "damaged",
        good + "A": "damaged",
        "RW2P" + good[4:]: "newer",
        log: "log",
        "https" + good: "foreign",
        "": "foreign",
    }
    why = codes.evaluate(
        """([texts, tables]) => texts.map(text => {
            try { code.readPlan(text, tables); return ''; }
            catch (e) { return e.why || String(e); } })""",
        [[*cases], tables()],
    )
    assert dict(zip(cases, why, strict=True)) == cases


def test_check_sums_are_those_of_the_standards(codes: Page) -> None:
    # FIPS 180-4 example "abc"; RFC 4231 test cases 2 and 6
    sums = codes.evaluate(
        """() => [code.hex(code.sha256(code.bytesOf('abc'))),
        code.hex(code.hmac(code.bytesOf('Jefe'), code.bytesOf('what do ya want for nothing?'))),
        code.hex(code.hmac(new Uint8Array(131).fill(0xaa),
            code.bytesOf('Test Using Larger Than Block-Size Key - Hash Key First')))]"""
    )
    assert sums == [
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
    ]


# ------------------------------------------------------------------ speed


def test_first_paint_on_a_slow_phone(browser: Browser, tmp_path: Path) -> None:
    path = tmp_path / "programme.html"
    path.write_text(page_text(), "utf-8")
    context = browser.new_context(viewport={"width": PHONE["width"], "height": PHONE["height"]})
    page = context.new_page()
    context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": 4})
    page.goto(path.as_uri())
    page.wait_for_function("performance.getEntriesByName('first-contentful-paint').length")
    paint_ms = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
    context.close()
    assert paint_ms <= 1000


def test_the_table_of_size_and_speed_is_written_between_its_marks() -> None:
    page = PAGE.read_text("utf-8")
    table = page.partition(BEGIN)[2].partition(END)[0]
    sizes = [line for line in table.splitlines() if line.startswith("| size")]
    assert [(", en," in line, ", es," in line) for line in sizes] == [(True, False), (False, True)]
    assert all(line.endswith("| met |") for line in sizes)
    assert table.count("first paint") == 3  # two languages and the peer
    assert written(page, table[1:-1]) == page
    with pytest.raises(ValueError, match="marks"):
        written("no table", "x")
    assert len(bare(5000).encode()) == 5000


# ------------------------------------------------------------------ an outside judge


@pytest.mark.parametrize(
    ("which", "scheme"), [("en", "light"), ("en", "dark"), ("es", "light"), ("rtl", "dark")]
)
def test_axe_finds_nothing_on_any_screen(
    phone: Callable[..., Phone], which: str, scheme: str
) -> None:
    pytest.importorskip("axe_playwright_python", reason="axe is not installed")
    axe = (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")
    one = phone(which, color_scheme=scheme, reduced_motion="reduce")
    one.page.evaluate(axe)
    seen = []

    def look(name: str) -> None:
        one.page.evaluate(
            "() => { window.found = null; axe.run(document).then(r => { window.found = r; }); }"
        )
        found = None
        for _ in range(200):
            one.run(0.05)
            found = one.page.evaluate(
                "found && [found.passes.length, found.violations.map(v => [v.id, v.nodes[0].html])]"
            )
            if found is not None:
                break
        assert found is not None, name
        assert found[0] > 20, name
        assert found[1] == [], name
        seen.append(name)

    every_screen(one, look, pseudo_right_to_left(ENGLISH) if which == "rtl" else load_words(which))
    assert len(seen) == 13
