"""Quiet stance by acceleration of a phone or sensor: how long it was held, and how steadily.

Below about half a hertz a phone on the trunk is an inclinometer, above it an accelerometer, so no
centimetres come from it. The way it hangs is not known: only what no turning changes is told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from math import pi, sqrt

import numpy as np

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.signals import (
    Array,
    Piece,
    Recording,
    even,
    low_pass,
    pieces,
    rate_of,
    runs,
)
from rungwise.core.stance import Described

__all__ = ["Held", "Sway", "held_in", "sway_of", "upright"]

AXES = ("x", "y", "z")


@dataclass(frozen=True)
class Held:
    """What was held in a recording.

    Parameters
    ----------
    parts_s : tuple of (float, float)
        Begin and end of each quiet part of the trial, by the recording's time [s].
    longest_s : float
        Longest part [s].
    step_outs : int
        Loud breaks between two quiet parts [1].
    open_start, open_end : bool
        Whether the first or last part runs into the recording's end: then it was held at least as
        long.
    loud_m_per_s2 : float
        Movement of a second from which it counts as loud [m/s2].
    """

    parts_s: tuple[tuple[float, float], ...]
    longest_s: float
    step_outs: int
    open_start: bool
    open_end: bool
    loud_m_per_s2: float


@dataclass(frozen=True)
class Sway:
    """What a trial came to.

    Parameters
    ----------
    held : Held
        How long, and how often it was left.
    values : mapping of str to Described
        Descriptors of the longest quiet part; empty when it is too short.
    refused : str
        Why there are none; empty when there are.
    constants : mapping of str to float
        Every constant that went in.
    steps : tuple of str
        What was done, in order.
    rate_hz, lasts_s : float
        Rate [Hz] and duration [s] of what was described.
    """

    held: Held
    values: Mapping[str, Described]
    refused: str
    constants: Mapping[str, float]
    steps: tuple[str, ...]
    rate_hz: float
    lasts_s: float


def sway_of(recording: Recording, book: Evidence) -> Sway:
    """Describe a trial recorded by an accelerometer that feels gravity.

    Parameters
    ----------
    recording : Recording
        Rows ``x``, ``y``, ``z`` in m/s2, with gravity.
    book : Evidence
        The evidence book, rows ``stance.…``, ``load.gravity_n_per_kg``.

    Raises
    ------
    InputError
        Every fault of the recording; gravity is not in it; nothing in it is quiet.

    Notes
    -----
    a is the acceleration without its part along the mean of the quiet part (its upright): RMS
    √(Σ|a|²/n); path Σ|Δa|; jerk ½ Σ|Δa|²·rate; mean frequency path/(2π MD T), MD the mean of |a|;
    T = (n - 1)/rate. None depends on how the phone was turned.
    """
    _check(recording)
    rate_of(recording, book)
    rate = book.value("stance.rate_hz")
    steps = [*recording.told, f"brought to {rate:g} Hz by straight lines"]
    parts = [even(recording, part, rate) for part in pieces(recording, book) if _long(part)]
    if not parts:
        fault = Fault("time", "holes throughout", "a part without holes", "Record again.")
        raise InputError("recording", (fault,))
    piece = max(parts, key=lambda part: part.lasts_s)
    if len(parts) > 1:
        steps.append(f"cut at {len(parts) - 1} holes; the longest part is described")
    _check_gravity(piece, book)
    held = held_in(piece, book)
    begin, end = max(held.parts_s, key=lambda part: part[1] - part[0])
    drop = book.value("stance.discard_s")
    least = book.row("stance.least_s")
    left = end - begin - drop
    constants = {"rate Hz": rate, "loud m/s2": held.loud_m_per_s2, "discard s": drop}
    if left < least.value:
        told = f"{max(left, 0.0):.1f} s quiet after the first {drop:g} s; {least} are needed"
        return Sway(held, {}, told, constants, tuple(steps), rate, 0.0)
    cut, order = book.value("stance.lowpass.acceleration_hz"), book.value("stance.lowpass.order")
    first = round((begin + drop - piece.start_s) * rate)
    last = round((end - piece.start_s) * rate) + 1
    quiet = replace(piece, start_s=begin + drop, values=piece.values[:, first:last])
    smooth = low_pass(quiet, cut, round(order))
    constants |= {"low-pass Hz": cut, "order": order}
    steps += [
        f"quiet part from {begin:.1f} to {end:.1f} s, its first {drop:g} s discarded",
        f"low-pass {cut:g} Hz, Butterworth of order {order:g}, run forwards and backwards",
        "turned upright by the mean of the quiet part",
    ]
    values = _described(upright(smooth.values)[1], rate)
    return Sway(held, values, "", constants, tuple(steps), rate, smooth.lasts_s)


def upright(values: Array) -> tuple[Array, Array]:
    """Acceleration along the mean direction, and what is left across it.

    Parameters
    ----------
    values : array, shape (3, n)
        Acceleration with gravity [m/s2].

    Returns
    -------
    array, shape (n,); array, shape (3, n)
        Along the mean, and the rest, about its mean [m/s2].
    """
    mean = values.mean(axis=1)
    up = mean / np.linalg.norm(mean)
    along = up @ values
    across = values - up[:, None] * along
    return along, across - across.mean(axis=1, keepdims=True)


def held_in(piece: Piece, book: Evidence) -> Held:
    """Quiet parts of a recording that belong to one trial: the longest chain of them.

    Parameters
    ----------
    piece : Piece
        Acceleration, shape (3, n) [m/s2].
    book : Evidence
        The evidence book, rows ``stance.loud_…``, ``stance.window_s``, ``stance.step_out_most_s``.

    Raises
    ------
    InputError
        No second of it is quiet.

    Notes
    -----
    Movement of a second is the RMS distance from its own mean; a second is loud above a ratio to
    the quietest quarter of all, and above a floor.
    """
    rate, window_s = piece.rate_hz, book.value("stance.window_s")
    width = round(window_s * rate)
    n = piece.values.shape[1]
    if n <= width:
        fault = Fault("time", f"{piece.lasts_s:.1f} s", f"more than {window_s:g} s", "Record it.")
        raise InputError("recording", (fault,))
    movement = _movement(piece.values, width)
    quarter = float(np.percentile(movement, 100 / 2 / 2))
    loud = max(book.value("stance.loud_ratio") * quarter, book.value("stance.loud_least_m_per_s2"))
    found = [(a, b) for a, b in runs(movement <= loud) if b - a > 1]
    # window i holds the samples i to i + width - 1: what lies before and after a loud burst
    spans = [(float(a), float(b - 1 + width - 1)) for a, b in found]
    for i in range(len(spans) - 1):
        (a, end), (begin, b) = spans[i], spans[i + 1]
        if end > begin:  # a burst so short that the windows around it overlap
            spans[i], spans[i + 1] = (a, (end + begin) / 2), ((end + begin) / 2, b)
    if not spans:
        fault = Fault("quiet", "no second of it", "some seconds of stance", "Record again.")
        raise InputError("recording", (fault,))
    most = book.value("stance.step_out_most_s") * rate
    chains: list[list[tuple[float, float]]] = [[spans[0]]]
    for before, now in pairwise(spans):
        if now[0] - before[1] <= most:
            chains[-1].append(now)
        else:
            chains.append([now])
    chain = max(chains, key=lambda spans: sum(b - a for a, b in spans))
    parts = tuple((piece.start_s + a / rate, piece.start_s + b / rate) for a, b in chain)
    return Held(
        parts,
        max(b - a for a, b in parts),
        len(parts) - 1,
        chain[0][0] == 0,
        chain[-1][1] == n - 1,
        loud,
    )


def _movement(values: Array, width: int) -> Array:
    """RMS distance from their mean of every ``width`` neighbouring samples [m/s2]."""
    about = values - values.mean(axis=1, keepdims=True)
    sums = np.concatenate((np.zeros((len(values), 1)), np.cumsum(about, axis=1)), axis=1)
    squares = np.concatenate(([0.0], np.cumsum((about * about).sum(axis=0))))
    means = (sums[:, width:] - sums[:, :-width]) / width
    variance = (squares[width:] - squares[:-width]) / width - (means * means).sum(axis=0)
    moved: Array = np.sqrt(np.maximum(variance, 0.0))
    return moved


def _described(a: Array, rate_hz: float) -> dict[str, Described]:
    n = a.shape[1]
    T = (n - 1) / rate_hz
    size = np.sqrt((a * a).sum(axis=0))
    moved = np.diff(a, axis=1)
    steps = np.sqrt((moved * moved).sum(axis=0))
    path, mean = float(steps.sum()), float(size.mean())
    return {
        "rms": Described(sqrt(float((size * size).mean())), "m/s2"),
        "largest": Described(float(size.max()), "m/s2"),
        "path": Described(path, "m/s2"),
        "jerk": Described(float((steps * steps).sum()) * rate_hz / 2, "m2/s5"),
        "mean_frequency": Described(path / (2 * pi * mean * T) if mean else 0.0, "Hz"),
    }


def _long(part: slice) -> bool:
    return bool(part.stop - part.start > 10)


def _check(recording: Recording) -> None:
    faults = []
    if recording.names != AXES:
        given = ", ".join(recording.names) or "none"
        faults.append(Fault("columns", given, "x, y, z", "Name the three axes."))
    if recording.unit != "m/s2":
        faults.append(Fault("unit", recording.unit, "m/s2", "Name the unit of the columns."))
    if faults:
        raise InputError("recording", tuple(faults))


def _check_gravity(piece: Piece, book: Evidence) -> None:
    gravity = book.value("load.gravity_n_per_kg")
    middle = float(np.median(np.sqrt((piece.values**2).sum(axis=0))))
    if abs(middle / gravity - 1) > book.value("stance.gravity_within"):
        remedy = "Record with gravity included, and name the right unit (m/s2, g or mg)."
        fault = Fault("x, y, z", f"{middle:.3g} m/s2 on the whole", f"about {gravity:.3g}", remedy)
        raise InputError("recording", (fault,))
