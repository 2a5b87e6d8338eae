"""The proof of the rules of progress on its reduced grid; ``make prove`` goes through the full one.

The safety properties stand in ``docs/proof.md`` in plain words; the rules written a second time
follow the text of NEMEX (clin_s29c) and of common practice.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from proof import course, ladders, oracle, prove, rules
from rungwise.core import progress
from rungwise.core.followed import foot_days
from rungwise.core.judge import DOSE, UP, Facts, Limits, judge
from rungwise.core.steps import Step
from tests.factory import make_exam, real_book

ROOT = Path(__file__).resolve().parents[2]


@cache
def part(kind: str, which: str) -> prove.Part:
    return prove.prove(kind, which, reduced=True)


@pytest.mark.parametrize(("kind", "which"), prove.parts(reduced=True))
def test_nothing_is_violated(kind: str, which: str) -> None:
    found = part(kind, which)
    assert found.states > 0
    assert all(one.states > 0 for one in found.found)
    assert {one.says for one in found.found if one.violations} == set(), found.examples


def test_most_of_the_stricter_rules_decide_somewhere() -> None:
    alone = part("oracle", "").alone
    assert set(alone) == set(oracle.STRICTER)
    assert sum(states > 0 for states in alone.values()) >= len(alone) // 2


# ------------------------------------------------------------------ the proof can fail


@pytest.mark.parametrize(
    ("limit", "value"),
    [
        ("safe", 3.0),
        ("acceptable", 6.0),
        ("gap_down", 8.0),
        ("adherence_pct", 50.0),
        ("flares", 3.0),
    ],
)
def test_a_bolder_limit_is_found(limit: str, value: float) -> None:
    book = real_book()
    bold = replace(Limits.of(book), **{limit: value})  # type: ignore[arg-type]
    bad = 0
    for grid in rules.grids(reduced=True):
        codes = grid.codes(bold)
        bad += sum(v for *_, v in rules._checks(grid, codes))
    assert bad > 0


def test_the_rules_written_twice_find_a_limit_that_moved(monkeypatch: pytest.MonkeyPatch) -> None:
    moved = replace(Limits.of(real_book()), morning_over=2.0)
    monkeypatch.setattr(oracle, "Limits", SimpleNamespace(of=lambda book: moved))
    never_bolder, equal = oracle.compare(real_book(), 101)[0]
    assert never_bolder.violations > 0
    assert equal.violations > 0


def test_a_rule_left_out_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    def careless(facts: Facts, limits: Limits) -> np.ndarray:
        del limits
        return np.where(np.isnan(facts.morning).any(axis=1), UP, DOSE).astype(np.int8)

    monkeypatch.setattr(rules, "judge", careless)
    (grid, *_) = rules.grids(reduced=True)
    broken = {one.says for one in rules.prove_rules(real_book(), grid) if one.violations}
    assert "A missing datum never permits a rise" in broken
    assert "Stop always wins" in broken
    assert "Up only when every fact is known and good" in broken


def test_a_painful_week_before_that_hides_a_rise_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    def never_above(entries, side, usual, starts, today, book, version=None):  # type: ignore[no-untyped-def]
        days = foot_days(entries, side, usual, starts, today, book, version)
        before = foot_days(entries, side, 10.0, starts, today, book, version)
        return replace(days, last_week=before.last_week)

    says = "A week before above usual never gives a bolder answer than one at usual"
    for told, broken in ((foot_days, False), (never_above, True)):
        count = ladders.Count()
        monkeypatch.setattr(progress, "foot_days", told)
        course.prove_weeks(make_exam(), real_book(), count)
        (found,) = [one for one in count.results("") if one.says == says]
        assert (found.violations > 0) is broken
        assert found.states == 880


@pytest.mark.parametrize("mark", ["foot_alarm", "worse_joint", "unrated"])
def test_a_mark_that_is_not_heard_is_found(mark: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def deaf(facts: Facts, limits: Limits) -> np.ndarray:
        return judge(replace(facts, **{mark: ~getattr(facts, mark)}), limits)

    assert mark in rules.MARKS
    monkeypatch.setattr(rules, "judge", deaf)
    (grid, *_) = rules.grids(reduced=True)
    broken = {one.says for one in rules.prove_rules(real_book(), grid) if one.violations}
    assert rules.WORDS["mark"] in broken
    assert "Up only when every fact is known and good" in broken


def test_a_step_of_two_demands_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    def leap(family, places, dose_step, feet, only, dose_to):  # type: ignore[no-untyped-def]
        top = tuple(len(dial.notches) - 1 for dial in family.dials)
        says = feet[0].book.reason("progress.step_dial")
        return Step(top, dose_step + 1, family.dials[0].key, says), ()

    monkeypatch.setattr(ladders, "harder", leap)
    count = ladders.prove_steps(make_exam(), real_book(), True, ["toe_press"])
    broken = {one.says for one in count.results("") if one.violations}
    assert {ladders.ONE, ladders.BEND, ladders.SCREEN, ladders.KIT} <= broken
    assert all(count.examples[says] for says in broken)


def test_the_page_tells_a_full_run_without_violations() -> None:
    text = (ROOT / "docs" / "proof.md").read_text("utf-8")
    assert "**0 violations" in text or ", 0 violations**" in text
    assert "prove:" in (ROOT / "Makefile").read_text("utf-8")
    for name in oracle.STRICTER:
        assert f"| {name} |" in text
