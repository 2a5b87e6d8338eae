"""One rich casebook behind its pages, for the tests that walk every page in a browser.

The people are invented. One has come all the way; one was examined and may be given nothing; one
is new; one has a programme and no diary yet.
"""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Thread
from time import sleep

import uvicorn

from rungwise.casebook import LOCAL
from rungwise.casebook_measure import aids_there
from rungwise.casebook_office import add_account, save_desk
from rungwise.log_code import write_log_code
from rungwise.web.exam_text import values_of
from rungwise.web.page import At
from rungwise.web.pages import ROUTES
from tests.web.kit import BASE, EXAMS, Visitor
from tests.web.test_web_course import answers, later, log_of, set_targets, way

__all__ = ["PASSWORD", "RichCasebook", "served"]

OWN_ROW = "rom.sem.nonweightbearing_passive.goniometer.same_rater"
#: Last part of addresses whose pages are alike for everybody.
ALIKE = ("erase", "measure", "recording", "capture")
PASSWORD = "plain words that are long"
TARGETS = {
    "target.mtp_dorsiflexion_deg.value": "60",
    "target.mtp_dorsiflexion_deg.way": "least",
    "target.mtp_dorsiflexion_deg.by": "2027-03-01",
    "target.pain_usual_nprs.value": "1",
    "target.pain_usual_nprs.by": "2027-02-01",
}


class RichCasebook:
    """A seeded casebook, and every address at which it shows a page.

    Parameters
    ----------
    folder : Path
        Where its records are made.
    accounts : bool
        Whether somebody has an account.
    """

    def __init__(self, folder: Path, accounts: bool = True) -> None:
        visitor = self.visitor = Visitor(folder).start()
        visitor.get(f"/book/row/{OWN_ROW}")
        own = {"value": "3", "why": "our own study", "by": "R. Alder", "action": "set"}
        visitor.send(f"/book/row/{OWN_ROW}", fields={**own, "expected": "0"})
        self.whole = self._the_whole_way()
        self.refused = self._examined("N-103", "hot-swollen-toe")
        self.new = visitor.person("N-104")
        self.planned = self._examined("N-105", "stiff-both-grade-3")
        self._keep(self.planned)
        self.photo = self._measured() if aids_there() else ""
        self.job = self._job()
        if accounts:
            add_account(visitor.casebook, LOCAL, "Bo", "administrator", PASSWORD)

    @property
    def cookie(self) -> tuple[str, str]:
        """Name and value of the cookie of who is signed in."""
        name = self.visitor.app.state.access.settings.cookie
        return name, next(one.value or "" for one in self.visitor.client.cookies.jar)

    # ------------------------------------------------------------------ what is in it

    def _the_whole_way(self) -> str:
        visitor = self.visitor
        url = self._examined("N-102", "hill-walker-grade-2")
        self._keep(url)
        later(visitor, days=14)
        self._take(url, 14)
        visitor.get(f"{url}/advice")
        visitor.send(f"{url}/advice", fields=answers(visitor))
        for bend in (40, 46):
            later(visitor, days=7)
            more = {"right.mtp_dorsiflexion_deg.1.v1": str(bend)}
            self._examine(url, "hill-walker-grade-2", **more)
        self._take(url, 13, during=3)
        set_targets(visitor, url, TARGETS)
        note = f"{url}/notes?kind=progress&lang=en"
        found = re.findall(r'name="(follows|once|drafted|kind)" value="([^"]*)"', visitor.get(note))
        text = "She walks to the shop again.\nStairs are still slow."
        kept = {"text": text, "by": "R. Alder", "action": "keep"}
        visitor.send(note, fields={**dict(found), **kept})
        return url

    def _examined(self, label: str, name: str) -> str:
        url = self.visitor.person(label)
        self._examine(url, name)
        return url

    def _examine(self, url: str, name: str, **more: str) -> None:
        today = self.visitor.casebook.today().isoformat()
        fields = {**values_of(EXAMS[name]), "date": today, **more}
        self.visitor.get(f"{url}/exam")
        expected = str(way(self.visitor, url).found.exam_version)
        once = f"{url[-32:]}-{today}"
        self.visitor.send(f"{url}/exam", fields={**fields, "expected": expected, "once": once})

    def _keep(self, url: str) -> None:
        self.visitor.get(f"{url}/programme")
        self.visitor.send(f"{url}/programme", action="keep", expected="0", once=url[-32:])

    def _take(self, url: str, days: int, **told: int) -> None:
        home = way(self.visitor, url).homes[0]
        code = write_log_code(log_of(home, days, **told), home)
        self.visitor.get(f"{url}/diary")
        self.visitor.send(f"{url}/diary/code", code=code)

    def _measured(self) -> str:
        """Switch the measuring aids on, and take a photograph and a recording in."""
        from tests.web.test_measure import DESK, photographed, sent, stance

        desk = {**DESK, "factor": "by_itself", "aids": "on"}
        save_desk(self.visitor.casebook, LOCAL, desk, 0)
        found = photographed(self.visitor, self.whole).rpartition("/")[2]
        at = f"{self.whole}/measure"
        self.visitor.get(at)
        sent(self.visitor, f"{at}/recordings", [("file", stance())], kind="pressure")
        return found

    def _job(self) -> str:
        """Export everything as long work, and wait until it is over."""
        self.visitor.get("/files")
        found = self.visitor.client.post(
            "/files/everything",
            data={"token": self.visitor.token()},
            headers={"origin": BASE, "sec-fetch-site": "same-origin"},
        )
        url = str(found.headers["location"])
        while "hx-trigger" in self.visitor.get(url):
            sleep(0.05)
        return url.rpartition("/")[2]

    # ------------------------------------------------------------------ every page

    def pages(self) -> dict[str, str]:
        """Every page of the routes: a short name -> its address, each variable filled in."""
        found: dict[str, str] = {}
        for at in ROUTES:
            if "GET" not in at.methods.split():
                continue
            for name, url in self._filled(at).items():
                answer = self.visitor.client.get(url)
                assert answer.status_code in (200, 303), (url, answer.status_code)
                page = answer.headers.get("content-type", "").startswith("text/html")
                if page and "content-disposition" not in answer.headers:
                    found[name] = url
        return found

    def _filled(self, at: At) -> dict[str, str]:
        """Addresses of one route; fails for a variable that nothing is known for."""
        people = {"": self.whole, ".refused": self.refused, ".new": self.new}
        people[".planned"] = self.planned
        name = re.sub(r"/\{person\}|[{}]", "", at.path).strip("/").replace("/", "-")
        variables = tuple(re.findall(r"\{(\w+)\}", at.path))
        here = at.path.replace("{person}", self.whole.rpartition("/")[2])
        if variables == ("person",):
            one = at.path.replace
            last = at.path.rpartition("/")[2]
            some = {"exam": ("", ".new"), **dict.fromkeys(ALIKE, ("",))}
            kinds = some.get(last, people)
            return {f"{name}{k}": one("{person}", people[k][-32:]) for k in kinds}
        if at.path == "/book/part/{key}":
            shown = re.findall(r"/book/part/([\w.]+)", self.visitor.get("/book"))
            parts = tuple(dict.fromkeys(shown))  # the longest is the first
            return {f"{name}.{k}": here.replace("{key}", k) for k in (parts[1], parts[-1])}

        known = {"version": "1", "job": self.job, "key": OWN_ROW, "photo": self.photo}
        if "photo" in variables and not self.photo:
            return {}  # the measuring aids are not installed
        for variable in variables:
            if variable != "person":
                here = here.replace(f"{{{variable}}}", known[variable])
        return {name or "caseload": here}


@contextmanager
def served(found: RichCasebook) -> Iterator[str]:
    """Serve a casebook on this computer; gives its address."""
    bound = socket.create_server(("127.0.0.1", 0))
    app = found.visitor.app
    config = uvicorn.Config(app, log_level="error", access_log=False, lifespan="off")
    server = uvicorn.Server(config)
    thread = Thread(target=server.run, kwargs={"sockets": [bound]}, daemon=True)
    thread.start()
    yield f"http://localhost:{bound.getsockname()[1]}"
    server.should_exit = True
    thread.join(10)
