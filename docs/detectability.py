"""Write docs/detectability.md: how many readings of which kind show a true gain.

Run it as ``python docs/detectability.py``; a test checks that the page is what it writes. The
picture is drawn by docs/gallery/make_gallery.py from the same sums.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from rungwise.book import load_book
from rungwise.core.detect import (
    KINDS,
    ReadingError,
    advise,
    chance_to_see,
    error_of_kind,
    least_gain,
    limit_z,
    readings_needed,
)
from rungwise.core.evidence import Evidence, printed

PAGE = Path(__file__).with_name("detectability.md")
#: What is bought: label, kind, days before and after.
BOUGHT = (
    ("one goniometer reading before, one after", "goniometer", 1, 1),
    ("the same by two people", "goniometer_other_rater", 1, 1),
    ("mean of three visits before, three after", "goniometer", 3, 3),
    ("the same by different people", "goniometer_other_rater", 3, 3),
    ("one reading with a phone, one after", "phone_goniometer", 1, 1),
    ("one photograph before, one after", "photograph", 1, 1),
    ("four weekly photographs before, four after", "photograph", 4, 4),
    ("twelve weekly photographs before, twelve after", "photograph", 12, 12),
    ("one day's rating of pain before, one after", "diary", 1, 1),
    ("four days of the diary before, four after", "diary", 4, 4),
    ("a week of the diary before, a week after", "diary", 7, 7),
    ("four weeks of the diary before, four after", "diary", 28, 28),
)
LINES = (
    ("photograph", 5, "a month"),
    ("photograph", 13, "twelve weeks"),
    ("goniometer", 7, "twelve weeks, every other week"),
)


def page(book: Evidence) -> str:
    """The page as Markdown."""
    return "\n".join(_page(book)) + "\n"


def _page(book: Evidence) -> Iterator[str]:
    chance = printed(book.value("detect.power_pct"), "pct")
    sure = printed(book.value("change.confidence_pct"), "pct")
    yield "<!-- written by docs/detectability.py; do not edit -->\n"
    yield "# What can be seen: how many readings show a true gain\n"
    yield "A change is called real when it is larger than error makes it. Too few readings, and a"
    yield f"true gain is missed. Here: the chance of seeing it is {chance}, the limit two-sided at"
    yield f"{sure}. Every number is computed by `rungwise.core.detect` from the rows of the book;"
    yield "the advice of the programme and its *what would settle it* come from the same sums.\n"
    yield "![Smallest true gain of bend that is seen](gallery/detectability.svg)\n"
    yield "## The errors that go in\n"
    yield "| kind | error of one day | never below | row | basis |\n|---|---|---|---|---|"
    for kind in KINDS:
        yield _error_line(kind, error_of_kind(kind, book))
    own, between = (
        book.row(key) for key in ("detect.photograph.own_sem", KINDS["photograph"].error)
    )
    yield "\n**A photograph has two errors, and only one is known.** Reading it:"
    yield f"{printed(own.value, own.unit)}, found on drawn scenes of which the truth is known"
    yield "([photo.md](photo.md)). What lies between days, that is how the toe was bent and where"
    whole = _size(error_of_kind("photograph", book).day, "deg")
    yield f"the marks were put: {between}, **an assumption**; no foot was measured. Together"
    yield f"{whole}: nearly all of it is assumed. Replace `{between.key}` when feet were"
    yield "photographed twice, on two days (`rungwise own-error`). The goniometer's"
    yield "error was found for the whole arc and is an upper bound. A day's pain varies more around"
    yield "its own level than two ratings of neighbouring days differ; the published error of such"
    yield "two ratings is taken as the floor of every mean. The noise of days is from memory: it"
    yield "can only make claims fewer.\n"
    yield "## How many are needed\n"
    yield "As many days before as after.\n"
    yield "| kind | true gain | days before, and after | with the error at its range's ends |"
    yield "|---|---|---|---|"
    for kind, found in KINDS.items():
        gain = book.row(found.gain)
        error = error_of_kind(kind, book)
        yield (
            f"| {found.label} | {printed(gain.value, gain.unit)} | "
            f"**{_days(readings_needed(gain.value, error, book))}** | "
            f"{_ends(gain.value, error, book)} |"
        )
    bare = ReadingError(error_of_kind("diary", book).sem)
    gain = book.row("detect.gain.pain")
    days = _days(readings_needed(gain.value, bare, book))
    yield f"\nWithout the floor, {days} days of the diary on either side would show"
    yield f"{printed(gain.value, gain.unit)} points. Whether days can be trusted that far has not"
    yield "been measured in this joint, so the programme does not.\n"
    yield "## What each buys\n"
    yield "| readings | smallest true gain seen | chance to see the gain looked for |"
    yield "|---|---|---|"
    for label, kind, before, after in BOUGHT:
        error = error_of_kind(kind, book)
        gain = book.row(KINDS[kind].gain)
        least = _size(least_gain(error, before, after, book), gain.unit)
        seen = 100 * chance_to_see(gain.value, error, before, after, book)
        yield f"| {label} | {least} | {seen:.0f} % ({printed(gain.value, gain.unit)}) |"
    yield "\nWith one reading before, later readings alone cannot make up for it: however many"
    one = error_of_kind("goniometer", book)
    many = _size(least_gain(one, 1, 10_000, book), "deg")
    yield f"follow, a true gain below {many} is seen less often than in {chance}. **Read on more"
    yield "than one day before the programme starts.**\n"
    yield "A line through readings at equal spacing, if the gain is steady:\n"
    yield "| readings | over | smallest true gain from first to last |\n|---|---|---|"
    reach = least_gain(one, 1, 1, book) / one.of_difference(1, 1)
    for kind, count, over in LINES:
        least = _size(reach * error_of_kind(kind, book).of_line(count), "deg")
        yield f"| {count} {KINDS[kind].label} | {over} | {least} |"
    yield "\n## What the programme advises\n"
    for kind, found in KINDS.items():
        yield f"* *{found.label}.* {advise(kind, book).says}"
    yield "\n## How it is computed\n"
    yield "Error of a mean of n days: σ/√n, not below the floor. Chance to see a true gain δ:"
    yield f"Φ(δ/s − z) + Φ(−δ/s − z), s² = s_before² + s_after², z = {limit_z(book):.3f}. Errors of"
    yield "different days are taken as normal and independent; those of one session are not, so"
    yield "three readings of one visit count as one day. Independent days are the weakest point: a"
    yield "flare or a stiff week touches several days, and then more are needed than stand here."
    yield "Tests hold the sums against a simulation with a fixed seed and against statsmodels'"
    yield "power of the normal test."


def _error_line(kind: str, error: ReadingError) -> str:
    row = error.sem
    below = "" if error.floor is None else printed(error.floor.value, error.floor.unit)
    basis = f"{row.basis}, {row.source}" if row.basis != row.source else row.basis
    marked = "**assumption**" if row.source == "own_assumption" else basis
    if error.own is None:
        return f"| {KINDS[kind].label} | {row} | {below or 'none known'} | `{row.key}` | {marked} |"
    own = error.own
    shown = f"{printed(own.value, own.unit)} reading it, {row} between days"
    keys = f"`{own.key}`, `{row.key}`"
    return f"| {KINDS[kind].label} | {shown} | none known | {keys} | drawn scenes, {marked} |"


def _ends(gain: float, error: ReadingError, book: Evidence) -> str:
    low, high = error.sem.low, error.sem.high
    if low is None or high is None or error.sem.source == "clin_s6":
        return "no range published"
    counts = [
        _days(readings_needed(gain, replace(error, sem=replace(error.sem, value=end)), book))
        for end in (low, high)
    ]
    return " to ".join(dict.fromkeys(counts))


def _days(count: int | None) -> str:
    return "no number is enough" if count is None else str(count)


def _size(value: float, unit: str) -> str:
    return printed(float(f"{value:.3g}"), unit)


def main() -> None:
    """Write the page."""
    PAGE.write_text(page(load_book()), "utf-8")


if __name__ == "__main__":
    main()
