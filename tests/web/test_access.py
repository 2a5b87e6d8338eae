"""Who may come in, and what every request must show first.

Standards: OWASP ASVS 5.0 (std_17) 3.3, 3.4, 3.5, 6.3, 7.2–7.4, 14.2, 16.5.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from rungwise.casebook import LOCAL
from rungwise.web.pages import ROUTES
from tests.web.kit import BASE, PASSPHRASE, Visitor, address_of


@pytest.fixture
def visitor(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path)


@pytest.fixture
def inside(visitor: Visitor) -> Visitor:
    return visitor.start()


def cookie_of(visitor: Visitor) -> str:
    return str(visitor.client.cookies["rungwise"])


@pytest.mark.on_file
def test_first_start_makes_records_and_shows_the_recovery_key_once(visitor: Visitor) -> None:
    visitor.get("/")
    visitor.send("/enter/first", 422, passphrase="short", again="short")
    assert "15 to" in visitor.page
    visitor.send("/enter/first", 422, passphrase=PASSPHRASE, again=PASSPHRASE + "!")
    assert visitor.casebook.state == "new"
    visitor.send("/enter/first", passphrase=PASSPHRASE, again=PASSPHRASE)
    key = re.search(r'id="key">([^<]+)<', visitor.page)
    assert key
    assert len(key[1].split("-")) == 8
    visitor.send("/recovery/kept")
    assert visitor.client.get("/recovery").status_code == 303
    visitor.send("/lock", follow=False)
    assert visitor.casebook.state == "locked"
    visitor.get("/enter/recover")
    visitor.send("/enter/recover", recovery=key[1], passphrase="another five plain words")
    assert "Caseload" in visitor.page
    visitor.send("/lock", follow=False)
    visitor.get("/enter")
    visitor.send("/enter/sign-in", 403, passphrase=PASSPHRASE)
    visitor.send("/enter/sign-in", passphrase="another five plain words")


def test_every_page_asks_for_a_sign_in(inside: Visitor) -> None:
    stranger = inside.another()
    person = inside.person().removeprefix("/people/")
    for at in ROUTES:
        if at.deed and "GET" in at.methods:
            url = address_of(at, person)
            found = stranger.get(url)
            assert (found.status_code, found.headers["location"]) == (303, "/enter"), url


def test_a_sign_in_changes_the_cookie(visitor: Visitor) -> None:
    visitor.get("/")
    before = cookie_of(visitor)
    visitor.start()
    after = cookie_of(visitor)
    assert before != after
    fixed = visitor.another()
    fixed.cookies.set("rungwise", before)
    assert fixed.get("/").status_code == 303
    visitor.send("/lock", follow=False)
    assert cookie_of(visitor) not in (before, after)


def test_the_cookie_is_strict(visitor: Visitor, tmp_path: Path) -> None:
    plain = visitor.client.get("/enter").headers["set-cookie"].lower()
    assert {"httponly", "samesite=strict", "path=/"} <= set(plain.split("; "))
    assert "secure" not in plain
    safe = Visitor(tmp_path, https=True).client.get("/enter")
    cookie = safe.headers["set-cookie"]
    assert cookie.startswith("__Host-rungwise=")
    assert "Secure" in cookie
    assert "Domain" not in cookie
    assert safe.headers["strict-transport-security"].startswith("max-age=31536000")


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "http://evil.example.org"},
        {"origin": "null"},
        {"origin": BASE, "sec-fetch-site": "cross-site"},
        {"origin": "http://localhost:9"},
        {"origin": BASE.replace("http:", "https:")},
    ],
)
def test_a_form_from_elsewhere_is_refused(inside: Visitor, headers: dict[str, str]) -> None:
    inside.get("/people/new")
    data = {"token": inside.token(), "label": "X-1", "once": "1"}
    assert inside.client.post("/people/new", data=data, headers=headers).status_code == 403
    assert "X-1" not in inside.get("/")


@pytest.mark.parametrize("token", ["", "0" * 64, "é"])
def test_a_form_without_its_token_is_refused(inside: Visitor, token: str) -> None:
    headers = {"origin": BASE, "sec-fetch-site": "same-origin"}
    data = {"token": token, "label": "X-1", "once": "1"}
    for at in ROUTES:
        if "POST" in at.methods:
            url = address_of(at)
            assert inside.client.post(url, data=data, headers=headers).status_code == 403, url
    assert inside.casebook.people(LOCAL).total == 0


def test_nothing_is_changed_by_looking(inside: Visitor) -> None:
    url = inside.examined()
    before = len(inside.casebook.person(LOCAL, url.rpartition("/")[2]).records)
    for at in ROUTES:
        if "GET" in at.methods:
            inside.client.get(address_of(at, url))
    assert len(inside.casebook.person(LOCAL, url.rpartition("/")[2]).records) == before


@pytest.mark.parametrize("host", ["evil.example.org", "localhost.example.org", "10.0.0.5:8000", ""])
def test_another_name_is_refused(visitor: Visitor, host: str) -> None:
    found = visitor.client.get("/enter", headers={"host": host})
    assert found.status_code == 421
    assert "content-security-policy" in found.headers


def test_headers_are_set_on_every_answer(inside: Visitor) -> None:
    for url in ("/", "/nowhere", "/static/app.css", "/people/" + "0" * 32):
        headers = inside.client.get(url).headers
        assert headers["content-security-policy"].startswith(
            "default-src 'none'; script-src 'self'"
        )
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cross-origin-opener-policy"] == "same-origin"
        assert headers["cache-control"] == ("max-age=3600" if "static" in url else "no-store")
        assert "server" not in headers


@pytest.mark.on_file
def test_guessing_is_slowed_down(inside: Visitor) -> None:
    inside.send("/lock", follow=False)
    inside.get("/enter")
    for _ in range(4):
        inside.send("/enter/sign-in", 403, passphrase="a wrong one of some length")
    inside.send("/enter/sign-in", 429, passphrase="a wrong one of some length")
    inside.send("/enter/sign-in", 429, passphrase=PASSPHRASE)
    inside.clock.on(seconds=2)
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)


@pytest.mark.on_file
def test_an_idle_session_ends_and_locks_the_records(inside: Visitor) -> None:
    inside.clock.on(minutes=14)
    inside.get("/")
    inside.clock.on(minutes=14)
    inside.get("/")
    inside.clock.on(minutes=15)
    assert inside.client.get("/").headers["location"] == "/enter"
    assert inside.casebook.state == "locked"


def test_a_session_ends_after_twelve_hours_in_any_case(inside: Visitor) -> None:
    found = []
    for _ in range(12 * 5):
        inside.clock.on(minutes=12)
        found.append(inside.client.get("/").status_code)
    assert found == [200] * 59 + [303]


def test_a_clock_that_jumped_back_ends_a_session(inside: Visitor) -> None:
    inside.clock.on(days=-1)
    assert inside.client.get("/").status_code == 303


@pytest.mark.on_file
def test_the_records_are_locked_without_anybody_asking(inside: Visitor) -> None:
    inside.clock.on(minutes=16)
    inside.app.state.access.lock_if_idle()
    assert inside.casebook.state == "locked"


def test_people_sign_in_by_name_as_soon_as_there_is_an_account(inside: Visitor) -> None:
    inside.by_password_alone()
    accounts = inside.casebook.accounts
    accounts.add(LOCAL, "Ada", "reader", "plain words that are long")
    accounts.add(LOCAL, "Bo", "administrator", "other plain words, long too")
    inside.send("/lock", follow=False)
    inside.get("/enter")
    inside.send("/enter/sign-in", 403, name="Ada", passphrase=PASSPHRASE)
    inside.send("/enter/sign-in", 403, name="Nobody", passphrase=PASSPHRASE)
    inside.send("/enter/sign-in", name=" ada ", passphrase="plain words that are long")
    assert "Caseload" in inside.page
    inside.get("/people/new", 403)
    inside.send("/lock", follow=False)
    assert inside.casebook.state == "open"
    inside.get("/enter")
    inside.send("/enter/sign-in", follow=False, name="Bo", passphrase="other plain words, long too")
    assert inside.client.get("/").headers["location"] == "/settings"  # sees no person's record


def test_a_body_that_is_too_long_is_refused(tmp_path: Path) -> None:
    visitor = Visitor(tmp_path, body_max=20_000).start()
    visitor.get("/people/new")
    visitor.send("/people/new", 413, label="x" * 30_000)


def test_what_goes_wrong_inside_is_not_told(
    inside: Visitor, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("a secret inside")

    monkeypatch.setattr(inside.casebook, "people", broken)
    page = inside.get("/", 500)
    assert "secret" not in page
    assert "RuntimeError" not in page
    assert "secret" not in caplog.text
    number = re.search(r"Said: (\w{8})", page)
    assert number
    assert number[1] in caplog.text


def test_what_is_not_there_is_said_so(inside: Visitor) -> None:
    for url in ("/nowhere", "/people/" + "0" * 32, "/static/../app.py", "/static/nothing.js"):
        assert inside.client.get(url).status_code == 404, url
    assert inside.client.put("/").status_code == 405
