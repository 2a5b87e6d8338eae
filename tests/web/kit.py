"""An open casebook behind its pages, and a browser-like client for them."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from rungwise.casebook import LOCAL, Casebook
from rungwise.casebook_office import save_desk
from rungwise.clinic import demo_exams
from rungwise.web.access import Settings
from rungwise.web.app import create_app
from rungwise.web.book_entries import PARTS
from rungwise.web.exam_text import values_of
from rungwise.web.page import At

BASE = "http://localhost:8000"
PASSPHRASE = "five plain words in a row"
EXAMS = demo_exams()
DAY = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
TOKEN = re.compile(r'name="token" value="([0-9a-f]*)"')


def address_of(at: At, person: str = "0" * 32) -> str:
    """An address at which a page answers, or would; for a person, by the id or the address."""
    found = at.path.replace("{person}", person.rpartition("/")[2])
    found = found.replace("/book/part/{key}", f"/book/part/{PARTS[0]}")
    return re.sub(r"\{\w+\}", "1", found)


#: Where a visitor's records are: the URL of a new database, or None for a file of its own.
new_place: Callable[[], str | None] = lambda: None  # noqa: E731 - tests put another in its place
visitors: list[Visitor] = []


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.now = DAY

    def __call__(self) -> datetime:
        return self.now

    def on(self, **span: float) -> None:
        self.now += timedelta(**span)


class Visitor:
    """Asks as a browser does: cookies kept, forms sent with their token from our own page."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        self.clock = Clock()
        place = new_place() or folder / "data" / "records.db"
        self.casebook = Casebook(place, n=2**4, clock=self.clock)
        if self.casebook.on_server:
            self.casebook.unlock()
            visitors.append(self)
        self.app = create_app(self.casebook, Settings(**settings))
        self.client = self.another()
        self.page = ""

    def another(self) -> TestClient:
        return TestClient(self.app, base_url=BASE, follow_redirects=False)

    def get(self, url: str, status: int = 200) -> str:
        found = self.client.get(url)
        if found.status_code == 303 and status == 200:
            return self.get(found.headers["location"])
        assert found.status_code == status, (url, found.status_code, found.text[:2000])
        self.page = unescape(found.text)
        return self.page

    def token(self) -> str:
        found = TOKEN.findall(self.page)
        assert found, self.page[:500]
        return str(found[0])

    def send(self, url: str, status: int = 303, follow: bool = True, **more: Any) -> str:
        """Send a form; ``more`` are its fields, or ``fields=`` a mapping of them."""
        fields = {**more.pop("fields", {}), **more}
        headers = {"origin": BASE, "sec-fetch-site": "same-origin"}
        data = {"token": self.token(), **fields}
        found = self.client.post(url, data=data, headers=headers)
        assert found.status_code == status, (url, found.status_code, unescape(found.text)[:3000])
        if status == 303 and follow:
            self.url = found.headers["location"]
            return self.get(self.url)
        self.page = unescape(found.text)
        return self.page

    def start(self) -> Visitor:
        """Make the records and come to the caseload, as therapist and administrator in one."""
        if self.casebook.on_server:
            return self.come_back()
        self.get("/")
        self.send("/enter/first", passphrase=PASSPHRASE, again=PASSPHRASE)
        self.send("/recovery/kept")
        return self

    def come_back(self) -> Visitor:
        """Sign in again as the same."""
        if self.casebook.on_server:
            access = self.app.state.access
            token, cookie = access.begin(LOCAL, ""), access.settings.cookie
            self.client.cookies.set(cookie, token, domain="localhost.local", path="/")
            self.get("/")
        else:
            self.get("/enter")
            self.send("/enter/sign-in", passphrase=PASSPHRASE)
        return self

    def by_password_alone(self) -> None:
        """Set the clinic's rule that no account needs a second factor."""
        typed = {"paper": "a4", "lock_minutes": "15", "hourly": "24", "daily": "14", "weekly": "8"}
        save_desk(self.casebook, LOCAL, {**typed, "factor": "free"}, 0)
        self.app.state.access.take_rules()

    def person(self, label: str = "N-102") -> str:
        """Add a person; returns the address."""
        self.get("/people/new")
        self.send("/people/new", label=label, once=f"form-{label}")
        return self.url.removesuffix("/exam")

    def examined(self, name: str = "hill-walker-grade-2") -> str:
        """Add a person and an examination; returns the address."""
        url = self.person()
        fields = {**values_of(EXAMS[name]), "expected": "0", "once": "exam-1"}
        self.send(f"{url}/exam", fields=fields)
        return url
