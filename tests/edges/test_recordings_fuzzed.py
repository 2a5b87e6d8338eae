"""A thousand broken files of acceleration: each is refused or answered; nothing breaks or hangs.

What is broken: bytes, cells, rows, headings and the course of time, in recordings that were whole.
"""

from __future__ import annotations

import random
import time
import warnings
from collections import Counter
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rungwise.clinic import open_book, reps_now, stance_now
from rungwise.core.errors import InputError
from tests.core.heel_raises import heel_raises
from tests.core.test_sway import trial

Table = NDArray[np.float64]
BOOK = open_book()
HEAD = "time[s],x[m/s2],y[m/s2],z[m/s2]"
TURNS = ",gx[rad/s],gy[rad/s],gz[rad/s]"
FILES = 1000
#: Units, numbers and words that a cell may be replaced by.
CELLS = (
    *("", "nan", "inf", "-inf", "1e999", "-0", "0x1F", "1_000", "1,5", "=1+1", '"', "\0", "٣", "e"),
    *("1e308", "-1e308", "5e-324", "0", "99999999999999999999"),
)
HEADS = ("[g]", "[mg]", "[ms]", "[]", "", "[m/s2", "(m/s2)", "[kg]", "[deg/s]", "[rad/s]", "[us]")


def table(rng: random.Random, seed: int) -> tuple[str, Table]:
    """A whole recording: heel raises with or without turning, or a stance."""
    if seed % 3 == 0:
        row = trial(seed, 25.0, (2.0, 10.0), lasts_s=12.0)
        return HEAD, np.column_stack((row.time_s, *row.values))
    found, turning, _ = heel_raises(seed, 2, 25.0, steps=rng.random() < 0.3)
    if turning is None or seed % 3 == 1:
        return HEAD, np.column_stack((found.time_s, *found.values))
    return HEAD + TURNS, np.column_stack((found.time_s, *found.values, *turning.values))


def broken_time(rng: random.Random, rows: Table) -> None:
    """Let time stand, jump, run back, run faster, or be told by two clocks."""
    t, n = rows[:, 0], len(rows)
    at, what = rng.randrange(n), rng.randrange(6)
    if what == 0:
        t[at:] += rng.choice((0.2, 5.0, 1e6))
    elif what == 1:
        t[at:] -= rng.choice((0.001, 1.0, 1e6))
    elif what == 2:
        t *= rng.choice((0.01, 0.5, 3.0, 1e-6, 0.0))
    elif what == 3:  # pairs of samples with holes between them
        t[:] = [(k // 2) * 0.15 + (k % 2) * rng.choice((1e-3, 1e-5)) for k in range(n)]
    elif what == 4:
        t[:] = np.round(t, rng.randrange(0, 3))
    else:
        t += np.array([rng.uniform(-1, 1) for _ in range(n)]) * rng.choice((0.005, 0.05))


def broken_values(rng: random.Random, rows: Table) -> None:
    """Leave columns still, loud, large, or one like another."""
    column, what = rng.randrange(1, rows.shape[1]), rng.randrange(5)
    if what == 0:
        rows[:, column] = 0.0
    elif what == 1:
        rows[:, 1:] = rows[0, 1:]
    elif what == 2:
        rows[:, 1:] *= rng.choice((0.0, 1e-12, 1e6, 1e150, -1.0))
    elif what == 3:
        rows[:, column] = rows[:, rng.randrange(1, rows.shape[1])]
    else:
        rows[rng.randrange(len(rows)) :, 1:] = rng.choice((0.0, 1.0, 1e12))


def broken_text(rng: random.Random, data: bytearray) -> bytearray:
    """Turn, drop and double bytes, cells and lines."""
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(max(len(data), 1))
        what = rng.randrange(7)
        if what == 0 and data:
            data[min(at, len(data) - 1)] = rng.randrange(256)
        elif what == 1:
            del data[at : at + rng.randint(1, 300)]
        elif what == 2:
            cells = bytes(data).split(b",")
            cells[rng.randrange(len(cells))] = rng.choice(CELLS).encode()
            data = bytearray(b",".join(cells))
        elif what == 3:
            lines = bytes(data).split(b"\n")
            lines.insert(rng.randrange(len(lines)), rng.choice(lines))
            data = bytearray(b"\n".join(lines))
        elif what == 4:
            head, _, body = bytes(data).partition(b"\n")
            start = head.find(b"[", rng.randrange(len(head) + 1))
            end = head.find(b"]", start)
            if 0 <= start < end:
                head = head[:start] + rng.choice(HEADS).encode() + head[end + 1 :]
            data = bytearray(head + b"\n" + body)
        elif what == 5:
            data = bytearray(
                bytes(data).replace(b"\n", rng.choice((b"\r\n", b"\r", b"\n\n", b";")))
            )
        else:
            data = data[:at] or bytearray(b" ")
    return data


def broken(seed: int) -> bytes:
    """One file."""
    rng = random.Random(seed)
    head, rows = table(rng, seed % 23)
    kind = rng.randrange(4)
    if kind in (0, 3):
        broken_time(rng, rows)
    if kind in (1, 3):
        broken_values(rng, rows)
    if rng.random() < 0.25:
        rows = rows[: rng.randrange(1, 60)]
    lines = (",".join(f"{value:.5f}" for value in row) for row in rows)
    data = bytearray("\n".join((head, *lines)).encode())
    return bytes(broken_text(rng, data) if kind == 2 else data)


def test_a_thousand_broken_files_end_in_a_fault_or_an_answer() -> None:
    asks: tuple[Callable[[bytes], object], ...] = (
        lambda data: reps_now(data, (), BOOK),
        lambda data: reps_now(data, (), BOOK, any_movement=True),
        lambda data: stance_now(data, (), BOOK, "acceleration"),
    )
    ends: Counter[tuple[int, bool]] = Counter()
    began, slowest = time.process_time(), 0.0
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for seed in range(FILES):
            data = broken(seed)
            for k, ask in enumerate(asks):
                before = time.process_time()
                try:
                    ask(data)
                except InputError:
                    ends[k, False] += 1
                else:
                    ends[k, True] += 1
                slowest = max(slowest, time.process_time() - before)
    assert all(ends[k, True] + ends[k, False] == FILES for k in range(len(asks)))
    assert min(ends.values()) > 100, ends
    assert slowest < 5
    assert time.process_time() - began < 120
