"""Write ``reps.json``: recordings, and what the Python of ``core`` makes of them.

The page that records with a phone runs the same algorithms in JavaScript; a test in the browser
compares it with this file, and ``tests/core/test_reps_vectors.py`` compares Python with it. It is
written anew, from the root of the repository, by ``python -m tests.vectors.reps``.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rungwise.clinic import open_book
from rungwise.core.errors import InputError
from rungwise.core.reps import count_by_rhythm, heel_raises_in
from rungwise.core.signals import Recording
from rungwise.core.sway import sway_of
from tests.core.heel_raises import heel_raises, shape
from tests.core.test_sway import trial

FILE = Path(__file__).with_name("reps.json")
BOOK = open_book()
AXES, TURNS = ("x", "y", "z"), ("gx", "gy", "gz")
#: What one of the whole numbers stands for: 0.001 s, m/s2 or rad/s.
UNIT = 0.001
#: Too short to look for quiet half seconds in: asked only what was held.
SHORT = "less than a second"
#: Word of the page for why it cannot be told -> what Python says there.
WHY = {
    "few": "more than 10",
    "short": "more than 1 s",
    "not_rising": "a time that rises",
    "slow": "19 Hz",
    "uneven": "steps that differ",
    "no_gravity": "on the whole; about",
    "several_axes": "turned about several axes",
    "too_little": "turned less than",
    "nothing_moves": "nothing moves",
    "no_rhythm": "no rhythm",
}
Array = NDArray[np.float64]
Case = dict[str, Any]


def rounded(
    acceleration: Recording, turning: Recording | None
) -> tuple[list[int], list[list[int]]]:
    """Time and rows as whole numbers of a thousandth."""
    rows = [*acceleration.values, *(turning.values if turning is not None else ())]
    time_ms = np.rint(acceleration.time_s / UNIT).astype(int)
    return time_ms.tolist(), [np.rint(row / UNIT).astype(int).tolist() for row in rows]


def recordings_of(case: Case) -> tuple[Recording, Recording | None]:
    """The recordings of a case: acceleration [m/s2], turning [rad/s]."""
    t = np.array(case["time_ms"]) * UNIT
    rows = np.array(case["rows"]) * UNIT
    turning = Recording(t, rows[3:], TURNS, "rad/s") if len(rows) > 3 else None
    return Recording(t, rows[:3], AXES, "m/s2"), turning


# ------------------------------------------------------------------ recordings


def simulated() -> Iterator[tuple[str, Recording, Recording | None]]:
    """Twelve sets of heel raises of known truth: short ones, to keep the file small."""
    seed, made = 200, 0
    while made < 12:
        rate = 50.0 if made == 11 else (25.0, 30.0, 35.0)[made % 3]
        rate = 20.0 if made == 7 else rate
        steps, lost = made in (4, 9), 0.02 * (made == 7)
        found, turning, truth = heel_raises(seed, 3 + made % 3, rate, steps, lost=lost)
        seed += 1
        if found.time_s[-1] > (36 if steps else 28):
            continue
        assert turning is not None
        name = f"{len(truth.up_s)} heel raises at {rate:g} Hz{', steps around' if steps else ''}"
        yield f"{made + 1}: {name}", found, turning
        made += 1


def edge_cases() -> Iterator[tuple[str, Recording, Recording | None]]:
    """What cannot be told, or only in part, and what must be refused."""
    rng = np.random.default_rng(7)
    first, turning, truth = heel_raises(25, 4, 25.0, steps=False)
    assert turning is not None
    begin = truth.starts_s[2] - 0.2
    end = begin + truth.up_s[2] + truth.hold_s[2] + truth.down_s[2] + 0.4
    weak = np.where((first.time_s > begin) & (first.time_s < end), 0.42, 1.0)
    yield "a half raise", first, replace(turning, values=turning.values * weak)
    yield "hardly turning", first, replace(turning, values=turning.values * 0.05)
    t = np.arange(500) / 25
    gravity = np.array([[0.0], [9.807], [0.0]])
    still = Recording(
        t, np.repeat(gravity, len(t), 1) + rng.normal(0, 0.02, (3, 500)), AXES, "m/s2"
    )
    quiet = Recording(t, rng.normal(0, 0.003, (3, 500)), TURNS, "rad/s")
    yield "still", still, quiet
    fixed = replace(still, values=np.repeat(gravity, len(t), 1))
    yield "nothing moves", fixed, replace(quiet, values=np.zeros((3, 500)))
    noise = Recording(t, rng.normal(0, 3, (3, 500)), AXES, "m/s2")
    yield "noise", noise, Recording(t, rng.normal(0, 1, (3, 500)), TURNS, "rad/s")
    swing = np.sin(2 * np.pi * t / 2.5)
    other = np.sin(2 * np.pi * t / 3.7 + 1)
    yield "two axes", still, Recording(t, np.array([swing, other, 0 * t]), TURNS, "rad/s")
    nods = np.array([0 * t, 9.807 + 1.5 * swing, 0.8 * np.cos(2 * np.pi * t / 2.5)])
    yield "another movement", Recording(t, nods + rng.normal(0, 0.1, (3, 500)), AXES, "m/s2"), None
    walk = np.array([2 * np.sin(2 * np.pi * t), 9.807 + 3 * np.sin(4 * np.pi * t), 0 * t])
    steps = np.array([0 * t, 0 * t, 4 * np.sin(2 * np.pi * t)])
    yield (
        "a walk",
        Recording(t, walk + rng.normal(0, 1, (3, 500)), AXES, "m/s2"),
        Recording(t, steps + rng.normal(0, 0.3, (3, 500)), TURNS, "rad/s"),
    )
    held = trial(5, 25.0, (4.0, 36.0), ((12.0, 1.0), (24.0, 0.6)), lasts_s=40.0, jitter=0.4)
    yield "held with two step-outs", held, None
    yield "held throughout", trial(6, 25.0, (0.0, 20.0), lasts_s=20.0), None
    long = trial(8, 25.0, (3.0, 37.0), ((15.0, 8.0),), lasts_s=40.0)
    yield "held, left for long", long, None
    hole = long.time_s.copy()
    hole[700:] += 2.0
    yield "held, with a hole", replace(long, time_s=hole), None
    yield "taken without gravity", replace(held, values=held.values - 0.9 * held.values), None
    yield "too few", Recording(t[:9], still.values[:, :9], AXES, "m/s2"), None
    yield "a second and a bit", Recording(t[:28], still.values[:, :28], AXES, "m/s2"), None
    yield SHORT, Recording(t[:15], still.values[:, :15], AXES, "m/s2"), None
    turned = t.copy()
    turned[100] = turned[90]
    yield "time runs back", replace(still, time_s=turned), replace(quiet, time_s=turned)
    yield "slow", replace(still, time_s=t * 2), replace(quiet, time_s=t * 2)
    jumps = np.cumsum(np.where(np.arange(500) % 4 == 0, 0.08, 0.02))
    yield "uneven", replace(still, time_s=jumps), replace(quiet, time_s=jumps)


def drawn_cases() -> Iterator[tuple[str, Recording, Recording | None]]:
    """Courses of the foot drawn by hand, each for one step of the way."""
    rng = np.random.default_rng(11)
    t = np.arange(950) / 25
    two = sum(20 * heel_shape(t, at, 1.0, 0.8, 1.2) for at in (2, 6))
    three = sum(30 * heel_shape(t, at, 1.0, 0.8, 1.2) for at in (25, 29, 33))
    yield "two sets, a long rest between", *turned(t, two + three, rng)
    t = np.arange(700) / 25
    dips = sum(
        44 * heel_shape(t, at, 1.0, 2.6, 1.2) - 11 * heel_shape(t, at + 1.6, 0.5, 0.1, 0.5)
        for at in (3, 11, 19)
    )
    yield "a dip at each top", *turned(t, dips, rng)
    raises = sum(25 * heel_shape(t, at, 0.9, 0.5, 1.4) for at in (10, 14, 18))
    acceleration, turning = turned(t, raises, rng)
    shaken = t < 7
    loud = acceleration.values + 4 * rng.normal(size=(3, len(t))) * shaken
    other = turning.values + np.array([[5.0], [0.0], [0.0]]) * np.sin(5 * t) * shaken
    yield (
        "shaken about another axis first",
        replace(acceleration, values=loud),
        replace(turning, values=other),
    )
    strong = np.where(np.floor(t / 2) % 2 == 0, 1.0, 0.85)
    swings = np.array([2 * strong * np.sin(np.pi * t / 2) ** 2, 0 * t + 9.807, 0 * t])
    noise = rng.normal(0, 0.03, (3, len(t)))
    yield "strong and weak in turn", Recording(t, swings + noise, AXES, "m/s2"), None
    nods = sum(0.55 * np.sin(np.pi * (t - at) / 0.9) * (abs(t - at) < 0.9) for at in (9, 17))
    quiet = np.array([nods, 0 * t + 9.807, 0 * t]) + rng.normal(0, 0.02, (3, len(t)))
    yield "held with two nods", Recording(t, quiet, AXES, "m/s2"), None


def heel_shape(t: Array, start: float, up: float, hold: float, down: float) -> Array:
    """From floor to top and back, smoothly; shape (n,), 0 to 1."""
    return shape((t - start) / up, "cosine") - shape((t - start - up - hold) / down, "cosine")


def turned(t: Array, angle_deg: Any, rng: np.random.Generator) -> tuple[Recording, Recording]:
    """A phone on a foot that turns by an angle [deg] about one axis."""
    angle = np.radians(angle_deg)
    rows = 9.807 * np.array([np.sin(angle), np.cos(angle), 0 * t])
    turns = np.array([0 * t, 0 * t, np.gradient(angle, t)])
    return (
        Recording(t, rows + rng.normal(0, 0.02, (3, len(t))), AXES, "m/s2"),
        Recording(t, turns + rng.normal(0, 0.003, (3, len(t))), TURNS, "rad/s"),
    )


# ------------------------------------------------------------------ answers


def answers(acceleration: Recording, turning: Recording | None, held_only: bool) -> Case:
    """What Python makes of a recording, each way; refusals as the words of their faults."""
    held = {"held": _told(lambda: _held(acceleration))}
    if held_only:
        return held
    return held | {
        "raises": _told(lambda: _raises(acceleration, turning)),
        "tilt": _told(lambda: _raises(acceleration, None)),
        "rhythm": _told(lambda: _rhythm(acceleration, turning)),
    }


def _told(ask: Callable[[], Case]) -> Case:
    try:
        return ask()
    except InputError as error:
        return {"cannot": " | ".join(f"{f.given}; {f.allowed}" for f in error.faults)}


def _raises(acceleration: Recording, turning: Recording | None) -> Case:
    found = heel_raises_in(acceleration, turning, BOOK)
    names = ("start", "up", "hold", "down", "turn", "wobble")
    raises = [
        (r.start_s, r.up_s, r.hold_s, r.down_s, r.turn_deg, r.wobble_deg) for r in found.raises
    ]
    return {
        "cannot": found.cannot,
        "by": found.by,
        "partial": found.partial,
        "raises": [
            dict(zip(names, [round(value, 6) for value in one], strict=True)) for one in raises
        ],
    }


def _rhythm(acceleration: Recording, turning: Recording | None) -> Case:
    found = count_by_rhythm(acceleration, turning, BOOK)
    return {
        "cannot": found.cannot,
        "count": found.count,
        "period": round(found.period_s, 6),
        "likeness": round(found.likeness, 6),
    }


def _held(acceleration: Recording) -> Case:
    held = sway_of(acceleration, BOOK).held
    return {
        "cannot": "",
        "parts": [[round(a, 6), round(b, 6)] for a, b in held.parts_s],
        "longest": round(held.longest_s, 6),
        "stepOuts": held.step_outs,
        "openStart": held.open_start,
        "openEnd": held.open_end,
    }


def cases() -> Iterator[Case]:
    """Every recording with its answers, made from the whole numbers that stand in the file."""
    for name, acceleration, turning in (*simulated(), *edge_cases(), *drawn_cases()):
        time_ms, rows = rounded(acceleration, turning)
        case: Case = {"name": name, "time_ms": time_ms, "rows": rows}
        yield case | {"expect": answers(*recordings_of(case), held_only=name == SHORT)}


def main() -> None:
    """Write the file."""
    lines = [json.dumps(case, separators=(",", ":")) for case in cases()]
    FILE.write_text("[\n" + ",\n".join(lines) + "\n]\n", "utf-8")


if __name__ == "__main__":
    main()
