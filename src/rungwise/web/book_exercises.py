"""Exercises and grades of the evidence book as entries: doses, dials with their rungs, limits."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import isfinite

from rungwise.core.evidence import Band, Condition, Evidence, Family, printed
from rungwise.web.because import step_words
from rungwise.web.book_entry import Entry, cited, facts, rests, worded
from rungwise.web.words import Say

__all__ = ["band_entry", "dials", "doses"]


def doses(book: Evidence, say: Say) -> Iterator[Entry]:
    """Each step of each exercise's dose list."""
    for family in book.families.values():
        for n, row in enumerate(family.doses, 1):
            dose = row.dose
            told = step_words(say, n, dose)
            if dose.seconds:
                pace = say("book.pace", lift=f"{dose.lift_s:g}", lower=f"{dose.lower_s:g}")
                told = f"{told}; {pace}; {say('book.rest', rest=f'{dose.rest_s:g}')}"
            yield Entry(
                "dose",
                family.key,
                row.key,
                worded(say, told),
                rests=rests(say, row.basis, "permit"),
                source=cited(book, row.source),
                facts=facts(say, note=row.note),
                uses=(f"exercise {family.key}",),
            )


def dials(book: Evidence, say: Say) -> Iterator[Entry]:
    """Each exercise, and each notch of each of its dials."""
    for family in book.families.values():
        sources = " | ".join(cited(book, key) for key in family.sources)
        whole = Entry(
            "dial",
            family.key,
            family.key,
            worded(say, say.name("family", family.key)),
            source=sources,
            uses=("prescribe.prescribe",),
            facts=facts(
                say,
                allowed=_conditions(say, book, family.allow_if),
                makes=", ".join(sorted(family.tags)),
                needs=", ".join(say.name("equipment", one) for one in sorted(family.needs)),
                order=", ".join(say.name("dial", one) for one in family.rise.order),
            ),
        )
        yield whole
        for dial in family.dials:
            yield from _notches(book, say, family, dial.key)


def _notches(book: Evidence, say: Say, family: Family, key: str) -> Iterator[Entry]:
    dial = next(one for one in family.dials if one.key == key)
    for n, notch in enumerate(dial.notches, 1):
        named = say.name("dial", dial.key), say.name("notch", notch.key)
        yield Entry(
            "dial",
            family.key,
            f"{family.key}.{dial.key}.{notch.key}",
            worded(say, say("book.notch", dial=named[0], notch=named[1])),
            value=say("book.rung", n=n, of=len(dial.notches)),
            facts=facts(
                say,
                raises=say.name("demand", dial.raises),
                starts=_conditions(say, book, notch.start_if),
                allowed=_conditions(say, book, notch.allow_if),
                makes=", ".join(sorted(notch.tags)),
                needs=", ".join(say.name("equipment", one) for one in sorted(notch.needs)),
            ),
            uses=(f"exercise {family.key}",),
        )


def _conditions(say: Say, book: Evidence, found: Iterable[Condition]) -> str:
    return "; ".join(_condition(say, book, one) for one in found)


def _condition(say: Say, book: Evidence, one: Condition) -> str:
    name = say.name("measure", one.measure)
    told = name
    if one.at_least is not None:
        row = book.rows[one.at_least]
        told = f"{name} ≥ {printed(row.value, row.unit)}"
    elif one.at_most is not None:
        row = book.rows[one.at_most]
        told = f"{name} ≤ {printed(row.value, row.unit)}"
    elif isinstance(one.equals, bool):
        told = f"{name}: {say.name('answer', 'yes' if one.equals else 'no')}"
    elif one.equals is not None:
        told = f"{name}: {say.name('choice', str(one.equals))}"
    if one.instead is None:
        return told
    return say("book.or", one=told, other=_condition(say, book, one.instead))


def band_entry(book: Evidence, say: Say, band: Band) -> Entry:
    """One grade of the joint: its limits, and what it allows."""

    def ends(low: float, high: float, unit: str) -> str:
        if not isfinite(high):
            return f"> {printed(low, unit)}"
        return f"{low:g} – {printed(high, unit)}" if isfinite(low) else f"≤ {printed(high, unit)}"

    deg = say("book.band_deg", span=ends(band.deg_over, band.deg_to, "deg"))
    loss = say("book.band_loss", span=ends(band.loss_from, band.loss_under, "pct"))
    return Entry(
        "grade",
        "grade",
        f"grade.{band.grade}",
        worded(say, say("look.grade", grade=band.grade)),
        value=f"{deg}; {loss}",
        rests=rests(say, band.basis),
        source=cited(book, band.source),
        facts=facts(
            say,
            at_start=say("book.ceiling", tier=band.tier_max, pct=f"{100 * band.bend_share_max:g}"),
            later=say("book.ceiling", tier=band.tier_top, pct=f"{100 * band.bend_share_top:g}"),
            forbids=", ".join(sorted(band.forbids)),
            note=band.note,
        ),
        uses=("grade.grade", "prescribe", "progress"),
    )
