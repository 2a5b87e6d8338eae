"""Several photographs of one foot as one reading, and a reading against flat standing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt

from rungwise.core.detect import limit_z
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.photo import PhotoReading
from rungwise.core.quantiles import t_quantile
from rungwise.core.terms import Reason, Side

__all__ = ["Combined", "combine", "from_flat"]

HALVINGS = 100  # of the search for the variance between photographs


@dataclass(frozen=True)
class Combined:
    """The bend of the big toe from several photographs of one position.

    Parameters
    ----------
    bend_deg, low_deg, high_deg, sd_deg : float
        Mean, its interval and its standard error [deg].
    between_sd_deg : float
        Standard deviation of the bend between photographs beyond their own errors [deg].
    photographs : int
        How many [1].
    zero : str
        What counts as no bend.
    side : {"right", "left"}
        Which foot.
    reasons : tuple of Reason
        How it was found.
    """

    bend_deg: float
    low_deg: float
    high_deg: float
    sd_deg: float
    between_sd_deg: float
    photographs: int
    zero: str
    side: Side
    reasons: tuple[Reason, ...]


def _alike(readings: Sequence[PhotoReading], book: Evidence) -> None:
    least = int(book.value("photo.combine.least"))
    faults = []
    if len(readings) < least:
        given, allowed = str(len(readings)), f"at least {least}"
        faults.append(Fault("photographs", given, allowed, "Take another photograph."))
    for name, values in (
        ("side", {r.side for r in readings}),
        ("zero", {r.zero for r in readings}),
        ("marks", {", ".join(r.marks) for r in readings}),
    ):
        if len(values) > 1:
            given = " and ".join(sorted(values))
            faults.append(Fault(name, given, "one for all", "Never mix them in one reading."))
    if faults:
        raise InputError("photographs of one position", tuple(faults))


def combine(readings: Sequence[PhotoReading], book: Evidence) -> Combined:
    """The mean of several photographs of one position, with the error between photographs.

    Parameters
    ----------
    readings : sequence of PhotoReading
        Of one foot, from one zero, by the same marks.
    book : Evidence
        The book, with rows ``photo.combine.least`` and ``change.confidence_pct``.

    Raises
    ------
    InputError
        For too few readings, or of different feet, zeros or marks.

    Notes
    -----
    Random effects: the variance between photographs makes Σ w (y - mean)² equal to k - 1, with
    w = 1 / (own variance + variance between) (Paule and Mandel). Standard error by Hartung and
    Knapp, never below 1 / √Σw; interval by Student's t with k - 1 degrees of freedom.
    """
    _alike(readings, book)
    bends = [r.bend_deg for r in readings]
    own = [r.sd_deg**2 for r in readings]

    def at(between: float) -> tuple[float, float, float]:
        weights = [1 / (v + between) for v in own]
        whole = sum(weights)
        mean = sum(w * y for w, y in zip(weights, bends, strict=True)) / whole
        return mean, whole, sum(w * (y - mean) ** 2 for w, y in zip(weights, bends, strict=True))

    more = len(bends) - 1
    low, high = 0.0, (max(bends) - min(bends)) ** 2
    if at(low)[2] > more:
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            low, high = (middle, high) if at(middle)[2] > more else (low, middle)
    mean, whole, spread = at(low)
    sd = sqrt(max(1, spread / more) / whole)
    sure = book.value("change.confidence_pct") / 100
    half = t_quantile((1 + sure) / 2, more) * sd
    first = readings[0]
    found = book.reason(
        "photo.combined", photographs=len(bends), between=f"{sqrt(low):.1f}°", apart=more
    )
    return Combined(
        mean,
        mean - half,
        mean + half,
        sd,
        sqrt(low),
        len(bends),
        first.zero,
        first.side,
        (found, *first.reasons),
    )


def from_flat(reading: PhotoReading, flat: PhotoReading, book: Evidence) -> PhotoReading:
    """The bend counted from flat standing: less what a photograph of flat standing reads.

    Parameters
    ----------
    reading, flat : PhotoReading
        Of one foot by the same marks, both from the metatarsal's shaft; ``flat`` in quiet standing
        with the toe flat.
    book : Evidence
        The book.

    Raises
    ------
    InputError
        When they are of different feet or marks, or not from the shaft.

    Notes
    -----
    Errors are taken as independent. Marks that stayed on the skin between the two photographs share
    their place, so that this is the wider answer.
    """
    _alike([reading, flat], book)
    if reading.zero != "metatarsal_shaft":
        fault = Fault("zero", reading.zero, "metatarsal_shaft", "Take the reading from the shaft.")
        raise InputError("photograph of flat standing", (fault,))
    sd = sqrt(reading.sd_deg**2 + flat.sd_deg**2)
    bend, half = reading.bend_deg - flat.bend_deg, limit_z(book) * sd
    causes = set(reading.parts_deg) & set(flat.parts_deg)
    return replace(
        reading,
        bend_deg=bend,
        zero="flat_standing",
        low_deg=bend - half,
        high_deg=bend + half,
        sd_deg=sd,
        sd_first_deg=sqrt(reading.sd_first_deg**2 + flat.sd_first_deg**2),
        sd_drawn_deg=sqrt(reading.sd_drawn_deg**2 + flat.sd_drawn_deg**2),
        parts_deg={
            cause: sqrt(reading.parts_deg[cause] ** 2 + flat.parts_deg[cause] ** 2)
            for cause in sorted(causes)
        },
        reasons=(book.reason("photo.from_flat", flat=f"{flat.bend_deg:.0f}°"), *reading.reasons),
    )
