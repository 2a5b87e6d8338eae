"""The generated pages are what the code writes; every hazard names a test that exists."""

from __future__ import annotations

import ast
import csv
import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

from rungwise.book import load_book
from rungwise.plan_code import read_log_code, read_plan_code

ROOT = Path(__file__).parents[1]


def build() -> ModuleType:
    """The script that writes the pages."""
    spec = importlib.util.spec_from_file_location("docs_build", ROOT / "docs/build.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def hazards() -> list[dict[str, str]]:
    """The rows of the hazard table."""
    with (ROOT / "docs/hazards.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_generated_pages_are_up_to_date() -> None:
    made = build()
    assert (ROOT / "docs/terms.md").read_text("utf-8") == made.terms_page(load_book())
    assert (ROOT / "docs/safety.md").read_text("utf-8") == made.safety_page()
    assert (ROOT / "docs/plan-code.md").read_text("utf-8") == made.plan_code_page()


def test_the_printed_vectors_are_read_as_they_are_told() -> None:
    text = (ROOT / "docs/plan-code.md").read_text("utf-8")
    plan_text, told_text, log_text = re.findall(r"```\n(RW1\S+)\n```", text)
    plan = read_plan_code(plan_text)
    assert (plan.number, plan.key) == (bytes(range(8)), bytes(range(16)))
    assert [line.family for line in plan.lines] == ["toe_press", "heel_raise"]
    assert plan.lines[0].sizes == {"cloth_thickness_mm": 7, "touch_mm": 45}
    assert plan.lines[1].both
    told = read_plan_code(told_text)
    assert [(c.kind, c.side) for c in told.cautions] == [
        ("numb", "left"),
        ("unsteady", None),
        ("bruise", None),
    ]
    assert [(f.item, f.level, f.side) for f in told.findings] == [
        ("broken_skin", "urgent", "right"),
        ("falls", "review", None),
    ]
    assert (told.unfinished, told.phone, told.emergency) == (("right",), "+15550100", "112")
    (session,) = read_log_code(log_text, plan).sessions
    assert session.on == plan.starts
    assert [e.why_not for e in session.entries] == ["", "no_time"]
    assert [e.morning for e in session.entries] == [None, 3]


def test_the_hazards_are_all_there() -> None:
    # DESIGN §8: the hazard list of ISO 14971 / IEC 62366 style, Z1 to Z18.
    assert [row["id"] for row in hazards()] == [f"Z{n}" for n in range(1, 19)]


@pytest.mark.parametrize("row", hazards(), ids=lambda row: row["id"])
def test_every_control_names_code_and_a_test_that_exists(row: dict[str, str]) -> None:
    tests = [t.strip() for t in row["verification"].split(";") if t.strip()]
    if row["status"].startswith("later:"):
        assert not tests
        return
    assert row["status"] == "now"
    assert tests
    for test in tests:
        file, _, name = test.partition("::")
        tree = ast.parse((ROOT / file).read_text("utf-8"))
        assert name in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}, test
    for part in row["code"].split(";"):
        path = ROOT / "src/rungwise" / part.strip()
        found = path.exists() or (ROOT / "src/rungwise/data" / part.strip()).exists()
        assert found, part


def test_every_command_is_documented() -> None:
    start = (ROOT / "docs/start.md").read_text("utf-8")
    for command in (
        "exam new",
        "exam check",
        "screen",
        "grade",
        "ladder",
        "plan",
        "book",
        "demo",
        "code",
    ):
        assert f"rungwise {command}" in start, command
    for command in ("diary add", "diary read", "diary show"):
        assert f"rungwise {command}" in start, command
