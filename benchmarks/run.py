"""Measure rungwise beside its peers and write BENCHMARKS.md.

Run it as ``python benchmarks/run.py``; ``make bench`` installs the peers first. It takes about two
minutes. Nothing here is a test of speed: numbers of a busy machine are printed as they are.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PEERS = ("reportlab", "svglib", "pypdf", "statsmodels")


def missing() -> list[str]:
    """Name the peers that are not installed."""
    return [name for name in PEERS if find_spec(name) is None]


def measure(smallest: bool) -> str:
    """Measure everything and tell each number on the way; return the page."""
    from benchmarks import deciding, one_person, processes, trends
    from benchmarks.patient import SMALLEST, Patient, Sizes
    from benchmarks.table import machine, page

    where, on = machine(), datetime.now(UTC).date().isoformat()
    sizes = SMALLEST if smallest else Sizes()
    patient = Patient(sizes)
    sections = []
    for section in (
        one_person.plan_section,
        one_person.page_section,
        one_person.step_section,
        one_person.drawing_section,
        trends.trend_section,
        deciding.decide_section,
        processes.batch_section,
        processes.start_section,
        processes.load_section,
    ):
        sections.append(section(patient, sizes))
        sys.stderr.write(f"{sections[-1].heading}\n")
        for line in sections[-1].rows:
            sys.stderr.write(f"  {line.cells()}\n")
    return page(sections, on, where)


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
