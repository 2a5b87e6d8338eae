"""Time things side by side, in this process and in fresh ones; count seconds and memory."""

from __future__ import annotations

import gc
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import cycle
from pathlib import Path
from typing import Any, TypeVar

__all__ = ["ROOT", "Timing", "fresh", "on_each", "program", "side_by_side", "times_of"]

Given = TypeVar("Given")
ROOT = Path(__file__).resolve().parents[1]
LIMIT_S = 300
SHORTEST_S = 2e-3
#: Linux tells the most that this very program held; elsewhere memory is not told.
FRESH = """
import json, sys
from pathlib import Path
from time import perf_counter as clock
found = {{}}
{code}
status = Path("/proc/self/status")
if status.exists():
    kept = [line.split()[1] for line in status.read_text().splitlines() if "VmHWM" in line]
    found["memory_mb"] = int(kept[0]) / 1000
sys.stdout.write(json.dumps(found))
"""


@dataclass(frozen=True)
class Timing:
    """How long one thing took, each time it was done.

    Parameters
    ----------
    seconds : tuple of float
        One entry a repetition [s].
    """

    seconds: tuple[float, ...]

    @property
    def median_s(self) -> float:
        """The middle one [s]."""
        return statistics.median(self.seconds)

    @property
    def low_s(self) -> float:
        """The lower quartile [s]."""
        return self._quartile(0)

    @property
    def high_s(self) -> float:
        """The upper quartile [s]."""
        return self._quartile(2)

    @property
    def best_s(self) -> float:
        """The shortest [s]: what it costs when nothing else runs."""
        return min(self.seconds)

    def _quartile(self, which: int) -> float:
        if len(self.seconds) == 1:
            return self.seconds[0]
        return statistics.quantiles(self.seconds, n=4, method="inclusive")[which]


def side_by_side(calls: Mapping[str, Callable[[], object]], repetitions: int) -> dict[str, Timing]:
    """Time calls in turn, so that whatever else the machine does meets all of them alike.

    Parameters
    ----------
    calls : mapping of str to callable
        What to time, by name. Each is called twice before, to warm it up.
    repetitions : int
        How often [1]. Each repetition lasts at least 2 ms: a quick call is repeated within it.
    """
    inner = {}
    for name, call in calls.items():
        call()
        start = time.perf_counter()
        call()
        inner[name] = max(1, round(SHORTEST_S / max(time.perf_counter() - start, 1e-7)))
    found: dict[str, list[float]] = {name: [] for name in calls}
    for _ in range(repetitions):
        for name, call in calls.items():
            gc.collect()
            start = time.perf_counter()
            for _ in range(inner[name]):
                call()
            found[name].append((time.perf_counter() - start) / inner[name])
    return {name: Timing(tuple(seconds)) for name, seconds in found.items()}


def on_each(call: Callable[[Given], object], values: Iterable[Given]) -> Callable[[], object]:
    """Make a call that takes the next value each time, and begins again at the end."""
    turn = cycle(values)
    return lambda: call(next(turn))


def times_of(runs: Sequence[Mapping[str, float]], name: str) -> Timing:
    """Gather one entry of several fresh runs."""
    return Timing(tuple(run[name] for run in runs))


def environment() -> dict[str, str]:
    """Return the environment of a fresh process: it runs the code of this repository."""
    return {**os.environ, "PYTHONPATH": os.pathsep.join((str(ROOT / "src"), str(ROOT)))}


def program(words: Sequence[str], allowed: Sequence[int] = (0,)) -> float:
    """Run a fresh Python with these words; return how long it took from start to end [s].

    Raises
    ------
    RuntimeError
        When it ends with an exit code that is not allowed.
    """
    command = [sys.executable, *words]
    start = time.perf_counter()
    done = subprocess.run(
        command, env=environment(), capture_output=True, text=True, timeout=LIMIT_S, check=False
    )
    seconds = time.perf_counter() - start
    if done.returncode not in allowed:
        raise RuntimeError(f"{words} ended with {done.returncode}: {done.stderr[-500:]}")
    return seconds


def fresh(code: str) -> dict[str, Any]:
    """Run code in a fresh Python; return the dictionary ``found`` that it fills.

    ``clock`` is there to count seconds; the most memory that the process held is added as
    ``memory_mb`` [MB] where the system tells it.
    """
    whole = FRESH.format(code=code)
    done = subprocess.run(
        [sys.executable, "-c", whole],
        env=environment(),
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
        check=False,
    )
    if done.returncode:
        raise RuntimeError(done.stderr[-1000:])
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer
