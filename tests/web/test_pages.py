"""The pages: what each shows, saves and refuses; each explains its fields and uses no other."""

from __future__ import annotations

import re
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jinja2 import Environment, nodes

from rungwise.book import load_book
from rungwise.casebook import LOCAL
from rungwise.clinic import read_exam
from rungwise.core.contrast import rgb, stands_out
from rungwise.core.errors import InputError
from rungwise.core.terms import SIDES, Side
from rungwise.web.exam_form import sections_of
from rungwise.web.exam_text import again_from, to_toml, values_of
from rungwise.web.page import Page, help_of
from rungwise.web.pages import ROUTES
from rungwise.web.words import LANGUAGES, say_in
from tests.web.kit import BASE, DAY, EXAMS, PASSPHRASE, Visitor, address_of

BOOK = load_book()
WEB = files("rungwise.web")
TEMPLATES = {f.name: f.read_text("utf-8") for f in (WEB / "templates").iterdir()}


@pytest.fixture
def inside(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path).start()


def pages() -> list[type[Page]]:
    found, todo = [], [Page]
    while todo:
        below = todo.pop().__subclasses__()
        found += below
        todo += below
    assert len(found) > 8
    return found


# ------------------------------------------------------------------ what a page is


@pytest.mark.parametrize("page", pages(), ids=lambda page: page.__name__)
def test_every_field_of_a_page_is_explained_and_templates_use_no_other(page: type[Page]) -> None:
    known = help_of(page)
    assert all(text.endswith(".") for text in known.values()), known
    tree = Environment().parse(TEMPLATES[page.template])
    used = {
        node.attr
        for node in tree.find_all(nodes.Getattr)
        if isinstance(node.node, nodes.Name) and node.node.name == "page"
    }
    assert used <= {*known, "template"}, used - set(known)


def test_words_are_alike_in_every_language() -> None:
    english = say_in("en").texts
    for code in LANGUAGES:
        texts = say_in(code).texts
        assert texts.keys() == english.keys(), code
        for key, text in texts.items():
            places = set(re.findall(r"\{(\w+)\}", text))
            assert places == set(re.findall(r"\{(\w+)\}", english[key])), (code, key)


def test_templates_say_only_words_that_there_are() -> None:
    known = say_in("en").texts
    for name, text in TEMPLATES.items():
        for key in re.findall(r'say\("([\w.]+)"[,)]', text):
            assert key in known, (name, key)


def test_no_template_holds_script_or_style() -> None:
    for name, text in TEMPLATES.items():
        assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:|<script(?! src=)", text), name
        assert "| safe" not in text, name


def test_every_form_carries_its_token() -> None:
    for name, text in TEMPLATES.items():
        carriers = {"token"}
        for macro, body in re.findall(r"{% macro (\w+)\(.*?%}(.*?){% endmacro %}", text, re.DOTALL):
            if "token()" in body:
                carriers.add(macro)
        forms = re.findall(r'<form method="post".*?</form>', text, re.DOTALL)
        assert len(forms) + text.count('<form method="get"') == text.count("<form"), name
        for form in forms:
            assert any(f"{carrier}()" in form for carrier in carriers), (name, form[:80])


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_colours_stand_out(scheme: int) -> None:
    css = (WEB / "static" / "app.css").read_text("utf-8")
    block = re.findall(r":root \{(.*?)\}", css, re.DOTALL)[scheme]
    token = dict(re.findall(r"--([\w-]+): (#\w{6})", block))
    for paper in ("paper", "ground"):
        for ink in ("ink", "soft", "act", "stop", "go"):
            assert stands_out(rgb(token[ink]), rgb(token[paper]), "text"), (ink, paper)
        assert stands_out(rgb(token["line"]), rgb(token[paper]), "line"), paper
    assert stands_out(rgb(token["on-act"]), rgb(token["act"]), "text")
    for paper in ("care-paper", "stop-paper"):
        assert stands_out(rgb(token["ink"]), rgb(token[paper]), "text"), paper


# ------------------------------------------------------------------ the form


@pytest.mark.parametrize("name", EXAMS)
def test_an_examination_comes_back_from_its_form(name: str) -> None:
    text, _ = to_toml(values_of(EXAMS[name]), BOOK)
    back, before = read_exam(text, BOOK), read_exam(EXAMS[name], BOOK)
    assert replace(back, measured=()) == replace(before, measured=())
    sides: tuple[Side | None, ...] = (*SIDES, None)
    for side in sides:
        for key in BOOK.measures:
            assert back.readings(key, side) == before.readings(key, side), (side, key)


@pytest.mark.parametrize("name", EXAMS)
def test_every_value_has_its_field(name: str) -> None:
    values = values_of(EXAMS[name])
    parts = sections_of(BOOK, say_in("en"), values)
    shown = {f.id: f.value for part in parts for row in part.rows for f in row.fields}
    for key, value in values.items():
        if key not in ("person.label", "confirm"):
            assert shown[key] == tuple(value), key


def test_every_measure_and_item_of_the_book_is_asked() -> None:
    parts = sections_of(BOOK, say_in("en"), {})
    shown = {f.id for part in parts for row in part.rows for f in row.fields}
    assert {f"screen.{key}" for key in BOOK.items} <= shown
    for m in BOOK.measures.values():
        below = {"foot": ("right.", "left."), "person": ("person.",), "detail": ("detail.",)}[m.per]
        for base in below:
            assert any(f == base + m.key or f.startswith(f"{base}{m.key}.") for f in shown), m.key


def test_a_re_examination_keeps_who_and_how_and_empties_what_was_found() -> None:
    values = again_from(values_of(EXAMS["hill-walker-grade-2"]), DAY.date())
    assert values["person.birth_year"] == ["1968"]
    assert values["right.mtp_dorsiflexion_deg.1.method"] == ["nonweightbearing_passive"]
    assert values["activity.1.name"] == ["hill walk 6 km"]
    for name in values:
        assert not name.startswith("screen."), name
        assert not re.search(r"\.v\d$|nprs|_s$|_count|rating|worse|flat_standing_deg", name), name


def test_the_left_foot_is_read_as_the_right_one_when_it_says_so() -> None:
    values = values_of(EXAMS["hill-walker-grade-2"])
    for way in ("method", "instrument", "zero"):
        values[f"left.mtp_dorsiflexion_deg.1.{way}"] = [""]
    text, _ = to_toml(values, BOOK)
    assert read_exam(text, BOOK).readings("mtp_dorsiflexion_deg", "left") == read_exam(
        EXAMS["hill-walker-grade-2"], BOOK
    ).readings("mtp_dorsiflexion_deg", "left")


HOSTILE = st.text(st.characters(exclude_categories=()), max_size=40)


@given(
    HOSTILE, st.sampled_from(["therapist", "person.birth_year", "screen.falls", "date", "wanted"])
)
def test_whatever_is_typed_stays_text(typed: str, field: str) -> None:
    values: dict[str, Any] = {**values_of(EXAMS["hill-walker-grade-2"]), field: [typed]}
    text, _ = to_toml(values, BOOK)
    wrong: set[str] = set()
    try:
        exam = read_exam(text, BOOK)
    except InputError as error:
        wrong = {re.sub(r"\[.*", "", fault.field) for fault in error.faults}
    else:
        assert exam.answers.keys() <= BOOK.items.keys()
        assert exam.person.label == "N-102"
    assert wrong <= {field, "person.birth_year"} if field == "date" else wrong <= {field, "screen"}


def test_faults_stand_beside_their_fields_and_nothing_typed_is_lost(inside: Visitor) -> None:
    url = inside.person()
    fields: dict[str, Any] = {**values_of(EXAMS["hill-walker-grade-2"]), "expected": "0"}
    fields |= {
        "right.foot_length_mm": ["24.2"],
        "left.mtp_dorsiflexion_deg.1.v2": ["6O"],
        "person.birth_year": ["?"],
        "therapist": ['<b>"R." & Sons'],
        "screen.falls": [""],
    }
    page = inside.send(f"{url}/exam", 422, fields=fields)
    for field in ("right-foot_length_mm", "left-mtp_dorsiflexion_deg-1-v2", "person-birth_year"):
        assert f'id="e-{field}"' in page
        assert f'href="#f-{field}"' in page
    assert "Is it in cm? 24.2 cm = 242 mm." in page
    assert "Write a number without its unit." in page
    assert "in quotes" not in page
    assert "to confirm" not in page
    assert 'value="24.2"' in page
    assert 'value="6O"' in page
    assert 'value="hill walk 6 km"' in page
    raw = inside.client.get(f"{url}/exam").text
    assert "<b>" not in raw


def test_a_strange_value_is_kept_when_it_is_confirmed(inside: Visitor) -> None:
    url = inside.person()
    fields: dict[str, Any] = {**values_of(EXAMS["hill-walker-grade-2"]), "expected": "0"}
    fields["person.mass_kg"] = ["150"]
    page = inside.send(f"{url}/exam", 422, fields=fields)
    assert 'name="confirm" value="person.mass_kg"' in page
    inside.send(f"{url}/exam", fields={**fields, "confirm": ["person.mass_kg"]})


def test_the_form_tells_what_it_comes_to_before_it_is_saved(inside: Visitor) -> None:
    url = inside.person()
    inside.get(f"{url}/exam")
    assert "Still needed:" in inside.page
    fields: dict[str, Any] = {**values_of(EXAMS["hill-walker-grade-2"])}
    part = inside.send(f"{url}/exam/look", 200, fields=fields, token=inside.token())
    assert "<html" not in part
    assert "Highest heel stop" in part
    assert "Toe press" in part
    assert "data:image/svg+xml" in part
    inside.get(f"{url}/exam")
    del fields["therapist"], fields["person.minutes_per_day"], fields["screen.falls"]
    fields["right.foot_length_mm"] = ["9999"]
    part = inside.send(f"{url}/exam/look", 200, fields=fields)
    assert "Minutes on an exercise day" in part
    assert "Foot length, right foot" in part
    assert "Hold: no programme yet" in part
    assert inside.casebook.person(LOCAL, url.rpartition("/")[2]).exam is None


@pytest.mark.on_file
@pytest.mark.parametrize("hold", ["", "yes"])
def test_what_was_typed_outlives_the_lock(inside: Visitor, hold: str) -> None:
    url = inside.person()
    inside.get(f"{url}/exam")
    if not hold:
        inside.clock.on(minutes=16)
    fields = {"therapist": "Half a word", "expected": "0", "hold": hold}
    inside.send(f"{url}/exam", fields=fields)
    assert inside.casebook.state == "locked"
    assert "Sign in" in inside.page
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)
    assert 'value="Half a word"' in inside.page
    assert "typed before the records were locked" in inside.page
    assert "Half a word" not in inside.get(f"{url}/exam")


@pytest.mark.on_file
def test_a_stranger_keeps_no_form(inside: Visitor) -> None:
    url = inside.person()
    inside.client = inside.another()
    inside.get("/enter")
    inside.send(f"{url}/exam", fields={"therapist": "Mallory", "hold": "yes"})
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)
    assert "Caseload" in inside.page
    assert "Mallory" not in inside.get(f"{url}/exam")


# ------------------------------------------------------------------ people


def test_a_label_is_not_taken_twice_by_mistake(inside: Visitor) -> None:
    inside.person("N-7")
    inside.get("/people/new")
    inside.send("/people/new", 422, label="n-7", once="2")
    assert 'name="again"' in inside.page
    inside.send("/people/new", label="n-7", once="2", again="yes")


def test_a_form_sent_twice_saves_once(inside: Visitor) -> None:
    assert inside.person("N-7") == inside.person("N-7")
    url = inside.examined()
    inside.get(f"{url}/exam")
    fields: dict[str, Any] = {**values_of(EXAMS["hill-walker-grade-2"]), "expected": "0"}
    inside.send(f"{url}/exam", fields={**fields, "once": "exam-1"})
    assert inside.casebook.person(LOCAL, url.rpartition("/")[2]).exam_version == 1


def test_the_caseload_says_who_needs_a_look_and_why(inside: Visitor) -> None:
    url = inside.examined()
    assert "Examined; no programme kept yet." in inside.get("/")
    inside.get(f"{url}/programme")
    inside.send(f"{url}/programme", action="keep", expected="0", once="p")
    inside.get("/")
    assert "27 Nov 2026: Call: no diary for a week." in inside.page  # sooner than the review
    inside.send("/", 200, only="due")
    assert "Nobody fits." in inside.page
    inside.clock.on(days=7)
    inside.app.state.access.lock_if_idle()
    inside.come_back()
    inside.send("/", 200, only="due")
    assert "Today." in inside.page
    inside.send("/", 200, search="n-1")
    assert "N-102" in inside.page
    inside.send("/", 200, search="%")
    assert "Nobody fits." in inside.page


def test_the_caseload_is_paged(inside: Visitor) -> None:
    for n in range(53):
        inside.casebook.new_person(LOCAL, f"P-{n:03}")
    assert "P-049" in inside.get("/")
    assert "P-050" not in inside.page
    inside.send("/", 200, start="50")
    assert "P-052" in inside.page
    inside.send("/", 200, start="-1; drop table")
    assert "P-000" in inside.page


def test_a_person_is_put_away_and_taken_out(inside: Visitor) -> None:
    url = inside.person("N-7")
    inside.get(url)
    inside.send(f"{url}/archive", away="yes")
    assert "This person is put away." in inside.page
    assert "N-7" not in inside.get("/")
    inside.get(url)
    inside.send(f"{url}/archive", away="no")
    assert "N-7" in inside.get("/")


def test_every_page_of_a_person_shows_two_identifiers(inside: Visitor) -> None:
    url = inside.examined()
    for at in ROUTES:
        if at.path.startswith("/people/{person}") and at.methods.startswith("GET"):
            if at.path.count("{") > 1:
                continue
            page = inside.get(address_of(at, url))
            assert "N-102" in page, at.path
            assert "born 1968" in page, at.path


def test_every_look_at_a_person_stands_in_the_audit(inside: Visitor) -> None:
    url = inside.examined()
    person = url.rpartition("/")[2]
    with inside.casebook.store.work(LOCAL) as work:
        before = len(work.audit_rows(person))
    for below in ("", "/exam", "/programme"):
        inside.get(url + below)
        with inside.casebook.store.work(LOCAL) as work:
            rows = work.audit_rows(person)
        assert any(row.did == "read" for row in rows[before:]), below
        before = len(rows)


# ------------------------------------------------------------------ two at once


def test_a_newer_examination_is_shown_beside_what_was_typed(inside: Visitor) -> None:
    url = inside.examined()
    inside.get(f"{url}/exam")
    fields: dict[str, Any] = {**values_of(EXAMS["hill-walker-grade-2"]), "expected": "1"}
    inside.send(f"{url}/exam", fields={**fields, "therapist": ["First"], "once": "a"})
    inside.get(f"{url}/exam")
    page = inside.send(f"{url}/exam", 409, fields={**fields, "therapist": ["Second"], "once": "b"})
    assert '<span class="said">First</span>' in page
    assert '<span class="said">Second</span>' in page
    assert 'name="expected" value="2"' in page
    merged = {"action": "merge", "base": "1", "take.therapist": "mine", "expected": "2"}
    inside.send(f"{url}/exam", fields={**fields, "therapist": ["Second"], **merged, "once": "b"})
    found = inside.casebook.person(LOCAL, url.rpartition("/")[2])
    assert found.exam is not None
    assert (found.exam_version, found.exam.therapist) == (3, "Second")


def test_a_newer_programme_is_not_written_over(inside: Visitor) -> None:
    url = inside.examined()
    inside.get(f"{url}/programme")
    inside.send(f"{url}/programme", action="keep", expected="0", once="a")
    page = inside.send(f"{url}/programme", 409, action="keep", expected="0", once="b")
    assert "Somebody kept another programme meanwhile" in page
    assert "Both say the same" in page
    assert 'name="expected" value="1"' in page


# ------------------------------------------------------------------ the programme


def test_a_programme_is_drafted_kept_printed_and_sent_to_the_phone(inside: Visitor) -> None:
    url = inside.examined()
    assert "This is a draft." in inside.page
    assert inside.page.count('<article class="exercise"') == 6
    inside.send(f"{url}/programme", action="keep", expected="0", once="a")
    assert "QR code of this programme" in inside.page
    pdf = inside.client.get(f"{url}/programme/1/sheet.pdf")
    assert pdf.content.startswith(b"%PDF-")
    assert pdf.headers["content-disposition"] == 'inline; filename="programme-1.pdf"'
    phone = inside.client.get(f"{url}/programme/1/phone.html")
    assert phone.headers["content-disposition"].startswith("attachment")
    assert b"Content-Security-Policy" in phone.content
    for wrong in ("2", "0", "x", "1%27"):
        inside.get(f"{url}/programme/{wrong}/sheet.pdf", 404)


def test_every_exercise_says_why_with_rule_version_basis_and_source(inside: Visitor) -> None:
    inside.examined()
    blocks = re.findall(
        r'<details class="why"><summary>Why</summary>(.*?)</details>', inside.page, re.S
    )
    assert len(blocks) >= 6
    for block in blocks:
        for line in re.findall(r"<li>(.*?)</li>", block, re.S):
            assert re.search(r"Rule [\w.]+, version \d+; basis: \w+", line)
            assert line.count('class="small"') >= 2, line


def test_an_own_choice_is_tried_kept_and_taken_back(inside: Visitor) -> None:
    url = inside.examined()
    own: dict[str, Any] = {"action": "look", "family": "arch_lift", "side": "right", "by": "R. A."}
    inside.send(f"{url}/programme", 422, fields={**own, "dose_step": "1", "why": ""})
    assert "allowed: text that is not empty" in inside.page
    inside.send(f"{url}/programme", 200, fields={**own, "dose_step": "1", "why": 'she "asked"'})
    assert 'Own choice of R. A.: she "asked"' in inside.page
    found = re.search(r'name="pins" value="(.*?)"><input', inside.page, re.S)
    assert found
    inside.send(f"{url}/programme", action="keep", expected="0", once="a", pins=found[1])
    assert "Own choice of R. A." in inside.page
    plan = inside.casebook.person(LOCAL, url.rpartition("/")[2]).plan
    assert plan is not None
    assert [e.dose_step for e in plan.exercises if e.pin] == [1]
    inside.send(f"{url}/programme", 200, pins=found[1], drop="arch_lift/right")
    assert "Own choice of" not in inside.page


def test_a_hot_swollen_toe_gets_no_programme_but_a_sheet(inside: Visitor) -> None:
    url = inside.examined("hot-swollen-toe")
    assert "Refer: no programme" in inside.page
    assert "No exercises now." in inside.page
    inside.send(f"{url}/programme", action="keep", expected="0", once="a")
    assert inside.client.get(f"{url}/programme/1/sheet.pdf").content.startswith(b"%PDF-")
    inside.get(f"{url}/programme/1/phone.html", 422)
    assert "No programme now; see the referral." in inside.get("/")


def test_spanish_is_spoken_when_it_is_asked_for(inside: Visitor) -> None:
    url = inside.examined()
    inside.send("/language", language="es")
    assert '<html lang="es">' in inside.page
    assert "Persona nueva" in inside.page
    assert "Pie derecho" in inside.get(f"{url}/programme")
    inside.send("/language", language="../../etc")
    assert '<html lang="es">' in inside.page


def test_pages_work_when_script_asks_for_a_part(inside: Visitor) -> None:
    url = inside.examined()
    inside.clock.on(hours=1)
    headers = {"hx-request": "true", "origin": BASE, "sec-fetch-site": "same-origin"}
    found = inside.client.post(f"{url}/exam/look", data={"token": inside.token()}, headers=headers)
    assert (found.status_code, found.headers["hx-redirect"]) == (204, "/enter")
