"""What an attacker tries: each address, each role, each upload; and what docs/security.md promises.

Standards: OWASP ASVS 5.0 (std_17), as listed in std §4.2; threats T1 to T14 of std §4.3.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable
from dataclasses import dataclass
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from rungwise.casebook import LOCAL
from rungwise.casebook_measure import Photo, PhotoReading, aids_there
from rungwise.casebook_office import save_desk
from rungwise.records.roles import MAY, ROLES, Who
from rungwise.web.book_entries import PARTS
from rungwise.web.exam_text import values_of
from rungwise.web.page import At, Download
from rungwise.web.pages import ROUTES
from tests.web.kit import BASE, EXAMS, PASSPHRASE, Visitor
from tests.web.test_web_course import answers, boxes, later, led, planned

ROOT = Path(__file__).parents[2]
DOC = (ROOT / "docs" / "security.md").read_text("utf-8")
ORIGIN = {"origin": BASE, "sec-fetch-site": "same-origin"}
GETS = [at for at in ROUTES if "GET" in at.methods.split()]
POSTS = [at for at in ROUTES if "POST" in at.methods.split()]
INSIDE = [at for at in ROUTES if at.deed]
#: Texts that break out of one language or another: markup, script, formulas, paths, Typst, TOML.
SEEDS = (
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "\"'><svg onload=alert(1)>",
    "{{ 7 * 7 }}",
    "{% include '/etc/passwd' %}",
    '#read("secret.txt")',
    "$ x $ \\ # * _ ` <b>",
    "=HYPERLINK(1)",
    "@SUM(A1)",
    "../../../etc/passwd",
    "'; drop table person; --",
    "]]>&amp;&#60;b&#62;",
    "${jndi:ldap}",
    "javascript:alert(1)",
    'name" autofocus onfocus="alert(1)',
    "</title><h1>new</h1>",
    "</textarea><iframe src=x>",
    "é ﷽ <em>",
    "a = 1 # [b]",
    "-1+1|cmd",
)
HOSTILE = [f"{a} {b}" for n, a in enumerate(SEEDS) for b in SEEDS[n + 1 :]][:190] + list(SEEDS)


def url_of(at: At, person: str = "0" * 32) -> str:
    names = dict.fromkeys(re.findall(r"\{(\w+)\}", at.path), "0" * 32)
    return at.path.format(**{**names, "version": 1, "person": person})


@pytest.fixture
def inside(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path).start()


# ------------------------------------------------------------------ every address


def test_every_answer_has_its_headers(inside: Visitor) -> None:
    person = inside.examined().rpartition("/")[2]
    inside.casebook.keep_plan(LOCAL, person, "", 0)
    for at in GETS:
        found = inside.client.get(url_of(at, person))
        csp = found.headers["content-security-policy"]
        assert csp.startswith("default-src 'none'; script-src 'self'; style-src 'self'"), at.path
        for part in ("form-action 'self'", "base-uri 'none'", "frame-ancestors 'none'"):
            assert part in csp
        assert "unsafe" not in csp
        assert found.headers["x-content-type-options"] == "nosniff"
        assert found.headers["cache-control"] == "no-store"
        assert found.headers["cross-origin-opener-policy"] == "same-origin"
        assert "access-control-allow-origin" not in found.headers


def test_no_address_holds_a_thing_about_a_person(inside: Visitor) -> None:
    """A path holds random ids and numbers alone; what is typed travels in bodies."""
    parts = {name for at in ROUTES for name in re.findall(r"\{(\w+)\}", at.path)}
    known = {"person", "version", "key", "job", "account", "number", "kind", "photo"}
    assert parts <= known, parts
    page = inside.get("/")
    assert not re.search(r'<form method="get"', page)


def test_a_form_without_token_or_from_elsewhere_changes_nothing(inside: Visitor) -> None:
    cross = {"origin": "http://evil.example.org", "sec-fetch-site": "cross-site"}
    for at in POSTS:
        url = url_of(at)
        inside.get("/enter" if not at.deed else "/settings")
        data = {"token": inside.token()}
        assert inside.client.post(url, data={}, headers=ORIGIN).status_code == 403, at.path
        assert inside.client.post(url, data=data, headers=cross).status_code == 403, at.path
        assert inside.client.post(url, data=data).status_code == 403, at.path


def test_a_body_that_is_too_long_is_refused_everywhere(inside: Visitor) -> None:
    headers = {**ORIGIN, "content-type": "application/x-www-form-urlencoded"}
    for at in POSTS:
        most = at.body_max or 1_000_000
        inside.get("/settings")
        data = f"token={inside.token()}&x=".encode() + b"x" * most
        found = inside.client.post(url_of(at), content=data, headers=headers)
        assert found.status_code == 413, at.path


def test_nobody_gets_in_without_a_sign_in(inside: Visitor) -> None:
    stranger = inside.another()
    stranger.get("/enter")
    for at in INSIDE:
        for method in at.methods.split():
            found = stranger.request(method, url_of(at), headers=ORIGIN)
            refused = found.status_code == 403 or (
                found.status_code == 303 and found.headers["location"] == "/enter"
            )
            assert refused, (at.path, found.status_code)


@pytest.mark.parametrize("role", ROLES)
def test_a_role_reaches_what_it_may_and_nothing_else(tmp_path: Path, role: str) -> None:
    visitor = Visitor(tmp_path).start()
    person = visitor.examined().rpartition("/")[2]
    session = visitor.app.state.access.session(str(visitor.client.cookies["rungwise"]))
    visitor.get("/settings")
    token = visitor.token()
    session.who = Who("somebody", frozenset({role}))
    for at in INSIDE:
        if at.path.startswith(("/lock", "/recovery", "/settings/sessions")):
            continue
        may = any(deed in MAY[role] for deed in at.deed.split())
        for method in at.methods.split():
            data = {"token": token} if method == "POST" else None
            url = url_of(at, person if not may else "0" * 32)
            found = visitor.client.request(method, url, data=data, headers=ORIGIN)
            assert (found.status_code == 403) <= (not may or method == "POST"), (at.path, role)
            if not may:
                assert found.status_code == 403, (at.path, role)


WORDS = "plain words that are long"
NEW = "slate heron ferry plum"


@dataclass
class Scene:
    """A person on the way, and somebody with one role who is signed in by name."""

    visitor: Visitor
    person: str
    account: str
    job: str = ""
    code: str = ""
    photo: str = ""

    def enter(self, name: str, passphrase: str = WORDS) -> None:
        """Sign in anew, with long work that made a file and a photograph that was read."""
        visitor = self.visitor
        visitor.client = visitor.another()
        visitor.get("/enter")
        visitor.send("/enter/sign-in", follow=False, name=name, passphrase=passphrase)
        session = visitor.app.state.access.session(str(visitor.client.cookies["rungwise"]))
        self.job = session.jobs.start("print", lambda _: Download(b"x", "text/plain", "x.txt"))
        shot = Photo("left", (80, 80), b"\xff\xd8\xff", 1.0, None, {}, (), False, False, None)
        item = session.shelf.add(self.person, shot, visitor.app.state.access.now_s())
        item.read, self.photo = READ, item.id

    def url(self, at: At) -> str:
        """An address that leads somewhere."""
        known = {"person": self.person, "version": "1", "account": self.account, "job": self.job}
        key = PARTS[0] if at.path.startswith("/book/part/") else KEY
        known |= {"key": key, "photo": self.photo}
        return at.path.format(**known)


def scene_of(tmp_path: Path, role: str) -> Scene:
    visitor = Visitor(tmp_path).start()
    url = planned(visitor)
    person = url.rpartition("/")[2]
    later(visitor, days=5)
    code = led(visitor, url, 5)
    with visitor.casebook.store.work(LOCAL) as work:
        work.add_note(person, "visit", "a note that was kept")
    save_desk(visitor.casebook, LOCAL, DESK, 0)
    accounts = visitor.casebook.accounts
    accounts.add(LOCAL, "Boss", "administrator", WORDS)
    accounts.add(LOCAL, "Pat", role, WORDS)
    other = accounts.add(LOCAL, "Other", "reader", WORDS)
    return Scene(visitor, person, other, code=code)


EXAM = {**values_of(EXAMS["hill-walker-grade-2"]), "once": "again", "expected": "1"}
KEY = "rom.sem.nonweightbearing_passive.goniometer.same_rater"
DESK = {"paper": "a4", "lock_minutes": "15", "factor": "free", "aids": "on", "expected": "1"}
DESK |= {"hourly": "24", "daily": "14", "weekly": "8"}
AT = dict.fromkeys(("shaft_back", "joint", "phalanx"), (1.0, 1.0))
READ = PhotoReading(
    bend_deg=30.0,
    zero="metatarsal_shaft",
    low_deg=28.0,
    high_deg=32.0,
    sd_deg=1.0,
    sd_first_deg=1.0,
    sd_drawn_deg=1.0,
    parts_deg={"marks": 1.0},
    lengths=(),
    side="left",
    marks=tuple(AT),
    marks_px=AT,
    marks_mm=AT,
    plane_checked=False,
    quality="good",
    reasons=(),
)
TRACE = b"time [s],ap [mm],ml [mm]\n" + b"".join(
    f"{n / 50:.2f},{n * n % 17 / 10:.1f},{n * 7 % 13 / 10:.1f}\n".encode() for n in range(2600)
)
PICTURE = BytesIO()
Image.new("RGB", (120, 90), "grey").save(PICTURE, "PNG")
FEET = ((30, 34), (41, 37), (25, 29), (52, 50), (38, 43), (60, 55), (33, 30), (45, 50), (28, 24))
PAIRS = "foot,first,second,days_apart\n" + "".join(
    f"f{n},{a},{b},7\n" for n, (a, b) in enumerate([*FEET, (49, 51)])
)
Form = dict[str, Any]
MEASURE = "/people/{person}/measure"
COLUMNS = {"time": "0", "ap": "1", "ml": "2"}
#: Addresses that take a file beside their form.
TAKEN: dict[str, tuple[str, bytes]] = {
    f"{MEASURE}/photos": ("photos", PICTURE.getvalue()),
    f"{MEASURE}/recordings": ("file", TRACE),
}
#: What is sent to each address that takes a form, so that it is answered where the role covers it.
#: The order is that of sending: what ends a session or a person comes last.
FORMS: dict[str, Form | Callable[[Scene], Form]] = {
    "/": {},
    "/people/new": {"label": "R-1", "once": "r-1"},
    "/people/{person}/archive": {"away": "no"},
    "/people/{person}/exam/look": EXAM,
    "/people/{person}/exam/measure": EXAM,
    f"{MEASURE}/photos": {"side": "left"},
    f"{MEASURE}/use": {"side": "left", "method": "nonweightbearing_passive"},
    f"{MEASURE}/recordings": {"kind": "pressure"},
    f"{MEASURE}/recording": COLUMNS,
    f"{MEASURE}/capture": {},
    f"{MEASURE}/{{photo}}": {},
    f"{MEASURE}/{{photo}}/keep": {"keep": "yes"},
    f"{MEASURE}/{{photo}}/drop": {},
    "/people/{person}/programme": {"drop": "heel_raise/right"},
    "/people/{person}/diary/code": lambda scene: {"code": scene.code},
    "/people/{person}/diary/paper": lambda scene: boxes(
        scene.visitor, f"/people/{scene.person}", row1="2.26", rowp="p1"
    ),
    "/people/{person}/advice": lambda scene: advised(scene),  # noqa: PLW0108 - made below
    "/people/{person}/change": {},
    "/people/{person}/notes": {"kind": "visit"},
    "/class": {"people": "6", "minutes": "", "language": "en"},
    "/book/refused": {"expected": "0"},
    "/book/own-error": {"row": KEY, "text": PAIRS, "by": "A", "expected": "0", "action": "look"},
    "/files/look": lambda scene: {"text": scene.code},
    "/files/exam": {"text": EXAMS["runner-grade-1"]},
    "/people/{person}/exam/file": lambda _: {"text": renamed()},
    "/files/log": lambda scene: {"text": scene.code},
    "/files/people": {"text": "label\nQ-1\n"},
    "/files/everything": {},
    "/files/research": {},
    "/files/print": {},
    "/files/erase": lambda scene: {"number": scene.person[:6].upper()},
    "/people/{person}/export": {"reader": "the patient"},
    "/people/{person}/exam": EXAM,
    "/settings/language": {"language": "en"},
    "/settings/clinic": {"name": "Foot & Co", "expected": "0"},
    "/settings/desk": DESK,
    "/settings/backup": {},
    "/settings/verify": {"name": "none"},
    "/settings/accounts": {"name": "New", "role": "reader", "passphrase": NEW},
    "/settings/accounts/{account}": {"action": "role", "role": "assistant"},
    "/audit": {},
    "/book/row/{key}": {"value": "5", "why": "b", "by": "A", "expected": "0"},
    "/audit/check": {},
    "/running/{job}/stop": {},
    "/recovery/kept": {},
    "/settings/second-factor/confirm": {},
    "/settings/second-factor": {"old": WORDS},
    "/settings/passphrase": {"old": PASSPHRASE, "passphrase": NEW, "again": NEW},
    "/settings/recovery": {"old": NEW},
    "/people/{person}/erase": lambda scene: {"number": scene.person[:6].upper()},
    "/settings/sessions": {"end": "all", "old": WORDS},
    "/settings/password": {"old": WORDS, "passphrase": NEW, "again": NEW},
}


def advised(scene: Scene) -> Form:
    scene.visitor.get(f"/people/{scene.person}/advice")
    return answers(scene.visitor)


def renamed() -> str:
    """An examination with the label of the person."""
    text = EXAMS["hill-walker-grade-2"]
    label = re.search(r'label = "([^"]+)"', text)
    assert label
    return text.replace(label[1], "N-102")


def test_every_address_that_takes_a_form_has_one_in_the_table() -> None:
    assert set(FORMS) == {at.path for at in INSIDE if "POST" in at.methods.split()}


@pytest.mark.on_file
@pytest.mark.parametrize("role", ROLES)
def test_what_a_role_may_is_answered(tmp_path: Path, role: str) -> None:
    """The other side of refusals: each address whose deed the role covers answers 200 or 303."""
    scene = scene_of(tmp_path, role)
    scene.enter("Pat")
    visitor, order, seen = scene.visitor, list(FORMS), 0
    mine = [at for at in INSIDE if any(deed in MAY[role] for deed in at.deed.split())]
    if not aids_there():  # switched on they are nowhere
        mine = [at for at in mine if "/measure" not in at.path]
    assert mine
    for at in mine:
        if "GET" in at.methods.split():
            found = visitor.client.get(scene.url(at))
            assert found.status_code in (200, 303), (role, at.path, found.text[-1500:])
            assert found.headers.get("location", "") != "/enter", (role, at.path)
            seen += 1
    posts = [at for at in mine if "POST" in at.methods.split()]
    for at in sorted(posts, key=lambda at: order.index(at.path)):
        if visitor.client.get("/settings").status_code == 303:
            scene.enter("Pat")
        visitor.get("/settings")
        form = FORMS[at.path]
        data = form(scene) if callable(form) else form
        sent = {"token": visitor.token(), **data}
        file = {name: ("x", data) for name, data in [TAKEN[at.path]]} if at.path in TAKEN else None
        found = visitor.client.post(scene.url(at), data=sent, files=file, headers=ORIGIN)
        words = " ".join(re.sub(r"<[^>]+>", " ", found.text.partition("<main")[2]).split())
        assert found.status_code in (200, 303), (role, at.path, found.status_code, words[:500])
        assert "/enter" not in found.headers.get("location", "") or at.path in ENDING, at.path
        seen += 1
    assert seen == sum(len(at.methods.split()) for at in mine)


ENDING = ("/settings/sessions", "/settings/password")


def test_a_reader_reads_and_an_administrator_sees_no_record() -> None:
    assert "read" not in MAY["administrator"]
    assert MAY["reader"] == {"read", "list", "book"}
    for deed in ("export", "add", "own_value"):
        assert deed not in MAY["reader"] | MAY["assistant"]


TRICKS = (
    "..%2f..%2fetc%2fpasswd",
    "%2e%2e/%2e%2e",
    "....//",
    "%00",
    "0" * 32 + "%0d%0aset-cookie:x=1",
    "C:%5Cboot.ini",
    "1;ls",
    "'%20or%201=1--",
    "x" * 4000,
)


@pytest.mark.parametrize("trick", TRICKS)
def test_path_tricks_lead_nowhere(inside: Visitor, trick: str) -> None:
    for at in GETS:
        if "{" in at.path:
            found = inside.client.get(re.sub(r"\{\w+\}", trick, at.path))
            assert found.status_code in (404, 405, 303, 307), (at.path, found.status_code)
            if found.status_code == 307:  # one slash less, and nowhere else
                assert found.headers["location"].startswith(f"{BASE}/"), at.path
            assert "set-cookie" not in found.headers or "x=1" not in found.headers["set-cookie"]
    assert inside.client.get(f"/static/{trick}").status_code in (404, 307)


@pytest.mark.parametrize("url", ["/files/exam", "/files/log", "/files/people", "/book/own-error"])
def test_the_name_of_an_upload_is_never_used(inside: Visitor, url: str) -> None:
    inside.get("/files")
    token = {"token": inside.token()}
    before = sorted(path for path in Path(inside.casebook.place).parent.rglob("*"))
    for name in ("../../x.toml", "/etc/passwd", "a\r\nb.csv", "x.svg", "con", "a" * 300, "<b>.csv"):
        files = {"file": (name, b"<svg onload=alert(1)>")}
        found = inside.client.post(url, data=token, files=files, headers=ORIGIN)
        assert found.status_code == 422, name
        assert "<svg onload" not in found.text
        assert sorted(path for path in Path(inside.casebook.place).parent.rglob("*")) == before


# ------------------------------------------------------------------ what was stored stays text


class Elements(HTMLParser):
    """The elements of a page, and what could run in them."""

    def __init__(self) -> None:
        super().__init__()
        self.kinds: set[str] = set()
        self.runs: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.kinds.add(tag)
        self.runs += [name for name, _ in attrs if name.startswith("on")]
        self.runs += [str(v) for n, v in attrs if n in ("href", "src") and "javascript:" in str(v)]
        self.text += [str(value) for _, value in attrs if value]

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_two_hundred_hostile_texts_stay_text(inside: Visitor) -> None:
    assert len(HOSTILE) >= 200
    own = {"iframe", "object", "embed", "em", "b", "svg"}
    for start in range(0, len(HOSTILE), 50):
        for text in HOSTILE[start : start + 50]:
            inside.casebook.new_person(LOCAL, text[:60].strip(), again=True)
    shown: list[str] = []
    for start in range(0, 250, 50):
        inside.get("/")
        inside.send("/", 200, start=str(start))
        raw = inside.client.post(
            "/", data={"token": inside.token(), "start": start}, headers=ORIGIN
        )
        found = Elements()
        found.feed(raw.text)
        assert not found.kinds & own, found.kinds & own
        assert not found.runs
        assert raw.text.count("<script") == 2
        shown += found.text
    labels = {" ".join(text[:60].split()) for text in HOSTILE}
    assert labels <= {" ".join(text.split()) for text in shown}


@pytest.mark.parametrize("text", SEEDS)
def test_hostile_texts_in_settings_and_values_stay_text(inside: Visitor, text: str) -> None:
    inside.get("/settings")
    inside.client.post(
        "/settings/clinic",
        data={"token": inside.token(), "name": text, "expected": "0"},
        headers=ORIGIN,
    )
    key = "rom.sem.nonweightbearing_passive.goniometer.same_rater"
    low = inside.casebook.book(LOCAL).low(key)
    data = {"token": inside.token(), "value": f"{low:g}", "why": text, "by": text, "expected": "0"}
    inside.client.post(f"/book/row/{key}", data=data, headers=ORIGIN)
    for url in ("/settings", f"/book/row/{key}", "/book?search=" + "%3Cb%3E"):
        found = Elements()
        page = inside.client.get(url).text
        found.feed(page)
        assert not found.kinds & {"iframe", "object", "embed", "em", "b", "svg", "img"}, url
        assert not found.runs
        assert page.count("<script") == 2


# ------------------------------------------------------------------ sessions, keys, audit


@pytest.mark.on_file
def test_a_session_is_new_at_each_sign_in_and_dead_after_it(inside: Visitor) -> None:
    first = str(inside.client.cookies["rungwise"])
    inside.get("/settings")
    inside.send("/lock", follow=False)
    old = inside.another()
    old.cookies.set("rungwise", first)
    assert old.get("/").status_code == 303
    inside.get("/enter")
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)
    second = str(inside.client.cookies["rungwise"])
    assert second != first
    assert len(second) >= 43  # 256 bits in base 64
    assert old.get("/").status_code == 303


def test_leaving_clears_what_the_browser_keeps(inside: Visitor) -> None:
    inside.get("/settings")
    found = inside.client.post("/lock", data={"token": inside.token()}, headers=ORIGIN)
    assert found.headers["clear-site-data"] == '"cache", "storage"'


def test_reads_exports_and_refusals_stand_in_the_audit(inside: Visitor) -> None:
    person = inside.examined().rpartition("/")[2]
    inside.get(f"/people/{person}")
    data = {"token": inside.token(), "reader": "a colleague"}
    inside.client.post(f"/people/{person}/export", data=data, headers=ORIGIN)
    reader = Who("r" * 32, frozenset({"reader"}))
    with pytest.raises(Exception, match="export"), inside.casebook.store.work(reader) as work:
        work.allow("export")
    with inside.casebook.store.work(LOCAL) as work:
        rows = work.audit_rows()
    did = [(row.did, row.outcome) for row in rows if row.person_id == person]
    assert ("read", "done") in did
    assert ("export", "done") in did
    assert ("export", "refused") in [(row.did, row.outcome) for row in rows]
    told = " ".join(row.detail for row in rows)
    assert "N-102" not in told  # no label, no clinical value


@pytest.mark.on_file
def test_the_records_lie_for_their_owner_alone_and_tell_nothing(inside: Visitor) -> None:
    person = inside.person("CANARY-7")
    inside.get(person)
    inside.get("/settings")
    inside.casebook.lock()
    folder = Path(inside.casebook.place).parent
    assert folder.stat().st_mode & 0o077 == 0
    for path in folder.rglob("*"):
        if path.is_file():
            assert b"CANARY-7" not in path.read_bytes(), path
            assert path.stat().st_mode & 0o077 == 0, path


def test_a_page_asks_for_nothing_from_elsewhere(inside: Visitor) -> None:
    for at in GETS:
        page = inside.client.get(url_of(at)).text
        assert not re.search(r'(?:src|href|action)="(?:[a-z]+:)?//', page), at.path


# ------------------------------------------------------------------ what the document promises

ASVS = (
    "1.2.1 1.2.4 1.2.5 1.3.4 1.3.7 1.2.10 2.2.1 2.2.2 2.2.3 3.3.1 3.3.2 3.3.3 3.3.4 3.4.1 3.4.3 "
    "3.4.4 3.4.5 3.4.6 3.4.8 3.5.1 3.5.3 5.2.1 5.2.2 5.2.3 5.2.6 5.3.2 5.4.1 6.2.1 6.2.2 6.2.3 "
    "6.2.4 6.2.5 6.2.6 6.2.7 6.2.8 6.2.9 6.2.10 6.2.11 6.2.12 6.3.1 6.3.2 6.3.3 6.3.8 6.5.1 6.5.2 "
    "6.5.3 6.5.4 6.5.5 7.2.3 7.2.4 7.3.1 7.3.2 7.4.1 7.4.2 7.4.3 7.4.4 7.4.5 7.5.1 7.5.2 8.2.1 "
    "8.2.2 8.3.1 11.4.2 14.2.1 14.3.1 14.3.2 14.3.3 16.2 16.3 16.4 16.5"
).split()


def table_rows() -> list[list[str]]:
    lines = [line for line in DOC.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines]


def test_every_item_and_threat_is_listed_with_a_test_or_why_not() -> None:
    rows = {name: row for row in table_rows() for name in row[0].replace(",", " ").split()}
    for name in [*ASVS, *(f"T{n}" for n in range(1, 15))]:
        assert name in rows, name
        last = rows[name][-1]
        assert "::test_" in last or last.startswith("not met: "), (name, last)


def test_every_test_that_the_document_names_exists() -> None:
    named = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", DOC)
    assert len(named) > 60
    known: dict[str, set[str]] = {}
    for file, name in named:
        if file not in known:
            tree = ast.parse((ROOT / file).read_text("utf-8"))
            known[file] = {n.name for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)}
        assert name in known[file], (file, name)


def test_examinations_hold_no_field_that_the_export_forgets() -> None:
    """Every measure of words alone is a list of words, so that no free text goes to research."""
    from rungwise.book import load_book

    kinds = {measure.kind for measure in load_book().measures.values()}
    assert kinds == {"yesno", "number", "whole", "choice"}
