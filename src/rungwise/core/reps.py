"""Repetitions from a phone or sensor: counted by rhythm, and heel raises by the turn of the foot.

Two ways. Rhythm counts any repeated movement and knows nothing of it. The turn of a sensor on the
foot shows each heel raise: rise, hold, lowering. Where neither is sure the answer is "cannot tell".
Everything here is plain sums and comparisons, so that the phone page can do the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, sqrt

import numpy as np
from numpy.typing import NDArray

from rungwise.core.evidence import Evidence
from rungwise.core.signals import Array, Piece, Recording, even, longest, rate_of, runs

#: The levels between which a movement is timed are a tenth and nine tenths of its way.
TENTH = 1 / 10
#: Least distance that a weight is taken from, in the unit of the rows.
TINY = 1e-9

__all__ = ["HeelRaise", "HeelRaises", "Rhythm", "count_by_rhythm", "heel_raises_in"]


@dataclass(frozen=True)
class Rhythm:
    """A count of repeated movements of any kind.

    Parameters
    ----------
    count : int
        Repetitions [1]; 0 when it cannot be told.
    period_s : float
        Usual time of one [s].
    likeness : float
        Likeness of the recording with itself one repetition later, at most 1 [1].
    cannot : str
        Why it cannot be told; empty when it can.
    """

    count: int
    period_s: float
    likeness: float
    cannot: str = ""


@dataclass(frozen=True)
class HeelRaise:
    """One heel raise, by the turn of the foot.

    Parameters
    ----------
    start_s : float
        When a tenth of the rise was done, by the recording's time [s].
    up_s, hold_s, down_s : float
        Rise and lowering between a tenth and nine tenths of the way, and the time between them [s].
    turn_deg : float
        Turn of the sensor from floor to top [deg].
    wobble_deg : float
        Standard deviation of the turn at the top [deg].
    """

    start_s: float
    up_s: float
    hold_s: float
    down_s: float
    turn_deg: float
    wobble_deg: float


@dataclass(frozen=True)
class HeelRaises:
    """Heel raises of a recording.

    Parameters
    ----------
    raises : tuple of HeelRaise
        Each one, in order.
    partial : int
        Movements between them that were less than half as high as usual [1].
    by : {"turning", "tilt", ""}
        What they were seen by.
    cannot : str
        Why it cannot be told; empty when it can.
    constants : mapping of str to float
        Every constant that went in.
    steps : tuple of str
        What was done, in order.
    """

    raises: tuple[HeelRaise, ...]
    partial: int
    by: str
    cannot: str
    constants: Mapping[str, float]
    steps: tuple[str, ...]

    @property
    def count(self) -> int:
        """How many [1]."""
        return len(self.raises)


# ------------------------------------------------------------------ rhythm


def count_by_rhythm(acceleration: Recording, turning: Recording | None, book: Evidence) -> Rhythm:
    """Count repeated movements of any kind.

    Parameters
    ----------
    acceleration : Recording
        Rows x, y, z in one unit.
    turning : Recording or None
        Rows of the turning along the same times, in one unit.
    book : Evidence
        The evidence book, rows ``reps.…``.

    Raises
    ------
    InputError
        A fault of the time axis.

    Notes
    -----
    Both are brought to half of ``reps.rate_hz``, smoothed, taken about their median and scaled by
    their own size, so that no turning of the sensor changes them. The period is the first peak of
    the likeness with itself, among those nearly as high as the highest. Peaks are counted along
    each main direction, to both sides, and the most even row of peaks is believed.
    """
    rate_of(acceleration, book)
    piece = _longest(acceleration, turning, book)
    rate = piece.rate_hz / 2
    rows = _smooth(piece.values, piece.rate_hz, book)[:, ::2]
    rows = rows - np.median(rows, axis=1, keepdims=True)
    groups = [rows[i : i + 3] for i in range(0, len(rows), 3)]
    sizes = [sqrt(float((group * group).sum()) / group.shape[1]) for group in groups]
    if min(sizes) == 0:
        return Rhythm(0, 0.0, 0.0, "nothing moves")
    x = np.concatenate([group / size for group, size in zip(groups, sizes, strict=True)])
    x = x - x.mean(axis=1, keepdims=True)
    lag, likeness = _period(x, rate, book)
    if lag == 0 or likeness < book.value("reps.least_rhythm"):
        return Rhythm(0, lag / rate, likeness, "no rhythm: no repetition is like the one before")
    apart = book.value("reps.apart_share") * lag
    share = book.value("reps.rise_share")
    rows_found: list[tuple[float, int]] = []
    for direction in main_directions(x, 3):
        along = direction @ x
        for one in (along, -along):
            low, high = np.percentile(one, (5, 95))
            peaks = peaks_of(one, apart, share * float(high - low), float(low))
            if len(peaks) > 2:
                gaps = np.diff(peaks)
                rows_found.append((float(gaps.std() / gaps.mean()), len(peaks)))
    if not rows_found:
        return Rhythm(0, lag / rate, likeness, "fewer than three repetitions")
    return Rhythm(min(rows_found)[1], lag / rate, likeness)


def _period(x: Array, rate: float, book: Evidence) -> tuple[int, float]:
    """Lag of one repetition [samples] and the likeness there; 0 when there is none."""
    least = int(book.value("reps.least_period_s") * rate)
    most = min(int(book.value("reps.most_period_s") * rate), x.shape[1] // 3)
    n = x.shape[1]
    size = 1 << (2 * n).bit_length()
    spectrum = np.fft.rfft(x, size, axis=1)
    sums = np.fft.irfft(np.abs(spectrum) ** 2, size, axis=1).sum(axis=0)[: max(most, 0)]
    grown = np.concatenate(([0.0], np.cumsum((x * x).sum(axis=0))))
    lags = np.arange(len(sums))
    early, late = grown[n - lags], grown[n] - grown[lags]
    like = sums / np.sqrt(early * late)
    tops = [k for k in range(max(least, 1), len(like) - 1) if like[k - 1] < like[k] >= like[k + 1]]
    best = max((float(like[k]) for k in tops), default=0.0)
    if best <= 0:
        return 0, 0.0
    share = book.value("reps.rhythm_share")
    first = next(k for k in tops if like[k] >= share * best)
    return first, float(like[first])


def main_directions(x: Array, count: int) -> list[Array]:
    """Directions of most movement, shape (k,) each, at right angles, by repeated multiplication.

    Parameters
    ----------
    x : array, shape (k, n)
        Rows about their means.
    count : int
        How many [1].
    """
    spread = x @ x.T
    found: list[Array] = []
    for _ in range(min(count, len(x))):
        at = np.eye(len(x))[int(np.argmax(np.diag(spread)))]
        for _ in range(100):
            new = spread @ at
            length = float(np.linalg.norm(new))
            if length == 0:
                break
            at = new / length
        found.append(at)
        spread = spread - np.outer(at, at) * float(at @ spread @ at)
    return found


def peaks_of(row: Array, apart: float, rise: float, ground: float) -> list[int]:
    """Peaks of a row that stand apart and out.

    Parameters
    ----------
    row : array, shape (n,)
        The row; before and after it the ground is reached.
    apart : float
        Least distance [samples]; of two nearer ones the higher stays.
    rise : float
        Least height over the higher of the two valleys that part it from a higher peak, in the
        row's unit.
    ground : float
        Height outside the row, in its unit.
    """
    x = np.concatenate(([ground], row, [ground]))
    tops = [i for i in range(1, len(x) - 1) if x[i - 1] < x[i] >= x[i + 1]]
    kept: list[int] = []
    for i in sorted(tops, key=lambda i: (-x[i], i)):
        if all(abs(i - j) >= apart for j in kept):
            kept.append(i)
    out = []
    for i in kept:
        left = i
        low_left = x[i]
        while left > 0 and x[left - 1] <= x[i]:
            left -= 1
            low_left = min(low_left, x[left])
        right = i
        low_right = x[i]
        while right < len(x) - 1 and x[right + 1] <= x[i]:
            right += 1
            low_right = min(low_right, x[right])
        if x[i] - max(low_left, low_right) >= rise:
            out.append(i - 1)
    return sorted(out)


# ------------------------------------------------------------------ heel raises


def heel_raises_in(
    acceleration: Recording, turning: Recording | None, book: Evidence
) -> HeelRaises:
    """Find heel raises by the turn of a sensor on the foot, with their times.

    Parameters
    ----------
    acceleration : Recording
        Rows x, y, z in m/s2, with gravity.
    turning : Recording or None
        Rows gx, gy, gz in rad/s along the same times; without it the tilt against gravity is used.
    book : Evidence
        The evidence book, rows ``reps.…``.

    Raises
    ------
    InputError
        A fault of the time axis.

    Notes
    -----
    The angle is the turning about its main axis, summed; or the tilt in the plane in which gravity
    swings. A leg is a way from one turning point to the next that is larger than a share of the
    usual one; the first leg goes up. A movement lasts from a tenth to nine tenths of its way, the
    usual levels of a transition (from memory IEEE 181): its first and last creeping cannot be told
    from swaying. The whole of a smooth movement lasts 1.6 to 2 times as long.
    """
    rate_of(acceleration, book)
    piece = _longest(acceleration, turning, book)
    rate = piece.rate_hz
    steps = [*acceleration.told, f"brought to {rate:g} Hz by straight lines, smoothed"]
    constants = {name: row.value for name, row in book.rows.items() if name.startswith("reps.")}

    def cannot(why: str) -> HeelRaises:
        return HeelRaises((), 0, "", why, constants, tuple(steps))

    if piece.lasts_s < book.value("stance.window_s"):
        return cannot("too short: record for longer")
    rows = _smooth(piece.values, rate, book)
    loud = _loud(piece.values[:3], rate, book)
    if turning is not None:
        speed, one_axis = _turn_speed(rows[3:], rate, loud)
        by = "turning"
    else:
        speed, one_axis = _tilt_speed(rows[:3], rate, loud)
        by = "tilt"

    if one_axis < book.value("reps.one_axis_share"):
        return cannot("the sensor turned about several axes: fix it to the foot")
    angle = np.cumsum(speed) / rate
    legs = _legs(angle, speed, loud, rate, book)
    if len(legs) < 2:
        least = book.row("reps.turn_least_deg")
        return cannot(f"the sensor turned less than {least}: fix it to the foot")
    if legs[0][2] < 0:
        speed, angle = -speed, -angle
        legs = [(a, b, -turn) for a, b, turn in legs]
    usual = float(np.median([abs(turn) for _, _, turn in legs]))
    like = book.value("reps.like_share") * usual
    raises, partial = [], 0
    i = 0
    while i < len(legs) - 1:
        (a, b, up), (c, d, down) = legs[i], legs[i + 1]
        if up <= 0 or down >= 0:
            i += 1
            continue
        i += 2
        if min(up, -down) < like:
            partial += 1
            continue
        begin, top = _movement(angle, a, b)
        leave, floor = _movement(angle, c, d)
        held = angle[ceil(top) : max(int(leave), ceil(top) + 1)]
        start = piece.start_s
        raises.append(
            HeelRaise(
                start + begin / rate,
                (top - begin) / rate,
                max(leave - top, 0.0) / rate,
                (floor - leave) / rate,
                (up - down) / 2,
                float(held.std()) if len(held) > 2 else 0.0,
            )
        )
    if not raises:
        return cannot("no movement up and down again")
    return HeelRaises(tuple(raises), partial, by, "", constants, tuple(steps))


def _longest(acceleration: Recording, turning: Recording | None, book: Evidence) -> Piece:
    """The longest part without a hole, acceleration above turning, at one rate."""
    both = acceleration
    if turning is not None:
        values = np.concatenate((acceleration.values, turning.values))
        names = (*acceleration.names, *turning.names)
        both = Recording(acceleration.time_s, values, names, "")
    return even(both, longest(both, book)[0], book.value("reps.rate_hz"))


def _smooth(rows: Array, rate: float, book: Evidence) -> Array:
    """Moving average, run twice, the ends held."""
    width = 2 * (round(book.value("reps.smooth_s") * rate) // 2) + 1
    for _ in range(2):
        held = np.pad(rows, ((0, 0), (width // 2 + 1, width // 2)), mode="edge")
        sums = np.cumsum(held, axis=1)
        rows = (sums[:, width:] - sums[:, :-width]) / width
    return rows


def _quiet(rows: Array, rate: float) -> Array:
    """Middle of the means of the quietest quarter of all half seconds, shape (k,).

    The point of least summed distance (Weiszfeld's iteration): an even slow turn counts as quiet,
    too, and must not pull it; no turning of the axes changes it.
    """
    width = max(int(rate / 2), 1)
    count = rows.shape[1] // width
    cut = rows[:, : count * width].reshape(len(rows), count, width)
    loud = cut.var(axis=2).sum(axis=0)
    chosen = np.argsort(loud, kind="stable")[: max(count // 4, 1)]
    points = cut[:, chosen].mean(axis=2)
    middle: Array = points.mean(axis=1)
    for _ in range(100):
        away = np.sqrt(((points - middle[:, None]) ** 2).sum(axis=0))
        weights = 1 / np.maximum(away, TINY)
        middle = (points * weights).sum(axis=1) / weights.sum()
    return middle


def _turn_speed(rows: Array, rate: float, loud: NDArray[np.bool_]) -> tuple[Array, float]:
    """Turning about the main axis [deg/s], and the share of all turning that it is."""
    rows = np.degrees(rows - _quiet(rows, rate)[:, None])
    used = rows * ~loud
    axis = main_directions(used, 1)[0]
    along = axis @ rows
    whole = float((used * used).sum())
    return along, float(((axis @ used) ** 2).sum()) / whole if whole else 0.0


def _tilt_speed(rows: Array, rate: float, loud: NDArray[np.bool_]) -> tuple[Array, float]:
    """Speed of the tilt in the plane in which gravity swings [deg/s], and the share in it."""
    size = np.sqrt((rows * rows).sum(axis=0))
    way = rows / np.where(size > 0, size, 1.0)
    rest = _quiet(way, rate)
    rest = rest / max(float(np.linalg.norm(rest)), TINY)
    away = way - rest[:, None] * (rest @ way)
    moved = np.diff(away, axis=1) * ~loud[1:]
    axis = main_directions(moved, 1)[0]
    angle = np.degrees(np.arctan2(axis @ away, rest @ way))
    whole = float((moved * moved).sum())
    share = float(((axis @ moved) ** 2).sum()) / whole if whole else 0.0
    return np.gradient(angle) * rate, share


def _noise(speed: Array, rate: float) -> float:
    """Speed at rest: RMS over the quietest quarter of all half seconds [deg/s]."""
    width = max(int(rate / 2), 1)
    count = len(speed) // width
    cut = speed[: count * width].reshape(count, width)
    loud = np.sort(np.sqrt((cut * cut).mean(axis=1)))
    return float(np.median(loud[: max(count // 4, 1)]))


def _legs(
    angle: Array, speed: Array, loud: NDArray[np.bool_], rate: float, book: Evidence
) -> list[tuple[int, int, float]]:
    """Ways up and down of a set: (from, to, turn [deg]), the longest chain that alternates."""
    least, most = book.value("reps.turn_least_deg"), book.value("reps.turn_most_deg")
    fastest = book.value("reps.speed_most_deg_s")
    bounded = np.where(loud, np.inf, np.abs(speed))
    still = max(
        book.value("reps.speed_least_deg_s"),
        book.value("reps.noise_times") * _noise(speed, rate),
    )
    width = book.value("reps.still_s") * rate
    stills = [(a, b - 1) for a, b in runs(np.abs(speed) < still) if b - a >= width]
    ends = [place for pair in stills for place in pair]
    threshold, legs = least, []
    for _ in range(2):
        turns = [
            place
            for place in _turning_points(angle, threshold)
            if not any(a <= place <= b for a, b in stills)
        ]
        points = sorted({0, len(angle) - 1, *turns, *ends})
        legs = _joined(
            [
                (a, b, float(angle[b] - angle[a]))
                for a, b in pairwise(points)
                if abs(angle[b] - angle[a]) > least / 2 / 2
                and _fastest(angle, bounded, a, b) <= fastest
            ],
            width,
        )
        legs = [leg for leg in legs if least <= abs(leg[2]) <= most]
        if not legs:
            return []
        usual = float(np.median([abs(turn) for _, _, turn in legs]))
        threshold = max(least, book.value("reps.rise_share") * usual)
    pause = book.value("reps.pause_most_s") * rate
    chains: list[list[tuple[int, int, float]]] = []
    for leg in legs:
        last = chains[-1][-1] if chains else None
        if last is not None and leg[0] - last[1] <= pause and leg[2] * last[2] < 0:
            chains[-1].append(leg)
        else:
            chains.append([leg])
    return max(chains, key=len)


def _joined(legs: list[tuple[int, int, float]], width: float) -> list[tuple[int, int, float]]:
    """Legs, those of one way with only a short stop between them made one."""
    out: list[tuple[int, int, float]] = []
    for a, b, turn in legs:
        if out and out[-1][2] * turn > 0 and a - out[-1][1] <= 2 * width:
            out[-1] = (out[-1][0], b, out[-1][2] + turn)
        else:
            out.append((a, b, turn))
    return out


def _core(angle: Array, a: int, b: int, share: float) -> tuple[int, int]:
    """Where a leg has left its first end by a share of its way, and where that share is left."""
    done = (angle[a : b + 1] - angle[a]) / (angle[b] - angle[a])
    last = int(np.argmax(done >= 1 - share))
    first = last - int(np.argmax(done[last::-1] <= share))
    return a + first, a + last


def _fastest(angle: Array, speed: Array, a: int, b: int) -> float:
    """Highest speed of a leg between a tenth and nine tenths of its way [deg/s]."""
    first, last = _core(angle, a, b, 1 / 10)
    return float(speed[first : last + 1].max())


def _loud(rows: Array, rate: float, book: Evidence) -> NDArray[np.bool_]:
    """Where the size of the acceleration shakes, as it does in a step, half a second around."""
    size = np.sqrt((rows * rows).sum(axis=0))
    off = (size - np.median(size)) ** 2
    half = max(round(rate / 2 / 2), 1)
    sums = np.concatenate(([0.0], np.cumsum(np.pad(off, half, mode="edge"))))
    width = 2 * half + 1
    found: NDArray[np.bool_] = (sums[width:] - sums[:-width]) / width > book.value(
        "reps.shake_m_per_s2"
    ) ** 2
    return found


def _turning_points(row: Array, threshold: float) -> list[int]:
    """Places where a row turns by at least ``threshold`` in its unit."""
    points: list[int] = []
    low = high = 0
    way = 0
    for i, value in enumerate(row):
        if value > row[high]:
            high = i
        if value < row[low]:
            low = i
        if way >= 0 and row[high] - value >= threshold:
            points.append(high)
            way, low = -1, i
            high = i
        elif way <= 0 and value - row[low] >= threshold:
            points.append(low)
            way, high = 1, i
            low = i
    points.append(high if way > 0 else low)
    return points


def _movement(angle: Array, a: int, b: int) -> tuple[float, float]:
    """When a tenth and nine tenths of a leg are done, in samples and parts of them."""
    done = (angle[a : b + 1] - angle[a]) / (angle[b] - angle[a])
    half = int(np.argmax(done >= 1 / 2))
    first = half
    while first > 0 and done[first - 1] > TENTH:
        first -= 1
    last = half
    while last < len(done) - 1 and done[last] < 1 - TENTH:
        last += 1
    begin = first - _back(done, first, TENTH)
    end = last - _back(done, last, 1 - TENTH)
    return a + begin, a + end


def _back(done: Array, at: int, level: float) -> float:
    """How far before a sample a level was crossed, in parts of a sample."""
    if at == 0 or done[at] == done[at - 1]:
        return 0.0
    return float(min(max((done[at] - level) / (done[at] - done[at - 1]), 0.0), 1.0))
