"""What was typed outlives the lock: every form with text comes back to the same person alone."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import pytest

from rungwise.web.pages import ROUTES
from tests.web.kit import PASSPHRASE, Visitor, address_of
from tests.web.test_web_course import led, planned

ROW = "rom.sem.nonweightbearing_passive.goniometer.same_rater"
TYPED = "half a thought <of> \"hers\" & 'mine'"
#: Address that a form is sent to -> what is typed into it.
FORMS: dict[str, dict[str, str]] = {
    "/people/new": {"label": TYPED},
    "/people/{person}/exam": {"therapist": TYPED, "expected": "0"},
    "/people/{person}/programme": {"why": TYPED, "action": "look", "family": "toe_press"},
    "/people/{person}/diary/code": {"code": TYPED},
    "/people/{person}/diary/paper": {"sheet": "1:2026-11-20", "1.2026-11-20": TYPED},
    "/people/{person}/advice": {"toe_press.right.why": TYPED, "seen": "x"},
    "/people/{person}/change": {"target.pain_usual_nprs.value": TYPED, "expected": "0"},
    "/people/{person}/notes": {"text": f"{TYPED}\nand a second line", "kind": "visit"},
    "/people/{person}/export": {"reader": TYPED},
    "/class": {"people": TYPED},
    "/book/row/{key}": {"why": TYPED, "value": "4"},
    "/book/own-error": {"table": TYPED},
    "/files/look": {"text": TYPED},
    "/settings/clinic": {"clinic": TYPED},
    "/settings/desk": {"folder": TYPED},
}
#: Forms with text that need not be kept: searches, and what is typed to confirm or to name a file.
SHORT = (
    "/",
    "/audit",
    "/audit/check",
    "/files/erase",
    "/files/print",
    "/people/{{ page.id }}/erase",
)


@pytest.fixture
def inside(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path).start()


def test_every_route_that_keeps_is_tried_here() -> None:
    assert {at.path for at in ROUTES if at.keeps} == {*FORMS}


@pytest.mark.on_file
@pytest.mark.parametrize("path", FORMS)
@pytest.mark.parametrize("itself", [True, False], ids=["locks itself", "sent too late"])
def test_what_was_typed_comes_back(inside: Visitor, path: str, itself: bool) -> None:
    url = planned(inside)
    at = next(one for one in ROUTES if one.path == path and one.keeps)
    target = address_of(at, url).replace("/book/row/1", f"/book/row/{ROW}")
    fields = {**FORMS[path], **({"hold": "yes"} if itself else {})}
    inside.get("/")
    if not itself:
        inside.clock.on(minutes=16)
    inside.send(target, fields=fields)
    assert inside.casebook.state == "locked"
    assert "half a thought" not in inside.page
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)
    assert "typed before the records were locked" in inside.page
    assert "half a thought" in inside.page
    assert "<of>" in inside.page  # unescaped by the test's client: it stood there as text
    shown = inside.url.partition("#")[0].partition("?")[0]
    assert target.startswith(shown) or shown in ("/files", "/settings"), shown
    assert "half a thought" not in inside.get(shown)  # handed out once, saved nowhere


@pytest.mark.on_file
def test_a_note_comes_back_to_its_kind(inside: Visitor) -> None:
    url = planned(inside)
    inside.get(f"{url}/notes?kind=letter&lang=es")
    fields = {"text": TYPED, "kind": "letter", "hold": "yes"}
    inside.send(f"{url}/notes?kind=letter&lang=es", fields=fields)
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)
    assert inside.url == f"{url}/notes?kind=letter&lang=es"
    assert f'data-action="{inside.url}"' in inside.page


@pytest.mark.on_file
def test_nothing_is_saved_by_coming_back(inside: Visitor) -> None:
    url = inside.examined()
    inside.get(f"{url}/programme")
    kept = {"action": "keep", "expected": "0", "once": "a", "hold": "yes"}
    inside.send(f"{url}/programme", fields=kept)
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)
    assert "This is a draft." in inside.page
    inside.send(f"{url}/programme", action="keep", expected="0", once="a")
    assert "This is a draft." not in inside.page


@pytest.mark.on_file
def test_an_own_choice_comes_back_into_the_draft(inside: Visitor) -> None:
    url = inside.examined()
    inside.get(f"{url}/programme")
    own = {"family": "toe_press", "side": "right", "dose_step": "1", "by": "R. A."}
    inside.send(f"{url}/programme", fields={**own, "why": "she asked", "hold": "yes"})
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)
    assert "she asked" in inside.page
    assert 'name="drop" value="toe_press/right"' in inside.page


@pytest.mark.on_file
def test_the_code_is_kept_as_it_was_pasted(inside: Visitor) -> None:
    url = planned(inside)
    inside.clock.on(minutes=10)
    code = led(inside, url, 1)
    inside.get(f"{url}/diary")
    inside.send(f"{url}/diary/code", code=code, hold="yes")
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)
    assert code in inside.page


def test_every_form_with_text_is_kept_or_short() -> None:
    """No template may forget it: a form with a text has ``data-keep``, a secret one never."""
    folder = files("rungwise.web") / "templates"
    for file in folder.iterdir():
        if file.name.startswith("measure"):  # photographs and recordings are gone with the session
            continue
        text = file.read_text("utf-8")
        text = re.sub(r"{% macro \w+\(.*?{% endmacro %}", "", text, flags=re.DOTALL)
        for form in re.findall(r'<form method="post".*?</form>', text, re.DOTALL):
            head = form.partition(">")[0]
            action = re.findall(r'action="([^"]*)"', head)[0]
            secret = 'type="password"' in form or "secret(" in form or "second-factor" in action
            words = (
                "<textarea" in form
                or "typed(" in form
                or re.search(r'<input id="[\w-]+" name="(?!search)\w+"(?! type)', form)
            )
            secret = secret and not action.startswith("{{ page.url }}")
            if secret or action.startswith("/enter") or action in SHORT:
                assert "data-keep" not in head, (file.name, action)
            elif words:
                assert "data-keep" in head, (file.name, action)
