"""Published scores and classes of the screen, as ranges where something is not known."""

from __future__ import annotations

from rungwise.core.bend import bend_from_shaft, graded_bend
from rungwise.core.evidence import Evidence
from rungwise.core.reasons import with_row
from rungwise.core.terms import Exam, Score, Side, Value

__all__ = ["detail", "foot_risk", "reached", "score"]


def detail(exam: Exam, key: str) -> Value | None:
    """A detail of the screen by its full key (``gout.redness``); None when it is not known."""
    group, _, name = key.partition(".")
    return exam.details.get(group, {}).get(name)


def score(name: str, exam: Exam, book: Evidence) -> Score:
    """A published score as a range: every unknown item absent, and every one present.

    Parameters
    ----------
    name : str
        Name of the score in ``book.score_items``: ``gout`` or ``clot``.
    exam : Exam
        The examination; its details hold the items.
    book : Evidence
        The book. A number counts as present from the row ``score.<key>`` upwards.

    Returns
    -------
    Score
        With what its low and its high end mean.

    Sources
    -------
    The rows of ``book.score_items`` and ``score.*``.
    """
    low = high = 0.0
    unknown = []
    for item in book.score_items:
        if item.score != name:
            continue
        present = _present(item.key, exam, book)
        if present is None:
            unknown.append(item.words)
            low, high = low + min(item.points, 0.0), high + max(item.points, 0.0)
        elif present:
            low, high = low + item.points, high + item.points
    reason = book.reason(
        f"score.{name}",
        range=_range(low, high),
        low_means=_meaning(name, low, book),
        high_means=_meaning(name, high, book),
        unknown=unknown,
    )
    return Score(name, low, high, tuple(unknown), reason.says, reason)


def reached(name: str, exam: Exam, book: Evidence) -> float | None:
    """The points of what is known to be present, when they make the score more than unlikely.

    Parameters
    ----------
    name : str
        Name of the score in ``book.score_items``.
    exam : Exam
        The examination.
    book : Evidence
        The book.

    Returns
    -------
    float or None
        Points [1]; None while they still mean unlikely. What is not known neither adds nor
        takes off.
    """
    items = (item for item in book.score_items if item.score == name)
    points = sum(item.points for item in items if _present(item.key, exam, book))
    return None if _meaning(name, points, book) == "unlikely" else points


def _present(key: str, exam: Exam, book: Evidence) -> bool | None:
    if key == "person.male":
        return None if exam.person.sex is None else exam.person.sex == "male"
    value = detail(exam, key)
    if value is None or isinstance(value, bool):
        return value
    return float(value) >= book.value(f"score.{key}")


def _range(low: float, high: float) -> str:
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _meaning(name: str, points: float, book: Evidence) -> str:
    if points >= book.value(f"score.{name}.likely_from"):
        return "likely"
    between = book.rows.get(f"score.{name}.unlikely_to")
    return "unclear" if between is not None and points > between.value else "unlikely"


def foot_risk(
    exam: Exam, book: Evidence, side: Side, numb: bool | None, pale: bool | None
) -> Score:
    """The risk class of a foot for an ulcer, 0 to 3; a range when something is not known.

    Parameters
    ----------
    exam : Exam
        The examination.
    book : Evidence
        The book.
    side : {"right", "left"}
        Which foot.
    numb, pale : bool or None
        Whether feeling is lost, and whether circulation is poor; None when not known.

    Notes
    -----
    Lost feeling or poor circulation alone is 1; two of lost feeling, poor circulation and
    deformity are 2; either of the first two with an earlier ulcer, amputation or kidney failure
    is 3. A joint that moves too little counts as a deformity, so a stiff big toe with lost
    feeling is 2.

    Sources
    -------
    Rows ``foot_risk.*`` of the book.
    """
    bad = _any(
        detail(exam, "foot_risk.ulcer_or_amputation"), detail(exam, "foot_risk.kidney_failure")
    )
    bent = _any(_stiff(exam, book, side), detail(exam, "foot_risk.deformity"))
    facts = {
        "lost feeling": numb,
        "poor circulation": pale,
        "deformity": bent,
        "earlier ulcer, amputation or kidney failure": bad,
    }
    low, high = (
        _risk_class(*(guess if fact is None else fact for fact in facts.values()))
        for guess in (False, True)
    )
    unknown = tuple(name for name, fact in facts.items() if fact is None)
    months = book.row(f"foot_risk.recall_months.{high}")
    every = f"{months.value:g}" if months.high is None else _range(months.value, months.high)
    reason = book.reason(
        "score.foot_risk", side=side, range=_range(low, high), every=every, unknown=unknown
    )
    reason = with_row(reason, months)
    return Score(f"foot_risk.{side}", low, high, unknown, reason.says, reason)


def _any(*facts: object) -> bool | None:
    """True if one is true, False if all are known and false, else None."""
    if any(fact is True for fact in facts):
        return True
    return False if all(fact is False for fact in facts) else None


def _risk_class(numb: bool, pale: bool, bent: bool, bad: bool) -> int:
    """Count the steps of risk: one for either, a second for two together, the last for bad."""
    if not (numb or pale):
        return 0
    two = numb + pale + bent > 1
    return 1 + (two or bad) + bad


def _stiff(exam: Exam, book: Evidence, side: Side) -> bool:
    """Whether the joint bends less than the mildest grade; a joint that was not read is stiff."""
    bend = graded_bend(exam, side, book)
    return bend is None or bend_from_shaft(bend, exam, side, book) <= book.bands[0].deg_over
