"""The vectors of repetitions and stance: Python still says what stands in their file.

The browser test holds the JavaScript of the page to the same file.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.vectors.reps import FILE, SHORT, UNIT, WHY, answers, recordings_of

CASES: list[dict[str, Any]] = json.loads(FILE.read_text("utf-8"))


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_python_says_what_the_file_says(case: dict[str, Any]) -> None:
    told = answers(*recordings_of(case), held_only=case["name"] == SHORT)
    assert told.keys() == case["expect"].keys()
    for way, found in told.items():
        _same(found, case["expect"][way], f"{case['name']}, {way}")


def _same(found: Any, wanted: Any, place: str) -> None:
    """Words, counts and flags are equal; other numbers within 1e-5."""
    if isinstance(wanted, dict):
        assert found.keys() == wanted.keys(), place
        for key, value in wanted.items():
            _same(found[key], value, f"{place}, {key}")
    elif isinstance(wanted, list):
        assert len(found) == len(wanted), place
        for number, (one, other) in enumerate(zip(found, wanted, strict=True)):
            _same(one, other, f"{place}, {number}")
    elif isinstance(wanted, float):
        assert found == pytest.approx(wanted, abs=1e-5), place
    else:
        assert found == wanted, place


def test_the_file_holds_every_kind_of_answer() -> None:
    assert sum("heel raises at" in case["name"] for case in CASES) == 12
    refused = " ".join(e.get("cannot", "") for c in CASES for e in c["expect"].values())
    assert [why for why, says in WHY.items() if says not in refused] == []
    raised = [case["expect"]["raises"] for case in CASES if "raises" in case["expect"]]
    assert {one["by"] for one in raised if one.get("raises")} == {"turning", "tilt"}
    assert any(one.get("partial") for one in raised)
    held = [case["expect"]["held"] for case in CASES]
    assert {0, 2} <= {one.get("stepOuts") for one in held}
    assert {True, False} <= {one.get("openEnd") for one in held}


def test_the_file_is_small_and_of_five_digits_at_most() -> None:
    assert FILE.stat().st_size < 700_000
    assert max(abs(value) for case in CASES for row in case["rows"] for value in row) < 1e5
    assert UNIT == 0.001
