"""The benchmarks run from end to end; how fast is never tested."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from benchmarks import run
from benchmarks.pages import FILES, OFFICE, PAGES, addresses
from benchmarks.people import varied_exams
from benchmarks.table import COMMAND
from rungwise.clinic import demo_exams, read_exam
from rungwise.web.pages import ROUTES
from tests.factory import DAY, real_book
from tests.test_house_data import DEV, loose_pins, pins

ROOT = Path(__file__).resolve().parents[1]
LOCK = (ROOT / "requirements-bench.lock").read_text("utf-8")


def test_the_page_names_the_command_that_writes_it() -> None:
    page = (ROOT / "BENCHMARKS.md").read_text("utf-8")
    assert f"`{COMMAND}`" in page
    assert (ROOT / COMMAND.split()[1]).is_file()
    assert COMMAND.split()[1] in (ROOT / "Makefile").read_text("utf-8")


def test_every_target_on_the_page_has_its_verdict() -> None:
    page = (ROOT / "BENCHMARKS.md").read_text("utf-8")
    rows = [[c.strip() for c in line.split("|")] for line in page.splitlines() if line[:1] == "|"]
    judged = [cells for cells in rows if cells[4][:1] in ("≤", "≥")]
    # plan, page twice, two batches, start, drawing, trends twice, deciding, stance, photograph, two
    # minutes: four, the clinic's pages, and the memory of their server
    assert len(judged) == 18
    assert {cells[5] for cells in judged} <= {"met", "**not met**"}
    met = sum(cells[5] == "met" for cells in judged)
    assert f"{met} of {len(judged)} targets met" in page


def test_the_varied_people_are_valid_and_the_same_each_time() -> None:
    made = varied_exams(14)
    assert made == varied_exams(14)
    assert made != varied_exams(14, seed=1)
    assert not set(made.values()) & set(demo_exams().values())
    for text in made.values():
        assert read_exam(text, real_book()).on > DAY


def test_every_page_is_measured_or_left_out_by_name() -> None:
    assert set(PAGES) == {at.path for at in ROUTES if "GET" in at.methods.split()}
    assert set(FILES) | set(OFFICE) <= set(addresses())


def test_the_peers_are_locked_with_the_versions_of_the_tests() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    wanted = {re.split(r"[<>=]", spec)[0] for spec in project["dependency-groups"]["bench"]}
    assert set(run.PEERS) == wanted
    assert loose_pins(LOCK) == []
    ours, tested = ({pin.split(" ; ")[0] for pin in pins(lock)} for lock in (LOCK, DEV))
    assert wanted <= {pin.split("==")[0] for pin in ours}
    shared = {pin.split("==")[0] for pin in ours} & {pin.split("==")[0] for pin in tested}
    assert {pin for pin in ours if pin.split("==")[0] in shared} <= tested


def test_everything_is_measured_once_without_a_fault(tmp_path: Path) -> None:
    lacking = run.missing()
    if lacking:
        pytest.skip(f"peers are not installed: {', '.join(lacking)}; make bench installs them")
    page = tmp_path / "page.txt"
    done = subprocess.run(
        [sys.executable, str(ROOT / "benchmarks/run.py"), "--smallest", "--out", str(page)],
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    text = page.read_text("utf-8")
    written = (ROOT / "BENCHMARKS.md").read_text("utf-8")
    headings = [line for line in text.splitlines() if line.startswith("## ")]
    assert headings == [line for line in written.splitlines() if line.startswith("## ")]
    assert "tagged PDF/UA-1" in text
