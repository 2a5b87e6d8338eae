"""What must hold on a phone that others use, too: whose plan it is, stops that stay, wrong taps.

Each case was once a way round a stop, or a loss of what the patient wrote.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

import pytest

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

from rungwise.clinic import make_plan
from rungwise.handout import build_handout
from rungwise.phone import page_data, single_file
from rungwise.plan_code import HomePlan, home_plan, read_log_code, write_plan_code
from tests.browser.chromium import CHROMIUM
from tests.browser.test_phone_page import (  # noqa: F401
    BOOK,
    DENIED,
    ENGLISH,
    FULL,
    NINE,
    Phone,
    browser,
    data_of,
    harmless,
    hide,
    lead_line,
    phone,
)
from tests.factory import DAY, make_exam

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
NEXT = NINE + timedelta(days=1)


def to_file(one: Phone, home: HomePlan, name: str) -> None:
    """Open the page of another plan, from the same folder on the same device."""
    one.path = one.path.with_name(name)
    one.path.write_text(single_file(data_of(home)), "utf-8")
    one.page.goto(one.path.as_uri())


def at(one: Phone, when: datetime) -> None:
    one.page.clock.set_system_time(when)
    one.page.reload()
    one.run(0.3)


def led_once(one: Phone, pain: int = 1) -> None:
    one.begin()
    lead_line(one, 0, pain)
    one.tap("End here")


def locks(one: Phone) -> list[str | None]:
    return [book["lock"] for book in one.kept["plans"].values()]


def wait_for_lock(one: Phone) -> None:
    """Until what another window wrote can be read in this one."""
    for _ in range(100):
        if any(locks(one)):
            return
        one.page.evaluate("null")
    raise AssertionError("no lock")


# ------------------------------------------------------------------ whose plan it is


def test_two_people_on_one_device_do_not_mix(phone: Callable[..., Phone]) -> None:  # noqa: F811
    one, (_, hers) = phone(), harmless()
    his = replace(hers, number=bytes([9] * 8), key=bytes([8] * 16))
    led_once(one)
    to_file(one, his, "his.html")
    assert "To do today" in one.page.locator("#now .row").first.inner_text()
    one.go("Diary")
    assert "Nothing is written yet." in one.text("#live")
    assert "earlier programme" not in one.text("#live")
    one.go("Today")
    one.begin()
    one.tap("Start")
    one.run(8)
    to_file(one, hers, "hers.html")  # what he left half led is no business of hers
    assert "Done today" in one.page.locator("#now .row").first.inner_text()
    to_file(one, his, "his.html")
    assert one.page.locator("#phase").is_visible()
    at(one, NEXT)
    assert one.title == "Your home programme"
    to_file(one, hers, "hers.html")
    assert one.title == "The next morning"
    one.answer(1)
    one.answer(8)
    assert sorted(map(str, locks(one))) == ["2026-03-04", "None"]
    to_file(one, his, "his.html")
    assert "You had to stop" not in one.text("#now")


def test_a_bad_morning_of_the_version_before_locks_both(phone: Callable[..., Phone]) -> None:  # noqa: F811
    one, (_, home) = phone(), harmless()
    led_once(one)
    to_file(one, replace(home, version=2, starts=date(2026, 3, 4)), "newer.html")
    at(one, NEXT)
    assert one.title == "The next morning"
    one.answer(1)
    one.answer(8)
    assert locks(one) == ["2026-03-04", "2026-03-04"]


def test_an_older_version_leads_nothing(phone: Callable[..., Phone]) -> None:  # noqa: F811
    one, (_, home) = phone(), harmless()
    to_file(one, replace(home, version=2), "newer.html")
    assert "To do today" in one.text("#now")
    to_file(one, home, "older.html")
    assert "You have a newer programme." in one.text("#now")
    assert one.page.locator("section.here .big").count() == 0


# ------------------------------------------------------------------ a stop stays

NO_EVENT = """addEventListener('storage', event => event.stopImmediatePropagation(), true);"""


@pytest.mark.parametrize("init", ["", NO_EVENT])
def test_a_stop_in_one_window_holds_in_the_other(
    phone: Callable[..., Phone],  # noqa: F811
    init: str,
) -> None:
    one, (_, home) = phone(init=init), harmless()
    first = one.page
    one.open(NINE)
    one.begin()
    one.tap("Start")
    one.run(8)
    one.tap("It hurts")
    one.answer(9)
    assert one.title == "Stop now"
    one.page = first
    wait_for_lock(one)
    if init:  # no word came: the next tap finds it
        one.page.get_by_role("heading").first.click()
    first.get_by_text("You had to stop").wait_for()
    assert one.title == "Your home programme"
    assert one.page.get_by_role("button", name="Start for today").count() == 0
    hide(one, True)
    assert locks(one) == ["2026-03-03"]
    assert read_log_code(one.code, home).sessions[0].entries[0].during == 9


def test_only_one_window_leads(phone: Callable[..., Phone]) -> None:  # noqa: F811
    one = phone()
    first = one.page
    one.open(NINE)
    one.begin()
    one.tap("Start")
    one.run(0.5)
    one.page, second = first, one.page
    first.get_by_text("You go on with it in another window.").wait_for()
    assert first.get_by_role("button", name="Start for today").count() == 0
    one.tap("Carry on here")
    assert one.page.locator("#phase").is_visible()
    second.get_by_text("You go on with it in another window.").wait_for()
    one.run(0.5)
    one.tap("End here")
    second.get_by_text("minutes in all.").wait_for()


def test_whatever_a_plan_says_six_stops(phone: Callable[..., Phone]) -> None:  # noqa: F811
    data = data_of()
    data["plan"] |= {"safe": 8, "most": 10}
    one = phone(text=single_file(data))
    one.tap("Start for today")
    one.answer(1)
    one.answer(6)
    assert one.title == "Stop now"


def test_erasing_takes_no_stop_away(phone: Callable[..., Phone]) -> None:  # noqa: F811
    one = phone()
    one.begin()
    one.tap("It hurts")
    one.answer(7)
    one.go("Settings")
    one.tap("Erase all")
    assert "If you had to stop, that stays." in one.text("#live")
    one.tap("Yes, erase all")
    one.page.reload()
    assert "You had to stop on 3 March 2026" in one.text("#now")
    one.go("Diary")
    assert "Nothing is written yet." in one.text("#live")


def test_after_the_last_day_nothing_starts(phone: Callable[..., Phone]) -> None:  # noqa: F811
    last = datetime(2026, 3, 29, 23, 57)
    one = phone(at=last)
    one.run(150)  # still open after midnight
    assert "Your programme ended on 29 March 2026" in one.text("#now")
    two = phone(at=last)
    two.begin()  # ready on the last day, begun on the next
    two.run(150)
    two.tap("Start")
    assert "Your programme ended on 29 March 2026" in two.text("#now")
    assert two.page.locator("#phase").count() == 0
    three = phone(at=last)
    three.page.locator("#now .row").nth(1).click()
    three.page.clock.set_system_time(last + timedelta(minutes=10))  # before any timer knows of it
    three.tap("Start this one")
    assert "Your programme ended on 29 March 2026" in three.text("#now")


def test_a_clock_set_back_makes_no_part_longer(phone: Callable[..., Phone]) -> None:  # noqa: F811
    one = phone()
    one.begin()
    lead_line(one, 0, 1)
    one.tap("Start")
    one.run(5 + 1 + 2)
    at(one, NINE - timedelta(hours=1))
    assert one.text("#phase") == "Paused"
    assert 0 < int(one.text("#count")) <= harmless()[1].lines[1].dose.hold_s


# ------------------------------------------------------------------ nothing is lost unsaid


@pytest.mark.parametrize("alarm", [False, True])
def test_a_morning_after_the_hand_over_goes_out_with_the_next(
    phone: Callable[..., Phone],  # noqa: F811
    alarm: bool,
) -> None:
    one, (_, home) = phone(), harmless()
    led_once(one)
    one.go("Diary")
    one.tap("My therapist has it")
    one.go("Today")
    one.begin()  # more of the same day, not handed over yet
    lead_line(one, 1, 2)
    one.tap("End here")
    at(one, NEXT)
    if alarm:
        one.tap("Sharp pain, or it locked")
    else:
        one.answer(0)
        one.answer(8)
    assert one.title == "Stop now"
    assert "It is written in your diary." in one.text("#live")
    log = read_log_code(one.code, home)
    assert (log.part, len(log.sessions)) == (2, 1)
    told = [(e.line, e.done, e.morning, e.sharp) for e in log.sessions[0].entries]
    lines = home.lines
    felt = [None if alarm else 8 if x.both or x.side == "left" else 0 for x in lines]
    assert told == [(0, "all", felt[0], alarm), (1, "all", felt[1], alarm)]


def test_no_pain_is_lost_when_a_line_is_done_after_all(phone: Callable[..., Phone]) -> None:  # noqa: F811
    one, (_, home) = phone(), harmless()
    one.page.locator("#now .row").nth(1).click()
    one.tap("I could not do it")
    one.tap("It hurt")
    one.answer(4)
    one.page.locator("#now .row").nth(1).click()
    one.begin(button="Start this one")
    lead_line(one, 1, 1)
    (entry,) = read_log_code(one.code, home).sessions[0].entries
    assert (entry.done, entry.during) == ("all", 4)


@pytest.mark.parametrize("init", [DENIED, FULL])
def test_a_stop_that_can_not_be_kept_is_told(phone: Callable[..., Phone], init: str) -> None:  # noqa: F811
    one = phone(init=init)
    one.begin()
    one.tap("It hurts")
    one.answer(9)
    assert one.title == "Stop now"
    assert "It is written" not in one.text("#live")
    assert "does not keep what you write" in one.text("#live")


def test_a_phone_that_is_full_in_mid_session_says_so(phone: Callable[..., Phone]) -> None:  # noqa: F811
    data = data_of()
    data["lines"] = data["lines"][:2]
    one = phone(text=single_file(data))
    one.begin()
    assert "does not keep" not in one.text("#live")
    one.page.evaluate(f"() => {{ {FULL} }}")
    lead_line(one, 0, 1)
    assert "does not keep what you write" in one.text("#live")
    lead_line(one, 1, 1)
    assert one.title == "Done"
    assert "does not keep what you write" in one.text("#live")


# ------------------------------------------------------------------ whom to call


def test_each_number_stands_with_its_own_emergency(phone: Callable[..., Phone]) -> None:  # noqa: F811
    boxes = """() => [...document.querySelectorAll('#live .halt')].map(box =>
        [box.querySelector('h2').textContent,
            [...box.querySelectorAll('a')].map(a => a.getAttribute('href')), box.innerText])"""

    def stopped(clinic: dict[str, str]) -> Any:
        plan = make_plan(make_exam(clinic=clinic), BOOK, DAY)
        home = home_plan(plan, BOOK, bytes(8), bytes(16))
        sheet = build_handout(plan, BOOK, ENGLISH)
        data = page_data(sheet, plan, home, write_plan_code(home), BOOK, ENGLISH)
        one = phone(text=single_file(data))
        one.begin()
        one.tap("It hurts")
        one.answer(9)
        assert "Do not start again until your therapist says so." in one.text("#live")
        assert "Stop for today" not in one.text("#live")
        return one.page.evaluate(boxes)

    (first, dial, _), (second, clinic, text) = stopped(
        {"phone": "555 0100", "hours": "Mon-Fri 9-5"}
    )
    assert (first, dial) == ("Get help now", [])
    assert (second, clinic) == ("Stop and call us", ["tel:5550100"])
    assert "Hours: Mon-Fri 9-5" in text
    both = stopped({"phone": "555 0100", "emergency": "112"})
    assert [dial for _, dial, _ in both] == [["tel:112"], ["tel:5550100"]]


# ------------------------------------------------------------------ each question is answered


@pytest.mark.parametrize("way", ["End here", "Skip"])
def test_whoever_leaves_in_mid_exercise_is_asked(phone: Callable[..., Phone], way: str) -> None:  # noqa: F811
    one, (_, home) = phone(), harmless()
    one.begin()
    one.tap("Start")
    one.run(5 + 3 * 8)
    one.tap(way)
    if way == "Skip":
        one.tap("No time")
    assert one.title == "How did it go?"
    assert one.page.locator("nav").is_hidden()  # no way past the question
    one.page.reload()  # nor round it
    one.run(0.5)
    one.tap(way)
    if way == "Skip":
        one.tap("No time")
    one.answer(4)
    entry = (
        read_log_code(one.code if way == "End here" else after(one), home).sessions[0].entries[0]
    )
    assert (entry.done, entry.during) == ("part", 4)
    assert entry.reps >= 1


def after(one: Phone) -> str:
    assert one.title == "Take care"
    one.tap("End here")
    return one.code


def test_leaving_with_much_pain_stops(phone: Callable[..., Phone]) -> None:  # noqa: F811
    one = phone()
    one.begin()
    lead_line(one, 0, 1)
    one.tap("Start")
    one.run(5 + 3 * 8)
    one.tap("End here")
    one.answer(7)
    assert one.title == "Stop now"
    assert locks(one) == ["2026-03-03"]


def test_a_page_left_open_overnight_asks_in_the_morning(phone: Callable[..., Phone]) -> None:  # noqa: F811
    one = phone()
    led_once(one)
    one.page.clock.fast_forward(24 * 3600 * 1000)
    one.run(1)
    assert one.title == "The next morning"
    assert one.page.locator("nav").is_hidden()
    one.answer(1)
    one.answer(1)
    assert one.title == "Your home programme"


def test_a_second_tap_of_the_same_finger_answers_nothing(phone: Callable[..., Phone]) -> None:  # noqa: F811
    one = phone()
    one.tap("Start for today")
    one.run(0.5)
    one.page.locator('[data-pain="1"]').dblclick()
    assert one.title == "Before you start"
    assert one.text("#live .foot") == "Left foot"
    one.tap("Back")
    assert one.text("#live .foot") == "Right foot"
    one.answer(2)
    one.answer(2)
    assert one.title == "Is one of these there now?"
    one.tap("Back")
    assert one.text("#live .foot") == "Right foot"
    one.tap("Back")
    assert one.title == "Your home programme"


@pytest.mark.parametrize("when", ["before", "while", "morning"])
def test_a_wrong_tap_that_stopped_is_taken_back(phone: Callable[..., Phone], when: str) -> None:  # noqa: F811
    one, (_, home) = phone(), harmless()
    if when == "before":
        one.tap("Start for today")
        one.answer(1)
    else:
        one.begin()
        lead_line(one, 0, 1)
        one.tap("Start")
        one.run(8)
        one.tap("It hurts")
        if when == "morning":
            one.tap("Back")
            one.run(0.5)
            one.tap("End here")
            at(one, NEXT)
            one.answer(1)
    one.answer(8)
    assert one.title == "Stop now"
    one.tap("I touched the wrong one")
    assert locks(one) == [None]
    if when == "before":
        assert one.page.get_by_role("button", name="Start for today").is_visible()
    elif when == "while":
        assert one.text("#phase") == "Paused"
        one.run(0.5)
        one.tap("End here")
    else:
        assert one.title == "The next morning"
        one.answer(1)
        one.answer(2)
        assert "The next morning, you said: Right foot 1, Left foot 2." in one.text("#now")
        one.tap("Change this")
        one.answer(3)
        one.answer(0)
        assert "Right foot 3, Left foot 0" in one.text("#now")
    one.page.reload()
    if when != "before":
        entries = read_log_code(one.code, home).sessions[0].entries
        assert [e.line for e in entries] == [0]
        assert [e.morning for e in entries] == [3 if when == "morning" else None]


# ------------------------------------------------------------------ one of a thing


def test_one_second_and_one_minute_are_said_so(phone: Callable[..., Phone]) -> None:  # noqa: F811
    data = data_of()
    data["lines"] = data["lines"][:1]
    data["lines"][0]["seconds"] = 50
    one = phone(text=single_file(data))
    assert "About 1 minute in all." in one.text("#now")
    one.begin()
    one.tap("Start")
    assert (one.text("#count"), one.text("#unit")) == ("5", "seconds left")
    one.run(4.5)
    assert (one.text("#count"), one.text("#unit")) == ("1", "second left")
    one.run(10)
    hide(one, True)
    one.page.clock.fast_forward(70_000)
    hide(one, False)
    assert "slept for 1 minute." in one.text("#told")
