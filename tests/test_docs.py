"""The generated pages are what the code writes; every hazard names a test that exists."""

from __future__ import annotations

import ast
import csv
import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

from rungwise.book import load_book

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
    for command in ("exam new", "exam check", "screen", "grade", "ladder", "plan", "book", "demo"):
        assert f"rungwise {command}" in start, command
