"""Read the bend of the big-toe joint: which readings count, from which zero, with which error.

Two zeros are in use: the metatarsal shaft, from which the grades are published, and flat
standing, from which poses and heel stops are computed. Readings by different methods,
instruments or zeros never meet in one mean. Angles are degrees of dorsiflexion.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from math import floor, hypot, nan, sqrt
from statistics import NormalDist, fmean
from typing import Literal

from rungwise.core.errors import EvidenceError
from rungwise.core.evidence import Evidence, Row
from rungwise.core.reasons import with_row
from rungwise.core.terms import PHOTOGRAPH, Exam, Measured, Reason, Side

__all__ = [
    "DIGITS",
    "METHODS",
    "Bend",
    "bend_available",
    "bend_from_shaft",
    "bends_of",
    "fresh",
    "graded_bend",
    "hallux_ip_bend",
    "is_fresh",
    "least_change",
    "photograph_error",
    "reading_error",
]

#: The first that was read is graded; all but the first are a fall-back and said to be one.
METHODS = (
    "nonweightbearing_passive",
    "weightbearing_passive",
    "nonweightbearing_active",
    "weightbearing_active",
)
#: Decimals kept before a value is held against an edge: dust of the arithmetic must not pass it.
DIGITS = 10
Rater = Literal["same_rater", "other_rater"]


@dataclass(frozen=True)
class Bend:
    """One day's readings taken in one way: their mean, or the smallest when they are scattered.

    Parameters
    ----------
    value_deg : float
        Mean, or the smallest, from the zero that was used [deg].
    spread_deg : float
        Largest minus smallest reading [deg].
    count : int
        How many readings [1].
    on : date
        Their day, the latest on which this way was used.
    method, instrument, zero : str or None
        How, with what and from which zero.
    scattered : bool
        Whether the readings lie too far apart for a mean; the smallest counts then.
    own_sem_deg : float or None
        Largest standard error that a measuring aid gave with one of them [deg]; None when one of
        them came without.
    """

    value_deg: float
    spread_deg: float
    count: int
    on: date
    method: str | None
    instrument: str | None
    zero: str | None
    scattered: bool = False
    own_sem_deg: float | None = None

    def __str__(self) -> str:
        """Return the reading with the way it was taken."""
        ways = (self.method, self.instrument, f"zero {self.zero}" if self.zero else None)
        said = ", ".join(way.replace("_", " ") for way in ways if way)
        of = f"smallest of {self.count}" if self.scattered else f"n = {self.count}"
        return f"{self.value_deg:.0f}° ({said or 'way not known'}, {self.on}, {of})"


def is_fresh(one: Measured, exam: Exam, book: Evidence) -> bool:
    """Whether a finding was made near enough to the visit to count at it."""
    return abs((exam.on - one.on).days) <= book.value("screen.valid_days")


def fresh(exam: Exam, book: Evidence) -> Exam:
    """The examination without findings that are too old; they count as not examined."""
    if all(one.on == exam.on for one in exam.measured):
        return exam
    return replace(exam, measured=tuple(one for one in exam.measured if is_fresh(one, exam, book)))


def reading_error(
    book: Evidence,
    method: str | None,
    instrument: str | None,
    rater: Rater = "same_rater",
    own_sem_deg: float | None = None,
) -> Row:
    """The standard error of one reading, for the way it was taken.

    Parameters
    ----------
    book : Evidence
        The book, with rows ``rom.sem.<method>.<instrument>.<rater>`` and
        ``rom.position.photograph``.
    method, instrument : str or None
        The way; a way without a row of its own gets the largest error in the book.
    rater : {"same_rater", "other_rater"}
        Whether one person read, or two.
    own_sem_deg : float, optional
        Standard error that came with a photograph [deg].

    Returns
    -------
    Row
        Its value is the standard error [deg]. It is not made smaller for the mean of several
        readings of one session: they share the error of positioning. A photograph may permit no
        more than a goniometer would: of its own row, the goniometer's, and its own error with what
        lies between occasions, the largest counts.
    """
    rows = [row for key, row in book.rows.items() if key.startswith("rom.sem.")]
    if not rows:
        raise EvidenceError("the book has no row 'rom.sem.…': the error of a reading is not known")
    largest = max(rows, key=lambda row: row.value)
    found = book.rows.get(f"rom.sem.{method}.{instrument}.{rater}", largest)
    if instrument != PHOTOGRAPH:
        return found
    beside = book.rows.get(f"rom.sem.{method}.goniometer.{rater}", found)
    whole = photograph_error(own_sem_deg, book)
    return max((found, beside, whole), key=lambda row: row.value)


def photograph_error(own_sem_deg: float | None, book: Evidence) -> Row:
    """The standard error of one occasion, for a reading from a photograph with its own error.

    Parameters
    ----------
    own_sem_deg : float or None
        Standard error that came with the photograph [deg]; without one, the largest with which a
        single photograph is given at all.
    book : Evidence
        The book, with rows ``rom.position.photograph`` and ``photo.reading.most_sd_deg``.

    Returns
    -------
    Row
        That row with the whole error as its value, √(position² + own²) [deg]: how the toe was bent
        and where the marks were put on another day is not in the photograph's own error.
    """
    row = book.row("rom.position.photograph")
    own = book.value("photo.reading.most_sd_deg") if own_sem_deg is None else own_sem_deg
    return replace(row, value=hypot(row.value, own))


def least_change(error: Row, book: Evidence) -> float:
    """How far two readings must lie apart before error alone is no longer likely [deg].

    Parameters
    ----------
    error : Row
        The standard error of one reading.
    book : Evidence
        The book; ``change.confidence_pct`` says how sure it must be.

    Notes
    -----
    z √2 SEM, with z the two-sided normal quantile; both readings carry the error.
    """
    certainty = book.value("change.confidence_pct") / 100
    return NormalDist().inv_cdf((1 + certainty) / 2) * sqrt(2) * error.value


def hallux_ip_bend(mtp_deg: float, book: Evidence) -> float:
    """How far the end joint of the big toe bends up, for a given bend of the big-toe joint.

    Parameters
    ----------
    mtp_deg : float
        Dorsiflexion of the first metatarsophalangeal joint [deg].
    book : Evidence
        The book.

    Returns
    -------
    float
        Dorsiflexion of the interphalangeal joint [deg]; NaN beyond the zero crossing of the line.

    Notes
    -----
    A line fitted to 120 feet; it says why the proximal phalanx is measured, not the whole toe.

    Sources
    -------
    Rows ``ip.*`` of the book.
    """
    bend = book.value("ip.bend_at_zero_deg") + book.value("ip.bend_per_deg") * mtp_deg
    return bend if bend >= 0 else nan


def bends_of(exam: Exam, side: Side, book: Evidence) -> tuple[Bend, ...]:
    """Group fresh readings by method, instrument and zero, each group on its latest day.

    The bend is the one measure of the book that is read from a zero. Readings of one group that
    lie further apart than the book allows have no mean: the smallest counts.
    """
    measure = next(key for key, measure in book.measures.items() if measure.zeros)
    groups: dict[tuple[str | None, str | None, str | None], list[Measured]] = {}
    for one in fresh(exam, book).readings(measure, side):
        groups.setdefault((one.method, one.instrument, one.zero), []).append(one)
    bends = []
    for (method, instrument, zero), found in groups.items():
        latest = max(one.on for one in found)
        values = [float(one.value) for one in found if one.on == latest]
        spread = round(max(values) - min(values), DIGITS)
        apart = spread > book.value("rom.readings_differ_deg")
        value = min(values) if apart else fmean(values)
        owns = [one.sem for one in found if one.on == latest]
        own = None if None in owns else max(sem for sem in owns if sem is not None)
        way = (method, instrument, zero)
        bends.append(Bend(value, spread, len(values), latest, *way, apart, own))
    return tuple(bends)


def bend_from_shaft(bend: Bend, exam: Exam, side: Side, book: Evidence) -> float:
    """A reading as it would be from the metatarsal shaft [deg].

    A reading from flat standing is raised by what this foot itself shows in flat standing, else
    by the low end of the usual offset: the smaller, more severe angle. A reading whose zero is
    not known is taken as it is, for the same reason.
    """
    if bend.zero != "flat_standing":
        return round(bend.value_deg, DIGITS)
    offset = fresh(exam, book).number("flat_standing_deg", side)
    usual = book.low("bend.shaft_offset_deg")
    return round(bend.value_deg + (usual if offset is None else offset), DIGITS)


def bend_available(exam: Exam, book: Evidence, side: Side) -> tuple[float, tuple[Reason, ...]]:
    """How far the joint may be bent from flat standing, on the cautious side.

    Each way of reading gives the value of its latest day (see :func:`bends_of`), turned to the
    zero of flat standing, less one standard error; the smallest counts.

    Parameters
    ----------
    exam : Exam
        The examination.
    book : Evidence
        The book.
    side : {"right", "left"}
        Which foot.

    Returns
    -------
    bend_deg : float
        Dorsiflexion from flat standing [deg]; never below 0, and 0 when nothing was read.
    reasons : tuple of Reason
        Which reading counted, which offset and error were taken off.
    """
    found: list[tuple[float, Bend, Row]] = []
    measured = fresh(exam, book).number("flat_standing_deg", side)
    offset = book.high("bend.shaft_offset_deg") if measured is None else measured
    for bend in bends_of(exam, side, book):
        error = reading_error(book, bend.method, bend.instrument, own_sem_deg=bend.own_sem_deg)
        flat = bend.value_deg - (0.0 if bend.zero == "flat_standing" else offset)
        found.append((flat - error.value, bend, error))
    if not found:
        return 0.0, (book.reason("bend.not_read", side=side),)
    least, bend, error = min(found, key=lambda one: one[0])
    if bend.zero == "flat_standing":
        zero = book.reason("bend.flat_zero", side=side, reading=bend)
    elif measured is not None:
        zero = book.reason("bend.own_offset", side=side, reading=bend, offset=f"{measured:.0f}°")
    else:
        zero = book.reason("bend.usual_offset", side=side, reading=bend, offset=f"{offset:.0f}°")
    taken = f"{error.value:.0f}°"
    if least <= 0:
        said = book.reason("bend.none", side=side, error=taken)
        return 0.0, (zero, with_row(said, error))
    said = book.reason("bend.available", side=side, bend=f"{floor(least)}°", error=taken)
    return least, (zero, with_row(said, error))


def graded_bend(exam: Exam, side: Side, book: Evidence) -> Bend | None:
    """The reading that is graded: by the best method at hand, the smallest if there are several.

    A photograph is graded only when nothing else was read: beside a goniometer it could hide the
    loss against the other foot, which was not photographed.
    """
    bends = bends_of(exam, side, book)
    bends = tuple(bend for bend in bends if bend.instrument != PHOTOGRAPH) or bends
    if not bends:
        return None
    best = min(_rank(bend) for bend in bends)
    same = [bend for bend in bends if _rank(bend) == best]
    return min(same, key=lambda bend: bend_from_shaft(bend, exam, side, book))


def _rank(bend: Bend) -> int:
    return METHODS.index(bend.method) if bend.method in METHODS else len(METHODS)
