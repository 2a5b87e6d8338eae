"""What has changed, and questions without a folder: errors, scores, units, when to measure."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Literal

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.terms import Exam, Reason
from rungwise.measures import Changes, open_changes
from rungwise.measures.typed import read_items, read_pairs, read_targets, read_timed
from rungwise.plain import to_json
from rungwise.written import write_folder

__all__ = [
    "change_files",
    "changes_now",
    "measure_again",
    "own_error_now",
    "score_now",
    "told_change",
    "told_forms",
    "units_now",
]

CHANGE = "change.json"


#: Where the book holds the error of one reading of the bend.
ERRORS = "rom.sem."


def changes_now(
    folder: Path,
    book: Evidence,
    today: date,
    exams: Mapping[str, Exam] | None = None,
    phase: date | None = None,
    targets: Sequence[str] = (),
) -> Changes:
    """What has changed in a patient: every measure and activity, and the diary's pain.

    Parameters
    ----------
    folder : Path
        Folder of the plan.
    book : Evidence
        The evidence book.
    today : date
        The day on which it is looked at.
    exams : mapping of str to Exam, optional
        Further examinations of the same person, by the name of their file.
    phase : date, optional
        First day of a change of treatment, for before and after.
    targets : sequence of str
        Each ``MEASURE=VALUE/DAY``.

    Raises
    ------
    InputError
        As :func:`rungwise.measures.open_changes`; a target that cannot be read.
    """
    return open_changes(folder, book, today, exams, phase, read_targets(targets, book))


def told_change(found: Changes, why: bool = False) -> str:
    """What has changed, as text: the answer first; with ``why`` every reason."""
    from rungwise.measures.report import change_report

    return change_report(found, why)


def change_files(found: Changes, folder: Path, replace: bool = False) -> list[Path]:
    """Write what has changed as text and JSON, with a chart of each series, all or nothing.

    Parameters
    ----------
    found : Changes
        From :func:`changes_now`.
    folder : Path
        Where; only an earlier folder of the same make is ever replaced.
    replace : bool
        Whether it may be.

    Raises
    ------
    InputError
        As :func:`write_folder`.
    """
    from rungwise.measures.chart import change_chart, chart_names

    made = {CHANGE: to_json(found).encode(), "change.txt": told_change(found, why=True).encode()}
    made |= {name: change_chart(one).encode() for name, one in chart_names(found).items()}
    return write_folder(folder, made, replace, frozenset({CHANGE}))


def own_error_now(
    text: str, key: str, book: Evidence, today: date, who: str, estimate: bool = False
) -> tuple[dict[str, object], str]:
    """The clinic's own error of one reading from a table of pairs: as facts, and as text.

    Parameters
    ----------
    text : str
        CSV with foot, first, second, days_apart.
    key : str
        Row of the book for which it stands.
    book : Evidence
        The evidence book.
    today : date
        Day written into the overrides.
    who : str
        Who decides.
    estimate : bool
        Take the estimate itself, not the cautious end of its interval.

    Returns
    -------
    dict, str
        Facts, among them ``overrides`` (TOML) or None, and ``refused``: why there is none.

    Raises
    ------
    InputError
        An unknown row, or every fault of the table.
    """
    from rungwise.core.detect import ReadingError, limit_z
    from rungwise.core.own_error import override_text, own_error
    from rungwise.measures.answers import own_error_report

    rows = {name: row for name, row in book.rows.items() if name.startswith(ERRORS)}
    if key not in rows:
        fault = Fault("row", key, ", ".join(rows), "Name the way the feet were read.")
        raise InputError("clinic's own error", (fault,))
    row, pairs = rows[key], read_pairs(text)
    found = own_error(pairs.first, pairs.second, book, days_apart=pairs.days_apart, unit=row.unit)
    own = ReadingError(dataclasses.replace(row, value=found.sem))
    limit = limit_z(book) * own.of_difference(1, 1)
    overrides, refused = None, "" if who else "Say who decides: --who NAME."
    try:
        taken: Literal["high", "estimate"] = "estimate" if estimate else "high"
        made = override_text(found, row, book, who=who, when=str(today), take=taken)
    except InputError as error:
        refused = str(error)
    else:
        overrides = made if who else None
    facts: dict[str, object] = {
        "found": found,
        "row": row,
        "beyond_error_from": limit,
        "overrides": overrides,
        "refused": refused,
    }
    return facts, own_error_report(found, row, limit, overrides or "", refused)


def score_now(
    form: str,
    words: Sequence[str],
    book: Evidence,
    score: float | None = None,
    before: float | None = None,
) -> tuple[dict[str, object], str]:
    """Score a form, and judge its change since before: as facts, and as text.

    Parameters
    ----------
    form : str
        Which form.
    words : sequence of str
        Points of its items, ``-`` for one not answered.
    book : Evidence
        The evidence book.
    score : float, optional
        Score that the clinic has counted, in place of items.
    before : float, optional
        An earlier score of the same form.

    Raises
    ------
    InputError
        An unknown form; every fault of its items; items and a score, or neither.
    """
    from rungwise.core.change import judge_change, known_error
    from rungwise.core.scorers import entered_score, score_form
    from rungwise.measures.answers import score_report

    if bool(words) == (score is not None):
        given = "both" if words else "neither"
        fault = Fault("items", given, "the items, or --score", "Give one of the two.")
        raise InputError("questionnaire", (fault,))
    items, faults = read_items(words)
    try:
        scored = score_form(form, items, book) if items else None
        made = scored or entered_score(form, score or 0.0, book)
    except InputError as wrong:
        raise InputError(wrong.what, (*wrong.faults, *faults)) from None
    if faults:
        raise InputError("questionnaire", faults)
    change = None
    if before is not None:
        earlier = entered_score(form, before, book).value
        if earlier is not None and made.value is not None:
            error = known_error(form, book)
            change = judge_change(earlier, made.value, error, book, form, unit=made.unit)
    facts: dict[str, object] = {"score": made, "before": before, "change": change}
    return facts, score_report(made, change, book)


def told_forms(book: Evidence) -> tuple[dict[str, object], str]:
    """Every form that can be scored or entered, with its direction and error; also as text."""
    from rungwise.core.scorers import ENTERED, QUESTIONNAIRES, form_facts
    from rungwise.measures.answers import forms_report

    return {f: form_facts(f, book) for f in (*QUESTIONNAIRES, *ENTERED)}, forms_report(book)


def units_now(
    timed: Sequence[str], untimed: Sequence[str], book: Evidence
) -> tuple[dict[str, object], str]:
    """Units of the timed minutes of a visit, counted in both ways: as facts, and as text.

    Parameters
    ----------
    timed : sequence of str
        Each ``NAME=MINUTES``, by the clinic's own names.
    untimed : sequence of str
        Services that are not timed.
    book : Evidence
        The evidence book.

    Raises
    ------
    InputError
        Every service that cannot be read or is named twice.
    """
    from rungwise.core.units import Way, count_units
    from rungwise.measures.answers import units_report

    minutes = read_timed(timed, untimed)
    both: tuple[Way, Way] = ("total_time", "midpoint")
    others = tuple(" ".join(name.split()) for name in untimed)
    ways = {way: count_units(minutes, way, book, others) for way in both}
    facts: dict[str, object] = {"minutes": minutes, "units": ways}
    return facts, units_report(ways, minutes)


def measure_again(
    kind: str | None, book: Evidence, before: int | None = None
) -> tuple[dict[str, Reason], str]:
    """When to measure again and how often, for one kind of reading or for all; also as text.

    Parameters
    ----------
    kind : str, optional
        One kind.
    book : Evidence
        The evidence book.
    before : int, optional
        Days already read before [1].

    Raises
    ------
    InputError
        An unknown kind, or days below 1.
    """
    from rungwise.core.detect import KINDS, advise
    from rungwise.measures.answers import advice_report

    told = {one: advise(one, book, before) for one in (KINDS if kind is None else (kind,))}
    return told, advice_report(told)
