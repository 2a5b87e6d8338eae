"""The clinic's own pages: class, book, settings, audit, files in and out, long work.

Standards: OWASP ASVS 5.0 (std_17) 5.2, 5.3, 6.5, 7.4, 8.2; RFC 4180; RFC 6238 (std §4.2); the check
case O10 of a research export (std §8); WCAG is tested in the browser.
"""

from __future__ import annotations

import base64
import csv
import hashlib
import hmac
import io
import re
import time
import tomllib
import zipfile
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from rungwise.book import load_book
from rungwise.casebook import LOCAL, Casebook
from rungwise.casebook_in import import_people, read_people
from rungwise.casebook_office import back_up_if_due
from rungwise.clinic import class_ways, read_exam
from rungwise.core.errors import InputError
from rungwise.core.evidence import printed
from rungwise.diary import Kept, write_kept
from rungwise.home import HomeEntry, HomeLog, HomeSession
from rungwise.log_code import write_log_code
from rungwise.plan_code import read_plan_code
from rungwise.records import key_file_of, unlock
from rungwise.records.__main__ import main as records_command
from rungwise.records.passwords import totp
from rungwise.research import Followed, pseudonym, research_zip, shift_days
from rungwise.tables import write_table
from rungwise.web.jobs import Jobs, StoppedError
from rungwise.web.page import TOPS
from rungwise.web.words import say_in
from tests.web.kit import BASE, EXAMS, PASSPHRASE, Visitor

BOOK = load_book()
MAY = [name for name, why in class_ways(BOOK) if not why]
MAY_NOT = [name for name, why in class_ways(BOOK) if why]
KEY = "rom.sem.nonweightbearing_passive.goniometer.same_rater"
FIRST = (30, 41, 25, 52, 38, 60, 33, 45, 28, 49)
SECOND = (34, 37, 29, 50, 43, 55, 30, 50, 24, 51)
WORDS = "plain words that are long"


@pytest.fixture
def inside(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path).start()


def finished(visitor: Visitor) -> str:
    """Wait for the long work of the address to be over."""
    for _ in range(200):
        page = visitor.get(visitor.url)
        if "hx-trigger" not in page:
            return page
        time.sleep(0.05)
    raise AssertionError("it did not end")


def taken(visitor: Visitor) -> bytes:
    finished(visitor)
    found = visitor.client.get(f"{visitor.url}/file")
    assert found.status_code == 200
    assert found.headers["content-disposition"].startswith("attachment")
    return bytes(found.content)


def unzipped(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as box:
        return {name: box.read(name) for name in box.namelist()}


def rows(text: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text.decode(), newline="")))


def upload(visitor: Visitor, url: str, data: bytes, status: int = 200, name: str = "x") -> str:
    headers = {"origin": BASE, "sec-fetch-site": "same-origin"}
    found = visitor.client.post(
        url, data={"token": visitor.token()}, files={"file": (name, data)}, headers=headers
    )
    assert found.status_code == status, (found.status_code, found.text[:1500])
    from html import unescape

    visitor.page = unescape(found.text)
    return visitor.page


def with_plan(visitor: Visitor, name: str = "hill-walker-grade-2") -> str:
    """A person with a kept programme; returns the id."""
    url = visitor.examined(name)
    person = url.rpartition("/")[2]
    visitor.casebook.keep_plan(LOCAL, person, "", 0)
    return person


# ------------------------------------------------------------------ class


def test_a_class_is_made_of_rungs_that_may_join(inside: Visitor) -> None:
    page = inside.get("/class")
    for name in MAY:
        assert f'value="{name}"' in page
    for name in MAY_NOT:
        assert f'value="{name}"' not in page
    assert "never for a person whose balance was not tested" in page
    fields = {"rung": MAY[:2], "people": "6", "minutes": "", "language": "en"}
    inside.send("/class", 200, fields=fields)
    assert "for 6 people" in inside.page
    assert inside.page.count('class="drawing"') >= 1
    heads = {"class.pdf": b"%PDF", "class.vtt": b"WEBVTT", "room.html": b"<!doctype html"}
    for file, head in heads.items():
        sent = {"token": inside.token(), **fields, "file": file}
        headers = {"origin": BASE, "sec-fetch-site": "same-origin"}
        found = inside.client.post("/class", data=sent, headers=headers)
        assert found.content.lower().startswith(head.lower()), file
        assert found.headers["content-disposition"] == f'attachment; filename="{file}"'


def test_a_rung_that_may_not_join_is_left_out_even_when_it_is_sent(inside: Visitor) -> None:
    inside.get("/class")
    fields = {"rung": [MAY_NOT[0], "nothing:such"], "people": "6", "minutes": "", "language": "en"}
    inside.send("/class", 200, fields=fields)
    assert "Nothing is left for a class" in inside.page


@pytest.mark.parametrize(
    ("people", "minutes"), [("0", ""), ("x", ""), ("6", "-1"), ("6", "1"), ("99999", "")]
)
def test_a_class_that_cannot_be_is_refused_with_what_was_typed(
    inside: Visitor, people: str, minutes: str
) -> None:
    inside.get("/class")
    fields = {"rung": MAY[:2], "people": people, "minutes": minutes, "language": "en"}
    inside.send("/class", 422, fields=fields)
    assert f'value="{people}"' in inside.page
    assert f'value="{MAY[0]}" checked' in inside.page


# ------------------------------------------------------------------ book


PART = re.compile(r'<article class="entry" id="([^"]+)">(.*?)</article>', re.S)


def entries(page: str) -> dict[str, str]:
    return dict(PART.findall(page))


def test_every_number_stands_in_the_book_with_its_source_and_uses(inside: Visitor) -> None:
    shown = entries(inside.get("/book/part/row"))
    assert shown.keys() == BOOK.rows.keys()
    for key, row in BOOK.rows.items():
        assert f'href="/book/row/{key}"' in shown[key]
        assert printed(row.value, row.unit) in shown[key]
        assert BOOK.sources[row.source].title.rstrip(".") in shown[key]
        assert name_of("basis", row.basis) in shown[key]
        assert name_of("use", row.use) in shown[key]
    found = inside.get("/book?search=goniometer")
    keys = set(re.findall(r'href="/book/row/([^"#]+)"', found))
    assert 0 < len(keys) < len(BOOK.rows)
    row = BOOK.rows[KEY]
    one = inside.get(f"/book/row/{KEY}")
    assert BOOK.sources[row.source].title in one
    inside.get("/book/row/no.such.row", 404)


def name_of(group: str, key: str) -> str:
    return say_in("en").name(group, key)


def test_every_part_of_the_book_is_whole(inside: Visitor) -> None:
    families = BOOK.families.values()
    whole = {
        "dose": {dose.key for f in families for dose in f.doses},
        "dial": {
            *BOOK.families,
            *(f"{f.key}.{d.key}.{n.key}" for f in families for d in f.dials for n in d.notches),
        },
        "grade": {f"grade.{band.grade}" for band in BOOK.bands},
        "range": set(BOOK.measures),
        "item": {f"item.{key}" for key in BOOK.items},
        "score": {f"score.{one.score}.{one.key}" for one in BOOK.score_items},
        "rule": {f"rule.{key}" for key in BOOK.rules},
        "source": set(BOOK.sources),
    }
    for part, keys in whole.items():
        assert entries(inside.get(f"/book/part/{part}")).keys() == keys, part
    assert len(entries(inside.get("/book/part/norm"))) == len(BOOK.norms)
    rules = entries(inside.get("/book/part/rule"))
    for key, rule in BOOK.rules.items():
        assert f"version {rule.version}" in rules[f"rule.{key}"]
        assert rule.says in rules[f"rule.{key}"]
    sources = entries(inside.get("/book/part/source"))
    for key, source in BOOK.sources.items():
        assert source.read_how in sources[key]
        assert source.title.rstrip(".") in sources[key]
    assert not [key for key, text in sources.items() if "–</dd>" in text.partition("Used by")[2]]
    inside.get("/book/part/none", 404)


def test_the_book_is_folded_by_part_and_group_and_searched(inside: Visitor) -> None:
    page = inside.get("/book")
    assert not entries(page)
    anchors = re.findall(r'href="(/book/part/\w+)#([\w-]+)"', page)
    assert len(anchors) > 60
    for url, anchor in dict(anchors).items():
        assert f'<details class="part" id="{anchor}"' in inside.get(url)
    assert set(entries(inside.get("/book?search=Otter 2015 smartphone"))) >= {
        "rom.sd.fixed_position.goniometer"
    }
    by_words = entries(inside.get("/book?search=goniometer held position"))
    assert by_words
    assert entries(inside.get("/book?search=grade.2")).keys() >= {"grade.2"}
    assert "more fit" in inside.get("/book?search=a")
    assert len(entries(inside.page)) == 100
    assert "0 of" in inside.get("/book?search=<b>zzz")
    assert "<b>zzz" not in inside.client.get("/book?search=<b>zzz").text


def settable() -> str:
    return next(
        key
        for key, row in BOOK.rows.items()
        if key.startswith(BOOK.clinic_may_set)
        and row.low is not None
        and row.high is not None
        and row.low < row.high
        and row.basis != "memory"
    )


def test_an_own_value_is_kept_within_the_range_with_who_and_why(inside: Visitor) -> None:
    key = settable()
    row = BOOK.rows[key]
    assert row.low is not None
    assert row.high is not None
    inside.get(f"/book/row/{key}")
    fields = {
        "value": f"{row.low:g}",
        "by": 'R. "Alder"',
        "why": "our own\\ study",
        "expected": "0",
    }
    inside.send(f"/book/row/{key}", fields=fields)
    assert 'R. "Alder"' in inside.page
    book = inside.casebook.book(LOCAL)
    assert book.rows[key].value == row.low
    assert book.edition != BOOK.edition
    own = entries(inside.get("/book?own=yes"))
    assert own.keys() == {key}
    assert f"in print {printed(row.value, row.unit)}" in own[key]
    assert "our own\\ study" in own[key]
    # somebody who had not seen it cannot write over it
    inside.get(f"/book/row/{key}")
    inside.send(f"/book/row/{key}", 409, fields={**fields, "value": f"{row.high:g}"})
    assert inside.casebook.book(LOCAL).rows[key].value == row.low
    inside.send(f"/book/row/{key}", fields={**fields, "value": f"{row.high:g}", "expected": "1"})
    inside.get(f"/book/row/{key}")
    assert inside.page.count("our own\\ study") >= 3  # now, and both so far
    inside.send(f"/book/row/{key}", fields={"action": "back", "expected": "2"})
    assert inside.casebook.book(LOCAL).edition == load_book().edition
    assert inside.page.count("our own\\ study") == 2


@pytest.mark.parametrize(
    "change", [{"value": "1e9"}, {"value": ""}, {"why": ""}, {"by": ""}, {"value": "nan"}]
)
def test_an_own_value_that_may_not_be_is_refused(inside: Visitor, change: dict[str, str]) -> None:
    key = settable()
    fields = {"value": f"{BOOK.rows[key].low:g}", "by": "A", "why": "b", "expected": "0", **change}
    inside.get(f"/book/row/{key}")
    inside.send(f"/book/row/{key}", 422, fields=fields)
    assert inside.casebook.book(LOCAL).edition == BOOK.edition


def test_a_row_that_is_not_a_clinics_has_no_form(inside: Visitor) -> None:
    key = next(key for key in BOOK.rows if not key.startswith(BOOK.clinic_may_set))
    assert 'name="value"' not in inside.get(f"/book/row/{key}")
    inside.get("/book")
    fields = {"value": "1", "by": "A", "why": "b", "expected": "0"}
    inside.send(f"/book/row/{key}", 422, fields=fields)


def pairs(days: int = 7) -> str:
    lines = ["foot,first,second,days_apart"]
    lines += [f"f{n},{a},{b},{days}" for n, (a, b) in enumerate(zip(FIRST, SECOND, strict=True))]
    return "\n".join(lines)


def test_the_own_error_of_a_pasted_table_becomes_the_clinics_value(inside: Visitor) -> None:
    inside.get("/book/own-error")
    fields = {"row": KEY, "text": pairs(), "by": "R. Alder", "expected": "0", "action": "look"}
    inside.send("/book/own-error", 200, fields=fields)
    assert "What was found" in inside.page
    assert inside.casebook.book(LOCAL).edition == BOOK.edition
    inside.send("/book/own-error", fields={**fields, "action": "keep"})
    assert inside.casebook.book(LOCAL).rows[KEY].value == 5.37  # as tests/edges has by hand
    inside.get("/book/own-error")
    inside.send("/book/own-error", 422, fields={**fields, "text": "foot,first\n1,2"})
    inside.send(
        "/book/own-error",
        422,
        fields={**fields, "text": pairs(0), "action": "keep", "expected": "1"},
    )


# ------------------------------------------------------------------ settings


def test_the_clinics_lines_start_the_next_examination(inside: Visitor) -> None:
    inside.get("/settings")
    lines = {"name": "Foot & Co", "phone": "+1 555 0100", "expected": "0"}
    inside.send("/settings/clinic", fields=lines)
    assert "The clinic's lines are saved" in inside.page
    url = inside.person()
    assert 'value="Foot & Co"' in inside.get(f"{url}/exam")
    inside.get("/settings")
    inside.send("/settings/clinic", 409, fields={**lines, "name": "Other"})
    inside.get("/settings")
    bad = {"name": "Foot", "page_address": "javascript:alert(1)", "expected": "1"}
    inside.send("/settings/clinic", 422, fields=bad)
    assert tomllib.loads(inside.casebook.setting(LOCAL, "clinic"))["name"] == "Foot & Co"


DESK = {
    "paper": "us-letter",
    "lock_minutes": "2",
    "folder": "",
    "hourly": "2",
    "daily": "2",
    "weekly": "2",
    "expected": "0",
}


@pytest.mark.on_file
def test_the_time_of_the_lock_holds_at_once_and_after_the_next_sign_in(inside: Visitor) -> None:
    inside.get("/settings")
    inside.send("/settings/desk", fields=DESK)
    assert 'data-idle="120"' in inside.page
    inside.clock.on(seconds=119)
    inside.get("/settings")
    inside.clock.on(seconds=121)
    assert inside.client.get("/").status_code == 303
    assert inside.casebook.state == "locked"
    inside.get("/enter")
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)
    inside.clock.on(seconds=121)
    assert inside.client.get("/").status_code == 303


@pytest.mark.parametrize(
    "change",
    [
        {"lock_minutes": "0"},
        {"lock_minutes": "16"},
        {"hourly": "-1"},
        {"weekly": "401"},
        {"paper": "a3"},
        {"folder": "../up"},
        {"folder": "/dev/null/x"},
    ],
)
def test_settings_that_may_not_be_are_refused(inside: Visitor, change: dict[str, str]) -> None:
    inside.get("/settings")
    inside.send("/settings/desk", 422, fields={**DESK, **change})


def test_the_clinics_paper_is_that_of_the_sheets(inside: Visitor) -> None:
    person = with_plan(inside)
    inside.get("/settings")
    inside.send("/settings/desk", fields=DESK)
    sheet = inside.client.get(f"/people/{person}/programme/1/sheet.pdf").content
    assert sheet == inside.casebook.sheet(LOCAL, person, 1, "us-letter")
    assert sheet != inside.casebook.sheet(LOCAL, person, 1, "a4")


@pytest.mark.on_file
def test_a_backup_is_made_listed_verified_and_restored_by_the_command(
    inside: Visitor, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    person = with_plan(inside)
    folder = tmp_path / "far" / "away"
    inside.get("/settings")
    inside.send("/settings/desk", fields={**DESK, "folder": str(folder), "lock_minutes": "15"})
    inside.send("/settings/backup")
    assert "Made and verified" in finished(inside)
    name = next(path.name for path in folder.iterdir() if path.suffix == ".backup")
    assert name in inside.get("/settings")
    inside.send("/settings/verify", name=name)
    assert f"{name} passes" in finished(inside)
    for wrong in ("../records.db", "no.backup"):
        inside.get("/settings")
        inside.send("/settings/verify", name=wrong)
        assert "There is no such backup" in finished(inside)
    raw = bytearray((folder / name).read_bytes())
    place = Path(inside.casebook.place)
    inside.casebook.lock()
    place.unlink()
    monkeypatch.setattr("rungwise.records.__main__.getpass", lambda _: PASSPHRASE)
    assert records_command(["restore", str(folder / name), str(place)]) == 0
    again = Casebook(place, n=2**4, clock=inside.clock)
    again.unlock(PASSPHRASE)
    assert again.person(LOCAL, person).plan_version == 1
    again.lock()
    raw[5000] ^= 1
    (folder / name).write_bytes(raw)
    before = place.read_bytes()
    assert records_command(["restore", str(folder / name), str(place)]) == 2
    assert place.read_bytes() == before


@pytest.mark.on_file
def test_the_passphrase_is_changed_by_who_knows_it(inside: Visitor) -> None:
    other = "six other plain words in it"
    inside.get("/settings")
    inside.send(
        "/settings/passphrase", 422, old="wrong one of some length", passphrase=other, again=other
    )
    inside.send("/settings/passphrase", 422, old=PASSPHRASE, passphrase=other, again=other + "!")
    inside.send("/settings/passphrase", 422, old=PASSPHRASE, passphrase="short", again="short")
    inside.send("/settings/passphrase", old=PASSPHRASE, passphrase=other, again=other)
    inside.send("/lock", follow=False)
    inside.get("/enter")
    inside.send("/enter/sign-in", 403, passphrase=PASSPHRASE)
    inside.send("/enter/sign-in", passphrase=other)


@pytest.mark.on_file
def test_guessing_the_passphrase_from_inside_ends_the_session(inside: Visitor) -> None:
    inside.get("/settings")
    for _ in range(4):
        inside.send("/settings/recovery", 422, old="a wrong one of some length")
    inside.send("/settings/recovery", old="a wrong one of some length")
    assert inside.casebook.state == "locked"


@pytest.mark.on_file
def test_a_new_recovery_key_is_shown_once_and_opens(inside: Visitor) -> None:
    inside.get("/settings")
    inside.send("/settings/recovery", old=PASSPHRASE)
    key = re.search(r'id="key">([^<]+)<', inside.page)
    assert key
    inside.send("/recovery/kept")
    inside.send("/lock", follow=False)
    inside.get("/enter/recover")
    inside.send("/enter/recover", recovery=key[1], passphrase="another five plain words")
    assert "Caseload" in inside.page


def named(visitor: Visitor) -> None:
    """An administrator Bo and a therapist Ada; Bo is signed in."""
    visitor.get("/settings")
    visitor.send("/settings/accounts", 422, name="Ada", role="therapist", passphrase=WORDS)
    visitor.send("/settings/accounts", name="Bo", role="administrator", passphrase=WORDS)
    visitor.send("/settings/accounts", name="Ada", role="therapist", passphrase=WORDS)
    visitor.send("/lock", follow=False)
    enter(visitor, "Bo")


def enter(visitor: Visitor, name: str, status: int = 303, code: str = "") -> None:
    visitor.get("/enter")
    visitor.send("/enter/sign-in", status, follow=False, name=name, passphrase=WORDS, code=code)


def test_accounts_have_roles_and_are_closed_and_signed_out(inside: Visitor) -> None:
    inside.by_password_alone()
    named(inside)
    inside.get("/settings")
    ada = next(a for a in inside.casebook.accounts.all(LOCAL) if a.name == "Ada")
    bo = next(a for a in inside.casebook.accounts.all(LOCAL) if a.name == "Bo")
    boss, inside.client = inside.client, inside.another()
    enter(inside, "Ada")
    inside.get("/")
    inside.get("/audit", 403)
    assert 'action="/settings/accounts"' not in inside.get("/settings")
    hers, inside.client = inside.client, boss
    inside.get("/settings")
    inside.send(f"/settings/accounts/{ada.id}", action="sign_out")
    assert hers.get("/").status_code == 303
    inside.send(f"/settings/accounts/{ada.id}", action="role", role="reader")
    inside.get("/settings")
    inside.send(f"/settings/accounts/{ada.id}", action="disable")
    inside.send(f"/settings/accounts/{bo.id}", 403, action="disable")  # the last administrator
    inside.client = hers
    enter(inside, "Ada", 403)


def test_a_second_factor_is_set_up_and_asked_for(inside: Visitor) -> None:
    named(inside)
    inside.get("/settings/second-factor")
    inside.send("/settings/second-factor", 422, old="a wrong one of some length")
    inside.send("/settings/second-factor", old=WORDS)
    secret = re.search(r'class="key">([A-Z2-7 ]+)<', inside.page)
    assert secret
    key = base64.b32decode(secret[1].replace(" ", ""))
    code = totp(key, int(inside.clock().timestamp()))
    inside.send("/settings/second-factor/confirm", 200, code=code)
    codes = re.findall(r"<li>([0-9A-Z]{10})</li>", inside.page)
    assert len(codes) == 10
    assert inside.client.get("/settings").status_code == 303  # signed out
    enter(inside, "Bo", 403)
    enter(inside, "Bo", 403, code=code)  # used up
    inside.clock.on(minutes=5)
    code = totp(key, int(inside.clock().timestamp()))
    enter(inside, "Bo", code=code)
    inside.get("/settings")
    inside.send("/settings/sessions", end="all", old=WORDS, follow=False)
    enter(inside, "Bo", 403, code=code)  # once only
    inside.clock.on(minutes=5)
    enter(inside, "Bo", code=codes[0])


def test_an_own_password_is_changed_by_who_knows_it(inside: Visitor) -> None:
    inside.by_password_alone()
    named(inside)
    inside.get("/settings")
    new = "new plain words, quite long"
    inside.send(
        "/settings/password", 422, old="wrong words that are long", passphrase=new, again=new
    )
    inside.send("/settings/password", 422, old=WORDS, passphrase="Bo", again="Bo")
    inside.send("/settings/password", old=WORDS, passphrase=new, again=new, follow=False)
    assert inside.client.get("/settings").status_code == 303
    enter(inside, "Bo", 403)
    inside.get("/enter")
    inside.send("/enter/sign-in", follow=False, name="Bo", passphrase=new)


# ------------------------------------------------------------------ audit


def test_the_audit_tells_who_saw_whom_and_its_chain_is_checked(inside: Visitor) -> None:
    person = with_plan(inside)
    other = inside.person("N-103").rpartition("/")[2]
    inside.get(f"/people/{person}")
    inside.get("/audit")
    assert "user of this computer" in inside.page
    inside.send("/audit", 200, number=person[:6].upper(), day="2026-11-20")
    assert person[:6].upper() in inside.page
    assert other[:6].upper() not in inside.page
    assert ">read<" in inside.page
    assert "N-102" not in inside.page
    inside.send("/audit", 200, number="", day="2026-11-19")
    assert "Rows: 0" in inside.page
    head = re.search(r"Last row (\d+):.*?([0-9a-f]{64})", inside.page)
    assert head
    inside.send("/audit/check", seq=head[1], hash=head[2])
    assert "The chain is whole" in finished(inside)
    inside.get("/audit")
    inside.send("/audit/check", seq=head[1], hash="0" * 64)
    assert f"does not hold the head of row {head[1]}" in finished(inside)


# ------------------------------------------------------------------ files in


def test_an_examination_from_a_file_is_shown_before_it_is_saved(inside: Visitor) -> None:
    text = EXAMS["hill-walker-grade-2"]
    label = read_exam(text, BOOK).person.label
    inside.get("/files")
    page = upload(inside, "/files/exam", text.encode(), name="../../etc/passwd.toml")
    assert f"a new person, {label}" in page
    assert inside.casebook.people(LOCAL).total == 0
    once = re.findall(r'name="once" value="(\w+)"', page)[0]
    fields = {"text": text, "once": once, "save": "yes"}
    inside.send("/files/exam", 422, fields=fields)
    for _ in range(2):  # sent twice, saved once
        inside.get("/files")
        inside.send("/files/exam", fields={**fields, "whose": "new"}, follow=False)
    assert inside.casebook.people(LOCAL).total == 1
    person = inside.casebook.people(LOCAL).rows[0].person_id
    inside.get("/files")
    page = upload(inside, "/files/exam", text.encode())
    assert f'value="{person}:1"' in page
    fields |= {"once": "another", "whose": f"{person}:1"}
    inside.send("/files/exam", fields=fields)
    assert inside.casebook.person(LOCAL, person).exam_version == 2
    inside.get("/files")
    inside.send("/files/exam", 409, fields={**fields, "once": "third"})
    inside.get("/files")
    other = text.replace(label, "somebody else")
    inside.send("/files/exam", 422, fields={**fields, "text": other, "once": "4"})


@pytest.mark.parametrize(
    "data", [b"", b"\xff\xfe\x00", b"PK\x03\x04\0\0", b"= broken", b"\x89PNG\r\n\x1a\n", b"a = 1"]
)
@pytest.mark.parametrize("url", ["/files/exam", "/files/log", "/files/people"])
def test_another_kind_of_file_is_refused(inside: Visitor, url: str, data: bytes) -> None:
    inside.get("/files")
    upload(inside, url, data, 422)
    assert inside.casebook.people(LOCAL, only="").total == 0


def log_of(casebook: Casebook, person: str) -> tuple[str, HomeLog]:
    home = read_plan_code(casebook.person(LOCAL, person).plan_code)
    entry = HomeEntry(0, "all", "", 2, 10, 2, 3, 1)
    log = HomeLog(home.number, home.version, 0, (HomeSession(home.starts, (entry,)),))
    return write_log_code(log, home), log


def test_a_log_code_finds_its_person_and_is_taken_once_confirmed(inside: Visitor) -> None:
    person = with_plan(inside)
    other = inside.person("N-103").rpartition("/")[2]
    inside.clock.on(days=1)
    inside.come_back()
    code, _ = log_of(inside.casebook, person)
    inside.get("/files")
    page = upload(inside, "/files/log", f"\n{code}\n".encode())
    assert "N-102" in page
    assert inside.casebook.person(LOCAL, person).latest("handover") is None
    inside.send("/files/log", 200, text=code, person=other, save="yes")
    assert inside.casebook.person(LOCAL, other).latest("handover") is None
    inside.send("/files/log", text=code, person=person, save="yes", follow=False)
    assert inside.casebook.person(LOCAL, person).latest("handover") is not None


def test_a_list_of_people_is_judged_row_by_row_and_saved_whole(inside: Visitor) -> None:
    inside.person("N-102")
    bad = "label,look_on,look_why\r\nA-1,2026-13-01,x\r\n,,\r\nn-102,,\r\nA-2,,\r\na-2,,\r\n"
    inside.get("/files")
    page = upload(inside, "/files/people", bad.encode(), 422)
    for row in ("row 2, look on", "row 3, label", "row 4, label", "row 6, label"):
        assert row in page
    assert "row 5, label" not in page
    good = "﻿label,look_on,look_why\r\n'=1+1,2026-12-01,call\r\n007,,\r\n1.50,,\r\n"
    page = upload(inside, "/files/people", good.encode())
    assert "Would add people: 3" in page
    assert inside.casebook.people(LOCAL).total == 1
    once = re.findall(r'name="once" value="(\w+)"', page)[0]
    for _ in range(2):
        inside.get("/files")
        inside.send("/files/people", text=good, once=once, save="yes")
        assert "People added: 3" in finished(inside)
    labels = {row.label for row in inside.casebook.people(LOCAL).rows}
    assert labels == {"N-102", "=1+1", "007", "1.50"}


def test_an_import_that_is_stopped_keeps_nobody(inside: Visitor) -> None:
    text = "label\r\n" + "".join(f"A-{n}\r\n" for n in range(50))

    def step(done: int, _: int) -> None:
        if done == 50:  # in the midst of the writing
            raise StoppedError("stopped")

    with pytest.raises(StoppedError):
        import_people(inside.casebook, LOCAL, text, "list:1", step)
    assert inside.casebook.people(LOCAL).total == 0
    assert import_people(inside.casebook, LOCAL, text, "list:1") == 50


@pytest.mark.parametrize(
    "text",
    ["", "name\r\nA", "label,label\r\nA,B", "label,evil\r\nA,B", 'label\r\n"A', "label\r\nA,B"],
)
def test_a_list_of_another_form_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        read_people(text)


# ------------------------------------------------------------------ files out


def test_one_person_goes_out_whole(inside: Visitor) -> None:
    person = with_plan(inside)
    inside.get(f"/people/{person}")
    headers = {"origin": BASE, "sec-fetch-site": "same-origin"}
    data = {"token": inside.token(), "reader": "the patient"}
    found = inside.client.post(f"/people/{person}/export", data=data, headers=headers)
    files = unzipped(found.content)
    assert {"record.json", "exam/exam-1.toml", "plan/plan-1.json", "made/sheet-1.pdf"} <= set(files)
    assert not any(".." in name or name.startswith("/") for name in files)
    with inside.casebook.store.work(LOCAL) as work:
        assert [r.detail for r in work.audit_rows(person) if r.did == "export"] == ["the patient"]


def test_everybody_goes_out_as_tidy_tables_without_formulas(inside: Visitor) -> None:
    person = with_plan(inside)
    inside.casebook.new_person(LOCAL, '=HYPERLINK("x")')
    kept = Kept("phone", inside.casebook.today(), log_of(inside.casebook, person)[1])
    with inside.casebook.store.work(LOCAL) as work:
        work.add_handover(person, write_kept(kept), inside.casebook.today(), 1)
        work.add_note(person, "progress", "@SUM(A1) <b>bold</b>")
    inside.get("/files")
    inside.send("/files/everything")
    files = unzipped(taken(inside))
    people = rows(files["tables/people.csv"])
    assert {row["label"] for row in people} == {"N-102", '\'=HYPERLINK("x")'}
    assert rows(files["tables/notes.csv"])[0]["text"].startswith("'@SUM")
    assert rows(files["tables/diary.csv"])[0]["during"] == "3"
    exam = read_exam(EXAMS["hill-walker-grade-2"], BOOK)
    assert len(rows(files["tables/readings.csv"])) == len(exam.measured)
    assert rows(files["tables/programmes.csv"])


def o10() -> Followed:
    """The person of the check case: born 1936, visits on day 0, 14 and 56."""
    exam = read_exam(EXAMS["hill-walker-grade-2"], BOOK)
    clinic = {"address": "1 Main St, 12345", "phone": "+1 555 0100"}
    days = (date(2026, 3, 2), date(2026, 3, 16), date(2026, 4, 27))
    exams = tuple(
        replace(
            exam,
            on=on,
            therapist="Dr Canary",
            person=replace(exam.person, label="Mary Canary", birth_year=1936),
            clinic=clinic,
            measured=tuple(replace(m, on=on) for m in exam.measured),
        )
        for on in days
    )
    return Followed("ab" * 16, exams, (), ())


def test_the_research_export_keeps_the_check_case() -> None:
    key, person = b"k" * 32, o10()
    files = unzipped(research_zip([person], key, BOOK))
    told = rows(files["people.csv"])
    assert [row["age_years"] for row in told] == ["90+"]
    assert {row["day"] for row in rows(files["readings.csv"])} == {"0", "14", "56"}
    whole = b"\n".join(files.values()).decode()
    for canary in ("1936", "12345", "555", "Canary", "2026", person.id, "hill walk"):
        assert canary not in whole, canary
    again = unzipped(research_zip([person], key, BOOK))
    assert again == files
    other = rows(unzipped(research_zip([person], b"o" * 32, BOOK))["people.csv"])
    assert other[0]["study_id"] != told[0]["study_id"]
    # RFC 2104, computed here by itself
    wanted = hmac.new(key, b"study\0" + person.id.encode(), hashlib.sha256).hexdigest()[:32]
    assert told[0]["study_id"] == wanted == pseudonym(key, person.id)


def test_shifted_days_keep_their_intervals() -> None:
    key, person = b"k" * 32, o10()
    files = unzipped(research_zip([person], key, BOOK, shifted=True))
    table = rows(files["readings.csv"])
    days = sorted({date.fromisoformat(row["shifted_date"]) for row in table})
    assert [(day - days[0]).days for day in days] == [0, 14, 56]
    back = (date(2026, 3, 2) - days[0]).days
    assert back == shift_days(key, person.id)
    assert 1 <= back <= 365
    shifts = [shift_days(key, f"{n:032x}") for n in range(3000)]
    assert (min(shifts), max(shifts)) == (1, 365)


def test_the_research_export_of_the_records(inside: Visitor) -> None:
    person = with_plan(inside)
    kept = Kept("phone", inside.casebook.today(), log_of(inside.casebook, person)[1])
    with inside.casebook.store.work(LOCAL) as work:
        work.add_handover(person, write_kept(kept), inside.casebook.today(), 1)
        work.add_note(person, "progress", "Canary flies")
    ids = []
    for another in ("", "", "yes"):
        inside.get("/files")
        inside.send("/files/research", another=another)
        files = unzipped(taken(inside))
        ids.append(rows(files["people.csv"])[0]["study_id"])
        whole = b"\n".join(files.values()).decode()
        for canary in ("N-102", person, "Canary", "2026-"):
            assert canary not in whole
        assert rows(files["diary.csv"])[0]["during"] == "3"
    assert ids[0] == ids[1] != ids[2]


def test_the_sheets_of_chosen_people_are_printed_together(inside: Visitor) -> None:
    person = with_plan(inside)
    inside.person("N-103")
    page = inside.get("/files/print")
    assert "N-102" in page
    assert "N-103" not in page
    inside.send("/files/print", person=person, print="yes")
    files = unzipped(taken(inside))
    assert list(files) == [f"{person[:6].upper()}-programme-1.pdf"]
    assert files[f"{person[:6].upper()}-programme-1.pdf"].startswith(b"%PDF")


def test_one_person_is_erased_once_the_number_is_typed(inside: Visitor) -> None:
    person = with_plan(inside)
    inside.get("/files")
    inside.send("/files/erase", 422, number="000000")
    inside.send("/files/erase", number=person[:6].upper())
    inside.send(f"/people/{person}/erase", 422, number="ABCDEF")
    assert inside.casebook.person(LOCAL, person).exam_version == 1
    inside.send(f"/people/{person}/erase", number=person[:6].lower(), follow=False)
    inside.get(f"/people/{person}", 404)
    assert inside.casebook.people(LOCAL).total == 0


# ------------------------------------------------------------------ long work


def test_long_work_shows_how_far_it_is_and_is_stopped(inside: Visitor) -> None:
    from threading import Event

    go, reached = Event(), Event()

    def work(step: Any) -> str:
        step(3, 10)
        reached.set()
        go.wait(10)
        step(4, 10)
        return "never"

    token = str(inside.client.cookies["rungwise"])
    session = inside.app.state.access.session(token)
    job = session.jobs.start("export", work)
    assert reached.wait(10)
    page = inside.get(f"/running/{job}")
    assert 'max="10" value="3"' in page
    assert 'hx-trigger="every 1s"' in page
    stranger = inside.another()
    assert stranger.get(f"/running/{job}").status_code == 303
    inside.url = f"/running/{job}"
    inside.send(f"/running/{job}/stop", follow=False)
    go.set()
    assert "Stopped" in finished(inside)
    inside.get(f"/running/{job}/file", 404)
    inside.get("/running/" + "0" * 32, 404)


@pytest.mark.on_file
def test_another_session_sees_no_work_of_this_one(inside: Visitor) -> None:
    inside.get("/files")
    inside.send("/files/everything")
    taken(inside)
    job = inside.url
    mine, inside.client = inside.client, inside.another()
    inside.get("/enter")
    # the records stay open while the first session lasts; the same passphrase signs in again
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)
    inside.get(job, 404)
    inside.get(f"{job}/file", 404)
    inside.client = mine
    inside.get(job)


def test_work_ends_with_its_session_and_is_bounded() -> None:
    from threading import Event

    jobs, go = Jobs(), Event()

    def waits(step: Any) -> str:
        while not go.wait(0.01):
            step(0, 0)
        return ""

    first, second = jobs.start("a", waits), jobs.start("b", waits)
    assert jobs.start("c", waits) in (first, second)  # two at once, no more
    held = jobs.find(first)
    assert held is not None
    jobs.stop_all()
    for _ in range(200):
        if held.state == "stopped":
            break
        time.sleep(0.01)
    assert held.state == "stopped"
    assert jobs.find(first) is None


def test_what_goes_wrong_in_long_work_is_not_told(
    inside: Visitor, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> bytes:
        raise RuntimeError("a secret inside")

    monkeypatch.setattr("rungwise.casebook_out.export_all", broken)
    inside.get("/files")
    inside.send("/files/everything")
    page = finished(inside)
    assert "It failed" in page
    assert "secret" not in page
    assert "secret" not in caplog.text


def test_every_page_of_the_top_bar_answers_in_each_language(inside: Visitor) -> None:
    for language in ("es", "en"):
        inside.get("/settings")
        inside.send("/settings/language", language=language)
        for url in TOPS.values():
            assert f'lang="{language}"' in inside.get(url)


@pytest.mark.on_file
def test_key_file_and_tables_are_as_documented(inside: Visitor) -> None:
    assert unlock(key_file_of(Path(inside.casebook.place)), PASSPHRASE) == inside.casebook.store.key
    assert write_table([{"a": "＝1"}]) == "a\r\n'＝1\r\n"


@pytest.mark.on_file
def test_the_backup_of_the_hour_is_made_by_itself(inside: Visitor) -> None:
    assert back_up_if_due(inside.casebook) is not None
    assert back_up_if_due(inside.casebook) is None
    inside.clock.on(minutes=61)
    assert back_up_if_due(inside.casebook) is not None
    inside.casebook.lock()
    assert back_up_if_due(inside.casebook) is None
