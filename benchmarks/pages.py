"""Measure every page of the clinic: 10,000 people with a year of diaries, 20 visitors at once.

Run it as ``python benchmarks/pages.py``; it prints its table. The pages are served as ``rungwise
open`` serves them, by one process; the visitors ask over HTTP from another. Server time is counted
in the server, from the request's arrival to its last byte, so it holds the wait for a turn.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import random
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from benchmarks.table import Row, Section, shown  # noqa: E402
from benchmarks.timing import environment  # noqa: E402

VISITORS, THINK_S = 20, (1.0, 3.0)
MOST_S, MOST_MB = 0.050, 400
#: Where it is asked for what was measured; no page of ours.
TOLD = "/benchmark"
PAGE = "x-page"
#: Every address at which a page answers to GET, and how it is asked for. None = it is not measured.
PAGES: Mapping[str, Sequence[str] | None] = {
    "/": ("/", "/?only=due", "/?only=quiet", "/?search=12"),
    "/people/new": ("/people/new",),
    "/people/{person}": ("/people/{person}",),
    "/people/{person}/exam": ("/people/{person}/exam",),
    "/people/{person}/programme": (
        "/people/{person}/programme",
        "/people/{person}/programme?draft=yes",
    ),
    "/people/{person}/diary": ("/people/{person}/diary",),
    "/people/{person}/advice": ("/people/{person}/advice",),
    "/people/{person}/change": ("/people/{person}/change",),
    "/people/{person}/notes": (
        "/people/{person}/notes",
        "/people/{person}/notes?kind=visit",
        "/people/{person}/notes?kind=progress",
        "/people/{person}/notes?kind=letter",
    ),
    "/people/{person}/notes/{version}/note.txt": ("/people/{person}/notes/1/note.txt",),
    "/people/{person}/programme/{version}/sheet.pdf": ("/people/{person}/programme/1/sheet.pdf",),
    "/people/{person}/programme/{version}/phone.html": ("/people/{person}/programme/1/phone.html",),
    "/people/{person}/erase": ("/people/{person}/erase",),
    "/class": ("/class",),
    "/book": ("/book",),
    "/book/part/{key}": ("/book/part/row",),
    "/book/row/{key}": ("/book/row/progress.sessions_min",),
    "/book/own-error": ("/book/own-error",),
    "/files": ("/files",),
    "/files/print": ("/files/print",),
    "/settings": ("/settings",),
    "/settings/second-factor": None,  # shown once
    "/audit": ("/audit",),
    "/enter": None,  # who is signed in is sent on
    "/enter/recover": None,
    "/recovery": None,  # shown once
    "/people/{person}/measure": None,  # the aids are off until they are asked for
    "/people/{person}/measure/{photo}": None,
    "/people/{person}/measure/{photo}/picture": None,
    "/people/{person}/measure/recording": None,
    "/running/{job}": None,  # there while something runs
    "/running/{job}/file": None,
}
#: Files that are made anew at every request; they are told, and not held against the pages' target.
FILES = ("/people/{person}/programme/1/sheet.pdf", "/people/{person}/programme/1/phone.html")
#: Pages for which another role is needed than a therapist's.
OFFICE = ("/people/{person}/erase", "/book/own-error", "/audit")
FLOOR = "/floor"


@dataclass(frozen=True)
class Load:
    """How much is measured.

    Parameters
    ----------
    people, followed : int
        People of the clinic, and how many of them were followed for real [1].
    rounds : int
        How often each visitor goes through every page [1].
    visitors : int
        How many there are at once [1].
    pauses : bool
        Whether they pause between two clicks, where that is said.
    """

    people: int = 10_000
    followed: int = 16
    rounds: int = 2
    visitors: int = VISITORS
    pauses: bool = True


LEAST = Load(12, 5, 1, 2, pauses=False)


def addresses() -> list[str]:
    """Every address that is asked for, in the order of a visit."""
    return [one for asked in PAGES.values() if asked is not None for one in asked]


# ------------------------------------------------------------------ the server


class Stopwatch:
    """Counts how long each answer takes in the server, by the page's name in the request."""

    def __init__(self, app: Any) -> None:
        self.app = app
        self.took: dict[str, list[float]] = {}
        self.cpu_s = time.process_time()

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Answer, and count."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        if scope["path"] == TOLD:
            await self._tell(send)
            return
        start = time.perf_counter()
        await self.app(scope, receive, send)
        name = dict(scope["headers"]).get(PAGE.encode(), b"").decode()
        self.took.setdefault(name, []).append(time.perf_counter() - start)

    async def _tell(self, send: Any) -> None:
        """What was counted since it was asked last, and the memory now."""
        told, self.took = self.took, {}
        now_s = time.process_time()
        body = json.dumps(
            {"took": told, "cpu_s": now_s - self.cpu_s, "memory_mb": memory_mb()}
        ).encode()
        self.cpu_s = now_s
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": body})


def memory_mb() -> float | None:
    """The most that this process held [MB]; None where the system does not tell."""
    status = Path("/proc/self/status")
    if not status.exists():
        return None
    return next(
        int(line.split()[1]) / 1000
        for line in status.read_text("ascii").splitlines()
        if line.startswith("VmHWM")
    )


def serve_clinic(folder: Path) -> tuple[Any, list[str]]:
    """The pages of a folder's records, and cookies: a therapist for each visitor, and the office.

    The last one is the session of the one user of a computer, who may everything.
    """
    from benchmarks.clinic_year import CHEAP, PASSPHRASE
    from rungwise.casebook import LOCAL, RECORDS, Casebook
    from rungwise.web.access import Settings
    from rungwise.web.app import create_app

    casebook = Casebook(folder / RECORDS, n=CHEAP)
    casebook.unlock(PASSPHRASE)
    settings = Settings()
    app = create_app(casebook, settings)
    access = app.state.access
    tokens = []
    for n in range(VISITORS):
        name, password = f"therapist {n}", f"tall lantern over quiet water {n}"
        casebook.accounts.add(LOCAL, name, "therapist", password)
        tokens.append(access.sign_in(name, password, "", "127.0.0.1"))
    tokens.append(access.begin(LOCAL, ""))
    return app, [f"{settings.cookie}={token}" for token in tokens]


def serve_floor() -> Any:
    """The least that the framework does: one page from one template, with fifty rows."""
    from jinja2 import Environment
    from starlette.applications import Starlette
    from starlette.concurrency import run_in_threadpool
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import Route

    template = Environment(autoescape=True).from_string(
        "<!doctype html><title>{{ title }}</title><table>{% for row in rows %}<tr>"
        "{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}</table>"
    )
    rows = [[f"{row} · {column}" for column in range(5)] for row in range(50)]

    def made() -> Response:
        return Response(template.render(title="Floor", rows=rows), media_type="text/html")

    async def page(_: Request) -> Response:
        return await run_in_threadpool(made)

    return Starlette(routes=[Route(FLOOR, page)])


def serve(what: str, bound: socket.socket) -> None:
    """Serve a folder's records, or the floor, until it is stopped; tells its cookies first."""
    import uvicorn

    app, cookies = (serve_floor(), []) if what == "floor" else serve_clinic(Path(what))
    sys.stdout.write(json.dumps(cookies) + "\n")
    sys.stdout.flush()
    config = uvicorn.Config(
        Stopwatch(app), access_log=False, log_level="warning", server_header=False
    )
    asyncio.run(uvicorn.Server(config).serve(sockets=[bound]))


@contextmanager
def served(what: str) -> Iterator[tuple[int, list[str]]]:
    """A server in a process of its own: its port and cookies."""
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        bound.listen(128)
        port, number = bound.getsockname()[1], bound.fileno()
        command = [sys.executable, __file__, "--serve", what, "--socket", str(number)]
        process = subprocess.Popen(
            command, stdout=subprocess.PIPE, pass_fds=[number], env=environment(), text=True
        )
    assert process.stdout is not None
    try:
        line = process.stdout.readline()
        if not line:
            raise RuntimeError(f"the server of {what} did not start")
        yield port, json.loads(line)
    finally:
        process.terminate()
        process.wait(timeout=30)


# ------------------------------------------------------------------ the visitors


@dataclass
class Counted:
    """What one run of all visitors came to.

    Parameters
    ----------
    server, client : mapping of str to list of float
        Times by address, as the server and as the visitors counted them [s].
    wall_s, cpu_s : float
        How long it took, and for how long the server computed [s].
    memory_mb : float or None
        The most that the server held so far [MB].
    """

    server: Mapping[str, Sequence[float]]
    client: Mapping[str, Sequence[float]]
    wall_s: float
    cpu_s: float
    memory_mb: float | None

    @property
    def requests(self) -> int:
        """How many were answered [1]."""
        return sum(map(len, self.client.values()))


def ask(connection: HTTPConnection, url: str, name: str, cookie: str) -> float:
    """Ask for a page; returns how long it took [s].

    Raises
    ------
    RuntimeError
        It was not there.
    """
    headers = {PAGE: name, "cookie": cookie, "host": "localhost"}
    start = time.perf_counter()
    connection.request("GET", url, headers=headers)
    answer = connection.getresponse()
    body = answer.read()
    took = time.perf_counter() - start
    if answer.status != 200:
        told = re.sub(r"<[^>]*>|\s+", " ", body.decode("utf-8", "replace"))[:500]
        raise RuntimeError(f"{url}: {answer.status} {told}")
    return took


def visit(
    port: int,
    cookies: Sequence[str],
    names: Sequence[str],
    people: Sequence[str],
    rounds: int,
    think: bool,
    visitors: int = VISITORS,
) -> Counted:
    """Everybody goes through every page, with another person each round.

    Each visitor begins at another page, so that not all ask for the same one at once.
    """
    told(port)
    client: dict[str, list[float]] = {}
    faults: list[Exception] = []
    lock = threading.Lock()

    def go(number: int) -> None:
        chance = random.Random(number)
        turned = len(names) * number // visitors
        connection = HTTPConnection("127.0.0.1", port, timeout=120)
        if think:
            time.sleep(chance.uniform(0, THINK_S[1]))
        try:
            for _ in range(rounds):
                person = chance.choice(people) if people else ""
                for name in (*names[turned:], *names[:turned]):
                    cookie = cookies[-1 if name in OFFICE else number] if cookies else ""
                    took = ask(connection, name.replace("{person}", person), name, cookie)
                    with lock:
                        client.setdefault(name, []).append(took)
                    if think:
                        time.sleep(chance.uniform(*THINK_S))
        except Exception as error:  # noqa: BLE001 - told by the one who waits
            faults.append(error)

    threads = [threading.Thread(target=go, args=(number,)) for number in range(visitors)]
    start = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    wall_s = time.perf_counter() - start
    if faults:
        raise faults[0]
    found = told(port)
    return Counted(found["took"], client, wall_s, found["cpu_s"], found["memory_mb"])


def told(port: int) -> dict[str, Any]:
    """What a server counted since it was asked last."""
    connection = HTTPConnection("127.0.0.1", port, timeout=30)
    connection.request("GET", TOLD, headers={"host": "localhost"})
    answer: dict[str, Any] = json.loads(connection.getresponse().read())
    connection.close()
    return answer


def share_s(seconds: Sequence[float], share: float) -> float:
    """The time that such a share of them stays under [s]."""
    ordered = sorted(seconds)
    return ordered[min(int(share * len(ordered)), len(ordered) - 1)]


# ------------------------------------------------------------------ the tables


def pages_of(smallest: bool) -> list[Section]:
    """As the whole run asks for it."""
    return pages_sections(LEAST if smallest else Load())


def pages_sections(load: Load, say: Callable[[str], object] = lambda _: None) -> list[Section]:
    """The pages with a pause between two clicks, and without one, beside the floor."""
    from benchmarks.clinic_year import make_clinic

    names = addresses()
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        jobs = min(2, os.cpu_count() or 1)
        made = make_clinic(Path(folder), load.people, load.followed, datetime.now(UTC).date(), jobs)
        built_s = time.perf_counter() - start
        size_mb = sum(f.stat().st_size for f in Path(folder).iterdir() if f.is_file()) / 1e6
        say(f"{load.people} people made in {built_s:.0f} s, {size_mb:.0f} MB")
        with served("floor") as (port, none):
            visit(port, none, [FLOOR], [], 2, think=False)
            floor = visit(port, none, [FLOOR], [], 8 * load.rounds, load.pauses, load.visitors)
            floor_hard = visit(port, none, [FLOOR], [], 20 * load.rounds, False, load.visitors)
        say("floor measured")
        with served(folder) as (port, cookies):
            visit(port, cookies, names, made.people, 1, think=False)  # templates and words are read
            say("warm")
            alone = visit(port, cookies, names, made.people, 3 * load.rounds, False, visitors=1)
            calm = visit(port, cookies, names, made.people, load.rounds, load.pauses, load.visitors)
            say(f"with pauses: {calm.wall_s:.0f} s")
            hard = visit(
                port, cookies, names, made.people, -(-load.rounds // 2), False, load.visitors
            )
            say(f"without: {hard.wall_s:.0f} s")
    return [
        _calm(load, made.followed, (alone, calm), floor, names, (built_s, size_mb, made.records)),
        _hard(hard, floor_hard, names),
    ]


def _calm(
    load: Load,
    followed: int,
    runs: tuple[Counted, Counted],
    floor: Counted,
    names: Sequence[str],
    made: tuple[float, float, int],
) -> Section:
    (built_s, size_mb, records), (alone, found) = made, runs
    pages = [name for name in names if name not in FILES]
    worst = max(pages, key=lambda name: share_s(found.server[name], 0.95))
    worst_s = share_s(found.server[worst], 0.95)
    rows = [
        Row(
            f"**slowest page, p95** (`{worst}`)",
            shown(worst_s),
            "",
            f"≤ {shown(MOST_S)}",
            worst_s <= MOST_S,
        )
    ]
    memory = found.memory_mb
    if memory is None:
        rows.append(Row("memory of the server", "not told here"))
    else:
        rows.append(
            Row(
                "**most memory of the server**",
                f"{memory:.0f} MB",
                "",
                f"≤ {MOST_MB} MB",
                memory <= MOST_MB,
            )
        )
    rows.append(_row("floor: a bare page of Starlette and Jinja2", floor, FLOOR))
    rows += [_row(f"`{name}`", found, name, alone) for name in pages]
    rows += [
        _row(f"a file made anew: `{name}`", found, name, alone) for name in names if name in FILES
    ]
    busy = 100 * found.cpu_s / found.wall_s
    about = (
        f"{load.people:,} people with a year each: 13 examinations and programmes, 12 decisions, "
        f"26 hand-overs of two weeks, 3 notes; {records:,} records, {size_mb:.0f} MB encrypted, "
        f"made in {built_s:.0f} s. {followed} of them were followed by the rules, the others are "
        f"copies of those. {VISITORS} visitors at once, each with a session, {THINK_S[0]:g} to "
        f"{THINK_S[1]:g} s between two clicks, another person each round: "
        f"{found.requests / found.wall_s:.0f} requests a second, {found.requests:,} in all; the "
        f"server computed {busy:.0f} % of the time of one core. Median of the server's time; "
        "beside it p95 there, p95 as the visitors counted it, and the median with one visitor."
    )
    return Section("Pages of a clinic, 20 people at work", about, tuple(rows))


def _hard(found: Counted, floor: Counted, names: Sequence[str]) -> Section:
    def rate(one: Counted) -> str:
        return f"{one.requests / one.wall_s:.0f} /s"

    cpu_s = found.cpu_s / found.requests
    rows = [
        Row("requests a second, pages in turn", rate(found)),
        Row("floor: requests a second of the bare page", rate(floor)),
        Row("computing for one request, mean", shown(cpu_s)),
        Row("floor: computing for one request, mean", shown(floor.cpu_s / floor.requests)),
        _row("floor: the bare page", floor, FLOOR),
        _row(
            "all pages",
            Counted(
                {"": [s for n in names for s in found.server[n]]},
                {"": [s for n in names for s in found.client[n]]},
                found.wall_s,
                found.cpu_s,
                None,
            ),
            "",
        ),
    ]
    about = (
        f"The same {VISITORS} visitors without any pause: one process has one core's worth of "
        "Python, so what is counted is the wait for a turn: about the time of one request by the "
        f"number of visitors. {found.requests:,} requests."
    )
    return Section("Pages of a clinic, without a pause", about, tuple(rows))


def _row(what: str, found: Counted, name: str, alone: Counted | None = None) -> Row:
    by_one = "" if alone is None else f"; alone {shown(share_s(alone.server[name], 0.5))}"
    server, client = found.server[name], found.client[name]
    return Row(
        what,
        shown(share_s(server, 0.5)),
        f"p95 {shown(share_s(server, 0.95))}; visitors p95 {shown(share_s(client, 0.95))}{by_one}",
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Run it; returns the exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--people", type=int, default=Load.people, help="size of the clinic")
    parser.add_argument("--followed", type=int, default=Load.followed, help="followed for real")
    parser.add_argument("--rounds", type=int, default=Load.rounds, help="rounds of each visitor")
    parser.add_argument("--serve", help=argparse.SUPPRESS)
    parser.add_argument("--socket", type=int, help=argparse.SUPPRESS)
    args = parser.parse_args(argv)
    if args.serve:
        serve(args.serve, socket.socket(fileno=args.socket))
        return 0

    def say(line: str) -> None:
        sys.stderr.write(f"{line}\n")

    for section in pages_sections(Load(args.people, args.followed, args.rounds), say):
        lines = [f"\n{section.heading}: {section.about}", *(r.cells() for r in section.rows)]
        sys.stdout.write("\n".join(lines) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
