"""What the small tools answer, as text: own error, scores, units, when to measure again."""

from __future__ import annotations

from collections.abc import Mapping

from rungwise.core.change import Change
from rungwise.core.evidence import Evidence, Row
from rungwise.core.own_error import OwnError
from rungwise.core.scorers import ENTERED, QUESTIONNAIRES, FormScore, form_facts
from rungwise.core.terms import Reason
from rungwise.core.units import Units, Way
from rungwise.measures.lines import between, direction, item, quoted, short, signed, three
from rungwise.report import table

__all__ = ["advice_report", "forms_report", "own_error_report", "score_report", "units_report"]


def own_error_report(found: OwnError, row: Row, mdc95: float, text: str, refused: str) -> str:
    """A clinic's own error: the answer, beside the book's, and whether it may be used."""
    unit = row.unit
    icc = found.icc
    answer = f"Standard error of one reading: {between(found.sem, found.low, found.high, unit)}; "
    bias = between(found.bias, found.bias_low, found.bias_high, unit)
    shown = f"{found.feet} feet, {found.days_apart} or more days apart. ICC(2,1) "
    lines = [
        f"{answer}the book has {row}.",
        f"A change between two single readings is beyond error from {three(mdc95, unit)} on.",
        f"{shown}{icc.agreement:.2f}, ICC(3,1) {icc.consistency:.2f}. Bias {bias}.",
        "",
        *(item(quoted(reason), 2).rstrip("\n") for reason in found.reasons),
        "",
    ]
    if refused:
        lines.append(f"No text for --overrides. {refused}")
    else:
        lines += ["The clinic's own value, for --overrides:", "", text.rstrip("\n")]
    return "\n".join(lines) + "\n"


def score_report(score: FormScore, change: Change | None, book: Evidence) -> str:
    """A form's score, what its change would have to be, and the change since before."""
    facts = form_facts(score.form, book)
    value = "no score" if score.value is None else short(score.value, score.unit)
    side = "higher" if score.better > 0 else "lower"
    lines = [f"{score.form}: {value} ({side} is better)."]
    if change is not None:
        where = direction(change, score.better)
        lines[0] = f"{lines[0]} {change.verdict.capitalize()}{f': {where}' if where else ''}."
    error = "not known" if facts.mdc95 is None else f"{three(facts.mdc95, score.unit)} (95 %)"
    if facts.mdc90 is not None:
        error += f", {three(facts.mdc90, score.unit)} (90 %)"
    sizes = ", ".join(f"{level} {signed(size)}" for level, size in facts.sizes.items())
    lines += [
        f"Largest change that counts as error: {error}.",
        f"Sizes that people call better: {sizes or 'none known'}.",
        *(item(quoted(reason), 2).rstrip("\n") for reason in (score.reason,)),
        *(item(quoted(r), 2).rstrip("\n") for r in (change.reasons if change else ())),
    ]
    return "\n".join(lines) + "\n"


def forms_report(book: Evidence) -> str:
    """Every form: items, points, direction, error and sizes."""
    cells: list[tuple[str, ...]] = [
        ("form", "items", "points", "better", "MDC 95 %", "MDC 90 %", "called better")
    ]
    for form in (*QUESTIONNAIRES, *ENTERED):
        facts = form_facts(form, book)
        scored = form in QUESTIONNAIRES
        items = f"{book.value(f'{form}.items'):g}" if scored else "enter the score"
        points = f"0 to {book.value(f'{form}.item_max'):g}" if scored else "-"
        cells.append(
            (
                form,
                items,
                points,
                "higher" if facts.better > 0 else "lower",
                *(
                    "not known" if mdc is None else f"{mdc:.3g}"
                    for mdc in (facts.mdc95, facts.mdc90)
                ),
                ", ".join(f"{level} {signed(size)}" for level, size in facts.sizes.items()) or "-",
            )
        )
    return table(cells)


def units_report(ways: Mapping[Way, Units], minutes: Mapping[str, int]) -> str:
    """Units in both ways: the totals first, then each service, ties and remainders."""
    names: dict[Way, str] = {
        "total_time": "by total time",
        "midpoint": "by the midpoint of each service",
    }
    counts = ", ".join(
        f"{one.total} unit{'' if one.total == 1 else 's'} {names[way]}" for way, one in ways.items()
    )
    cells = [("service", "minutes", *(names[way] for way in ways))]
    for name, spent in minutes.items():
        shown = (
            f"{one.each[name]}" + (" or one more (tie)" if name in one.tied else "")
            for one in ways.values()
        )
        cells.append((name, str(spent), *shown))
    untimed = next(iter(ways.values())).untimed
    cells += [(name, "not timed", *("1" for _ in ways)) for name in untimed]
    parts = [
        f"{sum(minutes.values())} timed minutes: {counts}.\n",
        "US timed services only. An arithmetic aid, not billing advice.\n\n",
        table(cells),
    ]
    for way, one in ways.items():
        parts.append(f"\n{names[way].capitalize()}\n")
        parts += [item(quoted(reason)) for reason in one.reasons]
    return "".join(parts)


def advice_report(told: Mapping[str, Reason]) -> str:
    """When to measure again, by what is read."""
    return "".join(f"{kind}\n{item(quoted(reason))}" for kind, reason in told.items())
