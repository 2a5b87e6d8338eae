"""Grade the joint from its bend, its loss against the other side, and where it hurts.

The grade sets where a programme starts and its ceilings; it is no forecast. Angles are degrees
of dorsiflexion from the metatarsal shaft, in which the grades are published.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from math import isfinite
from statistics import NormalDist, fmean

from rungwise.core.bend import (
    DIGITS,
    METHODS,
    Bend,
    bend_available,
    bend_from_shaft,
    bends_of,
    fresh,
    graded_bend,
    hallux_ip_bend,
    least_change,
    reading_error,
)
from rungwise.core.evidence import Band, Evidence
from rungwise.core.flags import is_fused
from rungwise.core.reasons import with_row
from rungwise.core.terms import Exam, Grade, Reason, Side

__all__ = ["bend_available", "grade", "hallux_ip_bend", "is_painless"]

PAINS = ("pain_worst_nprs", "pain_usual_nprs", "pain_rest_nprs")
#: Screening items that spoil the other side as a reference for loss.
SPOILS = ("foot_operation", "recent_injury", "overbend_injury")


def is_painless(exam: Exam, side: Side) -> bool | None:
    """Whether a joint is free of pain; None when that is not known.

    Pain anywhere in the movement, or any pain rating over 0, is pain. Free of pain needs both:
    the movement examined, and the worst pain of the last week rated 0.
    """
    at = exam.found("pain_at", side)
    ratings = [exam.number(measure, side) for measure in PAINS]
    if (at is not None and at != "none") or any(rating for rating in ratings):
        return False
    return True if at == "none" and ratings[0] is not None else None


def grade(exam: Exam, book: Evidence, side: Side) -> Grade:
    """Grade one joint, 0 (mildest) to 4.

    Parameters
    ----------
    exam : Exam
        The examination.
    book : Evidence
        The book; its bands hold the limits. An edge belongs to the worse grade.
    side : {"right", "left"}
        Which foot.

    Returns
    -------
    Grade
        With both components. ``value`` is None when the bend was not read lately, and for a
        joint that was fused or may have been: what does not move has no grade of movement.

    Notes
    -----
    The worse of degrees and loss counts. Grade 0 needs a joint known to be free of pain; pain in
    mid-range makes 3 into 4, and so does not knowing where it hurts. A radiograph raises, never
    lowers. P(grade) takes the reading as normal with its standard error; the error of the other
    side's reading is left out. Findings too old for the visit count as not examined, but an old
    radiograph, which can only raise, still counts.

    Sources
    -------
    The rows of ``book.bands``.
    """
    seen = exam.number("radiograph_grade", side)
    radiograph = None if seen is None else int(seen)
    fused = is_fused(exam, book, side)
    exam = fresh(exam, book)
    bend = graded_bend(exam, side, book)
    if bend is None or fused is not False:
        rule = {False: "not_read", True: "fused", None: "maybe_fused"}[fused]
        why = (book.reason(f"grade.{rule}", side=side),)
        return Grade(side, None, None, None, None, None, None, (), None, radiograph, (), why)
    angle = bend_from_shaft(bend, exam, side, book)
    error = reading_error(book, bend.method, bend.instrument, own_sem_deg=bend.own_sem_deg)
    reference, no_reference = _reference(bend, exam, side, book)
    pain_at = exam.found("pain_at", side)
    rules = _Rules(
        bands=book.bands,
        reference_deg=reference,
        may_hurt_mid=pain_at in (None, "mid_range"),
        may_hurt=is_painless(exam, side) is not True,
        radiograph=radiograph or 0,
    )
    value, by_loss = rules.grade(angle), rules.by_loss(angle)
    chances = rules.probabilities(angle, error.value)
    second = max((g for g in range(len(chances)) if g != value), key=lambda g: chances[g])
    enough = chances[second] >= book.value("grade.second_best_from")
    both = book.reason(
        "grade.both",
        side=side,
        reading=bend,
        bend=f"{angle:.0f}°",
        degrees=rules.by_degrees(angle),
        loss="not known" if by_loss is None else by_loss,
        motion=rules.motion(angle),
    )
    chance = with_row(
        book.reason(
            "grade.error",
            grade=value,
            chance=f"{100 * chances[value]:.0f} %",
            error=f"{error.value:.0f}°",
            least=f"{least_change(error, book):.0f}°",
        ),
        error,
    )
    notes = (
        *_reading_notes(bend, exam, side, book),
        *((no_reference,) if no_reference else ()),
        *_grade_notes(rules, angle, pain_at, side, book),
    )
    return Grade(
        side=side,
        value=value,
        by_degrees=rules.by_degrees(angle),
        by_loss=by_loss,
        bend_deg=angle,
        sem_deg=error.value,
        loss_pct=rules.loss(angle),
        probability=chances,
        second_best=second if enough else None,
        radiograph=radiograph,
        notes=notes,
        reasons=(both, *_pain_reasons(rules, angle, pain_at, side, book), chance),
    )


@dataclass(frozen=True)
class _Rules:
    """All of one joint's grading but the angle, so that it can be asked for any angle."""

    bands: tuple[Band, ...]
    reference_deg: float | None
    may_hurt_mid: bool
    may_hurt: bool
    radiograph: int

    @property
    def stiffest(self) -> int:
        """The last grade that motion alone can give; pain in mid-range adds one."""
        return self.bands[-2].grade

    def by_degrees(self, angle: float) -> int:
        return next(band.grade for band in self.bands if band.deg_over < angle <= band.deg_to)

    def loss(self, angle: float) -> float | None:
        """Loss against the other side [pct]."""
        if self.reference_deg is None:
            return None
        lost = 100 * (self.reference_deg - angle) / self.reference_deg
        return round(min(max(lost, 0.0), 100.0), DIGITS)  # more than the other side is no loss

    def by_loss(self, angle: float) -> int | None:
        loss = self.loss(angle)
        if loss is None:
            return None
        bands = (b.grade for b in self.bands if b.loss_from <= loss < b.loss_under)
        return next(bands, None)

    def motion(self, angle: float) -> int:
        """The worse of degrees and loss."""
        return max(self.by_degrees(angle), self.by_loss(angle) or 0)

    def grade(self, angle: float) -> int:
        """Motion, then pain, then radiograph."""
        found = self.motion(angle)
        if found == 0 and self.may_hurt:
            found = 1
        if found == self.stiffest and self.may_hurt_mid:
            found = self.bands[-1].grade
        return max(found, self.radiograph)

    def probabilities(self, angle: float, sem_deg: float) -> tuple[float, ...]:
        """P(each grade) for a normal error; the grade changes only at the edges of the bands."""
        edges = {edge for band in self.bands for edge in (band.deg_over, band.deg_to)}
        if self.reference_deg is not None:
            losses = {edge for band in self.bands for edge in (band.loss_from, band.loss_under)}
            edges |= {self.reference_deg * (1 - loss / 100) for loss in losses}
        inner = sorted(edge for edge in edges if isfinite(edge))
        within = [inner[0] - 1, *(fmean(pair) for pair in pairwise(inner)), inner[-1] + 1]
        below = NormalDist(angle, sem_deg)
        steps = pairwise([0.0, *(below.cdf(edge) for edge in inner), 1.0])
        chances = [0.0] * len(self.bands)
        for (low, high), inside in zip(steps, within, strict=True):
            chances[self.grade(inside)] += high - low
        return tuple(chances)


def _reference(
    bend: Bend, exam: Exam, side: Side, book: Evidence
) -> tuple[float | None, Reason | None]:
    """The other side's bend from the shaft [deg] if it may serve, else why it may not."""
    other: Side = "left" if side == "right" else "right"
    painless = is_painless(exam, other)
    if painless is False and is_painless(exam, side) is False:
        return None, book.reason("grade.bilateral", side=side, other=other)
    why = None
    if painless is False:
        why = "it hurts"
    elif painless is None:
        why = "it is not known to be free of pain"
    for item in SPOILS:
        answer = exam.answers.get(item)
        if answer != "no" and answer != side:
            why = why or f"{item.replace('_', ' ')} is not ruled out there"
    way = (bend.method, bend.instrument, bend.zero, bend.on)
    same = [b for b in bends_of(exam, other, book) if (b.method, b.instrument, b.zero, b.on) == way]
    if not same:
        why = why or "it was not read in the same way on the same day"
    if why is None:
        angle = bend_from_shaft(same[0], exam, other, book)
        if angle >= book.value("grade.reference_min_deg"):
            return angle, None
        why = f"it bends only {angle:.0f}°"
    return None, book.reason("grade.no_reference", side=side, other=other, why=why)


def _reading_notes(bend: Bend, exam: Exam, side: Side, book: Evidence) -> Iterator[Reason]:
    """What is not as it should be about the reading itself."""
    if bend.method != METHODS[0]:
        yield book.reason("grade.other_method", side=side, method=bend.method or "not known")
    if bend.on != exam.on:
        yield book.reason("grade.other_day", side=side, on=bend.on)
    if bend.scattered:
        yield book.reason("grade.readings_differ", side=side, spread=f"{bend.spread_deg:.0f}°")
    if bend.zero == "flat_standing":
        if exam.found("flat_standing_deg", side) is None:
            yield book.reason("grade.usual_offset", side=side)
        else:
            yield book.reason("grade.own_offset", side=side)


def _grade_notes(
    rules: _Rules, angle: float, pain_at: object, side: Side, book: Evidence
) -> Iterator[Reason]:
    """What the reader must know about the grade."""
    by_degrees, by_loss = rules.by_degrees(angle), rules.by_loss(angle)
    if by_loss is not None and by_loss != by_degrees:
        yield book.reason("grade.differ", side=side, degrees=by_degrees, loss=by_loss)
    if pain_at == "mid_range" and rules.motion(angle) < rules.stiffest:
        yield book.reason("grade.mid_range_odd", side=side, motion=rules.motion(angle))
    if angle > book.value("grade.normal_over_deg") and not rules.may_hurt:
        yield book.reason("grade.within_normal", side=side, bend=f"{angle:.0f}°")
    if not rules.radiograph:
        yield book.reason("grade.no_radiograph", side=side)


def _pain_reasons(
    rules: _Rules, angle: float, pain_at: object, side: Side, book: Evidence
) -> Iterator[Reason]:
    """How pain and radiograph moved the grade."""
    motion = rules.motion(angle)
    if motion == 0 and rules.may_hurt:
        yield book.reason("grade.pain_makes_one", side=side)
    if motion == rules.stiffest and rules.may_hurt_mid:
        known = "mid_range" if pain_at is not None else None
        yield book.reason("grade.mid_range", side=side, pain_at=known)
    if rules.radiograph and rules.grade(angle) > replace(rules, radiograph=0).grade(angle):
        yield book.reason("grade.radiograph", side=side, radiograph=rules.radiograph)
