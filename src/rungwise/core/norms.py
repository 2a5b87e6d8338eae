"""Hold a performance test beside what people of that age reach, and no closer than that allows."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, Norm, printed
from rungwise.core.reasons import resting_on
from rungwise.core.terms import Reason

__all__ = ["Beside", "beside_norm"]

UP_AND_GO = "timed_up_and_go_s"
ONE_LEG = "one_leg_s"


@dataclass(frozen=True)
class Beside:
    """A value beside its norm.

    Parameters
    ----------
    where : {"below", "above", "at", "within", "at least", "not compared"}
        Below, above or at the mean of that age or the cut; within or above an average range, or
        at least at its lower end where its upper end is not known.
    norm : Norm or None
        The row of the table; None when the book has none, or only a cut.
    sds : float or None
        Standard deviations from the mean [1]; None where the spread allows no such count.
    reason : Reason
        Why, with the source and its basis.
    """

    where: str
    norm: Norm | None
    sds: float | None
    reason: Reason


def beside_norm(
    measure: str,
    value: float,
    age: int,
    book: Evidence,
    sex: str | None = None,
    condition: str = "",
) -> Beside:
    """Where a value lies beside the norm of its age.

    Parameters
    ----------
    measure : str
        ``one_leg_s``, ``chair_stand_count``, ``heel_raise_count`` or ``timed_up_and_go_s``.
    value : float
        What was found, in the unit of the measure.
    age : int
        Age [a].
    book : Evidence
        The book; ``book.norms``.
    sex : {"female", "male"} or None
        Whose norm; where the table is by sex and it is not known, nothing is compared.
    condition : {"eyes_open", "eyes_closed", ""}
        For standing on one leg.

    Returns
    -------
    Beside
        Never a percentile. Standard deviations only where the spread is smaller than the mean
        and the value is not capped: they are left out with eyes closed and from the first age
        band whose spread comes near its mean.

    Raises
    ------
    InputError
        For a value that is below 0 or no number, or standing on one leg without its condition.
    """
    conditions = {norm.condition for norm in book.norms if norm.measure == measure}
    faults = []
    if not (isfinite(value) and value >= 0):
        faults.append(Fault(measure, str(value), "a number from 0 on", "Measure again."))
    if conditions and condition not in conditions:
        allowed = ", ".join(sorted(conditions)) or "none"
        faults.append(Fault("condition", condition or "none", allowed, "Say how."))
    if faults:
        raise InputError("norm", tuple(faults))
    if measure == UP_AND_GO:
        return _up_and_go(value, book)
    norm = next(
        (
            norm
            for norm in book.norms
            if (norm.measure, norm.condition) == (measure, condition)
            and norm.age_from <= age <= norm.age_to
            and norm.sex in ("", sex)
        ),
        None,
    )
    if norm is None:
        reason = book.reason("norm.none", age=age, sex="" if sex else ", sex not known")
        return Beside("not compared", None, None, reason)
    if norm.cut is not None:
        return _by_cut(norm, norm.cut, value, age, book)
    mean = 0.0 if norm.mean is None else norm.mean
    if measure == ONE_LEG:
        value = min(value, book.value("norm.one_leg.cap_s"))
    where = "above" if value > mean else "below" if value < mean else "at"
    sds = _sds(norm, value, book)
    says = {
        "value": printed(value, norm.unit),
        "age": age,
        "where": where,
        "mean": printed(mean, norm.unit),
    }
    if measure != ONE_LEG:
        return Beside(where, norm, None, _rest(book.reason("norm.heel_raise", **says), norm))
    counted = "" if sds is None else f" ({sds:+.1f} standard deviations)"
    reason = _rest(book.reason("norm.one_leg", condition=condition, sds=counted, **says), norm)
    if sds is not None:
        reason = resting_on(reason, norm.sd_basis, norm.source)
    return Beside(where, norm, sds, reason)


def _sds(norm: Norm, value: float, book: Evidence) -> float | None:
    """Standard deviations from the mean, where the table allows such a count [1]."""
    plain = norm.condition != "eyes_closed" and norm.age_to < book.value(
        "norm.one_leg.no_sd_from_a"
    )
    if norm.mean is None or norm.sd is None or not plain or norm.sd >= norm.mean:
        return None
    return (value - norm.mean) / norm.sd


def _by_cut(norm: Norm, cut: float, value: float, age: int, book: Evidence) -> Beside:
    where = "below" if value < cut else "within"
    if norm.top is not None and value > norm.top:
        where = "above"
    top = "" if norm.top is None else f" and ends at {printed(norm.top, norm.unit)}"
    if norm.top is None and where == "within":
        where = "at least"
    shown = {"below": "below", "within": "within", "above": "above", "at least": "not below"}
    reason = book.reason(
        "norm.cut",
        value=printed(value, norm.unit),
        age=age,
        where=shown[where],
        cut=printed(cut, norm.unit),
        top=top,
    )
    return Beside(where, norm, None, _rest(reason, norm))


def _up_and_go(value: float, book: Evidence) -> Beside:
    at_risk = value >= book.value("screen.tug_from_s")
    row = book.row("screen.tug_from_s")
    told = "not below" if at_risk else "below"
    reason = book.reason("norm.up_and_go", value=printed(value, row.unit), where=told)
    return Beside("above" if at_risk else "below", None, None, reason)


def _rest(reason: Reason, norm: Norm) -> Reason:
    return resting_on(reason, norm.basis, norm.source)
