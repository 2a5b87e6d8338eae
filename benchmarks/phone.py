"""Measure the phone page and write its table into docs/phone.md.

Run it as ``python benchmarks/phone.py``. It needs playwright and the system's Chromium. The peer is
a bare page of as many bytes: the same browser, one column of plain text, no drawing and no script.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs/phone.md"
BEGIN, END = "<!-- written by benchmarks/phone.py -->\n", "<!-- end -->\n"
SLOWER = 4
REPETITIONS = 9
MOST_BYTES = 150_000
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]


def pages() -> dict[str, str]:
    """The single file of the demo person with most exercises, in each language."""
    from rungwise import clinic
    from rungwise.handout import build_handout
    from rungwise.phone import page_data, single_file
    from rungwise.plan_code import home_plan, write_plan_code
    from rungwise.words import load_words

    book = clinic.open_book()
    exams = (clinic.read_exam(text, book) for text in clinic.demo_exams().values())
    plans = [clinic.make_plan(exam, book, exam.on) for exam in exams]
    plan = max(plans, key=lambda p: len(p.exercises))
    home = home_plan(plan, book, bytes(8), bytes(16))
    made = {}
    for language in ("en", "es"):
        words = load_words(language)
        sheet = build_handout(plan, book, words)
        data = page_data(sheet, plan, home, write_plan_code(home), book, words)
        made[f"phone page, {language}, {len(home.lines)} exercises"] = single_file(data)
    return made


def bare(size: int) -> str:
    """A page of plain text of so many bytes."""
    head = '<!doctype html><html lang="en"><meta charset="utf-8"><title>bare</title>'
    line = "<p>Keep the heel and the ball of the foot down. Press the big toe down lightly.</p>\n"
    return (head + line * (size // len(line) + 1))[:size]


def first_paints(texts: Mapping[str, str], repetitions: int) -> tuple[str, dict[str, list[float]]]:
    """Time each page in turn, each time in a fresh browser profile with a slowed processor.

    Parameters
    ----------
    texts : mapping of str to str
        HTML by name.
    repetitions : int
        How often [1].

    Returns
    -------
    tuple of str and dict
        The browser, and the times of the first contentful paint of each page [s].
    """
    from playwright.sync_api import sync_playwright

    found: dict[str, list[float]] = {name: [] for name in texts}
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as player:
        browser = player.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        about = f"Chromium {browser.version}"
        for _ in range(repetitions):
            for place, (name, text) in enumerate(texts.items()):
                path = Path(folder) / f"{place}.html"
                path.write_text(text, "utf-8")
                context = browser.new_context(viewport={"width": 390, "height": 780})
                page = context.new_page()
                cdp = context.new_cdp_session(page)
                cdp.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
                page.goto(path.as_uri())
                paint = "performance.getEntriesByName('first-contentful-paint')"
                while not page.evaluate(f"{paint}.length"):
                    page.wait_for_timeout(10)
                found[name].append(page.evaluate(f"{paint}[0].startTime") / 1000)
                context.close()
        browser.close()
    return about, found


def measure(repetitions: int = REPETITIONS) -> str:
    """Measure all; returns the table as text."""
    from benchmarks.table import Row, machine, row
    from benchmarks.timing import Timing

    where, texts = machine(), pages()
    sizes = {name: len(text.encode()) for name, text in texts.items()}
    peer = "peer: a bare page of as many bytes"
    about, found = first_paints({**texts, peer: bare(max(sizes.values()))}, repetitions)
    timings = {name: Timing(tuple(seconds)) for name, seconds in found.items()}
    lines = [f"{where}; {about}, processor slowed {SLOWER} times.\n"]
    lines += ["| what | median | spread | target | |", "|---|---|---|---|---|"]
    for name, size in sizes.items():
        told = f"≤ {MOST_BYTES / 1000:.0f} kB"
        most = size <= MOST_BYTES
        lines.append(Row(f"size: {name}", f"{size / 1000:.1f} kB", "", told, most).cells())
    for name in texts:
        lines.append(row(f"first paint: {name}", timings[name], 1.0).cells())
    lines.append(row(f"first paint: {peer}", timings[peer]).cells())
    return "\n".join(lines) + "\n"


def written(page: str, table: str) -> str:
    """The page with its table replaced."""
    before, _, rest = page.partition(BEGIN)
    _, mark, after = rest.partition(END)
    if not mark:
        raise ValueError("docs/phone.md: the marks of the table are missing")
    return f"{before}{BEGIN}\n{table}\n{END}{after}"


def main(tell: Callable[[str], object] = sys.stderr.write) -> int:
    """Run it; returns the exit code."""
    if shutil.which("chromium") is None:
        tell("There is no chromium on this machine.\n")
        return 1
    table = measure()
    tell(table)
    PAGE.write_text(written(PAGE.read_text("utf-8"), table), "utf-8")
    return 0


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    sys.exit(main())
