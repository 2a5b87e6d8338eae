"""Lead a scripted user from "New person" to the printed programme at a person's speed.

Run it as ``python benchmarks/two_minutes.py``: the system's Chromium is led key by key in real
time, which takes two minutes, and the time on the clock is told. ``--quick`` types without waiting
and adds up the same times. It needs playwright and the system's Chromium.

The user is modelled by the keystroke-level model of Card, Moran and Newell (1980), "The
keystroke-level model for user performance time with interactive systems", Communications of the ACM
23(7), 396-410, https://doi.org/10.1145/358886.358895; its times were read second hand. A key takes
0.28 s, the average of who types but is no typist; shift and control are keys of their own. To
point takes 1.1 s, a click is a key, to move the hand between keys and mouse takes 0.4 s, and before
every field and every button the user thinks for 1.35 s. The machine's answers are waited for as
they come.

*Field touched*: a field that is typed into, chosen in or ticked; a foot's three readings are three
fields, all the words of a choice or of a list are one, and so is the act that answers a group of
the screen with no. *Keystroke group*: all keys typed in one field, with the run of Tab or Enter
that led there; a button that is pressed, by key or by mouse, is a group of its own.

What is timed is the typing of what was found. To ask and to measure takes longer, and is the
therapist's work.
"""

from __future__ import annotations

import argparse
import shutil
import socket
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

ROOT = Path(__file__).resolve().parents[1]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from benchmarks.patient import SMALLEST, Patient, Sizes  # noqa: E402
from benchmarks.table import Row, Section  # noqa: E402

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page

__all__ = ["FINDINGS", "Count", "Hands", "begin", "lead", "served", "two_minutes_section"]

#: Times of the model [s].
KEY_S, POINT_S, HOME_S, THINK_S = 0.28, 1.1, 0.4, 1.35
MOST_S, MOST_FIELDS, MOST_GROUPS = 120.0, 45, 60
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
PASSPHRASE = "five plain words in a row"
FOLLOWED_BY = 400
#: A right big toe of grade 2, the left one grade 0; invented. Field of the form -> what is typed: a
#: text, or keys for the words of a choice. In the order of the form.
FINDINGS: dict[str, str] = {
    "therapist": "R. Alder",
    "worse_side": "r",
    "person.birth_year": "1968",
    "person.minutes_per_day": "15",
    "person.days_per_week": "5",
    "person.sex": "f",
    "person.height_cm": "165",
    "person.mass_kg": "68",
    "person.equipment": "12579",
    "screen_emergency": "\n",
    "screen_urgent": "\n",
    "screen_care": "\n",
    "screen_person": "\n",
    "right.pain_rest_nprs": "1",
    "left.pain_rest_nprs": "0",
    "right.pain_usual_nprs": "2",
    "left.pain_usual_nprs": "0",
    "right.pain_worst_nprs": "5",
    "left.pain_worst_nprs": "0",
    "right.skin": "i",
    "left.skin": "i",
    "right.sensation": "n",
    "left.sensation": "n",
    "right.pulses": "p",
    "left.pulses": "p",
    "right.mtp_dorsiflexion_deg.1.v1": "27",
    "right.mtp_dorsiflexion_deg.1.v2": "28",
    "right.mtp_dorsiflexion_deg.1.v3": "29",
    "right.mtp_dorsiflexion_deg.1.method": "s",
    "right.mtp_dorsiflexion_deg.1.instrument": "g",
    "right.mtp_dorsiflexion_deg.1.zero": "m",
    "left.mtp_dorsiflexion_deg.1.v1": "60",
    "left.mtp_dorsiflexion_deg.1.v2": "61",
    "left.mtp_dorsiflexion_deg.1.v3": "60",
    "right.pain_at": "2",
    "left.pain_at": "1",
    "right.flat_standing_deg": "14",
    "left.flat_standing_deg": "15",
    "right.arch_lift_toes_long": "y",
    "left.arch_lift_toes_long": "y",
}
#: What a second examination on this computer need not type: it is remembered of the clinic.
REMEMBERED = ("therapist", "right.mtp_dorsiflexion_deg.1.instrument")


@dataclass
class Count:
    """What the user did.

    Parameters
    ----------
    fields : list of str
        Fields touched.
    groups : list of str
        Keystroke groups, by what they were typed into.
    keys, points, homes, thoughts : int
        How often each of the model's operators was needed [1].
    waited_s : dict of str to float
        How long the machine was waited for, by what for [s].
    """

    fields: list[str] = field(default_factory=list)
    groups: list[str] = field(default_factory=list)
    keys: int = 0
    points: int = 0
    homes: int = 0
    thoughts: int = 0
    waited_s: dict[str, float] = field(default_factory=dict)

    @property
    def hands_s(self) -> float:
        """Time of the user by the model [s]."""
        moved = self.points * POINT_S + self.homes * HOME_S
        return self.keys * KEY_S + moved + self.thoughts * THINK_S

    @property
    def whole_s(self) -> float:
        """Time of the user, and of the machine that was waited for [s]."""
        return self.hands_s + sum(self.waited_s.values())


class Hands:
    """The user's hands and head: every key and click takes its time, and is counted."""

    def __init__(self, page: Page, real: bool) -> None:
        self.page, self.real, self.count = page, real, Count()
        self._on_mouse = False
        self._due = time.perf_counter()

    def _take(self, seconds: float) -> None:
        """Let the time of an operator pass; what the machine does meanwhile is not added to it."""
        self._due += seconds
        if self.real:
            time.sleep(max(0.0, self._due - time.perf_counter()))

    def think(self) -> None:
        """Make up one's mind."""
        self.count.thoughts += 1
        self._take(THINK_S)

    def _home(self, mouse: bool) -> None:
        if self._on_mouse != mouse:
            self._on_mouse = mouse
            self.count.homes += 1
            self._take(HOME_S)

    def press(self, key: str) -> None:
        """Press a key; one with control or shift is two."""
        self._home(mouse=False)
        cost = 1 + key.count("+") if len(key) > 1 else 1 + key.isupper()
        self.count.keys += cost
        self._take(cost * KEY_S)
        self.page.keyboard.press(key)

    def click(self, place: Locator) -> None:
        """Point at something and click."""
        self._home(mouse=True)
        self.count.points += 1
        self.count.keys += 1
        self._take(POINT_S + KEY_S)
        place.click()

    def button(self, name: str, place: Locator) -> None:
        """Press a button with the mouse, a group of its own."""
        self.count.groups.append(name)
        self.think()
        self.click(place)

    def wait(self, name: str, place: Locator) -> None:
        """Wait until the machine shows something."""
        begun = time.perf_counter()
        place.wait_for()
        self._due = time.perf_counter()
        self.count.waited_s[name] = self._due - begun

    def here(self) -> tuple[str, str]:
        """Name and kind of what has the focus; of a button, its value."""
        name, kind = self.page.evaluate(
            "(() => { const e = document.activeElement;"
            " return [e.type === 'submit' ? e.value : e.name || e.id || '', e.type || '']; })()"
        )
        return str(name), str(kind)

    def fill(self, name: str, typed: str, lead: bool = True) -> None:
        """Go on to a field by keys, and type into it."""
        self.think()
        here, kind = self.here()
        for _ in range(FOLLOWED_BY):
            if here == name or not lead:
                break
            self.press("Enter" if kind == "checkbox" else "Tab")  # Enter passes the rest of a list
            here, kind = self.here()
        else:
            raise RuntimeError(f"the keys never came to {name}")
        for one in typed:
            self.press("Enter" if one == "\n" else one)
        self.count.fields.append(name)
        self.count.groups.append(name)


# ------------------------------------------------------------------ the way


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """Serve new records on this computer; the address."""
    import uvicorn

    from rungwise.casebook import Casebook
    from rungwise.web.access import Settings
    from rungwise.web.app import create_app

    app = create_app(Casebook(folder / "data" / "records.db"), Settings())
    bound = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, log_level="error", access_log=False))
    thread = Thread(target=server.run, kwargs={"sockets": [bound]}, daemon=True)
    thread.start()
    yield f"http://localhost:{bound.getsockname()[1]}"
    server.should_exit = True
    thread.join(10)


def begin(page: Page, address: str) -> None:
    """Make the records, as at the first start; not timed."""
    page.goto(address)
    page.locator("#f-passphrase").fill(PASSPHRASE)
    page.locator("#f-again").fill(PASSPHRASE)
    page.locator("main button").click()
    page.locator("input[type=checkbox]").check()
    page.locator("form button.main").click()
    page.get_by_role("link", name="New person").wait_for()


def lead(page: Page, label: str, findings: dict[str, str], real: bool = False) -> tuple[Count, str]:
    """Go the whole way, from "New person" to the sheet that is printed.

    Parameters
    ----------
    page : playwright Page
        Any page of the clinic.
    label : str
        Label of the new person.
    findings : dict of str to str
        Field -> what is typed.
    real : bool
        Whether every key takes its time on the clock.

    Returns
    -------
    Count, str
        What the user did, and the address of the printed sheet.
    """
    hands = Hands(page, real)
    hands.button("New person", page.get_by_role("link", name="New person"))
    hands.wait("the form of a new person", page.locator("#f-label:focus"))
    hands.fill("f-label", label, lead=False)
    hands.press("Enter")
    hands.wait("the examination's form", page.locator("#exam"))
    for name, typed in findings.items():
        hands.fill(name, typed)
    hands.count.groups.append("save")
    hands.think()
    hands.press("Control+Enter")
    keep = page.get_by_role("button", name="Keep this programme")
    hands.wait("the programme", keep)
    hands.button("keep", keep)
    printed = page.get_by_role("link", name="Print (PDF)")
    hands.wait("the programme kept", printed)
    sheet = str(printed.evaluate("e => e.href"))
    hands.button("print", printed)
    begun = time.perf_counter()
    if not page.context.request.get(sheet).ok:
        raise RuntimeError("the sheet cannot be printed")
    hands.count.waited_s["the sheet"] = time.perf_counter() - begun
    return hands.count, sheet


# ------------------------------------------------------------------ what came of it


def measure(real: bool) -> tuple[Count, Count, float]:
    """Lead a first user, then the same user with a second person.

    Parameters
    ----------
    real : bool
        Whether the first way is gone in real time.

    Returns
    -------
    Count, Count, float
        Both ways, and how long the first took on the clock [s].
    """
    from playwright.sync_api import sync_playwright

    with (
        tempfile.TemporaryDirectory() as folder,
        served(Path(folder)) as address,
        sync_playwright() as player,
    ):
        browser = player.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        page = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()
        begin(page, address)
        begun = time.perf_counter()
        first, _ = lead(page, "N-102", FINDINGS, real)
        took = time.perf_counter() - begun
        later = {k: v for k, v in FINDINGS.items() if k not in REMEMBERED}
        second, _ = lead(page, "N-103", later)
        browser.close()
    return first, second, took


def two_minutes_section(_: Patient, sizes: Sizes) -> Section:
    """From a new person to the printed programme."""
    real = sizes is not SMALLEST
    first, second, took = measure(real)
    waited = sum(first.waited_s.values())

    def held(what: str, found: float, most: float, unit: str = "", places: int = 0) -> Row:
        least = f"≤ {most:.0f}{unit}"
        return Row(what, f"{found:.{places}f}{unit}", "", least, found <= most)

    parts = f"{first.keys} keys, {first.points} pointings, {first.thoughts} thoughts"
    rows = (
        Row(
            "**new person to printed, first use**, by the model",
            f"{first.whole_s:.0f} s",
            parts,
            f"≤ {MOST_S:.0f} s",
            first.whole_s <= MOST_S,
        ),
        *((held("the same on the clock, led in real time", took, MOST_S, " s"),) if real else ()),
        Row("of it, the machine waited for", f"{1000 * waited:.0f} ms"),
        held("fields touched", len(first.fields), MOST_FIELDS),
        held("keystroke groups", len(first.groups), MOST_GROUPS),
        Row("a second person on this computer, by the model", f"{second.whole_s:.0f} s"),
        Row("fields touched then", f"{len(second.fields)}"),
    )
    return Section(
        "From a new person to the printed programme",
        "A scripted user in the system's Chromium, every key pressed, by the keystroke-level model "
        "(Card, Moran and Newell 1980, doi 10.1145/358886.358895; its times read second hand): "
        "0.28 s a key, 1.1 s to point, 0.4 s between keys and mouse, 1.35 s of thought before "
        "every field and button. A field is what is typed into or chosen in; the "
        "act that answers a group of the screen with no is one. A "
        "keystroke group is what is typed in one field with the Tabs that led there, or one "
        "button. Typing only: to ask and to measure takes longer. `benchmarks/two_minutes.py` says "
        "how it counts.",
        rows,
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Run it; returns the exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="type without waiting")
    args = parser.parse_args(argv)
    if shutil.which("chromium") is None:
        sys.stderr.write("There is no chromium on this machine.\n")
        return 1
    first, second, took = measure(not args.quick)
    for name, one in (("first use", first), ("second person", second)):
        sys.stdout.write(
            f"{name}: {one.whole_s:.1f} s by the model ({one.keys} keys, {one.points} pointings, "
            f"{one.homes} moves of the hand, {one.thoughts} thoughts: {one.hands_s:.1f} s; machine "
            f"{sum(one.waited_s.values()):.2f} s), {len(one.fields)} fields, "
            f"{len(one.groups)} keystroke groups\n"
        )
        for what, seconds in one.waited_s.items():
            sys.stdout.write(f"  waited for {what}: {1000 * seconds:.0f} ms\n")
    told = "without waiting" if args.quick else "in real time"
    sys.stdout.write(f"first use on the clock, {told}: {took:.1f} s\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
