"""The stories are what the code tells now, and what they promise happens in them."""

from __future__ import annotations

import re
import runpy
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from rungwise.clinic import demo_exams, open_book

FOLDER = Path(__file__).resolve().parents[1] / "docs" / "gallery"
#: A chart is read on a slow line and kept in the history of the repository.
MOST_BYTES = 30_000


@cache
def script() -> dict[str, Any]:
    """The script that tells them."""
    return runpy.run_path(str(FOLDER / "stories.py"))


@cache
def made() -> dict[str, str]:
    """Every file as the code writes it now."""
    files: dict[str, str] = script()["files"]()
    return files


def story(promise: str) -> Any:
    """The one story that promises it."""
    (found,) = (one for one in script()["stories"]() if one.script["promise"] == promise)
    return found


def advised(one: Any, day: int) -> list[str]:
    """The outcome of each line at a visit."""
    (visit,) = (v for v in one.visits if v.day == day)
    return [line.outcome for line in visit.decision.lines]


def verdicts(one: Any) -> dict[str, str]:
    """First word of what changed -> the verdict."""
    told = script()["changes"](one, open_book())
    return {what.split()[0]: change.verdict for what, _, change in told}


def test_the_stories_are_up_to_date() -> None:
    written = {p.name: p.read_text("utf-8") for p in (FOLDER / "stories").iterdir()}
    assert sorted(written) == sorted(made())
    stale = [name for name, text in made().items() if written[name] != text]
    assert not stale, f"run: python docs/gallery/stories.py ({', '.join(stale)})"


def test_every_invented_person_has_a_story_of_twelve_weeks() -> None:
    told = script()["stories"]()
    assert {one.name for one in told} == set(demo_exams())
    assert all(one.visits[0].day == 0 and one.visits[-1].day == 84 for one in told)


def test_one_gets_better_beyond_error_in_pain_and_not_in_bend() -> None:
    found = verdicts(story("better"))
    assert found == {"bend": "within error", "pain": "beyond error and worthwhile"}


def test_one_who_does_three_times_the_sets_is_asked_and_goes_no_further() -> None:
    (visit,) = (v for v in story("better").visits if v.day == 56)
    assert "call.overdone" in [call.rule for call in visit.decision.calls]
    (line,) = (one for one in visit.decision.lines if one.exercise.family == "heel_raise")
    assert line.outcome == "same"
    assert "progress.overdone" in [reason.rule for reason in line.reasons]


def test_one_flares_steps_down_and_comes_back() -> None:
    one = story("flare")
    after_flare = next(v for v in one.visits if v.day == 42)
    sore = [line for line in after_flare.decision.lines if line.exercise.side == one.side]
    assert sore
    assert {line.outcome for line in sore} == {"down"}
    assert {line.reasons[0].rule for line in sore} == {"progress.high"}
    assert "up" in advised(one, 56)
    steps = {
        day: {
            (e.family, e.side): (sum(e.fitted.rung.places), e.dose_step)
            for e in next(v for v in one.visits if v.day == day).plan.exercises
        }
        for day in (28, 42, 70)
    }
    for line in sore:
        key = (line.exercise.family, line.exercise.side)
        assert steps[42][key] < steps[28][key] <= steps[70][key]


def test_one_stops_answering_and_is_called_before_anything_rises() -> None:
    one = story("silent")
    for day in (42, 56):
        visit = next(v for v in one.visits if v.day == day)
        assert "call.silent" in [call.rule for call in visit.decision.calls]
        assert not {"up", "same"} & set(advised(one, day))
        assert visit.then == "wait"
    back = next(v for v in one.visits if v.day == 70)
    assert back.examined
    assert back.plan.exercises


def test_one_reaches_the_goal_in_time() -> None:
    one = story("goal")
    (goal,) = one.exams[-1].activities
    assert one.exams[0].activities[0].rating < goal.target <= goal.rating
    assert one.exams[-1].on <= goal.by


def test_one_is_referred_and_everything_stops() -> None:
    one = story("referred")
    visit = next(v for v in one.visits if v.day == 33)
    assert set(advised(one, 33)) == {"stop and call"}
    assert {call.rule for call in visit.decision.calls} == {"call.refer", "call.stop"}
    assert not visit.plan.exercises
    assert visit.plan.screening.of("left").outcome == "refer"
    assert any("hospital" in line for line in visit.patient)


def test_nobody_without_clearance_gets_exercises_and_clearance_opens_them() -> None:
    later, none = story("later"), story("none")
    sides = [{e.side for e in v.plan.exercises} for v in later.visits[:3]]
    assert sides == [set(), {"left"}, {"left", "right"}]
    assert not any(v.plan.exercises for v in none.visits)


def test_most_answers_accept_one_keeps_and_one_changes() -> None:
    said = [
        told for one in script()["stories"]() for v in one.visits for told in v.answers.values()
    ]
    lines = [
        len(v.decision.lines) for one in script()["stories"]() for v in one.visits if v.decision
    ]
    assert {told.partition(":")[0] for told in said} == {"keep", "change"}
    assert len(said) < sum(lines) / 4


@pytest.mark.parametrize("kind", ["pain", "steps", "bend"])
def test_a_chart_is_small_stands_alone_and_says_what_it_shows(kind: str) -> None:
    charts = {name: text for name, text in made().items() if name.endswith(f"-{kind}.svg")}
    assert charts
    for name, text in charts.items():
        assert len(text.encode()) < MOST_BYTES, name
        tree = ET.fromstring(text)
        kinds = {node.tag.rpartition("}")[2] for node in tree.iter()}
        assert {"title", "desc"} <= kinds
        assert not kinds & {"script", "style", "image", "use", "foreignObject"}, name
        assert tree.get("role") == "img"
        said = " ".join(node.text or "" for node in tree.iter())
        wanted = {"pain": "over 5: too much", "steps": "down", "bend": "95 %"}[kind]
        assert wanted in said


def test_every_chart_is_on_its_page_with_words_beside_it() -> None:
    for name, text in made().items():
        if name.endswith(".md") and name != "README.md":
            shown = re.findall(r"!\[([^\]]{20,})\]\(([\w-]+\.svg)\)", text)
            own = name.removesuffix(".md")
            charts = {one for one in made() if re.fullmatch(rf"{own}-\w+\.svg", one)}
            assert {file for _, file in shown} == charts
            assert "**Invented.**" in text
