"""What is measured of the measuring aids: one trial of stance, read from CSV and described."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from scipy import signal
from scipy.stats import f as f_distribution

from benchmarks.patient import Patient, Sizes
from benchmarks.table import Section, row
from benchmarks.timing import side_by_side
from rungwise.core.stance import AUTHORS, stance_of
from rungwise.recordings import KINDS, read_recording

__all__ = ["invented_trial", "plainly", "stance_section"]

RATE, LASTS_S = 100.0, 60


def invented_trial(seed: int = 5) -> bytes:
    """A trial of 60 s at 100 Hz as CSV with six decimals, as the open recordings are written."""
    rng = np.random.default_rng(seed)
    n = round(RATE * LASTS_S)
    smooth = signal.butter(2, 1.0, fs=RATE, output="sos")
    rows = signal.sosfilt(smooth, rng.normal(0, 3, (2, n)), axis=1)
    table = np.column_stack((np.arange(1, n + 1) / RATE, *rows))
    out = io.StringIO()
    head = "time[s],ap[cm],ml[cm]"
    np.savetxt(out, table, ("%.3f", "%.6f", "%.6f"), ",", header=head, comments="")
    return out.getvalue().encode()


def plainly(data: bytes) -> dict[str, float]:
    """The peer: pandas reads, usual numpy and scipy calls describe; 20 descriptors, cm to mm."""
    import pandas as pd

    frame = pd.read_csv(io.BytesIO(data))
    ap, ml = 10 * frame["ap[cm]"].to_numpy(), 10 * frame["ml[cm]"].to_numpy()
    n, T = len(ap), len(ap) / RATE
    x, y = ml - ml.mean(), ap - ap.mean()
    r = np.hypot(x, y)
    dx, dy = np.diff(x), np.diff(y)
    path = np.hypot(dx, dy).sum()
    md = r.mean()
    rms = np.sqrt((r**2).mean())
    reach = md + 1.645 * np.sqrt(rms**2 - md**2)
    K = 2 * (n - 1) * (n + 1) / (n * (n - 2)) * f_distribution.ppf(0.95, 2, n - 2)
    powers = [signal.welch(v, RATE, "hann", n // 2, detrend="constant") for v in (ap, ml)]
    means = [np.trapezoid(f * p, f) / np.trapezoid(p, f) for f, p in powers]
    sums = [p.sum() for _, p in powers]
    frequency = powers[0][0]
    inside = (frequency >= 0.15) & (frequency <= 5)
    frequency, power = frequency[inside], (powers[0][1] + powers[1][1])[inside]
    grown = np.cumsum(power)
    moments = [(frequency**k * power).sum() for k in range(3)]
    found: dict[str, Any] = {
        "mean_distance": md,
        "rms": rms,
        "rms_ap": np.sqrt((y**2).mean()),
        "rms_ml": np.sqrt((x**2).mean()),
        "range_ap": np.ptp(y),
        "range_ml": np.ptp(x),
        "path": path,
        "path_ap": np.abs(dy).sum(),
        "path_ml": np.abs(dx).sum(),
        "mean_speed": path / T,
        "speed_ap": np.abs(dy).sum() / T,
        "speed_ml": np.abs(dx).sum() / T,
        "circle_area": np.pi * reach**2,
        "ellipse_area": np.pi * K * np.sqrt(np.linalg.det(np.cov(ap, ml))),
        "sway_area_rate": np.abs(x[1:] * y[:-1] - x[:-1] * y[1:]).sum() / (2 * T),
        "mean_frequency": path / (2 * np.pi * md * T),
        "spectral_frequency": np.dot(means, sums) / np.sum(sums),
        "power_half_below": frequency[np.searchsorted(grown, grown[-1] / 2)],
        "power_95_below": frequency[np.searchsorted(grown, 0.95 * grown[-1])],
        "centroid_frequency": np.sqrt(moments[2] / moments[0]),
    }
    return {name: float(value) for name, value in found.items()}


def stance_section(patient: Patient, sizes: Sizes) -> Section:
    """One trial: reading and 26 descriptors, beside pandas with plain numpy and scipy."""
    data, kind, book = invented_trial(), KINDS["pressure"], patient.book
    recording = read_recording(data, kind)
    timed = side_by_side(
        {
            "ours": lambda: stance_of(read_recording(data, kind), book, AUTHORS),
            "described": lambda: stance_of(recording, book, AUTHORS),
            "peer": lambda: plainly(data),
        },
        sizes.repetitions,
    )
    ours, read, peer = timed["ours"], timed["described"], timed["peer"]
    times = peer.median_s / ours.median_s
    return Section(
        "One trial of stance",
        "60 s at 100 Hz, CSV of 160 kB, an invented trial. Peer: pandas and the usual calls of "
        f"numpy and scipy, 20 descriptors; ours gives 26 and was {times:.1f} times as fast.",
        (
            row("read and described", ours, peer.median_s),
            row("described alone", read),
            row("peer: pandas, numpy and scipy", peer),
        ),
    )
