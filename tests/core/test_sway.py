"""Stance by acceleration: held seconds of known truth, and what no turning changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal
from scipy.spatial.transform import Rotation

from rungwise.clinic import open_book
from rungwise.core.errors import InputError
from rungwise.core.signals import Recording
from rungwise.core.sway import Sway, sway_of, upright

BOOK = open_book()
G = 9.80665


def trial(
    seed: int = 0,
    rate: float = 100.0,
    quiet: tuple[float, float] = (4.0, 56.0),
    outs: tuple[tuple[float, float], ...] = (),
    sway: float = 0.08,
    noise: float = 0.02,
    jitter: float = 0.0,
    lasts_s: float = 60.0,
) -> Recording:
    """A phone at the trunk: taken up, held, step-outs (begin, duration), put down."""
    rng = np.random.default_rng(seed)
    n = round(lasts_s * rate)
    t = np.arange(n) / rate
    rows = signal.sosfiltfilt(
        signal.butter(2, 1.5, fs=rate, output="sos"), rng.normal(size=(3, n)), axis=1
    )
    rows *= sway / rows.std()
    rows[1] += G
    loud = (t < quiet[0]) | (t >= quiet[1])
    for begin, duration in outs:
        loud |= (t >= begin) & (t < begin + duration)
    rows += rng.normal(0, 1, (3, n)) * np.where(loud, 1.5, noise)
    rows = Rotation.random(rng=rng).as_matrix() @ rows
    uneven = t + rng.uniform(-0.5, 0.5, n) * jitter / rate
    return Recording(uneven, rows, ("x", "y", "z"), "m/s2")


def numbers(found: Sway) -> dict[str, float]:
    return {name: one.value for name, one in found.values.items()}


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("rate", [25.0, 50.0, 100.0, 200.0])
def test_held_seconds_and_step_outs_are_found(seed: int, rate: float) -> None:
    rng = np.random.default_rng(seed)
    outs = tuple(
        (float(begin), float(rng.uniform(0.4, 2.0)))
        for begin in (15, 30, 44)[: int(rng.integers(0, 4))]
    )
    held = sway_of(trial(seed, rate, outs=outs, jitter=0.3), BOOK).held
    assert held.step_outs == len(outs)
    ends = [4.0, *(edge for begin, lasts in outs for edge in (begin, begin + lasts)), 56.0]
    truth = list(zip(ends[::2], ends[1::2], strict=True))
    assert np.array(held.parts_s) == pytest.approx(np.array(truth), abs=0.15)
    assert held.longest_s == pytest.approx(max(b - a for a, b in truth), abs=0.2)
    assert not held.open_start
    assert not held.open_end


def test_a_recording_that_is_quiet_throughout_was_held_at_least_as_long() -> None:
    held = sway_of(trial(1, quiet=(0.0, 60.0)), BOOK).held
    assert held.open_start
    assert held.open_end
    assert held.longest_s == pytest.approx(59.98, abs=0.05)


def test_a_long_break_ends_the_trial() -> None:
    held = sway_of(trial(2, outs=((20.0, 9.0),)), BOOK).held
    assert held.step_outs == 0
    assert held.parts_s[0] == pytest.approx((29.0, 56.0), abs=0.15)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 30), st.integers(0, 1000))
def test_no_turning_of_the_phone_changes_it(seed: int, turn: int) -> None:
    row = trial(seed)
    by = Rotation.random(rng=np.random.default_rng(turn)).as_matrix()
    before, after = sway_of(row, BOOK), sway_of(replace(row, values=by @ row.values), BOOK)
    assert numbers(after) == pytest.approx(numbers(before), rel=1e-6)
    assert after.held.parts_s == before.held.parts_s


def test_a_tilt_of_known_size_is_told_in_m_per_s2() -> None:
    """A pendulum of 0.5 deg at 0.3 Hz: horizontal part g sin(theta), RMS g theta / sqrt(2)."""
    t = np.arange(6000) / 100
    theta = np.radians(0.5) * np.sin(2 * np.pi * 0.3 * t)
    rows = np.array([G * np.sin(theta), G * np.cos(theta), np.zeros_like(t)])
    found = numbers(sway_of(Recording(t, rows, ("x", "y", "z"), "m/s2"), BOOK))
    assert found["rms"] == pytest.approx(G * np.radians(0.5) / np.sqrt(2), rel=0.01)
    # along one line: 4 A f / (2 pi 2 A / pi), the path over 2 pi times the mean distance
    assert found["mean_frequency"] == pytest.approx(0.3, rel=0.02)
    slope = np.gradient(rows[0], t)
    assert found["jerk"] == pytest.approx(0.5 * float((slope**2).sum()) / 100 * 55 / 60, rel=0.03)


def test_upright_takes_out_the_mean() -> None:
    along, across = upright(trial(4).values)
    assert along.mean() == pytest.approx(np.linalg.norm(trial(4).values.mean(axis=1)))
    assert np.abs(across.mean(axis=1)).max() < 1e-9


def test_no_centimetre_comes_from_a_phone() -> None:
    found = sway_of(trial(5), BOOK)
    assert found.values
    assert {one.unit for one in found.values.values()} == {"m/s2", "m2/s5", "Hz"}


def test_too_short_a_stance_is_held_but_not_described() -> None:
    found = sway_of(trial(6, quiet=(4.0, 24.0)), BOOK)
    assert found.held.longest_s == pytest.approx(20, abs=0.2)
    assert not found.values
    assert found.refused.startswith("15.0 s quiet") or found.refused.startswith("14.9 s quiet")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda r: replace(r, unit="mm"), "m/s2"),
        (lambda r: replace(r, names=("x", "y", "up")), "x, y, z"),
        (lambda r: replace(r, values=r.values / G), "gravity"),
        (lambda r: replace(r, values=r.values - r.values.mean(axis=1)[:, None]), "gravity"),
        (lambda r: replace(r, time_s=r.time_s * 20), "samples a second"),
        (
            lambda r: Recording(r.time_s[:30], r.values[:, :30], r.names, r.unit),
            "more than 1 s",
        ),
    ],
)
def test_what_cannot_be_told_is_refused(change: object, says: str) -> None:
    with pytest.raises(InputError) as caught:
        sway_of(change(trial(7)), BOOK)  # type: ignore[operator]
    assert says in str(caught.value)


def test_uneven_time_stamps_and_a_hole_are_borne() -> None:
    row = trial(8, jitter=0.8)
    time_s = row.time_s.copy()
    time_s[1500:] += 3.0
    found = sway_of(replace(row, time_s=time_s), BOOK)
    assert "cut at 1 holes; the longest part is described" in found.steps
    assert found.held.longest_s == pytest.approx(41, abs=0.3)
