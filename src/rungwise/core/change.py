"""Tell a real change from the error of measuring, and a worthwhile one from a merely real one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import copysign, erfc, floor, isfinite, nan, sqrt
from statistics import NormalDist
from typing import Literal

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Row, printed
from rungwise.core.reasons import with_row
from rungwise.core.terms import Reason

__all__ = ["LEVELS", "Change", "judge_change"]

Verdict = Literal["within error", "beyond error", "beyond error and worthwhile"]
#: Sizes that people tell apart, smallest first; a measure may have one, both or none in the book.
LEVELS = ("minimal", "much_better")
#: Decimals kept before a change is held against its limit, so that dust does not pass it.
DIGITS = 10


@dataclass(frozen=True)
class Change:
    """A change between two occasions, and what may be said of it.

    Parameters
    ----------
    difference : float
        After minus before, in the unit of the measure.
    share_pct : float
        The same as a share of the first value [%]; NaN when that was 0.
    z : float
        Difference over its own standard error [1].
    p_two_sided : float
        Chance of a difference as large by error alone [1].
    mdc95 : float
        Largest difference that counts as error, in the unit of the measure.
    size : str or None
        Highest of `LEVELS` reached for the better, "less" for none; None when the book has none.
    verdict : str
        Within error, beyond error, or beyond error and worthwhile.
    reasons : tuple of Reason
        Why.
    """

    difference: float
    share_pct: float
    z: float
    p_two_sided: float
    mdc95: float
    size: str | None
    verdict: Verdict
    reasons: tuple[Reason, ...]


def judge_change(
    before: float, after: float, sem: Row, book: Evidence, measure: str | None = None
) -> Change:
    """Whether a measure has changed by more than error, and by enough to matter.

    Parameters
    ----------
    before, after : float
        The two values, taken in one and the same way, in the unit of ``sem``.
    sem : Row
        Standard error of one value (`reading_error`, or a row such as ``change.nprs.sem``).
    book : Evidence
        The book.
    measure : str, optional
        Name under which the book holds ``change.<measure>.<level>``: sizes that people call
        better, signed (minus: lower is better). Without it nothing is ever called worthwhile.

    Returns
    -------
    Change
        A change that equals the error is within it. Worthwhile asks for the highest level that
        the book holds, as points and, where there is one, as a share; to reach it is enough.

    Raises
    ------
    InputError
        For a value that is no finite number, or an error that is not above 0.

    Notes
    -----
    z = (after - before) / (√2 SEM), p = erfc(|z| / √2), MDC = z95 √2 SEM. Both errors are taken
    as normal, equal and independent; so it does not hold for repeats of one session.

    Sources
    -------
    Rows ``change.*`` of the book.
    """
    _check(before, after, sem)
    difference = round(after - before, DIGITS)
    share = 100 * difference / abs(before) if before else nan
    spread = sqrt(2) * sem.value
    confidence = book.value("change.confidence_pct") / 100
    mdc = NormalDist().inv_cdf((1 + confidence) / 2) * spread
    z = difference / spread
    p = erfc(abs(z) / sqrt(2))
    beyond = abs(difference) > round(mdc, DIGITS)
    shown = ("+" if difference > 0 else "") + printed(difference, sem.unit)
    told = book.reason(
        "change.beyond" if beyond else "change.within",
        before=printed(before, sem.unit),
        after=printed(after, sem.unit),
        difference=shown,
        sem=printed(sem.value, sem.unit),
        mdc=printed(float(f"{mdc:.3g}"), sem.unit),
        z=f"{z:.2f}",
        p=f"{p:.2g}",
    )
    reasons = [with_row(told, sem)]
    sizes = list(_sizes(measure, difference, share, shown, book))
    reached = [level for level, enough, _ in sizes if enough]
    told_of = [why for level, enough, why in sizes if not enough or level == reached[-1]]
    reasons += told_of or [book.reason("change.no_limit")]
    worthwhile = bool(sizes) and sizes[-1][1]
    if not beyond and difference:
        if worthwhile:
            reasons.append(book.reason("change.worthwhile_within"))
        days = floor((mdc / difference) ** 2) + 1
        reasons.append(book.reason("change.settle", days=days))
    verdict: Verdict = "within error"
    if beyond:
        verdict = "beyond error and worthwhile" if worthwhile else "beyond error"
    size = (reached or ["less"])[-1] if sizes else None
    return Change(difference, share, z, p, mdc, size, verdict, tuple(reasons))


def _sizes(
    measure: str | None, difference: float, share: float, shown: str, book: Evidence
) -> Iterator[tuple[str, bool, Reason]]:
    """Each level that the book holds for the measure, whether it is reached, and why."""
    for level in LEVELS:
        row = book.rows.get(f"change.{measure}.{level}")
        if row is None:
            continue
        part = book.rows.get(f"change.{measure}.{level}_pct")
        enough = _reaches(difference, row.value)
        limit = printed(row.value, row.unit)
        if part is not None:
            enough = enough and _reaches(round(share, DIGITS), part.value)
            limit += f" and {printed(part.value, part.unit)}"
        rule = "change.reached" if enough else "change.short"
        words = "minimally better" if level == LEVELS[0] else "much better"
        reason = with_row(book.reason(rule, difference=shown, size=words, limit=limit), row)
        yield level, enough, reason if part is None else with_row(reason, part)


def _reaches(change: float, limit: float) -> bool:
    """Whether a change is at least the limit, in the limit's own direction; NaN never is."""
    return change * copysign(1, limit) >= abs(limit)


def _check(before: float, after: float, sem: Row) -> None:
    given = {"before": before, "after": after}
    faults = [
        Fault(name, str(value), f"a finite number [{sem.unit}]", "Measure again.")
        for name, value in given.items()
        if not isfinite(value)
    ]
    if not (isfinite(sem.value) and sem.value > 0):
        faults.append(Fault(sem.key, str(sem.value), "a number above 0", "Mend the row."))
    if faults:
        raise InputError("change", tuple(faults))
