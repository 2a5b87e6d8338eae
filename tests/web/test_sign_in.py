"""Signing in: easy passwords, the second factor and its rule, own sessions, waits after a restart.

Checked against: OWASP ASVS 5.0 (std_17) 6.2, 6.3, 6.5, 7.5; NIST SP 800-63B-4 (std_18); RFC 6238.
"""

from __future__ import annotations

import base64
import io
import re
import time
from pathlib import Path

import docx
import pypdf
import pytest
from starlette.testclient import TestClient

from rungwise.casebook import LOCAL
from rungwise.notes import case_of, write_note
from rungwise.records.passwords import ALLOWED, totp
from rungwise.web.access import Settings
from rungwise.web.app import SETS_UP, create_app
from rungwise.web.pages import ROUTES
from rungwise.web.words import LANGUAGES, say_in
from tests.web.kit import BASE, PASSPHRASE, Visitor, address_of

WORDS = "plain words that are long"
GOOD = "slate heron ferry plum"
ORIGIN = {"origin": BASE, "sec-fetch-site": "same-origin"}
INSIDE = [at for at in ROUTES if at.deed]


@pytest.fixture
def inside(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path).start()


def people(visitor: Visitor) -> None:
    """Bo administers, Ada treats; nobody is signed in, and each decides about a second factor."""
    require(visitor, "free")
    visitor.casebook.accounts.add(LOCAL, "Bo", "administrator", WORDS)
    visitor.casebook.accounts.add(LOCAL, "Ada", "therapist", WORDS)
    visitor.get("/settings")
    visitor.send("/lock", follow=False)


def enter(visitor: Visitor, name: str, status: int = 303, **more: str) -> None:
    visitor.get("/enter")
    fields = {"name": name, "passphrase": WORDS, **more}
    visitor.send("/enter/sign-in", status, follow=False, fields=fields)


def require(visitor: Visitor, rule: str = "required") -> None:
    """Set the clinic's rule of a second factor."""
    from rungwise.casebook_office import desk, save_desk

    now = desk(visitor.casebook, LOCAL)
    typed = {"paper": "a4", "lock_minutes": "15", "factor": rule}
    typed |= {"hourly": "24", "daily": "14", "weekly": "8"}
    save_desk(visitor.casebook, LOCAL, typed, now.version)


def set_up(visitor: Visitor) -> tuple[bytes, list[str]]:
    """Set up the second factor of who is signed in; returns its secret and the recovery codes."""
    visitor.get("/settings/second-factor")
    visitor.send("/settings/second-factor", old=WORDS)
    found = re.search(r'class="key">([A-Z2-7 ]+)<', visitor.page)
    assert found
    secret = base64.b32decode(found[1].replace(" ", ""))
    code = totp(secret, int(visitor.clock().timestamp()))
    visitor.send("/settings/second-factor/confirm", 200, code=code)
    codes = re.findall(r"<li>([0-9A-Z]{10})</li>", visitor.page)
    assert len(codes) == 10
    return secret, codes


# ------------------------------------------------------------------ easy passwords


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_reason_is_said_in_each_language(language: str) -> None:
    say = say_in(language)
    for kind in ALLOWED:
        assert say(f"weak.{kind}", length=3, least=15, most=256)
    assert say("weak.remedy")


@pytest.mark.on_file
@pytest.mark.parametrize(
    ("language", "common", "guesses"),
    [
        ("en", "It is a common word or password", "too easy to guess"),
        ("es", "Es una palabra o contraseña corriente", "demasiado fácil de adivinar"),
    ],
)
def test_an_easy_passphrase_is_refused_wherever_one_is_set(
    tmp_path: Path, language: str, common: str, guesses: str
) -> None:
    visitor = Visitor(tmp_path, language=language)
    visitor.get("/")
    weak = "Passwordstandard 2026!"
    visitor.send("/enter/first", 422, passphrase=weak, again=weak)
    assert common in visitor.page
    assert weak not in visitor.page
    assert visitor.casebook.state == "new"
    visitor.send("/enter/first", passphrase=PASSPHRASE, again=PASSPHRASE)
    key = re.search(r'id="key">([^<]+)<', visitor.page)
    assert key
    visitor.send("/recovery/kept")
    visitor.get("/settings")
    visitor.send("/settings/clinic", fields={"name": "Foot & Co", "expected": "0"})
    for easy, said in (
        (weak, common),
        ("passwordpassword", guesses),
        ("foot & co clinic 26", say_in(language)("weak.names")),
    ):
        visitor.get("/settings")
        visitor.send("/settings/passphrase", 422, old=PASSPHRASE, passphrase=easy, again=easy)
        assert said in visitor.page
        visitor.get("/settings")
        visitor.send("/settings/accounts", 422, name="Bo", role="administrator", passphrase=easy)
        assert said in visitor.page
    visitor.get("/settings")
    visitor.send("/lock", follow=False)
    for easy in (weak, "foot & co clinic 26"):
        visitor.get("/enter/recover")
        visitor.send("/enter/recover", 422, recovery=key[1], passphrase=easy)
        assert visitor.casebook.state == "locked"
    visitor.get("/enter")
    visitor.send("/enter/sign-in", passphrase=PASSPHRASE)  # nothing was changed


def test_an_own_password_is_held_against_the_lists_too(inside: Visitor) -> None:
    people(inside)
    enter(inside, "Ada")
    inside.get("/settings")
    for easy in ("Passwordstandard1", "ada ada ada ada ada", "rungwise rungwise"):
        inside.send("/settings/password", 422, old=WORDS, passphrase=easy, again=easy)
    inside.send("/settings/password", old=WORDS, passphrase=GOOD, again=GOOD, follow=False)


# ------------------------------------------------------------------ second factor


def test_a_second_factor_is_kept_once_its_first_code_was_typed(inside: Visitor) -> None:
    people(inside)
    enter(inside, "Ada")
    inside.get("/settings/second-factor")
    inside.send("/settings/second-factor", 422, old="a wrong one of some length")
    inside.send("/settings/second-factor/confirm", code="123456")  # nothing was started
    assert "<img" not in inside.page
    inside.send("/settings/second-factor", old=WORDS)
    first = re.search(r'class="key">([A-Z2-7 ]+)<', inside.page)
    assert first
    assert not re.search(r"<li>[0-9A-Z]{10}</li>", inside.page)  # no recovery code before
    inside.send("/settings/second-factor/confirm", 422, code="000000")
    assert first[1] in inside.page
    ada = next(one for one in inside.casebook.accounts.all(LOCAL) if one.name == "Ada")
    assert not ada.second_factor
    # left half way, nothing is asked for at the next sign-in
    inside.send("/lock", follow=False)
    enter(inside, "Ada")
    assert "<img" not in inside.get("/settings/second-factor")
    secret, codes = set_up(inside)
    assert inside.client.get("/settings").status_code == 303  # signed out
    enter(inside, "Ada", 403)
    inside.clock.on(minutes=5)
    enter(inside, "Ada", code=totp(secret, int(inside.clock().timestamp())))
    assert codes[0] not in inside.get("/settings/second-factor")  # shown once
    inside.get("/settings")
    inside.send("/lock", follow=False)
    inside.clock.on(minutes=5)
    enter(inside, "Ada", code=codes[0])


def test_guessing_the_first_code_ends_the_session(inside: Visitor) -> None:
    people(inside)
    enter(inside, "Ada")
    inside.get("/settings/second-factor")
    inside.send("/settings/second-factor", old=WORDS)
    for _ in range(4):
        inside.send("/settings/second-factor/confirm", 422, code="000000")
    inside.send("/settings/second-factor/confirm", code="000000", follow=False)
    assert inside.client.get("/settings").status_code == 303


def test_without_a_required_factor_nothing_but_its_page_is_reached(inside: Visitor) -> None:
    url = inside.examined()
    people(inside)
    require(inside)
    for name in ("Ada", "Bo"):
        enter(inside, name)
        page = inside.get("/settings/second-factor")
        assert "must have a second factor" in page
        assert 'href="/' not in page.split("<main", 1)[1].replace('href="/enter"', "")
        for at in INSIDE:
            for method in at.methods.split():
                data = {"token": inside.token()} if method == "POST" else None
                found = inside.client.request(
                    method, address_of(at, url), data=data, headers=ORIGIN
                )
                if at.path not in SETS_UP:
                    assert found.status_code == 303, (at.path, method)
                    assert found.headers["location"] == SETS_UP[0], (at.path, method)
        secret, _ = set_up(inside)
        inside.clock.on(minutes=5)
        enter(inside, name, code=totp(secret, int(inside.clock().timestamp())))
        inside.get("/settings")
        inside.send("/lock", follow=False)


@pytest.mark.parametrize(
    ("https", "rule", "held"),
    [
        (False, "by_itself", False),
        (True, "by_itself", True),
        (False, "required", True),
        (True, "free", False),
    ],
)
def test_a_second_factor_is_required_by_itself_where_others_are_served(
    inside: Visitor, https: bool, rule: str, held: bool
) -> None:
    people(inside)
    require(inside, rule)
    held = held or (rule == "by_itself" and inside.casebook.on_server)  # a clinic, then
    app = create_app(inside.casebook, Settings(https=https))
    access = app.state.access
    token = access.sign_in("Ada", WORDS, "", "10.0.0.9")
    session = access.session(token)
    assert access.held_back(session) is held
    client = TestClient(app, base_url="https://localhost:8000", follow_redirects=False)
    client.cookies.set(access.settings.cookie, token)
    assert client.get("/").status_code == (303 if held else 200)


def test_the_rule_of_a_second_factor_holds_at_once_and_is_the_clinics(inside: Visitor) -> None:
    people(inside)
    enter(inside, "Ada")
    hers = inside.client
    assert hers.get("/").status_code == 200
    inside.client = inside.another()
    enter(inside, "Bo")
    inside.get("/settings")
    fields = {"paper": "a4", "lock_minutes": "15", "hourly": "24", "daily": "14", "weekly": "8"}
    inside.send("/settings/desk", 422, fields={**fields, "factor": "never", "expected": "1"})
    inside.send("/settings/desk", fields={**fields, "factor": "required", "expected": "1"})
    assert "must have a second factor" in inside.page  # the administrator's own account, too
    assert hers.get("/").headers["location"] == SETS_UP[0]


def test_an_administrator_takes_off_a_factor_and_a_short_password_needs_another(
    inside: Visitor,
) -> None:
    people(inside)
    enter(inside, "Ada")
    secret, _ = set_up(inside)
    inside.clock.on(minutes=5)
    enter(inside, "Ada", code=totp(secret, int(inside.clock().timestamp())))
    inside.get("/settings")
    short = "xkq7vz9w"  # eight random signs are enough beside a code
    inside.send("/settings/password", old=WORDS, passphrase=short, again=short, follow=False)
    ada = next(one for one in inside.casebook.accounts.all(LOCAL) if one.name == "Ada")
    enter(inside, "Bo")
    inside.get("/settings")
    url = f"/settings/accounts/{ada.id}"
    inside.send(url, 422, action="factor", old="a wrong one of some length")
    assert inside.casebook.accounts.all(LOCAL)[0].second_factor
    inside.send(url, action="factor", old=WORDS)
    assert "The second factor is taken off" in inside.page
    assert not inside.casebook.accounts.all(LOCAL)[0].second_factor
    assert "took off a second factor" in inside.get("/audit")
    inside.send("/lock", follow=False)
    enter(inside, "Ada", passphrase=short)
    assert inside.client.get("/").headers["location"] == SETS_UP[0]


# ------------------------------------------------------------------ own sessions


def test_own_sessions_are_listed_and_ended_by_who_proves_it(inside: Visitor) -> None:
    people(inside)
    enter(inside, "Ada")
    first = inside.client
    inside.clock.on(minutes=3)
    inside.client = inside.another()
    enter(inside, "Bo")
    boss, inside.client = inside.client, inside.another()
    enter(inside, "Ada")
    page = inside.get("/settings")
    keys = re.findall(r'name="end" value="([0-9a-f]{64})"', page)
    assert len(keys) == 2  # hers alone; not the administrator's
    assert page.count("(this one)") == 1
    assert page.count("testclient") == 2  # where from
    cookies = {str(one.cookies["rungwise"]) for one in (first, boss, inside.client)}
    assert not cookies & set(keys)
    inside.send("/settings/sessions", 422, end=keys[1], old="a wrong one of some length")
    assert first.get("/").status_code == 200
    inside.send("/settings/sessions", end=keys[1], old=WORDS)
    assert "The session is ended" in inside.page
    assert first.get("/").status_code == 303
    others = re.findall(r'name="end" value="([0-9a-f]{64})"', _of(inside, boss))
    inside.get("/settings")
    inside.send("/settings/sessions", end=others[0], old=WORDS)  # not hers: nothing is ended
    assert boss.get("/settings").status_code == 200
    inside.get("/settings")
    inside.send("/settings/sessions", end="all", old=WORDS, follow=False)
    assert inside.client.get("/").status_code == 303
    assert boss.get("/settings").status_code == 200


def _of(visitor: Visitor, client: TestClient) -> str:
    mine, visitor.client = visitor.client, client
    page = visitor.get("/settings")
    visitor.client = mine
    return page


@pytest.mark.on_file
def test_the_one_user_of_a_computer_ends_sessions_by_the_passphrase(inside: Visitor) -> None:
    inside.get("/settings")
    inside.send("/settings/sessions", 422, end="all", old="a wrong one of some length")
    inside.send("/settings/sessions", end="all", old=PASSPHRASE, follow=False)
    assert inside.casebook.state == "locked"


PROVED = {
    "/settings/password": {"passphrase": GOOD, "again": GOOD},
    "/settings/second-factor": {},
    "/settings/sessions": {"end": "all"},
    "/settings/passphrase": {"passphrase": GOOD, "again": GOOD},
    "/settings/recovery": {},
}


@pytest.mark.on_file
@pytest.mark.parametrize("url", PROVED)
def test_what_signing_in_rests_on_changes_only_for_who_proves_it_again(
    inside: Visitor, url: str
) -> None:
    """ASVS 7.5.1: password, second factor, passphrase, recovery key, sessions."""
    people(inside)
    enter(inside, "Bo")
    before = (Path(inside.casebook.place).with_name("records.db.keys")).read_bytes()
    version = inside.casebook.accounts.all(LOCAL)[1].version
    for old in ("", "a wrong one of some length"):
        inside.get("/settings")
        inside.send(url, 422, fields={**PROVED[url], "old": old})
    assert inside.casebook.accounts.all(LOCAL)[1].version == version
    assert (Path(inside.casebook.place).with_name("records.db.keys")).read_bytes() == before


# ------------------------------------------------------------------ waits


@pytest.mark.on_file
def test_a_restart_does_not_give_new_tries_at_the_passphrase(tmp_path: Path) -> None:
    visitor = Visitor(tmp_path).start()
    visitor.get("/settings")
    visitor.send("/lock", follow=False)
    for n in range(7):
        again = Visitor(tmp_path)  # the program is started anew before each try
        again.clock = visitor.clock
        again.casebook.clock = visitor.clock
        again.get("/enter")
        again.send("/enter/sign-in", 403 if n < 4 else 429, passphrase="a wrong one of some length")
        visitor.clock.on(seconds=[0, 0, 0, 0, 1, 2, 0][n])
    last = Visitor(tmp_path)
    last.casebook.clock = visitor.clock
    last.get("/enter")
    last.send("/enter/sign-in", 429, passphrase=PASSPHRASE)
    last.get("/enter/recover")
    last.send("/enter/recover", 403, recovery="0000", passphrase=GOOD)  # the same wait
    visitor.clock.on(seconds=4)
    last.get("/enter")
    last.send("/enter/sign-in", passphrase=PASSPHRASE)
    assert last.casebook.state == "open"


@pytest.mark.on_file
def test_a_mistyped_recovery_key_is_no_guess(inside: Visitor) -> None:
    inside.get("/settings")
    inside.send("/lock", follow=False)
    for _ in range(8):
        inside.get("/enter/recover")
        inside.send("/enter/recover", 422, recovery="0000", passphrase=GOOD)
    inside.get("/enter")
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)


# ------------------------------------------------------------------ the head of the audit on notes

HEAD = re.compile(r"Audit head (\d+): ([0-9a-f]{16})…")


def words_of(form: str, data: bytes) -> str:
    """All that a note says, read by an outside reader of its format."""
    if form == "docx":
        made = docx.Document(io.BytesIO(data))
        return "\n".join(part.text for part in made.sections[0].footer.paragraphs)
    if form == "pdf":
        pages = pypdf.PdfReader(io.BytesIO(data)).pages
        return " ".join(pages[0].extract_text().split())
    return data.decode()


def check(visitor: Visitor, status: int = 303, **fields: str) -> str:
    """Have the chain checked; returns the page of what was found."""
    visitor.get("/audit")
    visitor.send("/audit/check", status, fields=fields)
    for _ in range(100):
        if status != 303 or "hx-trigger" not in visitor.page:
            break
        time.sleep(0.05)
        visitor.get(visitor.url)
    return visitor.page


def test_a_note_tells_a_head_that_the_page_of_the_audit_finds(inside: Visitor) -> None:
    person = inside.examined().rpartition("/")[2]
    inside.casebook.keep_plan(LOCAL, person, "", 0)
    row = sign = ""
    for form in ("text", "markdown", "docx", "pdf"):
        told = words_of(form, inside.casebook.note(LOCAL, person, "visit", form))
        found = HEAD.findall(told.replace("\\", ""))
        assert len(found) == 1, (form, told[-600:])
        row, sign = found[0]
        with inside.casebook.store.work(LOCAL) as work:
            assert work.head[0] == int(row)
            assert work.head[1].startswith(sign)
        assert f"The chain holds the head of row {row}, {sign}." in check(
            inside, seq=row, hash=f"{sign}…"
        )
    wrong = "0" * 16
    assert f"does not hold the head of row {row}" in check(inside, seq=row, hash=wrong)
    assert "does not hold the head of row 999999" in check(inside, seq="999999", hash=sign)
    for bad in ({"seq": row, "hash": sign[:15]}, {"seq": "", "hash": sign}, {"seq": row}):
        assert "16 to 64 signs" in check(inside, 422, **bad)
    plain = check(inside)
    assert "The chain is whole" in plain
    assert "The chain holds" not in plain


def test_a_note_without_records_tells_no_head(inside: Visitor) -> None:
    person = inside.examined().rpartition("/")[2]
    inside.casebook.keep_plan(LOCAL, person, "", 0)
    plan = inside.casebook.person(LOCAL, person).plan
    assert plan is not None
    book = inside.casebook.book(LOCAL)
    assert "Audit head" not in write_note(case_of(plan, book, plan.on), "visit", book).decode()


@pytest.mark.on_file
def test_an_older_file_does_not_hold_the_head_of_a_later_note(inside: Visitor) -> None:
    person = inside.examined().rpartition("/")[2]
    inside.casebook.keep_plan(LOCAL, person, "", 0)
    place = Path(inside.casebook.place)
    inside.get("/settings")
    inside.send("/lock", follow=False)
    older = place.read_bytes()
    inside.get("/enter")
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)
    row, sign = HEAD.findall(inside.casebook.note(LOCAL, person, "visit").decode())[0]
    inside.get("/settings")
    inside.send("/lock", follow=False)
    place.write_bytes(older)
    inside.get("/enter")
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)
    page = check(inside, seq=row, hash=sign)
    assert f"does not hold the head of row {row}" in page
    assert "an older or another file" in page
