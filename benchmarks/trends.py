"""What is measured of series of readings: a fit of 30 points beside a general library."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from functools import partial
from typing import Any

import numpy as np

from benchmarks.patient import Patient, Sizes
from benchmarks.table import Row, Section, row
from benchmarks.timing import Timing, fresh, on_each, side_by_side
from rungwise import clinic
from rungwise.core.forecast import forecast
from rungwise.core.terms import Measured
from rungwise.core.trend import MODELS, Model, Series
from rungwise.core.trend_fit import fit_noise

__all__ = ["seconds_of", "trend_section"]

POINTS = 30
SERIES = 8
#: As many times faster than the peer is the target.
TIMES = 10
SPECS: dict[Model, str] = {"level": "local level", "trend": "local linear trend"}


def trend_section(patient: Patient, sizes: Sizes) -> Section:
    """From a series of readings to its noise, and to a forecast."""
    del patient  # no examination is needed
    measured = fresh(
        "import os\n"
        "os.environ['OPENBLAS_NUM_THREADS'] = '1'\n"
        "from benchmarks.trends import seconds_of\n"
        f"found.update(seconds_of({sizes.repetitions}))"
    )
    measured.pop("memory_mb", None)
    times = {name: Timing(tuple(seconds)) for name, seconds in measured.items()}
    rows: list[Row] = []
    for model in MODELS:
        peer = times[f"{model}, peer"]
        rows += [
            row(f"**{SPECS[model]}**", times[f"{model}, ours"], peer.median_s / TIMES),
            row(f"peer: the same by statsmodels, {SPECS[model]}", peer),
            row("peer: with the error of a reading fitted too", times[f"{model}, free"]),
        ]
    rows.append(row("a whole forecast: 216 guesses weighed, bands, chances", times["forecast"]))
    return Section(
        "From 30 readings to what moved",
        (
            f"Likeliest noise of {POINTS} daily readings with a known error, {SERIES} invented "
            f"series in turn, in a fresh process. The target is a {TIMES}th of the peer's median "
            "of this run. All in one thread: with more, tiny matrices wait for busy cores."
        ),
        tuple(rows),
    )


def seconds_of(repetitions: int) -> dict[str, tuple[float, ...]]:
    """Time our fits, the peer's and a forecast in turn, by name [s]."""
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    drawn = list(invented(SERIES))
    models = {m: [UnobservedComponents(values, SPECS[m]) for values in drawn] for m in MODELS}
    series = [Series(tuple(range(POINTS)), tuple(v), (1.0,) * POINTS) for v in drawn]
    book = clinic.open_book()
    sem = replace(book.row("change.nprs.sem"), value=1.0)
    readings = [as_readings(values) for values in drawn]
    ahead = readings[0][-1].on + timedelta(days=14)

    def theirs(model: Any, known: bool) -> object:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it warns of its own search
            if not known:
                return model.fit(disp=False)
            with model.fix_params({"sigma2.irregular": 1.0}):
                return model.fit(disp=False)

    calls: dict[str, Callable[[], object]] = {}
    for model in MODELS:
        calls[f"{model}, ours"] = on_each(partial(fit_noise, model=model), series)
        calls[f"{model}, peer"] = on_each(partial(theirs, known=True), models[model])
        calls[f"{model}, free"] = on_each(partial(theirs, known=False), models[model])
    calls["forecast"] = on_each(
        lambda given: forecast(given, sem, book, "higher", dates=[ahead], target=1.0, by=ahead),
        readings,
    )
    times = side_by_side(calls, repetitions)
    return {name: timing.seconds for name, timing in times.items()}


def invented(count: int) -> Iterator[Sequence[float]]:
    """Draw series of which every second one wanders."""
    rng = np.random.default_rng(30)
    for index in range(count):
        steps = rng.normal(size=POINTS) * (0.1, 0.5)[index % 2]
        yield tuple(map(float, np.cumsum(steps) + rng.normal(size=POINTS)))


def as_readings(values: Sequence[float]) -> tuple[Measured, ...]:
    """Make daily ratings of values."""
    start = date(2026, 1, 1)
    days = (start + timedelta(days=day) for day in range(len(values)))
    return tuple(
        Measured("pain_worst_nprs", v, day, "right") for v, day in zip(values, days, strict=True)
    )
