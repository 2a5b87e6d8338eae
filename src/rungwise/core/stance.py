"""Quiet stance on a force plate: descriptors of the centre of pressure, by stated formulas.

Libraries that disagree differ in conventions, not in stance, so every convention is a named option
and stands in the result with its constants.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import log, pi, sqrt
from typing import Literal

import numpy as np

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Row
from rungwise.core.signals import Array, Piece, Recording, even, longest, low_pass, pieces, rate_of

__all__ = [
    "AUTHORS",
    "OURS",
    "Conventions",
    "Described",
    "Stance",
    "describe",
    "ellipse_constant",
    "least_ratio",
    "stance_of",
]

Ellipse = Literal["exact", "f", "chi-square"]
SURFACES, EYES = ("firm", "foam"), ("open", "closed")
#: Measures of which the error is known.
WITH_ERROR = ("mean_speed", "ellipse_area", "spectral_frequency")


@dataclass(frozen=True)
class Conventions:
    """What authors choose silently.

    Parameters
    ----------
    duration : {"steps", "samples"}
        Duration of n samples: (n - 1) / rate, or n / rate.
    covariance : {"n-1", "n"}
        Divisor of variances.
    ellipse : {"exact", "f", "chi-square"}
        Constant of the 95 % prediction ellipse: for a new point, 2F, or chi-square.
    prepared : bool
        Whether to discard the start, bring to one rate and filter first.
    """

    duration: Literal["steps", "samples"] = "steps"
    covariance: Literal["n-1", "n"] = "n-1"
    ellipse: Ellipse = "exact"
    prepared: bool = True


#: Ours, and those of the open data set (Santos & Duarte 2016), which filters nothing.
OURS = Conventions()
AUTHORS = Conventions(duration="samples", prepared=False)


@dataclass(frozen=True)
class Described:
    """One descriptor.

    Parameters
    ----------
    value : float
        Its value, in ``unit``.
    unit : str
        Unit.
    mdc_ratio : Row or None
        Ratio of two trials that error alone may make; None where it is not known.
    """

    value: float
    unit: str
    mdc_ratio: Row | None = None


@dataclass(frozen=True)
class Stance:
    """What a trial came to.

    Parameters
    ----------
    values : mapping of str to Described
        Each descriptor by its name.
    conventions : Conventions
        How they were counted.
    constants : mapping of str to float
        Every constant that went in, by its name.
    steps : tuple of str
        What was done to the recording, in order.
    rate_hz, lasts_s : float
        Rate [Hz] and duration [s] of what was described.
    samples : int
        Its samples [1].
    surface, eyes : str
        What was stood on and how; empty when not told.
    """

    values: Mapping[str, Described]
    conventions: Conventions
    constants: Mapping[str, float]
    steps: tuple[str, ...]
    rate_hz: float
    lasts_s: float
    samples: int
    surface: str = ""
    eyes: str = ""


def ellipse_constant(samples: int, share: float, kind: Ellipse = "exact") -> float:
    """Constant K of a prediction ellipse of area π K √det(covariance) [1].

    Parameters
    ----------
    samples : int
        Samples n, at least 3 [1].
    share : float
        Share of further points that lie inside, between 0 and 1 [1].
    kind : {"exact", "f", "chi-square"}
        2(n-1)(n+1) F / (n(n-2)) for one new point (exact); 2F; or chi-square of 2.

    Notes
    -----
    The quantile of F with 2 and n - 2 degrees of freedom is closed:
    F = (n-2)/2 ((1 - share)^(-2/(n-2)) - 1); that of chi-square with 2 is -2 ln(1 - share).
    """
    if kind == "chi-square":
        return -2 * log(1 - share)
    rest = samples - 2
    f: float = rest / 2 * ((1 - share) ** (-2 / rest) - 1)
    if kind == "f":
        return 2 * f
    return 2 * (samples - 1) * (samples + 1) / (samples * rest) * f


def stance_of(
    recording: Recording,
    book: Evidence,
    conventions: Conventions = OURS,
    surface: str = "",
    eyes: str = "",
) -> Stance:
    """Describe a trial on a force plate.

    Parameters
    ----------
    recording : Recording
        Rows ``ap`` (anteroposterior) and ``ml`` (mediolateral), both in mm.
    book : Evidence
        The evidence book, rows ``stance.…``.
    conventions : Conventions
        How to count.
    surface : {"", "firm", "foam"}
        What was stood on; the error is told only where it is known.
    eyes : {"", "open", "closed"}
        Eyes.

    Raises
    ------
    InputError
        Every fault of the recording: see :func:`rungwise.core.signals.rate_of`; rows that are
        missing, another unit, a hole where none may be, too short, nothing moves.
    """
    _check_rows(recording, surface, eyes)
    rate = rate_of(recording, book)
    part, cut = longest(recording, book)
    steps: list[str] = [*recording.told, *cut]
    constants: dict[str, float] = {}
    if cut and not conventions.prepared:
        holes = len(pieces(recording, book)) - 1
        fault = Fault("time", f"{holes} holes", "none", "Let it be prepared first.")
        raise InputError("recording", (fault,))
    if conventions.prepared:
        piece = _prepared(recording, part, book, constants, steps)
        rate = piece.rate_hz
        values = piece.values
    else:
        # the mean step of a whole even trial is known better than any single one
        time_s = recording.time_s
        rate = float(len(time_s) - 1) / float(time_s[-1] - time_s[0])
        rate = round(rate) if abs(rate / round(rate) - 1) < 1 / len(time_s) else rate
        values = recording.values
        steps.append("nothing discarded, nothing filtered")
    ap = values[recording.names.index("ap")]
    ml = values[recording.names.index("ml")]
    n = len(ap)
    if np.ptp(ap) == 0 or np.ptp(ml) == 0:
        fault = Fault("ap, ml", "one value throughout", "values that move", "Was it recorded?")
        raise InputError("recording", (fault,))
    found = describe(ap, ml, rate, book, conventions)
    constants |= found.pop("constants")  # type: ignore[arg-type]
    rows = {name: least_ratio(name, book, surface, eyes) for name in WITH_ERROR if surface and eyes}
    told = {
        name: Described(value, _unit(name), rows.get(name))
        for name, value in found.items()
        if isinstance(value, float)
    }
    lasts = n / rate if conventions.duration == "samples" else (n - 1) / rate
    return Stance(told, conventions, constants, tuple(steps), rate, lasts, n, surface, eyes)


def describe(
    ap: Array, ml: Array, rate_hz: float, book: Evidence, conventions: Conventions = OURS
) -> dict[str, float | dict[str, float]]:
    """Descriptors of a centre of pressure that is ready to be described.

    Parameters
    ----------
    ap, ml : array, shape (n,)
        Anteroposterior and mediolateral, evenly sampled [mm].
    rate_hz : float
        Samples in a second [Hz].
    book : Evidence
        The evidence book, rows ``stance.…``.
    conventions : Conventions
        How to count.

    Returns
    -------
    dict
        Name -> value [mm, mm/s, mm2, mm2/s, Hz or 1, as the name's unit]; ``constants`` holds what
        went in.

    Notes
    -----
    With x, y about their means, r = √(x² + y²), T the duration: mean distance Σr/n; RMS √(Σr²/n);
    range max - min; path Σ√(Δx² + Δy²); mean speed path/T; circle area π(MD + z s_r)²,
    s_r² = RMS² - MD²; ellipse area π K √det(cov); sway-area rate Σ|x₊y - x y₊|/(2T); mean
    frequency path/(2π MD T), of one axis Σ|Δx|/(4√2 MD_x T); fractal dimension
    ln n / ln(n d/path), d = 2(MD + z s_r). Power: Welch, Hann, segments of n/2 that overlap by
    half, mean removed; spectral frequency of an axis ∫fP/∫P over all frequencies by trapezoids,
    of both weighted by ΣP; F50, F95, centroid √(m₂/m₀) and dispersion √(1 - m₁²/(m₀m₂)) within the
    band, of the two axes' summed power. (Prieto and others 1996, from memory; the spectral
    frequency as in Santos & Duarte 2016, from their data.)
    """
    n = len(ap)
    T = n / rate_hz if conventions.duration == "samples" else (n - 1) / rate_hz
    z = book.value("stance.circle_z")
    both = np.stack((ap, ml))
    both = both - both.mean(axis=1, keepdims=True)
    x, y = both[1], both[0]
    squares = both * both
    radius2 = squares[0] + squares[1]
    mean_distance = float(np.sqrt(radius2).sum()) / n
    sums = squares.sum(axis=1)
    rms2 = float(sums[0] + sums[1]) / n
    moved = np.diff(both, axis=1)
    axis_path = np.abs(moved).sum(axis=1)
    path = float(np.sqrt(moved[0] * moved[0] + moved[1] * moved[1]).sum())
    # x₊y - x y₊ needs products of neighbours only
    swept = float(np.abs(x[1:] * y[:-1] - x[:-1] * y[1:]).sum())
    ranges = np.ptp(both, axis=1)
    mean_abs = np.abs(both).sum(axis=1) / n
    cross = float(x @ y)
    divisor = n - 1 if conventions.covariance == "n-1" else n
    determinant = (float(sums[0]) * float(sums[1]) - cross * cross) / divisor / divisor
    share = book.value("stance.ellipse_pct") / 100
    K = ellipse_constant(n, share, conventions.ellipse)
    spread = sqrt(max(rms2 - mean_distance * mean_distance, 0.0))
    reach = mean_distance + z * spread
    found: dict[str, float | dict[str, float]] = {
        "mean_distance": mean_distance,
        "rms": sqrt(rms2),
        "rms_ap": sqrt(float(sums[0]) / n),
        "rms_ml": sqrt(float(sums[1]) / n),
        "range_ap": float(ranges[0]),
        "range_ml": float(ranges[1]),
        "path": path,
        "path_ap": float(axis_path[0]),
        "path_ml": float(axis_path[1]),
        "mean_speed": path / T,
        "speed_ap": float(axis_path[0]) / T,
        "speed_ml": float(axis_path[1]) / T,
        "circle_area": pi * reach * reach,
        "ellipse_area": pi * K * sqrt(max(determinant, 0.0)),
        "sway_area_rate": swept / (2 * T),
        "mean_frequency": path / (2 * pi * mean_distance * T),
        "mean_frequency_ap": float(axis_path[0]) / (2 * 2 * sqrt(2) * float(mean_abs[0]) * T),
        "mean_frequency_ml": float(axis_path[1]) / (2 * 2 * sqrt(2) * float(mean_abs[1]) * T),
        "fractal_dimension": log(n) / log(n * 2 * reach / path),
    }
    found |= _spectral(both, rate_hz, book)
    found["constants"] = {
        "ellipse K": K,
        "circle z": z,
        "duration s": T,
        "band from Hz": book.value("stance.band_low_hz"),
        "band to Hz": book.value("stance.band_high_hz"),
    }
    return found


def _spectral(both: Array, rate_hz: float, book: Evidence) -> dict[str, float | dict[str, float]]:
    frequency, power = welch_power(both, rate_hz)
    weights = power.sum(axis=1)
    moments: Array = np.asarray(np.trapezoid(frequency * power, frequency, axis=1))
    means: Array = moments / np.asarray(np.trapezoid(power, frequency, axis=1))
    low, high = book.value("stance.band_low_hz"), book.value("stance.band_high_hz")
    a, b = np.searchsorted(frequency, (low, high))
    f, P = frequency[a : b + 1], (power[0] + power[1])[a : b + 1]
    m0, m1, m2 = float(P.sum()), float(f @ P), float((f * f) @ P)
    grown = np.cumsum(P)
    half, most = np.searchsorted(grown, (m0 / 2, m0 * NEARLY_ALL))
    return {
        "spectral_frequency_ap": float(means[0]),
        "spectral_frequency_ml": float(means[1]),
        "spectral_frequency": float(means @ weights / weights.sum()),
        "power_half_below": float(f[min(half, len(f) - 1)]),
        "power_95_below": float(f[min(most, len(f) - 1)]),
        "centroid_frequency": sqrt(m2 / m0) if m0 else 0.0,
        "dispersion": sqrt(max(1 - m1 * m1 / (m0 * m2), 0.0)) if m0 * m2 else 0.0,
    }


#: Share of the power that lies below F95, by its name.
NEARLY_ALL = 0.95


def welch_power(rows: Array, rate_hz: float) -> tuple[Array, Array]:
    """One-sided power of each row by Welch's method.

    Parameters
    ----------
    rows : array, shape (k, n)
        Evenly sampled.
    rate_hz : float
        Samples in a second [Hz].

    Returns
    -------
    array, shape (m,); array, shape (k, m)
        Frequency [Hz] and density [square of the rows' unit / Hz].

    Notes
    -----
    Hann window (periodic), segments of n // 2 that overlap by half, mean of each removed.
    """
    n = rows.shape[1]
    size = n // 2
    step = size - size // 2
    starts = range(0, n - size + 1, step)
    cut: Array = np.stack([rows[:, s : s + size] for s in starts], axis=1)
    cut = cut - cut.mean(axis=2, keepdims=True)
    window = 0.5 - 0.5 * np.cos(2 * pi * np.arange(size) / size)
    spectrum = np.fft.rfft(cut * window, axis=2)
    power: Array = (spectrum.real**2 + spectrum.imag**2).mean(axis=1)
    power /= rate_hz * float(window @ window)
    power[:, 1 : None if size % 2 else -1] *= 2
    return np.arange(power.shape[1]) * (rate_hz / size), power


def least_ratio(name: str, book: Evidence, surface: str, eyes: str) -> Row | None:
    """Ratio of two single trials of one session that error alone may make; None where unknown.

    Parameters
    ----------
    name : str
        Descriptor.
    book : Evidence
        The evidence book.
    surface : {"firm", "foam"}
        What was stood on.
    eyes : {"open", "closed"}
        Eyes.
    """
    return book.rows.get(f"stance.mdc_ratio.{name}.{surface}.{eyes}")


def _prepared(
    recording: Recording,
    part: slice,
    book: Evidence,
    constants: dict[str, float],
    steps: list[str],
) -> Piece:
    drop, least = book.value("stance.discard_s"), book.row("stance.least_s")
    rate = book.value("stance.rate_hz")
    cut, order = book.value("stance.lowpass.pressure_hz"), round(book.value("stance.lowpass.order"))
    time_s = recording.time_s
    first = int(np.searchsorted(time_s, time_s[part.start] + drop))
    left = float(time_s[part.stop - 1] - time_s[min(first, part.stop - 1)])
    if left < least.value:
        remedy = "Record longer; a trial of 60 s leaves enough."
        given = f"{left:.1f} s after the first {drop:g} s"
        raise InputError("recording", (Fault("time", given, f"at least {least}", remedy),))
    piece = low_pass(even(recording, slice(first, part.stop), rate), cut, order)
    steps += [
        f"first {drop:g} s discarded",
        f"brought to {rate:g} Hz by straight lines",
        f"low-pass {cut:g} Hz, Butterworth of order {order}, run forwards and backwards",
    ]
    constants |= {"discard s": drop, "rate Hz": rate, "low-pass Hz": cut, "order": order}
    return piece


def _check_rows(recording: Recording, surface: str, eyes: str) -> None:
    faults = []
    for name in ("ap", "ml"):
        if name not in recording.names:
            there = ", ".join(recording.names) or "none"
            faults.append(Fault(name, there, "a column of that axis", "Name it."))
    if recording.unit != "mm":
        remedy = "Sway in mm comes from a force plate only, never from a phone."
        faults.append(Fault("unit", recording.unit, "mm", remedy))
    for field_, given, allowed in (("surface", surface, SURFACES), ("eyes", eyes, EYES)):
        if given and given not in allowed:
            faults.append(Fault(field_, given, ", ".join(allowed), "Choose one."))
    if faults:
        raise InputError("stance", tuple(faults))


def _unit(name: str) -> str:
    if "area_rate" in name:
        return "mm2/s"
    if "area" in name:
        return "mm2"
    if "frequency" in name or name.startswith("power_"):
        return "Hz"
    if "speed" in name:
        return "mm/s"
    return "1" if name in ("fractal_dimension", "dispersion") else "mm"
