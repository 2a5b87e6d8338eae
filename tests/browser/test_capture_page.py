"""The page that measures, in the system's browser: its numbers, its states, and the file it gives.

The JavaScript is held to the same vectors as the Python (``tests/vectors/reps.json``). A phone is
simulated by events of motion; no phone was tried.

Standards: WCAG 2.2 (std §3.1): 1.4.3, 1.4.10, 2.1.1, 2.4.3, 2.4.11, 2.5.8, 4.1.3; axe-core's rules.
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

import numpy as np
import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright  # noqa: E402

from rungwise.cli import main  # noqa: E402
from rungwise.clinic import open_book  # noqa: E402
from rungwise.core.signals import Recording  # noqa: E402
from rungwise.phone.capture import SCRIPTS, capture_data, capture_page  # noqa: E402
from rungwise.phone.page import script_of  # noqa: E402
from rungwise.words import Words, load_words, pseudo_right_to_left  # noqa: E402
from tests.browser.chromium import CHROMIUM, FLAGS  # noqa: E402
from tests.core.heel_raises import heel_raises  # noqa: E402
from tests.core.test_sway import trial  # noqa: E402
from tests.vectors.reps import FILE, UNIT, WHY  # noqa: E402

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
BOOK = open_book()
NINE = datetime(2026, 3, 3, 9, 0)
SCREEN = {"width": 390, "height": 780}
#: Events of motion, as a browser gives them: time in ms, turning in degrees a second.
MOVE = """rows => { for (const [t, a, turn] of rows) {
    const [x, y, z] = a, rotationRate = turn && { alpha: turn[0], beta: turn[1], gamma: turn[2] };
    const event = new DeviceMotionEvent('devicemotion',
        { accelerationIncludingGravity: { x, y, z }, ...(turn ? { rotationRate } : {}) });
    Object.defineProperty(event, 'timeStamp', { value: t });
    dispatchEvent(event);
} }"""
Moves = list[list[Any]]


def moves(acceleration: Recording, turning: Recording | None) -> Moves:
    """A recording as events of motion."""
    turns = None if turning is None else np.degrees(turning.values)
    return [
        [
            1000 * (t + 50),
            acceleration.values[:, i].tolist(),
            None if turns is None else turns[:, i].tolist(),
        ]
        for i, t in enumerate(acceleration.time_s)
    ]


@cache
def six() -> Moves:
    """Six heel raises."""
    return moves(*heel_raises(3, 6, 60.0, steps=False)[:2])


def words_of(which: str) -> Words:
    return pseudo_right_to_left(load_words("en")) if which == "rtl" else load_words(which)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as player:
        found = player.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield found
        found.close()


class Phone:
    """The page opened from a file, with its clock in our hands."""

    def __init__(self, context: BrowserContext, path: Path) -> None:
        self.context = context
        self.errors: list[str] = []
        self.requests: list[str] = []
        self.page: Page = context.new_page()
        self.page.set_default_timeout(5000)
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("console", lambda m: self.errors.append(m.text) if m.type == "error" else None)
        self.page.on("request", lambda r: self.requests.append(r.url))
        self.page.clock.install(time=NINE)
        self.page.goto(path.as_uri())
        self.page.clock.pause_at(NINE + timedelta(minutes=1))

    def run(self, seconds: float) -> None:
        self.page.clock.run_for(round(1000 * seconds))

    def act(self, name: str) -> None:
        self.page.locator(f'section.here [data-act="{name}"]').click()

    def move(self, rows: Moves) -> None:
        self.page.evaluate(MOVE, rows)

    def text(self, where: str) -> str:
        return self.page.locator(where).inner_text()

    @property
    def screen(self) -> str:
        return str(self.page.evaluate("document.querySelector('section.here').id"))

    @property
    def said(self) -> str:
        return str(self.page.evaluate("document.getElementById('said').textContent"))

    def ready(self, kind: str, foot: str) -> None:
        self.act(f"ready {kind}")
        self.page.check(f"[name=foot-{kind}][value={foot}]")
        self.page.select_option(f"#lead-{kind}", "5")

    def start(self) -> None:
        self.act("start")  # the browser may take a moment to say that it is allowed
        self.page.wait_for_selector("#wait.here")

    def measure(self, kind: str, foot: str, rows: Moves) -> None:
        self.ready(kind, foot)
        self.start()
        self.move(rows[:1])
        self.run(5.2)
        assert self.screen == "run"
        self.move(rows)
        self.run(3)
        self.act("stop")
        assert self.screen == "result"

    def saved(self, folder: Path) -> Path:
        with self.page.expect_download() as got:
            self.page.click("#save")
        path = folder / got.value.suggested_filename
        got.value.save_as(path)
        return path


@pytest.fixture
def phone(browser: Browser, tmp_path: Path) -> Iterator[Callable[..., Phone]]:
    opened: list[Phone] = []

    def make(which: str = "en", init: str = "", **options: Any) -> Phone:
        path = tmp_path / "measure.html"
        path.write_text(capture_page(BOOK, words_of(which)), "utf-8")
        context = browser.new_context(**{"viewport": SCREEN, **options})
        if init:
            context.add_init_script(init)
        opened.append(Phone(context, path))
        return opened[-1]

    yield make
    for one in opened:
        one.context.close()
        assert one.errors == []
        assert [url for url in one.requests if not url.startswith(("file:", "blob:file:"))] == []


# ------------------------------------------------------------------ the same numbers as Python


ASK = """([cases, book, unit]) => cases.map(({ time_ms, rows }) => {
    const time = time_ms.map(t => t * unit), all = rows.map(row => row.map(value => value * unit));
    const three = { time, rows: all.slice(0, 3) };
    return {
        raises: reps.heelRaisesIn({ time, rows: all }, book), tilt: reps.heelRaisesIn(three, book),
        rhythm: reps.countByRhythm({ time, rows: all }, book), held: held.heldIn(three, book),
    };
})"""


@pytest.fixture(scope="module")
def answers(browser: Browser) -> list[tuple[str, str, Any, Any]]:
    """Case, way, what JavaScript says, and what stands in the file."""
    cases = json.loads(FILE.read_text("utf-8"))
    book = capture_data(BOOK, load_words("en"))["book"]
    script = script_of(first=SCRIPTS).removeprefix("(() => {\n'use strict';\n")
    page = browser.new_page()
    page.add_script_tag(content=script.removesuffix("\n})();\n"))
    found = page.evaluate(ASK, [cases, book, UNIT])
    page.close()
    return [
        (case["name"], way, said[way], wanted)
        for case, said in zip(cases, found, strict=True)
        for way, wanted in case["expect"].items()
    ]


def test_the_page_says_the_same_as_python(answers: list[tuple[str, str, Any, Any]]) -> None:
    """Counts and flags exactly; times within 1e-3 s."""
    told = 0
    for name, way, said, wanted in answers:
        place = f"{name}, {way}"
        if wanted["cannot"]:
            assert WHY[said["cannot"]] in wanted["cannot"], place
            continue
        told += 1
        assert said["cannot"] == "", place
        for key, value in wanted.items():
            if isinstance(value, list):
                assert len(said[key]) == len(value), place
                flat = [[*one.values()] if isinstance(one, dict) else one for one in said[key]]
                true = [[*one.values()] if isinstance(one, dict) else one for one in value]
                assert np.array(flat) == pytest.approx(np.array(true), abs=1e-3), place
            elif isinstance(value, float):
                assert said[key] == pytest.approx(value, abs=1e-3), place
            else:
                assert said[key] == value, place
    assert told > 60
    assert len(answers) > 110


# ------------------------------------------------------------------ from the tap to the file


def test_heel_raises_are_counted_and_the_file_says_the_same(
    phone: Callable[..., Phone], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = phone()
    one.measure("heel_raise", "right", six())
    assert one.text("#result h1") == "6 heel raises"
    assert one.text("#found .foot") == "Heel raises. Right foot"
    path = one.saved(tmp_path)
    assert re.fullmatch(r"heel-raises-right-2026-03-03-\d{4}\.csv", path.name)
    head = path.read_text("utf-8").splitlines()[0]
    assert head == "time[s],x[m/s2],y[m/s2],z[m/s2],gx[rad/s],gy[rad/s],gz[rad/s]"
    assert main(["measure", "reps", str(path), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["heel_raises"]
    assert len(found["raises"]) == 6
    shown = [float(s) for s in re.findall(r"\d: ([\d.]+) seconds", one.text("#found"))]
    assert shown == [round(r["down_s"] + 1e-9, 1) for r in found["raises"]]


def test_balance_is_timed_and_the_file_says_the_same(
    phone: Callable[..., Phone], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    row = trial(5, 50.0, (4.0, 36.0), ((12.0, 1.0), (24.0, 0.6)), lasts_s=40.0)
    one = phone("es")
    one.measure("balance", "both", moves(row, None))
    assert one.text("#result h1") == "Aguantó 11,4 segundos"
    assert "Se salió 2 veces." in one.text("#found")
    path = one.saved(tmp_path)
    assert path.read_text("utf-8").startswith("time[s],x[m/s2],y[m/s2],z[m/s2]\n")
    assert main(["measure", "stance", str(path), "--of", "acceleration"]) == 0
    assert capsys.readouterr().out.startswith("Held 11.4 s at the longest; step-outs: 2\n")


def test_another_movement_is_counted_by_its_rhythm(
    phone: Callable[..., Phone], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    t = np.arange(0, 36, 1 / 50)
    swing = np.where((t > 3) & (t < 33), 1 - np.cos(2 * np.pi * (t - 3) / 2.5), 0.0)
    row = Recording(t, np.array([swing, 9.8 + swing / 3, 0 * t]), ("x", "y", "z"), "m/s2")
    one = phone()
    one.measure("other", "left", moves(row, None))
    assert one.text("#result h1") == "12 times"
    assert "One takes about 2.5 seconds." in one.text("#found")
    path = one.saved(tmp_path)
    assert main(["measure", "reps", str(path), "--any-movement"]) == 0
    assert capsys.readouterr().out.startswith("Repetitions: 12, one in 2.5 s\n")


def test_without_turning_it_says_that_it_is_less_sure(phone: Callable[..., Phone]) -> None:
    one = phone()
    some = [[t, a, turn if i else None] for i, (t, a, turn) in enumerate(six())]
    one.measure("heel_raise", "left", some)
    assert one.text("#result h1") == "6 heel raises"
    assert "less sure" in one.text("#found")


def test_it_says_when_it_cannot_tell_and_why(phone: Callable[..., Phone]) -> None:
    one = phone()
    one.measure("heel_raise", "left", six()[:20])
    assert one.text("#result h1") == "Cannot tell"
    assert "Measure for longer." in one.text("#found")
    one.act("home")
    still = [[t, six()[0][1], [0.0, 0.0, 0.0]] for t, _, _ in six()]
    one.measure("heel_raise", "left", still)
    assert one.text("#result h1") == "Cannot tell"
    assert "Fix it to the foot" in one.text("#found")


# ------------------------------------------------------------------ what may go wrong


def test_no_foot_is_taken_for_granted(phone: Callable[..., Phone]) -> None:
    one = phone()
    one.act("ready heel_raise")
    one.act("start")
    assert one.screen == "ready-heel_raise"
    assert one.said == "Choose a foot first."
    assert one.page.locator("section.here .unfit").is_visible()
    assert one.page.evaluate("document.activeElement.name") == "foot-heel_raise"
    one.page.check("[name=foot-heel_raise][value=left]")
    one.act("home")
    one.act("ready heel_raise")
    assert one.page.locator("input:checked").count() == 0


def test_a_phone_that_tells_nothing_is_found_out(phone: Callable[..., Phone]) -> None:
    one = phone()
    one.ready("balance", "both")
    one.start()
    one.page.evaluate("dispatchEvent(new DeviceMotionEvent('devicemotion', {}))")
    one.run(6)
    assert one.screen == "blocked"
    assert "did not tell how it moves" in one.text("#blocked")


@pytest.mark.parametrize(
    ("init", "says"),
    [
        ("Object.defineProperty(window, 'isSecureContext', { value: false });", "https"),
        ("delete window.DeviceMotionEvent;", "does not tell how the phone moves"),
        (
            "DeviceMotionEvent.requestPermission = () => Promise.resolve('denied');",
            "not allowed to feel",
        ),
        (
            "DeviceMotionEvent.requestPermission = () => Promise.reject(new Error('no'));",
            "not allowed to feel",
        ),
    ],
)
def test_what_the_browser_refuses_is_told(
    phone: Callable[..., Phone], init: str, says: str
) -> None:
    one = phone(init=init)
    one.ready("heel_raise", "right")
    one.act("start")
    one.page.wait_for_selector("#blocked.here")
    assert says in one.text("#why")


def test_permission_is_asked_from_the_tap_itself(phone: Callable[..., Phone]) -> None:
    one = phone(
        init="window.asked = 0; DeviceMotionEvent.requestPermission = () => {"
        " window.asked += navigator.userActivation.isActive ? 1 : 100;"
        " return Promise.resolve('granted'); };"
    )
    one.ready("heel_raise", "right")
    assert one.page.evaluate("asked") == 0
    one.start()
    assert one.page.evaluate("asked") == 1


def test_who_goes_back_while_it_is_asked_is_not_measured(phone: Callable[..., Phone]) -> None:
    one = phone(
        init="DeviceMotionEvent.requestPermission = () =>"
        " new Promise(done => { window.allow = () => done('granted'); });"
    )
    one.ready("heel_raise", "right")
    one.act("start")
    one.act("home")
    one.page.evaluate("allow()")
    one.run(30)
    assert one.screen == "home"


def test_it_stops_by_itself(phone: Callable[..., Phone]) -> None:
    one = phone()
    one.ready("balance", "left")
    one.page.select_option("#most-balance", "30")
    one.start()
    one.move(six()[:1])
    one.run(5.2)
    one.move(six())
    one.run(29)
    assert one.screen == "run"
    one.run(1.2)
    assert one.screen == "result"


def test_a_dark_screen_is_told_and_the_hole_is_not_bridged(
    phone: Callable[..., Phone], tmp_path: Path
) -> None:
    one = phone()
    one.ready("heel_raise", "right")
    one.start()
    one.move(six()[:1])
    one.run(5.2)
    one.move(six()[: len(six()) // 2])
    one.page.evaluate(
        """() => { Object.defineProperty(document, 'hidden', { value: true, configurable: true });
        document.dispatchEvent(new Event('visibilitychange')); }"""
    )
    one.move([[t + 30000, a, turn] for t, a, turn in six()[len(six()) // 2 :]])
    one.act("stop")
    assert "That part is missing." in one.text("#found")
    rows = one.saved(tmp_path).read_text("utf-8").splitlines()[1:]
    times = np.array([float(row.split(",")[0]) for row in rows])
    assert 29 < np.diff(times).max() < 31


def test_the_screen_is_kept_awake_while_it_measures_and_no_longer(
    phone: Callable[..., Phone],
) -> None:
    one = phone(
        init="""window.locks = [];
        Object.defineProperty(navigator, 'wakeLock', { value: { request: async kind => {
            const lock = new EventTarget();
            lock.release = async () => { locks.push('released'); };
            locks.push(kind);
            return lock;
        } } });"""
    )
    one.ready("heel_raise", "right")
    assert one.page.evaluate("locks") == []
    one.start()
    assert one.page.evaluate("locks") == ["screen"]
    one.move(six()[:1])
    one.run(5.2)
    one.act("stop")
    assert one.page.evaluate("locks") == ["screen", "released"]


def test_equal_moments_and_odd_events_are_left_out(
    phone: Callable[..., Phone], tmp_path: Path
) -> None:
    one = phone()
    twice = [row for row in six() for _ in range(2)]
    one.measure("heel_raise", "right", twice)
    assert one.text("#result h1") == "6 heel raises"
    rows = one.saved(tmp_path).read_text("utf-8").splitlines()
    assert len(rows) == 1 + len(six())


def test_it_is_shared_where_the_phone_can(phone: Callable[..., Phone]) -> None:
    one = phone(
        init="""navigator.canShare = data => data.files.length === 1;
        navigator.share = async data => { window.given = data.files[0];
            if (window.fails) throw new Error('no'); };"""
    )
    one.measure("heel_raise", "right", six())
    one.act("share")
    assert one.page.evaluate("given.text()").startswith("time[s],x[m/s2]")
    assert one.page.evaluate("given.type") == "text/csv"
    assert not one.page.locator("#unshared").is_visible()
    one.page.evaluate("window.fails = true")
    one.act("share")
    one.page.wait_for_selector("#unshared:visible")


# ------------------------------------------------------------------ for everybody


def every_state(one: Phone, look: Callable[[str], None]) -> None:
    look("home")
    for kind, foot in (("balance", "both"), ("other", "left"), ("heel_raise", "right")):
        one.act(f"ready {kind}")
        one.act("start")
        look(f"ready {kind}")
        one.page.check(f"[name=foot-{kind}][value={foot}]")
        if kind != "heel_raise":
            one.act("home")
    one.start()
    look("wait")
    one.move(six()[:1])
    one.run(20.2)
    one.move(six())
    look("run")
    one.act("stop")
    look("result")
    one.act("home")
    one.measure("heel_raise", "left", six()[:20])
    look("result that cannot be told")
    one.act("again")
    one.start()
    one.run(6)
    look("blocked")


@pytest.mark.parametrize(
    ("which", "scheme", "width"),
    [("en", "light", 390), ("es", "dark", 390), ("es", "light", 320), ("rtl", "dark", 1280)],
)
def test_axe_finds_nothing_and_nothing_is_cut_in_any_state(
    phone: Callable[..., Phone], which: str, scheme: str, width: int
) -> None:
    pytest.importorskip("axe_playwright_python", reason="axe is not installed")
    axe = (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")
    one = phone(which, color_scheme=scheme, viewport={"width": width, "height": 780})
    one.page.evaluate(axe)
    seen: list[str] = []

    def look(name: str) -> None:
        one.page.evaluate(
            "() => { window.found = null; axe.run(document).then(r => { window.found = r; }); }"
        )
        found = None
        for _ in range(300):
            one.page.clock.run_for(1)
            found = one.page.evaluate(
                "found && [found.passes.length, found.violations.map(v => [v.id, v.nodes[0].html])]"
            )
            if found is not None:
                break
        assert found is not None, name
        assert found[0] > 15, name
        assert found[1] == [], name
        assert one.page.evaluate("document.documentElement.scrollWidth") <= width, name
        low = one.page.evaluate(
            """[...document.querySelectorAll('section.here :is(button, .button, select, .choice)')]
            .filter(node => node.offsetParent && node.offsetHeight < 44).length"""
        )
        assert low == 0, name
        assert one.page.evaluate("document.activeElement !== document.body"), name
        aid = one.page.locator("#aid")
        assert aid.is_visible(), name
        box = aid.bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= 781, name
        seen.append(name)

    every_state(one, look)
    assert len(seen) == 9


def test_all_is_done_by_keys_and_the_focus_is_never_covered(phone: Callable[..., Phone]) -> None:
    one = phone()

    def reach(where: str) -> None:
        for _ in range(40):
            one.page.keyboard.press("Tab")
            assert one.page.evaluate(
                """() => { const node = document.activeElement, box = node.getBoundingClientRect();
                if (node === document.body) return true;
                const top = document.elementFromPoint(box.left + box.width / 2, box.top + 4);
                return !top || !top.closest('footer'); }"""
            )
            if one.page.evaluate(f"document.activeElement.matches('{where}')"):
                return
        raise AssertionError(where)

    reach('[data-act="ready balance"]')
    one.page.keyboard.press("Enter")
    reach("input[type=radio]")
    one.page.keyboard.press("Space")
    reach("#ready-balance [data-act=start]")
    one.page.keyboard.press("Enter")
    one.page.wait_for_selector("#wait.here")
    one.move(six()[:1])
    one.run(10.2)
    reach("[data-act=stop]")
    one.page.keyboard.press("Enter")
    assert one.screen == "result"
    reach("#save")


def test_a_screen_reader_hears_each_step(phone: Callable[..., Phone]) -> None:
    one = phone()
    one.ready("heel_raise", "right")
    one.start()
    assert one.said == "Starts in 5 seconds"
    one.move(six()[:1])
    one.run(5.2)
    assert one.page.evaluate("document.activeElement.textContent") == "It measures now"
    one.move(six())
    one.act("stop")
    assert one.said == "It has stopped. 6 heel raises"
    assert one.page.evaluate("document.activeElement.textContent") == "6 heel raises"


def test_without_script_it_says_so(browser: Browser, tmp_path: Path) -> None:
    path = tmp_path / "measure.html"
    path.write_text(capture_page(BOOK, load_words("en")), "utf-8")
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 780})
    page = context.new_page()
    page.goto(path.as_uri())
    assert "needs JavaScript" in page.locator("noscript").inner_text()
    assert page.locator("button:visible").count() == 0
    assert page.locator("#aid").is_visible()
    context.close()
