"""How many readings of which kind show a gain of which size: the sum that every advice rests on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, floor, hypot, inf, sqrt
from statistics import NormalDist

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Row, printed
from rungwise.core.reasons import with_row
from rungwise.core.terms import Reason

__all__ = [
    "KINDS",
    "Kind",
    "ReadingError",
    "advise",
    "chance_to_see",
    "error_of_kind",
    "least_gain",
    "limit_z",
    "readings_needed",
]

NORMAL = NormalDist()
#: Said of advice that is enough, and of advice that is not.
KNOWN = ("detect.enough", "detect.short")
#: Decimals kept before a number of readings is rounded up, so that dust asks for no extra one.
DIGITS = 10


@dataclass(frozen=True)
class ReadingError:
    """The standard error of one day's reading, and what no number of days makes smaller.

    Parameters
    ----------
    sem : Row
        Standard error of one day, in the unit of the measure.
    floor : Row or None
        Error that a mean is never held to be below, in the same unit.
    own : Row or None
        The known part of an error of which ``sem`` is the part between days: that of the reading
        itself, in the same unit.
    """

    sem: Row
    floor: Row | None = None
    own: Row | None = None

    @property
    def day(self) -> float:
        """Standard error of one day, both parts together, in the row's unit."""
        return self.sem.value if self.own is None else hypot(self.sem.value, self.own.value)

    def of_mean(self, days: int) -> float:
        """Standard error of a mean of one reading on each of so many days, in the row's unit."""
        return max(self.day / sqrt(days), self.least)

    @property
    def least(self) -> float:
        """Error that is left however many days are read, in the row's unit."""
        return 0.0 if self.floor is None else self.floor.value

    def of_line(self, count: int) -> float:
        """Standard error of the rise from first to last reading, by the least-squares line.

        Parameters
        ----------
        count : int
            Readings at equal spacing, at least 2 [1].

        Notes
        -----
        σ T / √Σ (t - mean t)², with T the time from the first to the last reading; it holds when
        the true change is a straight line. Never below the floor of two means.
        """
        spread = sqrt(sum((n - (count - 1) / 2) ** 2 for n in range(count)))
        return max(self.day * (count - 1) / spread, sqrt(2) * self.least)

    def of_difference(self, before: int, after: int) -> float:
        """Standard error of the difference of two such means, in the row's unit."""
        return sqrt(self.of_mean(before) ** 2 + self.of_mean(after) ** 2)

    def rests(self, reason: Reason) -> Reason:
        """A reason that also rests on these rows."""
        for row in (self.sem, self.floor, self.own):
            reason = reason if row is None else with_row(reason, row)
        return reason


@dataclass(frozen=True)
class Kind:
    """A way of reading again.

    Parameters
    ----------
    label : str
        What the readings are called.
    error, floor : str
        Rows of the error of one day, and of the floor; no floor is empty.
    own : str
        Row of the reading's own error, where ``error`` is only what lies between days; else empty.
    most, gain : str
        Rows of how many are asked for at most, and of the gain that is looked for.
    """

    label: str
    error: str
    most: str
    gain: str
    floor: str = ""
    own: str = ""


SHAFT = "rom.sem.nonweightbearing_passive"
#: What a clinic or a patient can do again, by name.
KINDS: Mapping[str, Kind] = {
    "goniometer": Kind(
        "goniometer readings by one person",
        f"{SHAFT}.goniometer.same_rater",
        "detect.most.visits",
        "detect.gain.bend",
    ),
    "goniometer_other_rater": Kind(
        "goniometer readings by different people",
        f"{SHAFT}.goniometer.other_rater",
        "detect.most.visits",
        "detect.gain.bend",
    ),
    "phone_goniometer": Kind(
        "readings with a phone as goniometer by one person",
        f"{SHAFT}.phone_goniometer.same_rater",
        "detect.most.visits",
        "detect.gain.bend",
    ),
    "photograph": Kind(
        "photographs",
        "rom.position.photograph",
        "detect.most.photographs",
        "detect.gain.bend",
        own="detect.photograph.own_sem",
    ),
    "diary": Kind(
        "daily ratings of pain",
        "change.nprs.mean.day_noise",
        "detect.most.diary",
        "detect.gain.pain",
        "change.nprs.sem",
    ),
}


def limit_z(book: Evidence, confidence: str = "change.confidence_pct") -> float:
    """How many standard errors a difference must exceed, two-sided, at a row's confidence [1]."""
    return NORMAL.inv_cdf((1 + book.value(confidence) / 100) / 2)


def error_of_kind(kind: str, book: Evidence) -> ReadingError:
    """The error of one of `KINDS`.

    Raises
    ------
    InputError
        For an unknown kind.
    """
    found = _kind(kind)
    floor, own = (book.row(key) if key else None for key in (found.floor, found.own))
    return ReadingError(book.row(found.error), floor, own)


def chance_to_see(
    gain: float, error: ReadingError, before: int, after: int, book: Evidence
) -> float:
    """Chance that a true gain comes out beyond error [1].

    Parameters
    ----------
    gain : float
        True change, in the unit of the error.
    error : ReadingError
        Error of one day's reading.
    before, after : int
        On how many different days it is read [1].
    book : Evidence
        The book; ``change.confidence_pct`` is the limit.

    Notes
    -----
    Φ(δ/s - z) + Φ(-δ/s - z), with s the standard error of the difference of the two means.
    Errors of different days are taken as normal and independent.
    """
    _check(gain, before, after)
    return _power(abs(gain) / error.of_difference(before, after), limit_z(book))


def least_gain(error: ReadingError, before: int, after: int, book: Evidence) -> float:
    """The smallest true gain that is seen with the wanted chance, in the unit of the error.

    Parameters
    ----------
    error : ReadingError
        Error of one day's reading.
    before, after : int
        On how many different days it is read [1].
    book : Evidence
        The book; ``detect.power_pct`` is the chance.
    """
    _check(1.0, before, after)
    return _reach(book) * error.of_difference(before, after)


def readings_needed(
    gain: float, error: ReadingError, book: Evidence, before: int | None = None
) -> int | None:
    """On how many days to read, so that a true gain is seen with the wanted chance.

    Parameters
    ----------
    gain : float
        True change to be seen, in the unit of the error.
    error : ReadingError
        Error of one day's reading.
    book : Evidence
        The book; ``detect.power_pct`` is the chance, ``change.confidence_pct`` the limit.
    before : int, optional
        Days read before, when that is past [1]; else as many are read before as after.

    Returns
    -------
    int or None
        Days after [1]; None when no number is enough.
    """
    _check(gain, 1 if before is None else before, 1)
    room = (gain / _reach(book)) ** 2
    room = room / 2 if before is None else room - error.of_mean(before) ** 2
    if room <= 0 or error.least**2 > room:
        return None
    needed = round(error.day**2 / room, DIGITS)
    return max(1, ceil(needed)) if needed < inf else None


def advise(kind: str, book: Evidence, before: int | None = None) -> Reason:
    """When to measure again, how often, and what that can show.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    book : Evidence
        The book, with rows ``detect.*``.
    before : int, optional
        Days already read before [1]; else as many as are advised after.

    Returns
    -------
    Reason
        No more readings than the book asks of anyone; then it says what smaller gain is missed.
    """
    found = _kind(kind)
    error = error_of_kind(kind, book)
    gain, most = book.row(found.gain), book.row(found.most)
    needed = readings_needed(gain.value, error, book, before)
    enough = needed is not None and needed <= most.value
    count = int(most.value) if needed is None or not enough else needed
    first = count if before is None else before
    seen = least_gain(error, first, count, book)
    parts = {}
    if error.own is not None:
        shown = {"own": error.own, "between": error.sem}
        parts = {name: printed(row.value, row.unit) for name, row in shown.items()}
    rules = ("detect.enough_parts", "detect.short_parts") if parts else KNOWN
    told = book.reason(
        rules[not enough],
        kind=found.label,
        count=count,
        before=first,
        gain=printed(gain.value, gain.unit),
        seen=printed(float(f"{seen:.3g}"), gain.unit),
        needed="no number would be enough" if needed is None else f"{needed} would be needed",
        weeks=printed(book.value("detect.weeks"), "weeks"),
        chance=f"{100 * chance_to_see(gain.value, error, first, count, book):.0f} %",
        **parts,
    )
    return error.rests(with_row(with_row(told, gain), most))


def _power(shift: float, z: float) -> float:
    return NORMAL.cdf(shift - z) + NORMAL.cdf(-shift - z)


def _reach(book: Evidence) -> float:
    """Standard errors that a true gain must be worth to be seen with the wanted chance [1]."""
    z, wanted = limit_z(book), book.value("detect.power_pct") / 100
    low, high = 0.0, z + NORMAL.inv_cdf(wanted)
    while low < (middle := (low + high) / 2) < high:
        if _power(middle, z) < wanted:
            low = middle
        else:
            high = middle
    return high


def _kind(kind: str) -> Kind:
    if kind not in KINDS:
        fault = Fault("kind", kind, ", ".join(KINDS), "Name one of these.")
        raise InputError("readings", (fault,))
    return KINDS[kind]


def _check(gain: float, before: int, after: int) -> None:
    faults = [
        Fault(name, str(days), "a whole number of days from 1", "Count the days.")
        for name, days in (("before", before), ("after", after))
        if not (days >= 1 and days == floor(days))
    ]
    if not 0 < abs(gain) < inf:
        faults.append(Fault("gain", str(gain), "a finite number other than 0", "Say how much."))
    if faults:
        raise InputError("readings", tuple(faults))
