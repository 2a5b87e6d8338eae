"""Repetitions: counted on open recordings of other movements, heel raises on simulated ones."""

from __future__ import annotations

import importlib.metadata
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import find_peaks
from scipy.spatial.transform import Rotation

from rungwise.clinic import open_book
from rungwise.core.errors import InputError
from rungwise.core.reps import (
    HeelRaises,
    count_by_rhythm,
    heel_raises_in,
    main_directions,
    peaks_of,
)
from rungwise.core.signals import Recording
from tests.core.heel_raises import KINDS, heel_raises, shape

BOOK = open_book()
#: People by whom the two shares in the book were set; the others were not looked at before.
SET_ON = range(1, 8)


@cache
def wrist() -> dict[str, Any]:
    """140 sets of 20 shoulder movements each (seglearn, BSD): 50 Hz, in g and rad/s."""
    try:
        package = importlib.metadata.distribution("seglearn")
    except importlib.metadata.PackageNotFoundError:
        pytest.skip("the package with the open wrist recordings is not here")
    (file,) = (f for f in package.files or () if f.name == "watch_dataset.npy")
    found: dict[str, Any] = np.load(str(package.locate_file(file)), allow_pickle=True).item()
    return found


def counted(i: int) -> int:
    table = wrist()["X"][i]
    t = np.arange(len(table)) / 50
    acceleration = Recording(t, table[:, :3].T * 9.80665, ("x", "y", "z"), "m/s2")
    turning = Recording(t, table[:, 3:].T, ("gx", "gy", "gz"), "rad/s")
    return count_by_rhythm(acceleration, turning, BOOK).count


def test_open_recordings_are_counted() -> None:
    """Nominally 20 each. Stated aim: within 1 in 95 %, mean absolute error 0.45."""
    off = np.array([counted(i) - 20 for i in range(140)])
    new = np.array([subject not in SET_ON for subject in wrist()["subject"]])
    assert new.sum() == 42
    for those in (off, off[new]):
        assert (np.abs(those) <= 1).mean() >= 0.95
        assert np.abs(those).mean() <= 0.45


# ------------------------------------------------------------------ heel raises


def tenths(kind: str, lasts_s: float) -> float:
    """Time from a tenth to nine tenths of a movement whose shape is known [s]."""
    tau = np.linspace(0, 1, 20001)
    done = shape(tau, kind)
    return float(tau[np.argmax(done >= 0.9)] - tau[np.argmax(done >= 0.1)]) * lasts_s


def errors(found: HeelRaises, truth: Any) -> tuple[list[float], list[float]]:
    lowered = zip(found.raises, truth.down_s, truth.down_kind, strict=True)
    raised = zip(found.raises, truth.up_s, truth.up_kind, strict=True)
    return (
        [one.down_s - tenths(kind, s) for one, s, kind in lowered],
        [one.up_s - tenths(kind, s) for one, s, kind in raised],
    )


def test_simulated_heel_raises_are_counted_and_timed_by_turning() -> None:
    """20 to 200 Hz, any way round, steps before and after: counts exact, times within 0.15 s."""
    exact, down, up, wrong = [], [], [], []
    for seed in range(100):
        acceleration, turning, truth = heel_raises(seed)
        found = heel_raises_in(acceleration, turning, BOOK)
        exact.append(found.count == len(truth.up_s))
        if exact[-1]:
            lowered, raised = errors(found, truth)
            down += lowered
            up += raised
            wrong += [
                abs(r.start_s - t) > 1 for r, t in zip(found.raises, truth.starts_s, strict=True)
            ]
    assert np.mean(exact) >= 0.98
    assert np.percentile(np.abs(down), 95) <= 0.15
    assert np.percentile(np.abs(up), 95) <= 0.15
    assert abs(np.mean(down)) < 0.03
    assert not any(wrong)


def test_without_turning_they_are_counted_and_timed_less_well() -> None:
    exact, down = [], []
    for seed in range(100, 150):
        acceleration, _, truth = heel_raises(seed)
        found = heel_raises_in(acceleration, None, BOOK)
        exact.append(found.count == len(truth.up_s))
        assert found.by == "tilt"
        if exact[-1]:
            down += errors(found, truth)[0]
    assert np.mean(exact) >= 0.96
    assert 0.1 < np.percentile(np.abs(down), 95) <= 0.35


@pytest.mark.parametrize("rate", [20.0, 50.0, 200.0])
def test_lost_samples_and_slow_sensors_are_borne(rate: float) -> None:
    for seed in range(8):
        acceleration, turning, truth = heel_raises(seed, rate_hz=rate, lost=0.01 * (rate > 20))
        assert heel_raises_in(acceleration, turning, BOOK).count == len(truth.up_s)


def test_holds_are_those_of_the_truth() -> None:
    acceleration, turning, truth = heel_raises(11, count=8)
    for one, up, hold, down, rise, fall in zip(
        heel_raises_in(acceleration, turning, BOOK).raises,
        truth.up_s,
        truth.hold_s,
        truth.down_s,
        truth.up_kind,
        truth.down_kind,
        strict=True,
    ):
        # what creeps within a tenth of the top belongs to the hold
        tau = np.linspace(0, 1, 20001)
        late = (1 - float(tau[np.argmax(shape(tau, rise) >= 0.9)])) * up
        early = float(tau[np.argmax(shape(tau, fall) >= 0.1)]) * down
        assert one.hold_s == pytest.approx(hold + late + early, abs=0.25)
        assert one.wobble_deg < 2


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 40), st.integers(0, 1000))
def test_no_turning_of_the_sensor_changes_it(seed: int, turn: int) -> None:
    acceleration, turning, _ = heel_raises(seed, count=5)
    assert turning is not None
    by = Rotation.random(rng=np.random.default_rng(turn)).as_matrix()
    before = heel_raises_in(acceleration, turning, BOOK)
    after = heel_raises_in(
        replace(acceleration, values=by @ acceleration.values),
        replace(turning, values=by @ turning.values),
        BOOK,
    )
    assert after.count == before.count
    for one, other in zip(after.raises, before.raises, strict=True):
        assert one.down_s == pytest.approx(other.down_s, abs=1e-3)
        assert one.turn_deg == pytest.approx(other.turn_deg, rel=1e-3)


def test_half_raises_are_told_apart() -> None:
    first, turning, truth = heel_raises(3, count=6, steps=False)
    assert turning is not None
    found = heel_raises_in(first, turning, BOOK)
    begin = truth.starts_s[3] - 0.2
    end = begin + truth.up_s[3] + truth.hold_s[3] + truth.down_s[3] + 0.4
    weak = np.where((first.time_s > begin) & (first.time_s < end), 0.42, 1.0)
    less = heel_raises_in(first, replace(turning, values=turning.values * weak), BOOK)
    assert found.count == 6
    assert (less.count, less.partial) == (5, 1)


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda a, g: (a, replace(g, values=g.values * 0.05)), "fix it to the foot"),
        (
            lambda a, g: (
                a,
                replace(
                    g,
                    values=np.random.default_rng(1).normal(0, 1, g.values.shape).cumsum(1) / 20,
                ),
            ),
            "several axes",
        ),
    ],
)
def test_it_says_when_it_cannot_tell(spoil: Any, says: str) -> None:
    acceleration, turning, _ = heel_raises(5, rate_hz=50.0, steps=False)
    shaken, turned = spoil(acceleration, turning)
    found = heel_raises_in(shaken, turned, BOOK)
    assert found.count == 0
    assert says in found.cannot


def test_noise_has_no_rhythm() -> None:
    rng = np.random.default_rng(8)
    t = np.arange(3000) / 50
    noise = Recording(t, rng.normal(0, 1, (3, 3000)), ("x", "y", "z"), "m/s2")
    found = count_by_rhythm(noise, None, BOOK)
    assert found.count == 0
    assert found.cannot
    still = Recording(t, np.ones((3, 3000)), ("x", "y", "z"), "m/s2")
    assert count_by_rhythm(still, None, BOOK).cannot == "nothing moves"
    with pytest.raises(InputError):
        count_by_rhythm(replace(noise, time_s=t[::-1]), None, BOOK)


# ------------------------------------------------------------------ parts beside a reference


@given(st.integers(0, 300), st.integers(1, 30))
def test_peaks_are_those_of_scipy(seed: int, apart: int) -> None:
    row = np.cumsum(np.random.default_rng(seed).normal(size=200))
    rise = float(np.ptp(row)) / 5
    low = float(row.min()) - 1
    padded = np.concatenate(([low], row, [low]))
    near, _ = find_peaks(padded, distance=apart)
    high, _ = find_peaks(padded, prominence=rise)
    theirs = sorted(set(near.tolist()) & set(high.tolist()))
    assert [i + 1 for i in peaks_of(row, apart, rise, low)] == theirs


def test_main_directions_are_those_of_the_decomposition() -> None:
    rng = np.random.default_rng(4)
    x = np.diag([5.0, 3.0, 1.0]) @ rng.normal(size=(3, 500))
    x -= x.mean(axis=1, keepdims=True)
    theirs = np.linalg.svd(x, full_matrices=False)[0].T
    for ours, other in zip(main_directions(x, 3), theirs, strict=True):
        assert abs(float(ours @ other)) == pytest.approx(1, abs=1e-6)


@pytest.mark.parametrize("kind", KINDS)
def test_the_shapes_of_the_truth_go_from_floor_to_top(kind: str) -> None:
    done = shape(np.linspace(0, 1, 1001), kind)
    assert done[0] == pytest.approx(0, abs=1e-9)
    assert done[-1] == pytest.approx(1, abs=1e-9)
    assert (np.diff(done) >= -1e-12).all()
