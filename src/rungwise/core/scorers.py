"""Score a questionnaire from the numbers of its items; no wording of any item is held here.

The clinic supplies the form, with the right to use it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, printed
from rungwise.core.terms import Reason

__all__ = ["QUESTIONNAIRES", "FormScore", "score_form"]

#: Forms whose rows the book holds: FAAM daily living and sport, and the whole FFI marked 0-10.
QUESTIONNAIRES = ("faam.adl", "faam.sport", "ffi.total")


@dataclass(frozen=True)
class FormScore:
    """The score of one filled form.

    Parameters
    ----------
    form : str
        Which form, one of `QUESTIONNAIRES`.
    value_pct : float or None
        Points in hundredths of the most that the answered items could give [%]; None when too
        few were answered.
    total, answered : int
        Sum of the points, and number of items answered [1].
    reason : Reason
        How it was counted.
    """

    form: str
    value_pct: float | None
    total: int
    answered: int
    reason: Reason


def score_form(form: str, items: Sequence[int | None], book: Evidence) -> FormScore:
    """Score a form from its items in their order.

    Parameters
    ----------
    form : str
        One of `QUESTIONNAIRES`.
    items : sequence of int or None
        Points of every item [1]; None for one not answered or not applicable.
    book : Evidence
        The book, with rows ``<form>.items``, ``<form>.item_max`` and ``<form>.min_answered``.

    Returns
    -------
    FormScore
        Missing items are never filled in: they count neither above nor below the line.

    Raises
    ------
    InputError
        For an unknown form, a wrong number of items, or points that the form does not have.

    Notes
    -----
    100 Σ points / (item_max x answered). For the FFI this is the sum over 230; the mean of its
    three parts is another total, and is not computed.

    Sources
    -------
    clin_s19 (FAAM), clin_s16b (FFI); the least number answered: rows ``<form>.min_answered``.
    """
    if form not in QUESTIONNAIRES:
        fault = Fault("form", form, ", ".join(QUESTIONNAIRES), "Name one of these.")
        raise InputError("questionnaire", (fault,))
    count = int(book.value(f"{form}.items"))
    most = int(book.value(f"{form}.item_max"))
    faults = [
        Fault(f"item {n}", repr(item), f"a whole number 0 to {most}, or none", "Read it again.")
        for n, item in enumerate(items, 1)
        if item is not None and not (type(item) is int and 0 <= item <= most)
    ]
    if len(items) != count:
        allowed = f"{count} items; one left out is none"
        faults.insert(0, Fault("items", str(len(items)), allowed, "Enter every item."))
    if faults:
        raise InputError(f"questionnaire {form}", tuple(faults))
    points = [item for item in items if item is not None]
    value = None
    if len(points) >= book.value(f"{form}.min_answered"):
        value = 100 * sum(points) / (most * len(points))
    told = "no score, too few answered" if value is None else printed(round(value, 1), "pct")
    reason = book.reason(f"score.{form}", total=sum(points), answered=len(points), value=told)
    return FormScore(form, value, sum(points), len(points), reason)
