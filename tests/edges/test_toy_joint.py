"""A toy hinge joint: one data folder and one module, and the way from exam to report works.

If something else had to change for it, the seam would be in the wrong place.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from types import ModuleType

import pytest

from rungwise.book import load_book
from rungwise.clinic import make_plan
from rungwise.core.evidence import Evidence
from rungwise.core.planar import Pose
from rungwise.core.terms import Body, Exam, Loads, Rung, Side
from rungwise.report import ladder_report, plan_report
from tests.factory import DAY, make_exam

FAMILY = """
family = "swing"
tags = ["joint_motion", "pain_guided"]
needs = ["chair"]
sources = ["house_rule"]

[rise]
order = ["angle"]
dose_to = 1
dose_least = 1
dose_after = 1

[[dial]]
key = "angle"
raises = "bend"

[[dial.notch]]
key = "little"
set = { bend_share = 0.25 }

[[dial.notch]]
key = "half"
set = { bend_share = 0.5 }
start_if = [{ measure = "pain_usual_nprs", at_most = "pain.safe_max" }]

[[dial.notch]]
key = "all"
set = { bend_share = 1.0 }
"""
JOINT = """
name = "toy hinge"
priority = ["swing"]
equipment = [
  "chair", "cloth", "cushion", "counter", "books", "scale", "ball", "rail", "shoes", "weight",
]
clinic_may_set = []
"""
DOSES = (
    "key,sets,reps,hold_s,lift_s,lower_s,rest_s,days_per_week,basis,source,note\n"
    "swing.1,1,5,0,1,2,30,3,practice,house_rule,invented\n"
)


def hinge() -> ModuleType:
    """A module with the four functions of a joint."""
    module = ModuleType("rungwise.core.toy_hinge")

    def body_of(exam: Exam, side: Side, book: Evidence) -> Body:
        del book
        bend = exam.number("mtp_dorsiflexion_deg", side) or 0.0
        return Body(250, 180, 70, 20, 90, 60, 400, 400, exam.person.mass_kg, bend / 2)

    def pose(rung: Rung, body: Body, book: Evidence) -> Pose:
        del book
        bend = float(rung.settings["bend_share"]) * body.bend_available_deg
        return Pose({"pin": (0.0, 0.0)}, (), (), bend, {}, (), bend)

    def loads(rung: Rung, body: Body, book: Evidence) -> Loads:
        del rung, body, book
        return Loads(0.1, 0.05, 0.2, 1)

    def base_of_support(stance: str, body: Body) -> tuple[float, float]:
        del stance
        return body.foot_width_mm, body.foot_length_mm

    module.__dict__.update(body_of=body_of, pose=pose, loads=loads, base_of_support=base_of_support)
    return module


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Evidence]:
    """The book of the toy joint, and its module where the clinic looks for it."""
    data = tmp_path / "data"
    shutil.copytree(str(files("rungwise") / "data"), data)
    folder = data / "toy_hinge"
    (data / "first_mtp").rename(folder)
    shutil.rmtree(folder / "exercises")
    (folder / "exercises").mkdir()
    (folder / "exercises/swing.toml").write_text(FAMILY, "utf-8")
    (folder / "joint.toml").write_text(JOINT, "utf-8")
    (folder / "doses.csv").write_text(DOSES, "utf-8")
    sys.modules["rungwise.core.toy_hinge"] = hinge()
    yield load_book("toy_hinge", folder=data)
    del sys.modules["rungwise.core.toy_hinge"]


def test_the_toy_joint_goes_from_exam_to_report(book: Evidence) -> None:
    plan = make_plan(make_exam(), book, DAY)
    rungs = {e.side: e.fitted.rung.name for e in plan.exercises}
    assert rungs == {"right": "swing:half", "left": "swing:half"}
    assert [e.fitted.demand.bend_deg for e in plan.exercises] == [6.25, 15.0]
    assert "swing, right foot: angle half" in plan_report(plan, book)


def test_its_ladder_prints(book: Evidence) -> None:
    from rungwise.clinic import ladders_of

    text = ladder_report(ladders_of(make_exam(), book)["right"], "swing")
    assert "swing:all" in text
