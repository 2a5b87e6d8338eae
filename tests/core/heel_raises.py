"""Simulated heel raises of known truth: a sensor on the foot, steps around them.

There are no labelled recordings of heel raises; this is all there is to check times against.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from rungwise.core.signals import Recording

G = 9.80665
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """What was done.

    Parameters
    ----------
    up_s, hold_s, down_s : tuple of float
        Of each repetition [s].
    starts_s : tuple of float
        When each rise began [s].
    """

    up_s: tuple[float, ...]
    hold_s: tuple[float, ...]
    down_s: tuple[float, ...]
    starts_s: tuple[float, ...]
    up_kind: tuple[str, ...]
    down_kind: tuple[str, ...]


def shape(tau: Array, kind: str) -> Array:
    """Share of the way done at a share of the time: four ways of moving smoothly."""
    tau = np.clip(tau, 0, 1)
    if kind == "least jerk":
        return tau**3 * (10 - 15 * tau + 6 * tau**2)
    if kind == "cosine":
        return (1 - np.cos(np.pi * tau)) / 2
    if kind == "even speed":  # a fifth of the time to get going, a fifth to stop
        r = 0.2
        rise = tau**2 / (2 * r)
        middle = r / 2 + (tau - r)
        end = (1 - r) - (1 - tau) ** 2 / (2 * r)
        return np.where(tau < r, rise, np.where(tau < 1 - r, middle, end)) / (1 - r)
    assert kind == "late"  # slow at first, quicker towards the end
    warped = tau + 0.15 * np.sin(2 * np.pi * tau) * -1 / (2 * np.pi)
    return warped**3 * (10 - 15 * warped + 6 * warped**2)


KINDS = ("least jerk", "cosine", "even speed", "late")


def heel_raises(
    seed: int,
    count: int | None = None,
    rate_hz: float | None = None,
    steps: bool = True,
    gyro: bool = True,
    jitter: float = 0.2,
    lost: float = 0.0,
) -> tuple[Recording, Recording | None, Truth]:
    """A recording of heel raises.

    Parameters
    ----------
    seed : int
        Which one.
    count : int, optional
        Repetitions; 4 to 25 by default [1].
    rate_hz : float, optional
        Samples in a second; 20 to 200 by default [Hz].
    steps : bool
        Whether somebody walks a few steps before and after.
    gyro : bool
        Whether turning was recorded.
    jitter : float
        Unevenness of the time stamps, as a share of a step [1].
    lost : float
        Share of samples that are missing, here and there [1].
    """
    rng = np.random.default_rng(seed)
    rate = rate_hz or float(rng.uniform(20, 200))
    count = count or int(rng.integers(4, 26))
    height = float(rng.uniform(18, 45))  # deg of the rearfoot
    tempo = rng.uniform((0.6, 0.0, 0.8), (2.5, 4.0, 4.0))
    rest = float(rng.uniform(0.4, 2.5))
    before, after = (float(x) for x in rng.uniform(3, 6, 2))
    walk = 4.0 if steps else 0.0
    marks, parts = [], []
    t = walk + before
    for _ in range(count):
        up, hold, down = (float(x) for x in tempo * rng.uniform(0.85, 1.15, 3))
        top = height * float(rng.uniform(0.85, 1.1))
        kinds = rng.choice(KINDS, 2)
        parts.append((t, up, hold, down, top, kinds))
        marks.append(t)
        t += up + hold + down + rest * float(rng.uniform(0.7, 1.3))
    lasts = t + after + walk
    fine = np.arange(round(lasts * rate)) / rate
    stamps = fine + rng.uniform(-0.5, 0.5, len(fine)) * jitter / rate
    stamps = np.sort(stamps)
    angle = _angle(stamps, parts)
    speed = (_angle(stamps + 1e-4, parts) - _angle(stamps - 1e-4, parts)) / 2e-4
    grow = (_angle(stamps + 1e-3, parts) - 2 * angle + _angle(stamps - 1e-3, parts)) / 1e-6
    away = np.abs(np.sin(2 * np.pi * stamps * 1.0))
    if steps:  # one stride a second, the foot swings through 60 deg
        walking = (stamps < walk) | (stamps > lasts - walk)
        angle = np.where(walking, 60 * away**2, angle)
        speed = np.where(walking, 60 * 2 * np.pi * np.sin(4 * np.pi * stamps), speed)
        grow = np.where(walking, 0, grow)
    standing = (angle > 0.2 * height).astype(float)
    tremor = _wobble(rng, stamps, 0.25) * (0.3 + standing)
    pitch = np.radians(angle + tremor)
    turn = np.radians(speed + np.gradient(tremor, stamps))
    arm = float(rng.uniform(0.08, 0.18))  # m from the axis
    rows = np.array([np.sin(pitch) * G, np.cos(pitch) * G, np.zeros_like(pitch)])
    rows[0] += arm * np.radians(grow)
    rows[1] -= arm * turn**2
    rows[2] += 0.05 * _wobble(rng, stamps, 1.0)
    if steps:
        rows += rng.normal(0, 3, rows.shape) * ((stamps < walk) | (stamps > lasts - walk))
    turns = np.array([0.1 * turn, 0.05 * turn, turn])
    turns += np.radians(rng.normal(0, 0.5, 3))[:, None]  # bias
    rows += rng.normal(0, 0.02, rows.shape)
    turns += np.radians(rng.normal(0, 0.15, turns.shape))
    way = Rotation.random(rng=rng).as_matrix()
    kept = rng.random(len(stamps)) >= lost
    kept[[0, -1]] = True
    acceleration = Recording(stamps[kept], (way @ rows)[:, kept], ("x", "y", "z"), "m/s2")
    turning = Recording(stamps[kept], (way @ turns)[:, kept], ("gx", "gy", "gz"), "rad/s")
    truth = Truth(
        tuple(p[1] for p in parts),
        tuple(p[2] for p in parts),
        tuple(p[3] for p in parts),
        tuple(marks),
        tuple(str(p[5][0]) for p in parts),
        tuple(str(p[5][1]) for p in parts),
    )
    return acceleration, turning if gyro else None, truth


def _angle(
    t: Array, parts: list[tuple[float, float, float, float, float, NDArray[np.str_]]]
) -> Array:
    out = np.zeros_like(t)
    for start, up, hold, down, top, kinds in parts:
        rise = shape((t - start) / up, str(kinds[0]))
        fall = shape((t - start - up - hold) / down, str(kinds[1]))
        out += top * (rise - fall)
    return out


def _wobble(rng: np.random.Generator, t: Array, size: float) -> Array:
    """Slow wandering and a tremor, of a given standard deviation."""
    waves = np.zeros_like(t)
    for _ in range(6):
        waves += np.sin(2 * np.pi * rng.uniform(0.3, 2.0) * t + rng.uniform(0, 6.3))
    waves += 0.3 * np.sin(2 * np.pi * rng.uniform(6, 9) * t)
    found: Array = size * waves / waves.std()
    return found
