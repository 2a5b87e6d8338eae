"""The closed forms of the toe against a rigid-body engine that knows nothing of them.

Three models of our own, gravity and friction off: a toe hinged above the floor and pressed onto a
roll or the edge of a cloth; a foot free to rise and pitch whose heel a spring lifts while the toe
is held down; and such a foot pushed down with its ball on a cloth, or perched on its edge. The
engine's answers are kept in ``tests/data/mujoco_cases.csv``, so the closed forms are checked even
where the engine is not installed; where it is, it is run again. It validates algebra, not biology.

Write the file anew with ``python tests/core/test_mujoco_oracle.py``.
"""

from __future__ import annotations

import csv
import itertools
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rungwise.core.planar import (
    bend_from_cloth,
    bend_from_cloth_reach,
    bend_from_heel_height,
    bend_from_roll_at,
    touch_of_roll,
)

CASES = Path(__file__).resolve().parents[1] / "data" / "mujoco_cases.csv"
COLUMNS = ("kind", "size_mm", "place_mm", "lever_mm", "head_mm", "bend_deg", "force_n", "moment_nm")
BEND_ERROR_DEG = 0.01
FORCE_ERROR = 0.005
PRESS_NM = 1.0  # torque that presses the toe onto the roll
LOAD_N = 300.0  # push down on the axis in the heel raise and on the cloth
HOLD_NM = 2.0  # torque that holds the toe down in the heel raise, the heel down on the cloth
REST_NM = 0.5  # torque that keeps the toe flat when the ball is on the cloth
LEVER_MM = 189.0  # far end of the heel on the cloth

# Stiff, well damped contacts between heavy bodies: the surfaces give way by micrometres only.
WORLD = """
<mujoco>
  <option timestep="0.0005" gravity="0 0 0" cone="elliptic" iterations="200" tolerance="1e-12"/>
  <default>
    <geom friction="0 0 0" solref="0.002 1" solimp="0.9999 0.9999 0.001" condim="1"/>
  </default>
  <worldbody>{bodies}</worldbody>
</mujoco>
"""
TOE = """
  <body pos="0 0 {head}">
    <inertial pos="0.03 0 0" mass="5" diaginertia="0.05 0.05 0.05"/>
    <joint name="toe" type="hinge" axis="0 -1 0" damping="0.2"/>
    <geom type="box" size="0.06 0.02 {half}" pos="0.06 0 {under}"/>
  </body>
"""
ROLL = '<geom type="capsule" fromto="{x} -0.1 {radius} {x} 0.1 {radius}" size="{radius}"/>'
CLOTH = '<geom type="box" size="0.1 0.1 {half}" pos="{middle} 0 {half}"/>'
# The toe is a plate, a tangent of the head. Perched it reaches 4 mm back past the touch and no
# torque holds it: the load alone lets the axis sink to its lowest place. A toe that began just at
# the touch would have nothing to rest on there: any press would turn it about the edge.
ON_CLOTH = """
  <geom type="plane" size="1 1 0.1"/>
  <body pos="0 0 {start}">
    <inertial pos="-0.05 0 0" mass="5" diaginertia="0.1 0.1 0.1"/>
    <joint name="up" type="slide" axis="0 0 1" damping="40"/>
    <joint name="pitch" type="hinge" axis="0 -1 0" damping="2"/>
    <geom type="capsule" fromto="0 -0.03 0 0 0.03 0" size="{head}"/>
    <geom name="heel" type="box" size="0.01 0.02 0.004" pos="{heel} 0 {under}"/>
    <body>
      <inertial pos="0.03 0 0" mass="5" diaginertia="0.05 0.05 0.05"/>
      <joint name="toe" type="hinge" axis="0 -1 0" damping="{damping}"/>
      <geom type="box" size="{length} 0.02 0.004" pos="{along} 0 {under}"/>
    </body>
  </body>
"""
FOOT = """
  <geom type="plane" size="1 1 0.1"/>
  <body pos="0 0 {head}">
    <inertial pos="-0.05 0 0" mass="5" diaginertia="0.1 0.1 0.1"/>
    <joint name="up" type="slide" axis="0 0 1" damping="40"/>
    <joint name="pitch" type="hinge" axis="0 -1 0" damping="2"/>
    <geom type="capsule" fromto="0 -0.03 0 0 0.03 0" size="{head}"/>
    <site name="heel" pos="-{lever} 0 -{head}"/>
    <body>
      <inertial pos="0.03 0 0" mass="5" diaginertia="0.05 0.05 0.05"/>
      <joint name="toe" type="hinge" axis="0 -1 0" damping="0.2"/>
      <geom name="pad" type="box" size="0.03 0.02 0.004" pos="0.04 0 {pad}"/>
    </body>
  </body>
"""


def press_on_roll(mujoco: Any, diameter_mm: float, place_mm: float, head_mm: float) -> Any:
    """Bend [deg] and contact force [N] of a toe pressed onto a roll."""
    roll = ROLL.format(x=place_mm / 1000, radius=diameter_mm / 2000)
    return press_toe(mujoco, roll, head_mm / 1000)


def press_on_edge(mujoco: Any, thickness_mm: float, edge_mm: float, head_mm: float) -> Any:
    """Bend [deg] and contact force [N] of a toe pressed onto the near edge of a cloth."""
    return press_toe(mujoco, cloth(thickness_mm, edge_mm), head_mm / 1000)


def cloth(thickness_mm: float, edge_mm: float) -> str:
    return CLOTH.format(middle=edge_mm / 1000 + 0.1, half=thickness_mm / 2000)


def press_toe(mujoco: Any, prop: str, head: float) -> Any:
    """Bend [deg] and contact force [N] of a toe pressed onto something on the floor."""
    half = 0.003
    bodies = TOE.format(head=head, half=half, under=half - head) + prop
    model = mujoco.MjModel.from_xml_string(WORLD.format(bodies=bodies))
    data = mujoco.MjData(model)
    data.qpos[0] = 1.6  # well above it; the torque brings it down
    for _ in range(20000):
        data.qfrc_applied[0] = -PRESS_NM
        mujoco.mj_step(model, data)
        if data.ncon and abs(data.qvel[0]) < 1e-9:
            break
    return float(np.degrees(data.qpos[0])), contact_forces(mujoco, model, data).sum()


def lift_heel(mujoco: Any, height_mm: float, lever_mm: float, head_mm: float) -> Any:
    """Heel height [mm], bend [deg], all forces up [N], moment of the toe's contacts [Nm]."""
    head, lever = head_mm / 1000, lever_mm / 1000
    bodies = FOOT.format(head=head, lever=lever, pad=0.004 - head)
    model = mujoco.MjModel.from_xml_string(WORLD.format(bodies=bodies))
    data = mujoco.MjData(model)
    site, body = model.site("heel").id, model.site("heel").bodyid[0]
    spring, damper = 2e4, 800.0
    lift = 0.0
    for _ in range(12000):
        mujoco.mj_forward(model, data)
        velocity = np.zeros(6)
        mujoco.mj_objectVelocity(model, data, mujoco.mjtObj.mjOBJ_SITE, site, velocity, 0)
        lift = spring * (height_mm / 1000 - data.site_xpos[site][2]) - damper * velocity[5]
        data.qfrc_applied[:] = (-LOAD_N, 0.0, -HOLD_NM)
        force = np.array([0.0, 0.0, lift])
        mujoco.mj_applyFT(
            model, data, force, np.zeros(3), data.site_xpos[site], int(body), data.qfrc_applied
        )
        mujoco.mj_step(model, data)
    axis = head + data.qpos[0]
    reached = (data.site_xpos[site][2] - (axis - head)) * 1000
    forces = contact_forces(mujoco, model, data)
    touching = [data.contact[i] for i in range(data.ncon)]
    levers = np.array([c.pos[0] * (model.geom("pad").id in c.geom) for c in touching])
    return (
        float(reached),
        float(np.degrees(data.qpos[2])),
        float(forces.sum() + lift),
        float((forces * levers).sum()),
    )


def stand_on_cloth(mujoco: Any, thickness_mm: float, edge_mm: float, head_mm: float) -> Any:
    """Bend [deg], all contact forces up [N], moment of the heel's contacts [Nm]."""
    head, perched = head_mm / 1000, edge_mm > 0
    behind = 0.004 if perched else 0.0
    bodies = cloth(thickness_mm, edge_mm) + ON_CLOTH.format(
        start=head + thickness_mm / 1000 + 0.002,  # from just above, flat
        head=head,
        heel=0.01 - LEVER_MM / 1000,
        under=0.004 - head,
        length=0.03 + behind / 2,
        along=0.03 - behind / 2,
        damping=2 if perched else 0.05,
    )
    model = mujoco.MjModel.from_xml_string(WORLD.format(bodies=bodies))
    data = mujoco.MjData(model)
    for step in range(40000):
        data.qfrc_applied[:] = (-LOAD_N, HOLD_NM, 0.0 if perched else -REST_NM)
        mujoco.mj_step(model, data)
        if step > 2000 and np.abs(data.qvel).max() < 1e-10:
            break
    touching = [data.contact[i] for i in range(data.ncon)]
    up = contact_forces(mujoco, model, data) * [abs(c.frame[2]) for c in touching]
    levers = [-c.pos[0] * (model.geom("heel").id in c.geom) for c in touching]
    return float(np.degrees(data.qpos[2])), float(up.sum()), float(up @ levers)


def contact_forces(mujoco: Any, model: Any, data: Any) -> Any:
    """Normal force of each contact [N]."""
    forces = np.zeros((data.ncon, 6))
    for i in range(data.ncon):
        mujoco.mj_contactForce(model, data, i, forces[i])
    return forces[:, 0]


def roll_inputs() -> list[tuple[float, float, float]]:
    """Diameter, place, head [mm], the roll in front of the head."""
    rolls = itertools.product((8.0, 16.0, 26.0, 38.0), (46.0, 56.0, 70.0), (16.0, 22.0))
    return [case for case in rolls if not np.isnan(bend_from_roll_at(*case))]


def raise_inputs() -> list[tuple[float, float, float]]:
    """Height, lever, head [mm]."""
    return list(itertools.product((15.0, 35.0, 65.0, 100.0), (165.0, 189.0), (18.0, 22.0)))


def edge_inputs() -> list[tuple[float, float, float]]:
    """Thickness, edge, head [mm], the edge in front of the ball."""
    return list(itertools.product((2.0, 6.0, 12.0, 20.0), (35.0, 50.0, 65.0), (16.0, 22.0)))


def perched_inputs() -> list[tuple[float, float, float]]:
    """Thickness, edge, head [mm], the edge under the ball."""
    return list(itertools.product((6.0, 12.0), (3.0, 7.0, 11.0), (16.0, 22.0)))


def on_cloth_inputs() -> list[tuple[float, float, float]]:
    """Thickness, edge, head [mm], the edge behind the ball."""
    return list(itertools.product((4.0, 12.0, 20.0), (-5.0, -30.0), (16.0, 22.0)))


def run_engine(mujoco: Any) -> list[dict[str, Any]]:
    rows = []
    for diameter, place, head in roll_inputs():
        bend, force = press_on_roll(mujoco, diameter, place, head)
        rows.append(("roll", diameter, place, 0.0, head, bend, force, PRESS_NM))
    for height, lever, head in raise_inputs():
        reached, bend, force, moment = lift_heel(mujoco, height, lever, head)
        rows.append(("heel", reached, 0.0, lever, head, bend, force, moment))
    for thickness, edge, head in edge_inputs():
        bend, force = press_on_edge(mujoco, thickness, edge, head)
        rows.append(("edge", thickness, edge, 0.0, head, bend, force, PRESS_NM))
    for kind, inputs in (("perched", perched_inputs()), ("on_cloth", on_cloth_inputs())):
        for thickness, edge, head in inputs:
            bend, force, moment = stand_on_cloth(mujoco, thickness, edge, head)
            rows.append((kind, thickness, edge, LEVER_MM, head, bend, force, moment))
    return [dict(zip(COLUMNS, row, strict=True)) for row in rows]


def recorded() -> list[dict[str, Any]]:
    with CASES.open(encoding="utf-8", newline="") as file:
        return [
            {name: text if name == "kind" else float(text) for name, text in row.items()}
            for row in csv.DictReader(file)
        ]


def disagreements(case: dict[str, Any]) -> list[str]:
    """Where engine and closed form differ by more than the tolerance."""
    if case["kind"] == "roll":
        place = (case["size_mm"], case["place_mm"], case["head_mm"])
        bend = bend_from_roll_at(*place)
        force = PRESS_NM / (touch_of_roll(*place) / 1000)
        moment = PRESS_NM
    elif case["kind"] == "edge":
        size, edge, head = case["size_mm"], case["place_mm"], case["head_mm"]
        bend = bend_from_cloth(size, edge, head)
        # the touch lies as far from the axis as the edge does, and the link is `head` below it
        touch = np.sqrt(edge**2 + (head - size) ** 2 - head**2)
        force, moment = PRESS_NM / (touch / 1000), PRESS_NM
    elif case["kind"] in ("perched", "on_cloth"):
        place = (case["size_mm"], case["place_mm"], case["head_mm"])
        bend = bend_from_cloth_reach(*place, case["lever_mm"])
        force, moment = LOAD_N, HOLD_NM + (REST_NM if case["kind"] == "on_cloth" else 0.0)
    else:
        bend = bend_from_heel_height(case["size_mm"], case["lever_mm"], case["head_mm"])
        force, moment = LOAD_N, HOLD_NM
    found = []
    if not abs(case["bend_deg"] - bend) <= BEND_ERROR_DEG:
        found.append(f"bend {case['bend_deg']} deg, closed form {bend}")
    if not abs(case["force_n"] / force - 1) <= FORCE_ERROR:
        found.append(f"force {case['force_n']} N, statics {force}")
    if not abs(case["moment_nm"] / moment - 1) <= FORCE_ERROR:
        found.append(f"moment {case['moment_nm']} Nm, statics {moment}")
    return found


def test_closed_forms_agree_with_the_recorded_engine() -> None:
    cases = recorded()
    assert len([c for c in cases if c["kind"] == "roll"]) == len(roll_inputs()) >= 14
    assert len([c for c in cases if c["kind"] == "heel"]) == len(raise_inputs()) >= 6
    assert len([c for c in cases if c["kind"] == "edge"]) == len(edge_inputs()) >= 12
    assert len([c for c in cases if c["kind"] == "perched"]) == len(perched_inputs()) >= 6
    assert len([c for c in cases if c["kind"] == "on_cloth"]) == len(on_cloth_inputs()) >= 6
    assert [(case, wrong) for case in cases for wrong in disagreements(case)] == []


def test_the_cloth_cases_lie_in_the_regime_they_are_named_after() -> None:
    """The head leaves the floor where the edge comes nearer than √(τ (2a - τ))."""
    for case in recorded():
        size, edge, head = case["size_mm"], case["place_mm"], case["head_mm"]
        last = np.sqrt(size * max(2 * head - size, 0.0))
        if case["kind"] == "edge":
            assert edge > last
        elif case["kind"] == "perched":
            assert 0 < edge < last
        elif case["kind"] == "on_cloth":
            assert edge < 0


def test_a_wrong_form_would_be_seen() -> None:
    """The lever of the press is c - 2 a tan(θ/2); taking c itself is far outside the tolerance."""
    case = next(c for c in recorded() if c["kind"] == "roll" and c["bend_deg"] > 20)
    wrong = {**case, "force_n": PRESS_NM / (case["place_mm"] / 1000)}
    assert disagreements(wrong)
    for kind in ("roll", "heel", "edge", "perched", "on_cloth"):
        case = next(c for c in recorded() if c["kind"] == kind)
        assert disagreements({**case, "bend_deg": case["bend_deg"] + 0.02})
        assert disagreements({**case, "size_mm": case["size_mm"] + 1.0})
    case = next(c for c in recorded() if c["kind"] == "edge" and c["bend_deg"] > 20)
    assert disagreements({**case, "force_n": PRESS_NM / (case["place_mm"] / 1000)})
    case = next(c for c in recorded() if c["kind"] == "perched")
    link_alone = np.degrees(np.arcsin(case["place_mm"] / case["head_mm"]))
    assert disagreements({**case, "bend_deg": link_alone})


def test_the_engine_still_says_what_was_recorded() -> None:
    mujoco = pytest.importorskip("mujoco", reason="the rigid-body engine is not installed")
    fresh = run_engine(mujoco)
    assert [(case, wrong) for case in fresh for wrong in disagreements(case)] == []
    for new, old in zip(fresh, recorded(), strict=True):
        assert new["kind"] == old["kind"]
        assert new["bend_deg"] == pytest.approx(old["bend_deg"], abs=BEND_ERROR_DEG)
        assert new["force_n"] == pytest.approx(old["force_n"], rel=FORCE_ERROR)


if __name__ == "__main__":
    import mujoco as engine

    with CASES.open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
        writer.writeheader()
        for row in run_engine(engine):
            writer.writerow({k: v if isinstance(v, str) else f"{v:.6g}" for k, v in row.items()})
