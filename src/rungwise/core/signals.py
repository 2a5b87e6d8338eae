"""What every recording goes through before anything is said of it: time, gaps, rate, filter.

A recording is a time axis and columns of one unit. Nothing here knows what was recorded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence

__all__ = [
    "Array",
    "Piece",
    "Recording",
    "even",
    "longest",
    "low_pass",
    "pieces",
    "rate_of",
    "runs",
]

Array = NDArray[np.float64]
#: Rounding slack of a time step, as a share of it.
SLACK = 1e-6


@dataclass(frozen=True)
class Recording:
    """A time axis and what was recorded along it.

    Parameters
    ----------
    time_s : array, shape (n,)
        Time of each sample, rising [s].
    values : array, shape (k, n)
        One row for each name, in ``unit``.
    names : tuple of str
        What each row is, k of them.
    unit : str
        Unit of every row.
    told : tuple of str
        What was done to it so far, in words, in order.
    """

    time_s: Array
    values: Array
    names: tuple[str, ...]
    unit: str
    told: tuple[str, ...] = ()

    def row(self, name: str) -> Array:
        """The samples of one name, shape (n,), in ``unit``."""
        found: Array = self.values[self.names.index(name)]
        return found


@dataclass(frozen=True)
class Piece:
    """A part of a recording without a hole, evenly sampled.

    Parameters
    ----------
    start_s : float
        Time of its first sample [s].
    rate_hz : float
        Samples in a second [Hz].
    values : array, shape (k, n)
        One row for each name, in the recording's unit.
    """

    start_s: float
    rate_hz: float
    values: Array

    @property
    def lasts_s(self) -> float:
        """From the first to the last sample [s]."""
        return float((self.values.shape[1] - 1) / self.rate_hz)


def rate_of(recording: Recording, book: Evidence) -> float:
    """Samples in a second, from the median of the time steps [Hz].

    Raises
    ------
    InputError
        Every fault of the time axis: too few samples, not a number, not rising, too slow, too
        uneven; and samples that are no numbers.

    Notes
    -----
    Rows ``stance.rate_least_hz``, ``stance.jitter_most``. The spread is half the range from the
    tenth to the ninetieth percentile of the steps that are no holes.
    """
    time_s, faults = recording.time_s, []
    if len(time_s) <= 10:
        fault = Fault("time", f"{len(time_s)} samples", "more than 10", "Is it the whole file?")
        raise InputError("recording", (fault,))
    finite = np.asarray(np.isfinite(recording.values).all(axis=1)).tolist()
    for name, fine in zip(recording.names, finite, strict=True):
        if not fine:
            remedy = "Leave out samples that are not there."
            faults.append(Fault(name, "a sample that is no number", "numbers", remedy))
    steps = np.diff(time_s)
    rate = 0.0
    if not np.isfinite(time_s).all():
        faults.append(Fault("time", "a time that is no number", "seconds", "Mend the column."))
    elif (steps <= 0).any():
        at = int(np.argmax(steps <= 0)) + 1
        given = f"{time_s[at]:g} s after {time_s[at - 1]:g} s"
        faults.append(Fault("time", given, "a time that rises", "Sort it; drop what stands twice."))
    else:
        middle = float(np.median(steps))
        rate = 1 / middle
        least = book.row("stance.rate_least_hz")
        if rate < least.value * (1 - SLACK):
            remedy = "Record faster. Is the unit of the time right?"
            faults.append(Fault("time", f"{rate:.3g} samples a second", f"{least}", remedy))
        kept = steps[steps <= max(book.value("stance.gap_most_s"), middle * (1 + SLACK))]
        low, high = np.percentile(kept if len(kept) else steps, (10, 100 - 10))
        spread = float(high - low) / 2 / middle
        most = book.value("stance.jitter_most")
        if spread > most:
            remedy = "Record again, with nothing else running."
            given = f"steps that differ by {spread:.0%}"
            faults.append(Fault("time", given, f"at most {most:.0%}", remedy))
    if faults:
        raise InputError("recording", tuple(faults))
    return rate


def pieces(recording: Recording, book: Evidence) -> tuple[slice, ...]:
    """Parts of a recording between its holes, each a run of samples, in order.

    A hole is a time step above row ``stance.gap_most_s``, or above two and a half median steps
    where that is longer: one lost sample is no hole.
    """
    steps = np.diff(recording.time_s)
    most = max(book.value("stance.gap_most_s"), (2 + 0.5) * float(np.median(steps)))
    cuts = [0, *(int(i) + 1 for i in np.flatnonzero(steps > most)), len(recording.time_s)]
    return tuple(slice(a, b) for a, b in pairwise(cuts))


def longest(recording: Recording, book: Evidence) -> tuple[slice, tuple[str, ...]]:
    """The longest part without a hole, and what has to be told when there are others."""
    parts = pieces(recording, book)
    holes = len(parts) - 1
    told = (f"cut at {holes} holes; the longest part is described",) if holes else ()
    return max(parts, key=lambda part: int(part.stop - part.start)), told


def even(recording: Recording, part: slice, rate_hz: float) -> Piece:
    """A part of a recording at an even rate, by straight lines between its samples.

    Parameters
    ----------
    recording : Recording
        The recording.
    part : slice
        Samples without a hole between them, at least 2.
    rate_hz : float
        Samples in a second that are wanted [Hz].
    """
    time_s = recording.time_s[part]
    count = int(np.floor((time_s[-1] - time_s[0]) * rate_hz * (1 + SLACK) + SLACK)) + 1
    wanted = time_s[0] + np.arange(count) / rate_hz
    rows = recording.values[:, part]
    return Piece(
        float(time_s[0]), rate_hz, np.array([np.interp(wanted, time_s, row) for row in rows])
    )


def low_pass(piece: Piece, cut_hz: float, order: int) -> Piece:
    """A piece without what is faster than ``cut_hz``, and without delay.

    Parameters
    ----------
    piece : Piece
        The piece.
    cut_hz : float
        Frequency at which the filter run once lets through the share 1/√2 [Hz].
    order : int
        Order of the filter run once [1].

    Notes
    -----
    Butterworth as second-order sections (scipy), run forwards and backwards.
    """
    from scipy.signal import sosfiltfilt

    sections = _sections(order, cut_hz, piece.rate_hz)
    return Piece(piece.start_s, piece.rate_hz, sosfiltfilt(sections, piece.values, axis=1))


@lru_cache
def _sections(order: int, cut_hz: float, rate_hz: float) -> Any:
    from scipy.signal import butter

    return butter(order, cut_hz, fs=rate_hz, output="sos")


def runs(flags: Sequence[bool] | NDArray[np.bool_]) -> tuple[tuple[int, int], ...]:
    """Runs of true flags as (first, one past the last)."""
    edges = np.diff(np.concatenate(([0], np.asarray(flags, dtype=np.int8), [0])))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return tuple((int(a), int(b)) for a, b in zip(starts, ends, strict=True))
