"""The same page from a web host: the plan behind the # of the address, offline after one visit."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from functools import cache, partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
from playwright.sync_api import Browser, Page

from rungwise.book import load_book
from rungwise.clinic import demo_exams, make_plan, read_exam
from rungwise.core.errors import InputError
from rungwise.core.terms import LEVELS, Flag, Plan, Reason, Side, SideScreen
from rungwise.handout import build_handout
from rungwise.handout.notice import stopped_of
from rungwise.phone import page_data, static_folder
from rungwise.phone.content import _stopped
from rungwise.phone.pack import pack_of
from rungwise.plan_code import home_plan, read_log_code, read_plan_code, write_plan_code
from rungwise.words import load_words
from tests.browser.chromium import CHROMIUM
from tests.browser.test_phone_page import (  # noqa: F401
    NINE,
    PHONE,
    as_page,
    browser,
    codes,
    harmless,
    page_text,
)
from tests.edges.test_plan_code import BEYOND, WRONG_TAILS, beyond, loose, with_tail
from tests.factory import DAY, make_exam

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
BOOK = load_book()
LANGUAGES = ("en", "es")


@cache
def made() -> dict[str, bytes]:
    return static_folder(BOOK, LANGUAGES)


class Quiet(SimpleHTTPRequestHandler):
    """A host that remembers what was asked of it."""

    asked: list[str] = []  # noqa: RUF012

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002
        self.asked.append(self.path)


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("host")
    for name, content in made().items():
        (folder / name).write_bytes(content)
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(folder)))
    Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}/"
    server.shutdown()
    server.server_close()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:  # noqa: F811
    context = browser.new_context(
        viewport={"width": PHONE["width"], "height": PHONE["height"]}, locale="en-GB"
    )
    found = context.new_page()
    errors: list[str] = []
    found.on("pageerror", lambda error: errors.append(str(error)))
    found.on("console", lambda m: errors.append(m.text) if m.type == "error" else None)
    found.set_default_timeout(8000)
    found.clock.install(time=NINE)
    yield found
    context.close()
    assert errors == []


@cache
def code_of_harmless() -> str:
    return write_plan_code(harmless()[1])


# ------------------------------------------------------------------ the same words as the sheet


def demo_plans() -> list[Plan]:
    exams = [read_exam(text, BOOK) for text in demo_exams().values()]
    plans = [make_plan(exam, BOOK, exam.on) for exam in exams]
    return [harmless()[0], *(plan for plan in plans if plan.exercises)]


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_page_made_from_a_code_says_what_the_sheet_says(page: Page, language: str) -> None:
    words, pack = load_words(language), json.loads(made()[f"pack-{language}.json"])
    composer(page)
    for plan in demo_plans():
        home = home_plan(plan, BOOK, bytes(8), bytes(16))
        text = write_plan_code(home)
        wanted = page_data(build_handout(plan, BOOK, words), plan, home, text, BOOK, words)
        found = page.evaluate("([text, pack]) => make(text, pack)", [text, pack])
        for name in ("stop", "help", "stopped", "cautions", "calls"):
            assert spaceless(found[name]) == spaceless(wanted[name]), name
        for name in ("span", "pain", "painTitle", "painLines", "stopline", "title"):
            assert found[name] == wanted[name], name
        assert {*found["fetch"]["lines"]} == {*wanted["fetch"]["lines"]}
        for mine, own in zip(found["lines"], wanted["lines"], strict=True):
            for name in (
                "family",
                "side",
                "both",
                "title",
                "which",
                "setting",
                "minutes",
                "settle",
            ):
                assert mine[name] == own[name], name
            assert mine["seconds"] == own["seconds"]
            assert mine["doseLines"] == [line.replace(*each(words)) for line in own["doseLines"]]
            # the code holds whole millimetres, so the inches beside them may lie a step further
            assert [*map(metric, mine["sizeLines"])] == [*map(metric, own["sizeLines"])]
            for part, sheet in zip(mine["parts"], own["parts"], strict=True):
                assert (part["kind"], part["heading"]) == (sheet["kind"], sheet["heading"])
                first = [*words.all_of("exercise.balance.first.right.set_up")]
                first += words.all_of("exercise.balance.first.left.set_up")
                assert part["lines"] == [x for x in sheet["lines"] if x not in first]


def composer(page: Page) -> None:
    """Put what makes a page from a code and a pack into the window."""
    scripts = [
        (files("rungwise.phone") / f"{name}.js").read_text("utf-8")
        for name in ("code", "decode", "notice", "compose")
    ]
    page.evaluate(
        f"() => {{ {chr(10).join(scripts)}\nwindow.make = (text, pack) => "
        "compose.page(code.readPlan(text, pack.codes), pack); }"
    )


def spaceless(found: Any) -> Any:
    """Without spaces within a telephone number, which a code does not hold, and without kinds."""
    if isinstance(found, dict):
        return {k: spaceless(v) for k, v in found.items() if k != "kind"}
    if isinstance(found, list):
        return [spaceless(one) for one in found]
    return re.sub(r"(?<=\d)[ \u00a0](?=\d)", "", found) if isinstance(found, str) else found


#: Feeling is lost, and the foot still walks.
LEFT_NUMB = {
    "answers": {"numb_foot": "left"},
    "left": {"sensation": "lost"},
    "details": {
        "foot_risk": dict.fromkeys(("ulcer_or_amputation", "kidney_failure", "deformity"), False)
    },
    "wanted": ("walking",),
}
#: What may stop a foot, or must be minded, in a plan with exercises.
TOLD: dict[str, dict[str, Any]] = {
    "numb": LEFT_NUMB,
    "numb and not low risk": {"right": {"sensation": "lost"}},
    "a wound": {"answers": {"broken_skin": "left"}},
    "many things on one foot and falls": {
        "answers": dict.fromkeys(("broken_skin", "recent_injury", "nerve_pain"), "right")
        | {"falls": "yes"}
    },
    "not examined": {"left": {"sensation": None}},
    "falls": {"answers": {"falls": "yes"}},
    "an operation": {"answers": {"foot_operation": "left"}},
    "bruises": {"answers": {"blood_thinner": "yes"}},
    "both numbers": {"clinic": {"phone": "+44 20 7946 0000", "emergency": "112"}},
    "no numbers": {"clinic": {}},
    "an ambulance": {"answers": {"broken_skin": "left"}, "clinic": {"emergency": "112"}},
}


@cache
def told_plan(name: str) -> Plan:
    plan = make_plan(make_exam(**TOLD[name]), BOOK, DAY)
    assert plan.exercises
    return plan


def test_cases_hold_what_they_say() -> None:
    homes = {name: home_plan(told_plan(name), BOOK, bytes(8), bytes(16)) for name in TOLD}
    assert [(c.kind, c.side) for c in homes["numb"].cautions] == [("numb", "left")]
    assert len(homes["many things on one foot and falls"].findings) == 4
    assert homes["not examined"].unfinished == ("left",)
    assert homes["both numbers"].phone == "+442079460000"


@pytest.mark.parametrize("language", LANGUAGES)
def test_cautions_stopped_feet_and_calls_are_those_of_the_sheet(page: Page, language: str) -> None:
    words, pack = load_words(language), json.loads(made()[f"pack-{language}.json"])
    composer(page)
    for name in TOLD:
        plan = told_plan(name)
        home = home_plan(plan, BOOK, bytes(8), bytes(16))
        text = write_plan_code(home)
        wanted = page_data(build_handout(plan, BOOK, words), plan, home, text, BOOK, words)
        found = page.evaluate("([text, pack]) => make(text, pack)", [text, pack])
        for part in ("stop", "help", "stopped", "cautions"):
            assert spaceless(found[part]) == spaceless(wanted[part]), (name, part)
        assert [c["dial"] for c in found["calls"]] == [c["dial"] for c in wanted["calls"]]


def test_findings_of_any_mix_are_told_as_on_the_sheet(page: Page) -> None:
    """Made up, as no examination with exercises has them all: every item, level and foot."""
    pack, rnd, words = json.loads(made()["pack-en.json"]), random.Random(3), load_words("en")
    composer(page)
    for _ in range(60):
        plan = with_flags(harmless()[0], rnd)
        home = home_plan(plan, BOOK, bytes(8), bytes(16))
        found = page.evaluate("([text, pack]) => make(text, pack)", [write_plan_code(home), pack])
        assert spaceless(found["stopped"]) == spaceless(_stopped(stopped_of(plan, words)))


def with_flags(plan: Plan, rnd: random.Random) -> Plan:
    """The plan with any flags in its screen."""
    reason = Reason("invented", 1, "invented")
    person = [any_flag(rnd, None, reason) for _ in range(rnd.randrange(3))]

    def of(side: Side) -> SideScreen:
        own = [any_flag(rnd, side, reason) for _ in range(rnd.randrange(5))]
        flags = sorted([*own, *person], key=lambda flag: LEVELS.index(flag.level))
        return replace(plan.screening.of(side), flags=tuple(flags))

    return replace(plan, screening=replace(plan.screening, right=of("right"), left=of("left")))


def any_flag(rnd: random.Random, side: Side | None, reason: Reason) -> Flag:
    item = rnd.choice(sorted(BOOK.items))
    forbids = frozenset({"home"}) if rnd.random() < 0.5 else frozenset[str]()
    return Flag(item, rnd.choice(LEVELS), side, "", forbids, reason)


def test_the_page_from_a_host_shows_them(page: Page, host: str) -> None:
    plan = told_plan("numb")
    page.goto(f"{host}#{write_plan_code(home_plan(plan, BOOK, bytes(8), bytes(16)))}")
    page.wait_for_selector("#now .row")
    today = page.locator("#today").inner_text()
    assert "Skin check" in today
    assert "Pain cannot guide you there." in today
    page.locator("#now .big").click()  # they are asked before each session, too
    page.clock.run_for(500)
    while page.locator('[data-pain="1"]').count():
        page.locator('[data-pain="1"]').click()
        page.clock.run_for(500)
    assert "Your left foot does not feel all that touches it." in page.locator("#live").inner_text()


def test_the_page_from_a_host_shows_a_stopped_foot_and_calls_the_clinic(
    page: Page, host: str
) -> None:
    plan = told_plan("an ambulance")
    page.goto(f"{host}#{write_plan_code(home_plan(plan, BOOK, bytes(8), bytes(16)))}")
    page.wait_for_selector("#now .row")
    today = page.locator("#today").inner_text()
    assert "Left foot: no exercises for now" in today
    assert "See a doctor within days" in today
    page.locator("nav button").nth(2).click()
    links = page.locator("#stop a")
    assert [link.get_attribute("href") for link in links.all()] == ["tel:112"]


def test_a_number_with_markup_in_it_reaches_no_page(page: Page, host: str) -> None:
    clinic = {"phone": '<img src=x onerror=alert(1)> 555 0100"'}
    plan = make_plan(make_exam(clinic=clinic), BOOK, DAY)
    page.goto(f"{host}#{write_plan_code(home_plan(plan, BOOK, bytes(8), bytes(16)))}")
    page.wait_for_selector("#now .row")
    page.locator("nav button").nth(2).click()
    assert page.locator("#stop a").count() == 0
    assert "Call your therapist." in page.locator("#stop").inner_text()


def test_vectors_and_wrong_ends_are_read_as_in_python(codes: Page) -> None:  # noqa: F811
    docs = Path(__file__).parents[2] / "docs/plan-code.md"
    good = [t for t in re.findall(r"```\n(RW1\S+)\n```", docs.read_text("utf-8")) if t[3] == "P"]
    read = "([text, tables]) => { try { return code.readPlan(text, tables); } "
    read += "catch (error) { return error.why || String(error); } }"
    tables = json.loads(made()["pack-en.json"])["codes"]
    assert len(good) == 2
    for one in good:
        assert codes.evaluate(read, [one, tables]) == as_page(read_plan_code(one))
    for name, tail in WRONG_TAILS.items():
        assert codes.evaluate(read, [with_tail(tail), tables]) in ("damaged", "words"), name


def test_what_no_plan_says_is_refused_as_in_python(
    codes: Page,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    read = "([text, tables]) => { try { return code.readPlan(text, tables); } "
    read += "catch (error) { return error.why || String(error); } }"
    tables = json.loads(made()["pack-en.json"])["codes"]
    assert codes.evaluate(read, [write_plan_code(beyond()), tables]) == as_page(beyond())
    for name, change in BEYOND.items():
        text = loose(beyond(**change), monkeypatch)
        assert codes.evaluate(read, [text, tables]) == "damaged", name


def metric(line: str) -> str:
    return re.sub(r" \(.*?\)", "", line)


@pytest.mark.parametrize("language", LANGUAGES)
def test_lengths_and_masses_are_said_as_on_the_sheet(page: Page, language: str) -> None:
    words, pack = load_words(language), json.loads(made()[f"pack-{language}.json"])
    script = (files("rungwise.phone") / "compose.js").read_text("utf-8")
    said = page.evaluate(
        f"pack => {{ {script}\nconst say = compose.speaker(pack), all = [];\n"
        "for (let n = 1; n <= 400; n++) "
        "all.push([say.length(n, false), say.length(n, true), say.mass(n), say.seconds(n)]);"
        "return all; }",
        pack,
    )
    assert said == [
        [words.length(n), words.length(n, up=True), words.mass(n), words.seconds(n)]
        for n in range(1, 401)
    ]


def each(words: Any) -> tuple[str, str]:
    """ "With each foot", which a screen for one foot does not say."""
    one, both = words.texts["dose.times.other"], words.texts["dose.times_each.other"]
    return both.removeprefix("{n}").rstrip("."), one.removeprefix("{n}").rstrip(".")


def test_every_rung_has_a_drawing_of_each_foot_and_no_size_in_it() -> None:
    pack = pack_of(BOOK, load_words("en"))
    for rung in pack["rungs"]:
        for side in ("right", "left"):
            assert any(name.startswith(f"{rung} {side}") for name in pack["drawn"]), rung
    labels = [svg.split("</text>")[:-1] for svg in pack["drawings"]]
    texts = {part.rpartition(">")[2] for parts in labels for part in parts}
    assert not any(any(c.isdigit() for c in text) for text in texts)


# ------------------------------------------------------------------ from a host


def test_the_plan_comes_from_the_address_and_is_never_sent(page: Page, host: str) -> None:
    Quiet.asked.clear()
    page.goto(f"{host}#{code_of_harmless()}")
    page.wait_for_selector("#now .row")
    assert page.locator("#now .row").count() == len(harmless()[1].lines)
    assert {a.split("?")[0].lstrip("/") for a in Quiet.asked} <= {"", *made()}
    assert not any("RW1P" in asked for asked in Quiet.asked)


def test_a_session_led_from_a_host_is_read_back(page: Page, host: str) -> None:
    page.goto(f"{host}#{code_of_harmless()}")
    page.locator("#now .big").click()
    for where in ('[data-pain="1"]', '[data-pain="2"]', "#live .big", "#live .big"):
        page.clock.run_for(500)  # a new question takes no answer sooner
        page.locator(where).first.click()
    page.clock.run_for(66_000)
    page.locator('[data-pain="2"]').click()
    page.clock.run_for(500)
    page.get_by_role("button", name="End here").first.click()
    page.locator("nav button").nth(1).click()
    log = read_log_code(page.locator("#log").input_value(), harmless()[1])
    assert log.sessions[0].on == date(2026, 3, 3)
    assert [(e.line, e.done, e.before) for e in log.sessions[0].entries] == [(0, "all", 2)]


@pytest.mark.parametrize("anew", [True, False])
def test_morning_behind_the_address_is_no_code(page: Page, host: str, anew: bool) -> None:
    # it comes from a calendar's reminder: the plan is the one that this device keeps
    test_a_session_led_from_a_host_is_read_back(page, host)
    page.clock.set_system_time(NINE + timedelta(days=1))
    if anew:
        page.goto("about:blank")
    page.goto(f"{host}#morning")
    page.clock.run_for(1_000)
    page.get_by_role("heading", name="The next morning").wait_for()
    assert page.locator("#code").count() == 0


def test_morning_without_a_plan_asks_for_the_code(page: Page, host: str) -> None:
    page.goto(f"{host}#morning")
    page.wait_for_selector("#code")
    assert page.locator("#code").input_value() == ""
    assert page.locator("#fault").count() == 0


def test_it_opens_offline_after_one_visit_and_without_the_code(page: Page, host: str) -> None:
    page.goto(f"{host}#{code_of_harmless()}")
    page.wait_for_selector("#now .row")
    page.evaluate("() => navigator.serviceWorker.ready.then(() => true)")
    page.context.set_offline(True)
    page.goto(host)
    page.wait_for_selector("#now .row")
    assert page.locator("h1:visible").inner_text() == "Your home programme"


def test_a_new_plan_keeps_the_diary_of_the_old_one(page: Page, host: str) -> None:
    test_a_session_led_from_a_host_is_read_back(page, host)
    plan = harmless()[0]
    newer = home_plan(plan, BOOK, harmless()[1].number, bytes(16), version=2)
    page.goto(f"{host}#{write_plan_code(newer)}")
    page.wait_for_selector("#now .row")
    assert page.locator("#now .row.due").count() == 0  # today's set has been done
    page.locator("nav button").nth(1).click()
    assert "From your earlier programme" in page.locator("#live").inner_text()
    log = read_log_code(page.locator("#log").input_value(), harmless()[1])
    assert len(log.sessions) == 1


def other_code() -> str:
    return write_plan_code(replace(harmless()[1], number=bytes([9] * 8), key=bytes([8] * 16)))


def test_a_link_of_somebody_else_takes_nothing_away(page: Page, host: str) -> None:
    page.goto(f"{host}#{code_of_harmless()}")
    page.locator("#now .big").click()
    for where in ('[data-pain="1"]', '[data-pain="1"]', "#live .big", "#live .big"):
        page.clock.run_for(500)
        page.locator(where).first.click()
    page.goto(f"{host}#{other_code()}")
    page.get_by_role("heading", name="Another programme").wait_for()
    page.get_by_role("button", name="Keep mine").click()
    page.locator("#phase").wait_for()  # still half led
    assert "#" not in page.url
    page.goto(f"{host}#{other_code()}")
    page.get_by_role("button", name="Open the other one").click()
    page.wait_for_selector("#now .row")
    page.goto("about:blank")
    page.goto(host)  # the plain address is now the other's, and mine is a tap away
    page.wait_for_selector("#now .row")
    page.locator("nav button").nth(3).click()
    page.get_by_role("button", name="Open programme 1 on this phone").click()
    page.get_by_role("button", name="Open the other one").click()
    page.locator("#phase").wait_for()


def test_an_older_version_of_a_link_leads_nothing(page: Page, host: str) -> None:
    newer = write_plan_code(replace(harmless()[1], version=2))
    page.goto(f"{host}#{newer}")
    page.wait_for_selector("#now .row")
    page.goto(f"{host}#{code_of_harmless()}")
    page.get_by_text("You have a newer programme.").wait_for()
    assert page.locator("#now .big").count() == 0
    page.goto("about:blank")
    page.goto(host)
    page.wait_for_selector("#now .row.due")


@pytest.mark.parametrize("text", ["%", "a%zz", "RW1P%"])
def test_an_address_that_is_no_code_is_told(page: Page, host: str, text: str) -> None:
    page.goto(f"{host}#{text}")
    page.wait_for_selector("#fault")
    assert "not the code of a programme" in page.locator("#fault").inner_text()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda c: c[:50] + ("A" if c[50] != "A" else "B") + c[51:], "wrong or missing"),
        (lambda c: "RW2P" + c[4:], "newer than the page"),
        (lambda c: "RW1L" + c[4:], "the text of a diary"),
        (lambda c: "hello there, this is no code", "not the code of a programme"),
    ],
)
def test_a_code_that_can_not_be_read_is_told_why(
    page: Page, host: str, change: Any, says: str
) -> None:
    page.goto(host)
    page.locator("#code").fill(change(code_of_harmless()))
    page.get_by_role("button", name="Open").click()
    page.wait_for_selector("#fault")
    assert says in page.locator("#fault").inner_text()
    assert page.evaluate("document.activeElement.id") == "code"
    page.locator("#code").fill(f"{host}#{code_of_harmless()}")  # the whole address does as well
    page.get_by_role("button", name="Open").click()
    page.wait_for_selector("#now .row")


def test_spanish_plan_opens_in_spanish(page: Page, host: str) -> None:
    page.goto(f"{host}#{write_plan_code(replace(harmless()[1], language='es'))}")
    page.wait_for_selector("#now .row")
    assert page.evaluate("document.documentElement.lang") == "es"
    assert page.locator("h1:visible").inner_text() == "Su programa en casa"


# ------------------------------------------------------------------ the files


def test_policy_allows_own_files_only() -> None:
    page = made()["index.html"].decode()
    assert "default-src 'none'" in page
    assert "unsafe" not in page
    assert "<script>" not in page
    assert "http" not in page.replace("http-equiv", "")


def test_worker_names_every_file_and_changes_with_them() -> None:
    worker = made()["sw.js"].decode()
    assert all(json.dumps(name) in worker for name in made() if name != "sw.js")
    assert "@" not in worker
    other = static_folder(BOOK, ("en",))["sw.js"].decode()
    edition = [text.partition("const NAME = ")[2].partition(",")[0] for text in (worker, other)]
    assert edition[0] != edition[1]


def test_a_language_must_be_named_and_be_there() -> None:
    with pytest.raises(InputError, match="at least one"):
        static_folder(BOOK, ())
    with pytest.raises(InputError, match="en, es"):
        static_folder(BOOK, ("tlh",))


def test_folder_can_be_written(tmp_path: Path) -> None:
    for name, content in made().items():
        (tmp_path / name).write_bytes(content)
    assert json.loads((tmp_path / "manifest.webmanifest").read_text())["start_url"] == "./"
