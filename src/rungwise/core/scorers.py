"""Score a questionnaire from the numbers of its items; no wording of any item is held here.

The clinic supplies the form, with the right to use it. Forms whose scoring belongs to their owner
are not scored at all: the clinic enters the score, and only its size is judged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, sqrt

from rungwise.core.change import LEVELS, better_of, known_error
from rungwise.core.detect import limit_z
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence, printed
from rungwise.core.reasons import with_row
from rungwise.core.terms import Reason

__all__ = [
    "ENTERED",
    "QUESTIONNAIRES",
    "ActivityScore",
    "FormFacts",
    "FormScore",
    "entered_score",
    "form_facts",
    "overall_change",
    "score_activities",
    "score_form",
]

FAOS = ("faos.pain", "faos.symptoms", "faos.adl", "faos.sport", "faos.qol")
#: Forms whose items are scored here.
QUESTIONNAIRES = (
    "faam.adl",
    "faam.sport",
    "lefs",
    *FAOS,
    "ffi.pain",
    "ffi.disability",
    "ffi.activity",
    "ffi.total",
)
#: Forms whose score the clinic enters: MOXFQ (licence) and FHSQ (scoring of its owner).
ENTERED = ("moxfq.walking", "moxfq.pain", "moxfq.social", "fhsq.pain", "fhsq.function")
LOWER_IS_BETTER = ("ffi.", "moxfq.", "nprs")


@dataclass(frozen=True)
class FormScore:
    """The score of one filled form.

    Parameters
    ----------
    form : str
        Which form, one of `QUESTIONNAIRES` or `ENTERED`.
    value : float or None
        Score, in ``unit``; None when too few items were answered.
    unit : str
        ``pct`` for hundredths of the most, ``1`` for points.
    total, answered : int or None
        Sum of the points, and number of items answered [1]; None when the score was entered.
    better : int
        1 when higher is better, -1 when lower is.
    reason : Reason
        How it was counted.
    """

    form: str
    value: float | None
    unit: str
    total: int | None
    answered: int | None
    better: int
    reason: Reason


@dataclass(frozen=True)
class ActivityScore:
    """Activities that a patient named, rated at two times.

    Parameters
    ----------
    before, after : float or None
        Mean of the activities rated at both times [0–10]; None when they are too few.
    kept, left_out, new : tuple of str
        Activities rated at both times, only before, and only after: the last start a new series.
    reason : Reason
        How it was counted.
    """

    before: float | None
    after: float | None
    kept: tuple[str, ...]
    left_out: tuple[str, ...]
    new: tuple[str, ...]
    reason: Reason


@dataclass(frozen=True)
class FormFacts:
    """What the book knows of a form's change.

    Parameters
    ----------
    better : int
        1 when higher is better, -1 when lower is.
    mdc90, mdc95 : float or None
        Largest change that counts as error, in the unit of the form; None when it is not known.
    sizes : mapping of str to float
        Changes that people call better, by level, signed.
    """

    better: int
    mdc90: float | None
    mdc95: float | None
    sizes: Mapping[str, float]


def form_facts(form: str, book: Evidence) -> FormFacts:
    """Direction, error and sizes of a form or measure; where the book has none, it says None."""
    error = known_error(form, book)
    spread = None if error is None else sqrt(2) * error.sem.value
    found = {level: book.rows.get(f"change.{form}.{level}") for level in LEVELS}
    return FormFacts(
        better_of(form, book) or (-1 if form.startswith(LOWER_IS_BETTER) else 1),
        None if spread is None else limit_z(book, "change.confidence_low_pct") * spread,
        None if spread is None else limit_z(book) * spread,
        {level: row.value for level, row in found.items() if row is not None},
    )


def score_form(form: str, items: Sequence[int | None], book: Evidence) -> FormScore:
    """Score a form from its items in their order.

    Parameters
    ----------
    form : str
        One of `QUESTIONNAIRES`.
    items : sequence of int or None
        Points of every item [1]; None for one not answered or not applicable.
    book : Evidence
        The book, with rows ``<form>.items``, ``<form>.item_max``, ``<form>.min_answered``, and
        ``<form>.score_max`` where the score is no share.

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
    S Σ points / (item_max x answered), with S = 100 or the form's highest score; 100 less that
    for the FAOS, whose items count trouble. For the whole FFI this is the sum over 230; the mean
    of its three parts is another total, and is not computed.

    Sources
    -------
    clin_s19 (FAAM), clin_s18 (LEFS), clin_s16c (FAOS), clin_s16b (FFI); the least number
    answered: rows ``<form>.min_answered``.
    """
    if form not in QUESTIONNAIRES:
        remedy = "Name one of these."
        if form in ENTERED:
            remedy = "Its scoring is not held here: enter the score."
        fault = Fault("form", form, ", ".join(QUESTIONNAIRES), remedy)
        raise InputError("questionnaire", (fault,))
    count = int(book.value(f"{form}.items"))
    most = int(book.value(f"{form}.item_max"))
    faults = [
        Fault(f"item {n}", repr(item), f"a whole number 0 to {most}, or none", "Read it again.")
        for n, item in enumerate(items, 1)
        if item is not None and not _whole(item, 0, most)
    ]
    if len(items) != count:
        allowed = f"{count} items; one left out is none"
        faults.insert(0, Fault("items", str(len(items)), allowed, "Enter every item."))
    if faults:
        raise InputError(f"questionnaire {form}", tuple(faults))
    points = [item for item in items if item is not None]
    top = book.rows.get(f"{form}.score_max")
    unit = "pct" if top is None else top.unit
    value = None
    if len(points) >= book.value(f"{form}.min_answered"):
        value = (100 if top is None else top.value) * sum(points) / (most * len(points))
        value = 100 - value if form in FAOS else value
    told = "no score, too few answered" if value is None else printed(round(value, 1), unit)
    reason = book.reason(f"score.{form}", total=sum(points), answered=len(points), value=told)
    better = form_facts(form, book).better
    return FormScore(form, value, unit, sum(points), len(points), better, reason)


def entered_score(form: str, value: float, book: Evidence) -> FormScore:
    """Take a score that the clinic has counted by the rule of the form's owner.

    Parameters
    ----------
    form : str
        One of `ENTERED` or `QUESTIONNAIRES`.
    value : float
        Score, 0 to 100, or to the form's highest.
    book : Evidence
        The book.

    Raises
    ------
    InputError
        For an unknown form, or a score outside its range.
    """
    top = book.rows.get(f"{form}.score_max")
    most = 100 if top is None else top.value
    faults = []
    if form not in (*ENTERED, *QUESTIONNAIRES):
        allowed = ", ".join((*ENTERED, *QUESTIONNAIRES))
        faults.append(Fault("form", form, allowed, "Name one of these."))
    if not (isfinite(value) and 0 <= value <= most):
        faults.append(Fault("score", str(value), f"0 to {most:g}", "Read it again."))
    if faults:
        raise InputError("questionnaire", tuple(faults))
    unit = "pct" if top is None else top.unit
    better = form_facts(form, book).better
    reason = book.reason(
        "score.entered",
        form=form,
        value=printed(value, unit),
        better="higher" if better > 0 else "lower",
    )
    return FormScore(form, float(value), unit, None, None, better, reason)


def score_activities(
    before: Mapping[str, int], after: Mapping[str, int], book: Evidence
) -> ActivityScore:
    """Mean of the patient's own activities over those that were rated at both times (PSFS).

    Parameters
    ----------
    before, after : mapping of str to int
        Activity in the patient's words, and its rating [0–10], 10 = as before the trouble.
    book : Evidence
        The book, with rows ``psfs.*``.

    Raises
    ------
    InputError
        For a rating that is none, or more activities than the form has.
    """
    most = int(book.value("psfs.item_max"))
    high = book.row("psfs.max_activities")
    faults = []
    for when, ratings in (("before", before), ("after", after)):
        faults += [
            Fault(f"{when}: {name}", repr(rating), f"a whole number 0 to {most}", "Ask again.")
            for name, rating in ratings.items()
            if not _whole(rating, 0, most)
        ]
        if len(ratings) > high.value:
            fault = Fault(when, f"{len(ratings)} activities", f"at most {high}", "Keep the first.")
            faults.append(fault)
    if faults:
        raise InputError("activities", tuple(faults))
    kept = tuple(name for name in before if name in after)
    left_out = tuple(name for name in before if name not in after)
    new = tuple(name for name in after if name not in before)
    means: list[float | None] = [None, None]
    if len(kept) >= book.value("psfs.min_activities"):
        means = [sum(r[name] for name in kept) / len(kept) for r in (before, after)]
    shown = ["no score" if mean is None else f"{mean:.1f}" for mean in means]
    reason = book.reason(
        "score.psfs",
        kept=len(kept),
        before=shown[0],
        after=shown[1],
        left_out=len(left_out),
        new=len(new),
    )
    return ActivityScore(means[0], means[1], kept, left_out, new, with_row(reason, high))


def overall_change(value: int, book: Evidence) -> Reason:
    """What the patient's own word on the overall change says; it describes and decides nothing.

    Parameters
    ----------
    value : int
        -7 (much worse) to 7 (much better), 15 steps [1].
    book : Evidence
        The book, with rows ``groc.*``.

    Raises
    ------
    InputError
        For a value that is none of the steps.
    """
    most = int(book.value("groc.max"))
    if not _whole(value, -most, most):
        fault = Fault("overall change", repr(value), f"-{most} to {most}", "Ask again.")
        raise InputError("overall change", (fault,))
    steps = ((book.value("groc.moderate"), "moderate"), (book.value("groc.small"), "small"))
    size = next((name for least, name in steps if abs(value) >= least), "no clear")
    side = "better" if value > 0 else "worse"
    told = f"a {size} change for the {side}" if size != "no clear" else "no clear change"
    return book.reason("score.groc", value=f"{value:+d}" if value else "0", told=told)


def _whole(value: object, low: int, high: int) -> bool:
    return type(value) is int and low <= value <= high
