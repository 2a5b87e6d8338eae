"""The centre of pressure: published figures, reference libraries, what cannot change it."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from math import exp, log, pi, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal
from scipy.stats import chi2, f

from rungwise.clinic import open_book
from rungwise.core.errors import InputError
from rungwise.core.own_error import intraclass
from rungwise.core.signals import Recording
from rungwise.core.stance import (
    AUTHORS,
    OURS,
    Conventions,
    Stance,
    describe,
    ellipse_constant,
    least_ratio,
    stance_of,
    welch_power,
)
from rungwise.recordings import PRESSURE, read_recording, read_roles

BOOK = open_book()
DATA = Path(__file__).resolve().parents[3] / "shared" / "data" / "stance"
ROLES = read_roles(["time=Time", "ap=COPx", "ml=COPy"])
needs_data = pytest.mark.skipif(not DATA.is_dir(), reason="the open recordings are not here")


def recording(file: Path) -> Recording:
    return read_recording(file.read_bytes(), PRESSURE, ROLES)


@cache
def published() -> dict[str, dict[str, str]]:
    with (DATA / "all_subjects_metrics.csv").open(encoding="utf-8", newline="") as file:
        return {row["Trial"]: row for row in csv.DictReader(file)}


@needs_data
@pytest.mark.parametrize("trial", sorted(p.stem for p in DATA.glob("BDS*.csv")))
def test_every_trial_gives_its_authors_figures(trial: str) -> None:
    """Santos & Duarte 2016, PeerJ 4:e2648, table of the data set; conventions as they state."""
    found = stance_of(recording(DATA / f"{trial}.csv"), BOOK, AUTHORS).values
    row = published()[trial]
    for name, theirs, factor in (
        ("ellipse_area", "COParea", 1e-2),
        ("mean_speed", "COPvelo", 1e-1),
        ("spectral_frequency", "COPmfreq", 1.0),
    ):
        assert found[name].value * factor == pytest.approx(float(row[theirs]), rel=1e-9, abs=0)


@needs_data
@pytest.mark.parametrize("surface", ["firm", "foam"])
@pytest.mark.parametrize("eyes", ["open", "closed"])
@pytest.mark.parametrize(
    ("name", "theirs"),
    [
        ("mean_speed", "COPvelo"),
        ("ellipse_area", "COParea"),
        ("spectral_frequency", "COPmfreq"),
    ],
)
def test_the_error_is_that_of_all_its_people(
    name: str, theirs: str, surface: str, eyes: str
) -> None:
    """Rows of the book from 158 to 163 people, three trials each; analysis by statsmodels."""
    formula = pytest.importorskip("statsmodels.formula.api")
    anova = pytest.importorskip("statsmodels.stats.anova")
    pandas = pytest.importorskip("pandas")
    trials: dict[str, list[float]] = defaultdict(list)
    for row in published().values():
        if (row["Surface"].lower(), row["Vision"].lower()) == (surface, eyes) and row[theirs]:
            trials[row["Subject"]].append(log(float(row[theirs])))
    whole = [values for values in trials.values() if len(values) == 3]
    assert len(whole) >= 158
    table = pandas.DataFrame(
        [(i, j, value) for i, values in enumerate(whole) for j, value in enumerate(values)],
        columns=["person", "trial", "value"],
    )
    one_way = anova.anova_lm(formula.ols("value ~ C(person)", table).fit())
    two_way = anova.anova_lm(formula.ols("value ~ C(person) + C(trial)", table).fit())
    within = float(one_way.loc["Residual", "mean_sq"])
    B, J, E = (
        float(two_way.loc[part, "mean_sq"]) for part in ("C(person)", "C(trial)", "Residual")
    )
    n, k = len(whole), 3
    icc = intraclass(whole)
    assert icc.error_variance == pytest.approx(E, rel=1e-9)
    assert icc.consistency == pytest.approx((B - E) / (B + (k - 1) * E), rel=1e-9)
    assert icc.agreement == pytest.approx((B - E) / (B + (k - 1) * E + k * (J - E) / n), rel=1e-9)
    told = least_ratio(name, BOOK, surface, eyes)
    assert told is not None
    assert told.value == pytest.approx(exp(1.959964 * sqrt(2 * within)), abs=6e-4)


# ------------------------------------------------------------------ formulas


def walk(seed: int = 0, n: int = 3000, rate: float = 100.0) -> Recording:
    rng = np.random.default_rng(seed)
    smooth = signal.butter(2, 2.0, fs=rate, output="sos")
    rows = signal.sosfilt(smooth, rng.normal(0, 20, (2, n)), axis=1)
    return Recording(np.arange(n) / rate, rows + 5.0, ("ap", "ml"), "mm")


def values(found: Stance) -> dict[str, float]:
    return {name: one.value for name, one in found.values.items()}


@pytest.mark.parametrize("n", [20, 100, 3000, 6000])
def test_ellipse_constants_are_those_of_scipy(n: int) -> None:
    F = float(f.ppf(0.95, 2, n - 2))
    exact = 2 * (n - 1) * (n + 1) / (n * (n - 2)) * F
    assert ellipse_constant(n, 0.95) == pytest.approx(exact, rel=1e-12)
    assert ellipse_constant(n, 0.95, "f") == pytest.approx(2 * F, rel=1e-12)
    assert ellipse_constant(n, 0.95, "chi-square") == pytest.approx(chi2.ppf(0.95, 2), rel=1e-12)


def test_the_ellipse_holds_its_share_of_new_points() -> None:
    """The exact prediction ellipse of 20 points holds 95 % of further ones, by drawing them."""
    rng = np.random.default_rng(5)
    K, inside = ellipse_constant(20, 0.95), 0
    for _ in range(4000):
        cloud = rng.normal(size=(2, 20))
        off = rng.normal(size=2) - cloud.mean(axis=1)
        inside += float(off @ np.linalg.solve(np.cov(cloud), off)) <= K
    assert inside / 4000 == pytest.approx(0.95, abs=0.012)


@pytest.mark.parametrize("n", [500, 501, 3001])
def test_power_is_that_of_scipy(n: int) -> None:
    rows = walk(3, n).values
    frequency, power = welch_power(rows, 100.0)
    theirs, their_power = signal.welch(
        rows, 100.0, window="hann", nperseg=n // 2, detrend="constant", axis=1
    )
    assert frequency == pytest.approx(theirs, rel=1e-12)
    assert power == pytest.approx(their_power, rel=1e-9)


def test_a_circle_has_the_descriptors_of_a_circle() -> None:
    """Radius R, k turns in T: path 2 pi R k, swept area k pi R^2, mean frequency k / T."""
    R, turns, T, rate = 7.0, 12, 60.0, 100.0
    t = np.arange(round(T * rate) + 1) / rate
    angle = 2 * pi * turns * t / T
    found = describe(R * np.cos(angle), R * np.sin(angle), rate, BOOK)
    told = {k: v for k, v in found.items() if isinstance(v, float)}
    assert told["mean_distance"] == pytest.approx(R, rel=1e-3)
    assert told["path"] == pytest.approx(2 * pi * R * turns, rel=1e-4)
    assert told["mean_speed"] == pytest.approx(2 * pi * R * turns / T, rel=1e-4)
    assert told["sway_area_rate"] == pytest.approx(pi * R * R * turns / T, rel=1e-3)
    assert told["mean_frequency"] == pytest.approx(turns / T, rel=1e-3)
    assert told["range_ap"] == pytest.approx(2 * R, rel=1e-6)
    assert told["spectral_frequency"] == pytest.approx(turns / T, abs=0.02)


def test_an_axis_that_swings_has_its_own_mean_frequency() -> None:
    """For a sine the axis' formula, MV/(4 sqrt(2) MD), is 4 A f / (4 sqrt(2) 2 A / pi)."""
    t = np.arange(6001) / 100.0
    found = describe(np.sin(2 * pi * 0.5 * t), 0.01 * np.cos(2 * pi * 0.5 * t), 100.0, BOOK)
    assert found["mean_frequency_ap"] == pytest.approx(0.5 * pi / (2 * sqrt(2)), rel=1e-3)


def test_conventions_differ_by_what_they_say() -> None:
    """n against n - 1: 1/n; chi-square against exact: 1.7e-3 at n = 3000 (mechanics' table)."""
    ap, ml = walk().values
    ours = describe(ap, ml, 100.0, BOOK)
    samples = describe(ap, ml, 100.0, BOOK, Conventions(duration="samples"))
    assert samples["mean_speed"] / ours["mean_speed"] == pytest.approx(2999 / 3000)  # type: ignore[operator]
    divided = describe(ap, ml, 100.0, BOOK, Conventions(covariance="n"))
    assert divided["ellipse_area"] / ours["ellipse_area"] == pytest.approx(2999 / 3000)  # type: ignore[operator]
    square = describe(ap, ml, 100.0, BOOK, Conventions(ellipse="chi-square"))
    assert square["ellipse_area"] / ours["ellipse_area"] == pytest.approx(5.991 / 6.001, abs=2e-4)  # type: ignore[operator]


# ------------------------------------------------------------------ what cannot change it

LENGTHS = ("mean_distance", "rms", "path", "mean_speed")
AREAS = ("circle_area", "ellipse_area", "sway_area_rate")
FREE = ("mean_frequency", "fractal_dimension", "dispersion")


def turned(row: Recording, turn: Callable[[Any], Any]) -> Recording:
    return replace(row, values=np.ascontiguousarray(turn(row.values)))


@given(st.integers(0, 50), st.floats(-pi, pi), st.floats(0.01, 50), st.floats(-500, 500))
def test_turning_scaling_and_shifting(seed: int, by: float, scale: float, shift: float) -> None:
    row = walk(seed)
    before = values(stance_of(row, BOOK))
    turn = np.array([[np.cos(by), -np.sin(by)], [np.sin(by), np.cos(by)]])
    after = values(stance_of(turned(row, lambda v: scale * (turn @ v) + shift), BOOK))
    for names, power in ((LENGTHS, 1), (AREAS, 2), (FREE, 0)):
        for name in names:
            assert after[name] == pytest.approx(before[name] * scale**power, rel=1e-6), name


@given(st.integers(0, 50))
def test_running_it_backwards_and_swapping_axes(seed: int) -> None:
    row = walk(seed)
    plain = replace(OURS, prepared=False)
    before = values(stance_of(row, BOOK, plain))
    back = values(stance_of(turned(row, lambda v: v[:, ::-1]), BOOK, plain))
    spectral = {name for name in back if name.startswith(("spectral", "centroid", "dispersion"))}
    for name in back.keys() - {"power_half_below", "power_95_below"}:
        # a periodic window is no mirror of itself, so that power differs a little
        rel = 3e-3 if name in spectral else 1e-9
        assert back[name] == pytest.approx(before[name], rel=rel), name
    swapped = values(stance_of(turned(row, lambda v: v[::-1]), BOOK))
    prepared = values(stance_of(row, BOOK))
    for name, value in swapped.items():
        other = {"ap": "ml", "ml": "ap"}.get(name[-2:])
        assert value == pytest.approx(prepared[name[:-2] + other if other else name]), name


def test_path_of_noise_does_not_follow_the_rate() -> None:
    """Prepared, 0.1 mm of white noise adds little at any rate; unprepared it swells the path."""
    rng = np.random.default_rng(2)
    slow = walk(1, 6000)
    for every in (1, 2, 4):
        noisy = slow.values[:, ::every] + rng.normal(0, 0.1, (2, 6000 // every))
        row = Recording(slow.time_s[::every], noisy, slow.names, slow.unit)
        clean = values(stance_of(slow, BOOK))["mean_speed"]
        assert values(stance_of(row, BOOK))["mean_speed"] == pytest.approx(clean, rel=0.05)


# ------------------------------------------------------------------ what is refused


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda r: replace(r, unit="m/s2"), "never from a phone"),
        (lambda r: replace(r, names=("ap", "z")), "ml"),
        (lambda r: replace(r, time_s=r.time_s[::-1]), "a time that rises"),
        (lambda r: replace(r, time_s=r.time_s * 10), "samples a second"),
        (lambda r: replace(r, values=r.values * np.nan), "no number"),
        (lambda r: replace(r, values=r.values * 0), "one value throughout"),
        (lambda r: Recording(r.time_s[:1000], r.values[:, :1000], r.names, r.unit), "20 s"),
        (lambda r: Recording(r.time_s[:5], r.values[:, :5], r.names, r.unit), "5 samples"),
    ],
)
def test_what_cannot_be_described_is_refused(
    change: Callable[[Recording], Recording], says: str
) -> None:
    with pytest.raises(InputError) as caught:
        stance_of(change(walk()), BOOK)
    assert says in str(caught.value)


def test_a_hole_cuts_the_trial_and_is_told() -> None:
    row = walk(0, 6000)
    time_s = row.time_s.copy()
    time_s[1500:] += 2.0
    found = stance_of(replace(row, time_s=time_s), BOOK)
    assert found.lasts_s == pytest.approx(45 - 5, abs=0.1)
    assert "cut at 1 holes; the longest part is described" in found.steps
    with pytest.raises(InputError, match="holes"):
        stance_of(replace(row, time_s=time_s), BOOK, AUTHORS)


def test_the_result_says_how_it_was_made() -> None:
    found = stance_of(walk(0, 6000), BOOK, surface="firm", eyes="closed")
    assert found.constants["ellipse K"] == ellipse_constant(found.samples, 0.95)
    assert found.constants["low-pass Hz"] == 5
    assert found.values["mean_speed"].mdc_ratio is BOOK.row(
        "stance.mdc_ratio.mean_speed.firm.closed"
    )
    assert found.values["path"].mdc_ratio is None
    assert any("discarded" in step for step in found.steps)
