"""Measure rungwise beside its peers and write BENCHMARKS.md.

Run it as ``python benchmarks/run.py``; ``make bench`` installs the peers first. It takes about ten
minutes, two of them at a person's typing speed in the system's Chromium. Nothing here is a test of
speed: numbers of a busy machine are printed as they are.
"""

from __future__ import annotations

import argparse
import shutil
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchmarks.table import Section

ROOT = Path(__file__).resolve().parents[1]
PEERS = ("reportlab", "svglib", "pypdf", "statsmodels")
BROWSER = ("chromium", "playwright")


def missing() -> list[str]:
    """Name the peers, and parts of the browser, that are not installed."""
    chromium, playwright = BROWSER
    found = [name for name in (*PEERS, playwright) if find_spec(name) is None]
    return found + [chromium] * (shutil.which(chromium) is None)


def measure(smallest: bool) -> str:
    """Measure everything and tell each number on the way; return the page."""
    from benchmarks import (
        deciding,
        one_person,
        pages,
        photo,
        processes,
        recordings,
        records,
        trends,
        two_minutes,
    )
    from benchmarks.patient import SMALLEST, Patient, Sizes
    from benchmarks.table import machine, page

    where, on = machine(), datetime.now(UTC).date().isoformat()
    sizes = SMALLEST if smallest else Sizes()
    patient = Patient(sizes)
    kinds = (
        one_person.plan_section,
        one_person.page_section,
        one_person.step_section,
        one_person.drawing_section,
        trends.trend_section,
        deciding.decide_section,
        recordings.stance_section,
        photo.photo_section,
        processes.batch_section,
        processes.start_section,
        processes.load_section,
        two_minutes.two_minutes_section,
    )
    sections = [_told(section(patient, sizes)) for section in kinds]
    sections.append(_told(records.encryption_of(smallest)))
    sections += map(_told, pages.pages_of(smallest))
    return page(sections, on, where)


def _told(section: Section) -> Section:
    """Tell each number on the way."""
    sys.stderr.write(f"{section.heading}\n")
    for line in section.rows:
        sys.stderr.write(f"  {line.cells()}\n")
    return section


def main(argv: Sequence[str] | None = None) -> int:
    """Run it; returns the exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, default=ROOT / "BENCHMARKS.md", help="page to write")
    parser.add_argument("--smallest", action="store_true", help="one repetition, few people")
    args = parser.parse_args(argv)
    lacking = missing()
    if lacking:
        sys.stderr.write(f"Not installed: {', '.join(lacking)}. Run: make bench\n")
        return 1
    args.out.write_text(measure(args.smallest), "utf-8")
    return 0


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    sys.exit(main())
