"""The tables of BENCHMARKS.md: a number with its spread, beside a target that was met or not."""

from __future__ import annotations

import os
import platform
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from benchmarks.timing import Timing

__all__ = ["COMMAND", "Row", "Section", "machine", "page", "rate", "row"]

COMMAND = "python benchmarks/run.py"
HEAD = f"""\
<!-- written by benchmarks/run.py; do not edit -->

# Speed and memory, beside peers

Written by `{COMMAND}`; `make bench` installs the peers from `requirements-bench.lock` and runs it.
All numbers are of one run, ours and the peers' in turn. The median counts; beside it stand the
quartiles and the best. A **floor** does a part of the work only; a **peer** does the like by other
means. WeasyPrint is no peer here: it needs system libraries that no wheel brings.
"""
LIBRARIES = ("numpy", "typst", "icalendar", "reportlab", "svglib", "lxml", "statsmodels")


@dataclass(frozen=True)
class Row:
    """One line of a table: what, its number as text, and a target with whether it was met."""

    what: str
    number: str
    spread: str = ""
    target: str = ""
    met: bool | None = None

    def cells(self) -> str:
        """Return the line of the table."""
        verdict = {None: "", True: "met", False: "**not met**"}[self.met]
        return f"| {self.what} | {self.number} | {self.spread} | {self.target} | {verdict} |"


@dataclass(frozen=True)
class Section:
    """One table: its heading, what was done, its rows."""

    heading: str
    about: str
    rows: tuple[Row, ...]


def shown(seconds: float) -> str:
    """Write a time with three figures in the unit that suits it."""
    for unit, size in (("s", 1.0), ("ms", 1e-3), ("µs", 1e-6)):
        if seconds >= size or unit == "µs":
            number = seconds / size
            places = 0 if number >= 100 else 1 if number >= 10 else 2
            return f"{number:.{places}f} {unit}"
    raise AssertionError


def row(what: str, timing: Timing, most_s: float | None = None) -> Row:
    """Make the line of a timing; the median is held against the target."""
    spread = f"{shown(timing.low_s)} – {shown(timing.high_s)}, best {shown(timing.best_s)}"
    if most_s is None:
        return Row(what, shown(timing.median_s), spread)
    return Row(
        what, shown(timing.median_s), spread, f"≤ {shown(most_s)}", timing.median_s <= most_s
    )


def rate(what: str, timing: Timing, count: int, least: float | None = None) -> Row:
    """Make the line of a batch: how many a second."""
    per_s = count / timing.median_s
    spread = f"{count / timing.high_s:.0f} – {count / timing.low_s:.0f}"
    if least is None:
        return Row(what, f"{per_s:.0f} /s", spread)
    return Row(what, f"{per_s:.0f} /s", spread, f"≥ {least:,.0f} /s", per_s >= least)


def machine() -> str:
    """Say on what it was measured, and how busy that was."""
    name = platform.processor() or platform.machine()
    about = Path("/proc/cpuinfo")
    if about.exists():
        models = [x for x in about.read_text("utf-8").splitlines() if x.startswith("model name")]
        name = models[0].partition(":")[2].strip() if models else name
    load = f", load {os.getloadavg()[0]:.1f} at the start" if hasattr(os, "getloadavg") else ""
    return f"{name}, {os.cpu_count()} cores{load}; {platform.system()}"


def versions() -> Iterator[str]:
    """Name Python and each library with its version."""
    yield f"Python {platform.python_version()}"
    for name in LIBRARIES:
        try:
            yield f"{name} {version(name)}"
        except PackageNotFoundError:
            continue


def page(sections: Sequence[Section], on: str, where: str) -> str:
    """Write the page."""
    rows = [r for s in sections for r in s.rows if r.met is not None]
    met = sum(bool(r.met) for r in rows)
    lines = [
        HEAD,
        f"* {on}, {where}",
        f"* {', '.join(versions())}",
        f"* {met} of {len(rows)} targets met",
    ]
    for section in sections:
        lines += ["", f"## {section.heading}", "", section.about, ""]
        lines += ["| what | median | spread | target | |", "|---|---|---|---|---|"]
        lines += [r.cells() for r in section.rows]
    return "\n".join(lines) + "\n"
